"""When an event fits a line: whose line it is, by which amount, and on which day.

Attempts are kept here too, because a line that failed stays open to late money for as long as its return code lets it be presented again.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .days import after

if TYPE_CHECKING:
    from datetime import date

    from .book import Book, Event, Line, LineKey


@dataclass
class Attempts:
    """The tries that left no money, line by line: the day of each, and the returns by which they failed."""

    tried_on: dict[LineKey, list[date]] = field(default_factory=dict)
    failures: dict[LineKey, list[Event]] = field(default_factory=dict)

    def add(self, key: LineKey, tried_on: date, failures: list[Event]) -> None:
        """One more try on the line, with the returns that undid it."""
        self.tried_on.setdefault(key, []).append(tried_on)
        self.failures.setdefault(key, []).extend(failures)

    def failed_by(self, key: LineKey, day: date) -> bool:
        """Whether a try on the line had come back by that day."""
        return any(r.settled_on <= day for r in self.failures.get(key, []))

    def late_end(self, book: Book, line: Line, day: date) -> date:
        """The last day on which money that settles on `day` may still be this line's late money."""
        back = [r for r in self.failures.get(line.key, []) if r.settled_on <= day]
        if not back:
            return line.late_until
        code = book.code(max(back, key=lambda r: r.order))
        if code is None or not code.again:
            return line.late_until
        return max(line.late_until, after(min(self.tried_on[line.key]), code.again_days))


def concerns(event: Event, line: Line) -> bool:
    """The line is of the event's plan (or student) and kind, and the event does not name another line."""
    mine = event.plan_id == line.plan_id if event.plan_id else bool(event.student_id) and event.student_id == line.student_id
    return mine and event.kind in {"", line.kind} and event.named in {None, line.key}


def own_amount(event: Event, line: Line) -> bool:
    """The event is for exactly the line's amount."""
    return line.amount > 0 and event.amount == line.amount


def with_fee(event: Event, line: Line) -> bool:
    """The event is for the line's amount and its card fee."""
    return line.amount > 0 and line.fee > 0 and event.amount == line.amount + line.fee


def in_window(event: Event, line: Line) -> bool:
    """Settled from the draw date to the window's end."""
    return line.draw_date <= event.settled_on <= line.window_end


def is_early(event: Event, line: Line) -> bool:
    """Settled shortly before the draw date."""
    return line.early_from <= event.settled_on < line.draw_date


def is_late(book: Book, event: Event, line: Line, attempts: Attempts) -> bool:
    """Settled after the window, but soon enough."""
    return line.window_end < event.settled_on <= attempts.late_end(book, line, event.settled_on)


def in_window_or_late(book: Book, event: Event, line: Line, attempts: Attempts) -> bool:
    """Dates of passes exact and late."""
    return in_window(event, line) or is_late(book, event, line, attempts)


def any_date(book: Book, event: Event, line: Line, attempts: Attempts) -> bool:
    """Dates of passes exact, late and early."""
    return is_early(event, line) or in_window_or_late(book, event, line, attempts)


def last_day(book: Book, event: Event, line: Line, attempts: Attempts) -> date:
    """The end of the span in which the line takes money that settles when the event does, late money included."""
    return max(line.window_end, attempts.late_end(book, line, event.settled_on))


def fee_inside(book: Book, event: Event) -> int:
    """The card fee in an event's amount, if that amount is a card line's and its fee and no line's alone; else 0."""
    lines = [x for x in book.lines_of(event) if concerns(event, x)]
    if any(own_amount(event, x) for x in lines):
        return 0
    return max((x.fee for x in lines if with_fee(event, x)), default=0)
