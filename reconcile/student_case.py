"""One student's schedule lines and bank events as plain tuples, and what "fits" means between them.

The steps `returns` and `draws` work out a student whose events are not plain (anything late, early, returned after clearing, grouped,
or open to more than one reading) on these tuples alone: no table, no other student, no clock. Days are day numbers (days since
1970-01-01), money is cents, a plan is its code in id order.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

ANY_PLAN = -1
"""Plan code of an event that names only a student: all the student's plans stand for it."""

TOLD_ONLY = re.compile(r"R(6[1-9]|7[0-7])\Z", re.IGNORECASE)
"""Codes of a dishonored or contested return: they move no money by themselves, a person decides."""


class Line(NamedTuple):
    """One line that a plan takes. `gross` is the amount with the card fee (equal to `amount` where no fee applies).

    `late_end` is the last day of a late match, and never before the window ends.
    """

    at: int
    plan: int
    number: tuple[int, int, str]
    name: str
    reference: str
    kind: str
    amount: int
    gross: int
    draw_date: int
    window_end: int
    early_from: int
    late_end: int
    active: bool

    @property
    def order(self) -> tuple[int, int, tuple[int, int, str]]:
        """Draw date, then plan, then line as a number where it is one."""
        return self.draw_date, self.plan, self.number

    @property
    def asks(self) -> tuple[int, ...]:
        """The amounts that pay it: its own and, on a card, its own with the fee."""
        return (self.amount,) if self.gross == self.amount else (self.amount, self.gross)


class CodeFacts(NamedTuple):
    """What the rules say of a return code, as far as money and dates go."""

    frame: int | None = None
    frame_unit: str = ""
    again_days: int = 0
    declined: bool = False
    """A card decline: it never was a cleared draw, so it undoes none by fit (a chargeback is the card's return)."""

    @property
    def sixty(self) -> bool:
        """Whether the code's time frame is the long one of an unauthorized entry."""
        return self.frame_unit == "calendar" and self.frame is not None and self.frame >= 60


class Event(NamedTuple):
    """One event of the bank or card processor."""

    at: int
    plan: int
    settled: int
    amount: int
    outcome: str
    kind: str
    line: str
    reference: str
    original_reference: str
    code: str
    facts: CodeFacts
    written: tuple[str, str, str] = ("", "", "")
    """Method, plan and student as its row gives them."""

    @property
    def order(self) -> tuple[int, str, int, int, str, str, str, str, str, tuple[str, str, str], int]:
        """Settlement date and reference, then the rest of its content, so that the order of rows never matters."""
        return (
            self.settled,
            self.reference,
            self.plan,
            self.amount,
            self.outcome,
            self.kind,
            self.line,
            self.original_reference,
            self.code,
            self.written,
            self.at,
        )

    @property
    def told_only(self) -> bool:
        """Whether it is a dishonored or contested return."""
        return self.outcome == "returned" and TOLD_ONLY.match(self.code) is not None


class Case(NamedTuple):
    """One student: lines in order, events in order, and the few rule values that fitting needs."""

    lines: tuple[Line, ...]
    events: tuple[Event, ...]
    rules: CaseRules


class CaseRules(NamedTuple):
    """Rule values of `matching.toml` that the exact function needs, and how to add banking days to a day number."""

    tolerance: int
    group_size: int
    near_percent: int
    return_days: int
    late_return_days: int
    cleared_then_returned: bool
    add_banking_days: Callable[[int, int], int]


@lru_cache(maxsize=4096)
def line_number(text: str) -> tuple[int, int, str]:
    """Sort key of a line's name: numbers by value before other words.

    >>> sorted(["10", "9", "fee"], key=line_number)
    ['9', '10', 'fee']
    """
    return (0, int(text), text) if re.fullmatch(r"[0-9]{1,15}", text) else (1, 0, text)


def agree(one: str, other: str) -> bool:
    """Whether two words do not contradict: an absent word agrees with any."""
    return not one or not other or one == other


def may_pay(event: Event, line: Line) -> bool:
    """Whether the event could belong to the line by whose it is and by kind; dates and amounts are not looked at."""
    plan, kind = event.plan, event.kind
    return (plan in (line.plan, ANY_PLAN)) and (not kind or not line.kind or kind == line.kind)


def within(event: Event, first: int, last: int) -> bool:
    """Whether the event settled from `first` to `last`, both included."""
    return first <= event.settled <= last


def in_window(event: Event, line: Line) -> bool:
    """Whether it settled in the line's window: the dates of the exact pass."""
    return within(event, line.draw_date, line.window_end)


def named_line(event: Event, lines: Iterable[Line]) -> Line | None:
    """The line that the event names: by plan and line, else by a reference that just one line carries; None if it names none.

    A line of another kind than the event's is named all the same: such an event fits no line at all, and a person is told.
    """
    if not event.line and not event.reference:
        return None
    possible = [line for line in lines if event.plan in {ANY_PLAN, line.plan}]
    if event.plan != ANY_PLAN and event.line:
        for line in possible:
            if line.name == event.line:
                return line
    if event.reference:
        carrying = [line for line in possible if line.reference == event.reference]
        if len(carrying) == 1:
            return carrying[0]
    return None


class Reading:
    """What one student's events name, worked out once: which event concerns which line, and the card fee inside an amount."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.cleared = [event for event in case.events if event.outcome == "cleared"]
        carrying = any(line.reference for line in case.lines)
        self._names = {event.at: named_line(event, case.lines) if event.line or carrying else None for event in case.events}
        self._fee: dict[int, int] = {}

    def names(self, event: Event) -> Line | None:
        """The line that the event names, or None."""
        return self._names[event.at]

    def concerns(self, event: Event, line: Line) -> bool:
        """Whether the event could belong to the line by whose it is and by kind, and names no other line."""
        named = self._names[event.at]
        return (named is None or named.at == line.at) and may_pay(event, line)

    def draw_money(self, event: Event, undone: Undone) -> int:
        """Standing cents of the event that are draw money: a card fee inside its amount that was not given back is taken out first."""
        fee = 0 if event.at in undone.fee_back.values() else self.card_fee(event)
        return max(0, undone.left[event.at] - fee)

    def card_fee(self, event: Event) -> int:
        """The card fee inside the event's amount, if that is a card line's with its fee and no line's alone; else 0."""
        if event.at not in self._fee:
            lines = [line for line in self.case.lines if line.amount and self.concerns(event, line)]
            own = any(event.amount == line.amount for line in lines)
            self._fee[event.at] = 0 if own else max((line.gross - line.amount for line in lines if event.amount == line.gross), default=0)
        return self._fee[event.at]


@dataclass
class Undone:
    """What one student's returns did. Built up by `returns.pair_returns` alone, then only read.

    left:      cents still standing of each cleared event, by event position.
    undoings:  (return, event, cents, rule): the cents that a return or refund took off an event.
    failed:    (return, line, rule): returns that are themselves a line's failed attempt (rules 2 and 4).
    unplaced:  cents of each return or refund that undid nothing (rule 5), by event position.
    fee_back:  refunds of just the card fee of the event that they name, by event position; that event's: the fee is gone, not draw money.
    told:      dishonored or contested returns: no money, a person decides.
    misnamed:  returns and refunds whose original reference names no event of the student.
    """

    left: dict[int, int]
    undoings: list[tuple[int, int, int, int]] = field(default_factory=list)
    failed: list[tuple[int, int, int]] = field(default_factory=list)
    unplaced: dict[int, int] = field(default_factory=dict)
    fee_back: dict[int, int] = field(default_factory=dict)
    told: list[int] = field(default_factory=list)
    misnamed: list[int] = field(default_factory=list)
