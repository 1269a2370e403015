"""Failed draws: those whose last attempt came back unpaid, and what is done about each.

What follows depends on the code, on what later draws already carry, and on who has to speak first: the family, as a rule; the bank, where
it is not sure which draw came back; the bursar, where the family disputes the draw.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.exception_advice import bursar_first, conditional, person_first, proposal, stray_return
from reconcile.exception_facts import ASK_BANK_FIRST, day_text, sentence
from reconcile.late_returns import late_words
from reconcile.money import people_money
from reconcile.present_again import again_words, code_action, code_of, is_again, last_again
from reconcile.probable_payments import ask_about_payment, paid_outside, payment_evidence

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.exception_facts import Fact
    from reconcile.exception_ground import Ground, Try

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
            advice=(
                stray_return(on, row) if on.stray and is_again(on, line, on.advice(row)) else "",
                *_failed_advice(on, line, row, tries, payments.get(line)),
            ),
            instead=_family_waits(on, line, row, tries, payments.get(line)),
            before=last_again(on, line, tries) if _may_be_again(on, line, row, tries) else None,
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
    found = code_of(on, line)
    if found is not None and found.klass == "chargeback":
        return "was charged back"
    return "came back" if any(t.role == "return" for t in tries) or on.lines["method"][line] != "card" else "was declined"


def _failed_advice(on: Ground, line: int, row: int, tries: list[Try], payment: int | None) -> tuple[str, ...]:
    """Present it again or not, what the code asks for, and the proposal, as far as nothing must be asked first."""
    said = proposal(on, row, again=False)
    named = is_again(on, line, on.advice(row))
    if payment is not None:
        again = (again_words(on, line, row, tries),) if named else ()
        asked = ask_about_payment(on, payment, "do not present it again", said=(*again, *said), otherwise="If not, the proposal holds:")
        return (asked, "" if named else again_words(on, line, row, tries), code_action(on, line))
    if person_first(on, row):
        then = THEN_THE_BURSAR if bursar_first(on, line) else THEN_THE_FAMILY
        waits = (then,) if _family_waits(on, line, row, tries, payment) else ()
        return (again_words(on, line, row, tries), code_action(on, line), *said, *waits)
    if _asks_bank_first(on, line, tries):
        return _bank_first(on, line, row, tries)
    settled = abs(int(on.plans["variance"][row])) <= on.rules.plans.plan_tolerance and on.billed[on.lines["term"][line]]
    if on.lines["held"][line] and not settled:
        unknown = code_of(on, line) is None
        condition = "Only if the account may be drawn again:" if unknown else "Only if a person decides that it is still to be drawn:"
        otherwise = proposal(on, row, again=False, advice=on.otherwise(line))
        first = "" if unknown else again_words(on, line, row, tries)
        return (first, code_action(on, line), conditional(condition, otherwise), THEN_THE_FAMILY if unknown else "")
    if not said and not named and settled:
        return (again_words(on, line, row, tries), "Nothing to collect: later draws already carry it. Close the item.")
    waits = (THEN_THE_BURSAR,) if bursar_first(on, line) else ()
    return (again_words(on, line, row, tries), code_action(on, line), *said, *waits)


def _family_waits(on: Ground, line: int, row: int, tries: list[Try], payment: int | None) -> bool:
    """Whether the office's first step, to speak with the family, has to wait: the bank, or a person of the office, speaks first."""
    if payment is not None:
        return False
    if bursar_first(on, line):
        return True
    if on.lines["stopped"][line]:
        return False
    return bool(_disputed(on, line)) or (not person_first(on, row) and (code_of(on, line) is None or _asks_bank_first(on, line, tries)))


def _asks_bank_first(on: Ground, line: int, tries: list[Try]) -> bool:
    """Whether the draw waits for the bank's word on which draw came back; not where the code itself leaves the decision to a person."""
    if not on.lines["held"][line]:
        return False
    found = code_of(on, line)
    known = found is not None and not found.left_to_a_person
    return bool(known and _doubt(on, [t for t in tries if t.role in {"return", "failed"}]))


def _may_be_again(on: Ground, line: int, row: int, tries: list[Try]) -> bool:
    """Whether the draw is to be presented again, now or once the bank has said which draw came back."""
    return is_again(on, line, on.advice(row)) or (_asks_bank_first(on, line, tries) and is_again(on, line, on.otherwise(line)))


def _bank_first(on: Ground, line: int, row: int, tries: list[Try]) -> tuple[str, ...]:
    """Ask the bank which draw came back; only its answer lets the draw be presented again or spread."""
    then = on.otherwise(line)
    named = is_again(on, line, then)
    said = (
        (again_words(on, line, row, tries, advice=then), code_action(on, line, advice=then))
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
