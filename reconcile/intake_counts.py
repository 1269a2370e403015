"""Counting what was read, so that nothing is lost in silence: each row of each input is accepted, rejected or already read.

The counts stand in the audit of every run, in rows and in cents, and serve three checks: the source system's own control totals, the
previous run's number of rows, and the equation that every file must meet: read = accepted + rejected + already read.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reconcile.control_totals import Counted
from reconcile.intake_batch import ACCEPTED, COPY, REJECTED, REPLACED, Batch
from reconcile.intake_files import FileRead, SheetRead
from reconcile.intake_rows import NOT_ROUTED, Part
from reconcile.money import percent_text
from reconcile.schemas import EXPORTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from reconcile.column_map import ColumnMap


@dataclass(frozen=True)
class SourceCount:
    """Rows and cents of one export in one sheet: read = accepted + rejected + already read, in rows and in cents.

    Cents are those of the amounts that could be read, with the sign of the export; `unreadable` counts the rejected rows without one.
    Rows of totals and blank rows are no rows of the export; they are counted once a sheet, with its first export.
    """

    export: str
    sheet: str
    rows_read: int
    accepted: int
    rejected: int
    already_read: int
    foot_rows: int
    cents_read: int
    cents_accepted: int
    cents_rejected: int
    cents_already_read: int
    unreadable: int = 0
    blank_rows: int = 0
    replaced: int = 0
    """How many of the rows already read are anticipated aid that a disbursed row replaced (the others are copies)."""
    columns: tuple[str, ...] = ()
    """The standard columns of the export that the sheet has."""


@dataclass(frozen=True)
class SourceFile:
    """One input of the run: its name within EXPORTS, the SHA-256 of its bytes in hexadecimal, its size in bytes, and what was counted."""

    file: str
    sha256: str
    size: int
    encoding: str = ""
    delimiter: str = ""
    counts: tuple[SourceCount, ...] = ()
    role: str = "export"
    """`export`, `control totals`, `general ledger` or `column map`."""


def rows_by_export(sources: Iterable[SourceFile]) -> dict[str, int]:
    """How many rows each export had, each row once however many files held it: what the next run compares itself with."""
    rows = dict.fromkeys(EXPORTS, 0)
    for source in sources:
        for count in source.counts:
            if count.export in rows:
                rows[count.export] += count.rows_read - count.already_read
    return rows


def columns_by_export(sources: Iterable[SourceFile]) -> dict[str, frozenset[str]]:
    """The standard columns that some file of each export has, for the next run too; an export without a file is left out."""
    found: dict[str, frozenset[str]] = {}
    for source in sources:
        for count in source.counts:
            if count.export in EXPORTS:
                found[count.export] = found.get(count.export, frozenset()).union(count.columns)
    return found


def source_of(read: FileRead, batches: Mapping[str, Batch]) -> SourceFile:
    """One file of exports with what became of its rows, for each sheet and export in it."""
    counts: list[SourceCount] = []
    for sheet in read.sheets:
        for number, part in enumerate(sheet.parts):
            foot, blank = (sheet.foot_rows, sheet.blank_rows) if number == 0 else (0, 0)
            counted = _count(part, _standing(part, batches), foot, blank)
            counts.append(dataclasses.replace(counted, columns=sheet.columns.get(part.export, ())))
    first = read.sheets[0] if read.sheets else SheetRead("", "", "")
    return SourceFile(read.file.name, read.sha256, read.size, first.encoding, first.delimiter, tuple(counts))


def _standing(part: Part, batches: Mapping[str, Batch]) -> NDArray[np.int8]:
    """What became of each row of a part; rows of no export are all rejected."""
    if part.export == NOT_ROUTED:
        return np.full(len(part.rows), REJECTED, dtype=np.int8)
    batch = batches[part.export]
    number = next(i for i, other in enumerate(batch.parts) if other is part)
    first, after = np.searchsorted(batch.part, [number, number + 1])
    return np.asarray(batch.standing[first:after], dtype=np.int8)


def _count(part: Part, standing: NDArray[np.int8], foot: int, blank: int) -> SourceCount:
    rejected, again = standing == REJECTED, (standing == COPY) | (standing == REPLACED)
    accepted = standing == ACCEPTED

    return SourceCount(
        part.export,
        part.sheet,
        rows_read=len(part.rows),
        accepted=int(accepted.sum()),
        rejected=int(rejected.sum()),
        already_read=int(again.sum()),
        foot_rows=foot,
        cents_read=int(part.cents.sum()),
        cents_accepted=int(part.cents[accepted].sum()),
        cents_rejected=int(part.cents[rejected].sum()),
        cents_already_read=int(part.cents[again].sum()),
        unreadable=int((rejected & ~part.cents_known).sum()),
        blank_rows=blank,
        replaced=int((standing == REPLACED).sum()),
    )


def counted_once(batches: Mapping[str, Batch], column_map: ColumnMap) -> dict[str, Counted]:
    """Rows and amounts as the source systems would count them: copies once, replaced rows too, in the sign of the file."""
    counted = {}
    for name, batch in batches.items():
        once = batch.standing != COPY
        cents = sum(int(p.cents[_standing(p, batches) != COPY].sum()) for p in batch.parts)
        known = np.concatenate([p.cents_known for p in batch.parts]) if batch.parts else np.empty(0, dtype=np.bool_)
        sign = -1 if column_map.of(name).reverse_sign else 1
        counted[name] = Counted(int(once.sum()), sign * cents, int((once & ~known).sum()))
    return counted


def far_fewer_rows(now: Mapping[str, int], before: Mapping[str, int], drop_percent: int) -> list[str]:
    """Exports with far fewer rows than in the previous run; drop_percent in hundredths of a percent."""
    return [
        f"{name} has {now[name]:,} {'row' if now[name] == 1 else 'rows'}; the previous run had {before[name]:,}. That is a drop of more "
        f"than the {percent_text(drop_percent)} percent that the rules allow. "
        "Export it again in full, or accept the drop with --accept-drop."
        for name in EXPORTS
        if name in now and now[name] * 10_000 < before.get(name, 0) * (10_000 - drop_percent)
    ]
