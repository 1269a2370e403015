"""Return rates: which draws and returns count, the edges of the levels, the two windows, and a plain count beside the columns.

Levels and windows: Nacha Operating Rules as banks give them (second-hand; the rule book was not read). That a rate at its level is not
above it is from memory, so the edges below hold the arithmetic, and the wording to users is a caution.
"""

from __future__ import annotations

import random
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest
from build import exports_of
from cases_exceptions.plan import back, event, story
from hypothesis import given
from hypothesis import strategies as st
from slow_engine import slow_run
from worlds import random_rules, random_world

from reconcile.deliver.rate_words import rates_lines
from reconcile.policy import Rules, load_rules
from reconcile.return_rates import Rate, windows_of
from reconcile.run import reconcile_exports
from reconcile.schemas import OUTPUTS

if TYPE_CHECKING:
    from build import Row

RULES = load_rules(Path(__file__).parents[1] / "rules")
AS_OF = date(2026, 11, 20)
DISPUTE = {f"R{number}" for number in range(61, 78)}


Rates = dict[tuple[str, str], dict[str, Any]]


def by_level(table: pd.DataFrame) -> Rates:
    """The rows of the table by level and window."""
    return {(str(row["name"]), str(row["window"])): {str(k): v for k, v in row.items()} for row in table.to_dict("records")}


def rates_of(rows: dict[str, list[Row]], as_of: date = AS_OF) -> Rates:
    """The rates of a run."""
    exports = exports_of(rows, bank_from=date(2026, 7, 1), bank_through=as_of)
    return by_level(reconcile_exports(exports, RULES, as_of).tables["return_rates"])


def counts(rates: Rates) -> list[tuple[int, int]]:
    """Returns and base of every level and window."""
    return [(row["returns"], row["base"]) for row in rates.values()]


def bank_rows(draws: int, returns: int, code: str) -> dict[str, list[Row]]:
    """So many bank draws of nobody that the schedules know, so many of them come back with that code."""
    day = "2026-11-12"
    good = [event(day, f"G{at}", plan="", student_id=f"N{at}", method="bank") for at in range(draws - returns)]
    bad = [back(day, f"B{at}", code, plan="", student_id=f"M{at}", method="bank") for at in range(returns)]
    return {"cleared_draws": [*good, *bad]}


@pytest.mark.parametrize(
    ("name", "code", "base", "at"),
    # Levels 0.5, 3.0 and 15.0 percent: Nacha Operating Rules, second-hand. At the level is not above it: from memory.
    [("unauthorized", "R10", 200, 1), ("administrative", "R03", 100, 3), ("overall", "R01", 100, 15)],
)
def test_at_the_level_is_not_above_it(name: str, code: str, base: int, at: int) -> None:
    """1 of 200, 3 of 100 and 15 of 100 stand at their levels and one more passes; one return more, or one draw less, is above."""
    level = rates_of(bank_rows(base, at, code))[name, "60 days"]
    assert (level["returns"], level["base"], level["above"], level["more_to_pass"]) == (at, base, "no", 1)
    assert level["percent"] == level["level"]
    over = rates_of(bank_rows(base, at + 1, code))[name, "60 days"]
    assert (over["above"], over["more_to_pass"]) == ("yes", 0)
    fewer = rates_of(bank_rows(base - 1, at, code))[name, "60 days"]
    assert fewer["above"] == "yes"
    assert fewer["percent"] != fewer["level"], "a rate above its level never reads as if it stood at it"


@given(st.integers(0, 500), st.integers(0, 20_000), st.integers(0, 10_000))
def test_so_many_more_pass_and_no_fewer(returns: int, base: int, level: int) -> None:
    """With more_to_pass more returns the rate is above its level, with one fewer it is not; a rate above needs none."""
    rate = Rate(returns, base, level)
    assert Rate(returns + rate.more_to_pass, base, level).above
    assert rate.above is (rate.more_to_pass == 0)
    if rate.more_to_pass:
        assert not Rate(returns + rate.more_to_pass - 1, base, level).above


@pytest.mark.parametrize(
    ("as_of", "sixty", "months"),
    [
        ("2026-11-20", ("2026-09-22", "2026-11-20"), ("2026-09-01", "2026-10-31")),
        ("2026-10-31", ("2026-09-02", "2026-10-31"), ("2026-09-01", "2026-10-31")),
        ("2026-11-01", ("2026-09-03", "2026-11-01"), ("2026-09-01", "2026-10-31")),
        ("2027-01-15", ("2026-11-17", "2027-01-15"), ("2026-11-01", "2026-12-31")),
        ("2028-02-29", ("2028-01-01", "2028-02-29"), ("2028-01-01", "2028-02-29")),
    ],
)
def test_the_windows(as_of: str, sixty: tuple[str, str], months: tuple[str, str]) -> None:
    """Sixty days end with the as-of day; the two months are the last whole ones, that of the as-of day only if it is over."""
    assert [(str(first), str(last)) for _, first, last in windows_of(date.fromisoformat(as_of), 60)] == [sixty, months]


def test_a_draw_counts_once_however_the_bank_shows_it() -> None:
    """Cleared and then returned, with a name or without, and returned only: one draw and one return each time."""
    shown = [
        [event("2026-10-14", "C"), back("2026-10-16", "R", original_reference="C")],
        [event("2026-10-14", "C"), back("2026-10-16", "R")],
        [back("2026-10-16", "R")],
    ]
    for rows in shown:
        all_returns = rates_of(story(cleared_draws=rows))["overall", "60 days"]
        assert (all_returns["returns"], all_returns["base"]) == (1, 1)
        assert rates_of(story(cleared_draws=rows))["overall", "two calendar months"]["base"] == 2  # September's draw beside it


@pytest.mark.parametrize(
    ("day", "sixty", "months"),
    # As of 20 November 2026, counted by hand: 60 days begin on 22 September; the two months are September and October.
    [
        ("2026-08-31", 0, 0),
        ("2026-09-01", 0, 1),
        ("2026-09-21", 0, 1),
        ("2026-09-22", 1, 1),
        ("2026-10-31", 1, 1),
        ("2026-11-01", 1, 0),
        ("2026-11-20", 1, 0),
        ("2026-11-21", 0, 0),
    ],
)
def test_first_and_last_day_of_a_window_are_in_it(day: str, sixty: int, months: int) -> None:
    """A return that the file never showed as cleared counts as return and as draw on its own day; one of tomorrow is set aside."""
    rates = rates_of({"cleared_draws": [back(day, "R", "R10", plan="", student_id="N1", method="bank")]})
    for window, count in (("60 days", sixty), ("two calendar months", months)):
        row = rates["unauthorized", window]
        assert (row["returns"], row["base"], row["percent"]) == (count, count, "100.00" if count else "")
        assert (row["above"], row["more_to_pass"]) == (("yes", 0) if count else ("no", 1))


def test_a_return_counts_in_the_window_that_it_reached() -> None:
    """A draw of August that came back in October: no draw of the window, and one return in it."""
    rows = story(first=1, cleared_draws=[back("2026-10-05", "R", "R10", original_reference="D1")])
    level = rates_of(rows)["unauthorized", "60 days"]
    assert (level["returns"], level["base"], level["percent"], level["above"]) == (1, 0, "", "yes")


@pytest.mark.parametrize(
    "rows",
    [
        [back("2026-11-12", "X", "51", method="card")],
        [event("2026-11-12", "X", method="card"), back("2026-11-16", "Y", "chargeback", method="card", original_reference="X")],
        [event("2026-11-12", "X", kind="payment"), back("2026-11-16", "Y", kind="payment", original_reference="X")],
        [back("2026-11-12", "X", "R61")],
        [back("2026-11-12", "X", "R77")],
        [event("2026-11-16", "Y", outcome="refunded", original_reference="D2")],
    ],
)
def test_what_is_no_return_of_a_bank_draw(rows: list[Row]) -> None:
    """Declines, chargebacks, payments, disputes between banks and refunds are neither returns nor draws of the base."""
    assert counts(rates_of(story(cleared_draws=rows))) == counts(rates_of(story()))


def test_an_unknown_code_counts_overall_only() -> None:
    """A code that no rule knows is a return all the same."""
    table = rates_of(story(cleared_draws=[back("2026-10-14", "X", "X77")]))
    assert table["overall", "60 days"]["returns"] == 1
    assert table["unauthorized", "60 days"]["returns"] == table["administrative", "60 days"]["returns"] == 0


def test_an_event_without_a_method_has_its_plans() -> None:
    """On a card plan a decline that names no method is none of the bank's."""
    card = {"method": "card"}
    rows = story([row | card for row in story()["plan_schedules"]], cleared_draws=[back("2026-10-14", "X", "51")])
    assert set(counts(rates_of(rows))) == {(0, 0)}


def plain_count(world: Any, rules: Rules, level: tuple[str, ...], first: date, last: date) -> tuple[int, int]:
    """Returns and base by going through the bank's rows one by one; which return undid what is the slow engine's word."""
    rows = world.exports["cleared_draws"]
    events = slow_run(world.exports, rules, world.as_of, has_postings=world.has_postings, bank_through=world.bank_through).events
    cards = {
        (x["plan_id"], x["line"]) for x in world.exports["plan_schedules"] if x["method"] == "card" and x["enrolled_on"] <= world.as_of
    }
    codes = {(code.method, code.code): code.klass for code in rules.returns.codes}
    both = [(row, found) for row, found in zip(rows, events, strict=True) if row["settled_on"] <= world.as_of]
    whose = {id(row): found["student_id"] or row["student_id"] for row, found in both}
    shown = {(whose[id(row)], row["reference"]) for row, _found in both if row["outcome"] == "cleared" and row["reference"]}
    returns = base = 0
    for row, found in both:
        if not first <= row["settled_on"] <= last or row["kind"] == "payment" or row["outcome"] == "refunded":
            continue
        lines = [key[:2] for key in found["lines"]]
        plan_cards = {plan for plan, _line in cards}
        card = row["method"] == "card"
        if row["method"] == "":
            card = lines[0] in cards if lines else found["plan_id"] in plan_cards
        if card or (row["outcome"] == "returned" and row["return_code"] in DISPUTE):
            continue
        if row["outcome"] == "cleared":
            base += 1
            continue
        base += not found["undoes"] and (whose[id(row)], row["original_reference"]) not in shown
        returns += "all" in level or codes.get(("bank", row["return_code"]), "") in level
    return returns, base


@pytest.mark.parametrize("seed", range(300, 324))
def test_a_plain_count_of_the_rows_comes_to_the_same(seed: int) -> None:
    """On noisy worlds the table holds what counting row by row gives, in both windows and at every level."""
    rng = random.Random(seed)
    world = random_world(rng, 6)
    rules = random_rules(rng, RULES) if seed % 2 else RULES
    exports = exports_of(world.exports, has_postings=world.has_postings, bank_from=world.bank_from, bank_through=world.bank_through)
    table = by_level(reconcile_exports(exports, rules, world.as_of).tables["return_rates"])
    for window, first, last in windows_of(world.as_of, 60):
        for level in rules.returns.rates.levels:
            row = table[level.name, window]
            assert (row["returns"], row["base"]) == plain_count(world, rules, level.classes, first, last), (level.name, window)


def told(*rows: dict[str, Any], bank_first: date | None = None) -> list[str]:
    empty = {"name": "overall", "window": "60 days", "from": "2026-09-22", "through": "2026-11-20", "percent": "", "level": "15.00"}
    whole = [empty | {"returns": 0, "base": 0, "above": "no", "more_to_pass": 1} | row for row in rows]
    table = pd.DataFrame(whole, columns=[column.name for column in OUTPUTS["return_rates"]])
    return rates_lines(table.astype({"from": "datetime64[s]", "through": "datetime64[s]"}), bank_first)


def test_the_summary_says_what_is_nearest_or_warns() -> None:
    """Nothing without bank draws; one line while nothing is above; above, a caution that leaves the count to the bank."""
    assert told({}) == []
    near = told({"returns": 1, "base": 567, "more_to_pass": 2, "name": "unauthorized", "level": "0.50"}, {"base": 567, "more_to_pass": 86})
    assert near == ["Bank returns: none above its level; nearest unauthorized, 1 of 567 in 60 days, 2 more would pass 0.50 percent"]
    above = told({"returns": 16, "base": 100, "percent": "16.00", "above": "yes", "more_to_pass": 0}, bank_first=AS_OF - timedelta(days=20))
    assert above == [
        (
            "Caution: bank returns, overall: 16 of 100 (16.00 percent) from 2026-09-22 to 2026-11-20, above the level of 15.00; the "
            "bank's files begin only on 2026-10-31"
        ),
        "  Speak with the bank early: its own count decides.",
    ]
