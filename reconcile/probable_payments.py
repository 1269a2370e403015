"""Payments that probably paid a failed or unseen draw outside the plan: one of exactly its amount, dated after its draw date.

It stands on the student's ledger, or so far only at the bank.

Nothing is decided by them: the family is asked, and each answer leads to one thing to do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from reconcile.exception_advice import conditional
from reconcile.exception_facts import day_text
from reconcile.ledger import ANOTHER_KIND, BOUNCED
from reconcile.money import people_money
from reconcile.unposted_payments import unposted_payments

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reconcile.events import Bools
    from reconcile.exception_ground import Ground


class Payment(NamedTuple):
    """A payment beside the plan: its day, whether it is posted, its cents, and where it stands in the exports."""

    day: int
    posted: bool
    cents: int
    evidence: str

    @property
    def words(self) -> str:
        """The payment with its amount, and where it was seen on which day."""
        return f"a payment of {people_money(self.cents)} {'posted' if self.posted else 'that the bank cleared'} on {day_text(self.day)}"


def probable_payments(on: Ground) -> dict[int, Payment]:
    """For failed and unseen lines the payment of exactly their amount, dated after the draw date: probably paid outside the plan.

    Out:     line (row position) to payment, posted or so far only at the bank; oldest line first, each payment once; none that was taken
             back or is a draw of the plan.
    """
    lines, postings, unposted = on.lines, on.postings, unposted_payments(on)
    wanted = np.flatnonzero(lines["state"].are("failed", "not seen")).tolist() if len(postings) or unposted else []
    if not wanted:
        return {}
    keys = {(lines["student_id"][at], lines["term"][at], int(lines["amount"][at])) for at in wanted}
    used = set(on.at.ledger.loc[on.at.ledger["how"].isin([ANOTHER_KIND, BOUNCED]), "posting"].tolist())
    students = postings["student_id"].are(*{key[0] for key in keys})
    free: dict[tuple[str, str, int], list[Payment]] = {}
    for at in sorted(
        np.flatnonzero(students & postings["kind"].are("payment")).tolist(),
        key=lambda p: (postings["posted_on"][p], -postings["amount"][p]),
    ):
        cents = int(postings["amount"][at])
        key = (postings["student_id"][at], postings["term"][at], abs(cents))
        if key not in keys or at in used:
            continue
        if cents > 0:
            free.setdefault(key, []).append(Payment(int(postings["posted_on"][at]), True, cents, postings.at(at)))
        elif free.get(key):
            free[key].pop()
    for at in unposted:
        cents = int(on.events["amount"][at])
        if on.at.matching.left[at] == cents:
            paid = Payment(int(on.events["settled_on"][at]), False, cents, on.events.at(at))
            free.setdefault((on.money["student_id"][at], on.money["term"][at], cents), []).append(paid)
    found: dict[int, Payment] = {}
    for line in sorted(wanted, key=lambda at: (lines["draw_date"][at], lines["plan_id"][at], lines["line"][at])):
        waiting = free.get((lines["student_id"][line], lines["term"][line], int(lines["amount"][line])), [])
        first = min((paid for paid in waiting if paid.day > lines["draw_date"][line]), key=lambda paid: paid.day, default=None)
        if first is not None:
            waiting.remove(first)
            found[line] = first
    return found


def families_to_ask(on: Ground, payments: Mapping[int, Payment]) -> Bools:
    """Whether each row of plans has a draw that was probably paid outside the plan: what is proposed for it holds only if it was not.

    In:      the ground of the run; its `probable_payments`.
    """
    asked = np.zeros(len(on.at.keys), dtype=np.bool_)
    asked[on.row_of_line[list(payments)]] = True
    return asked


def paid_outside(payment: Payment | None) -> str:
    """What a draw's exception says of such a payment; "" without one."""
    return "" if payment is None else f"{payment.words} probably paid it outside the plan"


def ask_about_payment(payment: Payment, stop: str, *, said: tuple[str, ...], otherwise: str) -> str:
    """What to ask where a payment probably paid the draw outside the plan, and what follows from each answer."""
    amount, day = people_money(payment.cents), day_text(payment.day)
    ask = f"Ask the family whether the payment of {amount} on {day} was for this draw. If yes, {stop} and leave the others as they are."
    holds = conditional(otherwise, said)
    return f"{ask} {holds}" if holds else ask


def payment_evidence(payment: Payment | None) -> tuple[str, ...]:
    """Where such a payment stands in the exports; nothing without one."""
    return () if payment is None else (payment.evidence,)
