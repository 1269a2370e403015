"""Rows dated in a month that was closed already, which that close did not have: they arrived late, and land in the month that reads them.

A closed month never changes. A bank file that comes after the close, a return that the bank dates back, a charge or posting entered with an
old date: each is told here and counted in this close. So is a row that the close before had read and that the exports no longer hold: its
money is missing in this month's figures, and somebody should know why.

Compared are bank events, charges and postings. Changes of plans have a table of their own; aid changes in place and is compared by nobody.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from reconcile.as_of import ENROLLED_LATER, LATER
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from reconcile.closing_lines import PreviousClose

COMPARED: Final = ("cleared_draws", "charges", "postings")
LATE, GONE = "late", "gone"

_ALIKE: Final = ["export", "date", "cents", "status", "reference", "whose", "of_term"]


def late_rows(entries: pd.DataFrame, previous: PreviousClose | None) -> pd.DataFrame:
    """List the rows of closed months that came late, and those that are gone.

    In:      entries of this run; the close before. Rows with a reference are the same row by that; others by student too.
    Out:     OUTPUTS["late_rows"]: `what` is late or gone; in the order of export, date, file, sheet and row.
    """
    columns = OUTPUTS["late_rows"]
    if previous is None:
        return pd.DataFrame({c.name: pd.Series(dtype=DTYPES[c.kind]) for c in columns})
    until = np.datetime64(previous.as_of, "s")
    now, was = _closed_rows(entries, until), _closed_rows(previous.entries, until)
    both = pd.concat([now.assign(what=LATE), was.assign(what=GONE)], ignore_index=True)
    side = both["what"] == LATE
    turn = both.groupby([*_ALIKE, "what"], sort=False).cumcount()
    alone = ~pd.concat([both[_ALIKE], turn.rename("turn")], axis=1).duplicated(keep=False)
    table = both[alone].assign(at=np.where(side[alone], 0, 1)).sort_values(["at", "export", "date", "file", "sheet", "row"])
    table = table.rename(columns={"cents": "amount"})[[c.name for c in columns]].reset_index(drop=True)
    return table.astype({c.name: DTYPES[c.kind] for c in columns})


def _closed_rows(entries: pd.DataFrame, until: np.datetime64) -> pd.DataFrame:
    """Rows dated on or before the close, with what tells one from another."""
    dated = (entries["date"] <= until).to_numpy() & among(entries["export"], COMPARED) & ~among(entries["bucket"], (LATER, ENROLLED_LATER))
    rows = entries[dated].reset_index(drop=True)
    bank, named = is_word(rows["export"], "cleared_draws"), ~is_word(rows["reference"], "")
    return rows.assign(whose=rows["student_id"].mask(bank & named, ""), of_term=rows["term"].mask(bank, ""))
