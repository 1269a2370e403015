"""A sheet of a workbook while its rows are taken in, and the table that they make: its columns, problems, remarks and notes.

Rows come one by one from the exact reader, or all at once and by column from the fast one (`xlsx_fast`); the table is the same.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from reconcile.raw import RawProblem, RawTable, heading_key
from reconcile.raw_rows import Draft, Head, finish
from reconcile.xlsx_cells import BLANK, DUST, UNPADDED, CellText

if TYPE_CHECKING:
    from collections.abc import Collection

    from numpy.typing import NDArray
    from openpyxl.workbook import Workbook

    from reconcile.xlsx_fast import FastCells
    from reconcile.xlsx_parts import SheetParts

    Bools = NDArray[np.bool_]

_NAMED = 5
"""Rows, ranges or sheets that a note names before it only counts them."""


def some(names: list[Any]) -> str:
    """The first few of a list, and how many more there are."""
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(str(name) for name in names[:_NAMED]) + more


@dataclass
class SheetRows:
    """A sheet while it is streamed: its columns grow to the right if a row holds more cells than there are headings."""

    head: Head
    text_columns: Collection[str]
    columns: list[list[str]] = field(default_factory=list)
    numbers: list[list[int]] = field(default_factory=list)
    taken: list[tuple[pa.Array, Bools | None]] = field(default_factory=list)
    """Columns that were taken in as a whole, each with its flags of number cells; instead of `columns` and `numbers`."""
    rows: list[int] = field(default_factory=list)
    problems: list[RawProblem] = field(default_factory=list)
    remarks: Counter[str] = field(default_factory=Counter)
    blank: int = 0

    def __post_init__(self) -> None:
        headings = list(self.head.cells)
        while headings and not headings[-1].strip():
            headings.pop()
        self.head = self.head._replace(cells=tuple(headings))
        self._widen(len(headings))

    def _widen(self, width: int) -> None:
        """Add columns, blank so far."""
        self.columns += [[""] * len(self.rows) for _ in range(len(self.columns), width)]
        self.numbers += [[] for _ in range(len(self.numbers), width)]

    def take(self, row: int, texts: list[CellText]) -> None:
        """Keep one row."""
        if not texts:
            self.blank += 1
            return
        self._widen(len(texts))
        at = len(self.rows)
        self.rows.append(row)
        for i, column in enumerate(self.columns):
            cell = texts[i] if i < len(texts) else BLANK
            column.append(cell.text)
            if cell is BLANK:
                continue
            if cell.number:
                self.numbers[i].append(at)
            if cell.problem:
                self.problems.append(RawProblem(row, self._heading(i), cell.text, *cell.problem))
            if cell.remark:
                self._remark(i, cell.remark)

    def take_all(self, cells: FastCells) -> None:
        """Keep every row below the headings at once, from columns."""
        filled = cells.filled()
        filled[: self.head.row] = False
        self.rows = (np.flatnonzero(filled) + 1).tolist()
        self.blank = cells.last_row - self.head.row - len(self.rows)
        kept = pa.array(filled)
        remarks: list[tuple[int, int, str, int]] = []
        blank = 0
        for i, column in enumerate(cells.columns):
            texts = column.texts.filter(kept)
            numbers = None if column.numbers is None else column.numbers[filled]
            self.taken.append((texts, numbers if numbers is not None and numbers.any() else None))
            blank = 0 if pc.max(pc.binary_length(texts)).as_py() else blank + 1
            for remark, flags in ((DUST, column.dust), (UNPADDED, column.whole)):
                at = np.flatnonzero(flags[filled]) if flags is not None else np.empty(0, dtype=np.int64)
                if len(at):
                    remarks.append((int(at[0]), i, remark, len(at)))
        width = max(len(self.head.cells), len(self.taken) - blank)
        nothing = pa.array([""] * len(self.rows), type=pa.string())
        self.taken = self.taken[:width] + [(nothing, None)] * (width - len(self.taken))
        for _, i, remark, count in sorted(remarks):
            self._remark(i, remark, count)

    def _heading(self, i: int) -> str:
        return " ".join(self.head.cells[i].split()) if i < len(self.head.cells) else ""

    def _remark(self, i: int, remark: str, count: int = 1) -> None:
        """Count a remark; numbers in a column of identifiers by their heading, and elsewhere not at all."""
        if remark == UNPADDED:
            if heading_key(self._heading(i)) in self.text_columns:
                self.remarks[f"{self._heading(i)}: {UNPADDED}"] += count
        else:
            self.remarks[remark] += count

    def table(self, book: Workbook, name: str, sheet: Any, parts: SheetParts, expected: frozenset[str]) -> RawTable:  # noqa: ANN401 (as above)
        """The finished table."""
        taken = self.taken or [
            (pa.array(column, type=pa.string()), self._flags(at)) for column, at in zip(self.columns, self.numbers, strict=True)
        ]
        width = len(taken)
        head = self.head._replace(cells=(*self.head.cells, *[""] * (width - len(self.head.cells))))
        draft = Draft(
            name,
            sheet.title,
            head,
            np.asarray(self.rows, dtype=np.int64),
            [texts for texts, _ in taken],
            self.problems,
            blank_rows=self.blank,
            notes=[*self._notes(sheet, parts), *(f"{count} {remark}" for remark, count in self.remarks.items())],
            date_system=1904 if book.epoch == CALENDAR_MAC_1904 else 1900,
            numbers=[flags for _, flags in taken],
        )
        return finish(draft, expected)

    def _flags(self, at: list[int]) -> Bools | None:
        if not at:
            return None
        flags = np.zeros(len(self.rows), dtype=np.bool_)
        flags[at] = True
        return flags

    def _notes(self, sheet: Any, parts: SheetParts) -> list[str]:  # noqa: ANN401 (as above)
        """What the workbook hides."""
        filled = set(self.rows)
        hidden = [row for row in parts.hidden_rows if row in filled]
        merged = [cells for cells in parts.merged if int(cells.split(":")[1].lstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ")) > self.head.row]
        notes = []
        if sheet.sheet_state != "visible":
            notes.append("the sheet is hidden and was read all the same")
        if hidden:
            notes.append(f"hidden rows were read all the same: {some(hidden)}")
        if merged:
            notes.append(f"merged cells hold their value in the first cell only: {some(merged)}")
        return notes
