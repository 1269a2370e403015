"""What a reader hands on: one sheet or text file as text cells, with what is wrong in it, before any cell is given a meaning.

Both readers (text files and workbooks) end in the same `RawTable`, so that everything after them is indifferent to how an office saves
its exports. Nothing is dropped in silence here: blank rows are counted, rows of totals are set aside with their cells, and what cannot
be read is a `RawProblem` that names its row, its column and its cure.

A problem in row 0 without a column concerns the file as a whole: no row of it can be trusted, and all of them are marked bad. In row 0
with a column it concerns that heading, which stands over several columns, and does no harm if nobody reads them. A problem with a row
and a column concerns that one cell (an error cell, a formula without a result); one with a row and no column the whole row (a wrong
number of fields).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Collection

    import pyarrow as pa  # type: ignore[import-untyped]
    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

DateSystem = Literal[1900, 1904]
"""The two ways in which spreadsheets count days: from the end of 1899, or from 1904."""


@lru_cache(maxsize=4096)
def heading_key(heading: str) -> str:
    """A heading without case, spaces, underscores and punctuation: what is compared when headings are matched.

    Digits and letters of any script stay, so that two different headings do not fall together by losing their accents.

    >>> heading_key(" Student_ID "), heading_key("Draw Date:"), heading_key("#")
    ('studentid', 'drawdate', '')
    """
    return "".join(c for c in heading.casefold() if c.isalnum())


class RawProblem(NamedTuple):
    """One thing that cannot be read. `row` is as a spreadsheet counts it, 0 for the file as a whole; `column` is the heading or ""."""

    row: int
    column: str
    value: str
    problem: str
    cure: str


@dataclass(frozen=True)
class FootRow:
    """A row of totals or an end mark, kept out of the data: its row number and its filled cells by heading."""

    row: int
    cells: dict[str, str]


def _no_rows() -> Ints:
    return np.empty(0, dtype=np.int64)


def _no_flags() -> Bools:
    return np.empty(0, dtype=np.bool_)


@dataclass(frozen=True, eq=False)
class RawTable:
    """One sheet or text file, as text.

    `headings` are as written, trimmed, one per column of `columns`; where no heading row was recognised they are those of the likeliest
    row and there are no data rows. Each column holds one text per data row, as written but for what a workbook stores as a number
    or a date ("" for blank). `rows` are row numbers as a spreadsheet counts them; for a text file the physical line on which the
    record begins.

    `number_cells` says per column which cells were numbers in the workbook (None for none): their text is always plain, with a point
    before the decimals, whatever mark the office writes in its text cells.
    """

    file: str
    sheet: str = ""
    headings: tuple[str, ...] = ()
    heading_row: int = 0
    rows: Ints = field(default_factory=_no_rows)
    columns: tuple[pa.Array, ...] = ()
    date_system: DateSystem = 1900
    problems: tuple[RawProblem, ...] = ()
    bad_rows: Bools = field(default_factory=_no_flags)
    foot: tuple[FootRow, ...] = ()
    blank_rows: int = 0
    notes: tuple[str, ...] = ()
    encoding: str = ""
    delimiter: str = ""
    number_cells: tuple[Bools | None, ...] = ()

    @property
    def unusable(self) -> bool:
        """Whether a problem concerns the file as a whole."""
        return any(problem.row == 0 and not problem.column for problem in self.problems)

    def column(self, heading: str) -> pa.Array:
        """The cells under a heading as written; KeyError if there is none."""
        try:
            return self.columns[self.headings.index(heading)]
        except ValueError:
            raise KeyError(heading) from None

    def numbers(self, heading: str) -> Bools | None:
        """Which cells under a heading were numbers in the workbook; None where none was, and for text files."""
        return self.number_cells[self.headings.index(heading)] if self.number_cells else None

    def bad_for(self, headings: Collection[str]) -> Bools:
        """Which rows cannot be used by someone who reads only these columns; a bad cell elsewhere is left out of account."""
        bad = np.zeros(len(self.rows), dtype=np.bool_)
        if self.unusable or any(p.row == 0 and p.column in headings for p in self.problems):
            bad[:] = True
            return bad
        hit = sorted({p.row for p in self.problems if not p.column or p.column in headings})
        bad[np.isin(self.rows, np.asarray(hit, dtype=np.int64))] = True
        return bad
