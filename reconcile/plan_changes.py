"""What changed in the plans themselves since the close before: totals, lines, dates, methods.

The roll-forward says how much money was added, raised, lowered or cancelled. This list says by which change of which plan, so that the
office can hold each against its own record of who asked for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from reconcile.closing_lines import empty
from reconcile.money import money_text
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from collections.abc import Iterator

CHANGES: Final = (
    *("new plan", "plan removed", "plan superseded", "plan total", "term changed", "student changed"),
    *("line added", "line removed", "line raised", "line lowered", "line cancelled", "line reinstated", "date moved", "method changed"),
)
"""Every word of the column `change`, in the order in which they are listed for one plan or line."""

Row = dict[str, Any]


def plan_changes(before: pd.DataFrame | None, now: pd.DataFrame) -> pd.DataFrame:
    """List every change of a plan between two closes.

    In:      closing_lines of the close before (None: a first close, nothing to compare with) and of this one; cents.
    Out:     OUTPUTS["plan_changes"], in the order of term, student, plan, line and kind of change. `amount` is what the change adds to the
             plan (negative: takes off); a date, method or owner that changes moves no money. `dated` is the day that the export gives for
             the change: the plan's set_on, where it is after enrollment and after the set_on that the close before knew; else none.
    """
    columns = OUTPUTS["plan_changes"]
    if before is None:
        return empty("plan_changes")
    set_before = before.groupby("plan_id")["set_on"].max()
    now = now.assign(set_on=_set_since(now, set_before))
    rows = [*_of_plans(before, now), *_of_lines(before, now)]
    order = {change: place for place, change in enumerate(CHANGES)}
    rows.sort(key=lambda r: (r["term"], r["student_id"], r["plan_id"], r["line"] != "", _natural(r["line"]), order[r["change"]]))
    kinds = {c.name: DTYPES[c.kind] for c in columns}
    return pd.DataFrame({name: pd.Series([row[name] for row in rows], dtype=kind) for name, kind in kinds.items()})


def _set_since(now: pd.DataFrame, set_before: pd.Series) -> pd.Series:
    """The set_on of each line's plan, as far as it can be the day of a change: NaT where the export repeats what the close before had.

    Where the export gives no set_on it is read as the day of enrollment, which is the day of no later change.
    """
    latest = now.groupby("plan_id")["set_on"].transform("max")
    known = pd.Series(set_before.reindex(now["plan_id"]).to_numpy(), index=now.index)
    told = (latest > now["enrolled_on"]) & ~(latest <= known)
    return latest.where(told)


def _natural(line: str) -> tuple[int, int, str]:
    return (0, int(line), line) if line.isdecimal() and line.isascii() else (1, 0, line)


def _row(of: Any, change: str, was: str, now: str, amount: int, dated: Any, line: str = "") -> Row:  # noqa: ANN401 (a row of closing_lines; a day or NaT)
    return {
        "term": of.term,
        "student_id": of.student_id,
        "plan_id": of.plan_id,
        "line": line,
        "change": change,
        "was": was,
        "now": now,
        "amount": amount,
        "dated": dated,
    }


def _records(table: pd.DataFrame) -> list[Any]:
    """The rows with their cells by name."""
    return list(table.itertuples())


def _of_plans(before: pd.DataFrame, now: pd.DataFrame) -> Iterator[Row]:
    was, is_now = before.drop_duplicates("plan_id"), now.drop_duplicates("plan_id")
    for plan in _records(is_now[~among(is_now["plan_id"], was["plan_id"])]):
        yield _row(plan, "new plan", "", money_text(int(plan.plan_total)), int(plan.plan_total), plan.enrolled_on)
    for plan in _records(was[~among(was["plan_id"], is_now["plan_id"])]):
        yield _row(plan, "plan removed", money_text(int(plan.plan_total)), "", -int(plan.plan_total), pd.NaT)
    both = was.merge(is_now, on="plan_id", suffixes=("_was", ""), validate="one_to_one")
    for plan in _records(both[both["plan_total_was"] != both["plan_total"]]):
        old, new = int(plan.plan_total_was), int(plan.plan_total)
        yield _row(plan, "plan total", money_text(old), money_text(new), new - old, plan.set_on)
    for change, column in (("term changed", "term"), ("student changed", "student_id")):
        for plan in _records(both[both[f"{column}_was"] != both[column]]):
            yield _row(plan, change, getattr(plan, f"{column}_was"), getattr(plan, column), 0, pd.NaT)
    known, last = superseded(before), superseded(now)
    for plan in _records(is_now[among(is_now["plan_id"], [plan for plan in last if plan not in known])]):
        yield _row(plan, "plan superseded", plan.plan_id, last[plan.plan_id], 0, pd.NaT)


def superseded(lines: pd.DataFrame) -> dict[str, str]:
    """Plans without an active line still to be met, which another plan of the student and term followed (or replaced on the same day).

    Of two plans of one day, one follows the other if it has a line still to be met, or an active line where the other has none; plans of
    one day that are alike in this follow each other neither way.

    Out:     plan id to the ids of the plans that followed it, in the order of enrollment, then id.
    """
    live = is_word(lines["line_status"], "active") & ~is_word(lines["kind"], "fee")
    waiting = live & ~among(lines["state"], ("cleared", "part cleared", "cancelled"))
    by_plan = lines.assign(live=live, waiting=waiting).groupby(["term", "student_id", "plan_id"], as_index=False, sort=True)
    plans = by_plan[["live", "waiting", "enrolled_on"]].max().sort_values(["enrolled_on", "plan_id"], kind="stable")
    several = plans[plans.duplicated(["term", "student_id"], keep=False)]
    found: dict[str, str] = {}
    for _, group in several.groupby(["term", "student_id"], sort=True):
        for plan in _records(group[~group["waiting"]]):
            same_day = (group["enrolled_on"] == plan.enrolled_on) & (group["waiting"] | (group["live"] & (not plan.live)))
            later = group[((group["enrolled_on"] > plan.enrolled_on) | same_day) & (group["plan_id"] != plan.plan_id)]
            if len(later):
                found[str(plan.plan_id)] = "; ".join(later["plan_id"])
    return found


def _of_lines(before: pd.DataFrame, now: pd.DataFrame) -> Iterator[Row]:
    """Changes of lines of plans that are in both closes."""
    was = before[among(before["plan_id"], now["plan_id"])]
    is_now = now[among(now["plan_id"], before["plan_id"])]
    key = ["plan_id", "line"]
    both = was.merge(is_now, on=key, how="outer", suffixes=("_was", ""), indicator="side", validate="one_to_one")
    added = is_now.merge(both.loc[both["side"] == "right_only", key], on=key, validate="one_to_one")
    for line in _records(added):
        yield _row(line, "line added", "", money_text(int(line.scheduled)), int(line.scheduled), line.set_on, line.line)
    removed = was.merge(both.loc[both["side"] == "left_only", key], on=key, validate="one_to_one")
    for line in _records(removed):
        yield _row(line, "line removed", money_text(int(line.scheduled)), "", -int(line.scheduled), pd.NaT, line.line)
    both = was.merge(is_now, on=key, suffixes=("_was", ""), validate="one_to_one")
    watched = ("scheduled", "draw_date", "method", "line_status")
    differs = np.logical_or.reduce([(both[f"{name}_was"] != both[name]).to_numpy() for name in watched])
    for line in _records(both[differs]):
        yield from _of_line(line)


def _of_line(line: Any) -> Iterator[Row]:  # noqa: ANN401 (a row of two closes side by side)
    old, new = int(line.scheduled_was), int(line.scheduled)
    if old != new:
        change = "line raised" if new > old else "line lowered"
        yield _row(line, change, money_text(old), money_text(new), new - old, line.set_on, line.line)
    if line.line_status_was != line.line_status:
        gone = line.line_status == "cancelled"
        change, amount = ("line cancelled", -new) if gone else ("line reinstated", new)
        dated = line.cancelled_on if gone else line.set_on
        yield _row(line, change, line.line_status_was, line.line_status, amount, dated, line.line)
    if line.draw_date_was != line.draw_date:
        days = (str(line.draw_date_was.date()), str(line.draw_date.date()))
        yield _row(line, "date moved", *days, 0, line.set_on, line.line)
    if line.method_was != line.method:
        yield _row(line, "method changed", line.method_was, line.method, 0, pd.NaT, line.line)
