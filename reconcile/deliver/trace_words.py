"""A traced figure in words: its rows in columns, and the sum under them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reconcile.deliver.csv_out import without_controls
from reconcile.deliver.summary import aligned, count
from reconcile.money import people_money

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.trace import Figure, Traced

HEADINGS = ("Amount", "What", "Term", "Student", "Plan", "Line", "Date", "Where", "Bank rows and how they matched")


def trace_text(traced: Traced) -> str:
    """The figure, its rows, one a line, and their sum; money with two places, lines ended by line ends."""
    rows: list[tuple[str, ...]] = [HEADINGS]
    for cells in traced.rows.itertuples(index=False, name=None):
        amount, what, term, student, plan, line, date, *rest = cells
        day = str(date)[:10] if isinstance(date, pd.Timestamp) else ""
        texts = (without_controls(str(text)) for text in (what, term, student, plan, line, day, *rest))
        rows.append((people_money(int(amount)), *texts))
    table = aligned(rows, right=(0,)) if len(rows) > 1 else []
    total = f"{people_money(traced.total)} is the sum of {count(len(rows) - 1, 'row')}."
    return "\n".join((f"{traced.figure.name}: {people_money(traced.figure.cents)}", *table, total)) + "\n"


def figures_text(figures: Sequence[Figure]) -> str:
    """Every figure that can be traced, with its amount."""
    return "\n".join(aligned([(people_money(figure.cents), figure.name) for figure in figures], right=(0,))) + "\n"
