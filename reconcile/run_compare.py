"""Where two files of the same run first differ, in words that a person can follow to the place: the row and the column."""

from __future__ import annotations

import csv
from itertools import zip_longest
from typing import TYPE_CHECKING, Any, Final

from reconcile.run_check import may_be_edited

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

NOTE: Final = "note: "
"""Stands before what is to be known and is no difference."""
_LIBRARY: Final = {".parquet": "pyarrow", ".pdf": "typst", ".xlsx": "xlsxwriter"}
SHOWN: Final = 60


def first_difference(run: Path, again: Path, file: str, said: Mapping[str, Any], other: Mapping[str, str]) -> Iterator[str]:
    """The first place in which a file of the run and the one made again differ, in a sentence.

    In:      both folders, the name of a file whose fingerprint in the audit differs from the new one; the run's audit; libraries that
             were of another release then.
    """
    one, two = run / file, again / file
    if not two.is_file():
        yield f"{file} is not made again from the same inputs"
    elif not any(f["file"] == file for f in said["outputs"]):
        yield f"{file} is made from the same inputs, and the run has no such file"
    elif file.endswith(".csv"):
        yield f"{file} is not what the same inputs give: {_cell(one, two)}"
    else:
        library = _LIBRARY.get(one.suffix, "")
        if library in other:
            yield from _other_release(one, two, file, library, other[library])
        else:
            yield f"{file} is not what the same inputs give"


def _other_release(one: Path, two: Path, file: str, library: str, release: str) -> Iterator[str]:
    """A file whose bytes depend on a library of another release: its rows are compared where it has rows, else nothing can be said."""
    if file.endswith(".parquet"):
        import pyarrow.parquet as pq  # type: ignore[import-untyped]  # noqa: PLC0415 (needed in this one case)

        if not pq.read_table(one).equals(pq.read_table(two)):
            yield f"{file} holds other rows than the same inputs give"
            return
        yield f"{NOTE}{file} was written by {library} {release}; here is another release, so its rows were compared, and are the same"
    elif not may_be_edited(file):
        yield f"{NOTE}{file} was written by {library} {release}; here is another release, so its bytes could not be compared"


def _cell(one: Path, two: Path) -> str:
    """The first cell in which two CSV files differ; rows are counted with the heading row, as a spreadsheet shows them."""
    with one.open(encoding="utf-8", newline="") as first, two.open(encoding="utf-8", newline="") as second:
        heading: list[str] = []
        for number, (was, now) in enumerate(zip_longest(csv.reader(first), csv.reader(second)), 1):
            heading = heading or list(was or now or ())
            if was is None or now is None:
                return f"row {number} is {'not in the run' if was is None else 'in the run alone'}"
            for at, (old, new) in enumerate(zip_longest(was, now, fillvalue="")):
                if old != new:
                    column = heading[at] if at < len(heading) else f"cell {at + 1}"
                    return f"row {number}, column {column}: the run has {_short(old)}, the same inputs give {_short(new)}"
    return "the same cells are written in other bytes"


def _short(text: str) -> str:
    return repr(text if len(text) <= SHOWN else text[:SHOWN] + "...")
