"""The engine's advice in words: what the remaining draws should become, what is presented again, given back, stopped or collected.

All figures are those of the plans table; here they only become sentences. Each says by when, and what must not be forgotten: a changed
draw needs notice, money goes back only once the bank can no longer return the draw in the ordinary way, and never twice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reconcile.exception_cautions import ask_counsel
from reconcile.exception_facts import ASK_BANK_FIRST, DECIDES_FIRST, day_text, listed
from reconcile.exception_holds import missing_file, told_rows
from reconcile.money import people_money
from reconcile.notices import earliest_new_draw, last_day, send_by

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reconcile.exception_ground import Ground
    from reconcile.proposals import Advice

ONE_OR_THE_OTHER = "one or the other"
UNDER_A_STOP = "the plan is under a stop"
AGREE = "Plan and bill agree: give nothing more back and change no draw for it; confirm how it was settled."
AGREE_TODAY = "Plan and bill agree today with this money counted: do nothing for it but what is proposed here."
SETTLED = frozenset({AGREE, AGREE_TODAY})
"""Said of money taken wrongly in place of a choice: none is left."""

MORE_THAN_ONE_WAY = f"Money fits the draws in more than one way: {DECIDES_FIRST}; nothing is proposed and nothing is presented again."
DISPUTED = frozenset({"unauthorized", "chargeback"})
"""Classes of codes with which a family disputes a draw."""
NOTICE = "A changed draw needs written notice"
EITHER_STOP = "Either stop "
"""Begins the choice that is left for a draw too near for a notice."""
NO_DRAW_ON = "no draw on "
"""Stands in what is said of the draws of a stopped plan, also where that follows a condition."""


def person_first(on: Ground, row: int) -> str:
    """Why a person decides before anything is proposed, "" where the engine may propose."""
    if row < 0 or not on.at.decide[row]:
        return ""
    plans = on.plans["plan_ids"][row].split("; ")
    blocked = on.blocked
    if ("everyone", "") in blocked:
        return "A rejected bank row names nobody (rejected_rows.csv): no draw is proposed for anyone until it is mended."
    if ("student", on.plans["student_id"][row]) in blocked or any(("plan", plan) in blocked for plan in plans):
        return "A row of this student or plan was rejected (rejected_rows.csv): no draw is proposed until it is mended."
    if row in told_rows(on):
        return f"The banks dispute a return (codes R61 to R77): {DECIDES_FIRST}; nothing is proposed and nothing is presented again."
    if on.plans["student_id"][row] in on.waiting_students:
        return (
            f"Nothing says for which term money of this student was: {DECIDES_FIRST}; nothing is proposed and nothing is presented again."
        )
    if on.plans["student_id"][row] in on.refunds_apart:
        return (
            f"Refunds at the bank and on the student's ledger do not come to the same: {DECIDES_FIRST}, whether one is part of the other; "
            "nothing is proposed and nothing is presented again."
        )
    return missing_file(on, row) or MORE_THAN_ONE_WAY


def proposal(on: Ground, row: int, *, again: bool = True, awaited: bool = True, advice: Advice | None = None) -> tuple[str, ...]:
    """What the draws of a row of plans should become, in sentences; none where nothing needs to change.

    In:      `again`, `awaited` false leave out what may be presented again or still come (the exception says so of itself). `advice` is
             told in place of the row's own.
    Out:     first of all the draws that can no longer be changed with notice, and the choice that is left.
    """
    if row < 0:
        return ()
    advice = advice or on.advice(row)
    said = [person_first(on, row), too_near(on, row, advice)]
    if again and advice.again_lines:
        lines = listed(f"line {line} of plan {plan}" for plan, line in advice.again_lines)
        said.append(f"{people_money(advice.again)} may be presented again: {lines}.")
    if awaited and advice.awaited:
        said.append(_awaited(on, row, advice))
    if advice.draws:
        said.append(_draws(on, row, advice))
    said.append(_give_back(on, row, advice))
    if advice.to_collect:
        said.append(_collect(on, row, advice.to_collect, _why_not_on_draws(on, row, advice)))
    found = tuple(part for part in said if part)
    stray = stray_return(on, row) if found else ""
    return (stray, *found) if stray else found


def stray_return(on: Ground, row: int) -> str:
    """What must be known first where another return of the student fits no draw; "" where there is none, or a person decides anyway."""
    if row < 0 or not on.stray or (on.plans["term"][row], on.plans["student_id"][row]) not in on.stray or person_first(on, row):
        return ""
    then = "until it has answered, draw nothing more, present nothing again and give nothing back"
    return f"{ASK_BANK_FIRST} what the other return of this student was for, which fits no draw (return without a draw): {then}."


def conditional(condition: str, said: Sequence[str]) -> str:
    """A proposal that holds only under a condition, after what must be asked first; "" where nothing is proposed."""
    first, rest = (said[0], said[1:]) if said and said[0].startswith(ASK_BANK_FIRST) else ("", said)
    text = " ".join(rest).removeprefix("Proposed: ")
    return " ".join(part for part in (first, f"{condition} {text[0].lower()}{text[1:]}" if text else "") if part)


TERM_FIRST = f"Find out for which term it was: {DECIDES_FIRST}; nothing is proposed for the student and nothing is presented again."
"""What is done about money of which nothing says on the bill of which term it counts."""


def money_back(on: Ground, row: int, amount: int, safe: str) -> tuple[str, ...]:
    """What is done about money taken wrongly: it follows from how plan and bill stand today, and one remedy is named, once.

    In:      the row of plans (below 0: nothing says for which term the money was), cents taken wrongly, the words for when money may go
             back ("" a card).
    """
    back = f"Money goes back {safe}." if safe else ""
    if row < 0 or not on.billed[on.plans["term"][row]]:
        return (back, *proposal(on, row))
    if person_first(on, row):
        return proposal(on, row)
    variance, tolerance = int(on.plans["variance"][row]), on.rules.plans.plan_tolerance
    if abs(variance) <= tolerance:
        if _moves(on, on.advice(row)):  # what may still come would put the plan over
            return (AGREE_TODAY, *proposal(on, row))
        halted = on.held[row] > 0
        return (AGREE, *(proposal(on, row) if halted else ()))
    if variance < 0:
        short = people_money(-variance)
        return (f"The plan is short by {short} with this money counted: give nothing back before that is settled.", *proposal(on, row))
    said = proposal(on, row)
    advice = on.advice(row)
    if not _changed(on, advice):
        return said if advice.to_stop or advice.to_give_back else (back, *said)
    some = min(variance, amount)
    kept = f" and give back only the {people_money(advice.to_give_back)} that they cannot take up" if advice.to_give_back else ""
    choice = f"Give {people_money(some)} back, or let the remaining draws shrink as proposed{kept}: {ONE_OR_THE_OTHER}, never both."
    return (choice, back, *(part for part in said if part != _give_back(on, row, advice)))


def too_near(on: Ground, row: int, advice: Advice | None = None) -> str:
    """The draws that would take money not owed and can no longer be changed with notice, and the choice that is left; "" if none."""
    excess = (advice or on.advice(row)).to_stop if row >= 0 else 0
    if not excess:
        return ""
    lines, stop = on.lines, draws_to_stop(on, row, excess)
    mine = [at for at in on.mine("lines", row) if lines["kind"][at] != "fee" and lines["amount"][at] > 0]
    stopped = sum(int(lines["amount"][at]) for at in stop)
    parts = []
    if stop:
        one = len(stop) == 1
        collect = f" and collect {people_money(stopped - excess)}" if stopped > excess else ""
        parts.append(
            f"The {_named(on, stop)} can no longer be changed with notice. {EITHER_STOP}{'it' if one else 'each of them'} whole"
            f"{collect}, or let {'it' if one else 'them'} be taken and give {people_money(min(excess, stopped))} back once "
            f"{'it has' if one else 'they have'} cleared: {ONE_OR_THE_OTHER}, never both."
        )
    if stopped < excess:
        going = [at for at in mine if lines["state"][at] == "in transit"]
        which = (
            f"The {_named(on, going)} {'is' if len(going) == 1 else 'are'} in transit and cannot be stopped" if going else "It is too late"
        )
        parts.append(f"{which}: give {people_money(excess - stopped)} back once it has cleared and the bank can no longer return it.")
    return " ".join(parts)


def draws_to_stop(on: Ground, row: int, excess: int) -> list[int]:
    """The draws too near for a notice that would have to be stopped so that so many cents are not taken; the last of them first."""
    stop: list[int] = []
    for at in reversed(_kept_draws(on, row)):
        if sum(int(on.lines["amount"][line]) for line in stop) < excess:
            stop.insert(0, at)
    return stop


def _named(on: Ground, lines: Sequence[int]) -> str:
    words = listed(f"{day_text(on.lines['draw_date'][at])} for {people_money(int(on.lines['amount'][at]))}" for at in lines)
    return f"draw{'s' if len(lines) > 1 else ''} of {words}"


def _moves(on: Ground, advice: Advice) -> bool:
    """Whether the advice is to do anything but to take no draw of a stopped plan."""
    return bool(_changed(on, advice) or advice.to_give_back or advice.to_stop or advice.to_collect)


def _changed(on: Ground, advice: Advice) -> bool:
    """Whether a draw that is not under a stop changes."""
    return any(old != new and (plan, line) not in on.stopped_lines for _day, old, new, plan, line in advice.draws)


def _awaited(on: Ground, row: int, advice: Advice) -> str:
    """What may still come or waits for a person: late draws, draws that stand posted, draws that came back, late aid."""
    lines = on.lines
    coming = [at for at in on.mine("lines", row) if on.may_come[at]]
    late = sum(int(lines["amount"][at]) for at in coming if not lines["posted"][at])
    draws = min(advice.awaited - advice.held, sum(int(lines["amount"][at]) for at in coming))
    late = min(late, draws)
    aid = advice.awaited - advice.held - draws
    parts = [f"{people_money(late)} may still come as a late draw"] if late else []
    parts += [f"{people_money(draws - late)} stands as posted and may have been taken"] if draws > late else []
    parts += [f"{people_money(aid)} may still come as late aid"] if aid else []
    said = [f"{' and '.join(parts)}: until that is known, do not draw it again and do not ask the family for it."] if parts else []
    if advice.held:
        said.append(f"{people_money(advice.held)} came back and waits for a person: until then it is neither drawn again nor spread.")
    return " ".join(said)


def bursar_first(on: Ground, line: int) -> bool:
    """Whether the family disputes a draw that came back: the bursar speaks first, and nobody asks the family for the money."""
    found = on.return_code(on.lines["method"][line], on.lines["return_code"][line])
    return on.lines["state"][line] == "failed" and found is not None and found.klass in DISPUTED


def _collect(on: Ground, row: int, cents: int, why: str) -> str:
    """The two ways to come by what the draws cannot take, and that they are not both gone.

    Under a stop a new authorization lets the plan's draws go on; elsewhere a further draw could take it, from the first day with time for
    notice.
    """
    amount = people_money(cents)
    if why == UNDER_A_STOP:
        begin = "Once the bursar has decided, either" if any(bursar_first(on, at) for at in on.mine("lines", row)) else "Either"
        return (
            f"{amount} has no draw behind it ({why}). {begin} the family authorizes an account anew, and the next report then proposes the "
            f"draws, or another way to pay it is agreed: {ONE_OR_THE_OTHER}, never both."
        )
    first, days = earliest_new_draw(on.today, on.rules), max(on.rules.plans.notice_days, on.rules.plans.date_notice_days)
    return (
        f"{amount} cannot be put on the draws ({why}): agree another way to pay it, or a further draw that the family authorizes, with "
        f"{days} days' written notice ({first} at the earliest), not both."
    )


def _why_not_on_draws(on: Ground, row: int, advice: Advice) -> str:
    """Why the draws do not take what is to be collected."""
    lines = on.lines
    if any(lines["stopped"][at] and lines["state"][at] in {"pending", "failed", "not seen", "in transit"} for at in on.mine("lines", row)):
        return UNDER_A_STOP
    if not any((plan, line) not in on.stopped_lines for _day, _old, _new, plan, line in advice.draws):
        return "no draw is left that can change"
    return "no draw is raised above twice the plan's largest"


def _draws(on: Ground, row: int, advice: Advice) -> str:
    """The draws that change, with the last day for notice and what is too near for it; and those of a stopped plan."""
    stopped = on.stopped_lines
    changed = [d for d in advice.draws if d[1] != d[2] and (d[3], d[4]) not in stopped]
    halted = [d for d in advice.draws if (d[3], d[4]) in stopped]
    parts = []
    if changed:
        same: dict[tuple[int, int], list[str]] = {}
        for day, old, new, _plan, _line in changed:
            same.setdefault((new, old), []).append(day_text(day))
        words = listed(f"{people_money(new)} instead of {people_money(old)} on {listed(days)}" for (new, old), days in same.items())
        parts.append(f"Proposed: draw {words}.")
    if changed and advice.notice_for is not None:
        last = notice_day(on, last_day(advice.notice_for, on.rules.plans.notice_days))
        parts += [f"{NOTICE} to the family by {last}.", _stays(on, row, advice), ask_counsel(on, row, advice)]
    if halted:
        days = listed(f"{day_text(day)} ({people_money(old)})" for day, old, _new, _plan, _line in halted)
        parts.append(f"Take {NO_DRAW_ON}{days}: the plan is under a stop until the family authorizes an account anew.")
    return " ".join(part for part in parts if part)


def _kept_draws(on: Ground, row: int) -> list[int]:
    """Pending draws, not under a stop, that are too near for a notice."""
    return [at for at in on.mine("lines", row) if on.coming.too_near[at]] if on.coming.has_too_near[row] else []


def notice_day(on: Ground, last: int) -> str:
    """The last day for a notice in words; where the office is closed on it, with the day by which it sends the notice."""
    return f"{day_text(last)}{send_by(last, on.today, on.days)}"


def _stays(on: Ground, row: int, advice: Advice) -> str:
    """Which draw is too near for a notice, and which is the first that can still change; "" where none is too near."""
    kept = _kept_draws(on, row)
    if not kept or advice.first_changeable is None:
        return ""
    first, verbs = day_text(advice.first_changeable), ("is", "stays") if len(kept) == 1 else ("are", "stay")
    return f"The {_named(on, kept)} {verbs[0]} too near for notice and {verbs[1]}; the first that can still change is that of {first}."


def _give_back(on: Ground, row: int, advice: Advice) -> str:
    if not advice.to_give_back:
        return ""
    return f"Give back {people_money(advice.to_give_back)}, {when_safe(on, row)}."


def when_safe(on: Ground, row: int) -> str:
    """When money may be given back: only after the last day of an ordinary return of the student's cleared bank draws."""
    return safe_after(int(on.returnable[row]), on.today, on.bank_read)


def safe_after(returnable: int, today: int, bank_read: int) -> str:
    """The words for that day.

    In:      day numbers: the last day of an ordinary return (far in the past where no bank draw cleared), today, and the last day on which
             the run has read what the bank says.

    >>> safe_after(20743, 20741, 20741)
    'only after 2026-10-17, the last day on which the bank may return its draw in the ordinary way'
    >>> safe_after(20743, 20750, 20748)
    "only once the bank's files show that the draw has not come back (ordinary returns ended on 2026-10-17; read to 2026-10-22: none)"
    >>> safe_after(20743, 20750, 20743)
    "only once the bank's files show that the draw has not come back"
    """
    if returnable >= today:
        return f"only after {day_text(returnable)}, the last day on which the bank may return its draw in the ordinary way"
    known = 0 < returnable < bank_read
    seen = f" (ordinary returns ended on {day_text(returnable)}; read to {day_text(bank_read)}: none)" if known else ""
    return f"only once the bank's files show that the draw has not come back{seen}"
