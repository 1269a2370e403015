"""Cuts the exports of a run into parts of the student body, each with all that is needed to settle its students.

A row goes with its student. A bank event goes with the student of the plan that it names, if the schedules of the day know that plan, else
with the student that it names; events that name neither go first. Parts follow each other in the order of student ids, so that results put
together in the order of the parts stand in the order of students.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reconcile.bank_gaps import NO_GAPS
from reconcile.coverage import later_than
from reconcile.events import NOBODY
from reconcile.texts import among, distinct, is_word, positions

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd

    from reconcile.events import Bools, Ints
    from reconcile.exports import Exports
    from reconcile.policy import Rules


@dataclass(frozen=True, eq=False)
class Whole:
    """What only the whole input can tell a part: draw dates of which hardly a draw was seen, terms whose schedules have fee lines."""

    gaps: pd.DataFrame = dataclasses.field(default_factory=lambda: NO_GAPS)
    fee_terms: frozenset[str] = frozenset()


def whole_of(exports: Exports, rules: Rules, as_of: date) -> Whole:
    """What is known of the whole before any part is settled."""
    lines = exports.tables["plan_schedules"]
    fees = np.flatnonzero(_counts(lines, rules, as_of) & is_word(lines["kind"], "fee"))
    return Whole(fee_terms=frozenset(lines["term"].iloc[fees].unique()))


def cut_by_student(exports: Exports, rules: Rules, as_of: date, parts: int) -> list[Exports]:
    """The exports in so many parts (at least one; some may be empty), each student whole in one of them.

    Keeps:   every row of every table in just one part, in the order in which it stood.
    """
    if parts < 2:  # nothing to cut
        return [exports]
    tables = exports.tables
    students = distinct(table["student_id"] for table in tables.values())
    owner = {name: positions(students, table["student_id"]) for name, table in tables.items()}
    owner["cleared_draws"] = _owners(tables["cleared_draws"], tables["plan_schedules"], owner, rules, as_of)
    cut = [len(students) * part // parts for part in range(1, parts)]
    of = {name: np.searchsorted(cut, codes, side="right") for name, codes in owner.items()}
    return [
        dataclasses.replace(exports, tables={name: _rows(table, of[name], part) for name, table in tables.items()}) for part in range(parts)
    ]


def _counts(lines: pd.DataFrame, rules: Rules, as_of: date) -> Bools:
    """Which schedule lines count on the day: those of terms that the rules know, and of plans that were enrolled by then."""
    return among(lines["term"], [term.code for term in rules.terms]) & ~later_than(lines["enrolled_on"], as_of)


def _owners(events: pd.DataFrame, lines: pd.DataFrame, owner: dict[str, Ints], rules: Rules, as_of: date) -> Ints:
    """The student code that each event goes with."""
    counting = np.flatnonzero(_counts(lines, rules, as_of))
    plans = distinct([lines["plan_id"].iloc[counting]])
    student_of_plan = np.full(len(plans) + 1, NOBODY, dtype=np.int64)
    student_of_plan[positions(plans, lines["plan_id"].iloc[counting])] = owner["plan_schedules"][counting]
    named = student_of_plan[positions(plans, events["plan_id"])]
    aside = later_than(events["settled_on"], as_of)  # what is set aside stays as it was written
    return np.where((named == NOBODY) | aside, owner["cleared_draws"], named)


def _rows(table: pd.DataFrame, of: Ints, part: int) -> pd.DataFrame:
    """The rows of one part; where they stand together, as in exports in the order of students, without a copy."""
    rows = np.flatnonzero(of == part)
    if len(rows) and rows[-1] - rows[0] + 1 == len(rows):
        return table.iloc[rows[0] : rows[-1] + 1].reset_index(drop=True)
    return table.take(rows).reset_index(drop=True)
