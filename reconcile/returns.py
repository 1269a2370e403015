"""Returns and refunds of one student: which money each undoes, and which line's failed attempt it is.

A bank sends a draw back (a *return*, with a code such as R01 for insufficient funds), a card processor declines it, the office refunds
it. A return undoes money, and only what it names or fits; where it fits a draw that never cleared it is that line's failed attempt; where
it fits nothing it moves no money and a person is told. The rules, the first that applies:

1. the event that its original reference names, by the returned amount (part allowed, whatever the date);
2. it falls in the window of a line of its amount in which no standing money of that amount has settled: that line's failed attempt;
3. without a name, and soon enough after: the latest standing event of its amount;
4. the failed attempt of a line that it fits late, where no standing money of that amount fits that line;
5. a return without a draw: no money.

A refund is the office's act: by 1 and 3 only, never an attempt. One of exactly the card fee of the draw that it names is fee money and
takes nothing off the draw. A code of the long (60-day) frame takes 3 before 2. Named returns go first, then the others by settlement date:
what a name says is not taken away by what only fits.
"""

from __future__ import annotations

from reconcile.attempts import Attempts
from reconcile.student_case import ANY_PLAN, Case, CaseRules, Event, Line, Reading, Undone, agree, in_window


def pair_returns(case: Case, surplus: frozenset[int] = frozenset()) -> Undone:
    """Say what each return and refund of one student undoes.

    In:      a case: lines and events of one student, in order; cents and day numbers. `surplus` are cleared events that no line asks for
             (taken twice, not on the schedule): a refund without a name takes such money first, since that is what an office gives back.
    Out:     Undone: standing cents by event, undoings, failed attempts, and what fits nothing.
    Keeps:   for each return, undone cents + unplaced cents = its amount, unless it is a failed attempt or told only.
    """
    reading = Reading(case)
    done = Undone(left={event.at: event.amount for event in reading.cleared})
    by_reference = {event.reference: event for event in reading.cleared if event.reference}
    waiting: list[Event] = []
    for event in case.events:
        if event.outcome == "cleared":
            continue
        if event.told_only:
            done.told.append(event.at)
        elif event.original_reference and event.original_reference in by_reference:
            target = by_reference[event.original_reference]
            if _gives_fee_back(event, target, reading, done):
                done.fee_back[event.at] = target.at
            _undo(event, target, 1, done)
        else:
            if event.original_reference:
                done.misnamed.append(event.at)
            waiting.append(event)
    for event in waiting:
        _by_fit(event, reading, done, surplus)
    return done


def _undo(event: Event, target: Event, rule: int, done: Undone) -> None:
    cents = min(event.amount, done.left[target.at])
    if cents:
        done.left[target.at] -= cents
        done.undoings.append((event.at, target.at, cents, rule))
    if cents < event.amount:
        done.unplaced[event.at] = event.amount - cents


def _gives_fee_back(event: Event, target: Event, reading: Reading, done: Undone) -> bool:
    """Whether a refund is of exactly the card fee of the event that it names, and the fee was not given back before."""
    fee = reading.card_fee(target)
    return event.outcome == "refunded" and 0 < fee == event.amount <= done.left[target.at] and target.at not in done.fee_back.values()


def _by_fit(event: Event, reading: Reading, done: Undone, surplus: frozenset[int]) -> None:
    named = bool(event.original_reference)
    order: tuple[int, ...]
    if event.outcome == "refunded":
        order = (3, 5)
    elif named or event.facts.declined:
        order = (2, 4, 5)
    elif reading.case.rules.cleared_then_returned:
        order = (3, 2, 4, 5) if event.facts.sixty else (2, 3, 4, 5)
    else:
        order = (2, 3, 4, 5) if event.facts.sixty else (2, 4, 5)
    for rule in order:
        if rule == 3:
            target = _latest_standing(event, reading, done, surplus if event.outcome == "refunded" else frozenset())
            if target is not None:
                _undo(event, target, 3, done)
                return
        elif rule in {2, 4}:
            line = _failed_in_window(event, reading, done) if rule == 2 else _failed_late(event, reading, done)
            if line is not None:
                done.failed.append((event.at, line.at, rule))
                return
    done.unplaced[event.at] = event.amount


def _failed_in_window(event: Event, reading: Reading, done: Undone) -> Line | None:
    """Rule 2: the line of its amount in whose window it falls, if no standing money for the line had settled by then."""
    lines = [line for line in _asked_for(event, reading) if in_window(event, line) and not _standing_in_window(event, line, reading, done)]
    return min(lines, key=lambda line: (line.window_end, line.order), default=None)


def _failed_late(event: Event, reading: Reading, done: Undone) -> Line | None:
    """Rule 4: the line that it fits in its window or late, if no standing money that fits the line had settled by then."""
    attempts = Attempts(reading, done)

    def late_end(line: Line) -> int:
        return attempts.late_end(line, event.settled)

    lines = [
        line
        for line in _asked_for(event, reading)
        if line.draw_date <= event.settled <= late_end(line) and not attempts.standing_for(event, line)
    ]
    return min(lines, key=lambda line: (not in_window(event, line), late_end(line), line.order), default=None)


def _asked_for(event: Event, reading: Reading) -> list[Line]:
    """Lines of the return's plan (or student), kind and amount, card fee in or out; a cancelled line only if it is named."""
    named = reading.names(event)
    return [
        line
        for line in reading.case.lines
        if line.amount and event.amount in line.asks and reading.concerns(event, line) and (line.active or named is not None)
    ]


def _standing_in_window(event: Event, line: Line, reading: Reading, done: Undone) -> bool:
    """Whether money of that amount, not undone, had settled for the line, early or in its window, when the return came.

    Money that came early stands in the way too: else a draw that cleared early and came back would stay counted.
    """
    return any(
        other.amount in line.asks
        and line.early_from <= other.settled <= min(event.settled, line.window_end)
        and reading.concerns(other, line)
        and reading.draw_money(other, done)
        for other in reading.cleared
    )


def _latest_standing(event: Event, reading: Reading, done: Undone, first: frozenset[int]) -> Event | None:
    """Rule 3: the latest standing event of the same plan (or student) and amount, settled on or before it and in time.

    Events of `first` go before others.
    """
    standing = [
        other
        for other in reading.cleared
        if reading.draw_money(other, done)
        and other.settled <= event.settled <= _last_day(other.settled, event, reading.case.rules)
        and (event.plan == other.plan or ANY_PLAN in {event.plan, other.plan})
        and agree(event.kind, other.kind)
        and _name_one_line(event, other, reading)
        and _same_amount(event, other, reading)
    ]
    return max(standing, key=lambda other: (other.at in first, other.order), default=None)


def _name_one_line(event: Event, other: Event, reading: Reading) -> bool:
    """Whether return and event do not name different lines."""
    one, two = reading.names(event), reading.names(other)
    return one is None or two is None or one.at == two.at


def _last_day(settled: int, event: Event, rules: CaseRules) -> int:
    """The last day on which a return of this code is still taken as undoing an event settled on `settled`."""
    facts = event.facts
    if facts.frame is None or event.outcome == "refunded":
        return settled + rules.return_days
    framed = rules.add_banking_days(settled, facts.frame) if facts.frame_unit == "banking" else settled + facts.frame
    return framed + rules.late_return_days


def _same_amount(event: Event, other: Event, reading: Reading) -> bool:
    """Equal amounts, or one of them a card line's amount and the other that line's amount with its fee."""
    if event.amount == other.amount:
        return True
    pair = {event.amount, other.amount}
    return any(pair == set(line.asks) and reading.concerns(event, line) and reading.concerns(other, line) for line in reading.case.lines)
