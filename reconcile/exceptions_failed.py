"""Failed draws: those whose last attempt came back unpaid, and what is done about each.

What follows depends on the code, on what later draws already carry, and on who has to speak first: the family, as a rule; the bank, where
it is not sure which draw came back; the bursar, where the family disputes the draw.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.exception_advice import bursar_first, conditional, person_first, proposal
from reconcile.exception_facts import ASK_BANK_FIRST, DECIDES_FIRST, day_text, sentence
from reconcile.late_returns import late_words
from reconcile.money import people_money
from reconcile.probable_payments import ask_about_payment, paid_outside, payment_evidence

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.exception_facts import Fact, Ground, Try
    from reconcile.policy_models import ReturnCode
    from reconcile.proposals import Advice

THEN_THE_FAMILY = "Contact the family once that is known."
THEN_THE_BURSAR = "Contact the family only once the bursar has decided."


def failed_draws(on: Ground, payments: dict[int, int]) -> Iterator[Fact]:
    """Facts of all failed draws.

    In:      the ground of the run; `probable_payments`.
    Rules:   returns.toml
    """
    kind = "failed draw"
    for line in np.flatnonzero(on.lines["state"] == "failed").tolist():
        row, tries = int(on.row_of_line[line]), on.tries(line)
        back = [t for t in tries if t.role in {"return", "failed"}]
        method, code = on.lines["method"][line], on.lines["return_code"][line]
        notes = [paid_outside(on, payments.get(line))]
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
            evidence=(*evidence, *payment_evidence(on, payments.get(line))),
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
        asked = ask_about_payment(on, payment, "do not present it again", said=(*again, *said), otherwise="If not, the proposal holds:")
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
