"""The sixth pass: one event that paid several lines at once, or several events that together paid one line.

A family that fell behind may be drawn for two months in one amount; a processor may split one draw over two entries. Such a grouping is
taken only where there is a single way to read it. Where two different groupings share a line or an event, none of them is taken: which
is right is for a person to decide.
"""

from __future__ import annotations

from collections import Counter
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from reconcile.student_case import Event, Line

from reconcile.student_case import may_pay

MOST_CANDIDATES = 12
"""Events that are looked at for one line. Past this the line and its candidates are told as undecided, never guessed."""

Grouping = tuple[tuple["Event", ...], tuple["Line", ...]]


class Groupings(NamedTuple):
    """Groupings taken, and the rows of those that could be read in more than one way."""

    taken: tuple[Grouping, ...]
    undecided_events: frozenset[int]
    undecided_lines: frozenset[int]


def find_groupings(events: list[Event], lines: list[Line], fits: Callable[[Event, Line], bool], group_size: int) -> Groupings:
    """All groupings of events without a line and open lines, split into those taken and those undecided.

    In:      events in order, open lines, whether a pair fits by date (early, in the window or late), the largest size of a group.
    Out:     Groupings; every event and line is in at most one of the taken groupings, and in none of them if it is undecided.
    """
    found = [*over_lines(events, lines, fits, group_size)]
    undecided_events: set[int] = set()
    undecided_lines: set[int] = set()
    for line in lines:
        candidates = [event for event in events if event.amount < line.amount and may_pay(event, line) and fits(event, line)]
        if len(candidates) > MOST_CANDIDATES:
            if _could_sum(candidates, line.amount, group_size):
                undecided_events.update(event.at for event in candidates)
                undecided_lines.add(line.at)
            continue
        found += [(group, (line,)) for group in _sums(candidates, line.amount, group_size)]
    uses = Counter(key for grouping in found for key in _rows(grouping))
    blocked = {("event", at) for at in undecided_events} | {("line", at) for at in undecided_lines}
    taken = []
    for grouping in found:
        rows = _rows(grouping)
        if all(uses[row] == 1 and row not in blocked for row in rows):
            taken.append(grouping)
        else:
            undecided_events.update(at for what, at in rows if what == "event")
            undecided_lines.update(at for what, at in rows if what == "line")
    return Groupings(tuple(taken), frozenset(undecided_events), frozenset(undecided_lines))


def _rows(grouping: Grouping) -> list[tuple[str, int]]:
    events, lines = grouping
    return [*(("event", event.at) for event in events), *(("line", line.at) for line in lines)]


def over_lines(events: list[Event], lines: list[Line], fits: Callable[[Event, Line], bool], group_size: int) -> Iterator[Grouping]:
    """Each event over two to `group_size` neighbouring lines of one plan, of those given, that add up to it."""
    by_plan: dict[int, list[Line]] = {}
    for line in sorted(lines, key=lambda line: line.order):
        by_plan.setdefault(line.plan, []).append(line)
    for event in events:
        for neighbours in by_plan.values():
            for start in range(len(neighbours)):
                total = 0
                for size, line in enumerate(neighbours[start : start + group_size], start=1):
                    total += line.amount
                    if total > event.amount or not (may_pay(event, line) and fits(event, line)):
                        break
                    if size > 1 and total == event.amount:
                        yield (event,), tuple(neighbours[start : start + size])


def _sums(candidates: list[Event], amount: int, group_size: int) -> Iterator[tuple[Event, ...]]:
    for size in range(2, group_size + 1):
        for group in combinations(candidates, size):
            if sum(event.amount for event in group) == amount:
                yield group


def _could_sum(candidates: list[Event], amount: int, group_size: int) -> bool:
    """Whether some group of the allowed size could reach the amount at all (bounds only)."""
    amounts = sorted(event.amount for event in candidates)
    return sum(amounts[:2]) <= amount <= sum(amounts[-group_size:])
