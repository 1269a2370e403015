"""Random worlds through the slow engine: cents, causes and proposals add up, and neither row order nor other students matter."""

from __future__ import annotations

import csv
import random
from collections import Counter
from datetime import date
from typing import TYPE_CHECKING

import pytest
from slow_cases import BASE, Row
from slow_engine import CAUSES, SlowResult, slow_run
from world_contents import WANTED, contents
from worlds import World, random_pack, random_rules, random_world, to_csv

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from reconcile.policy import Rules

# -- random worlds

BUCKETS = ("on_line", "card_fee", "undone", "without_a_line", "undecided", "payment", "unknown")
SEEDS = range(60)


def world_of(seed: int) -> tuple[World, Rules, random.Random]:
    """A world and rules by number; every other world has rules of its own."""
    rng = random.Random(seed)
    rules = random_rules(rng, BASE) if seed % 2 else BASE
    return random_world(rng, rng.randint(1, 3)), rules, rng


def slow(world: World, rules: Rules, exports: dict[str, list[Row]] | None = None) -> SlowResult:
    """The slow engine on a world, or on some of its rows, with the world's span of bank files."""
    rows = world.exports if exports is None else exports
    last = max((r["settled_on"] for r in world.exports["cleared_draws"]), default=None)
    return slow_run(rows, rules, world.as_of, has_postings=world.has_postings, bank_through=world.bank_through or last)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_cent_of_the_bank_lies_in_one_bucket_and_every_variance_is_explained(seed: int) -> None:
    """Cleared cents are the sum of the buckets; what a return undid is what was undone; unexplained is zero."""
    world, rules, _ = world_of(seed)
    result = slow(world, rules)
    undid = 0
    for row, bucketed in zip(world.exports["cleared_draws"], result.events, strict=True):
        if bucketed["set_aside"]:
            assert row["settled_on"] > world.as_of
        elif row["outcome"] == "cleared":
            assert sum(bucketed[b] for b in BUCKETS) == row["amount"]
        else:
            assert bucketed["undid"] + bucketed["undid_nothing"] == row["amount"]
            undid += bucketed["undid"]
    assert undid == sum(e["undone"] for e in result.events)
    assert all(p["unexplained"] == 0 for p in result.plans)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_proposed_meets_the_balance(seed: int) -> None:
    """What is presented again, awaited, kept and proposed is the balance to meet, give-back and stop less what is to be collected."""
    world, rules, _ = world_of(seed)
    for p in slow(world, rules).plans:
        proposed = sum(int(entry.split(" ")[1].replace(".", "")) for entry in p["proposed_draws"].split("; ") if entry)
        terms = [p["again"], p["awaited"], p["kept"], proposed, p["to_give_back"], p["to_stop"], p["to_collect"]]
        assert min(terms) >= 0
        if any(terms[2:]):
            assert sum(terms[:4]) == p["balance_to_meet"] + p["to_give_back"] + p["to_stop"] - p["to_collect"]


@pytest.mark.parametrize("seed", SEEDS)
def test_row_order_changes_nothing(seed: int) -> None:
    """Shuffled exports give the same students, draws and plans."""
    world, rules, rng = world_of(seed)
    mixed = {name: rng.sample(rows, len(rows)) for name, rows in world.exports.items()}
    first, second = slow(world, rules), slow(world, rules, mixed)
    assert (first.students, first.draws, first.plans) == (second.students, second.draws, second.plans)


@pytest.mark.parametrize("seed", SEEDS)
def test_other_students_change_nothing(seed: int) -> None:
    """A student alone, with the events that are theirs, has the same rows as among others."""
    world, rules, _ = world_of(seed)
    result = slow(world, rules)
    owners = {r["plan_id"]: r["student_id"] for r in world.exports["plan_schedules"] if r["enrolled_on"] <= world.as_of}
    known = set(owners.values())

    def of(student_id: str) -> Callable[[Row], bool]:
        return lambda r: owners.get(r.get("plan_id", ""), r["student_id"]) == student_id

    for student_id in sorted(known):
        alone = slow(world, rules, {name: list(filter(of(student_id), rows)) for name, rows in world.exports.items()})
        for mine, all_rows in ((alone.students, result.students), (alone.draws, result.draws), (alone.plans, result.plans)):
            assert mine == [r for r in all_rows if r["student_id"] == student_id]


def test_the_worlds_meet_every_pass_rule_state_and_coverage() -> None:
    """A hundred and fifty worlds reach each of them, so that agreement of two engines on them says something."""
    results = [slow(*world_of(seed)[:2]) for seed in range(150)]
    found = {e["pass"] for r in results for e in r.events}
    assert found >= {"named", "exact", "late", "early", "with card fee", "grouped", "near", "cancelled lines"}
    assert {e["rule"] for r in results for e in r.events} == {None, 0, 1, 2, 3, 4, 5}
    assert len({d["state"] for r in results for d in r.draws}) == 7
    assert len({s["coverage"] for r in results for s in r.students}) == 5
    assert all(any(p[cause] for r in results for p in r.plans) for cause in CAUSES)
    assert all(any(p[c] for r in results for p in r.plans) for c in ("again", "awaited", "kept", "to_give_back", "to_stop", "to_collect"))
    assert any(e["undecided"] for r in results for e in r.events)


def test_nothing_that_happens_in_an_office_is_absent_from_the_worlds() -> None:
    """Two hundred worlds hold each item of the list several times over, so that agreement of two engines on ten thousand covers it."""
    seen: Counter[str] = Counter()
    for first in range(0, 200, 10):
        world, rules = random_pack(range(first, first + 10), 2, BASE)
        seen += contents(world, rules, slow(world, rules))
    assert {name: seen[name] for name in WANTED if seen[name] < 3} == {}


def test_a_world_is_written_as_standard_csv(tmp_path: Path) -> None:
    """Money with two places, ISO dates, absent dates blank, no postings file without postings; rows in the world's order."""
    world, _, _ = world_of(3)
    to_csv(world, tmp_path)
    assert (tmp_path / "postings.csv").exists() == world.has_postings
    with (tmp_path / "cleared_draws.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [round(float(r["amount"]) * 100) for r in rows] == [r["amount"] for r in world.exports["cleared_draws"]]
    assert [date.fromisoformat(r["settled_on"]) for r in rows] == [r["settled_on"] for r in world.exports["cleared_draws"]]
    with (tmp_path / "aid.csv").open(encoding="utf-8", newline="") as file:
        assert {r["cancelled_on"] for r in csv.DictReader(file)} >= ({""} if world.exports["aid"] else set())
