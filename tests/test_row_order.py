"""Row order, file order and other rows never change a result: shuffled exports give the same files, but for where a row stands."""

from __future__ import annotations

import random
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from build import exports_of
from worlds import random_rules, random_world

from reconcile.policy import Rules, load_rules
from reconcile.run import reconcile_exports

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from world_events import Row

    from reconcile.run import Result

ROOT = Path(__file__).parents[1]
WHERE = frozenset({"evidence", "file", "sheet", "row"})
"""Columns that say where a row stands."""


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


def tied(rng: random.Random, rows: dict[str, list[Row]]) -> dict[str, list[Row]]:
    """The rows with far more ties than an office has: few days, few amounts, few references, few names, and rows that are there twice."""
    found = {name: [dict(row) for row in part] for name, part in rows.items()}
    day_of = {"cleared_draws": "settled_on", "postings": "posted_on", "charges": "posted_on"}
    bare, same_day, same_sum = rng.random(), rng.random(), rng.random()
    for name, column in day_of.items():
        days: dict[str, Any] = {}
        sums: dict[str, int] = {}
        for row in found[name]:
            if "reference" in row and rng.random() < bare:
                row["reference"] = ""
            key = row["student_id"] or row.get("plan_id", "")
            if rng.random() < same_day:
                row[column] = days.setdefault(key, row[column])
            if rng.random() < same_sum * 0.6:
                cents = sums.setdefault(key, abs(row["amount"]))
                row["amount"] = (cents if row["amount"] > 0 else -cents) + rng.choice([0, 0, 0, 0, 100, -6_000, 6_000])
                if name == "cleared_draws":
                    row["amount"] = abs(row["amount"]) or 100
        found[name] += [dict(row) for row in found[name] if not row.get("reference") and rng.random() < 0.06]
    dates: dict[tuple[str, int], Any] = {}
    for row in found["plan_schedules"]:
        if rng.random() < 0.5:
            row["draw_date"] = dates.setdefault((row["student_id"], row["draw_date"].month), row["draw_date"])
    return found


def run(rows: Mapping[str, Sequence[Row]], seed: int, rules: Rules) -> Result:
    """The run of those rows, with the day, the rules and the span that the seed gives."""
    rng = random.Random(seed)
    world, own = random_world(rng, 4), random_rules(rng, rules)
    through = world.bank_through or max((r["settled_on"] for r in world.exports["cleared_draws"]), default=world.as_of)
    exports = exports_of(rows, has_postings=world.has_postings, bank_from=world.bank_from, bank_through=through)
    return reconcile_exports(exports, own, world.as_of)


def shown(result: Result, name: str) -> str:
    """A table as text, without the columns that say where a row stands."""
    table = result.tables[name]
    return str(table[[column for column in table.columns if column not in WHERE]].to_csv())


def turned(result: Result, other: Result) -> list[str]:
    """The names of the tables that two runs show in different ways."""
    return [name for name in result.tables if name != "entries" and shown(result, name) != shown(other, name)]


def differences(seed: int, rules: Rules) -> list[str]:
    """The names of the tables that differ when the rows of a world with ties are shuffled."""
    rng = random.Random(f"ties {seed}")
    rows = tied(rng, random_world(random.Random(seed), 4).exports)
    one = run(rows, seed, rules)
    other = run({name: rng.sample(part, len(part)) for name, part in rows.items()}, seed, rules)
    return turned(one, other)


@pytest.mark.parametrize("first", [0, 20, 40, *(pytest.param(at, marks=pytest.mark.long) for at in range(60, 600, 20))])
def test_shuffled_exports_give_the_same_tables(first: int, rules: Rules) -> None:
    """Noisy worlds with equal amounts, equal days and empty references are worked out and told the same from shuffled rows."""
    found = {seed: names for seed in range(first, first + 20) if (names := differences(seed, rules))}
    assert not found


AS_OF = date(2026, 10, 26)


def plan(plan_id: str, dates: Sequence[str], **more: object) -> list[Row]:
    """A plan of equal draws of 2,400.00 of student S1 in 2026-FA."""
    total = 240_000 * len(dates)
    days = {"enrolled_on": date(2026, 7, 20), "plan_total": total, "amount": 240_000}
    return [
        {"plan_id": plan_id, "student_id": "S1", "term": "2026-FA", "line": str(at), "draw_date": date.fromisoformat(day), **days, **more}
        for at, day in enumerate(dates, 1)
    ]


def bank(day: str, plan_id: str, cents: int = 240_000, outcome: str = "cleared", **more: object) -> Row:
    """A row of the bank's file."""
    return {"settled_on": date.fromisoformat(day), "amount": cents, "outcome": outcome, "plan_id": plan_id, **more}


def both_ways(rules: Rules, lines: list[Row], events: list[Row], posted: Sequence[tuple[str, int]] = ()) -> Result:
    """The run of one student's rows; a failure if the same rows from below upwards show anything else."""
    bill = {"student_id": "S1", "term": "2026-FA", "posted_on": date(2026, 7, 10), "amount": sum(line["amount"] for line in lines)}
    rows: dict[str, list[Row]] = {"charges": [bill], "plan_schedules": lines, "cleared_draws": events}
    rows["postings"] = [
        {"student_id": "S1", "term": "2026-FA", "posted_on": date.fromisoformat(day), "kind": "plan draw", "amount": cents}
        for day, cents in posted
    ]
    span: dict[str, Any] = {"bank_from": date(2026, 7, 1), "bank_through": AS_OF}
    one = reconcile_exports(exports_of(rows, has_postings=bool(posted), **span), rules, AS_OF)
    upwards = {name: list(reversed(part)) for name, part in rows.items()}
    assert not turned(one, reconcile_exports(exports_of(upwards, has_postings=bool(posted), **span), rules, AS_OF))
    return one


def what(result: Result, kind: str) -> str:
    """The one sentence of a kind."""
    told = result.tables["exceptions"]
    (text,) = told.loc[told["kind"] == kind, "what"]
    return str(text)


def test_the_ledger_of_a_draw_over_two_lines_is_shared_oldest_line_first(rules: Rules) -> None:
    """4,800.00 paid two draws and half of it came back: the posting of 4,800.00 is 2,400.00 of each draw date, in either row order."""
    events = [bank("2026-09-11", "P1", 480_000, reference="A")]
    events += [bank("2026-09-15", "P1", 240_000, "returned", original_reference="A", return_code="R01")]
    table = both_ways(rules, plan("P1", ["2026-08-20", "2026-09-10"]), events, [("2026-09-14", 480_000)]).tables["draw_dates"]
    assert table["ledger_total"].tolist() == [240_000, 240_000]


def test_a_posting_that_differs_goes_to_the_draw_of_the_first_plan(rules: Rules) -> None:
    """Two draws of 2,400.00 on one day and one posting of 2,460.00: it is held against the draw of plan PA, whose name comes first."""
    lines = [*plan("PB", ["2026-10-09"]), *plan("PA", ["2026-10-09"])]
    events = [bank("2026-10-13", "PB"), bank("2026-10-13", "PA")]
    assert "plan PA" in what(both_ways(rules, lines, events, [("2026-10-14", 246_000)]), "posted amount differs")


def test_a_draw_taken_twice_names_the_older_line(rules: Rules) -> None:
    """Two lines could have been taken twice: the one with the earlier draw date is named."""
    events = [bank(f"2026-10-{day}", "P1", reference=f"E{day}") for day in ("06", "09", "13")]
    assert "(line 1)" in what(both_ways(rules, plan("P1", ["2026-10-05", "2026-10-08"]), events), "draw taken twice")


def test_of_two_stops_of_one_day_the_same_is_named(rules: Rules) -> None:
    """R11 and R14 came on one day: the draw after them names the same one, however the bank's file is sorted."""
    stops = [bank("2026-10-05", "P1", cents, "returned", return_code=code) for cents, code in ((1_000, "R14"), (1_100, "R11"))]
    events = [bank("2026-09-11", "P1"), *stops, bank("2026-10-14", "P1")]
    text = what(both_ways(rules, plan("P1", ["2026-09-10", "2026-10-10", "2026-11-10"]), events), "drawn after a stop")
    assert "R11" in text


def test_unmatched_events_without_references_stand_in_the_order_of_their_content(rules: Rules) -> None:
    """Three events of one day and plan without a reference: the smaller amount first, whatever the row."""
    events = [bank("2026-10-14", "P1", cents) for cents in (7_700, 5_500, 6_600)]
    assert both_ways(rules, plan("P1", ["2026-11-10"]), events).tables["unmatched_events"]["amount"].tolist() == [5_500, 6_600, 7_700]
