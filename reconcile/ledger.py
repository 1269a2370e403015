"""Credits on the student ledger other than plan draws, counted once.

Plan draws are counted from the bank, the evidence from outside, never from the ledger. Everything else that was credited (payments,
waivers, sponsors, refunds, balances brought forward) counts through its posting.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from reconcile.policy import Rules


def credits_of(postings: pd.DataFrame, events: pd.DataFrame, money: pd.DataFrame, rules: Rules, *, has_postings: bool) -> pd.DataFrame:
    """The credits that count beside plan draws.

    In:      postings (kind, amount; a reversal or a refund is negative), bank events and where their money went; cents.
    Out:     student_id, term, cents, source (`posting`, `fee`, `payment at the bank`): postings of every kind but `plan draw`; fee money
             at the bank where the term bills the fee; without a postings export, payments that the bank shows.
    """
    rows = postings[postings["kind"] != "plan draw"]
    parts = [pd.DataFrame({"student_id": rows["student_id"], "term": rows["term"], "cents": rows["amount"], "source": "posting"})]
    fee_terms = [term.code for term in rules.terms if term.fee_on_bill]
    fees = money["fee_on_lines"] + money["fee_without_a_line"]
    parts.append(_from_bank(money, fees.where(money["term"].isin(fee_terms), 0), "fee"))
    if not has_postings:
        paid = (events["kind"] == "payment") & (money["term"] != "")
        parts.append(_from_bank(money, money["payment"].where(paid, 0), "payment at the bank"))
    return pd.concat(parts, ignore_index=True).astype({"cents": "int64", "student_id": "str", "term": "str"})


def _from_bank(money: pd.DataFrame, cents: pd.Series, source: str) -> pd.DataFrame:
    rows = money[cents != 0]
    return pd.DataFrame({"student_id": rows["student_id"], "term": rows["term"], "cents": cents[cents != 0], "source": source})
