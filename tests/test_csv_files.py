"""Text files to tables of text: nothing shifted, nothing lost, everything named by its line."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from reconcile import csv_files, raw_foot
from reconcile.csv_exact import read_exactly, records
from reconcile.csv_fast import read_fast
from reconcile.raw import RawTable, heading_key
from reconcile.raw_foot import FEW, blank_cells, likely_totals, says_total, seeming_totals
from reconcile.raw_rows import Head
from reconcile.schemas import EXPORTS
from reconcile.text_encoding import Decoded

if TYPE_CHECKING:
    from pathlib import Path

EXPECTED = frozenset({"studentid", "term", "postedon", "amount", "note"})
HEAD = "student_id,term,amount,note"


@pytest.fixture
def read(tmp_path: Path) -> Any:
    """Read a file with this content."""

    def reading(content: str | bytes, **options: Any) -> RawTable:
        path = tmp_path / "charges.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        chosen = {"heading_row": None, "expected": EXPECTED, "encoding": None, "delimiter": None} | options
        return csv_files.read_text_file(path, "charges.csv", **chosen)

    return reading


def rows(table: RawTable) -> list[tuple[Any, ...]]:
    """Row number and cells of every data row."""
    return [(int(row), *cells) for row, *cells in zip(table.rows, *(c.to_pylist() for c in table.columns), strict=True)]


def only_problem(table: RawTable) -> tuple[int, str]:
    assert len(table.problems) == 1
    told = table.problems[0]
    assert told.cure
    return told.row, told.problem


def test_a_plain_file_is_read_as_text(read: Any) -> None:
    """Cells stay text: zeros in front, exponents and words for nothing survive."""
    table = read(f"{HEAD}\n00123,FA26,1E5,Null\n7,NA,nan,\n")
    assert table.headings == ("student_id", "term", "amount", "note")
    assert table.heading_row == 1
    assert rows(table) == [(2, "00123", "FA26", "1E5", "Null"), (3, "7", "NA", "nan", "")]
    assert (table.problems, table.notes, table.encoding, table.delimiter) == ((), (), "utf-8", ",")
    assert not table.bad_rows.any()


def test_the_example_of_rfc_4180_is_two_records() -> None:
    """Quotation marks written twice and a line break inside a field (source: RFC 4180, section 2, rules 5 to 7)."""
    assert [r.fields for r in records(io.StringIO('a,b\r\n"x, ""y""\r\nz",1', newline=""), ",")] == [["a", "b"], ['x, "y"\r\nz', "1"]]


@pytest.mark.parametrize(
    ("raw", "encoding", "options"),
    [
        (f"{HEAD}\n1,F,2,Zoë\n".encode(), "utf-8", {}),
        (f"{HEAD}\n1,F,2,Zoë\n".encode("utf-8-sig"), "utf-8", {}),
        (f"{HEAD}\n1,F,2,Zoë\n".encode("utf-16"), "utf-16-le", {}),
        (b"\xfe\xff" + f"{HEAD}\n1,F,2,Zoë\n".encode("utf-16-be"), "utf-16-be", {}),
        (f"{HEAD}\n1,F,2,Zoë\n".encode("cp1252"), "cp1252", {}),
        (f"{HEAD}\n1,F,2,Zoë\n".encode("latin-1"), "iso8859-1", {"encoding": "latin-1"}),
        (f"{HEAD}\n1,F,2,Zoë\n".encode("utf-8-sig"), "utf-8", {"encoding": "utf-8"}),
        (f"{HEAD}\n1,F,2,Zoë\n".encode("utf-16"), "utf-16-le", {"encoding": "utf-16"}),
    ],
)
def test_the_encoding_is_found_by_mark_then_utf8_then_cp1252(read: Any, raw: bytes, encoding: str, options: dict[str, str]) -> None:
    """An accent reads right in every encoding that offices send, and the first heading carries no mark."""
    table = read(raw, **options)
    assert table.encoding == encoding
    assert rows(table) == [(2, "1", "F", "2", "Zoë")]
    assert table.headings[0] == "student_id"
    assert any("1252" in note for note in table.notes) == (encoding == "cp1252")


@pytest.mark.parametrize("byte", [0x81, 0x8D, 0x8F, 0x90, 0x9D])
def test_bytes_that_cp1252_leaves_undefined_are_a_problem(read: Any, byte: int) -> None:
    """The file is refused with the line of the byte (undefined bytes: WHATWG and Unicode tables of windows-1252, run)."""
    row, problem = only_problem(read(f"{HEAD}\n1,F,2,x\n2,F,3,".encode() + bytes([byte]) + b"\n"))
    assert row == 0
    assert "line 3" in problem
    assert f"{byte:02X}" in problem


def test_an_encoding_nobody_knows_or_that_does_not_fit_is_a_problem(read: Any) -> None:
    """An override is held to: no other encoding is tried behind it."""
    assert "utf-9" in only_problem(read(HEAD, encoding="utf-9"))[1]
    assert "ascii" in only_problem(read(f"{HEAD}\n1,F,2,Zoë\n", encoding="ascii"))[1]
    assert "no encoding of text" in only_problem(read(HEAD, encoding="base64"))[1]


@pytest.mark.parametrize("content", [b"", b"\n \r\n", b"\xef\xbb\xbf"])
def test_an_empty_file_is_a_problem(read: Any, content: bytes) -> None:
    """It says that the file is empty, and that headings alone would do."""
    table = read(content)
    assert "empty" in only_problem(table)[1]
    assert table.unusable


def test_headings_alone_are_a_table_without_rows(read: Any) -> None:
    """No rows is no problem."""
    table = read(HEAD)
    assert (rows(table), table.problems, len(table.headings)) == ([], (), 4)


def test_nul_characters_are_a_problem(read: Any) -> None:
    """The line is named."""
    assert "line 2 holds a NUL" in only_problem(read(f"{HEAD}\n1,F,\0,x\n"))[1]
    assert "take the character out of line 2" in read(f"{HEAD}\n1,F,\0,x\n").problems[0].cure
    utf16 = only_problem(read(f"{HEAD}\n1,F,2,x\n".encode("utf-16-le")))
    assert ("NUL" in utf16[1], "UTF-16 without its mark" in utf16[1], "cp1252" in utf16[1]) == (True, True, False)


@pytest.mark.parametrize("start", [b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"])
def test_a_workbook_under_the_name_of_a_text_file_is_told_as_such(read: Any, start: bytes) -> None:
    """Not as a byte that is no letter: the cure is to save it under its own name."""
    assert "is a workbook or another archive" in only_problem(read(start + bytes(100)))[1]


def test_a_cell_that_is_far_too_long_is_told_as_such(read: Any) -> None:
    """200,000 letters on one line are no quotation mark that was never closed; the same letters over many lines after such a mark are."""
    told = only_problem(read(f"{HEAD}\n1,F,2,{'x' * 200_000}\n2,F,3,y\n"))
    assert told[1] == "a cell on line 2 holds more than 131,072 characters"
    assert "never closed" in only_problem(read(f'{HEAD}\n1,F,2,"{"x" * 999}\n' + "1,F,2,x\n" * 20_000))[1]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_delimiter_is_the_one_that_yields_known_headings(read: Any, delimiter: str) -> None:
    """A title line full of commas does not mislead; cells may hold the other delimiters."""
    text = (
        f"Charges, by student, all terms, page 1\nsep={delimiter}\n\n"
        + HEAD.replace(",", delimiter)
        + f"\n1{delimiter}F{delimiter}2{delimiter}x y\n"
    )
    table = read(text)
    assert table.delimiter == delimiter
    assert table.heading_row == 4
    assert rows(table) == [(5, "1", "F", "2", "x y")]
    assert any("row 4" in note for note in table.notes)


def test_delimiter_and_heading_row_may_be_given(read: Any) -> None:
    """What the column map says is taken; a row without headings, or a delimiter that cannot be one, is a problem."""
    text = "a:b:c\nkey:when:sum\n1:2:3\n"
    assert rows(read(text, delimiter=":", heading_row=2)) == [(3, "1", "2", "3")]
    assert read("a\tb\n1\t2\n", delimiter="tab", heading_row=1).headings == ("a", "b")
    assert "row 9" in only_problem(read(text, delimiter=":", heading_row=9))[1]
    assert "between fields" in only_problem(read(text, delimiter="::"))[1]
    far = "\n".join(["x"] * 40) + f"\n{HEAD}\n1,F,2,x\n"
    assert rows(read(far, heading_row=41)) == [(42, "1", "F", "2", "x")]


def test_without_known_headings_the_likeliest_are_shown(read: Any) -> None:
    """The file is a problem, and its own headings are there for a column map to be drafted from."""
    table = read("Report of 2026\nID;Sem;Sum\n1;F;2\n")
    assert table.unusable
    assert table.headings == ("ID", "Sem", "Sum")
    assert rows(table) == []


def test_a_quotation_mark_in_a_title_does_not_hide_the_headings(read: Any) -> None:
    """A title with a mark that is never closed is skipped like any title."""
    assert rows(read(f'"Charges of the term\n{HEAD}\n1,F,2,x\n')) == [(3, "1", "F", "2", "x")]


def test_a_row_with_too_many_or_too_few_fields_is_a_problem_of_that_row(read: Any) -> None:
    """Expected and found are named, the row stays to be counted, the other rows are sound."""
    table = read(f"{HEAD}\n1,F,2,x\n2,F,1,234.50,y\n3,F\n4,F,5,z\n")
    assert [(p.row, p.problem) for p in table.problems] == [
        (3, "too many fields: 4 expected, as there are headings, 5 found"),
        (4, "too few fields: 4 expected, as there are headings, 2 found"),
    ]
    assert table.bad_rows.tolist() == [False, True, True, False]
    assert rows(table)[2] == (4, "3", "F", "", "")
    assert table.bad_for(()).tolist() == [False, True, True, False]


def test_an_extra_comma_on_every_row_is_said_plainly_and_refused(read: Any) -> None:
    """Columns could have shifted, so no row is used; with the same comma behind the headings nothing is wrong."""
    row, problem = only_problem(read(f"{HEAD}\n1,F,2,x,\n2,F,3,y,\n"))
    assert row == 0
    assert "every data row ends in one delimiter more" in problem
    assert read(f"{HEAD}\n1,F,2,x,\n").bad_rows.all()
    assert [p.row for p in read(f"{HEAD}\n1,F,2,x,\n2,F,3,y\n").problems] == [2]
    tolerated = read(f"{HEAD},\n1,F,2,x,\n2,F,3,y,\n")
    assert (tolerated.problems, len(tolerated.headings), len(tolerated.columns)) == ((), 4, 4)


def test_cells_without_a_heading_are_a_problem(read: Any) -> None:
    """The column and its first filled row are named."""
    row, problem = only_problem(read("student_id,,amount\n1,,2\n2,x,3\n"))
    assert row == 0
    assert "column 2" in problem
    assert "row 3" in problem


@pytest.mark.parametrize("head", ["student_id,term,Term,amount", "student_id,Student ID,term,amount", "student_id,term,own,OWN"])
def test_headings_that_cannot_be_told_apart_are_a_problem(read: Any, head: str) -> None:
    """Both are named; known headings also count as equal but for spaces and punctuation. Who reads neither is not harmed."""
    table = read(f"{head}\n1,2,3,4\n")
    assert "same heading" in only_problem(table)[1]
    assert table.bad_for([table.problems[0].column]).all()
    assert not table.bad_for(["amount"]).any()
    assert not table.unusable


def test_a_quotation_mark_never_closed_makes_the_file_unusable(read: Any) -> None:
    """What follows has run together, so no row is trusted, and the line is named."""
    table = read(f'{HEAD}\n1,F,2,x\n2,F,3,"y\n3,F,4,z\n')
    row, problem = only_problem(table)
    assert row == 0
    assert "line 3" in problem
    assert table.bad_rows.all()
    huge = read(f'{HEAD}\n1,F,2,"x\n' + "3,F,4,zzzzzzzzzzzzzzzzzzzz\n" * 8000)
    assert "line 2" in next(p.problem for p in huge.problems if p.row == 0)


def test_text_behind_a_closing_quotation_mark_is_a_problem_of_its_row(read: Any) -> None:
    """The row is rejected, with its cells as well as may be, and the next row is read."""
    table = read(f'{HEAD}\n1,F,2,"x"y\n2,F,3,z\n')
    assert only_problem(table)[0] == 2
    assert table.bad_rows.tolist() == [True, False]
    assert rows(table)[0][:4] == (2, "1", "F", "2")


def test_rows_go_by_the_line_on_which_they_begin(read: Any) -> None:
    """Line breaks inside quotation marks and blank lines do not move the row numbers; blank lines are counted."""
    table = read(f'{HEAD}\r\n1,F,2,"two\r\nlines"\r\n\r\n , ,,\r\n2,F,3,x\r\n')
    assert rows(table) == [(2, "1", "F", "2", "two\r\nlines"), (6, "2", "F", "3", "x")]
    assert table.blank_rows == 2
    assert any("line breaks" in note for note in table.notes)


def test_old_line_ends_are_read(read: Any) -> None:
    """A carriage return alone ends a line too."""
    assert rows(read(f"{HEAD}\r1,F,2,x\r2,F,3,y\r")) == [(2, "1", "F", "2", "x"), (3, "2", "F", "3", "y")]


@pytest.mark.parametrize(
    "foot",
    [
        "Total,,5.00,",
        '"Total",,"5.00",',
        "Grand Total:,,5.00",
        "TOTAL 2 rows,,,",
        ",,5.00,",
        "End of report",
        "*** End of Report ***,,,",
        "Count: 2",
        "Sub-total,,5.00,",
        ",,5.00,Total",
        ",2,5.00,*** Grand Total ***",
        ',,"5.00",Totals:',
        ",5.00,Total",
    ],
)
def test_totals_at_the_foot_are_set_aside_with_their_cells(read: Any, foot: str) -> None:
    """They are no data, whatever their number of fields, and nothing of them is lost."""
    table = read(f"{HEAD}\n1,F,2.00,x\n2,F,3.00,y\n\n{foot}\n")
    assert len(table.rows) == 2
    assert table.problems == ()
    assert table.blank_rows == 1
    assert [f.row for f in table.foot] == [5]
    assert ("5.00" in foot) == ("5.00" in table.foot[0].cells.values())


@pytest.mark.parametrize(
    "odd",
    [
        *(",,4.99,", ",,,n", "SUM2026,F,5.00,x", "Total Access,F,5.00,x", "Count Basie,F,5.00,x", ",F,5.00,x", "sum,F,5.00,x"),
        *("2,,5.00,Total", ",F,5.00,Total", ",,5.00,Total charges", ",,5.00,Sum"),
    ],
)
def test_a_row_that_only_looks_odd_stays_a_data_row(read: Any, odd: str) -> None:
    """Nothing is guessed over: it is for the checks of its cells to reject it."""
    table = read(f"{HEAD}\n1,F,2.00,x\n2,F,3.00,y\n{odd}\n")
    assert len(table.rows) == 3
    assert table.foot == ()


def test_a_total_in_the_middle_is_set_aside_and_told(read: Any) -> None:
    """Data rows after it are kept, and a note says where it stood."""
    table = read(f"{HEAD}\n1,F,2.00,x\nSubtotal,,2.00,\n2,F,3.00,y\n")
    assert [int(r) for r in table.rows] == [2, 4]
    assert any("row 3" in note and "middle" in note for note in table.notes)


def test_words_of_totals() -> None:
    """A total must say so by itself: a word inside an identifier or a full row does not count."""
    assert says_total(["Total charges", "", "", "5.00"])
    assert not says_total(["Total charges", "F", "1", "5.00"])
    assert says_total(["Totals", "F", "1", "5.00"])
    assert not says_total(["Totality", "", "", ""])


def test_a_word_further_on_is_sure_only_beside_few_numbers() -> None:
    """Three filled cells make no row of any export; a fourth, a text, or a first cell leaves it to a person."""
    assert says_total(["", "", "2", "5.00", "", "Total"])
    assert says_total(["", "", "", "$ (1.234,50)", "", "Report total"])
    assert not says_total(["", "1", "2", "5.00", "", "Total"])
    assert not says_total(["", "", "fee", "5.00", "", "Total"])
    assert not says_total(["7", "", "", "5.00", "", "Total"])
    assert not says_total(["", "", "", "5.00", "", "Total access"])


def test_no_export_has_a_row_of_so_few_cells() -> None:
    """What makes the rule sure; an event of the bank also names a plan or a student."""
    least = {name: sum(column.required for column in export.columns) for name, export in EXPORTS.items()}
    least["cleared_draws"] += 1
    assert min(least.values()) > FEW


@pytest.mark.parametrize("end", ["", "\n", "\r\n\r\n"])
def test_a_total_with_its_word_at_the_end_is_read_alike_by_both_readers(end: str) -> None:
    """In the last lines, which the fast reader takes off first, and in the middle."""
    text = f"{HEAD}\n1,F,2.00,x\n,,2.00,Subtotal\n2,F,3.00,y\n,,5.00,Total{end}".encode()
    fast = table_of(text, ",", fast=True)
    assert fast is not None
    assert fast == table_of(text, ",", fast=False)
    assert (len(fast[1]), [foot.row for foot in fast[4]]) == (2, [3, 5])


def test_rows_that_may_be_totals() -> None:
    """A total's word anywhere, or nothing but one or two numbers: enough to say so, not to set the row aside."""
    rows = [["7", "", "5.00", "Total"], ["", "", "4.99", ""], ["1", "F", "2.00", "x"], ["", "F", "2.00", ""], ["", "", "5", "Sum of it"]]
    columns = [pa.array(column, pa.large_string()) for column in zip(*rows, strict=True)]
    assert seeming_totals(columns, np.arange(5)) == {0, 1, 4}
    assert seeming_totals(columns, np.array([1, 2])) == {1}


def test_what_was_lost_before_is_told(read: Any) -> None:
    """A replacement character means that a letter was lost when the file was made."""
    assert any("lost" in note for note in read(f"{HEAD}\n1,F,2,Zo\ufffd\n").notes)


def table_of(text: bytes, delimiter: str, *, fast: bool) -> Any:
    """What one of the two readers makes of a file, as plain values; None if the fast one steps aside."""
    fields = next(csv.reader([text.decode().splitlines()[0]], delimiter=delimiter))
    body = (read_fast if fast else read_exactly)(text, delimiter, fields, 2)
    if body is None:
        return None
    head = Head(1, tuple(fields), known=True)
    table = csv_files._table("f", Decoded(text, "utf-8", ()), csv_files._Layout(delimiter, head, 2), body, EXPECTED)
    return table.headings, rows(table), table.problems, table.bad_rows.tolist(), table.foot, table.blank_rows, table.notes


cell = st.one_of(
    st.sampled_from(["", " ", "1.00", "00123", "Total", "NA", '"', 'x"y', "a,b", "\u00a0", "\x0b", "End of report", "two\nlines"]),
    st.text(st.characters(codec="utf-8", exclude_characters="\0\r"), max_size=5),
)
line = st.lists(cell, min_size=4, max_size=4) | st.lists(cell, max_size=6)


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(line, max_size=8), st.sampled_from(["\n", "\r\n"]), st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, None]), st.booleans()
)
def test_both_readers_give_the_same_table(lines: list[list[str]], end: str, quoting: Any, last_end: bool) -> None:
    """Wherever the fast reader does not step aside its table is that of the exact one, well-formed files or not."""
    out = io.StringIO()
    if quoting is None:
        out.write(end.join([HEAD, *(",".join(fields) for fields in lines)]))
        out.write(end)
    else:
        csv.writer(out, quoting=quoting, lineterminator=end).writerows([HEAD.split(","), *lines])
    text = out.getvalue().encode() if last_end else out.getvalue().removesuffix(end).encode()
    fast = table_of(text, ",", fast=True)
    if fast is not None:
        assert fast == table_of(text, ",", fast=False)


@pytest.mark.parametrize("quoting", [csv.QUOTE_MINIMAL, csv.QUOTE_ALL])
def test_plain_files_do_not_need_the_exact_reader(quoting: Any) -> None:
    """Ordinary files, fields in quotation marks or not, with a total at the end, are read fast; and the same."""
    out = io.StringIO()
    body = [[f"{i:05d}", "F", f"{i}.00", 'say "x", then'] for i in range(50)]
    csv.writer(out, quoting=quoting).writerows([HEAD.split(","), *body, ["Total", "", "1225.00", ""], []])
    text = out.getvalue().encode()
    fast = table_of(text, ",", fast=True)
    assert fast is not None
    assert fast == table_of(text, ",", fast=False)
    assert len(fast[1]) == 50


def test_cells_are_arrow_text(read: Any) -> None:
    """Each column is one text array without missing values, as long as there are rows."""
    for table in (read(f"{HEAD}\n1,F,2,x\n"), read(HEAD), read(f'{HEAD}\n1,F,2,"x\ny"\n')):
        assert all(
            column.type == pa.large_string() and column.null_count == 0 and len(column) == len(table.rows) for column in table.columns
        )


def test_heading_keys_fold_dress_only() -> None:
    """Case, spaces, underscores and punctuation do not count; letters and digits do."""
    assert heading_key(" Draw-Date_2: ") == "drawdate2"
    assert heading_key("Año") != heading_key("Ano")


PLACES = st.text(st.sampled_from("toTOalsumSUMcnf 12\t.\u00e9\u2003\u017f"), max_size=6)


@given(
    st.lists(st.one_of(PLACES, st.sampled_from(["Total", "GRAND TOTAL", "12 sum", "page", "\u2003total"])), max_size=12), st.integers(0, 3)
)
def test_the_quick_look_at_a_column_misses_no_total_and_no_blank(cells: list[str], cut: int) -> None:
    """Columns that are spared the slow look hold neither a total's word nor white space, also where they are cut from longer ones."""
    column = pa.array(cells, pa.string())[cut:]
    rest = cells[cut:]
    assert blank_cells(column).tolist() == [not cell.strip() for cell in rest]
    assert likely_totals([column], len(column)) == [at for at, cell in enumerate(rest) if raw_foot._total_word(cell)]
