"""The sums behind the pictures: each adds up to the table that it was taken from."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile import page_figures
from reconcile.policy import Rules, load_rules
from reconcile.schemas import COVERAGES, DRAW_STATES, DTYPES, OUTPUTS
from reconcile.standing import STANDINGS
from reconcile.variance import CAUSES

ROOT = Path(__file__).parents[1]
AS_OF = date(2026, 11, 20)


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


def table(name: str, rows: list[dict[str, object]]) -> pd.DataFrame:
    """A table of a run with these rows; what a row does not say is absent or zero."""
    empty: dict[str, object] = {"money": 0, "count": 0, "date": pd.NaT}
    columns = {c.name: [row.get(c.name, empty.get(c.kind, "")) for row in rows] for c in OUTPUTS[name]}
    return pd.DataFrame({c.name: pd.Series(columns[c.name], dtype=DTYPES[c.kind]) for c in OUTPUTS[name]})


CENTS = st.integers(0, 10**9)
DRAWS = st.lists(
    st.fixed_dictionaries(
        {
            "term": st.sampled_from(["F", "S"]),
            "kind": st.sampled_from(["draw", "down payment", "fee"]),
            "method": st.sampled_from(["bank", "card"]),
            "draw_date": st.dates(date(2026, 8, 1), date(2027, 4, 30)).map(pd.Timestamp),
            "scheduled": CENTS,
            "cleared": CENTS,
            "state": st.sampled_from(DRAW_STATES),
            "return_code": st.sampled_from(["", "R01", "R02", "05", "ZZ"]),
        }
    ),
    max_size=25,
)
EXCEPTIONS = st.lists(
    st.fixed_dictionaries(
        {
            "owner": st.sampled_from(["counselor", "bursar", "plan desk"]),
            "severity": st.sampled_from(page_figures.SEVERITIES),
            "standing": st.sampled_from(STANDINGS),
            "age_days": st.integers(0, 200),
            "act_by": st.none() | st.integers(-40, 40).map(lambda n: pd.Timestamp(AS_OF + timedelta(days=n))),
        }
    ),
    max_size=25,
)


@settings(deadline=None)  # the machine may be busy
@given(DRAWS)
def test_months_add_up_to_the_draws(rows: list[dict[str, object]]) -> None:
    """No cent of a plan draw is lost or doubled between the draws and the months, part by part; every month's parts make its schedule."""
    draws = table("draws", rows)
    lines = draws[(draws["kind"] != "fee") & (draws["state"] != "cancelled")]
    found = page_figures.draw_months(draws)
    for part, state in (("in_transit", "in transit"), ("pending", "pending"), ("failed", "failed"), ("not_seen", "not seen")):
        assert sum(getattr(term.total, part) for term in found) == lines.loc[lines["state"] == state, "scheduled"].sum()
    assert sum(term.total.cleared for term in found) == lines.loc[lines["state"].isin(["cleared", "part cleared"]), "cleared"].sum()
    assert sum(term.total.scheduled for term in found) == lines["scheduled"].sum()
    for term in found:
        assert [month.month for month in term.months] == sorted({month.month for month in term.months})
        for month in (*term.months, term.total):
            assert month.scheduled == sum(month[2:])


@settings(deadline=None)  # the machine may be busy
@given(rows=DRAWS)
def test_reasons_add_up_to_the_failed_draws(rules: Rules, rows: list[dict[str, object]]) -> None:
    """Every failed draw has one reason; most money first."""
    draws = table("draws", rows)
    found = page_figures.reasons(draws, rules)
    failed = draws[draws["state"] == "failed"]
    assert sum(reason.draws for reason in found) == len(failed)
    assert sum(reason.cents for reason in found) == failed["scheduled"].sum()
    assert [reason.cents for reason in found] == sorted((reason.cents for reason in found), reverse=True)


def test_a_reason_has_the_title_of_the_rules(rules: Rules) -> None:
    """R01 has the words of rules/returns.toml; a code that the rules do not know has none."""
    known = rules.returns.code("bank", "R01")
    assert known is not None
    rows: list[dict[str, object]] = [
        {"state": "failed", "method": "bank", "return_code": code, "scheduled": cents} for code, cents in (("R01", 200), ("ZZ", 100))
    ]
    found = page_figures.reasons(table("draws", rows), rules)
    assert [(reason.code, reason.title) for reason in found] == [("R01", known.title), ("ZZ", "")]


@settings(deadline=None)  # the machine may be busy
@given(EXCEPTIONS)
def test_desks_and_ages_count_what_is_open(rows: list[dict[str, object]]) -> None:
    """Closed and resolved exceptions count nowhere; every open one counts once by desk and once by age."""
    exceptions = table("exceptions", [row | {"act_by": row["act_by"] or pd.NaT} for row in rows])
    still = page_figures.still_open(exceptions)
    desks, ages = page_figures.desks(exceptions, AS_OF), page_figures.ages(exceptions)
    for severity in page_figures.SEVERITIES:
        here = (still["severity"] == severity).sum()
        assert sum(getattr(desk, severity) for desk in desks) == sum(getattr(age, severity) for age in ages) == here
    dated = still[(still["severity"] != "information") & still["act_by"].notna()]
    assert sum(desk.due + desk.soon + desk.later for desk in desks) == len(dated)
    assert sum(desk.due for desk in desks) == (dated["act_by"] <= pd.Timestamp(AS_OF)).sum()


@pytest.mark.parametrize(("days", "words"), [(0, "new in this report"), (1, "1 to 7 days"), (7, "1 to 7 days"), (8, "8 to 14 days")])
def test_an_age_begins_and_ends_where_its_words_say(days: int, words: str) -> None:
    """The edges of an age."""
    exceptions = table("exceptions", [{"age_days": days, "severity": "act", "standing": "new", "owner": "x"}])
    assert [age.words for age in page_figures.ages(exceptions) if age.act] == [words]


@settings(deadline=None)  # the machine may be busy
@given(st.lists(st.tuples(st.sampled_from(COVERAGES), st.lists(st.integers(-(10**6), 10**6), min_size=len(CAUSES), max_size=len(CAUSES)))))
def test_causes_add_up_to_the_variances(rows: list[tuple[str, list[int]]]) -> None:
    """The causes' money is what the plans are over and short by, together; plans whose bill is not out are left out."""
    plans = [
        {"term": "F", "student_id": f"S{at}", "variance": sum(cents)} | dict(zip(CAUSES, cents, strict=True))
        for at, (_, cents) in enumerate(rows)
    ]
    students: list[dict[str, object]] = [
        {"term": "F", "student_id": f"S{at}", "coverage": coverage} for at, (coverage, _) in enumerate(rows)
    ]
    found = page_figures.causes(table("plans", plans), table("students", students))
    counted = [sum(cents) for coverage, cents in rows if coverage != "not billed"]
    assert found.net == found.over + found.short == sum(counted) == sum(cause.over + cause.short for cause in found.causes)
    assert (found.plans_over, found.plans_short) == (sum(v > 0 for v in counted), sum(v < 0 for v in counted))


def test_bills_add_up_to_the_students() -> None:
    """Students and gaps by term and coverage, in the order of the words."""
    rows: list[dict[str, object]] = [
        {"term": "F", "student_id": str(at), "coverage": coverage, "gap": gap}
        for at, (coverage, gap) in enumerate((("paid", 0), ("short", 100), ("short", 250), ("over", -40)))
    ]
    found = page_figures.bills(table("students", rows))
    assert found == (
        page_figures.Bills("F", "short", 2, 350),
        page_figures.Bills("F", "over", 1, -40),
        page_figures.Bills("F", "paid", 1, 0),
    )


def test_the_soonest_date_joins_its_terms() -> None:
    """Two terms on one date are one date to the bank: their lines and money add up, and the earliest last day counts."""
    day, later = pd.Timestamp(2026, 12, 10), pd.Timestamp(2027, 1, 10)
    common: dict[str, object] = {"lines": 2, "scheduled": 500, "lines_in_question": 1, "in_question": 100}
    rows = [
        {"term": "F", "draw_date": day, "notice_by": pd.Timestamp(2026, 11, 30), "last_day_to_stop": pd.Timestamp(2026, 12, 9)} | common,
        {"term": "S", "draw_date": day, "notice_by": pd.Timestamp(2026, 11, 29)} | common,
        {"term": "S", "draw_date": later} | common,
    ]
    assert page_figures.soonest(table("next_draws", rows)) == page_figures.Soonest(
        day.date(), 4, 1000, 2, 200, date(2026, 11, 29), date(2026, 12, 9)
    )
    assert page_figures.soonest(table("next_draws", [])) is None
