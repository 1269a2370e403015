"""The sample rules that we ship: they load, they hold the outside facts that they claim to hold, and slips in them are told well."""

from __future__ import annotations

import re
import shutil
from datetime import date
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from reconcile.errors import RefusedError
from reconcile.exception_kinds import GROUPS, KINDS
from reconcile.policy import Returns, Rules, Term, Tier, load_rules
from reconcile.toml_errors import TomlFile, read_toml

SHIPPED = Path(__file__).parents[1] / "rules"
NAMES = ("aid.toml", "calendar.toml", "exceptions.toml", "matching.toml", "plans.toml", "returns.toml", "terms.toml")


@pytest.fixture(scope="module")
def rules() -> Rules:
    """The shipped rules."""
    return load_rules(SHIPPED)


# Nacha Operating Rules: classes, ordinary time frames and presenting again as a bank or a trade body gives them (second-hand: the paid
# book was not seen); titles from the return-code table of moov-io/ach, addenda99.go (Apache-2.0), read.
# (code, class, frame, unit, how many more times, within how many days)
ACH = [
    ("R01", "funds", 2, "banking", 2, 180),
    ("R02", "administrative", 2, "banking", 0, 0),
    ("R03", "administrative", 2, "banking", 0, 0),
    ("R04", "administrative", 2, "banking", 0, 0),
    ("R05", "unauthorized", 60, "calendar", 0, 0),
    ("R06", "other", None, None, 0, 0),  # sources disagree on the time frame, so none is asserted
    ("R07", "unauthorized", 60, "calendar", 0, 0),
    ("R08", "stop", 2, "banking", 0, 0),
    ("R09", "funds", 2, "banking", 2, 180),
    ("R10", "unauthorized", 60, "calendar", 0, 0),
    ("R11", "unauthorized", 60, "calendar", 0, 0),
    ("R12", "other", 2, "banking", 0, 0),
    ("R14", "other", 2, "banking", 0, 0),
    ("R15", "other", 2, "banking", 0, 0),
    ("R16", "other", 2, "banking", 0, 0),
    ("R17", "other", 2, "banking", 0, 0),
    ("R20", "other", 2, "banking", 0, 0),
    ("R29", "unauthorized", 2, "banking", 0, 0),
]


@pytest.mark.parametrize(("code", "klass", "frame", "unit", "times", "days"), ACH)
def test_ach_returns(rules: Rules, code: str, klass: str, frame: int | None, unit: str | None, times: int, days: int) -> None:
    """Each ACH return code has the class, time frame and limits of the published accounts, and says that they are second-hand."""
    row = rules.returns.code("bank", code)
    assert row is not None
    assert (row.klass, row.frame, row.frame_unit, row.again_times, row.again_days) == (klass, frame, unit, times, days)
    assert row.again is (times > 0)
    assert row.mark == "second-hand"
    assert "moov-io/ach" in row.source


def test_codes_after_which_an_account_must_not_be_drawn_on(rules: Rules) -> None:
    """Unauthorized, stopped, closed, unknown, frozen and deceased all stop the plan; a lack of funds does not. Our own cautious choice."""
    stopping = {row.code for row in rules.returns.codes if row.stops_plan and row.method == "bank"}
    assert {"R02", "R03", "R04", "R05", "R07", "R08", "R10", "R11", "R12", "R14", "R15", "R16", "R20", "R29"} <= stopping
    assert not {"R01", "R06", "R09", "R17", "AM04"} & stopping


@pytest.mark.parametrize(("first", "last", "klass"), [(61, 70, "dishonored"), (71, 77, "contested")])
def test_disputed_returns_are_left_to_a_person(rules: Rules, first: int, last: int, klass: str) -> None:
    """R61-R70 dishonor a return and R71-R77 contest the dishonor (second-hand): nothing is presented again, nothing stops by itself."""
    for number in range(first, last + 1):
        row = rules.returns.code("bank", f"R{number}")
        assert row is not None
        assert (row.klass, row.frame, row.again, row.stops_plan) == (klass, None, False, False)
        assert "a person" in row.action


# ISO 20022 external return reasons: meanings read in the external code list; the R code beside each is our own choice.
ISO = {"AM04": "R01", "AC04": "R02", "AC01": "R04", "AC06": "R16", "MD01": "R10", "MD07": "R15", "AM05": "R24"}


@pytest.mark.parametrize(("reason", "like"), ISO.items())
def test_iso_reasons_are_treated_as_the_code_that_means_the_same(rules: Rules, reason: str, like: str) -> None:
    """A bank that writes ISO reasons gets the treatment of the matching R code, told as our own choice."""
    ours, theirs = rules.returns.code("bank", reason), rules.returns.code("bank", like)
    assert ours is not None
    assert theirs is not None
    keys = ("klass", "frame", "frame_unit", "again", "again_times", "again_days", "stops_plan")
    assert [getattr(ours, key) for key in keys] == [getattr(theirs, key) for key in keys]
    assert ours.mark == "ours"


@pytest.mark.parametrize("reason", ["MD06", "MS02", "MS03"])
def test_iso_reasons_that_say_little_are_left_to_a_person(rules: Rules, reason: str) -> None:
    """A refund asked for, or no reason given (ISO 20022 external code list, read), is never presented again by itself."""
    row = rules.returns.code("bank", reason)
    assert row is not None
    assert not row.again
    assert "a person decides" in row.action


# ISO 8583 field 39: meanings read. Whether a plan goes on after a decline is our own choice.
DECLINES = {
    "05": ("do not honor", False),
    "14": ("invalid card number", True),
    "51": ("insufficient funds", False),
    "54": ("card expired", True),
    "41": ("lost card", True),
    "43": ("stolen card", True),
}


@pytest.mark.parametrize("code", DECLINES)
def test_card_declines(rules: Rules, code: str) -> None:
    """Declines are text codes of the card; a decline never was a cleared draw, so it has no time frame in which money goes back."""
    row = rules.returns.code("card", code)
    assert row is not None
    assert (row.title, row.stops_plan) == DECLINES[code]
    assert (row.klass, row.frame) == ("declined", None)


def test_a_chargeback_is_the_cards_return(rules: Rules) -> None:
    """A chargeback takes back a card draw that had cleared, in calendar days; the 120 days are from memory and say so."""
    row = rules.returns.code("card", "chargeback")
    assert row is not None
    assert (row.klass, row.frame_unit, row.stops_plan, row.mark) == ("chargeback", "calendar", True, "memory")


def r_codes(returns: Returns, classes: tuple[str, ...]) -> set[str]:
    """R codes of those classes."""
    return {row.code for row in returns.codes if row.klass in classes and re.fullmatch("R[0-9]{2}", row.code)}


def test_return_rate_levels(rules: Rules) -> None:
    """Levels 0.5, 3 and 15 percent and the codes that count (Nacha Operating Rules, second-hand), over 60 days."""
    levels = {level.name: level for level in rules.returns.rates.levels}
    assert {name: level.percent for name, level in levels.items()} == {"unauthorized": 50, "administrative": 300, "overall": 1500}
    assert r_codes(rules.returns, levels["unauthorized"].classes) == {"R05", "R07", "R10", "R11", "R29", "R51"}
    assert r_codes(rules.returns, levels["administrative"].classes) == {"R02", "R03", "R04"}
    assert levels["overall"].classes == ("all",)
    assert rules.returns.rates.days == 60
    assert rules.returns.ordinary.banking_days == 2


def test_notice_before_a_changed_draw(rules: Rules) -> None:
    """Regulation E, 12 CFR 1005.10(d)(1), read: 10 days for an amount; Nacha notice, second-hand: 7 days for a date."""
    assert rules.plans.notice_days == 10
    assert rules.plans.date_notice_days == 7
    text = (SHIPPED / "plans.toml").read_text(encoding="utf-8")
    assert re.search(r"# Source: Regulation E, 12 CFR 1005\.10\(d\)\(1\), read.*\nnotice_days = 10\n", text)
    assert re.search(r"# Source: Nacha notice, second-hand.*\ndate_notice_days = 7\n", text)


def test_a_sixty_day_return_may_reach_the_office_on_day_sixty_four(rules: Rules) -> None:
    """A 60-day return must be available the banking day after day 60, so read on day 61 to 64 (Nacha Operating Rules, second-hand)."""
    assert rules.matching.late_return_days == 4


def test_no_row_rests_on_memory_without_saying_so(rules: Rules) -> None:
    """Rows from memory are marked, and are none of those that the checks above rest on."""
    memory = {row.code for row in rules.returns.codes if row.mark == "memory"}
    assert memory == {"R13", "R18", "R19", "R24", "R63", "R64", "R65", "R66", "chargeback"}
    assert all("memory" in row.source for row in rules.returns.codes if row.mark == "memory")


def test_every_kind_of_exception_has_its_rule(rules: Rules) -> None:
    """Kinds stand in the order of harm; what only informs never has a harder severity, what takes money wrongly is urgent."""
    assert tuple(rules.exceptions.kinds) == KINDS
    quiet = {kind for kind, rule in rules.exceptions.kinds.items() if rule.severity == "information"}
    assert quiet == {*GROUPS["timing"], "enrolled too late", "schedule off the rules"}
    urgent = {kind for kind, rule in rules.exceptions.kinds.items() if rule.severity == "urgent"}
    assert urgent == {*GROUPS["money about to be taken wrongly"], "bank cleared, schedule says failed"}
    assert rules.exceptions.packet_threshold == 25000
    assert {d.word for d in rules.exceptions.dispositions if d.closes} == {"fixed", "accepted as it is"}


def tier_for(term: Term, enrolled_on: date) -> Tier:
    """The first tier, top to bottom, whose enroll_by is not before that day."""
    return next(tier for tier in term.tiers if tier.enroll_by >= enrolled_on)


def test_the_worked_example_can_be_written(rules: Rules) -> None:
    """A plan of 12,000.00 enrolled on 1 August 2026 is five draws of 2,400.00 on the tenth, August to December."""
    fall = rules.term("2026-FA")
    assert fall is not None
    tier = tier_for(fall, date(2026, 8, 1))
    assert tier.draw_dates == tuple(date(2026, month, 10) for month in range(8, 13))
    assert tier.down_percent == 0
    assert 1_200_000 % len(tier.draw_dates) == 0
    assert (rules.matching.settlement_lag.bank, rules.matching.late_days, rules.plans.notice_days) == (1, 5, 10)


def test_the_october_draw_of_the_worked_example(rules: Rules) -> None:
    """10 October 2026 is a Saturday before a holiday (Federal Reserve Board, K.8): taken the 13th, expected the 14th, open to the 21st."""
    days = rules.banking_days()
    taken = days.next_open(date(2026, 10, 10))
    expected = days.add(taken, rules.matching.settlement_lag.bank)
    assert (taken, expected, days.add(expected, rules.matching.late_days)) == (date(2026, 10, 13), date(2026, 10, 14), date(2026, 10, 21))


def test_tiers_ask_for_more_the_later_a_family_enrolls(rules: Rules) -> None:
    """A later tier has a larger down payment and fewer draws, ending with the same draw."""
    for term in rules.terms:
        downs = [tier.down_percent for tier in term.tiers]
        counts = [len(tier.draw_dates) for tier in term.tiers]
        assert downs == sorted(set(downs))
        assert counts == sorted(set(counts), reverse=True)
        assert len({tier.draw_dates[-1] for tier in term.tiers}) == 1


class Token(NamedTuple):
    """A key as it stands in a file: found by pattern, not by the program's own walk."""

    file: str
    line: int
    start: int
    key: str


KEY = re.compile(r"""^\s*([a-z_]+)\s*=|[{,]\s*([a-z_]+)\s*=""")
HEADER = re.compile(r"""^\[\[?(.*?)\]\]?\s*$""")
HEADER_PART = re.compile(r""""([^"]+)"|([a-z_]+)""")


def tokens(name: str) -> list[Token]:
    """Every key and every part of a header in a shipped file."""
    found = []
    start = 0
    for number, line in enumerate((SHIPPED / name).read_text(encoding="utf-8").split("\n"), start=1):
        pattern = HEADER_PART if HEADER.match(line) else KEY
        for match in () if line.startswith("#") else pattern.finditer(line.split("#")[0]):
            group = match.lastindex or 0
            found.append(Token(name, number, start + match.start(group), match.group(group)))
        start += len(line) + 1
    return found


TOKENS = {name: tokens(name) for name in NAMES}
SLIP_WORDS = {token.key for listed in TOKENS.values() for token in listed}


@st.composite
def misspelled(draw: st.DrawFn) -> tuple[Token, str]:
    """A key of a shipped file, and the same with one letter left out, put in, changed, or changed places with its neighbor."""
    token = draw(st.sampled_from(TOKENS[draw(st.sampled_from(NAMES))]))
    key = token.key
    at = draw(st.sampled_from([n for n, letter in enumerate(key) if letter.isalpha()]))
    letter = draw(st.sampled_from("abcdefghijklmnopqrstuvwxyz"))
    wrong = draw(
        st.sampled_from(
            [
                key[:at] + key[at + 1 :],
                key[:at] + letter + key[at:],
                key[:at] + letter + key[at + 1 :],
                key[:at] + key[at : at + 2][::-1] + key[at + 2 :],
            ]
        )
    )
    assume(wrong not in SLIP_WORDS and wrong == wrong.strip())
    return token, wrong


@pytest.fixture(scope="module")
def slipped(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which one file at a time has a slip."""
    return Path(shutil.copytree(SHIPPED, tmp_path_factory.mktemp("slips") / "rules"))


@settings(deadline=None, max_examples=200)  # each example reads seven files
@given(slip=misspelled())
def test_any_key_misspelled_by_one_letter(slipped: Path, slip: tuple[Token, str]) -> None:
    """One wrong letter in any key or table name of any file is told with its line and the right spelling."""
    token, wrong = slip
    path = slipped / token.file
    text = (SHIPPED / token.file).read_text(encoding="utf-8")
    path.write_text(text[: token.start] + wrong + text[token.start + len(token.key) :], encoding="utf-8")
    try:
        with pytest.raises(RefusedError) as refused:
            load_rules(slipped)
    finally:
        path.write_text(text, encoding="utf-8")
    here = [p for p in refused.value.problems if p.startswith(f"{token.file}, line {token.line}, {wrong}")]
    assert any(f" Write {token.key}." in problem for problem in here), refused.value.problems


def test_the_pattern_finds_the_keys(rules: Rules) -> None:
    """The property above sees the keys of every file: one owner a kind, one stop a code, one date list a tier."""
    count = {name: [token.key for token in listed].count for name, listed in TOKENS.items()}
    assert count["exceptions.toml"]("owner") == len(KINDS)
    assert count["returns.toml"]("stops_plan") == len(rules.returns.codes)
    assert count["returns.toml"]("percent") == len(rules.returns.rates.levels)
    assert count["terms.toml"]("draw_dates") == sum(len(term.tiers) for term in rules.terms)
    assert count["matching.toml"]("late_days") == count["aid.toml"]("grace_days") == count["calendar.toml"]("closed") == 1


def keys_of(value: object) -> set[str]:
    """Every key of a file, but for the names of exception kinds."""
    if isinstance(value, list):
        return {key for item in value for key in keys_of(item)}
    if isinstance(value, dict):
        return {k for k in value if k not in KINDS} | {key for item in value.values() for key in keys_of(item)}
    return set()


@pytest.mark.parametrize("name", NAMES)
def test_the_readme_explains_every_key(name: str) -> None:
    """Each key of each file stands in the section of that file in the README."""
    readme = (SHIPPED / "README.md").read_text(encoding="utf-8")
    section = readme.split(f"\n## {name}")[1].split("\n## ")[0]
    file, _ = read_toml((SHIPPED / name).read_bytes(), name)
    assert isinstance(file, TomlFile)
    assert [key for key in sorted(keys_of(file.data)) if not re.search(rf"\b{key}\b", section)] == []


def test_the_messages_in_the_readme_are_the_real_ones(tmp_path: Path) -> None:
    """The two messages that the README shows are what those slips give."""
    folder = Path(shutil.copytree(SHIPPED, tmp_path / "rules"))
    for name, old, new in (("matching.toml", "early_days", "erly_days"), ("terms.toml", 'plan_fee = "45.00"', "plan_fee = 45.0")):
        text = (folder / name).read_text(encoding="utf-8")
        (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(RefusedError) as refused:
        load_rules(folder)
    shown = [line.strip() for line in (SHIPPED / "README.md").read_text(encoding="utf-8").split("\n") if line.startswith("    ")]
    assert len(shown) == len(refused.value.problems) == 2
    for example, problem in zip(shown, refused.value.problems, strict=True):
        assert problem.startswith(example.removesuffix("..."))
