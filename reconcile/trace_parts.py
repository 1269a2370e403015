"""Rows of a trace: accepted rows, parts of bank rows, and rows of data files, each with its cents and where it can be seen."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reconcile.event_money import BILLED_FEE
from reconcile.report_tables import COUNTED
from reconcile.trace import ROW_COLUMNS, RunTables

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    Rows = pd.DataFrame


def frame(parts: Iterable[pd.DataFrame]) -> Rows:
    """Rows of a trace without those of zero."""
    given = list(parts)
    table = pd.concat(given, ignore_index=True) if given else pd.DataFrame(columns=list(ROW_COLUMNS))
    return table[table["amount"] != 0].reset_index(drop=True).astype({"amount": "int64"})


def row_table(rows: pd.DataFrame, amount: Any, what: Any, where: Any, match: Any = "") -> pd.DataFrame:  # noqa: ANN401 (a column or one value for all)
    """Rows as rows of a trace: for each its cents, what it is, where it can be seen, and how it was matched."""
    date = next((name for name in ("draw_date", "date", "settled_on") if name in rows.columns), None)
    own = {name: rows[name].to_numpy() if name in rows.columns else "" for name in ("term", "student_id", "plan_id", "line")}
    day = rows[date].to_numpy() if date else np.datetime64("NaT", "s")
    table = pd.DataFrame({"amount": amount, "what": what, **own, "date": day, "where": where, "match": match}, index=range(len(rows)))
    return table[list(ROW_COLUMNS)]


def of_table(run: RunTables, name: str, columns: Mapping[str, int], which: Any = None) -> pd.DataFrame:  # noqa: ANN401 (a mask, or None for all)
    """Rows of a data file: for each column its cents, times its sign; `what` names file and column."""
    table = run[name] if which is None else run[name][np.asarray(which, dtype=bool)]
    rows = table.reset_index(drop=True)
    places = [_place_of(run, name, row) for row in rows.itertuples()]
    parts = [row_table(rows, rows[column].to_numpy() * sign, f"{name}.csv {column}", places) for column, sign in columns.items()]
    return frame(parts)


def _place_of(run: RunTables, name: str, row: Any) -> str:  # noqa: ANN401 (a row of an output)
    """Where the row of a data file can be seen in the exports, if it is a line's; else the file itself."""
    if hasattr(row, "plan_id") and hasattr(row, "line") and row.line:
        return run.schedule_rows.get((row.plan_id, row.line), f"{name}.csv")
    return f"{name}.csv"


def entries_of(run: RunTables, export: str, bucket: str | None = None, sign: int = 1) -> Rows:
    """Accepted rows of an export, of one bucket or all."""
    rows = run["entries"]
    rows = rows[(rows["export"] == export) & ((rows["bucket"] == bucket) if bucket is not None else True)].reset_index(drop=True)
    return frame([row_table(rows, rows["cents"].to_numpy() * sign, rows["bucket"].to_numpy(), places(rows), matches(rows))])


def places(rows: pd.DataFrame) -> list[str]:
    """File:sheet:row of accepted rows."""
    return [f"{file}:{sheet}:{row}" for file, sheet, row in rows[["file", "sheet", "row"]].itertuples(index=False)]


def matches(rows: pd.DataFrame) -> list[str]:
    """What each accepted row undid, else the pass that matched it."""
    return [undoes or match for match, undoes in rows[["match", "undoes"]].itertuples(index=False)]


def parts_of(text: str, whole: int) -> dict[str, int]:
    """The parts of an accepted row and their cents.

    >>> parts_of("on_lines 120000; card_fee 3300", 123300), parts_of("on_lines", 500), parts_of("", 7)
    ({'on_lines': 120000, 'card_fee': 3300}, {'on_lines': 500}, {})
    """
    found = {}
    for part in text.split("; ") if text else []:
        name, _, cents = part.partition(" ")
        found[name] = int(cents) if cents else whole
    return found


def bank_parts(run: RunTables, names: Iterable[str], sign: int = 1, *, outcome: str = "") -> Rows:
    """Parts of bank rows, such as the money that stayed on lines; one row per bank row and part."""
    wanted = set(names)
    entries = run["entries"]
    rows = entries[(entries["export"] == "cleared_draws") & (entries["parts"] != "")].reset_index(drop=True)
    if outcome:
        rows = rows[(rows["status"] == "cleared") == (outcome == "cleared")].reset_index(drop=True)
    parts = [
        (at, name, cents)
        for at, (text, whole) in enumerate(rows[["parts", "cents"]].itertuples(index=False))
        for name, cents in parts_of(text, whole).items()
        if name in wanted
    ]
    at = np.array([one[0] for one in parts], dtype=np.int64)
    picked = rows.take(at).reset_index(drop=True)
    words = [name.replace("_", " ") for _, name, _ in parts]
    return frame([row_table(picked, np.array([c for *_, c in parts], np.int64) * sign, words, places(picked), matches(picked))])


def credits_of_run(run: RunTables, sign: int = 1) -> Rows:
    """What counts as a credit beside plan draws: postings, fee money that is billed, and without postings the payments at the bank."""
    entries = run["entries"]
    rows = entries[(entries["export"] == "postings") & entries["bucket"].isin(["other credits", "same money as at the bank"])]
    rows = rows.reset_index(drop=True)
    whole = (rows["bucket"] == "other credits").to_numpy()
    counted = [parts_of(text, cents).get(COUNTED, 0) for text, cents in rows[["parts", "cents"]].itertuples(index=False)]
    cents = np.where(whole, rows["cents"].to_numpy(), np.array(counted, dtype=np.int64)) * sign
    postings = row_table(rows, cents, rows["status"].to_numpy(), places(rows), matches(rows))
    at_bank = [BILLED_FEE] if run.audit["has_postings"] else [BILLED_FEE, "payment"]
    return frame([postings, _placed(bank_parts(run, at_bank, sign))])


def _placed(rows: Rows) -> Rows:
    """Rows of a term."""
    return rows[rows["term"] != ""]


def draw_money(run: RunTables, sign: int = 1) -> Rows:
    """Plan draw money that stayed at the bank, on a line or not."""
    return bank_parts(run, ("on_lines", "on_cancelled_lines", "undecided", "without_a_line"), sign)


def together(*sides: Rows) -> Rows:
    """The rows of several parts, without those of zero."""
    return frame(sides)


def counted_of(run: RunTables, export: str, columns: Iterable[str]) -> Rows:
    """What the audit counted of an export, by file and sheet."""
    rows = []
    for source in run.audit["inputs"]:
        for count in source["counts"]:
            if count["export"] == export:
                place = f"{source['file']}:{count['sheet']}:"
                rows += [{"amount": count[column], "what": column.replace("_", " "), "where": place} for column in columns]
    table = pd.DataFrame(rows, columns=["amount", "what", "where"]).assign(
        term="", student_id="", plan_id="", line="", date=np.datetime64("NaT", "s"), match=""
    )
    return frame([table[list(ROW_COLUMNS)]])
