"""The columns of a run's tables as the exception list reads them: numbers as arrays, text cell by cell.

A run over a whole student body has hundreds of thousands of lines and events, and tells of a few thousand of them. Conditions are asked of
whole columns at once; a Python string is made only of the cells that a sentence needs: of the rows that will likely be told at once, of any
other when it is asked for.
"""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]

from reconcile.events import day_numbers
from reconcile.texts import among, arrow_text, is_word

if TYPE_CHECKING:
    import pandas as pd

    from reconcile.events import Bools, Ints

WHERE = frozenset({"file", "sheet", "row", "entry"})
"""Columns that say where a row stands, not what it says."""
NO_ROWS: Ints = np.zeros(0, dtype=np.int64)


class Texts(dict[int, str]):
    """A column of text: `are` asks of all rows at once, `[row]` gives one cell.

    A dictionary of the cells that were asked for, which fills itself, since the sentences of a large list ask for a cell a hundred thousand
    times.
    """

    def __init__(self, column: pd.Series, likely: Ints) -> None:
        self._column, self._held = column, arrow_text(column)
        super().__init__(zip(likely.tolist(), self.of(likely), strict=True))

    def __missing__(self, row: int) -> str:
        """The text of a row that nobody asked for so far."""
        self[row] = text = str(self._held[row].as_py())
        return text

    def __eq__(self, other: object) -> bool:
        """No comparison of columns, nor of their cells so far: that would be false of every word, and nobody would notice."""
        raise TypeError("ask a column of text which rows `are` a word")

    __ne__ = __eq__
    __hash__ = dict.__hash__

    def of(self, rows: Ints) -> list[str]:
        """The texts of some rows."""
        found: list[str] = self._held.take(pa.array(rows)).to_pylist()
        return found

    def are(self, *words: str) -> Bools:
        """Whether each text is one of these words."""
        return is_word(self._column, *words) if len(words) == 1 else among(self._column, words)


class Columns(dict[str, Any]):
    """A table's columns, made when first asked for: text as `Texts`, dates as arrays of day numbers, all else as arrays.

    In:      `likely`: the rows of which sentences will likely be made.
    """

    def __init__(self, table: pd.DataFrame, likely: Ints = NO_ROWS) -> None:
        super().__init__()
        self._table, self._likely = table, likely
        self._places: dict[int, str] | None = None

    def __missing__(self, name: str) -> Any:  # noqa: ANN401 (text, numbers or day numbers, as the column is)
        """The column."""
        column = self._table[name]
        dtype = str(column.dtype)
        dated = dtype.startswith("datetime")
        self[name] = day_numbers(column) if dated else Texts(column, self._likely) if dtype == "str" else column.to_numpy()
        return self[name]

    def __len__(self) -> int:
        """How many rows the table has, not how many columns were asked for so far."""
        return len(self._table)

    def cells(self, row: int) -> tuple[Any, ...]:
        """All that the row says, without where it stands: rows that tie elsewhere are ordered by it, however their files were sorted."""
        return tuple(self[name][row] for name in self._said)

    @cached_property
    def _said(self) -> tuple[str, ...]:
        """The columns of an export's own content, in order."""
        return tuple(str(name) for name in self._table.columns if name not in WHERE)

    def at(self, row: int) -> str:
        """The row's evidence: file:sheet:row."""
        if self._places is None:
            files, sheets, rows = self["file"], self["sheet"], self["row"]
            told = zip(files.of(self._likely), sheets.of(self._likely), rows[self._likely].tolist(), strict=True)
            self._places = {at: f"{file}:{sheet}:{number}" for at, (file, sheet, number) in zip(self._likely.tolist(), told, strict=True)}
        place = self._places.get(row)
        if place is None:
            place = self._places[row] = f"{self['file'][row]}:{self['sheet'][row]}:{self['row'][row]}"
        return place
