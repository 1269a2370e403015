"""Attempts that left no money: on which line each of them hangs, and how long a failed line stays open for another try.

A line may be tried several times: a draw comes back, it is presented again, it comes back again. Every such attempt hangs on its line, in
any number, by what it names, else by amount and date; one sum taken for several draws, and back, hangs on each of them. A line that failed
stays open to late money for as long as the code of its last return lets it be presented again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from reconcile.grouping import over_lines
from reconcile.student_case import in_window, within

if TYPE_CHECKING:
    from reconcile.student_case import Event, Line, Reading, Undone

NAMED, EXACT, LATE, EARLY, CARD_FEE, GROUPED = "named", "exact", "late", "early", "with card fee", "grouped"
_ORDER = (EXACT, LATE, EARLY)


class _Try(NamedTuple):
    tried: int
    came_back: tuple[Event, ...]


class Attempts:
    """The attempts of one student that left no draw money.

    hung: for each such cleared event its lines and the pass by which it hangs (cleared events that fit no line are not in it).
    """

    def __init__(self, reading: Reading, undone: Undone) -> None:
        self._reading = reading
        self._undone = undone
        self._tries: dict[int, list[_Try]] = {}
        self.hung: dict[int, tuple[tuple[Line, ...], str]] = {}
        by_at = {event.at: event for event in reading.case.events}
        lines = {line.at: line for line in reading.case.lines}
        undoers: dict[int, list[Event]] = {}
        for by, target, _cents, _rule in undone.undoings:
            undoers.setdefault(target, []).append(by_at[by])
        failed = {event: lines[line] for event, line, _rule in undone.failed}
        for event in reading.case.events:
            if event.at in failed:
                self._add(failed[event.at], _Try(event.settled, (event,)))
            elif event.outcome != "cleared" or event.kind == "payment" or undone.left[event.at] == event.amount:
                continue  # nothing was undone: as a rule
            elif not reading.draw_money(event, undone):
                one = self._line_of(event)
                found = ((one[0],), one[1]) if one is not None else (self._lines_of_sum(event), GROUPED)
                if found[0]:
                    self.hung[event.at] = found
                    returns = tuple(by for by in undoers.get(event.at, ()) if by.outcome == "returned")
                    for line in found[0]:
                        self._add(line, _Try(event.settled, returns))

    def _add(self, line: Line, attempt: _Try) -> None:
        self._tries.setdefault(line.at, []).append(attempt)

    def _back_by(self, line: Line, day: int) -> list[Event]:
        return [by for attempt in self._tries.get(line.at, ()) for by in attempt.came_back if by.settled <= day]

    def failed_by(self, line: Line, day: int) -> bool:
        """Whether an attempt on the line had come back by that day."""
        return bool(self._back_by(line, day))

    def late_end(self, line: Line, day: int) -> int:
        """Last day of a late match for money that settles on `day`: longer if the line failed and may be presented again."""
        back = self._back_by(line, day) if line.at in self._tries else ()
        if not back:
            return line.late_end
        last = max(back, key=lambda event: event.order)
        first = min(attempt.tried for attempt in self._tries[line.at])
        return max(line.late_end, first + last.facts.again_days) if last.facts.again_days else line.late_end

    def fits_any_date(self, event: Event, line: Line) -> bool:
        """Early, in the window or late: the dates of passes 2 to 4."""
        return within(event, line.early_from, self.late_end(line, event.settled))

    def timing(self, event: Event, line: Line) -> str:
        """Early, exact or late, of an event that fits the line by date."""
        return EARLY if event.settled < line.draw_date else EXACT if in_window(event, line) else LATE

    def standing_for(self, event: Event, line: Line) -> bool:
        """Whether money that fits the line by amount and date, not undone, had settled when the event did."""
        return any(
            other.at != event.at
            and other.settled <= event.settled
            and other.amount in line.asks
            and self._reading.concerns(other, line)
            and self._reading.draw_money(other, self._undone)
            and self.fits_any_date(other, line)
            for other in self._reading.cleared
        )

    def _line_of(self, event: Event) -> tuple[Line, str] | None:
        """By name, else exact, late, early, then with card fee in the same order; a cancelled line only by name.

        Of several lines one that has no other money standing for it: the attempt is rather that line's.
        """
        named = self._reading.names(event)
        if named is not None:
            return (named, NAMED) if self._reading.concerns(event, named) and self.fits_any_date(event, named) else None
        fitting = [
            line
            for line in self._reading.case.lines
            if line.active and line.amount and self._reading.concerns(event, line) and self.fits_any_date(event, line)
        ]
        for own in (True, False):
            lines = [
                line for line in fitting if event.amount == (line.amount if own else line.gross) and (own or line.gross != line.amount)
            ]
            if lines:
                line = min(lines, key=lambda line: self._rank(event, line))
                return line, self.timing(event, line) if own else CARD_FEE
        return None

    def _lines_of_sum(self, event: Event) -> tuple[Line, ...]:
        """The neighbouring lines of a plan that a sum which came back whole was taken for, if there is just one way; else none.

        Only lines that have no other money standing for them, as only open lines are grouped for money that stayed.
        """
        if self._undone.left[event.at] or self._reading.names(event) is not None:
            return ()
        case = self._reading.case
        lines = [line for line in case.lines if line.active and line.amount and not self.standing_for(event, line)]
        found = [group for _events, group in over_lines([event], lines, self.fits_any_date, case.rules.group_size)]
        return found[0] if len(found) == 1 else ()

    def _rank(self, event: Event, line: Line) -> tuple[int, bool, int, tuple[int, int, tuple[int, int, str]]]:
        timing = self.timing(event, line)
        end = {EXACT: line.window_end, EARLY: line.draw_date - 1}.get(timing) or self.late_end(line, event.settled)
        return _ORDER.index(timing), self.standing_for(event, line), end, line.order
