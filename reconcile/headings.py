"""Which heading of a file is which standard column.

Headings equal to a standard name but for capitals, spaces, underscores and punctuation need no column map: `Student ID` is `student_id`.
Others go through the map. A required column that is not there stops the run, since no row of the file could be used; a column that
nobody asked for is told once, with the standard column that it may have been meant for, since a date of cancellation that is read past
would change what a family owes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reconcile.raw import heading_key
from reconcile.toml_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from reconcile.column_map import ExportMap
    from reconcile.schemas import Export


@dataclass(frozen=True)
class Matched:
    """The position of each standard column among the headings; problems (each refuses the run) and notes."""

    positions: dict[str, int]
    problems: tuple[str, ...]
    notes: tuple[str, ...]


def match_headings(headings: Sequence[str], export: Export, section: ExportMap, place: str) -> Matched:
    """Find each standard column of the export among the headings of a file.

    In:      headings as written; what the map says of this export; `place`, the file (and sheet) for messages.
    Out:     positions of the columns found; an optional column that is not there is simply not found.
    Refuses: a required column that is not there; two headings for one standard column; a required heading of the map that is not there.
    """
    keys = [heading_key(h) for h in headings]
    gone = left_out(headings, section)
    positions: dict[str, int] = {}
    problems: list[str] = []
    notes: list[str] = []
    for column in export.columns:
        told = section.columns.get(column.name)
        wanted = column.name if told is None else told
        at = [i for i, key in enumerate(keys) if key == heading_key(wanted) and i not in gone]
        if told is not None and not at:
            at = [i for i, key in enumerate(keys) if key == heading_key(column.name) and i not in gone]
        exact = [i for i in at if headings[i] == wanted]
        if len(at) == 1 or (told is not None and len(exact) == 1):
            positions[column.name] = exact[0] if exact else at[0]
        elif len(at) > 1:
            problems.append(_twice(column.name, [headings[i] for i in at], export.name, place))
        elif column.required:
            problems.append(_missing(column.name, told, headings, export, place))
        elif told is not None:
            so = f" ({column.without})" if column.without else ""
            notes.append(f'{place} has no column "{told}", which the column map gives for {column.name}: read without it{so}.')
    return Matched(positions, tuple(problems), tuple(notes))


def left_out(headings: Sequence[str], section: ExportMap) -> set[int]:
    """The positions of the headings that the map tells not to read."""
    gone: set[int] = set()
    for name in section.leave_out:
        exact = {i for i, h in enumerate(headings) if h == name}
        gone |= exact or {i for i, h in enumerate(headings) if heading_key(h) == heading_key(name)}
    return gone


def never_left_out(headings: Sequence[Sequence[str]], section: ExportMap, export: str) -> list[str]:
    """One note for each heading under leave_out that stands in none of the export's files: most often a slip of spelling.

    In:      the headings of every sheet of the export; what the map says of it.
    """
    every = {heading: heading_key(heading) for sheet in headings for heading in sheet if heading_key(heading)}
    notes = []
    for name in section.leave_out:
        if every and name not in every and heading_key(name) not in every.values():
            near = nearest(heading_key(name), list(every.values()))
            meant = next((f' The nearest is "{heading}".' for heading, key in every.items() if key == near), "") if near else ""
            notes.append(f'The column map leaves out "{name}" of {export}, and no file of it has such a heading.{meant}')
    return notes


def unread_headings(headings: Sequence[str], used: Collection[int]) -> tuple[str, ...]:
    """The headings that nobody reads; `used` are the positions that are read or left out by the map."""
    return tuple(h for i, h in enumerate(headings) if i not in used and h)


def unread_note(rest: Sequence[str], exports: Sequence[tuple[Export, Collection[str]]], place: str) -> str:
    """One note on the headings that nobody reads, with the standard column that each may have been meant for; "" if there are none.

    In:      `rest`: these headings; `exports`: the kinds in the file, each with the columns found.
    """
    if not rest:
        return ""
    free = {heading_key(n): n for export, found in exports for n in export.names if n not in found}
    hints = []
    for heading in rest:
        near = nearest(heading_key(heading), list(free))
        if near:
            hints.append(f'If "{heading}" is {free[near]}, say so under columns in the column map.')
    return " ".join([f"{place}: not read, since no standard column has this name: {', '.join(rest)}.", *hints])


def _twice(standard: str, found: Sequence[str], export: str, place: str) -> str:
    which = " and ".join(f'"{h}"' for h in found)
    cure = "Rename one of them in the file."
    if len(set(found)) == len(found):
        cure = f"Put the one that does not count under leave_out of [{export}] in the column map."
    return f"{place} has more than one column for {standard}: {which}. {cure}"


def _missing(standard: str, told: str | None, headings: Sequence[str], export: Export, place: str) -> str:
    listed = ", ".join(h or "(blank)" for h in headings) or "none"
    wanted = standard if told is None else f'"{told}", which the column map gives for {standard}'
    by_key = {heading_key(h): h for h in reversed(headings) if heading_key(h)}
    taken = {heading_key(n) for n in export.names}
    near = nearest(heading_key(told or standard), [key for key in by_key if key not in taken])
    where = f"under columns of [{export.name}] in the column map"
    if near:
        return (
            f"{place} has no column {wanted}. Headings found: {listed}. "
            f'The nearest is "{by_key[near]}": if that is it, write {standard} = "{by_key[near]}" {where}.'
        )
    return f"{place} has no column {wanted}. Headings found: {listed}. Write the heading that holds it {where}."
