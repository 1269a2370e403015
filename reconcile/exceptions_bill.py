"""Exceptions of a whole plan against its bill: plan exceeds bill, plan below bill, bill short, aid overdue, credit balance.

The variance of a plan is told once, and only as far as nothing else tells it: money of failed and unseen draws, of draws taken for less,
for more, twice or off the schedule, and of lapsed aid has exceptions of its own (*told* money); the rest is told here, with its causes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.coverage import on_the_bill
from reconcile.events import day_numbers
from reconcile.exception_advice import ONE_OR_THE_OTHER, proposal, too_near, when_safe
from reconcile.exception_cautions import aid_behind, credit_clock, credit_due, in_credit_since, movements
from reconcile.exception_facts import Fact, day_text, listed, sentence, who
from reconcile.exceptions_draws import lacking
from reconcile.money import people_money
from reconcile.texts import is_word

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from reconcile.events import Bools, Ints
    from reconcile.exception_ground import Ground

CAUSE_WORDS: dict[str, tuple[str, str]] = {
    "set_off_the_bill": ("it was set {x} above the bill as of {base}", "it was set {x} below the bill as of {base}"),
    "does_not_add_up": ("its lines come to {x} more than its plan total", "its lines come to {x} less than its plan total"),
    "cancelled": ("", "draws of {x} that its plan total still counts were cancelled"),
    "charges_changed": ("charges fell by {x} since {base}", "charges rose by {x} since {base}"),
    "aid_changed": ("aid rose by {x} since {base}", "aid fell by {x} since {base}"),
    "other_credits_changed": ("payments and other credits rose by {x} since {base}", "payments and other credits fell by {x} since {base}"),
    "failed_and_not_seen": ("", "draws of {x} failed or were not seen"),
    "uncleared": ("", "draws brought {x} less than scheduled, or the office gave it back"),
    "above_schedule": ("draws brought {x} more than scheduled", ""),
    "without_a_line": ("{x} was drawn on no open line", ""),
}
"""Cause to its words where it puts the plan over, and where it puts it short."""

MOST_EVIDENCE = 12


def told_money(on: Ground) -> tuple[Ints, Ints]:
    """Money of each row of plans that has exceptions of its own.

    Out:     (told, positive): all of it with the signs of the variance; and the part that puts the plan over.
    """
    plans, keys = on.plans, on.at.keys
    refunded, _otherwise = lacking(on)
    draws = ~on.lines["kind"].are("fee")
    given_back = keys.sum(on.row_of_line[draws], refunded[draws])
    over = plans["above_schedule"] + plans["without_a_line"] - _drawn_before_cancellation(on)
    lapsed = on.at.variance["lapsed"].to_numpy()
    return plans["failed_and_not_seen"] + plans["uncleared"] + given_back + over - lapsed, np.maximum(0, over)


def _drawn_before_cancellation(on: Ground) -> Ints:
    """Money of lines that were cancelled only after it had been drawn: no exception of its own tells it."""
    lines = on.lines
    before = lines["line_status"].are("cancelled") & (lines["cleared"] > 0) & ~lines["kind"].are("fee")
    cents = np.zeros(len(lines), dtype=np.int64)
    for line in np.flatnonzero(before & on.at.lines["cancelled_on"].notna().to_numpy()).tolist():
        cents[line] = sum(t.cents for t in on.tries(line) if t.role == "money" and t.settled <= lines["cancelled_on"][line])
    return on.at.keys.sum(on.row_of_line, cents)


def bill_and_plan(on: Ground) -> Iterator[Fact]:
    """Facts about the whole plan of a student and term.

    Rules:   plans.toml plan_tolerance and soon_days, terms.toml billed_on and bill_due
    """
    told, over = told_money(on)
    variance, tolerance = on.plans["variance"], on.rules.plans.plan_tolerance
    rest = variance - told
    billed = on.plans["term"].are(*(term for term, out in on.billed.items() if out))
    coming = on.plans["pending_draws"] > 0
    exceeds = billed & coming & (np.minimum(variance, rest) > tolerance)
    below = billed & (np.maximum(variance, rest) < -tolerance)
    causes = _CauseWords(on)
    soon = _soon_rows(on) if exceeds.any() else frozenset()
    for row in np.flatnonzero(exceeds).tolist():
        yield _variance_fact(on, row, "plan exceeds bill", min(variance[row], rest[row]), causes, soon=row in soon)
    for row in np.flatnonzero(below).tolist():
        kind = "plan below bill" if coming[row] else "bill short"
        yield _variance_fact(on, row, kind, max(variance[row], rest[row]), causes, soon=False)
    credit = np.maximum(0, -on.balance_now)
    for row in np.flatnonzero(billed & ~coming & (credit - over > tolerance)).tolist():
        yield _credit_fact(on, row, int(credit[row]), int(over[row]))
    yield from _aid_overdue(on)


def _soon_rows(on: Ground) -> frozenset[int]:
    """Rows of plans with a pending draw within soon_days."""
    near = on.lines["draw_date"] - on.today <= on.rules.plans.soon_days
    which = on.lines["state"].are("pending") & near & on_the_bill(on.at.lines, on.rules) & ~on.lines["stopped"]
    return frozenset(on.row_of_line[which].tolist())


def _variance_fact(on: Ground, row: int, kind: str, amount: int, causes: _CauseWords, *, soon: bool) -> Fact:
    plans = on.plans
    term, student, ids = plans["term"][row], plans["student_id"][row], plans["plan_ids"][row]
    variance = abs(int(plans["variance"][row]))
    gaps = {
        "who": who(student, ids),
        "pending": int(plans["pending_draws"][row]),
        "left": _left_words(on, row),
        "variance": variance,
        "amount": abs(int(amount)),
        "why": causes.of(row, abs(int(amount))),
    }
    shifted = plans["above_schedule"][row] + plans["without_a_line"][row] > 0
    said = proposal(on, row)
    near = too_near(on, row) if kind == "plan exceeds bill" else ""
    choice = f"What was taken wrongly is given back, or the remaining draws shrink as proposed: {ONE_OR_THE_OTHER}, never both."
    notice = (choice,) if shifted and said and not near else ()
    clock = credit_clock(on, row) if kind == "plan exceeds bill" and on.advice(row).to_give_back else ""
    rules = on.rules.term(term)
    due = rules is not None and rules.bill_due <= on.at.as_of
    calm = kind != "plan exceeds bill" and (not due or not on.has_postings)
    why_calm = f"before the bill is due ({rules.bill_due})" if rules is not None and not due else "payments cannot be seen without postings"
    return Fact(
        kind=kind,
        term=term,
        student_id=student,
        plan_id=ids,
        line="",
        amount=int(amount),
        happened=causes.last_day(row),
        what=sentence(kind, **gaps),
        advice=(*notice, *(part for part in said if part != near), clock, f"For the record only: {why_calm}." if calm else ""),
        evidence=causes.evidence(row),
        whole=True,
        calm=calm,
        soon=soon,
        instead=bool(near),
        lead=near,
    )


def _left_words(on: Ground, row: int) -> str:
    """What of the bill the plan has to meet, in words."""
    meet = int(on.plans["balance_to_meet"][row])
    if meet > 0:
        return f"{people_money(meet)} of the bill is left to pay"
    return f"nothing of the bill is left to pay ({people_money(-meet)} in credit, aid still expected counted)"


class _CauseWords:
    """Why plan and bill came apart: the causes in words, the day of the last change, and the rows that made it."""

    def __init__(self, on: Ground) -> None:
        self._on = on
        self._rows: dict[int, list[tuple[int, str]]] | None = None

    def of(self, row: int, amount: int) -> str:
        """The causes, the largest first; with what other exceptions tell of it, if the variance is not all told here."""
        plans = self._on.plans
        base = day_text(plans["baseline"][row])
        found = [(int(plans[name][row]), words) for name, words in CAUSE_WORDS.items() if plans[name][row]]
        found.sort(key=lambda cause: -abs(cause[0]))
        said = [words[cents < 0].format(x=people_money(abs(cents)), base=base) for cents, words in found if words[cents < 0]]
        ended = listed(self._cancelled_words(row)) if plans["cancelled"][row] else ""
        counted = "that its plan total still counts were cancelled"
        said = [text.replace(counted, f"{counted} ({ended})") if ended else text for text in said]
        variance = abs(int(plans["variance"][row]))
        own = f" ({people_money(amount)} of it counts here, the rest has exceptions of its own)" if amount != variance else ""
        return f"because {listed(said)}{own}"

    def _cancelled_words(self, row: int) -> Iterator[str]:
        """Each cancelled draw with its day; for one without a date that is said."""
        lines, dated = self._on.lines, self._on.at.lines["cancelled_on"].notna().to_numpy()
        for at in self._on.mine("lines", row):
            if lines["line_status"][at] == "cancelled" and lines["kind"][at] != "fee":
                day = f"on {day_text(lines['cancelled_on'][at])}" if dated[at] else "with no date in the export"
                yield f"line {lines['line'][at]} {day}"

    def _changes(self) -> dict[int, list[tuple[int, str]]]:
        """By row of plans, the day and evidence of each charge, award and credit since the baseline; made once, for rows apart only."""
        if self._rows is None:
            on = self._on
            self._rows = {}
            apart = np.abs(on.plans["variance"]) > on.rules.plans.plan_tolerance
            tables = ((on.at.charges, on.charges, ("posted_on",)), (on.at.postings, on.postings, ("posted_on",)))
            for row in np.flatnonzero(apart & (on.plans["cancelled"] != 0)).tolist():
                self._rows[row] = [(day, on.lines.at(line)) for line, day in _cancelled_lines(on, row)]
            for table, columns, dates in (*tables, (on.at.aid, on.aid, ("posted_on", "disbursed_on", "cancelled_on"))):
                for row, day, at in _since(on, table, dates, apart):
                    self._rows.setdefault(row, []).append((day, columns.at(at)))
        return self._rows

    def last_day(self, row: int) -> int | None:
        """The day of the last change since the baseline; the baseline if there was none, None if an undated cancellation made it."""
        dated = [day for day, _ in self._changes().get(row, ())]
        return max(dated) if dated else None if self._undated(row) else int(self._on.plans["baseline"][row])

    def _undated(self, row: int) -> list[str]:
        """Evidence of what was cancelled without a date and may have put plan and bill apart: no day is made up for it."""
        on = self._on
        lines, aid = on.at.lines["cancelled_on"].isna().to_numpy(), on.at.aid["cancelled_on"].isna().to_numpy()
        ended = [at for at in on.mine("lines", row) if on.lines["line_status"][at] == "cancelled" and on.lines["kind"][at] != "fee"]
        found = [on.lines.at(at) for at in ended if lines[at]] if on.plans["cancelled"][row] else []
        awards = [at for at in on.mine("aid", row) if on.aid["standing"][at] == "cancelled" and aid[at]]
        return [*found, *(on.aid.at(at) for at in awards if on.plans["aid_changed"][row])]

    def evidence(self, row: int) -> tuple[str, ...]:
        """The rows that changed the bill since the baseline, the latest first, then the plan's own."""
        on = self._on
        found = sorted(self._changes().get(row, ()), key=lambda change: (-change[0], change[1]))
        return (
            *(where for _, where in found[:MOST_EVIDENCE]),
            *self._undated(row),
            *(on.lines.at(line) for line in on.mine("lines", row)[:1]),
        )


def _cancelled_lines(on: Ground, row: int) -> Iterator[tuple[int, int]]:
    """Position and day of each cancelled line that the plan total still counts; without a date none, for no day is invented."""
    dated = on.at.lines["cancelled_on"].notna().to_numpy()
    for line in on.mine("lines", row):
        if on.lines["line_status"][line] == "cancelled" and on.lines["kind"][line] != "fee" and dated[line]:
            yield line, int(on.lines["cancelled_on"][line])


def _since(on: Ground, table: pd.DataFrame, dates: tuple[str, ...], apart: Bools) -> Iterator[tuple[int, int, int]]:
    """(row of plans, day, position) of a table's rows that took effect after the baseline of a plan that is apart from its bill.

    Plan draws on the ledger move no bill and are left out.
    """
    row_of = on.at.keys.lookup(table)
    days = np.stack([np.where(day_numbers(table[name]) <= on.today, day_numbers(table[name]), -(1 << 40)) for name in dates]).max(axis=0)
    moves = ~is_word(table["kind"], "plan draw") if "kind" in table.columns else np.ones(len(table), dtype=bool)
    known = row_of >= 0
    if not len(on.plans):
        return
    base = on.plans["baseline"][np.maximum(row_of, 0)]
    for at in np.flatnonzero(known & moves & apart[np.maximum(row_of, 0)] & (days > base)).tolist():
        yield int(row_of[at]), int(days[at]), at


def _credit_fact(on: Ground, row: int, credit: int, over: int) -> Fact:
    kind, plans = "credit balance", on.plans
    since, due, aid = in_credit_since(on, row), credit_due(on, row), aid_behind(on, row)
    overdue = bool(aid) and due < on.today
    more = f" ({people_money(over)} of the credit has exceptions of its own)" if over else ""
    gaps = {
        "who": who(plans["student_id"][row], plans["plan_ids"][row]),
        "credit": credit,
        "amount": credit - over,
        "day": day_text(since),
        "more": more,
    }
    return Fact(
        kind=kind,
        term=plans["term"][row],
        student_id=plans["student_id"][row],
        plan_id=plans["plan_ids"][row],
        line="",
        amount=credit - over,
        happened=since,
        what=sentence(kind, **gaps),
        advice=(
            "" if overdue else credit_clock(on, row),
            f"Aid behind it: {aid}." if aid else "No aid was disbursed since it arose.",
            f"Give back {people_money(credit - over)}, {when_safe(on, row)}.",
        ),
        lead=credit_clock(on, row) if overdue else "",
        pressing=overdue,
        before=due if aid else None,
        evidence=(*_movements_evidence(on, row), *(on.lines.at(line) for line in on.mine("lines", row)[:1])),
        whole=True,
    )


def _movements_evidence(on: Ground, row: int) -> tuple[str, ...]:
    """The latest rows that took the balance down."""
    return tuple(where for _day, cents, where in reversed(movements(on, row)) if cents < 0)[:MOST_EVIDENCE]


def _aid_overdue(on: Ground) -> Iterator[Fact]:
    """Anticipated aid whose days of grace are over, per student, term and fund."""
    kind, aid = "anticipated aid overdue", on.aid
    rows = on.at.keys.lookup(on.at.aid)
    found: dict[tuple[int, str], list[int]] = {}
    for at in np.flatnonzero(aid["standing"].are("lapsed") & (rows >= 0)).tolist():
        found.setdefault((int(rows[at]), aid["fund"][at]), []).append(at)
    for (row, fund), awards in sorted(found.items()):
        amount = sum(int(aid["amount"][at]) for at in awards)
        if amount <= 0:
            continue
        expected = max(int(aid["expected_on"][at]) for at in awards)
        gaps = {
            "who": who(on.plans["student_id"][row], on.plans["plan_ids"][row]),
            "amount": amount,
            "fund": fund,
            "expected": day_text(expected),
            "consequence": on.consequence(row),
        }
        yield Fact(
            kind=kind,
            term=on.plans["term"][row],
            student_id=on.plans["student_id"][row],
            plan_id=on.plans["plan_ids"][row],
            line="",
            amount=amount,
            happened=expected + on.rules.aid.grace_days,
            what=sentence(kind, **gaps),
            advice=proposal(on, row),
            evidence=tuple(aid.at(at) for at in awards),
            about=fund,
            whole=True,
        )
