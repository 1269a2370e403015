"""Planted cases of money that comes back: every rule of returns, refunds, codes of every class, and draws presented again.

Worked out by hand as of 20 November 2026, for plans of five equal draws. Expected settlement and windows: see `sample_planted_draws`.
"""

from __future__ import annotations

from datetime import date

from sample_college import Books, card_fee
from sample_story import NOV_BACK, OCT_BACK, SEPT_BACK, fall_plan, says_nothing, told


def add_planted_returns(books: Books) -> None:
    """Add every planted case of money that comes back."""
    _named_returns(books)
    _unnamed_returns(books)
    _refunds(books)
    _codes(books)
    _presented_again(books)


def _named_returns(books: Books) -> None:
    # 700.00 of September's 1,655.31 came back: 955.31 stays.
    plan = told(fall_plan(books, 123415, "Birkentree, Siân", 827655), "700.00 of September's draw came back, naming the draw")
    plan.take_all("2")
    first = plan.take("2")
    plan.back(SEPT_BACK, 70000, "R06", of=first)
    plan.expect("state", "part cleared", 95531, line="2")
    plan.expect("return rule", "1", 70000, line="2")
    plan.expect("exception kind", "draw for less", 70000, line="2")
    plan.expect("coverage", "short")
    says_nothing(plan, "2")

    plan = told(fall_plan(books, 123473, "Ivelchester, Nadir", 368885), "October's draw came back naming a reference that nobody knows")
    plan.take_all("3")
    plan.back(date(2026, 10, 15), 73777, "R01", of="SET-0009999", reversed_on_ledger=False)
    plan.expect("state", "failed", 0, line="3")
    plan.expect("return rule", "2", 73777, line="3")
    plan.expect("exception kind", "failed draw", 73777, line="3")
    plan.expect("coverage", "short")

    # 1,000.00 came back of a draw of 925.21: 925.21 undone, 74.79 fits nothing.
    plan = told(fall_plan(books, 123474, "Juniperhill, Kavya", 462605), "a return of 1,000.00 names October's draw of 925.21")
    plan.take_all("3")
    first = plan.take("3")
    plan.back(OCT_BACK, 100000, "R01", of=first)
    plan.expect("state", "failed", 0, line="3")
    plan.expect("return rule", "1", 92521, line="3")
    plan.expect("return rule", "5", 7479)
    plan.expect("exception kind", "failed draw", 92521, line="3")
    plan.expect("exception kind", "return without a draw", 7479)
    plan.expect("coverage", "short")


def _unnamed_returns(books: Books) -> None:
    # Card 1,024.08 + 29.19: declined, never cleared.
    plan = told(fall_plan(books, 123416, "Dunnockshaw, Yusuf", 512040, method="card"), "November's card draw was declined (51)")
    plan.take_all("4")
    plan.back(date(2026, 11, 13), 102408 + card_fee(102408), "51", reversed_on_ledger=False)
    plan.expect("state", "failed", 0, line="4")
    plan.expect("return rule", "2", 105327, line="4")
    plan.expect("exception kind", "failed draw", 102408, line="4")
    plan.expect("coverage", "short")

    plan = told(
        fall_plan(books, 123417, "Eiderfell, Gwendolyn", 600615, method="card"),
        "October's card draw was declined and cleared four days later",
    )
    plan.take_all("3")
    plan.back(date(2026, 10, 15), 120123 + card_fee(120123), "51", reversed_on_ledger=False, line="3")
    plan.take("3", date(2026, 10, 19))
    plan.expect("state", "cleared", 120123, line="3")
    plan.expect("return rule", "2", 123547, line="3")
    plan.expect("coverage", "covered by pending")

    # 27 October is past October's window and past R01's two banking days (and four days' grace) from every cleared draw.
    plan = told(
        fall_plan(books, 123418, "Gorsebank, Caspian", 535065), "October's draw came back R01 on 27 October, never shown as cleared"
    )
    plan.take_all("3")
    plan.back(date(2026, 10, 27), 107013, "R01", reversed_on_ledger=False)
    plan.expect("state", "failed", 0, line="3")
    plan.expect("return rule", "4", 107013, line="3")
    plan.expect("exception kind", "failed draw", 107013, line="3")
    plan.expect("coverage", "short")

    plan = told(fall_plan(books, 123419, "Hollinsclough, Edda", 679010), "a return of 333.33 that fits no draw")
    plan.take_all()
    plan.back(date(2026, 10, 20), 33333, "R01", reversed_on_ledger=False)
    plan.expect("return rule", "5", 33333)
    plan.expect("exception kind", "return without a draw", 33333)
    plan.expect("coverage", "covered by pending")


def _refunds(books: Books) -> None:
    # A course of 1,322.18 dropped on 15 October and September's draw of 1,322.18 given back: bill and plan agree.
    plan = told(fall_plan(books, 123420, "Kestrelby, Rosalind", 661090), "September's draw given back whole after a dropped course")
    plan.take_all("2")
    first = plan.take("2")
    books.charge(plan.student_id, -132218, date(2026, 10, 15), "tuition", "Course dropped")
    plan.back(date(2026, 10, 20), 132218, of=first, refund=True)
    plan.expect("state", "cancelled", 0, line="2")
    plan.expect("return rule", "1", 132218, line="2")
    plan.expect("coverage", "covered by pending")
    says_nothing(plan, "2")

    plan = told(fall_plan(books, 123421, "Larkenshaw, Tamsin", 772035), "250.00 of October's draw given back after a meal plan change")
    plan.take_all("3")
    first = plan.take("3")
    books.charge(plan.student_id, -25000, date(2026, 11, 2), "meal plan", "Meal plan changed")
    plan.back(date(2026, 11, 5), 25000, of=first, refund=True)
    plan.expect("state", "part cleared", 129407, line="3")
    plan.expect("return rule", "1", 25000, line="3")
    plan.expect("coverage", "covered by pending")

    # The refund names nothing: it undoes the latest standing event of that amount, the second of October's two.
    plan = told(fall_plan(books, 123422, "Cobblestane, Soren", 594560), "October's draw taken twice, the second given back")
    plan.take_all("3")
    plan.take("3", naming="plan")
    plan.take("3", OCT_BACK, naming="plan")
    plan.back(date(2026, 10, 23), 118912, refund=True)
    plan.expect("state", "cleared", 118912, line="3")
    plan.expect("pass", "exact", line="3")
    plan.expect("return rule", "3", 118912)
    plan.expect("coverage", "covered by pending")


def _codes(books: Books) -> None:
    for number, total, name, codes in (
        (123423, 487075, "Pellworth, Amara", ((date(2026, 9, 22), "R61"),)),
        (123424, 513340, "McTavering, Florian", ((date(2026, 9, 22), "R61"), (date(2026, 9, 29), "R71"))),
    ):
        story = f"September's draw came back R01, then {' and '.join(code for _, code in codes)}: a person decides"
        plan = told(fall_plan(books, number, name, total), story)
        plan.take_all("2")
        cents = plan.lines["2"].amount
        first = plan.take("2")
        says_nothing(plan, "2")
        plan.back(SEPT_BACK, cents, "R01", of=first)
        for day, code in codes:
            plan.back(day, cents, code, of=first, reversed_on_ledger=False)
            plan.expect("return rule", "told", cents, line="2", note=f"{code} moves no money by itself")
        plan.expect("state", "failed", 0, line="2")
        plan.expect("return rule", "1", cents, line="2")
        plan.expect(
            "exception kind", "failed draw", cents, line="2", note="no proposed draws and nothing presented again: a person decides"
        )
        plan.expect("proposal", "none", note="a person decides first")
        plan.expect("coverage", "short")

    plan = told(fall_plan(books, 123425, "Ashgrove, Vikram", 632575), "October's draw came back with a code that no rule knows (R99)")
    plan.take_all()
    plan.back(OCT_BACK, 126515, "R99")
    plan.expect("state", "failed", 0, line="3")
    plan.expect("return rule", "3", 126515, line="3")
    plan.expect("exception kind", "failed draw", 126515, line="3")
    plan.expect("coverage", "short")

    # 1,237.57 twice and 1,237.56 three times. September settled on the 14th; the R10 of 16 November comes on day 63, within sixty days and
    # four, and fits September alone: August is 97 days old. The plan is stopped: 1,237.57 open and December's 1,237.56 not to be drawn.
    plan = told(fall_plan(books, 123426, "St. Orrin, Petra", 618782), "September's draw came back R10 on day 63; the plan is stopped")
    plan.take_all("2")
    plan.take("2", date(2026, 9, 14))
    says_nothing(plan, "2")
    plan.back(NOV_BACK, 123757, "R10")
    plan.expect("state", "failed", 0, line="2")
    plan.expect("return rule", "3", 123757, line="2")
    plan.expect("exception kind", "failed draw", 123757, line="2")
    plan.expect("proposal", "2026-12-10 0.00")
    plan.expect("coverage", "short", note="stopped lines count as open")

    # Card 1,096.46 + 27.41 = 1,123.87, all of it taken back.
    plan = told(fall_plan(books, 123475, "Núñez-Vale, Octavia", 548230, method="card"), "September's card draw charged back on 17 November")
    plan.take_all("2")
    first = plan.take("2")
    says_nothing(plan, "2")
    plan.back(date(2026, 11, 17), 112387, "chargeback", of=first, ledger_cents=109646)
    plan.expect("state", "failed", 0, line="2")
    plan.expect("return rule", "1", 112387, line="2")
    plan.expect("exception kind", "failed draw", 109646, line="2")
    plan.expect("coverage", "short")


def _presented_again(books: Books) -> None:
    plan = told(fall_plan(books, 123427, "Fennimere, Briony", 337705), "September's draw came back R01 and cleared when presented again")
    plan.take_all("2")
    first = plan.take("2")
    plan.back(SEPT_BACK, 67541, "R01", of=first)
    plan.take("2", date(2026, 9, 24))
    says_nothing(plan, "2")
    plan.expect("state", "cleared", 67541, line="2")
    plan.expect("exception kind", "cleared late", 67541, line="2")
    plan.expect("coverage", "covered by pending")

    # First try and three more; R01 allows two more.
    plan = told(fall_plan(books, 123428, "Saltmarsh, Leander", 410195), "August's draw presented three more times, one more than allowed")
    plan.take_all("1")
    for settled, returned in (
        (date(2026, 8, 11), date(2026, 8, 13)),
        (date(2026, 8, 20), date(2026, 8, 24)),
        (date(2026, 8, 31), date(2026, 9, 2)),
    ):
        tried = plan.take("1", settled)
        plan.back(returned, 82039, "R01", of=tried)
    plan.take("1", date(2026, 9, 21))
    says_nothing(plan, "1")
    plan.expect("state", "cleared", 82039, line="1")
    plan.expect("exception kind", "presented too often", 82039, line="1")
    plan.expect("exception kind", "cleared late", 82039, line="1")
    plan.expect("coverage", "covered by pending")
