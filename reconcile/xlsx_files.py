"""Reading a workbook: every sheet with a heading row that is known, by column where it is plain (`xlsx_fast`), else row by row.

What a workbook hides or only pretends is told: hidden rows and sheets are read and noted, error cells and formulas without a result are
problems with their address, sheets without known headings are named as not read. Rows are the spreadsheet's own row numbers. What the
file says about its size is not believed: rows are counted as they come.
"""

from __future__ import annotations

import warnings
from dataclasses import replace
from itertools import chain
from typing import TYPE_CHECKING, Any

from openpyxl.utils import get_column_letter

from reconcile.raw import RawTable
from reconcile.raw_rows import LOOKED_AT, Head, find_head, known_headings, unusable
from reconcile.xlsx_cells import BLANK, CellText, cell_text
from reconcile.xlsx_fast import fast_cells
from reconcile.xlsx_open import OpenWorkbook
from reconcile.xlsx_parts import SheetParts, sheet_parts
from reconcile.xlsx_safety import why_not
from reconcile.xlsx_sheet import SheetRows, some

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from pathlib import Path

MOST_ROWS = 1_048_576
"""Rows that a sheet can have."""
MOST_CELLS = 60_000_000
"""Cells that are looked at in one sheet, blank ones between filled ones too."""

_DAMAGED = (
    "the workbook is damaged or uses what this reader does not open",
    "open it in the spreadsheet program, save it as .xlsx, and try again",
)


class _TooLargeError(Exception):
    """A sheet goes on beyond what a sheet can hold."""


def read_workbook(
    path: Path,
    name: str,
    *,
    sheet: str | None,
    heading_row: int | None,
    expected: frozenset[str],
    text_columns: Collection[str] = frozenset(),
) -> tuple[RawTable, ...]:
    """One table per sheet with a known heading row.

    In:      `name` as it is to stand in every message; `sheet` None = all; `expected` headings as `heading_key` makes them;
             `text_columns`: which of them hold identifiers, so that lost leading zeros can be told.
    Out:     at least one table; never raises for what a file holds.
    Errors:  OSError if the file cannot be opened.
    """
    raw = path.read_bytes()
    if refusal := why_not(raw):
        return (unusable(name, "", *refusal),)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl warns of styles and extensions that hold no data
        try:
            opened = OpenWorkbook(raw)
            try:
                return _read_sheets(opened, name, sheet, heading_row, expected, text_columns)
            finally:
                opened.book.close()
        except Exception:  # noqa: BLE001 (a damaged workbook makes the library fail in any way; forbidden XML entities too)
            return (unusable(name, sheet or "", *_DAMAGED),)


def _read_sheets(
    opened: OpenWorkbook, name: str, sheet: str | None, heading_row: int | None, expected: frozenset[str], text_columns: Collection[str]
) -> tuple[RawTable, ...]:
    """Every sheet asked for; the sheets passed over are told in the first table's notes."""
    book = opened.book
    sheets: list[Any] = [s for s in book.worksheets if sheet is None or s.title.strip().casefold() == sheet.strip().casefold()]
    if not sheets:
        there = ", ".join(s.title for s in book.worksheets)
        return (unusable(name, sheet or "", f"there is no sheet {sheet!r}: the sheets are {there}", "correct the sheet in the column map"),)
    tables: list[RawTable] = []
    passed_over: list[tuple[str, Head]] = []
    for one in sheets:
        read = _read_sheet(opened, one, name, heading_row, expected, text_columns, alone=len(sheets) == 1)
        if isinstance(read, RawTable):
            tables.append(read)
        elif read is not None:
            passed_over.append((one.title, read))
    if not tables:
        return (_no_headings(name, sheet or "", passed_over, heading_row),)
    if passed_over:
        told = f"without headings that are known, and so not read: sheet {some([title for title, _ in passed_over])}"
        tables[0] = replace(tables[0], notes=(*tables[0].notes, told))
    return tuple(tables)


def _no_headings(name: str, sheet: str, passed_over: list[tuple[str, Head]], heading_row: int | None) -> RawTable:
    """The table of a workbook in which no row is known to be the headings; with those of the likeliest row."""
    if not passed_over:
        if heading_row is not None:
            return unusable(name, sheet, f"row {heading_row} holds no headings", "correct heading_row in the column map")
        return unusable(name, sheet, "the workbook is empty", "export it again; headings alone will do where there are no rows")
    problem = f"none of the first {LOOKED_AT} rows holds headings that are known, in sheet {some([title for title, _ in passed_over])}"
    cure = "use the standard headings, or say in a column map what this file's headings mean (and sheet and heading_row, if need be)"
    title, head = passed_over[0]
    return unusable(name, title, problem, cure, head=head)


def _read_sheet(
    opened: OpenWorkbook,
    sheet: Any,  # noqa: ANN401 (openpyxl's own kind of sheet for streaming is not in its types)
    name: str,
    heading_row: int | None,
    expected: frozenset[str],
    text_columns: Collection[str],
    *,
    alone: bool,
) -> RawTable | Head | None:
    """One sheet; its likeliest heading row if none is known; None if it is empty."""
    parts = sheet_parts(opened.archive, sheet._worksheet_path)  # noqa: SLF001 (openpyxl does not show hidden rows when streaming)
    if parts.disordered:
        problem = f"the rows of the sheet are not in order: row {some(parts.disordered)} stands behind a later one, or twice"
        return unusable(name, sheet.title, problem, _DAMAGED[1])
    fast = fast_cells(opened, sheet, parts, MOST_ROWS, MOST_CELLS)
    looked_at = max(LOOKED_AT, heading_row or 0)
    first: list[tuple[int, list[CellText]]] = []
    try:
        if fast is None:
            opened.texts_read()
            cells = _rows(sheet, parts)
            for row, texts in cells:
                first.append((row, texts))
                if row >= looked_at:
                    break
        head = find_head(
            fast.first(looked_at) if fast else [(row, [cell.text for cell in texts]) for row, texts in first], expected, heading_row
        )
        if head is None:
            return None if parts.last_row <= looked_at else Head(0, (), known=False)
        if not head.known or (heading_row and not alone and not known_headings(head.cells, expected)):
            return head._replace(known=False)
        read = SheetRows(head, text_columns)
        if fast:
            read.take_all(fast)
        else:
            for row, texts in chain(first, cells):
                if row > head.row:
                    read.take(row, texts)
    except _TooLargeError as error:
        return unusable(name, sheet.title, str(error), "delete what stands below and beside the data, or export as CSV")
    return read.table(opened.book, name, sheet, parts, expected)


def _rows(sheet: Any, parts: SheetParts) -> Iterator[tuple[int, list[CellText]]]:  # noqa: ANN401 (as above)
    """Every row with its number, as texts, without the blank cells at its end; rows that hold nothing are left out."""
    sheet.reset_dimensions()  # what the file declares may be a million rows for four
    looked_at = 0
    letters: list[str] = []
    for row, cells in enumerate(sheet.iter_rows(), 1):
        looked_at += len(cells)
        if row > MOST_ROWS or looked_at > MOST_CELLS:
            raise _TooLargeError(f"the sheet goes on beyond {MOST_ROWS:,} rows or {MOST_CELLS:,} cells")
        letters += [get_column_letter(i + 1) for i in range(len(letters), len(cells))]
        texts = [
            cell_text(cell.value, cell.data_type, cell.number_format if cell.data_type == "n" else "", letter, row)
            if cell.value is not None
            else BLANK
            for cell, letter in zip(cells, letters, strict=False)
        ]
        if parts.no_result:
            texts = [_calculated(text, f"{letter}{row}", parts) for text, letter in zip(texts, letters, strict=False)]
        while texts and not texts[-1].text.strip() and texts[-1].problem is None:
            texts.pop()
        yield row, texts


def _calculated(text: CellText, address: str, parts: SheetParts) -> CellText:
    """The cell, or the problem that it holds a formula without a result."""
    if address not in parts.no_result:
        return text
    problem = f"cell {address} holds a formula without a result, which reads as a blank"
    return CellText("", problem=(problem, "open the workbook in the spreadsheet program, let it calculate, and save it"))
