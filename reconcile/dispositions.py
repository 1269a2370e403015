"""What people wrote about exceptions: a CSV of dispositions and notes, by the id of the exception.

Columns: exception_id, disposition, note, decided_by, decided_on (like 2026-10-15); a list of exceptions in which a person filled in the
last columns will do as well. A row without disposition and note says nothing and is passed over. A disposition that closes an exception
needs a name and a day: whoever signs the list must see who decided.
"""

from __future__ import annotations

import re
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

from reconcile.csv_files import read_text_file
from reconcile.errors import RefusedError
from reconcile.raw import heading_key
from reconcile.toml_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from reconcile.policy import Rules
    from reconcile.raw import RawTable

COLUMNS = ("exception_id", "disposition", "note", "decided_by", "decided_on")
NEEDED = ("exception_id", "disposition")


class Note(NamedTuple):
    """What a person wrote about one exception; `disposition` is one of the rules' words or ""."""

    exception_id: str
    disposition: str
    note: str
    decided_by: str
    decided_on: date | None


def read_notes(path: Path, rules: Rules) -> tuple[Note, ...]:
    """The notes of a CSV file, in its order.

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
    ]
    at = {name: found for name in COLUMNS if (found := _position(table, name)) is not None}
    problems += [f"column {name} is missing; the columns are {', '.join(COLUMNS)}" for name in NEEDED if name not in at]
    if problems:
        raise RefusedError(f"The notes in {path} cannot be used.", tuple(problems))
    notes, wrong = [], []
    for row, cells in _rows(table, at):
        told = list(_problems(cells, rules))
        wrong += [f"{path.name}, row {row}, {column} {cells[column]!r}: {problem}" for column, problem in told]
        if not told and (cells["disposition"] or cells["note"]):
            notes.append(_note(cells, rules))
    if wrong:
        raise RefusedError(f"The notes in {path} cannot be used.", tuple(wrong))
    return tuple(notes)


def _position(table: RawTable, name: str) -> int | None:
    return next((at for at, heading in enumerate(table.headings) if heading_key(heading) == heading_key(name)), None)


def _rows(table: RawTable, at: dict[str, int]) -> Iterator[tuple[int, dict[str, str]]]:
    columns = {name: [str(cell or "").strip() for cell in table.columns[place].to_pylist()] for name, place in at.items()}
    for number, row in enumerate(table.rows.tolist()):
        yield row, {name: columns[name][number] if name in columns else "" for name in COLUMNS}


def _problems(cells: dict[str, str], rules: Rules) -> Iterator[tuple[str, str]]:
    """What is wrong with a row: (column, problem and cure)."""
    words = [word.word for word in rules.exceptions.dispositions]
    if not cells["disposition"] and not cells["note"]:
        return
    if not cells["exception_id"]:
        yield "exception_id", "is empty; copy the id from exceptions.csv"
    word = _word(cells["disposition"], rules)
    if cells["disposition"] and word is None:
        near = nearest(cells["disposition"], words)
        asked = f" Did you mean {near}?" if near else ""
        yield "disposition", f"is no disposition of the rules; they know {', '.join(words)}.{asked}"
    if cells["decided_on"] and _date(cells["decided_on"]) is None:
        yield "decided_on", "is not a date written like 2026-10-15"
    closes = {w.word for w in rules.exceptions.dispositions if w.closes}
    if word in closes:
        for column in ("decided_by", "decided_on"):
            if not cells[column]:
                yield column, f"is empty; {word!r} closes the exception, so say who decided and when"


def _word(text: str, rules: Rules) -> str | None:
    return next((word.word for word in rules.exceptions.dispositions if word.word.casefold() == text.casefold()), None)


def _date(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text) else None
    except ValueError:
        return None


def _note(cells: dict[str, str], rules: Rules) -> Note:
    word = _word(cells["disposition"], rules) or ""
    return Note(cells["exception_id"], word, cells["note"], cells["decided_by"], _date(cells["decided_on"]))
