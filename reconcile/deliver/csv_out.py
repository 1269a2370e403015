r"""Writes the data files of a run: CSV that a person may open in a spreadsheet, and Parquet that other programs read.

An export can carry anything in its text: a name that starts with `=`, a line break, a character that turns the reading direction round.
A spreadsheet runs a cell that starts with `= + - @` as a formula, so text like that gets an apostrophe in front; money and counts are
ours, worked out and not copied, and stay numbers with their minus sign.

    >>> plain_text("=1+1"), plain_text("  @SUM(A1)"), plain_text("Smith\tJ")
    ("'=1+1", "'  @SUM(A1)", 'Smith J')
    >>> csv_cell('He said "no", twice'), csv_cell("00123")
    ('"He said ""no"", twice"', '00123')

CSV: UTF-8 without a byte order mark, one heading row, `\n` line ends, quotes only where RFC 4180 needs them, money with two places from
whole cents, dates as 2026-10-15, absent dates and texts empty. The bytes depend on the table alone, so they are equal on any machine.
Parquet: text unchanged, money as decimal, dates as days. Its bytes are equal for the same release of pyarrow (which writes its name into
the file); the audit therefore says which release wrote it.
"""

from __future__ import annotations

import re
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
from pyarrow import csv as arrow_csv

from reconcile import schemas
from reconcile.entries import FEW_WORDS
from reconcile.guards import guarded, runs

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import pandas as pd
    from numpy.typing import NDArray

ROWS_AT_A_TIME: Final = 65_536
ROW_GROUP: Final = 131_072
SECONDS_A_DAY: Final = 86_400
PARQUET: Final = frozenset({"entries"})
"""The tables that only programs read."""
SOUGHT: Final = frozenset({"export", "student_id", "plan_id", "date"})
"""Columns by which rows are sought: a reader passes over the row groups whose least and largest cell are beyond what it seeks."""
IN_DICTIONARIES: Final = (*sorted(FEW_WORDS), "date")
"""Columns of which a Parquet file holds each different cell once a row group, and a number in each row."""

_ARROW: Final = {"money": pa.decimal128(21, 2), "count": pa.int64(), "date": pa.date32()}
"""What a column of a kind is in arrow; all others are texts."""

_BREAKS: Final = re.compile("\r\n|[\t\n\x0b\x0c\r\x85\u2028\u2029]")
_CONTROLS: Final = re.compile("[\x00-\x1f\x7f-\x9f\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
_NEEDS_QUOTES: Final = re.compile('[",\r\n]')


def without_controls(text: str) -> str:
    """The text on one line: breaks and tabs become a space, other control and direction characters a visible replacement character."""
    return _CONTROLS.sub("\ufffd", _BREAKS.sub(" ", text))


def plain_text(text: str) -> str:
    """The text as a spreadsheet may show it: on one line, and with an apostrophe where it would otherwise run as a formula.

    A formula after a semicolon is guarded as well: where a semicolon parts the cells, a spreadsheet would start a new cell there.
    """
    if text.isascii() and text.isprintable():  # as almost all are: nothing to replace
        return guarded(text)
    shown = guarded(without_controls(text))
    return shown if shown.startswith("'") or not runs(text) else f"'{shown}"


def csv_cell(text: str) -> str:
    """The text as it stands between the commas of a CSV line."""
    text = plain_text(text)
    return '"' + text.replace('"', '""') + '"' if _NEEDS_QUOTES.search(text) else text


def write_table(table: pd.DataFrame, columns: tuple[schemas.Column, ...], path: Path) -> None:
    """Write a table as CSV to a file that does not exist yet.

    In:      exactly the declared columns in the declared order and types (money in int64 cents).
    Errors:  ValueError if the table is not of that shape (a fault of ours), FileExistsError if the file is there.
    """
    arrays = _arrays(table, columns)
    with path.open("xb") as file:
        file.write(_heading(columns))
        _write_body(arrays, file)


def write_rows(table: pd.DataFrame, columns: tuple[schemas.Column, ...], path: Path) -> None:
    """Write the rows of a table as `write_table` does, without the heading row: a piece of a file that `join_pieces` puts together."""
    arrays = _arrays(table, columns)
    with path.open("xb") as file:
        _write_body(arrays, file)


def csv_lines(table: pd.DataFrame, columns: tuple[schemas.Column, ...]) -> pa.LargeStringArray:
    """The rows of a table as the lines of its file, each with its line end, for whoever puts them in order later.

    In, Errors: as `write_table`.
    """
    arrays = _arrays(table, columns)
    starts = range(0, max(1, len(table)), ROWS_AT_A_TIME)
    return pa.concat_arrays([_lines([_as_cells(array.slice(start, ROWS_AT_A_TIME), c) for c, array in arrays]) for start in starts])


def join_pieces(pieces: Sequence[Path | pa.LargeStringArray], columns: tuple[schemas.Column, ...], path: Path) -> None:
    """Write a file that does not exist yet from its heading row and the pieces in their order.

    In:      what `write_rows` wrote, each file removed once it is in; or lines of `csv_lines`.
    """
    with path.open("xb") as file:
        file.write(_heading(columns))
        for piece in pieces:
            if not isinstance(piece, Path):
                file.write(_text_of(piece))
                continue
            with piece.open("rb") as rows:
                shutil.copyfileobj(rows, file, 1 << 20)
            piece.unlink()


def _heading(columns: tuple[schemas.Column, ...]) -> bytes:
    return (",".join(csv_cell(c.name) for c in columns) + "\n").encode("utf-8")


def _arrays(table: pd.DataFrame, columns: tuple[schemas.Column, ...]) -> list[tuple[schemas.Column, pa.Array]]:
    _refuse_other_shape(table, columns)
    return [(c, _typed(table[c.name], c)) for c in columns]


def _write_body(arrays: list[tuple[schemas.Column, pa.Array]], file: BinaryIO) -> None:
    for start in range(0, len(arrays[0][1]), ROWS_AT_A_TIME):
        cells = [_as_cells(array.slice(start, ROWS_AT_A_TIME), c) for c, array in arrays]
        file.write(_plain_text_of(cells) or _text_of(_lines(cells)))


def write_parquet(table: pd.DataFrame, columns: tuple[schemas.Column, ...], path: Path) -> None:
    """Write a table as Parquet to a file that does not exist yet; text is kept as it is, for programs.

    In:      exactly the declared columns in the declared order and types (money in int64 cents).
    Errors:  ValueError if the table is not of that shape (a fault of ours), FileExistsError if the file is there.
    """
    write_parquet_slices([pa.table({c.name: array for c, array in _arrays(table, columns)})], columns, path)


def write_parquet_slices(slices: Sequence[pa.Table], columns: tuple[schemas.Column, ...], path: Path) -> None:
    """Write the table that slices make up, one after the other, as Parquet to a file that does not exist yet.

    In:      exactly the declared columns in the declared order, as arrow types; texts may be dictionaries.
    Keeps:   the bytes depend neither on where the table is cut nor on how its dictionaries are made up.
    Errors:  ValueError if the table is not of that shape (a fault of ours), FileExistsError if the file is there.
    """
    whole = pa.concat_tables(slices).unify_dictionaries()
    _refuse_other_arrays(whole, columns)
    with path.open("xb") as file:
        writer = pq.ParquetWriter(
            file,
            whole.schema,
            compression="zstd",
            compression_level=3,
            version="2.6",
            data_page_version="1.0",
            store_schema=False,
            write_statistics=[name for name in whole.column_names if name in SOUGHT],
            use_dictionary=[name for name in whole.column_names if name in IN_DICTIONARIES],
            column_encoding={c.name: "DELTA_BINARY_PACKED" for c in columns if c.kind == "count"},  # rows follow each other
        )
        with writer:
            for start in range(0, max(1, len(whole)), ROW_GROUP):
                group = whole.slice(start, ROW_GROUP)
                as_met = [_as_met(column) if pa.types.is_dictionary(column.type) else column for column in group.columns]
                writer.write_table(pa.table(as_met, names=group.column_names).combine_chunks(), row_group_size=ROW_GROUP)


def _as_met(column: pa.ChunkedArray) -> pa.DictionaryArray:
    """The texts with the dictionary that a writer makes of plain text: what the column holds, in the order in which it is met."""
    held = column.combine_chunks()
    codes = held.indices.to_numpy()
    if len(codes) and codes.min() == codes.max():  # as most columns of few words are over a whole row group
        return pa.DictionaryArray.from_arrays(np.zeros(len(codes), dtype=np.int32), held.dictionary.slice(codes[0], 1))
    used = pc.unique(held.indices)
    anew = np.zeros(len(held.dictionary), dtype=np.int32)
    anew[used.to_numpy()] = np.arange(len(used))
    return pa.DictionaryArray.from_arrays(pa.array(anew[codes]), held.dictionary.take(used))


def write_data_files(
    tables: Mapping[str, pd.DataFrame],
    folder: Path,
    kind: str = "daily",
    pieces: Mapping[str, Sequence[Path | pa.Array]] | None = None,
    then: Callable[[Path], object] = str,
) -> tuple[str, ...]:
    """Write every table that `schemas.OUTPUTS` declares for the kind of run into the folder; gives the file names.

    `entries` is written as Parquet, the others as CSV.
    In:      `pieces`: for tables whose rows were written already, the pieces of the file in their order; a Parquet file is one piece.
             `then`: what is to be done with each file once it is there, beside the writing of others.
    Errors:  ValueError if a declared table is missing, if there is one too many, or if one is not of its shape (all a fault of ours).
    """
    declared = schemas.outputs_of(kind)
    if set(tables) != set(declared):
        raise ValueError(f"the run gave the tables {sorted(tables)}, declared are {sorted(declared)}")
    names = {name: f"{name}.parquet" if name in PARQUET else f"{name}.csv" for name in declared}

    def write(name: str) -> None:
        columns, path = schemas.OUTPUTS[name], folder / names[name]
        slices = getattr(tables, "entries_in_slices", ()) if name in PARQUET else ()
        if pieces and name in pieces and name in PARQUET:
            (whole,) = pieces[name]
            shutil.move(whole, path)
        elif pieces and name in pieces:
            join_pieces(pieces[name], columns, path)
        elif slices:
            write_parquet_slices(slices, columns, path)
        else:
            (write_parquet if name in PARQUET else write_table)(tables[name], columns, path)
        then(path)

    # The Parquet file beside the CSV files; a thread more, since one may only wait for what another process writes.
    with ThreadPoolExecutor(max_workers=3) as writers:
        written = [writers.submit(write, name) for name in sorted(declared, key=lambda name: name not in PARQUET)]
        for one in written:
            one.result()
    return tuple(names.values())


def _refuse_other_shape(table: pd.DataFrame, columns: tuple[schemas.Column, ...]) -> None:
    names = tuple(c.name for c in columns)
    if tuple(table.columns) != names:
        raise ValueError(f"the table has the columns {tuple(table.columns)}, declared are {names}")
    wrong = [
        f"{c.name} is {table[c.name].dtype}, not {schemas.DTYPES[c.kind]}"
        for c in columns
        if str(table[c.name].dtype) != schemas.DTYPES[c.kind]
    ]
    if wrong:
        raise ValueError("; ".join(wrong))


def _refuse_other_arrays(table: pa.Table, columns: tuple[schemas.Column, ...]) -> None:
    if table.column_names != [c.name for c in columns]:
        raise ValueError(f"the table has the columns {table.column_names}, declared are {[c.name for c in columns]}")
    for c in columns:
        array = table.column(c.name)
        held = array.type.value_type if pa.types.is_dictionary(array.type) else array.type
        if held != _ARROW.get(c.kind, pa.large_string()):
            raise ValueError(f"{c.name} is {held}, not {_ARROW.get(c.kind, pa.large_string())}")
        if c.kind != "date" and array.null_count:
            raise ValueError(f"{c.name} has {array.null_count} missing texts or numbers")


def _typed(series: pd.Series[Any], column: schemas.Column) -> pa.Array:
    """The column as an arrow array: decimal with two places for money, int64 for counts, date32 for dates, large strings for text."""
    if column.kind == "money":
        return _decimals(series.to_numpy())
    if column.kind == "count":
        return pa.array(series.to_numpy())
    if column.kind == "date":
        return _days(series.to_numpy(), column.name)
    text = pa.array(series.array, from_pandas=True)
    if isinstance(text, pa.ChunkedArray):
        text = text.combine_chunks()
    if text.null_count:
        raise ValueError(f"{column.name} has {text.null_count} missing texts; an absent text is an empty one")
    return text.cast(pa.large_string())


def _decimals(cents: NDArray[np.int64]) -> pa.Array:
    """Whole cents as decimals with two places, without a float in between: the low and the high half of each 128-bit number."""
    halves = np.empty((len(cents), 2), dtype="<i8")
    halves[:, 0] = cents
    halves[:, 1] = cents >> 63
    return pa.Array.from_buffers(pa.decimal128(21, 2), len(cents), [None, pa.py_buffer(halves)])


def _days(dates: NDArray[np.datetime64], name: str) -> pa.Array:
    absent = np.isnat(dates)
    seconds = np.where(absent, 0, dates.astype("datetime64[s]").astype(np.int64))
    if (seconds % SECONDS_A_DAY).any():
        raise ValueError(f"{name} holds a time of day; a date stands at midnight")
    return pa.array((seconds // SECONDS_A_DAY).astype(np.int32), mask=absent).cast(pa.date32())


def _as_cells(array: pa.Array, column: schemas.Column) -> pa.Array:
    if column.kind == "money" and _is_one_amount(array):
        return pa.repeat(array[0].cast(pa.large_string()), len(array))
    if column.kind in {"money", "count"}:
        return array.cast(pa.large_string())
    if column.kind == "date":
        different = array.dictionary_encode()
        return pc.fill_null(different.dictionary.cast(pa.large_string()).take(different.indices), "")
    return _text_cells(array)


def _is_one_amount(array: pa.Decimal128Array) -> bool:
    """Whether all amounts are the same, as zeros mostly are."""
    halves = np.frombuffer(array.buffers()[1], dtype="<i8")[2 * array.offset : 2 * (array.offset + len(array))].reshape(-1, 2)
    return bool(len(halves) and (halves == halves[0]).all())


def _text_cells(array: pa.LargeStringArray) -> pa.Array:
    """`csv_cell` of every text. Only texts in which it could change something go through it, each different one once."""
    odd = _odd(array)
    if not odd.any():
        return array
    mask = pa.array(odd)
    different = array.filter(mask).dictionary_encode()
    cells = pa.array([csv_cell(text) for text in different.dictionary.to_pylist()], pa.large_string())
    return pc.replace_with_mask(array, mask, cells.take(different.indices))


def _byte_table(characters: bytes) -> NDArray[np.bool_]:
    table = np.zeros(256, dtype=bool)
    table[np.frombuffer(characters, dtype=np.uint8)] = True
    return table


_ODD_ANYWHERE: Final = _byte_table(b'",;' + bytes(range(0x20)) + bytes(range(0x7F, 0x100)))
_ODD_FIRST: Final = _byte_table(b"=+-@ '")


def _odd(array: pa.LargeStringArray) -> NDArray[np.bool_]:
    """Which texts hold a byte that `csv_cell` may have to do something about (any byte outside plain ASCII counts)."""
    _, offset_buffer, data_buffer = array.buffers()
    offsets = np.frombuffer(offset_buffer, dtype=np.int64)[array.offset : array.offset + len(array) + 1]
    if data_buffer is None or offsets[0] == offsets[-1]:
        return np.zeros(len(array), dtype=bool)
    data = np.frombuffer(data_buffer, dtype=np.uint8)[offsets[0] : offsets[-1]]
    starts, ends = offsets[:-1] - offsets[0], offsets[1:] - offsets[0]
    odd: NDArray[np.bool_] = (ends > starts) & _ODD_FIRST[data[np.minimum(starts, len(data) - 1)]]
    at = np.flatnonzero(_ODD_ANYWHERE[data])
    odd[np.searchsorted(ends, at, side="right")] = True
    return odd


_PLAIN: Final = arrow_csv.WriteOptions(include_header=False, quoting_style="none", batch_size=8_192)


def _plain_text_of(cells: list[pa.Array]) -> pa.Buffer | None:
    """The lines of cells none of which has quotation marks around it, by arrow's own writer, which is faster; None for others."""
    lines = pa.BufferOutputStream()
    try:
        arrow_csv.write_csv(pa.table(cells, names=[str(at) for at in range(len(cells))]), lines, _PLAIN)
    except pa.ArrowInvalid:
        return None
    return lines.getvalue()


def _lines(cells: list[pa.Array]) -> pa.LargeStringArray:
    *others, last = cells
    last = pc.binary_join_element_wise(last, pa.scalar("\n", pa.large_string()), pa.scalar("", pa.large_string()))
    return pc.binary_join_element_wise(*others, last, pa.scalar(",", pa.large_string()))


def _text_of(lines: pa.LargeStringArray) -> memoryview | bytes:
    """The texts, one after the other."""
    _, offset_buffer, data_buffer = lines.buffers()
    offsets = np.frombuffer(offset_buffer, dtype=np.int64)[lines.offset : lines.offset + len(lines) + 1]
    return memoryview(data_buffer)[offsets[0] : offsets[-1]] if data_buffer is not None else b""
