"""Where each student's bill stands: what is in hand, what is still expected, what is pending, and whether that covers it.

    balance_now   = charges - aid_disbursed - other_credits - draws_cleared
    pending_draws = lines pending and in transit
    gap           = balance_now - aid_anticipated - pending_draws

Once a plan exists the bill *reads as paid* while most of the money is only pending; `covered by pending` says so, and `paid` is kept for a
bill with nothing left. Lines of a plan under a stop will not be drawn: for the word of coverage they count as missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.events import NOBODY, day_numbers
from reconcile.schemas import OUTPUTS
from reconcile.texts import among, arrow_text, distinct, first_true, is_word, picked, positions, words

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    import pyarrow as pa  # type: ignore[import-untyped]

    from reconcile.events import Bools, Ints
    from reconcile.policy import Rules


@dataclass(frozen=True)
class Standing:
    """What counts toward students' standings on the as-of day, each a table with student_id, term and cents.

    charges, disbursed, anticipated, credits (other than draws) and draws (plan draw money that stayed); lines: schedule lines with
    kind, amount, state and `stopped` (whether its plan is under a stop).
    """

    charges: pd.DataFrame
    disbursed: pd.DataFrame
    anticipated: pd.DataFrame
    credits: pd.DataFrame
    draws: pd.DataFrame
    lines: pd.DataFrame
    others: tuple[pd.DataFrame, ...] = ()
    """Tables whose students have a row even if nothing of theirs counts (an estimate, a plan that was cancelled)."""


class Keys:
    """Student-and-term pairs of several tables as dense numbers, in the order of term and student id."""

    def __init__(self, tables: Iterable[pd.DataFrame], terms: Iterable[str]) -> None:
        tables = list(tables)
        self._asked: dict[tuple[int, ...], tuple[pa.Array, Ints]] = {}
        self.students = distinct(table["student_id"] for table in tables)
        self.terms = pd.Index(sorted(terms), dtype="str")
        seen = np.zeros(len(self.terms) * len(self.students), dtype=np.bool_)
        for table in tables:
            packed = self._pack(table)
            seen[packed[packed >= 0]] = True
        self._known = np.flatnonzero(seen)
        self._at = np.where(seen, np.cumsum(seen) - 1, NOBODY)

    def _pack(self, table: pd.DataFrame) -> Ints:
        """One number per row for its student and term, or NOBODY where either is unknown."""
        term, student = self._codes(self.terms, table["term"]), self._codes(self.students, table["student_id"])
        packed = term * len(self.students) + student
        return np.where((term < 0) | (student < 0), NOBODY, packed)

    def _codes(self, names: pd.Index, texts: pd.Series) -> Ints:
        """Positions among the names; a column that was asked about before, in this table or another, is not looked up again."""
        column = arrow_text(texts)
        place = (id(names), column.offset, len(column), *(buffer.address for buffer in column.buffers() if buffer))
        if place not in self._asked:
            self._asked[place] = (column, positions(names, texts))
        return self._asked[place][1]

    def __len__(self) -> int:
        return len(self._known)

    def lookup(self, table: pd.DataFrame) -> Ints:
        """Position of each row's student and term among the pairs, or NOBODY."""
        if not len(self):
            return np.full(len(table), NOBODY, dtype=np.int64)
        packed = self._pack(table)
        return np.where(packed < 0, NOBODY, self._at[packed])

    def sum(self, at: Ints, cents: Ints) -> Ints:
        """Cents summed by position; rows at NOBODY belong to none of the pairs."""
        total = np.zeros(len(self), dtype=np.int64)
        if not (at >= 0).all():
            at, cents = at[at >= 0], np.asarray(cents)[at >= 0]
        np.add.at(total, at, cents)
        return total

    def columns(self) -> dict[str, pd.Series]:
        """The pairs as columns term and student_id."""
        count = max(len(self.students), 1)
        return {"term": picked(self.terms, self._known // count), "student_id": picked(self.students, self._known % count)}


def standings(counts: Standing, rules: Rules, as_of: date) -> pd.DataFrame:
    """Work out each student's standing per term.

    In:      Standing: rows that count on the as-of day, of terms that the rules know; cents with the signs of the exports.
    Out:     OUTPUTS["students"], one row per student and term, in the order of term and student id.
    Rules:   terms.toml billed_on and fee_on_bill, plans.toml plan_tolerance
    Keeps:   balance_now and gap are the equations above, row by row; each sum equals the cents that went in.
    """
    tables = (counts.charges, counts.disbursed, counts.anticipated, counts.credits, counts.draws, counts.lines, *counts.others)
    keys = Keys(tables, (term.code for term in rules.terms))

    def total(table: pd.DataFrame) -> Ints:
        return keys.sum(keys.lookup(table), table["cents"].to_numpy())

    lines = counts.lines
    counted = on_the_bill(lines, rules)
    state = lines["state"]
    pends = is_word(state, "pending")
    coming = counted & (pends | is_word(state, "in transit"))
    held = counted & pends & lines["stopped"].to_numpy(dtype=bool)
    line_at, amount = keys.lookup(lines), lines["amount"].to_numpy()

    def line_total(which: Bools) -> Ints:
        return keys.sum(line_at[which], amount[which])

    charges, disbursed, anticipated = total(counts.charges), total(counts.disbursed), total(counts.anticipated)
    other_credits, draws = total(counts.credits), total(counts.draws)
    balance = charges - disbursed - other_credits - draws
    pending = line_total(coming)
    gap = balance - anticipated - pending
    columns = keys.columns()
    billed = _billed(columns["term"], rules, as_of)
    table = pd.DataFrame(
        {
            **columns,
            "charges": charges,
            "aid_disbursed": disbursed,
            "aid_anticipated": anticipated,
            "other_credits": other_credits,
            "draws_cleared": draws,
            "balance_now": balance,
            "pending_draws": pending,
            "failed_draws": line_total(counted & is_word(state, "failed")),
            "not_seen_draws": line_total(counted & is_word(state, "not seen")),
            "gap": gap,
            "coverage": coverage_word(billed, gap + line_total(held), balance, rules.plans.plan_tolerance),
        },
        copy=False,
    )
    return table[[column.name for column in OUTPUTS["students"]]]


def on_the_bill(lines: pd.DataFrame, rules: Rules) -> Bools:
    """Whether a line's money pays the bill: every draw and down payment, and a fee where the term bills it."""
    fee_terms = [term.code for term in rules.terms if term.fee_on_bill]
    return np.asarray(~is_word(lines["kind"], "fee") | among(lines["term"], fee_terms))


def coverage_word(billed: Bools, uncovered: Ints, balance: Ints, tolerance: int) -> pd.Series:
    """The word of coverage; `uncovered` is the gap with the pending lines of stopped plans added."""
    found = first_true([~billed, uncovered > tolerance, uncovered < -tolerance, balance <= tolerance])
    return words(found, ("not billed", "short", "over", "paid", "covered by pending"))


def _billed(term: pd.Series, rules: Rules, as_of: date) -> Bools:
    return among(term, [found.code for found in rules.terms if found.billed_on <= as_of])


def later_than(dates: pd.Series, as_of: date) -> Bools:
    """Whether each date lies after the as-of date."""
    return np.asarray(day_numbers(dates) > np.datetime64(as_of, "D").astype("int64"))
