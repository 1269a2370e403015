"""The invented college's books: rows of its five exports, its bank calendar, and how a plan is written and its draws are taken.

Amounts are whole cents, dates are calendar dates. The dates and percents of the terms stand in `rules/`; they are repeated here as plain
values so that every planted case can be worked out by hand, and a test holds the two together.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta

FALL, SPRING, SUMMER = "2026-FA", "2027-SP", "2027-SU"
"""Fall and spring have rules; summer has none, so its rows belong to the bucket of other terms."""

FIRST_RUN, SECOND_RUN, MAIN_RUN = date(2026, 9, 22), date(2026, 10, 22), date(2026, 11, 20)
"""The as-of dates of the sample's three runs; the main one is the last."""

FEE = 4500
CARD_FEE_PERCENT = 250
"""Hundredths of a percent that a card draw costs on top."""

LAG = {"bank": 1, "card": 2}
LATE_DAYS = 5

# Federal Reserve Banks' closed weekdays of the sample's months (Federal Reserve Board, K.8 "Holidays Observed by the Federal Reserve
# System 2026-2030"), and the days on which the sample rules close the office.
CLOSED = frozenset(
    {
        *(date(2026, 9, 7), date(2026, 10, 12), date(2026, 11, 11), date(2026, 11, 26), date(2026, 12, 25), date(2027, 1, 1)),
        *(date(2027, 1, 18), date(2027, 2, 15), date(2026, 11, 27), date(2026, 12, 24), date(2026, 12, 31)),
    }
)

TENTHS = (date(2026, 8, 10), date(2026, 9, 10), date(2026, 10, 10), date(2026, 11, 10), date(2026, 12, 10))
SPRING_TENTHS = (date(2026, 12, 10), date(2027, 1, 10), date(2027, 2, 10), date(2027, 3, 10), date(2027, 4, 10))


@dataclass(frozen=True)
class Tier:
    """The plan of a term for those who enroll by a day: how much is taken at once, and on which days the rest."""

    enroll_by: date
    down_percent: int
    draw_dates: tuple[date, ...]


TIERS = {
    FALL: (
        Tier(date(2026, 8, 5), 0, TENTHS),
        Tier(date(2026, 9, 4), 25, TENTHS[1:]),
        Tier(date(2026, 10, 5), 40, TENTHS[2:]),
    ),
    SPRING: (Tier(date(2026, 12, 4), 0, SPRING_TENTHS),),
}


def next_open(day: date) -> date:
    """The same day if banks and office are open, else the next such day."""
    while day.weekday() > 4 or day in CLOSED:
        day += timedelta(days=1)
    return day


def add_open(day: date, count: int) -> date:
    """The count-th banking day after `day` (0: the next open day, the same if open)."""
    day = next_open(day) if count == 0 else day
    for _ in range(count):
        day = next_open(day + timedelta(days=1))
    return day


def equal_parts(total: int, parts: int) -> list[int]:
    """Equal cents, spare cents first."""
    share, spare = divmod(total, parts)
    return [share + (n < spare) for n in range(parts)]


def card_fee(cents: int) -> int:
    """What the card costs on top of a draw, half a cent up."""
    return (cents * CARD_FEE_PERCENT * 2 + 10000) // 20000


@dataclass
class Charge:
    """A charge on the bill; a reversal is negative."""

    student_id: str
    term: str
    posted_on: date
    amount: int
    charge_type: str
    description: str


@dataclass
class Award:
    """An award on the bill."""

    student_id: str
    term: str
    fund: str
    status: str
    amount: int
    posted_on: date
    disbursed_on: date | None = None
    expected_on: date | None = None
    cancelled_on: date | None = None


@dataclass
class ScheduleRow:
    """One line of a plan, as the plan system exports it."""

    plan_id: str
    student_id: str
    term: str
    enrolled_on: date
    plan_total: int
    line: str
    draw_date: date
    amount: int
    kind: str
    method: str
    line_status: str = "active"
    cancelled_on: date | None = None
    set_on: date | None = None
    consent_on: date | None = None
    schedule_says: str = ""
    reference: str = ""
    student_name: str = ""


@dataclass
class Event:
    """One event of the bank's or card processor's file; always positive."""

    settled_on: date
    amount: int
    outcome: str
    plan_id: str = ""
    student_id: str = ""
    reference: str = ""
    line: str = ""
    kind: str = ""
    method: str = ""
    return_code: str = ""
    original_reference: str = ""


@dataclass
class Posting:
    """A credit on the student ledger; a reversal or refund is negative."""

    student_id: str
    term: str
    posted_on: date
    kind: str
    amount: int
    reference: str = ""


@dataclass(frozen=True)
class Planted:
    """What a planted case must come out as: one fact of one run."""

    as_of: date
    term: str
    student_id: str
    plan_id: str
    line: str
    what: str
    value: str
    amount: int | None
    note: str


@dataclass
class Books:
    """Everything that the college's systems would export, and what is planted in it."""

    charges: list[Charge] = field(default_factory=list)
    aid: list[Award] = field(default_factory=list)
    plans: list[Plan] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    postings: list[Posting] = field(default_factory=list)
    planted: list[Planted] = field(default_factory=list)
    stories: list[tuple[str, str, str]] = field(default_factory=list)
    """Student, plan and what was done, in the order of telling: the README's table."""

    def bill(self, student_id: str, total: int, term: str = FALL, posted_on: date = date(2026, 7, 9)) -> None:
        """Charge `total` in the usual parts: housing, meals, student fee, and tuition for what is left."""
        wobble = sum(map(ord, student_id)) % 7
        parts = [
            ("housing", "Residence hall, double room", total * (24 + wobble) // 100),
            ("meal plan", "Meal plan with café, 14 a week", total * (11 + wobble % 3) // 100),
            ("student fee", "Activity and technology fee", 31275 if total > 150000 else total // 20),
        ]
        rest = total - sum(cents for _, _, cents in parts)
        for kind, words, cents in [("tuition", "Tuition, full time", rest), *parts]:
            self.charges.append(Charge(student_id, term, posted_on, cents, kind, words))

    def charge(self, student_id: str, cents: int, posted_on: date, kind: str, words: str, term: str = FALL) -> None:
        """Add one charge or reversal."""
        self.charges.append(Charge(student_id, term, posted_on, cents, kind, words))

    def post(self, student_id: str, cents: int, posted_on: date, kind: str, term: str = FALL) -> None:
        """Add one posting with the ledger's own reference."""
        self.postings.append(Posting(student_id, term, posted_on, kind, cents, f"JRN-{len(self.postings) + 20417:06d}"))

    def event_reference(self) -> str:
        """The next reference of the processor."""
        return f"SET-{len(self.events) * 7 + 310042:07d}"

    def expect(
        self,
        student_id: str,
        what: str,
        value: str,
        amount: int | None = None,
        *,
        plan_id: str = "",
        line: str = "",
        term: str = FALL,
        as_of: date = MAIN_RUN,
        note: str = "",
    ) -> None:
        """Note what a planted case must come out as."""
        self.planted.append(Planted(as_of, term, student_id, plan_id, line, what, value, amount, note))


@dataclass
class Plan:
    """A plan and the little that its draws need to be taken, returned and posted."""

    books: Books
    plan_id: str
    student_id: str
    name: str
    term: str
    enrolled_on: date
    total: int
    method: str = "bank"
    set_on: date | None = None
    consent_on: date | None = None
    lines: dict[str, ScheduleRow] = field(default_factory=dict)

    def add_line(self, line: str, draw_date: date, cents: int, kind: str = "draw") -> ScheduleRow:
        """Write one line."""
        row = ScheduleRow(self.plan_id, self.student_id, self.term, self.enrolled_on, self.total, line, draw_date, cents, kind, self.method)
        row.student_name = self.name
        row.schedule_says = "pending" if draw_date >= date(2026, 12, 1) else ""
        self.lines[line] = row
        return row

    def write_by_the_rules(self, *, fee: bool = True) -> Plan:
        """Write the fee line, the down payment and the draws that the term's rules ask for."""
        tier = next((t for t in TIERS[self.term] if self.enrolled_on <= t.enroll_by), TIERS[self.term][-1])
        if fee:
            self.add_line("F", self.enrolled_on, FEE, "fee")
        down = (self.total * tier.down_percent * 2 + 100) // 200
        if down:
            self.add_line("D", self.enrolled_on, down, "down payment")
        for number, (day, cents) in enumerate(
            zip(tier.draw_dates, equal_parts(self.total - down, len(tier.draw_dates)), strict=True), start=1
        ):
            self.add_line(str(number), day, cents)
        return self

    def expected_on(self, line: str) -> date:
        """The day on which the line's money is expected in the college's account."""
        return add_open(next_open(self.lines[line].draw_date), LAG[self.method])

    def cancel(self, on: date, *lines: str) -> None:
        """Cancel lines in the plan system."""
        for line in lines:
            self.lines[line].line_status = "cancelled"
            self.lines[line].cancelled_on = on
            self.lines[line].schedule_says = ""

    def take(
        self,
        line: str,
        settled: date | None = None,
        cents: int | None = None,
        *,
        naming: str = "line",
        posted: date | None = None,
        unposted: bool = False,
        student_named: str | None = None,
    ) -> str:
        """The processor takes a line: a cleared event, and its posting the banking day after settlement. Returns the event's reference.

        `naming` says what the event names: "line" (plan and line), "plan", "student", or "reference" (the line carries its reference).
        On a card the family is charged the card fee on top; the ledger is credited with the draw alone. Fees are no ledger credit.
        """
        row = self.lines[line]
        day = settled or self.expected_on(line)
        draw = row.amount if cents is None else cents
        gross = draw + card_fee(draw) if self.method == "card" and row.kind != "fee" else draw
        reference = self.books.event_reference()
        event = Event(day, gross, "cleared", self.plan_id, self.student_id, reference, method=self.method)
        if naming == "line":
            event.line, event.kind = line, row.kind
        elif naming == "reference":
            row.reference = reference
        elif naming == "student":
            event.plan_id = ""
        if student_named is not None:
            event.student_id = student_named
        self.books.events.append(event)
        seen_in_every_run = not any(self.enrolled_on <= run < day for run in (FIRST_RUN, SECOND_RUN, MAIN_RUN))
        if seen_in_every_run and (row.kind != "draw" or day <= date(2026, 9, 18)):
            row.schedule_says = "posted"
        if row.kind != "fee" and not unposted:
            self.books.post(self.student_id, draw, posted or add_open(day, 1), "plan draw", self.term)
        return reference

    def take_all(self, *skip: str) -> None:
        """Take every line due by the November draw on time, but for those skipped."""
        for line, row in self.lines.items():
            if row.draw_date < date(2026, 11, 20) and line not in skip and row.line_status == "active":
                self.take(line)

    def back(
        self,
        settled: date,
        cents: int,
        code: str = "",
        *,
        of: str = "",
        line: str = "",
        refund: bool = False,
        reversed_on_ledger: bool = True,
        ledger_cents: int | None = None,
    ) -> str:
        """Money comes back: a return or decline with its code, or the office's refund; `of` is the reference that it names, if any.

        The ledger shows a return as a negative plan draw and a refund as a negative refund, the banking day after. Returns the reference.
        """
        reference = self.books.event_reference()
        event = Event(settled, cents, "refunded" if refund else "returned", self.plan_id, self.student_id, reference, method=self.method)
        event.return_code, event.original_reference, event.line = code, of, line
        if line:
            event.kind = self.lines[line].kind
        self.books.events.append(event)
        if reversed_on_ledger:
            kind = "refund" if refund else "plan draw"
            self.books.post(self.student_id, -(cents if ledger_cents is None else ledger_cents), add_open(settled, 1), kind, self.term)
        return reference

    def expect(self, what: str, value: str, amount: int | None = None, *, line: str = "", note: str = "", as_of: date = MAIN_RUN) -> None:
        """Note what this plan must come out as."""
        owner = "" if what == "coverage" else self.plan_id
        self.books.expect(self.student_id, what, value, amount, plan_id=owner, line=line, term=self.term, as_of=as_of, note=note)

    def rows(self) -> list[ScheduleRow]:
        """The plan's lines with what holds for the whole plan."""
        for row in self.lines.values():
            row.plan_total, row.set_on, row.consent_on = self.total, self.set_on, self.consent_on
        return list(self.lines.values())
