"""What people wrote in a workbook of an earlier run, read back by the id of the exception, wherever rows and columns have gone.

The exception list of a run's workbook has columns for a disposition, a note, who decided and when. People sort, filter, move columns, copy
rows to a sheet of their own, and save with one program or another. What is read here:

- every sheet, but the run's own other ones, that has a heading for the exception's id and one for a disposition or a note;
- what a person changed since the run wrote the workbook: a hidden column holds a mark of what stood in each row then, so a note that was
  only carried there is no new decision. Cells that were cleared change nothing: a decision is taken back by writing another one;
- a row with a wrong cell without that cell; the cell is listed, with its place and how to mend it. Without a word that closes, an
  exception stays open, so it can do no harm. Where an id stands on two rows with different words, neither is taken and both are listed;
  so is a row whose id was sorted away from the words beside it, which the hidden column shows.

A damaged workbook never stops a run: what can be read is taken, and the rest is listed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from reconcile.dispositions import CUT, Note, closes, day_of, unknown_word, word_of, written_mark
from reconcile.standing import typed
from reconcile.workbook_rows import WORDS, Row, Unread, rows_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from pathlib import Path

    import pandas as pd

    from reconcile.policy import Rules

NOTHING = ("", "", "", "")


class ReadBack(NamedTuple):
    """What a workbook gave: notes that are new since it was written, and what could not be read."""

    notes: tuple[Note, ...]
    unread: tuple[Unread, ...]


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
    rows, unread = rows_of(path, name)
    notes: list[Note] = []
    marks = {written_mark(id_, *words): id_ for known in (stood, now or {}) for id_, words in known.items()}
    for row in _once(_together(rows, marks, name, unread), name, unread):
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


def _together(rows: Iterable[Row], marks: Mapping[str, str], name: str, unread: list[Unread]) -> Iterator[Row]:
    """The rows but those whose mark is that of another exception: id and words were sorted apart, and whose the words are is not sure."""
    for row in rows:
        other = marks.get(row.mark, row.exception_id)
        if other == row.exception_id or not row.exception_id or not any(row.words.values()):
            yield row
            continue
        words = " | ".join(word or "" for word in row.words.values())
        problem = f"the row was made for {other} and now has another id: a part of its cells was sorted or copied without the rest"
        cure = "write it beside the right id in the next workbook; when sorting, take all columns"
        unread.append(Unread(name, row.sheet, row.row, row.exception_id, "exception_id", words, problem, cure))


def _once(rows: Iterable[Row], name: str, unread: list[Unread]) -> Iterator[Row]:
    """Each id once: of rows that agree the first; of an untouched or empty row and another one the other; of rows that differ none."""
    same: dict[str, list[Row]] = {}
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


def _untouched(row: Row) -> bool:
    """Whether the row still says what the run wrote into it."""
    return bool(row.mark) and row.mark == written_mark(row.exception_id, *(word or "" for word in row.words.values()))


def _note(row: Row, name: str, rules: Rules, stood: Stood, now: Stood) -> tuple[Note | None, list[Unread]]:
    """The note of a row, None if it says nothing new, and what is wrong with it."""
    before = dict(zip(WORDS, stood.get(row.exception_id, NOTHING), strict=True))
    said = {column: before[column] if word is None else word for column, word in row.words.items()}
    untouched = row.mark and row.mark == written_mark(row.exception_id, *said.values())
    shown = said["note"]
    said["note"] = _uncut(shown, before["note"])
    as_before = written_mark("", *said.values()) == written_mark("", *before.values())
    if untouched or (not row.mark and as_before) or not any((*said.values(), row.mark)):
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
    word, note, who, when = now.get(row.exception_id, NOTHING)
    anew = row.mark == written_mark(row.exception_id, word, shown if _uncut(shown, note) == note else note, who, when)
    if CUT in said["note"]:
        wrong("note", "a note too long for a cell was changed: its end did not stand in the workbook", "the whole is in exceptions.csv")
    return _readable(row, said, rules, wrong, anew=anew), told


def _uncut(note: str, whole: str) -> str:
    """The whole of a note that was too long for its cell, if nobody touched what stood there of it; any other note as it is."""
    start, cut, more = note.partition(CUT)
    return whole if cut and not more and whole.startswith(start) else note


def _readable(row: Row, said: Mapping[str, str], rules: Rules, wrong: Callable[[str, str, str], None], *, anew: bool) -> Note | None:
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
