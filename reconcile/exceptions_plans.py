"""Exceptions of plans that are not as the rules would have them.

A second plan in the term, one begun too late, dates or amounts off the rules, lines that do not add up, no down payment, no fee. They look
at the plan as enrolled: a plan that was set anew since then is not held against the rules' dates and amounts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from reconcile.banking_days import from_day_number
from reconcile.events import day_numbers
from reconcile.exception_facts import Fact, day_text, sentence, who
from reconcile.exception_last_days import stop_by
from reconcile.money import people_money
from reconcile.schedule import by_rule, tier_at

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.events import Bools, Ints
    from reconcile.exception_ground import Ground
    from reconcile.policy_models import Term, Tier

OPEN_STATES = ("pending", "in transit", "failed", "not seen")


def plans_off_the_rules(on: Ground) -> Iterator[Fact]:
    """Facts of the group `plan not by the rules`.

    Rules:   terms.toml, plans.toml one_plan_per_student, plan_tolerance and split
    """
    plans = _plan_table(on)
    if plans.empty:
        return
    yield from _second_plan(on, plans)
    yield from _too_late(on, plans)
    odd = _does_not_add_up(on, plans)
    yield from (fact for fact, _plan in odd)
    without_down = _down_payment_missing(on, plans)
    yield from (fact for fact, _plan in without_down)
    silent = {plan for _fact, plan in (*odd, *without_down)}
    yield from _off_the_rules(on, plans, silent)
    yield from _fee_missing(on, plans)


def _plan_table(on: Ground) -> pd.DataFrame:
    """One row per plan, in the order of plan ids: its facts and the cents of its lines by what they are."""
    lines = on.at.lines
    live, draws = on.lines["line_status"].are("active"), ~on.lines["kind"].are("fee")
    amount, code = on.lines["amount"], on.at.book.line_plan
    count = len(on.at.book.plans)
    first = _first_lines(on)

    def total(which: Bools) -> Ints:
        found = np.zeros(count, dtype=np.int64)
        np.add.at(found, code[which], amount[which])
        return found

    def has(which: Bools) -> Bools:
        found = np.zeros(count, dtype=bool)
        found[code[which]] = True
        return found

    is_open = live & draws & on.lines["state"].are(*OPEN_STATES)
    down = on.lines["kind"].are("down payment")
    missed = np.zeros(len(lines), dtype=bool)
    missed[on.likely] = True
    own = lines[["plan_id", "student_id", "term", "enrolled_on", "plan_total", "method"]].iloc[first].reset_index(drop=True)
    return own.assign(
        first=first,
        row=on.row_of_line[first],
        live=has(live & draws),
        open=has(is_open),
        to_come=total(is_open),
        active=total(live & draws),
        cancelled=total(~live & draws),
        lost=total(live & draws & missed),
        has_fee=has(~draws),
        has_down=has(down & (amount > 0)),
        down=total(down),
        set_later=has(day_numbers(lines["set_on"]) > day_numbers(lines["enrolled_on"])),
    )


def _first_lines(on: Ground) -> Ints:
    """Position of the first line of each plan: the earliest draw date, and of several of that day the first by the text of its line."""
    code, day = on.at.book.line_plan, on.lines["draw_date"]
    earliest = np.full(len(on.at.book.plans), np.iinfo(np.int64).max, dtype=np.int64)
    np.minimum.at(earliest, code, day)
    here = np.flatnonzero(day == earliest[code])
    if len(here) > len(earliest):  # only plans with several lines on their first day
        several = np.bincount(code[here], minlength=len(earliest))[code[here]] > 1
        tied = here[several]
        tied = tied[np.argsort(pd.factorize(on.at.lines["line"].iloc[tied], sort=True)[0], kind="stable")]
        here = np.concatenate([here[~several], tied])
    first = np.zeros(len(earliest), dtype=np.int64)
    first[code[here[::-1]]] = here[::-1]
    return first


def _fact(on: Ground, plans: pd.DataFrame, at: int, kind: str, amount: int, happened: int, gaps: dict[str, object]) -> Fact:
    own = {name: on.columns(plans)[name][at] for name in ("term", "student_id", "plan_id", "row", "first")}
    words = {"who": who(own["student_id"], own["plan_id"]), "consequence": on.consequence(int(own["row"])), "amount": amount} | gaps
    return Fact(
        kind=kind,
        term=own["term"],
        student_id=own["student_id"],
        plan_id=own["plan_id"],
        line="",
        amount=amount,
        happened=happened,
        what=sentence(kind, **words),
        evidence=(on.lines.at(int(own["first"])),),
    )


def _second_plan(on: Ground, plans: pd.DataFrame) -> Iterator[Fact]:
    """Each plan with money still to come that another such plan of the student and term came before."""
    if not on.rules.plans.one_plan_per_student:
        return
    held = plans[plans["open"].to_numpy()]
    held = held[held["row"].duplicated(keep=False)].sort_values(["row", "enrolled_on", "plan_id"])
    again = held["row"].duplicated()
    for at in held.index[again].tolist():
        mine = held[held["row"] == held.loc[at, "row"]]
        other = mine.iloc[0]
        gaps: dict[str, object] = {"other": other["plan_id"], "other_amount": int(other["to_come"])}
        amount = int(plans["to_come"].iloc[at])
        fact = _fact(on, plans, at, "second plan", amount, _enrolled(on, plans, at), gaps)
        row = int(plans["row"].array[at])
        yield fact._replace(advice=(_keep_one(on, plans, at, other),), before=None if _agrees(on, row) else stop_by(on, row))


def _keep_one(on: Ground, plans: pd.DataFrame, at: int, other: pd.Series) -> str:
    """What is done about a second plan; where both together equal the bill, none may simply be cancelled."""
    if not _agrees(on, int(plans["row"].array[at])):
        return "Cancel the other before its next draw."
    mine, here, there = plans["plan_id"].iloc[at], int(plans["to_come"].iloc[at]), int(other["to_come"])
    return (
        "Together they equal the bill. Before one of them is cancelled, the other must be raised, with notice: "
        f"plan {other['plan_id']} by {people_money(here)}, or plan {mine} by {people_money(there)}."
    )


def _agrees(on: Ground, row: int) -> bool:
    """Whether plan and bill agree today."""
    return on.billed[on.plans["term"][row]] and abs(int(on.plans["variance"][row])) <= on.rules.plans.plan_tolerance


def _enrolled(on: Ground, plans: pd.DataFrame, at: int) -> int:
    return int(on.columns(plans)["enrolled_on"][at])


def _too_late(on: Ground, plans: pd.DataFrame) -> Iterator[Fact]:
    for term in on.rules.terms:
        late = (plans["term"] == term.code) & plans["live"] & (plans["enrolled_on"] > pd.Timestamp(term.last_day_to_enroll))
        for at in np.flatnonzero(late.to_numpy()).tolist():
            gaps: dict[str, object] = {"day": day_text(_enrolled(on, plans, at)), "last": term.last_day_to_enroll.isoformat()}
            yield _fact(on, plans, at, "enrolled too late", int(plans["plan_total"].array[at]), _enrolled(on, plans, at), gaps)


def _does_not_add_up(on: Ground, plans: pd.DataFrame) -> list[tuple[Fact, str]]:
    """Plans whose lines, with what was cancelled or spread anew, do not come to the plan total; with the plan id."""
    active, total = plans["active"].to_numpy(), plans["plan_total"].to_numpy()
    held = np.minimum(plans["cancelled"].to_numpy(), np.maximum(0, total - active))
    rolled = np.minimum(plans["lost"].to_numpy(), np.maximum(0, active - total))
    off = active + held - rolled - total
    several = plans["row"].duplicated(keep=False).to_numpy()
    counts = ~several | plans["open"].to_numpy()
    found = []
    for at in np.flatnonzero(counts & (np.abs(off) > on.rules.plans.plan_tolerance)).tolist():
        gaps: dict[str, object] = {
            "lines": int(total[at] + off[at]),
            "total": int(total[at]),
            "side": "over" if off[at] > 0 else "short",
            "size": abs(int(off[at])),
        }
        fact = _fact(on, plans, at, "schedule does not add up", int(off[at]), _enrolled(on, plans, at), gaps)
        told = _which_is_wrong(on, int(plans["row"].array[at]), int(off[at]))
        fact = fact._replace(advice=(told,), instead=True) if told else fact
        found.append((fact, plans["plan_id"].array[at]))
    return found


def _which_is_wrong(on: Ground, row: int, off: int) -> str:
    """Which of total and draws is to be corrected, where the bill says so; `off`: lines less total, cents."""
    size = people_money(abs(off))
    if _agrees(on, row):
        side = "low" if off > 0 else "high"
        return f"The draws equal the bill and the plan's total is {size} too {side}: correct the total; do not change a draw."
    if on.billed[on.plans["term"][row]] and abs(int(on.plans["variance"][row]) - off) <= on.rules.plans.plan_tolerance:
        side = "high" if off > 0 else "low"
        return (
            f"The plan's total equals the bill and the draws are {size} too {side}: correct the draws, with notice; "
            "do not change the total."
        )
    return ""


class _Offer(NamedTuple):
    """The plans of a term that one tier and method would write."""

    term: Term
    tier: Tier
    method: str
    which: Ints
    """Positions in the table of plans."""


def _offers(on: Ground, plans: pd.DataFrame) -> Iterator[_Offer]:
    """Live plans by term, tier and method; those enrolled after the last day to enroll are in none."""
    live = plans["live"].to_numpy()
    enrolled = day_numbers(plans["enrolled_on"])
    for term in on.rules.terms:
        left = live & (plans["term"] == term.code).to_numpy() & (enrolled <= _day(term.last_day_to_enroll))
        tiers = {day: tier_at(term, from_day_number(day)) for day in np.unique(enrolled[left]).tolist()}
        for place, tier in enumerate(term.tiers):
            inside = left & np.isin(enrolled, [day for day, at in tiers.items() if at == place])
            for method in ("bank", "card"):
                which = np.flatnonzero(inside & (plans["method"] == method).to_numpy())
                if len(which):
                    yield _Offer(term, tier, method, which)


def _day(day: object) -> int:
    return int(np.datetime64(str(day), "D").astype("int64"))


def _down_payment_missing(on: Ground, plans: pd.DataFrame) -> list[tuple[Fact, str]]:
    found = []
    for offer in _offers(on, plans):
        if not offer.tier.down_percent:
            continue
        asked = by_rule(offer.tier, plans["plan_total"].to_numpy()[offer.which], on.rules.plans.split).down
        missing = ~plans["has_down"].to_numpy()[offer.which] & (asked > 0)
        for at, cents in zip(offer.which[missing].tolist(), asked[missing].tolist(), strict=True):
            total = int(plans["plan_total"].array[at])
            gaps: dict[str, object] = {"day": day_text(_enrolled(on, plans, at)), "total": total}
            fact = _fact(on, plans, at, "no down payment line", cents, _enrolled(on, plans, at), gaps)
            found.append((fact, plans["plan_id"].array[at]))
    return found


def _off_the_rules(on: Ground, plans: pd.DataFrame, silent: set[str]) -> Iterator[Fact]:
    """Plans as enrolled whose dates or amounts differ from what the rules would write by more than plan_tolerance."""
    judged = ~plans["set_later"].to_numpy() & ~plans["plan_id"].isin(silent).to_numpy() & (plans["plan_total"] > 0).to_numpy()
    for offer in _offers(on, plans):
        which = offer.which[judged[offer.which]]
        if offer.method not in offer.term.methods:
            for at in which.tolist():
                words = f"it is drawn from a {offer.method}, and the rules of the term allow {', '.join(offer.term.methods)} only"
                yield _fact(on, plans, at, "schedule off the rules", 0, _enrolled(on, plans, at), {"differs": words})
            continue
        yield from _held_against(on, plans, offer, which)


def _held_against(on: Ground, plans: pd.DataFrame, offer: _Offer, which: Ints) -> Iterator[Fact]:
    """Hold plans against one offer, draw by draw in date order; a date rolled to the next banking day is the rules' own."""
    total = plans["plan_total"].to_numpy()[which]
    down, by_date, wanted = by_rule(offer.tier, total, on.rules.plans.split)
    dates = np.array([_day(day) for day in by_date], dtype=np.int64)
    rolled = on.days.next_open_numbers(dates)
    asked = (wanted > 0).sum(axis=1)
    position = np.full(len(plans), -1, dtype=np.int64)
    position[which] = np.arange(len(which))
    draws = np.flatnonzero(on.lines["kind"].are("draw") & (on.lines["amount"] > 0) & (position[on.at.book.line_plan] >= 0))
    of = position[on.at.book.line_plan[draws]]
    day, amount = on.lines["draw_date"][draws], on.lines["amount"][draws]
    if not _in_order(of, day, amount):
        order = np.lexsort((amount, day, of))
        of, day, amount = of[order], day[order], amount[order]
    count = np.bincount(of, minlength=len(which))
    number = np.arange(len(of)) - (np.cumsum(count) - count)[of]
    inside = number < len(dates)
    other_day = np.zeros(len(which), dtype=bool)
    place = np.minimum(number, len(dates) - 1)
    other_day[of[inside & (day != dates[place]) & (day != rolled[place])]] = True
    size = np.zeros(len(which), dtype=np.int64)
    np.maximum.at(size, of[inside], np.abs(amount - wanted[of, place])[inside])
    size = np.maximum(size, np.abs(plans["down"].to_numpy()[which] - down))
    uneven = size > on.rules.plans.plan_tolerance
    for i in np.flatnonzero((count != asked) | other_day | uneven).tolist():
        parts = []
        if count[i] != asked[i]:
            parts.append(f"it has {count[i]} draw{'' if count[i] == 1 else 's'} where the rules write {asked[i]}")
        elif other_day[i]:
            first, after = np.searchsorted(of, [i, i + 1])
            has, rule = _first_other_day(day[first:after], dates, rolled)
            parts.append(f"it draws on {day_text(has)} where the rules draw on {day_text(rule)}")
        if count[i] == asked[i] and uneven[i]:
            parts.append(f"a line differs from what the rules write by {people_money(int(size[i]))}")
        at = int(which[i])
        amount_off = int(size[i]) if count[i] == asked[i] and uneven[i] else 0
        gaps: dict[str, object] = {"differs": " and ".join(parts)}
        yield _fact(on, plans, at, "schedule off the rules", amount_off, _enrolled(on, plans, at), gaps)


def _in_order(first: Ints, second: Ints, third: Ints) -> bool:
    """Whether rows stand in the order of three numbers, as exports mostly have them: then nothing is sorted."""
    later = third[1:] >= third[:-1]
    for number in (second, first):
        later = (number[1:] > number[:-1]) | ((number[1:] == number[:-1]) & later)
    return bool(later.all())


def _first_other_day(has: Ints, dates: Ints, rolled: Ints) -> tuple[int, int]:
    return next((int(a), int(b)) for a, b, c in zip(has, dates, rolled, strict=False) if a not in {b, c})


def _fee_missing(on: Ground, plans: pd.DataFrame) -> Iterator[Fact]:
    """Students with a live plan and no fee line in any plan of the term, where the export has fee lines for that term."""
    with_fee = set(plans.loc[plans["has_fee"], "row"])
    for term in on.rules.terms:
        mine = plans[plans["term"] == term.code]
        if not term.plan_fee or term.code not in on.fee_terms:
            continue
        live = mine[mine["live"] & ~mine["row"].isin(with_fee)].sort_values(["row", "enrolled_on", "plan_id"])
        for at in live.index[~live["row"].duplicated()].tolist():
            yield _fact(on, plans, at, "fee missing", term.plan_fee, _enrolled(on, plans, at), {})
