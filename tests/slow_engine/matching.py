"""Which line the money that stayed has paid: the eight passes, one student at a time.

Every pass works on whole amounts as the bank gave them; what a partly undone event still holds is counted only when the line is full or
when money is added up.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING

from .fits import (
    Attempts,
    any_date,
    concerns,
    fee_inside,
    in_window,
    in_window_or_late,
    is_early,
    is_late,
    last_day,
    own_amount,
    with_fee,
)
from .undoing import Undone, hang_attempts

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from .book import Book, Event, Line, LineKey


@dataclass
class Matched:
    """What the passes found, by position in the bank's file and by line."""

    attempts: Attempts
    hung: dict[int, tuple[list[LineKey], str]]
    lines_of: dict[int, list[LineKey]] = field(default_factory=dict)
    pass_of: dict[int, str] = field(default_factory=dict)
    events_on: dict[LineKey, list[Event]] = field(default_factory=dict)
    undecided: set[int] = field(default_factory=set)
    undecided_lines: set[LineKey] = field(default_factory=set)
    taken_twice: set[int] = field(default_factory=set)

    def put(self, event: Event, lines: list[Line], name: str) -> None:
        """Match an event with one line, or with the several lines that it paid at once."""
        self.lines_of[event.position] = [x.key for x in lines]
        self.pass_of[event.position] = name
        for x in lines:
            self.events_on.setdefault(x.key, []).append(event)


@dataclass(frozen=True)
class Share:
    """Part of one event's money: on a line, or on none (line None); kind "card fee" is the part that is no draw money."""

    event: Event
    line: Line | None
    kind: str
    cents: int


def draw_part(book: Book, undone: Undone, event: Event) -> int:
    """What is left of an event without the card fee that its amount holds."""
    left = undone.left[event.position]
    return left if undone.fee_is_gone(event) else left - min(left, fee_inside(book, event))


def match_money(book: Book, undone: Undone) -> Matched:
    """Run every pass for every student."""
    attempts, hung = hang_attempts(book, undone)
    matched = Matched(attempts, hung)
    for student_id in sorted({p.student_id for p in book.plans.values()}):
        money = [
            e
            for e in book.events
            if e.outcome == "cleared" and e.student_id == student_id and e.kind != "payment" and undone.left[e.position]
        ]
        _match_student(book, undone, matched, [e for e in money if e.position not in hung], student_id)
    return matched


def _match_student(book: Book, undone: Undone, matched: Matched, money: list[Event], student_id: str) -> None:
    attempts = matched.attempts
    _named(book, undone, matched, [e for e in money if e.named is not None])
    free = [e for e in money if e.named is None]
    lines = sorted((x for x in book.lines.values() if x.student_id == student_id and x.amount), key=lambda x: x.oldest_first)
    active = [x for x in lines if not x.cancelled]
    off = [x for x in lines if x.cancelled]
    passes: list[tuple[str, list[Line], Callable[[Event, Line], bool], Callable[[Event, Line], date]]] = [
        ("exact", active, lambda e, x: own_amount(e, x) and in_window(e, x), lambda _, x: x.window_end),
        (
            "late",
            active,
            lambda e, x: own_amount(e, x) and is_late(book, e, x, attempts),
            lambda e, x: attempts.late_end(book, x, e.settled_on),
        ),
        ("early", active, lambda e, x: own_amount(e, x) and is_early(e, x), lambda _, x: x.draw_date),
        (
            "with card fee",
            active,
            lambda e, x: with_fee(e, x) and any_date(book, e, x, attempts),
            lambda e, x: last_day(book, e, x, attempts) if not in_window(e, x) else x.window_end,
        ),
    ]
    for name, where, fits, ends in passes:
        _pairs(matched, free, where, name, fits, ends, _stage)
    _grouped(book, matched, free, active)
    _near(book, matched, free, active)
    late_included: list[Callable[[Event, Line], bool]] = [
        lambda e, x: own_amount(e, x) and in_window_or_late(book, e, x, attempts),
        lambda e, x: with_fee(e, x) and in_window_or_late(book, e, x, attempts),
    ]
    for fits in late_included:
        _pairs(matched, free, off, "cancelled lines", fits, lambda e, x: last_day(book, e, x, attempts))


def _stage(e: Event, x: Line) -> int:
    """With the card fee: lines in their window are served first, then late ones, then early ones."""
    return 0 if in_window(e, x) else 2 if is_early(e, x) else 1


def _named(book: Book, undone: Undone, matched: Matched, money: list[Event]) -> None:
    """Pass 1: money goes on the line that it names until the line is full; the rest was taken twice."""
    for e in money:
        line = book.lines[e.named] if e.named else None
        if line is None or not concerns(e, line) or not any_date(book, e, line, matched.attempts):
            continue
        there = matched.events_on.get(line.key, [])
        if there and sum(draw_part(book, undone, x) for x in there) >= line.amount - book.rules.matching.tolerance:
            matched.taken_twice.add(e.position)
        else:
            matched.put(e, [line], "named")


def _open(matched: Matched, lines: list[Line]) -> list[Line]:
    return [x for x in lines if x.key not in matched.events_on and x.key not in matched.undecided_lines]


def _unmatched(matched: Matched, events: list[Event]) -> list[Event]:
    return [e for e in events if e.position not in matched.lines_of and e.position not in matched.undecided]


def _pairs(
    matched: Matched,
    events: list[Event],
    lines: list[Line],
    name: str,
    fits: Callable[[Event, Line], bool],
    ends: Callable[[Event, Line], date],
    stage: Callable[[Event, Line], int] = lambda _e, _x: 0,
) -> None:
    """Passes 2 to 5 and 8: each event, oldest first, takes the open line whose span ends first; then missing pairs are added.

    A pair is missing where kinds or plans differ so that an event took a line that another event needed: the event then moves on to
    another line that it fits, as in every augmenting path.
    """
    by_key = {x.key: x for x in lines}
    todo = _unmatched(matched, events)
    choices: dict[int, list[Line]] = {}
    for e in todo:
        fitting = [(stage(e, x), ends(e, x), x.oldest_first, x.key) for x in _open(matched, lines) if concerns(e, x) and fits(e, x)]
        choices[e.position] = [by_key[key] for *_, key in sorted(fitting)]
    holder: dict[LineKey, Event] = {}
    for now in range(3):
        for e in todo:
            if any(held is e for held in holder.values()):
                continue
            for x in choices[e.position]:
                if x.key not in holder and stage(e, x) == now:
                    holder[x.key] = e
                    break

    def place(e: Event, visited: set[LineKey]) -> bool:
        for x in choices[e.position]:
            if x.key in visited:
                continue
            visited.add(x.key)
            if x.key not in holder or place(holder[x.key], visited):
                holder[x.key] = e
                return True
        return False

    for e in todo:
        if all(held is not e for held in holder.values()):
            place(e, set())
    for key, e in holder.items():
        matched.put(e, [by_key[key]], name)


@dataclass(frozen=True)
class Grouping:
    """One event that pays several lines, or several events that pay one line."""

    events: tuple[Event, ...]
    lines: tuple[Line, ...]

    def rows(self) -> set[object]:
        """Everything that the grouping uses."""
        return {*(e.position for e in self.events), *(x.key for x in self.lines)}


def _grouped(book: Book, matched: Matched, events: list[Event], lines: list[Line]) -> None:
    """Pass 6: groupings that share no row with another one are taken; the rows of all others are undecided."""
    todo, still_open = _unmatched(matched, events), _open(matched, lines)
    sizes = range(2, book.rules.matching.group_size + 1)

    def fit(e: Event, x: Line) -> bool:
        return concerns(e, x) and any_date(book, e, x, matched.attempts)

    found = []
    for plan_id in sorted({x.plan_id for x in still_open}):
        row = [x for x in still_open if x.plan_id == plan_id]
        for size in sizes:
            for start in range(len(row) - size + 1):
                run = row[start : start + size]
                total = sum(x.amount for x in run)
                found += [Grouping((e,), tuple(run)) for e in todo if e.amount == total and all(fit(e, x) for x in run)]
    for x in still_open:
        for size in sizes:
            for some in combinations([e for e in todo if fit(e, x)], size):
                if sum(e.amount for e in some) == x.amount:
                    found.append(Grouping(some, (x,)))
    for g in found:
        if any(g is not other and g.rows() & other.rows() for other in found):
            matched.undecided |= {e.position for e in g.events}
            matched.undecided_lines |= {x.key for x in g.lines}
        else:
            for e in g.events:
                matched.put(e, list(g.lines), "grouped")


def _near(book: Book, matched: Matched, events: list[Event], lines: list[Line]) -> None:
    """Pass 7: an amount near the line's, where event and line are each other's only candidate."""

    def near(e: Event, x: Line) -> bool:
        same_plan = e.plan_id == x.plan_id or (not e.plan_id and len(book.plans_of(e.student_id)) == 1)
        late = matched.attempts.failed_by(x.key, e.settled_on) and is_late(book, e, x, matched.attempts)
        close = abs(e.amount - x.amount) * 10_000 <= book.rules.matching.near_percent * x.amount
        return same_plan and concerns(e, x) and close and (in_window(e, x) or late)

    candidates = [(e, x) for e in _unmatched(matched, events) for x in _open(matched, lines) if near(e, x)]
    for e, x in candidates:
        if sum(e is other for other, _ in candidates) == 1 and sum(x is other for _, other in candidates) == 1:
            matched.put(e, [x], "near")


def shares(book: Book, matched: Matched, event: Event, left: int, *, fee_is_gone: bool) -> list[Share]:
    """Where what is left of an event lies: the card fee first, then its lines oldest first, or no line at all."""
    if event.position in matched.hung:
        lines = [book.lines[key] for key in matched.hung[event.position][0]]
    else:
        lines = [book.lines[key] for key in matched.lines_of.get(event.position, [])]
    kind = event.kind or "draw"
    if not lines:
        return [Share(event, None, kind, left)] if left else []
    fee_in = len(lines) == 1 and not own_amount(event, lines[0]) and with_fee(event, lines[0]) and not fee_is_gone
    fee = min(left, lines[0].fee) if fee_in else 0
    out = [Share(event, lines[0], "card fee", fee)] if fee else []
    rest = left - fee
    for x in lines[:-1]:
        part = min(rest, x.amount)
        out.append(Share(event, x, x.kind, part))
        rest -= part
    out.append(Share(event, lines[-1], lines[-1].kind, rest))
    return out
