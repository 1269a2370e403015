"""What the slow engine reads: schedule lines with their days, bank events with their owners, and the rules beside them.

Money is int cents. A line's fee is the card fee that a family pays on top of it (0 for a bank line). Rows dated after the as-of day and
plans enrolled after it are not in the book.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from .days import Days, after

if TYPE_CHECKING:
    from datetime import date

    from reconcile.policy import ReturnCode, Rules, Term

Row = dict[str, Any]
LineKey = tuple[str, str]

BANK_DISPUTE = re.compile(r"[Rr](6[1-9]|7[0-7])")
"""Return codes R61 to R77: the banks dispute an earlier return; no money moves by these alone."""


def half_up(exact: Fraction) -> int:
    """Cents of an exact amount of at least zero, half a cent up."""
    return int(exact + Fraction(1, 2))


def line_number(line: str) -> tuple[int, int, str]:
    """Sorts lines as numbers where they are numbers, the others after them as text."""
    return (0, int(line), line) if re.fullmatch(r"[0-9]+", line) else (1, 0, line)


@dataclass(frozen=True)
class Line:
    """One line of a plan's schedule, with the days that decide what money fits it."""

    plan_id: str
    line: str
    student_id: str
    term: str
    kind: str
    method: str
    amount: int
    fee: int
    draw_date: date
    expected_on: date
    window_end: date
    early_from: date
    late_until: date
    cancelled: bool
    says: str
    reference: str

    @property
    def key(self) -> LineKey:
        """Plan and line: what names a line."""
        return (self.plan_id, self.line)

    @property
    def oldest_first(self) -> tuple[date, str, tuple[int, int, str]]:
        """Draw date, then plan, then line as a number where it is one."""
        return (self.draw_date, self.plan_id, line_number(self.line))


@dataclass(frozen=True)
class Plan:
    """One plan, as far as its rows agree; set_on and consent_on are the latest that any of its rows gives."""

    plan_id: str
    student_id: str
    term: str
    enrolled_on: date
    total: int
    set_on: date
    consent_on: date


@dataclass(frozen=True)
class Event:
    """One row of the bank's file. student_id and plan_id are "" where unknown; named is the line that it names, if any."""

    position: int
    settled_on: date
    amount: int
    outcome: str
    student_id: str
    plan_id: str
    named: LineKey | None
    kind: str
    method: str
    return_code: str
    reference: str
    original_reference: str
    written: tuple[str, str, str]

    @property
    def order(self) -> tuple[object, ...]:
        """Settlement date, reference, then all else that bears on a match; rows equal in all of it are alike."""
        return (
            *(self.settled_on, self.reference, self.plan_id, self.amount, self.outcome, self.kind, self.written[2]),
            *(self.original_reference, self.return_code, self.method, *self.written[:2], self.position),
        )

    @property
    def is_dispute(self) -> bool:
        """A return dishonored or contested."""
        return self.outcome == "returned" and BANK_DISPUTE.fullmatch(self.return_code) is not None


@dataclass(frozen=True)
class Book:
    """Everything the engine works on."""

    rules: Rules
    days: Days
    as_of: date
    span_end: date | None
    lines: dict[LineKey, Line]
    plans: dict[str, Plan]
    events: tuple[Event, ...]
    set_aside: tuple[int, ...]
    charges: tuple[Row, ...]
    aid: tuple[Row, ...]
    postings: tuple[Row, ...]
    has_postings: bool

    def term(self, code: str) -> Term:
        """The term's rules; the book holds no row of an unknown term."""
        return next(t for t in self.rules.terms if t.code == code)

    def plans_of(self, student_id: str) -> list[Plan]:
        """All plans of a student, of every term, by plan id."""
        return sorted((p for p in self.plans.values() if p.student_id == student_id), key=lambda p: p.plan_id)

    def lines_of(self, event: Event) -> list[Line]:
        """The lines that the event may concern: those of its plan, else of all its student's plans; oldest first."""
        if event.plan_id:
            lines = [x for x in self.lines.values() if x.plan_id == event.plan_id]
        else:
            lines = [x for x in self.lines.values() if event.student_id and x.student_id == event.student_id]
        return sorted((x for x in lines if event.kind in {"", x.kind}), key=lambda x: x.oldest_first)

    def code(self, event: Event) -> ReturnCode | None:
        """The rule of the event's return code; without a method only if a single method has that code."""
        found = [c for c in self.rules.returns.codes if c.code == event.return_code and event.method in {"", c.method}]
        return found[0] if event.return_code and len(found) == 1 else None


def read_book(exports: dict[str, list[Row]], rules: Rules, as_of: date, *, has_postings: bool, bank_through: date | None) -> Book:
    """Lay out plain rows as the book of one run."""
    known_terms = {t.code for t in rules.terms}
    days = Days(rules.calendar.closed)
    schedule = [r for r in exports["plan_schedules"] if r["enrolled_on"] <= as_of and r["term"] in known_terms]
    lines = {line.key: line for line in (_line(r, rules, days, as_of) for r in schedule)}
    plans = {plan_id: _plan(plan_id, schedule) for plan_id in {r["plan_id"] for r in schedule}}
    bank_rows = exports["cleared_draws"]
    events = tuple(_event(i, r, plans, lines) for i, r in enumerate(bank_rows) if r["settled_on"] <= as_of)
    last_row = max((r["settled_on"] for r in bank_rows), default=None)

    def dated(name: str) -> tuple[Row, ...]:
        return tuple(r for r in exports[name] if r["posted_on"] <= as_of and r["term"] in known_terms)

    return Book(
        rules=rules,
        days=days,
        as_of=as_of,
        span_end=bank_through if bank_through is not None else last_row,
        lines=lines,
        plans=plans,
        events=tuple(sorted(events, key=lambda e: e.order)),
        set_aside=tuple(i for i, r in enumerate(bank_rows) if r["settled_on"] > as_of),
        charges=dated("charges"),
        aid=dated("aid"),
        postings=dated("postings") if has_postings else (),
        has_postings=has_postings,
    )


def _line(row: Row, rules: Rules, days: Days, as_of: date) -> Line:
    matching = rules.matching
    lag = matching.settlement_lag.card if row["method"] == "card" else matching.settlement_lag.bank
    expected_on = days.add(days.next_open(row["draw_date"]), lag)
    term = next(t for t in rules.terms if t.code == row["term"])
    fee = half_up(Fraction(row["amount"] * term.card_fee_percent, 10_000)) if row["method"] == "card" else 0
    off = row["line_status"] == "cancelled" and (row["cancelled_on"] is None or row["cancelled_on"] <= as_of)
    return Line(
        plan_id=row["plan_id"],
        line=row["line"],
        student_id=row["student_id"],
        term=row["term"],
        kind=row["kind"],
        method=row["method"],
        amount=row["amount"],
        fee=fee,
        draw_date=row["draw_date"],
        expected_on=expected_on,
        window_end=days.add(expected_on, matching.late_days),
        early_from=after(row["draw_date"], -matching.early_days),
        late_until=after(row["draw_date"], matching.late_match_days),
        cancelled=off,
        says=row["schedule_says"],
        reference=row["reference"],
    )


def _plan(plan_id: str, schedule: list[Row]) -> Plan:
    rows = [r for r in schedule if r["plan_id"] == plan_id]
    return Plan(
        plan_id=plan_id,
        student_id=rows[0]["student_id"],
        term=rows[0]["term"],
        enrolled_on=rows[0]["enrolled_on"],
        total=rows[0]["plan_total"],
        set_on=max(r["set_on"] for r in rows),
        consent_on=max(r["consent_on"] for r in rows),
    )


def _event(position: int, row: Row, plans: dict[str, Plan], lines: dict[LineKey, Line]) -> Event:
    plan = plans.get(row["plan_id"])
    students = {p.student_id for p in plans.values()}
    student_id = plan.student_id if plan else row["student_id"] if row["student_id"] in students else ""
    named: LineKey | None = None
    if plan and (plan.plan_id, row["line"]) in lines:
        named = (plan.plan_id, row["line"])
    elif row["reference"] and student_id:
        same = [x for x in lines.values() if x.reference == row["reference"] and x.student_id == student_id]
        same = [x for x in same if plan is None or x.plan_id == plan.plan_id]
        named = same[0].key if len(same) == 1 else None
    return Event(
        position=position,
        settled_on=row["settled_on"],
        amount=row["amount"],
        outcome=row["outcome"],
        student_id=student_id,
        plan_id=plan.plan_id if plan else "",
        named=named,
        kind=row["kind"],
        method=row["method"],
        return_code=row["return_code"],
        reference=row["reference"],
        original_reference=row["original_reference"],
        written=(row["plan_id"], row["student_id"], row["line"]),
    )
