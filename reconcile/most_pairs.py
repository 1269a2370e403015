"""The most pairs of events and lines: who gets which line where several events fit several lines.

Oldest first, as an office would. Where each line fits one interval of days this already makes the most pairs possible (F. Glover, Maximum
matching in a convex bipartite graph, 1967: from memory; held by tests); kinds that differ, and the stages of the pass with the card fee,
can leave a pair more, which is found by moving earlier events over.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.student_case import Event, Line


def most_pairs(events: list[Event], fitting: list[dict[int, list[Line]]]) -> dict[int, int]:
    """Who holds which line: oldest first, stage by stage, then, where more pairs are possible, by moving earlier events over.

    In:      events in the order in which they take lines; for each stage of the pass the lines that each event fits, best first.
    Out:     line position to the position of the event that holds it.
    Keeps:   as many pairs as are possible at all; an event that took a line keeps one.
    """
    holder: dict[int, int] = {}
    waiting = [event.at for event in events]
    for stage in fitting:
        without = []
        for event_at in waiting:
            line = next((line for line in stage[event_at] if line.at not in holder), None)
            if line is None:
                without.append(event_at)
            else:
                holder[line.at] = event_at
        waiting = without

    dead: set[int] = set()  # lines from which no search can reach an open one any more
    for event_at in waiting:
        _move_over(event_at, fitting, holder, dead)
    return holder


def _move_over(first: int, fitting: list[dict[int, list[Line]]], holder: dict[int, int], dead: set[int]) -> None:
    """Find a line for an event by moving others over, one to the next, until one of them reaches an open line; else change nothing.

    A loop and not a recursion: a thousand equal draws in one window are a chain of a thousand moves.
    """

    def lines_of(event_at: int) -> Iterator[Line]:
        return (line for stage in fitting for line in stage[event_at])

    tried: set[int] = set()
    chain, chosen = [(first, lines_of(first))], list[int]()
    while chain:
        line = next((line for line in chain[-1][1] if line.at not in tried and line.at not in dead), None)
        if line is None:
            chain.pop()
            del chosen[-1:]
            continue
        tried.add(line.at)
        chosen.append(line.at)
        if line.at not in holder:
            holder.update({line_at: event_at for (event_at, _rest), line_at in zip(chain, chosen, strict=True)})
            return
        chain.append((holder[line.at], lines_of(holder[line.at])))
    dead |= tried
