"""What letters to families are written from: their causes on the exception list, and what the plans and draws say of them.

Only the rows that concern these families are read, however many there are beside them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property, partial
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from reconcile.money import people_money
from reconcile.standing import CARRIED, CHANGED, NEW
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from datetime import date

    import pandas as pd

    from reconcile.events import Ints
    from reconcile.policy import Letters, Rules

OPEN: Final = (NEW, CHANGED, CARRIED)
ACCOUNTS: Final = {"bank": "bank account", "card": "card"}
"""What a draw is taken from, by its method."""


class Cause(NamedTuple):
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


class Plan(NamedTuple):
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


class Draw(NamedTuple):
    """The draw that an exception is about."""

    student_id: str
    plan_id: str
    line: str
    method: str
    return_code: str
    draw_date: date | None


NO_DRAW: Final = Draw("", "", "", "", "", None)


@dataclass(frozen=True)
class Run:
    """What the letters of a run are written from.

    of_plan: the row of plans by term and student. of_line: the row of draws by student, plan and line. methods: how each plan of a student
    is drawn, for plans of which an exception names no line that has a method of its own.
    """

    of_plan: Mapping[tuple[str, str], Plan]
    of_line: Mapping[tuple[str, str, str], Draw]
    methods: Mapping[tuple[str, str], set[str]]
    rules: Rules
    letters: Letters
    as_of: date

    @classmethod
    def of(cls, concerning: Sequence[Cause], plans: pd.DataFrame, draws: pd.DataFrame, rules: Rules, letters: Letters, as_of: date) -> Run:
        """What concerns these families; all else in the tables is passed over."""
        whose = list({cause.student_id for cause in concerning})
        told = [Plan(*row) for row in _rows(plans, np.flatnonzero(among(plans["student_id"], whose)), Plan._fields)]
        of_whom = np.flatnonzero(among(draws["student_id"], whose))
        named = {(cause.student_id, cause.plan_id, cause.line) for cause in concerning}
        keys = _rows(draws, of_whom, ("student_id", "plan_id", "line"))
        hit = of_whom[np.fromiter((key in named for key in keys), dtype=bool, count=len(of_whom))]
        of_line = {(draw.student_id, draw.plan_id, draw.line): draw for draw in (Draw(*row) for row in _rows(draws, hit, Draw._fields))}
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

    def line(self, cause: Cause) -> Draw:
        """The row of draws that an exception is about; an empty one where it is about none."""
        return self.of_line.get((cause.student_id, cause.plan_id, cause.line), NO_DRAW)

    def account(self, causes: Iterable[Cause]) -> str:
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


def causes_of_letters(exceptions: pd.DataFrame, letters: Letters) -> list[Cause]:
    """The exceptions that a family is written to about, in the order of the list."""
    which = among(exceptions["standing"], OPEN) & ~is_word(exceptions["severity"], "information") & ~is_word(exceptions["student_id"], "")
    found = []
    told = np.flatnonzero(which & among(exceptions["kind"], list(letters.kinds)))
    for cause in (Cause(*row) for row in _rows(exceptions, told, Cause._fields)):
        only_after = letters.kinds[cause.kind].only_after
        waits = bool(only_after) and cause.disposition not in only_after
        written = cause.disposition in letters.not_after and cause.standing != CHANGED
        if not waits and not written:
            found.append(cause)
    return found


def _words(code: str, rules: Rules, letters: Letters) -> dict[str, object]:
    term, office = rules.term(code), letters.office
    of_term = {"term": code, "term_name": term.name if term else code}
    return {"notice_days": rules.plans.notice_days, "office": office.name, "contact": office.contact, **of_term}
