"""Exceptions of single draws: never seen, brought less, and those that only came late or early (failed ones: `exceptions_failed`)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.exception_advice import conditional, notice_day, person_first, proposal
from reconcile.exception_facts import day_text, listed, sentence
from reconcile.exceptions_failed import failed_draws
from reconcile.late_returns import late_words
from reconcile.money import people_money
from reconcile.notices import last_day
from reconcile.probable_payments import ask_about_payment, paid_outside, payment_evidence

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from reconcile.events import Bools, Ints
    from reconcile.exception_facts import Fact
    from reconcile.exception_ground import Ground
    from reconcile.exception_tries import Try
    from reconcile.probable_payments import Payment


NOT_SHORT = "The plan is not short without the rest: present nothing again for it, and draw nothing more."
FIND_OUT_FIRST = "Find out first whether the money was taken."


def draws_not_taken(on: Ground, payments: Mapping[int, Payment]) -> Iterator[Fact]:
    """Failed draws, draws not seen, draws for less.

    In:      the ground of the run; `probable_payments`. A line that undecided money may have paid is not also `no draw seen`.
    Rules:   matching.toml tolerance
    """
    yield from failed_draws(on, payments)
    yield from _not_seen(on, payments)
    yield from _for_less(on)


def lacking(on: Ground) -> tuple[Ints, Ints]:
    """For each line, the cents that it lacks because the office refunded them, and those that it lacks otherwise.

    Out:     (refunded, otherwise): of cleared and part cleared active lines and of those that a refund emptied; 0 elsewhere.
    """
    lines = on.lines
    counts = lines["line_status"].are("active") & lines["state"].are("cleared", "part cleared", "cancelled")
    rest = np.where(counts, np.maximum(0, lines["amount"] - lines["cleared"]), 0).astype(np.int64)
    refunded = np.zeros(len(rest), dtype=np.int64)
    undoings, pairs = on.at.matching.undoings, on.at.matching.pairs
    refunds = on.events["outcome"].are("refunded") & ~on.at.matching.fee_back
    by_refund = undoings[refunds[undoings["by"].to_numpy()]] if len(undoings) else undoings
    if len(by_refund):
        on_lines = pairs[pairs["event"].isin(by_refund["of"]) & pairs["role"].isin(["money", "refunded", "attempt"])]
        lines_of = on_lines.groupby("event")["line"].agg(list).to_dict()
        for _by, of, cents, _rule in by_refund.itertuples(index=False):
            left = int(cents)
            for line in sorted(lines_of.get(of, []), key=on.line_order, reverse=True):
                share = min(left, int(rest[line] - refunded[line]))
                refunded[line] += share
                left -= share
    return refunded, rest - refunded


def _not_seen(on: Ground, payments: Mapping[int, Payment]) -> Iterator[Fact]:
    kind, lines = "no draw seen", on.lines
    for line in np.flatnonzero(lines["state"].are("not seen") & ~on.at.matching.undecided_lines).tolist():
        row = int(on.row_of_line[line])
        paid = paid_outside(payments.get(line))
        words = on.line_words(line) | {
            "day": day_text(lines["window_end"][line]),
            "consequence": on.consequence(row),
            "more": f"; {paid}" if paid else "",
        }
        payment, posted, late = payments.get(line), bool(lines["posted"][line]), bool(on.today <= lines["late_end"][line])
        ask_by = None if posted or not late or person_first(on, row) else _ask_by(on, line)
        alone = on.may_come[line] and on.advice(row).awaited == int(lines["amount"][line])
        said = proposal(on, row, awaited=not alone, advice=on.otherwise(line) if posted and not late else None)
        confirmed: tuple[str, ...] = ()
        if payment is not None:
            holds = "Only if it was not, and this draw still comes:" if late else "Only if it was not:"
            said = (ask_about_payment(payment, "stop this draw", said=said, otherwise=holds),)
        elif not person_first(on, row):
            confirmed = _once_never_taken(on, line) if posted or late else said
            said = (FIND_OUT_FIRST, conditional("Only if it was not:", said)) if posted else said
        advice = (_wait_words(on, line, ask_by), *said)
        yield on.line_fact(
            kind,
            line,
            lines["amount"][line],
            int(lines["window_end"][line]),
            what=sentence(kind, **words),
            before=ask_by,
            advice=advice,
            confirmed=confirmed or advice,
            evidence=(*on.line_evidence(line), *payment_evidence(payments.get(line))),
        )


def _wait_words(on: Ground, line: int, ask_by: int | None) -> str:
    """That a draw may still come, or may have been taken; and, with the last day for notice of what takes it up, what must be in time."""
    last, late = day_text(on.lines["late_end"][line]), bool(on.today <= on.lines["late_end"][line])
    if on.lines["posted"][line]:
        where = f"It stands as posted {_posted_where(on, line)}, so its money may have been taken"
        return f"{where}{f', or may still come until {last}' if late else ''}: nothing is drawn for it until that is known."
    wait = f"It may still come until {last}: do not take it a second time." if late else ""
    if ask_by is None:
        return wait
    return f"{wait} Find out in time: if it does not come, the draws that take it up need notice by {notice_day(on, ask_by)}."


def _once_never_taken(on: Ground, line: int) -> tuple[str, ...]:
    """What follows once it is confirmed that a draw was never taken, while it may still come or stands posted: until when to wait.

    An office whose policy lets it decide before that reads what the draws would become then.
    """
    amount, last = people_money(int(on.lines["amount"][line])), day_text(on.lines["late_end"][line])
    late = bool(on.today <= on.lines["late_end"][line])
    if on.lines["posted"][line]:
        until = f"until that is corrected there{f' and {last} has passed' if late else ''}"
        waits = f"It stands as posted {_posted_where(on, line)}: nothing is proposed for its {amount} {until}."
    else:
        waits = f"Nothing is proposed for its {amount} while it may still come, until {last}; after that day plans.csv proposes it."
    then = proposal(on, int(on.row_of_line[line]), advice=on.otherwise(line))
    return (waits, conditional("Only if the office decides earlier, by its own policy:", then))


def _ask_by(on: Ground, line: int) -> int | None:
    """The last day for the notice by which other draws could still take up the money of this line, if it were not to come."""
    then = on.otherwise(line)
    changes = then.notice_for is not None and any(old != new for _day, old, new, _plan, _line in then.draws)
    last = last_day(then.notice_for, on.rules.plans.notice_days) if changes and then.notice_for is not None else None
    return last if last is not None and on.today <= last < on.lines["late_end"][line] else None


def _posted_where(on: Ground, line: int) -> str:
    """Where a draw that the bank does not show stands as posted."""
    return "in the plan system" if on.lines["schedule_says"][line] == "posted" else "on the student's ledger"


def _for_less(on: Ground) -> Iterator[Fact]:
    kind = "draw for less"
    _refunded, otherwise = lacking(on)
    for line in np.flatnonzero(otherwise > on.rules.matching.tolerance).tolist():
        row, tries = int(on.row_of_line[line]), on.tries(line)
        happened = max((t.settled for t in tries), default=int(on.lines["draw_date"][line]))
        back = _came_back_in_part(on, tries)
        words = on.line_words(line) | {"amount": int(otherwise[line]), "consequence": on.consequence(row)}
        words["brought"] = _brought_words(on, line, back)
        said = confirmed = proposal(on, row)
        if back and row >= 0 and int(on.plans["variance"][row]) >= -on.rules.plans.plan_tolerance:
            said = (NOT_SHORT,)
        elif back and not person_first(on, row):
            then = proposal(on, row, advice=on.otherwise(line)) if on.lines["held"][line] else said
            said = (
                *_part_actions(on, line, back),
                conditional("Only if a person decides that the rest is still to be drawn:", then),
            )
        elif row >= 0 and int(on.plans["variance"][row]) < -on.rules.plans.plan_tolerance and not person_first(on, row):
            said = (conditional("Only once it is known why it brought less:", said),)
        yield on.line_fact(
            kind,
            line,
            otherwise[line],
            happened,
            what=sentence(kind, **words),
            advice=said,
            confirmed=() if back else confirmed,
            instead=bool(back),
            evidence=on.line_evidence(line, tries),
        )


def _came_back_in_part(on: Ground, tries: list[Try]) -> list[tuple[int, int]]:
    """Event and cents of each return that undid part of a draw whose rest stayed."""
    undoings = on.at.matching.undoings
    money = {t.event for t in tries if t.role == "money"}
    found = undoings[undoings["of"].isin(money)] if money else undoings.iloc[:0]
    rows = [(int(by), int(cents)) for by, _of, cents, _rule in found.itertuples(index=False) if on.events["outcome"][by] == "returned"]
    return sorted(rows, key=lambda row: (on.events["settled_on"][row[0]], on.events["reference"][row[0]], row[1], on.events.cells(row[0])))


def _brought_words(on: Ground, line: int, back: list[tuple[int, int]]) -> str:
    """What a draw brought of what was scheduled; where part came back, how much, when and with which code."""
    cleared, scheduled = int(on.lines["cleared"][line]), people_money(int(on.lines["amount"][line]))
    if not back:
        return f"brought {people_money(cleared) if cleared else 'nothing'} of {scheduled}"
    parts = listed(
        f"{people_money(cents)} of it came back on {on.settled_text(event)} "
        f"({on.code_words(on.lines['method'][line], on.events['return_code'][event])})"
        for event, cents in back
    )
    taken = people_money(cleared + sum(cents for _event, cents in back))
    took = f"took {taken}" if taken == scheduled else f"took {taken} where {scheduled} was scheduled"
    late = late_words(on, [event for event, _cents in back], on.lines["method"][line])
    in_hand = f"so {people_money(cleared) if cleared else 'none'} of it is in hand{f', and {late}' if late else ''}"
    return f"{took}; {parts}, {in_hand}"


def _part_actions(on: Ground, line: int, back: list[tuple[int, int]]) -> tuple[str, ...]:
    """What the rules say is done after each code with which part of a draw came back."""
    method = on.lines["method"][line]
    codes = dict.fromkeys(str(on.events["return_code"][event]) for event, _cents in back)
    found = [on.return_code(method, code) for code in codes]
    return tuple(code.action if code is not None else "Ask the bank what the code means first." for code in found)


def came_late_or_early(on: Ground) -> Iterator[Fact]:
    """Draws whose money came after their window or before their draw date: for the record."""
    lines, settled = on.lines, on.states["settled_on"]
    here = lines["state"].are("cleared", "part cleared") & lines["line_status"].are("active")
    late: Bools = here & (settled > lines["window_end"])
    early: Bools = here & (settled < lines["draw_date"])
    for kind, which in (("cleared late", late), ("cleared early", early)):
        for line in np.flatnonzero(which).tolist():
            words = on.line_words(line) | {
                "amount": int(lines["cleared"][line]),
                "day": day_text(settled[line]),
                "window": day_text(lines["window_end"][line]),
                "consequence": on.consequence(int(on.row_of_line[line])),
            }
            yield on.line_fact(
                kind,
                line,
                lines["cleared"][line],
                int(settled[line]),
                what=sentence(kind, **words),
                evidence=on.line_evidence(line, on.tries(line)),
            )
