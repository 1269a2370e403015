"""What the exception list is made of: one fact per exception, and the words in which all facts are told.

A fact says what was found about one student, plan, line or bank event; its severity, owner, age and standing come later.
"""

from __future__ import annotations

from functools import cache, lru_cache
from string import Formatter
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from reconcile.exception_kinds import BY_NAME
from reconcile.money import people_money

if TYPE_CHECKING:
    from collections.abc import Iterable


DECIDES_FIRST = "a person decides first"
"""Said where nothing may be proposed before somebody has looked."""
ASK_BANK_FIRST = "Ask the bank first"
"""Said where nothing may be drawn, and no family asked for money, before the bank has said which draw came back."""


class Fact(NamedTuple):
    """One exception before it has an age: what it is about, what was found, and what the engine advises.

    amount:    cents. Signed as plan against bill for the kinds that compare them (over is positive, short negative), lines against total
               and ledger against bank; else the money of the draw, event or award, positive.
    happened:  day number, or None.
    about:     what tells it from others of its kind, student, plan and line: a reference, a fund, a day. Part of its id.
    whole:     it is about the student's plans of the term together: the plan is no part of its id.
    calm:      its severity is information, whatever the rules say of the kind.
    pressing:  a day by which it had to be done has passed, or money not owed is drawn soon: what is to be acted on is urgent.
    soon:      a draw comes within soon_days: it leads the list.
    instead:   the advice takes the place of the office's own first step, which does not fit the case.
    confirmed: what follows once somebody wrote that it is confirmed: in place of the office's own first step and of the advice.
    lead:      said before the office's own first step.
    before:    the last day on which what is advised can still be done in time, if it ends before the rule's own days.
    """

    kind: str
    term: str
    student_id: str
    plan_id: str
    line: str
    amount: int
    happened: int | None
    what: str
    advice: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()
    about: str = ""
    whole: bool = False
    calm: bool = False
    pressing: bool = False
    soon: bool = False
    instead: bool = False
    confirmed: tuple[str, ...] = ()
    lead: str = ""
    before: int | None = None


@lru_cache(maxsize=4096)
def day_text(day: int) -> str:
    """A day number as 2026-10-15."""
    return str(np.datetime64(int(day), "D"))


def who(student_id: str, plan_id: str = "", line: str = "") -> str:
    """Whom a sentence is about: "Student 00123404, plan HM-FA-2404, line 4".

    >>> who("S1", "P1", "4"), who("S1", "P1; P2"), who("", "P9"), who("", "")
    ('Student S1, plan P1, line 4', 'Student S1, plans P1 and P2', 'Plan P9', 'Unnamed bank event')
    """
    plans = f"plans {listed(plan_id.split('; '))}" if "; " in plan_id else f"plan {plan_id}"
    plan, of_line = f", {plans}" if plan_id else "", f", line {line}" if line else ""
    if student_id:
        return f"Student {student_id}{plan}{of_line}"
    text = (plan + of_line).removeprefix(", ")
    return text[0].upper() + text[1:] if text else "Unnamed bank event"


def listed(words: Iterable[str]) -> str:
    """Words as people list them: "one, two and three"."""
    parts = list(words)
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}" if parts else ""


def sentence(kind: str, **gaps: object) -> str:
    """The kind's sentence with its gaps filled; whole numbers are cents and become people's money."""
    text = BY_NAME[kind].sentence
    said = {name: gaps[name] for name in _gaps_of(text)}
    return text.format_map({name: people_money(gap) if isinstance(gap, int) else gap for name, gap in said.items()})


@cache
def _gaps_of(text: str) -> tuple[str, ...]:
    """The names in braces of a sentence: only they are put in words."""
    return tuple(dict.fromkeys(name for _text, name, _spec, _conversion in Formatter().parse(text) if name is not None))
