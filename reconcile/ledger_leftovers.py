"""What pairing bank and student ledger left over, read as an office would read it before anyone is told.

An event without a posting and a posting without an event need not be two things: one amount was typed wrong, one draw was posted twice,
one sum at the bank was posted as two, or a posting runs ahead of the bank.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reconcile.draws import UNDECIDED
from reconcile.events import NOBODY

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.events import Ints
    from reconcile.exception_ground import Ground

WHOLE_PERCENT = 10_000


@dataclass(frozen=True)
class Leftover:
    """One thing to tell: its kind, the event, posting and line it is about, cents (signed as ledger less bank), and the bank's cents."""

    kind: str
    amount: int
    event: int | None = None
    posting: int | None = None
    line: int | None = None
    bank: int = 0


@dataclass
class _Case:
    """One student's leftovers of a term. Events are (day, cents, position), postings too, in the order of what their rows say."""

    events: list[tuple[int, int, int]]
    added: list[tuple[int, int, int]]
    taken: list[tuple[int, int, int]]


def leftovers(on: Ground, lag_ends: Ints) -> Iterator[Leftover]:
    """Say of each leftover event and posting what it is; nothing where bank and ledger only stand apart in time or in how a sum is cut.

    In:      the ground; for each event the last day of its posting lag.
    Rules:   matching.toml late_match_days, near_percent
    """
    for case in _cases(on, lag_ends):
        _drop_posted_twins(on, case)
        _drop_taken_back(case)
        _drop_equal_sums(case, on.rules.matching.late_match_days)
        yield from _differing(on, case)
        yield from (Leftover("cleared not posted", cents, event=at) for _day, cents, at in case.events if lag_ends[at] < on.today)
        yield from _added(on, case)
        yield from (Leftover("posted not cleared", cents, posting=at) for _day, cents, at in case.taken)


def _cases(on: Ground, lag_ends: Ints) -> list[_Case]:
    """Leftovers by student and term; an event still in its posting lag only where a posting is left over too."""
    ledger = on.at.ledger
    event_free, posting_free = np.ones(len(on.events), dtype=bool), np.ones(len(on.postings), dtype=bool)
    event_free[ledger["event"].to_numpy()] = False
    posting_free[ledger["posting"].to_numpy()] = False
    asked = event_free & on.events["outcome"].are("cleared") & (on.row_of_event >= 0) & ~on.events["kind"].are("payment")
    asked &= (on.money["without_a_line"] == 0) & (on.at.matching.loose != UNDECIDED) & (on.at.matching.left > 0)
    asked &= ~_unbilled_fee(on)
    row_of_posting = on.at.keys.lookup(on.at.postings)
    draws = posting_free & on.postings["kind"].are("plan draw") & (row_of_posting >= 0)
    asked &= (lag_ends < on.today) | np.isin(on.row_of_event, row_of_posting[draws])
    cases: defaultdict[int, _Case] = defaultdict(lambda: _Case([], [], []))
    for at in np.flatnonzero(asked).tolist():
        cases[int(on.row_of_event[at])].events.append((int(on.events["settled_on"][at]), _standing(on, at), at))
    for at in np.flatnonzero(draws).tolist():
        cents = int(on.postings["amount"][at])
        case = cases[int(row_of_posting[at])]
        (case.added if cents > 0 else case.taken).append((int(on.postings["posted_on"][at]), cents, at))

    def by_event(entry: tuple[int, int, int]) -> tuple[object, ...]:
        return (*entry[:2], on.events.cells(entry[2]))

    def by_posting(entry: tuple[int, int, int]) -> tuple[object, ...]:
        return (*entry[:2], on.postings.cells(entry[2]))

    for case in cases.values():
        case.events.sort(key=by_event)
        case.added.sort(key=by_posting)
        case.taken.sort(key=by_posting)
    return [cases[row] for row in sorted(cases)]


def _unbilled_fee(on: Ground) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Enrollment fees of terms that do not bill them: they stand on no student ledger."""
    billed = [term.code for term in on.rules.terms if term.fee_on_bill]
    fee = on.events["kind"].are("fee") | (on.money["fee_on_lines"] > 0) | (on.money["fee_without_a_line"] > 0)
    return np.asarray(fee & ~on.money["term"].are(*billed))


def _standing(on: Ground, event: int) -> int:
    """What stands of an event, card fee out."""
    return int(on.at.matching.left[event] - on.money["card_fee"][event])


def _drop_posted_twins(on: Ground, case: _Case) -> None:
    """A draw taken twice and posted once may have paired with the second: then the draw of the line is posted all the same."""
    if not case.events:
        return
    row = int(on.row_of_event[case.events[0][2]])
    posted = [_ledger_cents(on, at) for at in on.mine("money", row) if on.posted_events[at] and on.money["without_a_line"][at] > 0]
    for cents in posted:
        twin = next((entry for entry in case.events if entry[1] == cents), None)
        if twin is not None:
            case.events.remove(twin)


def _drop_taken_back(case: _Case) -> None:
    """A posting and its own reversal are nothing to tell."""
    for day, cents, at in list(case.taken):
        same = [entry for entry in case.added if entry[1] == -cents and entry[0] <= day]
        if same:
            case.added.remove(same[-1])
            case.taken.remove((day, cents, at))


def _drop_equal_sums(case: _Case, reach: int) -> None:
    """One sum at the bank posted in parts, or the parts posted as one sum: in total they agree."""
    if not case.events or not case.added or len(case.events) == len(case.added) == 1:
        return
    days = [entry[0] for entry in (*case.events, *case.added)]
    if sum(entry[1] for entry in case.events) == sum(entry[1] for entry in case.added) and max(days) - min(days) <= reach:
        case.events.clear()
        case.added.clear()


def _differing(on: Ground, case: _Case) -> Iterator[Leftover]:
    """An event and the nearest posting of nearly its amount, or of its digits in another order, or with its reference."""
    matching = on.rules.matching
    for settled, cents, event in list(case.events):
        near = [
            (abs(day - settled), day, amount, at)
            for day, amount, at in case.added
            if amount != cents
            and abs(day - settled) <= matching.late_match_days
            and (
                abs(amount - cents) * WHOLE_PERCENT <= cents * matching.near_percent
                or sorted(str(amount)) == sorted(str(cents))
                or (on.events["reference"][event] and on.events["reference"][event] == on.postings["reference"][at])
            )
        ]
        if near:
            _gap, day, amount, at = min(near, key=lambda one: one[:3])
            case.events.remove((settled, cents, event))
            case.added.remove((day, amount, at))
            yield Leftover("posted amount differs", amount - cents, event=event, posting=at, bank=cents)


def _added(on: Ground, case: _Case) -> Iterator[Leftover]:
    """Postings of draws without an event: one ahead of the bank is no news, one beside its twin is posted twice, the rest not cleared.

    A posting is ahead of the bank only for a draw in transit that it could be: not one posted long before that draw's date.
    """
    if not case.added:
        return
    row = int(on.at.keys.lookup(on.at.postings.iloc[[case.added[0][2]]])[0])
    lines = on.mine("lines", row)
    waiting = [at for at in lines if on.lines["state"][at] == "in transit"]
    unpaid = [at for at in lines if on.lines["state"][at] in {"failed", "not seen"}]
    for day, cents, posting in case.added:
        if on.bank_ends is not None and day > on.bank_ends:
            continue
        ahead = next((at for at in waiting if on.lines["amount"][at] == cents and on.lines["early_from"][at] <= day), None)
        if ahead is not None:
            waiting.remove(ahead)
            continue
        twin = _twin(on, row, day, cents)
        line = min(
            (at for at in unpaid if on.lines["amount"][at] == cents), key=lambda at: abs(int(on.lines["draw_date"][at]) - day), default=None
        )
        nearer = line is not None and twin is not None and abs(int(on.lines["draw_date"][line]) - day) < twin[0]
        if twin is not None and not nearer:
            yield Leftover("posted twice", cents, event=twin[1], posting=posting)
        else:
            yield Leftover("posted not cleared", cents, posting=posting, line=line)
            if line is not None:
                unpaid.remove(line)


def _twin(on: Ground, row: int, day: int, cents: int) -> tuple[int, int] | None:
    """The nearest posted event of the student and amount within late_match_days of the posting: (days apart, event)."""
    found = [
        (abs(int(on.events["settled_on"][at]) - day), at)
        for at in on.mine("money", row)
        if on.posted_events[at] and _ledger_cents(on, at) == cents
    ]
    best = min(found, key=lambda one: (one[0], on.events.cells(one[1])), default=None)
    return best if best is not None and best[0] <= on.rules.matching.late_match_days else None


def _ledger_cents(on: Ground, event: int) -> int:
    line, amount = int(on.money["line_at"][event]), int(on.events["amount"][event])
    return int(on.lines["amount"][line]) if line != NOBODY and amount == on.lines["gross"][line] else amount
