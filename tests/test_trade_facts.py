"""What an office takes for granted about monthly plans, held with a rules folder of its own. Each fact: common practice, no source."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from reconcile.errors import RefusedError
from reconcile.policy import load_rules
from reconcile.schedule import WrittenPlan, install_schedule_text, plan_written, windows

if TYPE_CHECKING:
    from reconcile.policy import Rules

TOTAL = 1_250_000
EARLY, LATER, LAST_DAY = date(2026, 6, 10), date(2026, 7, 20), date(2026, 9, 15)


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(Path(__file__).parent / "trade_rules")


def plan(rules: Rules, on: date, *, term: str = "2026-FA", amount: int = TOTAL, method: str = "bank") -> WrittenPlan:
    found = rules.term(term)
    assert found is not None
    return plan_written(found, amount, on, method=method, split=rules.plans.split)


def told(written: WrittenPlan, kind: str) -> list[tuple[str, int]]:
    return [(line.draw_date.isoformat(), line.amount) for line in written.of_kind(kind)]


def test_an_early_plan_is_five_equal_draws_without_a_down_payment(rules: Rules) -> None:
    """12,500.00 enrolled early: 2,500.00 on the first of July to November (common practice, no source)."""
    early = plan(rules, EARLY)
    assert told(early, "draw") == [(f"2026-{month:02d}-01", 250_000) for month in (7, 8, 9, 10, 11)]
    assert told(early, "down payment") == []


def test_a_plan_after_the_early_date_has_a_down_payment_and_a_draw_less(rules: Rules) -> None:
    """20 percent of 12,500.00 at once and four equal draws, August to November (common practice, no source)."""
    later = plan(rules, LATER)
    assert told(later, "down payment") == [("2026-07-20", 250_000)]
    assert told(later, "draw") == [(f"2026-{month:02d}-01", 250_000) for month in (8, 9, 10, 11)]


def test_a_plan_on_the_last_enrollment_day_has_a_third_down_and_two_draws(rules: Rules) -> None:
    """33 percent of 12,500.00 in mid September and two draws of the rest; a day later is too late (common practice, no source)."""
    last = plan(rules, LAST_DAY)
    assert told(last, "down payment") == [("2026-09-15", 412_500)]
    assert told(last, "draw") == [("2026-10-01", 418_750), ("2026-11-01", 418_750)]
    with pytest.raises(RefusedError, match="the last day to enroll"):
        plan(rules, date(2026, 9, 16))


@pytest.mark.parametrize("on", [EARLY, LATER, LAST_DAY])
@pytest.mark.parametrize("amount", [TOTAL, 100_001])
def test_the_fee_is_the_same_once_per_term_whatever_the_plan_and_never_part_of_its_total(rules: Rules, on: date, amount: int) -> None:
    """60.00 a term, due on enrollment, beside the total that down payment and draws make up (common practice, no source)."""
    written = plan(rules, on, amount=amount)
    assert told(written, "fee") == [(on.isoformat(), 6_000)]
    assert sum(line.amount for line in written.lines if line.kind != "fee") == written.total == amount


def test_the_fee_is_told_as_not_given_back(rules: Rules) -> None:
    """The enrollment fee is not refundable, and the printed schedule says that this is common (common practice, no source)."""
    assert "Apart from the plan total, once per term, and commonly not given back:" in install_schedule_text(
        plan(rules, EARLY), rules.banking_days()
    )


def test_the_spring_plan_is_enrolled_separately_and_runs_from_december_to_april(rules: Rules) -> None:
    """Fall's draws end in November; spring has its own enrollment, draws and fee (common practice, no source)."""
    spring = plan(rules, date(2026, 11, 20), term="2027-SP")
    months = ("2026-12-01", "2027-01-01", "2027-02-01", "2027-03-01", "2027-04-01")
    assert told(spring, "draw") == [(day, 250_000) for day in months]
    assert told(spring, "fee") == [("2026-11-20", 6_000)]
    assert max(line.draw_date for line in plan(rules, EARLY).lines) < min(line.draw_date for line in spring.lines)
    with pytest.raises(RefusedError, match="the last day to enroll"):
        plan(rules, date(2026, 11, 20))


def test_a_student_has_one_plan_drawn_from_one_account(rules: Rules) -> None:
    """The rules hold one plan per student, and one enrollment takes all its lines by one method (common practice, no source)."""
    assert rules.plans.one_plan_per_student
    by_bank, by_card = plan(rules, LATER), plan(rules, LATER, method="card")
    assert (by_bank.method, by_card.method) == ("bank", "card")
    assert {line.card_fee > 0 for line in by_bank.lines} == {False}
    assert {line.card_fee > 0 for line in by_card.lines} == {True}


def test_bank_draws_carry_no_further_fee_and_card_draws_do(rules: Rules) -> None:
    """2,500.00 by bank is drawn as it is; by card 62.50 come on top (2.50 percent) beside the total (common practice, no source)."""
    by_bank, by_card = plan(rules, EARLY), plan(rules, EARLY, method="card")
    assert [line.card_fee for line in by_bank.of_kind("draw")] == [0] * 5
    assert [line.card_fee for line in by_card.of_kind("draw")] == [6_250] * 5
    assert by_card.total == by_bank.total == TOTAL
    drawn = pd.Series([pd.Timestamp("2026-08-03")] * 2, dtype="datetime64[s]")
    lines = pd.DataFrame({"term": "2026-FA", "draw_date": drawn, "amount": 250_000, "method": ["bank", "card"]})
    assert windows(lines, rules, rules.banking_days())["gross"].tolist() == [250_000, 256_250]
