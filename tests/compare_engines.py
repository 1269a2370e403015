"""Hold the package's engine against the slow one on random worlds: `python tests/compare_engines.py FIRST LAST [--processes N]`.

Each seed is a world of two students. Ten worlds share a day, the rules and the span of the bank files, so that the package works them out
in one run; the slow engine takes them as they come. Prints every difference with the seed of its world, then how much was compared and how
many worlds differ; exits 1 if any does. `--alone` gives each world a run, a day and rules of its own, as the settled cases have them.

Compared are the students, draws and plans tables cell by cell; of each bank event whose it is, its term, the money that it left on no
line, what it undid, and its reason; and the exceptions that follow from one line or event alone. Differences that are only a matter of
showing are left out: the slow engine names no pass for attempts without money, counts draws_cleared where plans.csv shows the money on
active lines, and lists plan ids and references in another way.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, datetime
from pathlib import Path
from time import perf_counter
from typing import Any

import pandas as pd
from build import exports_of
from slow_engine import SlowResult, slow_run
from worlds import World, random_pack, random_rules, random_world

from reconcile.policy import Rules, load_rules
from reconcile.run import Result, reconcile_exports
from reconcile.schemas import OUTPUTS

KEYS = {"students": ("term", "student_id"), "draws": ("term", "student_id", "plan_id", "line"), "plans": ("term", "student_id")}
SHOWN_OTHERWISE = {("plans", "cleared"), ("plans", "plan_ids"), ("draws", "references")}
SAME_WORD = {"cancelled line": "cancelled lines"}
PACK = 10
UNKNOWN = "bank event for an unknown student or plan"
REASONS = {
    "unknown student or plan": UNKNOWN,
    "dishonored or contested return": "dishonored or contested",
    "refund without a draw": "return without a draw",
    "returned more than was left of the draw": "return without a draw",
    "payment, not a plan draw": "payment",
    "undone, and no line fits it": "undone",
}
"""Reasons of unmatched_events.csv in the words of the slow engine."""


@dataclass(frozen=True)
class Difference:
    """One cell (or one row) in which the engines differ. A bank event's key is its row in the file."""

    seed: int
    table: str
    column: str
    key: tuple[str, ...]
    fast: object
    slow: object


def compare(seed: int, rules: Rules, students: int = 2) -> list[Difference]:
    """All differences in the world of that seed alone; its rules are drawn from the seed too."""
    rng = random.Random(seed)
    world = random_world(rng, students)
    return _compare(world, random_rules(rng, rules), seed)[0]


def compare_pack(seeds: range, rules: Rules, students: int = 2) -> tuple[list[Difference], Counter[str]]:
    """All differences in the worlds of those seeds, worked out in one run, and how many rows of each table were compared."""
    found, counts = _compare(*random_pack(seeds, students, rules), seeds.start)
    return [replace(one, seed=seeds[int(at)]) if (at := _place(one)) else one for one in found], counts


def _place(one: Difference) -> str:
    """Which world of a pack a difference lies in: its ids begin with the place in four digits; "" for an event that names nobody known."""
    whose = one.key[1] if one.table in KEYS else one.key[-1]
    return whose[:4] if re.fullmatch(r"[0-9]{8}", whose) else ""


def _compare(world: World, own: Rules, seed: int) -> tuple[list[Difference], Counter[str]]:
    span: dict[str, Any] = {"bank_from": world.bank_from, "bank_through": world.bank_through}
    slow = slow_run(world.exports, own, world.as_of, has_postings=world.has_postings, **span)
    fast = reconcile_exports(exports_of(world.exports, has_postings=world.has_postings, **span), own, world.as_of)
    found: list[Difference] = []
    counts: Counter[str] = Counter()
    for table, keys in KEYS.items():
        ours = {tuple(row[k] for k in keys): row for row in fast.tables[table].to_dict("records")}
        theirs = {tuple(row[k] for k in keys): row for row in getattr(slow, table)}
        counts[table] = len(theirs)
        found += [Difference(seed, table, "row", key, key in ours, key in theirs) for key in ours.keys() ^ theirs.keys()]
        for key in ours.keys() & theirs.keys():
            found += _cells(seed, table, key, ours[key], theirs[key])
    counts["bank events"] = len(slow.events)
    return [*found, *_events(seed, fast, slow), *_exceptions(seed, world, fast, slow)], counts


def _cells(seed: int, table: str, key: tuple[str, ...], ours: dict[Any, Any], theirs: dict[str, Any]) -> list[Difference]:
    found = []
    for name in (column.name for column in OUTPUTS[table]):
        if (table, name) in SHOWN_OTHERWISE or (name == "match" and not ours["cleared"]):
            continue
        fast, slow = _plain(ours[name]), _plain(theirs[name])
        if SAME_WORD.get(str(fast), fast) != slow:
            found.append(Difference(seed, table, name, key, fast, slow))
    return found


def _events(seed: int, fast: Result, slow: SlowResult) -> list[Difference]:
    """Bank events row by row: whose and of which term, cents on no line, what was undone, the reason."""
    entries = fast.tables["entries"]
    rows = entries[entries["export"] == "cleared_draws"].set_index("row").to_dict("index")
    loose = fast.tables["unmatched_events"].set_index("row").to_dict("index")
    found = []
    for event in slow.events:
        row = rows[event["position"] + 2]
        if event["set_aside"]:
            theirs: dict[str, object] = {"bucket": "after the as-of date"}
            ours: dict[str, object] = {"bucket": row["bucket"]}
        else:
            theirs = _slow_event(event)
            ours = _fast_event(row, loose.get(event["position"] + 2), known=bool(event["student_id"]))
        key = (str(event["position"] + 2), event["student_id"])
        found += [Difference(seed, "events", name, key, ours[name], theirs[name]) for name in theirs if ours[name] != theirs[name]]
    return found


def _slow_event(event: dict[str, Any]) -> dict[str, object]:
    return {
        "student_id": event["student_id"],
        "term": event["term"],
        "on no line": sum(event[name] for name in ("without_a_line", "undecided", "payment", "unknown")),
        "undoes": sorted(at + 2 for at, _cents in event["undoes"]),
        "reason": event["reason"],
    }


def _fast_event(row: dict[Any, Any], loose: dict[Any, Any] | None, *, known: bool) -> dict[str, object]:
    reason = re.sub(r"; (nothing says for which term|its original reference).*", "", loose["reason"]) if loose else ""
    return {
        "student_id": row["student_id"] if known else "",
        "term": row["term"] if known else "",
        "on no line": int(loose["without_a_line"]) if loose else 0,
        "undoes": sorted(int(at) for at in re.findall(r":([0-9]+) \(rule", row["undoes"])),
        "reason": REASONS.get(reason, reason),
    }


def _exceptions(seed: int, world: World, fast: Result, slow: SlowResult) -> list[Difference]:
    """Kinds of exception that follow from one line or one event alone: told for just these, with these cents."""
    undecided = {event["student_id"] for event in slow.events if event["undecided"]}
    theirs: Counter[tuple[str, str, str, int]] = Counter()
    for draw in slow.draws:
        kind = {"failed": "failed draw", "not seen": "no draw seen"}.get(draw["state"])
        if kind == "failed draw" or (kind and draw["student_id"] not in undecided):  # undecided money may have paid it
            theirs[kind, draw["plan_id"], draw["line"], draw["scheduled"]] += 1
    for event in slow.events:
        row = world.exports["cleared_draws"][event["position"]]
        if event["reason"] in {"draw taken twice", "draw not on the schedule"} and event["without_a_line"]:
            theirs[event["reason"], event["student_id"], row["reference"], event["without_a_line"]] += 1
        elif event["reason"] == UNKNOWN and not _of_no_plan(world, row):
            theirs[UNKNOWN, row["plan_id"], row["student_id"], row["amount"]] += 1
    references = {row["row"]: row["reference"] for row in fast.tables["unmatched_events"].to_dict("records")}
    ours: Counter[tuple[str, str, str, int]] = Counter()
    for row in fast.tables["exceptions"].to_dict("records"):
        kind, amount = row["kind"], row["amount"]
        if kind == "presented too often" and row["evidence"].startswith("cleared_draws"):
            kind = "draw not on the schedule"  # money on no line that is a draw tried again after its days: told so, and only so
        if kind == "failed draw" or (kind == "no draw seen" and row["student_id"] not in undecided):
            ours[kind, row["plan_id"], row["line"], amount] += 1
        elif kind in {"draw taken twice", "draw not on the schedule"}:
            ours[kind, row["student_id"], references[int(row["evidence"].split(";")[0].rpartition(":")[2])], amount] += 1
        elif kind == UNKNOWN:
            ours[kind, row["plan_id"], row["student_id"], amount] += 1
    apart = sorted((ours - theirs).keys() | (theirs - ours).keys())
    return [Difference(seed, "exceptions", one[0], one[1:3], ours[one], theirs[one]) for one in apart]


def _of_no_plan(world: World, row: dict[str, Any]) -> bool:
    """An ordinary payment at the bank of a student whom another export knows."""
    known = {other["student_id"] for name in ("charges", "aid", "postings") for other in world.exports[name]}
    return row["kind"] == "payment" and not row["plan_id"] and row["student_id"] in known


def _plain(value: Any) -> object:
    """A cell as text, number or ISO date, whichever engine it came from."""
    if value is None or value is pd.NaT:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat()
    if isinstance(value, date):
        return value.isoformat()
    return value.item() if hasattr(value, "item") else value


def _rules() -> Rules:
    return load_rules(Path(__file__).parents[1] / "rules")


def _pack(seeds: range) -> tuple[list[Difference], Counter[str]]:
    return compare_pack(seeds, _rules())


def _alone(seeds: range) -> tuple[list[Difference], Counter[str]]:
    rules = _rules()
    return [one for seed in seeds for one in compare(seed, rules)], Counter()


def main() -> int:
    """Compare the worlds of a range of seeds."""
    parser = argparse.ArgumentParser(description="Hold the package's engine against the slow one.")
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--alone", action="store_true", help="each world in a run of its own")
    asked = parser.parse_args()
    packs = [range(at, min(at + PACK, asked.last)) for at in range(asked.first, asked.last, PACK)]
    work = _alone if asked.alone else _pack
    differ: set[int] = set()
    counts: Counter[str] = Counter()
    started = perf_counter()
    with ProcessPoolExecutor(asked.processes) as pool:
        for found, compared in pool.map(work, packs) if asked.processes > 1 else map(work, packs):
            counts += compared
            differ |= {one.seed for one in found}
            for one in found:
                print(one)  # noqa: T201 (a command)
    seconds, worlds = perf_counter() - started, asked.last - asked.first
    said = ", ".join(f"{count:,} {name}" for name, count in counts.items())
    print(f"{len(differ)} of {worlds} worlds differ; {said}; {seconds:.0f} s, {seconds / worlds:.3f} s a world")  # noqa: T201 (a command)
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main())
