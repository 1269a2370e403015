"""The whole recipe on small plans, worked by hand."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from build import Row, exports_of

from reconcile.policy import Rules, load_rules
from reconcile.run import reconcile_exports

TERM = "2026-FA"
RULES = Path(__file__).parents[1] / "rules"
MONTHS = (8, 9, 10, 11, 12)


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(RULES)


def plan_rows(**changed: Any) -> dict[str, list[Row]]:
    """Charges 15,000.00, aid 3,000.00, a plan of 12,000.00 in five draws on the tenth; August and September have cleared."""
    base: dict[str, list[Row]] = {
        "charges": [{"student_id": "S1", "term": TERM, "posted_on": "2026-07-15", "amount": 15_000_00}],
        "aid": [award(3_000_00, "2026-07-15")],
        "plan_schedules": [
            {
                "plan_id": "P1",
                "student_id": "S1",
                "term": TERM,
                "enrolled_on": "2026-07-20",
                "plan_total": 12_000_00,
                "line": str(at),
                "draw_date": f"2026-{month:02d}-10",
                "amount": 2_400_00,
            }
            for at, month in enumerate(MONTHS, start=1)
        ],
        "cleared_draws": [cleared("2026-08-11", "A"), cleared("2026-09-11", "B")],
    }
    return {name: rows + changed.get(name, []) for name, rows in base.items()}


def award(cents: int, posted_on: str) -> Row:
    return {"student_id": "S1", "term": TERM, "fund": "grant", "status": "disbursed", "amount": cents, "posted_on": posted_on}


def cleared(day: str, reference: str) -> Row:
    return {"settled_on": day, "amount": 2_400_00, "outcome": "cleared", "plan_id": "P1", "reference": reference}


RETURNED = {**cleared("2026-09-14", "C"), "outcome": "returned", "return_code": "R01"}
DROPPED = {"student_id": "S1", "term": TERM, "posted_on": "2026-10-07", "amount": -600_00}


@pytest.mark.parametrize(
    ("changed", "as_of", "expected"),
    [
        ({}, date(2026, 10, 15), {"balance_to_meet": 7_200_00, "pending_draws": 7_200_00, "variance": 0}),
        (
            {"cleared_draws": [RETURNED]},
            date(2026, 10, 15),
            {"balance_to_meet": 9_600_00, "variance": -2_400_00, "failed_and_not_seen": -2_400_00, "again": 2_400_00},
        ),
        (
            {"cleared_draws": [RETURNED], "aid": [award(1_500_00, "2026-09-20")]},
            date(2026, 10, 15),
            {
                "balance_to_meet": 8_100_00,
                "variance": -900_00,
                "failed_and_not_seen": -2_400_00,
                "aid_changed": 1_500_00,
                "kept": 2_400_00,
                "proposed_draws": "2026-11-10 2850.00; 2026-12-10 2850.00",
            },
        ),
        (
            {"aid": [award(3_000_00, "2026-09-20")]},
            date(2026, 10, 15),
            {
                "balance_to_meet": 4_200_00,
                "variance": 3_000_00,
                "aid_changed": 3_000_00,
                "kept": 2_400_00,
                "proposed_draws": "2026-11-10 900.00; 2026-12-10 900.00",
            },
        ),
        (
            {"aid": [award(8_000_00, "2026-09-20")]},
            date(2026, 10, 15),
            {
                "balance_to_meet": -800_00,
                "variance": 8_000_00,
                "aid_changed": 8_000_00,
                "kept": 2_400_00,
                "proposed_draws": "2026-11-10 0.00; 2026-12-10 0.00",
                "to_give_back": 800_00,
                "to_stop": 2_400_00,
            },
        ),
        (
            {"charges": [DROPPED]},
            date(2026, 10, 25),
            {
                "balance_to_meet": 6_600_00,
                "pending_draws": 4_800_00,
                "variance": -1_800_00,
                "failed_and_not_seen": -2_400_00,
                "charges_changed": 600_00,
                "awaited": 2_400_00,
                "proposed_draws": "2026-11-10 2100.00; 2026-12-10 2100.00",
            },
        ),
    ],
    ids=[
        "nothing else",
        "September came back",
        "and a scholarship",
        "a scholarship",
        "a large scholarship",
        "a course dropped, October not seen",
    ],
)
def test_six_worked_situations_of_one_plan(changed: dict[str, list[Row]], as_of: date, expected: dict[str, object], rules: Rules) -> None:
    """Variance, its causes and the proposal of one plan in six situations, each worked by hand; every other cause is zero."""
    rows = plan_rows(**changed)
    found = (
        reconcile_exports(exports_of(rows, bank_from=date(2026, 8, 1), bank_through=as_of), rules, as_of).tables["plans"].iloc[0].to_dict()
    )
    shown = {name: value for name, value in found.items() if isinstance(value, str) or (isinstance(value, int) and value)}
    constant = {"term", "student_id", "plan_ids", "plan_total", "active_lines", "cleared", "failed", "not_seen", "pending_draws"}
    quiet = {name: value for name, value in shown.items() if name not in constant | set(expected) and value != ""}
    assert quiet == {}
    assert {name: found[name] for name in expected} == expected
