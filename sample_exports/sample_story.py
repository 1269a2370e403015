"""What every planted case starts from: a fall student with a bill and the plan that the rules write for it, and the story told of it."""

from __future__ import annotations

from datetime import date

from sample_college import FALL, Award, Books, Plan

SEPT_BACK = date(2026, 9, 15)
"""Two banking days after September's settlement: where an ordinary bank return ends."""
OCT_BACK = date(2026, 10, 16)
NOV_BACK = date(2026, 11, 16)


def fall_plan(
    books: Books, number: int, name: str, total: int, *, method: str = "bank", enrolled: date = date(2026, 7, 20), aid: int = 0
) -> Plan:
    """A student of the fall term with a bill of `total` after `aid`, and the plan that the rules write for it."""
    student_id = f"{number:08d}"
    books.bill(student_id, total + aid)
    if aid:
        day = date(2026, 8, 28)
        books.aid.append(Award(student_id, FALL, "college scholarship", "disbursed", aid, date(2026, 7, 10), day, day))
    plan = Plan(books, f"HM-FA-{number % 1000 + 2000}", student_id, name, FALL, enrolled, total, method).write_by_the_rules()
    books.plans.append(plan)
    return plan


def told(plan: Plan, what: str) -> Plan:
    """Note the story for the README."""
    plan.books.stories.append((plan.student_id, plan.plan_id, what))
    return plan


def says_nothing(plan: Plan, line: str) -> None:
    """Leave open what the plan system believes of a line."""
    plan.lines[line].schedule_says = ""
