"""Whether a draw that came back may be presented again, until when, and what its return code asks for: the words of a failed draw's advice.

A bank lets some draws be presented a few times more within a set time after the first try; other codes forbid it, stop the whole plan, or
leave it to a person. The rules say which code does what (`returns.toml`); a code that they do not list allows nothing until the bank was
asked.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reconcile.exception_advice import person_first
from reconcile.exception_facts import DECIDES_FIRST, day_text
from reconcile.money import people_money

if TYPE_CHECKING:
    from reconcile.exception_ground import Ground, Try
    from reconcile.policy_models import ReturnCode
    from reconcile.proposals import Advice


def code_of(on: Ground, line: int) -> ReturnCode | None:
    """What the rules say of the code with which a line came back."""
    return on.code(on.lines["method"][line], on.lines["return_code"][line])


def code_action(on: Ground, line: int, *, advice: Advice | None = None) -> str:
    """What the rules say is done after the code; nothing where the draw is not to be presented again though its code would allow it.

    In:      `advice` is looked at in place of that of the line's row.
    """
    found = code_of(on, line)
    if found is None:
        return "Ask the bank what the code means first."
    if found.stops_plan and not on.lines["stopped"][line]:
        return f"An account was authorized anew on {day_text(on.lines['consent_on'][line])}."
    looked_at = advice or on.advice(int(on.row_of_line[line]))
    return "" if found.again and not is_again(on, line, looked_at) else found.action


def again_words(on: Ground, line: int, row: int, tries: list[Try], *, advice: Advice | None = None) -> str:
    """Whether the draw may be presented again, and if not, why; `advice` is looked at in place of the row's own."""
    lines = on.lines
    if is_again(on, line, advice or on.advice(row)):
        found = code_of(on, line)
        times = (found.again_times if found else 0) - sum(t.role in {"attempt", "failed"} for t in tries) + 1
        last = day_text(last_again(on, line, tries))
        often = {1: "once more", 2: "twice more"}.get(times, f"{times} times more")
        return f"Present {people_money(int(lines['amount'][line]))} again: it is still owed, and its code allows it {often}, until {last}."
    if not on.billed[lines["term"][line]]:
        return "Nothing is proposed before the term is billed."
    return f"Do not present it again: {_why_not_again(on, line, row)}."


def is_again(on: Ground, line: int, advice: Advice) -> bool:
    """Whether that advice is to present the draw again."""
    return (on.lines["plan_id"][line], on.lines["line"][line]) in advice.again_lines


def last_again(on: Ground, line: int, tries: list[Try]) -> int:
    """The last day on which its code lets the draw be presented again, counted from the day on which its first try settled."""
    found = code_of(on, line)
    return on.first_settled(line, tries) + (found.again_days or 0 if found else 0)


def _why_not_again(on: Ground, line: int, row: int) -> str:
    if person_first(on, row):
        return DECIDES_FIRST
    if on.lines["stopped"][line]:
        return "the plan is under a stop until the family authorizes an account anew"
    if on.lines["held"][line] and on.lines["again"][line]:
        return "the bank must say first which draw came back"
    if not on.lines["again"][line]:
        found = code_of(on, line)
        if found is None:
            return "nobody knows whether its code allows it"
        return "its tries or days are used up" if found.again else "its return code does not allow it"
    later = (on.at.book.line_plan == on.at.book.line_plan[line]) & (on.lines["draw_date"] > on.lines["draw_date"][line])
    if later.any() and not (later & (on.lines["line_status"] == "active")).any():
        return "the rest of the plan was cancelled"
    if int(on.plans["variance"][row]) >= -on.rules.plans.plan_tolerance:
        return "plan and bill agree without it"
    return "its whole amount is more than the plan is short by"
