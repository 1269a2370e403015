"""Cautions that go with advice: a credit that federal aid may have made and its 14 days, and a plan spread anew that counsel should see.

A caution names the rule and the day, and leaves the decision to those who answer for it: the college's own policy and its counsel.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.exception_columns import Columns
from reconcile.exception_facts import day_text, listed
from reconcile.money import people_money
from reconcile.notices import aid_credit_due
from reconcile.schedule import MOST_INSTALLMENTS

if TYPE_CHECKING:
    from reconcile.exception_ground import Ground
    from reconcile.proposals import Advice


def credit_due(on: Ground, row: int) -> int:
    """By when the credit of a row of plans is generally paid if federal aid made it: a day number."""
    term, since = on.rules.term(on.plans["term"][row]), in_credit_since(on, row)
    start = int(np.datetime64(term.class_start, "D").astype("int64")) if term else since
    return aid_credit_due(since, start)


def credit_clock(on: Ground, row: int) -> str:
    """The clock of a credit that federal aid may have made, in words, the day first if it has passed; "" where there is no credit."""
    if on.balance_now[row] >= 0:
        return ""
    due = credit_due(on, row)
    clock = "14 days from the day it arose or the first day of class (34 CFR 668.164(h)); the college's counsel confirms the day"
    if due < on.today:
        return f"{day_text(due)} has passed: where federal aid made the credit, it is generally paid by then, {clock}."
    return f"Where federal aid made it, it is generally paid by {day_text(due)}: {clock}."


def aid_behind(on: Ground, row: int) -> str:
    """The disbursed aid that may have made a credit, fund by fund, in words; "" if none did.

    It is what came since the credit arose; where none came and it arose as charges were taken off the bill, all aid on the account; none
    where payments or draws made the credit.
    """
    aid, since = on.aid, in_credit_since(on, row)
    fell = any(on.charges["posted_on"][at] == since and on.charges["amount"][at] < 0 for at in on.mine("charges", row))
    paid = [
        (max(int(aid["disbursed_on"][at]), int(aid["posted_on"][at])), str(aid["fund"][at]), int(aid["amount"][at]))
        for at in on.mine("aid", row)
        if aid["standing"][at] == "disbursed"
    ]
    found: dict[str, tuple[int, int]] = {}
    for day, fund, cents in [one for one in paid if one[0] >= since] or (paid if fell else []):
        last, total = found.get(fund, (day, 0))
        found[fund] = (max(last, day), total + cents)
    return listed(f"{fund} {people_money(cents)} (on {day_text(day)})" for fund, (day, cents) in sorted(found.items()) if cents > 0)


def movements(on: Ground, row: int) -> list[tuple[int, int, str]]:
    """Day, cents (what raises the balance is positive) and evidence of all that moved one student's account in the term."""
    aid, credits_ = on.aid, Columns(on.at.credit_rows)
    found = [(int(on.charges["posted_on"][at]), int(on.charges["amount"][at]), on.charges.at(at)) for at in on.mine("charges", row)]
    paid = [at for at in on.mine("aid", row) if aid["standing"][at] == "disbursed"]
    found += [(max(int(aid["disbursed_on"][at]), int(aid["posted_on"][at])), -int(aid["amount"][at]), aid.at(at)) for at in paid]
    for at in on.mine("credit_rows", row):
        source = on.postings if credits_["source"][at] == "posting" else on.events
        found.append((int(credits_["day"][at]), -int(credits_["cents"][at]), source.at(int(credits_["at"][at]))))
    for at in on.mine("money", row):
        stayed = sum(int(on.money[name][at]) for name in ("on_lines", "on_cancelled_lines", "undecided", "without_a_line"))
        if stayed:
            found.append((int(on.events["settled_on"][at]), -stayed, on.events.at(at)))
    return sorted(found)


def in_credit_since(on: Ground, row: int) -> int:
    """The day since which the account has stood in credit without a break."""
    balance, since, days = 0, None, movements(on, row)
    for at, (day, cents, _where) in enumerate(days):
        balance += cents
        if at + 1 < len(days) and days[at + 1][0] == day:
            continue
        if balance >= 0:
            since = None
        elif since is None:
            since = day
    return on.today if since is None else since


def ask_counsel(on: Ground, row: int, advice: Advice) -> str:
    """Where draws are raised: more than four of them to come, or a fee beside them, can make the plan credit; "" otherwise.

    Source: Regulation Z, 12 CFR 1026.2(a)(17), second-hand: a finance charge, or more than four installments besides a down payment.
    """
    if not any(new > old for _day, old, new, _plan, _line in advice.draws):
        return ""
    count = int(on.coming.count_of_installments[row])
    if count > MOST_INSTALLMENTS:  # what becomes nothing is none
        lines, new = on.lines, {(plan, line): cents for _day, _old, cents, plan, line in advice.draws}
        count = sum(new.get((lines["plan_id"][at], lines["line"][at]), 1) > 0 for at in on.mine("lines", row) if on.coming.installments[at])
    why = [*([f"{count} installments"] if count > MOST_INSTALLMENTS else []), *(["a fee"] if on.coming.has_fee[row] else [])]
    if not why:
        return ""
    return f"Money spread anew over a plan with {' and '.join(why)} can be credit (Regulation Z, 12 CFR 1026.2(a)(17)): ask counsel."
