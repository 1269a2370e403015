"""The fast reader of text files: whole columns at a time, and only where it is certain to give what the exact reader would give.

It looks before it reads: where there is a line break inside quotation marks, a quotation mark out of place, or a lone carriage return,
it steps aside. It refuses a wrong number of fields, and blank lines within the data, by itself. Blank lines and totals at the very end
are common, so they are taken off first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
from pyarrow import csv as arrow_csv

from reconcile.csv_exact import FIELD_LIMIT, Body, records
from reconcile.raw_foot import foot_row, says_total

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

_QUOTE, _LF, _CR = 34, 10, 13
_CHUNK = 1 << 18
"""Bytes whose quotation marks, or line ends, are looked at together: few enough to stay near the processor."""
_BLOCK = 64 << 20
"""Bytes that are read into columns together: as a rule the whole file, whose columns then need not be put together."""
_TAIL_LINES = 50
"""Lines at the end that may be blank or totals."""


def read_fast(text: bytes, delimiter: str, head: Sequence[str], next_line: int) -> Body | None:
    """All records from a line on, or None where the file is for the exact reader."""
    if len(head) < 2 or (b"\r" in text and text.count(b"\r") != text.count(b"\r\n")):
        return None
    start = _offset(text, next_line)
    end, tail = _cut_tail(text, start, delimiter)
    body = memoryview(text)[start:end]  # a copy of it would cost as much as a column read
    if text.startswith(b"\xef\xbb\xbf", start, end) or (b'"' in text and not _quotes_in_place(text, start, end, delimiter)):
        return None
    columns = _columns(body, delimiter, len(head))
    if columns is None:
        return None
    count = len(columns[0])
    read = Body(np.arange(next_line, next_line + count, dtype=np.int64), columns)
    for i, fields in enumerate(tail):
        if fields:
            read.foot.append(foot_row(next_line + count + i, head, fields))
        else:
            read.blank_rows += 1
    return read


def _offset(text: bytes, line: int) -> int:
    """Where a line begins; the end of the text if there is no such line."""
    at = 0
    for _ in range(line - 1):
        at = text.find(b"\n", at) + 1
        if at == 0:
            return len(text)
    return at


def _cut_tail(text: bytes, start: int, delimiter: str) -> tuple[int, list[list[str]]]:
    """Where the body that begins at `start` ends without its last line end, blank lines and totals; and these lines in order.

    Of each its fields, none for a blank line.
    """
    tail: list[list[str]] = []
    end = len(text) - (text.endswith(b"\n") and len(text) > start)
    while len(text) > start and len(tail) < _TAIL_LINES:
        at = max(text.rfind(b"\n", start, end) + 1, start)
        fields = _tail_fields(text[at:end].removesuffix(b"\r"), delimiter)
        if fields is None:
            break
        tail.insert(0, fields)
        if at == start:
            return start, tail
        end = at - 1
    return end - (end > start and text[end - 1] == _CR), tail


def _tail_fields(line: bytes, delimiter: str) -> list[str] | None:
    """The fields of a line that is a total, none if it is blank; None for any other line."""
    if not line:
        return []
    record = next(records([line.decode()], delimiter))
    return record.fields if not record.fault and says_total(record.fields) else None


def _chunks(text: bytes, start: int, end: int) -> Iterator[bytes]:
    """The body, which stands between these two places, in pieces of whole lines."""
    while start < end:
        cut = text.rfind(b"\n", start, start + _CHUNK) + 1 if start + _CHUNK < end else end
        cut = cut or text.find(b"\n", start, end) + 1 or end
        yield text[start:cut]
        start = cut


def _quotes_in_place(text: bytes, start: int, end: int, delimiter: str) -> bool:
    """Whether every quotation mark opens or closes a field or is written twice inside one, and no field goes over a line's end.

    Counted from a line's start the marks at even places open and those at odd places close. A mark written twice closes and opens
    again at once. If each opening one follows a delimiter, a line end or a closing one, each closing one precedes such, and no line
    ends between the two, then both readers read the same.
    """
    may_precede, may_follow = np.zeros(256, dtype=np.bool_), np.zeros(256, dtype=np.bool_)
    may_precede[[ord(delimiter), _LF, _QUOTE]] = True
    may_follow[[ord(delimiter), _LF, _CR, _QUOTE]] = True
    for chunk in _chunks(text, start, end):
        at = np.frombuffer(chunk, dtype=np.uint8)
        marks = np.flatnonzero(at == _QUOTE)
        if len(marks) % 2:
            return False
        opening, closing = marks[0::2], marks[1::2]
        before = np.where(opening > 0, at[opening - 1], _LF)
        after = np.where(closing + 1 < len(at), at[np.minimum(closing + 1, len(at) - 1)], _LF)
        if not (may_precede[before].all() and may_follow[after].all()):
            return False
        ends = np.flatnonzero(at == _LF)
        if (np.searchsorted(ends, opening) != np.searchsorted(ends, closing)).any():
            return False
    return True


def _columns(body: memoryview, delimiter: str, width: int) -> list[pa.Array] | None:
    """The columns as text; None where a line has another number of fields or a field is too long for the exact reader."""
    if not len(body):
        return [pa.array([], type=pa.large_string())] * width
    names = [str(i) for i in range(width)]
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(pa.py_buffer(body)),
            read_options=arrow_csv.ReadOptions(column_names=names, block_size=min(len(body) + 1, _BLOCK), use_threads=len(body) > _BLOCK),
            parse_options=arrow_csv.ParseOptions(delimiter=delimiter, newlines_in_values=False, ignore_empty_lines=False),
            convert_options=arrow_csv.ConvertOptions(column_types=dict.fromkeys(names, pa.large_string()), strings_can_be_null=False),
        )
    except pa.ArrowInvalid:
        return None
    if table.num_rows != _line_ends(body) + 1:
        return None
    columns = [_one_array(table.column(i)) for i in range(width)]
    longest = max(pc.max(pc.binary_length(column)).as_py() for column in columns)
    return columns if longest <= FIELD_LIMIT else None


def _line_ends(body: memoryview) -> int:
    held = np.frombuffer(body, dtype=np.uint8)
    return sum(int(np.count_nonzero(held[at : at + _CHUNK] == _LF)) for at in range(0, len(held), _CHUNK))


def _one_array(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else pa.concat_arrays(column.chunks)
