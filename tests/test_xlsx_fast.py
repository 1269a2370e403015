"""The fast way through a workbook: the same table as the exact way wherever it is taken, and taken for what programs usually write."""

from __future__ import annotations

import dataclasses
import io
import shutil
import subprocess
import zipfile
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest import mock

import numpy as np
import openpyxl
import pytest
import xlsxwriter  # type: ignore[import-untyped]
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl.cell.rich_text import CellRichText, TextBlock
from openpyxl.cell.text import InlineFont
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.utils.exceptions import IllegalCharacterError

from reconcile import xlsx_fast, xlsx_files
from reconcile.xlsx_files import read_workbook

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from reconcile.raw import RawTable

OFFICE = Path(__file__).parents[1] / "sample_exports" / "office"
EXPECTED = frozenset({"drawid", "studentid", "term", "postedon", "amount", "note"})
HEAD = ["draw_id", "student_id", "posted_on", "amount", "note"]
DAY = datetime(2026, 8, 10)  # noqa: DTZ001 (cells have no zone)
SHEET, STRINGS = "xl/worksheets/sheet1.xml", "xl/sharedStrings.xml"

few = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def either_way(path: Path, **options: Any) -> tuple[tuple[RawTable, ...], list[bool]]:
    """Read a workbook both ways, hold the tables equal in every field, and say for which sheets the fast way was taken."""
    chosen: dict[str, Any] = {"sheet": None, "heading_row": None, "expected": EXPECTED, "text_columns": {"drawid", "studentid"}} | options
    taken: list[bool] = []

    def watched(*arguments: Any) -> Any:
        cells = xlsx_fast.fast_cells(*arguments)
        taken.append(cells is not None)
        return cells

    with mock.patch.object(xlsx_files, "fast_cells", watched):
        fast = read_workbook(path, "draws.xlsx", **chosen)
    with mock.patch.object(xlsx_files, "fast_cells", return_value=None):
        exact = read_workbook(path, "draws.xlsx", **chosen)
    assert [plain(table) for table in fast] == [plain(table) for table in exact]
    return fast, taken


def plain(table: RawTable) -> dict[str, Any]:
    """Every field of a table in a form that `==` compares, types of arrays too."""
    held = {field.name: getattr(table, field.name) for field in dataclasses.fields(table)}
    held["columns"] = [(type(column), str(column.type), column.to_pylist()) for column in table.columns]
    held["number_cells"] = [None if flags is None else (str(flags.dtype), flags.tolist()) for flags in table.number_cells]
    for name in ("rows", "bad_rows"):
        held[name] = (str(held[name].dtype), held[name].tolist())
    return held


def edited(path: Path, part: str, change: Callable[[bytes], bytes]) -> Path:
    """The workbook with one part of its archive changed."""
    source = zipfile.ZipFile(io.BytesIO(path.read_bytes()))
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            held = source.read(name)
            target.writestr(name, change(held) if name == part else held)
    return path


def by_openpyxl(path: Path, rows: Sequence[Sequence[Any]], formats: Sequence[Sequence[str]] = (), hidden: int = 0, **options: Any) -> Path:
    """Write rows with one library, each cell with a number format if there is one for it."""
    book: Any = openpyxl.Workbook()
    if options.get("date_1904"):
        book.epoch = CALENDAR_MAC_1904
    for row in rows:
        book.active.append(list(row))
    for i, row_formats in enumerate(formats):
        for j, number_format in enumerate(row_formats):
            if number_format:
                book.active.cell(i + 1, j + 1).number_format = number_format
    if hidden:
        book.active.row_dimensions[hidden].hidden = True
    book.save(path)
    return path


def by_xlsxwriter(
    path: Path, rows: Sequence[Sequence[Any]], formats: Sequence[Sequence[str]] = (), hidden: int = 0, **options: Any
) -> Path:
    """The same with the other library; a formula gets a result here."""
    book = xlsxwriter.Workbook(path, options)
    sheet = book.add_worksheet("Draws")
    for i, row in enumerate(rows):
        for j, value in enumerate(row):
            number_format = formats[i][j] if i < len(formats) and j < len(formats[i]) else ""
            style = book.add_format({"num_format": number_format or ("yyyy-mm-dd" if isinstance(value, date) else "General")})
            if isinstance(value, str) and value.startswith("="):
                sheet.write_formula(i, j, value, style, 2.5 if j % 2 else "two")
            elif isinstance(value, str):
                sheet.write_string(i, j, value, style)
            elif value is None:
                sheet.write_blank(i, j, None, style)
            elif isinstance(value, (date, time, timedelta)):
                sheet.write_datetime(i, j, value, style)
            else:
                sheet.write(i, j, value, style)
    if hidden:
        sheet.set_row(hidden - 1, None, None, {"hidden": True})
    book.close()
    return path


FORMATS = [
    *("", "", "", "", "yyyy-mm-dd", "m/d/yyyy", "d. mmm yy", "[$-409]d-mmm-yy;@", "yyyy-mm-dd hh:mm", "h:mm", "[h]:mm", "mm:ss.0"),
    *("00000", '"S"000', "0.00", "#,##0.00", "0%", "0.00%", "#,##0.00;[Red]-#,##0.00", "@", "0.00E+00", '_-* #,##0.00 "€"_-', '"day" 0'),
]
WORDS = [
    "",
    " ",
    "a ",
    " b",
    "x\ny",
    "x\r\ny",
    "\u00a0",
    "é\u00a0",
    "\u3000",
    "_x000D_",
    "x005F_",
    "<&>\"'",
    "Total",
    "12",
    "0012",
    "TRUE",
    "#N/A",
    "\U0001f600",
]
cells = st.one_of(
    st.none(),
    st.sampled_from(WORDS),
    st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Cn", "Co")), max_size=5),
    st.integers(-(10**4), 10**5),
    st.integers(-(10**7), 10**7).map(lambda cents: cents / 100),
    st.sampled_from([0.1 + 0.2, -0.0, 0, 1e-7, 1e14, 1e15, 1e16, 123456789012345, 1234567890123456, 5.000000000000001, 1e300]),
    st.floats(allow_nan=False, allow_infinity=False),
    st.dates(date(1900, 1, 1), date(2200, 1, 1)),
    st.datetimes(datetime(1999, 1, 1), datetime(2030, 1, 1)),  # noqa: DTZ001 (cells have no zone)
    st.booleans(),
    st.sampled_from([time(12, 30), timedelta(hours=30), "=1+1", "=SUM(D2:D3)"]),
)
usual = st.one_of(
    st.none(),
    st.text(st.sampled_from("abc019 -&é"), max_size=6).map(str.strip),
    st.integers(-(10**7), 10**7).map(lambda cents: cents / 100),
    st.dates(date(2000, 1, 1), date(2100, 1, 1)),
    st.sampled_from([0.1 + 0.2, 5.000000000000001, -0.0, 1e-5, True, 12, "Total"]),
)


def grids(kinds: Any) -> Any:
    """Rows with formats beside them; a few odd cells, so that some sheets stay plain."""
    return st.lists(st.lists(st.tuples(kinds, st.sampled_from(FORMATS)), max_size=7), max_size=8)


def test_a_total_whose_word_stands_last_is_set_aside_either_way(tmp_path: Path) -> None:
    """Numbers of a workbook count as numbers beside the word; with a first cell the row stays one of the data."""
    rows: list[list[Any]] = [HEAD, ["D1", "S1", DAY, 2.5, "x"], [None, None, None, 2.5, "Total"], ["D2", None, None, 2.5, "Total"]]
    for write in (by_openpyxl, by_xlsxwriter):
        ((table,), taken) = either_way(write(tmp_path / "draws.xlsx", rows))
        assert taken == [True]
        assert ([int(row) for row in table.rows], [foot.row for foot in table.foot]) == ([2, 4], [3])


@few
@given(rows=grids(cells), head=st.sampled_from([0, 1, 3]), hidden=st.integers(0, 5), write=st.sampled_from([by_openpyxl, by_xlsxwriter]))
def test_any_workbook_reads_the_same_either_way(tmp_path: Path, rows: Any, head: int, hidden: int, write: Any) -> None:
    """Whatever the cells and formats: the table is the same, by the fast way or because it steps aside."""
    above = [[["", ""]] * 0 for _ in range(head)]
    values = [*above, HEAD, *([value for value, _ in row] for row in rows)]
    formats = [*above, [""] * 5, *([number_format for _, number_format in row] for row in rows)]
    try:
        path = write(tmp_path / "draws.xlsx", values, formats, hidden)
    except (ValueError, TypeError, OverflowError, IllegalCharacterError):
        return  # the library does not write such a cell
    either_way(path)


@few
@given(
    rows=st.lists(st.lists(usual, max_size=7), max_size=12),
    write=st.sampled_from([by_openpyxl, by_xlsxwriter]),
    date_1904=st.booleans(),
    constant_memory=st.booleans(),
)
def test_usual_cells_take_the_fast_way(tmp_path: Path, rows: Any, write: Any, date_1904: bool, constant_memory: bool) -> None:
    """Ids, words, amounts, whole days, blanks and booleans are read the fast way, in either date system, texts shared or in the cells."""
    path = write(tmp_path / "draws.xlsx", [HEAD, *rows], date_1904=date_1904, constant_memory=constant_memory)
    assert either_way(path)[1] == [True]


PLAIN = """ t="s"><v>0</v>
 t="s"><v>1</v>
><v>5</v>
 t="n"><v>1.50</v>
 s="1"><v>46244</v>
 s="1" t="n"><v>46245</v>
 s="2"><v>7</v>
 s="2"><v>0.30000000000000004</v>
><v>5.000000000000001</v>
 s="1">
>
 s="2">
 t="b"><v>1</v>
 t="str"><v>12</v>
 s="1" t="str"><v>1</v>
 t="str"><f>A1</f><v></v>
><f>1+1</f><v>2</v>
><f t="shared" si="0"/><v>2</v>
 t="inlineStr">
 t="inlineStr"><is><t>x</t></is>
 t="inlineStr"><is><t>&amp;</t></is>
><v>1e5</v>
><v>-0</v>
><v>007</v>""".splitlines()
"""What may follow the address of a cell that is plain, one form a line."""
ODD = """ s="3"><v>3</v>
 s="1"><v>46244.5</v>
 s="1"><v>59</v>
 s="1"><v>-3</v>
 s="1"><v>99999999</v>
 s="4"><v>1.5</v>
 s="5"><v>1.25</v>
 s="99"><v>1</v>
 t="s">
 t="s"><v>9</v>
 t="b"><v>2</v>
 t="e"><v>#N/A</v>
 t="d"><v>2026-08-10</v>
 t="str" s="1"><v>12</v>
><f>1+1</f>
><f>1+1</f><v/>
 t="inlineStr"><is><t> x</t></is>
 t="inlineStr"><is><r><t>x</t></r><r><t>y</t></r></is>
 t="inlineStr"><is><t>x&#65;</t></is>
 t="inlineStr"><is><t>a_x0041_b</t></is>
><v>1E400</v>
><v> 5 </v>
><v>x</v>
><v>1234567890123456</v>
 cm="1"><v>8</v>
><v>8</v><v>9</v>
 r="A9">
><!-- x -->""".splitlines()
"""The same for cells that are not, or are broken."""


def styled(path: Path) -> Path:
    """A workbook with styles 1 day, 2 amount, 3 padded, 4 day and time, 5 elapsed hours, to put other rows into."""
    formats = ["yyyy-mm-dd", "#,##0.00", "00000", "yyyy-mm-dd hh:mm", "[h]:mm"]
    return by_xlsxwriter(path, [["draw_id", "amount", "x", "y", "z"], [1, 2, 3, 4, 5]], [[], formats])


@few
@given(
    rows=st.lists(st.lists(st.sampled_from(PLAIN * 9 + ODD), max_size=6), min_size=1, max_size=6),
    strings=st.lists(st.sampled_from(["draw_id", "amount", "z&amp;", ""] * 4 + WORDS[1:11]), min_size=2, max_size=3),
)
def test_any_xml_reads_the_same_either_way(tmp_path: Path, rows: list[list[str]], strings: list[str]) -> None:
    """Cells in forms that few programs write, and broken ones: the table is the same, or the workbook is refused, either way."""
    head = '<row r="1"><c r="A1" t="inlineStr"><is><t>draw_id</t></is></c><c r="B1" t="inlineStr"><is><t>amount</t></is></c></row>'
    body = ""
    for i, row in enumerate(rows, 2):
        body += f'<row r="{i}">' + "".join(f'<c r="{"ABCDEFG"[j]}{i}"{piece}</c>' for j, piece in enumerate(row)) + "</row>"
    path = edited(styled(tmp_path / "draws.xlsx"), SHEET, lambda xml: rows_of(xml, head + body))
    texts = "".join(f"<si><t>{text}</t></si>" for text in strings)
    edited(path, STRINGS, lambda xml: xml[: xml.index(b"<si>")] + texts.encode() + b"</sst>")
    either_way(path)


def rows_of(xml: bytes, rows: str) -> bytes:
    """A sheet's XML with other rows."""
    return xml[: xml.index(b"<sheetData>") + 11] + rows.encode() + xml[xml.index(b"</sheetData>") :]


BODY: list[list[Any]] = [
    HEAD,
    ["D1", "0012", DAY, 1234.5, "x & y"],
    ["D2", "0013", DAY, 0.1 + 0.2, None],
    [],
    ["Total", None, None, 1234.8],
]


@pytest.mark.parametrize("write", [by_openpyxl, by_xlsxwriter])
def test_an_ordinary_export_takes_the_fast_way(tmp_path: Path, write: Any) -> None:
    """The table of an ordinary export, with its total, blank row, hidden row and dust."""
    path = write(tmp_path / "draws.xlsx", BODY, hidden=3)
    edited(path, SHEET, replaced(b"<v>0.3</v>", b"<v>0.30000000000000004</v>"))  # the libraries write no dust; other programs do
    (table,), taken = either_way(path)
    assert taken == [True]
    assert table.column("posted_on").to_pylist() == ["2026-08-10"] * 2
    assert table.column("amount").to_pylist() == ["1234.5", "0.3"]
    assert table.column("student_id").to_pylist() == ["0012", "0013"]
    assert (table.blank_rows, len(table.foot)) == (1, 1)
    assert any("hidden rows" in note for note in table.notes)
    assert any("binary fraction" in note for note in table.notes)


@pytest.mark.skipif(shutil.which("soffice") is None, reason="no LibreOffice here")
@pytest.mark.parametrize("write", [by_openpyxl, by_xlsxwriter])
def test_a_workbook_saved_by_libreoffice_takes_the_fast_way(tmp_path: Path, write: Any) -> None:
    """A workbook that the free spreadsheet program saved again."""
    write(tmp_path / "draws.xlsx", [*BODY, [None, None, None, "=D2"]])
    subprocess.run(
        [
            *("soffice", f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}", "--headless"),
            *("--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", str(tmp_path / "saved"), str(tmp_path / "draws.xlsx")),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    (table,), taken = either_way(tmp_path / "saved" / "draws.xlsx")
    assert taken == [True]
    assert table.column("student_id").to_pylist()[:2] == ["0012", "0013"]


@pytest.mark.parametrize("path", sorted(OFFICE.glob("*.xlsx")), ids=lambda path: path.stem)
@pytest.mark.parametrize("heading_row", [None, 1, 4])
def test_the_sample_office_reads_the_same_either_way(path: Path, heading_row: int | None) -> None:
    """Every workbook of the sample office, with headings looked for and given."""
    some = frozenset({"studentid", "id", "amount", "term", "status", "name", "plan", "date"})
    tables, taken = either_way(path, heading_row=heading_row, expected=some)
    assert tables
    assert taken


ASIDE: dict[str, tuple[Any, str]] = {
    "an error cell": ("#N/A", ""),
    "leading zeros by a format": (12, "00000"),
    "a prefix by a format": (12, '"S"000'),
    "a time of day": (datetime(2026, 8, 10, 15, 30), "yyyy-mm-dd hh:mm"),  # noqa: DTZ001 (cells have no zone)
    "a time": (time(15, 30), "h:mm"),
    "elapsed hours": (timedelta(hours=30), "[h]:mm"),
    "a day before 1927": (date(1900, 2, 27), "yyyy-mm-dd"),
    "a date no calendar holds": (99999999, "yyyy-mm-dd"),
    "a number of sixteen figures": (1234567890123456, ""),
    "a fraction of more figures than are kept": (123456789012.34567, ""),
    "white space before a text": (" x", ""),
    "white space behind a text": ("x\n", ""),
    "a hard space": ("x\u00a0", ""),
    "an escape": ("a_x0041_", ""),
    "a carriage return": ("x\r\ny", ""),
    "a formula without a result": ("=1+1", ""),
}


@pytest.mark.parametrize("why", ASIDE)
def test_it_steps_aside(tmp_path: Path, why: str) -> None:
    """One such cell, and the sheet is read by the exact reader, with the same table."""
    value, number_format = ASIDE[why]
    path = by_openpyxl(
        tmp_path / "draws.xlsx", [HEAD, ["D1", "1", DAY, 1, "x"], ["D2", "1", DAY, 1, value]], [[], [], ["", "", "", "", number_format]]
    )
    assert either_way(path)[1] == [False]


def replaced(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    """A change of XML that must find what it changes."""

    def change(xml: bytes) -> bytes:
        assert old in xml
        return xml.replace(old, new, 1)

    return change


@pytest.mark.parametrize(
    ("part", "old", "new"),
    [
        (STRINGS, b"<t>x &amp; y</t>", b"<t>x &#38; y</t>"),
        (STRINGS, b"<t>x &amp; y</t>", b"<r><t>x </t></r><r><t>y</t></r>"),
        (STRINGS, b"<t>x &amp; y</t>", b'<t>x</t><rPh sb="0" eb="1"><t>y</t></rPh>'),
        (STRINGS, b"<t>x &amp; y</t>", b"<t><![CDATA[x]]></t>"),
        (STRINGS, b"<t>x &amp; y</t>", b"<t>x ]]> y</t>"),
        (STRINGS, b"<t>x &amp; y</t>", b"<t>x \xff y</t>"),
        (STRINGS, b"<t>x &amp; y</t>", b"<t>x \x01 y</t>"),
        (STRINGS, b"<t>x &amp; y</t>", b"<t>x &who; y</t>"),
        (STRINGS, b'encoding="UTF-8"', b'encoding="ISO-8859-1"'),
        (SHEET, b'encoding="UTF-8"', b'encoding="ISO-8859-1"'),
        (SHEET, b"<sheetData>", b"<!-- <row> --><sheetData>"),
        (SHEET, b"</sheetData>", b'</sheetData><row r="9"/>'),
        (SHEET, b"</sheetData>", b'</sheetData><sheetData><row r="9"/></sheetData>'),
        (SHEET, b"</sheetData>", b'</sheetData><mergeCells count="x"><mergeCell ref="nowhere"/></mergeCells>'),
        (SHEET, b"</worksheet>", b""),
        (SHEET, b"spreadsheetml/2006/main", b"spreadsheetml/2006/other"),
        (SHEET, b'<row r="3"', b'<row r="2"'),
        (SHEET, b'<row r="3"', b'<row r="3" r="4"'),
        (SHEET, b'<c r="B3"', b'<c r="A3"'),
        (SHEET, b'<c r="B3"', b'<c r="B4"'),
        (SHEET, b'<c r="A3" s="1" t="s"><v>', b'<c r="A3" s="1" t="s"><v>99'),
        (SHEET, b'<c r="B3"', b'<c foo="1" r="B3"'),
        (SHEET, b'<c r="B3"', b"<c"),
    ],
)
def test_it_steps_aside_for_xml_of_any_other_form(tmp_path: Path, part: str, old: bytes, new: bytes) -> None:
    """References, formatted pieces, comments, other encodings and names, cells out of place, damage: left to the exact reader."""
    path = by_xlsxwriter(tmp_path / "draws.xlsx", BODY)
    assert either_way(path)[1] == [True]
    edited(path, part, replaced(old, new))
    assert True not in either_way(path)[1]


def test_formatted_pieces_of_a_text_are_left_to_the_exact_reader(tmp_path: Path) -> None:
    """A text of which one word is bold."""
    rich = CellRichText("x ", TextBlock(InlineFont(b=True), "bold"))
    assert either_way(by_openpyxl(tmp_path / "draws.xlsx", [HEAD, ["D1", "1", DAY, 1, rich]]))[1] == [False]


def test_each_sheet_goes_its_own_way(tmp_path: Path) -> None:
    """A plain sheet, one with an error, one without known headings, a hidden one and an empty one, all or one of them read."""
    book: Any = openpyxl.Workbook()
    for title, cell in (("Plain", 1), ("Error", "#N/A"), ("Old & new", 2)):
        sheet = book.create_sheet(title)
        sheet.append(HEAD)
        sheet.append(["D1", "0012", DAY, cell, "x"])
    book["Old & new"].sheet_state = "hidden"
    book.create_sheet("Notes").append(["call the bank"])
    book.active.append([None])
    path = tmp_path / "draws.xlsx"
    book.save(path)
    tables, taken = either_way(path)
    assert [table.sheet for table in tables] == ["Plain", "Error", "Old & new"]
    assert taken == [True, True, False, True, True]
    for options in ({"sheet": "plain"}, {"sheet": "Notes"}, {"sheet": "none"}, {"heading_row": 2}, {"heading_row": 40}):
        either_way(path, **options)


@pytest.mark.parametrize(("name", "most"), [("MOST_CELLS", 12), ("MOST_ROWS", 3)])
def test_the_caps_on_rows_and_cells_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, most: int) -> None:
    """A sheet beyond the caps is left to the exact reader, which refuses it."""
    monkeypatch.setattr(xlsx_files, name, most)
    (table,), taken = either_way(by_xlsxwriter(tmp_path / "draws.xlsx", BODY))
    assert taken == [False]
    assert "goes on beyond" in table.problems[0].problem


def test_blank_rows_and_columns_around_the_data(tmp_path: Path) -> None:
    """Rows that only a format fills are counted as blank to the last one, and blank columns before and behind the data are no columns."""
    rows: list[list[Any]] = [[None] * 6, [None, *HEAD, None], [None, "D1", "1", DAY, 1, "x", None], [None] * 9, [None] * 9]
    formats = [["0.00"] * 6, [], [""] * 6 + ["0.00"], ["0.00"] * 9, ["0.00"] * 9]
    for write in (by_openpyxl, by_xlsxwriter):
        (table,), taken = either_way(write(tmp_path / "draws.xlsx", rows, formats))
        assert taken == [True]
        assert (table.headings, table.blank_rows, table.heading_row) == (tuple(HEAD), 2, 2)


def test_many_rows_are_joined_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows are turned into columns some at a time; a column that changes from texts to numbers half way keeps both, and its notes."""
    monkeypatch.setattr(xlsx_fast, "_AT_ONCE", 7)
    rows = [[f"D{i}", i if i > 20 else f"{i:04d}", DAY + timedelta(days=i), i / 8 if i < 30 else "n/a", None] for i in range(40)]
    (table,), taken = either_way(by_xlsxwriter(tmp_path / "draws.xlsx", [HEAD, *rows]))
    assert taken == [True]
    flags = table.numbers("student_id")
    assert flags is not None
    assert int(np.count_nonzero(flags)) == 19
    assert any(note.startswith("19 student_id") for note in table.notes)
