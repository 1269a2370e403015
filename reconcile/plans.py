"""The plans table: variance and causes of each student's plan, with the advice for its remaining draws."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from reconcile.banking_days import from_day_number
from reconcile.coverage import on_the_bill
from reconcile.draws import UNDECIDED
from reconcile.events import day_numbers
from reconcile.find_out_first import last_returns
from reconcile.money import money_text
from reconcile.notices import last_day
from reconcile.proposals import Advice, AdviceRules, PlanLine, Situation, advise
from reconcile.schemas import OUTPUTS
from reconcile.stops import NEVER
from reconcile.student_case import line_number
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from datetime import date

    from reconcile.events import Book, Bools, Ints
    from reconcile.policy import Rules
    from reconcile.variance import PlanKeys


@dataclass(frozen=True)
class Advised:
    """The plans table and, behind it, each advice by the position of its row (rows without one need none).

    otherwise: by plan and line of a draw whose money is awaited, what the advice of its row would be if that money were not to come.
    """

    table: pd.DataFrame
    advice: dict[int, Advice]
    otherwise: dict[tuple[str, str], Advice]


def again_today(lines: pd.DataFrame, events: pd.DataFrame, pairs: pd.DataFrame, rules: Rules, as_of: date) -> Bools:
    """Whether each failed line may be presented again today.

    In:      lines with state, events, pairs of events and lines.
    Out:     true if the code of its last attempt allows it, fewer than again_times tries followed the first, and today is within
             again_days of the day on which it was first taken (`first_settled`).
    Rules:   returns.toml again, again_times, again_days
    """
    may = np.zeros(len(lines), dtype=np.bool_)
    failed = is_word(lines["state"], "failed")
    if not failed.any():
        return may
    today = np.datetime64(as_of, "D").astype("int64")
    on_failed = pairs[failed[pairs["line"].to_numpy()]]
    tries = on_failed[among(on_failed["role"], ("attempt", "failed"))]
    tried = tries["line"].to_numpy()
    count = np.bincount(tried, minlength=len(lines))
    first = first_settled(lines, events, tries)
    last = last_returns(events, on_failed)
    line_at = last["line_at"].to_numpy()
    for method, code in last[["method", "return_code"]].drop_duplicates().itertuples(index=False):
        found = rules.returns.code(method, code) if code else None
        if found is not None and found.again:
            at = line_at[is_word(last["method"], method) & is_word(last["return_code"], code)]
            at = at[count[at] > 0]
            may[at] = (count[at] <= (found.again_times or 0)) & (today <= first[at] + (found.again_days or 0))
    return may


def first_settled(lines: pd.DataFrame, events: pd.DataFrame, tries: pd.DataFrame) -> Ints:
    """The day on which the money of each line was first taken, from which the days of its code count; far off where there was no try.

    In:      lines with expected_on, events, and the pairs of events and lines that are attempts (roles `attempt`, `failed`).
    Out:     day numbers: the settlement of the first attempt. Where the bank's files show only that it came back, no later than the day on
             which it was expected: a return comes days after the draw, and days counted from it would be too many.
    """
    first = np.full((2, len(lines)), np.iinfo(np.int64).max, dtype=np.int64)
    came_back = is_word(tries["role"], "failed").astype(np.int64)
    np.minimum.at(first, (came_back, tries["line"].to_numpy()), day_numbers(events["settled_on"])[tries["event"].to_numpy()])
    taken, back = first
    return np.where(back < taken, np.minimum(back, day_numbers(lines["expected_on"])), taken)


def advise_plans(
    variances: pd.DataFrame,
    keys: PlanKeys,
    lines: pd.DataFrame,
    book: Book,
    stops: Ints,
    students: pd.DataFrame,
    undecided: Bools,
    rules: Rules,
    as_of: date,
) -> Advised:
    """Add what the remaining draws should become to each row of variances.

    In:      variances (one row per student and term with a plan) and their keys; lines with state, cleared, `again`, `posted`, `held`; for
             each plan the stop in force; students (standings); which rows a person must decide first. Cents.
    Out:     Advised: OUTPUTS["plans"] and the advice behind it.
    Rules:   plans.toml, terms.toml billed_on
    """
    at = keys.lookup(lines)
    stopped = stops[book.line_plan] != NEVER
    held = np.zeros(len(keys), dtype=bool)
    held[at[stopped & is_word(lines["state"], "pending")]] = True
    tolerance = rules.plans.plan_tolerance
    wanting = held | (variances["variance"].abs() > tolerance).to_numpy(dtype=bool)
    wanting |= ((variances["failed"] > 0) | (variances["not_seen"] > 0) | (variances["lapsed"] > 0)).to_numpy(dtype=bool)
    which = np.flatnonzero(wanting[at])
    today = int(np.datetime64(as_of, "D").astype("int64"))
    lines_of = _plan_lines(lines[list(_READ)].iloc[which], at[which], rules, today)
    stopped_of: dict[int, set[str]] = {}
    for row, plan in zip(at[which][stopped[which]].tolist(), lines["plan_id"].to_numpy(dtype=object)[which][stopped[which]], strict=True):
        stopped_of.setdefault(row, set()).add(plan)
    balance = keys.sum(keys.lookup(students), students["balance_now"].to_numpy())
    billed_on = {term.code: term.billed_on for term in rules.terms}
    advice_rules = AdviceRules(rules.plans.notice_days, tolerance, rules.plans.split)
    advice: dict[int, Advice] = {}
    otherwise: dict[tuple[str, str], Advice] = {}
    asked = list(lines_of)
    rows = variances[["term", "variance", "balance_to_meet", "lapsed"]].iloc[asked]
    cells = zip(*(rows[name].tolist() for name in rows.columns), strict=True)
    for (row, plan_lines), (term, variance, meet, lapsed) in zip(lines_of.items(), cells, strict=True):
        situation = Situation(
            lines=plan_lines,
            stopped=frozenset(stopped_of.get(row, ())),
            billed=billed_on[term] <= as_of,
            undecided=bool(undecided[row]),
            variance=variance,
            balance_to_meet=meet,
            balance_now=int(balance[row]),
            lapsed=lapsed,
            today=today,
        )
        advice[row] = advise(situation, advice_rules)
        for line in plan_lines:
            if line.held or line.may_come:
                loose = [other._replace(held=0, may_come=False) if other is line else other for other in plan_lines]
                otherwise[line.plan, line.number[2]] = advise(situation._replace(lines=loose), advice_rules)
    return Advised(_with_advice(variances, advice, rules), advice, otherwise)


def may_still_come(lines: pd.DataFrame, today: int) -> Bools:
    """Whether each line was not seen and its money may still come late, or stands posted and may have been taken."""
    in_time = day_numbers(lines["late_end"]) >= today
    return np.asarray(is_word(lines["state"], "not seen") & (in_time | lines["posted"].to_numpy(dtype=bool)))


_READ = ("plan_id", "line", "kind", "draw_date", "amount", "state", "line_status", "term", "late_end", "posted", "held", "again")
"""Columns of the lines that advice is made from; the others need not be taken along."""


def _plan_lines(lines: pd.DataFrame, at: Ints, rules: Rules, today: int) -> dict[int, list[PlanLine]]:
    """The lines of each row, in the order of the lines."""
    cells = zip(
        lines["plan_id"].tolist(),
        map(line_number, lines["line"].tolist()),
        lines["kind"].tolist(),
        day_numbers(lines["draw_date"]).tolist(),
        lines["amount"].tolist(),
        lines["state"].tolist(),
        is_word(lines["line_status"], "active").tolist(),
        on_the_bill(lines, rules).tolist(),
        may_still_come(lines, today).tolist(),
        lines["held"].tolist(),
        lines["again"].tolist(),
        strict=True,
    )
    found: defaultdict[int, list[PlanLine]] = defaultdict(list)
    for row, line in zip(at.tolist(), map(PlanLine._make, cells), strict=True):
        found[row].append(line)
    return found


NO_DAY: Final = np.iinfo(np.int64).min
"""An absent date as a day number, as numpy has it."""


@cache
def _day(number: int) -> str:
    return str(from_day_number(number))


def _with_advice(variances: pd.DataFrame, advice: dict[int, Advice], rules: Rules) -> pd.DataFrame:
    rows, found = np.fromiter(advice, dtype=np.int64, count=len(advice)), list(advice.values())

    def column(name: str) -> Ints:
        cents = np.zeros(len(variances), dtype=np.int64)
        cents[rows] = [getattr(one, name) for one in found]
        return cents

    def days(told: list[int | None]) -> pd.Series:
        numbers = np.full(len(variances), NO_DAY)
        numbers[rows] = [NO_DAY if day is None else day for day in told]
        return pd.Series(numbers.astype("datetime64[D]").astype("datetime64[s]"))

    draws = np.full(len(variances), "", dtype=object)
    draws[rows] = ["; ".join(f"{_day(day)} {money_text(new)}" for day, _old, new, _plan, _line in one.draws) for one in found]
    notice_days = rules.plans.notice_days
    table = variances.assign(
        **{name: column(name) for name in ("again", "awaited", "kept", "to_give_back", "to_stop", "to_collect")},
        proposed_draws=pd.Series(draws, dtype="str"),
        notice_by=days([None if one.notice_for is None else last_day(one.notice_for, notice_days) for one in found]),
        first_changeable=days([one.first_changeable for one in found]),
    )
    return table[[column.name for column in OUTPUTS["plans"]]]


def person_decides_first(money: pd.DataFrame, asked: Bools, blocked: frozenset[tuple[str, str]], variances: pd.DataFrame) -> Bools:
    """Rows without a proposal: undecided money or an event of the student about which a person is asked, a rejected row of student or plan.

    In:      where bank money went, which events a person is asked about (dishonored or contested returns, money that waits for its term),
             ("student", id) and ("plan", id) of rejected rows, or ("everyone", "") if a rejected bank row names nobody.
    """
    open_money = is_word(money["bucket"], UNDECIDED) | (money["undecided"] > 0).to_numpy(dtype=bool) | asked
    students = {student for what, student in blocked if what == "student"} | set(money.loc[open_money, "student_id"])
    plans = {plan for what, plan in blocked if what == "plan"}
    if ("everyone", "") in blocked:
        return np.ones(len(variances), dtype=np.bool_)
    decide = among(variances["student_id"], sorted(students))
    if plans:
        decide = decide | np.array([not plans.isdisjoint(ids.split("; ")) for ids in variances["plan_ids"]], dtype=bool)
    return np.asarray(decide)
