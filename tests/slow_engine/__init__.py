"""The slow engine: a second implementation of the whole calculation, for the tests alone.

It is written from the office's contract in the plainest way, one question at a time, and shares nothing with the package but the rules as
data: a difference between the two engines on a random world is a mistake in one of them, or a place where the contract leaves room.
What it took where the contract leaves room:

Of reading the rows:
 1. A plan's set_on and consent_on are the latest of its rows. A cancelled line whose cancelled_on is after the as-of day is still
    active; a consent given after the as-of day does not yet end a stop.
 2. An event names a line by plan and line first; only if that is no existing line, by its reference. Returns name lines in the same
    ways. An event that names a line of another kind fits no line.
 3. Return codes are looked up by the event's own method; where it gives none, only if a single method knows the code.
 4. R61 to R77 are known by the code's text, in capitals or not, whatever the method; only an event with outcome `returned` is one.
 5. An event that names only a student and lies on no line belongs to a term's plan from the day on which the plan was enrolled (or its
    first draw date, if that is earlier) to its last draw date and late_match_days. Where no plan holds it, and all the student's plans are
    of one term, to that. A down payment asks only plans with a down payment line, if there are such. Where that leaves several terms or
    none, the event has no term, its money counts in no student's row, and a person decides for the student: not for a payment that counts
    through postings, nor for a fee where no term of the student bills it. Cancelled lines count in all of it. A return belongs where the
    draw that it undoes belongs.

Of returns:
 6. An event is "not undone" while more is left of it than the card fee in its amount. An amount holds a card fee if it equals a card
    line's amount and fee, and no line's alone, among the lines that the event may concern.
 7. "Same plan (or student)" of rule 3: the same student, and the same plan where both have a known one. Card fee in or out: one card
    line that both may concern, one amount its own and the other with its fee.
 8. Rule 3 ties (same day): the last by reference, amount, then all else that the row says. It takes at most what is left; the rest
    undid nothing. A card decline never takes rule 3: it never was a cleared draw.
 9. Rules 2 and 4 look at active lines only, but for a line that the return names. Both need the amount (card fee in or
    out), even of a named line. Rule 4 prefers lines by exact before late, then the span that ends first. A line that already has a
    failed attempt is as good as another.
10. Blocking events: rule 2, those settled early or in the line's window (money that came early would else stay counted after its
    return); rule 4, those that fit the line early, in its window or late. Amount own or with card fee in both.
11. Refunds go by rules 1, 3 and 5, never 2 or 4, with or without a name; by 3 first on money that no line asks for (taken twice, not on
    the schedule), since that is what an office gives back. Frames and limits include their last day.
    A refund of exactly the card fee in the amount of the event that it names, of which as much is left, is fee money, once: what is left of
    the event then holds no fee. It is no refund of the line, takes part in no sum of refunds, and pairs with a posting of its own amount.
12. A return of an unknown student or plan undoes nothing, even if its original_reference names a known student's event.
13. Late money of a failed line: until again_days after the line's first attempt, by the code of its last return on or before the day on
    which the money settles; how often it was presented does not matter. A refund makes no line failed.

Of attempts and matching:
14. Undone events hang by named (window, late, early), exact, late, early, then with card fee (window, late, early). Of several
    lines first those without standing money, then the one whose window (or late span) ends first.
    They hang on cancelled lines only by name. A sum that came back whole, names no line and fits none by amount hangs on two to group_size
    neighbouring lines that add up to it (among active lines without standing money that had settled by then, every one fitting by date),
    if there is just one way: all of them failed by its return.
15. An event of which no more than its card fee is left is such an attempt too (its fee stays in the fee bucket); it may hang early.
16. A named line is full when its net money is at least its amount less the tolerance; the first event always goes on it, and the one
    that overfills it lies on it whole.
17. Matching compares the bank's whole amounts, also of partly undone events; what is left is counted afterwards.
18. Zero lines are open for no pass but `named`. Pass 5 serves lines in their window first, then late, then early ones, as
    passes 2 to 4 do; pass 8 is two: own amount, with card fee, from the draw date to the end of late (not early).
19. Missing pairs of a pass are added by depth-first augmenting paths, events and lines in the order of the pass.
20. Grouped: neighbours are next to each other among the plan's lines still open, of any kind, by draw date then line. Own amounts only.
    The events of one line need not neighbour. Any row shared by two groupings makes both undecided, also through a third. Equal events
    are different rows. An event that paid several lines fills them oldest first with what is left of it.
21. Near: candidates are counted once, before any is taken; near_percent of the line's amount, its end included.

Of states and rows:
22. A line fully refunded is `cancelled` though returned attempts came after the refund; where bank and office each took part of a draw
    back, the later one counts, and on the same day the bank's. A cancelled or zero line with money is
    `cleared` or `part cleared`, as the first row of the table says.
23. returnable_until: for every bank line with net money, from its last money. match: passes of money only, "" for attempts without
    money. return_code: the last return on the line, also if it cleared later. references: of its cleared events and of returns by rules
    2 and 4.
24. A line takes part in `attempts` with every event on it, grouped ones too.

Of coverage:
25. A student has a row for each known term in which any charge, aid, posting (by the as-of day) or plan of theirs stands, whatever its
    status.
26. Aid in a `disbursed` row stands as anticipated from posted_on until disbursed_on, and then may lapse. cancelled_on ends a row of any
    status.
27. Fee money is money on fee lines, and of events of kind `fee` without a line. A card fee is never on the bill. Cancelled lines alike.
28. A stop comes from a return of any rule (2 to 5 as well) but kind `payment`. It stops the plan that the return gives or whose line it
    names; else all plans of the student, in every term. "Pending lines of stopped plans" are in state pending, not in transit.
29. Ledger pairs are found nearest first over the whole student and term, then by settlement, then by posting day; references are not
    used. All events but payments and disputes pair, undone ones, fees and failed attempts too.
30. A refund posting counts elsewhere as far as its event undid money other than a payment. Refunds without a pair of their amount, of one
    student and term: those within late_match_days of one of the other side pair as a sum, if both sides come to the same; then a posting
    later than that pairs with the event of its amount, if each is the only one of it that is left; then cents of those within the days
    count elsewhere up to the smaller side, oldest posting first, never more than the events undid (of an event no more than its amount on
    the ledger). Where after sums and late ones a posting and an event that undid draw money are left, a person decides for the student.
    A payment at the bank pairs with a payment posting of its amount, and its return with a negative payment or refund, nearest first within
    late_match_days, of postings that pair with nothing else. As far as it was returned at the bank and not on the ledger it counts no more,
    from the day on which it was posted; not where another such negative posting is left within these days of the return. What the office
    gave back of a payment counts through its own posting.
31. The negative payment of a draw posted as a payment: the nearest on or after it, within late_match_days of it or of what undid the
    draw.
32. Outside charges: a reversal meets the latest earlier charge of the same type and amount; where there is none, it takes its cents off
    the latest earlier charges of its type, the latest first. A payment meets what is left of a charge in the end, or on its own day. A
    payment is reversed by a later equal negative one (the latest earlier payment each). Payments meet charges oldest first. Only postings
    meet charges, never bank payments.

Of variance and proposals:
33. `active line`, plan_total, active_lines, cancelled lines leave fee lines out; `uncleared` for "active uncleared line" is pending, in
    transit, failed or not seen. A plan is followed by one enrolled later or on the same day in the term. min and max work on the sums over
    the plans.
34. uncleared holds also active lines fully refunded (whole amount). enrolled_on is the earliest plan's. cleared is draws_cleared.
35. awaited: not-seen lines whole (billed fees too) while the as-of day is within late_match_days; then what waits for a person (42, 43)
    and lapsed aid, together up to what is still short.
36. again: billed fee lines too; attempts not above again_times, as-of day within again_days of the first attempt's settlement; where that
    is only a return, of the day on which the draw was expected, if that is earlier. Failed lines that do not fit are passed over, later
    ones may still fit. "Later lines" are of any kind, by draw date.
37. kept: with unbilled fees left out everywhere. A stopped plan's pending lines of every kind, unbilled fees too, stand at 0.00.
38. Nothing proposed, or a person decides: kept and all after it are zero; awaited (and again, unless a person decides) still stand.
    Before billing only stops stand. Undecided money or a dispute in any term of the student blocks all terms.
39. proposed_draws lists every changeable line, unchanged ones too, one entry a line. notice_by looks at lines whose amount changes.
40. The cap is twice the plan's largest active line of kind draw, but never below the line's own amount. What is above the cap is
    to_collect at once, other lines do not share it. "No other plan's line goes up" looks at plans of the same term; lines may still go
    down.
41. A hole in the bank's files: where more than half of at least twenty draws of a term and date are not seen, a person decides for the
    students whose draw of that date is among them.
42. Reductions: all lines that cannot give their share become zero together, then the others share anew. Spare cents go to the earliest
    lines.
42. A not-seen line is awaited after late_match_days too where it stands posted, whole: its money may have been taken. It stands posted if
    schedule_says is `posted`, or if the ledger holds a plan draw of its student, term and amount, within late_match_days of its draw date,
    that is no bank event's pair and that no later such negative posting takes off (each the latest before it). The oldest line takes the
    oldest posting. The lines' shares of a card fee play no part.
43. Waiting for a person: a failed line whose last return has an unknown code or none, or a code that neither is presented again nor stops
    the plan, whole; a failed line one of whose returns names no known draw, or undid a draw and is of more than was left of it, whole,
    unless its last return's code stops the plan; of an active part-cleared line what returns (not refunds) took off the money that lies
    on it, whatever their code but a stopping one, up to what the line lacks. It is neither `again` nor spread, and goes before lapsed aid.
44. first_changeable: where something is proposed, the first draw date of the changeable lines, changed or not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from .bill import accounts, student_row
from .book import Book, read_book
from .matching import match_money
from .proposing import propose
from .states import draw_rows, event_rows, settle
from .undoing import settle_returns
from .variance import CAUSES, variance_row

if TYPE_CHECKING:
    from datetime import date

    from reconcile.policy import Rules

__all__ = ["CAUSES", "SlowResult", "slow_run"]


@dataclass(frozen=True)
class SlowResult:
    """What a run should come to: rows as dicts, money in cents, dates as dates, text "" where absent."""

    students: list[dict[str, Any]]
    draws: list[dict[str, Any]]
    plans: list[dict[str, Any]]
    events: list[dict[str, Any]]


def slow_run(
    exports: dict[str, list[dict[str, Any]]],
    rules: Rules,
    as_of: date,
    *,
    has_postings: bool,
    bank_from: date | None = None,  # noqa: ARG001 (a span that begins too late refuses a run at intake, before any engine)
    bank_through: date | None = None,
) -> SlowResult:
    """Work out a run from accepted rows: read the book, settle returns, match money, give states, then ask each account."""
    book = read_book(exports, rules, as_of, has_postings=has_postings, bank_through=bank_through)
    undone = settle_returns(book)
    nameless = {u.by.position for u in undone.undoings if u.by.outcome == "refunded" and undone.rule[u.by.position] == 3}
    if nameless:
        undone = settle_returns(book, _unasked(book, nameless))
    settled = settle(book, undone, match_money(book, undone))
    everyone = accounts(settled)
    return SlowResult(
        students=[student_row(a) for a in everyone],
        draws=draw_rows(settled),
        plans=[{**variance_row(a), **propose(a).row(rules.plans.notice_days)} for a in everyone if a.plans],
        events=event_rows(settled),
    )


def _unasked(book: Book, nameless: set[int]) -> frozenset[int]:
    """Money that no line asks for, as it shows when refunds without a name are left out."""
    without = replace(book, events=tuple(e for e in book.events if e.position not in nameless))
    undone = settle_returns(without)
    matched = match_money(without, undone)
    settled = {*matched.lines_of, *matched.hung, *matched.undecided}
    return frozenset(
        e.position
        for e in without.events
        if e.outcome == "cleared" and e.student_id and e.kind != "payment" and undone.left[e.position] and e.position not in settled
    )
