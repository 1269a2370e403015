"""Draws presented again more often, or later, than the code of the return before allows.

A bank lets a draw that came back for lack of funds be presented a few times more, within a set time after the first try. A try beyond that
can cost the family a fee and the college its standing with the bank, whether or not it brought the money. Each try is judged by the code of
the return before it; where the rules do not list that code, nobody can say. A stop code that forbids the whole plan is told by itself
(`drawn after a stop`). A try after the family authorized an account anew presents nothing again: it is a first try.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from reconcile.events import NOBODY
from reconcile.exception_advice import proposal
from reconcile.exception_facts import day_text, sentence
from reconcile.money import people_money
from reconcile.present_again import authorized_between

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.exception_facts import Fact
    from reconcile.exception_ground import Ground
    from reconcile.exception_tries import Try
    from reconcile.policy_models import ReturnCode

KIND = "presented too often"
FAILED_ROLES = ("attempt", "failed")


class Beyond(NamedTuple):
    """A try that its code did not allow: the line, the words for what was done and what is allowed, the code, the day."""

    line: int
    times: str
    allowed: str
    code: str
    day: int


def presented_too_often(on: Ground, told: set[tuple[str, str]]) -> Iterator[Fact]:
    """Draws with a try on their line that was one too many, or too late.

    In:      the ground of the run; plans and lines that are told already as drawn after a stop.
    Rules:   returns.toml again, again_times, again_days
    """
    lines = on.lines
    for line in np.flatnonzero(on.states["attempts"] >= 2).tolist():
        tries = on.tries(line)
        if (lines["plan_id"][line], lines["line"][line]) in told:
            continue
        found = _beyond(on, line, tries)
        if found is None:
            continue
        row = int(on.row_of_line[line])
        yield on.line_fact(
            KIND,
            line,
            lines["amount"][line],
            found.day,
            what=sentence(KIND, **words_of(on, found, int(lines["cleared"][line]))),
            advice=proposal(on, row, again=False),
            evidence=on.line_evidence(line, tries),
        )


def words_of(on: Ground, found: Beyond, in_hand: int) -> dict[str, object]:
    """The gaps of the kind's sentence; cents in hand of the draw."""
    return on.line_words(found.line) | {
        "times": found.times,
        "code": on.code_words(on.lines["method"][found.line], found.code),
        "allowed": found.allowed,
        "in_hand": f"{people_money(in_hand)} of it is" if in_hand else "none of it is",
        "consequence": on.consequence(int(on.row_of_line[found.line])),
    }


def _beyond(on: Ground, line: int, tries: list[Try]) -> Beyond | None:
    """The first try on the line that the code of the return before it did not allow."""
    backs = [t for t in tries if t.role in {"return", "failed"}]
    attempts = [t for t in tries if t.role in FAILED_ROLES]
    if not backs or not attempts:  # only part of money that stayed came back: nothing was tried again
        return None
    money = [t for t in tries if t.role == "money" and t.settled >= backs[0].settled]
    later = sorted([*attempts[1:], *money[:1]], key=lambda t: t.settled)
    for first, again in _series(on, line, backs, later, on.first_settled(line, attempts)):
        for number, attempt in enumerate(again, start=1):
            code = _code_before(on, backs, attempt)
            found = rule_of(on, line, code)
            if found is None:
                continue
            if number > found.again_times:
                allowed = f"it {_times(found.again_times)}" if found.again_times else "no second try"
                return Beyond(line, _times(len(again)), allowed, code, again[-1].settled)
            if attempt.settled - first > found.again_days:
                return too_late(line, code, attempt.settled, attempt.settled - first, found)
    return None


def _series(on: Ground, line: int, backs: list[Try], later: list[Try], first: int) -> list[tuple[int, list[Try]]]:
    """Tries after the first one by what they present again: the day of a first try, and the tries that presented it again."""
    series: list[tuple[int, list[Try]]] = [(first, [])]
    for attempt in later:
        before = _before(backs, attempt)
        if before and authorized_between(on, line, before[-1].settled, taken_day(on, line, attempt)):
            series.append((attempt.settled, []))
        else:
            series[-1][1].append(attempt)
    return series


def taken_day(on: Ground, line: int, attempt: Try) -> int:
    """The day on which a later attempt was taken: its settlement less the method's lag."""
    lag = on.rules.matching.settlement_lag.days(on.lines["method"][line])
    return int(on.days.add_numbers(np.array([attempt.settled], dtype=np.int64), -lag)[0])


def rule_of(on: Ground, line: int, code: str) -> ReturnCode | None:
    """What the rules say of a code on that line; None where they do not list it."""
    return on.return_code(on.lines["method"][line], code)


def too_late(line: int, code: str, day: int, days: int, rule: ReturnCode) -> Beyond:
    """A try so many days after the first one, which the code no longer allows."""
    return Beyond(line, f"on {day_text(day)}, {days} days after it was first taken", f"it for {rule.again_days} days", code, day)


def _code_before(on: Ground, backs: list[Try], attempt: Try) -> str:
    """The code of the last return before a try."""
    before = _before(backs, attempt)
    return str(on.events["return_code"][before[-1].event]) if before else ""


def _before(backs: list[Try], attempt: Try) -> list[Try]:
    """The returns before a try; those of the same day only where none came on an earlier day."""
    earlier = [t for t in backs if t.settled < attempt.settled]
    return earlier or [t for t in backs if t.settled == attempt.settled and t.event != attempt.event]


def late_try(on: Ground, event: int) -> Beyond | None:
    """Whether money on no line is a failed draw of its amount presented again, too late for its line.

    Out:     the oldest such line of the event's plan (or student) and amount, card fee in or out, whose code lets it be presented again and
             whose days had ended; None if there is none.
    """
    lines, plan = on.lines, int(on.at.owners.plan[event])
    own = on.at.book.line_plan == plan if plan != NOBODY else on.at.book.line_student == on.at.owners.student[event]
    amount, settled = on.events["amount"][event], int(on.events["settled_on"][event])
    fits = own & lines["state"].are("failed") & ((lines["amount"] == amount) | (lines["gross"] == amount))
    for line in sorted(np.flatnonzero(fits).tolist(), key=on.line_order):
        code = str(lines["return_code"][line])
        found = rule_of(on, line, code)
        tries = on.tries(line)
        first, backs = on.first_settled(line, tries), [t.settled for t in tries if t.role in {"return", "failed"}]
        anew = authorized_between(on, line, max(backs, default=settled), settled)
        if found is not None and found.again and not anew and settled - first > found.again_days:
            return too_late(line, code, settled, settled - first, found)
    return None


def _times(count: int) -> str:
    """A number of times in words.

    >>> _times(1), _times(2), _times(3)
    ('once', 'twice', '3 times')
    """
    return {1: "once", 2: "twice"}.get(count, f"{count} times")
