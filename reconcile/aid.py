"""Where each award stood on a given day.

Aid reduces a bill in two ways: *disbursed* money is there, *anticipated* money is a promise of the aid office that the bill already
counts on. An estimate counts for nothing, and some funds (work-study is earned as wages) never reach the bill. A promise whose expected
day is long past has *lapsed*: it counts nothing until it comes. The same function answers for the as-of day and for the day on which a
plan was set, so that a change between the two is a fact and not an impression.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.events import day_numbers
from reconcile.texts import first_true, folded_among, is_word, words

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd

    from reconcile.events import Ints
    from reconcile.policy import Rules

AID_BUCKETS = ("disbursed", "anticipated", "lapsed", "estimated", "never on the bill", "cancelled", "not yet on the bill")
COUNTED = ("disbursed", "anticipated")


def aid_standing(aid: pd.DataFrame, rules: Rules, day: Ints | int, as_of: date) -> pd.Series:
    """Say for each award in what way it stands on a day.

    In:      aid rows (fund, status, posted_on, disbursed_on, expected_on, cancelled_on); `day` is a day number, or one per row.
    Out:     one of AID_BUCKETS per row.
    Rules:   aid.toml never_on_bill, grace_days
    """
    posted, disbursed = day_numbers(aid["posted_on"]), day_numbers(aid["disbursed_on"])
    expected, ended = day_numbers(aid["expected_on"]), day_numbers(aid["cancelled_on"])
    has_disbursed, has_expected = aid["disbursed_on"].notna().to_numpy(), aid["expected_on"].notna().to_numpy()
    has_ended = aid["cancelled_on"].notna().to_numpy()
    cancelled = is_word(aid["status"], "cancelled")
    ended = np.where(has_ended, ended, np.datetime64(as_of, "D").astype("int64"))
    off_bill = folded_among(aid["fund"], rules.aid.never_on_bill)
    in_hand = np.where(has_disbursed, disbursed <= day, is_word(aid["status"], "disbursed"))
    found = first_true(
        [
            off_bill,
            is_word(aid["status"], "estimated"),
            posted > day,
            (cancelled | has_ended) & (ended <= day),
            in_hand,
            has_expected & (expected + rules.aid.grace_days < day),
        ]
    )
    standing = ("never on the bill", "estimated", "not yet on the bill", "cancelled", "disbursed", "lapsed", "anticipated")
    return words(found, standing).set_axis(aid.index)
