"""What happened on a schedule line at the bank: its tries, returns and refunds, oldest first."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from reconcile.exception_columns import Columns

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from reconcile.events import Ints


class Try(NamedTuple):
    """One event on a line."""

    event: int
    settled: int
    cents: int
    role: str


class Tries:
    """The events on each line; those of lines that will likely be told are put together at once, others when asked for."""

    def __init__(self, pairs: pd.DataFrame, events: Columns, likely: Ints, likely_pairs: Ints, lines: int) -> None:
        self._pairs, self._events, self._lines = Columns(pairs), events, lines
        found: dict[int, list[Try]] = {line: [] for line in likely.tolist()}
        for line, tried in self._made_of(likely_pairs):
            found[line].append(tried)
        self._known = {line: self._oldest_first(tries) for line, tries in found.items()}

    def on(self, line: int) -> list[Try]:
        """All events on a line, oldest first."""
        known = self._known.get(line)
        if known is None:
            order, starts = self._by_line
            found = [tried for _line, tried in self._made_of(order[starts[line] : starts[line + 1]])]
            known = self._known[line] = self._oldest_first(found)
        return known

    @cached_property
    def _by_line(self) -> tuple[Ints, Ints]:
        line = self._pairs["line"]
        order = np.argsort(line, kind="stable")
        return order, np.searchsorted(line[order], np.arange(self._lines + 1))

    def _made_of(self, pairs: Ints) -> Iterator[tuple[int, Try]]:
        event = self._pairs["event"][pairs]
        cells = (event.tolist(), self._events["settled_on"][event].tolist(), self._pairs["cents"][pairs].tolist())
        return zip(self._pairs["line"][pairs].tolist(), map(Try, *cells, self._pairs["role"].of(pairs)), strict=True)

    def _oldest_first(self, tries: list[Try]) -> list[Try]:
        if len(tries) < 2:
            return tries
        reference = self._events["reference"]
        keys = {t: (t.settled, reference[t.event], t.role) for t in tries}
        if len(set(keys.values())) == len(tries):
            return sorted(tries, key=lambda t: keys[t])
        return sorted(tries, key=lambda t: (keys[t], self._events.cells(t.event)))
