"""The catalogue of exceptions: every kind with its group, what it means, and the sentence that tells it.

An exception is one thing that a person of the office should look at. The groups stand in order of harm: first what can take money that a
family does not owe, last what is only for the record. The rules say of each kind how severe it is here, who owns it and what is done first
(`rules/exceptions.toml`); every kind must stand there, so this catalogue is read before any step runs.

A sentence names who it is about ({who}: student, plan, line), both amounts, the difference in words and what it does to the bill.
"""

from __future__ import annotations

from typing import NamedTuple


class Kind(NamedTuple):
    """One kind: its name as people and files write it, its group, its meaning for a newcomer, and its sentence with named gaps."""

    name: str
    group: str
    meaning: str
    sentence: str


MONEY = "money about to be taken wrongly"
BILL = "bill not truly covered"
UNDECIDED_GROUP = "undecided"
PLAN = "plan not by the rules"
SYSTEMS = "systems apart"
REFUND = "refund due"
TIMING = "timing"

CATALOGUE: tuple[Kind, ...] = (
    Kind(
        "plan exceeds bill",
        MONEY,
        "The draws still to come would take more than is left of the bill.",
        "{who}: draws of {pending} are still to come but {left}: plan over by {variance}, {why}; "
        "if nothing changes, {amount} more is drawn than the bill asks.",
    ),
    Kind(
        "draw after cancellation",
        MONEY,
        "A draw was cancelled, and the bank took it all the same.",
        "{who}: {amount} was drawn on {day} although the {draw} of {draw_date} for {scheduled} was cancelled {cancelled}; {consequence}.",
    ),
    Kind(
        "draw taken twice",
        MONEY,
        "A draw that had cleared was taken once more.",
        "{who}: {amount} was taken on {day} although {first}; it was taken twice, {amount} too much, and {consequence}.",
    ),
    Kind(
        "draw for more",
        MONEY,
        "A draw took more than was scheduled.",
        "{who}: the {draw} of {draw_date} took {cleared} where {scheduled} was scheduled, {amount} too much; {consequence}.",
    ),
    Kind(
        "draw not on the schedule",
        MONEY,
        "Money was drawn that no line of a plan asks for.",
        "{who}: {amount} was drawn on {day} and no draw was scheduled for it; {consequence}{more}.",
    ),
    Kind(
        "drawn after a stop",
        MONEY,
        "A return code forbade any further draw on the plan, and a draw was taken afterwards.",
        "{who}: {amount} was drawn on {day} although the return of {stopped} ({code}) says that no further draw may be "
        "taken on this plan{until}; {consequence}.",
    ),
    Kind(
        "presented too often",
        MONEY,
        "A draw that came back was presented again more often than its return code allows.",
        "{who}: the {draw} of {draw_date} for {scheduled} was presented again {times}, and its code ({code}) allows {allowed}; "
        "{in_hand} in hand, and {consequence}.",
    ),
    Kind(
        "failed draw",
        BILL,
        "The last attempt at a draw came back unpaid: the bill may read as paid with nothing behind it.",
        "{who}: the {draw} of {draw_date} for {scheduled} {came_back} on {day} ({code}), so none of it is in hand; {consequence}{more}.",
    ),
    Kind(
        "no draw seen",
        BILL,
        "A draw should have shown in the bank's files by now and has not.",
        "{who}: the {draw} of {draw_date} for {scheduled} should have shown by {day} and none of it is in the bank's files; "
        "{consequence}{more}.",
    ),
    Kind(
        "draw for less",
        BILL,
        "A draw brought less than was scheduled, and the office did not give the difference back.",
        "{who}: the {draw} of {draw_date} {brought}, {amount} too little; {consequence}.",
    ),
    Kind(
        "bill short",
        BILL,
        "Part of the bill is open, and the plan has no line left to take it.",
        "{who}: {left} and no draw is left to take: bill short by {variance}, {why}; that much has nothing behind it.",
    ),
    Kind(
        "plan below bill",
        BILL,
        "The draws still to come do not reach what is left of the bill.",
        "{who}: draws of {pending} are still to come but {left}: plan short by {variance}, {why}; "
        "that much of the bill has no draw behind it.",
    ),
    Kind(
        "anticipated aid overdue",
        BILL,
        "Aid that the bill counted on has not come, and the days of grace are over.",
        "{who}: {amount} of {fund} was expected by {expected} and none of it has come, so it no longer counts on the bill; {consequence}.",
    ),
    Kind(
        "more than one way to match",
        UNDECIDED_GROUP,
        "Bank money fits the draws in more than one way, and nothing says which is right.",
        "{who}: {amount} taken from {day} on fits {lines} in more than one way; until a person decides, it counts {counts} and for no "
        "draw; {consequence}.",
    ),
    Kind(
        "bank event for an unknown student or plan",
        UNDECIDED_GROUP,
        "The bank's file names a student or plan that no schedule knows.",
        "{who}: the bank's file shows {amount} {outcome} on {day}, and {unknown}; none of it counts on any bill.",
    ),
    Kind(
        "plan and student disagree",
        UNDECIDED_GROUP,
        "The bank's file names a plan and another student than the plan's own; the plan decides.",
        "{who}: the bank's file names student {named} beside this plan for {amount} on {day}; it counts for the plan's own student, "
        "not for the other, and {consequence}.",
    ),
    Kind(
        "return without a draw",
        UNDECIDED_GROUP,
        "Money came back that fits no draw, so it undoes none.",
        "{who}: {amount} {outcome} on {day}{code} and {fits}, so it undoes nothing; {consequence}{more}.",
    ),
    Kind(
        "second plan",
        PLAN,
        "A student has two plans in one term, both with draws still to take.",
        "{who}: it stands beside plan {other}, and both have money still to come ({amount} here, {other_amount} there); {consequence}.",
    ),
    Kind(
        "enrolled too late",
        PLAN,
        "The plan began after the last day on which the rules let a family enroll.",
        "{who}: the plan of {amount} began on {day}, and {last} was the last day to enroll; {consequence}.",
    ),
    Kind(
        "schedule off the rules",
        PLAN,
        "The plan's dates or amounts are not those that the rules would write.",
        "{who}: {differs}; {consequence}.",
    ),
    Kind(
        "schedule does not add up",
        PLAN,
        "The lines of a plan do not come to its plan total.",
        "{who}: the lines come to {lines} and the plan total says {total}, lines {side} by {size}; {consequence}.",
    ),
    Kind(
        "no down payment line",
        PLAN,
        "The plan began late enough to ask for a down payment, and has none.",
        "{who}: the plan began on {day}, when the rules ask for {amount} down of {total}, and it has no such line; {consequence}.",
    ),
    Kind(
        "fee missing",
        PLAN,
        "The plan has no line for the enrollment fee, while other plans of the exports have one.",
        "{who}: the rules ask for an enrollment fee of {amount}, and the plan has no line for it; {consequence}.",
    ),
    Kind(
        "schedule says posted, bank does not",
        SYSTEMS,
        "The plan system counts a draw as paid that the bank sent back or never showed.",
        "{who}: the plan system shows the {draw} of {draw_date} for {scheduled} as posted, the bank {bank}: none of it is in hand, "
        "and {consequence}.",
    ),
    Kind(
        "bank cleared, schedule says pending",
        SYSTEMS,
        "The bank cleared a draw that the plan system still holds for pending.",
        "{who}: {amount} of the {draw} of {draw_date} cleared on {day}, and the plan system still shows {scheduled} as pending; "
        "it may take the draw a second time.",
    ),
    Kind(
        "bank cleared, schedule says failed",
        SYSTEMS,
        "The bank cleared a draw that the plan system holds for failed: it may take it a second time.",
        "{who}: {amount} of the {draw} of {draw_date} cleared on {day}, and the plan system shows {scheduled} as failed; "
        "it may take the draw a second time.",
    ),
    Kind(
        "cleared not posted",
        SYSTEMS,
        "The bank cleared a draw, or a payment beside the plan, that does not stand on the student's ledger.",
        "{who}: {what}{amount} cleared on {day} and none of it stands on the student's ledger {since}, so the ledger shows the bill "
        "{amount} higher than it is.",
    ),
    Kind(
        "posted not cleared",
        SYSTEMS,
        "The student's ledger shows a draw, or one taken off again, that the bank does not show.",
        "{who}: the student's ledger shows {what} of {size} on {day} and the bank's files show none of it, so the ledger shows the bill "
        "{size} {side} than it is.",
    ),
    Kind(
        "return not reversed",
        SYSTEMS,
        "A draw came back, and the student's ledger still shows it as paid.",
        "{who}: {amount} {outcome} on {day}, and the posting of {posted} {stands} on the student's ledger, so the ledger shows "
        "the bill {amount} lower than it is.",
    ),
    Kind(
        "posted amount differs",
        SYSTEMS,
        "A draw stands on the student's ledger with another amount than the bank's.",
        "{who}: the bank cleared {bank} on {day} and the student's ledger shows {ledger}, ledger {side} by {size}, so the ledger shows "
        "the bill {size} {bill} than it is.",
    ),
    Kind(
        "posted twice",
        SYSTEMS,
        "One draw stands on the student's ledger twice.",
        "{who}: the bank cleared {amount} once, on {cleared}, and the student's ledger shows it again on {day}, so the ledger shows the "
        "bill {amount} lower than it is.",
    ),
    Kind(
        "posted as another kind",
        SYSTEMS,
        "A draw was posted on the student's ledger as a payment.",
        "{who}: the draw of {amount} that {outcome} on {day} was posted as a payment on {posted}; it is counted once, as a draw, "
        "and {consequence}.",
    ),
    Kind(
        "credit balance",
        REFUND,
        "The account is in credit, and no draw is left to take.",
        "{who}: the account has been in credit since {day}, by {credit} today, and no draw is to come: {amount} above the bill"
        "{more}; it may be due back.",
    ),
    Kind(
        "cleared late",
        TIMING,
        "A draw cleared after its window.",
        "{who}: the {draw} of {draw_date} for {scheduled} brought {amount} on {day}, after its window to {window}; {consequence}.",
    ),
    Kind(
        "cleared early",
        TIMING,
        "A draw cleared before its draw date.",
        "{who}: the {draw} of {draw_date} for {scheduled} brought {amount} on {day}, before its date; {consequence}.",
    ),
    Kind(
        "return after the close",
        TIMING,
        "A draw that had cleared in a closed month came back after the close.",
        "{who}: {amount} of the {draw} of {draw_date}, cleared in a closed month, came back on {day}; it stands in the month that read it.",
    ),
)
"""Every kind in order of harm, first the kinds that can take money which a family does not owe."""

BY_NAME: dict[str, Kind] = {kind.name: kind for kind in CATALOGUE}

KINDS: tuple[str, ...] = tuple(kind.name for kind in CATALOGUE)
"""Every kind's name, in order of harm."""

GROUPS: dict[str, tuple[str, ...]] = {
    group: tuple(kind.name for kind in CATALOGUE if kind.group == group) for group in dict.fromkeys(kind.group for kind in CATALOGUE)
}
"""Group to its kinds; the order is the order of harm."""
