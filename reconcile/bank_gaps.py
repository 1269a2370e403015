"""Draw dates of which hardly any draw was seen: a bank file is missing in the middle, rather than hundreds of families having failed.

A hole inside the span of the bank files would turn every draw of that date into money to be asked for a second time. Taken once over the
whole input: where more than half of at least twenty draws of a date are not seen, the run says so, and no draw is proposed to those
families until a person has looked.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.texts import is_word

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.events import Bools
    from reconcile.variance import PlanKeys

FEWEST_LINES = 20
"""Below this a date says nothing: a few families can fail together."""

OVER = ("cleared", "part cleared", "failed", "not seen")


NO_GAPS = pd.DataFrame({"term": pd.Series(dtype="str"), "draw_date": pd.Series(dtype="datetime64[s]")}).assign(lines=0, not_seen=0)
"""The ordinary case: no draw date of which hardly a draw was seen."""


def seen_by_date(lines: pd.DataFrame) -> pd.DataFrame:
    """How many lines of each draw date have a window that is over, and how many of them were not seen; adds up over parts of the whole.

    In:      lines with term, draw_date, state.
    Out:     term, draw_date, lines, not_seen.
    """
    over = np.logical_or.reduce([is_word(lines["state"], state) for state in OVER])
    missing = is_word(lines["state"], "not seen").astype("int64")
    counted = pd.DataFrame({"term": lines["term"], "draw_date": lines["draw_date"], "lines": 1, "not_seen": missing})
    return counted[over].groupby(["term", "draw_date"], as_index=False, sort=True).sum()


def hardly_seen(seen: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Draw dates with at least FEWEST_LINES lines whose windows are over, more than half of them not seen.

    In:      seen_by_date of each part of the student body.
    Out:     term, draw_date, lines, not_seen.
    """
    found = pd.concat(seen, ignore_index=True).groupby(["term", "draw_date"], as_index=False, sort=True).sum()
    return found[(found["lines"] >= FEWEST_LINES) & (2 * found["not_seen"] > found["lines"])].reset_index(drop=True)


def families_of(gaps: pd.DataFrame, lines: pd.DataFrame, keys: PlanKeys) -> Bools:
    """Which rows of the plans table have a line not seen on such a date: a person decides before their draws change."""
    held = np.zeros(len(keys), dtype=bool)
    if len(gaps):
        on_gap = pd.MultiIndex.from_frame(lines[["term", "draw_date"]]).isin(pd.MultiIndex.from_frame(gaps[["term", "draw_date"]]))
        held[keys.lookup(lines[on_gap & is_word(lines["state"], "not seen")])] = True
    return held


def gap_notes(gaps: pd.DataFrame) -> tuple[str, ...]:
    """One sentence per such date.

    >>> gap_notes(pd.DataFrame({"term": ["2026-FA"], "draw_date": [pd.Timestamp("2026-10-10")], "lines": [307], "not_seen": [294]}))[0][:63]
    'Of 307 draws of 2026-10-10 (2026-FA) the bank files do not show'
    """
    return tuple(
        f"Of {count} draws of {day.date()} ({term}) the bank files do not show {missing}: is a bank file missing? Add it and run again; "
        "until then no draw is proposed to these families."
        for term, day, count, missing in gaps[["term", "draw_date", "lines", "not_seen"]].itertuples(index=False)
    )
