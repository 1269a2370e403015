"""Changes of plans between two closes: on which day, and which plan follows which."""

from __future__ import annotations

from typing import Any

import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from test_line_moves import Line, closed, line

from reconcile.plan_changes import plan_changes, superseded

JULY, AUGUST, OCTOBER = (pd.Timestamp(day) for day in ("2026-07-20", "2026-08-03", "2026-10-05"))


def of_plan(plan: str, enrolled: pd.Timestamp = JULY, state: str = "pending", **more: Any) -> Line:
    """A line of a plan that was set when it was enrolled, unless said otherwise."""
    return line(state, plan_id=plan, **({"enrolled_on": enrolled, "set_on": enrolled} | more))


def dated(before: list[Line], now: list[Line]) -> dict[str, str]:
    """The day of each change."""
    told = plan_changes(closed(*before), closed(*now))
    return dict(zip(told["change"], told["dated"].dt.strftime("%Y-%m-%d").fillna(""), strict=True))


def test_a_change_bears_the_day_on_which_the_plan_was_set_anew() -> None:
    """October's change of the plan is of the day that its export gives."""
    before = [of_plan("P1"), of_plan("P1", line="2")]
    now = [of_plan("P1", scheduled=1200, set_on=OCTOBER), of_plan("P1", line="2", scheduled=700, set_on=OCTOBER)]
    assert dated(before, now) == {"line raised": "2026-10-05", "line lowered": "2026-10-05"}


def test_without_a_set_on_a_change_bears_no_day() -> None:
    """An export without set_on has the day of enrollment there, on which nothing was changed; so has a date moved long after."""
    before = [of_plan("P1"), of_plan("P1", line="2")]
    now = [of_plan("P1", scheduled=1200), of_plan("P1", line="2", draw_date=OCTOBER), of_plan("P1", line="3")]
    assert dated(before, now) == {"line raised": "", "date moved": "", "line added": ""}


def test_a_set_on_that_was_there_at_the_close_before_is_of_another_change() -> None:
    """Set anew in August, closed, and changed since without a new day: the change bears none."""
    before, now = [of_plan("P1", set_on=AUGUST)], [of_plan("P1", scheduled=1200, set_on=AUGUST)]
    assert dated(before, now) == {"line raised": ""}


def test_the_latest_day_of_a_plans_lines_counts() -> None:
    """Only one line of the plan bears the new day; a line that was added without it is of that day too."""
    before = [of_plan("P1"), of_plan("P1", line="2")]
    now = [of_plan("P1"), of_plan("P1", line="2", scheduled=900, set_on=OCTOBER), of_plan("P1", line="3", scheduled=100)]
    assert dated(before, now) == {"line lowered": "2026-10-05", "line added": "2026-10-05"}


GONE: Any = {"state": "cancelled", "line_status": "cancelled"}


def test_of_two_plans_of_one_day_the_one_that_lives_follows() -> None:
    """A plan written wrongly and again on the same day: the cancelled one is superseded, also once the other has cleared."""
    for state in ("pending", "cleared"):
        assert superseded(closed(of_plan("P9", **GONE), of_plan("P1", state=state))) == {"P9": "P1"}
        assert superseded(closed(of_plan("P1", **GONE), of_plan("P9", state=state))) == {"P1": "P9"}


def test_two_plans_of_one_day_that_are_alike_follow_each_other_neither_way() -> None:
    """Both cleared, or both cancelled: neither was replaced by the other."""
    assert superseded(closed(of_plan("P1", state="cleared"), of_plan("P2", state="cleared"))) == {}
    assert superseded(closed(of_plan("P1", **GONE), of_plan("P2", **GONE))) == {}


def test_a_finished_plan_of_that_day_is_not_superseded_by_the_one_that_it_replaced() -> None:
    """The plan that replaced another finished: no new change is listed."""
    before, now = [of_plan("P1", **GONE), of_plan("P2")], [of_plan("P1", **GONE), of_plan("P2", state="cleared")]
    assert dated(before, now) == {}


def test_later_plans_stand_in_the_order_of_enrollment() -> None:
    """P10 of August comes before P2 of October, whatever their names."""
    plans = [of_plan("P5", **GONE), of_plan("P2", OCTOBER), of_plan("P10", AUGUST)]
    assert superseded(closed(*plans)) == {"P5": "P10; P2"}


@st.composite
def some_plans(draw: st.DrawFn) -> list[Line]:
    """Up to four plans of one student with a line or two each, of two days."""
    states = st.sampled_from(["pending", "cleared", "failed", "cancelled"])
    rows = []
    for plan in ("P1", "P2", "P10", "P3")[: draw(st.integers(2, 4))]:
        day = draw(st.sampled_from([JULY, AUGUST]))
        for name in ("1", "2")[: draw(st.integers(1, 2))]:
            state = draw(states)
            rows.append(of_plan(plan, day, state, line=name, line_status="cancelled" if state == "cancelled" else "active"))
    return rows


@settings(max_examples=100, deadline=None)
@given(some_plans(), st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(rows: list[Line], random: Any) -> None:
    """Rows shuffled give the same plans; no plan follows one that follows it, and none is followed by itself."""
    found = superseded(closed(*rows))
    mixed = list(rows)
    random.shuffle(mixed)
    assert superseded(closed(*mixed)) == found
    for plan, others in found.items():
        assert plan not in others.split("; ")
        assert all(plan not in found.get(other, "").split("; ") for other in others.split("; "))
