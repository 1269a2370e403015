"""The recipe of a run: from accepted exports to every student's standing, in the trade's own order.

    exports -> what counts on the as-of day -> windows -> whose events -> returns and attempts matched -> draw states
            -> ledger paired -> coverage -> variance -> proposed draws -> day tables -> entries and proof

Pure: no clock, no files, nothing printed. Each step takes tables and returns new ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.aid import aid_standing
from reconcile.as_of import hold_bank_files_to_lines, lines_on_the_day, on_the_day, undated_cancellations
from reconcile.bulk import match_all
from reconcile.control import prove
from reconcile.coverage import Standing, standings
from reconcile.day_tables import draw_dates, next_draws, settlement_days
from reconcile.entries import entries_table
from reconcile.event_money import event_money
from reconcile.events import book_of, whose_events
from reconcile.ledger import ANOTHER_KIND, ANOTHER_KIND_BACK, counted_cents, credits_of, pair_ledger
from reconcile.outside import is_outside, meeting_payments
from reconcile.plans import advise_plans, again_today, person_decides_first
from reconcile.proof import hold
from reconcile.schemas import OUTPUTS
from reconcile.states import draw_states
from reconcile.stops import NEVER, stopped_since
from reconcile.variance import BillRows, variances

if TYPE_CHECKING:
    from datetime import date

    from reconcile.as_of import Dated
    from reconcile.events import Ints
    from reconcile.exports import Exports
    from reconcile.findings import Finding
    from reconcile.policy import Rules


@dataclass(frozen=True)
class Result:
    """What a run worked out: the data tables by the name of their file, findings, and notes for the person who reads the summary."""

    as_of: date
    tables: dict[str, pd.DataFrame]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


def reconcile_exports(exports: Exports, rules: Rules, as_of: date, *, everyone_exact: bool = False) -> Result:
    """Work out every student's standing as of a day.

    In:      accepted exports, rules. `everyone_exact` sends all students through the exact function: for tests.
    Out:     Result; its tables are shaped by schemas.OUTPUTS and proved.
    Errors:  RefusedError if the bank files begin too late for a line; ProofError if a control total does not come out.
    """
    days = rules.banking_days()
    dated = on_the_day(exports.tables, rules, as_of)
    lines = lines_on_the_day(dated["plan_schedules"], rules, days, as_of)
    events = dated["cleared_draws"].counting
    hold_bank_files_to_lines(lines, exports.span.first if exports.span else None)

    book = book_of(lines)
    owners, findings = whose_events(events, book)
    matching = match_all(lines, events, book, owners, rules, days, everyone_exact=everyone_exact)
    states = draw_states(lines, events, matching, rules, days, as_of, exports.span.last if exports.span else None)
    money = event_money(lines, events, book, owners, matching, rules)
    stops = stopped_since(lines, events, book, owners, rules, as_of)

    charges, postings, aid = (dated[name].counting for name in ("charges", "postings", "aid"))
    aid = aid.assign(standing=aid_standing(aid, rules, int(np.datetime64(as_of, "D").astype("int64")), as_of))
    ledger = pair_ledger(postings, events, money, lines, rules, days)
    counted = counted_cents(postings, ledger, money)
    credit_rows = credits_of(postings, counted, events, money, rules, has_postings=exports.has_postings)
    lines = lines.assign(state=states["state"], cleared=states["cleared"], return_code=states["return_code"])
    lines = lines.assign(again=again_today(lines, events, matching.pairs, rules, as_of), stopped=stops[book.line_plan] != NEVER)
    students = standings(
        Standing(
            charges=_cents(charges, charges["amount"]),
            disbursed=_cents(aid[aid["standing"] == "disbursed"], aid["amount"]),
            anticipated=_cents(aid[aid["standing"] == "anticipated"], aid["amount"]),
            credits=credit_rows,
            draws=_draw_money(money),
            lines=lines,
            others=(aid[["student_id", "term"]], postings[["student_id", "term"]]),
        ),
        rules,
        as_of,
    )
    bill = _bill_rows(charges, aid, postings, ledger, credit_rows, rules)
    variance, keys = variances(lines, bill, money, students, rules, as_of)
    decide = person_decides_first(money, matching.told, exports.blocked, variance, keys)
    plans = advise_plans(variance, keys, lines, book, stops, students, decide, rules, as_of)
    stopped = lines["stopped"].to_numpy(dtype=bool)
    tables = {
        "students": students,
        "draws": _draws(lines, states),
        "plans": plans.table,
        "next_draws": next_draws(lines, stopped, keys.lookup(lines), plans.advice, decide, rules, days),
        "draw_dates": draw_dates(lines, matching.pairs, ledger, postings, money),
        "settlement_days": settlement_days(lines, events, money),
        "unmatched_events": _unmatched(events, money),
        "entries": _entries(dated, lines, states, aid, money, postings, ledger, counted),
        "rejected_rows": exports.rejected,
        "other_terms": _other_terms(dated),
    }
    tables["proof"] = prove(exports, dated, tables, aid, money, credit_rows, counted)
    hold(tables["proof"])
    return Result(as_of, tables, tuple(findings), _notes(exports, dated))


def _cents(rows: pd.DataFrame, cents: pd.Series) -> pd.DataFrame:
    return pd.DataFrame({"student_id": rows["student_id"], "term": rows["term"], "cents": cents.loc[rows.index]})


def _draw_money(money: pd.DataFrame) -> pd.DataFrame:
    """Plan draw and down payment money that stayed, on a line or not."""
    cents = money["on_lines"] + money["on_cancelled_lines"] + money["undecided"] + money["without_a_line"]
    return _cents(money[cents != 0], cents)


def _bill_rows(
    charges: pd.DataFrame, aid: pd.DataFrame, postings: pd.DataFrame, ledger: pd.DataFrame, credit_rows: pd.DataFrame, rules: Rules
) -> BillRows:
    """What moves a bill, with outside charges and the payments that met them marked: `open` of a charge, `for_plan` of a credit."""
    outside = is_outside(charges, rules)
    free = np.ones(len(postings), dtype=bool)
    free[ledger.loc[ledger["how"].isin([ANOTHER_KIND, ANOTHER_KIND_BACK]), "posting"].to_numpy()] = False
    met = meeting_payments(charges, outside, postings, free)
    open_cents = charges["amount"].to_numpy().copy()
    open_cents[[charge for charge, _posting in met]] = 0
    used = np.zeros(len(postings), dtype=bool)
    used[[posting for _charge, posting in met]] = True
    from_posting = (credit_rows["source"] == "posting").to_numpy(dtype=bool)
    meets = np.zeros(len(credit_rows), dtype=bool)
    meets[from_posting] = used[credit_rows["at"].to_numpy(dtype=np.int64)[from_posting]]
    return BillRows(
        charges.assign(outside=outside, open=open_cents), aid, credit_rows.assign(for_plan=np.where(meets, 0, credit_rows["cents"]))
    )


def _draws(lines: pd.DataFrame, states: pd.DataFrame) -> pd.DataFrame:
    own = lines.rename(columns={"amount": "scheduled"}).drop(columns=["reference", *states.columns.intersection(lines.columns)])
    table = pd.concat([own, states], axis=1)
    number = pd.to_numeric(table["line"].where(table["line"].str.fullmatch("[0-9]{1,15}")), errors="coerce")
    order = pd.DataFrame({"term": table["term"], "student_id": table["student_id"], "plan_id": table["plan_id"], "number": number})
    at = order.assign(line=table["line"]).sort_values(["term", "student_id", "plan_id", "number", "line"]).index
    return table.loc[at, [column.name for column in OUTPUTS["draws"]]].reset_index(drop=True)


def _unmatched(events: pd.DataFrame, money: pd.DataFrame) -> pd.DataFrame:
    loose = money["undecided"] + money["without_a_line"] + money["fee_without_a_line"] + money["payment"]
    loose += money["nobodys"].where(events["outcome"] == "cleared", 0)
    table = events.assign(
        **{name: money[name] for name in ("student_id", "term", "plan_id", "line", "reason")},
        without_a_line=loose,
    )[(money["reason"] != "").to_numpy(dtype=bool)]
    table = table.sort_values(["settled_on", "student_id", "plan_id", "reference", "file", "sheet", "row"])
    return table[[column.name for column in OUTPUTS["unmatched_events"]]].reset_index(drop=True)


def _entries(
    dated: dict[str, Dated],
    lines: pd.DataFrame,
    states: pd.DataFrame,
    aid: pd.DataFrame,
    money: pd.DataFrame,
    postings: pd.DataFrame,
    ledger: pd.DataFrame,
    counted: Ints,
) -> pd.DataFrame:
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


def _other_terms(dated: dict[str, Dated]) -> pd.DataFrame:
    """What stands in terms that no rule knows, per student: shown, never counted."""
    parts = []
    for name, column in (("charges", "charges"), ("aid", "aid"), ("postings", "postings")):
        rows = dated[name].rows[(dated[name].aside == "other terms").to_numpy(dtype=bool)]
        parts.append(pd.DataFrame({"term": rows["term"], "student_id": rows["student_id"], column: rows["amount"], "rows": 1}))
    columns = [column.name for column in OUTPUTS["other_terms"]]
    table = pd.concat([part.reindex(columns=columns).fillna({"charges": 0, "aid": 0, "postings": 0}) for part in parts], ignore_index=True)
    table = table.astype(dict.fromkeys(("charges", "aid", "postings", "rows"), "int64"))
    return table.groupby(["term", "student_id"], as_index=False, sort=True)[["charges", "aid", "postings", "rows"]].sum()


def _notes(exports: Exports, dated: dict[str, Dated]) -> tuple[str, ...]:
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
