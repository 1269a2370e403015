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
from reconcile.texts import among, codes_of, is_word, positions, spread

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
        },
        copy=False,
    )
    return table.assign(unexplained=table["variance"] - table[list(CAUSES)].sum(axis=1)), keys


class _LineSums:
    """Sums over the lines of each student and term; fee lines apart, and only where the term bills them."""

    def __init__(self, lines: pd.DataFrame, at: Ints, keys: PlanKeys, rules: Rules) -> None:
        amount, net = lines["amount"].to_numpy(), lines["cleared"].to_numpy()
        state = lines["state"]
        fee = is_word(lines["kind"], "fee")
        live = is_word(lines["line_status"], "active")
        active = live & ~fee
        billed_fee = live & fee & on_the_bill(lines, rules)
        is_in = {name: is_word(state, name) for name in ("failed", "not seen", "cancelled")}
        paid, coming = among(state, WITH_MONEY), among(state, COMING)

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
    live = is_word(lines["line_status"], "active") & ~is_word(lines["kind"], "fee")
    open_line = live & ~among(lines["state"], [*WITH_MONEY, "cancelled"])
    plan, first = _plan_numbers(lines)
    plans = pd.DataFrame({"at": at[first], "enrolled": day_numbers(lines["enrolled_on"])[first]})
    total = lines["plan_total"].to_numpy()[first]
    active = np.zeros(len(first), dtype=np.int64)
    np.add.at(active, plan[live], lines["amount"].to_numpy()[live])
    is_open = np.zeros(len(first), dtype=np.bool_)
    is_open[plan[open_line]] = True
    last = np.full(len(keys), np.iinfo(np.int64).min, dtype=np.int64)
    np.maximum.at(last, plans["at"].to_numpy(), plans["enrolled"].to_numpy())
    earlier = (plans["enrolled"] < last[plans["at"]]).to_numpy()
    # A plan entered anew on the same day counts as followed too.
    followed = plans["at"].duplicated(keep=False).to_numpy() & (earlier | plans.duplicated(["at", "enrolled"], keep=False).to_numpy())
    return keys.sum(at[first], np.where(followed & ~is_open, active, total))


def _plan_numbers(lines: pd.DataFrame) -> tuple[Ints, Ints]:
    """A dense number for each line's plan, and for each plan the position of its first line."""
    plan, different = codes_of(lines["plan_id"])
    first = np.full(len(different), -1, dtype=np.int64)
    first[plan[::-1]] = np.arange(len(plan))[::-1]
    return plan.astype(np.int64), first


def _baselines(lines: pd.DataFrame, at: Ints, keys: PlanKeys, rules: Rules, as_of: date) -> Ints:
    """The end of the latest of set_on (over plans with an active line) and the term's billed_on, never after the as-of date."""
    today = np.datetime64(as_of, "D").astype("int64")
    billed = {term.code: np.datetime64(term.billed_on, "D").astype("int64") for term in rules.terms}
    term = positions(keys.terms, keys.columns()["term"])
    base = np.array([billed[code] for code in keys.terms], dtype=np.int64)[term]
    live = is_word(lines["line_status"], "active") & ~is_word(lines["kind"], "fee")
    plan, first = _plan_numbers(lines)
    has_active = np.zeros(len(first), dtype=np.bool_)
    has_active[plan[live]] = True
    counts = has_active[plan]
    np.maximum.at(base, at[counts], day_numbers(lines["set_on"])[counts])
    return np.asarray(np.minimum(base, today))


def _bill_as_of(bill: BillRows, keys: PlanKeys, baseline: Ints, rules: Rules, as_of: date) -> dict[str, Ints]:
    """What moves the bill, at the baseline and since; one function (`_upto`) gives both ends."""
    today = np.full(len(keys), np.datetime64(as_of, "D").astype("int64"))
    charge_at, charged = keys.lookup(bill.charges), day_numbers(bill.charges["posted_on"])
    outside = bill.charges["outside"].to_numpy(dtype=bool)

    def upto(at: Ints, days: Ints, cents: Ints, until: Ints) -> Ints:
        if not len(until):
            return until
        counted = (at >= 0) & (days <= until[at])
        return keys.sum(at[counted], cents[counted])

    def ends(at: Ints, days: Ints, cents: Ints) -> tuple[Ints, Ints]:
        return upto(at, days, cents, baseline), upto(at, days, cents, today)

    charges = ends(charge_at, charged, np.where(outside, 0, bill.charges["amount"].to_numpy()))
    credit = ends(keys.lookup(bill.credits), bill.credits["day"].to_numpy(), bill.credits["for_plan"].to_numpy())
    aid_at = keys.lookup(bill.aid)
    has = aid_at >= 0
    aid, aid_at = bill.aid[has], aid_at[has]
    then = aid_standing(aid, rules, baseline[aid_at], as_of)
    now = aid_standing(aid, rules, today[aid_at], as_of)
    amount = aid["amount"].to_numpy()

    def stood(standing: pd.Series) -> Ints:
        return keys.sum(aid_at, np.where(among(standing, COUNTED), amount, 0))

    lapsed = keys.sum(aid_at, np.where(among(then, COUNTED) & is_word(now, "lapsed"), amount, 0))
    return {
        "bill_at_baseline": charges[0] - stood(then) - credit[0],
        "charges_since": charges[1] - charges[0],
        "aid_since": stood(now) - stood(then),
        "credits_since": credit[1] - credit[0],
        "open_outside": upto(charge_at, charged, np.where(outside, bill.charges["open"].to_numpy(), 0), today),
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
    _, first = _plan_numbers(lines)
    plans = pd.DataFrame({"at": at[first], "plan_id": lines["plan_id"].iloc[first], "enrolled_on": lines["enrolled_on"].iloc[first]})
    several = plans[plans["at"].duplicated(keep=False)].sort_values(["at", "enrolled_on", "plan_id"])
    joined = several.groupby("at")["plan_id"].agg("; ".join)
    alone = plans[~plans["at"].duplicated(keep=False)]
    where = np.concatenate([alone["at"].to_numpy(), joined.index.to_numpy(dtype=np.int64)])
    return spread(count, where, pd.concat([alone["plan_id"], joined.astype("str")], ignore_index=True))
