"""The last days on which what an exception advises can still be done: to give notice of a change, and to stop a draw before it is taken.

By when an exception is worked follows from the rules of its kind, but never later than that: a person who is told to stop a draw, and to
act by the day on which it is taken, comes too late.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reconcile.exception_advice import EITHER_STOP, NO_DRAW_ON, NOTICE, draws_to_stop
from reconcile.notices import in_time, last_day

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.exception_facts import Fact
    from reconcile.exception_ground import Ground


def while_it_can_be_done(on: Ground, fact: Fact) -> Fact:
    """The fact with the last day for notice, or to stop a draw, where its advice asks for one that can still be done."""
    key = (fact.term, fact.student_id)
    last, row = on.notice_by.get(key), on.rows_to_stop.get(key)
    if last is None and row is None:
        return fact
    asked = last is not None and last >= on.today and any(NOTICE in part for part in fact.advice)
    stop = None if row is None else on.coming.first_stop(_stopped_by(on, fact, row))
    days = [day for day in (last if asked else None, stop, fact.before) if day is not None]
    return fact._replace(before=min(days)) if days else fact


def _stopped_by(on: Ground, fact: Fact, row: int) -> Iterator[int]:
    """The draws to come that the fact says are to be stopped; of a plan above its bill whose draws can still change, all of them."""
    said, mine = (fact.lead, *fact.advice), on.mine("lines", row)
    if any(EITHER_STOP in part for part in said):
        yield from draws_to_stop(on, row, on.advice(row).to_stop)
    if any(NO_DRAW_ON in part for part in said):
        yield from (at for at in mine if on.lines["stopped"][at] and on.lines["state"][at] == "pending")
    if fact.kind == "plan exceeds bill" and not fact.instead:
        yield from (at for at in mine if on.coming.changeable[at])


def decide_by(on: Ground, row: int) -> int | None:
    """The last day for notice of the first pending draw that can still change; None where plan and bill agree, or none can change."""
    if row < 0 or abs(int(on.plans["variance"][row])) <= on.rules.plans.plan_tolerance or not on.billed[on.plans["term"][row]]:
        return None
    days = on.rules.plans.notice_days
    coming = [int(on.lines["draw_date"][at]) for at in on.mine("lines", row) if on.coming.changeable[at]]
    first = min((day for day in coming if in_time(on.today, day, days)), default=None)
    return None if first is None else last_day(first, days)


def is_soon(on: Ground, row: int) -> bool:
    """Whether a draw of a row of plans that is under no stop comes within soon_days."""
    near = on.today + on.rules.plans.soon_days
    return any(on.coming.changeable[at] and int(on.lines["draw_date"][at]) <= near for at in on.mine("lines", row))


def stop_by(on: Ground, row: int) -> int | None:
    """The last day to stop the first draw of a row of plans that can still be stopped; None if none is to come."""
    return None if row < 0 else on.coming.first_stop(at for at in on.mine("lines", row) if on.coming.changeable[at])
