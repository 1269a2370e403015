"""Reads the tables of a run back from its folder: what the next run and a student's story start from.

Money comes back as whole cents, dates as dates, absent ones as NaT, text as it was before the file was written: without the apostrophe
that keeps a spreadsheet from running it.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
import pyarrow.csv as pacsv  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]

from reconcile import audit
from reconcile.closing_lines import PreviousClose
from reconcile.errors import RefusedError
from reconcile.guards import unguarded
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.standing import PreviousList

if TYPE_CHECKING:
    from pathlib import Path

    from reconcile.schemas import CellKind


def read_table(run: Path, name: str, student_id: str | None = None) -> pd.DataFrame:
    """One table of a run, shaped by OUTPUTS[name]; only one student's rows, if asked, the id as it stands in the file.

    Errors:  RefusedError if the file is missing or is not what a run writes.
    """
    columns = OUTPUTS[name]
    parquet = (run / f"{name}.parquet").is_file()
    path = run / (f"{name}.parquet" if parquet else f"{name}.csv")
    try:
        raw = pq.read_table(path) if parquet else _read_csv(path, [c.name for c in columns])
        if student_id is not None:
            raw = raw.filter(pc.equal(raw["student_id"].cast(pa.string()), student_id))
        return pd.DataFrame({c.name: _column(raw[c.name] if parquet else _unguarded(raw[c.name]), c.kind) for c in columns})
    except FileNotFoundError:
        raise RefusedError(f"{run} holds no {path.name}, so it is not the folder of a whole run. Check the path.") from None
    except (OSError, ValueError, KeyError, pa.ArrowException) as error:
        raise RefusedError(f"{path} cannot be read as a run writes it: restore that folder from a copy. ({type(error).__name__})") from None


def read_previous_list(run: Path) -> PreviousList | None:
    """The exceptions and dispositions of a run; None for a run that has none (one written before there was a list).

    Errors:  RefusedError as `read_table`.
    """
    if not (run / "exceptions.csv").is_file():
        return None
    log = read_table(run, "dispositions") if (run / "dispositions.csv").is_file() else None
    return PreviousList(read_table(run, "exceptions"), log)


def read_previous_close(run: Path) -> PreviousClose:
    """What a close opens from: the close before, as it was written.

    Errors:  RefusedError as `read_table`, or if the folder is no close.
    """
    known = audit.read_audit(run)
    if known["kind"] != "close":
        raise RefusedError(f"{run} is a daily run, and a close opens from a close. Name one with --previous-close.")
    return PreviousClose(
        name=run.resolve().name,
        as_of=date.fromisoformat(known["as_of"]),
        lines=read_table(run, "closing_lines"),
        rollforward=read_table(run, "rollforward"),
        entries=read_table(run, "entries"),
        run_hash=known["run_hash"],
    )


def _read_csv(path: Path, names: list[str]) -> pa.Table:
    return pacsv.read_csv(
        path,
        parse_options=pacsv.ParseOptions(newlines_in_values=True),
        convert_options=pacsv.ConvertOptions(
            column_types={name: pa.string() for name in names}, strings_can_be_null=False, include_columns=names
        ),
    )


def _unguarded(cells: pa.ChunkedArray) -> pa.ChunkedArray:
    """Texts without their guards; columns that hold no apostrophe are handed on as they are."""
    guarded = pc.match_substring(cells, "'")
    if not pc.any(guarded).as_py():
        return cells
    return pa.chunked_array([pa.array([unguarded(text) for text in cells.to_pylist()], pa.string())])


def _column(values: pa.ChunkedArray, kind: CellKind) -> pd.Series:
    """One column as its kind is held in memory."""
    if kind == "date":
        dates = values if pa.types.is_date(values.type) else pc.if_else(pc.equal(values, ""), None, values).cast(pa.date32())
        return pd.Series(dates.to_numpy().astype("datetime64[D]").astype("datetime64[s]"))
    if kind == "money":
        cents = pc.multiply(values.cast(pa.decimal128(21, 2)), pa.scalar(100, pa.decimal128(3, 0))).cast(pa.int64())
        return pd.Series(cents.to_numpy().astype(np.int64))
    if kind == "count":
        return pd.Series(values.cast(pa.int64()).to_numpy().astype(np.int64))
    return pd.Series(values.cast(pa.string()).to_pandas(), dtype=DTYPES[kind])
