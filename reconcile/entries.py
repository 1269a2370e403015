"""Every accepted row with the one bucket it ended in: what a student's story, a trace and the proof read."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.schemas import DTYPES, EXPORTS, OUTPUTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reconcile.as_of import Dated

_DATE = {"charges": "posted_on", "aid": "posted_on", "plan_schedules": "draw_date", "cleared_draws": "settled_on", "postings": "posted_on"}
_STATUS = {"aid": "status", "plan_schedules": "line_status", "cleared_draws": "outcome", "postings": "kind"}
_FROM_COUNTING = ("student_id", "term", "plan_id", "line", "match", "undoes")


def entries_table(dated: Mapping[str, Dated], found: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """One row per accepted row of every export, each in one bucket.

    In:      dated: all accepted rows per export; found: per export, for the counting rows in order, `bucket` and, where the run knows
             better than the file, student_id, term, plan_id, line, match, undoes.
    Out:     OUTPUTS["entries"], in the order of exports, file, sheet, row; cents keep the sign of the export.
    Keeps:   rows and cents of each export.
    """
    columns = [column.name for column in OUTPUTS["entries"]]
    parts = [_one_export(name, dated[name], found[name])[columns] for name in EXPORTS]
    table = pd.concat(parts, ignore_index=True)
    return table.astype({column.name: DTYPES[column.kind] for column in OUTPUTS["entries"]})


def _one_export(name: str, dated: Dated, found: pd.DataFrame) -> pd.DataFrame:
    rows = dated.rows
    counts = np.flatnonzero((dated.aside == "").to_numpy(dtype=bool))
    bucket = dated.aside.to_numpy(dtype=object).copy()
    bucket[counts] = found["bucket"].to_numpy(dtype=object)
    table = {
        "export": pd.Series(name, index=rows.index, dtype="str"),
        "file": rows["file"],
        "sheet": rows["sheet"],
        "row": rows["row"],
        "date": rows[_DATE[name]],
        "cents": rows["amount"],
        "status": rows[_STATUS[name]] if name in _STATUS else "",
        "reference": rows["reference"] if "reference" in rows.columns else "",
        "bucket": pd.Series(bucket, index=rows.index, dtype="str"),
    }
    for column in _FROM_COUNTING:
        values = rows[column].to_numpy(dtype=object).copy() if column in rows.columns else np.full(len(rows), "", dtype=object)
        if column in found.columns:
            values[counts] = found[column].to_numpy(dtype=object)
        table[column] = pd.Series(values, index=rows.index, dtype="str")
    return pd.DataFrame(table, index=rows.index).sort_values(["file", "sheet", "row"], kind="stable")
