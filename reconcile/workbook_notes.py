"""What people wrote in a workbook of an earlier run, read back by the id of the exception, wherever rows and columns have gone.

The exception list of a run's workbook has columns for a disposition, a note, who decided and when. People sort, filter, move columns, copy
rows to a sheet of their own, and save with one program or another. What is read here:

- every sheet, but the run's own other ones, that has a heading for the exception's id and one for a disposition or a note;
- what a person changed since the run wrote the workbook: a hidden column holds a mark of what stood in each row then, so a note that was
  only carried there is no new decision. Cells that were cleared change nothing: a decision is taken back by writing another one;
- a row with a wrong cell without that cell; the cell is listed, with its place and how to mend it. Without a word that closes, an
  exception stays open, so it can do no harm. Where an id stands on two rows with different words, neither is taken and both are listed.

A damaged workbook never stops a run: what can be read is taken, and the rest is listed.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import TYPE_CHECKING, Final, NamedTuple

import pyarrow as pa  # type: ignore[import-untyped]

from reconcile.cells import parse_money
from reconcile.dispositions import COLUMNS, Note, closes, day_of, unescaped, unknown_word, word_of, written_mark
from reconcile.raw import heading_key
from reconcile.standing import typed
from reconcile.xlsx_safety import why_not

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    import pandas as pd

    from reconcile.policy import Rules
    from reconcile.raw import RawTable

WORDS = COLUMNS[1:]
NOTHING = ("", "", "", "")
READ = (*COLUMNS, "amount", "as_written")
EXPECTED: Final = frozenset(heading_key(column) for column in READ)
NOT_HERE = frozenset({"summary", "students", "draws", "plans", "failed draws", "next draws", "settlement days"}) | frozenset(
    {"unmatched events", "rejected rows", "proof", "not read back"}
)
"""The run's own other sheets, in small letters: nobody writes decisions there, and some of them are long."""


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


class ReadBack(NamedTuple):
    """What a workbook gave: notes that are new since it was written, and what could not be read."""

    notes: tuple[Note, ...]
    unread: tuple[Unread, ...]


class _Row(NamedTuple):
    """One row: its place, its id, the words that stand there (None: the column is missing), amount in cents, the mark ("" if none)."""

    sheet: str
    row: int
    exception_id: str
    words: dict[str, str | None]
    amount: int | None
    mark: str


Stood = Mapping[str, tuple[str, str, str, str]]
"""Disposition, note, who and when beside each exception of a run, by its id."""


def read_workbook_notes(path: Path, name: str, rules: Rules, stood: Stood, now: Stood | None = None) -> ReadBack:
    """The notes that people wrote in a workbook.

    In:      `name` as it is to stand in every message; `stood`: what the workbook's own run wrote, as far as it is known, for columns
             that are missing and rows that lost their mark; `now`: what the run before says, if that is another one. A row that began as
             the run before has it holds a decision whatever was decided earlier; an older one counts only if its words are new.
    Rules:   exceptions.toml [[disposition]]
    Errors:  none for what the file holds; OSError if it cannot be opened.
    """
    unread: list[Unread] = []
    rows: list[_Row] = []
    for table in _sheets(path, name):
        found, told = _rows(table, name)
        rows += found
        unread += told
    notes: list[Note] = []
    for row in _once(rows, name, unread):
        note, told = _note(row, name, rules, stood, stood if now is None else now)
        unread += told
        if note is not None:
            notes.append(note)
    return ReadBack(tuple(notes), tuple(unread))


def unread_table(unread: Iterable[Unread]) -> pd.DataFrame:
    """OUTPUTS["unread_notes"]."""
    return typed([row._asdict() | {"how to mend it": row.cure} for row in unread], "unread_notes")


def unread_sentence(one: Unread) -> str:
    """One thing that could not be read, with its place and how to mend it."""
    place = ", ".join(part for part in (one.sheet and f"sheet {one.sheet}", f"row {one.row}" if one.row else "", one.column) if part)
    value = f" {one.value!r}" if one.value else ""
    end = "" if one.problem.endswith("?") else "."
    return f"Not read back from {one.file}{f', {place}' if place else ''}{value}: {one.problem}{end} To mend it: {one.cure}."


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


def _rows(table: RawTable, name: str) -> tuple[list[_Row], list[Unread]]:
    """The rows of a sheet that can be told by their id, and what is wrong with the sheet."""
    keys = [heading_key(heading) for heading in table.headings]
    at = {column: [i for i, key in enumerate(keys) if key == heading_key(column)] for column in READ}
    if not table.headings or not any(at[column] for column in READ):
        return [], [_whole(name, table, p.value, p.problem, p.cure) for p in table.problems if p.row == 0]
    if not at["exception_id"]:
        cure = "copy the column from the run's workbook beside its rows, and give the file with --notes"
        return [], [_whole(name, table, "", "the column Exception id is missing, so nothing in this sheet can be told apart", cure)]
    told = [_missing(name, table, column) for column in WORDS if not at[column]]
    wrong = {(p.row, heading_key(p.column)): p for p in table.problems if p.row and p.column}
    rows = []
    for row, cells in _cells(table):
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
            rows.append(_Row(table.sheet, row, ids, words, _cents(amounts), marks))
    return rows, told


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
    return None if read.absent[0] or read.bad[0] else int(read.values[0])  # noqa: PD011 (a field of Parsed)


def _whole(name: str, table: RawTable, value: str, problem: str, cure: str) -> Unread:
    return Unread(name, table.sheet, 0, "", "", value, problem, cure)


def _missing(name: str, table: RawTable, column: str) -> Unread:
    kept = "what stood there before was kept for every row, and the other columns were read"
    cure = "if something was written there, copy the column back from a copy of the file, and give that file with --notes"
    return Unread(name, table.sheet, 0, "", column, "", f"the column is missing: {kept}", cure)


def _once(rows: Iterable[_Row], name: str, unread: list[Unread]) -> Iterator[_Row]:
    """Each id once: of rows that agree the first; of an untouched or empty row and another one the other; of rows that differ none."""
    same: dict[str, list[_Row]] = {}
    for at, row in enumerate(rows):
        same.setdefault(row.exception_id or f"\x00{at}", []).append(row)
    for found in same.values():
        written = [row for row in found if any(row.words.values()) and not _untouched(row)]
        different = list({tuple(row.words.values()): row for row in written}.values())
        if len(different) <= 1:
            yield (different or found)[0]
            continue
        places = ", ".join(f"{row.sheet}, row {row.row}" for row in different)
        problem = f"the id stands on several rows with different words ({places}); none of them was taken"
        cure = "keep the row that holds, delete the other, and give the file with --notes"
        for row in different:
            words = " | ".join(word or "" for word in row.words.values())
            unread.append(Unread(name, row.sheet, row.row, row.exception_id, "exception_id", words, problem, cure))


def _untouched(row: _Row) -> bool:
    """Whether the row still says what the run wrote into it."""
    return bool(row.mark) and row.mark == written_mark(row.exception_id, *(word or "" for word in row.words.values()))


def _note(row: _Row, name: str, rules: Rules, stood: Stood, now: Stood) -> tuple[Note | None, list[Unread]]:
    """The note of a row, None if it says nothing new, and what is wrong with it."""
    before = dict(zip(WORDS, stood.get(row.exception_id, NOTHING), strict=True))
    said = {column: before[column] if word is None else word for column, word in row.words.items()}
    as_before = written_mark("", *said.values()) == written_mark("", *before.values())
    if (
        (row.mark and row.mark == written_mark(row.exception_id, *said.values()))
        or (not row.mark and as_before)
        or not any((*said.values(), row.mark))
    ):
        return None, []
    told: list[Unread] = []

    def wrong(column: str, problem: str, cure: str) -> None:
        told.append(Unread(name, row.sheet, row.row, row.exception_id, column, said.get(column, ""), problem, cure))

    if not row.exception_id:
        wrong("note", f"the row has no exception id; it says: {' | '.join(filter(None, said.values()))}", "copy the id from exceptions.csv")
        return None, told
    if not said["disposition"] and not said["note"]:
        if any(before.values()):
            wrong("disposition", "the cells were cleared; what stood there was kept", "to take a decision back write another disposition")
        elif any(said.values()):
            wrong("decided_by", "who or when stands without a disposition or note", "write a disposition or a note beside it")
        return None, told
    anew = row.mark == written_mark(row.exception_id, *now.get(row.exception_id, NOTHING))
    return _readable(row, said, rules, wrong, anew=anew), told


def _readable(row: _Row, said: Mapping[str, str], rules: Rules, wrong: Callable[[str, str, str], None], *, anew: bool) -> Note | None:
    """The note without its wrong cells; None if nothing is left of it."""
    word = word_of(said["disposition"], rules)
    if said["disposition"] and word is None:
        wrong("disposition", unknown_word(said["disposition"], rules), "choose a word of the list, in the next workbook")
    on = day_of(said["decided_on"])
    if said["decided_on"] and on is None:
        wrong("decided_on", "is not a date written like 2026-10-15", "write the day as a date, in the next workbook")
    if word is not None and closes(word, rules) and not (said["decided_by"] and on):
        lacks = " and ".join(what for what, there in (("who decided", said["decided_by"]), ("on which day", on)) if not there)
        wrong("disposition", f"closes the exception and does not say {lacks}; it stays open", "choose it again with name and day")
        word = None
    if not word and not said["note"]:
        return None
    return Note(row.exception_id, word or "", said["note"], said["decided_by"], on, anew=anew, saw=row.amount)
