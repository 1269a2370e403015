"""Many plans with the same exception and the same amount have one cause: a fee posted to all, a date rule, a file that came late.

Such rows are told once, in a line of their own that leads them, so that nobody works two thousand rows one by one before asking why.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from reconcile.exception_facts import Fact
from reconcile.money import people_money

if TYPE_CHECKING:
    from collections.abc import Sequence

LEAST = 50
PERCENT = 2


def run_lines(facts: Sequence[Fact], plans: int) -> dict[int, Fact]:
    """The lines of common causes: the same kind, term and signed amount on more than 2 percent of plans and at least 50 of them.

    In:      all facts of the run, and how many plans there are.
    Out:     for the position of each fact under a common cause, the fact that leads it.
    """
    groups: defaultdict[tuple[str, str, int], list[int]] = defaultdict(list)
    for at, fact in enumerate(facts):
        if fact.student_id:
            groups[fact.kind, fact.term, fact.amount].append(at)
    found: dict[int, Fact] = {}
    for members in groups.values():
        if len(members) < LEAST:
            continue
        hit = len({(facts[at].student_id, facts[at].plan_id) for at in members})
        if hit >= LEAST and hit * 100 > plans * PERCENT:
            line = _line([facts[at] for at in members], hit, plans)
            found |= dict.fromkeys(members, line)
    return found


def _line(facts: Sequence[Fact], hit: int, plans: int) -> Fact:
    first = min(facts, key=lambda fact: (fact.student_id, fact.plan_id, fact.line, fact.about))
    amount = f" of {people_money(first.amount)} each, {people_money(first.amount * len(facts))} in all" if first.amount else ""
    term = f" in term {first.term}" if first.term else ""
    share = f"{hit * 100 // plans}" if plans else "0"
    what = (
        f"{hit:,} of {plans:,} plans ({share} percent) have the same exception{term}: {first.kind}{amount}. "
        f"One cause is likely. The first of them: {first.what}"
    )
    return Fact(
        kind=first.kind,
        term=first.term,
        student_id="",
        plan_id="",
        line="",
        amount=first.amount,
        happened=max((fact.happened for fact in facts if fact.happened is not None), default=None),
        what=what,
        advice=("Look for the one cause before working the rows below it one by one.",),
        evidence=first.evidence,
        about=f"common cause {first.amount}",
        calm=all(fact.calm for fact in facts),
        soon=any(fact.soon for fact in facts),
    )
