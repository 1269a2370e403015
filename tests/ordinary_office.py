"""An ordinary office the day after a draw: nothing is out of the ordinary, and everything ordinary happens at once.

So many students, of whom four in ten have a plan. October's draw was taken yesterday week; two to four percent of the draws come back;
some aid is late, some is only expected; a fee was posted to everyone after the plans were set; the bank's file ends yesterday and the
ledger is a day behind it; a few families pay beside the plan, a few courses are added and dropped late, and a few plans were set anew.
Invented, from a seed. Money is int cents.
"""

from __future__ import annotations

import random
from collections import Counter, defaultdict
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from reconcile.schedule import plan_written

if TYPE_CHECKING:
    from reconcile.policy import Rules

Row = dict[str, Any]
TERM = "2026-FA"
AS_OF = date(2026, 10, 15)
"""October's draw is taken on Tuesday the 13th and settles on the 14th; today is the 15th."""
BANK_THROUGH = date(2026, 10, 14)
SETTLED = (date(2026, 8, 11), date(2026, 9, 11), date(2026, 10, 14))
FEE_FOR_ALL = 85_00


def _plus(day: date, days: int) -> date:
    return day + timedelta(days=days)


class Office:
    """Grows the rows of all exports, student by student."""

    def __init__(self, seed: int, rules: Rules) -> None:
        self.rng = random.Random(seed)
        self.rules = rules
        self.rows: dict[str, list[Row]] = {name: [] for name in ("charges", "aid", "plan_schedules", "cleared_draws", "postings")}
        self.references = 0
        self.planted: defaultdict[str, set[str]] = defaultdict(set)
        """Kind of exception to the students to whom it really happens."""
        self.apart: Counter[str] = Counter()
        """Plan less bill by student, as far as nothing else tells it."""

    def build(self, students: int, plans: int) -> dict[str, list[Row]]:
        """Rows of an office with so many students, the first of whom have plans."""
        for number in range(students):
            self._student(f"{number:06d}", with_plan=number < plans)
        for student, cents in self.apart.items():
            if abs(cents) > self.rules.plans.plan_tolerance:
                self.planted["plan exceeds bill" if cents > 0 else "plan below bill"].add(student)
        return self.rows

    def _chance(self, share: float) -> bool:
        return self.rng.random() < share

    def _reference(self) -> str:
        self.references += 1
        return f"R{self.references:07d}"

    def _charge(self, student: str, day: date, cents: int, kind: str = "tuition") -> None:
        self.rows["charges"].append({"student_id": student, "term": TERM, "posted_on": day, "amount": cents, "charge_type": kind})

    def _aid(self, student: str, status: str, cents: int, **days: date) -> None:
        posted = days.pop("posted_on", date(2026, 7, 10))
        self.rows["aid"].append(
            {"student_id": student, "term": TERM, "fund": f"{status} grant", "status": status, "amount": cents, "posted_on": posted, **days}
        )

    def _post(self, student: str, day: date, cents: int, kind: str = "plan draw") -> None:
        if day <= BANK_THROUGH:
            self.rows["postings"].append({"student_id": student, "term": TERM, "posted_on": day, "kind": kind, "amount": cents})

    def _student(self, student: str, *, with_plan: bool) -> None:
        rng = self.rng
        bill = rng.randrange(4_000_00, 14_000_00)
        self._charge(student, date(2026, 7, 8), bill)
        aid = 0
        if self._chance(0.6):
            aid = bill // rng.choice((3, 4, 5))
            self._aid(student, "disbursed", aid, disbursed_on=date(2026, 8, 28), expected_on=date(2026, 8, 28))
        if self._chance(0.1):
            late = bill // 6
            aid += late
            due = rng.choice((date(2026, 9, 30), date(2026, 10, 20), date(2026, 9, 10)))
            expected = self._chance(0.95)
            self._aid(student, "anticipated" if expected else "estimated", late, expected_on=due)
            if with_plan and not expected:
                self.apart[student] -= late
            elif with_plan and _plus(due, self.rules.aid.grace_days) < AS_OF:
                self.planted["anticipated aid overdue"].add(student)
        self._charge(student, date(2026, 9, 1), FEE_FOR_ALL, "technology fee")
        if with_plan:
            self.apart[student] -= FEE_FOR_ALL
            self._plan(student, bill - aid)
            self._bill_moves(student)
        elif self._chance(0.8):
            self._post(student, date(2026, 8, 10), bill - aid, "payment")

    def _plan(self, student: str, total: int) -> None:
        rng = self.rng
        term = self.rules.term(TERM)
        if term is None:
            raise ValueError(TERM)
        late = self._chance(0.1)
        enrolled = date(2026, 8, 20) if late else _plus(date(2026, 7, 16), rng.randrange(18))
        method = "card" if self._chance(0.15) else "bank"
        plan_id = f"P{student}"
        drawn = []
        for line in plan_written(term, total, enrolled, method=method, split=self.rules.plans.split).lines:
            row = {"plan_id": plan_id, "student_id": student, "term": TERM, "enrolled_on": enrolled, "plan_total": total}
            row |= {"line": line.line, "draw_date": line.draw_date, "amount": line.amount, "kind": line.kind, "method": method}
            settled = _plus(enrolled, 1) if line.kind != "draw" else next((d for d in SETTLED if d.month == line.draw_date.month), None)
            row["schedule_says"] = "posted" if settled and settled < BANK_THROUGH else "pending"
            self.rows["plan_schedules"].append(row)
            if settled is not None:
                drawn.append((row, settled, line.amount, line.amount + line.card_fee))
        for draw in drawn:
            self._draw(*draw)

    def _draw(self, row: Row, settled: date, cents: int, gross: int) -> None:
        """One draw as it goes: mostly well, sometimes late, now and then back and sometimes well the second time."""
        student, method = row["student_id"], row["method"]
        by_bank = method == "bank"
        if not by_bank:
            settled = min(_plus(settled, 1), BANK_THROUGH) if settled < BANK_THROUGH else _plus(settled, 1)
        if self._chance(0.003) and row["kind"] == "draw":
            self.planted["no draw seen"].add(student)
            self.planted["schedule says posted, bank does not"].add(student)
            return
        named = {"line": row["line"]} if self._chance(0.8) else {}
        self._bank(row, settled, gross, "cleared", named)
        if row["kind"] != "fee":
            self._post(student, _plus(settled, 1), cents)
        if row["kind"] != "draw" or not self._chance(0.03) or not by_bank:
            return
        back = _plus(settled, self.rng.choice((2, 3)))
        code = self.rng.choice(("R01", "R01", "R01", "R09", "R02"))
        stopped = code == "R02"
        self.planted["failed draw"].add(student)
        self._bank(row, back, gross, "returned", {"return_code": code})
        self._post(student, _plus(back, 1), -cents)
        if back <= BANK_THROUGH and not self._chance(0.1):  # now and then the plan system misses a return
            row["schedule_says"] = "failed"
        elif back <= BANK_THROUGH:
            self.planted["schedule says posted, bank does not"].add(student)
        if stopped:
            self._new_account(row["plan_id"], _plus(back, 5))
        elif self._chance(0.5):
            again = _plus(back, 7)
            row["schedule_says"] = "posted" if again <= BANK_THROUGH else row["schedule_says"]
            self._bank(row, again, gross, "cleared", {"line": row["line"]})
            self._post(student, _plus(again, 1), cents)

    def _new_account(self, plan_id: str, day: date) -> None:
        """The family authorises another account; the plan's remaining draws are taken from it."""
        for row in self.rows["plan_schedules"][-12:]:
            if row["plan_id"] == plan_id:
                row["consent_on"] = day

    def _bank(self, row: Row, settled: date, cents: int, outcome: str, more: Row) -> None:
        if settled > BANK_THROUGH:
            return
        event = {"settled_on": settled, "amount": cents, "outcome": outcome, "plan_id": row["plan_id"], "student_id": row["student_id"]}
        self.rows["cleared_draws"].append({**event, "reference": self._reference(), "method": row["method"], **more})

    def _bill_moves(self, student: str) -> None:
        rng = self.rng
        if self._chance(0.02):
            cents = rng.choice((-1, 1)) * rng.randrange(200_00, 1_500_00)
            self._charge(student, date(2026, 9, 8), cents, "course change")
            self.apart[student] -= cents
        if self._chance(0.02):
            paid = rng.randrange(50_00, 500_00)
            self._post(student, date(2026, 9, 21), paid, "payment")
            self.apart[student] += paid
        if self._chance(0.03):
            self._charge(student, date(2026, 9, 15), rng.choice((15_00, 35_00)), "library fine")


def ordinary_office(students: int, plans: int, seed: int, rules: Rules) -> Office:
    """An ordinary office: its rows, and to whom what happens."""
    office = Office(seed, rules)
    office.build(students, plans)
    return office
