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

from reconcile.events import day_numbers
from reconcile.schemas import OUTPUTS

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

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
        ids = pd.concat([table["student_id"] for table in tables], ignore_index=True).unique()
        self.students = pd.Index(np.sort(np.asarray(ids, dtype=object)), dtype="str")
        self.terms = pd.Index(sorted(terms), dtype="str")
        packed = [self._pack(table) for table in tables]
        self._known = np.unique(np.concatenate(packed)) if packed else np.zeros(0, dtype=np.int64)

    def _pack(self, table: pd.DataFrame) -> Ints:
        term = self.terms.get_indexer(pd.Index(table["term"])).astype(np.int64)
        student = self.students.get_indexer(pd.Index(table["student_id"])).astype(np.int64)
        return np.asarray(term * len(self.students) + student)

    def __len__(self) -> int:
        return len(self._known)

    def total(self, table: pd.DataFrame, cents: Ints) -> Ints:
        """Cents of the table's rows summed per pair."""
        total = np.zeros(len(self), dtype=np.int64)
        np.add.at(total, np.searchsorted(self._known, self._pack(table)), cents)
        return total

    def columns(self) -> dict[str, pd.Series]:
        """The pairs as columns term and student_id."""
        count = max(len(self.students), 1)
        return {
            "term": pd.Series(self.terms.to_numpy(dtype=object)[self._known // count], dtype="str"),
            "student_id": pd.Series(self.students.to_numpy(dtype=object)[self._known % count], dtype="str"),
        }


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
        return keys.total(table, table["cents"].to_numpy())

    lines = counts.lines
    counted = on_the_bill(lines, rules)
    state = lines["state"]
    coming = counted & state.isin(["pending", "in transit"]).to_numpy(dtype=bool)
    held = counted & ((state == "pending") & lines["stopped"]).to_numpy(dtype=bool)

    def line_total(which: Bools) -> Ints:
        return keys.total(lines[which], lines["amount"].to_numpy()[which])

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
            "failed_draws": line_total(counted & (state == "failed").to_numpy(dtype=bool)),
            "not_seen_draws": line_total(counted & (state == "not seen").to_numpy(dtype=bool)),
            "gap": gap,
            "coverage": pd.Series(coverage_word(billed, gap + line_total(held), balance, rules.plans.plan_tolerance), dtype="str"),
        }
    )
    return table[[column.name for column in OUTPUTS["students"]]]


def on_the_bill(lines: pd.DataFrame, rules: Rules) -> Bools:
    """Whether a line's money pays the bill: every draw and down payment, and a fee where the term bills it."""
    fee_terms = [term.code for term in rules.terms if term.fee_on_bill]
    return np.asarray(((lines["kind"] != "fee") | lines["term"].isin(fee_terms)).to_numpy(dtype=bool))


def coverage_word(billed: Bools, uncovered: Ints, balance: Ints, tolerance: int) -> np.ndarray[tuple[int], np.dtype[np.str_]]:
    """The word of coverage; `uncovered` is the gap with the pending lines of stopped plans added."""
    return np.select(
        [~billed, uncovered > tolerance, uncovered < -tolerance, balance <= tolerance],
        ["not billed", "short", "over", "paid"],
        default="covered by pending",
    )


def _billed(term: pd.Series, rules: Rules, as_of: date) -> Bools:
    billed_on = {found.code: found.billed_on for found in rules.terms}
    return np.asarray(term.map({code: day <= as_of for code, day in billed_on.items()}).to_numpy(dtype=bool))


def later_than(dates: pd.Series, as_of: date) -> Bools:
    """Whether each date lies after the as-of date."""
    return np.asarray(day_numbers(dates) > np.datetime64(as_of, "D").astype("int64"))
