"""Returns and refunds: which money each of them undoes, by the five rules, and which attempts they left behind.

A return is a draw sent back by the family's bank, or a card that declined; a refund is the office's own act.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .days import after
from .fits import Attempts, any_date, concerns, fee_inside, in_window, in_window_or_late, is_early, is_late, own_amount, with_fee

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from .book import Book, Event, Line, LineKey

SIXTY_DAYS = 60
"""Calendar frame from which a code is one of the late, unauthorized kind."""


@dataclass(frozen=True)
class Undoing:
    """So many cents of one cleared event were undone by one return or refund."""

    by: Event
    event: Event
    cents: int


@dataclass
class Undone:
    """What the returns did, by position in the bank's file.

    fee_back: refunds of just the card fee of the event that they name, with that event; they take no draw money.
    """

    left: dict[int, int] = field(default_factory=dict)
    undoings: list[Undoing] = field(default_factory=list)
    rule: dict[int, int] = field(default_factory=dict)
    failed_line: dict[int, LineKey] = field(default_factory=dict)
    unasked: frozenset[int] = frozenset()
    fee_back: dict[int, Event] = field(default_factory=dict)

    def fee_is_gone(self, event: Event) -> bool:
        """Whether the office gave back just the card fee of the event."""
        return any(of is event for of in self.fee_back.values())

    def undo(self, by: Event, event: Event, rule: int) -> None:
        """Take as much of the event as the return names and as there is."""
        cents = min(by.amount, self.left[event.position])
        if cents:
            self.undoings.append(Undoing(by, event, cents))
        self.left[event.position] -= cents
        self.rule[by.position] = rule

    def takers(self, event: Event) -> list[Undoing]:
        """What took money off an event, oldest first."""
        return sorted((u for u in self.undoings if u.event is event), key=lambda u: u.by.order)

    def takers_as_settled(self, event: Event) -> list[Undoing]:
        """What took money off an event, in the order in which the rules settled it."""
        return [u for u in self.undoings if u.event is event]


def settle_returns(book: Book, unasked: frozenset[int] = frozenset()) -> Undone:
    """Settle first all returns that name a cleared event, then the others, each group oldest first.

    A refund without a name takes money that no line asks for (`unasked`, by position) before other money.
    """
    cleared = [e for e in book.events if e.outcome == "cleared" and e.student_id]
    undone = Undone(left={e.position: e.amount for e in cleared}, unasked=unasked)
    back = [e for e in book.events if e.outcome != "cleared"]
    others = []
    for r in back:
        if r.is_dispute:
            undone.rule[r.position] = 0
        elif not r.student_id:
            undone.rule[r.position] = 5
        elif (named := _named_event(r, cleared)) is not None:
            fee = fee_inside(book, named)
            if r.outcome == "refunded" and fee and r.amount == fee <= undone.left[named.position] and not undone.fee_is_gone(named):
                undone.fee_back[r.position] = named
            undone.undo(r, named, rule=1)
        else:
            others.append(r)
    for r in others:
        undone.rule[r.position] = 5
        for rule in _rules_for(book, r):
            if rule(book, r, cleared, undone):
                break
    return undone


def _rules_for(book: Book, r: Event) -> list[Callable[[Book, Event, list[Event], Undone], bool]]:
    """The rules that a return without a fitting name goes by, in order."""
    if r.outcome == "refunded":
        return [_latest_event]
    if r.original_reference:
        return [_failed_in_window, _failed_late]
    code = book.code(r)
    sixty = code is not None and code.frame is not None and code.frame_unit == "calendar" and code.frame >= SIXTY_DAYS
    if code is not None and code.klass == "declined":
        return [_failed_in_window, _failed_late]
    if book.rules.matching.cleared_then_returned:
        if sixty:
            return [_latest_event, _failed_in_window, _failed_late]
        return [_failed_in_window, _latest_event, _failed_late]
    return [_failed_in_window, _latest_event, _failed_late] if sixty else [_failed_in_window, _failed_late]


def _agree(r: Event, event: Event) -> bool:
    """Kind and named line agree where both give one."""
    return (not r.kind or not event.kind or r.kind == event.kind) and (r.named is None or event.named is None or r.named == event.named)


def _named_event(r: Event, cleared: list[Event]) -> Event | None:
    if not r.original_reference:
        return None
    found = [e for e in cleared if e.reference == r.original_reference and e.student_id == r.student_id]
    return found[0] if found else None


def stands(book: Book, event: Event, undone: Undone) -> bool:
    """A cleared event of which more is left than a card fee."""
    return undone.left[event.position] > (0 if undone.fee_is_gone(event) else fee_inside(book, event))


def _failed_in_window(book: Book, r: Event, cleared: list[Event], undone: Undone) -> bool:
    """Rule 2: the failed attempt of a line in whose window nothing has cleared by then."""
    lines = [
        x
        for x in book.lines_of(r)
        if concerns(r, x) and (not x.cancelled or r.named == x.key) and (own_amount(r, x) or with_fee(r, x)) and in_window(r, x)
    ]
    free = [x for x in lines if not any(in_window(e, x) or is_early(e, x) for e in _standing(book, r, x, cleared, undone))]
    if not free:
        return False
    undone.failed_line[r.position] = min(free, key=lambda x: (x.window_end, x.oldest_first)).key
    undone.rule[r.position] = 2
    return True


def _standing(book: Book, r: Event, line: Line, cleared: list[Event], undone: Undone) -> list[Event]:
    """Cleared, not undone events of the line's amount (card fee in or out) that had settled when the return came."""
    return [
        e
        for e in cleared
        if e.settled_on <= r.settled_on and concerns(e, line) and (own_amount(e, line) or with_fee(e, line)) and stands(book, e, undone)
    ]


def _latest_event(book: Book, r: Event, cleared: list[Event], undone: Undone) -> bool:
    """Rule 3: the latest cleared, not undone event of the same plan (or student) and amount."""
    found = [
        e
        for e in cleared
        if e.student_id == r.student_id
        and (not e.plan_id or not r.plan_id or e.plan_id == r.plan_id)
        and _agree(r, e)
        and _same_amount(book, r, e)
        and e.settled_on <= r.settled_on <= _latest_return(book, r, e)
        and stands(book, e, undone)
    ]
    if not found:
        return False
    given_back = [e for e in found if r.outcome == "refunded" and e.position in undone.unasked]
    undone.undo(r, max(given_back or found, key=lambda e: e.order), rule=3)
    return True


def _same_amount(book: Book, r: Event, event: Event) -> bool:
    """Equal amounts, or one of them a card line's amount and the other that and its fee."""
    if r.amount == event.amount:
        return True
    lines = [x for x in book.lines.values() if concerns(r, x) and concerns(event, x)]
    return any((own_amount(r, x) and with_fee(event, x)) or (with_fee(r, x) and own_amount(event, x)) for x in lines)


def _latest_return(book: Book, r: Event, event: Event) -> date:
    matching = book.rules.matching
    code = book.code(r) if r.outcome == "returned" else None
    if code is None or code.frame is None:
        return after(event.settled_on, matching.return_days)
    if code.frame_unit == "banking":
        return after(book.days.add(event.settled_on, code.frame), matching.late_return_days)
    return after(event.settled_on, code.frame + matching.late_return_days)


def _failed_late(book: Book, r: Event, cleared: list[Event], undone: Undone) -> bool:
    """Rule 4: the failed attempt of a line that the return fits in its window or late, unless the line has its money."""
    attempts, _ = hang_attempts(book, undone)
    lines = [
        x
        for x in book.lines_of(r)
        if concerns(r, x)
        and (not x.cancelled or r.named == x.key)
        and (own_amount(r, x) or with_fee(r, x))
        and in_window_or_late(book, r, x, attempts)
    ]
    free = [x for x in lines if not any(any_date(book, e, x, attempts) for e in _standing(book, r, x, cleared, undone))]
    if not free:
        return False

    def soonest(x: Line) -> tuple[bool, date, object]:
        late = not in_window(r, x)
        return (late, attempts.late_end(book, x, r.settled_on) if late else x.window_end, x.oldest_first)

    undone.failed_line[r.position] = min(free, key=soonest).key
    undone.rule[r.position] = 4
    return True


def hang_attempts(book: Book, undone: Undone) -> tuple[Attempts, dict[int, tuple[list[LineKey], str]]]:
    """Hang each event that left no draw money on the line that it fits, oldest first, beside the returns of rules 2 and 4.

    Out: the attempts of every line, and for each hung event its lines and the pass by which it hangs.
    """
    attempts = Attempts()
    hung: dict[int, tuple[list[LineKey], str]] = {}
    for e in book.events:
        if e.position in undone.failed_line:
            attempts.add(undone.failed_line[e.position], e.settled_on, [e])
        elif e.outcome == "cleared" and e.student_id and not stands(book, e, undone):
            place = _hang(book, e, attempts, undone)
            keys, name = ([place[0]], place[1]) if place is not None else (_hang_sum(book, e, attempts, undone), "grouped")
            if keys:
                hung[e.position] = (keys, name)
            for key in keys:
                attempts.add(key, e.settled_on, [u.by for u in undone.takers(e) if u.by.outcome == "returned"])
    return attempts, hung


def _hang(book: Book, e: Event, attempts: Attempts, undone: Undone) -> tuple[LineKey, str] | None:
    """The line on which an event without money hangs, and the pass: named, exact, late or with card fee."""
    if e.named is not None:
        line = book.lines[e.named]
        return (line.key, "named") if concerns(e, line) and any_date(book, e, line, attempts) else None
    lines = [x for x in book.lines_of(e) if not x.cancelled]
    own = [x for x in lines if own_amount(e, x)]
    fee = [x for x in lines if with_fee(e, x)]
    for kinds, names in ((own, ("exact", "late", "early")), (fee, ("with card fee",) * 3)):
        timely = [x for x in kinds if in_window(e, x)]
        if timely:
            return (min(timely, key=lambda x: (_has_money(book, e, x, attempts, undone), x.window_end, x.oldest_first)).key, names[0])
        late = [x for x in kinds if is_late(book, e, x, attempts)]
        if late:
            return (min(late, key=lambda x: (_has_money(book, e, x, attempts, undone), *_late_order(book, e, x, attempts))).key, names[1])
        early = [x for x in kinds if is_early(e, x)]
        if early:
            return (min(early, key=lambda x: (_has_money(book, e, x, attempts, undone), *_late_order(book, e, x, attempts))).key, names[2])
    return None


def _hang_sum(book: Book, e: Event, attempts: Attempts, undone: Undone) -> list[LineKey]:
    """The neighbouring lines, of those without standing money, that add up to a sum that is gone; none if there are two ways."""
    if e.named is not None or undone.left[e.position]:
        return []
    free = [x for x in book.lines_of(e) if x.amount and not x.cancelled and not _has_money(book, e, x, attempts, undone)]
    ways = []
    for plan_id in {x.plan_id for x in free}:
        row = [x for x in free if x.plan_id == plan_id]
        for first in range(len(row)):
            for size in range(2, book.rules.matching.group_size + 1):
                run = row[first : first + size]
                if len(run) == size and sum(x.amount for x in run) == e.amount and all(any_date(book, e, x, attempts) for x in run):
                    ways.append([x.key for x in run])
    return ways[0] if len(ways) == 1 else []


def _late_order(book: Book, e: Event, line: Line, attempts: Attempts) -> tuple[date, object]:
    return (attempts.late_end(book, line, e.settled_on), line.oldest_first)


def _has_money(book: Book, e: Event, line: Line, attempts: Attempts, undone: Undone) -> bool:
    cleared = [c for c in book.events if c.outcome == "cleared" and c.student_id]
    return any(any_date(book, c, line, attempts) for c in _standing(book, e, line, cleared, undone))
