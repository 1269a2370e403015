"""Puts the settled parts of a run together: rows side by side in the order of the reports, and figures by day added up."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.day_tables import next_draws
from reconcile.entries import entries_frame, slices_of_entries
from reconcile.report_tables import UNMATCHED_ORDER
from reconcile.return_rates import return_rates
from reconcile.schemas import OUTPUTS
from reconcile.texts import distinct, positions

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import pyarrow as pa  # type: ignore[import-untyped]

    from reconcile.policy import Rules
    from reconcile.settle import Settled

_ADDED = {"draw_dates": ("term", "draw_date"), "settlement_days": ("settled_on", "method")}


class Tables(Mapping[str, pd.DataFrame]):
    """Tables by name, each put together when it is first asked for: a run whose large files are written in pieces needs few of them."""

    def __init__(self, make: Mapping[str, Callable[[], pd.DataFrame]], entries: Sequence[pa.Table] = ()) -> None:
        self._make = dict(make)
        self.entries_in_slices = tuple(entries)
        """The table of entries in slices, in its order, for a writer that need not hold it as a whole."""
        self._made: dict[str, pd.DataFrame] = {}

    def __getitem__(self, name: str) -> pd.DataFrame:
        """The table of that name."""
        if name not in self._made:
            self._made[name] = self._make[name]()
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        """The names, in order."""
        return iter(self._make)

    def __len__(self) -> int:
        """How many tables there are."""
        return len(self._make)

    def with_made(self, name: str, make: Callable[[], pd.DataFrame]) -> Tables:
        """These tables and one that is made when it is first asked for."""
        both = Tables(self._make | {name: make}, self.entries_in_slices)
        both._made = dict(self._made)
        return both

    def __or__(self, others: Mapping[str, pd.DataFrame]) -> Tables:
        """These tables and others."""
        both = Tables(self._make | {name: partial(others.__getitem__, name) for name in others}, self.entries_in_slices)
        both._made = self._made | dict(others)
        return both


def merge(settled: Sequence[Settled], rules: Rules) -> Tables:
    """The tables of the run, of all its parts in the order of students.

    In:      at least one settled part.
    Out:     students, draws, plans, entries, unmatched_events, other_terms, draw_dates, settlement_days, next_draws, return_rates, and the
             lines of proof of the parts, shaped by schemas.OUTPUTS.
    Keeps:   the same tables however the student body was cut.
    Errors:  KeyError for a table that the parts no longer hold, since its file is written already.
    """

    def of(name: str) -> list[pd.DataFrame]:
        return [part.tables[name] if name in part.tables else part.sums[name] for part in settled]

    def added(name: str, by: Sequence[str]) -> pd.DataFrame:
        return _joined(of(name)).groupby(list(by), as_index=False, sort=True).sum()[[column.name for column in OUTPUTS[name]]]

    slices = slices_of_entries([part.entries for part in settled]) or [settled[0].entries]
    return Tables(
        {name: partial(lambda name: _by(of(name), "term"), name) for name in ("students", "draws", "plans", "other_terms")}
        | {name: partial(added, name, by) for name, by in _ADDED.items()}
        | {
            "entries": lambda: entries_frame(slices),
            "unmatched_events": lambda: _sorted(of("unmatched_events")),
            "next_draws": lambda: next_draws(_joined(of("coming")), rules),
            "return_rates": lambda: return_rates(_joined(of("rates"))),
            "proof": lambda: _joined(of("proof")),
        },
        slices,
    )


def _sorted(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    whole = _joined(tables)
    return whole if len(tables) == 1 else whole.sort_values(UNMATCHED_ORDER, ignore_index=True)


def _joined(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    filled = [table for table in tables if len(table)] or list(tables[:1])
    return filled[0] if len(filled) == 1 else pd.concat(filled, ignore_index=True)


def _by(tables: Sequence[pd.DataFrame], column: str) -> pd.DataFrame:
    """Tables that are each in the order of a column, put together in that order; within a value the parts follow each other."""
    whole = _joined(tables)
    if len(tables) == 1 or not len(whole):
        return whole
    codes = positions(distinct([whole[column]]), whole[column])
    if (np.diff(codes) >= 0).all():
        return whole
    return whole.take(np.argsort(codes, kind="stable")).reset_index(drop=True)
