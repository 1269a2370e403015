"""Every accepted row with the one bucket it ended in: what a student's story, a trace and the proof read.

There are as many entries as accepted rows, and half of their columns hold a few words each. So the table is an arrow table: a column of few
words is a dictionary of them and a small number in each row, which costs a fraction of the text to make, to send and to write.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.schemas import DTYPES, EXPORTS, OUTPUTS
from reconcile.texts import arrow_text, codes_of, distinct, in_order, is_word, positions, text_series

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from reconcile.as_of import Dated
    from reconcile.events import Ints

FEW_WORDS: Final = frozenset({"export", "file", "sheet", "term", "line", "status", "bucket", "match", "undoes", "parts"})
"""Columns of which few cells differ; a dictionary of the other texts would be as long as they are."""

_WORD: Final = pa.dictionary(pa.int32(), pa.large_string())
_DATE: Final = {name: export.dated_by for name, export in EXPORTS.items()} | {"plan_schedules": "draw_date"}
_STATUS: Final = {"aid": "status", "plan_schedules": "line_status", "cleared_draws": "outcome", "postings": "kind"}
_FROM_COUNTING: Final = ("student_id", "term", "plan_id", "line", "match", "undoes", "parts")


def entries_table(dated: Mapping[str, Dated], found: Mapping[str, Mapping[str, pd.Series]]) -> pa.Table:
    """One row per accepted row of every export, each in one bucket.

    In:      dated: all accepted rows per export; found: per export, for the counting rows in order, `bucket` and, where the run knows
             better than the file, student_id, term, plan_id, line, match, undoes, parts.
    Out:     the columns of OUTPUTS["entries"], in the order of exports, student, file, sheet, row; cents keep the sign of the export.
             The texts of FEW_WORDS are dictionaries; `export` is the number of the export among EXPORTS.
    Keeps:   rows and cents of each export.
    """
    return pa.concat_tables([_one_export(name, dated[name], found[name]) for name in EXPORTS]).unify_dictionaries()


def entries_frame(tables: Sequence[pa.Table]) -> pd.DataFrame:
    """Entries, one table after the other, as OUTPUTS["entries"] declares them."""
    whole = pa.concat_tables(tables).combine_chunks()
    table = {}
    for column in OUTPUTS["entries"]:
        array = whole.column(column.name).combine_chunks()
        if column.kind == "count":
            table[column.name] = pd.Series(array.to_numpy())
        elif column.kind == "date":
            table[column.name] = pd.Series(array.to_numpy(zero_copy_only=False).astype(DTYPES["date"]))
        else:
            table[column.name] = text_series(array)
    return pd.DataFrame(table, copy=False)


def slices_of_entries(entries: Sequence[pa.Table]) -> list[pa.Table]:
    """The entries of all parts in the order of exports; each part's table is in that order."""
    bounds = []
    for part in entries:
        numbers = [chunk.indices.to_numpy() for chunk in part.column("export").chunks]
        bounds.append(np.searchsorted(np.concatenate([np.array([], dtype=np.int32), *numbers]), range(len(EXPORTS) + 1)))
    return [
        part.slice(at[n], at[n + 1] - at[n])
        for n in range(len(EXPORTS))
        for part, at in zip(entries, bounds, strict=True)
        if at[n] < at[n + 1]
    ]


def sums_by_bucket(entries: pa.Table) -> dict[str, dict[str, int]]:
    """Cents by export and bucket."""
    added: dict[str, dict[str, int]] = {name: {} for name in EXPORTS}
    for part, name in zip(slices_of_entries([entries]), _exports_in(entries), strict=True):
        cents = part.column("cents").combine_chunks().to_numpy()
        bucket = part.column("bucket").combine_chunks()
        codes = bucket.indices.to_numpy()
        for code, word in enumerate(bucket.dictionary.to_pylist()):
            which = codes == code
            if which.any():
                added[name][word] = int(cents[which].sum())
    return added


def _exports_in(entries: pa.Table) -> list[str]:
    return sorted((name.as_py() for name in pc.unique(entries.column("export").cast(pa.large_string()))), key=list(EXPORTS).index)


def _one_export(name: str, dated: Dated, found: Mapping[str, pd.Series]) -> pa.Table:
    rows, count = dated.rows, len(dated.rows)
    counts = is_word(dated.aside, "")
    where = None if counts.all() else np.where(counts, np.cumsum(counts) - 1, -1)
    table: dict[str, pa.Array] = {
        "export": _one_word(count, list(EXPORTS), list(EXPORTS).index(name)),
        "row": pa.array(rows["row"].to_numpy()),
        "date": pa.array(rows[_DATE[name]].to_numpy().astype("datetime64[D]")),
        "cents": pa.array(rows["amount"].to_numpy()),
        "bucket": _picked(found["bucket"], where, dated.aside, few=True),
    }
    given: dict[str, Any] = {"status": _STATUS.get(name, ""), "file": "file", "sheet": "sheet", "reference": "reference"}
    for column, source in given.items():
        table[column] = _texts(rows[source], column in FEW_WORDS) if source in rows.columns else _nothing(count, column)
    for column in _FROM_COUNTING:
        if column in found:
            table[column] = _picked(found[column], where, rows.get(column), few=column in FEW_WORDS)
        else:
            table[column] = _texts(rows[column], column in FEW_WORDS) if column in rows.columns else _nothing(count, column)
    columns = [column.name for column in OUTPUTS["entries"]]
    whole = pa.table([table[column] for column in columns], names=columns)
    student = text_series(table["student_id"])
    return whole if in_order(student) else whole.take(pa.array(_by_student(student)))


def _texts(texts: pd.Series, few: bool) -> pa.Array:
    if not few:
        return arrow_text(texts)
    codes, different = codes_of(texts)
    return pa.DictionaryArray.from_arrays(pa.array(codes), different)


def _picked(texts: pd.Series, where: Ints | None, otherwise: pd.Series | None, *, few: bool) -> pa.Array:
    """What was found of each row that counts, and what the file holds of the others (nothing if it has no such column)."""
    if where is None:
        return _texts(texts, few)
    unknown = where < 0
    rest = pa.scalar("", pa.large_string()) if otherwise is None else arrow_text(otherwise)
    held = pc.if_else(pa.array(unknown), rest, arrow_text(texts).take(pa.array(where, mask=unknown)))
    return held.dictionary_encode() if few else held


def _one_word(count: int, names: list[str], code: int = 0) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(pa.array(np.full(count, code, dtype=np.int32)), pa.array(names, pa.large_string()))


def _nothing(count: int, column: str) -> pa.Array:
    return _one_word(count, [""]) if column in FEW_WORDS else pa.repeat(pa.scalar("", pa.large_string()), count)


def _by_student(student: pd.Series) -> NDArray[np.int64]:
    """Row positions in the order of student, file, sheet and row; accepted rows come in the order of file, sheet and row."""
    return np.asarray(np.argsort(positions(distinct([student]), student), kind="stable"), dtype=np.int64)


__all__ = ["FEW_WORDS", "entries_frame", "entries_table", "slices_of_entries", "sums_by_bucket"]
