"""The plans table: variance and causes of each student's plan, with the advice for its remaining draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.coverage import on_the_bill
from reconcile.draws import UNDECIDED
from reconcile.events import day_numbers
from reconcile.money import money_text
from reconcile.proposals import Advice, AdviceRules, PlanLine, Situation, advise
from reconcile.schemas import OUTPUTS
from reconcile.states import CAME_BACK
from reconcile.stops import NEVER
from reconcile.student_case import line_number

if TYPE_CHECKING:
    from datetime import date

    from reconcile.events import Book, Bools, Ints
    from reconcile.policy import Rules
    from reconcile.variance import PlanKeys


@dataclass(frozen=True)
class Advised:
    """The plans table and, behind it, each advice by the position of its row (rows without one need none)."""

    table: pd.DataFrame
    advice: dict[int, Advice]


def again_today(lines: pd.DataFrame, events: pd.DataFrame, pairs: pd.DataFrame, rules: Rules, as_of: date) -> Bools:
    """Whether each failed line may be presented again today.

    In:      lines with state, events, pairs of events and lines.
    Out:     true if the code of its last attempt allows it, fewer than again_times tries followed the first, and today is within
             again_days of the first attempt's settlement.
    Rules:   returns.toml again, again_times, again_days
    """
    may = np.zeros(len(lines), dtype=bool)
    failed = np.flatnonzero((lines["state"] == "failed").to_numpy(dtype=bool))
    if not len(failed):
        return may
    today = np.datetime64(as_of, "D").astype("int64")
    on_failed = pairs[pairs["line"].isin(failed)]
    tries = on_failed[on_failed["role"].isin(["attempt", "failed"])]
    first = tries.assign(day=day_numbers(events["settled_on"])[tries["event"].to_numpy()]).groupby("line")["day"].agg(["min", "size"])
    back = on_failed[on_failed["role"].isin(CAME_BACK)]
    last = events.iloc[back["event"].to_numpy()].assign(line_at=back["line"].to_numpy())
    last = last.sort_values(["line_at", "settled_on", "reference", "return_code"]).drop_duplicates("line_at", keep="last")
    for line, method, code in last[["line_at", "method", "return_code"]].itertuples(index=False):
        found = rules.returns.code(method, code) if code else None
        if found is not None and found.again and line in first.index:
            day, count = first.loc[line, "min"], first.loc[line, "size"]
            may[line] = count <= (found.again_times or 0) and today <= day + (found.again_days or 0)
    return may
    today = np.datetime64(as_of, "D").astype("int64")
    tries = pairs[pairs["line"].isin(failed) & pairs["role"].isin(["attempt", "failed"])]
    first = tries.assign(day=day_numbers(events["settled_on"])[tries["event"].to_numpy()]).groupby("line")["day"].agg(["min", "size"])
    methods = lines["method"].to_numpy(dtype=object)
    codes = lines["return_code"].to_numpy(dtype=object)
    for line, day, count in first.itertuples():
        found = rules.returns.code(methods[line], codes[line]) or rules.returns.code("", codes[line])
        if found is not None and found.again:
            may[line] = count <= (found.again_times or 0) and today <= day + (found.again_days or 0)
    return may


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

    In:      variances (one row per student and term with a plan) and their keys; lines with state, cleared and `again`; for each plan the
             stop in force; students (standings); which rows a person must decide first. Cents.
    Out:     Advised: OUTPUTS["plans"] and the advice behind it.
    Rules:   plans.toml, terms.toml billed_on
    """
    at = keys.lookup(lines)
    stopped = stops[book.line_plan] != NEVER
    held = np.zeros(len(keys), dtype=bool)
    held[at[stopped & (lines["state"] == "pending").to_numpy(dtype=bool)]] = True
    tolerance = rules.plans.plan_tolerance
    wanting = held | (variances["variance"].abs() > tolerance).to_numpy(dtype=bool)
    wanting |= ((variances["failed"] > 0) | (variances["not_seen"] > 0) | (variances["lapsed"] > 0)).to_numpy(dtype=bool)
    which = np.flatnonzero(wanting[at])
    lines_of = _plan_lines(lines.iloc[which], at[which], rules)
    stopped_of: dict[int, set[str]] = {}
    for row, plan in zip(at[which][stopped[which]].tolist(), lines["plan_id"].to_numpy(dtype=object)[which][stopped[which]], strict=True):
        stopped_of.setdefault(row, set()).add(plan)
    balance = keys.sum(keys.lookup(students), students["balance_now"].to_numpy())
    billed_on = {term.code: term.billed_on for term in rules.terms}
    today = int(np.datetime64(as_of, "D").astype("int64"))
    advice_rules = AdviceRules(rules.plans.notice_days, tolerance, rules.plans.split)
    advice: dict[int, Advice] = {}
    rows = variances[["term", "variance", "balance_to_meet", "lapsed"]]
    for row, plan_lines in lines_of.items():
        term, variance, meet, lapsed = rows.iloc[row]
        advice[row] = advise(
            Situation(
                lines=plan_lines,
                stopped=frozenset(stopped_of.get(row, ())),
                billed=billed_on[term] <= as_of,
                undecided=bool(undecided[row]),
                variance=int(variance),
                balance_to_meet=int(meet),
                balance_now=int(balance[row]),
                lapsed=int(lapsed),
                today=today,
            ),
            advice_rules,
        )
    return Advised(_with_advice(variances, advice, rules), advice)


def _plan_lines(lines: pd.DataFrame, at: Ints, rules: Rules) -> dict[int, list[PlanLine]]:
    found: dict[int, list[PlanLine]] = {}
    for row, plan, name, kind, draw, amount, state, status, on_bill, late, again in zip(
        at.tolist(),
        lines["plan_id"].tolist(),
        lines["line"].tolist(),
        lines["kind"].tolist(),
        day_numbers(lines["draw_date"]).tolist(),
        lines["amount"].tolist(),
        lines["state"].tolist(),
        lines["line_status"].tolist(),
        on_the_bill(lines, rules).tolist(),
        day_numbers(lines["late_end"]).tolist(),
        lines["again"].tolist(),
        strict=True,
    ):
        line = PlanLine(plan, line_number(name), kind, draw, amount, state, status == "active", on_bill, late, again)
        found.setdefault(row, []).append(line)
    return found


def _with_advice(variances: pd.DataFrame, advice: dict[int, Advice], rules: Rules) -> pd.DataFrame:
    count = len(variances)
    columns = {name: np.zeros(count, dtype=np.int64) for name in ("again", "awaited", "kept", "to_give_back", "to_stop", "to_collect")}
    draws = np.full(count, "", dtype=object)
    notice = np.full(count, np.datetime64("NaT", "D"))
    for row, found in advice.items():
        for name, column in columns.items():
            column[row] = getattr(found, name)
        draws[row] = "; ".join(f"{np.datetime64(day, 'D')} {money_text(new)}" for day, _old, new, _plan, _line in found.draws)
        if found.notice_for is not None:
            notice[row] = np.datetime64(found.notice_for - rules.plans.notice_days, "D")
    table = variances.assign(
        **columns,
        proposed_draws=pd.Series(draws, dtype="str"),
        notice_by=pd.Series(notice.astype("datetime64[s]")),
    )
    return table[[column.name for column in OUTPUTS["plans"]]]


def person_decides_first(money: pd.DataFrame, told: Bools, blocked: frozenset[tuple[str, str]], variances: pd.DataFrame) -> Bools:
    """Rows without a proposal: undecided money or a dishonored or contested return of the student, or a rejected row of student or plan.

    In:      where bank money went, which events are dishonored or contested returns, ("student", id) and ("plan", id) of rejected rows.
    """
    open_money = (money["bucket"] == UNDECIDED).to_numpy(dtype=bool) | (money["undecided"] > 0).to_numpy(dtype=bool) | told
    students = {student for what, student in blocked if what == "student"} | set(money.loc[open_money, "student_id"])
    plans = {plan for what, plan in blocked if what == "plan"}
    decide = variances["student_id"].isin(students).to_numpy(dtype=bool)
    if plans:
        decide = decide | np.array([not plans.isdisjoint(ids.split("; ")) for ids in variances["plan_ids"]], dtype=bool)
    return np.asarray(decide)
