"""All rows of one kind of export, from all its files, side by side while they are checked against each other.

Rows stand in the order of file, sheet and row, so that neither the order of the files on the command line nor that in a folder has any
effect. Each row carries one standing: accepted, rejected, or already read.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]

from reconcile.intake_problems import Problem, place_of, text_series
from reconcile.money import money_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from reconcile.intake_rows import Part
    from reconcile.schemas import CellKind, Export

    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

ACCEPTED, REJECTED, COPY, REPLACED = 0, 1, 2, 3
"""Standings of a row. A copy and a replaced row are both `already read`: their money is in another row."""


class Clash(NamedTuple):
    """What is wrong with the row at a position of the batch, under a standard column, and how to mend it."""

    at: int
    column: str
    problem: str
    cure: str


@dataclass(frozen=True, eq=False)
class Checked:
    """What became of the rows of one export, in the order of its batch, with what is wrong and notes."""

    standing: NDArray[np.int8]
    problems: list[Problem]
    notes: list[str]


@dataclass(frozen=True, eq=False)
class Batch:
    """The rows of one export: `table` has its standard columns, `part` says for each row in which of `parts` it stands."""

    export: Export
    parts: tuple[Part, ...]
    part: Ints
    rows: Ints
    table: pd.DataFrame
    standing: NDArray[np.int8]

    @property
    def accepted(self) -> Bools:
        """Which rows are still accepted."""
        return np.equal(self.standing, ACCEPTED)

    @cached_property
    def _cells(self) -> dict[str, tuple[CellKind, Any]]:
        """Kind and values by column: a file copied whole gives a problem for each of its rows, so that one value is looked up fast."""
        return {c.name: (c.kind, self.table[c.name].array) for c in self.export.columns}

    def readable(self, column: str) -> Bools:
        """Which rows have a readable cell (or none) in that column, rejected or not."""
        flags = [~p.unreadable[column] if column in p.unreadable else np.ones(len(p.rows), dtype=np.bool_) for p in self.parts]
        return np.concatenate(flags) if flags else np.empty(0, dtype=np.bool_)

    def place(self, at: int) -> str:
        """Where a row stands, for sentences about another: `row 7 of charges.csv`."""
        part = self.parts[self.part[at]]
        return f"row {self.rows[at]} of {place_of(part.file, part.sheet)}"

    def shown(self, at: int, column: str) -> str:
        """A typed value as people read it: money with two decimals, dates as 2026-08-10, nothing as "nothing"."""
        kind, values = self._cells[column]
        value = values[at]
        if kind == "money":
            return money_text(int(value))
        if kind == "date":
            return "nothing" if value is pd.NaT else str(value.date())
        return str(value) or "nothing"

    def differing(self, one: int, other: int, columns: Iterable[str]) -> list[str]:
        """The columns in which two rows differ."""
        return [c for c in columns if self.shown(one, c) != self.shown(other, c)]

    def problem(self, clash: Clash) -> Problem:
        """The clash as a line of the rejected rows."""
        part = self.parts[self.part[clash.at]]
        value = self.shown(clash.at, clash.column) if clash.column else ""
        heading = part.headings.get(clash.column, clash.column)
        shown = "" if value == "nothing" else value
        return Problem.of(part.file, part.sheet, int(self.rows[clash.at]), heading, shown, clash.problem, clash.cure)

    def settle(self, at: Iterable[int] | Bools, standing: int) -> Batch:
        """The same rows, those given with another standing."""
        changed = self.standing.copy()
        changed[at if isinstance(at, np.ndarray) else list(at)] = standing
        return Batch(self.export, self.parts, self.part, self.rows, self.table, changed)


def gather(export: Export, parts: Sequence[Part]) -> Batch:
    """Put the parts of one export side by side, by file, sheet and row."""
    ordered = tuple(sorted((_by_row(p) for p in parts), key=lambda p: (p.file, p.sheet)))
    columns = {c.name: _joined([p.columns[c.name] for p in ordered], c.kind) for c in export.columns}
    part = np.repeat(np.arange(len(ordered)), [len(p.rows) for p in ordered])
    rows = _end_to_end([p.rows for p in ordered], np.dtype(np.int64))
    rejected = _end_to_end([p.rejected for p in ordered], np.dtype(np.bool_))
    table = pd.DataFrame(columns, copy=False)
    return Batch(export, ordered, part, rows, table, np.where(rejected, np.int8(REJECTED), np.int8(ACCEPTED)))


def _by_row(part: Part) -> Part:
    """The part as it is: readers give rows in the order of the file, and everything after relies on it."""
    if len(part.rows) > 1 and not (np.diff(part.rows) >= 0).all():
        raise ValueError(f"the rows of {part.file} {part.sheet} are not in order")
    return part


def _joined(pieces: Sequence[Any], kind: str) -> pd.Series:
    if kind in {"money", "date"}:
        return pd.Series(_end_to_end(pieces, np.dtype(np.int64 if kind == "money" else "datetime64[s]")), copy=False)
    return text_series(pa.chunked_array([piece.cast(pa.large_string()) for piece in pieces], type=pa.large_string()))


def _end_to_end(pieces: Sequence[Any], dtype: np.dtype[Any]) -> Any:  # noqa: ANN401 (an array of that type)
    """The pieces as one array; a single one as it is."""
    return pieces[0] if len(pieces) == 1 else np.concatenate([np.empty(0, dtype=dtype), *pieces])
