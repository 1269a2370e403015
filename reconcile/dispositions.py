"""What people wrote about exceptions: dispositions and notes by the id of the exception, and the CSV in which they may stand.

Columns: exception_id, disposition, note, decided_by, decided_on (like 2026-10-15); a list of exceptions in which a person filled in the
last columns will do as well. A row without disposition and note says nothing and is passed over. A disposition that closes an exception
needs a name and a day: whoever signs the list must see who decided.
"""

from __future__ import annotations

import hashlib
import re
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

from reconcile.csv_files import read_text_file
from reconcile.errors import RefusedError
from reconcile.guards import unguarded
from reconcile.raw import heading_key
from reconcile.toml_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from reconcile.policy import Rules
    from reconcile.raw import RawTable

COLUMNS = ("exception_id", "disposition", "note", "decided_by", "decided_on")
NEEDED = ("exception_id", "disposition")


CUT = " ... (cut here: the whole text is in the data file)"
"""At the end of a text that a cell of the workbook could not hold."""


class Note(NamedTuple):
    """What a person wrote about one exception; `disposition` is one of the rules' words or "".

    anew:  the place where it was written shows that it was written since that run, even if the same words stood there once before.
    saw:   the amount (cents) that the person had before them, where that is known.
    """

    exception_id: str
    disposition: str
    note: str
    decided_by: str
    decided_on: date | None
    anew: bool = False
    saw: int | None = None


def unescaped(text: str) -> str:
    """A text such as `_x0041_` as a person sees it: files of workbooks write it as `_x005F_x0041_`, and not every reader undoes that.

    The escape is that of ECMA-376, part 1, 22.9.2.19 (ST_Xstring), second-hand.
    """
    return text.replace("_x005F_", "_")


def written_mark(exception_id: str, disposition: str, note: str, decided_by: str, decided_on: str) -> str:
    """Twelve characters for what stands beside an exception: other words give another mark, other spaces do not.

    >>> written_mark("XA", "working", "asked  the bank", "", "") == written_mark("XA", "working", " asked the bank", "", "")
    True
    """
    words = (" ".join(unescaped(text).split()) for text in (exception_id, disposition, note, decided_by, decided_on))
    return hashlib.sha256("\x1f".join(words).encode("utf-8", "backslashreplace")).hexdigest()[:12]


class NotesFile(NamedTuple):
    """A file in which people wrote about exceptions, its name in audit and messages, and the run whose workbook it is, if it is one."""

    path: Path
    name: str
    run: Path | None


def read_notes(path: Path, rules: Rules, latest: date | None = None) -> tuple[Note, ...]:
    """The notes of a CSV file, in its order.

    In:      `latest`, the last day on which anything can have been decided; None: not asked.

    Rules:   exceptions.toml [[disposition]]
    Errors:  RefusedError with every problem of every row: file, row, column, value, and how to mend it.
    """
    expected = frozenset(heading_key(name) for name in COLUMNS)
    try:
        table = read_text_file(path, path.name, heading_row=None, expected=expected, encoding=None, delimiter=None)
    except OSError as error:
        raise RefusedError(f"The notes in {path} cannot be read: {error.strerror}. Check the path.") from error
    problems = [
        f"{path.name}, row {p.row}, {p.column or 'row'}: {p.problem}; {p.cure}" if p.row else f"{p.problem}; {p.cure}"
        for p in table.problems
        if p.row or not p.problem.startswith("none of the first")  # its cure is that of exports; the columns are told below
    ]
    at = {name: found for name in COLUMNS if (found := _position(table, name)) is not None}
    if not problems or all(p.row or p.column for p in table.problems):
        problems += [f"column {name} is missing; the columns are {', '.join(COLUMNS)}" for name in NEEDED if name not in at]
    if problems:
        raise RefusedError(f"The notes in {path} cannot be used.", tuple(problems))
    notes, wrong = [], []
    for row, cells in _rows(table, at):
        told = list(_problems(cells, rules, latest))
        wrong += [f"{path.name}, row {row}, {column} {cells[column]!r}: {problem}" for column, problem in told]
        if not told and (cells["disposition"] or cells["note"]):
            notes.append(_note(cells, rules))
    if wrong:
        raise RefusedError(f"The notes in {path} cannot be used.", tuple(wrong))
    return tuple(notes)


def _position(table: RawTable, name: str) -> int | None:
    return next((at for at, heading in enumerate(table.headings) if heading_key(heading) == heading_key(name)), None)


def _rows(table: RawTable, at: dict[str, int]) -> Iterator[tuple[int, dict[str, str]]]:
    columns = {name: [unguarded(str(cell or "").strip()) for cell in table.columns[place].to_pylist()] for name, place in at.items()}
    for number, row in enumerate(table.rows.tolist()):
        yield row, {name: columns[name][number] if name in columns else "" for name in COLUMNS}


def _problems(cells: dict[str, str], rules: Rules, latest: date | None) -> Iterator[tuple[str, str]]:
    """What is wrong with a row: (column, problem and cure)."""
    if not cells["disposition"] and not cells["note"]:
        return
    if not cells["exception_id"]:
        yield "exception_id", "is empty; copy the id from exceptions.csv"
    word = word_of(cells["disposition"], rules)
    if cells["disposition"] and word is None:
        yield "disposition", unknown_word(cells["disposition"], rules)
    if cells["decided_on"] and day_of(cells["decided_on"]) is None:
        yield "decided_on", "is not a date written like 2026-10-15"
    decided = day_of(cells["decided_on"])
    if decided is not None and latest is not None and decided > latest:
        yield "decided_on", "has not come yet; write the day on which it was decided"
    if word is not None and closes(word, rules):
        for column in ("decided_by", "decided_on"):
            if not cells[column]:
                yield column, f"is empty; {word!r} closes the exception, so say who decided and when"


def unknown_word(text: str, rules: Rules) -> str:
    """What is wrong with a disposition that the rules do not know, and which they know."""
    words = [word.word for word in rules.exceptions.dispositions]
    near = nearest(text, words)
    return f"is no disposition of the rules; they know {', '.join(words)}{f'. Did you mean {near}?' if near else ''}"


def closes(word: str, rules: Rules) -> bool:
    """Whether a disposition closes an exception."""
    return any(known.closes for known in rules.exceptions.dispositions if known.word == word)


def word_of(text: str, rules: Rules) -> str | None:
    """The rules' own spelling of a disposition, whatever its capitals and spaces and with a full stop or without; None if it is none."""

    def plain(word: str) -> str:
        return " ".join(word.split()).rstrip(" .").casefold()

    return next((word.word for word in rules.exceptions.dispositions if plain(word.word) == plain(text)), None)


def id_of(text: str) -> str:
    """An exception's id as the run writes it: in capitals and without spaces.

    >>> id_of(" xivpd-7gbl -kmfq\u00a0")
    'XIVPD-7GBL-KMFQ'
    """
    return "".join(text.split()).upper()


def day_of(text: str) -> date | None:
    """The day that a text such as 2026-10-15 says; None for any other text."""
    try:
        return date.fromisoformat(text) if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text) else None
    except ValueError:
        return None


def _note(cells: dict[str, str], rules: Rules) -> Note:
    word = word_of(cells["disposition"], rules) or ""
    return Note(id_of(cells["exception_id"]), word, cells["note"], cells["decided_by"], day_of(cells["decided_on"]))
