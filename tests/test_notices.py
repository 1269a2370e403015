"""Notice, the clock of a credit, credit under Regulation Z, and the plan as the rules write it: the dates and edges that sources give."""

from __future__ import annotations

import random
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from build import exports_of
from cases_exceptions.plan import award, charge, line, plan_lines, posting, story

from reconcile.banking_days import BankingDays, day_number, from_day_number
from reconcile.notices import aid_credit_due, earliest_new_draw, in_time, is_only_rolled, last_day
from reconcile.policy import Rules, load_rules
from reconcile.run import reconcile_exports
from reconcile.schedule import plan_written

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from cases_exceptions.plan import Rows

RULES = load_rules(Path(__file__).parents[1] / "rules")
SENT = day_number(date(2026, 9, 1))


def tables(rows: Rows, as_of: str, rules: Rules = RULES) -> Mapping[str, pd.DataFrame]:
    day = date.fromisoformat(as_of)
    return reconcile_exports(exports_of(rows, bank_from=date(2026, 7, 1), bank_through=day), rules, day).tables


def actions(rows: Rows, as_of: str) -> dict[str, str]:
    found = tables(rows, as_of)["exceptions"]
    return dict(zip(found["kind"], found["action"], strict=True))


# -- notice


@pytest.mark.parametrize(
    ("draw", "said"),
    [
        ("2026-12-15", "by 2026-12-05, a Saturday: send it by 2026-12-04."),
        ("2026-12-10", "by 2026-11-30."),
        ("2027-01-10", "by 2026-12-31, when the office is closed: send it by 2026-12-30."),
    ],
)
def test_a_notice_due_while_the_office_is_closed_names_the_day_to_send_it(draw: str, said: str) -> None:
    """Ten days before 15 December is a Saturday, before 10 January an office closing: the open day before stands beside it."""
    rows = story(plan_lines(line_5={"draw_date": draw}), first=4, aid=[award(900_00, "2026-11-16")])
    found = tables(rows, "2026-11-20")
    action = dict(zip(found["exceptions"]["kind"], found["exceptions"]["action"], strict=True))["plan exceeds bill"]
    assert f"A changed draw needs written notice to the family {said}" in action
    assert str(found["plans"]["notice_by"][0])[:10] == said[3:13]


@pytest.mark.parametrize(
    ("day", "notice_days", "passes"),
    [
        # Regulation E, 12 CFR 1005.10(d)(1), read: a transfer that varies in amount, written notice at least 10 days before.
        (11, RULES.plans.notice_days, True),
        (10, RULES.plans.notice_days, False),
        # Nacha notice, second-hand: 7 days for a changed date.
        (8, RULES.plans.date_notice_days, True),
        (7, RULES.plans.date_notice_days, False),
    ],
)
def test_notice_on_the_first_of_september(day: int, notice_days: int, passes: bool) -> None:
    """A changed amount on the 11th passes, on the 10th fails; a changed date on the 8th passes, on the 7th fails."""
    drawn = day_number(date(2026, 9, day))
    assert in_time(SENT, drawn, notice_days) is passes
    assert in_time(last_day(drawn, notice_days), drawn, notice_days)
    assert not in_time(last_day(drawn, notice_days) + 1, drawn, notice_days)


@pytest.mark.parametrize(("day", "changes"), [("2026-09-11", True), ("2026-09-10", False)])
def test_a_run_of_the_first_of_september_changes_only_draws_with_notice(day: str, changes: bool) -> None:
    """A scholarship on 1 September: September's draw can change on the 11th, not on the 10th (12 CFR 1005.10(d)(1), read)."""
    rows = story(plan_lines(line_2={"draw_date": day}), first=1, aid=[award(400_00, "2026-09-01")])
    plan = tables(rows, "2026-09-01")["plans"].iloc[0]
    assert (day in plan["proposed_draws"]) is changes
    assert plan["first_changeable"].date().isoformat() == (day if changes else "2026-10-10")
    assert plan["notice_by"].date().isoformat() == ("2026-09-01" if changes else "2026-09-30")


@pytest.mark.parametrize(
    ("draw", "last"),
    # By hand from a calendar: 29 days in February 2028, 28 in 2027; the agreed date counts, not the banking day that it rolls to.
    [
        ("2028-03-10", "2028-02-29"),
        ("2027-03-10", "2027-02-28"),
        ("2026-10-10", "2026-09-30"),  # a Saturday before a holiday: drawn on the 13th
        ("2027-01-01", "2026-12-22"),  # a holiday
        ("2026-11-01", "2026-10-22"),  # a Sunday, over the end of daylight saving time
    ],
)
def test_ten_days_are_calendar_days_to_the_agreed_date(draw: str, last: str) -> None:
    """Over leap days, year ends, weekends and holidays; a notice of the last day is in time, one of the day after is not."""
    number, sent = day_number(date.fromisoformat(draw)), day_number(date.fromisoformat(last))
    assert last_day(number, 10) == sent
    assert in_time(sent, number, 10)
    assert not in_time(sent + 1, number, 10)


def test_a_roll_over_a_weekend_or_a_holiday_needs_no_notice() -> None:
    """10 October 2026 is a Saturday before a holiday (Federal Reserve Board, K.8): the 13th is the same draw, the 14th another date."""
    agreed = date(2026, 10, 10)
    moved = [is_only_rolled(agreed, date(2026, 10, day), BankingDays()) for day in (10, 13, 12, 14)]
    assert moved == [True, True, False, False]


def test_a_new_draw_needs_the_longer_notice() -> None:
    """A draw of another amount on another date waits for both."""
    assert earliest_new_draw(SENT, RULES) == date(2026, 9, 11)
    longer = Rules(**{**RULES.__dict__, "plans": RULES.plans.model_copy(update={"date_notice_days": 21})})
    assert earliest_new_draw(SENT, longer) == date(2026, 9, 22)


# -- the clock of a credit that federal aid made


@pytest.mark.parametrize(("arose", "due"), [("2026-09-02", "2026-09-16"), ("2026-08-10", "2026-09-07"), ("2026-08-24", "2026-09-07")])
def test_fourteen_days_from_the_credit_or_from_the_first_day_of_class(arose: str, due: str) -> None:
    """Class begins on 24 August 2026 (34 CFR 668.164(h), second-hand)."""
    start = day_number(date(2026, 8, 24))
    assert str(from_day_number(aid_credit_due(day_number(date.fromisoformat(arose)), start))) == due


@pytest.mark.parametrize(("arose", "due"), [("2026-09-02", "2026-09-16"), ("2026-08-10", "2026-09-07")])
def test_the_exception_of_a_credit_names_the_day(arose: str, due: str) -> None:
    """The caution gives the day and leaves it to counsel; nothing is drawn, so the credit is told by itself."""
    rows = story(first=0, aid=[award(12_500_00, arose)])
    rows["plan_schedules"] = [line(1, "2026-07-25", 100_00, plan_total=100_00, line_status="cancelled", cancelled_on="2026-07-24")]
    said = actions(rows, "2026-09-03")["credit balance"]
    assert f"Where federal aid made it, it is generally paid by {due}" in said
    assert "the college's counsel confirms the day" in said


def overdue_credit(as_of: str, **more: Any) -> pd.Series:
    """A credit of 12,400.00 or so that arose on 2 September, before the plan had any draw: due on the 16th if federal aid made it."""
    rows = story(first=0, **more)
    rows["plan_schedules"] = [line(1, "2026-07-25", 100_00, plan_total=100_00, line_status="cancelled", cancelled_on="2026-07-24")]
    table = tables(rows, as_of)["exceptions"]
    return table[table["kind"] == "credit balance"].iloc[0]


def test_a_credit_past_its_fourteen_days_is_urgent_and_names_the_day_and_the_fund_first() -> None:
    """On the 16th there is still time; on the 17th the day that has passed comes first of all. Both name the aid behind the credit."""
    aid = [award(12_500_00, "2026-09-02", fund="federal grant")]
    before, after = overdue_credit("2026-09-16", aid=aid), overdue_credit("2026-09-17", aid=aid)
    assert (before["severity"], str(before["act_by"].date())) == ("act", "2026-09-16")
    assert (after["severity"], str(after["act_by"].date())) == ("urgent", "2026-09-16")
    assert after["action"].startswith("2026-09-16 has passed: where federal aid made the credit, it is generally paid by then")
    assert after["action"].endswith("This was due by 2026-09-16.")
    for row in (before, after):
        assert "Aid behind it: federal grant 12,500.00 (on 2026-09-02)." in row["action"]


def test_a_credit_that_no_aid_made_has_no_clock_to_miss() -> None:
    """A payment put the account into credit, though a grant stands on it: the caution stays, and nothing is urgent.

    Where a charge was taken off the bill instead, the grant may be what is left over.
    """
    fell = overdue_credit("2026-10-30", charges=[charge(-12_500_00, "2026-09-02")])
    assert (fell["severity"], "Aid behind it: grant 3,000.00 (on 2026-07-15)." in fell["action"]) == ("urgent", True)
    row = overdue_credit("2026-10-30", postings=[posting("2026-09-02", 16_000_00, kind="payment")])
    assert row["severity"] == "act"
    assert "No aid was disbursed since it arose." in row["action"]


# -- credit: Regulation Z, 12 CFR 1026.2(a)(17) (second-hand): a finance charge, or more than four installments besides a down payment


def spread_over(draws: int, **more: Any) -> str:
    """What is said where 600.00 of housing is spread over so many draws that all can change."""
    amount = 12_000_00 // draws
    lines = [line(at, str(date(2026, 8, 10) + timedelta(days=30 * at)), amount, plan_total=12_000_00, **more) for at in range(1, draws + 1)]
    rows = story(lines, first=0, charges=[charge(600_00, "2026-08-01")])
    return actions(rows, "2026-08-20")["plan below bill"]


@pytest.mark.parametrize(("draws", "asked"), [(4, False), (5, True)])
def test_more_than_four_installments_ask_for_counsel(draws: int, asked: bool) -> None:
    """Spread over four draws nothing is said, over five counsel is to be asked."""
    said = spread_over(draws)
    assert ("Regulation Z, 12 CFR 1026.2(a)(17)): ask counsel" in said) is asked
    assert (f"{draws} installments" in said) is asked


def test_a_charge_beside_the_draws_asks_for_counsel() -> None:
    """The card fee on four draws is a charge for paying later; lowering draws is no credit and asks nobody."""
    assert "a plan with a fee can be credit" in spread_over(4, method="card")
    lowered = story(first=0, aid=[award(600_00, "2026-08-01")])
    assert "counsel" not in actions(lowered, "2026-08-02")["plan exceeds bill"]


@pytest.mark.parametrize(("last", "asked"), [("2027-07-20", False), ("2027-07-21", True)])
def test_a_plan_of_more_than_a_year_asks_for_counsel(last: str, asked: bool) -> None:
    """Without interest and one year or less it is no private education loan (12 CFR 1026.46(b)(5)(iv), read)."""
    term = RULES.term("2026-FA")
    assert term is not None
    tier = term.tiers[0].model_copy(update={"draw_dates": (date(2026, 8, 10), date.fromisoformat(last))})
    long = term.model_copy(update={"tiers": (tier, *term.tiers[1:])})
    plan = plan_written(long, 100_000, date(2026, 7, 20), method="bank", split="spare cents first")
    assert any("12 CFR 1026.46(b)(5)(iv)" in caution for caution in plan.cautions) is asked


# -- the plan that the rules write, and the plan that is held against the rules


def written(rng: random.Random, rules: Rules, number: int) -> list[dict[str, Any]]:
    """Schedule rows of a plan just as `reconcile schedule` would show it, for a random amount, day and method."""
    term = rng.choice(rules.terms)
    tier = rng.choice(term.tiers)
    enrolled = min(tier.enroll_by, term.last_day_to_enroll)
    amount, method = rng.randint(500, 2_000_000), rng.choice(term.methods)
    plan = plan_written(term, amount, enrolled, method=method, split=rules.plans.split)
    own = {"plan_id": f"P{number}", "student_id": f"S{number}", "term": term.code, "enrolled_on": enrolled, "plan_total": amount}
    return [own | {"line": x.line, "kind": x.kind, "draw_date": x.draw_date, "amount": x.amount, "method": method} for x in plan.lines]


def off_the_rules(lines: list[dict[str, Any]], rules: Rules) -> set[str]:
    """Plans that are told as off the rules."""
    rows = {"charges": [], "aid": [], "plan_schedules": lines, "cleared_draws": [], "postings": []}
    found = reconcile_exports(exports_of(rows), rules, date(2027, 3, 1)).tables["exceptions"]
    return set(found.loc[found["kind"].isin(["schedule off the rules", "no down payment line"]), "plan_id"])


@pytest.mark.parametrize("split", ["spare cents first", "last absorbs"])
def test_what_the_command_writes_is_never_off_the_rules(split: str) -> None:
    """One function writes both: sixty random plans raise nothing; with a line off by more than the tolerance, or a day, each is told."""
    rules = Rules(**{**RULES.__dict__, "plans": RULES.plans.model_copy(update={"split": split})})
    rng = random.Random(split)
    plans = [written(rng, rules, number) for number in range(60)]
    assert off_the_rules([row for rows in plans for row in rows], rules) == set()
    more = rules.plans.plan_tolerance + 1
    moved, changed, uneven = [], [], set()
    for rows in plans:
        draws = [row for row in rows if row["kind"] == "draw"]
        moved += [row | {"draw_date": row["draw_date"] - timedelta(days=1)} if row is draws[0] else row for row in rows]
        if len(draws) > 1 and draws[-1]["amount"] > more:
            uneven.add(rows[0]["plan_id"])
            shifts = {draws[0]["line"]: more, draws[-1]["line"]: -more}
            changed += [row | {"amount": row["amount"] + shifts.get(row["line"], 0)} for row in rows]
    assert off_the_rules(moved, rules) == {f"P{number}" for number in range(60)}
    assert len(uneven) > 30
    assert off_the_rules(changed, rules) == uneven


def test_a_date_rolled_to_the_next_banking_day_is_the_rules_own() -> None:
    """An export that writes October's draw for the 13th, the day it is taken, is not off the rules; for the 14th it is."""
    told = [
        set(tables(story(plan_lines(line_3={"draw_date": day})), "2026-10-05")["exceptions"]["kind"])
        for day in ("2026-10-13", "2026-10-14")
    ]
    assert told == [set(), {"schedule off the rules"}]


def test_an_adjusted_plan_is_judged_as_enrolled() -> None:
    """Set anew in October, or with a line cancelled in September: it is held against the rules of its own day of enrollment."""
    anew = story(plan_lines(every={"set_on": "2026-10-01"}, line_5={"amount": 3_000_00}, line_4={"amount": 1_800_00}))
    assert "schedule off the rules" not in set(tables(anew, "2026-10-05")["exceptions"]["kind"])
    ended = story(plan_lines(line_5={"line_status": "cancelled", "cancelled_on": "2026-09-20"}))
    assert "schedule off the rules" not in set(tables(ended, "2026-10-05")["exceptions"]["kind"])
