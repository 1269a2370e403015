"""Random histories of presenting a draw again, held against a slow state machine in plain Python.

One plan of one draw, tried again and again: each try clears or comes back, in the bank's file as a return alone or as cleared and then
returned. The machine below walks through the tries one by one and keeps what an office would keep on paper: how often it was tried, since
when, by which code it came back, whether it may be presented again today, and where the money is.

At most two more tries within 180 days of the first settlement: Nacha Operating Rules, second-hand. Where the bank's file tells the first
try only by its return, that settlement was no later than the day on which the draw was expected: days counted from the return are too many.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from build import exports_of
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reconcile.policy import load_rules
from reconcile.run import reconcile_exports

if TYPE_CHECKING:
    from build import Row

RULES = load_rules(Path(__file__).parents[1] / "rules")
DRAW_DATE, EXPECTED, AMOUNT = date(2026, 8, 10), date(2026, 8, 11), 240_000
LATE_END = DRAW_DATE + timedelta(days=RULES.matching.late_match_days)
AGAIN = {"R01": (2, 180), "R09": (2, 180)}
"""Code to how many more tries, within how many days; every other code here lets the draw not be presented again."""
STOPS = ("R02", "R10")
LEFT_TO_A_PERSON = ("R17", "R24", "X77", "")
KNOWN_NO = ("R17", "R24", *STOPS)


@dataclass(frozen=True)
class OneTry:
    """A try so many days after the last thing that happened; it clears, or comes back so many days later (0: told as a return alone)."""

    wait: int
    code: str | None
    back_after: int


@dataclass
class Machine:
    """One draw on paper, try by try. Cents."""

    state: str = "not seen"
    attempts: int = 0
    first: date | None = None
    since: date | None = None
    """From when the days of the code count."""
    last_code: str = ""
    last_back: date | None = None
    on_line: int = 0
    on_no_line: int = 0
    too_often: bool = False
    stopped: bool = False
    rows: list[Row] = field(default_factory=list)

    def tried(self, on: date, one: OneTry, number: int) -> date:
        """One try; gives the day of the last thing that happened."""
        back_on = on + timedelta(days=one.back_after)
        alone = one.code is not None and one.back_after == 0
        if not alone:
            self.rows.append(row_of(on, "cleared", f"C{number}"))
        if one.code is not None:
            named = {} if alone else {"original_reference": f"C{number}"}
            self.rows.append(row_of(back_on, "returned", f"R{number}", return_code=one.code, **named))
            self.stopped = self.stopped or one.code in STOPS
        in_reach = on <= self._open_until()
        if in_reach or one.code is None:
            self._judge(on, in_reach=in_reach)
        if in_reach:
            self.attempts += 1
            self.first = self.first or on
            self.since = self.since or (min(on, EXPECTED) if alone else on)
        if one.code is None:
            self.on_line, self.on_no_line = (AMOUNT, 0) if in_reach else (0, AMOUNT)
            self.state = "cleared" if in_reach else self.state
            return on
        if in_reach:
            self.state, self.last_code, self.last_back = "failed", one.code, back_on
        return back_on

    def _open_until(self) -> date:
        """Until when money still belongs to the draw: longer if it failed and may be presented again."""
        if self.first is None:
            return LATE_END
        _times, days = AGAIN.get(self.last_code, (0, 0))
        return max(LATE_END, self.first + timedelta(days=days))

    def _judge(self, on: date, *, in_reach: bool) -> None:
        """Whether this try is one that the code of the return before did not allow; of an unknown code nobody can say."""
        if self.since is None or (self.last_code not in AGAIN and self.last_code not in KNOWN_NO):
            return
        times, days = AGAIN.get(self.last_code, (0, 0))
        late = (on - self.since).days > days
        if in_reach and self.last_code not in STOPS:
            self.too_often = self.too_often or self.attempts > times or late
        elif not in_reach and self.last_code in AGAIN:
            self.too_often = self.too_often or late

    def again(self, today: date) -> int:
        """What may be presented again today."""
        times, days = AGAIN.get(self.last_code, (0, 0))
        may = self.state == "failed" and times and self.attempts <= times and not self.stopped and not self.on_no_line
        return AMOUNT if may and self.since is not None and today <= self.since + timedelta(days=days) else 0

    def awaited(self) -> int:
        """What waits for a person."""
        return AMOUNT if self.state == "failed" and self.last_code in LEFT_TO_A_PERSON and not self.on_no_line else 0


def row_of(on: date, outcome: str, reference: str, **more: Any) -> Row:
    return {"settled_on": on, "amount": AMOUNT, "outcome": outcome, "plan_id": "P1", "reference": reference, "method": "bank", **more}


CODES = ("R01", "R01", "R01", "R09", "R17", "R24", "X77", "", *STOPS)
A_RETURN = st.builds(OneTry, st.sampled_from([1, 2, 4, 9, 20, 40, 70, 120]), st.sampled_from(CODES), st.sampled_from([0, 0, 1, 2]))
A_CLEARING = st.builds(OneTry, st.sampled_from([1, 3, 8, 30, 90, 175, 190]), st.none(), st.just(0))
HISTORIES = st.tuples(st.lists(A_RETURN, min_size=1, max_size=5), st.lists(A_CLEARING, max_size=1), st.integers(0, 200))


def exports(rows: list[Row], today: date) -> Any:
    line = {
        "plan_id": "P1",
        "student_id": "S1",
        "term": "2026-FA",
        "enrolled_on": date(2026, 7, 20),
        "plan_total": AMOUNT,
        "line": "1",
        "draw_date": DRAW_DATE,
        "amount": AMOUNT,
    }
    charge = {"student_id": "S1", "term": "2026-FA", "posted_on": date(2026, 7, 15), "amount": AMOUNT, "charge_type": "tuition"}
    tables = {"charges": [charge], "aid": [], "plan_schedules": [line], "cleared_draws": rows}
    return exports_of(tables, bank_from=date(2026, 7, 1), bank_through=today)


@pytest.mark.parametrize(
    ("rows", "until"),
    [
        ([row_of(date(2026, 8, 14), "returned", "R0", return_code="R01")], "2027-02-07"),
        ([row_of(date(2026, 8, 12), "cleared", "C0"), row_of(date(2026, 8, 14), "returned", "R0", return_code="R01")], "2027-02-08"),
        (
            [
                row_of(date(2026, 8, 11), "cleared", "C0"),
                row_of(date(2026, 8, 13), "returned", "R0", return_code="R01", original_reference="C0"),
                row_of(date(2026, 9, 1), "cleared", "C1"),
                row_of(date(2026, 9, 3), "returned", "R1", return_code="R01", original_reference="C1"),
            ],
            "2027-02-07",
        ),
    ],
    ids=["told only by its return", "cleared a day late", "tried twice"],
)
def test_the_days_of_a_code_count_from_the_first_settlement(rows: list[Row], until: str) -> None:
    """180 days from 11 August 2026 are 7 February 2027, whenever the draw came back or was tried again; the day after, nothing is left."""
    last = date.fromisoformat(until)
    for today, again in ((date(2026, 9, 10), AMOUNT), (last, AMOUNT), (last + timedelta(days=1), 0)):
        tables = reconcile_exports(exports(rows, today), RULES, today).tables
        listed = tables["exceptions"]
        action = listed.loc[listed["kind"] == "failed draw", "action"].iloc[0]
        assert tables["plans"]["again"].iloc[0] == again
        assert (f"until {until}." in action) is bool(again)


@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(HISTORIES)
def test_states_attempts_and_money_agree_with_the_machine(history: tuple[list[OneTry], list[OneTry], int]) -> None:
    """Whatever the history: state, attempts, code, money in hand, what may be presented again, and whether it was presented too often."""
    returns, clearing, later = history
    machine, on = Machine(), DRAW_DATE
    for number, one in enumerate([*returns, *clearing]):
        on = machine.tried(on + timedelta(days=one.wait if number else min(one.wait, 9)), one, number)
    today = on + timedelta(days=later)
    tables = reconcile_exports(exports(machine.rows, today), RULES, today).tables
    draw, plan = tables["draws"].iloc[0], tables["plans"].iloc[0]
    kinds = set(tables["exceptions"]["kind"])
    if machine.state == "not seen":
        machine.state = "in transit" if today <= date(2026, 8, 18) else "not seen"
    assert (draw["state"], draw["attempts"], draw["return_code"]) == (machine.state, machine.attempts, machine.last_code)
    assert (draw["cleared"], plan["without_a_line"]) == (machine.on_line, machine.on_no_line)
    assert plan["again"] == machine.again(today)
    assert tables["students"]["draws_cleared"].iloc[0] == machine.on_line + machine.on_no_line
    if machine.state == "failed":
        assert plan["awaited"] == machine.awaited()
        assert "failed draw" in kinds
    if not machine.stopped:
        assert ("presented too often" in kinds) is machine.too_often
