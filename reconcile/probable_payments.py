"""Payments that probably paid a failed or unseen draw outside the plan: a posting of exactly its amount, dated after its draw date.

Nothing is decided by them: the family is asked, and each answer leads to one thing to do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.exception_advice import conditional
from reconcile.exception_facts import day_text
from reconcile.ledger import ANOTHER_KIND, BOUNCED
from reconcile.money import people_money

if TYPE_CHECKING:
    from reconcile.exception_ground import Ground


def probable_payments(on: Ground) -> dict[int, int]:
    """For failed and unseen lines the payment posting of exactly their amount, dated after the draw date: probably paid outside the plan.

    Out:     line to posting, both row positions; oldest line first, each payment once; none that was taken back or is a draw of the plan.
    """
    lines = on.lines
    wanted = np.flatnonzero(lines["state"].are("failed", "not seen")).tolist()
    if not wanted or not len(on.postings):
        return {}
    keys = {(lines["student_id"][at], lines["term"][at], int(lines["amount"][at])) for at in wanted}
    postings = on.postings
    used = set(on.at.ledger.loc[on.at.ledger["how"].isin([ANOTHER_KIND, BOUNCED]), "posting"].tolist())
    students = postings["student_id"].are(*{key[0] for key in keys})
    free: dict[tuple[str, str, int], list[tuple[int, int]]] = {}
    for at in sorted(
        np.flatnonzero(students & postings["kind"].are("payment")).tolist(),
        key=lambda p: (postings["posted_on"][p], -postings["amount"][p]),
    ):
        cents = int(postings["amount"][at])
        key = (postings["student_id"][at], postings["term"][at], abs(cents))
        if key not in keys or at in used:
            continue
        if cents > 0:
            free.setdefault(key, []).append((int(postings["posted_on"][at]), at))
        elif free.get(key):
            free[key].pop()
    found: dict[int, int] = {}
    for line in sorted(wanted, key=lambda at: (lines["draw_date"][at], lines["plan_id"][at], lines["line"][at])):
        waiting = free.get((lines["student_id"][line], lines["term"][line], int(lines["amount"][line])), [])
        later = [entry for entry in waiting if entry[0] > lines["draw_date"][line]]
        if later:
            waiting.remove(later[0])
            found[line] = later[0][1]
    return found


def paid_outside(on: Ground, posting: int | None) -> str:
    """What a draw's exception says of such a payment; "" without one."""
    if posting is None:
        return ""
    amount, day = people_money(int(on.postings["amount"][posting])), day_text(on.postings["posted_on"][posting])
    return f"a payment of {amount} posted on {day} probably paid it outside the plan"


def ask_about_payment(on: Ground, posting: int, stop: str, *, said: tuple[str, ...], otherwise: str) -> str:
    """What to ask where a payment probably paid the draw outside the plan, and what follows from each answer."""
    amount, day = people_money(int(on.postings["amount"][posting])), day_text(on.postings["posted_on"][posting])
    ask = f"Ask the family whether the payment of {amount} on {day} was for this draw. If yes, {stop} and leave the others as they are."
    holds = conditional(otherwise, said)
    return f"{ask} {holds}" if holds else ask


def payment_evidence(on: Ground, posting: int | None) -> tuple[str, ...]:
    """Where such a payment stands in the exports; nothing without one."""
    return () if posting is None else (on.postings.at(posting),)
