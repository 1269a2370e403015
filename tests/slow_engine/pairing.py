"""Bank events and ledger postings that are the same money, as far as balances need it: refunds told twice, payments that are really draws.

Pairs are of one student and term and of equal amount (card fee out); of all possible pairs the nearest in days is taken first.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from .days import after
from .fits import with_fee
from .states import Settled, event_term

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from .book import Event, LineKey, Row


@dataclass
class LedgerPairs:
    """Postings by place in the student's list: what of each counts elsewhere already, which are bank events, which met outside charges.

    refunds_apart: a refund at the bank and one on the ledger are both without a pair of their sum.
    """

    counted_elsewhere: dict[int, int] = field(default_factory=dict)
    meets_outside: set[int] = field(default_factory=set)
    met_charges: dict[int, int] = field(default_factory=dict)
    paired: set[int] = field(default_factory=set)
    refunds_apart: bool = False


def pair_ledger(settled: Settled, postings: list[Row], charges: list[Row], student_id: str, term: str) -> LedgerPairs:
    """Pair the events and postings of one student and term; charges and postings are lists of that student and term."""
    book = settled.book
    pairs = LedgerPairs()
    events = [
        e for e in book.events if e.student_id == student_id and e.kind != "payment" and not e.is_dispute and event_term(settled, e) == term
    ]
    taken: set[int] = set()
    within = book.rules.matching.late_match_days

    def soon(e: Event, p: Row) -> bool:
        return bool(abs((p["posted_on"] - e.settled_on).days) <= within)

    def pair(some: list[Event], kind: str, sign: int, ok: Callable[[Event, Row], bool]) -> dict[int, int]:
        """Postings of a kind and sign for events: event position to posting."""
        possible = sorted(
            (abs((p["posted_on"] - e.settled_on).days), p["posted_on"] < e.settled_on, e.order, _posting_order(p), i, e.position)
            for e in some
            for i, p in enumerate(postings)
            if i not in taken and p["kind"] == kind and p["amount"] == sign * ledger_amount(settled, e) and ok(e, p)
        )
        out: dict[int, int] = {}
        for *_, i, position in possible:
            if i not in taken and position not in out:
                taken.add(i)
                out[position] = i
        return out

    cleared = [e for e in events if e.outcome == "cleared"]
    back = [e for e in events if e.outcome != "cleared"]
    posted = pair(cleared, "plan draw", 1, soon)
    reversed_ = pair(back, "plan draw", -1, soon)
    refunds = [e for e in back if e.outcome == "refunded" and e.position not in reversed_]
    refunded = pair(refunds, "refund", -1, soon)
    for position, i in refunded.items():
        pairs.counted_elsewhere[i] = -min(-postings[i]["amount"], _draws_undone(settled, position))
    whole_refunds = _refunds_left_over(
        settled, pairs, [e for e in refunds if e.position not in {*refunded, *settled.undone.fee_back}], postings, taken
    )
    by_position = {e.position: e for e in events}
    unposted = [e for e in cleared if e.position not in posted]
    for position, i in pair(unposted, "payment", 1, lambda e, p: e.settled_on <= p["posted_on"] <= _lag_end(settled, e)).items():
        pairs.counted_elsewhere[i] = postings[i]["amount"]
        j = _its_negative(settled, postings, i, by_position[position], taken)
        if j is not None:
            taken.add(j)
            pairs.counted_elsewhere[j] = postings[j]["amount"]
    told = {*reversed_, *refunded, *whole_refunds}
    _payments_that_came_back(settled, pairs, postings, taken, told, student_id, term)
    _meet_outside(settled, pairs, postings, charges, taken)
    pairs.paired = taken
    return pairs


def _draws_undone(settled: Settled, position: int) -> int:
    """Cents of draw money that a refund took; a refunded payment counts through its posting."""
    return sum(u.cents for u in settled.undone.undoings if u.by.position == position and u.event.kind != "payment")


def _refunds_left_over(settled: Settled, pairs: LedgerPairs, events: list[Event], postings: list[Row], taken: set[int]) -> set[int]:
    """Refunds cut in another way: as sums of the term, then single ones booked later, then as many cents as both sides have.

    The sums and cents are of those near one of the other side; a later one must be the only one of its amount among all that are left.
    Out: positions of the events that pair whole.
    """
    whole: set[int] = set()
    within = settled.book.rules.matching.late_match_days
    rows = [i for i, p in enumerate(postings) if i not in taken and p["kind"] == "refund" and p["amount"] < 0]

    def near() -> tuple[list[Event], list[int]]:
        def close(e: Event, i: int) -> bool:
            return bool(abs((postings[i]["posted_on"] - e.settled_on).days) <= within)

        return [e for e in events if any(close(e, i) for i in rows)], [i for i in rows if any(close(e, i) for e in events)]

    def count_once(some: list[Event], several: list[int]) -> None:
        undid = sum(min(_draws_undone(settled, e.position), ledger_amount(settled, e)) for e in some)
        for i in sorted(several, key=lambda i: (*_posting_order(postings[i])[:2], postings[i]["amount"])):
            cents = min(undid, -postings[i]["amount"])
            pairs.counted_elsewhere[i] = -cents
            undid -= cents

    given, booked = near()
    if given and sum(ledger_amount(settled, e) for e in given) == -sum(postings[i]["amount"] for i in booked):
        count_once(given, booked)
        taken |= set(booked)
        whole |= {e.position for e in given}
        events, rows = [e for e in events if e not in given], [i for i in rows if i not in booked]
    for e in list(events):
        same = [x for x in events if ledger_amount(settled, x) == ledger_amount(settled, e)]
        found = [i for i in rows if postings[i]["amount"] == -ledger_amount(settled, e)]
        if len(same) == len(found) == 1 and postings[found[0]]["posted_on"] > after(e.settled_on, within):
            count_once([e], found)
            taken.add(found[0])
            whole.add(e.position)
            events = [x for x in events if x is not e]
            rows.remove(found[0])
    pairs.refunds_apart = bool(rows) and any(_draws_undone(settled, e.position) for e in events)
    count_once(*near())
    return whole


def _payments_that_came_back(
    settled: Settled, pairs: LedgerPairs, postings: list[Row], taken: set[int], told: set[int], student_id: str, term: str
) -> None:
    """A payment at the bank that came back, and whose posting nobody took off the ledger, counts no more.

    Payments pair with payment postings of their amount, and their returns with negative payments or refunds, nearest first within the
    days. `told` are returns that stand on the ledger already. A return near which another such posting is left may be in that: it is not
    taken off here. Nor is what the office gave back: that counts through its own posting.
    """
    within = settled.book.rules.matching.late_match_days

    def nearest(some: list[Event], kinds: set[str], sign: int) -> dict[int, int]:
        possible = sorted(
            (abs((p["posted_on"] - e.settled_on).days), p["posted_on"] < e.settled_on, e.order, _posting_order(p), i, e.position)
            for e in some
            for i, p in enumerate(postings)
            if i not in taken
            and i not in pairs.counted_elsewhere
            and i not in used
            and p["kind"] in kinds
            and p["amount"] == sign * ledger_amount(settled, e)
        )
        out: dict[int, int] = {}
        for gap, *_, i, position in possible:
            if gap <= within and i not in used and position not in out:
                used.add(i)
                out[position] = i
        return out

    used: set[int] = set()
    payments = [e for e in settled.cleared if e.kind == "payment" and e.student_id == student_id and event_term(settled, e) == term]
    posted = nearest(payments, {"payment"}, 1)
    undoings = [u for u in settled.undone.undoings if u.event.position in posted and u.by.outcome == "returned"]
    off = nearest([u.by for u in undoings if u.by.position not in told], {"payment", "refund"}, -1)
    left = [
        p["posted_on"]
        for i, p in enumerate(postings)
        if p["kind"] in {"payment", "refund"} and p["amount"] < 0 and i not in {*taken, *pairs.counted_elsewhere, *used}
    ]
    for u in undoings:
        if u.by.position not in {*told, *off} and not any(abs((on - u.by.settled_on).days) <= within for on in left):
            i = posted[u.event.position]
            pairs.counted_elsewhere[i] = pairs.counted_elsewhere.get(i, 0) + u.cents
            taken.add(i)


def _posting_order(p: Row) -> tuple[object, ...]:
    return (p["posted_on"], p["reference"], p["kind"])


def ledger_amount(settled: Settled, event: Event) -> int:
    """What the ledger should show for an event: its amount without the card fee in it."""
    if event.outcome == "cleared":
        lines = [settled.book.lines[k] for k in _keys_of(settled, event)]
        return event.amount - (lines[0].fee if len(lines) == 1 and with_fee(event, lines[0]) else 0)
    failed = settled.undone.failed_line.get(event.position)
    if failed:
        line = settled.book.lines[failed]
        return event.amount - (line.fee if with_fee(event, line) else 0)
    keys = [k for u in settled.undone.undoings if u.by is event for k in _keys_of(settled, u.event)]
    first = min((settled.book.lines[k] for k in keys), key=lambda x: x.oldest_first, default=None)
    return event.amount - (first.fee if first is not None and with_fee(event, first) else 0)


def _keys_of(settled: Settled, event: Event) -> list[LineKey]:
    place = settled.matched.hung.get(event.position)
    return place[0] if place else settled.matched.lines_of.get(event.position, [])


def _lag_end(settled: Settled, event: Event) -> object:
    book = settled.book
    keys = _keys_of(settled, event)
    method = event.method or (book.lines[keys[0]].method if keys else "bank")
    lag = book.rules.matching.posting_lag
    return book.days.add(event.settled_on, lag.card if method == "card" else lag.bank)


def _its_negative(settled: Settled, postings: list[Row], i: int, event: Event, taken: set[int]) -> int | None:
    """The negative payment of a payment: on or after it, soon after it or soon after the return of the draw; the nearest."""
    within = settled.book.rules.matching.late_match_days
    back = [u.by.settled_on for u in settled.undone.takers(event)]
    start = postings[i]["posted_on"]
    found = [
        ((p["posted_on"] - start).days, _posting_order(p), j)
        for j, p in enumerate(postings)
        if j not in taken
        and p["kind"] == "payment"
        and p["amount"] == -postings[i]["amount"]
        and p["posted_on"] >= start
        and any(abs((p["posted_on"] - day).days) <= within for day in [start, *back])
    ]
    return min(found)[2] if found else None


def _meet_outside(settled: Settled, pairs: LedgerPairs, postings: list[Row], charges: list[Row], taken: set[int]) -> None:
    """Outside charges less their reversals; each that is left is met by one payment of exactly that, posted since, not reversed.

    A payment also meets what was left of the charge on the payment's own day: a later reversal does not unmake that.
    """
    outside = [i for i, c in enumerate(charges) if c["charge_type"] in settled.book.rules.plans.outside_plan]
    outside.sort(key=lambda i: (charges[i]["posted_on"], charges[i]["amount"], charges[i]["charge_type"], charges[i]["description"]))
    cuts: dict[int, list[tuple[date, int]]] = {i: [] for i in outside}

    def left(i: int, day: date | None = None) -> int:
        return int(charges[i]["amount"]) - sum(cents for on, cents in cuts[i] if day is None or on <= day)

    def before(j: int) -> list[int]:
        """Charges of the reversal's type on or before it, the oldest first."""
        return [
            i
            for i in outside
            if charges[i]["amount"] > 0
            and charges[i]["charge_type"] == charges[j]["charge_type"]
            and charges[i]["posted_on"] <= charges[j]["posted_on"]
        ]

    parts = []
    for j in [i for i in outside if charges[i]["amount"] < 0]:
        same = [i for i in before(j) if not cuts[i] and charges[i]["amount"] == -charges[j]["amount"]]
        if same:
            cuts[same[-1]].append((charges[j]["posted_on"], charges[same[-1]]["amount"]))
        else:
            parts.append(j)
    whole = {i for i in outside if cuts[i]}
    for j in parts:
        back = -charges[j]["amount"]
        for i in reversed([i for i in before(j) if i not in whole]):
            cents = min(back, left(i))
            if cents:
                cuts[i].append((charges[j]["posted_on"], cents))
                back -= cents
    payments = sorted(
        (i for i, p in enumerate(postings) if p["kind"] == "payment" and i not in taken),
        key=lambda i: (postings[i]["posted_on"], -postings[i]["amount"], postings[i]["reference"]),
    )
    reversed_payments: set[int] = set()
    for j in [i for i in payments if postings[i]["amount"] < 0]:
        same = [
            i
            for i in payments
            if i not in reversed_payments
            and postings[i]["amount"] == -postings[j]["amount"]
            and postings[i]["posted_on"] <= postings[j]["posted_on"]
        ]
        if same:
            reversed_payments.add(same[-1])
    for c in outside:
        if charges[c]["amount"] <= 0 or not left(c):
            continue
        for i in payments:
            on, cents = postings[i]["posted_on"], postings[i]["amount"]
            good = cents in {left(c), left(c, on)} and cents > 0 and on >= charges[c]["posted_on"]
            if good and i not in reversed_payments and i not in pairs.meets_outside:
                pairs.meets_outside.add(i)
                pairs.met_charges[c] = cents
                break
