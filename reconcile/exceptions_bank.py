"""Exceptions in which nobody can say yet whose or which money it is: a tie, an unknown name, names that disagree, a return of nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.draws import UNDECIDED
from reconcile.events import NOBODY
from reconcile.exception_advice import MORE_THAN_ONE_WAY, TERM_FIRST, notice_day, person_first, proposal, too_near
from reconcile.exception_facts import Fact, day_text, listed, sentence, who
from reconcile.exception_last_days import decide_by, is_soon, stop_by
from reconcile.ledger import REFUND, TAKEN_OFF
from reconcile.money import people_money
from reconcile.proposals import Advice
from reconcile.texts import among, distinct, is_word

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from reconcile.exception_ground import Ground

OUTCOME_WORDS = {"cleared": "cleared", "returned": "returned", "refunded": "refunded"}


def undecided_money(on: Ground, told: Iterable[tuple[str, str, int]]) -> Iterator[Fact]:
    """Facts of the group `undecided`.

    In:      the ground; `told`: student, plan and amount of failed draws, whose exceptions already tell of a disputed return.
    """
    yield from _more_than_one_way(on)
    yield from _of_no_term(on)
    yield from _unknown(on)
    yield from _disagree(on)
    yield from _without_a_draw(on, set(told))
    yield from _refunded_and_returned(on)
    yield from _named_by_another(on)


def _more_than_one_way(on: Ground) -> Iterator[Fact]:
    """Undecided money, told once for each plan."""
    kind, money = "more than one way to match", on.money
    groups: dict[tuple[str, str, str], list[int]] = {}
    for event in np.flatnonzero(on.at.matching.loose == UNDECIDED).tolist():
        groups.setdefault((money["term"][event], money["student_id"][event], money["plan_id"][event]), []).append(event)
    for (term, student, plan), events in sorted(groups.items()):
        events.sort(key=lambda at: (on.events["settled_on"][at], on.events["reference"][at], on.events.cells(at)))
        amount = sum(int(money["undecided"][at] + money["fee_without_a_line"][at] + money["nobodys"][at]) for at in events)
        row = int(on.row_of_event[events[0]])
        mine = on.mine("lines", row) if row >= 0 else []
        lines = [at for at in mine if on.at.matching.undecided_lines[at] and on.lines["plan_id"][at] in {plan, ""}]
        words = listed(f"line {on.lines['line'][at]} ({people_money(int(on.lines['amount'][at]))})" for at in lines)
        gaps = {
            "who": who(student, plan),
            "amount": amount,
            "day": on.settled_text(events[0]),
            "lines": words or "the plan's lines",
            "counts": "on the bill" if row >= 0 else "on no bill",
            "consequence": on.consequence(row),
        }
        over = _over_anyway(on, row)
        days = [day for day in (decide_by(on, row), stop_by(on, row) if over else None) if day is not None]
        yield Fact(
            kind=kind,
            term=term,
            student_id=student,
            plan_id=plan,
            line="",
            amount=amount,
            happened=int(on.events["settled_on"][events[0]]),
            what=sentence(kind, **gaps),
            before=min(days, default=None),
            pressing=bool(over) and is_soon(on, row),
            advice=(
                *(part for part in proposal(on, row) if part != person_first(on, row)),
                *_over_words(on, row, over),
                _decide_words(on, row),
            ),
            evidence=(*(on.events.at(at) for at in events), *(on.lines.at(at) for at in lines)),
        )


def _of_no_term(on: Ground) -> Iterator[Fact]:
    """Payments at the bank that fit the terms of a student alike: they count on no bill. Draws of no term have a kind of their own."""
    kind, money = "more than one way to match", on.money
    for event in np.flatnonzero(on.waiting & on.events["kind"].are("payment")).tolist():
        student, amount = money["student_id"][event], int(on.at.matching.left[event])
        terms = listed(sorted(set(on.plans["term"].of(np.flatnonzero(on.plans["student_id"].are(student))))))
        gaps = {
            "who": who(student, ""),
            "amount": amount,
            "day": on.settled_text(event),
            "lines": f"the terms {terms}",
            "counts": "on no bill",
            "consequence": "nothing says for which term it was",
        }
        yield Fact(
            kind=kind,
            term="",
            student_id=student,
            plan_id="",
            line="",
            amount=amount,
            happened=int(on.events["settled_on"][event]),
            what=sentence(kind, **gaps),
            advice=(TERM_FIRST,),
            evidence=(on.events.at(event),),
            about=on.event_about(event),
        )


def _decide_words(on: Ground, row: int) -> str:
    last = decide_by(on, row)
    return "" if last is None else f"Decide by the last day for notice of a change to the next draw, {notice_day(on, last)}."


def _over_anyway(on: Ground, row: int) -> int:
    """By how many cents the draws to come are more than is left of the bill, whichever draw the money paid; 0 where that is not sure.

    The money counts on the bill in any case. What may fall away is a draw to come that it may have paid early; and money that fits a draw
    of another term may count there.
    """
    if row < 0 or person_first(on, row) != MORE_THAN_ONE_WAY or not on.billed[on.plans["term"][row]]:
        return 0
    mine, lines, open_lines = on.mine("lines", row), on.lines, on.at.matching.undecided_lines
    elsewhere = open_lines & (on.at.book.line_student == on.at.book.line_student[mine[0]]) & (on.row_of_line != row)
    over = int(on.plans["variance"][row]) - sum(int(lines["amount"][at]) for at in _maybe_paid_early(on, row))
    return 0 if elsewhere.any() or over <= on.rules.plans.plan_tolerance else over


def _maybe_paid_early(on: Ground, row: int) -> list[int]:
    """Draws to come, or on their way, that undecided money may have paid before their day."""
    open_lines, states = on.at.matching.undecided_lines, on.lines["state"]
    return [at for at in on.mine("lines", row) if open_lines[at] and states[at] in {"pending", "in transit"}]


def _over_words(on: Ground, row: int, over: int) -> tuple[str, ...]:
    """What is not owed of the draws to come however it is decided, and until when it can be kept from being taken."""
    last = stop_by(on, row) if over else None
    if last is None:
        return ()
    early = _maybe_paid_early(on, row)
    least = "at least " if early else ""
    told = f"Whichever it was, the draws still to come take {least}{people_money(over)} more than is left of the bill."
    until = f"The last day to stop the next one is {day_text(last)}"
    if decide_by(on, row) is not None:
        return (told, f"Lower one with notice, or stop one, so that this is not taken. {until}.")
    return (told, "" if early else too_near(on, row, Advice(to_stop=over)), f"{until}.")  # which to stop is not known before


def _unknown(on: Ground) -> Iterator[Fact]:
    """Events of nobody; an ordinary payment of a student whom another export knows is none."""
    kind, events = "bank event for an unknown student or plan", on.events
    nobody = on.at.owners.student == NOBODY
    if not nobody.any():
        return
    known = set(distinct([on.at.charges["student_id"], on.at.aid["student_id"], on.at.postings["student_id"]]))
    for event in np.flatnonzero(nobody).tolist():
        student, plan = events["student_id"][event], events["plan_id"][event]
        if events["kind"][event] == "payment" and not plan and student in known:
            continue
        unknown = f"no schedule knows plan {plan}" if plan else f"student {student} has no plan in the schedules"
        if plan and student:
            unknown += f", nor a plan of student {student}"
        gaps = {
            "who": who(student, plan),
            "amount": int(events["amount"][event]),
            "outcome": OUTCOME_WORDS[events["outcome"][event]],
            "day": on.settled_text(event),
            "unknown": unknown,
        }
        yield Fact(
            kind=kind,
            term="",
            student_id=student,
            plan_id=plan,
            line=events["line"][event],
            amount=int(events["amount"][event]),
            happened=int(events["settled_on"][event]),
            what=sentence(kind, **gaps),
            evidence=(events.at(event),),
            about=on.event_about(event),
        )


def _disagree(on: Ground) -> Iterator[Fact]:
    """A plan beside another student than its own, told once for each plan and named student."""
    kind, events, money = "plan and student disagree", on.events, on.money
    groups: dict[tuple[str, str], list[int]] = {}
    for event in np.flatnonzero(on.at.owners.disagree).tolist():
        groups.setdefault((events["plan_id"][event], events["student_id"][event]), []).append(event)
    for (plan, named), found in sorted(groups.items()):
        found.sort(key=lambda at: (events["settled_on"][at], events["reference"][at], events.cells(at)))
        amount, last = sum(int(events["amount"][at]) for at in found), found[-1]
        several = f"{len(found)} events, the last on " if len(found) > 1 else ""
        gaps = {
            "who": who(money["student_id"][last], plan),
            "named": named,
            "amount": amount,
            "day": several + on.settled_text(last),
            "consequence": on.consequence(int(on.row_of_event[last])),
        }
        yield Fact(
            kind=kind,
            term=money["term"][last],
            student_id=money["student_id"][last],
            plan_id=plan,
            line="",
            amount=amount,
            happened=int(events["settled_on"][last]),
            what=sentence(kind, **gaps),
            evidence=tuple(events.at(at) for at in found),
            about=named,
        )


def _without_a_draw(on: Ground, told: set[tuple[str, str, int]]) -> Iterator[Fact]:
    """Returns, and refunds that no refund posting explains, as far as they undid nothing; disputed returns that no failed draw tells of."""
    events, money, matching = on.events, on.money, on.at.matching
    paired = on.at.ledger["event"].to_numpy()[among(on.at.ledger["how"], (REFUND, TAKEN_OFF))]
    known = on.at.owners.student != NOBODY
    explained = np.zeros(len(events), dtype=bool)
    explained[paired] = True
    explained &= events["outcome"].are("refunded")
    for event in np.flatnonzero(known & (((matching.unplaced > 0) & ~explained) | matching.told)).tolist():
        student, plan = money["student_id"][event], money["plan_id"][event]
        disputed = bool(matching.told[event])
        amount = int(events["amount"][event] if disputed else matching.unplaced[event])
        if disputed and any(key[0] == student and key[2] == amount and plan in {"", key[1]} for key in told):
            continue
        refund = events["outcome"][event] == "refunded"
        short = f"; if it belongs to a draw of this plan, the bill is {people_money(amount)} short"
        row = int(on.row_of_event[event])
        yield _undid_nothing(
            on,
            event,
            amount,
            code="" if refund else on.code_words(events["method"][event], events["return_code"][event]),
            fits=_fits_words(on, event, amount, disputed=disputed),
            more="" if refund or disputed or not plan else short,
            advice=(person_first(on, row),),
            beside=on.named_evidence(event) if matching.misnamed[event] else (),
        )


def _refunded_and_returned(on: Ground) -> Iterator[Fact]:
    """Returns that hang as a failed try on a draw which the office had refunded by then: the same money may have gone back twice."""
    pairs, settled = on.at.matching.pairs, on.events["settled_on"]
    given = pairs[is_word(pairs["role"], "refund")]
    given = given[on.events["outcome"].are("refunded")[given["event"].to_numpy()]]
    if given.empty:
        return
    tries = pairs[is_word(pairs["role"], "failed")]
    first: dict[int, int] = {}
    for event, line in zip(given["event"].tolist(), given["line"].tolist(), strict=True):
        first[line] = min(first.get(line, event), event, key=lambda at: (settled[at], on.events["reference"][at], on.events.cells(at)))
    for event, line in tries.loc[tries["line"].isin(list(first)), ["event", "line"]].itertuples(index=False):
        refund = first[line]
        if settled[event] >= settled[refund]:
            yield _undid_nothing(
                on,
                event,
                int(on.events["amount"][event]),
                code=on.code_words(on.lines["method"][line], on.events["return_code"][event]),
                fits=f"follows a refund of its draw on {on.settled_text(refund)}",
                more="; the same money may have gone back twice",
                line=line,
                beside=(on.events.at(refund), on.lines.at(line)),
            )


def _named_by_another(on: Ground) -> Iterator[Fact]:
    """Draws that a return of another student names: if it is theirs, their bill is short by it, and nothing else would tell."""
    kind, events, money = "return without a draw", on.events, on.money
    for one in on.at.elsewhere:
        if one.own or one.what != "draw" or one.outcome != "returned":
            continue
        file, sheet, row = one.of
        here = [at for at in np.flatnonzero(events["row"] == row).tolist() if (events["file"][at], events["sheet"][at]) == (file, sheet)]
        if not here or on.row_of_event[here[0]] < 0:
            continue
        event, amount = here[0], people_money(one.cents)
        line = on.named_line(event)
        gaps = {
            "who": who(money["student_id"][event], money["plan_id"][event], line),
            "amount": one.cents,
            "outcome": "came back",
            "day": day_text(one.day),
            "code": f" ({on.code_words(one.method, one.code)})",
            "fits": f"names this draw, which cleared on {on.settled_text(event)}, though the bank's row is of another student",
            "consequence": on.consequence(int(on.row_of_event[event])),
            "more": f"; if it is this draw that came back, the bill is {amount} short",
        }
        yield Fact(
            kind=kind,
            term=money["term"][event],
            student_id=money["student_id"][event],
            plan_id=money["plan_id"][event],
            line=line,
            amount=one.cents,
            happened=one.day,
            what=sentence(kind, **gaps),
            evidence=(events.at(event), ":".join(map(str, one.by))),
            about=one.reference or day_text(one.day),
        )


def _undid_nothing(
    on: Ground,
    event: int,
    amount: int,
    *,
    code: str,
    fits: str,
    more: str,
    advice: tuple[str, ...] = (),
    line: int = NOBODY,
    beside: tuple[str, ...] = (),
) -> Fact:
    """A fact about a return or refund that undid nothing; `line` is the draw that it follows, if one is known, `beside` more evidence."""
    kind, events, money = "return without a draw", on.events, on.money
    name = "" if line == NOBODY else on.lines["line"][line]
    gaps = {
        "who": who(money["student_id"][event], money["plan_id"][event], name),
        "amount": amount,
        "outcome": "was refunded" if events["outcome"][event] == "refunded" else "came back",
        "day": on.settled_text(event),
        "code": f" ({code})" if code else "",
        "fits": fits,
        "consequence": on.consequence(int(on.row_of_event[event])),
        "more": more,
    }
    return Fact(
        kind=kind,
        term=money["term"][event],
        student_id=money["student_id"][event],
        plan_id=money["plan_id"][event],
        line=name,
        amount=amount,
        happened=int(events["settled_on"][event]),
        what=sentence(kind, **gaps),
        advice=advice,
        evidence=(events.at(event), *beside),
        about=on.event_about(event),
    )


def _fits_words(on: Ground, event: int, amount: int, *, disputed: bool) -> str:
    if disputed:
        return "the banks dispute the return it speaks of"
    whole = int(on.events["amount"][event])
    if whole != amount:
        return f"is what is left over of {people_money(whole)}: more came back than was left of the draw"
    if on.at.matching.misnamed[event]:
        if on.named_evidence(event):
            return f"names {on.named_words(event)}"
        return f"names the draw {on.events['original_reference'][event]}, which nobody knows"
    return "fits no draw of that amount"
