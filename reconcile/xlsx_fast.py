"""The cells of a plain sheet, read in a fifth of the time and column by column; None wherever that might read one cell differently.

The fast library turns error cells into blanks and tells neither number formats nor formulas without a result. So it is given only sheets
that `xlsx_forms` has proved plain, and in a workbook made for it in memory: the sheet and the shared texts as they are, packed, and in
place of the styles of the file the exact library's own answer to which of them are dates. Nothing is left to it but to take rows apart.

Each different number is put into figures once, by the same rules as in `xlsx_cells`.
"""

from __future__ import annotations

import io
import re
import zipfile
from datetime import date
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
from openpyxl.styles.numbers import BUILTIN_FORMATS
from openpyxl.utils.datetime import CALENDAR_MAC_1904
from openpyxl.worksheet._reader import WorkSheetParser
from python_calamine import CalamineWorkbook

from reconcile.xlsx_cells import DUST, FIGURES, cell_text, padding
from reconcile.xlsx_forms import SheetForm, Styles, plain_sheet
from reconcile.xlsx_open import STRINGS, OpenWorkbook
from reconcile.xlsx_parts import SheetParts, sheet_pieces

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]

MOST_FAST_CELLS = 20_000_000
"""Cells of the rectangle around a sheet, which the fast library holds at once; a larger sheet is streamed."""
_AT_ONCE = 20_000
"""Rows that are turned into columns together."""
_PATH = re.compile(r"xl/worksheets/[\w.-]+\.xml", re.ASCII)

_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_LINK = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    f'<Relationship Id="rId1" Type="{_OFFICE}/%s" Target="/%s"/></Relationships>'
)
_BOOK = (
    f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><workbookPr date1904="%d"/>'
    '<sheets><sheet name="sheet" sheetId="1" r:id="rId1"/></sheets></workbook>'
)
_NUMBER, _DAY = 0, 14
"""Numbers of two number formats that every workbook has: General, and a date."""


class _UnsureError(Exception):
    """A value that the exact reader has to look at."""


class FastColumn(NamedTuple):
    """One column from row 1 on: its texts, and which cells were numbers, whole numbers, numbers with dust (None for no cell)."""

    texts: pa.Array
    numbers: Bools | None = None
    whole: Bools | None = None
    dust: Bools | None = None


class FastCells(NamedTuple):
    """The cells of a sheet by column; all columns are equally long, and no filled cell stands below or beside them."""

    columns: tuple[FastColumn, ...]
    last_row: int
    """The last row that the sheet has, filled or not."""

    def first(self, count: int) -> list[tuple[int, list[str]]]:
        """The first rows with their numbers, as texts without the blank cells at their end."""
        rows: list[tuple[int, list[str]]] = []
        heads = [column.texts.slice(0, count).to_pylist() for column in self.columns]
        for i in range(min(count, self.last_row)):
            texts = [head[i] for head in heads if i < len(head)]
            while texts and not texts[-1]:
                texts.pop()
            rows.append((i + 1, texts))
        return rows

    def filled(self) -> Bools:
        """Which rows hold anything."""
        filled = np.zeros(len(self.columns[0].texts) if self.columns else 0, dtype=np.bool_)
        for column in self.columns:
            filled |= pc.greater(pc.binary_length(column.texts), 0).to_numpy(zero_copy_only=False)
        return filled


def fast_cells(opened: OpenWorkbook, sheet: Any, parts: SheetParts, most_rows: int, most_cells: int) -> FastCells | None:  # noqa: ANN401 (as in xlsx_files)
    """All cells of one sheet, if they are certain to be what the exact reader gives; else None.

    In:      `most_rows` and `most_cells` as the exact reader counts them; a sheet near them is left to it.
    """
    if not opened.plain or parts.no_result or parts.disordered or parts.last_row > most_rows:
        return None
    path: str = sheet._worksheet_path  # noqa: SLF001 (the library does not show it)
    form = plain_sheet(sheet_pieces(opened.archive, path), _styles(opened)) if _PATH.fullmatch(path) else None
    if form is None or parts.last_row * form.width > min(most_cells, MOST_FAST_CELLS):
        return None
    try:
        if not _plain_frame(form, opened):
            return None
        rows = CalamineWorkbook.from_filelike(_made_for_it(opened, path)).get_sheet_by_index(0)
        left = rows.start[1] if rows.start else 0
        columns = _columns(rows.iter_rows(), left)
        if rows.end and (rows.end[0] + 1, rows.end[1] + 1) != (len(columns[0].texts), len(columns)):
            return None
    except Exception:  # noqa: BLE001 (whatever is amiss, the exact reader tells it)
        return None
    return FastCells(columns, parts.last_row)


def _styles(opened: OpenWorkbook) -> Styles:
    """Which cell styles are days, and which no number may have: durations, and formats that write leading zeros."""
    book: Any = opened.book
    days, spans = frozenset(book._date_formats), frozenset(book._timedelta_formats)  # noqa: SLF001 (the library does not show them)
    styles = book._cell_styles  # noqa: SLF001 (as above)
    refused = set(spans)
    for i, style in enumerate(styles):
        own = style.numFmtId - 164
        number_format = book._number_formats[own] if own >= 0 else BUILTIN_FORMATS.get(style.numFmtId)  # noqa: SLF001 (as above)
        if number_format is None or padding(number_format):
            refused.add(i)
    return Styles(days - refused, frozenset(refused), len(styles))


def _plain_frame(form: SheetForm, opened: OpenWorkbook) -> bool:
    """Whether the exact library finds nothing amiss in the sheet around its rows, and no rows there."""
    book: Any = opened.book
    frame = WorkSheetParser(io.BytesIO(form.frame), [], data_only=True, epoch=book.epoch)
    return not list(frame.parse())


def _made_for_it(opened: OpenWorkbook, path: str) -> io.BytesIO:
    """A workbook in memory with this one sheet, still packed, and styles that say only which numbers are days."""
    made = io.BytesIO(opened.raw)
    days = _styles(opened).days
    count = len(opened.book._cell_styles)  # type: ignore[attr-defined]  # noqa: SLF001 (as above)
    kinds = "".join(f'<xf numFmtId="{_DAY if i in days else _NUMBER}"/>' for i in range(count))
    with zipfile.ZipFile(made, "a") as archive:
        archive.filelist = [part for part in archive.filelist if part.filename in {path, STRINGS}]
        archive.NameToInfo = {part.filename: part for part in archive.filelist}
        archive.writestr("_rels/.rels", _LINK % ("officeDocument", "xl/workbook.xml"))
        archive.writestr("xl/workbook.xml", _BOOK % (opened.book.epoch == CALENDAR_MAC_1904))
        archive.writestr("xl/_rels/workbook.xml.rels", _LINK % ("worksheet", path))
        archive.writestr("xl/styles.xml", f'<styleSheet xmlns="{_MAIN}"><cellXfs count="{count}">{kinds}</cellXfs></styleSheet>')
    made.seek(0)
    return made


def _columns(rows: Iterator[list[Any]], left: int) -> tuple[FastColumn, ...]:
    """Rows from row 1 on to columns; `left` columns before the first cell of any row are blank and not in them."""
    pieces: list[list[FastColumn]] = []
    taken: list[list[Any]] = []
    for row in rows:
        taken.append(row)
        if len(taken) == _AT_ONCE:
            pieces.append([_column(values) for values in zip(*taken, strict=True)])
            taken = []
    if taken:
        pieces.append([_column(values) for values in zip(*taken, strict=True)])
    joined = [_joined(column) for column in zip(*pieces, strict=True)]
    count = len(joined[0].texts) if joined else 0
    blank = FastColumn(pa.array([""] * count if left else [], type=pa.string()))
    return (*[blank] * left, *joined)


def _joined(pieces: Sequence[FastColumn]) -> FastColumn:
    """Pieces of one column, one below the other."""

    def flags(which: int) -> Bools | None:
        held = [piece[which] for piece in pieces]
        if all(one is None for one in held):
            return None
        return np.concatenate([np.zeros(len(p.texts), dtype=np.bool_) if p[which] is None else p[which] for p in pieces])

    return FastColumn(pa.concat_arrays([piece.texts for piece in pieces]), flags(1), flags(2), flags(3))


def _column(values: Sequence[Any]) -> FastColumn:
    """Some cells of one column: texts as they are, every different number and day put into text once."""
    kinds = set(map(type, values))
    if kinds == {str}:
        return FastColumn(pa.array(values, type=pa.string()))
    if not kinds <= {str, float, date, bool}:
        raise _UnsureError
    if bool in kinds:  # True is 1 to a dictionary
        values = [str(value).upper() if value is True or value is False else value for value in values]
    told: dict[Any, str] = {}
    dusty: list[float] = []
    for value in set(values):
        if type(value) is float:
            told[value], dust = _figures(value)
            if dust:
                dusty.append(value)
        else:
            told[value] = value if type(value) is str else value.isoformat()
    texts = pa.array([told[value] for value in values], type=pa.string())
    if float not in kinds:
        return FastColumn(texts)
    numbers = np.fromiter((type(value) is float for value in values), dtype=np.bool_, count=len(values))
    figures = np.fromiter((value if type(value) is float else np.nan for value in values), dtype=np.float64, count=len(values))
    return FastColumn(texts, numbers, np.floor(figures) == figures, np.isin(figures, dusty) if dusty else None)


def _figures(value: float) -> tuple[str, bool]:
    """A number as `xlsx_cells.cell_text` writes it, and whether dust was left off; it is asked itself where the short way is not sure.

    The shortest figures that stand for a number are its text, where they need no exponent and are not more than a spreadsheet keeps.
    """
    if abs(value) >= 10**FIGURES:
        raise _UnsureError
    written = repr(value)
    if value and len(written) <= FIGURES + 1 and "e" not in written:
        return written.removesuffix(".0"), False
    cell = cell_text(value, "n", "", "", 0)
    if cell.problem:
        raise _UnsureError
    return cell.text, cell.remark == DUST
