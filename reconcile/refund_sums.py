"""Refunds that bank and student ledger cut differently, or book a long time apart: still the same money, which counts once.

An office gives 2,400.00 back in one sum, and the ledger shows 1,000.00 and 1,400.00; or the other way round; or the refund is booked only
a month later. Where no single amounts pair, the sums of a student and term do. Where even these differ, cents count once as far as they
go, and a person decides: nobody can say which refund on the ledger is which at the bank.
"""

from __future__ import annotations

from collections import defaultdict
from typing import NamedTuple


class Refund(NamedTuple):
    """A refund at the bank or on the ledger that has no pair yet.

    who: student and term. day: day number. size: cents, without a card fee. undid: how many of them were draw money that a refund at the
    bank undid (0 on the ledger). at: its row position.
    """

    who: tuple[str, str]
    day: int
    size: int
    undid: int
    at: int


class Same(NamedTuple):
    """Cents of a posting that are an event's; `whole` where the refunds of bank and ledger come to the same."""

    event: int
    posting: int
    cents: int
    whole: bool


def same_refunds(events: list[Refund], postings: list[Refund], reach: int) -> list[Same]:
    """Pair what single amounts within reach left over.

    In:      refunds at the bank and refund postings without a pair, each in order; the days within which they pair.
    Out:     first, for each student and term, all within reach of one of the other side, if both sums are equal; then single amounts booked
             later than that, where it is the only one of its amount on both sides; then, cent by cent, what is left within reach. The
             oldest posting takes first, never more than the events undid.
    """
    found: list[Same] = []
    of: defaultdict[tuple[str, str], list[Refund]] = defaultdict(list)
    for posting in postings:
        of[posting.who].append(posting)
    for who in sorted({event.who for event in events} & of.keys()):
        given, booked = [event for event in events if event.who == who], of[who]
        near = _within(given, booked, reach)
        if near[0] and sum(one.size for one in near[0]) == sum(one.size for one in near[1]):
            found += _cents(*near, whole=True)
            given, booked = [one for one in given if one not in near[0]], [one for one in booked if one not in near[1]]
        for event, posting in _late(given, booked, reach):
            found.append(Same(event.at, posting.at, min(event.undid, posting.size), whole=True))
            given.remove(event)
            booked = [one for one in booked if one != posting]
        found += _cents(*_within(given, booked, reach), whole=False)
    return found


def _within(events: list[Refund], postings: list[Refund], reach: int) -> tuple[list[Refund], list[Refund]]:
    """Those of each side that lie within reach of one of the other."""
    return (
        [one for one in events if any(abs(one.day - other.day) <= reach for other in postings)],
        [one for one in postings if any(abs(one.day - other.day) <= reach for other in events)],
    )


def _late(events: list[Refund], postings: list[Refund], reach: int) -> list[tuple[Refund, Refund]]:
    """Events and postings that are the only one of their amount, the posting beyond reach after the event."""
    found = []
    for event in events:
        one, other = ([each for each in side if each.size == event.size] for side in (events, postings))
        if len(one) == len(other) == 1 and other[0].day > event.day + reach:
            found.append((event, other[0]))
    return found


def _cents(events: list[Refund], postings: list[Refund], *, whole: bool) -> list[Same]:
    """Share the cents that the events undid among the postings, both in order; rows without any are named too."""
    left = [min(event.undid, event.size) for event in events]
    found = []
    for posting in postings:
        open_cents = posting.size
        for number, event in enumerate(events):
            cents = min(open_cents, left[number])
            left[number] -= cents
            open_cents -= cents
            if cents:
                found.append(Same(event.at, posting.at, cents, whole))
    for one in events:
        if all(pair.event != one.at for pair in found):
            found.append(Same(one.at, postings[0].at, 0, whole))
    for one in postings:
        if all(pair.posting != one.at for pair in found):
            found.append(Same(events[0].at, one.at, 0, whole))
    return found
