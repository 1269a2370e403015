"""The figures that people look at: they add up to the tables they come from."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shown_case import exception, row_of

from reconcile import figures
from reconcile.schemas import COVERAGES, DRAW_STATES
from reconcile.standing import STANDINGS, typed
from reconcile.variance import CAUSES

CENTS = st.integers(-(10**9), 10**9)
DRAWS = st.lists(
    st.builds(
        lambda state, kind, day, cents, cleared: row_of(
            "draws", state=state, kind=kind, draw_date=pd.Timestamp(day), scheduled=abs(cents), cleared=abs(cleared)
        ),
        st.sampled_from(DRAW_STATES),
        st.sampled_from(["draw", "fee", "down payment"]),
        st.dates(pd.Timestamp("2026-01-01").date(), pd.Timestamp("2027-12-31").date()),
        CENTS,
        CENTS,
    ),
    max_size=40,
)


@settings(deadline=None)
@given(DRAWS)
def test_lines_and_money_by_state_are_those_of_the_draws(rows: list[dict[str, Any]]) -> None:
    """Every line stands in one state; the sums are those of the table."""
    draws = typed(rows, "draws")
    found = figures.state_totals(draws)
    assert found["lines"].sum() == len(rows)
    assert found["scheduled"].sum() == draws["scheduled"].sum()
    assert found["cleared"].sum() == draws["cleared"].sum()


@settings(deadline=None)
@given(DRAWS)
def test_pending_and_cleared_add_up_to_the_draws(rows: list[dict[str, Any]]) -> None:
    """By date or by month: cleared, pending with in transit, failed with not seen; dates in order, then months where they are many."""
    draws = typed(rows, "draws")
    real = draws[draws["kind"] == "draw"]
    found = figures.pending_and_cleared(draws)
    assert list(found["date"]) == sorted(set(found["date"]))
    assert len(found) <= figures.MOST_DATES
    assert found["cleared"].sum() == real["cleared"].sum()
    assert found["pending"].sum() == real.loc[real["state"].isin(["pending", "in transit"]), "scheduled"].sum()
    assert found["lost"].sum() == real.loc[real["state"].isin(["failed", "not seen"]), "scheduled"].sum()


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["2026-FA", "2027-SP"]), st.sampled_from(COVERAGES), CENTS), max_size=30))
def test_coverage_counts_every_student(rows: list[tuple[str, str, int]]) -> None:
    """Students and gap by term and coverage, in the order of the terms and of the words."""
    students = typed([row_of("students", term=t, coverage=c, gap=g) for t, c, g in rows], "students")
    found = figures.coverage_totals(students)
    assert (found["students"].sum(), found["gap"].sum()) == (len(rows), students["gap"].sum())
    keys = [(term, COVERAGES.index(word)) for term, word in zip(found["term"], found["coverage"], strict=True)]
    assert keys == sorted(set(keys))


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from(figures.SEVERITY_ORDER), st.sampled_from(STANDINGS)), max_size=30))
def test_exceptions_by_severity_and_standing(rows: list[tuple[str, str]]) -> None:
    """Each exception is counted once; worked in the order new, changed, carried, closed, resolved, else as listed."""
    table = typed([exception(n, severity=sev, standing=stood) for n, (sev, stood) in enumerate(rows)], "exceptions")
    found = figures.exception_totals(table)
    assert found[list(STANDINGS)].to_numpy().sum() == len(rows)
    ordered = figures.in_order_of_work(table)
    ranks = [figures.STANDING_ORDER.index(word) for word in ordered["standing"]]
    assert ranks == sorted(ranks)
    assert sorted(ordered["exception_id"]) == sorted(table["exception_id"])
    for _stood, part in ordered.groupby("standing"):
        assert list(part["exception_id"]) == sorted(part["exception_id"])


@settings(deadline=None)
@given(st.lists(st.tuples(CENTS, st.integers(0, 10**6)), max_size=20))
def test_variance_over_and_short_add_up(rows: list[tuple[int, int]]) -> None:
    """Over and short together are the whole variance; each figure counts the plans that it is made of; a cause too."""
    plans = typed([row_of("plans", variance=v, aid_changed=v, to_collect=c) for v, c in rows], "plans")
    found = figures.variance_totals(plans).set_index("figure")
    sides = [name for name in ("plans over the bill", "plans short of the bill") if name in found.index]
    assert found.loc[sides, "amount"].sum() == plans["variance"].sum()
    assert found.loc[sides, "plans"].sum() == (plans["variance"] != 0).sum()
    causes = figures.cause_totals(plans, CAUSES)
    assert set(causes["cause"]) <= {"aid_changed"}
    assert causes["amount"].sum() == plans["aid_changed"].sum()


def test_failed_draws_come_with_what_is_to_be_done() -> None:
    """Oldest first; the action is that of the line's own exception; a line without one has blanks."""
    lines = [("1", "2026-10-10", "failed"), ("2", "2026-09-10", "failed"), ("3", "2026-08-10", "cleared")]
    draws = typed(
        [
            row_of("draws", term="2026-FA", student_id="00000001", plan_id="P1", line=n, draw_date=pd.Timestamp(day), state=s)
            for n, day, s in lines
        ],
        "draws",
    )
    told = typed([exception(1, action="Present it again."), exception(1, kind="draw for less", line="2", action="no")], "exceptions")
    found = figures.failed_draws(draws, told)
    assert list(zip(found["line"], found["action"], strict=True)) == [("2", ""), ("1", "Present it again.")]


@pytest.mark.parametrize("name", ["state_totals", "pending_and_cleared"])
def test_no_draws_give_no_rows(name: str) -> None:
    """A run without plans has empty figures, not an error."""
    assert len(getattr(figures, name)(typed([], "draws"))) == 0
