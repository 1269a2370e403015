"""What the remaining draws should become, so that plan and bill meet and nobody is drawn for more than the bill."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from .bill import aid_of_row, is_stopped
from .days import after
from .states import late_money_may_come, waits_for_its_term
from .variance import balance_to_meet, baseline, has_uncleared

if TYPE_CHECKING:
    from datetime import date

    from .bill import Account
    from .book import Event, Line, LineKey
    from .states import LineState, Settled


@dataclass
class Proposal:
    """The last part of a row of plans.csv; cents, and per changed line its new amount."""

    again: int = 0
    awaited: int = 0
    kept: int = 0
    to_give_back: int = 0
    to_stop: int = 0
    to_collect: int = 0
    first_changeable: date | None = None
    new_amounts: list[tuple[Line, int]] = field(default_factory=list)
    stops: list[Line] = field(default_factory=list)

    def row(self, notice_days: int) -> dict[str, Any]:
        """As columns."""
        entries = sorted([*self.new_amounts, *((x, 0) for x in self.stops)], key=lambda pair: pair[0].oldest_first)
        changed = [x.draw_date for x, cents in self.new_amounts if cents != x.amount]
        return {
            "again": self.again,
            "awaited": self.awaited,
            "kept": self.kept,
            "proposed_draws": "; ".join(f"{x.draw_date.isoformat()} {cents // 100}.{cents % 100:02d}" for x, cents in entries),
            "to_give_back": self.to_give_back,
            "to_stop": self.to_stop,
            "to_collect": self.to_collect,
            "notice_by": after(min(changed), -notice_days) if changed else None,
            "first_changeable": self.first_changeable,
        }


def propose(account: Account) -> Proposal:
    """Work out the proposal of one student and term."""
    rules = account.settled.book.rules
    stopped = {p.plan_id for p in account.plans if is_stopped(account.settled, p)}
    pending = [s for s in account.lines if s.state == "pending" and s.is_active]
    out = Proposal(stops=[s.line for s in pending if s.line.plan_id in stopped])
    if account.as_of < account.term.billed_on:
        return out
    to_meet = balance_to_meet(account)
    variance = account.pending_draws - to_meet
    out.awaited = _awaited(account, variance)
    if _person_decides(account):
        return out
    out.again = _again(account, stopped, max(0, -variance - out.awaited))
    if abs(variance + out.again + out.awaited) <= account.tolerance and not out.stops:
        return out
    soon = after(account.as_of, rules.plans.notice_days)
    free = [s for s in pending if s.line.plan_id not in stopped and account.counts(s)]
    change = [s.line for s in free if s.is_plan_line and s.line.draw_date >= soon]
    out.kept = account.amount_in("in transit") + sum(s.line.amount for s in free if s.line not in change)
    out.first_changeable = min((x.draw_date for x in change), default=None)
    rest = to_meet - out.again - out.awaited - out.kept
    if rest < 0:
        out.new_amounts = [(x, 0) for x in change]
        out.to_give_back = min(-rest, max(0, -account.balance_now))
        out.to_stop = -rest - out.to_give_back
        return out
    if not change:
        out.to_collect = rest
        return out
    difference = rest - sum(x.amount for x in change)
    nothing_up = any(p.plan_id in stopped and has_uncleared(account, p) for p in account.plans)
    if difference > 0 and nothing_up:
        out.new_amounts = [(x, x.amount) for x in change]
        out.to_collect = difference
    elif difference > 0:
        _raise(account, out, change, difference)
    else:
        _lower(account, out, change, -difference)
    return out


def shared(cents: int, parts: int, rule: str) -> list[int]:
    """Cents in equal parts: spare cents go one each to the first parts, or all to the last."""
    each, spare = divmod(cents, parts)
    if rule == "last absorbs":
        return [each] * (parts - 1) + [each + spare]
    return [each + 1] * spare + [each] * (parts - spare)


def _lower(account: Account, out: Proposal, lines: list[Line], cents: int) -> None:
    """Take cents off the lines in equal parts; a line that has less becomes zero and the others share anew."""
    rule = account.settled.book.rules.plans.split
    giving = list(lines)
    while True:
        parts = dict(zip((x.key for x in giving), shared(cents, len(giving), rule), strict=True))
        short = [x for x in giving if x.amount < parts[x.key]]
        if not short:
            break
        giving = [x for x in giving if x not in short]
        cents -= sum(x.amount for x in short)
    out.new_amounts = [(x, x.amount - parts[x.key] if x in giving else 0) for x in lines]


def _raise(account: Account, out: Proposal, lines: list[Line], cents: int) -> None:
    """Add cents to the lines in equal parts; what would go above twice the plan's largest active draw is to be collected otherwise."""
    parts = shared(cents, len(lines), account.settled.book.rules.plans.split)
    for x, part in zip(lines, parts, strict=True):
        draws = [s.line.amount for s in account.lines if s.line.plan_id == x.plan_id and s.is_active and s.line.kind == "draw"]
        cap = max(x.amount, 2 * max(draws, default=0))
        out.new_amounts.append((x, min(cap, x.amount + part)))
        out.to_collect += max(0, x.amount + part - cap)


def _awaited(account: Account, variance: int) -> int:
    """Not-seen draws that may come late or stand posted; then, as far as the plan is short, what waits for a person, and lapsed aid."""
    posted = _stand_posted(account)
    lines = sum(
        s.line.amount
        for s in account.lines
        if s.is_active and account.counts(s) and (late_money_may_come(account.settled, s) or s.line.key in posted)
    )
    held = sum(_waits_for_a_person(account, s) for s in account.lines if account.counts(s))
    base = baseline(account)
    lapsed = 0
    for row in account.aid:
        status, cents = aid_of_row(row, account.settled, account.as_of)
        if status == "lapsed" and aid_of_row(row, account.settled, base)[0] == "anticipated":
            lapsed += cents
    return lines + min(held + max(0, lapsed), max(0, -variance - lines))


def _stand_posted(account: Account) -> set[LineKey]:
    """Lines not seen that the plan system or the student's ledger shows as posted."""
    lines = [s.line for s in account.lines if s.state == "not seen"]
    posted = {x.key for x in lines if x.says == "posted"}
    within = account.settled.book.rules.matching.late_match_days
    for cents in {x.amount for x in lines}:
        left: list[date] = []
        rows = [p for i, p in enumerate(account.postings) if i not in account.pairs.paired and p["kind"] == "plan draw"]
        for p in sorted((p for p in rows if abs(p["amount"]) == cents), key=lambda p: (p["posted_on"], p["amount"] < 0)):
            if p["amount"] > 0:
                left.append(p["posted_on"])
            elif left:
                left.pop()
        for x in (x for x in lines if x.amount == cents):
            near = [on for on in left if abs((on - x.draw_date).days) <= within]
            if near:
                left.remove(near[0])
                posted.add(x.key)
    return posted


def _waits_for_a_person(account: Account, s: LineState) -> int:
    """Cents that came back on a line and that nobody draws again before a person has decided."""
    settled = account.settled
    if s.state == "failed":
        code = settled.book.code(s.failures[-1])
        if code is None or not (code.again or code.stops_plan):
            return s.line.amount
        return s.line.amount if not code.stops_plan and any(_bank_must_say(settled, r) for r in s.failures) else 0
    if s.state != "part cleared" or not s.is_active:
        return 0
    back = 0
    for event in {share.event.position: share.event for share in s.shares if share.cents}.values():
        for u in settled.undone.takers(event):
            code = settled.book.code(u.by)
            if u.by.outcome == "returned" and (code is None or not code.stops_plan):
                back += u.cents
    return min(back, s.line.amount - s.net)


def _bank_must_say(settled: Settled, r: Event) -> bool:
    """A return that names no known draw, or that took some money and is of more than it could take."""
    if r.original_reference and settled.undone.rule[r.position] != 1:
        return True
    taken = sum(u.cents for u in settled.undone.undoings if u.by is r)
    return 0 < taken < r.amount


def _first_taken(s: LineState) -> date:
    """The day of the first try; if that is only a return, no later than the day on which the draw was expected."""
    day = s.tries[0].settled_on
    cleared = any(e.outcome == "cleared" for e in s.tries if e.settled_on == day)
    return day if cleared else min(day, s.line.expected_on)


def _again(account: Account, stopped: set[str], short: int) -> int:
    """Failed draws that may be presented again, oldest first, each only if it fits whole into what is still short."""
    out = 0
    for s in account.lines:
        if s.state == "failed" and account.counts(s) and _may_be_presented(account, s, stopped) and s.line.amount <= short - out:
            out += s.line.amount
    return out


def _may_be_presented(account: Account, s: LineState, stopped: set[str]) -> bool:
    code = account.settled.book.code(s.failures[-1])
    if code is None or not code.again or s.line.plan_id in stopped or _waits_for_a_person(account, s):
        return False
    if s.attempts > code.again_times or account.as_of > after(_first_taken(s), code.again_days):
        return False
    later = [x for x in account.lines if x.line.plan_id == s.line.plan_id and x.line.draw_date > s.line.draw_date]
    return not later or any(x.is_active for x in later)


def _person_decides(account: Account) -> bool:
    """Undecided money, money of no term, refunds apart, a dispute of the banks, or a draw not seen on a day with hardly any."""
    settled = account.settled
    if account.refunds_apart:
        return True
    mine = [e for e in settled.book.events if e.student_id == account.student_id]
    if any(e.is_dispute or e.position in settled.matched.undecided or waits_for_its_term(settled, e) for e in mine):
        return True
    return any(s.state == "not seen" and _hardly_any_seen(settled, s.line) for s in account.lines)


def _hardly_any_seen(settled: Settled, line: Line) -> bool:
    """Of at least twenty draws of the line's term and date whose windows are over, more than half are not seen: a file may be missing."""
    over = [
        s.state
        for s in settled.states.values()
        if (s.line.term, s.line.draw_date) == (line.term, line.draw_date) and s.state in {"cleared", "part cleared", "failed", "not seen"}
    ]
    return len(over) >= 20 and over.count("not seen") * 2 > len(over)
