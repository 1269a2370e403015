r"""The exact reader of text files: record by record, with the line on which each begins and what is wrong with it.

RFC 4180 is the rule: fields in quotation marks may hold the delimiter, line breaks, and quotation marks written twice.

>>> [(r.line, r.fields) for r in records(["a,b\r\n", '"x, ""y""\r\n', 'z",1'], ",")]
[(1, ['a', 'b']), (2, ['x, "y"\r\nz', '1'])]
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from itertools import islice
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]

from reconcile.raw import FootRow, RawProblem
from reconcile.raw_foot import foot_row, says_total

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from numpy.typing import NDArray

FIELD_LIMIT = 131_072
"""Characters in one field, the limit of Python's csv module: no cell of an export is as long, unless a quotation mark was never closed."""
_AT_ONCE = 65_536
"""Records turned into arrays at a time, so that memory holds few of them as Python objects."""


class Record(NamedTuple):
    """One record: the line on which it begins, how many lines it takes, its fields, and the csv module's complaint or ""."""

    line: int
    lines: int
    fields: list[str]
    fault: str


@dataclass
class Body:
    """What stands below the headings: one column per heading cell, and what is wrong."""

    rows: NDArray[np.int64]
    columns: list[pa.Array]
    problems: list[RawProblem] = field(default_factory=list)
    foot: list[FootRow] = field(default_factory=list)
    blank_rows: int = 0
    notes: list[str] = field(default_factory=list)


def records(lines: Iterable[str], delimiter: str, *, first_line: int = 1, strict: bool = True) -> Iterator[Record]:
    """Every record with its first line; a record with a fault is read again as well as may be, so that it can be named."""
    taken: list[str] = []

    def fed() -> Iterator[str]:
        for line in lines:
            taken.append(line)
            yield line

    reader = csv.reader(fed(), delimiter=delimiter, strict=strict)
    line = first_line
    while True:
        taken.clear()
        fault = ""
        try:
            fields = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            fault = str(error)
            fields = _as_well_as_may_be("".join(taken), delimiter)
        yield Record(line, len(taken), fields, fault)
        line += len(taken)


def _as_well_as_may_be(text: str, delimiter: str) -> list[str]:
    try:
        return next(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter), [])
    except csv.Error:
        return []


def text_lines(text: bytes, first_line: int = 1) -> Iterator[str]:
    """The physical lines of UTF-8 text from a line on, with their ends; only CR, LF and CRLF end a line."""
    return islice(io.TextIOWrapper(io.BytesIO(text), "utf-8", newline=""), first_line - 1, None)


@dataclass
class _Reading:
    """The records taken so far."""

    head: Sequence[str]
    rows: list[int] = field(default_factory=list)
    held: list[list[str]] = field(default_factory=list)
    parts: list[list[pa.Array]] = field(default_factory=list)
    problems: list[RawProblem] = field(default_factory=list)
    wrong: list[tuple[int, int]] = field(default_factory=list)
    """Row and number of fields where that number is not that of the headings."""
    only_commas: int = 0
    """How many of these have one field too many, and that one empty."""
    foot: list[FootRow] = field(default_factory=list)
    blank: int = 0
    broken: int = 0

    def take(self, row: int, fields: list[str]) -> None:
        """Keep a record, cut or padded to the width of the headings; where that changes it a problem has been noted."""
        width = len(self.head)
        self.rows.append(row)
        self.held.append(fields if len(fields) == width else [*fields, *[""] * (width - len(fields))][:width])
        if len(self.held) >= _AT_ONCE:
            self.flush()

    def flush(self) -> None:
        """Turn what is held into arrays."""
        if self.held:
            self.parts.append([pa.array(column, type=pa.large_string()) for column in zip(*self.held, strict=True)])
            self.held = []


def read_exactly(text: bytes, delimiter: str, head: Sequence[str], next_line: int) -> Body:
    """All records from a line on.

    In:      `head` is the heading record, one column per cell of it.
    Out:     every record in `rows` but blank lines and totals; one problem per record that cannot be used, or one for the file.
    """
    reading = _Reading(head)
    for record in records(text_lines(text, next_line), delimiter, first_line=next_line):
        _take(reading, record)
    reading.flush()
    reading.problems += _wrong_counts(reading)
    columns = [
        pa.concat_arrays([part[i] for part in reading.parts]) if reading.parts else pa.array([], type=pa.large_string())
        for i in range(len(head))
    ]
    rows = "1 row holds" if reading.broken == 1 else f"{reading.broken} rows hold"
    notes = [f"{rows} line breaks inside quotation marks; rows go by the line on which they begin"] if reading.broken else []
    return Body(np.asarray(reading.rows, dtype=np.int64), columns, reading.problems, reading.foot, reading.blank, notes)


def _take(reading: _Reading, record: Record) -> None:
    """Sort one record: data, blank, total, or with a problem."""
    row, fields = record.line, record.fields
    if record.fault:
        reading.problems.append(_fault(record))
        reading.take(row, fields)
        return
    if len(fields) != len(reading.head):
        if not any(cell.strip() for cell in fields):
            reading.blank += 1
            return
        if says_total(fields):
            reading.foot.append(foot_row(row, reading.head, fields))
            return
        reading.wrong.append((row, len(fields)))
        reading.only_commas += len(fields) == len(reading.head) + 1 and not fields[-1].strip()
    if record.lines > 1:
        reading.broken += 1
    reading.take(row, fields)


def _fault(record: Record) -> RawProblem:
    """A record that breaks the rules of quotation marks; where the rest of the file hangs on it, the file as a whole."""
    if "field limit" in record.fault and record.lines == 1:
        return RawProblem(
            0,
            "",
            "",
            f"a cell on line {record.line} holds more than {FIELD_LIMIT:,} characters",
            f"look at line {record.line}: shorten the cell, or look for a delimiter or a line end that is missing, and export again",
        )
    if "end of data" in record.fault or "field limit" in record.fault:
        return RawProblem(
            0,
            "",
            "",
            f"a quotation mark opened in the record on line {record.line} is never closed, so what follows it runs together",
            f"look at line {record.line}: close the quotation mark, or write it twice if it belongs to the text, and export again",
        )
    return RawProblem(
        record.line,
        "",
        "",
        "text stands behind a closing quotation mark, so the fields of this row are not certain",
        "write a quotation mark inside a field twice, and put the delimiter right behind the closing one",
    )


def _wrong_counts(reading: _Reading) -> list[RawProblem]:
    """One problem per record with too many or too few fields; one for the file if every record ends in the same extra comma."""
    width = len(reading.head)
    if reading.wrong and len(reading.wrong) == reading.only_commas == len(reading.rows):
        return [
            RawProblem(
                0,
                "",
                "",
                f"every data row ends in one delimiter more than the headings: {width} headings, {width + 1} fields a row, the last empty",
                "take the extra delimiter away at the end of the rows, or add one to the heading row, so that columns cannot shift",
            )
        ]
    return [
        RawProblem(
            row,
            "",
            "",
            f"too {'many' if found > width else 'few'} fields: {width} expected, as there are headings, {found} found",
            "look for a delimiter inside a field that needs quotation marks around it, or for a field left out; then export again",
        )
        for row, found in reading.wrong
    ]
