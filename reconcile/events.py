"""Whose event: which plan and which student each bank event belongs to, before anything is matched.

A bank or card processor's file names a plan, a student or both. A known plan decides; else a known student stands for all that
student's plans. Where the file names a known plan and another student than the plan's, the plan decides and a person is told. An
event of neither a known plan nor a known student counts in no student's row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from reconcile.findings import Finding
from reconcile.texts import distinct, is_word, positions

if TYPE_CHECKING:
    import pandas as pd

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NOBODY = -1
"""Code of an unknown plan or student."""


def day_numbers(dates: pd.Series) -> Ints:
    """Int64 days since 1970-01-01 of a date column; an absent date is the most negative day there is."""
    raw = dates.to_numpy(dtype="datetime64[D]").astype("int64")
    return np.asarray(raw)


@dataclass(frozen=True)
class Book:
    """The plans and students that the schedules know, with dense codes in id order (so that ties always fall the same way)."""

    plans: pd.Index
    students: pd.Index
    student_of_plan: Ints
    line_plan: Ints
    line_student: Ints


def book_of(lines: pd.DataFrame) -> Book:
    """Number the plans and students of the schedule lines.

    In:      lines: plan_id, student_id (each plan has one student: intake saw to it).
    Out:     codes by id order, and for each line its plan and student code.
    """
    plans, students = distinct([lines["plan_id"]]), distinct([lines["student_id"]])
    line_plan, line_student = positions(plans, lines["plan_id"]), positions(students, lines["student_id"])
    student_of_plan = np.full(len(plans), NOBODY, dtype=np.int64)
    student_of_plan[line_plan] = line_student
    return Book(plans, students, student_of_plan, line_plan, line_student)


@dataclass(frozen=True)
class Owners:
    """For each event its plan code (or NOBODY: the student's plans all stand for it) and its student code (or NOBODY: unknown)."""

    plan: Ints
    student: Ints
    disagree: Bools


def whose_events(events: pd.DataFrame, book: Book) -> tuple[Owners, list[Finding]]:
    """Say whose each event is.

    In:      events: plan_id, student_id, amount (cents), reference, entry (row position in the export).
    Finds:   plan and student disagree; bank event for an unknown student or plan.
    """
    plan, named = positions(book.plans, events["plan_id"]), positions(book.students, events["student_id"])
    known_plan = plan != NOBODY
    student = np.where(known_plan, book.student_of_plan[plan] if len(book.plans) else NOBODY, named).astype(np.int64)
    says_student = ~is_word(events["student_id"], "")
    disagree = known_plan & says_student & (named != student)
    findings = [_finding("plan and student disagree", events, int(at)) for at in np.flatnonzero(disagree)]
    findings += [_finding("bank event for an unknown student or plan", events, int(at)) for at in np.flatnonzero(student == NOBODY)]
    return Owners(plan, student, disagree), findings


def _finding(kind: str, events: pd.DataFrame, at: int) -> Finding:
    row = events.iloc[at]
    return Finding(
        kind=kind,
        student_id=row["student_id"],
        term="",
        plan_id=row["plan_id"],
        line=row["line"],
        reference=row["reference"],
        cents=int(row["amount"]),
        export="cleared_draws",
        entry=int(row["entry"]),
    )
