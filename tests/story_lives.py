"""What can happen to a student with a plan: one life each, told as an office would tell it, the truth written down with it.

A life first opens an account whose plan equals its bill, then does one thing to it. A life that the world's day leaves no room for is not
lived: the student stays untroubled. Money is int cents.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from story_card import DRAW_DATES, FEE, POSTING_LAG, Card, Draw, open_days, plus

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

Life = "Callable[[Card], bool]"
LIVES: dict[str, Callable[[Card], bool]] = {}
"""Every life by its name; True if it was lived."""


def life(told: Callable[[Card], bool]) -> Callable[[Card], bool]:
    """Enter a life under its name."""
    LIVES[told.__name__.replace("_", " ")] = told
    return told


# -- the account


def account(card: Card, *, method: str = "", enrolled: date | None = None, opening: int = 0, **off: Any) -> list[Draw]:
    """A bill and the plan that meets it; `opening`: more of the bill from the first day, for what the life adds at once."""
    rng = card.rng
    first = date(2026, 7, rng.randint(6, 14))
    if enrolled is None:
        latest = plus(card.as_of, -1)
        spans = [(date(2026, 7, 16), date(2026, 8, 5)), (date(2026, 8, 6), date(2026, 9, 4)), (date(2026, 9, 5), date(2026, 10, 5))]
        begin, end = rng.choices(spans, [70, 20, 10])[0]
        begin, end = spans[0] if begin >= latest else (begin, min(end, latest))
        enrolled = plus(begin, rng.randint(0, (end - begin).days))
    total = rng.randrange(2_000_00, 12_000_00)
    card.charge(first, total + opening)
    _what_else_stood_on_the_bill(card, first, enrolled)
    if card.office.fee_on_bill and off.get("fee", True):
        card.charge(enrolled, FEE, "plan fee")
    return card.plan(f"P{card.student_id}", enrolled, total, method or rng.choice(["bank", "bank", "bank", "card"]), **off)


def _what_else_stood_on_the_bill(card: Card, first: date, enrolled: date) -> None:
    """Charges met by aid and credits before the plan began, and what never counts."""
    rng = card.rng
    what = rng.choice(
        ["nothing", "disbursed", "to be disbursed", "expected", "sponsor", "brought forward", "waiver", "reversal", "no money"]
    )
    cents = rng.randrange(300_00, 3_000_00)
    if what in {"disbursed", "to be disbursed", "expected", "sponsor", "brought forward", "waiver", "reversal"}:
        card.charge(first, cents)
    if what == "disbursed":
        card.award(first, cents, "disbursed")
    elif what == "to be disbursed":
        paid = plus(enrolled, rng.randint(1, 60))
        card.award(first, cents, "disbursed", disbursed_on=paid, expected_on=paid)
    elif what == "expected":
        due = None if rng.random() < 0.3 else plus(card.as_of, rng.randint(-21, 30))
        card.award(first, cents, "anticipated", expected_on=due)
    elif what == "reversal":
        card.charge(enrolled, -cents)
    elif what == "no money":
        card.award(first, cents, "estimated", expected_on=first)
        card.award(first, cents, "anticipated", fund="work-study")
        card.award(first, cents, "cancelled", cancelled_on=plus(first, rng.randint(0, 2)))
    elif what != "nothing":
        card.credit(first, cents, what)


def _one(card: Card, found: Sequence[Draw]) -> Draw | None:
    return card.rng.choice(found) if found else None


def _odd(card: Card, most: int = 900_00) -> int:
    """An amount that nothing else in the world has, as far as chance goes."""
    return card.rng.randrange(100_00, most) // 100 * 100 + card.rng.randrange(11, 89)


def _between(card: Card, first: date | None = None) -> date:
    """A day after the plan began, by the as-of day."""
    begin = plus(first or card.base, 1)
    return plus(begin, card.rng.randint(0, max(0, (card.as_of - begin).days)))


def _back(card: Card, x: Draw, code: str = "R01", *, reversed_: bool = True, posted: bool = True, again: date | None = None) -> date:
    """The draw is taken (on its day, or again on another) and comes back two banking days later; with its name or without."""
    taken = again or x.settles
    reference = card.bank(x, taken, x.gross)
    if posted:
        card.post(x, taken, x.amount)
    day = open_days(taken, 2)
    named = {"original_reference": reference} if card.rng.random() < 0.5 else {}
    card.bank(x, day, x.gross, "returned", return_code=code, **named)
    if reversed_:
        card.post(x, day, -x.amount)
    return day


def _failed(card: Card, x: Draw, code: str = "R01", **how: Any) -> date:
    """Taken and back for good."""
    day = _back(card, x, code, **how)
    card.lost(x, "failed", "failed")
    card.plant("failed draw", x.amount, x)
    return day


def _over(card: Card) -> list[Draw]:
    """Draws whose window is over by the end of the bank's files and before the as-of day."""
    return [x for x in card.draws if x.kind == "draw" and x.window_end < card.as_of and x.window_end <= card.office.bank_through]


def _lag_over(card: Card, found: Sequence[Draw]) -> list[Draw]:
    """Draws that the ledger and the plan system should know of."""
    return [x for x in found if open_days(x.settles, POSTING_LAG[x.method]) < card.as_of]


def _ledger_waits(card: Card) -> bool:
    """A draw has cleared whose posting is still to come: within 25 days another posting of its amount counts as its own (nearest day)."""
    return any(x.settles <= card.office.known and open_days(x.settles, 1) > card.as_of for x in card.draws)


# -- draws that fail


@life
def a_draw_failed(card: Card) -> bool:
    """Insufficient funds; not presented again."""
    account(card, method="bank")
    x = _one(card, card.past(6))
    if x:
        _failed(card, x, card.rng.choice(["R01", "R01", "R09", "R06"]))
    return x is not None


@life
def failed_and_paid_at_the_second_try(card: Card) -> bool:
    """Presented again and paid: nothing to tell but that it came late."""
    account(card, method="bank")
    x = _one(card, card.past(21))
    if x is None:
        return False
    again = open_days(_back(card, x), card.rng.randint(2, 5))
    card.bank(x, again, x.gross)
    card.post(x, again, x.amount)
    card.cleared(x, x.amount)
    if again > x.window_end:
        card.plant("cleared late", x.amount, x)
    return True


@life
def failed_twice(card: Card) -> bool:
    """Presented again, and back again."""
    account(card, method="bank")
    x = _one(card, card.past(24))
    if x:
        _failed(card, x, again=open_days(_back(card, x), card.rng.randint(2, 5)))
    return x is not None


@life
def presented_too_often(card: Card) -> bool:
    """Four tries, where the code allows two more after the first."""
    account(card, method="bank")
    x = _one(card, card.past(40))
    if x is None:
        return False
    day = _back(card, x)
    for _ in range(2):
        day = _back(card, x, again=open_days(day, 2))
    _failed(card, x, again=open_days(day, 2))
    card.plant("presented too often", x.amount, x)
    return True


@life
def a_card_was_declined(card: Card) -> bool:
    """A decline never was money."""
    account(card, method="card")
    x = _one(card, card.past(6))
    if x is None:
        return False
    card.bank(x, x.settles, card.rng.choice([x.gross, x.amount]), "returned", return_code=card.rng.choice(["51", "05"]))
    card.lost(x, "failed", "failed")
    card.plant("failed draw", x.amount, x)
    return True


@life
def failed_and_paid_outside(card: Card) -> bool:
    """The family pays the failed draw at the office: the bill is met, the line stays failed."""
    account(card, method="bank")
    x = _one(card, card.past(14))
    if x:
        card.credit(plus(_failed(card, x), 4), x.amount, "payment")
        card.causes["other_credits_changed"] += x.amount
    return x is not None


@life
def the_banks_dispute_a_return(card: Card) -> bool:
    """R61 changes no money by itself."""
    account(card, method="bank")
    x = _one(card, card.past(12))
    if x:
        card.bank(x, open_days(_failed(card, x), 2), x.gross, "returned", return_code="R61", plan_id=x.plan_id)
    return x is not None


def _stop(card: Card) -> tuple[Draw, list[Draw]] | None:
    """A draw that comes back because the account is closed, and those taken later."""
    account(card, method="bank")
    x = _one(card, card.past(6))
    if x is None:
        return None
    card.stopped = True
    _failed(card, x, "R02")
    return x, [y for y in card.past() if y.day > x.day]


@life
def the_account_was_closed(card: Card) -> bool:
    """No draw may follow; each that follows all the same is told."""
    found = _stop(card)
    for y in found[1] if found else []:
        card.plant("drawn after a stop", y.amount, y)
    return found is not None


@life
def a_new_account_was_authorised(card: Card) -> bool:
    """After the return the family authorises another account, and draws go on."""
    found = _stop(card)
    if found is None:
        return False
    consent = plus(found[0].settles, 8)
    for x in card.draws:
        x.row["consent_on"] = consent
    card.stopped = consent > card.as_of
    return True


# -- draws not seen, or seen twice


@life
def a_draw_never_came(card: Card) -> bool:
    """The bank's file shows nothing of it."""
    account(card)
    x = _one(card, _over(card))
    if x:
        card.lost(x, "not seen", "pending")
        card.plant("no draw seen", x.amount, x)
    return x is not None


@life
def the_plan_system_believes_in_a_draw_that_never_came(card: Card) -> bool:
    """Posted in the plan system, unknown to the bank."""
    if not a_draw_never_came(card):
        return False
    x = next(x for x in card.draws if x.state == "not seen")
    x.row["schedule_says"] = "posted"
    card.plant("schedule says posted, bank does not", x.amount, x)
    return True


@life
def the_ledger_believes_in_a_draw_that_never_came(card: Card) -> bool:
    """Posted on the student's ledger, unknown to the bank."""
    if not a_draw_never_came(card):
        return False
    if _ledger_waits(card):
        return True
    x = next(x for x in card.draws if x.state == "not seen")
    card.post(x, x.settles, x.amount)
    card.plant("posted not cleared", x.amount)
    return True


@life
def taken_twice(card: Card) -> bool:
    """The same draw once more, inside its window."""
    account(card, method="bank")
    x = _one(card, card.past(6))
    if x is None:
        return False
    card.goes_well(x)
    card.bank(x, open_days(x.settles, card.rng.randint(0, 2)), x.amount)
    card.sums["draws_cleared"] += x.amount
    card.causes["without_a_line"] += x.amount
    card.plant("draw taken twice", x.amount)
    return True


@life
def a_draw_that_nobody_scheduled(card: Card) -> bool:
    """Money of no line's amount."""
    account(card)
    x = _one(card, card.past(14))
    if x is None:
        return False
    cents = x.amount // 3 + 17
    card.bank(x, open_days(x.settles, 8), cents, plan_id=x.plan_id)
    card.sums["draws_cleared"] += cents
    card.causes["without_a_line"] += cents
    card.plant("draw not on the schedule", cents)
    return True


@life
def three_sums_of_which_two_make_the_draw(card: Card) -> bool:
    """Nobody can say which two: all three are undecided, and the draw has no money."""
    account(card, method="bank")
    x = _one(card, _over(card))
    if x is None:
        return False
    half = x.amount // 2
    for at, cents in enumerate((half, x.amount - half, half)):
        card.bank(x, open_days(x.expected, at), cents, plan_id=x.plan_id)
    card.sums["draws_cleared"] += x.amount + half
    card.lost(x, "not seen", "pending")
    card.causes["without_a_line"] += x.amount + half
    card.plant("more than one way to match", x.amount + half)
    return True


@life
def a_return_of_nothing(card: Card) -> bool:
    """An amount that no draw has."""
    account(card, method="bank")
    x = _one(card, card.past(6))
    if x is None:
        return False
    cents = x.amount // 2 + 31
    named = card.rng.choice([{}, {"original_reference": "NOBODY"}])
    card.bank(x, open_days(x.settles, 2), cents, "returned", return_code="R01", plan_id=x.plan_id, **named)
    card.plant("return without a draw", cents)
    return True


@life
def the_bank_names_another_student(card: Card) -> bool:
    """The plan decides; the other student is untouched."""
    account(card)
    x = _one(card, card.past())
    if x is None:
        return False
    other = f"{(int(card.student_id) + 1) % 50:04d}"
    card.goes_well(x, plan_id=x.plan_id, student_id=other)
    card.plant("plan and student disagree", x.gross)
    return True


# -- draws that go well in another way


@life
def a_draw_in_two_parts(card: Card) -> bool:
    """Two sums that together are the draw."""
    account(card, method="bank")
    x = _one(card, card.past(4))
    if x is None:
        return False
    part = x.amount // 3
    for cents, day in ((part, x.settles), (x.amount - part, open_days(x.settles, 1))):
        card.bank(x, day, cents, plan_id=x.plan_id)
        card.post(x, day, cents)
    card.cleared(x, x.amount)
    return True


@life
def down_payment_and_first_draw_in_one_sum(card: Card) -> bool:
    """One sum for two lines."""
    draws = account(card, method="bank", enrolled=date(2026, 8, card.rng.randint(24, 31)))
    down, x = draws[0], next(x for x in draws if x.kind == "draw")
    if x.settles > card.office.known:
        return False
    card.bank(x, x.settles, down.amount + x.amount, plan_id=x.plan_id, kind="")
    card.post(x, x.settles, down.amount + x.amount)
    card.cleared(down, down.amount)
    card.cleared(x, x.amount)
    return True


@life
def a_late_draw(card: Card) -> bool:
    """After its window, within 25 days of its date."""
    account(card)
    x = _one(card, [x for x in card.past(16) if open_days(x.window_end, 2) <= card.office.known])
    if x is None:
        return False
    day = open_days(x.window_end, card.rng.randint(1, 2))
    card.bank(x, day, x.gross)
    card.post(x, day, x.amount)
    card.cleared(x, x.amount)
    card.plant("cleared late", x.amount, x)
    return True


@life
def an_early_draw(card: Card) -> bool:
    """A day or two before its date."""
    account(card)
    early = {
        DRAW_DATES[1]: date(2026, 9, 9),
        DRAW_DATES[2]: date(2026, 10, 8),
        DRAW_DATES[3]: date(2026, 11, 9),
        DRAW_DATES[4]: date(2026, 12, 8),
    }
    x = _one(card, [x for x in card.past() if x.day in early and early[x.day] > card.base])
    if x is None:
        return False
    card.bank(x, early[x.day], x.gross)
    card.post(x, early[x.day], x.amount)
    card.cleared(x, x.amount)
    card.plant("cleared early", x.amount, x)
    return True


@life
def a_draw_for_less(card: Card) -> bool:
    """A little less than scheduled."""
    account(card, method="bank")
    x = _one(card, card.past())
    if x is None:
        return False
    short = x.amount * card.rng.randint(2, 9) // 100
    card.bank(x, x.settles, x.amount - short)
    card.post(x, x.settles, x.amount - short)
    card.cleared(x, x.amount - short)
    card.causes["uncleared"] -= short
    card.plant("draw for less", short, x)
    return True


@life
def a_draw_for_more(card: Card) -> bool:
    """A little more than scheduled."""
    account(card, method="bank")
    x = _one(card, card.past())
    if x is None:
        return False
    more = x.amount * card.rng.randint(2, 9) // 100
    card.bank(x, x.settles, x.amount + more)
    card.post(x, x.settles, x.amount + more)
    card.cleared(x, x.amount + more)
    card.causes["above_schedule"] += more
    card.plant("draw for more", more, x)
    return True


@life
def part_of_a_draw_came_back(card: Card) -> bool:
    """The bank takes a part back, by name."""
    account(card, method="bank")
    x = _one(card, card.past(6))
    if x is None:
        return False
    part, day = x.amount // card.rng.choice([2, 3, 4]), open_days(x.settles, 2)
    reference = card.goes_well(x)
    card.sums["draws_cleared"] -= x.amount
    card.bank(x, day, part, "returned", return_code="R01", original_reference=reference)
    card.post(x, day, -part)
    card.cleared(x, x.amount - part)
    card.causes["uncleared"] -= part
    card.plant("draw for less", part, x)
    return True


@life
def a_course_dropped_and_refunded(card: Card) -> bool:
    """The office takes a charge off and gives as much of a draw back: plan and bill agree again."""
    account(card, method="bank")
    x = _one(card, card.past(14))
    if x is None or x.settles <= card.base:
        return False
    part = card.rng.choice([x.amount, x.amount // 2, x.amount // 5])
    reference = card.goes_well(x)
    card.sums["draws_cleared"] -= x.amount
    card.charge(open_days(x.settles, 1), -part)
    day = open_days(x.settles, 4)
    card.bank(x, day, part, "refunded", original_reference=reference)
    card.credit(open_days(day, 1), -part, card.rng.choice(["refund", "plan draw"]), counts=False)
    card.cleared(x, x.amount - part)
    card.causes["uncleared"] -= part
    card.causes["charges_changed"] += part
    return True


@life
def given_back_and_still_owed(card: Card) -> bool:
    """The office gives part of a draw back though the bill did not fall: so much has no draw behind it."""
    account(card, method="bank")
    x = _one(card, card.past(10))
    if x is None:
        return False
    part, day = x.amount // 4, open_days(x.settles, 3)
    reference = card.goes_well(x)
    card.sums["draws_cleared"] -= x.amount
    card.bank(x, day, part, "refunded", original_reference=reference)
    card.credit(open_days(day, 1), -part, "refund", counts=False)
    card.cleared(x, x.amount - part)
    card.causes["uncleared"] -= part
    card.apart -= part
    return True


@life
def taken_back_as_not_authorised(card: Card) -> bool:
    """The family says weeks later that it did not agree (R10): the latest draw is undone, and no draw may follow."""
    account(card, method="bank")
    late = max(card.past(20), key=lambda x: x.day, default=None)
    if late is None or any(x.day > late.day for x in card.past()):
        return False
    reference = card.goes_well(late)
    card.sums["draws_cleared"] -= late.amount
    day = open_days(plus(late.settles, card.rng.randint(8, 14)), 1)
    card.bank(late, day, late.gross, "returned", return_code="R10", original_reference=reference)
    card.post(late, day, -late.amount)
    card.lost(late, "failed", "failed")
    card.plant("failed draw", late.amount, late)
    card.stopped = True
    return True
