"""Every accepted row with the one bucket it ended in: what a student's story, a trace and the proof read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.schemas import DTYPES, EXPORTS, OUTPUTS
from reconcile.texts import UNKNOWN, distinct, in_order, is_word, picked, positions, words

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reconcile.as_of import Dated
    from reconcile.events import Ints

_DATE = {"charges": "posted_on", "aid": "posted_on", "plan_schedules": "draw_date", "cleared_draws": "settled_on", "postings": "posted_on"}
_STATUS = {"aid": "status", "plan_schedules": "line_status", "cleared_draws": "outcome", "postings": "kind"}
_FROM_COUNTING = ("student_id", "term", "plan_id", "line", "match", "undoes", "parts")


def entries_table(dated: Mapping[str, Dated], found: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """One row per accepted row of every export, each in one bucket.

    In:      dated: all accepted rows per export; found: per export, for the counting rows in order, `bucket` and, where the run knows
             better than the file, student_id, term, plan_id, line, match, undoes, parts.
    Out:     OUTPUTS["entries"], in the order of exports, student, file, sheet, row; cents keep the sign of the export.
    Keeps:   rows and cents of each export.
    """
    columns = [column.name for column in OUTPUTS["entries"]]
    parts = [_one_export(name, dated[name], found[name])[columns] for name in EXPORTS]
    table = pd.concat(parts, ignore_index=True)
    return table.astype({column.name: DTYPES[column.kind] for column in OUTPUTS["entries"]})


def _one_export(name: str, dated: Dated, found: pd.DataFrame) -> pd.DataFrame:
    rows = dated.rows.reset_index(drop=True)
    counts = np.flatnonzero(is_word(dated.aside, ""))
    where = np.full(len(rows), UNKNOWN, dtype=np.int64)
    where[counts] = np.arange(len(counts))
    empty = words(np.zeros(len(rows), dtype=np.int8), [""])
    table = {
        "export": words(np.zeros(len(rows), dtype=np.int8), [name]),
        "file": rows["file"],
        "sheet": rows["sheet"],
        "row": rows["row"],
        "date": rows[_DATE[name]],
        "cents": rows["amount"],
        "status": rows[_STATUS[name]] if name in _STATUS else empty,
        "reference": rows["reference"] if "reference" in rows.columns else empty,
        "bucket": picked(found["bucket"], where, dated.aside),
    }
    for column in _FROM_COUNTING:
        given = rows[column] if column in rows.columns else empty
        table[column] = picked(found[column], where, given) if column in found.columns else given
    if in_order(table["student_id"]):
        return pd.DataFrame(table, copy=False)
    order = _by_student(table["student_id"])
    moved = {column: cells if _says_one_thing(cells) else cells.take(order).reset_index(drop=True) for column, cells in table.items()}
    return pd.DataFrame(moved, copy=False)


def _says_one_thing(cells: pd.Series) -> bool:
    """Whether all cells hold the same text, as those of the file's name often do: no order of them changes the column."""
    return cells.dtype == "str" and bool(is_word(cells, str(cells.iloc[0])).all())


def _by_student(student: pd.Series) -> Ints:
    """Row positions in the order of student, file, sheet and row; accepted rows come in the order of file, sheet and row."""
    return np.asarray(np.argsort(positions(distinct([student]), student), kind="stable"), dtype=np.int64)
