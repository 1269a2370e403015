"""Hold the package's engine against the slow one on random worlds: `python tests/compare_engines.py FIRST LAST [STUDENTS]`.

Prints every difference with the seed of its world, and how many worlds differ; exits 1 if any does. Differences that are only a matter of
showing are left out: the slow engine names no pass for attempts without money, counts draws_cleared where plans.csv shows the money on
active lines, and lists plan ids and references in another way.
"""

from __future__ import annotations

import random
import sys
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pandas as pd
from build import exports_of
from slow_engine import slow_run
from worlds import random_rules, random_world

from reconcile.policy import Rules, load_rules
from reconcile.run import reconcile_exports
from reconcile.schemas import OUTPUTS

KEYS = {"students": ("term", "student_id"), "draws": ("term", "student_id", "plan_id", "line"), "plans": ("term", "student_id")}
SHOWN_OTHERWISE = {("plans", "cleared"), ("plans", "plan_ids"), ("draws", "references")}
SAME_WORD = {"cancelled line": "cancelled lines"}


@dataclass(frozen=True)
class Difference:
    """One cell (or one row) in which the engines differ."""

    seed: int
    table: str
    column: str
    key: tuple[str, ...]
    fast: object
    slow: object


def compare(seed: int, rules: Rules, students: int = 2) -> list[Difference]:
    """All differences in the world of that seed; its rules are drawn from the seed too."""
    rng = random.Random(seed)
    world = random_world(rng, students)
    own = random_rules(rng, rules)
    slow = slow_run(
        world.exports, own, world.as_of, has_postings=world.has_postings, bank_from=world.bank_from, bank_through=world.bank_through
    )
    exports = exports_of(world.exports, has_postings=world.has_postings, bank_from=world.bank_from, bank_through=world.bank_through)
    fast = reconcile_exports(exports, own, world.as_of)
    found: list[Difference] = []
    for table, keys in KEYS.items():
        ours = {tuple(row[k] for k in keys): row for row in fast.tables[table].to_dict("records")}
        theirs = {tuple(row[k] for k in keys): row for row in getattr(slow, table)}
        found += [Difference(seed, table, "row", key, key in ours, key in theirs) for key in ours.keys() ^ theirs.keys()]
        for key in ours.keys() & theirs.keys():
            found += _cells(seed, table, key, ours[key], theirs[key])
    return found


def _cells(seed: int, table: str, key: tuple[str, ...], ours: dict[Any, Any], theirs: dict[str, Any]) -> list[Difference]:
    found = []
    for name in (column.name for column in OUTPUTS[table]):
        if (table, name) in SHOWN_OTHERWISE or (name == "match" and not ours["cleared"]):
            continue
        fast, slow = _plain(ours[name]), _plain(theirs[name])
        if SAME_WORD.get(str(fast), fast) != slow:
            found.append(Difference(seed, table, name, key, fast, slow))
    return found


def _plain(value: Any) -> object:
    """A cell as text, number or ISO date, whichever engine it came from."""
    if value is None or value is pd.NaT:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    return value.item() if hasattr(value, "item") else value


def main() -> int:
    """Compare the worlds of a range of seeds."""
    first, last, *students = (int(word) for word in sys.argv[1:])
    rules = load_rules(Path(__file__).parents[1] / "rules")
    differ = 0
    for seed in range(first, last):
        found = compare(seed, rules, *students)
        differ += bool(found)
        for one in found:
            print(one)  # noqa: T201 (a command)
    print(f"{differ} of {last - first} worlds differ")  # noqa: T201 (a command)
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
