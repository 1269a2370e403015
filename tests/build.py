"""Accepted exports from plain rows, without files: what engine tests start from."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from reconcile.exports import BankSpan, Exports
from reconcile.intake_counts import SourceCount, SourceFile
from reconcile.schemas import DTYPES, EXPORTS, OUTPUTS, Column, Export

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

Row = dict[str, Any]


def table_of(export: Export, rows: Sequence[Row]) -> pd.DataFrame:
    """A typed table of one export from rows of standard columns; absent cells take their defaults, rows are numbered from 2."""
    data: dict[str, list[Any]] = {
        "file": [row.get("file", f"{export.name}.csv") for row in rows],
        "sheet": [row.get("sheet", "") for row in rows],
        "row": [row.get("row", at) for at, row in enumerate(rows, start=2)],
    }
    for column in export.columns:
        data[column.name] = [_cell(row, column) for row in rows]
    kinds = {"file": "str", "sheet": "str", "row": "int64"} | {column.name: DTYPES[column.kind] for column in export.columns}
    frame = pd.DataFrame(data)
    for name, kind in kinds.items():
        frame[name] = pd.to_datetime(frame[name]).astype("datetime64[s]") if kind.startswith("datetime") else frame[name].astype(kind)  # type: ignore[call-overload]
    return frame


def _cell(row: Row, column: Column) -> object:
    value = row.get(column.name)
    if value not in {None, ""}:
        return value
    if column.same_as:
        return row[column.same_as]
    if column.kind in {"date", "money"}:
        return None
    return column.default


def exports_of(
    rows: Mapping[str, Sequence[Row]],
    *,
    has_postings: bool | None = None,
    bank_from: date | None = None,
    bank_through: date | None = None,
    blocked: frozenset[tuple[str, str]] = frozenset(),
) -> Exports:
    """Accepted exports as intake would hand them on."""
    tables = {name: table_of(export, rows.get(name, ())) for name, export in EXPORTS.items()}
    counts = tuple(
        SourceCount(name, "", len(t), len(t), 0, 0, 0, int(t["amount"].sum()), int(t["amount"].sum()), 0, 0) for name, t in tables.items()
    )
    settled = tables["cleared_draws"]["settled_on"]
    first = bank_from or (None if settled.empty else settled.min().date())
    last = bank_through or (None if settled.empty else settled.max().date())
    rejected = pd.DataFrame({column.name: pd.Series(dtype=DTYPES[column.kind]) for column in OUTPUTS["rejected_rows"]})
    return Exports(
        tables=tables,
        has_postings="postings" in rows if has_postings is None else has_postings,
        rejected=rejected,
        sources=(SourceFile("rows", "", 0, counts=counts),),
        span=None if first is None or last is None else BankSpan(first, last),
        notes=(),
        blocked=blocked,
    )
