"""Columns that an export may do without, and whose absence changes figures: told where it may be a slip, refused where it is new.

A source system renames `return_code` to `reason`, and every row can still be read: the column is optional. Yet no stop is seen any more,
and urgent exceptions look as if they were resolved. What gives it away is a heading that nobody reads beside a column that is not there,
and the run before, which had the column. What being without a column means stands with it, in `schemas.py`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from reconcile.schemas import EXPORTS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from reconcile.schemas import Column, Export

ACCEPTED: Final = "It is accepted with --accept-drop."
SHOWN: Final = 3
"""How many files of an export are named."""


def absent_columns(export: Export, found: Collection[str]) -> tuple[Column, ...]:
    """The optional columns of an export on which figures hang and that were not found."""
    return tuple(column for column in export.columns if column.without and column.name not in found)


def absent_words(exports: Sequence[tuple[Export, Collection[str]]], place: str) -> str:
    """What a file does not have and what that means, where it also has headings that nobody reads; "" if nothing is missing.

    In:      the kinds of export in the file, each with the columns found; `place`, the file (and sheet) for messages.
    """
    told = []
    for export, found in exports:
        missing = [f"no {column.name}: {column.without}" for column in absent_columns(export, found)]
        if missing:
            of_kind = f", as {export.name}," if len(exports) > 1 else ""
            told.append(f"{place}{of_kind} has {'; '.join(missing)}.")
    if not told:
        return ""
    cure = "If a heading that is not read is one of these, say so under columns in the column map; if none is, put it under leave_out."
    return " ".join((*told, cure))


def lost_columns(
    now: Mapping[str, Collection[str]],
    before: Mapping[str, Collection[str]],
    files: Mapping[str, Sequence[str]],
    unread: Mapping[str, Sequence[str]],
    *,
    accepted: bool,
) -> list[str]:
    """Columns on which figures hang, that an export had in the previous run and that no file of it has now; one sentence each.

    In:      columns by export, now and then (an export that either run does not have is not compared); of each export its files, and
             their headings that nobody reads; whether the person accepts it, so that it is only told.
    """
    return [
        _lost(export.name, column, files[export.name]) + (ACCEPTED if accepted else _cure(export.name, column, unread[export.name]))
        for export in EXPORTS.values()
        if export.name in now
        for column in absent_columns(export, now[export.name])
        if column.name in before.get(export.name, ())
    ]


def _lost(export: str, column: Column, files: Sequence[str]) -> str:
    """The column, and what being without it means."""
    listed = ", ".join(files[:SHOWN]) + (f" and {len(files) - SHOWN:,} more" if len(files) > SHOWN else "")
    has = f"{listed} has no {column.name}" if len(files) == 1 else f"No file of {export} has {column.name} ({listed})"
    return f"{has}, and {export} of the previous run had it. Without it {column.without}. "


def _cure(export: str, column: Column, unread: Sequence[str]) -> str:
    """Which headings may be meant for the column, and what to do."""
    may_be = list(dict.fromkeys(unread))
    headings = ", ".join(f'"{heading}"' for heading in may_be)
    meant = f"Not read, and perhaps meant for it: {headings}. " if may_be else ""
    theirs = may_be[0] if len(may_be) == 1 else "the heading that holds it"
    return (
        f'{meant}Restore the heading, or write {column.name} = "{theirs}" under columns of [{export}] in the column map. '
        "If the column is really gone, accept that with --accept-drop."
    )
