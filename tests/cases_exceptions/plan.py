"""One plan that every story starts from: nothing is wrong with it.

Student S1: charges 15,000.00, aid 3,000.00, a plan of 12,000.00 in five draws of 2,400.00 on the tenth, August to December 2026, from a
bank account; August's and September's draws cleared and stand on the ledger. The rules are the sample rules.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

Row = dict[str, Any]
Rows = dict[str, list[Row]]

TERM = "2026-FA"
DRAW = 2_400_00
MONTHS = (8, 9, 10, 11, 12)


def charge(cents: int, day: str, student: str = "S1", kind: str = "tuition") -> Row:
    """A charge, or its reversal."""
    return {"student_id": student, "term": TERM, "posted_on": day, "amount": cents, "charge_type": kind}


def award(cents: int, day: str, status: str = "disbursed", student: str = "S1", **more: Any) -> Row:
    """An award."""
    return {"student_id": student, "term": TERM, "fund": "grant", "status": status, "amount": cents, "posted_on": day, **more}


def line(number: int | str, day: str, cents: int = DRAW, plan: str = "P1", student: str = "S1", **more: Any) -> Row:
    """A schedule line."""
    own = {"plan_id": plan, "student_id": student, "term": TERM, "enrolled_on": "2026-07-20", "plan_total": 12_000_00}
    return {**own, "line": str(number), "draw_date": day, "amount": cents, **more}


def event(day: str, reference: str, cents: int = DRAW, outcome: str = "cleared", plan: str = "P1", **more: Any) -> Row:
    """A bank event."""
    return {"settled_on": day, "amount": cents, "outcome": outcome, "plan_id": plan, "reference": reference, **more}


def back(day: str, reference: str, code: str = "R01", cents: int = DRAW, **more: Any) -> Row:
    """A return of the bank."""
    return event(day, reference, cents, "returned", return_code=code, **more)


def posting(day: str, cents: int = DRAW, kind: str = "plan draw", student: str = "S1", reference: str = "") -> Row:
    """A posting on the student's ledger."""
    return {"student_id": student, "term": TERM, "posted_on": day, "kind": kind, "amount": cents, "reference": reference}


def plan_lines(**changed: Row) -> list[Row]:
    """The five lines; `line_3={...}` changes one, `every={...}` all."""
    lines = [line(at, f"2026-{month:02d}-10") for at, month in enumerate(MONTHS, start=1)]
    return [row | changed.get("every", {}) | changed.get(f"line_{row['line']}", {}) for row in lines]


def story(lines: list[Row] | None = None, *, first: int = 2, **more: list[Row]) -> Rows:
    """The plan with rows added to its exports; `first` draws have cleared and been posted; `lines` takes the place of its lines."""
    days = ("2026-08-11", "2026-09-11", "2026-10-14", "2026-11-12", "2026-12-11")[:first]
    rows: Rows = {
        "charges": [charge(15_000_00, "2026-07-15")],
        "aid": [award(3_000_00, "2026-07-15")],
        "plan_schedules": plan_lines() if lines is None else lines,
        "cleared_draws": [event(day, f"D{at}") for at, day in enumerate(days, start=1)],
        "postings": [posting(day) for day in days],
    }
    return {name: [*rows[name], *more.get(name, [])] for name in rows}


def rows_of(table: pd.DataFrame) -> list[Any]:
    """The rows of a table, each with its columns by name."""
    return list(table.itertuples())
