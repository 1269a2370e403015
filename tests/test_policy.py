"""Reading the rules: every kind of mistake with the whole message that the office sees, and what is read when nothing is wrong."""

from __future__ import annotations

import hashlib
import pickle
import shutil
from datetime import date
from pathlib import Path
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from reconcile.errors import RefusedError
from reconcile.exception_kinds import KINDS
from reconcile.policy import RuleFile, Rules, load_rules

SHIPPED = Path(__file__).parents[1] / "rules"
MONEY = 'Allowed: money in quotes with two decimals, such as "45.00".'
PERCENT = 'a percent in quotes with at most two decimals, such as "2.50"'
DAYS = "Allowed: a whole number of calendar days from 0 to 366, without quotes."
DATE = "Allowed: a date without quotes, such as 2026-08-14."
MATCHING_KEYS = (
    "early_days, late_days, late_match_days, return_days, group_size, near_percent, tolerance, drop_percent, cleared_then_returned, "
    "late_return_days, settlement_lag, posting_lag"
)
CODE_KEYS = "method, code, title, class, frame, frame_unit, again, again_times, again_days, stops_plan, action, source, mark"


class Slip(NamedTuple):
    """One edit of a shipped file and what is said of it; {n} is the line of the edit plus `down`."""

    says: str
    file: str
    old: str
    new: str
    after: str = ""
    down: int = 0


SLIPS = {
    "unknown key": Slip(
        f"matching.toml, line {{n}}, erly_days: there is no such key. Write early_days. Allowed: {MATCHING_KEYS}.",
        "matching.toml",
        "early_days",
        "erly_days",
    ),
    "unknown key of an inner table": Slip(
        "matching.toml, line {n}, crd in posting_lag: there is no such key. Write card. Allowed: bank, card.",
        "matching.toml",
        "card",
        "crd",
        after="[posting_lag]",
    ),
    "unknown table": Slip(
        "terms.toml, line {n}, teir in term 2: there is no such table. Write tier. Allowed: code, name, billed_on, bill_due, class_start, "
        "plan_fee, fee_on_bill, last_day_to_enroll, methods, card_fee_percent, tier.",
        "terms.toml",
        "[[term.tier]]",
        "[[term.teir]]",
        after="2027-SP",
    ),
    "missing key": Slip(
        f"aid.toml, line 1, grace_days: this key is missing. {DAYS}",
        "aid.toml",
        "grace_days",
        "# grace_days",
    ),
    "missing key of a table": Slip(
        f"terms.toml, line {{n}}, plan_fee in term 2: this key is missing. {MONEY}",
        "terms.toml",
        'code = "2027-SP"',
        'code = "2027-SP" #',
        down=-1,
    ),
    "key of the whole file below a table": Slip(
        "exceptions.toml, line {n}, packet_threshold in disposition 1: packet_threshold belongs to the whole file: move it above the first "
        "[table].",
        "exceptions.toml",
        'word = "working"',
        'packet_threshold = "5.00"\nword = "working"',
    ),
    "money as a number": Slip(
        f'terms.toml, line {{n}}, plan_fee in term 1: 45.5 will not do. Write "45.50". {MONEY}',
        "terms.toml",
        'plan_fee = "45.00"',
        "plan_fee = 45.5",
    ),
    "money with a sign": Slip(
        f'plans.toml, line {{n}}, plan_tolerance: "-1.00" will not do. {MONEY}',
        "plans.toml",
        '"1.00"',
        '"-1.00"',
    ),
    "percent as a number": Slip(
        f'matching.toml, line {{n}}, near_percent: 10.0 will not do. Write "10.00". Allowed: {PERCENT}.',
        "matching.toml",
        '"10.00"',
        "10.0",
    ),
    "down payment over 100 percent": Slip(
        f'terms.toml, line {{n}}, down_percent in term 1, tier 2: "125" will not do. Allowed: {PERCENT}, from "0" to "100".',
        "terms.toml",
        'down_percent = "25"',
        'down_percent = "125"',
    ),
    "near percent of 100": Slip(
        f'matching.toml, line {{n}}, near_percent: "100" will not do. Allowed: {PERCENT}, from "0" to "99.99".',
        "matching.toml",
        '"10.00"',
        '"100"',
    ),
    "date in quotes": Slip(
        f'terms.toml, line {{n}}, bill_due in term 1: "2026-08-14" will not do. {DATE}',
        "terms.toml",
        "2026-08-14",
        '"2026-08-14"',
    ),
    "date with a time": Slip(
        f"terms.toml, line {{n}}, bill_due in term 1: 2026-08-14T00:00:00 will not do. {DATE}",
        "terms.toml",
        "2026-08-14",
        "2026-08-14 00:00:00",
    ),
    "wrong type inside a list": Slip(
        "calendar.toml, line {n}, closed item 2: 20261224 will not do. Allowed: a list of dates without quotes, such as "
        "[2026-12-24, 2026-12-31].",
        "calendar.toml",
        "2026-12-24",
        "20261224",
    ),
    "days as a decimal": Slip(
        "matching.toml, line {n}, late_days: 5.0 will not do. Allowed: a whole number of banking days from 0 to 60, without quotes.",
        "matching.toml",
        "late_days = 5 ",
        "late_days = 5.0 ",
    ),
    "negative days": Slip(
        f"aid.toml, line {{n}}, grace_days: -21 will not do. {DAYS}",
        "aid.toml",
        "21",
        "-21",
    ),
    "group of one": Slip(
        "matching.toml, line {n}, group_size: 1 will not do. Allowed: a whole number from 2 to 6, without quotes.",
        "matching.toml",
        "group_size = 3",
        "group_size = 1",
    ),
    "group of seven": Slip(
        "matching.toml, line {n}, group_size: 7 will not do. Allowed: a whole number from 2 to 6, without quotes.",
        "matching.toml",
        "group_size = 3",
        "group_size = 7",
    ),
    "yes for true": Slip(
        'plans.toml, line {n}, one_plan_per_student: "yes" will not do. Allowed: true or false, without quotes.',
        "plans.toml",
        "= true ",
        '= "yes" ',
    ),
    "number for a code": Slip(
        "returns.toml, line {n}, code in code 51: 5 will not do. Allowed: text in quotes, with no space at its ends.",
        "returns.toml",
        'code = "05"',
        "code = 5",
    ),
    "text with a space at its end": Slip(
        'aid.toml, line {n}, never_on_bill item 1: "work-study " will not do. Allowed: a list of texts, such as ["one", "another"].',
        "aid.toml",
        '"work-study"',
        '"work-study "',
    ),
    "unknown severity": Slip(
        'exceptions.toml, line {n}, severity in kind, plan exceeds bill: "urgnt" will not do. Write "urgent". '
        'Allowed: "urgent", "act", "information".',
        "exceptions.toml",
        'severity = "urgent"',
        'severity = "urgnt"',
    ),
    "unknown method": Slip(
        'terms.toml, line {n}, methods item 2 in term 1: "cards" will not do. Write "card". Allowed: "bank", "card".',
        "terms.toml",
        '["bank", "card"]',
        '["bank", "cards"]',
    ),
    "unknown split": Slip(
        'plans.toml, line {n}, split: "spare cent first" will not do. Write "spare cents first". Allowed: "spare cents first", '
        '"last absorbs".',
        "plans.toml",
        'split = "spare cents first"',
        'split = "spare cent first"',
    ),
    "unknown calendar": Slip(
        'calendar.toml, line {n}, banking_calendar: "XFD" will not do. Write "XFED". Allowed: "XFED".',
        "calendar.toml",
        '"XFED"',
        '"XFD"',
    ),
    "unknown class counted in a rate": Slip(
        'returns.toml, line {n}, classes item 1 in rates, levels 1: "unauthorised" will not do. Write "unauthorized". Allowed: "all", '
        '"funds", "administrative", "unauthorized", "stop", "other".',
        "returns.toml",
        'classes = ["unauthorized"]',
        'classes = ["unauthorised"]',
    ),
    "term twice": Slip(
        'terms.toml, line {n}, code in term 2: two terms have the code "2026-FA": each term stands once.',
        "terms.toml",
        '"2027-SP"',
        '"2026-FA"',
    ),
    "method twice": Slip(
        'terms.toml, line {n}, methods item 2 in term 1: "bank" stands twice in the list.',
        "terms.toml",
        '["bank", "card"]',
        '["bank", "bank"]',
    ),
    "due before billed": Slip(
        "terms.toml, line {n}, bill_due in term 1: 2026-07-14 is before billed_on 2026-07-15: a bill is due on or after the day it comes "
        "out.",
        "terms.toml",
        "bill_due = 2026-08-14",
        "bill_due = 2026-07-14",
    ),
    "tiers not in date order": Slip(
        "terms.toml, line {n}, enroll_by in term 1, tier 2: 2026-08-05 is not after 2026-08-05 of the tier above: tiers stand in date "
        "order, earliest first.",
        "terms.toml",
        "enroll_by = 2026-09-04",
        "enroll_by = 2026-08-05",
    ),
    "tier after the last day": Slip(
        "terms.toml, line {n}, enroll_by in term 1, tier 3: 2026-10-06 is after last_day_to_enroll 2026-10-05: no plan begins that late.",
        "terms.toml",
        "enroll_by = 2026-10-05",
        "enroll_by = 2026-10-06",
    ),
    "last day beyond the last tier": Slip(
        "terms.toml, line {n}, last_day_to_enroll in term 1: 2026-10-08 is after the last tier's enroll_by 2026-10-05: no tier says what a "
        "plan of the days between is like. Add a tier, or bring last_day_to_enroll forward.",
        "terms.toml",
        "last_day_to_enroll = 2026-10-05",
        "last_day_to_enroll = 2026-10-08",
    ),
    "draw dates not in order": Slip(
        "terms.toml, line {n}, draw_dates item 3 in term 1, tier 1: 2026-09-10 is not after 2026-09-10 before it: draw dates stand in date "
        "order, each once.",
        "terms.toml",
        "2026-10-10",
        "2026-09-10",
    ),
    "enrollment after the first draw": Slip(
        "terms.toml, line {n}, enroll_by in term 1, tier 1: 2026-08-11 is after the first draw date 2026-08-10: a family that enrolls "
        "between would owe a draw of the past.",
        "terms.toml",
        "enroll_by = 2026-08-05",
        "enroll_by = 2026-08-11",
    ),
    "return code twice": Slip(
        'returns.toml, line {n}, code in code 2: "r01" stands twice for bank: each code of a method has one row.',
        "returns.toml",
        '"R02"',
        '"r01"',
    ),
    "frame without its unit": Slip(
        'returns.toml, line {n}, frame in code 2: frame needs frame_unit beside it. Allowed: "banking", "calendar".',
        "returns.toml",
        "frame = 2\nframe_unit",
        "frame = 2\n# frame_unit",
        after='"R02"',
    ),
    "unit without its frame": Slip(
        "returns.toml, line {n}, frame_unit in code 2: frame_unit needs frame beside it: how many days. If no time frame is known leave "
        "both out.",
        "returns.toml",
        "frame = 2\nframe_unit",
        "# frame = 2\nframe_unit",
        after='"R02"',
        down=1,
    ),
    "again without how often": Slip(
        "returns.toml, line {n}, again in code 1: again = true needs again_times beside it, above 0.",
        "returns.toml",
        "again = true\nagain_times",
        "again = true\n# again_times",
    ),
    "again within no days": Slip(
        "returns.toml, line {n}, again_days in code 1: again = true needs again_days beside it, above 0.",
        "returns.toml",
        "again_days = 180",
        "again_days = 0",
    ),
    "how often though not again": Slip(
        "returns.toml, line {n}, again_times in code 2: again_times = 2, but the draw may not be presented again. Write again = true, or "
        "leave again_times out.",
        "returns.toml",
        "again = false",
        "again = false\nagain_times = 2",
        after='"R02"',
        down=1,
    ),
    "misspelled key of a code": Slip(
        f"returns.toml, line {{n}}, stop_plan in code 3: there is no such key. Write stops_plan. Allowed: {CODE_KEYS}.",
        "returns.toml",
        "stops_plan",
        "stop_plan",
        after='"R03"',
    ),
    "level twice": Slip(
        'returns.toml, line {n}, name in rates, levels 2: two levels have the name "unauthorized".',
        "returns.toml",
        'name = "administrative"',
        'name = "unauthorized"',
    ),
    "unknown kind": Slip(
        "exceptions.toml, line {n}, faild draw in kind: there is no such kind of exception. Write failed draw. "
        f"Allowed: {', '.join(KINDS)}.",
        "exceptions.toml",
        '[kind."failed draw"]',
        '[kind."faild draw"]',
    ),
    "disposition twice": Slip(
        'exceptions.toml, line {n}, word in disposition 5: two dispositions have the word "Working".',
        "exceptions.toml",
        '"fixed"',
        '"Working"',
    ),
    "closing day twice": Slip(
        "calendar.toml, line {n}, closed item 2: 2026-11-27 stands twice in the list.",
        "calendar.toml",
        "2026-12-24",
        "2026-11-27",
    ),
    "fund twice": Slip(
        'aid.toml, line {n}, never_on_bill item 2: "Work-Study" stands twice in the list.',
        "aid.toml",
        '["work-study"]',
        '["work-study", "Work-Study"]',
    ),
    "charge type twice": Slip(
        'plans.toml, line {n}, outside_plan item 2: "library fine" stands twice in the list.',
        "plans.toml",
        '"parking fine"',
        '"library fine"',
    ),
    "no toml": Slip(
        "plans.toml, line {n}, column 7: this cannot be read: a line is a key, an equals sign and a value.",
        "plans.toml",
        "split =",
        "split :",
        after="Take the one",
    ),
}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the shipped rules to make mistakes in."""
    return Path(shutil.copytree(SHIPPED, tmp_path / "rules"))


def edit(folder: Path, file: str, old: str, new: str, after: str = "") -> int:
    """Replace the first occurrence of `old` below `after`; the line on which it stood."""
    path = folder / file
    text = path.read_text(encoding="utf-8")
    at = text.index(old, text.index(after))
    path.write_text(text[:at] + new + text[at + len(old) :], encoding="utf-8")
    return text.count("\n", 0, at) + 1


def told(folder: Path) -> list[str]:
    """What loading the folder says is wrong."""
    with pytest.raises(RefusedError) as refused:
        load_rules(folder)
    assert str(refused.value).startswith(f"The rules in {folder} cannot be used as they stand. Correct these files and run again:\n  - ")
    return list(refused.value.problems)


def expected(slip: Slip, line: int) -> str:
    """The sentence of a slip made on that line."""
    return slip.says.replace("{n}", str(line + slip.down))


@pytest.mark.parametrize("name", SLIPS)
def test_one_mistake_is_told_in_full(folder: Path, name: str) -> None:
    """Each kind of mistake gives one sentence: file, line, key, what is wrong, what is allowed, the nearest right spelling."""
    slip = SLIPS[name]
    if name == "missing key of a table":
        edit(folder, slip.file, "plan_fee", "# plan_fee", after=slip.old)
    line = edit(folder, slip.file, slip.old, slip.new, slip.after)
    assert told(folder) == [expected(slip, line)]


def test_all_mistakes_of_all_files_at_once(folder: Path) -> None:
    """Nobody corrects one mistake only to be told of the next: a wrong type hides neither other keys nor other files."""
    names = (
        "date in quotes",
        "tier after the last day",
        "due before billed",
        "unknown severity",
        "negative days",
        "frame without its unit",
    )
    wanted = []
    for name in names[:2] + names[3:]:
        slip = SLIPS[name]
        wanted.append(expected(slip, edit(folder, slip.file, slip.old, slip.new, slip.after)))
    edit(folder, "plans.toml", "split = ", "split ")
    problems = told(folder)
    assert set(wanted) < set(problems)
    assert len(problems) == len(wanted) + 1
    assert [p.split(",")[0] for p in problems] == sorted(p.split(",")[0] for p in problems)


def test_a_kind_left_out(folder: Path) -> None:
    """Every kind of exception must stand in the file, so that none is met without an owner."""
    text = (folder / "exceptions.toml").read_text(encoding="utf-8")
    start = text.index('[kind."no draw seen"]')
    end = text.index("[kind.", start + 1)
    (folder / "exceptions.toml").write_text(text[:start] + text[end:], encoding="utf-8")
    first = text[: text.index("[kind.")].count("\n") + 1
    (problem,) = told(folder)
    assert problem == (
        f'exceptions.toml, line {first}, kind: the kind "no draw seen" is missing. Add [kind."no draw seen"] with severity, owner, action '
        "and act_by_days."
    )


def test_a_missing_file(folder: Path) -> None:
    """A file that is not there is named, and what to do about it."""
    (folder / "aid.toml").unlink()
    assert told(folder) == [f"aid.toml: this rules file is missing in {folder}. Copy it from the sample rules and set your own values."]


FILES = "aid.toml, calendar.toml, exceptions.toml, letters.toml, matching.toml, plans.toml, returns.csv, returns.toml, terms.toml"


def test_a_misnamed_file_is_told_once(folder: Path) -> None:
    """A misspelled file name is told with the right one, not as one file too many and one missing."""
    (folder / "matching.toml").rename(folder / "matchng.toml")
    assert told(folder) == [f"matchng.toml: no rules file has this name. Rename it to matching.toml. Allowed: {FILES}."]


def test_a_file_too_many(folder: Path) -> None:
    """A file that looks like rules but is never read is refused; remarks for people and an editor's own files are let be."""
    (folder / "zebra.toml").write_text("a = 1\n", encoding="utf-8")
    (folder / ".hidden.toml").write_text("a = 1\n", encoding="utf-8")
    (folder / "notes.txt").write_text("ask the bursar\n", encoding="utf-8")
    assert told(folder) == [f"zebra.toml: no rules file has this name. Allowed: {FILES}."]


def test_no_folder(tmp_path: Path) -> None:
    """A folder that is not there is said so, with the option that names it."""
    with pytest.raises(RefusedError) as refused:
        load_rules(tmp_path / "nowhere")
    assert str(refused.value) == (
        f"There is no rules folder {tmp_path / 'nowhere'}. Give the folder that holds terms.toml and the other rules with --rules."
    )


def test_a_misspelled_header_that_makes_the_file_unreadable(folder: Path) -> None:
    """Where a misspelled [[term]] makes a later header unreadable, the misspelled line is told too."""
    line = edit(folder, "terms.toml", "\n[[term]]", "\n[[trem]]")
    assert f"terms.toml, line {line + 1}, trem: there is no such table. Write term. Allowed: term." in told(folder)


CLASSES = '"funds", "administrative", "unauthorized", "stop", "other", "dishonored", "contested", "declined", "chargeback"'
HEADINGS = CODE_KEYS.replace(" ", "")
R02 = "bank,R02,account closed,administrative,2,banking,FALSE,,,TRUE,Ask for a new account.,our bank's sheet,seen"


def table(folder: Path, *rows: str, headings: str = HEADINGS) -> None:
    """Keep the codes in a spreadsheet instead of returns.toml."""
    text = (folder / "returns.toml").read_text(encoding="utf-8")
    (folder / "returns.toml").write_text(text[: text.index("\n[[code]]")], encoding="utf-8")
    (folder / "returns.csv").write_text("\n".join((headings, *rows)) + "\n", encoding="utf-8")


def test_codes_from_a_spreadsheet(folder: Path) -> None:
    """Codes may stand in returns.csv with the same keys as headings; an empty cell is a key left out, a blank line is nothing."""
    table(folder, R02, "", "bank,R06,asked back,other,,,,,,false,Ask our bank.,our bank's sheet,seen")
    rules = load_rules(folder)
    closed, asked = rules.returns.codes
    assert (closed.code, closed.klass, closed.frame, closed.frame_unit, closed.again, closed.stops_plan) == (
        "R02",
        "administrative",
        2,
        "banking",
        False,
        True,
    )
    assert (asked.frame, asked.frame_unit, asked.again, asked.again_times) == (None, None, False, 0)
    assert [f.name for f in rules.files if f.name.startswith("returns")] == ["returns.csv", "returns.toml"]


def test_mistakes_in_the_spreadsheet(folder: Path) -> None:
    """Mistakes in returns.csv are told with line and heading, all at once."""
    table(
        folder,
        R02,
        R02.replace("TRUE", "perhaps").replace("R02", "R03"),
        R02,
        R02.replace(",banking", ",").replace("R02", "R04"),
        R02.replace("administrative", "admin").replace("R02", "R05"),
        "bank,R06",
    )
    assert told(folder) == [
        'returns.csv, line 3, stops_plan: "perhaps" will not do. Allowed: true or false, without quotes.',
        'returns.csv, line 4, code: "R02" stands twice for bank: each code of a method has one row.',
        'returns.csv, line 5, frame: frame needs frame_unit beside it. Allowed: "banking", "calendar".',
        f'returns.csv, line 6, class: "admin" will not do. Write "administrative". Allowed: {CLASSES}.',
        "returns.csv, line 7, row: it has 2 cells and the headings are 13.",
    ]


def test_misspelled_headings_of_the_spreadsheet(folder: Path) -> None:
    """A misspelled heading is told once with the right one; a heading that is missing or there twice is told."""
    table(folder, headings=HEADINGS.replace("stops_plan", "stop_plan").replace("title", "code").replace(",mark", ",mark,mark"))
    assert told(folder) == [
        f"returns.csv, line 1, stop_plan: there is no such heading. Write stops_plan. Allowed: {CODE_KEYS}.",
        "returns.csv, line 1, code: this heading stands twice.",
        "returns.csv, line 1, mark: this heading stands twice.",
        "returns.csv, line 1, title: this heading is missing.",
    ]


def test_a_code_in_both_files(folder: Path) -> None:
    """A code that stands in the spreadsheet and in returns.toml is refused: nobody could tell which of the two holds."""
    (folder / "returns.csv").write_text(f"{HEADINGS}\n{R02}\n", encoding="utf-8")
    text = (folder / "returns.toml").read_text(encoding="utf-8")
    line = text[: text.index('code = "R02"')].count("\n") + 1
    assert told(folder) == [
        f'returns.toml, line {line}, code in code 2: "R02" for bank stands in returns.csv too: keep one of the two rows.'
    ]


def test_a_spreadsheet_that_is_no_csv(folder: Path) -> None:
    """A table that cannot be read at all is told with its line."""
    table(folder, '"bank" x,R02')
    (problem,) = told(folder)
    assert problem.startswith("returns.csv, line 2: this cannot be read as CSV: ")
    (folder / "returns.csv").write_bytes(HEADINGS.encode() + b"\nbank,R\xe9\n")
    assert told(folder) == ["returns.csv, line 2: a letter here is not UTF-8. Save the table again as CSV UTF-8."]


@pytest.fixture(scope="module")
def rules() -> Rules:
    """The shipped rules."""
    return load_rules(SHIPPED)


def test_a_term_is_found_by_its_code(rules: Rules) -> None:
    """A term that no rule knows is None, never a guess."""
    fall = rules.term("2026-FA")
    assert fall is not None
    assert fall.name == "Fall 2026"
    assert rules.term("2026-fa") is None


def test_a_return_code_is_found_by_method_and_code(rules: Rules) -> None:
    """Without a method the code alone decides if only one method has it; an unknown code is None and stops nothing."""
    insufficient = rules.returns.code("bank", "R01")
    assert insufficient is not None
    assert rules.returns.code("", " r01 ") == insufficient
    assert rules.returns.code("card", "R01") is None
    assert rules.returns.code("", "R99") is None
    assert rules.returns.code("", "") is None
    both = rules.returns.model_copy(update={"codes": (insufficient, insufficient.model_copy(update={"method": "card"}))})
    assert both.code("", "R01") is None
    assert both.code("card", "R01") is not None


def test_lags_by_method(rules: Rules) -> None:
    """Lags are asked by the method's word."""
    lag = rules.matching.settlement_lag
    assert (lag.days("bank"), lag.days("card")) == (lag.bank, lag.card)
    with pytest.raises(KeyError):
        lag.days("cheque")


def test_office_closings_are_no_banking_days(rules: Rules) -> None:
    """The banks' calendar and the office's own closing days count together."""
    days = rules.banking_days()
    assert not days.is_open(date(2026, 12, 24))
    assert not days.is_open(date(2026, 12, 25))
    assert days.is_open(date(2026, 12, 23))


def test_rules_cannot_be_changed_and_can_be_sent_to_another_process(rules: Rules) -> None:
    """Nothing changes a rule once read; a run spread over processes takes the rules along."""
    with pytest.raises(ValidationError):
        rules.matching.late_days = 9
    assert pickle.loads(pickle.dumps(rules)) == rules  # noqa: S301 (our own bytes)


def test_files_are_named_with_their_hashes(rules: Rules) -> None:
    """The audit names every rules file with the SHA-256 and size of its bytes, in name order."""
    names = ("aid.toml", "calendar.toml", "exceptions.toml", "letters.toml", "matching.toml", "plans.toml", "returns.toml", "terms.toml")
    raw = [(SHIPPED / name).read_bytes() for name in names]
    assert rules.files == tuple(
        RuleFile(name, hashlib.sha256(content).hexdigest(), len(content)) for name, content in zip(names, raw, strict=True)
    )


def test_fee_on_bill_is_no_unless_said(folder: Path) -> None:
    """`fee_on_bill` may be left out, and then the fee is not on the bill."""
    edit(folder, "terms.toml", "fee_on_bill = false\n", "", after="2026-FA")
    assert [term.fee_on_bill for term in load_rules(folder).terms] == [False, False]


ODD_VALUES = ["[]", "{}", "5", '"x"', '""', "true", "2026-01-01", "07:30:00", '[1, "a"]', "[{ a = 1 }, 2]", "{ a = 1 }", "-1", "inf", "nan"]


@pytest.fixture(scope="module")
def spoiled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which one file at a time is spoiled."""
    return Path(shutil.copytree(SHIPPED, tmp_path_factory.mktemp("spoiled") / "rules"))


@settings(deadline=None)  # each example reads seven files
@given(data=st.data())
def test_whatever_stands_in_a_file_the_answer_is_rules_or_a_refusal(spoiled: Path, data: st.DataObject) -> None:
    """A value of any kind in any place, or a line lost, gives rules or sentences with lines that exist, never a fault of ours."""
    path = data.draw(st.sampled_from(sorted(spoiled.glob("*.toml"))))
    text = path.read_text(encoding="utf-8")
    lines = text.split("\n")
    at = data.draw(st.sampled_from([n for n, line in enumerate(lines) if line.strip() and not line.startswith("#")]))
    odd = data.draw(st.sampled_from(ODD_VALUES))
    key = lines[at].split(" = ")[0]
    lines[at] = data.draw(st.sampled_from(["", f"{key} = {odd}"])) if not key.startswith("[") else ""
    path.write_text("\n".join(lines), encoding="utf-8")
    try:
        load_rules(spoiled)
    except RefusedError as refused:
        for problem in refused.problems:
            assert problem.startswith(f"{path.name}, line ")
            assert 1 <= int(problem.split("line ")[1].split(",")[0].split(":")[0]) <= len(lines)
    finally:
        path.write_text(text, encoding="utf-8")
