"""Short words for rows of one invented student, so that hand-worked cases of the slow engine read like the case.

Student 0001 has plan P1: five draws of 2,400.00 on the tenth, August to December 2026, against charges of 15,000.00 and aid of 3,000.00.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from slow_engine import SlowResult, slow_run
from world_events import COLUMNS

from reconcile.policy import load_rules

if TYPE_CHECKING:
    from reconcile.policy import Rules

Row = dict[str, Any]

BASE = load_rules(Path(__file__).parents[1] / "rules")


def day(text: str) -> date:
    """A day of the school year from month and day: 08-10 is in 2026, 02-10 in 2027."""
    month, number = (int(part) for part in text.split("-"))
    return date(2026 if month > 4 else 2027, month, number)


def rules_with(*, fee_on_bill: bool = False, split: str = "spare cents first", **matching: Any) -> Rules:
    """The office's rules with the values that cases here rest on."""
    values = {
        "early_days": 3,
        "late_days": 5,
        "late_match_days": 25,
        "return_days": 60,
        "group_size": 3,
        "near_percent": 1_000,
        "tolerance": 5,
        "cleared_then_returned": True,
        "late_return_days": 4,
        **matching,
    }
    lag = BASE.matching.settlement_lag
    return replace(
        BASE,
        matching=BASE.matching.model_copy(update={**values, "settlement_lag": lag.model_copy(update={"bank": 1, "card": 2})}),
        plans=BASE.plans.model_copy(update={"split": split, "notice_days": 10, "plan_tolerance": 100, "outside_plan": ("fine",)}),
        aid=BASE.aid.model_copy(update={"never_on_bill": ("work-study",), "grace_days": 21}),
        terms=tuple(t.model_copy(update={"fee_on_bill": fee_on_bill, "card_fee_percent": 250}) for t in BASE.terms),
    )


RULES = rules_with()


def line(number: int | str, on: str, amount: int = 240_000, **other: Any) -> Row:
    """One schedule line of plan P1 of student 0001."""
    plan: Row = {"plan_id": "P1", "student_id": "0001", "term": "2026-FA", "enrolled_on": day("07-20"), "plan_total": 1_200_000}
    rest: Row = {"kind": "draw", "method": "bank", "line_status": "active", "cancelled_on": None, "schedule_says": "", "reference": ""}
    row = {**plan, "line": str(number), "draw_date": day(on), "amount": amount, **rest, "student_name": "", **other}
    return {"set_on": row["enrolled_on"], "consent_on": row["enrolled_on"], **row}


def event(on: str, amount: int = 240_000, outcome: str = "cleared", **other: Any) -> Row:
    """One bank row of plan P1 of student 0001."""
    row: Row = dict.fromkeys(COLUMNS["cleared_draws"], "")
    return {**row, "settled_on": day(on), "amount": amount, "outcome": outcome, "plan_id": "P1", "student_id": "0001", **other}


def returned(on: str, amount: int = 240_000, code: str = "R01", **other: Any) -> Row:
    """One bank return."""
    return event(on, amount, "returned", return_code=code, **other)


def charge(on: str, amount: int, charge_type: str = "tuition") -> Row:
    """One charge of student 0001."""
    return {"student_id": "0001", "term": "2026-FA", "posted_on": day(on), "amount": amount, "charge_type": charge_type, "description": ""}


def award(on: str, amount: int, status: str = "disbursed", fund: str = "grant", **other: Any) -> Row:
    """One aid row of student 0001."""
    row: Row = {"student_id": "0001", "term": "2026-FA", "fund": fund, "status": status, "amount": amount, "posted_on": day(on)}
    return {**row, "disbursed_on": None, "expected_on": None, "cancelled_on": None, **other}


def posting(on: str, kind: str, amount: int) -> Row:
    """One ledger credit of student 0001."""
    return {"student_id": "0001", "term": "2026-FA", "posted_on": day(on), "kind": kind, "amount": amount, "reference": ""}


FIVE = [line(i + 1, f"{8 + i:02d}-10") for i in range(5)]


def run(
    as_of: str, events: list[Row], lines: list[Row] | None = None, *, rules: Rules = RULES, postings: list[Row] | None = None, **other: Any
) -> SlowResult:
    """A run of student 0001 whose bill is 15,000.00 less 3,000.00 aid, unless other rows are given."""
    exports = {
        "charges": other.get("charges", [charge("07-10", 1_500_000)]),
        "aid": other.get("aid", [award("07-10", 300_000)]),
        "plan_schedules": FIVE if lines is None else lines,
        "cleared_draws": events,
        "postings": postings or [],
    }
    through = other.get("bank_through", day(as_of))
    return slow_run(exports, rules, day(as_of), has_postings=postings is not None or other.get("ledger", True), bank_through=through)


def states(result: SlowResult) -> list[str]:
    """States of the lines in order."""
    return [d["state"] for d in result.draws]


def passes(result: SlowResult) -> list[str]:
    """Passes of the bank rows in file order."""
    return [e["pass"] for e in result.events]


TWO_CLEARED = [event("08-11"), event("09-11", reference="SEP")]
SEPTEMBER_BACK = returned("09-15", original_reference="SEP")
