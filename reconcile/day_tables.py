"""Tables by day: what each draw date came to, what each settlement day should show at the bank, what the coming dates will take."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.events import NOBODY, day_numbers
from reconcile.ledger import POSTED, TAKEN_OFF
from reconcile.schemas import OUTPUTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reconcile.banking_days import BankingDays
    from reconcile.events import Bools
    from reconcile.policy import Rules
    from reconcile.proposals import Advice


def draw_dates(lines: pd.DataFrame, pairs: pd.DataFrame, ledger: pd.DataFrame, postings: pd.DataFrame, money: pd.DataFrame) -> pd.DataFrame:
    """Per term and draw date: what was scheduled and what became of it, and bank and ledger side by side.

    In:      lines with cleared and state; pairs of events and lines; which posting is which event; cents.
    Out:     OUTPUTS["draw_dates"]: scheduled = cleared + in_transit + failed + not_seen + other; `other` is pending and cancelled lines and
             the rest of cleared lines (negative where more than scheduled cleared); ledger_total is the net of plan draw postings that pair
             with the bank's events on these lines; difference = bank_total - ledger_total.
    """
    amount, net = lines["amount"], lines["cleared"]
    state = lines["state"]
    lost = state.isin(["in transit", "failed", "not seen"])
    bank = pairs.groupby("line")["cents"].sum().reindex(range(len(lines)), fill_value=0)
    posted = ledger[ledger["how"].isin([POSTED, TAKEN_OFF])]
    line_of_event = money["line_at"].to_numpy()[posted["event"].to_numpy()]
    on_line = line_of_event != NOBODY
    on_ledger = np.zeros(len(lines), dtype=np.int64)
    np.add.at(on_ledger, line_of_event[on_line], postings["amount"].to_numpy()[posted["posting"].to_numpy()][on_line])
    table = pd.DataFrame(
        {
            "term": lines["term"],
            "draw_date": lines["draw_date"],
            "lines": 1,
            "scheduled": amount,
            "cleared": net,
            "in_transit": amount.where(state == "in transit", 0),
            "failed": amount.where(state == "failed", 0),
            "not_seen": amount.where(state == "not seen", 0),
            "other": (amount - net).where(~lost, 0),
            "bank_total": bank.to_numpy(),
            "ledger_total": on_ledger,
        }
    )
    table = table.groupby(["term", "draw_date"], as_index=False, sort=True).sum()
    table["difference"] = table["bank_total"] - table["ledger_total"]
    return table[[column.name for column in OUTPUTS["draw_dates"]]].astype({"lines": "int64"})


def settlement_days(lines: pd.DataFrame, events: pd.DataFrame, money: pd.DataFrame) -> pd.DataFrame:
    """Per settlement day and method: what the deposit should show.

    Out:     OUTPUTS["settlement_days"]: net = cleared + fees - returned - refunded. cleared is without the card fee, which stands in fees;
             returned and refunded are the cents that they undid; no_money is declines and returns that moved none.
    """
    method = events["method"].to_numpy(dtype=object).copy()
    amount, at = events["amount"].to_numpy(), money["line_at"].to_numpy()
    fee = np.zeros(len(events), dtype=np.int64)
    if len(lines):
        of_line = np.where(at != NOBODY, lines["method"].to_numpy(dtype=object)[at], "")
        method = np.where(method == "", of_line, method)
        fee_part = lines["gross"].to_numpy()[at] - lines["amount"].to_numpy()[at]
        fee = np.where((at != NOBODY) & (amount == lines["gross"].to_numpy()[at]), fee_part, 0)
    cleared = (events["outcome"] == "cleared").to_numpy(dtype=bool)
    undoes = money["undoes"].to_numpy()
    refunded = (events["outcome"] == "refunded").to_numpy(dtype=bool)
    table = pd.DataFrame(
        {
            "settled_on": events["settled_on"],
            "method": pd.Series(method, dtype="str"),
            "cleared": np.where(cleared, amount - fee, 0),
            "returned": np.where(~cleared & ~refunded, undoes, 0),
            "refunded": np.where(refunded, undoes, 0),
            "fees": np.where(cleared, fee, 0),
            "no_money": np.where(cleared, 0, amount - undoes),
        }
    )
    table = table.groupby(["settled_on", "method"], as_index=False, sort=True).sum()
    table["net"] = table["cleared"] + table["fees"] - table["returned"] - table["refunded"]
    return table[[column.name for column in OUTPUTS["settlement_days"]]]


def next_draws(
    lines: pd.DataFrame,
    stopped: Bools,
    row_of_line: np.ndarray[tuple[int], np.dtype[np.int64]],
    advice: Mapping[int, Advice],
    decide: Bools,
    rules: Rules,
    days: BankingDays,
) -> pd.DataFrame:
    """Per coming draw date: how much will be taken, how much of it is in question and why, and by when one must act.

    In:      lines with state; whether each line's plan is under a stop; the row of plans of each line; the advice by row; which rows a
             person must decide first.
    Out:     OUTPUTS["next_draws"]: in_question is, of each line in question, the cents that would change (all of them on a stopped plan or
             while a person decides); proposed is what the date should take; notice_by is draw_date less notice_days; last_day_to_stop is
             the last banking day before the draw is taken: the bank's own cut-off may be earlier.
    """
    pending = np.flatnonzero((lines["state"] == "pending").to_numpy(dtype=bool))
    part = lines.iloc[pending]
    new = {(plan, line): cents for found in advice.values() for _day, _old, cents, plan, line in found.draws}
    rows = []
    about = (part["plan_id"].tolist(), part["line"].tolist(), part["amount"].tolist())
    for plan, line, amount, is_stopped, row in zip(*about, stopped[pending].tolist(), row_of_line[pending].tolist(), strict=True):
        proposed = new.get((plan, line), amount)
        if is_stopped:
            rows.append((amount, "under a stop", proposed))
        elif decide[row]:
            rows.append((amount, "a person decides first", amount))
        elif proposed != amount:
            rows.append((abs(amount - proposed), "plan exceeds bill" if proposed < amount else "plan below bill", proposed))
        elif row in advice and advice[row].to_stop:
            rows.append((amount, "too near for a notice, and not owed", proposed))
        else:
            rows.append((0, "", proposed))
    found = pd.DataFrame(rows, columns=["in_question", "why", "proposed"])
    found = found.astype({"in_question": "int64", "proposed": "int64", "why": "str"})
    table = pd.concat([part[["term", "draw_date", "taken_on", "amount"]].reset_index(drop=True), found], axis=1)
    return _by_date(table, rules, days)


def _by_date(table: pd.DataFrame, rules: Rules, days: BankingDays) -> pd.DataFrame:
    why = table[table["why"] != ""].groupby(["term", "draw_date", "why"], sort=True).size().reset_index(name="count")
    reasons: dict[tuple[object, object], list[str]] = {}
    for term, day, reason, count in why.itertuples(index=False):
        reasons.setdefault((term, day), []).append(f"{reason}: {count} lines" if count != 1 else f"{reason}: 1 line")
    grouped = table.assign(lines=1, lines_in_question=(table["why"] != "").astype("int64")).groupby(["term", "draw_date"], sort=True)
    found = grouped.agg(
        taken_on=("taken_on", "first"),
        lines=("lines", "sum"),
        scheduled=("amount", "sum"),
        lines_in_question=("lines_in_question", "sum"),
        in_question=("in_question", "sum"),
        proposed=("proposed", "sum"),
    ).reset_index()
    found["why"] = pd.Series(["; ".join(reasons.get(key, [])) for key in zip(found["term"], found["draw_date"], strict=True)], dtype="str")
    found["notice_by"] = found["draw_date"] - pd.to_timedelta(rules.plans.notice_days, unit="D")
    stop = days.add_numbers(day_numbers(found["taken_on"]), -1) if len(found) else np.zeros(0, dtype=np.int64)
    found["last_day_to_stop"] = pd.Series(stop.astype("datetime64[D]").astype("datetime64[s]"))
    kinds = {"lines": "int64", "lines_in_question": "int64", "notice_by": "datetime64[s]", "taken_on": "datetime64[s]"}
    return found.astype(kinds)[[column.name for column in OUTPUTS["next_draws"]]]
