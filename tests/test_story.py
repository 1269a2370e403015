"""The form of the stories: what cannot be read is an error, and what a run does not meet is told."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from pydantic import ValidationError
from story import Story, StoryError, cents, read_story, rules_with, run_together
from story_expect import Checker

CARD = {
    "charges": "2026-07-15 12,000.00 tuition",
    "plan": "P1 enrolled 2026-07-20 total 12,000.00 bank\n1 2026-08-10 2,400.00\n2 2026-12-10 9,600.00",
    "bank": "2026-08-11 2,400.00 cleared plan P1 ref A",
}


def story(**changed: Any) -> Story:
    """August's draw has cleared, as of 31 August."""
    return read_story("form", CARD, {"title": "t", "why": "w", "as_of": date(2026, 8, 31), "expect": "variance: 0.00", **changed})


def told(*expect: str, **changed: Any) -> list[str]:
    """What a run does not meet of these expectations."""
    one = replace(story(**changed), expect=expect)
    return Checker(run_together({"x-": one}), "x-").differences(one.expect)


def test_expectations_that_hold_are_silent() -> None:
    """State, pass, words, money and `all` of them."""
    held = (
        "line 1: cleared exact, net 2,400.00",
        "coverage: covered by pending",
        "variance: 0.00",
        "pass of A: exact",
        "proposed: nothing",
    )
    assert told(*held, "all causes", "all advice", "unmatched: none", "told A: none") == []


@pytest.mark.parametrize(
    ("expect", "found"),
    [
        ("line 1: failed exact", "cleared"),
        ("line 1: cleared late", "exact"),
        ("line 1: cleared exact, net 2,400.01", "2,400.00"),
        ("line 1: cleared, settled 2026-08-12", "2026-08-11"),
        ("line 1: cleared, attempts 2", "1"),
        ("coverage: short", "covered by pending"),
        ("variance: 0.01", "0.00"),
        ("cause aid_changed: 1.00", "0.00"),
        ("again: 1.00", "0.00"),
        ("proposed: 2026-12-10 9,600.00", "''"),
        ("notice by: 2026-11-30", "none"),
        ("bucket of A: undone by a return or refund", "on a line"),
        ("pass of A: late", "exact"),
        ("unmatched A: return without a draw", "none"),
        ("told A: plan and student disagree", "none"),
    ],
)
def test_an_expectation_that_does_not_hold_is_told_with_what_was_found(expect: str, found: str) -> None:
    """One difference, naming the expectation and the other side."""
    differences = told(expect)
    assert len(differences) == 1
    assert differences[0].startswith(expect)
    assert found in differences[0].removeprefix(expect)


def test_all_causes_and_all_advice_tell_what_the_story_does_not_name() -> None:
    """A charge of 100.00 after the plan was set: the cause and the changed draw are not named."""
    more = {"also_charges": "2026-08-20 100.00 tuition"}
    assert told("all causes", "all advice", **more) == [
        "all causes: charges_changed is -100.00",
        "all advice: proposed is 2026-12-10 9,700.00",
        "all advice: notice by is 2026-11-30",
    ]
    named = ("cause charges_changed: -100.00", "proposed: 2026-12-10 9,700.00", "notice by: 2026-11-30")
    assert told(*named, "all causes", "all advice", **more) == []
    assert told("unmatched: none", also_bank="2026-08-20 5.00 cleared plan P1 ref B") == ["unmatched: none: draw not on the schedule"]


@pytest.mark.parametrize(
    "expect",
    [
        "varience: 0.00",
        "cause weather: 0.00",
        "line 9: cleared",
        "line 1: done",
        "line 1: cleared exactly",
        "line 1: cleared, weight 3",
        "variance: 0",
        "variance: 1000.00",
        "bucket of Z: on a line",
        "bucket of letter 1: on a line",
        "everything is fine",
    ],
)
def test_an_expectation_that_nobody_can_read_is_an_error(expect: str) -> None:
    """Unknown words, unknown lines and rows, money that is not exact."""
    with pytest.raises(StoryError):
        told(expect)


@pytest.mark.parametrize(
    "changed",
    [
        {"notes": "a key that no story has"},
        {"charges": "2026-07-15 12000.00 tuition"},
        {"charges": "15.07.2026 12,000.00 tuition"},
        {"aid": "2026-07-15 100.00 grant promised"},
        {"aid": "2026-07-15 100.00 grant"},
        {"bank": "2026-08-11 2,400.00 cleared ref A"},
        {"bank": "2026-08-11 2,400.00 arrived plan P1"},
        {"bank": "2026-08-11 2,400.00 cleared plan P1 ref"},
        {"bank": "2026-08-11 2,400.00 cleared plan P1 plan P2"},
        {"ledger": "2026-08-11 2,400.00 gift"},
        {"ledger": "2026-08-11 2,400.00"},
        {"plan": "P1 enrolled 2026-07-20 total 1.00 bank\n1 2026-08-10 1.00 someday"},
    ],
)
def test_a_row_that_nobody_can_read_is_an_error(changed: dict[str, str]) -> None:
    """Unknown keys and words, dates and money of another form, a word said twice, a bank row of nobody."""
    with pytest.raises(StoryError):
        story(**changed)


def test_rules_are_changed_as_the_office_would_and_checked_as_its_files_are() -> None:
    """One value, a return code, a term; a wrong name or value is an error."""
    changed = rules_with(
        story(rules={"matching": {"late_days": 3}, "returns": {"R01": {"again_days": 30}}, "term": {"billed_on": date(2026, 8, 1)}}).changes
    )
    term, code = changed.term("2026-FA"), changed.returns.code("bank", "R01")
    assert term is not None
    assert code is not None
    assert (changed.matching.late_days, changed.matching.early_days, code.again_days, term.billed_on) == (3, 3, 30, date(2026, 8, 1))
    for wrong in ({"marching": {"late_days": 3}}, {"returns": {"R00": {"again": True}}}):
        with pytest.raises(StoryError):
            rules_with(story(rules=wrong).changes)
    for wrong_value in ({"matching": {"late_dyas": 3}}, {"plans": {"plan_tolerance": "1"}}, {"matching": {"group_size": 7}}):
        with pytest.raises(ValidationError):
            rules_with(story(rules=wrong_value).changes)


def test_money_of_a_story_is_exact_cents() -> None:
    """Thousands are set apart by commas, cents always stand."""
    assert [cents(text) for text in ("0.05", "-0.06", "12,000.00", "1,234,567.89")] == [5, -6, 1_200_000, 123_456_789]
