"""Puts the settled parts of a run together: rows side by side in the order of the reports, and figures by day added up."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.day_tables import next_draws
from reconcile.report_tables import UNMATCHED_ORDER
from reconcile.return_rates import return_rates
from reconcile.schemas import EXPORTS, OUTPUTS
from reconcile.texts import distinct, positions

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.policy import Rules
    from reconcile.settle import Settled

_ADDED = {"draw_dates": ("term", "draw_date"), "settlement_days": ("settled_on", "method")}


def merge(settled: Sequence[Settled], rules: Rules) -> dict[str, pd.DataFrame]:
    """The tables of the run, of all its parts in the order of students.

    In:      at least one settled part.
    Out:     students, draws, plans, entries, unmatched_events, other_terms, draw_dates, settlement_days, next_draws, return_rates, and the
             lines of proof of the parts, shaped by schemas.OUTPUTS.
    Keeps:   the same tables however the student body was cut.
    """
    tables = {name: _by(([part.tables[name] for part in settled]), "term") for name in ("students", "draws", "plans", "other_terms")}
    tables["entries"] = _by([part.tables["entries"] for part in settled], "export", list(EXPORTS))
    unmatched = _joined([part.tables["unmatched_events"] for part in settled])
    tables["unmatched_events"] = unmatched.sort_values(UNMATCHED_ORDER, ignore_index=True) if len(settled) > 1 else unmatched
    for name, by in _ADDED.items():
        added = _joined([part.sums[name] for part in settled]).groupby(list(by), as_index=False, sort=True).sum()
        tables[name] = added[[column.name for column in OUTPUTS[name]]]
    tables["next_draws"] = next_draws(_joined([part.sums["coming"] for part in settled]), rules)
    tables["return_rates"] = return_rates(_joined([part.sums["rates"] for part in settled]))
    tables["proof"] = _joined([part.sums["proof"] for part in settled])
    return tables


def _joined(tables: Sequence[pd.DataFrame]) -> pd.DataFrame:
    filled = [table for table in tables if len(table)] or list(tables[:1])
    return filled[0] if len(filled) == 1 else pd.concat(filled, ignore_index=True)


def _by(tables: Sequence[pd.DataFrame], column: str, order: Sequence[str] | None = None) -> pd.DataFrame:
    """Tables that are each in the order of a column, put together in that order; within a value the parts follow each other."""
    whole = _joined(tables)
    if len(tables) == 1 or not len(whole):
        return whole
    names = distinct([whole[column]])
    codes = positions(names if order is None else pd.Index(list(order), dtype="str"), whole[column])
    if (np.diff(codes) >= 0).all():
        return whole
    return whole.take(np.argsort(codes, kind="stable")).reset_index(drop=True)
