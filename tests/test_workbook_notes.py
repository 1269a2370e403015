"""What people write in the workbook comes back, wherever rows and columns have gone and whoever saved it, and nothing else does."""

from __future__ import annotations

import csv
import json
import random
import shutil
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import openpyxl
import outside_tools
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl.comments import Comment
from shown_case import AS_OF, RULES, exception, written
from test_workbook import converted

from reconcile import audit
from reconcile.cli import run
from reconcile.deliver.workbook import EXCEPTIONS
from reconcile.dispositions import Note, read_notes
from reconcile.workbook_notes import ReadBack, read_workbook_notes

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from openpyxl.worksheet.worksheet import Worksheet

ROOT = Path(__file__).parents[1]
WRITTEN = ("Disposition", "Note", "Decided by", "Decided on")
Cells = dict[str, Any]
ONE = exception(1)["exception_id"]


def read(path: Path, stood: Mapping[str, tuple[str, str, str, str]] | None = None) -> ReadBack:
    return read_workbook_notes(path, path.name, RULES, stood or {})


def edit(path: Path, cells: Mapping[str, Cells], change: Callable[[Worksheet], None] = lambda _: None) -> Path:
    """Write cells by exception id and heading, change the sheet, and save with openpyxl."""
    book = openpyxl.load_workbook(path)
    sheet = book[EXCEPTIONS]
    headings = {str(cell.value): at for at, cell in enumerate(sheet[1], 1)}
    for row in range(2, sheet.max_row + 1):
        for name, value in cells.get(str(sheet.cell(row, headings["Exception id"]).value), {}).items():
            sheet.cell(row, headings[name]).value = value
            if isinstance(value, str):
                sheet.cell(row, headings[name]).data_type = "s"
    change(sheet)
    book.save(path)
    return path


def moved(seed: int, dropped: Sequence[str] = ()) -> Callable[[Worksheet], None]:
    """Shuffle rows and columns by a seed, put a line above the headings, hide some rows as a filter does, and leave columns out."""

    def change(sheet: Worksheet) -> None:
        chance = random.Random(seed)
        headings, *rows = [[cell.value for cell in row] for row in sheet.iter_rows()]
        columns = [at for at, name in enumerate(headings) if name not in dropped]
        chance.shuffle(columns)
        chance.shuffle(rows)
        sheet.delete_rows(1, sheet.max_row)
        table = [headings, *rows]
        above = chance.choice((0, 1))
        if above:
            sheet.cell(1, 1).value = "My worklist"
        for at, row in enumerate(table, 1 + above):
            for column, source in enumerate(columns, 1):
                cell = sheet.cell(at, column)
                cell.value = row[source]
                if isinstance(row[source], str):
                    cell.data_type = "s"
        for at in range(2 + above, sheet.max_row + 1):
            sheet.row_dimensions[at].hidden = chance.random() < 0.5

    return change


WORDS = [word.word for word in RULES.exceptions.dispositions]
OPENS = [word.word for word in RULES.exceptions.dispositions if not word.closes]
plain_text = st.text(
    st.characters(codec="utf-8", exclude_categories=("C", "Z"), exclude_characters="\ufffe\uffff"), min_size=1, max_size=30
)
TEXT = st.lists(plain_text, min_size=1, max_size=4).map(" ".join)
DECISION = st.fixed_dictionaries(
    {
        "Disposition": st.sampled_from(WORDS),
        "Note": st.one_of(st.just(""), TEXT),
        "Decided by": TEXT,
        "Decided on": st.dates(date(2026, 1, 1), date(2027, 12, 31)),
    }
)


def note_of(number: int, cells: Cells) -> Note:
    """What is to come back of a row."""
    row = exception(number)
    on = cells.get("Decided on")
    day = on.date() if isinstance(on, datetime) else on
    word, note, who = (str(cells.get(name, "") or "") for name in WRITTEN[:3])
    return Note(row["exception_id"], word, note, who, day, anew=True, saw=row["amount"])


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(decisions=st.dictionaries(st.integers(0, 11), DECISION), seed=st.integers(0, 10**6))
def test_every_decision_comes_back_from_a_shuffled_copy(decisions: dict[int, Cells], seed: int, tmp_path: Path) -> None:
    """Rows shuffled, columns moved, rows filtered, saved by openpyxl: each decision comes back whole and once, and nothing else does."""
    rows = [exception(n, note="carried" if n % 3 == 0 else "") for n in range(12)]
    ids = {exception(n)["exception_id"]: cells for n, cells in decisions.items()}
    path = edit(written(tmp_path, {"exceptions": rows}), ids, moved(seed))
    found = read(path, {row["exception_id"]: ("", row["note"], "", "") for row in rows})
    assert found.unread == ()
    assert sorted(found.notes) == sorted(note_of(n, cells) for n, cells in decisions.items())


@pytest.mark.slow
def test_every_decision_comes_back_from_a_copy_saved_by_another_program(tmp_path: Path) -> None:
    """The same, saved again by LibreOffice."""
    outside_tools.libreoffice()
    texts = ["=1+1", "@SUM(A1)", "<b>x</b>", "+1", "two\nlines", "00123", "caf\u00e9 \U0001f600", "_x0041_", "Total"]
    decisions: dict[int, Cells] = {
        n: {"Disposition": WORDS[n % len(WORDS)], "Note": text, "Decided by": "A. Clerk", "Decided on": AS_OF}
        for n, text in enumerate(texts)
    }
    stood = {exception(n)["exception_id"]: ("", "_x0042_ carried", "", "") for n in range(12)}
    path = written(tmp_path, {"exceptions": [exception(n, note="_x0042_ carried") for n in range(12)]})
    edit(path, {exception(n)["exception_id"]: cells for n, cells in decisions.items()}, moved(3))
    (tmp_path / "out").mkdir()
    found = read(converted(path, "xlsx", tmp_path / "out"), stood)
    assert found.unread == ()
    one_line = {n: cells | {"Note": cells["Note"].replace("\n", " ")} for n, cells in decisions.items()}
    assert sorted(found.notes) == sorted(note_of(n, cells) for n, cells in one_line.items())


def test_what_was_only_carried_is_no_decision(tmp_path: Path) -> None:
    """A workbook that was saved without a change gives no note, whatever stood in it: a formula, spaces, a text too long."""
    rows = [
        exception(n, disposition="working", note=text, decided_by="A. Clerk", decided_on=pd.Timestamp(AS_OF))
        for n, text in enumerate(("'=1+1", "two  spaces ", "x" * 40_000, "_x0041_", "a\u202eb", "<r><t>x</t></r>"))
    ]
    assert read(edit(written(tmp_path, {"exceptions": rows}), {}, moved(1))) == ReadBack((), ())


def test_the_same_words_again_are_a_decision_once_they_were_written_again(tmp_path: Path) -> None:
    """Working, then waiting, then working again: the third is new, though the same words stood there once."""
    path = written(tmp_path, {"exceptions": [exception(1, disposition="waiting for the bank")]})
    edit(path, {ONE: {"Disposition": "working"}})
    assert read(path, {ONE: ("waiting for the bank", "", "", "")}).notes == (note_of(1, {"Disposition": "working"}),)
    assert not read(path, {ONE: ("fixed", "", "A", "2026-11-19")}).notes[0].anew


@pytest.mark.parametrize(
    ("cells", "column", "problem", "kept"),
    [
        ({"Disposition": "wurking", "Note": "called"}, "disposition", "Did you mean working?", {"Note": "called"}),
        ({"Disposition": "wurking"}, "disposition", "is no disposition of the rules", None),
        ({"Disposition": "working", "Decided on": "11/23/2026"}, "decided_on", "is not a date", {"Disposition": "working"}),
        ({"Disposition": "working", "Decided on": 46_000}, "decided_on", "is not a date", {"Disposition": "working"}),
        ({"Disposition": "fixed", "Note": "n", "Decided by": "A"}, "disposition", "on which day", {"Note": "n", "Decided by": "A"}),
        ({"Disposition": "fixed"}, "disposition", "does not say who decided and on which day", None),
        ({"Decided by": "A. Clerk"}, "decided_by", "without a disposition or note", None),
        ({"Note": "=A1+", "Disposition": "working"}, "", "", {"Note": "=A1+", "Disposition": "working"}),
    ],
)
def test_a_wrong_cell_is_told_and_the_rest_of_the_row_counts(
    cells: Cells, column: str, problem: str, kept: Cells | None, tmp_path: Path
) -> None:
    """The cell is listed with its place, its value and the cure; a closing word without name and day leaves the exception open."""
    other = {exception(2)["exception_id"]: {"Disposition": "working", "Note": "fine"}}
    number_format = (
        (lambda sheet: setattr(sheet.cell(2, 14), "number_format", "General"))
        if isinstance(cells.get("Decided on"), int)
        else (lambda _: None)
    )
    found = read(edit(written(tmp_path, {"exceptions": [exception(1), exception(2)]}), {ONE: cells} | other, number_format))
    good = () if kept is None else (note_of(1, kept),)
    assert found.notes == (*good, note_of(2, {"Disposition": "working", "Note": "fine"}))
    assert [(one.row, one.exception_id, one.column) for one in found.unread] == ([(2, ONE, column)] if column else [])
    assert all(problem in one.problem and one.cure for one in found.unread)


def test_a_formula_without_a_result_is_told(tmp_path: Path) -> None:
    """A formula in a day's cell, saved by a program that does not calculate, is listed; the disposition beside it counts."""

    def formula(sheet: Worksheet) -> None:
        sheet.cell(2, 14).value = "=TODAY()"

    found = read(edit(written(tmp_path, {"exceptions": [exception(1)]}), {ONE: {"Disposition": "working"}}, formula))
    assert found.notes == (note_of(1, {"Disposition": "working"}),)
    assert [(one.column, "without a result" in one.problem) for one in found.unread] == [("decided_on", True)]


def test_an_id_on_two_rows_with_different_words_is_told(tmp_path: Path) -> None:
    """Neither is taken, both are listed with what they say; a copied row that says the same counts once, an untouched copy not at all."""

    def copied(note: str | None) -> Callable[[Worksheet], None]:
        def change(sheet: Worksheet) -> None:
            sheet.append([cell.value for cell in sheet[2]])
            for at, name in enumerate(cell.value for cell in sheet[1]):
                if name == "Note":
                    sheet.cell(sheet.max_row, at + 1).value = note

        return change

    said = {ONE: {"Disposition": "working", "Note": "first"}}

    def after(note: str | None) -> ReadBack:
        return read(edit(written(tmp_path, {"exceptions": [exception(1), exception(2)]}), said, copied(note)))

    both = after("second")
    assert both.notes == ()
    assert [(one.row, one.value) for one in both.unread] == [(2, "working | first |  | "), (4, "working | second |  | ")]
    assert after("first") == ReadBack((note_of(1, said[ONE]),), ())


@pytest.mark.parametrize("gone", ["Disposition", "Note", "Decided by", "Decided on"])
def test_a_missing_column_is_told_and_keeps_what_stood_there(gone: str, tmp_path: Path) -> None:
    """What the run before had in that column stays, for changed rows too; the other columns are read."""
    before = {"disposition": "working", "note": "old", "decided_by": "B", "decided_on": pd.Timestamp("2026-11-01")}
    stood = {exception(n)["exception_id"]: ("working", "old", "B", "2026-11-01") for n in (1, 2)}
    path = written(tmp_path, {"exceptions": [exception(n, **before) for n in (1, 2)]})
    cells = {"Disposition": "family contacted", "Note": "new", "Decided by": "C", "Decided on": AS_OF}
    found = read(edit(path, {ONE: cells}, moved(5, (gone,))), stood)
    kept = {"Disposition": "working", "Note": "old", "Decided by": "B", "Decided on": date(2026, 11, 1)}
    assert found.notes == (note_of(1, cells | {gone: kept[gone]}),)
    assert [(one.row, one.column) for one in found.unread] == [(0, gone.lower().replace(" ", "_"))]


def test_without_ids_nothing_can_be_told_apart(tmp_path: Path) -> None:
    """The missing column is named, with what to do; no note is guessed."""
    path = written(tmp_path, {"exceptions": [exception(1)]})
    found = read(edit(path, {ONE: {"Disposition": "working"}}, moved(2, ("Exception id",))))
    assert found.notes == ()
    assert [(one.sheet, "Exception id is missing" in one.problem) for one in found.unread] == [(EXCEPTIONS, True)]


def test_a_row_without_its_id_is_told_with_what_it_says(tmp_path: Path) -> None:
    """A row typed below the list, or whose id was cleared."""

    def below(sheet: Worksheet) -> None:
        sheet.cell(sheet.max_row + 1, 12).value = "call the bank about the plan of S1"

    found = read(edit(written(tmp_path, {"exceptions": [exception(1)]}), {}, below))
    assert found.notes == ()
    assert "call the bank about the plan of S1" in found.unread[0].problem


def test_a_sheet_of_ones_own_and_a_copied_sheet_are_read_too(tmp_path: Path) -> None:
    """Rows copied to another sheet count; the copy that was left as it was does not."""
    path = written(tmp_path, {"exceptions": [exception(1), exception(2)]})
    book = openpyxl.load_workbook(path)
    copy = book.copy_worksheet(book[EXCEPTIONS])
    copy.title = "Mine"
    copy.cell(2, 11).value = "working"
    book.save(path)
    assert read(path) == ReadBack((note_of(1, {"Disposition": "working"}),), ())


def column(sheet: Worksheet, name: str) -> int:
    """Where the column under a heading stands."""
    return next(at for at, cell in enumerate(sheet[1], 1) if cell.value == name)


TWO, THREE = (exception(n)["exception_id"] for n in (2, 3))
SAID = {ONE: {"Disposition": "working", "Note": "called"}, TWO: {"Note": "asked"}}
TAKEN = (note_of(1, SAID[ONE]), note_of(2, SAID[TWO]))


def note_twice(sheet: Worksheet) -> None:
    at = sheet.max_column + 1
    for row, text in enumerate(("Note", "written here too", "asked", "only here"), 1):
        sheet.cell(row, at).value = text


def id_twice(sheet: Worksheet) -> None:
    at = sheet.max_column + 1
    for row, text in enumerate(("EXCEPTION ID", TWO), 1):
        sheet.cell(row, at).value = text


def merged(sheet: Worksheet) -> None:
    at = column(sheet, "Decided by")
    sheet.merge_cells(start_row=2, end_row=4, start_column=at, end_column=at)


def far_down(sheet: Worksheet) -> None:
    sheet.insert_rows(1, 60)


def commented(sheet: Worksheet) -> None:
    sheet.cell(3, 3).comment = Comment("ask the bursar", "A. Clerk")


def without_headings(sheet: Worksheet) -> None:
    sheet.delete_rows(1)


def removed(sheet: Worksheet) -> None:
    assert sheet.parent is not None
    sheet.parent.remove(sheet)


@pytest.mark.parametrize(
    ("change", "notes", "listed"),
    [
        (note_twice, (*TAKEN, note_of(3, {"Note": "only here"})), [(2, "note", "written here too", "'called' was taken")]),
        (id_twice, TAKEN, [(2, "exception_id", TWO, f"{ONE!r} was taken")]),
        (merged, TAKEN, [(0, "", "", "merged cells hold their value in the first cell only: M2:M4")]),
        (commented, TAKEN, [(0, "", "", "comments on cells are not read: C3")]),
        (far_down, (), [(0, "", "", "none of the first 30 rows holds headings")]),
        (without_headings, (), [(0, "", "", "none of the first 30 rows holds headings")]),
        (removed, (), [(0, "", "", "none of the first 30 rows holds headings")]),
    ],
)
def test_what_stands_where_it_cannot_be_read_is_listed(
    change: Callable[[Worksheet], None], notes: Sequence[Note], listed: list[tuple[int, str, str, str]], tmp_path: Path
) -> None:
    """A heading twice, merged cells, comments, no headings, no list: what can be read counts, each other thing is listed with its cure."""
    found = read(edit(written(tmp_path, {"exceptions": [exception(n) for n in (1, 2, 3)]}), SAID, change))
    assert found.notes == tuple(notes)
    assert [(one.row, one.column, one.value) for one in found.unread] == [one[:3] for one in listed]
    assert all(problem in one.problem and one.cure for one, (*_, problem) in zip(found.unread, listed, strict=True))
    assert not any("column map" in one.cure for one in found.unread)


def headings_again(sheet: Worksheet) -> None:
    sheet.insert_rows(3)
    for at, cell in enumerate(sheet[1], 1):
        sheet.cell(3, at).value = cell.value


def blank_rows(sheet: Worksheet) -> None:
    sheet.insert_rows(3, 5)


def lower_ids(sheet: Worksheet) -> None:
    at = column(sheet, "Exception id")
    for row in range(2, sheet.max_row + 1):
        sheet.cell(row, at).value = f" {str(sheet.cell(row, at).value).lower()} \u00a0"


def hidden(sheet: Worksheet) -> None:
    sheet.sheet_state = "veryHidden"
    sheet.title = "What we did"
    sheet.row_dimensions[2].hidden = True
    sheet.column_dimensions["L"].hidden = True
    sheet.auto_filter.ref = "A1:V4"


@pytest.mark.parametrize("change", [headings_again, blank_rows, lower_ids, hidden, lambda sheet: sheet.insert_rows(1, 15)])
def test_harmless_damage_loses_nothing(change: Callable[[Worksheet], None], tmp_path: Path) -> None:
    """Headings pasted again, blank rows, ids in small letters with spaces, a sheet renamed, filtered and hidden, headings moved down."""
    path = edit(written(tmp_path, {"exceptions": [exception(n) for n in (1, 2, 3)]}), SAID, change)
    assert read(path) == ReadBack(TAKEN, ())


@pytest.mark.parametrize("word", ["WAITING FOR THE BANK", " Waiting  for\u00a0the bank. "])
def test_a_disposition_in_another_dress_is_the_same_word(word: str, tmp_path: Path) -> None:
    """Capitals, spaces and a full stop make no other word; in a CSV of notes neither."""
    path = edit(written(tmp_path, {"exceptions": [exception(1)]}), {ONE: {"Disposition": word}})
    assert read(path) == ReadBack((note_of(1, {"Disposition": "waiting for the bank"}),), ())
    text = tmp_path / "notes.csv"
    text.write_text(f"exception_id,disposition\n{ONE.lower()},{word}\n", encoding="utf-8")
    assert [(one.exception_id, one.disposition) for one in read_notes(text, RULES)] == [(ONE, "waiting for the bank")]


def test_words_beside_an_id_that_was_sorted_away_are_listed_and_not_taken(tmp_path: Path) -> None:
    """The ids sorted without the other columns: no family gets another family's decision; rows that were not touched are no news."""
    stood = dict.fromkeys((ONE, TWO, THREE), ("", "", "", ""))

    def sorted_apart(sheet: Worksheet) -> None:
        at = column(sheet, "Exception id")
        sheet.cell(2, at).value, sheet.cell(4, at).value = THREE, ONE

    path = edit(written(tmp_path, {"exceptions": [exception(n) for n in (1, 2, 3)]}), SAID, sorted_apart)
    found = read(path, stood)
    assert found.notes == (note_of(2, SAID[TWO]),)
    assert [(one.row, one.exception_id, one.value) for one in found.unread] == [(2, THREE, "working | called |  | ")]
    assert f"made for {ONE}" in found.unread[0].problem


def test_a_note_longer_than_a_cell_is_not_cut_by_a_disposition_beside_it(tmp_path: Path) -> None:
    """40,000 characters stand cut in the workbook; a new disposition leaves them whole, a change of the text is taken and told."""
    long = "The family called. " * 2_000 + "End."
    stood = {ONE: ("", long, "", "")}
    path = written(tmp_path, {"exceptions": [exception(1, note=long)]})
    assert read(edit(path, {ONE: {"Disposition": "working"}}), stood) == (
        ReadBack((note_of(1, {"Disposition": "working", "Note": long}),), ())
    )
    shown = openpyxl.load_workbook(path)[EXCEPTIONS].cell(2, 12).value
    changed = f"Settled! {str(shown)[9:]}"
    found = read(edit(path, {ONE: {"Note": changed}}), stood)
    assert [(one.disposition, one.note) for one in found.notes] == [("working", changed)]
    assert [(one.row, one.column, "its end" in one.problem) for one in found.unread] == [(2, "note", True)]
    typed = "x" * 32_767  # no spreadsheet program takes more
    assert read(edit(written(tmp_path, {"exceptions": [exception(1)]}), {ONE: {"Note": typed}})).notes[0].note == typed


def test_cleared_cells_change_nothing_and_are_told(tmp_path: Path) -> None:
    """Clearing is no decision: what stood there stays, and the person reads how to take it back."""
    path = written(tmp_path, {"exceptions": [exception(1, disposition="working", note="old")]})
    cleared = edit(path, {ONE: {"Disposition": None, "Note": None}})
    found = read(cleared, {ONE: ("working", "old", "", "")})
    assert found.notes == ()
    assert [one.column for one in found.unread] == ["disposition"]
    assert "was kept" in found.unread[0].problem


@pytest.mark.parametrize("raw", [b"", b"PK\x03\x04 cut off", b"<html>", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 old"])
def test_what_is_no_workbook_is_told(raw: bytes, tmp_path: Path) -> None:
    """An empty, damaged or foreign file gives no notes and one entry that says what is wrong with it."""
    path = tmp_path / "workbook.xlsx"
    path.write_bytes(raw)
    found = read(path)
    assert found.notes == ()
    assert len(found.unread) == 1
    assert found.unread[0].cure


# ---- from run to run on the command line ----


def table(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


class Office:
    """Runs over the sample exports, one after the other."""

    def __init__(self, folder: Path) -> None:
        self.reports = folder / "reports"

    def run(self, as_of: str, *more: str, rerun: str = "") -> Path:
        """The folder of a run."""
        sample, rules = ROOT / "sample_exports" / "standard", ROOT / "rules"
        assert run(["daily", str(sample), "--rules", str(rules), "--reports", str(self.reports), "--as-of", as_of, *more]) == 0
        return self.reports / f"{as_of}-daily{rerun}"


def one(folder: Path, kind: str, student: str = "") -> dict[str, str]:
    """The first exception of that kind."""
    return next(row for row in table(folder, "exceptions") if row["kind"] == kind and row["student_id"].endswith(student))


def inputs(folder: Path) -> list[str]:
    """Names of the files of notes that a run read."""
    audit = json.loads((folder / "audit.json").read_text(encoding="utf-8"))
    return [source["file"] for source in audit["inputs"] if source["role"] == "notes"]


@pytest.fixture
def office(tmp_path: Path) -> Office:
    return Office(tmp_path)


def test_the_next_run_reads_what_was_written_and_hands_it_on(office: Office) -> None:
    """Read without being asked, hashed as an input, in list and log, in the next workbook; an unedited workbook is no input."""
    first = office.run("2026-10-22")
    chosen, gone = one(first, "posted twice")["exception_id"], one(first, "no draw seen")["exception_id"]
    said = {"Disposition": "accepted as it is", "Note": "=1+1 agreed", "Decided by": "A. Clerk", "Decided on": date(2026, 11, 19)}
    waits = {"Disposition": "working", "Note": "asked the bank"}
    edit(first / "workbook.xlsx", {chosen: said, gone: waits}, moved(4))
    second = office.run("2026-11-20")
    assert inputs(second) == ["2026-10-22-daily/workbook.xlsx"]
    row = next(row for row in table(second, "exceptions") if row["exception_id"] == chosen)
    assert (row["standing"], row["note"], row["decided_by"], row["decided_on"]) == ("closed", "'=1+1 agreed", "A. Clerk", "2026-11-19")
    decided = [entry["exception_id"] for entry in table(second, "dispositions") if entry["event"] == "decided"]
    assert sorted(decided) == sorted([chosen, gone])
    third = office.run("2026-11-21")
    assert inputs(third) == []
    assert table(third, "dispositions") == table(second, "dispositions")
    for folder in (second, third):
        found = {r["exception_id"]: r for r in table(folder, "exceptions")}
        assert found[gone]["note"] == "asked the bank"
        sheet = openpyxl.load_workbook(folder / "workbook.xlsx")[EXCEPTIONS]
        cells = [[cell.value for cell in r] for r in sheet.iter_rows()]
        notes = {r[cells[0].index("Exception id")]: r[cells[0].index("Note")] for r in cells[1:]}
        assert notes[gone] == "asked the bank"


def test_a_note_whose_exception_has_gone_stands_under_resolved(office: Office) -> None:
    """October's draw in transit is settled by November; what was written about it stays on the list, as resolved."""
    first = office.run("2026-09-12")
    ids = {
        row["exception_id"]
        for row in table(office.run("2026-11-20", "--previous", str(first)), "exceptions")
        if row["standing"] != "resolved"
    }
    gone = next(row for row in table(first, "exceptions") if row["exception_id"] not in ids)
    edit(first / "workbook.xlsx", {gone["exception_id"]: {"Disposition": "working", "Note": "look again"}})
    second = office.run("2026-11-20", "--previous", str(first), rerun="-2")
    row = next(row for row in table(second, "exceptions") if row["exception_id"] == gone["exception_id"])
    assert (row["standing"], row["note"], row["kind"]) == ("resolved", "look again", gone["kind"])


def test_an_amount_that_moved_since_the_workbook_shows_as_changed(office: Office, tmp_path: Path) -> None:
    """The person saw the amount of the workbook, even if the day written beside it is the next run's own."""
    first = office.run("2026-11-20")
    over = one(first, "plan exceeds bill")
    said = {"Disposition": "accepted as it is", "Decided by": "A. Clerk", "Decided on": date(2026, 11, 21)}
    edit(first / "workbook.xlsx", {over["exception_id"]: said})
    exports = tmp_path / "exports"
    shutil.copytree(ROOT / "sample_exports" / "standard", exports, ignore=shutil.ignore_patterns("control_totals.toml"))
    aid = exports / "aid.csv"
    lines = aid.read_text(encoding="utf-8").splitlines()
    at = next(n for n, line in enumerate(lines) if over["student_id"] in line and "1750.00" in line)
    lines[at] = lines[at].replace("1750.00", "1800.00")
    aid.write_text("\n".join(lines) + "\n", encoding="utf-8")
    command = ["daily", str(exports), "--rules", str(ROOT / "rules"), "--reports", str(office.reports), "--as-of", "2026-11-21"]
    assert run(command) == 0
    row = one(office.reports / "2026-11-21-daily", "plan exceeds bill")
    assert (row["amount"], row["standing"], row["disposition"]) == ("1800.00", "changed", "accepted as it is")


def test_notes_written_late_or_in_a_run_that_was_run_again_are_not_lost(office: Office) -> None:
    """Monday's workbook saved after Tuesday's run, and the first of two runs of a day: the next run reads both, and reads each once."""
    monday = office.run("2026-10-22")
    again = office.run("2026-10-22", rerun="-2")
    tuesday = office.run("2026-10-23")
    chosen = [row["exception_id"] for row in table(monday, "exceptions")][:2]
    edit(monday / "workbook.xlsx", {chosen[0]: {"Disposition": "working", "Note": "monday"}})
    edit(again / "workbook.xlsx", {chosen[1]: {"Disposition": "working", "Note": "again"}})
    wednesday = office.run("2026-10-24")
    assert inputs(tuesday) == []
    assert inputs(wednesday) == ["2026-10-22-daily-2/workbook.xlsx", "2026-10-22-daily/workbook.xlsx"]
    found = {row["exception_id"]: row["note"] for row in table(wednesday, "exceptions")}
    assert [found[id_] for id_ in chosen] == ["monday", "again"]
    assert inputs(office.run("2026-10-25")) == []


def test_a_saved_copy_can_be_given_with_notes(office: Office, tmp_path: Path) -> None:
    """--notes takes a workbook; given twice, the second run finds nothing new in it."""
    first = office.run("2026-10-22")
    copy = tmp_path / "my copy.xlsx"
    shutil.copy(first / "workbook.xlsx", copy)
    chosen = one(first, "posted twice")["exception_id"]
    edit(copy, {chosen: {"Disposition": "working", "Note": "mine"}})
    second = office.run("2026-11-20", "--notes", str(copy))
    third = office.run("2026-11-21", "--notes", str(copy))
    assert inputs(second) == ["my copy.xlsx"]
    assert [row["note"] for row in table(second, "dispositions")] == ["mine"]
    assert table(third, "dispositions") == table(second, "dispositions")


def test_a_damaged_workbook_does_not_stop_the_run(office: Office, capsys: pytest.CaptureFixture[str]) -> None:
    """What could not be read stands in the notes of the run, in unread_notes.csv and in the new workbook; the readable row counts."""
    first = office.run("2026-10-22")
    wrong, right = [row["exception_id"] for row in table(first, "exceptions")][:2]
    edit(first / "workbook.xlsx", {wrong: {"Disposition": "wurking"}, right: {"Disposition": "working"}})
    capsys.readouterr()
    second = office.run("2026-11-20")
    assert "'wurking': is no disposition of the rules" in capsys.readouterr().out
    assert [(row["exception_id"], row["value"]) for row in table(second, "unread_notes")] == [(wrong, "wurking")]
    assert {row["exception_id"] for row in table(second, "dispositions")} == {right}
    assert "Not read back" in openpyxl.load_workbook(second / "workbook.xlsx").sheetnames


def test_a_workbook_that_cannot_be_opened_refuses_the_run(
    office: Office, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Going on without it would leave behind what somebody may just be writing: the run says what to close, and leaves no folder."""
    first = office.run("2026-10-22")
    real = audit.sha256_of

    def locked(path: Path) -> str:
        if path == first / "workbook.xlsx":
            raise PermissionError(13, "Permission denied")
        return real(path)

    monkeypatch.setattr(audit, "sha256_of", locked)
    sample, rules = ROOT / "sample_exports" / "standard", ROOT / "rules"
    assert run(["daily", str(sample), "--rules", str(rules), "--reports", str(office.reports), "--as-of", "2026-11-20"]) == 2
    assert "Close it where it is open" in capsys.readouterr().err
    assert not (office.reports / "2026-11-20-daily").exists()
