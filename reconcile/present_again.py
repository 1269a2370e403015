"""Whether a draw that came back may be presented again, until when, and what its return code asks for: the words of a failed draw's advice.

A bank lets some draws be presented a few times more within a set time after the first try; other codes forbid it, stop the whole plan, or
leave it to a person. The rules say which code does what (`returns.toml`); a code that they do not list allows nothing until the bank was
asked.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from reconcile.exception_advice import DISPUTED, person_first
from reconcile.exception_facts import DECIDES_FIRST, day_text
from reconcile.money import people_money
from reconcile.states import CAME_BACK

if TYPE_CHECKING:
    from reconcile.exception_ground import Ground
    from reconcile.exception_tries import Try
    from reconcile.policy_models import ReturnCode
    from reconcile.proposals import Advice

FAILED_ROLES = frozenset({"attempt", "failed"})
"""Roles of events that were tries at a draw without bringing money that stayed."""


class CameBack(NamedTuple):
    """A failed draw, with all that its advice asks for again and again: looked up once.

    line, row:  its position, and that of its student and term in the table of plans. name: its plan and line.
    tries:      all events on it, oldest first. back: those that came back.
    code:       what the rules say of the code with which it came back; None where they do not list it.
    advice:     that of the row. first: why a person decides before anything is proposed, "" if the engine may propose.
    """

    line: int
    row: int
    name: tuple[str, str]
    tries: list[Try]
    back: list[Try]
    code: ReturnCode | None
    advice: Advice
    first: str

    @property
    def bursar_first(self) -> bool:
        """Whether the family disputes the draw: the bursar speaks first, and nobody asks the family for the money."""
        return self.code is not None and self.code.klass in DISPUTED

    def is_again(self, advice: Advice) -> bool:
        """Whether that advice is to present the draw again."""
        return self.name in advice.again_lines


def came_back(on: Ground, line: int) -> CameBack:
    """The failed draw of a line."""
    lines, row, tries = on.lines, int(on.row_of_line[line]), on.tries(line)
    return CameBack(
        line=line,
        row=row,
        name=(lines["plan_id"][line], lines["line"][line]),
        tries=tries,
        back=[t for t in tries if t.role in CAME_BACK],
        code=on.return_code(lines["method"][line], lines["return_code"][line]),
        advice=on.advice(row),
        first=person_first(on, row),
    )


def consents(on: Ground, line: int) -> list[int]:
    """The days up to today on which the family authorized an account for the line's plan, whichever of its lines says so; at least one."""
    own, enrolled = on.lines["consent_on"], int(on.lines["enrolled_on"][line])
    return sorted({enrolled, *(int(own[at]) for at in on.lines_of_plan(line) if own[at] <= on.today)})


def authorized_between(on: Ground, line: int, back: int, taken: int) -> bool:
    """Whether the family authorized an account for the plan after a return, by the day on which the next try was taken."""
    return any(back < day <= taken for day in consents(on, line))


def code_action(on: Ground, draw: CameBack, *, advice: Advice | None = None) -> str:
    """What the rules say is done after the code; nothing where the draw is not to be presented again though its code would allow it.

    In:      `advice` is looked at in place of that of the line's row.
    """
    found = draw.code
    if found is None:
        return "Ask the bank what the code means first."
    if found.stops_plan and not on.lines["stopped"][draw.line]:
        return f"An account was authorized anew on {day_text(consents(on, draw.line)[-1])}."
    return "" if found.again and not draw.is_again(advice or draw.advice) else found.action


def again_words(on: Ground, draw: CameBack, *, advice: Advice | None = None) -> str:
    """Whether the draw may be presented again, and if not, why; `advice` is looked at in place of the row's own."""
    lines, line = on.lines, draw.line
    if draw.is_again(advice or draw.advice):
        times = (draw.code.again_times if draw.code else 0) - sum(t.role in FAILED_ROLES for t in draw.tries) + 1
        last = day_text(last_again(on, draw))
        often = {1: "once more", 2: "twice more"}.get(times, f"{times} times more")
        return f"Present {people_money(lines['amount'][line])} again: it is still owed, and its code allows it {often}, until {last}."
    if not on.billed[lines["term"][line]]:
        return "Nothing is proposed before the term is billed."
    return f"Do not present it again: {_why_not_again(on, draw)}."


def last_again(on: Ground, draw: CameBack) -> int:
    """The last day on which its code lets the draw be presented again, counted from the day on which its first try settled."""
    return on.first_settled(draw.line, draw.tries) + (draw.code.again_days or 0 if draw.code else 0)


def _why_not_again(on: Ground, draw: CameBack) -> str:
    lines, line = on.lines, draw.line
    if draw.first:
        return DECIDES_FIRST
    if lines["stopped"][line]:
        return "the plan is under a stop until the family authorizes an account anew"
    if lines["held"][line] and lines["again"][line]:
        return "the bank must say first which draw came back"
    if not lines["again"][line]:
        if draw.code is None:
            return "nobody knows whether its code allows it"
        return "its tries or days are used up" if draw.code.again else "its return code does not allow it"
    later = [at for at in on.lines_of_plan(line) if lines["draw_date"][at] > lines["draw_date"][line]]
    if later and not any(lines["line_status"][at] == "active" for at in later):
        return "the rest of the plan was cancelled"
    if int(on.plans["variance"][draw.row]) >= -on.rules.plans.plan_tolerance:
        return "plan and bill agree without it"
    return "its whole amount is more than the plan is short by"
