"""Which money paid which line: the attempts that left nothing, then the eight passes over money that stayed, for one student.

A *draw* is one scheduled taking of money; an *attempt* is one try at the bank. Attempts that left no money (returned, declined, refunded)
hang on the line that they fit, in any number. Money that stayed is matched to lines one to one, in passes from the surest to the least
sure, and each match keeps the name of its pass as its evidence. A tie in the sixth pass is a result (`more than one way to match`), never
a coin toss. What is left is money without a line.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

from reconcile.attempts import CARD_FEE, EARLY, EXACT, GROUPED, LATE, NAMED, Attempts
from reconcile.grouping import find_groupings
from reconcile.most_pairs import most_pairs
from reconcile.student_case import ANY_PLAN, Case, Event, Line, Reading, Undone, in_window, may_pay, within

if TYPE_CHECKING:
    from collections.abc import Iterable

NEAR, CANCELLED_LINE = "near", "cancelled line"
PASSES = (NAMED, EXACT, LATE, EARLY, CARD_FEE, GROUPED, NEAR, CANCELLED_LINE)

TAKEN_TWICE = "draw taken twice"
NOT_ON_SCHEDULE = "draw not on the schedule"
UNDECIDED = "more than one way to match"
PAYMENT = "payment, not a plan draw"
UNDONE = "undone, and no line fits it"


class Pair(NamedTuple):
    """One event on one line. `cents` is draw money that stayed, `fee` card fee that stayed.

    role: `money` (stayed), `attempt` (cleared, then returned), `refunded` (cleared, then refunded by the office), `failed` (a return
    that is itself the failed attempt), `return` and `refund` (what undid money of an event on this line; no attempt of its own). One sum
    over several lines is `money` on those for which some of it is left, an attempt on the others.
    """

    event: int
    line: int
    cents: int
    fee: int
    match: str
    role: str


class Matched(NamedTuple):
    """One student's draws: pairs of events and lines, and for each cleared event without a line the reason."""

    pairs: list[Pair]
    loose: dict[int, str]
    undecided_lines: frozenset[int]


class _Desk:
    """The working papers of one student while the passes run."""

    def __init__(self, case: Case, undone: Undone) -> None:
        self.case = case
        self.left = undone.left
        self.fee_back = frozenset(undone.fee_back.values())
        self.reading = Reading(case)
        self.attempts = Attempts(self.reading, undone)
        self.by_at = {event.at: event for event in case.events}
        self.pairs: list[Pair] = []
        self.loose: dict[int, str] = {}
        self.on: dict[int, int] = {}
        self.locked: set[int] = set()
        self.undoers: dict[int, list[Event]] = {}
        for by, target, _cents, _rule in undone.undoings:
            if by not in undone.fee_back:  # no draw money: the line knows nothing of it
                self.undoers.setdefault(target, []).append(self.by_at[by])

    def open_lines(self) -> list[Line]:
        return [line for line in self.case.lines if line.active and line.amount and line.at not in self.on and line.at not in self.locked]

    def put(self, event: Event, line: Line, match: str) -> None:
        """Lay an event's standing money on a line, card fee apart."""
        left = self.left[event.at]
        fee = line.gross - line.amount if event.amount == line.gross and match in {NAMED, CARD_FEE, CANCELLED_LINE} else 0
        fee = 0 if event.at in self.fee_back else fee
        cents = max(0, left - fee)
        self.pairs.append(Pair(event.at, line.at, cents, left - cents, match, "money"))
        self.on[line.at] = self.on.get(line.at, 0) + cents
        self.undoers_follow(event, line, match)

    def hang(self, event: Event, lines: tuple[Line, ...], match: str) -> None:
        """Hang an attempt that left no draw money on its line, or on each of several; what stands of it is card fee (of one line only)."""
        for line in lines:
            self.pairs.append(Pair(event.at, line.at, 0, self.left[event.at], match, self.undone_role(event)))
            self.undoers_follow(event, line, match)

    def undone_role(self, event: Event) -> str:
        """The role of an event on a line for which nothing of it is left."""
        last = max(self.undoers[event.at], key=lambda by: by.order)
        return "refunded" if last.outcome == "refunded" else "attempt"

    def undoers_follow(self, event: Event, line: Line, match: str) -> None:
        for by in self.undoers.get(event.at, []):
            self.pairs.append(Pair(by.at, line.at, 0, 0, match, "refund" if by.outcome == "refunded" else "return"))

    def late_end(self, line: Line, event: Event) -> int:
        return self.attempts.late_end(line, event.settled)


def match_draws(case: Case, undone: Undone) -> Matched:
    """Say for each line of one student which money paid it, and which money paid no line.

    In:      a case (lines and events in order) and what its returns did; cents, day numbers.
    Out:     Matched. Finds (by reason): draw taken twice, draw not on the schedule, more than one way to match.
    Keeps:   for each cleared event, pairs' cents + fee, or its standing cents if it is loose = what its returns left.
    """
    desk = _Desk(case, undone)
    staying = _hang_attempts(desk, undone)
    staying = _named(desk, staying)
    for match in (EXACT, LATE, EARLY, CARD_FEE):
        staying = _sweep(desk, staying, match)
    staying = _grouped(desk, staying)
    staying = _near(desk, staying)
    staying = _sweep(desk, staying, CANCELLED_LINE, with_fee=False)
    staying = _sweep(desk, staying, CANCELLED_LINE, with_fee=True)
    for event in staying:
        desk.loose[event.at] = TAKEN_TWICE if _was_taken_before(desk, event) else NOT_ON_SCHEDULE
    return Matched(desk.pairs, desk.loose, frozenset(desk.locked))


def _hang_attempts(desk: _Desk, undone: Undone) -> list[Event]:
    """Put the attempts that left nothing on their lines; return the events whose money stayed, in order."""
    lines = {line.at: line for line in desk.case.lines}
    for at, line_at, _rule in undone.failed:
        event, line = desk.by_at[at], lines[line_at]
        named = desk.reading.names(event) is not None
        match = NAMED if named else CARD_FEE if event.amount != line.amount else desk.attempts.timing(event, line)
        desk.pairs.append(Pair(at, line_at, 0, 0, match, "failed"))
    staying = []
    for event in desk.reading.cleared:
        if event.kind == "payment":
            desk.loose[event.at] = PAYMENT
        elif event.at in desk.attempts.hung:
            desk.hang(event, *desk.attempts.hung[event.at])
        elif desk.left[event.at]:
            staying.append(event)
        else:
            desk.loose[event.at] = UNDONE
    return staying


def _named(desk: _Desk, events: list[Event]) -> list[Event]:
    """Pass 1: an event goes to the line it names, of any amount, early, in the window or late; it matches no other line."""
    rest = []
    for event in events:
        line = desk.reading.names(event)
        if line is None:
            rest.append(event)
        elif not may_pay(event, line) or not desk.attempts.fits_any_date(event, line):
            desk.loose[event.at] = NOT_ON_SCHEDULE
        elif line.at in desk.on and desk.on[line.at] >= line.amount - desk.case.rules.tolerance:
            desk.loose[event.at] = TAKEN_TWICE
        else:
            desk.put(event, line, NAMED)
    return rest


def _span(desk: _Desk, event: Event, line: Line, match: str) -> int | None:
    """Last day of the line's span in this pass if the event settled within it, else None."""
    if match == EXACT:
        first, last = line.draw_date, line.window_end
    elif match == EARLY:
        first, last = line.early_from, line.draw_date - 1
    else:
        first, last = line.draw_date if match == CANCELLED_LINE else line.window_end + 1, desk.late_end(line, event)
    return last if first <= event.settled <= last else None


def _sweep(desk: _Desk, events: list[Event], match: str, *, with_fee: bool = False) -> list[Event]:
    """Passes 2 to 5 and 8: each event in order takes the open line it fits whose span ends first; the most pairs possible.

    With the card fee in, the dates are those of passes 2 to 4 one after the other, as for a line without a fee.
    """
    if not events:
        return events
    if match == CANCELLED_LINE:
        lines = [line for line in desk.case.lines if not line.active and line.amount and line.at not in desk.on]
    else:
        lines = desk.open_lines()
    by_fee = with_fee or match == CARD_FEE
    lines = [line for line in lines if not by_fee or line.gross != line.amount]
    by_amount: dict[int, list[Line]] = {}
    for line in lines:
        by_amount.setdefault(line.gross if by_fee else line.amount, []).append(line)
    stages = (EXACT, LATE, EARLY) if match == CARD_FEE else (match,)
    fitting = [{event.at: _fitting(desk, event, by_amount.get(event.amount, []), stage) for event in events} for stage in stages]
    holder = most_pairs(events, fitting)
    by_at = {line.at: line for line in lines}
    taken = {event_at: by_at[line_at] for line_at, event_at in holder.items()}
    for event in events:
        if event.at in taken:
            desk.put(event, taken[event.at], match)
    return [event for event in events if event.at not in taken]


def _fitting(desk: _Desk, event: Event, lines: list[Line], match: str) -> list[Line]:
    """Lines that the event fits in this pass, the one whose span ends first in front."""
    found = []
    for line in lines:
        end = _span(desk, event, line, match) if may_pay(event, line) else None
        if end is not None:
            found.append((end, line.order, line))
    if len(found) > 1:
        found.sort(key=lambda one: one[:2])
    return [line for _end, _order, line in found]


def _grouped(desk: _Desk, events: list[Event]) -> list[Event]:
    """Pass 6: one event over neighbouring open lines of a plan, or several events on one line, if there is just one way."""
    if not events:
        return events
    found = find_groupings(events, desk.open_lines(), desk.attempts.fits_any_date, desk.case.rules.group_size)
    for at in found.undecided_lines:
        desk.locked.add(at)
    gone = set(found.undecided_events)
    for at in gone:
        desk.loose[at] = UNDECIDED
    for group_events, group_lines in found.taken:
        gone.update(event.at for event in group_events)
        if len(group_events) == 1:
            _spread(desk, group_events[0], group_lines)
        else:
            for event in group_events:
                desk.put(event, group_lines[0], GROUPED)
    return [event for event in events if event.at not in gone]


def _spread(desk: _Desk, event: Event, lines: tuple[Line, ...]) -> None:
    """One event over several lines: each takes its amount, oldest first, as far as the event's money stands."""
    left = desk.left[event.at]
    for line in lines:
        cents = min(left, line.amount)
        left -= cents
        desk.pairs.append(Pair(event.at, line.at, cents, 0, GROUPED, "money" if cents else desk.undone_role(event)))
        desk.on[line.at] = cents
        desk.undoers_follow(event, line, GROUPED)


def _near(desk: _Desk, events: list[Event]) -> list[Event]:
    """Pass 7: a wrong amount in the window, if event and line are each other's only candidate."""
    lines = desk.open_lines()
    one_plan = len({line.plan for line in desk.case.lines}) == 1
    edges = [
        (event, line)
        for event in events
        for line in lines
        if may_pay(event, line)
        and (event.plan != ANY_PLAN or one_plan)
        and abs(event.amount - line.amount) * 10_000 <= line.amount * desk.case.rules.near_percent
        and (in_window(event, line) or _late_after_failure(desk, event, line))
    ]
    lone_events = _seen_once(event.at for event, _line in edges)
    lone_lines = _seen_once(line.at for _event, line in edges)
    taken = {event.at: line for event, line in edges if event.at in lone_events and line.at in lone_lines}
    for event in events:
        if event.at in taken:
            desk.put(event, taken[event.at], NEAR)
    return [event for event in events if event.at not in taken]


def _late_after_failure(desk: _Desk, event: Event, line: Line) -> bool:
    late = within(event, line.window_end + 1, desk.late_end(line, event))
    return late and desk.attempts.failed_by(line, event.settled)


def _seen_once(items: Iterable[int]) -> set[int]:
    return {item for item, times in Counter(items).items() if times == 1}


def _was_taken_before(desk: _Desk, event: Event) -> bool:
    """Whether it fits a cleared line of equal amount inside that line's window: the same draw taken twice."""
    tolerance = desk.case.rules.tolerance
    return any(
        desk.on.get(line.at, 0) > 0
        and desk.on[line.at] >= line.amount - tolerance
        and event.amount in line.asks
        and in_window(event, line)
        and may_pay(event, line)
        for line in desk.case.lines
    )
