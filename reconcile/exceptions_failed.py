"""Failed draws: those whose last attempt came back unpaid, and what is done about each.

What follows depends on the code, on what later draws already carry, and on who has to speak first: the family, as a rule; the bank, where
it is not sure which draw came back; the bursar, where the family disputes the draw.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reconcile.exception_advice import conditional, proposal, stray_return
from reconcile.exception_facts import ASK_BANK_FIRST, day_text, sentence
from reconcile.late_returns import late_words
from reconcile.money import people_money
from reconcile.present_again import again_words, came_back, code_action, last_again
from reconcile.probable_payments import ask_about_payment, paid_outside, payment_evidence

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from reconcile.exception_facts import Fact
    from reconcile.exception_ground import Ground
    from reconcile.present_again import CameBack
    from reconcile.probable_payments import Payment

THEN_THE_FAMILY = "Contact the family once that is known."
THEN_THE_BURSAR = "Contact the family only once the bursar has decided."


def failed_draws(on: Ground, payments: Mapping[int, Payment]) -> Iterator[Fact]:
    """Facts of all failed draws.

    In:      the ground of the run; `probable_payments`.
    Rules:   returns.toml
    """
    kind, lines = "failed draw", on.lines
    for line in on.likely[lines["state"].are("failed")[on.likely]].tolist():
        draw, payment, told = came_back(on, line), payments.get(line), _disputed(on, line)
        last = draw.back[-1].settled
        words = on.line_words(line) | {
            "day": day_text(last),
            "code": on.code_words(lines["method"][line], lines["return_code"][line]),
            "came_back": _came_back(on, draw),
            "consequence": on.consequence(draw.row),
            "more": "".join(f"; {note}" for note in _notes(on, draw, payment, told) if note),
        }
        yield on.line_fact(
            kind,
            line,
            lines["amount"][line],
            last,
            what=sentence(kind, **words),
            advice=(stray_return(on, draw.row) if draw.is_again(draw.advice) else "", *_failed_advice(on, draw, payment)),
            instead=_family_waits(on, draw, payment, told),
            before=last_again(on, draw) if _may_be_again(on, draw) else None,
            evidence=(
                *on.line_evidence(line, draw.tries),
                *(on.events.at(event) for event in told),
                *_named_evidence(on, draw),
                *payment_evidence(payment),
            ),
        )


def _notes(on: Ground, draw: CameBack, payment: Payment | None, told: list[int]) -> Iterator[str]:
    """What else the sentence says; `told`: returns of the draw that the banks dispute."""
    yield paid_outside(payment)
    yield late_words(on, [t.event for t in reversed(draw.back)], on.lines["method"][draw.line])
    yield _doubt(on, draw)
    if told:
        yield f"the banks dispute the return ({on.events['return_code'][told[-1]]} of {on.settled_text(told[-1])})"


def _doubt(on: Ground, draw: CameBack) -> str:
    """Why the bank must say first which draw a return speaks of; "" where no return is in doubt."""
    doubted = [t.event for t in draw.back if on.in_doubt[t.event]]
    if not doubted:
        return ""
    if any(on.at.matching.misnamed[event] for event in doubted):
        named = next(event for event in doubted if on.at.matching.misnamed[event])
        return f"the return names {on.named_words(named)}"
    more = sum(int(on.at.matching.unplaced[event]) for event in doubted)
    return f"the return was of {people_money(more)} more than was left of the draw"


def _named_evidence(on: Ground, draw: CameBack) -> tuple[str, ...]:
    """Where the events stand that returns in doubt name."""
    return tuple(place for t in draw.back if on.at.matching.misnamed[t.event] for place in on.named_evidence(t.event))


def _came_back(on: Ground, draw: CameBack) -> str:
    """What happened at the last: a bank's return, a decline (the card never paid), or a chargeback (the card's return)."""
    if draw.code is not None and draw.code.klass == "chargeback":
        return "was charged back"
    returned = any(t.role == "return" for t in draw.tries)
    return "came back" if returned or on.lines["method"][draw.line] != "card" else "was declined"


def _failed_advice(on: Ground, draw: CameBack, payment: Payment | None) -> tuple[str, ...]:
    """Present it again or not, what the code asks for, and the proposal, as far as nothing must be asked first."""
    line, row = draw.line, draw.row
    said = proposal(on, row, again=False)
    named = draw.is_again(draw.advice)
    if payment is not None:
        again = (again_words(on, draw),) if named else ()
        asked = ask_about_payment(payment, "do not present it again", said=(*again, *said), otherwise="Only if it was not:")
        return (asked, "" if named else again_words(on, draw), code_action(on, draw))
    if draw.first:
        then = THEN_THE_BURSAR if draw.bursar_first else THEN_THE_FAMILY
        waits = (then,) if _family_waits(on, draw, payment, _disputed(on, line)) else ()
        return (again_words(on, draw), code_action(on, draw), *said, *waits)
    if _asks_bank_first(on, draw):
        return _bank_first(on, draw)
    settled = abs(int(on.plans["variance"][row])) <= on.rules.plans.plan_tolerance and on.billed[on.lines["term"][line]]
    if on.lines["held"][line] and not settled:
        unknown = draw.code is None
        condition = "Only if the account may be drawn again:" if unknown else "Only if a person decides that it is still to be drawn:"
        otherwise = proposal(on, row, again=False, advice=on.otherwise(line))
        first = "" if unknown else again_words(on, draw)
        return (first, code_action(on, draw), conditional(condition, otherwise), THEN_THE_FAMILY if unknown else "")
    if not said and not named and settled:
        return (again_words(on, draw), "Nothing to collect: later draws already carry it. Close the item.")
    waits = (THEN_THE_BURSAR,) if draw.bursar_first else ()
    return (again_words(on, draw), code_action(on, draw), *said, *waits)


def _family_waits(on: Ground, draw: CameBack, payment: Payment | None, told: list[int]) -> bool:
    """Whether the office's first step, to speak with the family, has to wait: the bank, or a person of the office, speaks first."""
    if payment is not None:
        return False
    if draw.bursar_first:
        return True
    if on.lines["stopped"][draw.line]:
        return False
    return bool(told) or (not draw.first and (draw.code is None or _asks_bank_first(on, draw)))


def _asks_bank_first(on: Ground, draw: CameBack) -> bool:
    """Whether the draw waits for the bank's word on which draw came back; not where the code itself leaves the decision to a person."""
    known = draw.code is not None and not draw.code.left_to_a_person
    return bool(known and on.lines["held"][draw.line] and _doubt(on, draw))


def _may_be_again(on: Ground, draw: CameBack) -> bool:
    """Whether the draw is to be presented again, now or once the bank has said which draw came back."""
    return draw.is_again(draw.advice) or (_asks_bank_first(on, draw) and draw.is_again(on.otherwise(draw.line)))


def _bank_first(on: Ground, draw: CameBack) -> tuple[str, ...]:
    """Ask the bank which draw came back; only its answer lets the draw be presented again or spread."""
    then = on.otherwise(draw.line)
    said = (
        (again_words(on, draw, advice=then), code_action(on, draw, advice=then))
        if draw.is_again(then)
        else proposal(on, draw.row, again=False, advice=then)
    )
    wait = "Until it has answered, do not present this draw again and do not spread it over other draws."
    then_only = conditional("Only if it was this draw:", tuple(part for part in said if part))
    return (f"{ASK_BANK_FIRST} which draw came back: {_doubt(on, draw)}.", wait, then_only, THEN_THE_FAMILY)


def _disputed(on: Ground, line: int) -> list[int]:
    """Dishonored or contested returns of the line's plan and amount."""
    return [
        at
        for at in on.told_events  # as a rule none
        if on.money["student_id"][at] == on.lines["student_id"][line]
        and on.events["plan_id"][at] in {"", on.lines["plan_id"][line]}
        and on.events["amount"][at] in {on.lines["amount"][line], on.lines["gross"][line]}
    ]
