"""Workbooks to tables of text: numbers exact, zeros kept, nothing hidden, nothing that a file declares believed."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import openpyxl
import pyarrow as pa  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from reconcile import xlsx_files, xlsx_safety
from reconcile.cells import parse_dates, parse_money
from reconcile.xlsx_cells import cell_text, padded, padding
from reconcile.xlsx_files import read_workbook

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from reconcile.raw import RawTable

EXPECTED = frozenset({"studentid", "term", "postedon", "amount", "note"})
HEAD = ["student_id", "term", "posted_on", "amount"]

Book = Any


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., Path]:
    """Write a workbook with these rows on its first sheet, changed by `also`."""

    def making(rows: list[list[Any]], also: Callable[[Book], None] | None = None) -> Path:
        book: Book = openpyxl.Workbook()
        for row in rows:
            book.active.append(row)
        if also:
            also(book)
        path = tmp_path / "charges.xlsx"
        book.save(path)
        return path

    return making


def read(path: Path, **options: Any) -> tuple[RawTable, ...]:
    chosen: dict[str, Any] = {"sheet": None, "heading_row": None, "expected": EXPECTED} | options
    return read_workbook(path, "charges.xlsx", **chosen)


def rows(table: RawTable) -> list[tuple[Any, ...]]:
    return [(int(row), *cells) for row, *cells in zip(table.rows, *(c.to_pylist() for c in table.columns), strict=True)]


def one(path: Path, **options: Any) -> RawTable:
    (table,) = read(path, **options)
    return table


def edited(path: Path, part: str, change: Callable[[bytes], bytes]) -> Path:
    """The workbook with one part of its archive changed."""
    source = zipfile.ZipFile(io.BytesIO(path.read_bytes()))
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            held = source.read(name)
            target.writestr(name, change(held) if name == part else held)
    return path


SHEET = "xl/worksheets/sheet1.xml"


def test_a_plain_sheet_is_read_as_text(make: Any) -> None:
    """Text stays text, numbers become plain figures, dates ISO dates, booleans words; rows are the spreadsheet's."""
    table = one(make([HEAD, ["00123", "FA26", date(2026, 8, 10), 1234.5], ["Null", True, datetime(2026, 8, 11), -3]]))  # noqa: DTZ001 (cells have no zone)
    assert rows(table) == [(2, "00123", "FA26", "2026-08-10", "1234.5"), (3, "Null", "TRUE", "2026-08-11", "-3")]
    assert (table.sheet, table.headings, table.problems, table.notes) == ("Sheet", tuple(HEAD), (), ())
    numbers = table.numbers("amount")
    assert numbers is not None
    assert numbers.tolist() == [True, True]
    assert table.numbers("student_id") is None


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.1, "0.1"),
        (1e5, "100000"),
        (1234.50, "1234.5"),
        (2675e-3, "2.675"),
        (1e-7, "0.0000001"),
        (-0.0, "0"),
        (123456789012345, "123456789012345"),
    ],
)
def test_numbers_are_plain_figures(value: float, text: str) -> None:
    """No exponent, no binary fraction, no rounding to what a format shows."""
    assert cell_text(value, "n", "0.00", "A", 1).text == text
    assert cell_text(value, "n", '"$"#,##0.00', "A", 1).text == text


@given(st.integers(-(10**13), 10**13))
def test_cents_come_back_from_a_number_cell(amount: int) -> None:
    """An amount kept as a binary number, as workbooks do, comes back to the cent."""
    cell = cell_text(float(Decimal(amount) / 100), "n", "#,##0.00", "A", 1)
    parsed = parse_money(one_text(cell.text), ",", one_flag())
    assert not cell.problem
    assert int(parsed.values[0]) == amount


def one_text(text: str) -> Any:
    return pa.array([text], type=pa.string())


def one_flag() -> Any:
    return np.asarray([True])


def test_dust_of_binary_fractions_is_read_as_the_spreadsheet_shows_it(make: Any) -> None:
    """A sum kept as 1234.5600000000002 is 1234.56, and a note counts such cells; a true third decimal stays for intake to refuse."""
    path = make([HEAD, ["1", "F", "2026-08-10", 1234.56], ["2", "F", "2026-08-10", 1234.567]])
    table = one(edited(path, SHEET, lambda xml: xml.replace(b"1234.56<", b"1234.5600000000002<")))
    assert table.column("amount").to_pylist() == ["1234.56", "1234.567"]
    assert any(note.startswith("1 numbers with more than fifteen figures") for note in table.notes)


@pytest.mark.parametrize("value", [12345678901234567, 1.2345678901234567e16, 123456789012.34567])
def test_a_number_of_more_than_fifteen_figures_is_a_problem(make: Any, value: float) -> None:
    """Its last figures may be lost: 12345678901234567 is the same binary number as ...568."""
    table = one(make([HEAD, [value, "F", "2026-08-10", 1]]))
    (told,) = table.problems
    assert (told.row, told.column) == (2, "student_id")
    assert "A2" in told.problem
    assert table.bad_rows.tolist() == [True]
    assert table.bad_for(["amount"]).tolist() == [False]
    assert table.bad_for(["student_id"]).tolist() == [True]


def test_zeros_that_a_format_writes_are_kept(make: Any) -> None:
    """123 shown as 00123 is read as 00123; longer numbers are not cut; identifiers without such a format are noted."""

    def also(book: Book) -> None:
        book.active["A2"].number_format = "00000"
        book.active["A3"].number_format = "00000;@"
        book.active["A4"].number_format = "000-00-0000"

    path = make([HEAD, [123, "F", "2026-08-10", 1], [1234567, "F", "2026-08-10", 1], [123456789, "F", "2026-08-10", 1]], also)
    assert one(path).column("student_id").to_pylist() == ["00123", "1234567", "123-45-6789"]
    assert one(path, text_columns={"studentid"}).notes == ()
    bare = one(make([HEAD, [123, "F", "2026-08-10", 1]]), text_columns={"studentid"})
    assert any("student_id" in note and "zeros" in note for note in bare.notes)


@pytest.mark.parametrize("number_format", ["0", "0.00", "#,##0", "0%", "General", "yyyy-mm-dd", "0E+00", "# ?/?", "@"])
def test_other_formats_change_no_figures(number_format: str) -> None:
    """Percent and currency formats are read by value, and a single zero pads nothing."""
    assert padding(number_format) == ()


def test_literal_text_of_a_format_is_written() -> None:
    """A prefix that a format writes before the figures belongs to the identifier."""
    assert padded("42", padding(r'"S"000')) == "S042"
    assert padded("42", padding(r"\0\-0000")) == "0-0042"


def test_error_cells_are_problems_with_their_address(make: Any) -> None:
    """An error is no blank: the row is bad and the cell is named; in a total it harms nobody."""
    table = one(make([HEAD, ["1", "F", "2026-08-10", "#N/A"], ["2", "F", "2026-08-10", 5], ["Total", None, None, "#REF!"]]))
    (told,) = table.problems
    assert (told.row, told.column, told.value) == (2, "amount", "#N/A")
    assert "D2" in told.problem
    assert table.bad_rows.tolist() == [True, False]
    assert [f.row for f in table.foot] == [4]


def test_a_formula_without_a_result_is_a_problem(make: Any) -> None:
    """A formula that was never calculated reads as a blank, so it is told; a calculated one, an empty text too, is read."""
    path = make([HEAD, ["1", "F", "2026-08-10", "=1+1"], ["2", "F", "2026-08-10", 7]])
    (told,) = one(path).problems
    assert (told.row, told.column) == (2, "amount")
    assert "D2" in told.problem
    calculated = edited(
        path, SHEET, lambda xml: xml.replace(b"<f>1+1</f><v />", b"<f>1+1</f><v>2</v>").replace(b"<f>1+1</f><v></v>", b"<f>1+1</f><v>2</v>")
    )
    assert rows(one(calculated))[0] == (2, "1", "F", "2026-08-10", "2")
    empty = edited(calculated, SHEET, lambda xml: xml.replace(b'<c r="D2">', b'<c r="D2" t="str">').replace(b"<v>2</v>", b"<v></v>"))
    assert one(empty).problems == ()


def test_date_cells_in_both_date_systems(make: Any) -> None:
    """The same day comes out of either system; a bare day number is read by the workbook's own."""
    for epoch, serial, system in ((None, 46244, 1900), (CALENDAR_MAC_1904, 44782, 1904)):

        def also(book: Book, epoch: Any = epoch) -> None:
            if epoch:
                book.epoch = epoch

        table = one(make([HEAD, ["1", "F", date(2026, 8, 10), 1], ["2", "F", serial, 1]], also))
        assert table.date_system == system
        assert table.column("posted_on").to_pylist() == ["2026-08-10", str(serial)]
        days = parse_dates(table.column("posted_on"), "ymd", table.date_system)
        assert [str(d) for d in days.values.astype("datetime64[D]")] == ["2026-08-10"] * 2


def test_a_date_with_a_time_keeps_its_day(make: Any) -> None:
    """The time is left off and counted in a note."""
    table = one(make([HEAD, ["1", "F", datetime(2026, 8, 10, 15, 30), 1]]))  # noqa: DTZ001 (cells have no zone)
    assert table.column("posted_on").to_pylist() == ["2026-08-10"]
    assert any("time of day" in note for note in table.notes)


def test_a_day_number_that_is_no_date_is_a_problem(make: Any) -> None:
    """A number formatted as a date that no calendar holds is told by its address, without a warning from the library."""

    def also(book: Book) -> None:
        book.active["C2"].number_format = "yyyy-mm-dd"

    (told,) = one(make([HEAD, ["1", "F", 99999999, 1]], also)).problems
    assert "C2" in told.problem


def test_hidden_rows_and_sheets_are_read_and_noted(make: Any) -> None:
    """Nothing is left out because someone hid it."""

    def also(book: Book) -> None:
        book.active.row_dimensions[3].hidden = True
        book.create_sheet("Old").append(HEAD)
        book["Old"].append(["9", "F", "2026-08-10", 9])
        book["Old"].sheet_state = "hidden"

    first, second = read(make([HEAD, ["1", "F", "2026-08-10", 1], ["2", "F", "2026-08-10", 2]], also))
    assert len(first.rows) == 2
    assert any("hidden rows" in note and note.endswith(" 3") for note in first.notes)
    assert second.sheet == "Old"
    assert any("sheet is hidden" in note for note in second.notes)


def test_titles_above_and_merged_cells(make: Any) -> None:
    """A merged title above the headings is skipped; cells merged in the data are noted."""

    def also(book: Book) -> None:
        book.active.merge_cells("A1:D1")
        book.active.merge_cells("A5:A6")

    table = one(
        make(
            [["Charges of the term"], [], HEAD, ["1", "F", "2026-08-10", 1], ["2", "F", "2026-08-10", 2], [None, "F", "2026-08-10", 3]],
            also,
        )
    )
    assert table.heading_row == 3
    assert [int(r) for r in table.rows] == [4, 5, 6]
    assert any("merged" in note and "A5:A6" in note for note in table.notes)
    assert not any("A1:D1" in note for note in table.notes)


def test_blank_rows_and_totals(make: Any) -> None:
    """Blank rows are counted and totals set aside with their cells, whatever stands between."""
    table = one(make([HEAD, ["1", "F", "2026-08-10", 1], [], ["  "], ["2", "F", "2026-08-10", 2], [], ["Total", None, None, 3]]))
    assert [int(r) for r in table.rows] == [2, 5]
    assert table.blank_rows == 3
    assert [(f.row, f.cells) for f in table.foot] == [(7, {"student_id": "Total", "amount": "3"})]


def test_cells_beside_the_headings_are_a_problem(make: Any) -> None:
    """A filled cell without a heading is named; formatted empty columns are nothing."""
    table = one(make([HEAD, ["1", "F", "2026-08-10", 1, None, "look"]]))
    (told,) = table.problems
    assert told.row == 0
    assert "column 6" in told.problem
    assert one(make([[*HEAD, None], ["1", "F", "2026-08-10", 1, " "]])).problems == ()


def test_sheets_without_known_headings_are_told(make: Any) -> None:
    """They are not read, and not passed over in silence; if no sheet is known the likeliest headings are shown."""
    table = one(make([HEAD, ["1", "F", "2026-08-10", 1]], lambda book: book.create_sheet("Notes").append(["call the bank"])))
    assert any("Notes" in note for note in table.notes)
    unknown = one(make([["ID", "Sem"], ["1", "F"]]))
    assert unknown.unusable
    assert unknown.headings == ("ID", "Sem")
    assert "empty" in one(make([])).problems[0].problem


def test_sheet_and_heading_row_may_be_given(make: Any) -> None:
    """What the column map says is taken; a sheet that is not there is a problem that names those that are."""

    def also(book: Book) -> None:
        two = book.create_sheet("Two")
        for row in (["x", "y"], ["Key", "Sum"], ["1", 2]):
            two.append(row)

    path = make([HEAD], also)
    assert rows(one(path, sheet="two", heading_row=2)) == [(3, "1", "2")]
    assert "Sheet, Two" in one(path, sheet="Three").problems[0].problem
    assert "row 9" in one(path, sheet="Two", heading_row=9).problems[0].problem


def test_what_a_sheet_declares_about_its_size_is_not_believed(make: Any) -> None:
    """A sheet of two rows that declares a million, and one that declares fewer than it has, give their rows."""
    body = [HEAD, ["1", "F", "2026-08-10", 1], ["2", "F", "2026-08-10", 2]]
    for declared in (b'<dimension ref="A1:XFD1048576" />', b'<dimension ref="A1:B2" />'):
        path = edited(make(body), SHEET, lambda xml, d=declared: xml.replace(b'<dimension ref="A1:D3" />', d))  # type: ignore[misc]
        assert [int(r) for r in one(path).rows] == [2, 3]


def test_rows_beyond_what_a_sheet_can_hold_are_a_problem(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows are counted as they come, and reading stops at the cap."""
    path = edited(
        make([HEAD, ["1", "F", "2026-08-10", 1]]), SHEET, lambda xml: xml.replace(b'r="2"', b'r="999999999"').replace(b'2"', b'999999999"')
    )
    assert "goes on beyond" in one(path).problems[0].problem
    monkeypatch.setattr(xlsx_files, "MOST_CELLS", 10)
    assert "goes on beyond" in one(make([HEAD] * 9)).problems[0].problem


def test_a_last_cell_far_below_is_read_with_its_row(make: Any) -> None:
    """A gap of a hundred thousand rows costs nothing but time."""

    def also(book: Book) -> None:
        for column, value in zip("ABCD", ("2", "F", "2026-08-10", 2), strict=True):
            book.active[f"{column}100000"] = value

    table = one(make([HEAD, ["1", "F", "2026-08-10", 1]], also))
    assert [int(r) for r in table.rows] == [2, 100000]


def test_headings_far_down_are_no_empty_sheet(make: Any) -> None:
    """Below thirty blank rows nothing is looked for: alone the file is refused in these words, beside another sheet it is told."""

    def also(book: Book) -> None:
        for column, value in zip("ABCD", HEAD, strict=True):
            book.active[f"{column}40"] = value

    assert "none of the first 30 rows holds headings that are known, in sheet Sheet" in one(make([], also)).problems[0].problem

    def beside(book: Book) -> None:
        also(book)
        book.create_sheet("Second").append(HEAD)

    (table,) = read(make([], beside))
    assert table.notes == ("without headings that are known, and so not read: sheet Sheet",)


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b"", "empty"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "old kind"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600) + "EncryptedPackage".encode("utf-16-le"), "password"),
        (b"\r\n<html><table><tr><td>student_id</td></tr></table></html>", "web page"),
        (b"student_id,term\n1,F\n", "not a workbook"),
        (b"PK\x03\x04 but nothing more", "damaged"),
    ],
)
def test_what_only_carries_the_name_of_a_workbook(tmp_path: Path, raw: bytes, says: str) -> None:
    """Each is a plain problem of the file, with its own cure."""
    path = tmp_path / "charges.xlsx"
    path.write_bytes(raw)
    (told,) = one(path).problems
    assert told.row == 0
    assert says in told.problem
    assert told.cure


def archive(path: Path, parts: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name, held in parts.items():
            target.writestr(name, held)
    return path


def test_archives_of_other_kinds(tmp_path: Path) -> None:
    """Binary workbooks and other archives are told apart."""
    path = tmp_path / "a.xlsx"
    assert "binary kind" in one(archive(path, {"[Content_Types].xml": b"", "xl/workbook.bin": b""})).problems[0].problem
    assert "another kind" in one(archive(path, {"mimetype": b"application/zip"})).problems[0].problem
    assert "damaged" in one(archive(path, {"[Content_Types].xml": b"x"})).problems[0].problem


def test_an_archive_that_unpacks_too_far_is_not_opened(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Size and ratio are looked at before anything is unpacked."""
    path = edited(make([HEAD]), SHEET, lambda xml: xml + b" " * 30_000_000)
    assert path.stat().st_size < 200_000
    assert "would unpack" in one(path).problems[0].problem
    small = make([HEAD])
    assert not one(small).problems
    monkeypatch.setattr(xlsx_safety, "MOST_UNPACKED", 1000)
    assert "would unpack" in one(small).problems[0].problem


def test_entities_in_the_xml_are_refused(make: Any) -> None:
    """XML that defines entities, which can grow without end, is never expanded."""
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
    assert one(edited(make([HEAD]), SHEET, lambda xml: bomb + xml)).unusable
    assert one(edited(make([HEAD]), "xl/workbook.xml", lambda xml: bomb + xml)).unusable


def test_a_workbook_whose_sheet_is_damaged_is_a_problem(make: Any) -> None:
    """A sheet that breaks off gives no rows at all rather than some."""
    table = one(edited(make([HEAD, ["1", "F", "2026-08-10", 1]]), SHEET, lambda xml: xml[: len(xml) // 2]))
    assert table.unusable
    assert len(table.rows) == 0


def test_rows_out_of_order_are_a_problem(make: Any) -> None:
    """The library would pass over a row whose number comes twice; the sheet is refused instead."""
    path = make([HEAD, ["1", "F", "2026-08-10", 1], ["2", "F", "2026-08-10", 2]])
    table = one(edited(path, SHEET, lambda xml: xml.replace(b'<row r="3"', b'<row r="2"')))
    assert "not in order" in table.problems[0].problem
    assert table.unusable
