"""The workbook of a run: what stands in it, that text stays text, that it prints, and that the same run gives the same bytes."""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
import zipfile
from typing import TYPE_CHECKING, Any

import openpyxl
import outside_tools
import pandas as pd
import pytest
import refresh_docs
from openpyxl.utils import get_column_letter
from pypdf import PdfReader
from shown_case import AS_OF, RULES, by_heading, cells_of, exception, row_of, written

from reconcile.cli import run
from reconcile.deliver import workbook
from reconcile.deliver.workbook import EXCEPTIONS
from reconcile.deliver.workbook_cells import MOST_TEXT, utf16_units
from reconcile.deliver.workbook_sheets import TABLES
from reconcile.deliver.workbook_summary import SUMMARY
from reconcile.dispositions import CUT
from reconcile.run_tables import read_table

if TYPE_CHECKING:
    from pathlib import Path

EVIL = ("=1+1", "@SUM(A1)", "<script>alert(1)</script>", "<r><t>bold</t></r>", "+1", "-2", "a\u202eb", "00123")
"""Texts that a spreadsheet might run, mark up, turn round, or take for a number."""


@pytest.fixture(scope="session")
def sample() -> Path:
    """The run folder of README's first command."""
    return refresh_docs.office().main_run()


def money_cells(path: Path, sheet: str, heading: str) -> list[int]:
    """A column of money in whole cents."""
    return [round(row[heading] * 100) for row in by_heading(path, sheet) if isinstance(row[heading], (int, float))]


def test_every_table_stands_in_its_sheet(sample: Path) -> None:
    """The sheets are there in their order, each with all rows of its table."""
    book = openpyxl.load_workbook(sample / "workbook.xlsx")
    assert book.sheetnames == [SUMMARY, EXCEPTIONS, *TABLES]
    sheets = {name: table for name, (table, _freeze, _fields) in TABLES.items() if table not in {"failed draws", "rejected_rows"}}
    for sheet, table in (sheets | {EXCEPTIONS: "exceptions"}).items():
        assert book[sheet].max_row - 1 == len(read_table(sample, table)), sheet


@pytest.mark.parametrize(
    ("sheet", "table", "column"), [("Students", "students", "gap"), ("Plans", "plans", "variance"), ("Draws", "draws", "scheduled")]
)
def test_money_is_the_data_files_to_the_cent(sample: Path, sheet: str, table: str, column: str) -> None:
    """Each amount in a sheet is the one in the data file."""
    assert money_cells(sample / "workbook.xlsx", sheet, column.capitalize()) == read_table(sample, table)[column].tolist()


def test_totals_are_those_of_the_data_files(sample: Path) -> None:
    """The first sheet's coverage adds up to all students and the whole gap; its lines to all lines."""
    rows = cells_of(sample / "workbook.xlsx", SUMMARY)
    students, draws = read_table(sample, "students"), read_table(sample, "draws")
    words = {"short", "over", "paid", "covered by pending", "not billed"}
    covered = [row for row in rows if str(row[1]).split(", due ")[0] in words]
    assert sum(row[2] for row in covered) == len(students)
    assert sum(round(row[3] * 100) for row in covered) == students["gap"].sum()
    begins = next(at for at, row in enumerate(rows) if row[0] == "What became of each plan line")
    states = [row for row in rows[begins + 2 : begins + 2 + draws["state"].nunique()] if row[0] in set(draws["state"])]
    assert sum(row[1] for row in states) == len(draws)
    assert sum(round(row[3] * 100) for row in states) == draws["cleared"].sum()


def test_the_chart_shows_the_table_beside_it(sample: Path) -> None:
    """A native chart of cleared, pending and lost money points at the table by draw date, whose pending money is that of the draws."""
    sheet: Any = openpyxl.load_workbook(sample / "workbook.xlsx")[SUMMARY]
    chart = sheet._charts[0]
    ranges = [series.val.numRef.f for series in chart.series]
    assert [re.sub(r"[0-9]+", "n", text) for text in ranges] == [f"Summary!${c}$n:${c}$n" for c in "BCD"]
    first, last = (int(n) for n in re.findall(r"[0-9]+", ranges[1]))
    rows = cells_of(sample / "workbook.xlsx", SUMMARY)[first - 1 : last]
    draws = read_table(sample, "draws")
    real = draws[draws["kind"] == "draw"]
    assert sum(round(row[2] * 100) for row in rows) == real.loc[real["state"].isin(["pending", "in transit"]), "scheduled"].sum()
    assert sum(round(row[1] * 100) for row in rows) == real["cleared"].sum()


def test_new_stands_first_then_changed(tmp_path: Path) -> None:
    """Within a standing the order of the list stays."""
    standings = ("carried", "new", "closed", "changed", "new")
    path = written(tmp_path, {"exceptions": [exception(n, standing=stood) for n, stood in enumerate(standings)]})
    assert [(row["Standing"], row["Student id"]) for row in by_heading(path)] == [
        ("new", "00000001"),
        ("new", "00000004"),
        ("changed", "00000003"),
        ("carried", "00000000"),
        ("closed", "00000002"),
    ]


def test_the_exception_sheet_is_made_to_be_worked_in(tmp_path: Path) -> None:
    """Frozen headings, a filter over all columns, a list of the rules' words for the disposition, days for decided_on."""
    path = written(tmp_path, {"exceptions": [exception(n) for n in range(3)]})
    book = openpyxl.load_workbook(path)
    sheet = book[EXCEPTIONS]
    headings = [cell.value for cell in sheet[1]]
    assert sheet.freeze_panes == "E2"
    assert sheet.auto_filter.ref == f"A1:{get_column_letter(len(headings))}4"
    choices, days = sheet.data_validations.dataValidation
    letter = get_column_letter(headings.index("Disposition") + 1)
    assert (choices.type, str(choices.sqref)) == ("list", f"{letter}2:{letter}4")
    name, cells = choices.formula1.split("!")
    words = [cell.value for (cell,) in book[name][cells.replace("$", "")]]
    assert words == [word.word for word in RULES.exceptions.dispositions]
    assert days.type == "date"
    assert sheet.column_dimensions[get_column_letter(headings.index("As written") + 1)].hidden
    formats = {name: sheet.cell(2, headings.index(name) + 1).number_format for name in ("Student id", "Amount", "First seen", "Note")}
    assert formats == {"Student id": "@", "Amount": "#,##0.00_);-#,##0.00_)", "First seen": "yyyy-mm-dd", "Note": "@"}


def test_every_sheet_prints_on_one_page_width_with_its_headings(sample: Path) -> None:
    """Landscape, headings repeated, run hash and page number at the foot; plans take two pages side by side."""
    book = openpyxl.load_workbook(sample / "workbook.xlsx")
    sheet: Any
    for sheet in book.worksheets:
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        pages = (sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight)
        assert (pages[0] or 1, 1 if pages[1] is None else pages[1]) == (2 if sheet.title == "Plans" else 1, int(sheet.title == SUMMARY))
        assert re.search(r"Run [0-9a-f]{64}", sheet.oddFooter.left.text)
        assert "Page" in sheet.oddFooter.right.text
        assert sheet.title == SUMMARY or sheet.print_title_rows == "$1:$1"


@pytest.mark.parametrize("text", EVIL)
def test_text_stays_text(text: str, tmp_path: Path) -> None:
    """Whatever a text looks like, it stands as text in every sheet that shows it; what turns the direction is made visible."""
    rows = {
        "exceptions": [exception(1, student_id=text, plan_id=text, what=text, note=text, decided_by=text)],
        "students": [row_of("students", student_id=text, coverage=text)],
        "draws": [row_of("draws", student_id=text, plan_id=text, line=text, state="failed", references=text)],
        "plans": [row_of("plans", student_id=text, plan_ids=text)],
        "unmatched_events": [row_of("unmatched_events", student_id=text, reference=text, file=text)],
        "rejected_rows": [row_of("rejected_rows", value=text)],
        "unread_notes": [row_of("unread_notes", value=text)],
    }
    path = written(tmp_path, rows, names={text: text}, notes=(text,))
    book = openpyxl.load_workbook(path)
    cells = [cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert {cell.data_type for cell in cells} <= {"s", "n", "d"}
    as_seen = text.replace("\u202e", "\ufffd")
    found = [cell for cell in cells if isinstance(cell.value, str) and cell.value.strip() == as_seen]
    assert len(found) >= 18
    with zipfile.ZipFile(path) as archive:
        parts = [archive.read(name).decode("utf-8") for name in archive.namelist() if name.endswith(".xml")]
    assert not any(re.search(r"<f[ >]", part) for part in parts if "<worksheet" in part)
    assert not any("\u202e" in part or "<script" in part for part in parts)


def test_a_text_too_long_for_a_cell_is_cut_where_people_see_it(tmp_path: Path) -> None:
    """A note of 60,000 units ends in the words that say so, and the cell holds no more than it may; one that just fits stays whole."""
    path = written(tmp_path, {"exceptions": [exception(1, note="a\U0001f600" * 20_000), exception(2, note="b" * MOST_TEXT)]})
    long, whole = (row["Note"] for row in by_heading(path))
    assert long.endswith(CUT)
    assert utf16_units(long) <= MOST_TEXT
    assert whole == "b" * MOST_TEXT


def test_money_and_days_beyond_a_spreadsheet_stand_as_text(tmp_path: Path) -> None:
    """Sixteen figures are no number there, and neither is a day before 1900: nothing is rounded, nothing is lost."""
    odd = exception(1, amount=10**15 + 1, happened_on=pd.Timestamp("1850-01-02"))
    (row,) = by_heading(written(tmp_path, {"exceptions": [odd]}))
    assert (row["Amount"], row["Happened on"]) == ("10000000000000.01", "1850-01-02")


def test_a_long_table_says_where_the_rest_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the rows that a sheet shows a line says how many more there are, and in which file."""
    monkeypatch.setattr(workbook, "MOST_ROWS", 3)
    path = written(tmp_path, {"students": [row_of("students", student_id=f"{n:05d}") for n in range(5)]})
    rows = cells_of(path, "Students")
    assert [row[1] for row in rows[1:4]] == ["00000", "00001", "00002"]
    assert rows[4][0] == "2 more of 5 rows are not shown here: all of them are in students.csv."
    assert len(rows) == 5


def test_a_run_without_anything_still_gives_a_workbook(tmp_path: Path) -> None:
    """Every sheet is there and says that it has no rows."""
    path = written(tmp_path, {})
    assert cells_of(path)[1][0] == "No exceptions in this run."
    assert all(cells_of(path, sheet)[1][0] == "None in this run." for sheet in TABLES)


def test_names_stand_only_where_they_are_given(tmp_path: Path) -> None:
    """With names each sheet about students has a column for them; without, no sheet has."""
    rows = {"exceptions": [exception(1)], "students": [row_of("students", student_id="00000001")]}
    named = written(tmp_path, rows, names={"00000001": "Ada Example"})
    assert [by_heading(named, sheet)[0]["Student name"] for sheet in (EXCEPTIONS, "Students")] == ["Ada Example", "Ada Example"]
    assert all("Student name" not in row for row in cells_of(written(tmp_path, rows))[:1])


def test_what_could_not_be_read_back_has_a_sheet(tmp_path: Path) -> None:
    """The sheet is there only where it has rows, and the first sheet points to it."""
    unread = row_of("unread_notes", file="workbook.xlsx", row=7, column="disposition", value="wurking", problem="is no disposition")
    path = written(tmp_path, {"unread_notes": [unread]})
    assert by_heading(path, "Not read back")[0]["Value"] == "wurking"
    assert any("Not read back" in str(row[0]) for row in cells_of(path, SUMMARY))


def test_same_run_same_bytes(tmp_path: Path, sample: Path) -> None:
    """Two runs over the same exports leave the same workbook, byte for byte."""
    exports, rules = (refresh_docs.ROOT / name for name in ("sample_exports/standard", "rules"))
    command = ["daily", str(exports), "--as-of", str(AS_OF), "--rules", str(rules), "--into", str(tmp_path / "again")]
    assert run(command) == 0
    assert (tmp_path / "again" / "workbook.xlsx").read_bytes() == (sample / "workbook.xlsx").read_bytes()


def converted(path: Path, to: str, folder: Path) -> Path:
    """The workbook as LibreOffice saves it."""
    office, home = outside_tools.libreoffice(), folder / "home"
    command = [str(office), f"-env:UserInstallation={home.as_uri()}", "--headless", "--convert-to", to, "--outdir", str(folder), str(path)]
    subprocess.run(command, check=True, capture_output=True, timeout=180)
    return folder / f"{path.stem}.{to}"


@pytest.mark.slow
@pytest.mark.parametrize("paper", [1, 9])
def test_a_spreadsheet_program_opens_and_prints_it(sample: Path, tmp_path: Path, paper: int) -> None:
    """LibreOffice makes a PDF of it, on Letter (1) and on A4 (9): every sheet, its headings on each page, no page nearly empty."""
    outside_tools.libreoffice()
    copy = tmp_path / "printed.xlsx"
    with zipfile.ZipFile(sample / "workbook.xlsx") as old, zipfile.ZipFile(copy, "w") as new:
        for part in old.infolist():
            new.writestr(part, re.sub(rb'paperSize="1"', b'paperSize="%d"' % paper, old.read(part)))
    pages = [page.extract_text() for page in PdfReader(converted(copy, "pdf", tmp_path)).pages]
    heads = [re.match(r"Plan draws, daily run as of 2026-11-20: ([A-Za-z ]+)", text) for text in pages]
    sheets = [head[1].strip() for head in heads if head]
    assert len(sheets) == len(pages)
    assert list(dict.fromkeys(sheets)) == [SUMMARY, EXCEPTIONS, *TABLES]
    assert sheets.count(SUMMARY) == 1
    assert all(
        "Student id" in text for sheet, text in zip(sheets, pages, strict=True) if sheet in {"Draws", "Students", "Plans", EXCEPTIONS}
    )
    assert all(f"Page {n} of {len(pages)}" in text for n, text in enumerate(pages, 1))
    assert len(pages) < 70


@pytest.mark.slow
def test_a_spreadsheet_program_shows_the_same(tmp_path: Path) -> None:
    """Saved again by LibreOffice, every cell still holds what it held: text as text, ids with their zeros, money, days."""
    outside_tools.libreoffice()
    rows = [exception(n, student_id=text, note=text, decided_on=pd.Timestamp(AS_OF)) for n, text in enumerate(EVIL)]
    path = written(tmp_path, {"exceptions": rows})
    before = by_heading(path)
    (tmp_path / "saved").mkdir()
    shutil.copy(path, tmp_path / "saved" / "in.xlsx")
    (tmp_path / "out").mkdir()
    after = by_heading(converted(tmp_path / "saved" / "in.xlsx", "xlsx", tmp_path / "out"))

    def plain(table: list[dict[str, Any]]) -> list[dict[str, Any]]:
        return [{key: value.strip() if isinstance(value, str) else value for key, value in row.items()} for row in table]

    assert plain(after) == plain(before)


HOSTILE = {"00123456": "=1+1", "00123414": "@SUM(A1)", "00123459": "<script>alert(1)</script>", "00123460": "a\u202eb"}


def test_hostile_exports_stay_text_from_end_to_end(tmp_path: Path) -> None:
    """Students whose id, name and description a spreadsheet might run, from the exports through a whole run with names: text everywhere."""
    exports = tmp_path / "exports"
    shutil.copytree(refresh_docs.ROOT / "sample_exports" / "standard", exports)
    for path in exports.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            if row["student_id"] in HOSTILE:
                text = HOSTILE[row["student_id"]]
                row |= {name: text for name in ("student_name", "description") if name in row}
                row["student_id"] = row["student_id"] if "\u202e" in text else text  # intake refuses such an id
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    command = ["daily", str(exports), "--rules", str(refresh_docs.ROOT / "rules"), "--names", "--reports", str(tmp_path)]
    assert run([*command, "--as-of", str(AS_OF), "--into", str(tmp_path / "run")]) == 0
    book = openpyxl.load_workbook(tmp_path / "run" / "workbook.xlsx")
    cells = [cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row]
    assert not [cell.coordinate for cell in cells if cell.data_type == "f"]
    held = [str(cell.value) for cell in cells if cell.value is not None]
    for text in HOSTILE.values():
        assert held.count(text.replace("\u202e", "\ufffd")) >= 4  # the name, and mostly the id, in several sheets
    assert not [text for text in held if "\u202e" in text]
    letters = (tmp_path / "run" / "outreach.csv").read_text(encoding="utf-8")
    assert "'=1+1" in letters
    assert not re.search(r'(^|[,;]"?)[=@]', letters, re.MULTILINE)
