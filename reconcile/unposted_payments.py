"""Payments beside the plan that the bank shows and the student's ledger does not: nobody sees them on the account until they are posted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from reconcile.exception_ground import Ground

_Key = tuple[str, str, int]


def unposted_payments(on: Ground) -> list[int]:
    """Positions of the bank's payments that no posting explains, in order of date and content; all of them without a postings export.

    In:      the ground. A payment counts as long as some of it stands; a posting explains one payment of its student, term and amount,
             within late_match_days: the nearest, of kind payment, else a plan draw that pairs with no event (it is told by itself).
    Rules:   matching.toml late_match_days
    """
    events, reach = on.events, on.rules.matching.late_match_days
    paid = events["kind"].are("payment") & events["outcome"].are("cleared") & (on.row_of_event >= 0) & (on.at.matching.left > 0)
    found = sorted(np.flatnonzero(paid).tolist(), key=lambda at: (events["settled_on"][at], events.cells(at)))
    if not found:
        return []
    days = _posted_days(on, {_key_of(on, at) for at in found})
    unposted = []
    for event in found:
        day, waiting = int(events["settled_on"][event]), days.get(_key_of(on, event), [])
        near = min(waiting, key=lambda posted: abs(posted - day), default=None)
        if near is not None and abs(near - day) <= reach:
            waiting.remove(near)
        else:
            unposted.append(event)
    return unposted


def _key_of(on: Ground, event: int) -> _Key:
    return on.money["student_id"][event], on.money["term"][event], int(on.events["amount"][event])


def _posted_days(on: Ground, keys: set[_Key]) -> dict[_Key, list[int]]:
    """Days of the postings that may be such a payment, in order; what a later posting took off again is none."""
    postings, ledger = on.postings, on.at.ledger
    paired = np.zeros(len(postings), dtype=bool)
    paired[ledger["posting"].to_numpy()] = True
    asked = ~paired & postings["kind"].are("payment", "plan draw") & postings["student_id"].are(*{key[0] for key in keys})
    days: dict[_Key, list[int]] = {}
    for at in sorted(np.flatnonzero(asked).tolist(), key=lambda p: (postings["posted_on"][p], -postings["amount"][p], postings.cells(p))):
        cents = int(postings["amount"][at])
        key = (postings["student_id"][at], postings["term"][at], abs(cents))
        if key not in keys:
            continue
        if cents > 0:
            days.setdefault(key, []).append(int(postings["posted_on"][at]))
        elif days.get(key):
            days[key].pop()
    return days
