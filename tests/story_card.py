"""One student of a story world: the rows that they leave in the exports, and beside them the truth, written down as the story goes.

Nothing here looks for a match: whoever tells a student's life says what happened, and the card writes both the rows and what must come of
them. Money is int cents; dates are dates. The term is 2026-FA of the office's rules: fee, card fee, draw dates and lags as in rules/.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import random
    from collections.abc import Iterable

Row = dict[str, Any]
TERM = "2026-FA"
FEE = 45_00
DRAW_DATES = (date(2026, 8, 10), date(2026, 9, 10), date(2026, 10, 10), date(2026, 11, 10), date(2026, 12, 10))
TIERS = ((date(2026, 8, 5), 0, 0), (date(2026, 9, 4), 25, 1), (date(2026, 10, 5), 40, 2))
"""Enrolled by, percent down, first draw date by place: rules/terms.toml."""
LAG = {"bank": 1, "card": 2}
POSTING_LAG = {"bank": 2, "card": 3}
CLOSED = {date(2026, 9, 7), date(2026, 10, 12), date(2026, 11, 11), date(2026, 11, 26), date(2026, 11, 27), date(2026, 12, 24)}
CLOSED |= {date(2026, 12, 25), date(2026, 12, 31), date(2027, 1, 1)}
"""Federal Reserve K.8, 2026, and the office's closing days of rules/calendar.toml."""


def plus(day: date, days: int) -> date:
    """So many calendar days later."""
    return day + timedelta(days=days)


def next_open(day: date) -> date:
    """The day itself, or the next one on which banks settle."""
    while day.weekday() > 4 or day in CLOSED:
        day = plus(day, 1)
    return day


def open_days(day: date, count: int) -> date:
    """The count-th banking day after a day."""
    for _ in range(count):
        day = next_open(plus(day, 1))
    return day


def card_fee(cents: int) -> int:
    """2.50 percent, half a cent up: rules/terms.toml."""
    return (cents * 250 + 5_000) // 10_000


def shares(total: int, parts: int) -> list[int]:
    """Equal draws, spare cents first."""
    each, spare = divmod(total, parts)
    return [each + 1] * spare + [each] * (parts - spare)


@dataclass(eq=False)
class Draw:
    """One line of a plan, and what became of it."""

    plan_id: str
    line: str
    kind: str
    method: str
    day: date
    amount: int
    row: Row
    late: int
    """Banking days after the expected settlement on which it settles if all goes well."""
    told: bool = False
    state: str = ""
    net: int = 0

    @property
    def expected(self) -> date:
        """The day on which its money should settle."""
        return open_days(next_open(self.day), LAG[self.method])

    @property
    def settles(self) -> date:
        """The day on which it settles if all goes well."""
        return open_days(self.expected, self.late)

    @property
    def window_end(self) -> date:
        """Five banking days after the expected settlement (rules/matching.toml late_days)."""
        return open_days(self.expected, 5)

    @property
    def gross(self) -> int:
        """What the bank's file shows: with the card fee on a card line."""
        return self.amount + (card_fee(self.amount) if self.method == "card" else 0)


@dataclass(frozen=True)
class Planted:
    """An exception that must be told: kind, signed cents (None: any), and the line where it is told of a line."""

    kind: str
    amount: int | None
    line: str = ""


@dataclass(eq=False)
class Office:
    """What the students of a world share: the day, the end of the bank's files, whether the fee is billed, and all rows."""

    rng: random.Random
    as_of: date
    bank_through: date
    fee_on_bill: bool
    rows: dict[str, list[Row]] = field(
        default_factory=lambda: {name: [] for name in ("charges", "aid", "plan_schedules", "cleared_draws", "postings")}
    )
    references: int = 0
    planted: list[Planted] = field(default_factory=list)

    @property
    def known(self) -> date:
        """The last day whose bank events count."""
        return min(self.as_of, self.bank_through)


@dataclass(eq=False)
class Card:
    """One student: rows written into the office's exports, and the truth."""

    office: Office
    student_id: str
    life: str = "untroubled"
    draws: list[Draw] = field(default_factory=list)
    sums: Counter[str] = field(default_factory=Counter)
    """charges, aid_disbursed, aid_anticipated, other_credits, draws_cleared."""
    causes: Counter[str] = field(default_factory=Counter)
    planted: list[Planted] = field(default_factory=list)
    apart: int = 0
    """Plan less bill, as far as no other exception tells it."""
    open_outside: int = 0
    """Charges that no plan is meant to pay, still open."""
    stopped: bool = False
    base: date = date(2026, 7, 15)
    totals: Counter[str] = field(default_factory=Counter)
    """Plan total by plan."""

    @property
    def rng(self) -> random.Random:
        """The world's chances."""
        return self.office.rng

    @property
    def as_of(self) -> date:
        """The world's day."""
        return self.office.as_of

    # -- the bill

    def charge(self, day: date, cents: int, kind: str = "tuition") -> None:
        """A charge on the bill; negative: taken off it."""
        self._row("charges", posted_on=day, amount=cents, charge_type=kind)
        if day <= self.as_of:
            self.sums["charges"] += cents

    def award(self, day: date, cents: int, status: str, *, fund: str = "", **days: date | None) -> None:
        """Aid, and how it stands on the as-of day: not before its day, not once cancelled or long overdue."""
        self._row("aid", fund=fund or f"fund {len(self.office.rows['aid'])}", status=status, amount=cents, posted_on=day, **days)
        paid, gone = days.get("disbursed_on") or (day if status == "disbursed" else None), days.get("cancelled_on")
        due = days.get("expected_on")
        if day > self.as_of or (gone and gone <= self.as_of) or status in {"estimated", "cancelled"} or fund == "work-study":
            return
        if paid and paid <= self.as_of:
            self.sums["aid_disbursed"] += cents
        elif not due or self.as_of <= plus(due, 21):
            self.sums["aid_anticipated"] += cents

    def credit(self, day: date, cents: int, kind: str, *, counts: bool = True) -> None:
        """A posting on the student's ledger; `counts` says whether it is money of its own."""
        self._row("postings", posted_on=day, kind=kind, amount=cents)
        if counts and kind != "plan draw" and day <= self.as_of:
            self.sums["other_credits"] += cents

    def _row(self, export: str, **cells: object) -> None:
        self.office.rows[export].append({"student_id": self.student_id, "term": TERM, **cells})

    # -- the plan

    def plan(self, plan_id: str, enrolled: date, total: int, method: str, **off: Any) -> list[Draw]:
        """The plan that the rules would write, with its fee line; `off`: down or fee False, move cents from one draw to another."""
        _by, percent, first = next(tier for tier in TIERS if enrolled <= tier[0])
        down = (total * percent + 50) // 100 if off.get("down", True) else 0
        parts = [("down payment", enrolled, down)] if down else []
        if off.get("fee", True):
            parts.append(("fee", enrolled, FEE))
        parts += [("draw", day, cents) for day, cents in zip(DRAW_DATES[first:], shares(total - down, 5 - first), strict=True)]
        told = self.rng.random()
        made = []
        for number, (kind, day, cents) in enumerate(parts, start=1):
            row: Row = {"plan_id": plan_id, "student_id": self.student_id, "term": TERM, "enrolled_on": enrolled, "plan_total": total}
            row |= {"line": str(number), "draw_date": day, "amount": cents, "kind": kind, "method": method, "set_on": enrolled}
            row |= {"consent_on": enrolled, "line_status": "active", "schedule_says": "pending" if told < 0.8 else ""}
            self.office.rows["plan_schedules"].append(row)
            made.append(Draw(plan_id, str(number), kind, method, day, cents, row, self.rng.choice([0, 0, 0, 1, 2])))
        self.draws += made
        self.totals[plan_id] = total
        self.base = max(self.base, enrolled)
        return made

    def past(self, days: int = 0, kinds: Iterable[str] = ("draw",)) -> list[Draw]:
        """Draws that have settled if all went well, so many days before the last known day."""
        return [x for x in self.draws if x.kind in kinds and plus(x.settles, days) <= self.office.known]

    def to_come(self) -> list[Draw]:
        """Draws whose settlement still lies ahead."""
        return [x for x in self.draws if x.kind == "draw" and x.settles > self.office.known]

    def set_anew(self, day: date, plan_id: str, total: int) -> None:
        """The plan's total is set anew; it counts from that day."""
        for x in self.draws:
            if x.plan_id == plan_id:
                x.row |= {"set_on": day, "plan_total": total}
        self.totals[plan_id] = total
        self.base = max(self.base, day)

    # -- the bank

    def bank(self, x: Draw, day: date, cents: int, outcome: str = "cleared", **cells: object) -> str:
        """A row of the bank's file that names its plan, its student or both; returns its reference."""
        office = self.office
        office.references += 1
        names: Row = self.rng.choice([{"plan_id": x.plan_id}, {"plan_id": x.plan_id, "student_id": self.student_id}])
        if len(self.totals) == 1 and self.rng.random() < 0.2:
            names = {"student_id": self.student_id}
        row: Row = {"settled_on": day, "amount": cents, "outcome": outcome, "reference": f"R{office.references:05d}", "method": x.method}
        if self.rng.random() < 0.5:
            row["kind"] = x.kind
        if day <= office.bank_through:
            office.rows["cleared_draws"].append({**row, **names, **cells})
        return str(row["reference"])

    def post(self, x: Draw, day: date, cents: int, kind: str = "plan draw") -> None:
        """The next banking day's posting of what the bank did; a fee that is not billed stands on no ledger."""
        if x.kind != "fee" or self.office.fee_on_bill:
            self.credit(open_days(day, 1), cents, kind, counts=False)

    def goes_well(self, x: Draw, *, posted: bool = True, says: str = "posted", **cells: Any) -> str:
        """The draw is taken on its day; what is known of it on the as-of day depends on that day alone."""
        reference = self.bank(x, x.settles, x.gross, **cells)
        if x.settles > self.office.known:
            self.ahead(x)
            return reference
        if posted:
            self.post(x, x.settles, x.amount)
        self.cleared(x, x.amount, says)
        return reference

    # -- the truth of a line

    def ahead(self, x: Draw) -> None:
        """Nothing is known of the draw yet."""
        x.state, x.told = "pending" if x.day > self.as_of else "in transit", True

    def cleared(self, x: Draw, net: int, says: str = "posted") -> None:
        """So much of it stayed."""
        state = "cleared" if net >= x.amount else "part cleared" if net else "cancelled"
        self.stayed(x, state, net, says)

    def stayed(self, x: Draw, state: str, net: int, says: str) -> None:
        """State and net of a line, with its money where it counts."""
        x.state, x.net, x.told = state, net, True
        if x.row["schedule_says"]:
            x.row["schedule_says"] = says
        self.sums["draws_cleared" if x.kind != "fee" else "other_credits" if self.office.fee_on_bill else "fee unbilled"] += net

    def lost(self, x: Draw, state: str, says: str) -> None:
        """Failed or not seen."""
        self.stayed(x, state, 0, says)
        self.causes["failed_and_not_seen"] -= x.amount

    def plant(self, kind: str, amount: int | None, x: Draw | None = None) -> None:
        """An exception that must be told of the student, or of a line."""
        self.planted.append(Planted(kind, amount, x.line if x else ""))

    def _tell_apart(self) -> None:
        """Plan and bill are apart by cents that no other exception tells: the one that must say so."""
        coming = any(x.state in {"pending", "in transit"} and (x.kind != "fee" or self.office.fee_on_bill) for x in self.draws)
        if self.apart < 0:
            self.plant("plan below bill" if coming else "bill short", self.apart)
        elif self.apart > 0 and coming:
            self.plant("plan exceeds bill", self.apart)
        elif self.apart > self.sums["aid_anticipated"]:  # what is still expected is no credit yet
            self.plant("credit balance", self.apart - self.sums["aid_anticipated"])

    def finish(self) -> None:
        """All draws that no story touched go well; fees on the bill move from promise to credit."""
        for x in self.draws:
            if not x.told:
                self.goes_well(x)
        for x in self.draws:
            if x.kind == "fee" and self.office.fee_on_bill and x.state == "cleared" and x.settles > self.base:
                self.causes["set_off_the_bill"] -= x.amount
                self.causes["other_credits_changed"] += x.amount
        self._tell_apart()

    # -- the standing

    def standing(self) -> dict[str, int | str]:
        """The student's row, by the equations of the trade over what was written down."""
        on_bill = [x for x in self.draws if x.kind != "fee" or self.office.fee_on_bill]
        cents = {state: sum(x.amount for x in on_bill if x.state == state) for state in ("pending", "in transit", "failed", "not seen")}
        names = ("charges", "aid_disbursed", "aid_anticipated", "other_credits", "draws_cleared")
        row: dict[str, int | str] = {name: self.sums[name] for name in names}
        now = self.sums["charges"] - self.sums["aid_disbursed"] - self.sums["other_credits"] - self.sums["draws_cleared"]
        pending = cents["pending"] + cents["in transit"]
        gap = now - self.sums["aid_anticipated"] - pending
        behind = gap + (cents["pending"] if self.stopped else 0)
        covered = "short" if behind > 100 else "over" if behind < -100 else "paid" if now <= 100 else "covered by pending"
        row |= {"balance_now": now, "pending_draws": pending, "failed_draws": cents["failed"], "not_seen_draws": cents["not seen"]}
        return row | {"gap": gap, "coverage": covered}
