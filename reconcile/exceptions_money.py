"""Exceptions by which a family's money was taken wrongly: after a cancellation, twice, too much, or where no line or code allows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.draws import TAKEN_TWICE, UNDECIDED
from reconcile.events import NOBODY
from reconcile.exception_advice import TERM_FIRST, money_back, proposal, safe_after, too_near
from reconcile.exception_facts import Fact, day_text, sentence, who
from reconcile.exceptions_again import KIND as PRESENTED
from reconcile.exceptions_again import late_try, presented_too_often, taken_day, words_of
from reconcile.ledger import ANOTHER_KIND
from reconcile.money import people_money
from reconcile.present_again import authorized_between, consents

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.banking_days import BankingDays
    from reconcile.exception_ground import Ground
    from reconcile.exception_tries import Try


def money_taken_wrongly(on: Ground, days: BankingDays) -> Iterator[Fact]:
    """Facts of the first group but for `plan exceeds bill`.

    In:      the ground of the run; banking days for the day on which a later attempt was taken.
    """
    yield from _after_cancellation(on)
    yield from _without_a_line(on, days)
    yield from _for_more(on)
    after_stop = list(_after_a_stop(on))
    yield from after_stop
    yield from presented_too_often(on, {(fact.plan_id, fact.line) for fact in after_stop})


def _after_cancellation(on: Ground) -> Iterator[Fact]:
    lines, kind = on.lines, "draw after cancellation"
    with_day = on.at.lines["cancelled_on"].notna().to_numpy()
    for line in np.flatnonzero(lines["line_status"].are("cancelled") & (lines["cleared"] > 0)).tolist():
        dated = with_day[line]
        late = [t for t in on.tries(line) if t.role == "money" and t.cents and (not dated or t.settled > lines["cancelled_on"][line])]
        if not late:
            continue
        amount, row = sum(t.cents for t in late), int(on.row_of_line[line])
        words = on.line_words(line) | {
            "amount": amount,
            "day": day_text(late[-1].settled),
            "cancelled": f"on {day_text(lines['cancelled_on'][line])}" if dated else "(the schedule does not say when)",
            "consequence": on.consequence(row),
        }
        yield on.line_fact(
            kind,
            line,
            amount,
            late[-1].settled,
            what=sentence(kind, **words),
            advice=money_back(on, row, amount, _may_go_back(on, line)),
            lead=too_near(on, row),
            evidence=on.line_evidence(line, late),
        )


def _may_go_back(on: Ground, line: int) -> str:
    """When money of a line may go back; "" for a card."""
    until = int(on.states["returnable_until"][line])
    return safe_after(until, on.today, on.bank_read) if on.lines["method"][line] == "bank" else ""


def _without_a_line(on: Ground, days: BankingDays) -> Iterator[Fact]:
    """Draws taken twice and draws not on the schedule: standing money of known students on no line, undecided money aside."""
    money = on.money
    cleared = on.events["outcome"].are("cleared") & (on.at.owners.student != NOBODY) & ~on.events["kind"].are("payment")
    standing = money["without_a_line"] + money["fee_without_a_line"] + money["nobodys"]
    standing = np.where(on.at.matching.loose == UNDECIDED, 0, standing)
    for event in np.flatnonzero(cleared & (standing > 0)).tolist():
        amount, row = int(standing[event]), int(on.row_of_event[event])
        twice = on.at.matching.loose[event] == TAKEN_TWICE
        first = _taken_before(on, event) if twice else None
        late = None if twice else late_try(on, event)
        kind = TAKEN_TWICE if twice else PRESENTED if late else "draw not on the schedule"
        words: dict[str, object] = {
            "who": who(money["student_id"][event], money["plan_id"][event], on.named_line(event)),
            "amount": amount,
            "day": on.settled_text(event),
            "consequence": on.consequence(row),
            "first": _first_words(on, first),
            "more": _as_a_payment(on, event),
        }
        if late is not None:
            words, first = words_of(on, late, amount), late.line
        settled = int(on.events["settled_on"][event])
        until = _returnable(on, event, days)
        safe = safe_after(until, on.today, on.bank_read) if until is not None else ""
        yield Fact(
            kind=kind,
            term=money["term"][event],
            student_id=money["student_id"][event],
            plan_id=money["plan_id"][event],
            line=on.lines["line"][late.line] if late else on.named_line(event),
            amount=amount,
            happened=settled,
            what=sentence(kind, **words),
            advice=(TERM_FIRST if on.waiting[event] else "", *money_back(on, row, amount, safe)),
            lead=too_near(on, row),
            evidence=(on.events.at(event), *((on.lines.at(first),) if first is not None else ())),
            about=on.event_about(event),
        )


def _taken_before(on: Ground, event: int) -> int | None:
    """The cleared line of the event's amount in whose window it settled; else the line that it names."""
    lines, plan = on.lines, int(on.at.owners.plan[event])
    same = on.at.book.line_plan == plan if plan != NOBODY else on.at.book.line_student == on.at.owners.student[event]
    full = same & (lines["cleared"] > 0)
    settled, amount = on.events["settled_on"][event], on.events["amount"][event]
    fits = (lines["amount"] == amount) | (lines["gross"] == amount)
    fits &= (lines["draw_date"] <= settled) & (settled <= lines["window_end"])
    named = full & lines["line"].are(on.named_line(event)) if on.named_line(event) else np.zeros(len(full), dtype=bool)
    found = np.flatnonzero(named) if named.any() else np.flatnonzero(full & fits)
    return min(found.tolist(), key=on.line_order, default=None)


def _first_words(on: Ground, first: int | None) -> str:
    if first is None:
        return "the draw had cleared already"
    words = on.line_words(first)
    settled = day_text(on.states["settled_on"][first])
    return (
        f"the {words['draw']} of {words['draw_date']} (line {on.lines['line'][first]}) for {people_money(int(on.lines['amount'][first]))} "
        f"had cleared on {settled}"
    )


def _as_a_payment(on: Ground, event: int) -> str:
    """Where the ledger shows the event as a payment, that is said: the family may have meant one."""
    ledger = on.at.ledger
    found = ledger.loc[(ledger["how"] == ANOTHER_KIND) & (ledger["event"] == event), "posting"]
    return f"; the student's ledger shows it as a payment of {day_text(on.postings['posted_on'][int(found.iloc[0])])}" if len(found) else ""


def _returnable(on: Ground, event: int, days: BankingDays) -> int | None:
    """The last day on which the bank may return the event in the ordinary way; None for a card."""
    if on.events["method"][event] == "card":
        return None
    settled = on.events["settled_on"][event]
    return int(days.add_numbers(np.array([settled], dtype=np.int64), on.rules.returns.ordinary.banking_days)[0])


def _for_more(on: Ground) -> Iterator[Fact]:
    lines, kind = on.lines, "draw for more"
    above = lines["cleared"] - lines["amount"]
    for line in np.flatnonzero(lines["line_status"].are("active") & (above > on.rules.matching.tolerance)).tolist():
        row, tries = int(on.row_of_line[line]), on.tries(line)
        words = on.line_words(line) | {"amount": int(above[line]), "consequence": on.consequence(row)}
        yield on.line_fact(
            kind,
            line,
            above[line],
            int(on.states["settled_on"][line]),
            what=sentence(kind, **words),
            advice=money_back(on, row, int(above[line]), _may_go_back(on, line)),
            lead=too_near(on, row),
            evidence=on.line_evidence(line, tries),
        )


def _stops(on: Ground) -> dict[int, list[tuple[int, int]]]:
    """For each plan code its stop returns: (day, event), in force or not; a return that names only a student counts for all its plans."""
    events, owners = on.events, on.at.owners
    coded = events["outcome"].are("returned") & (owners.student != NOBODY) & ~events["return_code"].are("")
    known: dict[tuple[str, str], bool] = {}
    found: dict[int, list[tuple[int, int]]] = {}
    for event in np.flatnonzero(coded).tolist():
        key = (events["method"][event], events["return_code"][event])
        if key not in known:
            code = on.rules.returns.code(*key)
            known[key] = code is not None and code.stops_plan
        if known[key]:
            plan = int(owners.plan[event])
            plans = [plan] if plan != NOBODY else np.flatnonzero(on.at.book.student_of_plan == owners.student[event]).tolist()
            for each in plans:
                found.setdefault(each, []).append((int(events["settled_on"][event]), event))
    return found


def _after_a_stop(on: Ground) -> Iterator[Fact]:
    """Draws taken after a stop return and before the family authorized an account anew."""
    stops = _stops(on)
    if not stops:
        return
    on_stopped = np.isin(on.at.book.line_plan, list(stops))
    for line in np.flatnonzero(on_stopped).tolist():
        tries = [t for t in on.tries(line) if t.role not in {"return", "refund"}]
        authorized = consents(on, line)
        for number, attempt in enumerate(tries):
            taken = _taken_day(on, line, attempt, first=number == 0)
            before = [
                stop
                for stop in stops[int(on.at.book.line_plan[line])]
                if stop[0] < taken and not authorized_between(on, line, stop[0], taken)
            ]
            if before:
                yield _stop_fact(on, line, attempt, max(before, key=lambda stop: (stop[0], on.events.cells(stop[1]))), authorized[-1])
                break


def _taken_day(on: Ground, line: int, attempt: Try, *, first: bool) -> int:
    """The day on which an attempt was taken: the line's own for the first, else the settlement less the lag."""
    if first:
        return int(min(on.lines["taken_on"][line], attempt.settled))
    return taken_day(on, line, attempt)


def _stop_fact(on: Ground, line: int, attempt: Try, stop: tuple[int, int], consent: int) -> Fact:
    kind, row = "drawn after a stop", int(on.row_of_line[line])
    amount = attempt.cents or int(on.lines["amount"][line])
    code = on.code_words(on.events["method"][stop[1]], on.events["return_code"][stop[1]])
    lifted = stop[0] < consent <= on.today
    words = on.line_words(line) | {
        "amount": amount,
        "day": day_text(attempt.settled),
        "stopped": day_text(stop[0]),
        "code": code,
        "until": f" until the account was authorized anew on {day_text(consent)}" if lifted else "",
        "consequence": on.consequence(row),
    }
    advice = ("" if lifted else "Take no further draw on this plan.", "Ask the bank's contact and the bursar whether it must go back.")
    evidence = (*on.line_evidence(line, [attempt]), on.events.at(stop[1]))
    return on.line_fact(
        kind, line, amount, attempt.settled, what=sentence(kind, **words), advice=(*advice, *proposal(on, row)), evidence=evidence
    )
