"""What intake tells of exports that can be read and yet are not what the office thinks: lost zeros, unused words, day numbers, copies."""

from __future__ import annotations

import dataclasses
from datetime import date
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from intake_case import AID, BANK, CHARGES, IN_ORDER, PLANS, POSTINGS, read, refused, rules, told, write

from reconcile.cli import run
from reconcile.run import reconcile_exports
from reconcile.unused_words import unused_words

if TYPE_CHECKING:
    from pathlib import Path

    from reconcile.exports import Exports

HEAD = CHARGES.partition("\n")[0] + "\n"
ZEROS = {
    "charges.csv": HEAD + "".join(f"00{n},2026-FA,2026-07-01,1000.00,tuition\n" for n in range(101, 106)),
    "aid.csv": AID.replace("S1", "00101"),
    "plan_schedules.csv": PLANS.replace("S1", "00101"),
}
OTHERWISE = "an id of another export but for leading zeros, such as"
TEXT = "export it again, with the ids as text."


def zeros(folder: Path, **changed: str) -> Exports:
    """Exports of students 00101 to 00105, of whom the first has a plan; some files in other words."""
    return read(folder, ZEROS | {f"{name}.csv": text for name, text in changed.items()})


# ---- ids that lost their leading zeros


def test_ids_in_one_form_are_not_told(tmp_path: Path) -> None:
    """Ids with zeros, of several lengths, that no other export has otherwise, are in order."""
    assert zeros(tmp_path, charges=ZEROS["charges.csv"] + "7,2026-FA,2026-07-01,1.00,tuition\n").notes == ()


def test_an_id_without_its_zeros_is_told_with_its_whole_form(tmp_path: Path) -> None:
    """File, column, how many, one pair and the cure: the charges name two students otherwise than aid and plans do."""
    charges = ZEROS["charges.csv"].replace("00101", "101")
    assert zeros(tmp_path, charges=charges).notes == (
        (
            f'charges.csv, column "student_id": 1 of 5 student ids equals {OTHERWISE} 101 here and '
            f"00101 in plan_schedules.csv. The id column lost its zeros, probably in a spreadsheet: {TEXT}"
        ),
    )
    aid = AID + "".join(f"00{n},2026-FA,grant,disbursed,1.00,2026-07-05\n" for n in (102, 103)).replace("S1", "00101")
    charges = ZEROS["charges.csv"].replace("00102", "102").replace("00103", "103")
    assert zeros(tmp_path / "two", charges=charges, aid=aid).notes == (
        (
            f'charges.csv, column "student_id": 2 of 5 student ids equal {OTHERWISE} 102 here and '
            f"00102 in aid.csv. The id column lost its zeros, probably in a spreadsheet: {TEXT}"
        ),
    )


def test_a_file_of_ids_without_their_zeros_refuses_the_run(tmp_path: Path) -> None:
    """More than half of the different ids of one file: no figure of these students could be right."""
    files = ZEROS | {"aid.csv": "".join(AID.replace("S1", "101").partition("\n")[:2]) + "101,2026-FA,grant,disbursed,1.00,2026-07-05\n" * 3}
    assert refused(tmp_path, files) == [
        (
            f'aid.csv, column "student_id": 1 of 1 student id equals {OTHERWISE} 101 here and '
            f"00101 in plan_schedules.csv. The id column lost its zeros, probably in a spreadsheet: {TEXT} "
            "That is more than half of them, so that no figure of these students could be right."
        )
    ]


def test_plan_schedules_that_lost_the_zeros_are_the_ones_told(tmp_path: Path) -> None:
    """Where all others agree on the longer id, it is the schedules' column that is named, and no other."""
    assert refused(tmp_path, ZEROS | {"plan_schedules.csv": PLANS.replace("S1", "101")}) == [
        (
            f'plan_schedules.csv, column "student_id": 1 of 1 student id equals {OTHERWISE} 101 here '
            f"and 00101 in charges.csv. The id column lost its zeros, probably in a spreadsheet: {TEXT} "
            "That is more than half of them, so that no figure of these students could be right."
        )
    ]


def test_an_id_of_the_plan_schedules_that_charges_confirm_is_a_student_of_its_own(tmp_path: Path) -> None:
    """Where plans and charges both know 101, the student 00101 of the charges is not taken for the same one."""
    plans = PLANS.replace("P1,S1", "P1,101") + "P2,00101,2026-FA,2026-07-10,1.00,1,2026-08-10,1.00\n"
    assert zeros(tmp_path, plan_schedules=plans, charges=ZEROS["charges.csv"] + "101,2026-FA,2026-07-01,1.00,tuition\n").notes == ()


def test_plan_ids_of_the_bank_are_held_against_the_schedules(tmp_path: Path) -> None:
    """The bank's plan ids too; where the bank knows both forms and the schedules one, nobody can say which column changed."""
    plans = PLANS.replace("P1", "0077") + "0078,S1,2026-FA,2026-07-10,1.00,1,2026-08-10,1.00\n"
    bank = BANK.replace("P1", "0077") + "2026-09-11,1.00,cleared,78,T3\n2026-09-11,1.00,cleared,79,T4\n"
    assert read(tmp_path / "a", {"plan_schedules.csv": plans, "cleared_draws.csv": bank}).notes == (
        (
            f'cleared_draws.csv, column "plan_id": 1 of 3 plan ids equals {OTHERWISE} 78 here and '
            f"0078 in plan_schedules.csv. The id column lost its zeros, probably in a spreadsheet: {TEXT}"
        ),
    )
    bank = BANK.replace("P1", "77") + "2026-09-11,1.00,cleared,0077,T3\n"
    assert read(tmp_path / "b", {"plan_schedules.csv": PLANS.replace("P1", "77"), "cleared_draws.csv": bank}).notes == (
        (
            f'cleared_draws.csv, column "plan_id": 1 of 2 plan ids equals {OTHERWISE} 0077 here and '
            f"77 in plan_schedules.csv. One of the two id columns lost its zeros, probably in a spreadsheet: {TEXT}"
        ),
    )


def test_check_shows_lost_zeros(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`check` shows the note, though every row can be used."""
    write(tmp_path / "exports", IN_ORDER | ZEROS | {"charges.csv": ZEROS["charges.csv"].replace("00101", "101")})
    assert run(["check", str(tmp_path / "exports")]) == 0
    out = capsys.readouterr().out
    assert 'Note: charges.csv, column "student_id": 1 of 5 student ids equals an id of another export but for leading zeros' in out
    assert out.endswith("Every row can be used.\n")


@given(st.sets(st.integers(1, 400), min_size=3, max_size=30), st.data())
def test_as_many_are_told_as_lost_their_zeros(students: set[int], data: st.DataObject) -> None:
    """Whichever ids of the charges lose their zeros, these and no others are counted, as a note up to half of them."""
    from types import SimpleNamespace
    from typing import Any

    import pyarrow as pa  # type: ignore[import-untyped]

    from reconcile.lost_zeros import lost_zeros

    def batch(name: str, ids: list[str]) -> Any:
        part = SimpleNamespace(file=f"{name}.csv", sheet="", headings={"student_id": "id"}, rows=ids, columns={"student_id": pa.array(ids)})
        return SimpleNamespace(export=SimpleNamespace(name=name), parts=(part,))

    lost = data.draw(st.sets(st.sampled_from(sorted(students))))
    whole = [f"{n:06d}" for n in sorted(students)]
    charges = [f"{n}" if n in lost else f"{n:06d}" for n in sorted(students)]
    notes, refusals = lost_zeros({"charges": batch("charges", charges * 2), "plan_schedules": batch("plan_schedules", whole)})
    counted = [line.split(": ")[1].split(" student")[0] for line in (*notes, *refusals)]
    assert counted == ([f"{len(lost)} of {len(students)}"] if lost else [])
    assert bool(refusals) == (len(lost) * 2 > len(students))


# ---- words of the rules that no row has


def test_a_fund_spelled_otherwise_in_the_rules_is_told(tmp_path: Path) -> None:
    """The rules say work-study; the export says workstudy, which would then pay bills."""
    assert read(tmp_path, {"aid.csv": AID.replace("grant", "Workstudy")}).notes == (
        (
            "The rules, aid.toml never_on_bill, name 'work-study', which is no fund in these exports; nearest: 'Workstudy'. "
            "If that is meant, write it so in the rules: until then the rule does nothing."
        ),
    )
    assert read(tmp_path / "b", {"aid.csv": AID.replace("grant", "Federal work-study")}).notes == (
        (
            "The rules, aid.toml never_on_bill, name 'work-study', which is no fund in these exports; nearest: 'Federal work-study'. "
            "If that is meant, write it so in the rules: until then the rule does nothing."
        ),
    )


def test_a_charge_type_spelled_otherwise_in_the_rules_is_told(tmp_path: Path) -> None:
    """The same for charge types outside the plan."""
    assert read(tmp_path, {"charges.csv": CHARGES.replace("50.25,tuition", "50.25,Libary Fine")}).notes == (
        (
            "The rules, plans.toml outside_plan, name 'library fine', which is no charge type in these exports; nearest: 'Libary Fine'. "
            "If that is meant, write it so in the rules: until then the rule does nothing."
        ),
    )


@pytest.mark.parametrize("fund", ["WORK-STUDY ", "grant", "work"])
def test_words_without_a_near_neighbour_are_not_told(tmp_path: Path, fund: str) -> None:
    """A word that occurs, whatever its capitals, and one that nothing is like, need no word."""
    assert read(tmp_path, {"aid.csv": AID.replace("grant", fund)}).notes == ()


def test_a_value_that_the_rules_name_themselves_is_no_slip(tmp_path: Path) -> None:
    """`library fine` is not taken for a slip of `library fines` where the rules name both; free text is not searched at all."""
    plans = rules().plans.model_copy(update={"outside_plan": ("library fine", "library fines")})
    tables = read(tmp_path, {"charges.csv": CHARGES.replace("tuition", "library fine")}).tables
    assert unused_words(tables, dataclasses.replace(rules(), plans=plans)) == []
    many = pd.DataFrame({"charge_type": [f"library fin {n}" for n in range(1001)]})
    assert unused_words(tables | {"charges": many}, rules()) == []


# ---- a spreadsheet's day numbers in text


def test_day_numbers_in_a_text_file_are_told(tmp_path: Path) -> None:
    """Per file and column, with how many and one example; the rows are accepted."""
    charges = CHARGES.replace("2026-07-01", "46200").replace("2026-07-02", "46204")
    exports = read(tmp_path, {"charges.csv": charges, "aid.csv": AID.replace("2026-07-05", "46208")})
    assert exports.notes == (
        "aid.csv: posted_on: 1 date stands as a spreadsheet's day number, such as 46208 read as 2026-07-05.",
        "charges.csv: posted_on: 2 dates stand as a spreadsheet's day numbers, such as 46200 read as 2026-06-27.",
    )
    assert told(exports) == []


def test_day_numbers_of_a_workbook_are_not_told(tmp_path: Path) -> None:
    """In a workbook a date without its format is a number; nothing there is out of the ordinary."""
    rows = [["student_id", "term", "posted_on", "amount"], ["S1", "2026-FA", 46200, 10]]
    assert read(tmp_path, {"charges.csv": None, "charges.xlsx": rows}).notes == ()


# ---- the same file twice


@pytest.mark.parametrize(("name", "text"), [("charges", CHARGES), ("aid", AID), ("plan_schedules", PLANS)])
def test_the_same_file_twice_without_references_is_one_sentence(tmp_path: Path, name: str, text: str) -> None:
    """Not a rejected row for each of its rows: the run is refused, and the cure is to remove one."""
    assert refused(tmp_path / "two", {f"{name} (1).csv": text}) == [
        f"{name} (1).csv and {name}.csv are the same file, byte for byte: remove one."
    ]
    assert refused(tmp_path / "three", {f"{name} (1).csv": text, f"{name}_2.csv": text}) == [
        f"{name} (1).csv, {name}.csv and {name}_2.csv are the same file, byte for byte: remove all but one."
    ]


def test_the_same_file_twice_where_the_map_says_how_to_count_is_read(tmp_path: Path) -> None:
    """Declared, both files are read, overlapping or not; so are files of headings alone and those whose every row has a reference."""
    for says, kept in (("true", 2), ("false", 4)):
        exports = read(tmp_path / says, {"charges_2.csv": CHARGES}, f"[charges]\nfiles_overlap = {says}\n")
        assert (len(exports.tables["charges"]), exports.notes) == (kept, ("charges_2.csv is the same file as charges.csv, byte for byte.",))
    assert len(read(tmp_path / "bank", {"cleared_draws_2.csv": BANK}).tables["cleared_draws"]) == 2
    assert len(read(tmp_path / "heads", {"charges.csv": HEAD, "charges_2.csv": HEAD}).tables["charges"]) == 0
    assert len(read(tmp_path / "posted", {"postings.csv": POSTINGS, "postings_2.csv": POSTINGS}).tables["postings"]) == 1


def test_postings_without_a_reference_twice_are_refused(tmp_path: Path) -> None:
    """A single row without a reference is enough: nobody could tell it from an event of its own."""
    text = POSTINGS + "S1,2026-FA,2026-08-12,payment,1.00,\n"
    assert refused(tmp_path, {"postings.csv": text, "postings_2.csv": text}) == [
        "postings.csv and postings_2.csv are the same file, byte for byte: remove one."
    ]


# ---- bank files that end before the as-of date


def test_bank_files_that_end_long_before_the_as_of_date_are_told(tmp_path: Path) -> None:
    """More than five calendar days: draws since cannot be seen, and the reader must know it."""
    exports = read(tmp_path, {"postings.csv": POSTINGS}, bank_through=date(2026, 9, 14))
    assert reconcile_exports(exports, rules(), date(2026, 9, 19)).notes == ()
    assert reconcile_exports(exports, rules(), date(2026, 9, 10)).notes == ()
    assert reconcile_exports(exports, rules(), date(2026, 10, 10)).notes == (
        "The bank files end on 2026-09-14, 26 days before the as-of date: later draws cannot be seen, and count as in transit.",
    )


# ---- one problem, said as one


def test_one_problem_is_told_as_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """One rejected row of a daily run, and two of one cause: no plural of one, and the second row is named."""
    monkeypatch.chdir(tmp_path)
    bad = CHARGES + "S3,2026-FA,2026-07-01,five,tuition\n"
    write(tmp_path / "one", IN_ORDER | {"charges.csv": bad})
    assert run(["daily", "one", "--as-of", "2026-09-15"]) == 2
    err = capsys.readouterr().err
    assert "1 row cannot be used (charges 1 row, 0.00 and 1 without a readable amount), with 1 problem. No report was written." in err
    place = (tmp_path / "reports" / "refused" / "2026-09-15" / "rejected_rows.csv").relative_to(tmp_path)
    assert f"  - The one problem of a single row, with how to mend it, is in {place}\n" in err
    write(tmp_path / "two", IN_ORDER | {"charges.csv": bad + "S4,2026-FA,2026-07-01,five,tuition\n"})
    assert run(["daily", "two", "--as-of", "2026-09-15"]) == 2
    err = capsys.readouterr().err
    assert '  row 4, column amount, "five" (and row 5): ' in err
    assert "  - All 2 problems of single rows, with how to mend each, are in " in err


def test_a_total_that_does_not_agree_is_named_by_its_row(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No row is rejected then, so none is counted: the total row is named instead."""
    write(tmp_path / "exports", IN_ORDER | {"charges.csv": CHARGES + "Total,,,999.00,\n"})
    assert run(["check", str(tmp_path / "exports")]) == 2
    assert "The exports cannot be used as they stand, with 1 problem in row 4 of charges.csv.\n" in capsys.readouterr().err
