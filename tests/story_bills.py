"""What can happen to a student's bill, plan and ledger: the other lives of a story world. Money is int cents."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from story_card import FEE, POSTING_LAG, TIERS, open_days, plus, shares
from story_lives import _back, _between, _failed, _lag_over, _ledger_waits, _odd, _one, account, life

if TYPE_CHECKING:
    from story_card import Card, Draw

# -- the bill moves


@life
def a_course_dropped(card: Card) -> bool:
    """The plan exceeds the bill, or the account is in credit."""
    account(card)
    cents = _odd(card)
    card.charge(_between(card), -cents)
    card.causes["charges_changed"] += cents
    card.apart += cents
    return True


@life
def a_course_added(card: Card) -> bool:
    """The plan no longer reaches the bill."""
    account(card)
    cents = _odd(card)
    card.charge(_between(card), cents)
    card.causes["charges_changed"] -= cents
    card.apart -= cents
    return True


@life
def aid_arrived(card: Card) -> bool:
    """A scholarship after the plan was set."""
    account(card)
    cents, day = _odd(card), _between(card)
    kind = card.rng.choice(["disbursed", "anticipated"])
    if kind == "disbursed":
        card.award(day, cents, kind, disbursed_on=day)
    else:
        card.award(day, cents, kind, expected_on=plus(card.as_of, 9))
    card.causes["aid_changed"] += cents
    card.apart += cents
    return True


@life
def aid_was_cancelled(card: Card) -> bool:
    """Aid that stood when the plan was set is gone."""
    cents = _odd(card)
    account(card, opening=cents)
    status = card.rng.choice(["anticipated", "disbursed", "cancelled"])
    card.award(date(2026, 7, 14), cents, status, cancelled_on=_between(card))
    card.causes["aid_changed"] -= cents
    card.apart -= cents
    return True


@life
def aid_is_overdue(card: Card) -> bool:
    """Expected, and not come within the days of grace."""
    cents, due = _odd(card), plus(card.as_of, -22 - card.rng.randint(0, 9))
    account(card, opening=cents, enrolled=date(2026, 7, card.rng.randint(16, 31)))
    due = max(due, card.base)
    if plus(due, 21) >= card.as_of:
        due = plus(card.as_of, 3)
        card.award(date(2026, 7, 14), cents, "anticipated", expected_on=due)
        return True
    card.award(date(2026, 7, 14), cents, "anticipated", expected_on=due)
    card.causes["aid_changed"] -= cents
    card.plant("anticipated aid overdue", cents)
    return True


@life
def another_payer_came(card: Card) -> bool:
    """A sponsor, a waiver or a payment beside the plan."""
    account(card)
    cents = _odd(card)
    card.credit(_between(card), cents, card.rng.choice(["sponsor", "waiver", "payment", "brought forward"]))
    card.causes["other_credits_changed"] += cents
    card.apart += cents
    return True


@life
def a_fee_paid_at_the_bank(card: Card) -> bool:
    """A late charge, paid through the bank as an ordinary payment: it counts once, through the ledger."""
    draws = account(card)
    cents, day = _odd(card), _between(card)
    if day > card.office.known:
        return False
    card.charge(day, cents)
    card.bank(draws[0], day, cents, plan_id="", student_id=card.student_id, kind="payment", method="bank")
    card.credit(day, cents, "payment")
    card.causes["charges_changed"] -= cents
    card.causes["other_credits_changed"] += cents
    return True


@life
def a_fine(card: Card) -> bool:
    """No plan is meant to pay it; paid or not, the plan agrees with its bill."""
    account(card)
    cents, day = 25_00, _between(card)
    card.charge(day, cents, "library fine")
    paid = plus(day, card.rng.randint(0, 9))
    if card.rng.random() < 0.5 and paid <= card.as_of:
        card.credit(paid, cents, "payment")
    else:
        card.open_outside += cents
    return True


# -- the plan is changed


@life
def set_anew_after_a_drop(card: Card) -> bool:
    """The bill fell, and the draws still to come were lowered by as much."""
    draws = account(card)
    coming = [x for x in draws if x.kind == "draw" and x.day > card.as_of]
    if not coming:
        return False
    cents, day = sum(x.amount for x in coming) // 3, _between(card)
    card.charge(_between(card, card.base) if card.base == day else day, -cents)
    _resize(coming, -cents)
    total = card.totals[coming[0].plan_id] - cents
    card.set_anew(card.as_of, coming[0].plan_id, total)
    return True


def _resize(coming: list[Draw], cents: int) -> None:
    """Share so many cents over draws still to come."""
    sign = 1 if cents > 0 else -1
    for x, part in zip(coming, shares(abs(cents), len(coming)), strict=True):
        x.amount += sign * part
        x.row["amount"] = x.amount


@life
def a_failed_draw_spread_over_the_rest(card: Card) -> bool:
    """The failed money is in the plan twice, once lost and once to come: no line of the plan exceeds the bill by it."""
    draws = account(card, method="bank")
    x, coming = _one(card, card.past(9)), [x for x in draws if x.kind == "draw" and x.day > card.as_of]
    if x is None or not coming:
        return False
    day = plus(_failed(card, x), 3)
    _resize(coming, x.amount)
    card.set_anew(day, x.plan_id, card.totals[x.plan_id])
    card.causes["failed_and_not_seen"] += x.amount
    return True


def _cancel(card: Card, lines: list[Draw], day: date) -> int:
    for x in lines:
        x.row |= {"line_status": "cancelled", "cancelled_on": day}
        x.state, x.told = "cancelled", True
    cents = sum(x.amount for x in lines)
    card.causes["cancelled"] -= cents
    return cents


@life
def a_cancelled_plan_was_drawn(card: Card) -> bool:
    """The rest of the plan was cancelled, and the next draw was taken all the same."""
    draws = account(card)
    x = _one(card, card.past()[1:])
    if x is None or plus(x.day, -5) <= card.base:
        return False
    cents = _cancel(card, [y for y in draws if y.kind == "draw" and y.day >= x.day], plus(x.day, -5))
    card.bank(x, x.settles, x.gross)
    card.post(x, x.settles, x.amount)
    card.stayed(x, "cleared", x.amount, "posted")
    card.causes["without_a_line"] += x.amount
    card.plant("draw after cancellation", x.amount, x)
    card.apart = x.amount - cents
    return True


@life
def a_plan_paid_off(card: Card) -> bool:
    """The family pays the rest at once, and the rest of the plan is cancelled; sometimes it pays too much."""
    draws = account(card)
    coming = [x for x in draws if x.kind == "draw" and x.day > card.as_of]
    if not coming or len(coming) == len([x for x in draws if x.kind == "draw"]):
        return False
    day = plus(card.as_of, -2)
    if day <= card.base:
        return False
    cents = _cancel(card, coming, day)
    more = card.rng.choice([0, 0, _odd(card)])
    card.credit(day, cents + more, "payment")
    card.causes["other_credits_changed"] += cents + more
    card.apart = more
    return True


@life
def a_second_plan(card: Card) -> bool:
    """Two plans in one term: for a later charge, or for nothing."""
    account(card, enrolled=date(2026, 7, card.rng.randint(16, 31)))
    enrolled = plus(date(2026, 8, 1), card.rng.randint(0, 60))
    if enrolled >= card.as_of:
        return False
    cents, asked = _odd(card, 4_000_00) + 1_000_00, card.rng.random() < 0.6
    if asked:
        card.charge(enrolled, cents)
    else:
        card.causes["set_off_the_bill"] += cents
        card.apart += cents
    if card.office.fee_on_bill:
        card.charge(enrolled, FEE, "plan fee")
    first = [x for x in card.draws if x.kind == "draw"]
    second = [x for x in card.plan(f"P{card.student_id}B", enrolled, cents, "bank") if x.kind != "fee"]
    ahead = [[x for x in some if x.settles > card.office.known] for some in (first, second)]
    if asked and all(ahead):
        card.plant("second plan", sum(x.amount for x in ahead[1]))
    return True


# -- the plan is not by the rules


@life
def lines_that_do_not_add_up(card: Card) -> bool:
    """The plan total says more than its lines."""
    draws = account(card)
    cents, plan_id = _odd(card), draws[0].plan_id
    for x in draws:
        x.row["plan_total"] += cents
    card.totals[plan_id] += cents
    card.causes["set_off_the_bill"] += cents
    card.causes["does_not_add_up"] -= cents
    card.plant("schedule does not add up", -cents)
    return True


@life
def no_down_payment(card: Card) -> bool:
    """Begun late enough for one, and without."""
    enrolled = date(2026, 8, card.rng.randint(6, 31))
    draws = account(card, enrolled=enrolled, down=False)
    percent = next(tier[1] for tier in TIERS if enrolled <= tier[0])
    card.plant("no down payment line", (card.totals[draws[0].plan_id] * percent + 50) // 100)
    return True


@life
def no_fee_line(card: Card) -> bool:
    """Other plans of the export have one."""
    account(card, fee=False)
    card.plant("fee missing", FEE)
    return True


@life
def draws_of_other_amounts(card: Card) -> bool:
    """Total and dates by the rules, amounts not."""
    draws = [x for x in account(card) if x.kind == "draw"]
    for x, cents in ((draws[0], -100_00), (draws[1], 100_00)):
        x.amount += cents
        x.row["amount"] = x.amount
    card.plant("schedule off the rules", None)
    return True


@life
def enrolled_after_the_last_day(card: Card) -> bool:
    """Let in after the last day to enroll, on the terms of the last tier."""
    last = TIERS[-1][0]
    if card.as_of <= plus(last, 1):
        return False
    enrolled = plus(last, card.rng.randint(1, min(4, (card.as_of - last).days - 1)))
    draws = account(card, enrolled=last)
    for x in draws:
        x.row |= {"enrolled_on": enrolled, "set_on": enrolled, "consent_on": enrolled}
    for x in draws:
        if x.kind != "draw":
            x.day = x.row["draw_date"] = enrolled
    card.base = enrolled
    card.plant("enrolled too late", card.totals[draws[0].plan_id])
    return True


# -- systems apart


@life
def posted_with_another_amount(card: Card) -> bool:
    """A slip on the ledger."""
    account(card)
    x = _one(card, card.past(7))
    if x is None:
        return False
    card.goes_well(x, posted=False)
    cents = x.amount * card.rng.choice([-1, 1]) * card.rng.randint(1, 9) // 100
    card.post(x, x.settles, x.amount + cents)
    card.plant("posted amount differs", cents)
    return True


@life
def not_posted(card: Card) -> bool:
    """The bank has it, the ledger not, and the lag is over."""
    account(card)
    x = _one(card, _lag_over(card, card.past()))
    if x:
        card.goes_well(x, posted=False)
        card.plant("cleared not posted", x.amount)
    return x is not None


@life
def posted_twice(card: Card) -> bool:
    """One draw, two postings."""
    account(card)
    x = _one(card, card.past(8))
    if x and not _ledger_waits(card):
        card.goes_well(x)
        card.credit(open_days(x.settles, 3), x.amount, "plan draw")
        card.plant("posted twice", x.amount)
    return x is not None


@life
def posted_as_a_payment(card: Card) -> bool:
    """A draw on the ledger under another name: it counts once."""
    account(card)
    x = _one(card, card.past(8))
    if x:
        card.goes_well(x, posted=False)
        day = open_days(x.settles, card.rng.randint(0, POSTING_LAG[x.method]))
        card.credit(day, x.amount, "payment", counts=False)
        card.plant("posted as another kind", x.amount)
    return x is not None


@life
def a_return_that_stays_on_the_ledger(card: Card) -> bool:
    """The bank took it back, the ledger still has it."""
    account(card, method="bank")
    x = _one(card, card.past(14))
    if x:
        _failed(card, x, reversed_=False)
        card.plant("return not reversed", x.amount)
    return x is not None


@life
def never_posted_and_never_reversed(card: Card) -> bool:
    """Come back before anyone posted it: nothing to reverse."""
    account(card, method="bank")
    x = _one(card, card.past(12))
    if x:
        _back_unposted(card, x)
    return x is not None


def _back_unposted(card: Card, x: Draw) -> None:
    _back(card, x, posted=False, reversed_=False)
    card.lost(x, "failed", "failed")
    card.plant("failed draw", x.amount, x)


@life
def the_plan_system_missed_a_draw(card: Card) -> bool:
    """It still says pending, or even failed."""
    account(card)
    x = _one(card, _lag_over(card, card.past()))
    if x:
        said = card.rng.choice(["pending", "failed"])
        card.goes_well(x)
        x.row["schedule_says"] = said
        card.plant(f"bank cleared, schedule says {said}", x.amount, x)
    return x is not None


@life
def the_plan_system_missed_a_return(card: Card) -> bool:
    """It still says posted."""
    account(card, method="bank")
    x = _one(card, card.past(7))
    if x:
        _failed(card, x)
        x.row["schedule_says"] = "posted"
        card.plant("schedule says posted, bank does not", x.amount, x)
    return x is not None
