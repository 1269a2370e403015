"""Who is plain: a student whose bank events allow one reading goes in bulk. Nothing else tells, for both ways give the same tables."""

from __future__ import annotations

from datetime import date
from itertools import product
from pathlib import Path

import pytest
from build import Row, exports_of
from story_card import DRAW_DATES, card_fee, open_days
from story_card import next_open as taken_on

from reconcile.parts import whole_of
from reconcile.policy import Rules, load_rules
from reconcile.settle import work_out

AS_OF = date(2026, 12, 28)
DRAW = 2_400_00
LAG = {"bank": 1, "card": 2}


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(Path(__file__).parents[1] / "rules")


def plan_of(student: str, method: str) -> list[Row]:
    """Five equal draws."""
    own: Row = {
        "plan_id": f"P{student}",
        "student_id": student,
        "term": "2026-FA",
        "enrolled_on": date(2026, 7, 20),
        "plan_total": 5 * DRAW,
    }
    return [own | {"line": str(at), "draw_date": day, "amount": DRAW, "method": method} for at, day in enumerate(DRAW_DATES, 1)]


def taken(line: Row, when: str, says: str) -> Row:
    """The line's money on a day of its window, saying more or less about itself; or a decline of it."""
    method = line["method"]
    expected = open_days(taken_on(line["draw_date"]), LAG[method])
    day = {"first": line["draw_date"], "expected": expected, "last": open_days(expected, 5)}[when]
    event: Row = {"settled_on": day, "amount": DRAW + (card_fee(DRAW) if method == "card" else 0), "outcome": "cleared", "method": method}
    event |= {"reference": f"{line['plan_id']}-{line['line']}"}
    event |= {"student_id": line["student_id"]} if says == "student" else {"plan_id": line["plan_id"]}
    return event | ({"line": line["line"], "kind": "draw"} if says == "line" else {})


def exact_students(lines: list[Row], events: list[Row], rules: Rules) -> set[str]:
    """Students with an event that went through the exact function."""
    exports = exports_of({"plan_schedules": lines, "cleared_draws": events}, bank_from=date(2026, 7, 1), bank_through=AS_OF)
    worked = work_out(exports, rules, AS_OF, whole_of(exports, rules, AS_OF))
    return set(worked.money["student_id"][worked.matching.exact])


def test_ordinary_students_go_in_bulk(rules: Rules) -> None:
    """Bank or card, on the first, the expected or the last day of the window, by plan, student or line: no one needs the exact function."""
    lines, events = [], []
    for at, (method, when, says) in enumerate(product(LAG, ("first", "expected", "last"), ("plan", "student", "line"))):
        plan = plan_of(f"{at:04d}", method)
        lines += plan
        events += [taken(line, when, says) for line in plan]
    assert exact_students(lines, events, rules) == set()


def test_whoever_has_anything_not_unique_leaves_the_bulk_whole(rules: Rules) -> None:
    """A draw a day after its window, one a day early, two of one amount in one window: the student is looked at one by one, no other is."""
    plans = [plan_of(f"{at:04d}", "bank") for at in range(4)]
    late, early, twice, plain = plans
    last = taken(late[0], "last", "plan")
    events = [last | {"settled_on": open_days(last["settled_on"], 1)}, *(taken(line, "expected", "plan") for line in late[1:])]
    events += [taken(early[1], "first", "plan") | {"settled_on": date(2026, 9, 9)}, taken(early[0], "last", "plan")]
    events += [taken(twice[0], "expected", "plan"), taken(twice[0], "last", "plan") | {"reference": "again"}]
    events += [taken(line, "expected", "plan") for line in plain]
    assert exact_students([line for plan in plans for line in plan], events, rules) == {"0000", "0001", "0002"}
