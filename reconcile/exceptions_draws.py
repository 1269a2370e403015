"""Exceptions of single draws: come back unpaid, never seen, brought less, and those that only came late or early."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.exception_advice import bursar_first, conditional, person_first, proposal
from reconcile.exception_facts import ASK_BANK_FIRST, DECIDES_FIRST, day_text, listed, sentence
from reconcile.late_returns import late_words
from reconcile.ledger import ANOTHER_KIND
from reconcile.money import people_money

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.events import Bools, Ints
    from reconcile.exception_facts import Fact, Ground, Try
    from reconcile.policy_models import ReturnCode
    from reconcile.proposals import Advice


THEN_THE_FAMILY = "Contact the family once that is known."
THEN_THE_BURSAR = "Contact the family only once the bursar has decided."
FIND_OUT_FIRST = "Find out first whether the money was taken."


def draws_not_taken(on: Ground) -> Iterator[Fact]:
    """Failed draws, draws not seen, draws for less.

    In:      the ground of the run. A line that undecided money may have paid is not also `no draw seen`.
    Rules:   matching.toml tolerance
    """
    payments = _probable_payments(on)
    yield from _failed(on, payments)
    yield from _not_seen(on, payments)
    yield from _for_less(on)


def lacking(on: Ground) -> tuple[Ints, Ints]:
    """For each line, the cents that it lacks because the office refunded them, and those that it lacks otherwise.

    Out:     (refunded, otherwise): of cleared and part cleared active lines and of those that a refund emptied; 0 elsewhere.
    """
    lines = on.lines
    counts = (lines["line_status"] == "active") & np.isin(lines["state"], ["cleared", "part cleared", "cancelled"])
    rest = np.where(counts, np.maximum(0, lines["amount"] - lines["cleared"]), 0).astype(np.int64)
    refunded = np.zeros(len(rest), dtype=np.int64)
    undoings, pairs = on.at.matching.undoings, on.at.matching.pairs
    by_refund = undoings[(on.events["outcome"] == "refunded")[undoings["by"].to_numpy()]] if len(undoings) else undoings
    if len(by_refund):
        on_lines = pairs[pairs["event"].isin(by_refund["of"]) & pairs["role"].isin(["money", "refunded", "attempt"])]
        lines_of = on_lines.groupby("event")["line"].agg(list).to_dict()
        for _by, of, cents, _rule in by_refund.itertuples(index=False):
            left = int(cents)
            for line in reversed(lines_of.get(of, [])):
                share = min(left, int(rest[line] - refunded[line]))
                refunded[line] += share
                left -= share
    return refunded, rest - refunded


def _failed(on: Ground, payments: dict[int, int]) -> Iterator[Fact]:
    kind = "failed draw"
    for line in np.flatnonzero(on.lines["state"] == "failed").tolist():
        row, tries = int(on.row_of_line[line]), on.tries(line)
        back = [t for t in tries if t.role in {"return", "failed"}]
        method, code = on.lines["method"][line], on.lines["return_code"][line]
        notes = [_paid_outside(on, payments.get(line))]
        notes.append(late_words(on, [t.event for t in reversed(back)], method))
        notes.append(_doubt(on, back))
        told = _disputed(on, line)
        if told:
            notes.append(f"the banks dispute the return ({on.events['return_code'][told[-1]]} of {on.settled_text(told[-1])})")
        words = on.line_words(line) | {
            "day": day_text(back[-1].settled),
            "code": on.code_words(method, code),
            "came_back": _came_back(on, line, tries),
            "consequence": on.consequence(row),
            "more": "".join(f"; {note}" for note in notes if note),
        }
        evidence = (*on.line_evidence(line, tries), *(on.events.at(event) for event in told))
        yield on.line_fact(
            kind,
            line,
            on.lines["amount"][line],
            back[-1].settled,
            what=sentence(kind, **words),
            advice=_failed_advice(on, line, row, tries, payments.get(line)),
            instead=_family_waits(on, line, row, tries, payments.get(line)),
            evidence=(*evidence, *_payment_evidence(on, payments.get(line))),
        )


def _doubt(on: Ground, back: list[Try]) -> str:
    """Why the bank must say first which draw a return speaks of; "" where no return is in doubt."""
    doubted = [t.event for t in back if on.in_doubt[t.event]]
    if not doubted:
        return ""
    if any(on.at.matching.misnamed[event] for event in doubted):
        return "the return names a draw that nobody knows"
    more = sum(int(on.at.matching.unplaced[event]) for event in doubted)
    return f"the return was of {people_money(more)} more than was left of the draw"


def _came_back(on: Ground, line: int, tries: list[Try]) -> str:
    """What happened at the last: a bank's return, a decline (the card never paid), or a chargeback (the card's return)."""
    found = _code(on, line)
    if found is not None and found.klass == "chargeback":
        return "was charged back"
    return "came back" if any(t.role == "return" for t in tries) or on.lines["method"][line] != "card" else "was declined"


def _failed_advice(on: Ground, line: int, row: int, tries: list[Try], payment: int | None) -> tuple[str, ...]:
    """Present it again or not, what the code asks for, and the proposal, as far as nothing must be asked first."""
    said = proposal(on, row, again=False)
    named = (on.lines["plan_id"][line], on.lines["line"][line]) in on.advice(row).again_lines
    if payment is not None:
        again = (_again_words(on, line, row, tries),) if named else ()
        asked = _ask_about_payment(on, payment, "do not present it again", said=(*again, *said), otherwise="If not, the proposal holds:")
        return (asked, "" if named else _again_words(on, line, row, tries), _code_action(on, line))
    if person_first(on, row):
        then = THEN_THE_BURSAR if bursar_first(on, line) else THEN_THE_FAMILY
        waits = (then,) if _family_waits(on, line, row, tries, payment) else ()
        return (_again_words(on, line, row, tries), _code_action(on, line), *said, *waits)
    if _asks_bank_first(on, line, tries):
        return _bank_first(on, line, row, tries)
    settled = abs(int(on.plans["variance"][row])) <= on.rules.plans.plan_tolerance and on.billed[on.lines["term"][line]]
    if on.lines["held"][line] and not settled:
        unknown = _code(on, line) is None
        condition = "Only if the account may be drawn again:" if unknown else "Only if a person decides that it is still to be drawn:"
        otherwise = proposal(on, row, again=False, advice=on.otherwise(line))
        first = "" if unknown else _again_words(on, line, row, tries)
        return (first, _code_action(on, line), conditional(condition, otherwise), THEN_THE_FAMILY if unknown else "")
    if not said and not named and settled:
        return (_again_words(on, line, row, tries), "Nothing to collect: later draws already carry it. Close the item.")
    waits = (THEN_THE_BURSAR,) if bursar_first(on, line) else ()
    return (_again_words(on, line, row, tries), _code_action(on, line), *said, *waits)


def _family_waits(on: Ground, line: int, row: int, tries: list[Try], payment: int | None) -> bool:
    """Whether the office's first step, to speak with the family, has to wait: the bank, or a person of the office, speaks first."""
    if payment is not None:
        return False
    if bursar_first(on, line):
        return True
    if on.lines["stopped"][line]:
        return False
    return bool(_disputed(on, line)) or (not person_first(on, row) and (_code(on, line) is None or _asks_bank_first(on, line, tries)))


def _asks_bank_first(on: Ground, line: int, tries: list[Try]) -> bool:
    """Whether the draw waits for the bank's word on which draw came back; not where the code itself leaves the decision to a person."""
    found = _code(on, line)
    known = found is not None and not found.left_to_a_person
    return bool(known and on.lines["held"][line] and _doubt(on, [t for t in tries if t.role in {"return", "failed"}]))


def _bank_first(on: Ground, line: int, row: int, tries: list[Try]) -> tuple[str, ...]:
    """Ask the bank which draw came back; only its answer lets the draw be presented again or spread."""
    then = on.otherwise(line)
    named = (on.lines["plan_id"][line], on.lines["line"][line]) in then.again_lines
    said = (
        (_again_words(on, line, row, tries, advice=then), _code_action(on, line, advice=then))
        if named
        else proposal(on, row, again=False, advice=then)
    )
    doubt = _doubt(on, [t for t in tries if t.role in {"return", "failed"}])
    wait = "Until it has answered, do not present this draw again and do not spread it over other draws."
    then_only = conditional("Only if it was this draw:", tuple(part for part in said if part))
    return (f"{ASK_BANK_FIRST} which draw came back: {doubt}.", wait, then_only, THEN_THE_FAMILY)


def _disputed(on: Ground, line: int) -> list[int]:
    """Dishonored or contested returns of the line's plan and amount."""
    return [
        at
        for at in on.told_events
        if on.money["student_id"][at] == on.lines["student_id"][line]
        and on.events["plan_id"][at] in {"", on.lines["plan_id"][line]}
        and on.events["amount"][at] in {on.lines["amount"][line], on.lines["gross"][line]}
    ]


def _code(on: Ground, line: int) -> ReturnCode | None:
    """What the rules say of the code with which a line came back."""
    code = on.lines["return_code"][line]
    return on.rules.returns.code(on.lines["method"][line], code) or on.rules.returns.code("", code)


def _code_action(on: Ground, line: int, *, advice: Advice | None = None) -> str:
    """What the rules say is done after the code; nothing where the draw is not to be presented again though its code would allow it."""
    found = _code(on, line)
    if found is None:
        return "Ask the bank what the code means first."
    if found.stops_plan and not on.lines["stopped"][line]:
        return f"An account was authorized anew on {day_text(on.lines['consent_on'][line])}."
    named = (on.lines["plan_id"][line], on.lines["line"][line])
    return "" if found.again and named not in (advice or on.advice(int(on.row_of_line[line]))).again_lines else found.action


def _again_words(on: Ground, line: int, row: int, tries: list[Try], *, advice: Advice | None = None) -> str:
    """Whether the draw may be presented again, and if not, why; `advice` is looked at in place of the row's own."""
    lines = on.lines
    if (lines["plan_id"][line], lines["line"][line]) in (advice or on.advice(row)).again_lines:
        found = _code(on, line)
        times = (found.again_times if found else 0) - sum(t.role in {"attempt", "failed"} for t in tries) + 1
        last = day_text(on.first_settled(line, tries) + (found.again_days if found else 0))
        often = {1: "once more", 2: "twice more"}.get(times, f"{times} times more")
        return f"Present {people_money(int(lines['amount'][line]))} again: it is still owed, and its code allows it {often}, until {last}."
    if not on.billed[lines["term"][line]]:
        return "Nothing is proposed before the term is billed."
    return f"Do not present it again: {_why_not_again(on, line, row)}."


def _why_not_again(on: Ground, line: int, row: int) -> str:
    if person_first(on, row):
        return DECIDES_FIRST
    if on.lines["stopped"][line]:
        return "the plan is under a stop until the family authorizes an account anew"
    if on.lines["held"][line] and on.lines["again"][line]:
        return "the bank must say first which draw came back"
    if not on.lines["again"][line]:
        found = _code(on, line)
        if found is None:
            return "nobody knows whether its code allows it"
        return "its tries or days are used up" if found.again else "its return code does not allow it"
    later = (on.at.book.line_plan == on.at.book.line_plan[line]) & (on.lines["draw_date"] > on.lines["draw_date"][line])
    if later.any() and not (later & (on.lines["line_status"] == "active")).any():
        return "the rest of the plan was cancelled"
    if int(on.plans["variance"][row]) >= -on.rules.plans.plan_tolerance:
        return "plan and bill agree without it"
    return "its whole amount is more than the plan is short by"


def _not_seen(on: Ground, payments: dict[int, int]) -> Iterator[Fact]:
    kind, lines = "no draw seen", on.lines
    for line in np.flatnonzero((lines["state"] == "not seen") & ~on.at.matching.undecided_lines).tolist():
        row = int(on.row_of_line[line])
        paid = _paid_outside(on, payments.get(line))
        words = on.line_words(line) | {
            "day": day_text(lines["window_end"][line]),
            "consequence": on.consequence(row),
            "more": f"; {paid}" if paid else "",
        }
        last = day_text(lines["late_end"][line])
        late = bool(on.today <= lines["late_end"][line])
        wait = f"It may still come until {last}: do not take it a second time." if late else ""
        payment, posted = payments.get(line), bool(on.lines["posted"][line])
        if posted:
            where = f"It stands as posted {_posted_where(on, line)}, so its money may have been taken"
            wait = f"{where}, or may still come until {last}" if late else where
            wait += ": nothing is drawn for it until that is known."
        alone = on.may_come[line] and on.advice(row).awaited == int(lines["amount"][line])
        said = proposal(on, row, awaited=not alone, advice=on.otherwise(line) if posted and not late else None)
        if payment is not None:
            holds = "If not, and it still comes, the proposal holds:" if late else "If not, the proposal holds:"
            said = (_ask_about_payment(on, payment, "stop this draw", said=said, otherwise=holds),)
        elif posted and not person_first(on, row):
            said = (FIND_OUT_FIRST, conditional("Only if it was not:", said))
        yield on.line_fact(
            kind,
            line,
            lines["amount"][line],
            int(lines["window_end"][line]),
            what=sentence(kind, **words),
            advice=(wait, *said),
            evidence=(*on.line_evidence(line), *_payment_evidence(on, payments.get(line))),
        )


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
        said = proposal(on, row)
        if back and not person_first(on, row):
            then = proposal(on, row, advice=on.otherwise(line)) if on.lines["held"][line] else said
            said = (
                *_part_actions(on, line, back),
                conditional("Only if a person decides that the rest is still to be drawn:", then),
            )
        yield on.line_fact(
            kind,
            line,
            otherwise[line],
            happened,
            what=sentence(kind, **words),
            advice=said,
            instead=bool(back),
            evidence=on.line_evidence(line, tries),
        )


def _came_back_in_part(on: Ground, tries: list[Try]) -> list[tuple[int, int]]:
    """Event and cents of each return that undid part of a draw whose rest stayed."""
    undoings = on.at.matching.undoings
    money = {t.event for t in tries if t.role == "money"}
    found = undoings[undoings["of"].isin(money)] if money else undoings.iloc[:0]
    rows = [(int(by), int(cents)) for by, _of, cents, _rule in found.itertuples(index=False) if on.events["outcome"][by] == "returned"]
    return sorted(rows, key=lambda row: (on.events["settled_on"][row[0]], on.events["reference"][row[0]], row[1]))


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
    method, returns = on.lines["method"][line], on.rules.returns
    codes = dict.fromkeys(str(on.events["return_code"][event]) for event, _cents in back)
    found = [returns.code(method, code) or returns.code("", code) for code in codes]
    return tuple(code.action if code is not None else "Ask the bank what the code means first." for code in found)


def came_late_or_early(on: Ground) -> Iterator[Fact]:
    """Draws whose money came after their window or before their draw date: for the record."""
    lines, settled = on.lines, on.states["settled_on"]
    here = np.isin(lines["state"], ["cleared", "part cleared"]) & (lines["line_status"] == "active")
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


def _probable_payments(on: Ground) -> dict[int, int]:
    """For failed and unseen lines the payment posting of exactly their amount, dated after the draw date: probably paid outside the plan.

    Out:     line to posting, both row positions; oldest line first, each payment once; none that was taken back or is a draw of the plan.
    """
    lines = on.lines
    wanted = np.flatnonzero(np.isin(lines["state"], ["failed", "not seen"])).tolist()
    if not wanted or not len(on.postings):
        return {}
    keys = {(lines["student_id"][at], lines["term"][at], int(lines["amount"][at])) for at in wanted}
    postings = on.postings
    used = set(on.at.ledger.loc[on.at.ledger["how"] == ANOTHER_KIND, "posting"].tolist())
    students = np.isin(postings["student_id"], list({key[0] for key in keys}))
    free: dict[tuple[str, str, int], list[tuple[int, int]]] = {}
    for at in sorted(
        np.flatnonzero(students & (postings["kind"] == "payment")).tolist(),
        key=lambda p: (postings["posted_on"][p], -postings["amount"][p]),
    ):
        cents = int(postings["amount"][at])
        key = (postings["student_id"][at], postings["term"][at], abs(cents))
        if key not in keys or at in used:
            continue
        if cents > 0:
            free.setdefault(key, []).append((int(postings["posted_on"][at]), at))
        elif free.get(key):
            free[key].pop()
    found: dict[int, int] = {}
    for line in sorted(wanted, key=lambda at: (lines["draw_date"][at], lines["plan_id"][at], lines["line"][at])):
        waiting = free.get((lines["student_id"][line], lines["term"][line], int(lines["amount"][line])), [])
        later = [entry for entry in waiting if entry[0] > lines["draw_date"][line]]
        if later:
            waiting.remove(later[0])
            found[line] = later[0][1]
    return found


def _paid_outside(on: Ground, posting: int | None) -> str:
    if posting is None:
        return ""
    amount, day = people_money(int(on.postings["amount"][posting])), day_text(on.postings["posted_on"][posting])
    return f"a payment of {amount} posted on {day} probably paid it outside the plan"


def _ask_about_payment(on: Ground, posting: int, stop: str, *, said: tuple[str, ...], otherwise: str) -> str:
    """What to ask where a payment probably paid the draw outside the plan, and what follows from each answer."""
    amount, day = people_money(int(on.postings["amount"][posting])), day_text(on.postings["posted_on"][posting])
    ask = f"Ask the family whether the payment of {amount} on {day} was for this draw. If yes, {stop} and leave the others as they are."
    holds = conditional(otherwise, said)
    return f"{ask} {holds}" if holds else ask


def _payment_evidence(on: Ground, posting: int | None) -> tuple[str, ...]:
    return () if posting is None else (on.postings.at(posting),)
