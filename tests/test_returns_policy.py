"""What the office does after a return: each class of code has its own next step, and none breaks a run.

Codes, classes, time frames and presenting again: Nacha Operating Rules as banks and trade bodies give them (second-hand; the rule book was
not read), titles from the return-code table of moov-io/ach, addenda99.go (Apache-2.0), read. Card declines: ISO 8583 field 39, meanings
read. ISO 20022 external return reasons: meanings read, the code beside each our own.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from build import exports_of
from cases_exceptions.plan import DRAW, Rows, award, back, event, plan_lines, story
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.policy import Rules, load_rules
from reconcile.run import Result, reconcile_exports

if TYPE_CHECKING:
    import pandas as pd

RULES = load_rules(Path(__file__).parents[1] / "rules")


def run(rows: Rows, as_of: str, rules: Rules = RULES) -> Result:
    day = date.fromisoformat(as_of)
    return reconcile_exports(exports_of(rows, bank_from=date(2026, 7, 1), bank_through=day), rules, day)


def told(rows: Rows, as_of: str) -> pd.DataFrame:
    return run(rows, as_of).tables["exceptions"]


def words(rows: Rows, as_of: str, kind: str = "failed draw") -> str:
    """Sentence and action of the one exception of that kind."""
    table = told(rows, as_of)
    own = table[table["kind"] == kind]
    assert len(own) == 1, list(table["kind"])
    return f"{own['what'].iloc[0]} {own['action'].iloc[0]}"


def september(code: str, **more: Any) -> Rows:
    """September's draw came back three days after it was taken, told as a return alone."""
    return story(first=1, cleared_draws=[back("2026-09-14", "X", code, **more)])


def card(rows: Rows) -> Rows:
    """The same plan on a card."""
    return rows | {"plan_schedules": [row | {"method": "card"} for row in rows["plan_schedules"]]}


# -- the four next steps


@pytest.mark.parametrize("code", ["R01", "R09", "AM04"])
def test_a_lack_of_funds_is_presented_again_by_a_date(code: str) -> None:
    """Two more tries until 180 days after the first settlement, not after the return: 11 September 2026 and 180 days is 10 March 2027."""
    said = words(september(code), "2026-10-05")
    assert "Present 2,400.00 again: it is still owed, and its code allows it twice more, until 2027-03-10." in said
    assert run(september(code), "2026-10-05").tables["plans"]["again"].tolist() == [DRAW]


def test_after_one_more_try_one_is_left() -> None:
    """The same draw came back twice: once more, counted from the first settlement."""
    rows = story(first=1, cleared_draws=[back("2026-09-14", "X"), back("2026-09-18", "Y")])
    assert "its code allows it once more, until 2027-03-10" in words(rows, "2026-10-05")


NEW_ACCOUNT = {
    "R02": "ask the family for a new account and a new authorization",
    "R03": "until the family has corrected the account",
    "R04": "until the family has corrected the account number",
    "R12": "the account at the new bank",
    "R13": "routing number",
    "R20": "an account from which draws may be taken",
    "AC04": "ask the family for a new account and a new authorization",
    "AC01": "until the family has corrected the account number",
}
STOP = {
    "R05": "Stop the plan's draws",
    "R07": "draw again only after the family has authorised it anew",
    "R08": "Ask the family whether it stopped this one draw or all of them",
    "R10": "Stop the plan's draws",
    "R11": "a corrected new draw is possible within 60 days",
    "R14": "a person speaks with the family, gently",
    "R15": "a person speaks with the family, gently",
    "R16": "another way to pay",
    "R29": "Stop the plan's draws",
    "R51": "check the authorization on file",
    "AC06": "another way to pay",
    "MD01": "Stop the plan's draws",
    "MD06": "a person decides",
    "MD07": "a person speaks with the family, gently",
}


@pytest.mark.parametrize(("code", "said"), [*NEW_ACCOUNT.items(), *STOP.items()])
def test_a_code_that_stops_the_plan_says_what_is_needed_and_takes_no_draw(code: str, said: str) -> None:
    """New account details, or stop and contact: no draw of the plan is taken until the family authorizes an account anew."""
    rows = story(cleared_draws=[back("2026-09-15", "X", code, original_reference="D2")])
    text = words(rows, "2026-10-05")
    assert said in text
    assert "Do not present it again: the plan is under a stop until the family authorizes an account anew." in text
    assert "Take no draw on 2026-10-10 (2,400.00), 2026-11-10 (2,400.00) and 2026-12-10 (2,400.00)" in text
    plan = run(rows, "2026-10-05").tables["plans"].iloc[0]
    assert (plan["again"], plan["awaited"]) == (0, 0)
    assert plan["proposed_draws"] == "2026-10-10 0.00; 2026-11-10 0.00; 2026-12-10 0.00"


PERSON = ["R06", "R17", "R18", "R19", "R24", "AM05", "MS02", "MS03"]


@pytest.mark.parametrize("code", PERSON)
def test_a_code_that_leaves_it_to_a_person_proposes_nothing(code: str) -> None:
    """Neither presented again nor spread over later draws: the advice beyond that hangs on what the person decides."""
    text = words(september(code), "2026-10-05")
    rule = RULES.returns.code("bank", code)
    assert rule is not None
    assert rule.action in text
    assert "Only if a person decides that it is still to be drawn: draw" in text
    plan = run(september(code), "2026-10-05").tables["plans"].iloc[0]
    assert (plan["again"], plan["awaited"], plan["proposed_draws"]) == (0, DRAW, "")


@pytest.mark.parametrize("code", ["X77", "R00", "", "r 01", "=R01", "9" * 40])
def test_an_unknown_code_breaks_no_run_and_is_shown_as_unknown(code: str) -> None:
    """The draw failed, nobody knows what the code allows, and nothing is drawn for it until the bank has said."""
    text = words(september(code), "2026-10-05")
    assert ("a code that the rules do not list" in text) is bool(code)
    assert ("no return code given" in text) is (not code)
    assert "Ask the bank what the code means first." in text
    plan = run(september(code), "2026-10-05").tables["plans"].iloc[0]
    assert (plan["again"], plan["awaited"], plan["proposed_draws"]) == (0, DRAW, "")


@settings(max_examples=25, deadline=None)
@given(st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=12))
def test_no_code_whatever_breaks_a_run(code: str) -> None:
    """Any text may stand in the column; the proof holds, and the draw has failed."""
    result = run(september(code.strip()), "2026-10-05")
    assert result.tables["draws"].set_index("line")["state"]["2"] == "failed"


# -- cards apart from banks

DECLINES = {"05": "call the card's bank", "14": "correct the card", "41": "Do not try this card again", "43": "Do not try this card again"}
DECLINES |= {"51": "tried once more within 30 days", "54": "the new card"}


@pytest.mark.parametrize("code", DECLINES)
def test_a_decline_is_told_as_one_with_its_own_step(code: str) -> None:
    """The card never paid: it was declined, nothing came back, and the step is the card's."""
    rows = card(september(code, method="card"))
    text = words(rows, "2026-09-20")
    assert "was declined on 2026-09-14" in text
    if code == "51":
        assert "its code allows it once more, until 2026-10-14" in text
    else:
        assert DECLINES[code] in text
    draws = run(rows, "2026-09-20").tables["draws"].set_index("line")
    assert (draws["state"]["2"], draws["cleared"]["2"]) == ("failed", 0)


def test_a_chargeback_is_the_cards_return() -> None:
    """The draw had cleared; the cardholder disputes it: the money is gone, the plan stops, the bursar decides whether to answer."""
    rows = card(story(first=2, cleared_draws=[back("2026-10-01", "X", "chargeback", method="card", original_reference="D2")]))
    text = words(rows, "2026-10-05")
    assert "was charged back on 2026-10-01" in text
    assert "the bursar decides whether to answer the dispute" in text
    assert run(rows, "2026-10-05").tables["draws"].set_index("line")["cleared"]["2"] == 0


# -- disputes between banks


@pytest.mark.parametrize("number", range(61, 78))
def test_a_dispute_between_banks_moves_no_money_and_a_person_decides(number: int) -> None:
    """R61 to R77 beside a return R01: what may be presented again waits, and the failed draw says why."""
    rows = september("R01")
    disputed = {**rows, "cleared_draws": [*rows["cleared_draws"], back("2026-09-18", "Y", f"R{number}")]}
    text = words(disputed, "2026-10-05")
    assert f"the banks dispute the return (R{number} of 2026-09-18)" in text
    assert "a person decides first" in text
    before, after = (run(some, "2026-10-05").tables for some in (rows, disputed))
    assert before["students"].equals(after["students"])
    assert after["plans"]["again"].tolist() == [0]


# -- presented too often, and too late


def too_often(*rows: Any, as_of: str = "2026-12-20") -> pd.DataFrame:
    table = told(story(first=1, cleared_draws=list(rows)), as_of)
    return table[table["kind"] == "presented too often"]


def test_two_more_tries_are_not_too_many_and_a_third_is() -> None:
    """First try and two more (R01): told with the third more, whether or not it brought the money."""
    tries = [back(day, f"X{day}") for day in ("2026-09-11", "2026-09-14", "2026-09-17")]
    assert too_often(*tries).empty
    for third in (back("2026-09-21", "Z"), event("2026-09-21", "Z")):
        row = too_often(*tries, third).iloc[0]
        assert "was presented again 3 times, and its code (R01, insufficient funds) allows it twice" in row["what"]
        assert row["action"].startswith("Do not present it again; tell the bank's contact what happened.")


def test_a_try_is_judged_by_the_return_before_it() -> None:
    """R01, presented again as R01 allows, and then R17: no try was one too many; the next one would be."""
    tries = [back("2026-09-11", "X"), back("2026-09-14", "Y", "R17")]
    assert too_often(*tries).empty
    assert "allows no second try" in too_often(*tries, event("2026-09-21", "Z")).iloc[0]["what"]


@pytest.mark.parametrize(("day", "kinds"), [("2027-03-10", set()), ("2027-03-11", {"presented too often"})])
def test_a_try_after_the_days_of_its_code_is_too_late(day: str, kinds: set[str]) -> None:
    """180 days after 11 September 2026 end on 10 March 2027: money of the day after belongs to no draw, and is told as presented too late.

    Source: Nacha Operating Rules, second-hand: within 180 days of the original settlement.
    """
    rows = story(cleared_draws=[back("2026-09-14", "X", original_reference="D2"), event(day, "Z")])
    rows["plan_schedules"] = plan_lines()[:2]
    table = told(rows, "2027-03-20")
    wrong = {"presented too often", "draw not on the schedule", "draw taken twice"}
    assert set(table["kind"]) & wrong == kinds
    if kinds:
        row = table[table["kind"] == "presented too often"].iloc[0]
        assert (
            "on 2027-03-11, 181 days after it was first taken, and its code (R01, insufficient funds) allows it for 180 days" in row["what"]
        )
        assert (row["line"], row["amount"]) == ("2", DRAW)
        assert "2,400.00 of it is in hand" in row["what"]


@pytest.mark.parametrize(
    ("as_of", "act_by", "said"),
    [
        ("2027-03-07", "2027-03-09", "allows it twice more, until 2027-03-10"),
        ("2027-03-09", "2027-03-10", "allows it twice more, until 2027-03-10"),
        ("2027-03-10", "2027-03-10", "allows it twice more, until 2027-03-10"),
        ("2027-03-11", "2027-03-12", "Do not present it again: its tries or days are used up"),
    ],
)
def test_the_day_to_act_is_no_later_than_the_last_day_of_the_code(as_of: str, act_by: str, said: str) -> None:
    """180 days after 11 September 2026 end on 10 March 2027: the days to act end there, or on the banking day before."""
    rows = story(first=1, cleared_draws=[back("2026-09-11", "X")])
    rows["plan_schedules"] = plan_lines()[:2]
    row = told(rows, as_of).set_index("kind").loc["failed draw"]
    assert (str(row["act_by"].date()), said in row["action"]) == (act_by, True)


@pytest.mark.parametrize("code", ["r61", "R61", "r77"])
def test_a_dispute_between_banks_is_one_in_small_letters_too(code: str) -> None:
    """Capitals do not matter in any other code either: no money moves, nothing is presented again, nothing counts as a return."""
    rows = story(cleared_draws=[back("2026-09-14", "X", original_reference="D2"), back("2026-09-20", "Y", code)])
    tables = run(rows, "2026-10-05").tables
    assert tables["draws"].set_index("line")["state"].tolist() == ["cleared", "failed", "pending", "pending", "pending"]
    assert (tables["plans"].iloc[0]["again"], tables["plans"].iloc[0]["proposed_draws"]) == (0, "")
    rates = tables["return_rates"]
    assert rates.loc[(rates["name"] == "overall") & (rates["window"] == "60 days"), "returns"].tolist() == [1]


def test_a_try_later_than_a_short_time_of_the_rules_is_too_late() -> None:
    """With ten days in the rules a try twelve days after the first is too late, though its money still belongs to the draw."""
    codes = tuple(code.model_copy(update={"again_days": 10}) if code.code == "R01" else code for code in RULES.returns.codes)
    rules = Rules(**{**RULES.__dict__, "returns": RULES.returns.model_copy(update={"codes": codes})})
    rows = story(first=1, cleared_draws=[back("2026-09-11", "X"), event("2026-09-23", "Z")])
    table = run(rows, "2026-10-05", rules).tables["exceptions"]
    assert "on 2026-09-23, 12 days after it was first taken" in table.set_index("kind")["what"]["presented too often"]


def test_the_next_scheduled_draw_is_not_the_same_draw_again() -> None:
    """September failed three times, and October's draw clears: nothing was presented too often (from memory: ask your bank)."""
    tries = [back(day, f"X{day}") for day in ("2026-09-11", "2026-09-14", "2026-09-17")]
    assert too_often(*tries, event("2026-10-14", "Y", line="3")).empty


# -- returns that come late

LATE = [
    # R10 has 60 calendar days: 11 September and 60 days is 10 November; the next banking day is the 12th (Veterans Day between).
    ("R10", "2026-11-10", ""),
    ("R10", "2026-11-12", "60 calendar days ended on 2026-11-10; it may be in time until the opening of 2026-11-12, so ask the bank"),
    ("R10", "2026-11-13", "the return came late, after its code's 60 calendar days ended on 2026-11-10: ask the bank"),
    ("R01", "2026-09-15", ""),
    ("R01", "2026-09-16", "the return came late, after its code's 2 banking days ended on 2026-09-15: ask the bank"),
    ("R06", "2026-10-20", ""),
]


@pytest.mark.parametrize(("code", "day", "said"), LATE)
@pytest.mark.parametrize("named", [True, False])
def test_a_late_return_is_flagged_and_never_refused(code: str, day: str, said: str, named: bool) -> None:
    """A 60-day return may reach the file on day 61 to 64 (second-hand): it undoes the draw all the same, and the bank is asked.

    R06 has no time frame in the rules (sources disagree): nobody can call it late.
    """
    name: dict[str, Any] = {"original_reference": "D2"} if named else {}
    rows = story(cleared_draws=[back(day, "X", code, **name)])
    if code == "R06" and not named:
        rows["plan_schedules"] = plan_lines()[:2]
    text = words(rows, day)
    assert ("the return came late" in text) is bool(said)
    assert said in text
    draws = run(rows, day).tables["draws"].set_index("line")
    assert (draws["state"]["2"], draws["cleared"]["2"]) == ("failed", 0)


@pytest.mark.parametrize(("days", "state"), [(61, "failed"), (64, "failed"), (65, "cleared")])
def test_a_sixty_day_return_without_a_name_finds_its_draw_until_day_sixty_four(days: int, state: str) -> None:
    """Settled 11 September: day 61 is 11 November, day 64 the 14th; on day 65 it fits no draw any more and is told (second-hand)."""
    day = str(date(2026, 9, 11).fromordinal(date(2026, 9, 11).toordinal() + days))
    result = run(story(cleared_draws=[back(day, "X", "R10")], lines=plan_lines()[:2]), day)
    assert result.tables["draws"].set_index("line")["state"]["2"] == state
    assert ("return without a draw" in set(result.tables["exceptions"]["kind"])) is (state == "cleared")


def test_a_late_part_is_flagged_too() -> None:
    """700.00 of September's draw came back as R10 after its 60 days."""
    rows = story(cleared_draws=[back("2026-11-13", "X", "R10", 700_00, original_reference="D2")])
    assert "and the return came late, after its code's 60 calendar days ended on 2026-11-10" in words(rows, "2026-11-13", "draw for less")


# -- stops


@pytest.mark.parametrize("code", [*NEW_ACCOUNT, *STOP])
def test_a_draw_after_a_stop_is_told_and_one_after_a_new_consent_is_not(code: str) -> None:
    """Every stop code forbids October's draw; an account authorized anew on 20 September lets it be taken."""
    rows = story(first=1, cleared_draws=[back("2026-09-14", "X", code), event("2026-10-14", "Y")])
    assert "drawn after a stop" in set(told(rows, "2026-10-20")["kind"])
    anew = rows | {"plan_schedules": plan_lines(every={"consent_on": "2026-09-20"})}
    assert "drawn after a stop" not in set(told(anew, "2026-10-20")["kind"])


def test_nothing_is_stopped_or_presented_for_money_that_a_scholarship_met() -> None:
    """September came back and a scholarship of the same amount arrived: do not present it again, and change no draw."""
    rows = story(first=1, cleared_draws=[back("2026-09-14", "X")], aid=[award(DRAW, "2026-09-20")])
    text = words(rows, "2026-10-05")
    assert "Do not present it again: plan and bill agree without it." in text
    assert run(rows, "2026-10-05").tables["plans"]["proposed_draws"].tolist() == [""]
