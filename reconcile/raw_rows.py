"""From rows of text to a `RawTable`: which row holds the headings, which rows are blank, and which are totals at the foot.

Exports come with a title above the headings, so the heading row is the one that holds the headings that are known. Rows that are no data
are told apart in `raw_foot`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]

from reconcile.raw import DateSystem, FootRow, RawProblem, RawTable, heading_key
from reconcile.raw_foot import A_NUMBER, blank_cells, cells_at, foot_row, likely_totals, only_sums, says_total

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]

LOOKED_AT = 30
"""Rows among which the headings are looked for."""
SURE = 2
"""A heading row holds at least so many known headings: a title line such as `Term` holds one."""


class Head(NamedTuple):
    """The heading row: its number, its cells, and whether enough of them are known."""

    row: int
    cells: tuple[str, ...]
    known: bool


def known_headings(cells: Iterable[str], expected: frozenset[str]) -> int:
    """How many different known headings stand in a row."""
    return len({heading_key(cell) for cell in cells} & expected)


def find_head(rows: Sequence[tuple[int, Sequence[str]]], expected: frozenset[str], heading_row: int | None) -> Head | None:
    """The heading row among the first rows of a sheet or file; None where there is no row to choose.

    A row that the column map names is taken as it is. Else the first row with the most known headings; where no row holds enough of
    them, the likeliest: the first with the most cells that are text.
    """
    if heading_row is not None:
        return next(
            (Head(row, tuple(cells), known=True) for row, cells in rows if row == heading_row and any(c.strip() for c in cells)), None
        )
    best: tuple[int, int] = (0, 0)
    head: Head | None = None
    for row, cells in rows:
        known = known_headings(cells, expected)
        words = sum(1 for cell in cells if cell.strip() and not A_NUMBER.fullmatch(cell.strip()))
        rank = (known, 0) if known >= SURE else (0, words)
        if rank > best:
            best, head = rank, Head(row, tuple(cells), known >= SURE)
    return head


@dataclass
class Draft:
    """A table while it is being read; `finish` makes it a `RawTable`. There is one column per cell of the heading row, named or not."""

    file: str
    sheet: str
    head: Head
    rows: NDArray[np.int64]
    columns: list[pa.Array]
    problems: list[RawProblem] = field(default_factory=list)
    foot: list[FootRow] = field(default_factory=list)
    blank_rows: int = 0
    notes: list[str] = field(default_factory=list)
    encoding: str = ""
    delimiter: str = ""
    date_system: DateSystem = 1900
    numbers: list[Bools | None] = field(default_factory=list)


def unusable(
    file: str, sheet: str, problem: str, cure: str, *, head: Head | None = None, encoding: str = "", delimiter: str = ""
) -> RawTable:
    """A table of a file that cannot be read at all."""
    headings = tuple(cell.strip() for cell in head.cells) if head else ()
    return RawTable(
        file,
        sheet,
        headings,
        head.row if head else 0,
        columns=tuple(pa.array([], type=pa.large_string()) for _ in headings),
        problems=(RawProblem(0, "", "", problem, cure),),
        encoding=encoding,
        delimiter=delimiter,
    )


def finish(draft: Draft, expected: frozenset[str]) -> RawTable:
    """Drop and count blank rows, set totals aside, settle the headings, and mark the rows that cannot be used."""
    if draft.head.row > 1:
        draft.notes.insert(0, f"headings are in row {draft.head.row}; what stands above them was skipped")
    _drop_blank(draft)
    _set_totals_aside(draft)
    headings = _settle_headings(draft, expected)
    bad = np.zeros(len(draft.rows), dtype=np.bool_)
    if any(problem.row == 0 and not problem.column for problem in draft.problems):
        bad[:] = True
    elif draft.problems:
        bad = np.isin(draft.rows, np.asarray([problem.row for problem in draft.problems], dtype=np.int64))
    return RawTable(
        draft.file,
        draft.sheet,
        headings,
        draft.head.row,
        draft.rows,
        tuple(draft.columns),
        draft.date_system,
        tuple(sorted(draft.problems, key=lambda problem: problem.row)),
        bad,
        tuple(sorted(draft.foot, key=lambda foot: foot.row)),
        draft.blank_rows,
        tuple(draft.notes),
        draft.encoding,
        draft.delimiter,
        tuple(draft.numbers),
    )


def _keep(draft: Draft, kept: Bools) -> None:
    """Keep only these rows."""
    draft.rows = draft.rows[kept]
    draft.columns = [column.filter(pa.array(kept)) for column in draft.columns]
    draft.numbers = [numbers if numbers is None else numbers[kept] for numbers in draft.numbers]


def _drop_blank(draft: Draft) -> None:
    """Take out rows in which no cell holds anything, and count them; a row with a problem stays."""
    at = np.arange(len(draft.rows))
    for column in draft.columns:
        if len(at) == 0:
            return
        part = column if len(at) == len(column) else column.take(pa.array(at))
        at = at[blank_cells(part)]
    troubled = {problem.row for problem in draft.problems}
    at = np.asarray([i for i in at if int(draft.rows[i]) not in troubled], dtype=np.int64)
    if len(at):
        kept = np.ones(len(draft.rows), dtype=np.bool_)
        kept[at] = False
        draft.blank_rows += len(at)
        _keep(draft, kept)


def _set_totals_aside(draft: Draft) -> None:
    """Move rows that say they are totals, and a last row that is nothing but the sums, from the data to the foot."""
    aside = [i for i in likely_totals(draft.columns, len(draft.rows)) if says_total(cells_at(draft.columns, i))]
    last = len(draft.rows) - 1
    while last in aside:
        last -= 1
    if only_sums(draft.columns, last, aside):
        aside.append(last)
    if aside:
        draft.foot += [foot_row(int(draft.rows[i]), draft.head.cells, cells_at(draft.columns, i)) for i in aside]
        set_aside = {int(draft.rows[i]) for i in aside}
        draft.problems = [problem for problem in draft.problems if problem.row not in set_aside]
        kept = np.ones(len(draft.rows), dtype=np.bool_)
        kept[aside] = False
        _keep(draft, kept)
    end = int(draft.rows[-1]) if len(draft.rows) else 0
    for foot in sorted(draft.foot, key=lambda foot: foot.row):
        if foot.row < end:
            draft.notes.append(
                f"row {foot.row} says it is a total and was set aside, though it stands in the middle of the data: look at it"
            )


def _settle_headings(draft: Draft, expected: frozenset[str]) -> tuple[str, ...]:
    """The headings, trimmed; columns with neither heading nor cells are left out, and headings that cannot be told apart are a problem."""
    headings = [" ".join(cell.split()) for cell in draft.head.cells]
    kept: list[int] = []
    for i, heading in enumerate(headings):
        if heading:
            kept.append(i)
            continue
        filled = np.flatnonzero(~blank_cells(draft.columns[i]))
        if len(filled):
            kept.append(i)
            first = int(filled[0])
            draft.problems.append(
                RawProblem(
                    0,
                    "",
                    draft.columns[i][first].as_py(),
                    f"column {i + 1} has cells (the first in row {int(draft.rows[first])}) but no heading",
                    "give the column a heading, or delete the column, and export again",
                )
            )
    draft.columns = [draft.columns[i] for i in kept]
    draft.numbers = [draft.numbers[i] for i in kept] if draft.numbers else []
    settled = [headings[i] for i in kept]
    draft.problems += _doubled(settled, expected)
    return tuple(settled)


def _doubled(headings: Sequence[str], expected: frozenset[str]) -> list[RawProblem]:
    """One problem per heading that stands over several columns, or that several columns share but for case and punctuation."""
    seen: dict[str, list[str]] = {}
    for heading in headings:
        if heading:
            key = heading_key(heading)
            seen.setdefault(key if key in expected else heading.casefold(), []).append(heading)
    cure = "rename or delete all but one of them, and export again"
    return [
        RawProblem(0, same[0], "", f"{len(same)} columns have the same heading: {', '.join(same)}", cure)
        for same in seen.values()
        if len(same) > 1
    ]
