"""Failed and not-seen money that is still open at the close, line by line, with its age.

An open item is listed at every close until it clears (published practice: see `rollforward`). Its age runs from the day on which the money
should have been there: the day the draw first came back unpaid, or the last day of the window in which it was not seen. What a draw that
came in part lacks is no open item (see `line_moves`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from reconcile.closing_lines import LOST, same_lines
from reconcile.events import day_numbers
from reconcile.schemas import OUTPUTS
from reconcile.texts import among, picked, words

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd

AGES: Final = ("0-30 days", "31-60 days", "61-90 days", "over 90 days")
LAST_DAYS: Final = (30, 60, 90)
"""The last day of each age but the last."""


def open_items(now: pd.DataFrame, draws: pd.DataFrame, before: pd.DataFrame | None, as_of: date) -> pd.DataFrame:
    """List what is open, with age.

    In:      closing_lines of this close and of the one before (None: a first close); draws.csv of this run; cents.
    Out:     OUTPUTS["open_items"], in the order of draws.csv: open = scheduled - rolled; `standing` is carried where the line was open at
             the close before, else new.
    Keeps:   the sum of open = failed and not-seen money at the close.
    """
    is_open = (now["failed_and_not_seen"] != 0).to_numpy()
    table = now[is_open].reset_index(drop=True)
    more = draws.loc[is_open, ["return_code", "attempts"]].reset_index(drop=True)
    age = np.maximum(0, int(np.datetime64(as_of, "D").astype("int64")) - day_numbers(table["open_since"]))
    carried = np.zeros(len(now), dtype=bool)
    if before is not None:
        was_at, now_at = same_lines(before, now)
        was_open = (was_at >= 0) & (now_at >= 0) & among(picked(before["state"], was_at), LOST)
        carried[now_at[was_open]] = True
    table = table.assign(
        open=table["failed_and_not_seen"],
        since=table["open_since"],
        age_days=age.astype(np.int64),
        age=words(np.searchsorted(LAST_DAYS, age, side="left").astype(np.int64), AGES),
        return_code=more["return_code"],
        attempts=more["attempts"],
        standing=words((~carried[is_open]).astype(np.int64), ("carried", "new")),
    )
    return table[[column.name for column in OUTPUTS["open_items"]]]
