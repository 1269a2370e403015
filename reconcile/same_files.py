"""The same file given twice, byte for byte: a download saved again, most often.

Rows with a reference come to no harm: each is one event however often it is read. Rows without one would all be asked about, thousands of
them, where one sentence will do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.intake_rows import NOT_ROUTED

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from reconcile.column_map import ColumnMap
    from reconcile.intake_files import FileRead
    from reconcile.intake_rows import Part


def without_twins(reads: Sequence[FileRead], column_map: ColumnMap) -> tuple[list[FileRead], list[str]]:
    """Leave out each file that is another one again and whose rows nobody could tell from events of their own.

    In:      the files in order; the map, for what it says of files that overlap.
    Out:     the files that are left, and a sentence for each set of equal files, which refuses the run. Files of which every row has a
             reference, or of which the map says whether they overlap, stay.
    """
    alike: dict[tuple[str, tuple[str, ...]], list[FileRead]] = {}
    for read in reads:
        alike.setdefault((read.sha256, read.file.kinds), []).append(read)
    twins = [group for group in alike.values() if len(group) > 1 and _is_asked_about(group[0], column_map)]
    gone = {read.file.name for group in twins for read in group[1:]}
    return [read for read in reads if read.file.name not in gone], [_sentence(group) for group in twins]


def same_bytes(reads: Iterable[FileRead]) -> list[str]:
    """A note for each file that is an earlier one again."""
    first: dict[str, str] = {}
    notes = []
    for read in reads:
        name = first.setdefault(read.sha256, read.file.name)
        if name != read.file.name and read.sha256:
            notes.append(f"{read.file.name} is the same file as {name}, byte for byte.")
    return notes


def _is_asked_about(read: FileRead, column_map: ColumnMap) -> bool:
    parts = [part for sheet in read.sheets for part in sheet.parts if part.export != NOT_ROUTED]
    return any(column_map.of(part.export).files_overlap is None and _has_bare_rows(part) for part in parts)


def _has_bare_rows(part: Part) -> bool:
    """Whether some row that could be read has no reference."""
    if "reference" not in part.columns:
        return not part.rejected.all()
    bare = pc.equal(part.columns["reference"], "").to_numpy(zero_copy_only=False)
    return bool(np.any(bare & ~part.rejected))


def _sentence(group: Sequence[FileRead]) -> str:
    names = [read.file.name for read in group]
    cure = "remove one" if len(names) == 2 else "remove all but one"
    return f"{', '.join(names[:-1])} and {names[-1]} are the same file, byte for byte: {cure}."
