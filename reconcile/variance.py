"""Where the remaining plan no longer equals the remaining balance, and why, to the cent.

    variance = pending_draws - balance_to_meet

People read "plan over by" (positive: the draws to come would take more than is owed) or "plan short by" (negative). Each cause has its own
formula and none is worked out as the remainder; what they do not explain must be 0, or the run stops.

The *baseline* is the day on which the plan was last set to the bill: what changed on the bill since then is a cause, what was unequal on
that day is `set_off_the_bill`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.aid import COUNTED, aid_standing
from reconcile.coverage import Keys, on_the_bill
from reconcile.events import day_numbers

if TYPE_CHECKING:
    from datetime import date

    from reconcile.events import Bools, Ints
    from reconcile.policy import Rules

CAUSES = (
    "set_off_the_bill",
    "does_not_add_up",
    "cancelled",
    "charges_changed",
    "aid_changed",
    "other_credits_changed",
    "failed_and_not_seen",
    "uncleared",
    "above_schedule",
    "without_a_line",
)
WITH_MONEY = ("cleared", "part cleared")
COMING = ("pending", "in transit")


@dataclass(frozen=True)
class BillRows:
    """What moves a bill, dated: charges (with `outside`), aid, and credits other than plan draws (with `day`); cents.

    `met` cents of charges and of credits are those of outside charges and the payments that met them.
    """

    charges: pd.DataFrame
    aid: pd.DataFrame
    credits: pd.DataFrame


class PlanKeys(Keys):
    """Students and terms with a plan."""

    def lookup(self, table: pd.DataFrame) -> Ints:
        """Position of each row's student and term among those with a plan, or -1."""
        packed = self._pack(table)
        known = self.terms.get_indexer(pd.Index(table["term"])) >= 0
        known &= self.students.get_indexer(pd.Index(table["student_id"])) >= 0
        at = np.minimum(np.searchsorted(self._known, packed), max(len(self._known) - 1, 0))
        hit = known & (self._known[at] == packed) if len(self._known) else np.zeros(len(table), dtype=bool)
        return np.where(hit, at, -1).astype(np.int64)

    def sum(self, at: Ints, cents: Ints) -> Ints:
        """Cents summed by position; rows at -1 belong to nobody with a plan."""
        total = np.zeros(len(self), dtype=np.int64)
        has = at >= 0
        np.add.at(total, at[has], np.asarray(cents)[has])
        return total


def variances(
    lines: pd.DataFrame, bill: BillRows, money: pd.DataFrame, students: pd.DataFrame, rules: Rules, as_of: date
) -> tuple[pd.DataFrame, PlanKeys]:
    """Work out for each student and term with a plan the variance and its causes.

    In:      lines with cleared and state; what moves the bill; where bank money went; students (standings). Cents.
    Out:     one row per student and term with a plan: plan_ids, enrolled_on, baseline, plan_total, active_lines, cleared, pending_draws,
             failed, not_seen, balance_to_meet, variance, the columns of CAUSES, unexplained; and `lapsed`, aid that stood at the
             baseline and lapsed since.
    Rules:   terms.toml billed_on and fee_on_bill, plans.toml outside_plan, aid.toml
    Keeps:   the causes add up to variance: unexplained is 0.
    """
    keys = PlanKeys([lines], (term.code for term in rules.terms))
    at = keys.lookup(lines)
    parts = _LineSums(lines, at, keys, rules)
    plan_total = _plan_totals(lines, at, keys)
    baseline = _baselines(lines, at, keys, rules, as_of)
    standing = _bill_as_of(bill, keys, baseline, rules, as_of)
    on_day = keys.lookup(students)
    placed = students[on_day >= 0]
    own = on_day[on_day >= 0]
    balance, expected, pending = (_aligned(placed, own, name, len(keys)) for name in ("balance_now", "aid_anticipated", "pending_draws"))
    meet = balance - expected - standing["open_outside"]
    held = np.minimum(parts.cancelled, np.maximum(0, plan_total - parts.active))
    lost = parts.failed + parts.not_seen + parts.fees_failed + parts.fees_not_seen
    rolled = np.minimum(lost, np.maximum(0, parts.active - plan_total))
    no_line = money["on_cancelled_lines"] + money["undecided"] + money["without_a_line"]
    table = pd.DataFrame(
        {
            **keys.columns(),
            "plan_ids": _plan_ids(lines, at, len(keys)),
            "enrolled_on": _first_day(lines, at, len(keys)),
            "baseline": _dates(baseline),
            "plan_total": plan_total,
            "active_lines": parts.active,
            "cleared": parts.cleared,
            "pending_draws": pending,
            "failed": parts.failed + parts.fees_failed,
            "not_seen": parts.not_seen + parts.fees_not_seen,
            "balance_to_meet": meet,
            "variance": pending - meet,
            "set_off_the_bill": plan_total + parts.fees_open - standing["bill_at_baseline"],
            "does_not_add_up": parts.active + held - rolled - plan_total,
            "cancelled": -held,
            "charges_changed": -standing["charges_since"],
            "aid_changed": standing["aid_since"],
            "other_credits_changed": standing["credits_since"],
            "failed_and_not_seen": -(lost - rolled),
            "uncleared": -parts.uncleared,
            "above_schedule": parts.above,
            "without_a_line": keys.sum(keys.lookup(money), no_line.to_numpy()),
            "lapsed": standing["lapsed"],
        }
    )
    return table.assign(unexplained=table["variance"] - table[list(CAUSES)].sum(axis=1)), keys


class _LineSums:
    """Sums over the lines of each student and term; fee lines apart, and only where the term bills them."""

    def __init__(self, lines: pd.DataFrame, at: Ints, keys: PlanKeys, rules: Rules) -> None:
        amount, net = lines["amount"].to_numpy(), lines["cleared"].to_numpy()
        state = lines["state"]
        fee = (lines["kind"] == "fee").to_numpy(dtype=bool)
        live = (lines["line_status"] == "active").to_numpy(dtype=bool)
        active = live & ~fee
        billed_fee = live & fee & on_the_bill(lines, rules)
        is_in = {name: (state == name).to_numpy(dtype=bool) for name in ("failed", "not seen", "cancelled")}
        paid = state.isin(WITH_MONEY).to_numpy(dtype=bool)
        coming = state.isin(COMING).to_numpy(dtype=bool)

        def total(which: Bools, cents: Ints) -> Ints:
            return keys.sum(at[which], cents[which])

        self.active = total(active, amount)
        self.cancelled = total(~live & ~fee, amount)
        self.cleared = total(active, net)
        self.failed, self.not_seen = total(active & is_in["failed"], amount), total(active & is_in["not seen"], amount)
        self.fees_failed = total(billed_fee & is_in["failed"], amount)
        self.fees_not_seen = total(billed_fee & is_in["not seen"], amount)
        self.fees_open = total(billed_fee & coming, amount) + self.fees_failed + self.fees_not_seen
        rest = np.maximum(0, amount - net)
        self.refunded = total(active & is_in["cancelled"], rest)
        self.uncleared = total(active & paid, rest) + self.refunded
        self.above = total(active & paid, np.maximum(0, net - amount))


def _plan_totals(lines: pd.DataFrame, at: Ints, keys: PlanKeys) -> Ints:
    """Sum of the plan totals.

    A plan without an active uncleared line that another plan followed (or replaced on the same day) counts with its active lines.
    """
    live = ((lines["line_status"] == "active") & (lines["kind"] != "fee")).to_numpy(dtype=bool)
    open_line = live & ~lines["state"].isin([*WITH_MONEY, "cancelled"]).to_numpy(dtype=bool)
    frame = pd.DataFrame(
        {
            "at": at,
            "plan_id": lines["plan_id"],
            "plan_total": lines["plan_total"],
            "enrolled_on": lines["enrolled_on"],
            "open": open_line,
            "active": np.where(live, lines["amount"], 0),
        }
    )
    plans = frame.groupby("plan_id", sort=True).agg(
        at=("at", "first"),
        plan_total=("plan_total", "first"),
        enrolled_on=("enrolled_on", "first"),
        open=("open", "any"),
        active=("active", "sum"),
    )
    plans = plans.reset_index().sort_values(["at", "enrolled_on", "plan_id"])
    last = plans.groupby("at")["enrolled_on"].transform("max")
    followed = (plans["at"].duplicated(keep=False) & ((plans["enrolled_on"] < last) | _another_that_day(plans))).to_numpy(dtype=bool)
    counts = np.where(followed & ~plans["open"].to_numpy(dtype=bool), plans["active"], plans["plan_total"])
    return keys.sum(plans["at"].to_numpy(), counts)


def _another_that_day(plans: pd.DataFrame) -> pd.Series:
    """Whether another plan of the student and term was enrolled on the same day (a plan entered anew)."""
    return plans.duplicated(["at", "enrolled_on"], keep=False)


def _baselines(lines: pd.DataFrame, at: Ints, keys: PlanKeys, rules: Rules, as_of: date) -> Ints:
    """The end of the latest of set_on (over plans with an active line) and the term's billed_on, never after the as-of date."""
    today = np.datetime64(as_of, "D").astype("int64")
    billed = {term.code: np.datetime64(term.billed_on, "D").astype("int64") for term in rules.terms}
    base = keys.columns()["term"].map(billed).to_numpy(dtype=np.int64).copy()
    live = ((lines["line_status"] == "active") & (lines["kind"] != "fee")).to_numpy(dtype=bool)
    active_plans = lines.loc[live, "plan_id"].unique()
    counts = lines["plan_id"].isin(active_plans).to_numpy(dtype=bool)
    np.maximum.at(base, at[counts], day_numbers(lines["set_on"])[counts])
    return np.asarray(np.minimum(base, today))


def _bill_as_of(bill: BillRows, keys: PlanKeys, baseline: Ints, rules: Rules, as_of: date) -> dict[str, Ints]:
    """What moves the bill, at the baseline and since; one function (`_upto`) gives both ends."""
    today = np.full(len(keys), np.datetime64(as_of, "D").astype("int64"))
    outside, plain = bill.charges[bill.charges["outside"]], bill.charges[~bill.charges["outside"]]

    def upto(rows: pd.DataFrame, days: Ints, column: str, until: Ints) -> Ints:
        at = keys.lookup(rows)
        if not len(until):
            return until
        counted = (at >= 0) & (days <= until[at])
        return keys.sum(np.where(counted, at, -1), rows[column].to_numpy())

    def ends(rows: pd.DataFrame, days: Ints, column: str) -> tuple[Ints, Ints]:
        return upto(rows, days, column, baseline), upto(rows, days, column, today)

    charges = ends(plain, day_numbers(plain["posted_on"]), "amount")
    credit = ends(bill.credits, bill.credits["day"].to_numpy(), "for_plan")
    aid_at = keys.lookup(bill.aid)
    has = aid_at >= 0
    aid, aid_at = bill.aid[has], aid_at[has]
    then = aid_standing(aid, rules, baseline[aid_at], as_of)
    now = aid_standing(aid, rules, today[aid_at], as_of)
    amount = aid["amount"].to_numpy()

    def stood(standing: pd.Series) -> Ints:
        return keys.sum(aid_at, np.where(standing.isin(COUNTED), amount, 0))

    lapsed = keys.sum(aid_at, np.where(then.isin(COUNTED) & (now == "lapsed"), amount, 0))
    return {
        "bill_at_baseline": charges[0] - stood(then) - credit[0],
        "charges_since": charges[1] - charges[0],
        "aid_since": stood(now) - stood(then),
        "credits_since": credit[1] - credit[0],
        "open_outside": upto(outside, day_numbers(outside["posted_on"]), "open", today),
        "lapsed": np.maximum(0, lapsed),
    }


def _aligned(rows: pd.DataFrame, at: Ints, name: str, count: int) -> Ints:
    values = np.zeros(count, dtype=np.int64)
    values[at] = rows[name].to_numpy()
    return values


def _dates(days: Ints) -> pd.Series:
    return pd.Series(days.astype("datetime64[D]").astype("datetime64[s]"))


def _first_day(lines: pd.DataFrame, at: Ints, count: int) -> pd.Series:
    first = np.full(count, np.iinfo(np.int64).max, dtype=np.int64)
    np.minimum.at(first, at, day_numbers(lines["enrolled_on"]))
    return _dates(first)


def _plan_ids(lines: pd.DataFrame, at: Ints, count: int) -> pd.Series:
    """Plan ids of each student and term, in the order of enrollment."""
    plans = pd.DataFrame({"at": at, "plan_id": lines["plan_id"], "enrolled_on": lines["enrolled_on"]}).drop_duplicates(["at", "plan_id"])
    plans = plans.sort_values(["at", "enrolled_on", "plan_id"])
    texts = np.full(count, "", dtype=object)
    alone = ~plans["at"].duplicated(keep=False)
    texts[plans.loc[alone, "at"].to_numpy()] = plans.loc[alone, "plan_id"].to_numpy(dtype=object)
    for where, ids in plans[~alone].groupby("at")["plan_id"]:
        texts[int(where)] = "; ".join(ids)  # type: ignore[arg-type]  # the group's name is the position
    return pd.Series(texts, dtype="str")
