"""What each input of a run held: rows and cents of every export in it, read, accepted, rejected, already read and set aside.

These counts stand in `audit.json`, in the summary and in the packet, so that what went in can be held against what the source systems say.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reconcile.schemas import EXPORTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date

    import pandas as pd

    from reconcile.exports import Exports, SourceCount


@dataclass(frozen=True)
class Counted:
    """Rows and cents of one export: read = accepted + rejected + already read, and what is set aside is part of the accepted.

    `unreadable` counts rejected rows whose amount could not be read, so that it is in no cents; `replaced` those of the rows already read
    that a disbursed award replaced. Total rows at the foot and blank rows are no rows of the export.
    """

    rows_read: int = 0
    accepted: int = 0
    rejected: int = 0
    already_read: int = 0
    set_aside: int = 0
    foot_rows: int = 0
    blank_rows: int = 0
    unreadable: int = 0
    replaced: int = 0
    cents_read: int = 0
    cents_accepted: int = 0
    cents_rejected: int = 0
    cents_already_read: int = 0
    cents_set_aside: int = 0

    def __add__(self, other: Counted) -> Counted:
        return Counted(*(a + b for a, b in zip(dataclasses.astuple(self), dataclasses.astuple(other), strict=True)))


@dataclass(frozen=True)
class InputCount:
    """What one file (and sheet, "" for a text file) gave to one export, and which standard columns it has."""

    export: str
    sheet: str
    counted: Counted
    columns: tuple[str, ...] = ()


@dataclass(frozen=True)
class Input:
    """One file that was read; its role is `export`, `control totals` or `general ledger`."""

    file: str
    role: str
    sha256: str
    size: int
    encoding: str
    delimiter: str
    counts: tuple[InputCount, ...]


def counted_inputs(exports: Exports, as_of: date | None) -> tuple[Input, ...]:
    """Every file that was read but the column map, with its counts; rows dated after the as-of date count as set aside.

    Without an as-of date none is set aside.
    """
    aside = {} if as_of is None else _set_aside(exports.tables, as_of)

    def one(file: str, count: SourceCount) -> InputCount:
        rows, cents = aside.get((count.export, file, count.sheet), (0, 0))
        same = {f.name: getattr(count, f.name) for f in dataclasses.fields(Counted) if not f.name.endswith("set_aside")}
        return InputCount(count.export, count.sheet, Counted(**same, set_aside=rows, cents_set_aside=cents), count.columns)

    return tuple(
        Input(s.file, s.role, s.sha256, s.size, s.encoding, s.delimiter, tuple(one(s.file, c) for c in s.counts))
        for s in exports.sources
        if s.role != "column map"
    )


def _set_aside(tables: Mapping[str, pd.DataFrame], as_of: date) -> dict[tuple[str, str, str], tuple[int, int]]:
    """Rows and cents dated after the as-of date, per export, file and sheet; a plan's lines by the day it was enrolled."""
    import pandas as pd  # noqa: PLC0415 (reading an earlier audit needs no tables)

    found: dict[tuple[str, str, str], tuple[int, int]] = {}
    for name, table in tables.items():
        later = table[table[EXPORTS[name].dated_by] > pd.Timestamp(as_of)]
        for (file, sheet), cents in later.groupby(["file", "sheet"], sort=True)["amount"]:
            found[name, str(file), str(sheet)] = (len(cents), int(cents.sum()))
    return found


def totals(inputs: Iterable[Input]) -> dict[str, Counted]:
    """Rows and cents per export over all files, in the order of the exports; every export stands in it.

    Rows of a mixed file that belong to no export stand last, under the name that intake gives them.
    """
    sums = dict.fromkeys(EXPORTS, Counted())
    for source in inputs:
        for count in source.counts:
            sums[count.export] = sums.get(count.export, Counted()) + count.counted
    return sums
