"""What counts on the as-of day: rows dated later are set aside, terms no rule knows are kept apart, plans not yet enrolled are left out.

A past as-of date is historical only for dated facts: a line cancelled later still stands active then, but a line cancelled without a date
is cancelled at every as-of date (the run says how many there are).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.coverage import later_than
from reconcile.errors import RefusedError
from reconcile.schedule import windows
from reconcile.schemas import EXPORTS
from reconcile.texts import among, first_true, is_word, words

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from reconcile.banking_days import BankingDays
    from reconcile.policy import Rules

LATER = "after the as-of date"
OTHER_TERMS = "other terms"
ENROLLED_LATER = "plan enrolled after the as-of date"


@dataclass(frozen=True)
class Dated:
    """One export on the as-of day: all its accepted rows with a bucket ("" where it still has to be found), and those that count."""

    rows: pd.DataFrame
    aside: pd.Series
    """Bucket of each row that does not count, "" for those that do."""
    as_of: date

    @cached_property
    def counting(self) -> pd.DataFrame:
        """Rows that count, renumbered; `entry` is their position among all accepted rows of the export."""
        which = np.flatnonzero(is_word(self.aside, ""))
        rows = self.rows if len(which) == len(self.rows) else self.rows.iloc[which].reset_index(drop=True)
        return rows.assign(entry=which)


def on_the_day(tables: dict[str, pd.DataFrame], rules: Rules, as_of: date) -> dict[str, Dated]:
    """Split each export into the rows that count on the as-of day and those that do not, with their bucket.

    In:      accepted rows per export.
    Out:     per export, every row once: counting, or in one of the buckets after the as-of date, other terms, plan enrolled later.
    """
    known = [term.code for term in rules.terms]
    found = {}
    for name, rows in tables.items():
        later = later_than(rows[EXPORTS[name].dated_by], as_of)
        elsewhere = ~among(rows["term"], known) if "term" in rows.columns else np.zeros(len(rows), dtype=np.bool_)
        aside = words(first_true([later, elsewhere]), (ENROLLED_LATER if name == "plan_schedules" else LATER, OTHER_TERMS, ""))
        found[name] = Dated(rows, aside, as_of)
    return found


def lines_on_the_day(plan_schedules: Dated, rules: Rules, days: BankingDays, as_of: date) -> pd.DataFrame:
    """Schedule lines that count, with their windows, and cancelled only if they were so on the as-of day.

    Out:     plan_schedules columns, entry, and the columns of `schedule.windows`.
    """
    lines = plan_schedules.counting
    cancelled_later = later_than(lines["cancelled_on"], as_of) & lines["cancelled_on"].notna().to_numpy()
    status = lines["line_status"].mask(cancelled_later, "active").astype("str") if cancelled_later.any() else lines["line_status"]
    return windows(lines.assign(line_status=status), rules, days)


def undated_cancellations(dated: dict[str, Dated]) -> int:
    """How many cancelled lines and awards carry no date: they are cancelled at every as-of date."""
    lines, aid = dated["plan_schedules"].counting, dated["aid"].counting
    without = is_word(lines["line_status"], "cancelled") & lines["cancelled_on"].isna().to_numpy()
    return int(without.sum() + (is_word(aid["status"], "cancelled") & aid["cancelled_on"].isna().to_numpy()).sum())


def left_out_plans(dated: dict[str, Dated]) -> int:
    """How many plans were enrolled after the as-of date and are left out."""
    plans = dated["plan_schedules"]
    return int(plans.rows["plan_id"].iloc[np.flatnonzero(~is_word(plans.aside, ""))].nunique())


def lines_before(lines: pd.DataFrame, bank_begins: date | None) -> pd.DataFrame:
    """Active lines whose window was over before the bank files begin: their draw would be told as never seen."""
    if bank_begins is None:
        return lines.iloc[:0]
    begins = np.datetime64(bank_begins, "s")
    early = (lines["window_end"] < begins).to_numpy() & (lines["amount"] > 0).to_numpy()
    return lines.iloc[np.flatnonzero(early & is_word(lines["line_status"], "active"))]


def refuse_lines_before(early: Sequence[pd.DataFrame], bank_begins: date | None) -> None:
    """Refuse a run whose bank files begin after the window of a line was already over.

    In:      `lines_before` of each part of the student body.
    Errors:  RefusedError naming the first day needed and the first such line.
    """
    needed = pd.concat(early, ignore_index=True)
    if needed.empty:
        return
    first = needed.sort_values(["draw_date", "plan_id", "line"]).iloc[0]
    told = (
        f"{len(needed)} schedule lines were to be seen before that day; the first is plan {first['plan_id']} line {first['line']} "
        f"(student {first['student_id']}, {first['file']} row {first['row']})."
    )
    mend = "Add the earlier bank files. If the files are whole and simply hold nothing for the first days, say so with --bank-from DATE."
    raise RefusedError(f"The bank files begin on {bank_begins}, but draws from {first['draw_date'].date()} on need them.", (told, mend))
