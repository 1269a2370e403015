"""A small office closed two months in a row, by hand: rows as an office exports them, so that a test can say every cent of it."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from build import exports_of
from close_worlds import before

from reconcile.month_end import Closing
from reconcile.policy import load_rules
from reconcile.run import reconcile_exports

if TYPE_CHECKING:
    from build import Row

    from reconcile.closing_lines import PreviousClose
    from reconcile.run import Result

RULES = load_rules(Path(__file__).parents[1] / "rules")
SEPTEMBER, OCTOBER = date(2026, 9, 30), date(2026, 10, 31)
DATES = ("2026-08-10", "2026-09-10", "2026-10-10", "2026-11-10", "2026-12-10")


def plan(plan_id: str, student: str, cents: int = 100_000, **more: Any) -> list[Row]:
    """A plan of five equal draws in the fall, set up in July."""
    whole = {"plan_id": plan_id, "student_id": student, "term": "2026-FA", "enrolled_on": "2026-07-20", "plan_total": 5 * cents}
    return [whole | {"line": str(n), "draw_date": day, "amount": cents} | more for n, day in enumerate(DATES, 1)]


def event(settled: str, plan_id: str, cents: int, reference: str, outcome: str = "cleared", **more: Any) -> Row:
    """A bank event of a plan."""
    return {"settled_on": settled, "amount": cents, "outcome": outcome, "plan_id": plan_id, "reference": reference} | more


def billed(student: str, cents: int) -> Row:
    """The bill of a student."""
    return {"student_id": student, "term": "2026-FA", "posted_on": "2026-07-15", "amount": cents}


def known_by(day: date, rows: dict[str, list[Row]]) -> dict[str, list[Row]]:
    """The rows that an export of that day would hold, as it stood: no bank event settled later."""
    return rows | {"cleared_draws": [row for row in rows["cleared_draws"] if row["settled_on"] <= day.isoformat()]}


def two_closes(september: dict[str, list[Row]], october: dict[str, list[Row]]) -> tuple[Result, Result]:
    """September closed, then October, each proved."""
    first = closed(september, SEPTEMBER, None)
    return first, closed(october, OCTOBER, before(first, "2026-09-30-close"))


def closed(rows: dict[str, list[Row]], day: date, previous: PreviousClose | None) -> Result:
    """One close of an office whose bank files reach from July to the day."""
    exports = exports_of(rows, bank_from=date(2026, 7, 1), bank_through=day)
    return reconcile_exports(exports, RULES, day, closing=Closing(previous))


def moves_of(result: Result, plan_id: str, money: str = "pending") -> dict[tuple[str, str], int]:
    """The items of a plan's lines but opening and closing: cents by line and item."""
    moves = result.tables["line_moves"]
    rows = moves[(moves["plan_id"] == plan_id) & (moves["money"] == money) & ~moves["item"].isin(["opening", "closing"])]
    return {(line, item): int(cents) for line, item, cents in rows[["line", "item", "amount"]].itertuples(index=False)}
