"""One student's bill of one term on any day: charges, aid, other credits; and whether it is covered.

Money is cents. A function asked for a day counts everything through the end of that day.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from .days import after
from .pairing import LedgerPairs, pair_ledger
from .states import LineState, Settled, event_term

if TYPE_CHECKING:
    from datetime import date

    from reconcile.policy import Term

    from .book import Plan, Row


@dataclass(frozen=True)
class Account:
    """Everything of one student and term."""

    settled: Settled
    student_id: str
    term: Term
    charges: list[Row]
    aid: list[Row]
    postings: list[Row]
    pairs: LedgerPairs
    lines: list[LineState]
    plans: list[Plan]
    refunds_apart: bool

    @property
    def as_of(self) -> date:
        """The day on which the account is read."""
        return self.settled.book.as_of

    @property
    def tolerance(self) -> int:
        """Cents by which plan and bill may differ."""
        return self.settled.book.rules.plans.plan_tolerance

    def counts(self, s: LineState) -> bool:
        """Lines that belong to the bill: all but fee lines of a term whose fee is not billed."""
        return s.is_plan_line or self.term.fee_on_bill

    def amount_in(self, *states: str) -> int:
        """Scheduled cents of the counted active lines in these states."""
        return sum(s.line.amount for s in self.lines if s.is_active and self.counts(s) and s.state in states)

    def outside(self, i: int) -> bool:
        """A charge that the plan is not meant to pay."""
        return self.charges[i]["charge_type"] in self.settled.book.rules.plans.outside_plan

    def plain_charges(self, day: date) -> int:
        """Charges without those outside the plan."""
        return sum(c["amount"] for i, c in enumerate(self.charges) if c["posted_on"] <= day and not self.outside(i))

    @property
    def all_charges(self) -> int:
        """Charges, outside ones included."""
        return sum(c["amount"] for c in self.charges)

    @property
    def open_outside(self) -> int:
        """Outside charges less their reversals, without what payments have met."""
        return sum(c["amount"] - self.pairs.met_charges.get(i, 0) for i, c in enumerate(self.charges) if self.outside(i))

    def aid_on(self, day: date) -> tuple[int, int]:
        """Disbursed and anticipated aid."""
        rows = [aid_of_row(r, self.settled, day) for r in self.aid]
        return sum(c for status, c in rows if status == "disbursed"), sum(c for status, c in rows if status == "anticipated")

    def other_credits(self, day: date, *, without_met: bool = False) -> int:
        """Postings that are no plan draw, billed fee money, and without a ledger the bank's payments."""
        total = 0
        for i, p in enumerate(self.postings):
            if p["kind"] == "plan draw" or p["posted_on"] > day or (without_met and i in self.pairs.meets_outside):
                continue
            total += p["amount"] - self.pairs.counted_elsewhere.get(i, 0)
        for e in self.settled.cleared:
            if e.student_id == self.student_id and event_term(self.settled, e) == self.term.code:
                for s in self.settled.shares(e, day):
                    fee = s.kind == "fee" and self.term.fee_on_bill
                    payment = s.kind == "payment" and not self.settled.book.has_postings
                    total += s.cents if fee or payment else 0
        return total

    def plan_bill(self, day: date) -> int:
        """What the plan has to meet, before its own draws."""
        return self.plain_charges(day) - sum(self.aid_on(day)) - self.other_credits(day, without_met=True)

    def plan_money(self) -> list[tuple[LineState | None, int]]:
        """Draw and down payment money that stayed, each with its line or None."""
        out: list[tuple[LineState | None, int]] = []
        for e in self.settled.cleared:
            if e.student_id == self.student_id and event_term(self.settled, e) == self.term.code:
                out += [
                    (self.settled.states[s.line.key] if s.line else None, s.cents)
                    for s in self.settled.shares(e)
                    if s.kind in {"draw", "down payment"} and s.cents
                ]
        return out

    @property
    def draws_cleared(self) -> int:
        """All plan draw and down payment money that stayed."""
        return sum(cents for _, cents in self.plan_money())

    @property
    def balance_now(self) -> int:
        """What is open today; negative is a credit."""
        return self.all_charges - self.aid_on(self.as_of)[0] - self.other_credits(self.as_of) - self.draws_cleared

    @property
    def pending_draws(self) -> int:
        """Draws still promised."""
        return self.amount_in("pending", "in transit")

    @property
    def gap(self) -> int:
        """What neither money, nor expected aid, nor pending draws cover."""
        return self.balance_now - self.aid_on(self.as_of)[1] - self.pending_draws

    @property
    def coverage(self) -> str:
        """In a word, whether the bill is covered."""
        if self.as_of < self.term.billed_on:
            return "not billed"
        stopped = {p.plan_id for p in self.plans if is_stopped(self.settled, p)}
        covered = self.gap + sum(
            s.line.amount for s in self.lines if s.is_active and self.counts(s) and s.state == "pending" and s.line.plan_id in stopped
        )
        if covered > self.tolerance:
            return "short"
        if covered < -self.tolerance:
            return "over"
        return "paid" if self.balance_now <= self.tolerance else "covered by pending"


def aid_of_row(row: Row, settled: Settled, day: date) -> tuple[str, int]:
    """How one award row counts on a day: "disbursed", "anticipated", "lapsed" (counts no more) or "" and its cents."""
    aid = settled.book.rules.aid
    if row["status"] == "estimated" or row["fund"] in aid.never_on_bill:
        return "", 0
    end = row["cancelled_on"]
    if end is None and row["status"] == "cancelled":
        end = settled.book.as_of
    if end is not None and day >= end:
        return "", 0
    paid = row["disbursed_on"]
    if paid is None and row["status"] == "disbursed":
        paid = row["posted_on"]
    if paid is not None and day >= paid:
        return "disbursed", row["amount"]
    if day < row["posted_on"]:
        return "", 0
    if row["expected_on"] is not None and day > after(row["expected_on"], aid.grace_days):
        return "lapsed", row["amount"]
    return "anticipated", row["amount"]


def is_stopped(settled: Settled, plan: Plan) -> bool:
    """A return forbids further draws of the plan, and the family has not authorised an account since."""
    for r in settled.book.events:
        if r.outcome != "returned" or r.kind == "payment" or r.student_id != plan.student_id:
            continue
        plan_id = r.plan_id or (r.named[0] if r.named else "")
        code = settled.book.code(r)
        if code is not None and code.stops_plan and plan_id in {"", plan.plan_id}:
            given = plan.consent_on if plan.consent_on <= settled.book.as_of else plan.enrolled_on
            if given <= r.settled_on:
                return True
    return False


def accounts(settled: Settled) -> list[Account]:
    """One account for each student and term of which the exports hold a row."""
    book = settled.book
    rows = [*book.charges, *book.aid, *book.postings]
    keys = {(r["term"], r["student_id"]) for r in rows} | {(p.term, p.student_id) for p in book.plans.values()}
    out = []
    apart: set[str] = set()
    for term, student_id in sorted(keys):

        def mine(some: tuple[Row, ...], student_id: str = student_id, term: str = term) -> list[Row]:
            return [r for r in some if r["student_id"] == student_id and r["term"] == term]

        charges, postings = mine(book.charges), mine(book.postings)
        pairs = pair_ledger(settled, postings, charges, student_id, term)
        apart |= {student_id} if pairs.refunds_apart else set()
        out.append(
            Account(
                settled=settled,
                student_id=student_id,
                term=book.term(term),
                charges=charges,
                aid=mine(book.aid),
                postings=postings,
                pairs=pairs,
                lines=sorted(
                    (s for s in settled.states.values() if s.line.student_id == student_id and s.line.term == term),
                    key=lambda s: s.line.oldest_first,
                ),
                plans=[p for p in book.plans_of(student_id) if p.term == term],
                refunds_apart=False,
            )
        )
    return [replace(a, refunds_apart=a.student_id in apart) for a in out]


def student_row(account: Account) -> dict[str, Any]:
    """One row of students.csv."""
    disbursed, anticipated = account.aid_on(account.as_of)
    return {
        "term": account.term.code,
        "student_id": account.student_id,
        "charges": account.all_charges,
        "aid_disbursed": disbursed,
        "aid_anticipated": anticipated,
        "other_credits": account.other_credits(account.as_of),
        "draws_cleared": account.draws_cleared,
        "balance_now": account.balance_now,
        "pending_draws": account.pending_draws,
        "failed_draws": account.amount_in("failed"),
        "not_seen_draws": account.amount_in("not seen"),
        "gap": account.gap,
        "coverage": account.coverage,
    }
