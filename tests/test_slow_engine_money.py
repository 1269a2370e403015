"""The slow engine by cases worked by hand: one family's month, stops, the bill, why plan and bill differ, what is proposed."""

from __future__ import annotations

from typing import Any

import pytest
from slow_cases import FIVE, SEPTEMBER_BACK, TWO_CLEARED, Row, award, charge, day, event, line, posting, returned, rules_with, run
from slow_engine import CAUSES
from slow_engine.proposing import shared

# -- the six cases of one family, worked by hand

WORKED: dict[str, tuple[str, list[Row], list[Row], list[Row], dict[str, Any]]] = {
    "nothing else": (
        "10-15",
        TWO_CLEARED,
        [],
        [],
        {"balance_now": 720_000, "pending_draws": 720_000, "variance": 0, "coverage": "covered by pending", "proposed_draws": ""},
    ),
    "September came back": (
        "10-15",
        [*TWO_CLEARED, SEPTEMBER_BACK],
        [],
        [],
        {
            "balance_now": 960_000,
            "pending_draws": 720_000,
            "variance": -240_000,
            "failed_and_not_seen": -240_000,
            "again": 240_000,
            "proposed_draws": "",
            "to_collect": 0,
            "coverage": "short",
        },
    ),
    "and a scholarship of 1,500 arrived": (
        "10-15",
        [*TWO_CLEARED, SEPTEMBER_BACK],
        [award("09-20", 150_000, fund="scholarship")],
        [],
        {
            "balance_now": 810_000,
            "pending_draws": 720_000,
            "variance": -90_000,
            "failed_and_not_seen": -240_000,
            "aid_changed": 150_000,
            "again": 0,
            "proposed_draws": "2026-11-10 2850.00; 2026-12-10 2850.00",
        },
    ),
    "no return, a scholarship of 3,000": (
        "10-15",
        TWO_CLEARED,
        [award("09-20", 300_000, fund="scholarship")],
        [],
        {
            "balance_now": 420_000,
            "pending_draws": 720_000,
            "variance": 300_000,
            "aid_changed": 300_000,
            "coverage": "over",
            "proposed_draws": "2026-11-10 900.00; 2026-12-10 900.00",
            "notice_by": day("10-31"),
            "kept": 240_000,
        },
    ),
    "no return, a scholarship of 8,000": (
        "10-15",
        TWO_CLEARED,
        [award("09-20", 800_000, fund="scholarship")],
        [],
        {
            "balance_now": -80_000,
            "pending_draws": 720_000,
            "variance": 800_000,
            "aid_changed": 800_000,
            "proposed_draws": "2026-11-10 0.00; 2026-12-10 0.00",
            "to_give_back": 80_000,
            "to_stop": 240_000,
        },
    ),
    "a course dropped, October not seen": (
        "10-25",
        TWO_CLEARED,
        [],
        [charge("10-07", -60_000)],
        {
            "balance_now": 660_000,
            "pending_draws": 480_000,
            "variance": -180_000,
            "failed_and_not_seen": -240_000,
            "charges_changed": 60_000,
            "awaited": 240_000,
            "proposed_draws": "2026-11-10 2100.00; 2026-12-10 2100.00",
        },
    ),
}


@pytest.mark.parametrize("case", WORKED)
def test_the_family_worked_by_hand(case: str) -> None:
    """Balance, pending, variance, its causes and the proposal are those found by hand; causes not named are zero."""
    as_of, events, more_aid, more_charges, expected = WORKED[case]
    result = run(as_of, events, aid=[award("07-10", 300_000), *more_aid], charges=[charge("07-10", 1_500_000), *more_charges])
    row = {**result.students[0], **result.plans[0]}
    assert {k: row[k] for k in expected} == expected
    assert {k: row[k] for k in CAUSES if row[k]} == {k: v for k, v in expected.items() if k in CAUSES}
    assert row["unexplained"] == 0


# -- stops


def test_a_stop_code_sets_pending_lines_to_zero_until_the_family_consents_anew() -> None:
    """R02 stops the plan; a later consent ends the stop."""
    stopped = run("09-20", [event("08-11"), returned("09-14", code="R02")]).plans[0]
    assert stopped["proposed_draws"] == "2026-10-10 0.00; 2026-11-10 0.00; 2026-12-10 0.00"
    assert (stopped["to_collect"], stopped["notice_by"]) == (960_000, None)
    anew = [{**x, "consent_on": day("09-15")} for x in FIVE]
    assert run("09-20", [event("08-11"), returned("09-14", code="R02")], anew).plans[0]["proposed_draws"] == (
        "2026-10-10 3200.00; 2026-11-10 3200.00; 2026-12-10 3200.00"
    )


def test_pending_lines_of_a_stopped_plan_cover_nothing() -> None:
    """The plan's pending lines equal the bill, but the bill is short."""
    result = run("07-25", [returned("07-24", 100, code="R02")]).students[0]
    assert (result["gap"], result["coverage"]) == (0, "short")


def test_no_other_plan_goes_up_while_a_stopped_plan_has_uncleared_lines() -> None:
    """What the stopped plan does not draw is to be collected, not put on the second plan."""
    second = [line(i + 1, f"{10 + i}-10", 100_000, plan_id="P2", plan_total=200_000, enrolled_on=day("08-20")) for i in range(2)]
    stop = [event("08-11"), returned("09-14", code="R02")]
    row = run("09-20", stop, [*FIVE, *second], charges=[charge("07-10", 1_700_000)]).plans[0]
    assert row["proposed_draws"].endswith("2026-10-10 1000.00; 2026-11-10 0.00; 2026-11-10 1000.00; 2026-12-10 0.00")
    assert row["to_collect"] == 1_700_000 - 300_000 - 240_000 - 200_000


# -- the bill


def test_aid_counts_by_its_dates() -> None:
    """Anticipated until disbursed, lapsed after expected_on and grace, nothing once cancelled, work-study never, estimates never."""
    aid = [
        award("07-10", 100, disbursed_on=day("09-01")),
        award("07-10", 200, "anticipated", "loan", expected_on=day("08-01")),
        award("07-10", 400, "cancelled", "gift", cancelled_on=day("09-10")),
        award("07-10", 800, "anticipated", "work-study"),
        award("07-10", 1_600, "estimated", "guess"),
        award("07-10", 3_200, "cancelled", "undated"),
    ]

    def on(text: str) -> tuple[int, int]:
        row = run(text, [], aid=aid).students[0]
        return row["aid_disbursed"], row["aid_anticipated"]

    assert on("08-22") == (0, 100 + 200 + 400)
    assert on("08-23") == (0, 100 + 400)
    assert on("09-09") == (100, 400)
    assert on("09-10") == (100, 0)


def test_lapsed_aid_is_awaited_and_not_spread_over_the_draws() -> None:
    """A loan of 1,000 that stood at the baseline lapsed: the plan is short by it, and only that is waited for."""
    loan = award("07-12", 100_000, "anticipated", "loan", expected_on=day("08-01"))
    row = run("08-25", [event("08-11")], aid=[award("07-10", 300_000), loan], charges=[charge("07-10", 1_600_000)]).plans[0]
    assert (row["variance"], row["aid_changed"], row["awaited"], row["proposed_draws"]) == (-100_000, -100_000, 100_000, "")


def test_a_fee_counts_only_where_it_is_on_the_bill() -> None:
    """The pending fee is part of the plan's promise only if the bill has it; cleared it is an other credit."""
    lines = [line("F", "08-10", 4_500, kind="fee"), *FIVE]
    bill = [charge("07-10", 1_504_500)]
    billed = rules_with(fee_on_bill=True)
    assert run("07-25", [], lines).students[0]["pending_draws"] == 1_200_000
    pending = run("07-25", [], lines, rules=billed, charges=bill)
    assert (pending.students[0]["pending_draws"], pending.plans[0]["variance"]) == (1_204_500, 0)
    paid = run("08-20", [event("08-11", 4_500)], lines, rules=billed, charges=bill)
    assert (paid.students[0]["other_credits"], paid.plans[0]["unexplained"]) == (4_500, 0)


def test_a_refund_on_the_ledger_and_at_the_bank_is_the_same_money() -> None:
    """The draw is undone once; a refund that no bank event shows is a debit of its own."""
    refund = [event("08-11", reference="A"), event("08-14", outcome="refunded", original_reference="A")]
    row = run("08-20", refund, postings=[posting("08-12", "plan draw", 240_000), posting("08-15", "refund", -240_000)]).students[0]
    assert (row["other_credits"], row["balance_now"]) == (0, 1_200_000)
    lone = run("08-20", [], postings=[posting("08-15", "refund", -50_000)]).students[0]
    assert lone["other_credits"] == -50_000
    reversed_ = [posting("08-15", "plan draw", -240_000), posting("08-15", "refund", -240_000)]
    assert run("08-20", refund, postings=reversed_).students[0]["other_credits"] == -240_000


def test_a_draw_posted_as_a_payment_counts_once_even_after_it_came_back() -> None:
    """The payment of the next day is the draw; a payment after the posting lag is the family's own."""
    assert run("08-20", [event("08-11")], postings=[posting("08-12", "payment", 240_000)]).students[0]["other_credits"] == 0
    assert run("08-20", [event("08-11")], postings=[posting("08-14", "payment", 240_000)]).students[0]["other_credits"] == 240_000
    came_back = [event("08-11", reference="A"), returned("08-13", original_reference="A")]
    both = [posting("08-12", "payment", 240_000), posting("08-14", "payment", -240_000)]
    assert run("08-20", came_back, postings=both).students[0]["balance_now"] == 1_200_000


def test_a_fine_is_outside_the_plan_until_a_payment_of_exactly_its_amount_meets_it() -> None:
    """The fine is on the bill but not in what the plan must meet; met, it changes nothing; the payment reversed, it is open again."""
    bill = [charge("07-10", 1_500_000), charge("08-01", 2_500, "fine")]
    met = posting("08-05", "payment", 2_500)
    back = posting("08-09", "payment", -2_500)

    def both(*postings: Row) -> tuple[int, int]:
        result = run("08-15", [event("08-11")], charges=bill, postings=list(postings))
        return result.students[0]["gap"], result.plans[0]["variance"]

    assert both() == (2_500, 0)
    assert both(met) == (0, 0)
    assert both(met, back) == (2_500, 0)


def test_the_term_decides_when_a_bill_can_be_covered() -> None:
    """Before billed_on nothing is short; after it the words follow gap and balance."""
    assert run("07-14", [], [{**x, "enrolled_on": day("07-01")} for x in FIVE]).students[0]["coverage"] == "not billed"
    assert run("07-25", []).students[0]["coverage"] == "covered by pending"
    assert run("07-25", [], aid=[]).students[0]["coverage"] == "short"
    assert run("07-25", [], aid=[award("07-10", 1_500_000)]).students[0]["coverage"] == "over"
    assert run("07-25", [], [], charges=[charge("07-10", 300_050)]).students[0]["coverage"] == "paid"


# -- variance and proposals


def test_an_adjusted_plan_that_spread_a_failed_draw_anew_is_not_short_by_it() -> None:
    """Plan total 12,000 in lines of 14,400, one of them failed: rolled, and nothing is to change."""
    lines = [*FIVE, line(6, "12-20")]
    row = run("09-20", [event("08-11"), returned("09-14")], lines).plans[0]
    assert (row["failed"], row["failed_and_not_seen"], row["does_not_add_up"], row["variance"], row["again"]) == (240_000, 0, 0, 0, 0)


def test_a_finished_plan_that_another_followed_counts_with_its_active_lines() -> None:
    """Plan P1 stopped after one draw of 2,400 with the rest cancelled; P2 took over 9,600."""
    first = [FIVE[0], *({**x, "line_status": "cancelled", "cancelled_on": day("09-01")} for x in FIVE[1:])]
    then = [line(i + 1, f"{9 + i:02d}-10", plan_id="P2", plan_total=960_000, enrolled_on=day("09-01")) for i in range(4)]
    row = run("09-05", [event("08-11")], [*first, *then]).plans[0]
    assert (row["plan_total"], row["cancelled"], row["variance"], row["unexplained"]) == (1_200_000, 0, 0, 0)


@pytest.mark.parametrize(
    ("rule", "cents", "parts", "expected"),
    [("spare cents first", 10_000, 3, [3_334, 3_333, 3_333]), ("last absorbs", 123_457, 5, [24_691] * 4 + [24_693])],
)
def test_cents_are_shared_as_the_plan_system_shares_them(rule: str, cents: int, parts: int, expected: list[int]) -> None:
    """Both rules share every cent."""
    assert shared(cents, parts, rule) == expected


def test_a_line_that_cannot_give_its_share_becomes_zero_and_the_others_share_anew() -> None:
    """5,000 less on lines of 1,000, 2,400, 2,400: the first gives all it has, the others 2,000 each."""
    lines = [line(1, "10-10", 100_000), line(2, "11-10"), line(3, "12-10")]
    row = run("08-01", [], lines, charges=[charge("07-10", 380_000)]).plans[0]
    assert row["proposed_draws"] == "2026-10-10 0.00; 2026-11-10 400.00; 2026-12-10 400.00"


def test_no_line_grows_above_twice_the_largest_draw() -> None:
    """Lines of 1,000 and 2,400 short by 5,200: 2,600 each would make 5,000 of the second, 200 above its cap of 4,800."""
    lines = [line(1, "11-10", 100_000), line(2, "12-10")]
    row = run("08-01", [], lines, charges=[charge("07-10", 340_000 + 520_000 + 300_000)]).plans[0]
    assert (row["proposed_draws"], row["to_collect"]) == ("2026-11-10 3600.00; 2026-12-10 4800.00", 20_000)


def test_lines_nearer_than_the_notice_are_kept() -> None:
    """Ten days before its date a draw may still change, nine days before it may not."""
    more = [charge("07-10", 1_500_000), charge("08-20", 40_000)]
    assert run("08-31", [event("08-11")], charges=more).plans[0]["proposed_draws"].startswith("2026-09-10 2500.00")
    late = run("09-01", [event("08-11")], charges=more).plans[0]
    assert (late["kept"], late["proposed_draws"].split("; ")[0]) == (240_000, "2026-10-10 2533.34")
