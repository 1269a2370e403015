"""The data tables of a run as people and scripts read them: columns, order and buckets. Nothing new is worked out here."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.as_of import undated_cancellations
from reconcile.entries import entries_table
from reconcile.schemas import OUTPUTS

if TYPE_CHECKING:
    from reconcile.as_of import Dated
    from reconcile.events import Ints
    from reconcile.exports import Exports


def draws_table(lines: pd.DataFrame, states: pd.DataFrame) -> pd.DataFrame:
    """OUTPUTS["draws"]: every schedule line with its state, in the order of term, student, plan and line as a number."""
    own = lines.rename(columns={"amount": "scheduled"}).drop(columns=["reference", *states.columns.intersection(lines.columns)])
    table = pd.concat([own, states], axis=1)
    number = pd.to_numeric(table["line"].where(table["line"].str.fullmatch("[0-9]{1,15}")), errors="coerce")
    order = pd.DataFrame({"term": table["term"], "student_id": table["student_id"], "plan_id": table["plan_id"], "number": number})
    at = order.assign(line=table["line"]).sort_values(["term", "student_id", "plan_id", "number", "line"]).index
    return table.loc[at, [column.name for column in OUTPUTS["draws"]]].reset_index(drop=True)


def unmatched_table(events: pd.DataFrame, money: pd.DataFrame) -> pd.DataFrame:
    """OUTPUTS["unmatched_events"]: every bank event without a line, with the reason, oldest first."""
    loose = money["undecided"] + money["without_a_line"] + money["fee_without_a_line"] + money["payment"]
    loose += money["nobodys"].where(events["outcome"] == "cleared", 0)
    table = events.assign(
        **{name: money[name] for name in ("student_id", "term", "plan_id", "line", "reason")},
        without_a_line=loose,
    )[(money["reason"] != "").to_numpy(dtype=bool)]
    table = table.sort_values(["settled_on", "student_id", "plan_id", "reference", "file", "sheet", "row"])
    return table[[column.name for column in OUTPUTS["unmatched_events"]]].reset_index(drop=True)


def entries_of_run(
    dated: dict[str, Dated],
    lines: pd.DataFrame,
    states: pd.DataFrame,
    aid: pd.DataFrame,
    money: pd.DataFrame,
    postings: pd.DataFrame,
    ledger: pd.DataFrame,
    counted: Ints,
) -> pd.DataFrame:
    """OUTPUTS["entries"]: every accepted row of the run in its one bucket."""
    charges = dated["charges"].counting
    found = {
        "charges": pd.DataFrame({"bucket": np.full(len(charges), "on the bill", dtype=object)}),
        "aid": pd.DataFrame({"bucket": aid["standing"]}),
        "plan_schedules": pd.DataFrame({"bucket": states["state"], "match": states["match"]}, index=lines.index),
        "cleared_draws": money[["bucket", "student_id", "term", "plan_id", "line", "match"]].assign(undoes=money["undoes_what"]),
        "postings": _posting_buckets(postings, ledger, counted),
    }
    return entries_table(dated, found)


def _posting_buckets(postings: pd.DataFrame, ledger: pd.DataFrame, counted: Ints) -> pd.DataFrame:
    """One bucket per posting, and how it pairs with the bank."""
    bucket = np.select(
        [(postings["kind"] == "plan draw").to_numpy(dtype=bool), counted == postings["amount"].to_numpy()],
        ["plan draw on the ledger", "other credits"],
        default="same money as at the bank",
    )
    how = np.full(len(postings), "", dtype=object)
    how[ledger["posting"].to_numpy()] = ledger["how"].to_numpy(dtype=object)
    return pd.DataFrame({"bucket": bucket, "match": how})


def other_terms_table(dated: dict[str, Dated]) -> pd.DataFrame:
    """What stands in terms that no rule knows, per student: shown, never counted."""
    parts = []
    for name, column in (("charges", "charges"), ("aid", "aid"), ("postings", "postings")):
        rows = dated[name].rows[(dated[name].aside == "other terms").to_numpy(dtype=bool)]
        parts.append(pd.DataFrame({"term": rows["term"], "student_id": rows["student_id"], column: rows["amount"], "rows": 1}))
    columns = [column.name for column in OUTPUTS["other_terms"]]
    table = pd.concat([part.reindex(columns=columns).fillna({"charges": 0, "aid": 0, "postings": 0}) for part in parts], ignore_index=True)
    table = table.astype(dict.fromkeys(("charges", "aid", "postings", "rows"), "int64"))
    return table.groupby(["term", "student_id"], as_index=False, sort=True)[["charges", "aid", "postings", "rows"]].sum()


def run_notes(exports: Exports, dated: dict[str, Dated]) -> tuple[str, ...]:
    """What the reader of the summary must know of the run as a whole, one sentence each."""
    notes = []
    if not exports.has_postings:
        notes.append("No postings export: payments outside the plan are invisible, so a bill may look short that was paid otherwise.")
    if exports.span is None:
        notes.append("The bank files hold no event and no --bank-through was given: no draw can be told as not seen.")
    left_out = dated["plan_schedules"].rows.loc[(dated["plan_schedules"].aside != "").to_numpy(dtype=bool), "plan_id"].nunique()
    if left_out:
        notes.append(f"{left_out} plans enrolled after the as-of date are left out.")
    undated = undated_cancellations(dated)
    if undated:
        notes.append(f"{undated} cancelled lines and awards carry no date; they count as cancelled at every as-of date.")
    return tuple(notes)
