"""The rows of a saved workbook in which people wrote about exceptions: found in any sheet, wherever columns have gone.

Read is every sheet, but the run's own other ones, that has a heading for the exception's id and one for what people write. What stands in
no place where it can be read is listed: comments on cells, merged cells, a heading that stands twice over different words.
"""

from __future__ import annotations

import re
import warnings
import zipfile
from typing import TYPE_CHECKING, Final, NamedTuple

import pyarrow as pa  # type: ignore[import-untyped]

from reconcile.cells import parse_money
from reconcile.dispositions import COLUMNS, id_of, unescaped
from reconcile.raw import heading_key
from reconcile.xlsx_safety import why_not

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from reconcile.raw import RawProblem, RawTable

WORDS = COLUMNS[1:]
READ = (*COLUMNS, "amount", "as_written")
EXPECTED: Final = frozenset(heading_key(column) for column in READ)
NOT_HERE = frozenset({"summary", "students", "draws", "plans", "failed draws", "next draws", "settlement days"}) | frozenset(
    {"unmatched events", "rejected rows", "proof", "not read back"}
)
"""The run's own other sheets, in small letters: nobody writes decisions there, and some of them are long."""


UNMERGE: Final = "unmerge them, and write what belongs to the other rows into each of them, in the next workbook"
HEADINGS: Final = "put the headings of the run's workbook back above the rows, and give the file with --notes"
_COMMENTED: Final = re.compile(rb"<(?:\w+:)?comment\b[^>]*\bref\s*=\s*[\"']([A-Z]+\d+)[\"']")


class Unread(NamedTuple):
    """One thing that could not be read: a row of OUTPUTS["unread_notes"]; `row` is 0 for the sheet or file as a whole."""

    file: str
    sheet: str
    row: int
    exception_id: str
    column: str
    value: str
    problem: str
    cure: str


class Row(NamedTuple):
    """One row: its place, its id, the words that stand there (None: the column is missing), amount in cents, the mark ("" if none)."""

    sheet: str
    row: int
    exception_id: str
    words: dict[str, str | None]
    amount: int | None
    mark: str


def rows_of(path: Path, name: str) -> tuple[list[Row], list[Unread]]:
    """Every row that may hold words of a person, and what could not be read.

    In:      `name` as it is to stand in every message.
    Errors:  none for what the file holds; OSError if it cannot be opened.
    """
    rows: list[Row] = []
    unread: list[Unread] = []
    for table in _sheets(path, name):
        found, told = _rows(table, name)
        rows += found
        unread += told
    return rows, [*unread, *_comments(path, name)]


def _sheets(path: Path, name: str) -> Iterator[RawTable]:
    """The sheets in which people write; where none can be told apart, the whole file as one that cannot be used."""
    from reconcile.xlsx_files import read_workbook  # noqa: PLC0415 (as openpyxl: slow to load)

    for title in _titles(path) or (None,):
        yield from read_workbook(path, name, sheet=title, heading_row=None, expected=EXPECTED, text_columns=())


def _titles(path: Path) -> list[str]:
    """The sheets of a workbook but the run's own others; none where it cannot be opened, which its reader then says in words."""
    import openpyxl  # noqa: PLC0415 (slow to load, and as a rule no workbook was saved)

    if why_not(path.read_bytes()) is not None:
        return []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl warns of styles and extensions that hold no data
        try:
            book = openpyxl.load_workbook(path, read_only=True, keep_links=False)
            titles = [sheet.title for sheet in book.worksheets if sheet.title.strip().casefold() not in NOT_HERE]
            book.close()
        except Exception:  # noqa: BLE001 (a damaged workbook makes the library fail in any way)
            return []
    return titles


def _rows(table: RawTable, name: str) -> tuple[list[Row], list[Unread]]:
    """The rows of a sheet that can be told by their id, and what is wrong with the sheet."""
    keys = [heading_key(heading) for heading in table.headings]
    at = {column: [i for i, key in enumerate(keys) if key == heading_key(column)] for column in READ}
    if not table.headings or not any(at[column] for column in READ):
        return [], [_whole(name, table, p.value, p.problem, _cure(p)) for p in table.problems if p.row == 0]
    if not at["exception_id"]:
        cure = "copy the column from the run's workbook beside its rows, and give the file with --notes"
        return [], [_whole(name, table, "", "the column Exception id is missing, so nothing in this sheet can be told apart", cure)]
    told = [_missing(name, table, column) for column in WORDS if not at[column]]
    told += [_whole(name, table, "", note, UNMERGE) for note in table.notes if note.startswith("merged cells")]
    wrong = {(p.row, heading_key(p.column)): p for p in table.problems if p.row and p.column}
    rows = []
    for row, cells in _cells(table):
        if heading_key(_first(cells[i] for i in at["exception_id"])) == heading_key("exception_id"):
            continue  # the headings once more, as somebody pasted them
        told += _twice(name, table, row, cells, at)
        words: dict[str, str | None] = {}
        for column in WORDS:
            words[column] = _first(cells[i] for i in at[column]) if at[column] else None
            if (p := wrong.get((row, heading_key(column)))) is not None:
                told.append(
                    Unread(name, table.sheet, row, _first(cells[i] for i in at["exception_id"]), column, p.value, p.problem, p.cure)
                )
                words[column] = ""
        ids, marks, amounts = (_first(cells[i] for i in at[column]) for column in ("exception_id", "as_written", "amount"))
        if ids or any(words.values()):
            rows.append(Row(table.sheet, row, id_of(ids), words, _cents(amounts), marks))
    return rows, told


def _twice(name: str, table: RawTable, row: int, cells: list[str], at: dict[str, list[int]]) -> Iterator[Unread]:
    """What stands under a heading for the second time and is not what stands under the first."""
    exception_id = _first(cells[i] for i in at["exception_id"])
    for column in COLUMNS:
        filled = list(dict.fromkeys(cells[i] for i in at[column] if cells[i]))
        for more in filled[1:]:
            problem = f"the heading stands over several columns, and {filled[0]!r} was taken"
            yield Unread(name, table.sheet, row, exception_id, column, more, problem, "write both into one cell, in the next workbook")


def _cure(problem: RawProblem) -> str:
    """How to mend what is wrong with a sheet of notes: the cures of the readers speak of exports."""
    return HEADINGS if "headings" in problem.problem else problem.cure


def _comments(path: Path, name: str) -> Iterator[Unread]:
    """Comments on cells: a place where people like to write, and one that belongs to no exception for sure."""
    if why_not(path.read_bytes()) is not None:
        return
    with zipfile.ZipFile(path) as archive:
        parts = [part for part in archive.namelist() if re.search(r"/comments[^/]*\.xml$|/comments/[^/]*\.xml$", part)]
        cells = [cell.decode() for part in parts for cell in _COMMENTED.findall(archive.read(part))]
    if cells:
        from reconcile.xlsx_sheet import some  # noqa: PLC0415 (as openpyxl: slow to load)

        problem = f"comments on cells are not read: {some(cells)}"
        yield Unread(name, "", 0, "", "", "", problem, "write what holds into the note of the row, in the next workbook")


def _cells(table: RawTable) -> Iterator[tuple[int, list[str]]]:
    """Row number and cells of each row; one that looks like a total is a row here too."""
    columns = [column.to_pylist() for column in table.columns]
    for n, row in enumerate(table.rows.tolist()):
        yield row, [_plain(column[n]) for column in columns]
    for foot in table.foot:
        yield foot.row, [_plain(foot.cells.get(heading)) for heading in table.headings]


def _plain(cell: str | None) -> str:
    """A cell on one line, without blanks at its ends."""
    return unescaped(" ".join((cell or "").splitlines())).strip()


def _first(cells: Iterable[str]) -> str:
    """The first cell that holds something, where a heading stands over several columns."""
    return next((cell for cell in cells if cell), "")


def _cents(text: str) -> int | None:
    read = parse_money(pa.array([text], type=pa.string()), ".")
    return None if read.absent[0] or read.bad[0] else int(read.values[0])


def _whole(name: str, table: RawTable, value: str, problem: str, cure: str) -> Unread:
    return Unread(name, table.sheet, 0, "", "", value, problem, cure)


def _missing(name: str, table: RawTable, column: str) -> Unread:
    kept = "what stood there before was kept for every row, and the other columns were read"
    cure = "if something was written there, copy the column back from a copy of the file, and give that file with --notes"
    return Unread(name, table.sheet, 0, "", column, "", f"the column is missing: {kept}", cure)
