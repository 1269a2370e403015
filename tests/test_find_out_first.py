"""What may still be taken, or is for a person to decide, in the sample month: families are not asked twice, and no notice day is missed."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from build import exports_of
from cases_exceptions.plan import DRAW, Rows, back, charge, event, line, story

from reconcile.dispositions import Note
from reconcile.exports import read_exports
from reconcile.policy import Rules, load_rules
from reconcile.run import Result, reconcile_exports

if TYPE_CHECKING:
    import pandas as pd

    from reconcile.exports import Exports

ROOT = Path(__file__).parents[1]
AS_OF = date(2026, 11, 20)


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


@pytest.fixture(scope="module")
def exports(rules: Rules) -> Exports:
    return read_exports([ROOT / "sample_exports" / "standard"], rules)


@pytest.fixture(scope="module")
def run(exports: Exports, rules: Rules) -> Result:
    return reconcile_exports(exports, rules, AS_OF)


def row(run: Result, student: str, kind: str) -> pd.Series:
    """The one exception of that kind of a student."""
    table = run.tables["exceptions"]
    found = table[(table["student_id"] == student) & (table["kind"] == kind)]
    assert len(found) == 1
    return found.iloc[0]


def test_a_late_draw_names_the_notice_day_that_ends_before_its_own_days(run: Result) -> None:
    """It may come until 5 December; the draw that would take it up needs its notice by 30 November, ten days before 10 December."""
    late = row(run, "00123406", "no draw seen")
    assert "It may still come until 2026-12-05" in late["action"]
    assert "Find out in time: if it does not come, the draws that take it up need notice by 2026-11-30." in late["action"]
    assert late["act_by"].date() <= date(2026, 11, 30)


def test_what_a_person_decides_is_decided_before_the_notice_day(run: Result, exports: Exports, rules: Rules) -> None:
    """A tie holds every proposal, and the next draw would take too much all the same: the day is named until it has passed."""
    tie = row(run, "00123463", "more than one way to match")
    assert "Decide by the last day for notice of a change to the next draw, 2026-11-30." in tie["action"]
    assert tie["act_by"].date() <= date(2026, 11, 30)
    later = row(reconcile_exports(exports, rules, date(2026, 12, 1)), "00123463", "more than one way to match")
    assert "Decide by" not in later["action"]


def test_where_every_way_to_decide_takes_too_much_it_says_so_and_by_when_to_stop_it(run: Result, exports: Exports, rules: Rules) -> None:
    """7,562.00 - 6,549.60 that stayed = 1,012.40 left, and December takes 1,512.40: 500.00 too much, whichever draw the money paid."""
    kind, over = "more than one way to match", "Whichever it was, the draws still to come take 500.00 more than is left of the bill."
    tie = row(run, "00123463", kind)
    assert over in tie["action"]
    assert "The last day to stop the next one is 2026-12-09." in tie["action"]
    assert tie["severity"] == "act"
    last = row(reconcile_exports(exports, rules, date(2026, 12, 9)), "00123463", kind)
    assert over in last["action"]
    assert "Either stop it whole and collect 1,012.40, or let it be taken and give 500.00 back once it has cleared" in last["action"]
    assert (last["severity"], last["act_by"].date()) == ("urgent", date(2026, 12, 9))


@pytest.mark.parametrize(
    ("bill", "said"),
    [
        (3_000_00, ""),
        (0, "the draws still to come take at least 2,000.00 more than is left of the bill. The last day to stop the next one is"),
    ],
)
def test_draws_to_come_that_a_tie_may_have_paid_early_are_not_held_to_be_too_much(bill: int, said: str, rules: Rules) -> None:
    """2,000.00 came a day before three draws of 1,000.00: it paid the first two or the last two, and which to stop is not known yet."""
    day = date(2026, 10, 20)
    lines = [line(at, f"2026-10-{20 + at}", 1_000_00) for at in (1, 2, 3)]
    rows = story(lines, first=0, cleared_draws=[event("2026-10-20", "X", 2_000_00)], charges=[charge(bill - 12_000_00, "2026-07-20")])
    held = exports_of(rows, bank_from=date(2026, 7, 1), bank_through=day)
    found = reconcile_exports(held, rules, day).tables["exceptions"].set_index("kind")
    action = str(found.loc["more than one way to match", "action"])
    assert said in action
    assert ("Whichever it was" in action) is bool(said)
    assert "Either stop" not in action


@pytest.mark.parametrize(("day", "why"), [(AS_OF, "draw 0.00 instead of 1,060.83"), (date(2026, 12, 1), "the draw of 2026-12-10")])
def test_a_proposal_beside_a_probable_payment_holds_only_if_it_was_not_for_the_draw(
    day: date, why: str, exports: Exports, rules: Rules
) -> None:
    """The family may have paid November's draw at the counter: then December's is owed, and no file says flatly that it is not."""
    found = reconcile_exports(exports, rules, day)
    assert f"Only if it was not, and this draw still comes: {why}" in row(found, "00123464", "no draw seen")["action"]
    coming = found.tables["next_draws"]
    assert "only if not paid outside the plan: 1 line" in coming["why"][coming["term"] == "2026-FA"].tolist()[0]


@pytest.mark.parametrize(
    ("student", "amount"), [("00123402", "2,824.72 instead of 2,412.36"), ("00123412", "1,886.54 instead of 1,843.27")]
)
def test_the_rest_of_a_draw_for_less_is_proposed_only_once_it_is_known_why(student: str, amount: str, run: Result) -> None:
    """The office is told to find out before the rest is asked for: the figure that asks for it says so too."""
    action = row(run, student, "draw for less")["action"]
    assert f"Only once it is known why it brought less: draw {amount} on 2026-12-10." in action
    assert "Proposed" not in action


@pytest.mark.parametrize(
    ("student", "said"),
    [
        (
            "00123406",
            (
                "Nothing is proposed for its 903.72 while it may still come, until 2026-12-05; after that day plans.csv proposes it. "
                "Only if the office decides earlier, by its own policy: draw 1,807.44 instead of 903.72 on 2026-12-10."
            ),
        ),
        ("00123445", "It stands as posted in the plan system: nothing is proposed for its 846.04 until that is corrected there."),
    ],
)
def test_what_was_confirmed_is_not_asked_again(student: str, said: str, run: Result, exports: Exports, rules: Rules) -> None:
    """Somebody confirmed that the draw was never sent: the action says what follows, with the amount."""
    id_ = row(run, student, "no draw seen")["exception_id"]
    note = Note(id_, "confirmed", "Never sent.", "Ana Novak", date(2026, 11, 20))
    action = row(reconcile_exports(exports, rules, date(2026, 11, 23), notes=[note]), student, "no draw seen")["action"]
    assert "Ask the plan system" not in action
    assert "Find out" not in action
    assert said in action


def test_the_plan_systems_own_exception_gives_no_second_remedy(run: Result) -> None:
    """Two desks see one draw: only one of their rows says what the draws become."""
    seen, said = row(run, "00123445", "no draw seen"), row(run, "00123445", "schedule says posted, bank does not")
    assert "instead of 846.04" in seen["action"]
    assert "instead of" not in said["action"]
    assert "this draw's other exception (no draw seen)" in said["action"]


def test_a_family_told_of_a_draw_that_may_still_come_is_asked_to_speak_first(run: Result, exports: Exports, rules: Rules) -> None:
    """Someone confirmed that it was not taken; until the exports say so too, the letter warns of paying twice."""
    id_ = row(run, "00123406", "no draw seen")["exception_id"]
    on = date(2026, 11, 23)
    noted = reconcile_exports(exports, rules, date(2026, 11, 24), notes=[Note(id_, "confirmed", "", "Ana Novak", on)])
    letters = noted.tables["outreach"].set_index("student_id")["letter"]
    assert "was not taken" in letters["00123406"]
    assert "speak with us before you send anything" in letters["00123406"]


def test_no_letter_asks_for_money_while_the_bursar_decides_about_a_draw_after_a_stop(run: Result) -> None:
    """Its family may be owed a draw: it hears nothing of the earlier one that failed before that is decided."""
    row(run, "00123461", "drawn after a stop")
    assert "00123461" not in set(run.tables["outreach"]["student_id"])


def listed(rows: Rows, rules: Rules, *notes: Note) -> Any:
    """The exceptions of a story by kind."""
    held = exports_of(rows, bank_from=date(2026, 7, 1), bank_through=AS_OF)
    return reconcile_exports(held, rules, AS_OF, notes=notes).tables["exceptions"].set_index("kind")


def test_while_another_return_fits_no_draw_nothing_is_presented_again_before_the_bank_was_asked(rules: Rules) -> None:
    """Three returns name one draw: one is its own, and what the others were for may be tries of the same draw."""
    named = [back(day, f"X{at}", original_reference="D2") for at, day in enumerate(("2026-09-14", "2026-09-21", "2026-09-28"))]
    action = listed(story(first=4, cleared_draws=named), rules).loc["failed draw", "action"]
    assert "Ask the bank first what the other return of this student was for" in action
    assert action.index("Ask the bank first") < action.index("Present 2,400.00 again")
    alone = listed(story(first=4, cleared_draws=named[:1]), rules).loc["failed draw", "action"]
    assert "Present 2,400.00 again" in alone
    assert "Ask the bank first" not in alone


def test_a_draw_refunded_and_then_returned_is_told(rules: Rules) -> None:
    """The office gave it back, and so did the bank: 2,400.00 may be gone twice."""
    refund = event("2026-11-13", "X1", outcome="refunded", original_reference="D4")
    told = listed(story(first=4, cleared_draws=[refund, back("2026-11-16", "X2")]), rules).loc["return without a draw"]
    assert "follows a refund of its draw on 2026-11-13" in told["what"]
    assert "may have gone back twice" in told["what"]
    assert (told["amount"], told["line"]) == (DRAW, "4")
    tried = [back("2026-11-12", "X0"), event("2026-11-13", "D4"), event("2026-11-16", "X1", outcome="refunded", original_reference="D4")]
    assert "return without a draw" not in listed(story(first=3, cleared_draws=tried), rules).index


def test_a_part_that_came_back_is_not_asked_for_where_plan_and_bill_agree(rules: Rules) -> None:
    """200.00 came back and 200.00 came in since: nobody is told to present it again."""
    rows = story(
        first=4, cleared_draws=[back("2026-11-13", "X1", cents=200_00, original_reference="D4"), event("2026-11-18", "D5", 200_00)]
    )
    action = listed(rows, rules).loc["draw for less", "action"]
    assert "The plan is not short without the rest" in action
    assert "may be presented" not in action


def test_what_somebody_has_in_hand_says_so_before_its_advice(rules: Rules) -> None:
    """A note changes no figure; who reads the advice is told to look first what was done since."""
    rows = story(first=4, cleared_draws=[back("2026-11-13", "X1", original_reference="D4")])
    id_ = listed(rows, rules).loc["failed draw", "exception_id"]
    noted = listed(rows, rules, Note(id_, "waiting for the bank", "Presented again.", "Ana Novak", date(2026, 11, 17)))
    assert (noted.loc["failed draw", "amount"], noted.loc["failed draw", "what"]) == (DRAW, listed(rows, rules).loc["failed draw", "what"])
    action = noted.loc["failed draw", "action"]
    assert action.startswith("Noted as waiting for the bank by Ana Novak on 2026-11-17: look first what was done since")


def test_a_return_of_more_than_its_draw_is_asked_about_once(rules: Rules) -> None:
    """What is left over of it is that same return, and no other one."""
    rows = story(first=4, cleared_draws=[back("2026-11-13", "X1", cents=DRAW + 100_00, original_reference="D4")])
    action = listed(rows, rules).loc["failed draw", "action"]
    assert action.count("Ask the bank first") == 1
    assert "the return was of 100.00 more than was left of the draw" in action


def test_the_bank_is_quoted_to_the_day_that_was_read(run: Result) -> None:
    """The bank's files reach 24 November; a run as of the 20th has set aside what they say of later days."""
    credit = row(run, "00123454", "credit balance")
    assert "(ordinary returns ended on 2026-10-16; read to 2026-11-20: none)" in credit["action"]
    assert "2026-11-24" not in credit["action"]
