"""Tables by day: what each draw date came to, what each settlement day should show at the bank, what the coming dates will take."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.events import NOBODY, day_numbers
from reconcile.ledger import POSTED, TAKEN_OFF
from reconcile.line_order import order_of_lines
from reconcile.notices import last_days_to_stop
from reconcile.schemas import OUTPUTS
from reconcile.texts import among, first_true, is_word, picked, words

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reconcile.events import Bools, Ints
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
    state = {name: is_word(lines["state"], name) for name in ("in transit", "failed", "not seen")}
    lost = state["in transit"] | state["failed"] | state["not seen"]
    bank = np.zeros(len(lines), dtype=np.int64)
    np.add.at(bank, pairs["line"].to_numpy(), pairs["cents"].to_numpy())
    on_ledger = _ledger_by_line(lines, pairs, ledger, postings, money)
    table = pd.DataFrame(
        {
            "term": lines["term"],
            "draw_date": lines["draw_date"],
            "lines": 1,
            "scheduled": amount,
            "cleared": net,
            "in_transit": amount.where(state["in transit"], 0),
            "failed": amount.where(state["failed"], 0),
            "not_seen": amount.where(state["not seen"], 0),
            "other": (amount - net).where(~lost, 0),
            "bank_total": bank,
            "ledger_total": on_ledger,
        }
    )
    table = table.groupby(["term", "draw_date"], as_index=False, sort=True).sum()
    table["difference"] = table["bank_total"] - table["ledger_total"]
    return table[[column.name for column in OUTPUTS["draw_dates"]]].astype({"lines": "int64"})


def _ledger_by_line(lines: pd.DataFrame, pairs: pd.DataFrame, ledger: pd.DataFrame, postings: pd.DataFrame, money: pd.DataFrame) -> Ints:
    """Net cents of the plan draw postings of each line; a posting of an event over several lines divides as the event does.

    What the event's own shares do not hold (part of it came back since) goes to the last of its lines, the oldest first.
    """
    posted = ledger[among(ledger["how"], [POSTED, TAKEN_OFF])]
    event, cents = posted["event"].to_numpy(), postings["amount"].to_numpy()[posted["posting"].to_numpy()]
    line = money["line_at"].to_numpy()[event]
    spread = pairs[pairs["event"].duplicated(keep=False)]  # also what came back of such an event: off the last line
    divided = np.isin(event, spread["event"].to_numpy())
    total = np.zeros(len(lines), dtype=np.int64)
    whole = (line != NOBODY) & ~divided
    np.add.at(total, line[whole], cents[whole])
    shares: dict[int, list[tuple[int, int]]] = {}
    for at, on, share in _oldest_first(spread, lines)[["event", "line", "cents"]].itertuples(index=False):
        shares.setdefault(at, []).append((on, share))
    for at, left in zip(event[divided].tolist(), cents[divided].tolist(), strict=True):
        *others, (last, _share) = shares[at]
        for on, share in others:
            total[on] += share
        total[last] += left - sum(share for _on, share in others)
    return total


def _oldest_first(spread: pd.DataFrame, lines: pd.DataFrame) -> pd.DataFrame:
    """Pairs of events over several lines, the lines by draw date, plan and line as a number."""
    if spread.empty:
        return spread
    at = np.unique(spread["line"].to_numpy())
    own = lines[["term", "student_id", "plan_id", "line", "draw_date"]].iloc[at].reset_index(drop=True)
    by_name = order_of_lines(own)
    by_day = by_name[np.argsort(day_numbers(own["draw_date"])[by_name], kind="stable")]
    rank = np.empty(len(at), dtype=np.int64)
    rank[by_day] = np.arange(len(at))
    return spread.take(np.argsort(rank[np.searchsorted(at, spread["line"].to_numpy())], kind="stable"))


def settlement_days(lines: pd.DataFrame, events: pd.DataFrame, money: pd.DataFrame) -> pd.DataFrame:
    """Per settlement day and method: what the deposit should show.

    Out:     OUTPUTS["settlement_days"]: net = cleared + fees - returned - refunded. cleared is without the card fee, which stands in fees;
             returned and refunded are the cents that they undid; no_money is declines, and what of returns and refunds undid no money.
             Where the bank took it all the same, its deposit is lower by it.
    """
    method = events["method"]
    amount, at = events["amount"].to_numpy(), money["line_at"].to_numpy()
    fee = np.zeros(len(events), dtype=np.int64)
    if len(lines):
        method = method.where(~is_word(method, ""), picked(lines["method"], at))
        fee_part = lines["gross"].to_numpy()[at] - lines["amount"].to_numpy()[at]
        fee = np.where((at != NOBODY) & (amount == lines["gross"].to_numpy()[at]), fee_part, 0)
    cleared = is_word(events["outcome"], "cleared")
    undoes = money["undoes"].to_numpy()
    refunded = is_word(events["outcome"], "refunded")
    table = pd.DataFrame(
        {
            "settled_on": events["settled_on"],
            "method": method,
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


def coming_draws(
    lines: pd.DataFrame, stopped: Bools, row_of_line: Ints, advice: Mapping[int, Advice], decide: Bools, ask: Bools
) -> pd.DataFrame:
    """Per coming draw date and reason: how many lines and how much will be taken, and how much of it is in question; adds up over parts.

    In:      lines with state; whether each line's plan is under a stop; the row of plans of each line; the advice by row; which rows a
             person must decide first, and of which the family must be asked first.
    Out:     term, draw_date, why ("" where nothing is in question), taken_on, lines, scheduled, lines_in_question, in_question, proposed.
             A line is in question where a proposal changes it, a stop forbids it, a person decides about it first, or it is not owed and
             too near for a notice; not where a change would only be proposed after an answer. in_question is the difference of a line
             that changes, and the whole of every other; proposed is what the date should take.
    """
    pending = np.flatnonzero(is_word(lines["state"], "pending"))
    part = lines[["term", "draw_date", "taken_on", "amount", "plan_id", "line"]].iloc[pending].reset_index(drop=True)
    row, under_stop, amount = row_of_line[pending], stopped[pending], part["amount"].to_numpy()
    proposed = _proposed(part, row, advice)
    to_stop = np.zeros(len(decide), dtype=np.bool_)
    to_stop[[at for at, found in advice.items() if found.to_stop]] = True
    undecided = decide[row] & ~under_stop
    proposed = np.where(undecided, amount, proposed)
    changes, too_late = proposed != amount, to_stop[row]
    why = first_true([under_stop, undecided, (changes | too_late) & ask[row], proposed < amount, proposed > amount, too_late])
    moved = np.where(under_stop | undecided, amount, np.where(changes, np.abs(amount - proposed), np.where(too_late, amount, 0)))
    reason = words(why, _WHY)
    asked = (why < len(_WHY) - 1).astype(np.int64)
    table = part.rename(columns={"amount": "scheduled"}).assign(
        why=reason, lines=1, lines_in_question=asked, in_question=moved, proposed=proposed
    )
    grouped = table.groupby(["term", "draw_date", "why"], sort=True)
    found = grouped.agg({"taken_on": "first"} | dict.fromkeys(_ADDED, "sum")).reset_index()
    return found.astype(dict.fromkeys(_ADDED, "int64") | {"taken_on": "datetime64[s]"})


_ADDED = ("lines", "scheduled", "lines_in_question", "in_question", "proposed")
_WHY = (
    *("under a stop", "a person decides first", "only if not paid outside the plan"),
    *("plan exceeds bill", "plan below bill", "too near for a notice, and not owed", ""),
)


def _proposed(part: pd.DataFrame, row: Ints, advice: Mapping[int, Advice]) -> Ints:
    """What each pending line should take: its own amount where nothing else is proposed."""
    new = {(plan, line): cents for found in advice.values() for _day, _old, cents, plan, line in found.draws}
    proposed = part["amount"].to_numpy().copy()
    asked = np.flatnonzero(np.isin(row, [at for at, found in advice.items() if found.draws]))
    names = part[["plan_id", "line"]].iloc[asked]
    for at, key in zip(asked.tolist(), zip(names["plan_id"].tolist(), names["line"].tolist(), strict=True), strict=True):
        proposed[at] = new.get(key, proposed[at])
    return np.asarray(proposed)


def next_draws(coming: pd.DataFrame, rules: Rules) -> pd.DataFrame:
    """Per coming draw date: how much will be taken, how much of it is in question and why, and by when one must act.

    In:      the rows of `coming_draws` of all parts.
    Out:     OUTPUTS["next_draws"]: notice_by is draw_date less notice_days; last_day_to_stop is the last banking day before the draw is
             taken: the bank's own cut-off may be earlier.
    """
    asked = coming[~is_word(coming["why"], "")].groupby(["term", "draw_date", "why"], sort=True)["lines"].sum().reset_index()
    reasons: dict[tuple[object, object], list[str]] = {}
    for term, day, reason, count in asked.itertuples(index=False):
        reasons.setdefault((term, day), []).append(f"{reason}: {count} lines" if count != 1 else f"{reason}: 1 line")
    grouped = coming.groupby(["term", "draw_date"], sort=True)
    found = grouped.agg({"taken_on": "first"} | dict.fromkeys(_ADDED, "sum")).reset_index()
    found["why"] = pd.Series(["; ".join(reasons.get(key, [])) for key in zip(found["term"], found["draw_date"], strict=True)], dtype="str")
    found["notice_by"] = found["draw_date"] - pd.to_timedelta(rules.plans.notice_days, unit="D")
    stop = last_days_to_stop(day_numbers(found["taken_on"]), rules.banking_days()) if len(found) else np.zeros(0, dtype=np.int64)
    found["last_day_to_stop"] = pd.Series(stop.astype("datetime64[D]").astype("datetime64[s]"))
    kinds = {"lines": "int64", "lines_in_question": "int64", "notice_by": "datetime64[s]", "taken_on": "datetime64[s]"}
    return found.astype(kinds)[[column.name for column in OUTPUTS["next_draws"]]]
