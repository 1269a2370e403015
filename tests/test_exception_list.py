"""The list as a whole: one cause once, the most harmful first, severities of the day, and the planted cases of the sample."""

from __future__ import annotations

import csv
import random
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest
from build import exports_of
from cases_exceptions.plan import DRAW, Rows, award, back, charge, event, line, plan_lines, posting, rows_of, story
from worlds import random_world

from reconcile import told
from reconcile.common_causes import run_lines
from reconcile.dispositions import Note
from reconcile.exception_facts import Fact
from reconcile.exception_kinds import GROUPS
from reconcile.exception_rows import SEVERITIES
from reconcile.exports import read_exports
from reconcile.policy import Rules, load_rules
from reconcile.run import reconcile_exports
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.standing import PreviousList

if TYPE_CHECKING:
    from reconcile.run import Result

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_exports"
FIRST_ORDINARY = "00130000"
DAYS = ("2026-09-22", "2026-10-22", "2026-11-20")


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


def run(rows: Rows, rules: Rules, as_of: str, **options: Any) -> Result:
    """A run over a story's rows, its bank files speaking of the whole time up to the as-of day."""
    day = date.fromisoformat(as_of)
    options = {"bank_from": date(2026, 7, 1), "bank_through": day} | options
    return reconcile_exports(exports_of(rows, **options), rules, day)


def listed(rows: Rows, rules: Rules, as_of: str, **options: Any) -> pd.DataFrame:
    return run(rows, rules, as_of, **options).tables["exceptions"]


def for_student(rows: Rows, student: str) -> Rows:
    """The rows of a story for another student and plan."""
    return {
        name: [
            row
            | ({"student_id": student} if "student_id" in row else {})
            | ({"plan_id": f"P{student}"} if "plan_id" in row else {})
            | ({"reference": f"{student}-{row['reference']}"} if row.get("reference") else {})
            for row in table
        ]
        for name, table in rows.items()
    }


def together(*stories: Rows) -> Rows:
    return {name: [row for one in stories for row in one[name]] for name in stories[0]}


# -- by when


@pytest.mark.parametrize(
    ("as_of", "days", "act_by"),
    [
        ("2026-10-09", 1, "2026-10-09"),
        ("2026-10-08", 2, "2026-10-08"),
        ("2026-10-08", 5, "2026-10-13"),
        ("2026-10-08", 4, "2026-10-09"),
        ("2026-10-10", 0, "2026-10-10"),
    ],
    ids=["a Saturday", "an office closed on Friday and Saturday", "a Tuesday", "Columbus Day", "first seen on a Saturday"],
)
def test_the_day_to_act_is_a_banking_day_and_never_later_than_the_rules_say(as_of: str, days: int, act_by: str, rules: Rules) -> None:
    """10 October 2026 is a Saturday, the 12th a bank holiday (Federal Reserve Board, K.8): it is the banking day before."""
    kinds = {kind: rule.model_copy(update={"act_by_days": days}) for kind, rule in rules.exceptions.kinds.items()}
    closed = (date(2026, 10, 9),) if as_of == "2026-10-08" and days == 2 else ()
    own = replace(
        rules,
        exceptions=rules.exceptions.model_copy(update={"kinds": kinds}),
        calendar=rules.calendar.model_copy(update={"closed": closed}),
    )
    table = listed(story(cleared_draws=[back("2026-09-14", "X")]), own, as_of)
    (row,) = rows_of(table[table["kind"] == "failed draw"])
    assert str(row.act_by.date()) == act_by
    assert row.action.endswith(f"Act by {act_by}.")


# -- one cause, one exception


def test_a_stop_is_told_while_the_draw_can_still_be_stopped(rules: Rules) -> None:
    """The draw of Thursday 10 December is stopped on Wednesday at the latest, whatever days the rules give its kind."""
    over = listed(story(first=4, aid=[award(900_00, "2026-12-01")]), rules, "2026-12-09").set_index("kind")
    assert "Either stop it whole" in over["action"]["plan exceeds bill"]
    assert str(over["act_by"]["plan exceeds bill"])[:10] == "2026-12-09"
    halted = listed(story(first=3, cleared_draws=[back("2026-11-13", "X", "R02")]), rules, "2026-12-09").set_index("kind")
    assert "Take no draw on 2026-12-10" in halted["action"]["failed draw"]
    assert str(halted["act_by"]["failed draw"])[:10] == "2026-12-09"


def test_a_second_plan_is_cancelled_before_its_next_draw_is_taken(rules: Rules) -> None:
    """Its next draw is taken on Friday 9 October: the family is asked on Thursday, though the rules give its kind two days."""
    second = [line(1, "2026-10-09", 500_00, plan="P2", plan_total=500_00, enrolled_on="2026-08-01")]
    rows = story([*plan_lines(), *second], charges=[charge(500_00, "2026-08-01")], cleared_draws=[back("2026-09-14", "X")])
    found = listed(rows, rules, "2026-10-08").set_index("kind")
    assert "Cancel the other before its next draw." in found["action"]["second plan"]
    assert str(found["act_by"]["second plan"])[:10] == "2026-10-08"


def test_a_variance_tells_only_what_nothing_else_tells(rules: Rules) -> None:
    """A failed draw and a scholarship larger than it: the failed draw by itself, the plan over by what is left of the scholarship."""
    table = listed(story(cleared_draws=[back("2026-09-14", "X")], aid=[award(3_000_00, "2026-09-20")]), rules, "2026-10-05")
    told = {row.kind: row.amount for row in rows_of(table)}
    assert told["failed draw"] == DRAW
    assert told["plan exceeds bill"] == 600_00
    assert "plan over by 600.00" in table.set_index("kind")["what"]["plan exceeds bill"]


@pytest.mark.parametrize(("day", "kinds"), [("2026-09-16", {"posted twice"}), ("2026-10-13", set())])
def test_a_posting_is_ahead_of_the_bank_only_for_a_draw_it_could_be(rules: Rules, day: str, kinds: set[str]) -> None:
    """October's draw is in transit on the 13th: a posting of that day may be it; one of mid-September can only be September's again."""
    table = listed(story(postings=[posting(day)]), rules, "2026-10-13")
    assert set(table["kind"]) == kinds


@pytest.mark.parametrize(("outcome", "told"), [("refunded", False), ("returned", True)])
def test_a_draw_that_the_office_gave_back_was_no_failed_try(rules: Rules, outcome: str, told: bool) -> None:
    """Back twice, the third taken off again, the fourth paid: too often only if the bank, not the office, took the third (R01: two)."""
    tries = [event("2026-09-18", "T2"), event("2026-09-25", "T3"), event("2026-10-01", "T4")]
    code = "R01" if outcome == "returned" else ""
    backs = [back("2026-09-15", "X1", original_reference="D2"), back("2026-09-22", "X2", original_reference="T2")]
    third = event("2026-09-28", "X3", outcome=outcome, original_reference="T3", return_code=code)
    table = listed(story(cleared_draws=[*tries, *backs, third]), rules, "2026-10-05")
    assert ("presented too often" in set(table["kind"])) == told


def test_a_plan_over_its_bill_absorbs_a_second_plan(rules: Rules) -> None:
    """Two plans for one bill: the plan exceeds the bill, and the second plan stands in its sentence."""
    second = [line(at, f"2026-{month:02d}-10", 600_00, plan="P2", plan_total=3_000_00) for at, month in enumerate(range(8, 13), 1)]
    table = listed(story([*plan_lines(), *second], first=0), rules, "2026-08-01")
    assert set(table["kind"]) == {"plan exceeds bill"}
    assert table["what"][0].endswith("; a second plan, P2, has draws still to come.")


def test_lines_that_do_not_add_up_stand_in_the_sentence_of_the_variance(rules: Rules) -> None:
    """Lines of 600.00 too much put the plan over by 600.00: one exception, which names the cause."""
    table = listed(story(plan_lines(line_5={"amount": DRAW + 600_00})), rules, "2026-10-05")
    assert list(table["kind"]) == ["plan exceeds bill"]
    assert "its lines come to 600.00 more than its plan total" in table["what"][0]


def test_no_variance_before_the_bills_are_out(rules: Rules) -> None:
    """A plan begun before its term is billed is not held against a bill."""
    table = listed(story(first=0, charges=[charge(9_000_00, "2026-07-01")]), rules, "2026-07-14")
    assert table.empty


def test_a_probable_payment_is_named(rules: Rules) -> None:
    """A payment of exactly the failed draw's amount, after its draw date, is named with its day, and nothing is to be drawn blindly."""
    rows = story(cleared_draws=[back("2026-09-14", "X")], postings=[posting("2026-09-15", -DRAW), posting("2026-10-01", kind="payment")])
    row = rows_of(listed(rows, rules, "2026-10-05"))[0]
    assert row.kind == "failed draw"
    assert "a payment of 2,400.00 posted on 2026-10-01 probably paid it outside the plan" in row.what
    assert "Ask the family whether the payment of 2,400.00 on 2026-10-01 was for this draw" in row.action
    assert "Do not present it again" in row.action
    assert row.evidence.endswith("postings.csv::5")


@pytest.mark.parametrize("payment", [posting("2026-10-01", DRAW - 1, "payment"), posting("2026-09-09", kind="payment")])
def test_another_payment_is_not_named(payment: dict[str, Any], rules: Rules) -> None:
    """A payment of another amount, or from before the draw date, is no probable payment of the draw."""
    rows = story(cleared_draws=[back("2026-09-14", "X")], postings=[payment])
    assert not listed(rows, rules, "2026-10-05")["what"].str.contains("probably").any()


def test_a_payment_that_never_reached_the_ledger_is_told_and_named(rules: Rules) -> None:
    """The bank cleared a payment of exactly the failed draw's amount and nobody posted it: it is to be posted, and the draw names it."""
    paid = event("2026-10-01", "PAY", kind="payment")
    rows = story(cleared_draws=[back("2026-09-14", "X"), paid], postings=[posting("2026-09-15", -DRAW)])
    told = {row.kind: row for row in rows_of(listed(rows, rules, "2026-10-06"))}
    assert told.keys() == {"failed draw", "cleared not posted"}
    assert "a payment of 2,400.00 that the bank cleared on 2026-10-01 probably paid it outside the plan" in told["failed draw"].what
    assert "Ask the family whether the payment of 2,400.00 on 2026-10-01 was for this draw" in told["failed draw"].action
    unposted = told["cleared not posted"]
    assert "a payment of 2,400.00 cleared on 2026-10-01 and none of it stands on the student's ledger" in unposted.what
    assert unposted.action.startswith("Post the payment on the student's ledger: it is no draw of the plan.")


@pytest.mark.parametrize(
    ("posted", "as_of", "told"),
    [
        ([posting("2026-10-02", kind="payment")], "2026-10-06", False),
        ([posting("2026-10-02", kind="payment"), posting("2026-10-03", -DRAW, "payment")], "2026-10-06", True),
        ([posting("2026-10-02", DRAW - 1, "payment")], "2026-10-06", True),
        ([], "2026-10-02", False),
    ],
    ids=["posted", "posted and taken off", "another amount", "still in its posting lag"],
)
def test_a_payment_is_unposted_only_where_no_posting_of_it_stands(
    posted: list[dict[str, Any]], as_of: str, told: bool, rules: Rules
) -> None:
    """A standing posting of its amount explains a payment at the bank; without one it is told once the posting lag is over."""
    paid = event("2026-10-01", "PAY", kind="payment")
    table = listed(story(cleared_draws=[paid], postings=posted), rules, as_of)
    assert ("cleared not posted" in set(table["kind"])) == told


def test_two_exceptions_of_one_student_do_not_contradict_each_other(rules: Rules) -> None:
    """A draw too much, while October's may still come: neither exception says that no draw changes while the other proposes a change."""
    table = listed(story(cleared_draws=[event("2026-10-14", "E3", line="2")]), rules, "2026-10-26")
    actions = dict(zip(table["kind"], table["action"], strict=True))
    assert set(actions) >= {"draw not on the schedule", "no draw seen"}
    for kind in ("draw not on the schedule", "no draw seen"):
        assert "Proposed: draw 1,200.00 instead of 2,400.00 on 2026-11-10 and 2026-12-10" in actions[kind]
        assert "change no draw" not in actions[kind]
    assert "Plan and bill agree today with this money counted" in actions["draw not on the schedule"]


@pytest.mark.parametrize(("authorized", "told"), [("2026-07-20", True), ("2026-09-15", True), ("2026-09-18", False), ("2026-10-01", True)])
def test_a_draw_after_a_new_authorization_presents_nothing_again(authorized: str, told: bool, rules: Rules) -> None:
    """September's draw came back on the 15th and cleared on the 25th: a first try if the account was authorized anew in between."""
    lines = plan_lines(line_5={"consent_on": authorized})
    again = [back("2026-09-15", "X", "R17"), event("2026-09-25", "T2", line="2")]
    table = listed(story(lines, cleared_draws=again), rules, "2026-10-05")
    assert ("presented too often" in set(table["kind"])) == told


@pytest.mark.parametrize(("authorized", "told"), [("2026-07-20", True), ("2026-09-18", False)])
def test_a_stop_ends_with_the_authorization_that_any_line_of_the_plan_shows(authorized: str, told: bool, rules: Rules) -> None:
    """R10 on 15 September: the draw of the 25th is told unless an account was authorized anew, though only the last line says so."""
    lines = plan_lines(line_5={"consent_on": authorized})
    again = [back("2026-09-15", "X", "R10"), event("2026-09-25", "T2", line="2")]
    table = listed(story(lines, cleared_draws=again), rules, "2026-10-05")
    assert ("drawn after a stop" in set(table["kind"])) == told
    assert "presented too often" not in set(table["kind"])


def test_the_day_of_a_new_authorization_is_the_latest_of_the_plan(rules: Rules) -> None:
    """Only the last line has consent_on: the failed draw says that day, not the day of enrollment."""
    lines = plan_lines(line_5={"consent_on": "2026-09-18"})
    table = listed(story(lines, cleared_draws=[back("2026-09-15", "X", "R02")]), rules, "2026-10-05")
    (action,) = table.loc[table["kind"] == "failed draw", "action"]
    assert "An account was authorized anew on 2026-09-18." in action


def test_a_return_that_names_a_draw_of_another_student_is_told_at_both(rules: Rules) -> None:
    """S1's return names S2's September draw: both read so without the other's number, which stands in the evidence; no figure changes."""
    stray = back("2026-09-16", "X", "R01", 77_00, original_reference="S2-D2")
    one, two = story(cleared_draws=[stray]), for_student(story(), "S2")
    told = {row.student_id: row for row in rows_of(listed(together(one, two), rules, "2026-10-05"))}
    assert {row.kind for row in told.values()} == {"return without a draw"}
    assert "and names a draw of another student, so it undoes nothing" in told["S1"].what
    assert "S2" not in told["S1"].what + told["S1"].action
    assert "names this draw, which cleared on 2026-09-11, though the bank's row is of another student" in told["S2"].what
    assert "if it is this draw that came back, the bill is 77.00 short" in told["S2"].what
    assert "S1" not in told["S2"].what + told["S2"].action
    assert sorted(told["S1"].evidence.split("; ")) == sorted(told["S2"].evidence.split("; "))
    assert set(run(together(one, two), rules, "2026-10-05").tables["plans"]["variance"]) == {0}


@pytest.mark.parametrize(
    ("name", "words"), [("Y", "names a return of this student, and no draw"), ("S2-D9", "names the draw S2-D9, which nobody knows")]
)
def test_a_return_that_names_no_draw_says_what_it_names(name: str, words: str, rules: Rules) -> None:
    """A name that is a return's is told as such; one that no file knows is told as unknown."""
    strays = [back("2026-09-16", "X", "R01", 77_00, original_reference=name), back("2026-09-15", "Y", "R01", 55_00)]
    table = listed(story(cleared_draws=strays), rules, "2026-10-05")
    assert table["what"].str.contains(words, regex=False).sum() == 1


def test_rejected_rows_hold_a_proposal_back(rules: Rules) -> None:
    """A student named in a rejected row gets no proposed draws, and the exception says so."""
    rows = story(aid=[award(900_00, "2026-09-20")])
    table = listed(rows, rules, "2026-10-05", blocked=frozenset({("student", "S1")}))
    assert "was rejected (rejected_rows.csv): no draw is proposed" in table["action"][0]
    assert "Proposed" not in table["action"][0]


# -- next steps that fit the case


TWICE = [event("2026-09-14", "X")]


def _action(table: pd.DataFrame, kind: str) -> str:
    return str(table.set_index("kind")["action"][kind])


@pytest.mark.parametrize(
    ("rows", "as_of", "kind", "said", "unsaid"),
    [
        (story(cleared_draws=TWICE), "2026-10-20", "draw taken twice", "Give 2,400.00 back, or let the remaining draws shrink", "Either"),
        (
            story(cleared_draws=TWICE, postings=[posting("2026-09-16", -DRAW, "refund")]),
            "2026-10-05",
            "draw taken twice",
            "give nothing more back and change no draw for it",
            "shrink",
        ),
        (
            story(first=4, aid=[award(900_00, "2026-12-01")]),
            "2026-12-03",
            "plan exceeds bill",
            "Either stop it whole and collect 1,500.00, or let it be taken and give 900.00 back once it has cleared",
            "Lower or stop",
        ),
        (
            story(first=4, aid=[award(900_00, "2026-12-01")]),
            "2026-12-11",
            "plan exceeds bill",
            "is in transit and cannot be stopped: give 900.00 back once it has cleared",
            "top it",
        ),
        (
            story(cleared_draws=[event("2026-10-14", "X"), back("2026-10-19", "X2", "R06", 700_00, original_reference="X")]),
            "2026-10-22",
            "draw for less",
            "Only if a person decides that the rest is still to be drawn: draw",
            "Proposed",
        ),
        (
            story(cleared_draws=[back("2026-09-14", "X", "R99")]),
            "2026-10-05",
            "failed draw",
            "Ask the bank what the code means first. Only if the account may be drawn again: draw",
            "Proposed",
        ),
        (
            story(plan_lines(line_2={"schedule_says": "posted"}), first=1),
            "2026-10-20",
            "no draw seen",
            "Find out first whether the money was taken. Only if it was not: draw",
            "Proposed",
        ),
        (
            story(plan_lines(every={"plan_total": 12_100_00})),
            "2026-10-05",
            "schedule does not add up",
            "the plan's total is 100.00 too high: correct the total; do not change a draw",
            "Correct the plan's total or its draws",
        ),
    ],
)
def test_the_next_step_follows_from_plan_and_bill(rows: Rows, as_of: str, kind: str, said: str, unsaid: str, rules: Rules) -> None:
    """One remedy, named once; none where plan and bill agree; what must be asked first stands before the proposal."""
    action = _action(listed(rows, rules, as_of), kind)
    assert said in action
    assert unsaid not in action
    assert action.count("one or the other") <= 1


def test_a_part_that_came_back_is_told_with_its_code(rules: Rules) -> None:
    """What was drawn, what came back, on which day and by which code, and what is in hand."""
    rows = story(cleared_draws=[event("2026-10-14", "X"), back("2026-10-19", "X2", "R06", 700_00, original_reference="X")])
    what = str(listed(rows, rules, "2026-10-22").set_index("kind")["what"]["draw for less"])
    assert "took 2,400.00; 700.00 of it came back on 2026-10-19 (R06, " in what
    assert "so 1,700.00 of it is in hand" in what


@pytest.mark.parametrize(("day", "happened", "words"), [("2026-09-20", "2026-09-20", "on 2026-09-20"), ("", "NaT", "with no date in")])
def test_a_cancelled_line_gives_the_day(day: str, happened: str, words: str, rules: Rules) -> None:
    """A plan below its bill by a cancelled line happened on the day of the cancellation; without one no day is made up."""
    ended = {"line_status": "cancelled"} | ({"cancelled_on": day} if day else {})
    row = rows_of(listed(story(plan_lines(line_5=ended)), rules, "2026-10-05"))[0]
    assert (row.kind, str(row.happened_on)[:10]) == ("plan below bill", happened)
    assert f"were cancelled (line 5 {words}" in row.what
    assert row.evidence.startswith("plan_schedules.csv::6")


def test_what_was_said_to_be_fixed_and_is_still_found(rules: Rules) -> None:
    """It stays closed, and says that the exports still show it."""
    exports, day = exports_of(story(cleared_draws=TWICE)), date(2026, 10, 5)
    first = reconcile_exports(exports, rules, day).tables["exceptions"]
    note = Note(str(first["exception_id"][0]), "fixed", "", "Ada", day)
    again = reconcile_exports(exports, rules, day, previous=PreviousList(first), notes=(note,)).tables["exceptions"]
    assert list(again["standing"]) == ["closed"]
    assert again["action"][0].startswith("Said to be fixed by Ada on 2026-10-05, yet the exports still show it")


# -- severity and order


@pytest.mark.parametrize(
    ("as_of", "has_postings", "severity"),
    [("2026-08-10", True, "information"), ("2026-08-14", True, "act"), ("2026-08-14", False, "information")],
)
def test_short_is_information_before_the_bill_is_due_and_without_postings(
    as_of: str, has_postings: bool, severity: str, rules: Rules
) -> None:
    """Before bill_due (14 August) a plan below its bill is for the record; so it stays where payments cannot be seen."""
    rows = story(first=0, charges=[charge(500_00, "2026-07-25")])
    if not has_postings:
        del rows["postings"]
    assert list(listed(rows, rules, as_of)["severity"]) == [severity]


def test_urgent_first_then_groups_in_order_of_harm_and_a_soon_draw_leads(rules: Rules) -> None:
    """The plan over its bill whose draw comes within soon_days is first; then by severity, group of harm and amount."""
    over = story(aid=[award(100_00, "2026-09-20")])
    odd = story(cleared_draws=[event("2026-09-20", "X", 900_00)])
    failed = story(cleared_draws=[back("2026-09-14", "X")])
    timing = story(first=1, cleared_draws=[event("2026-09-25", "X")])
    rows = together(*(for_student(one, f"S{at}") for at, one in enumerate((timing, failed, odd, over))))
    table = listed(rows, rules, "2026-10-05")
    assert table["kind"][0] == "plan exceeds bill"
    groups = [next(at for at, kinds in enumerate(GROUPS.values()) if kind in kinds) for kind in table["kind"]]
    order = list(zip(map(SEVERITIES.index, table["severity"]), groups, strict=True))
    assert order == sorted(order)
    assert list(table["kind"][:2]) == ["plan exceeds bill", "draw not on the schedule"]
    later = listed(rows, rules, "2026-10-01")
    assert list(later["kind"][:2]) == ["draw not on the schedule", "plan exceeds bill"]


def _fee_for_all(students: int, hit: int) -> Rows:
    """Plans in order, of which so many got a fee of 120.00 after they were set."""
    plain, short = story(first=1), story(first=1, charges=[charge(120_00, "2026-08-20")])
    return together(*(for_student(short if at < hit else plain, f"S{at:03d}") for at in range(students)))


def test_a_common_cause_leads_its_rows(rules: Rules) -> None:
    """Fifty plans short by the same 120.00: one line first, the fifty under it; forty-nine, or one in a hundred, are told singly."""
    table = listed(_fee_for_all(60, 50), rules, "2026-09-05")
    assert len(table) == 51
    lead = table.iloc[0]
    assert (lead["student_id"], lead["plan_id"], lead["amount"], lead["kind"]) == ("", "", -120_00, "plan below bill")
    assert lead["what"].startswith("50 of 60 plans (83 percent) have the same exception in term 2026-FA: plan below bill of -120.00 each")
    assert set(table["student_id"][1:]) == {f"S{at:03d}" for at in range(50)}
    assert len(listed(_fee_for_all(60, 49), rules, "2026-09-05")) == 49


def test_two_percent_are_not_yet_a_common_cause(rules: Rules) -> None:
    """Fifty of 2,500 plans are two percent, not more: no line; of 2,499 they are; with two amounts or terms there is none."""
    day = date(2026, 10, 15)
    facts = [Fact("failed draw", "T", f"S{at}", f"P{at}", "1", 5, 20_000, "x.") for at in range(50)]

    def causes(facts: list[Fact], plans: int) -> int:
        return len(run_lines(told.rows_of(facts, rules, day, told.memory_of(None, (), rules, day)), plans))

    assert causes(facts, 2_500) == 0
    assert causes(facts, 2_499) == 1
    assert causes([fact._replace(amount=at % 2) for at, fact in enumerate(facts)], 100) == 0
    assert causes([fact._replace(term=str(at % 2)) for at, fact in enumerate(facts)], 100) == 0
    assert causes([fact._replace(student_id="S1", plan_id="P1", line=str(at)) for at, fact in enumerate(facts)], 100) == 0
    assert causes([fact._replace(student_id="") for fact in facts], 100) == 0


def test_a_letter_does_not_hang_on_a_common_cause(rules: Rules) -> None:
    """Whether fifty families have the same exception or forty-nine, each of them is written the same letter, in the same order."""
    plain, over = story(first=1), story(first=1, charges=[charge(-120_00, "2026-08-20")])
    offices = [together(*(for_student(over if at < hit else plain, f"S{at:03d}") for at in range(60))) for hit in (50, 49)]
    led, single = (run(rows, rules, "2026-09-05").tables for rows in offices)
    assert (len(led["exceptions"]), len(single["exceptions"])) == (51, 49)
    letters = led["outreach"][led["outreach"]["student_id"] != "S049"].reset_index(drop=True)
    assert len(letters) == 49
    pd.testing.assert_frame_equal(letters, single["outreach"])


# -- properties


@pytest.mark.parametrize("seed", range(16))
def test_any_world_is_listed_the_same_whatever_the_row_order(seed: int, rules: Rules) -> None:
    """Noisy worlds give a table of the declared shape with ids that are each there once, and the same list from shuffled rows."""
    rng = random.Random(seed)
    world = random_world(rng, 4)
    rows = {
        name: [{k: v for k, v in row.items() if v is not None} | {"row": at} for at, row in enumerate(part, 2)]
        for name, part in world.exports.items()
    }

    def of(given: Rows) -> pd.DataFrame:
        through = world.bank_through or max((r["settled_on"] for r in world.exports["cleared_draws"]), default=world.as_of)
        exports = exports_of(given, has_postings=world.has_postings, bank_from=world.bank_from, bank_through=through)
        return reconcile_exports(exports, rules, world.as_of).tables["exceptions"]

    table = of(rows)
    assert {c.name: DTYPES[c.kind] for c in OUTPUTS["exceptions"]} == {name: str(kind) for name, kind in table.dtypes.items()}
    assert table["exception_id"].is_unique
    assert not table["what"].str.contains(r"[{}]|None|NaT", regex=True).any()
    pd.testing.assert_frame_equal(table, of({name: rng.sample(part, len(part)) for name, part in rows.items()}))


# -- the sample


@pytest.fixture(scope="module")
def sample_runs(rules: Rules) -> dict[str, Result]:
    """The sample's three runs, each after the other."""
    exports = read_exports([SAMPLE / "standard"], rules, None)
    found: dict[str, Result] = {}
    previous = None
    for day in DAYS:
        found[day] = reconcile_exports(exports, rules, date.fromisoformat(day), previous=previous)
        previous = PreviousList(found[day].tables["exceptions"], found[day].tables["dispositions"])
    return found


def _planted(day: str) -> set[tuple[str, str, str, str, str, int | None]]:
    with (SAMPLE / "planted.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["what"] == "exception kind" and row["as_of"] == day]
    return {
        (r["value"], r["term"], r["student_id"], r["plan_id"], r["line"], int(r["amount"].replace(".", "")) if r["amount"] else None)
        for r in rows
    }


def test_every_planted_exception_is_found_and_no_other(sample_runs: dict[str, Result]) -> None:
    """As of 20 November the list is exactly what was planted, kind by kind, line by line, to the cent."""
    table = sample_runs[DAYS[-1]].tables["exceptions"]
    table = table[table["standing"] != "resolved"]
    planted = _planted(DAYS[-1])
    without = {key[:5] for key in planted if key[5] is None}
    found = {(r.kind, r.term, r.student_id, r.plan_id, r.line, abs(r.amount)) for r in rows_of(table)}
    assert {key if key[:5] not in without else (*key[:5], None) for key in found} == planted
    assert len(planted) > 50


@pytest.mark.parametrize("day", DAYS)
def test_no_ordinary_student_is_told(day: str, sample_runs: dict[str, Result]) -> None:
    """What a planted row asks of the day is there, and no untroubled student is on any list."""
    table = sample_runs[day].tables["exceptions"]
    found = {(r.kind, r.term, r.student_id, r.plan_id, r.line, abs(r.amount)) for r in rows_of(table)}
    assert {key for key in _planted(day) if key[5] is not None} <= found
    assert not ((table["student_id"] > FIRST_ORDINARY) & (table["student_id"] < "00900000")).any()


def test_three_runs_carry_and_resolve(sample_runs: dict[str, Result]) -> None:
    """September's list is new, October's carries part of it, and what is gone is told as resolved once."""
    standings = [set(sample_runs[day].tables["exceptions"]["standing"]) for day in DAYS]
    assert standings == [{"new"}, {"new", "carried", "resolved"}, {"new", "carried", "resolved"}]
    first, second, third = (sample_runs[day].tables["exceptions"] for day in DAYS)
    carried = second[second["standing"] == "carried"].set_index("exception_id")
    assert set(carried["first_seen"]) == {pd.Timestamp(DAYS[0])}
    assert set(carried["age_days"]) == {30}
    gone = set(second.loc[second["standing"] == "resolved", "exception_id"])
    assert gone <= set(first["exception_id"])
    assert not gone & set(third["exception_id"])
