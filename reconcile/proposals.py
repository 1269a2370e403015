"""What the remaining draws should become, so that they meet the balance that remains and no family's money is drawn twice.

Money that is still to come by another way is taken out first: draws that may yet be seen, draws of which a person must find out first
what became of their money, and aid that is only late (*awaited*), failed draws that may be presented again (*again*), draws in transit and
those too near for a notice (*kept*). What then remains is shared by the lines that can still change. What they cannot take is *to
collect* otherwise; what is too much is *to give back* (money already here) and *to stop*.

A proposal is advice: the college's own policy, the notice duty for a changed draw and the bank's rules decide.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from reconcile.money import split_equal
from reconcile.notices import in_time

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.money import SplitRule


class PlanLine(NamedTuple):
    """One line as far as a proposal looks at it. Cents; days are day numbers."""

    plan: str
    number: tuple[int, int, str]
    kind: str
    draw_date: int
    amount: int
    state: str
    active: bool
    on_bill: bool
    may_come: bool
    """Whether the line was not seen and its money may still come, or was taken already: late money is in time, or it stands posted."""
    held: int
    """Cents of it that came back and that a person decides about first."""
    again: bool
    """Whether the line failed and its code lets it be presented again today."""


class Advice(NamedTuple):
    """What to do about one student's plan of a term. Cents, all at least zero.

    `draws`: (draw date, old amount, new amount, plan, line name) of the lines in proposed_draws, in date order; `notice_for` the first
    draw date that changes without being stopped, or None; `first_changeable` where something is proposed the first draw date that can still
    change with notice, or None. `held`: as much of awaited as waits for a person.
    """

    again: int = 0
    awaited: int = 0
    kept: int = 0
    to_give_back: int = 0
    to_stop: int = 0
    to_collect: int = 0
    draws: tuple[tuple[int, int, int, str, str], ...] = ()
    notice_for: int | None = None
    first_changeable: int | None = None
    held: int = 0
    again_lines: tuple[tuple[str, str], ...] = ()

    @property
    def proposed(self) -> int:
        """Sum of the proposed draws."""
        return sum(new for _day, _old, new, _plan, _line in self.draws)


class Situation(NamedTuple):
    """One student's plan of a term on the as-of day. Cents; days are day numbers."""

    lines: Sequence[PlanLine]
    stopped: frozenset[str]
    """Plans under a stop code."""
    billed: bool
    undecided: bool
    """Money that could be read in more than one way, a dishonored or contested return, or a rejected row: a person decides first."""
    variance: int
    balance_to_meet: int
    balance_now: int
    lapsed: int
    """Aid that stood at the baseline and lapsed since."""
    today: int


class AdviceRules(NamedTuple):
    """Rule values that proposals need."""

    notice_days: int
    plan_tolerance: int
    split: SplitRule


def advise(at: Situation, rules: AdviceRules) -> Advice:
    """Say what the remaining draws of one student's plan should become.

    Out:     Advice. Where draws are proposed: again + awaited + kept + proposed = balance_to_meet + to_give_back + to_stop - to_collect,
             each from its own formula.
    Rules:   plans.toml notice_days, plan_tolerance, split
    """
    stops = [(line, 0) for line in _pending_of_stopped(at)] if at.stopped else []
    if not at.billed:
        return Advice(draws=_told(stops))
    awaited, held = _awaited(at)
    if at.undecided:
        return Advice(awaited=awaited, held=held, draws=_told(stops))
    again_lines = _again_lines(at, max(0, -at.variance - awaited))
    again = sum(line.amount for line in again_lines)
    told = tuple((line.plan, line.number[2]) for line in again_lines)
    if abs(at.variance + again + awaited) <= rules.plan_tolerance and not stops:
        return Advice(again=again, awaited=awaited, held=held, again_lines=told)
    free = [line for line in at.lines if line.state == "pending" and line.on_bill and line.plan not in at.stopped]
    kept_lines = [line for line in free if line.kind == "fee" or not in_time(at.today, line.draw_date, rules.notice_days)]
    kept = sum(line.amount for line in kept_lines)
    kept += sum(line.amount for line in at.lines if line.state == "in transit" and line.on_bill)
    change = _ordered([line for line in free if line not in kept_lines])
    rest = at.balance_to_meet - again - awaited - kept
    amounts, to_collect = _new_amounts(at, change, max(rest, 0), rules.split)
    excess = max(-rest, 0)
    give_back = min(excess, max(0, -at.balance_now))
    draws = list(zip(change, amounts, strict=True))
    changed = [line.draw_date for line, new in draws if line.amount != new]
    return Advice(
        again=again,
        awaited=awaited,
        held=held,
        kept=kept,
        to_give_back=give_back,
        to_stop=excess - give_back,
        to_collect=to_collect,
        draws=_told([*draws, *stops]),
        notice_for=min(changed, default=None),
        first_changeable=change[0].draw_date if change else None,
        again_lines=told,
    )


def _told(draws: list[tuple[PlanLine, int]]) -> tuple[tuple[int, int, int, str, str], ...]:
    ordered = sorted(draws, key=lambda draw: (draw[0].draw_date, draw[0].plan, draw[0].number))
    return tuple((line.draw_date, line.amount, new, line.plan, line.number[2]) for line, new in ordered)


def _ordered(lines: Sequence[PlanLine]) -> list[PlanLine]:
    return sorted(lines, key=lambda line: (line.draw_date, line.plan, line.number)) if len(lines) > 1 else list(lines)


def _pending_of_stopped(at: Situation) -> list[PlanLine]:
    return [line for line in at.lines if line.state == "pending" and line.plan in at.stopped]


def _awaited(at: Situation) -> tuple[int, int]:
    """Draws not seen whose money may still come; then, as far as the plan is short, what waits for a person and aid that is only late.

    Out:     (all of it, what waits for a person).
    """
    draws = sum(line.amount for line in at.lines if line.may_come and line.on_bill)
    short = max(0, -at.variance - draws)
    held = min(sum(line.held for line in at.lines if line.on_bill), short)
    return draws + held + min(at.lapsed, short - held), held


def _again_lines(at: Situation, room: int) -> list[PlanLine]:
    """Failed lines to be presented again: oldest first, each only if its whole amount fits in what the plan is short by."""
    chosen = []
    for line in _ordered([line for line in at.lines if line.again and line.state == "failed" and line.on_bill]):
        if not line.held and line.plan not in at.stopped and line.amount <= room and not _rest_cancelled(line, at):
            chosen.append(line)
            room -= line.amount
    return chosen


def _rest_cancelled(line: PlanLine, at: Situation) -> bool:
    """Whether the plan has later lines, all of them cancelled: the plan was ended."""
    later = [other for other in at.lines if other.plan == line.plan and other.draw_date > line.draw_date]
    return bool(later) and not any(other.active for other in later)


def _new_amounts(at: Situation, change: list[PlanLine], wanted: int, split: SplitRule) -> tuple[list[int], int]:
    """New amounts of the lines that can change, which share the difference equally; and what they cannot take."""
    old = [line.amount for line in change]
    difference = wanted - sum(old)
    if difference < 0:
        return _lower(old, -difference, split), 0
    holds_stopped = any(
        line.plan in at.stopped and line.active and line.kind != "fee" and line.state not in {"cleared", "part cleared", "cancelled"}
        for line in at.lines
    )
    if holds_stopped:
        return old, difference
    shares = split_equal(difference, len(old), split) if old else []
    new = [min(line.amount + share, max(line.amount, 2 * _largest_draw(at, line.plan))) for line, share in zip(change, shares, strict=True)]
    return new, wanted - sum(new)


def _largest_draw(at: Situation, plan: str) -> int:
    return max((line.amount for line in at.lines if line.plan == plan and line.active and line.kind == "draw"), default=0)


def _lower(old: list[int], less: int, split: SplitRule) -> list[int]:
    """Take `less` off the lines in equal shares; those that cannot give their share become zero and the others share anew.

    >>> _lower([30000, 20000, 5000], 30000, "spare cents first")
    [17500, 7500, 0]
    """
    new = dict(enumerate(old))
    while less:
        giving = [at for at in new if new[at]]
        shares = dict(zip(giving, split_equal(less, len(giving), split), strict=True))
        short = [at for at in giving if new[at] < shares[at]]
        for at in short or giving:
            taken = min(new[at], shares[at])
            new[at] -= taken
            less -= taken
    return list(new.values())
