"""The college's ordinary students: plans equal to the bill at enrollment, draws that clear in their window and reach the ledger in time.

None of them may raise an exception in any of the three runs; the planted cases stand out against them.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from sample_college import FALL, MAIN_RUN, SPRING, Award, Books, Plan, add_open, next_open
from sample_people import a_name

if TYPE_CHECKING:
    import random

PLAN_STUDENTS, OTHER_STUDENTS, SPRING_STUDENTS = 230, 36, 70


def add_ordinary(books: Books, rng: random.Random) -> None:
    """Add every ordinary student, in order of student id."""
    for n in range(PLAN_STUDENTS):
        student_id = f"{130200 + n * 13:08d}"
        name = a_name(rng)
        _fall_plan(books, rng, student_id, name, n)
        if n < SPRING_STUDENTS:
            _spring_plan(books, rng, student_id, name, n)
    for n in range(OTHER_STUDENTS):
        _without_a_plan(books, rng, f"{170400 + n * 29:08d}", n)


def _aid(books: Books, rng: random.Random, student_id: str, term: str) -> int:
    """Awards known before the term is billed; returns the cents that count on the bill."""
    fall = term == FALL
    posted = date(2026, 7, rng.randint(6, 13)) if fall else date(2026, 11, rng.randint(9, 13))
    counted = 0
    scholarship = rng.randint(60000, 410000)
    if rng.random() < 0.8:
        day = date(2026, 8, 28) if fall else date(2027, 1, 22)
        books.aid.append(_award(student_id, term, "college scholarship", scholarship, posted, day))
        counted += scholarship
    if rng.random() < 0.45:
        loan = rng.randint(900, 2750) * 100 - rng.randint(0, 99)
        day = rng.choice((date(2026, 9, 3), date(2026, 9, 25))) if fall else date(2027, 1, 26)
        books.aid.append(_award(student_id, term, "federal loan", loan, posted, day))
        counted += loan
    if rng.random() < 0.3:
        grant = rng.randint(40000, 185000)
        late = rng.choice((date(2026, 10, 30), date(2026, 11, 23), date(2026, 12, 4))) if fall else date(2027, 2, 5)
        books.aid.append(_award(student_id, term, "state grant", grant, posted, late))
        counted += grant
        if rng.random() < 0.25:
            change = -rng.randint(1000, 9000)
            books.aid.append(_award(student_id, term, "state grant", change, posted + timedelta(days=1), late))
            counted += change
    if rng.random() < 0.2:
        books.aid.append(Award(student_id, term, "private loan", "estimated", rng.randint(50000, 300000), posted))
    if rng.random() < 0.2:
        books.aid.append(Award(student_id, term, "work-study", "anticipated", 120000, posted))
    return counted


def _award(student_id: str, term: str, fund: str, cents: int, posted: date, day: date) -> Award:
    """An award paid on `day`: disbursed if the export, written on 24 November, already shows it so."""
    if day <= date(2026, 11, 24):
        return Award(student_id, term, fund, "disbursed", cents, posted, day, day)
    return Award(student_id, term, fund, "anticipated", cents, posted, None, day)


def _fall_plan(books: Books, rng: random.Random, student_id: str, name: str, n: int) -> None:
    aid = _aid(books, rng, student_id, FALL)
    other = _other_credits(books, rng, student_id, n)
    total = rng.randint(280000, 1290000)
    books.bill(student_id, total + aid + other, FALL, date(2026, 7, rng.randint(6, 14)))
    if n % 10 < 6:
        enrolled = date(2026, 7, 15) + timedelta(days=rng.randint(-6, 20))
    elif n % 10 < 9:
        enrolled = next_open(date(2026, 8, 6) + timedelta(days=rng.randint(0, 28)))
    else:
        enrolled = next_open(date(2026, 9, 8) + timedelta(days=rng.randint(0, 26)))
    method = "card" if rng.random() < 0.22 else "bank"
    plan = Plan(books, f"HM-FA-{n + 1001}", student_id, name, FALL, enrolled, total, method).write_by_the_rules()
    books.plans.append(plan)
    for line, row in plan.lines.items():
        if row.draw_date <= MAIN_RUN:
            _take_on_time(plan, rng, line)


def _take_on_time(plan: Plan, rng: random.Random, line: str) -> None:
    """Money on the expected day or the banking day after, on the ledger within the posting lag; the file names the line in many ways."""
    late = 1 if rng.random() < 0.1 else 0
    settled = add_open(plan.expected_on(line), late) if late else plan.expected_on(line)
    lag = {"bank": 2, "card": 3}[plan.method]
    draw = plan.lines[line].kind == "draw"
    naming = rng.choice(("line", "plan", "student", "reference")) if draw else "line"
    plan.take(line, settled, naming=naming, posted=add_open(settled, rng.randint(1, lag)))


def _other_credits(books: Books, rng: random.Random, student_id: str, n: int) -> int:
    """Credits that stood on the ledger before enrollment: returns their cents."""
    total = 0
    if n % 11 == 3:
        total += _credit(books, student_id, rng.randint(-40000, 90000), "brought forward")
    if n % 17 == 5:
        total += _credit(books, student_id, rng.randint(10000, 30000), "waiver")
    if n % 23 == 7:
        total += _credit(books, student_id, rng.randint(100000, 250000), "sponsor")
    return total


def _credit(books: Books, student_id: str, cents: int, kind: str) -> int:
    books.post(student_id, cents, date(2026, 7, 8), kind)
    return cents


def _spring_plan(books: Books, rng: random.Random, student_id: str, name: str, n: int) -> None:
    aid = _aid(books, rng, student_id, SPRING)
    total = rng.randint(260000, 1180000)
    books.bill(student_id, total + aid, SPRING, date(2026, 11, rng.randint(9, 13)))
    if n % 2:
        return  # has not enrolled yet
    enrolled = date(2026, 11, rng.choice((16, 17)))
    plan = Plan(books, f"HM-SP-{n + 1001}", student_id, name, SPRING, enrolled, total, rng.choice(("bank", "bank", "card")))
    books.plans.append(plan.write_by_the_rules())
    plan.take("F")


def _without_a_plan(books: Books, rng: random.Random, student_id: str, n: int) -> None:
    """No plan: paid at once, paid by aid alone, or still open."""
    aid = _aid(books, rng, student_id, FALL)
    total = rng.randint(150000, 900000)
    books.bill(student_id, total + aid, FALL, date(2026, 7, rng.randint(6, 14)))
    if n % 3 == 0:
        books.post(student_id, total, date(2026, 8, rng.randint(3, 14)), "payment")
    elif n % 3 == 1:
        half = total // 2
        books.post(student_id, half, date(2026, 8, 12), "payment")
        books.post(student_id, total - half, date(2026, 9, 14), "payment")
    else:
        books.post(student_id, total // 3, date(2026, 8, 13), "payment")
