"""The data tables of a run as people and scripts read them: columns, order and buckets. Nothing new is worked out here."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from reconcile.entries import entries_table
from reconcile.event_money import parts_of_events
from reconcile.events import day_numbers
from reconcile.exception_facts import day_text
from reconcile.line_order import order_of_lines
from reconcile.schemas import OUTPUTS
from reconcile.texts import first_true, is_word, spread, words

if TYPE_CHECKING:
    from datetime import date

    import pyarrow as pa  # type: ignore[import-untyped]

    from reconcile.as_of import Dated
    from reconcile.events import Ints
    from reconcile.exports import Exports
    from reconcile.policy import Rules

_WHERE: Final = ("file", "sheet", "row")
_FIRST: Final = ("settled_on", "student_id", "plan_id", "reference")
UNMATCHED_ORDER: Final = [
    *_FIRST,
    *(column.name for column in OUTPUTS["unmatched_events"] if column.name not in {*_FIRST, *_WHERE}),
    *_WHERE,
]
"""All that a row says, then where it stands: only rows that are alike in all cells follow each other as they stood in their file."""
COUNTED, SAME_MONEY = "counted", "same_money"
"""Parts of a posting of which only some counts as a credit beside plan draws."""
ENROLLED_ON, CANCELLED_ON = "enrolled_on", "cancelled_on"
"""Days of a schedule line: its plan's enrollment, and its cancellation where the export gives that day."""
STALE_DAYS: Final = 5
"""Bank files that end more calendar days before the as-of date are told: a weekend with a holiday and the day after is no more."""


def draws_table(lines: pd.DataFrame, states: pd.DataFrame) -> pd.DataFrame:
    """OUTPUTS["draws"]: every schedule line with its state, in the order of term, student, plan and line as a number."""
    columns = [column.name for column in OUTPUTS["draws"]]
    own = {name: states[name] if name in states.columns else lines["amount" if name == "scheduled" else name] for name in columns}
    return pd.DataFrame(own, copy=False).take(order_of_lines(lines)).reset_index(drop=True)


def unmatched_table(events: pd.DataFrame, money: pd.DataFrame) -> pd.DataFrame:
    """OUTPUTS["unmatched_events"]: every bank event without a line, with the reason, oldest first."""
    loose = money["undecided"] + money["without_a_line"] + money["fee_without_a_line"] + money["payment"]
    loose += money["nobodys"].where(is_word(events["outcome"], "cleared"), 0)
    which = np.flatnonzero(~is_word(money["reason"], ""))
    whose = money[["student_id", "term", "plan_id", "line", "reason"]].iloc[which]
    table = events.iloc[which].assign(**{name: whose[name] for name in whose.columns}, without_a_line=loose.iloc[which])
    table = table.sort_values(UNMATCHED_ORDER)
    return table[[column.name for column in OUTPUTS["unmatched_events"]]].reset_index(drop=True)


def entries_of_run(
    dated: dict[str, Dated],
    states: pd.DataFrame,
    aid: pd.DataFrame,
    money: pd.DataFrame,
    postings: pd.DataFrame,
    ledger: pd.DataFrame,
    counted: Ints,
    rules: Rules,
) -> pa.Table:
    """Every accepted row of the run in its one bucket (entries.entries_table)."""
    charges = dated["charges"].counting
    told = {name: money[name] for name in ("bucket", "student_id", "term", "plan_id", "line", "match")}
    found = {
        "charges": {"bucket": words(np.zeros(len(charges), dtype=np.int8), ["on the bill"])},
        "aid": {"bucket": aid["standing"]},
        "plan_schedules": {"bucket": states["state"], "match": states["match"], "parts": _days_of_lines(dated["plan_schedules"].counting)},
        "cleared_draws": told | {"undoes": money["undoes_what"], "parts": parts_of_events(money, rules)},
        "postings": _posting_buckets(postings, ledger, counted),
    }
    return entries_table(dated, found)


def _days_of_lines(lines: pd.DataFrame) -> pd.Series:
    """The days that each schedule line carries: "enrolled_on 2026-07-20; cancelled_on 2026-10-29"; a story tells them."""
    enrolled, cancelled = day_numbers(lines["enrolled_on"]), lines["cancelled_on"]
    first = int(enrolled.min()) if len(lines) else 0
    code = enrolled - first
    names = [f"{ENROLLED_ON} {day_text(first + day)}" for day in range(int(code.max()) + 1 if len(lines) else 0)]
    off = np.flatnonzero(cancelled.notna().to_numpy() & is_word(lines["line_status"], "cancelled"))
    for at, day in zip(off.tolist(), day_numbers(cancelled.iloc[off]).tolist(), strict=True):
        names.append(f"{names[code[at]]}; {CANCELLED_ON} {day_text(day)}")
        code[at] = len(names) - 1
    return words(code, names)


def _posting_buckets(postings: pd.DataFrame, ledger: pd.DataFrame, counted: Ints) -> dict[str, pd.Series]:
    """One bucket per posting, and how it pairs with the bank."""
    bucket = words(
        first_true([is_word(postings["kind"], "plan draw"), counted == postings["amount"].to_numpy()]),
        ("plan draw on the ledger", "other credits", "same money as at the bank"),
    )
    part = np.flatnonzero((counted != 0) & (counted != postings["amount"].to_numpy()))
    told = [f"{COUNTED} {counted[at]}; {SAME_MONEY} {postings['amount'].iloc[at] - counted[at]}" for at in part.tolist()]
    return {
        "bucket": bucket,
        "match": spread(len(postings), ledger["posting"].to_numpy(), ledger["how"]),
        "parts": spread(len(postings), part, pd.Series(told, dtype="str")),
    }


def other_terms_table(dated: dict[str, Dated]) -> pd.DataFrame:
    """What stands in terms that no rule knows, per student: shown, never counted."""
    parts = []
    for name, column in (("charges", "charges"), ("aid", "aid"), ("postings", "postings")):
        rows = dated[name].rows.iloc[np.flatnonzero(is_word(dated[name].aside, "other terms"))]
        parts.append(pd.DataFrame({"term": rows["term"], "student_id": rows["student_id"], column: rows["amount"], "rows": 1}))
    columns = [column.name for column in OUTPUTS["other_terms"]]
    table = pd.concat([part.reindex(columns=columns).fillna({"charges": 0, "aid": 0, "postings": 0}) for part in parts], ignore_index=True)
    table = table.astype(dict.fromkeys(("charges", "aid", "postings", "rows"), "int64"))
    return table.groupby(["term", "student_id"], as_index=False, sort=True)[["charges", "aid", "postings", "rows"]].sum()


def run_notes(exports: Exports, as_of: date, left_out: int, undated: int) -> tuple[str, ...]:
    """What the reader of the summary must know of the run as a whole, one sentence each.

    In:      how many plans were left out, and how many cancellations have no date.
    """
    notes = []
    if not exports.has_postings:
        notes.append("No postings export: payments outside the plan are invisible, so a bill may look short that was paid otherwise.")
    if exports.span is None:
        notes.append("The bank files hold no event and no --bank-through was given: no draw can be told as not seen.")
    else:
        silent = (as_of - exports.span.last).days
        if silent > STALE_DAYS:
            notes.append(
                f"The bank files end on {exports.span.last}, {silent} days before the as-of date: "
                "later draws cannot be seen, and count as in transit."
            )
    if left_out:
        notes.append(f"Plans enrolled after the as-of date and left out: {left_out}.")
    if undated:
        notes.append(f"Cancelled lines and awards without a date, which count as cancelled at every as-of date: {undated}.")
    return tuple(notes)
