"""Returns and refunds of one student: which money each undoes, and which line's failed attempt it is.

A bank sends a draw back (a *return*, with a code such as R01 for insufficient funds), a card processor declines it, the office refunds
it. A return undoes money, and only what it names or fits; where it fits a draw that never cleared it is that line's failed attempt; where
it fits nothing it moves no money and a person is told. The rules, the first that applies:

1. the event that its original reference names, by the returned amount (part allowed, whatever the date);
2. it falls in the window of a line of its amount in which no standing money of that amount has settled: that line's failed attempt;
3. without a name, and soon enough after: the latest standing event of its amount;
4. the failed attempt of a line that it fits late, where no standing money of that amount fits that line;
5. a return without a draw: no money.

A refund is the office's act: by 1 and 3 only, never an attempt. A code of the long (60-day) frame takes 3 before 2.
Named returns go first, then the others by settlement date: what a name says is not taken away by what only fits.
"""

from __future__ import annotations

from reconcile.student_case import Case, CaseRules, Event, Line, Undone, agree, draw_money, in_window, may_pay, named_line, within


def pair_returns(case: Case) -> Undone:
    """Say what each return and refund of one student undoes.

    In:      a case: lines and events of one student, in order; cents and day numbers.
    Out:     Undone: standing cents by event, undoings, failed attempts, and what fits nothing.
    Keeps:   for each return, undone cents + unplaced cents = its amount, unless it is a failed attempt or told only.
    """
    cleared = [event for event in case.events if event.outcome == "cleared"]
    done = Undone(left={event.at: event.amount for event in cleared})
    by_reference = {event.reference: event for event in cleared if event.reference}
    waiting: list[Event] = []
    for event in case.events:
        if event.outcome == "cleared":
            continue
        if event.told_only:
            done.told.append(event.at)
        elif event.original_reference and event.original_reference in by_reference:
            _undo(event, by_reference[event.original_reference], 1, done)
        else:
            if event.original_reference:
                done.misnamed.append(event.at)
            waiting.append(event)
    for event in waiting:
        _by_fit(event, case, cleared, done)
    return done


def _undo(event: Event, target: Event, rule: int, done: Undone) -> None:
    cents = min(event.amount, done.left[target.at])
    if cents:
        done.left[target.at] -= cents
        done.undoings.append((event.at, target.at, cents, rule))
    if cents < event.amount:
        done.unplaced[event.at] = event.amount - cents


def _by_fit(event: Event, case: Case, cleared: list[Event], done: Undone) -> None:
    named = bool(event.original_reference)
    order: tuple[int, ...]
    if event.outcome == "refunded":
        order = (3, 5)
    elif named or event.facts.declined:
        order = (2, 4, 5)
    elif case.rules.cleared_then_returned:
        order = (3, 2, 4, 5) if event.facts.sixty else (2, 3, 4, 5)
    else:
        order = (2, 3, 4, 5) if event.facts.sixty else (2, 4, 5)
    for rule in order:
        if rule == 3:
            target = _latest_standing(event, case, cleared, done)
            if target is not None:
                _undo(event, target, 3, done)
                return
        elif rule in {2, 4}:
            line = _failed_line(event, case, cleared, done, late=rule == 4)
            if line is not None:
                done.failed.append((event.at, line.at, rule))
                return
    done.unplaced[event.at] = event.amount


def _failed_line(event: Event, case: Case, cleared: list[Event], done: Undone, *, late: bool) -> Line | None:
    """The line whose failed attempt the return is: in its window (rule 2), or named or exact or late (rule 4); lines still active first."""
    names = named_line(event, case.lines)
    fitting = []
    for line in case.lines if names is None else (names,):
        if not may_pay(event, line) or not line.amount:
            continue
        if late and names is not None:
            fits = within(event, line.early_from, line.late_end)
        else:
            fits = event.amount in line.asks and within(event, line.draw_date, line.late_end if late else line.window_end)
        if fits and not _stands_before(event, line, cleared, done, late=late):
            fitting.append(line)
    if not fitting:
        return None
    return min(
        fitting,
        key=lambda line: (not line.active, late and not in_window(event, line), line.late_end if late else line.window_end, line.order),
    )


def _stands_before(event: Event, line: Line, cleared: list[Event], done: Undone, *, late: bool) -> bool:
    """Whether money of that amount, not undone, already settled for the line when the return came."""
    last = line.late_end if late else line.window_end
    amounts = {event.amount, *line.asks}
    return any(
        draw_money(other, line, done.left[other.at]) > 0
        and other.amount in amounts
        and other.settled <= event.settled
        and within(other, line.draw_date, last)
        and may_pay(other, line)
        and agree(other.line, line.name)
        for other in cleared
    )


def _latest_standing(event: Event, case: Case, cleared: list[Event], done: Undone) -> Event | None:
    """Rule 3: the latest cleared event of the same plan (or student) and amount that stands whole, settled on or before it and in time."""
    standing = [
        other
        for other in cleared
        if done.left[other.at] == other.amount
        and other.settled <= event.settled <= _last_day(other.settled, event, case.rules)
        and (event.plan == other.plan or -1 in {event.plan, other.plan})
        and agree(event.kind, other.kind)
        and agree(event.line, other.line)
        and _same_amount(event, other, case.lines)
    ]
    return max(standing, key=lambda other: other.order) if standing else None


def _last_day(settled: int, event: Event, rules: CaseRules) -> int:
    """The last day on which a return of this code is still taken as undoing an event settled on `settled`."""
    facts = event.facts
    if facts.frame is None or event.outcome == "refunded":
        return settled + rules.return_days
    framed = rules.add_banking_days(settled, facts.frame) if facts.frame_unit == "banking" else settled + facts.frame
    return framed + rules.late_return_days


def _same_amount(event: Event, other: Event, lines: tuple[Line, ...]) -> bool:
    """Equal amounts, or one of them a card line's amount and the other that line's amount with its fee."""
    if event.amount == other.amount:
        return True
    pair = {event.amount, other.amount}
    return any(pair == set(line.asks) and may_pay(event, line) and may_pay(other, line) for line in lines)
