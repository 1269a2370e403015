"""The engine's advice in words: what the remaining draws should become, what is presented again, given back, stopped or collected.

All figures are those of the plans table; here they only become sentences. Each says by when, and what must not be forgotten: a changed
draw needs notice, money goes back only once the bank can no longer return the draw in the ordinary way, and never twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reconcile.exception_facts import day_text, listed
from reconcile.money import people_money

if TYPE_CHECKING:
    from reconcile.exception_facts import Ground
    from reconcile.proposals import Advice

ONE_OR_THE_OTHER = "Give it back, or let the remaining draws shrink as proposed: one or the other, never both."


def person_first(on: Ground, row: int) -> str:
    """Why a person decides before anything is proposed, "" where the engine may propose."""
    if row < 0 or not on.at.decide[row]:
        return ""
    plans = on.plans["plan_ids"][row].split("; ")
    blocked = on.blocked
    if ("student", on.plans["student_id"][row]) in blocked or any(("plan", plan) in blocked for plan in plans):
        return "A row of this student or plan was rejected (rejected_rows.csv): no draw is proposed until it is mended."
    if row in on_told_rows(on):
        return "The banks dispute a return (codes R61 to R77): a person decides first; nothing is proposed and nothing is presented again."
    return "Money fits the draws in more than one way: a person decides first; nothing is proposed and nothing is presented again."


def on_told_rows(on: Ground) -> frozenset[int]:
    """Rows of plans with a dishonored or contested return."""
    told = on.at.matching.told
    students = {on.money["student_id"][at] for at in told.nonzero()[0]}
    if not students:
        return frozenset()
    rows = {int(row) for row in on.row_of_event[told] if row >= 0}
    adrift = {on.money["student_id"][at] for at in told.nonzero()[0] if on.row_of_event[at] < 0}
    return frozenset(rows | {at for at, student in enumerate(on.plans["student_id"]) if student in adrift}) if adrift else frozenset(rows)


def proposal(on: Ground, row: int, *, again: bool = True) -> tuple[str, ...]:
    """What the draws of a row of plans should become, in sentences; none where nothing needs to change.

    In:      `again` false leaves out what may be presented again (the failed draw says so of itself).
    """
    if row < 0:
        return ()
    said = [person_first(on, row)]
    advice = on.advice(row)
    if again and advice.again_lines:
        lines = listed(f"line {line} of plan {plan}" for plan, line in advice.again_lines)
        said.append(f"{people_money(advice.again)} may be presented again: {lines}.")
    if advice.awaited:
        said.append(f"{people_money(advice.awaited)} may still come (a late draw or late aid): do not ask for it a second time.")
    said += [_draws(on, advice), _give_back(on, row, advice)]
    if advice.to_stop:
        said.append(
            f"Stop {people_money(advice.to_stop)} of draws in transit or too near for a notice; what cannot be stopped is given back once "
            "it has cleared."
        )
    if advice.to_collect:
        said.append(f"{people_money(advice.to_collect)} cannot be put on the draws: agree another way to pay it.")
    return tuple(part for part in said if part)


def _draws(on: Ground, advice: Advice) -> str:
    """The draws that change, with the last day for notice; and those of a stopped plan."""
    stopped = on.stopped_lines
    changed = [d for d in advice.draws if d[1] != d[2] and (d[3], d[4]) not in stopped]
    halted = [d for d in advice.draws if (d[3], d[4]) in stopped]
    parts = []
    if changed:
        same: dict[tuple[int, int], list[str]] = {}
        for day, old, new, _plan, _line in changed:
            same.setdefault((new, old), []).append(day_text(day))
        words = listed(f"{people_money(new)} instead of {people_money(old)} on {listed(days)}" for (new, old), days in same.items())
        parts.append(f"Proposed: draw {words}.")
    if changed and advice.notice_for is not None:
        last = day_text(advice.notice_for - on.rules.plans.notice_days)
        parts.append(f"A changed draw needs written notice to the family by {last}.")
    if halted:
        days = listed(f"{day_text(day)} ({people_money(old)})" for day, old, _new, _plan, _line in halted)
        parts.append(f"Take no draw on {days}: the plan is under a stop until the family authorises an account anew.")
    return " ".join(parts)


def _give_back(on: Ground, row: int, advice: Advice) -> str:
    if not advice.to_give_back:
        return ""
    return f"Give back {people_money(advice.to_give_back)}, {when_safe(on, row)}."


def when_safe(on: Ground, row: int) -> str:
    """When money may be given back: only after the last day of an ordinary return of the student's cleared bank draws."""
    return safe_after(on.returnable[row], on.today)


def safe_after(returnable: int, today: int) -> str:
    """The words for that day.

    >>> safe_after(20000, 20001)
    "only once the bank's files show that the draw has not come back"
    >>> safe_after(20743, 20741)
    'only after 2026-10-17, the last day on which the bank may return its draw in the ordinary way'
    """
    if returnable >= today:
        return f"only after {day_text(returnable)}, the last day on which the bank may return its draw in the ordinary way"
    return "only once the bank's files show that the draw has not come back"
