"""The list of families to contact: one row for each, only about what concerns it, and letters that promise nothing."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest
from shown_case import AS_OF, RULES, exception, row_of

from reconcile.errors import RefusedError
from reconcile.exception_kinds import GROUPS, SYSTEMS, TIMING
from reconcile.outreach import outreach
from reconcile.policy import load_rules
from reconcile.standing import typed

if TYPE_CHECKING:
    from collections.abc import Sequence

SHIPPED = Path(__file__).parents[1] / "rules"
LETTERS = RULES.letters
assert LETTERS is not None


def families(
    exceptions: Sequence[dict[str, Any]],
    plans: Sequence[dict[str, Any]] = (),
    draws: Sequence[dict[str, Any]] = (),
    as_of: date = AS_OF,
    names: dict[str, str] | None = None,
) -> list[dict[str, Any]]:
    """The rows of outreach for these exceptions, plans and draws; without draws, each student's first draw came back R01."""
    draws = draws or [draw(int(row["student_id"])) for row in exceptions if row["student_id"]]
    found = outreach(typed(exceptions, "exceptions"), typed(plans, "plans"), typed(draws, "draws"), RULES, as_of, names or {})
    return [{str(name): cell for name, cell in row.items()} for row in found.to_dict("records")]


def plan(number: int, **cells: Any) -> dict[str, Any]:
    return row_of("plans", term="2026-FA", student_id=f"{number:08d}", plan_ids=f"P{number}", **cells)


def draw(number: int, line: str = "1", day: str = "2026-11-10", code: str = "R01") -> dict[str, Any]:
    """A bank draw that came back."""
    cells = {"method": "bank", "return_code": code}
    return row_of(
        "draws", term="2026-FA", student_id=f"{number:08d}", plan_id=f"P{number}", line=line, draw_date=pd.Timestamp(day), **cells
    )


def test_a_family_gets_one_letter_with_all_its_causes() -> None:
    """Three exceptions of one student are one row: the most harmful first, the earliest day to act, each cause said once."""
    rows = [
        exception(1, kind="plan exceeds bill", exception_id="XA", amount=500_00, act_by=pd.Timestamp("2026-11-25"), line=""),
        exception(2),
        exception(1, exception_id="XB", act_by=pd.Timestamp("2026-11-22")),
        exception(1, exception_id="XC", act_by=pd.Timestamp("2026-11-23")),
    ]
    first, second = families(rows, draws=[draw(1), draw(2)])
    assert (first["student_id"], first["why"], first["amount"]) == ("00000001", "plan exceeds bill; failed draw", 500_00)
    assert (first["by_when"], first["exception_ids"]) == (pd.Timestamp("2026-11-22"), "XA; XB; XC")
    assert first["letter"].count("was not paid") == 1
    assert first["letter"].index("would take $500.00 more") < first["letter"].index("was not paid")
    assert second["student_id"] == "00000002"


@pytest.mark.parametrize("kind", [*GROUPS[SYSTEMS], *GROUPS[TIMING], "anticipated aid overdue", "more than one way to match"])
def test_what_the_office_settles_by_itself_gives_no_letter(kind: str) -> None:
    """Postings, dates, what the bank or the aid desk must answer first: no family hears of it."""
    assert families([exception(1, kind=kind)]) == []


@pytest.mark.parametrize(
    "cells",
    [
        {"standing": "closed", "disposition": "fixed"},
        {"standing": "resolved"},
        {"severity": "information"},
        {"disposition": "family contacted", "standing": "carried"},
        {"disposition": "waiting for the bank", "standing": "carried"},
        {"student_id": ""},
    ],
)
def test_no_letter_where_there_is_nothing_to_say_now(cells: dict[str, str]) -> None:
    """Closed, gone, for the record only, already contacted, waiting for the bank, or nobody's."""
    assert families([exception(1, **cells)]) == []


def test_a_family_is_written_to_again_once_the_amount_has_moved() -> None:
    """Contacted about one amount, and it is another one now."""
    assert len(families([exception(1, disposition="family contacted", standing="changed")])) == 1


def test_a_draw_that_was_not_seen_is_told_only_once_a_person_confirmed_it() -> None:
    """It may still come: asking the family for it would take it twice."""
    assert families([exception(1, kind="no draw seen")]) == []
    assert families([exception(1, kind="no draw seen", disposition="working")]) == []
    (row,) = families([exception(1, kind="no draw seen", disposition="confirmed", standing="carried")], draws=[draw(1)])
    assert "The draw of November 10, 2026 for $100.01 from your bank account, on" in row["letter"]


@pytest.mark.parametrize("code", ["R06", "R10", "R99", ""])
def test_no_money_is_asked_for_while_somebody_decides_first(code: str) -> None:
    """Not authorized, an unknown or an undecided code: the bank and the bursar speak first."""
    assert families([exception(1)], draws=[draw(1, code=code)]) == []
    assert len(families([exception(1)], draws=[draw(1, code="R02")])) == 1
    disputed = exception(1, action="Do not present it again: a person decides first.")
    assert families([disputed]) == []


def test_no_money_is_asked_for_that_later_draws_carry() -> None:
    """A failed draw whose plan and bill agree gives no letter: a family that pays it pays twice."""
    assert families([exception(1)], [plan(1, variance=0)]) == []
    assert len(families([exception(1)], [plan(1, variance=-100_01)])) == 1


PROPOSED: dict[str, Any] = {"proposed_draws": "2026-12-10 170.89", "notice_by": pd.Timestamp("2026-11-30"), "variance": 1750_00}


def test_new_amounts_stand_in_a_letter_only_where_they_hold() -> None:
    """A plan above its bill names the draws to come and the day of the notice; a failed draw only says that a draw may change."""
    (over,) = families([exception(1, kind="plan exceeds bill", line="")], [plan(1, **PROPOSED)])
    assert "$170.89 on December 10, 2026" in over["letter"]
    assert "notice in writing by November 30, 2026, at least 10 days before" in over["letter"]
    (failed,) = families([exception(1)], [plan(1, **PROPOSED | {"variance": -100_01})])
    assert "170.89" not in failed["letter"]
    assert "none changes without a notice to you in writing at least 10 days before" in failed["letter"]
    twice = exception(1, kind="draw taken twice", line="")
    both = families([exception(1, kind="plan exceeds bill", line=""), twice], [plan(1, **PROPOSED)])
    assert both[0]["why"] == "plan exceeds bill; draw taken twice"
    assert "170.89" not in both[0]["letter"]


def test_a_letter_says_from_what_the_money_is_drawn() -> None:
    """The line's own method; for money on no line that of the student's plan; where that is both, both are named."""

    def said(*draws: dict[str, Any], kind: str = "draw taken twice", line: str = "") -> str:
        (row,) = families([exception(1, kind=kind, line=line)], [plan(1, variance=-100_01, again=100_01)], draws)
        return str(row["letter"])

    card = draw(1, "2", code="51") | {"method": "card"}
    assert "was drawn from your bank account a second time" in said(draw(1))
    assert "was drawn from your card a second time" in said(card)
    assert "was drawn from your bank account or card a second time" in said(draw(1), card)
    again = said(draw(1), card, kind="failed draw", line="2")
    assert "from your card, on your payment plan for Fall 2026, was not paid" in again
    assert "We may present $100.01 to your card again. Please do not pay it another way as well without telling us first" in again


def test_a_family_whose_plan_is_stopped_reads_of_one_remedy_or_the_other() -> None:
    """No draw may change on such a plan: none is taken, and a new authorization or another way to pay, not both."""
    stopped = exception(1, action="Do not present it again: the plan is under a stop until the family authorizes an account anew.")
    (row,) = families([stopped], [plan(1, variance=-100_01, proposed_draws="2026-12-10 0.00", to_collect=200_02)], [draw(1, code="R02")])
    assert "No further draw is taken from that bank account until you have authorized an account anew." in row["letter"]
    assert "one or the other, not both." in row["letter"]
    assert "$200.02 of the bill has no draw behind it" in row["letter"]
    assert "may change" not in row["letter"]


def test_no_money_is_asked_for_before_the_bank_has_said_which_draw_came_back() -> None:
    """The return names a draw that nobody knows: the family hears of it only once the bank has answered."""
    doubted = exception(1, action="Ask the bank first which draw came back: the return names a draw that nobody knows.")
    assert families([doubted], [plan(1, variance=-100_01)]) == []


def test_money_missing_of_a_draw_is_asked_for_only_once_a_person_confirmed_it() -> None:
    """Why less was taken is found out before the rest is asked for; not at all where later draws carry it."""
    less = exception(1, kind="draw for less")
    confirmed = less | {"disposition": "confirmed"}
    assert families([less], [plan(1, variance=-100_01)]) == []
    assert len(families([confirmed], [plan(1, variance=-100_01)])) == 1
    assert families([confirmed], [plan(1, variance=0)]) == []


def test_an_office_gives_its_own_name_and_currency(folder: Path) -> None:
    """[office] and currency may be left out, and then read as the sample has them."""
    path = folder / "letters.toml"
    text = path.read_text(encoding="utf-8")
    own = text.replace('"Student Financial Services"', '"Bursar\'s Office"').replace('"by answering this letter"', '"at the counter"')
    path.write_text(own.replace('currency = "$"', 'currency = "US$"'), encoding="utf-8")

    def letter() -> str:
        one, two, three = typed([exception(1)], "exceptions"), typed([], "plans"), typed([draw(1)], "draws")
        return str(outreach(one, two, three, load_rules(folder), AS_OF, {})["letter"].iloc[0])

    assert "for US$100.01 from" in letter()
    assert "let us know at the counter, so" in letter()
    assert letter().endswith(" Bursar's Office")
    start = text.index("# Who writes")
    path.write_text((text[:start] + text[text.index('[kind."plan exceeds bill"]') :]).replace('currency = "$"\n', ""), encoding="utf-8")
    assert letter().endswith(" Student Financial Services")
    assert "for $100.01 from" in letter()


def test_a_day_of_notice_that_has_passed_is_never_promised() -> None:
    """After the last day for notice the letter names neither the day nor the amounts."""
    (row,) = families([exception(1, kind="plan exceeds bill", line="")], [plan(1, **PROPOSED)], as_of=date(2026, 12, 1))
    assert "November 30" not in row["letter"]
    assert "170.89" not in row["letter"]


def test_money_that_may_be_due_back_comes_with_its_caution() -> None:
    """Never twice: not before the bank can no longer return the draw, and not by a return as well."""
    (row,) = families([exception(1, kind="credit balance", amount=799_20, line="")], [plan(1, to_give_back=799_20)])
    assert "in credit by $799.20" in row["letter"]
    assert "Up to $799.20 may be due back" in row["letter"]
    assert "or the same money would go back twice" in row["letter"]


def test_every_letter_ends_with_the_caution_and_leaves_no_gap_open() -> None:
    """Each kind's letter closes with the office's own words, and what is not known is plain to see."""
    for kind in LETTERS.kinds if LETTERS else ():
        (row,) = families(
            [exception(1, kind=kind, disposition="confirmed", line="9")], [plan(1, **PROPOSED, again=1, to_collect=2)], [draw(1, "9")]
        )
        assert row["letter"].endswith("the college's own policy decides. Student Financial Services")
        assert "please let us know by answering this letter, so that nothing is taken twice" in row["letter"]
        assert "{" not in row["letter"] + row["greeting"]
    assert "The draw of [fill in]" in families([exception(1, kind="draw for more", line="9")])[0]["letter"]


def test_the_office_reads_beside_each_letter_to_check_who_may_be_told() -> None:
    """FERPA, 34 CFR part 99: the caution is the office's, and no part of what the family reads."""
    for row in families([exception(1), exception(2, kind="bill short")]):
        assert row["propose"].endswith("those whom the college's records entitle to know (FERPA, 34 CFR part 99).")
        assert "FERPA" not in row["letter"] + row["greeting"]


def test_names_only_where_they_are_given() -> None:
    """Without names the greeting has the student id, and the column is empty."""
    (plain,), (named,) = families([exception(1)]), families([exception(1)], names={"00000001": "Ada Example"})
    assert (plain["student_name"], plain["greeting"]) == ("", "Dear family of student 00000001,")
    assert (named["student_name"], named["greeting"]) == ("Ada Example", "Dear family of Ada Example,")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(SHIPPED, tmp_path / "rules"))


def told(folder: Path) -> list[str]:
    with pytest.raises(RefusedError) as error:
        load_rules(folder)
    return list(error.value.problems)


SLIPS = {
    "unknown gap": (
        "for {amount} from your",
        "for {amont} from your",
        "why in kind, failed draw: there is no such word to fill in. Write amount.",
    ),
    "unknown gap of another sentence": ("present {again} to", "present {proposed} to", "draw_again: there is no such word to fill in."),
    "gap without a word": ("in credit by {amount}.", "in credit by {}.", "there is no such word to fill in."),
    "an attribute": (
        "Dear family of {name}",
        "Dear family of {name.__class__}",
        "greeting: there is no such word to fill in. Allowed: name, student_id,",
    ),
    "a conversion": ("Dear family of {name}", "Dear family of {name!r}", "greeting: {name} stands alone between its braces"),
    "a brace alone": ("in credit by {amount}.", "in credit by {amount.", "has a brace without its other half"),
    "unknown kind": ('[kind."bill short"]', '[kind."bill shortt"]', "there is no such kind of exception. Write bill short."),
    "unknown disposition": ('["confirmed"]', '["confirmd"]', "there is no such disposition in exceptions.toml. Write confirmed."),
    "unknown key": ("proposes = true", "propose = true", "there is no such key. Write proposes."),
    "empty sentence": ('greeting = "Dear family of {name},"', 'greeting = ""', "greeting"),
}


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_in_the_letters_is_told_with_its_place(slip: str, folder: Path) -> None:
    """File, line, key, what is allowed, the nearest right spelling."""
    old, new, sentence = SLIPS[slip]
    path = folder / "letters.toml"
    text = path.read_text(encoding="utf-8")
    line = text[: text.index(old)].count("\n") + 1
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    (problem,) = told(folder)
    assert problem.startswith(f"letters.toml, line {line}, ")
    assert sentence in problem


def test_the_letters_may_be_left_out(folder: Path) -> None:
    """Without the file there are no letters and no mistake."""
    (folder / "letters.toml").unlink()
    rules = load_rules(folder)
    assert rules.letters is None
    empty = outreach(typed([exception(1)], "exceptions"), typed([], "plans"), typed([], "draws"), rules, AS_OF, {})
    assert len(empty) == 0
