"""The families to contact: one row for each, so that nobody gets three letters about one thing, with the words of a letter.

Only exceptions that concern the family stand here (those whose kind has words in `letters.toml`), open ones, above information; what the
office has to settle with the bank or its own ledger gives no letter, and neither does what a person has closed. The letter says only what
holds: new amounts are named only where nothing has to be found out first, and every letter says that it changes no draw.

Works on the students with exceptions alone, however many there are beside them.
"""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from reconcile.exception_advice import UNDER_A_STOP
from reconcile.exception_facts import ASK_BANK_FIRST, DECIDES_FIRST
from reconcile.letter_facts import ACCOUNTS, OPEN, Cause, Plan, Run, causes_of_letters
from reconcile.money import parse_rule_money, people_money
from reconcile.standing import typed, typed_columns
from reconcile.texts import among

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    import pandas as pd

    from reconcile.policy import Rules

MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
FAILED: Final = "failed draw"
ASKED_FOR: Final = (FAILED, "no draw seen", "draw for less")
"""Kinds whose letters say that part of the bill is open."""
FIRST: Final = (DECIDES_FIRST, ASK_BANK_FIRST)
"""Words of an action after which no family is asked for money before somebody has found something out."""
UNSETTLED: Final = frozenset({"unauthorized", "chargeback", "dishonored", "contested"})
"""Classes of codes after which the bursar and the bank speak first, and no family is asked for money."""
DECIDED_FIRST: Final = ("drawn after a stop",)
"""While one of these is open the bursar decides, and no family is asked for the money of a draw."""
NOT_KNOWN: Final = "[fill in]"
WHO_MAY_KNOW: Final = (
    "Before sending, check who may be told: only the student and those whom the college's records entitle to know (FERPA, 34 CFR part 99)."
)
"""For the office, and never in the letter itself."""


def outreach(
    exceptions: pd.DataFrame, plans: pd.DataFrame, draws: pd.DataFrame, rules: Rules, as_of: date, names: Mapping[str, str]
) -> pd.DataFrame:
    """One row per family to contact.

    In:      OUTPUTS["exceptions"], "plans" and "draws" of a run, cents; `names` by student id, empty unless the run shows names.
    Out:     OUTPUTS["outreach"], families with the most harmful exception first. `why` and `propose` join the causes in that order;
             `amount` is that of the first, above zero; `by_when` is the earliest act_by; notice_by that of the plans.
    Rules:   letters.toml; without it the table has no rows
    """
    letters = rules.letters
    if letters is None:
        return typed([], "outreach")
    concerning = causes_of_letters(exceptions, letters)
    if not concerning:
        return typed([], "outreach")
    run = Run.of(concerning, plans, draws, rules, letters, as_of)
    open_rows = among(exceptions["standing"], OPEN) & among(exceptions["kind"], DECIDED_FIRST)
    waits = set(exceptions["student_id"].iloc[np.flatnonzero(open_rows)])
    families: dict[str, list[Cause]] = {}
    for cause in concerning:
        if cause.kind not in ASKED_FOR or (cause.student_id not in waits and _is_owed(cause, run)):
            families.setdefault(cause.student_id, []).append(cause)
    rows = [_family(student, causes, run, names.get(student, "")) for student, causes in families.items()]
    columns = zip(*rows, strict=True) if rows else ((),) * len(_Family._fields)
    return typed_columns(dict(zip(_Family._fields, columns, strict=True)), "outreach")


class _Family(NamedTuple):
    """A row of OUTPUTS["outreach"]."""

    term: str
    student_id: str
    student_name: str
    why: str
    amount: int
    by_when: date | None
    notice_by: date | None
    propose: str
    greeting: str
    letter: str
    exception_ids: str


def _is_owed(cause: Cause, run: Run) -> bool:
    """Whether a family may be told of a draw that brought nothing, or less, that its part of the bill is open.

    Not where later draws already carry the money, nor where somebody has to decide or to ask the bank first: a family that pays then
    pays twice.
    """
    plan = run.of_plan.get((cause.term, cause.student_id))
    if plan is not None and plan.variance >= -run.rules.plans.plan_tolerance and not plan.again:
        return False
    if _found_out_first(cause):
        return False
    if cause.kind != FAILED:
        return True
    line = run.line(cause)
    found = run.rules.returns.code(line.method, line.return_code) or run.rules.returns.code("", line.return_code)
    return found is not None and (found.again or found.stops_plan) and found.klass not in UNSETTLED


def _found_out_first(cause: Cause) -> bool:
    return DECIDES_FIRST in cause.action or ASK_BANK_FIRST in cause.action


def _family(student: str, causes: Sequence[Cause], run: Run, name: str) -> _Family:
    """The row of one family; `causes` are its exceptions, the most harmful first."""
    letters = run.letters
    terms = list(dict.fromkeys([cause.term for cause in causes]))
    own = {"student_id": student, "name": name or letters.without_name.format(student_id=student)}
    words = {term: run.words(term) | own for term in terms}
    said = [_why(cause, run, words[cause.term]) for cause in causes]
    advised = [run.of_plan[term, student] for term in terms if (term, student) in run.of_plan]
    for plan in advised:
        said += _advice(plan, [cause for cause in causes if cause.term == plan.term], run, words[plan.term])
    first = words[terms[0]]
    said.append(letters.closing.format(**first))
    return _Family(
        term="; ".join(terms),
        student_id=student,
        student_name=name,
        why=_joined([cause.kind for cause in causes]),
        amount=abs(causes[0].amount),
        by_when=_earliest([cause.act_by for cause in causes]),
        notice_by=_earliest([plan.notice_by for plan in advised]),
        propose=" ".join(dict.fromkeys([*(cause.action for cause in causes), WHO_MAY_KNOW])),
        greeting=letters.greeting.format(**first),
        letter=" ".join(dict.fromkeys(said)),
        exception_ids=_joined([cause.exception_id for cause in causes]),
    )


def _why(cause: Cause, run: Run, words: Mapping[str, object]) -> str:
    """The sentence about one cause; `words`: those that every sentence about its term may have."""
    draw = run.line(cause)
    return run.letters.kinds[cause.kind].why.format(
        **words,
        plan=cause.plan_id,
        amount=run.money(abs(cause.amount)),
        day=_day(cause.happened_on),
        draw_date=_day(draw.draw_date),
        account=ACCOUNTS[draw.method] if draw.method else run.account([cause]),
    )


def _advice(plan: Plan, about: Sequence[Cause], run: Run, words: Mapping[str, object]) -> list[str]:
    """The sentences about what may become of the draws of one term; new amounts only where nothing has to be found out first."""
    said, letters = [], run.letters
    if any(UNDER_A_STOP in cause.action for cause in about):
        said.append(letters.draw_stopped.format(**words, account=run.account(about)))
    elif plan.proposed_draws:
        sure = all(letters.kinds[cause.kind].proposes and not _found_out_first(cause) for cause in about)
        if sure and plan.notice_by is not None and plan.notice_by >= run.as_of:
            proposed = _draws(plan.proposed_draws, run.money)
            said.append(letters.draw_changes.format(**words, proposed=proposed, notice_by=_day(plan.notice_by)))
        else:
            said.append(letters.draw_may_change.format(**words))
    if plan.again:
        said.append(letters.draw_again.format(**words, again=run.money(plan.again), account=run.account(about)))
    if plan.awaited:  # its draw may still be taken: whoever pays it meanwhile pays twice
        said.append(letters.draw_may_change.format(**words))
    if plan.to_give_back:
        said.append(letters.money_back.format(**words, give_back=run.money(plan.to_give_back)))
    if plan.to_collect:
        said.append(letters.to_pay.format(**words, collect=run.money(plan.to_collect)))
    return said


def _draws(proposed: str, money: Callable[[int], str] = people_money) -> str:
    """The proposed draws as a letter writes them.

    >>> _draws("2026-11-10 2750.00; 2026-12-10 0.00")
    '2,750.00 on November 10, 2026; 0.00 on December 10, 2026'
    """
    parts = (part.split(" ") for part in proposed.split("; "))
    return "; ".join(f"{money(parse_rule_money(cents))} on {_day(date.fromisoformat(day))}" for day, cents in parts)


@lru_cache(maxsize=4096)
def _day(day: date | None) -> str:
    """A day as a letter writes it.

    >>> _day(date(2026, 11, 10)), _day(None)
    ('November 10, 2026', '[fill in]')
    """
    return NOT_KNOWN if day is None else f"{MONTHS[day.month - 1]} {day.day}, {day.year}"


def _earliest(days: Iterable[date | None]) -> date | None:
    known = [day for day in days if day is not None]
    return min(known) if known else None


def _joined(words: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(words))
