"""Rows that contradict themselves or each other, before anything is worked out from them.

A cell may be readable and the row still impossible: a plan that has two totals, a line that stands twice, an award that is anticipated
and yet has a day of payment, an event of the bank that names nobody. Only the rows that clash are rejected, and each names the other one,
so that a person can look at both and say which holds. No guess is made here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.intake_batch import Clash
from reconcile.texts import all_different, arrow_text, numbered
from reconcile.toml_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from reconcile.intake_batch import Batch
    from reconcile.policy import Rules

    Ints = NDArray[np.int64]

PLAN_FACTS = ("student_id", "term", "plan_total", "enrolled_on")
"""What every row of one plan says of the plan as a whole, and must say alike."""


def check_rows(batch: Batch, rules: Rules) -> list[Clash]:
    """What is wrong with single rows, rejected ones included, as far as the cells concerned could be read."""
    if batch.export.name == "plan_schedules":
        return _unknown_terms(batch, rules) + _below_zero(batch) + _active_yet_cancelled(batch)
    if batch.export.name == "cleared_draws":
        return _events_of_nobody(batch)
    if batch.export.name == "aid":
        return _anticipated_but_paid(batch)
    return []


def check_against_each_other(batch: Batch) -> list[Clash]:
    """What is wrong between accepted rows of one export: contradicting plans, lines twice, one reference with two contents."""
    if batch.export.name == "plan_schedules":
        at = np.flatnonzero(batch.accepted)
        plans = numbered(_at(batch, "plan_id", at))
        return _plans_that_disagree(batch, at, plans) + _lines_twice(batch, at, plans)
    if batch.export.name == "cleared_draws":
        return _references_with_two_contents(batch)
    return []


def _unknown_terms(batch: Batch, rules: Rules) -> list[Clash]:
    """Plan lines of a term that no rule knows: without its due date and tiers no window and no plan can be judged."""
    terms = batch.table["term"]
    unknown = [t for t in terms.unique().tolist() if t and rules.term(t) is None]
    if not unknown:
        return []
    known = [t.code for t in rules.terms]
    told = f"Terms known: {', '.join(known)}" if known else "No term is known"
    clashes = []
    for at in np.flatnonzero((terms.isin(unknown) & batch.readable("term")).to_numpy()).tolist():
        term = batch.shown(at, "term")
        near = nearest(term, known)
        hint = f" If {near} is meant, correct the row, or give the word its meaning under values.term in the column map." if near else ""
        cure = f"Add the term to terms.toml, or leave its plans out of the export.{hint}"
        clashes.append(Clash(at, "term", f"no rule knows the term {term}, so its plan lines cannot be read. {told}", cure))
    return clashes


def _below_zero(batch: Batch) -> list[Clash]:
    """A plan takes money: neither a line nor a plan total is below zero."""
    cure = "A plan line takes money: correct the amount; a line that is no longer taken has line_status cancelled."
    return [
        Clash(at, column, f"the {what} is below zero: {batch.shown(at, column)}", cure)
        for column, what in (("amount", "line"), ("plan_total", "plan total"))
        for at in np.flatnonzero((batch.table[column] < 0).to_numpy() & batch.readable(column)).tolist()
    ]


def _active_yet_cancelled(batch: Batch) -> list[Clash]:
    """A line that is active and yet has a day of cancelling: if it counts as pending, a bill may read covered with nothing behind it."""
    both = (batch.table["line_status"] == "active").to_numpy() & batch.table["cancelled_on"].notna().to_numpy()
    both &= batch.readable("line_status") & batch.readable("cancelled_on")
    cure = "If the line was cancelled, its line_status is cancelled; if not, cancelled_on stays empty."
    return [
        Clash(at, "cancelled_on", f"the line is active, yet was cancelled on {batch.shown(at, 'cancelled_on')}", cure)
        for at in np.flatnonzero(both).tolist()
    ]


def _events_of_nobody(batch: Batch) -> list[Clash]:
    nobody = (batch.table["plan_id"] == "").to_numpy() & (batch.table["student_id"] == "").to_numpy()
    nobody &= batch.readable("plan_id") & batch.readable("student_id")
    cure = "Fill in one of them where the file comes from; if another column holds it, name that column in the column map."
    return [Clash(at, "plan_id", "the event names neither a plan nor a student", cure) for at in np.flatnonzero(nobody).tolist()]


def _anticipated_but_paid(batch: Batch) -> list[Clash]:
    paid = (batch.table["status"] == "anticipated").to_numpy() & batch.table["disbursed_on"].notna().to_numpy()
    paid &= batch.readable("status") & batch.readable("disbursed_on")
    cure = "If the award was paid, its status is disbursed; if not, disbursed_on stays empty, and expected_on holds the day it is due."
    return [
        Clash(at, "disbursed_on", f"the award is anticipated, yet was disbursed on {batch.shown(at, 'disbursed_on')}", cure)
        for at in np.flatnonzero(paid).tolist()
    ]


def _plans_that_disagree(batch: Batch, at: Ints, plans: Ints) -> list[Clash]:
    """All rows of a plan that has two students, terms, totals or days of enrollment: nobody here can say which holds.

    In:      positions of the accepted rows, and the number of the plan of each.
    """
    together = np.argsort(plans, kind="stable") if (plans[1:] < plans[:-1]).any() else np.arange(len(plans))
    here = plans[together]
    differ = np.zeros(max(len(at) - 1, 0), dtype=np.bool_)  # each row from the one before it
    for name in PLAN_FACTS:
        differ |= _unlike_the_one_before(_at(batch, name, at[together]))
    differ &= here[1:] == here[:-1]
    clashes: list[Clash] = []
    for group in _groups(at, plans, np.isin(plans, here[1:][differ])) if differ.any() else ():
        clashes += _disagreements(batch, group)
    return clashes


def _at(batch: Batch, column: str, at: Ints) -> pd.Series:
    """A column at these positions; without a copy where they are all of them in their order."""
    values = batch.table[column]
    return values if len(at) == len(values) and (at[1:] > at[:-1]).all() else values.iloc[at]


def _unlike_the_one_before(values: pd.Series) -> NDArray[np.bool_]:
    """Whether each value but the first differs from the one before it."""
    if values.dtype == "str":
        texts = arrow_text(values)
        unlike = pc.not_equal(texts.slice(1), texts.slice(0, max(len(texts) - 1, 0)))
        return np.asarray(unlike.to_numpy(zero_copy_only=False), dtype=np.bool_)
    held = values.to_numpy()
    return np.asarray(held[1:] != held[:-1], dtype=np.bool_)


def _disagreements(batch: Batch, group: list[int]) -> Iterator[Clash]:
    plan = batch.shown(group[0], "plan_id")
    for name in PLAN_FACTS:
        first_with: dict[str, int] = {}
        for row in group:
            first_with.setdefault(batch.shown(row, name), row)
        if len(first_with) < 2:
            continue
        for row in group:
            here = batch.shown(row, name)
            there, other = next((value, at) for value, at in first_with.items() if value != here)
            problem = f"plan {plan} has {name} {here} here and {there} in {batch.place(other)}"
            yield Clash(row, name, problem, f"All rows of one plan carry the same {name}: correct the row that is wrong, then run again.")


def _lines_twice(batch: Batch, at: Ints, plans: Ints) -> list[Clash]:
    lines = numbered(_at(batch, "line", at))
    of_plan = plans * (int(lines.max(initial=0)) + 1) + lines  # one number for each line of each plan
    if (of_plan[1:] > of_plan[:-1]).all() or len(pd.unique(of_plan)) == len(of_plan):
        return []
    cure = "Keep the row that holds and take the other out, or give it its own line. Counted twice, the family would seem to owe both."
    clashes = []
    for group in _alike(batch, batch.accepted, ["plan_id", "line"]):
        plan, line = batch.shown(group[0], "plan_id"), batch.shown(group[0], "line")
        for row in group:
            other = _other(group, row)
            told = f"line {line} of plan {plan} stands also in {batch.place(other)}, {_against(batch, row, other)}"
            clashes.append(Clash(row, "line", told, cure))
    return clashes


def _references_with_two_contents(batch: Batch) -> list[Clash]:
    named = batch.accepted & (batch.table["reference"] != "").to_numpy()
    cure = "One reference is one event: correct the row that is wrong, or give the events references of their own."
    clashes = []
    for group in _alike(batch, named, ["reference", "outcome"]):
        reference, outcome = batch.shown(group[0], "reference"), batch.shown(group[0], "outcome")
        for row in group:
            other = _other(group, row)
            told = f"reference {reference} with outcome {outcome} stands also in {batch.place(other)}, {_against(batch, row, other)}"
            clashes.append(Clash(row, "reference", told, cure))
    return clashes


def _alike(batch: Batch, among: NDArray[np.bool_], columns: list[str]) -> list[list[int]]:
    """Groups of two rows or more that are alike in these columns, in row order."""
    at = np.flatnonzero(among)
    part = batch.table[columns].iloc[at]
    if all_different(part[columns[0]]):
        return []
    twice = part.duplicated(keep=False).to_numpy()
    if not twice.any():
        return []
    numbers = np.asarray(part[twice].groupby(columns, sort=False).ngroup(), dtype=np.int64)
    return _groups(at[twice], numbers, np.ones(len(numbers), dtype=np.bool_))


def _groups(at: NDArray[np.int64], numbers: NDArray[np.int64], chosen: NDArray[np.bool_]) -> list[list[int]]:
    groups: dict[int, list[int]] = {}
    for row, number in zip(at[chosen].tolist(), numbers[chosen].tolist(), strict=True):
        groups.setdefault(number, []).append(row)
    return list(groups.values())


def _other(group: Sequence[int], row: int) -> int:
    return group[1] if row == group[0] else group[0]


def _against(batch: Batch, row: int, other: int) -> str:
    """How the content of two rows differs, only the columns that differ."""
    differing = batch.differing(row, other, batch.export.names)
    if not differing:
        return "with the same content"
    told = "; ".join(f"{name} {batch.shown(row, name)} here, {batch.shown(other, name)} there" for name in differing)
    return f"with other content: {told}"
