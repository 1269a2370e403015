"""Reading a text file of rows: comma, semicolon, tab or bar between the fields, quotation marks as in RFC 4180.

Two readers give the same table. The fast one reads whole columns at a time and is used where a file is plain: no line breaks inside
quotation marks, no quotation mark out of place, no blank line within, the same number of fields everywhere. The exact one reads record
by record, knows the line on which each begins, and says what is wrong; it takes whatever the fast one refuses.

A record with too many or too few fields is never padded or cut into shape: its values may stand under the wrong headings.
"""

from __future__ import annotations

from itertools import takewhile
from typing import TYPE_CHECKING, NamedTuple

from reconcile.csv_exact import Body, read_exactly, records, text_lines
from reconcile.csv_fast import read_fast
from reconcile.raw_rows import LOOKED_AT, Draft, Head, find_head, finish, known_headings, unusable
from reconcile.text_encoding import Decoded, decode

if TYPE_CHECKING:
    from pathlib import Path

    from reconcile.raw import RawTable

DELIMITERS = (",", ";", "\t", "|")
_NAMED = {"tab": "\t", "\\t": "\t", "comma": ",", "semicolon": ";", "bar": "|"}


class _Layout(NamedTuple):
    """How the fields are divided, the heading record, and the line after it."""

    delimiter: str
    head: Head
    next_line: int


def read_text_file(
    path: Path,
    name: str,
    *,
    heading_row: int | None,
    expected: frozenset[str],
    encoding: str | None,
    delimiter: str | None,
    data: bytes | None = None,
) -> RawTable:
    """One text file as a table of text.

    In:      `name` as it is to stand in every message; `expected` headings as `heading_key` makes them; None = find it. `data`: the
             file's bytes, where they were read already.
    Out:     rows, and what is wrong with the file or with single rows; never raises for what a file holds.
    Errors:  OSError if the file cannot be opened.
    """
    decoded = decode(path.read_bytes() if data is None else data, encoding)
    if not isinstance(decoded, Decoded):
        return unusable(name, "", decoded.problem, decoded.cure, encoding=decoded.encoding)
    if not decoded.text or decoded.text.isspace():
        cure = "export it again; headings alone will do where there are no rows"
        return unusable(name, "", "the file is empty", cure, encoding=decoded.encoding)
    divided = _NAMED.get(delimiter, delimiter) if delimiter else None
    if divided is not None and (len(divided) != 1 or divided in '"\r\n' or not divided.isascii()):
        cure = f"use one of {', '.join(sorted(_NAMED))}, or one character"
        return unusable(name, "", f"{delimiter!r} cannot stand between fields", cure, encoding=decoded.encoding)
    layout = _layout(decoded.text, heading_row, expected, (divided,) if divided else DELIMITERS)
    if layout is None or not layout.head.known:
        return _no_headings(name, decoded, layout, heading_row)
    form = (decoded.text, layout.delimiter, layout.head.cells, layout.next_line)
    return _table(name, decoded, layout, read_fast(*form) or read_exactly(*form), expected)


def _table(name: str, decoded: Decoded, layout: _Layout, body: Body, expected: frozenset[str]) -> RawTable:
    """The table of what one of the readers read."""
    draft = Draft(
        name,
        "",
        layout.head,
        body.rows,
        body.columns,
        body.problems,
        body.foot,
        body.blank_rows,
        [*decoded.notes, *body.notes],
        decoded.encoding,
        layout.delimiter,
    )
    return finish(draft, expected)


def _layout(text: bytes, heading_row: int | None, expected: frozenset[str], delimiters: tuple[str, ...]) -> _Layout | None:
    """The delimiter under which a row holds the most known headings, then the most fields; None where no row can be the headings."""
    best: tuple[tuple[int, int], _Layout] | None = None
    looked_at = max(LOOKED_AT, heading_row or 0)
    for delimiter in delimiters:
        for head, next_line in _heads(text, heading_row, expected, delimiter, looked_at):
            rank = (known_headings(head.cells, expected), len(head.cells))
            if best is None or rank > best[0]:
                best = (rank, _Layout(delimiter, head, next_line))
    return best[1] if best else None


def _heads(text: bytes, heading_row: int | None, expected: frozenset[str], delimiter: str, looked_at: int) -> list[tuple[Head, int]]:
    """The heading record under one delimiter, and the line after it; a stray quotation mark in a title does not hide it."""
    found = []
    lines = [line for line, _ in zip(text_lines(text), range(looked_at), strict=False)]
    whole = list(takewhile(lambda r: r.line <= looked_at, records(text_lines(text), delimiter, strict=False)))
    single = [r._replace(line=i) for i, line in enumerate(lines, 1) for r in records([line], delimiter, strict=False)]
    for rows in (whole, single):
        head = find_head([(r.line, r.fields) for r in rows], expected, heading_row)
        if head:
            found.append((head, next(r.line + r.lines for r in rows if r.line == head.row)))
    return found


def _no_headings(name: str, decoded: Decoded, layout: _Layout | None, heading_row: int | None) -> RawTable:
    """The table of a file in which no row is known to be the headings."""
    if heading_row is not None:
        problem = f"row {heading_row} holds no headings"
        cure = "correct heading_row in the column map, or leave it out and let the row be found"
    else:
        problem = f"none of the first {LOOKED_AT} rows holds headings that are known"
        cure = "use the standard headings, or say in a column map what this file's headings mean (and heading_row, if need be)"
    head, delimiter = (layout.head, layout.delimiter) if layout else (None, "")
    return unusable(name, "", problem, cure, head=head, encoding=decoded.encoding, delimiter=delimiter)
