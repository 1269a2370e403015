"""Closes one after the other over a small random world (worlds.py): the same rows as of three days, or rows that change in between."""

from __future__ import annotations

import random
from datetime import date, timedelta
from typing import TYPE_CHECKING

from build import exports_of
from worlds import random_rules, random_world

from reconcile.closing_lines import PreviousClose
from reconcile.errors import RefusedError
from reconcile.month_end import Closing
from reconcile.run import Result, reconcile_exports

if TYPE_CHECKING:
    from build import Row

    from reconcile.policy import Rules

DAYS_APART = 31


def closes_of(seed: int, rules: Rules, *, students: int = 2) -> list[Result]:
    """Three closes of the world of that seed, each proved; between them lines are raised, moved, cancelled, taken out; rows come late."""
    rng = random.Random(seed)
    world = random_world(rng, students)
    rules = random_rules(rng, rules)
    results: list[Result] = []
    previous: PreviousClose | None = None
    for back in (2 * DAYS_APART, DAYS_APART, 0):
        day = world.as_of - timedelta(days=back)
        rows = {name: [dict(row) for row in rows] for name, rows in world.exports.items()}
        if back:
            rows = _as_it_was(rng, rows, day)
        exports = exports_of(rows, has_postings=world.has_postings, bank_from=world.bank_from, bank_through=world.bank_through)
        try:
            result = reconcile_exports(exports, rules, day, closing=Closing(previous))
        except RefusedError:
            continue  # the bank files begin too late for the lines as they were on that day
        results.append(result)
        previous = before(result, f"{day}-close")
    return results


def before(result: Result, name: str) -> PreviousClose:
    """A close as the next one reads it."""
    tables = result.tables
    return PreviousClose(name, result.as_of, tables["closing_lines"], tables["rollforward"], tables["entries"])


def _as_it_was(rng: random.Random, rows: dict[str, list[Row]], day: date) -> dict[str, list[Row]]:
    """The rows as an earlier export may have had them: some not there yet, plans not yet changed."""
    for name in ("cleared_draws", "charges", "postings"):
        rows[name] = [row for row in rows[name] if rng.random() < 0.9]
    lines = []
    for row in rows["plan_schedules"]:
        chance = rng.random()
        if chance < 0.08:
            continue
        if chance < 0.2:
            row["amount"] = max(0, row["amount"] + rng.choice([-5_000, -100, 100, 5_000]))
        elif chance < 0.3:
            row["draw_date"] += timedelta(days=rng.choice([-20, 20, 40]))
        elif chance < 0.36:
            row["line_status"], row["cancelled_on"] = rng.choice([("cancelled", day), ("active", None)])
        elif chance < 0.42:
            row["method"] = "card" if row["method"] == "bank" else "bank"
        lines.append(row)
    rows["plan_schedules"] = lines
    return rows
