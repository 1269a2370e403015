"""The state of each schedule line, and one row per line as draws.csv has it; one row per bank event with the bucket of its money."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .days import after
from .fits import concerns, in_window, own_amount, with_fee
from .matching import Matched, Share, shares

if TYPE_CHECKING:
    from datetime import date

    from .book import Book, Event, Line, LineKey
    from .undoing import Undone

UNCLEARED = ("pending", "in transit", "failed", "not seen")
"""States of a line whose money may still come."""


@dataclass(frozen=True)
class LineState:
    """What happened to one line: its net money, its state, and every try that the bank made for it."""

    line: Line
    state: str
    net: int
    attempts: int
    shares: tuple[Share, ...]
    tries: tuple[Event, ...]
    failures: tuple[Event, ...]
    passes: tuple[str, ...]
    settled_on: date | None

    @property
    def is_plan_line(self) -> bool:
        """A draw or a down payment: what plan totals are made of."""
        return self.line.kind != "fee"

    @property
    def is_active(self) -> bool:
        """The schedule still has it."""
        return not self.line.cancelled


@dataclass(frozen=True)
class Settled:
    """Book, returns and matches together: what all later questions are asked of."""

    book: Book
    undone: Undone
    matched: Matched
    states: dict[LineKey, LineState]

    def shares(self, event: Event, day: date | None = None) -> list[Share]:
        """Where an event's money lies at the end of a day (without one: the as-of day)."""
        taken = [u.cents for u in self.undone.takers(event) if day is None or u.by.settled_on <= day]
        left = 0 if day is not None and event.settled_on > day else event.amount - sum(taken)
        gone = any(
            of is event and (day is None or u.by.settled_on <= day)
            for u in self.undone.takers(event)
            for position, of in self.undone.fee_back.items()
            if position == u.by.position
        )
        return shares(self.book, self.matched, event, left, fee_is_gone=gone)

    @property
    def cleared(self) -> list[Event]:
        """Cleared events of known students, payments included."""
        return [e for e in self.book.events if e.outcome == "cleared" and e.student_id]


def settle(book: Book, undone: Undone, matched: Matched) -> Settled:
    """Give every line its state."""
    return Settled(book, undone, matched, {x.key: _line_state(book, undone, matched, x) for x in book.lines.values()})


def _line_state(book: Book, undone: Undone, matched: Matched, line: Line) -> LineState:
    hung = [e for e in book.events if e.position in matched.hung and line.key in matched.hung[e.position][0]]
    on = matched.events_on.get(line.key, [])
    events = sorted([*hung, *on], key=lambda e: e.order)
    stand = [s for e in events for s in shares(book, matched, e, undone.left[e.position], fee_is_gone=undone.fee_is_gone(e))]
    parts = [s for s in stand if s.line is line and s.kind != "card fee"]
    net = sum(s.cents for s in parts)
    takers = sorted((u.by for e in events for u in undone.takers(e) if u.by.position not in undone.fee_back), key=lambda r: r.order)
    direct = [r for r in book.events if undone.failed_line.get(r.position) == line.key]
    failures = sorted({r.position: r for r in [*direct, *takers] if r.outcome == "returned"}.values(), key=lambda r: r.order)
    given = [r.settled_on for r in takers if r.outcome == "refunded"]
    taken = [r.settled_on for r in takers if r.outcome == "returned"]
    refunded = bool(given) and all(day < max(given) for day in taken)
    money_days = [s.event.settled_on for s in parts if s.cents]
    return LineState(
        line=line,
        state=_state(book, line, net, failed=bool(failures), refunded=refunded),
        net=net,
        attempts=len(events) + len(direct),
        shares=tuple(parts),
        tries=tuple(sorted([*events, *direct], key=lambda e: e.order)),
        failures=tuple(failures),
        passes=tuple(sorted({matched.pass_of[s.event.position] for s in parts if s.cents})),
        settled_on=max(money_days, default=None),
    )


def _state(book: Book, line: Line, net: int, *, failed: bool, refunded: bool) -> str:
    """The first of the seven states that applies."""
    if net > 0:
        return "cleared" if net >= line.amount - book.rules.matching.tolerance else "part cleared"
    if line.cancelled or line.amount == 0 or refunded:
        return "cancelled"
    if failed:
        return "failed"
    if line.draw_date > book.as_of:
        return "pending"
    if book.as_of <= line.window_end or book.span_end is None or book.span_end < line.window_end:
        return "in transit"
    return "not seen"


def draw_rows(settled: Settled) -> list[dict[str, Any]]:
    """One row per line, with the columns of draws.csv."""
    book = settled.book
    rows = []
    for s in sorted(settled.states.values(), key=lambda s: (s.line.term, s.line.student_id, s.line.oldest_first)):
        x = s.line
        back = s.settled_on if s.net and x.method == "bank" else None
        rows.append(
            {
                "term": x.term,
                "student_id": x.student_id,
                "plan_id": x.plan_id,
                "line": x.line,
                "kind": x.kind,
                "method": x.method,
                "draw_date": x.draw_date,
                "expected_on": x.expected_on,
                "scheduled": x.amount,
                "cleared": s.net,
                "state": s.state,
                "settled_on": s.settled_on,
                "returnable_until": book.days.add(back, book.rules.returns.ordinary.banking_days) if back else None,
                "match": "; ".join(s.passes),
                "attempts": s.attempts,
                "return_code": s.failures[-1].return_code if s.failures else "",
                "schedule_says": x.says,
                "references": "; ".join(e.reference for e in s.tries if e.reference),
            }
        )
    return rows


def event_term(settled: Settled, event: Event) -> str:
    """The term that an event belongs to: its line's, its plan's, else the one that fits the student; "" if none."""
    book, matched = settled.book, settled.matched
    failed = settled.undone.failed_line.get(event.position)
    keys = matched.lines_of.get(event.position) or ([failed] if failed else matched.hung.get(event.position, ([], ""))[0])
    if not keys:
        undone = [u.event for u in settled.undone.undoings if u.by is event]
        if undone:
            return event_term(settled, undone[0])
    if keys:
        return book.lines[keys[0]].term
    if event.plan_id:
        return book.plans[event.plan_id].term
    return _term_of_student(book, event)


def _term_of_student(book: Book, event: Event) -> str:
    """The one term that an event fits which names only a student, from the day on which a plan was enrolled; "" if none or several."""
    plans = book.plans_of(event.student_id) if event.student_id else []
    if event.kind == "down payment":
        with_down_payment = {x.plan_id for x in book.lines.values() if x.kind == "down payment"}
        plans = [p for p in plans if p.plan_id in with_down_payment] or plans
    holding = []
    for plan in plans:
        draw_dates = [x.draw_date for x in book.lines.values() if x.plan_id == plan.plan_id]
        begins, ends = min(plan.enrolled_on, *draw_dates), after(max(draw_dates), book.rules.matching.late_match_days)
        if begins <= event.settled_on <= ends:
            holding.append(plan)
    terms = {p.term for p in holding or plans}
    return terms.pop() if len(terms) == 1 else ""


def waits_for_its_term(settled: Settled, event: Event) -> bool:
    """Cleared money of a student that would count on a bill, and nothing says on the bill of which term."""
    book = settled.book
    if event.outcome != "cleared" or not event.student_id or not settled.undone.left[event.position] or event_term(settled, event):
        return False
    if event.kind == "payment":
        return not book.has_postings
    return event.kind != "fee" or any(book.term(p.term).fee_on_bill for p in book.plans_of(event.student_id))


def event_rows(settled: Settled) -> list[dict[str, Any]]:
    """One row per row of the bank's file, in the file's order: the buckets of its cents, its line, its pass or return rule, the reason."""
    rows = [_event_row(settled, e) for e in settled.book.events]
    rows += [{**_EMPTY, "position": i, "set_aside": True, "reason": "after the as-of date"} for i in settled.book.set_aside]
    return sorted(rows, key=lambda r: r["position"])


_EMPTY: dict[str, Any] = {
    "position": -1,
    "set_aside": False,
    "student_id": "",
    "term": "",
    "plan_id": "",
    "lines": [],
    "pass": "",
    "on_line": 0,
    "card_fee": 0,
    "undone": 0,
    "without_a_line": 0,
    "undecided": 0,
    "payment": 0,
    "unknown": 0,
    "rule": None,
    "undoes": [],
    "undid": 0,
    "undid_nothing": 0,
    "reason": "",
}


def _event_row(settled: Settled, e: Event) -> dict[str, Any]:
    row = {**_EMPTY, "position": e.position, "student_id": e.student_id, "plan_id": e.plan_id, "term": event_term(settled, e)}
    if e.outcome != "cleared":
        undoings = [u for u in settled.undone.undoings if u.by is e]
        failed = settled.undone.failed_line.get(e.position)
        row["rule"] = settled.undone.rule[e.position]
        row["undoes"] = [(u.event.position, u.cents) for u in undoings]
        row["undid"] = sum(u.cents for u in undoings)
        row["undid_nothing"] = e.amount - row["undid"]
        row["lines"] = [(*failed, 0)] if failed else sorted({k for u in undoings for k in _keys(settled, u.event)})
        row["reason"] = _return_reason(e, row)
        return row
    if not e.student_id:
        return {**row, "unknown": e.amount, "reason": "bank event for an unknown student or plan"}
    parts = settled.shares(e)
    row["undone"] = e.amount - sum(s.cents for s in parts)
    row["card_fee"] = sum(s.cents for s in parts if s.kind == "card fee")
    row["on_line"] = sum(s.cents for s in parts if s.line is not None and s.kind != "card fee")
    row["lines"] = [(*s.line.key, s.cents) for s in parts if s.line is not None and s.kind != "card fee"]
    row["pass"] = settled.matched.pass_of.get(e.position) or settled.matched.hung.get(e.position, ([], ""))[1]
    bucket = "payment" if e.kind == "payment" else "undecided" if e.position in settled.matched.undecided else "without_a_line"
    row[bucket] = sum(s.cents for s in parts if s.line is None)
    row["reason"] = _money_reason(settled, e, row)
    return row


def _keys(settled: Settled, event: Event) -> list[LineKey]:
    if event.position in settled.matched.hung:
        return settled.matched.hung[event.position][0]
    return settled.matched.lines_of.get(event.position, [])


def _return_reason(e: Event, row: dict[str, Any]) -> str:
    if not e.student_id:
        return "bank event for an unknown student or plan"
    if e.is_dispute:
        return "dishonored or contested"
    if row["rule"] == 5 or (row["rule"] in {1, 3} and row["undid_nothing"]):
        return "return without a draw"
    return ""


def _money_reason(settled: Settled, e: Event, row: dict[str, Any]) -> str:
    if row["pass"]:
        return ""
    if e.kind == "payment":
        return "payment"
    if e.position in settled.matched.undecided:
        return "more than one way to match"
    if not settled.undone.left[e.position]:
        return "undone"
    return "draw taken twice" if _is_twice(settled, e) else "draw not on the schedule"


def _is_twice(settled: Settled, e: Event) -> bool:
    """It names a full line, or it fits a cleared line of equal amount inside its window."""
    if e.position in settled.matched.taken_twice:
        return True
    return any(
        s.state == "cleared" and concerns(e, s.line) and (own_amount(e, s.line) or with_fee(e, s.line)) and in_window(e, s.line)
        for s in settled.states.values()
    )


def late_money_may_come(settled: Settled, state: LineState) -> bool:
    """A not-seen line whose draw may still arrive late by the as-of day."""
    return state.state == "not seen" and settled.book.as_of <= state.line.late_until
