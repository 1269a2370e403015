"""The families to contact: one row for each, so that nobody gets three letters about one thing, with the words of a letter.

Only exceptions that concern the family stand here (those whose kind has words in `letters.toml`), open ones, above information; what the
office has to settle with the bank or its own ledger gives no letter, and neither does what a person has closed. The letter says only what
holds: new amounts are named only where nothing has to be found out first, and every letter says that it changes no draw.

Works on the students with exceptions alone, however many there are beside them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cache, cached_property, lru_cache, partial
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from reconcile.exception_advice import UNDER_A_STOP
from reconcile.exception_facts import ASK_BANK_FIRST, DECIDES_FIRST
from reconcile.money import parse_rule_money, people_money
from reconcile.standing import CARRIED, CHANGED, NEW, typed, typed_columns
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    import pandas as pd

    from reconcile.events import Ints
    from reconcile.policy import Letters, Rules

OPEN: Final = (NEW, CHANGED, CARRIED)
MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
FAILED: Final = "failed draw"
ASKED_FOR: Final = (FAILED, "no draw seen", "draw for less")
"""Kinds whose letters say that part of the bill is open."""
FIRST: Final = (DECIDES_FIRST, ASK_BANK_FIRST)
"""Words of an action after which no family is asked for money before somebody has found something out."""
ACCOUNTS: Final = {"bank": "bank account", "card": "card"}
"""What a draw is taken from, by its method."""
UNSETTLED: Final = frozenset({"unauthorized", "chargeback", "dishonored", "contested"})
"""Classes of codes after which the bursar and the bank speak first, and no family is asked for money."""
DECIDED_FIRST: Final = ("drawn after a stop",)
"""While one of these is open the bursar decides, and no family is asked for the money of a draw."""
NOT_KNOWN: Final = "[fill in]"


def outreach(
    exceptions: pd.DataFrame,
    plans: pd.DataFrame,
    draws: pd.DataFrame,
    rules: Rules,
    as_of: date,
    names: Mapping[str, str],
    part: int = 0,
    parts: int = 1,
) -> pd.DataFrame:
    """One row per family to contact.

    In:      OUTPUTS["exceptions"], "plans" and "draws" of a run, cents; `names` by student id, empty unless the run shows names.
    Out:     OUTPUTS["outreach"], families with the most harmful exception first. `why` and `propose` join the causes in that order;
             `amount` is that of the first, above zero; `by_when` is the earliest act_by; notice_by that of the plans. Only one part of so
             many `parts` of the families; one after the other, the parts are all of them.
    Rules:   letters.toml; without it the table has no rows
    """
    letters = rules.letters
    if letters is None:
        return typed([], "outreach")
    concerning = _concerning(exceptions, letters)
    if not concerning:
        return typed([], "outreach")
    run = _Run.of(concerning, plans, draws, rules, letters, as_of)
    open_rows = among(exceptions["standing"], OPEN) & among(exceptions["kind"], DECIDED_FIRST)
    waits = set(exceptions["student_id"].iloc[np.flatnonzero(open_rows)])
    families: dict[str, list[_Cause]] = {}
    for cause in concerning:
        if cause.kind not in ASKED_FOR or (cause.student_id not in waits and _is_owed(cause, run)):
            families.setdefault(cause.student_id, []).append(cause)
    chosen = list(families.items())[len(families) * part // parts : len(families) * (part + 1) // parts]
    rows = [_family(student, causes, run, names.get(student, "")) for student, causes in chosen]
    columns = zip(*rows, strict=True) if rows else ((),) * len(_Family._fields)
    return typed_columns(dict(zip(_Family._fields, columns, strict=True)), "outreach")


class _Cause(NamedTuple):
    """An exception that a family is written to about, as far as a letter looks at it: the fields are columns of the list."""

    exception_id: str
    kind: str
    term: str
    student_id: str
    plan_id: str
    line: str
    amount: int
    action: str
    standing: str
    disposition: str
    happened_on: date | None
    act_by: date | None


class _Plan(NamedTuple):
    """What the table of plans says of a family's plans of a term; cents."""

    term: str
    student_id: str
    variance: int
    again: int
    awaited: int
    proposed_draws: str
    to_give_back: int
    to_collect: int
    notice_by: date | None


class _Draw(NamedTuple):
    """The draw that an exception is about."""

    student_id: str
    plan_id: str
    line: str
    method: str
    return_code: str
    draw_date: date | None


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


NO_DRAW: Final = _Draw("", "", "", "", "", None)


@dataclass(frozen=True)
class _Run:
    """What the letters of a run are written from.

    of_plan: the row of plans by term and student. of_line: the row of draws by student, plan and line. methods: how each plan of a student
    is drawn, for plans of which an exception names no line that has a method of its own.
    """

    of_plan: Mapping[tuple[str, str], _Plan]
    of_line: Mapping[tuple[str, str, str], _Draw]
    methods: Mapping[tuple[str, str], set[str]]
    rules: Rules
    letters: Letters
    as_of: date

    @classmethod
    def of(
        cls, concerning: Sequence[_Cause], plans: pd.DataFrame, draws: pd.DataFrame, rules: Rules, letters: Letters, as_of: date
    ) -> _Run:
        """What concerns these families; all else in the tables is passed over."""
        whose = list({cause.student_id for cause in concerning})
        told = [_Plan(*row) for row in _rows(plans, np.flatnonzero(among(plans["student_id"], whose)), _Plan._fields)]
        of_whom = np.flatnonzero(among(draws["student_id"], whose))
        named = {(cause.student_id, cause.plan_id, cause.line) for cause in concerning}
        keys = _rows(draws, of_whom, ("student_id", "plan_id", "line"))
        hit = of_whom[np.fromiter((key in named for key in keys), dtype=bool, count=len(of_whom))]
        of_line = {(draw.student_id, draw.plan_id, draw.line): draw for draw in (_Draw(*row) for row in _rows(draws, hit, _Draw._fields))}
        loose = {
            (cause.student_id, plan)
            for cause in concerning
            if not of_line.get((cause.student_id, cause.plan_id, cause.line), NO_DRAW).method
            for plan in cause.plan_id.split("; ")
        }
        return cls({(plan.term, plan.student_id): plan for plan in told}, of_line, _methods(draws, loose), rules, letters, as_of)

    def money(self, cents: int) -> str:
        """An amount as a letter writes it."""
        return f"{self.letters.currency}{people_money(cents)}"

    def line(self, cause: _Cause) -> _Draw:
        """The row of draws that an exception is about; an empty one where it is about none."""
        return self.of_line.get((cause.student_id, cause.plan_id, cause.line), NO_DRAW)

    def account(self, causes: Iterable[_Cause]) -> str:
        """What the draws of these exceptions are taken from: the line's own, else all that the student's plans are drawn from."""
        found: set[str] = set()
        for cause in causes:
            method = self.line(cause).method
            plans = () if method else cause.plan_id.split("; ")
            found |= {method} if method else {one for plan in plans for one in self.methods.get((cause.student_id, plan), ())}
        return ACCOUNTS[found.pop()] if len(found) == 1 else " or ".join(ACCOUNTS.values())

    @cached_property
    def words(self) -> Callable[[str], dict[str, object]]:
        """The words that every sentence about a term may have, by the term's code."""
        return cache(partial(_words, rules=self.rules, letters=self.letters))


def _methods(draws: pd.DataFrame, plans: set[tuple[str, str]]) -> dict[tuple[str, str], set[str]]:
    """How each of these plans is drawn, by student and plan."""
    found: dict[tuple[str, str], set[str]] = {}
    if plans:
        which = np.flatnonzero(among(draws["student_id"], list({student for student, _plan in plans})))
        for student, plan, method in _rows(draws, which, ("student_id", "plan_id", "method")):
            if (student, plan) in plans:
                found.setdefault((student, plan), set()).add(method)
    return found


def _rows(table: pd.DataFrame, which: Ints, names: Iterable[str]) -> Iterator[tuple[Any, ...]]:
    """The cells of these columns, row by row; a day as a date, an absent one as None."""
    picked = (table[name].iloc[which] for name in names)
    return zip(*((c.to_numpy(dtype="datetime64[D]") if c.dtype.kind == "M" else c).tolist() for c in picked), strict=True)


def _concerning(exceptions: pd.DataFrame, letters: Letters) -> list[_Cause]:
    """The exceptions that a family is written to about, in the order of the list."""
    which = among(exceptions["standing"], OPEN) & ~is_word(exceptions["severity"], "information") & ~is_word(exceptions["student_id"], "")
    found = []
    told = np.flatnonzero(which & among(exceptions["kind"], list(letters.kinds)))
    for cause in (_Cause(*row) for row in _rows(exceptions, told, _Cause._fields)):
        only_after = letters.kinds[cause.kind].only_after
        waits = bool(only_after) and cause.disposition not in only_after
        written = cause.disposition in letters.not_after and cause.standing != CHANGED
        if not waits and not written:
            found.append(cause)
    return found


def _is_owed(cause: _Cause, run: _Run) -> bool:
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


def _found_out_first(cause: _Cause) -> bool:
    return DECIDES_FIRST in cause.action or ASK_BANK_FIRST in cause.action


def _family(student: str, causes: Sequence[_Cause], run: _Run, name: str) -> _Family:
    """The row of one family; `causes` are its exceptions, the most harmful first."""
    letters = run.letters
    terms = list(dict.fromkeys(cause.term for cause in causes))
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
        why=_joined(cause.kind for cause in causes),
        amount=abs(causes[0].amount),
        by_when=_earliest(cause.act_by for cause in causes),
        notice_by=_earliest(plan.notice_by for plan in advised),
        propose=" ".join(dict.fromkeys(cause.action for cause in causes)),
        greeting=letters.greeting.format(**first),
        letter=" ".join(dict.fromkeys(said)),
        exception_ids=_joined(cause.exception_id for cause in causes),
    )


def _why(cause: _Cause, run: _Run, words: Mapping[str, object]) -> str:
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


def _advice(plan: _Plan, about: Sequence[_Cause], run: _Run, words: Mapping[str, object]) -> list[str]:
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


def _words(code: str, rules: Rules, letters: Letters) -> dict[str, object]:
    term, office = rules.term(code), letters.office
    of_term = {"term": code, "term_name": term.name if term else code}
    return {"notice_days": rules.plans.notice_days, "office": office.name, "contact": office.contact, **of_term}


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
    return min((day for day in days if day is not None), default=None)


def _joined(words: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(words))
