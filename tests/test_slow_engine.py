"""The slow engine by cases worked by hand: days, whose line, the eight passes, the five rules of returns.

The engine is a second opinion: it must be right by itself before a difference to the package's own engine means anything.
"""

from __future__ import annotations

import random

import pytest
from slow_cases import BASE, FIVE, SEPTEMBER_BACK, TWO_CLEARED, day, event, line, passes, returned, rules_with, run, states
from slow_engine.book import line_number
from slow_engine.days import Days

# -- days


def test_a_line_on_a_saturday_before_a_holiday_is_expected_on_the_second_banking_day_after() -> None:
    """10 October 2026 is a Saturday and the Monday after it a bank holiday (Federal Reserve Board, K.8): 13th, then lag 1."""
    october = run("10-15", []).draws[2]
    assert october["expected_on"] == day("10-14")
    assert Days(()).add(day("10-14"), 5) == day("10-21")


def test_the_offices_closing_days_are_no_banking_days() -> None:
    """A closed Friday moves the next banking day past the weekend."""
    assert Days([day("11-27")]).next_open(day("11-27")) == day("11-30")
    assert Days(()).next_open(day("11-27")) == day("11-27")


def test_lines_sort_as_numbers_where_they_are_numbers() -> None:
    """Line 10 comes after line 9, and text after both."""
    assert sorted(["D", "10", "9", "01"], key=line_number) == ["01", "9", "10", "D"]


def test_october_is_in_transit_to_the_end_of_its_window_and_then_not_seen() -> None:
    """The window is open to the 21st, last day included; past the end of the bank files nothing is not seen."""
    assert states(run("10-21", TWO_CLEARED))[2] == "in transit"
    assert states(run("10-22", TWO_CLEARED))[2] == "not seen"
    assert states(run("10-22", TWO_CLEARED, bank_through=day("10-20")))[2] == "in transit"
    assert states(run("10-22", TWO_CLEARED, bank_through=None))[2] == "in transit"


# -- matching


def test_money_in_the_window_is_exact_and_after_it_late() -> None:
    """August's window ends on the 18th; late money counts to 25 days after the draw date, no longer."""
    assert passes(run("10-01", [event("08-18")])) == ["exact"]
    assert passes(run("10-01", [event("08-19")])) == ["late"]
    assert passes(run("10-01", [event("09-04")])) == ["late"]
    after = run("10-01", [event("09-05")])
    assert (passes(after), after.events[0]["without_a_line"]) == ([""], 240_000)


def test_money_shortly_before_the_draw_date_is_early_unless_an_older_line_takes_it() -> None:
    """On 7 September money is September's, three days early; two days earlier it fits nothing; weekly lines give it to the older one."""
    assert [d["match"] for d in run("10-01", [event("09-07")]).draws][:2] == ["", "early"]
    weekly = [line(1, "09-01"), line(2, "09-08")]
    assert [d["match"] for d in run("10-01", [event("09-07")], weekly).draws] == ["exact", ""]


def test_two_equal_events_go_to_the_lines_whose_windows_end_first() -> None:
    """Both weekly lines are paid, the older by the older event."""
    weekly = [line(2, "09-08"), line(10, "09-01")]
    result = run("10-01", [event("09-09", reference="B"), event("09-08", reference="A")], weekly)
    assert [(d["line"], d["references"]) for d in result.draws] == [("10", "A"), ("2", "B")]


def test_an_event_moves_on_when_kinds_would_leave_another_without_a_line() -> None:
    """The event without a kind takes the down payment by age, and gives it up to the event that can be nothing else."""
    lines = [line(1, "09-01", kind="down payment"), line(2, "09-02")]
    result = run("10-01", [event("09-02", reference="A"), event("09-03", reference="B", kind="down payment")], lines)
    assert [d["references"] for d in result.draws] == ["B", "A"]


@pytest.mark.parametrize("seed", range(30))
def test_within_a_pass_as_many_events_find_a_line_as_can(seed: int) -> None:
    """Equal lines of three kinds in overlapping windows: the number of pairs is that of networkx's maximum matching."""
    import networkx as nx  # type: ignore[import-untyped]

    rng = random.Random(seed)
    kinds = ["draw", "draw", "down payment", "fee"]
    lines = [line(i, f"09-{1 + rng.randint(0, 20):02d}", 100_000, kind=rng.choice(kinds)) for i in range(6)]
    bank = [event(f"09-{1 + rng.randint(0, 28):02d}", 100_000, kind=rng.choice([*kinds, "", ""])) for _ in range(7)]
    result = run("10-30", bank, lines, rules=rules_with(early_days=0, late_match_days=0))
    graph = nx.Graph()
    days = Days(BASE.calendar.closed)
    tops = [f"event {i}" for i in range(len(bank))]
    graph.add_nodes_from(tops)
    for i, e in enumerate(bank):
        for x in lines:
            window_end = days.add(days.add(days.next_open(x["draw_date"]), 1), 5)
            if x["draw_date"] <= e["settled_on"] <= window_end and e["kind"] in {"", x["kind"]}:
                graph.add_edge(f"event {i}", f"line {x['line']}")
    most = len(nx.bipartite.maximum_matching(graph, top_nodes=tops)) // 2
    assert passes(result).count("exact") == most


def test_a_named_line_takes_any_amount_until_it_is_full_and_the_rest_was_taken_twice() -> None:
    """1,000 and 1,500 fill 2,400 with 100 above; a third event is taken twice and matches no other line."""
    named = [event("08-11", 100_000, line="1"), event("08-12", 150_000, line="1"), event("08-13", 240_000, line="1")]
    result = run("10-01", named)
    assert result.draws[0]["cleared"] == 250_000
    assert (result.events[2]["without_a_line"], result.events[2]["reason"]) == (240_000, "draw taken twice")
    assert result.plans[0]["above_schedule"] == 10_000


def test_the_reference_of_a_line_names_it_and_a_line_that_does_not_exist_names_nothing() -> None:
    """A reference equal to one line's is a name; line 9 of a five-line plan is not."""
    lines = [{**x, "reference": f"L{x['line']}"} for x in FIVE]
    assert passes(run("10-01", [event("08-11", 100, reference="L1"), event("08-12", line="9")], lines)) == ["named", ""]
    assert passes(run("10-01", [event("08-12", line="9")], lines)) == ["exact"]


CARD = [line(1, "08-10", 100_000, method="card"), line(2, "09-10", 100_000, method="card")]


def test_a_card_draw_with_its_fee_leaves_the_fee_in_its_own_bucket() -> None:
    """2.50 percent of 1,000.00 is 25.00; a return of the line's amount alone leaves the fee and a failed line."""
    taken = event("08-12", 102_500, reference="A")
    result = run("10-01", [taken], CARD)
    assert (passes(result), result.events[0]["on_line"], result.events[0]["card_fee"]) == (["with card fee"], 100_000, 2_500)
    back = run("10-01", [taken, returned("08-20", 100_000, "chargeback", original_reference="A")], CARD)
    assert (back.events[0]["on_line"], back.events[0]["card_fee"], back.events[0]["undone"]) == (0, 2_500, 100_000)
    assert (states(back)[0], back.draws[0]["attempts"]) == ("failed", 1)


def test_one_event_pays_neighbouring_lines_and_several_events_pay_one_line() -> None:
    """4,800 in the middle of two weekly lines pays both; 1,000 and 1,400 pay one."""
    weekly = [line(1, "09-01"), line(2, "09-08")]
    assert [d["match"] for d in run("10-01", [event("09-08", 480_000)], weekly).draws] == ["grouped", "grouped"]
    parts = run("10-01", [event("08-11", 100_000), event("08-12", 140_000)])
    assert (parts.draws[0]["match"], parts.draws[0]["attempts"]) == ("grouped", 2)


def test_two_ways_to_group_are_a_result_and_not_a_choice() -> None:
    """Three events of 1,200 could pay 2,400 in three ways: none is taken, their money is undecided, and nobody is proposed anything."""
    result = run("08-20", [event("08-11", 120_000, reference=name) for name in "ABC"])
    assert [e["undecided"] for e in result.events] == [120_000] * 3
    assert result.plans[0]["without_a_line"] == 360_000
    assert (result.plans[0]["proposed_draws"], result.plans[0]["kept"]) == ("", 0)


def test_an_amount_near_the_lines_is_taken_only_without_a_rival() -> None:
    """2,200 is within ten percent of 2,400, 2,100 is not; two such events leave the line alone."""
    assert passes(run("10-01", [event("08-11", 220_000)])) == ["near"]
    assert passes(run("10-01", [event("08-11", 210_000)])) == [""]
    assert passes(run("10-01", [event("08-11", 220_000), event("08-12", 230_000)])) == ["", ""]
    assert states(run("10-01", [event("08-11", 220_000)]))[0] == "part cleared"


def test_money_on_a_cancelled_line_counts_as_money_without_a_line() -> None:
    """The cancelled August line took its draw all the same."""
    lines = [{**FIVE[0], "line_status": "cancelled", "cancelled_on": day("08-05")}, *FIVE[1:]]
    result = run("08-20", [event("08-11")], lines)
    assert (passes(result), states(result)[0], result.plans[0]["without_a_line"]) == (["cancelled lines"], "cleared", 240_000)
    assert (result.plans[0]["cancelled"], result.plans[0]["does_not_add_up"], result.plans[0]["unexplained"]) == (-240_000, 0, 0)


def test_a_line_cancelled_after_the_as_of_day_is_still_active() -> None:
    """A past as-of date is historical for dated facts."""
    lines = [{**FIVE[0], "line_status": "cancelled", "cancelled_on": day("09-05")}, *FIVE[1:]]
    assert states(run("08-20", [], lines))[0] == "not seen"


def test_the_plan_decides_and_strangers_count_nowhere() -> None:
    """A known plan beats a contradicting student; a student alone stands for all plans; unknown names go to their own bucket."""
    result = run("10-01", [event("08-11", student_id="0002"), event("09-11", plan_id=""), event("09-11", plan_id="X", student_id="Y")])
    assert states(result)[:2] == ["cleared", "cleared"]
    assert (result.events[2]["unknown"], result.students[0]["draws_cleared"]) == (240_000, 480_000)


def test_a_payment_fits_no_line_and_counts_through_postings() -> None:
    """It is an other credit only where there is no ledger."""
    pay = [event("08-11", kind="payment")]
    assert run("08-20", pay).students[0]["other_credits"] == 0
    assert run("08-20", pay, ledger=False).students[0]["other_credits"] == 240_000


# -- the five rules by which money comes back


def test_rule_1_undoes_what_the_return_names_in_part_and_whatever_the_date() -> None:
    """400 of 2,400 come back three months later; of 3,000 returned only 2,400 are there to undo."""
    part = run("12-20", [event("08-11", reference="A"), returned("12-01", 40_000, original_reference="A")])
    assert (part.draws[0]["cleared"], part.draws[0]["state"], part.events[1]["rule"]) == (200_000, "part cleared", 1)
    more = run("12-20", [event("08-11", reference="A"), returned("08-13", 300_000, original_reference="A")])
    assert (more.events[1]["undid"], more.events[1]["undid_nothing"], states(more)[0]) == (240_000, 60_000, "failed")


def test_rule_2_makes_a_declined_draw_the_failed_attempt_of_its_line() -> None:
    """Nothing cleared in August's window: the return undoes nothing, and later money pays the line anew."""
    result = run("10-01", [returned("08-12"), event("08-14")])
    assert (result.events[0]["rule"], result.draws[0]["state"], result.draws[0]["attempts"]) == (2, "cleared", 2)
    assert states(run("10-01", [returned("08-12")]))[0] == "failed"


def test_rule_3_undoes_the_latest_event_within_the_codes_time_frame() -> None:
    """R01 has two banking days and four calendar days more: to the 17th for money of the 11th; then it is a return without a draw."""
    assert run("10-01", [event("08-11"), returned("08-17")]).events[1]["rule"] == 3
    late = run("10-01", [event("08-11"), returned("08-18")])
    assert (late.events[1]["rule"], late.events[1]["reason"], states(late)[0]) == (5, "return without a draw", "cleared")


def test_rule_3_needs_bank_files_that_show_the_clearing_first() -> None:
    """With cleared_then_returned off, an unnamed R01 undoes nothing; a 60-day code and a refund still do."""
    off = rules_with(cleared_then_returned=False)
    assert run("10-01", [event("08-11"), returned("08-13")], rules=off).events[1]["rule"] == 5
    assert run("10-01", [event("08-11"), returned("08-13", code="R10")], rules=off).events[1]["rule"] == 3
    assert run("10-01", [event("08-11"), event("08-13", outcome="refunded")], rules=off).events[1]["rule"] == 3


def test_a_60_day_code_looks_for_its_draw_before_the_open_line() -> None:
    """An R10 in September's empty window takes August's money back; an R01 there is September's failed attempt."""
    unauthorized = run("10-01", [event("08-11"), returned("09-11", code="R10")])
    assert (unauthorized.events[1]["rule"], states(unauthorized)[:2]) == (3, ["failed", "not seen"])
    funds = run("10-01", [event("08-11"), returned("09-11")])
    assert (funds.events[1]["rule"], states(funds)[:2]) == (2, ["cleared", "failed"])


def test_rule_4_hangs_a_late_decline_on_its_line_unless_the_line_has_its_money() -> None:
    """1 September is after August's window and within 25 days of the draw date."""
    assert run("10-01", [returned("09-01")]).events[0]["rule"] == 4
    assert run("10-01", [event("08-11"), returned("09-01")]).events[1]["rule"] == 5


def test_a_name_that_fits_nothing_never_takes_other_money_unless_the_office_refunds() -> None:
    """The unknown name leaves a return to rules 2, 4, 5, and a refund to 3 and 5."""
    assert run("10-01", [event("08-11"), returned("08-13", original_reference="ZZ")]).events[1]["rule"] == 5
    assert run("10-01", [event("08-11"), event("08-13", outcome="refunded", original_reference="ZZ")]).events[1]["rule"] == 3


def test_a_dispute_between_banks_changes_no_money_and_stops_proposals() -> None:
    """R61 is told, the return stands, nothing is proposed and nothing presented again."""
    result = run("10-15", [*TWO_CLEARED, SEPTEMBER_BACK, returned("09-18", code="R61", original_reference="SEP")])
    assert (result.events[3]["rule"], result.events[3]["undid"], result.plans[0]["again"]) == (0, 0, 0)


def test_a_line_that_the_office_refunded_whole_is_cancelled_and_no_attempt_of_it_failed() -> None:
    """The refund takes all the money; the cause is uncleared, and causes still add up."""
    result = run("08-20", [event("08-11", reference="A"), event("08-14", outcome="refunded", original_reference="A")])
    assert (states(result)[0], result.draws[0]["attempts"], result.plans[0]["uncleared"]) == ("cancelled", 1, -240_000)
    assert result.plans[0]["unexplained"] == 0


def test_a_failed_draw_presented_again_long_after_still_pays_its_line() -> None:
    """R01 allows 180 days from the first settlement: money of 6 October, which fits no other line, is August's; after an R02 it is not."""
    again = [event("08-11", reference="A"), event("10-06"), returned("08-13", original_reference="A")]
    assert passes(run("10-08", again))[:2] == ["exact", "late"]
    assert passes(run("10-08", [*again[:2], returned("08-13", code="R02", original_reference="A")]))[:2] == ["exact", ""]


def test_presented_too_often_or_too_late_is_not_presented_again() -> None:
    """After two more tries R01 allows none; the money stays to be drawn otherwise."""
    tries = [returned("08-12"), returned("08-14"), returned("08-17")]
    assert run("08-25", tries[:2]).plans[0]["again"] == 240_000
    assert run("08-25", tries).plans[0]["again"] == 0
