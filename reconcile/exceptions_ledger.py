"""Exceptions in which two systems tell different things: the plan system beside the bank, the student's ledger beside the bank.

The bank's file is evidence from outside; where another system says otherwise, that system is to be corrected. Each has its time: a draw
need not stand on the ledger before the posting lag is over, and a posting of a draw in transit may run ahead of the bank.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.events import NOBODY, day_numbers
from reconcile.exception_facts import Fact, day_text, sentence, who
from reconcile.ledger import ANOTHER_KIND, ANOTHER_KIND_BACK, BOUNCED, BOUNCED_OFF, POSTED, REFUND, REFUND_IN_PART, TAKEN_OFF
from reconcile.ledger_leftovers import Leftover, leftovers
from reconcile.unposted_payments import unposted_payments

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.banking_days import BankingDays
    from reconcile.events import Ints
    from reconcile.exception_ground import Ground


def systems_apart(on: Ground, days: BankingDays) -> Iterator[Fact]:
    """Facts of the group `systems apart`; those of the ledger only where there is a postings export.

    Rules:   matching.toml posting_lag (also the time in which the plan system should know of a cleared draw)
    """
    yield from _plan_system(on, days)
    if on.has_postings:
        yield from _as_another_kind(on)
        yield from _not_reversed(on, days)
        for leftover in leftovers(on, lag_ends(on, on.events["settled_on"], days)):
            yield _leftover_fact(on, leftover)
        yield from _payments_not_posted(on, days)


def lag_ends(on: Ground, settled: Ints, days: BankingDays) -> Ints:
    """For each event the last day of its posting lag."""
    if not len(settled):
        return settled
    line_at = on.money["line_at"]
    card = on.events["method"].are("card")
    if len(on.lines):
        card |= on.events["method"].are("") & (line_at != NOBODY) & on.lines["method"].are("card")[line_at]
    lag = on.rules.matching.posting_lag
    return np.asarray(days.add_numbers(settled, np.where(card, lag.card, lag.bank).astype(np.int64)))


def _plan_system(on: Ground, days: BankingDays) -> Iterator[Fact]:
    lines = on.lines
    says, state = lines["schedule_says"], lines["state"]
    without = state.are("failed", "not seen") & ~on.at.matching.undecided_lines
    for line in np.flatnonzero(says.are("posted") & without).tolist():
        kind, row = "schedule says posted, bank does not", int(on.row_of_line[line])
        bank = "sent it back" if state[line] == "failed" else "does not show it"
        words = on.line_words(line) | {"bank": bank, "consequence": on.consequence(row)}
        tries = on.tries(line)
        happened = max((t.settled for t in tries), default=int(lines["window_end"][line]))
        other = "failed draw" if state[line] == "failed" else "no draw seen"
        advice = (f"What becomes of its money stands in this draw's other exception ({other}): nothing else is done about it here.",)
        yield on.line_fact(
            kind, line, lines["amount"][line], happened, what=sentence(kind, **words), advice=advice, evidence=on.line_evidence(line, tries)
        )
    paid = state.are("cleared", "part cleared") & lines["line_status"].are("active")
    settled = on.states["settled_on"]
    behind = np.flatnonzero(paid & says.are("pending"))
    if len(behind):
        lag = on.rules.matching.posting_lag
        lags = np.where(lines["method"].are("card")[behind], lag.card, lag.bank).astype(np.int64)
        behind = behind[days.add_numbers(settled[behind], lags) < on.today]
    for word, which in (("pending", behind), ("failed", np.flatnonzero(paid & says.are("failed")))):
        kind = f"bank cleared, schedule says {word}"
        for line in which.tolist():
            words = on.line_words(line) | {"amount": int(lines["cleared"][line]), "day": day_text(settled[line])}
            yield on.line_fact(
                kind,
                line,
                lines["cleared"][line],
                int(settled[line]),
                what=sentence(kind, **words),
                advice=("Until it is corrected, see that the draw is not presented again.",),
                evidence=on.line_evidence(line, on.tries(line)),
            )


def _event_fact(on: Ground, kind: str, event: int, amount: int, gaps: dict[str, object], evidence: tuple[str, ...]) -> Fact:
    money = on.money
    line = on.named_line(event)
    words = {
        "who": who(money["student_id"][event], money["plan_id"][event], line),
        "amount": amount,
        "day": on.settled_text(event),
        "consequence": on.consequence(int(on.row_of_event[event])),
    }
    return Fact(
        kind=kind,
        term=money["term"][event],
        student_id=money["student_id"][event],
        plan_id=money["plan_id"][event],
        line=line,
        amount=amount,
        happened=int(on.events["settled_on"][event]),
        what=sentence(kind, **(words | gaps)),
        evidence=evidence,
        about=on.event_about(event),
    )


def _as_another_kind(on: Ground) -> Iterator[Fact]:
    """Draws posted as a payment that was not taken back since; for a draw that came back too."""
    ledger = on.at.ledger
    back = set(ledger.loc[ledger["how"] == ANOTHER_KIND_BACK, "event"].tolist())
    loose = on.money["without_a_line"] + on.money["undecided"] > 0
    another = ledger.loc[ledger["how"] == ANOTHER_KIND, ["event", "posting"]]
    for event, posting in another.itertuples(index=False):
        if event in back or loose[event] or on.row_of_event[event] < 0:
            continue
        undone = on.at.matching.left[event] == 0
        gaps: dict[str, object] = {
            "outcome": "cleared and has come back since" if undone else "cleared",
            "posted": day_text(on.postings["posted_on"][posting]),
        }
        evidence = (on.events.at(event), on.postings.at(posting))
        yield _event_fact(on, "posted as another kind", event, int(on.postings["amount"][posting]), gaps, evidence)


def _not_reversed(on: Ground, days: BankingDays) -> Iterator[Fact]:
    """Returns and refunds whose draw (or payment) was posted and not taken off the ledger, once the posting lag is over."""
    ledger, undoings = on.at.ledger, on.at.matching.undoings
    if undoings.empty:
        return
    stood = ledger[ledger["how"].isin([POSTED, BOUNCED]) & ledger["event"].isin(undoings["of"])]
    posted = dict(zip(stood["event"].tolist(), stood["posting"].tolist(), strict=True))
    done = set(ledger.loc[ledger["how"].isin([TAKEN_OFF, REFUND, BOUNCED_OFF]), "event"].tolist())
    booked = ledger[ledger["how"] == REFUND_IN_PART].groupby("event")["same"].sum().to_dict()
    ends = lag_ends(on, on.events["settled_on"], days)
    for by, of, cents, _rule in undoings.itertuples(index=False):
        if by in done or on.at.matching.fee_back[by] or of not in posted or ends[by] >= on.today or on.row_of_event[by] < 0:
            continue
        refunded = on.events["outcome"][by] == "refunded"
        gaps: dict[str, object] = {
            "outcome": "was given back" if refunded else "came back",
            "stands": "still stands, but for what other refunds took off," if booked.get(by) else "still stands whole",
            "posted": day_text(on.postings["posted_on"][posted[of]]),
        }
        evidence = (on.events.at(by), on.events.at(of), on.postings.at(posted[of]))
        amount = _without_card_fee(on, by, int(cents)) - booked.get(by, 0)
        if amount > 0:
            yield _event_fact(on, "return not reversed", by, amount, gaps, evidence)


def _without_card_fee(on: Ground, event: int, cents: int) -> int:
    """The cents as the ledger knows them: a card line's amount with its fee counts without it."""
    line = int(on.money["line_at"][event])
    return int(on.lines["amount"][line]) if line != NOBODY and cents == on.lines["gross"][line] else cents


def _payments_not_posted(on: Ground, days: BankingDays) -> Iterator[Fact]:
    """Payments beside the plan that the bank shows and the ledger does not, once the posting lag is over."""
    kind, unposted = "cleared not posted", unposted_payments(on)
    ends = lag_ends(on, on.events["settled_on"], days) if unposted else on.events["settled_on"]
    for event in unposted:
        if ends[event] < on.today:
            amount = int(on.at.matching.left[event])
            fact = _event_fact(on, kind, event, amount, {"since": f"as of {on.at.as_of}", "what": "a payment of "}, (on.events.at(event),))
            yield fact._replace(advice=("Post the payment on the student's ledger: it is no draw of the plan.",), instead=True)


def _leftover_fact(on: Ground, found: Leftover) -> Fact:
    """The fact of an event without its posting, or a posting without its event."""
    posting, event = found.posting, found.event
    day = "" if posting is None else day_text(on.postings["posted_on"][posting])
    evidence = (*((on.events.at(event),) if event is not None else ()), *((on.postings.at(posting),) if posting is not None else ()))
    if event is not None and found.kind == "cleared not posted":
        return _event_fact(on, found.kind, event, found.amount, {"since": f"as of {on.at.as_of}", "what": ""}, evidence)
    if event is not None and found.kind == "posted amount differs":
        over = found.amount > 0
        gaps: dict[str, object] = {
            "bank": found.bank,
            "ledger": found.bank + found.amount,
            "side": "over" if over else "short",
            "size": abs(found.amount),
            "bill": "lower" if over else "higher",
        }
        return _event_fact(on, found.kind, event, found.amount, gaps, evidence)
    if event is not None and found.kind == "posted twice":
        return _event_fact(on, found.kind, event, found.amount, {"day": day, "cleared": on.settled_text(event)}, evidence)
    return _unbacked_posting(on, found, day, evidence)


def _unbacked_posting(on: Ground, found: Leftover, day: str, evidence: tuple[str, ...]) -> Fact:
    kind, posting = "posted not cleared", found.posting if found.posting is not None else NOBODY
    student, term = on.postings["student_id"][posting], on.postings["term"][posting]
    row = int(on.at.keys.lookup(on.at.postings.iloc[posting : posting + 1])[0])
    plan, line = on.plans["plan_ids"][row], ""
    if found.line is not None:
        plan, line = on.lines["plan_id"][found.line], on.lines["line"][found.line]
    gaps = {
        "who": who(student, plan, line),
        "what": "a draw" if found.amount > 0 else "a draw taken off again",
        "size": abs(found.amount),
        "day": day,
        "side": "lower" if found.amount > 0 else "higher",
    }
    return Fact(
        kind=kind,
        term=term,
        student_id=student,
        plan_id=plan,
        line=line,
        amount=found.amount,
        happened=int(day_numbers(on.at.postings["posted_on"].iloc[posting : posting + 1])[0]),
        what=sentence(kind, **gaps),
        evidence=evidence,
        about=str(on.postings["reference"][posting]) or day,
        whole=True,
    )
