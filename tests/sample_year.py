"""A small invented year for month-end closes: forty-odd students, two terms, eight month-ends, and what goes wrong in such a year.

Each month-end has exports of its own, as an office would write them on that day: what was known by then. A fact has the day on which it
happened and the day on which an export first shows it, so that a return can be dated in a month that was closed before it arrived.
Schedules are versions: a plan that was changed in October shows its old lines until then.

Nobody here is real. The figures are made by arithmetic on the student's number: the same year every time.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

MONTH_ENDS = (
    *(date(2026, 8, 31), date(2026, 9, 30), date(2026, 10, 31), date(2026, 11, 30), date(2026, 12, 31)),
    *(date(2027, 1, 31), date(2027, 2, 28), date(2027, 3, 31)),
)
FALL, SPRING = "2026-FA", "2027-SP"
DRAWS = {
    FALL: (date(2026, 8, 10), date(2026, 9, 10), date(2026, 10, 10), date(2026, 11, 10), date(2026, 12, 10)),
    SPRING: (date(2026, 12, 10), date(2027, 1, 10), date(2027, 2, 10), date(2027, 3, 10), date(2027, 4, 10)),
}
_BANK = "2026-08-11 2026-09-11 2026-10-14 2026-11-12 2026-12-11 2027-01-12 2027-02-11 2027-03-11 2027-04-13"
_CARD = "2026-08-12 2026-09-14 2026-10-15 2026-11-13 2026-12-14 2027-01-13 2027-02-12 2027-03-12 2027-04-14"
SETTLED = {
    method: dict(zip(sorted({*DRAWS[FALL], *DRAWS[SPRING]}), map(date.fromisoformat, days.split()), strict=True))
    for method, days in (("bank", _BANK), ("card", _CARD))
}
"""When a draw settles: taken on the next banking day (10 October 2026 is a Saturday before a holiday), one or two banking days later.
Holidays: Federal Reserve Board, K.8."""

COLUMNS = {
    "charges": ("student_id", "term", "posted_on", "amount", "charge_type"),
    "aid": ("student_id", "term", "fund", "status", "amount", "posted_on"),
    "plan_schedules": (
        *("plan_id", "student_id", "term", "enrolled_on", "plan_total", "line", "draw_date", "amount", "kind", "method", "line_status"),
        *("cancelled_on", "set_on"),
    ),
    "cleared_draws": (
        *("settled_on", "amount", "outcome", "plan_id", "student_id", "reference", "line", "method", "return_code", "original_reference"),
    ),
    "postings": ("student_id", "term", "posted_on", "kind", "amount", "reference"),
}
Row = dict[str, Any]


@dataclass
class Plan:
    """One plan: its lines by name, each a row; `versions` are later changes: day, line ("" for all), columns (None: the line goes)."""

    plan_id: str
    student_id: str
    term: str
    method: str
    enrolled_on: date
    total: int
    lines: dict[str, Row]
    versions: list[tuple[date, str, Row | None]] = field(default_factory=list)

    def change(self, day: date, line: str, **columns: Any) -> None:
        """From that day on the export shows the line with these columns."""
        self.versions.append((day, line, columns))

    def remove(self, day: date, line: str) -> None:
        """From that day on the line is not in the export."""
        self.versions.append((day, line, None))

    def shown(self, day: date) -> list[Row]:
        """The rows that an export of that day has; cents."""
        common = {"plan_id": self.plan_id, "student_id": self.student_id, "term": self.term, "enrolled_on": self.enrolled_on}
        rows = {name: {**common, "plan_total": self.total, "line": name, "method": self.method, **row} for name, row in self.lines.items()}
        for since, line, columns in sorted(self.versions, key=lambda version: version[0]):
            if since > day:
                continue
            if columns is None:
                rows.pop(line)
            elif line:
                rows[line] = {**common, "plan_total": self.total, "line": line, "method": self.method, **rows.get(line, {}), **columns}
                rows[line]["plan_total"] = next(iter(rows.values()))["plan_total"]
            else:
                rows = {name: row | columns for name, row in rows.items()}
        return list(rows.values()) if self.enrolled_on <= day else []


class Year:
    """The whole year: facts with the day on which an export first shows them."""

    def __init__(self) -> None:
        self.plans: dict[str, Plan] = {}
        self.facts: dict[str, list[tuple[date, Row]]] = {name: [] for name in COLUMNS}
        self._number = 0
        _fall(self)
        _spring(self)

    def add(self, export: str, known: date, **row: Any) -> None:
        """A row that exports show from the day `known` on."""
        self.facts[export].append((known, row))

    def plan(self, student: int, term: str, method: str, enrolled_on: date, total: int, *, down: int = 0, first: int = 0) -> Plan:
        """A plan in equal draws from the `first` draw date on, with the bill that it pays."""
        student_id, plan_id = f"S{student:03d}", f"P{student:03d}-{term[-2:]}"
        if plan_id in self.plans:
            plan_id += "B"
        else:
            self.add(
                "charges", date(2026, 7, 15), student_id=student_id, term=term, posted_on=_billed(term), amount=total, charge_type="tuition"
            )
        dates = DRAWS[term][first:]
        share, spare = divmod(total - down, len(dates))
        lines = {str(at + 1): {"draw_date": day, "amount": share + (at < spare), "kind": "draw"} for at, day in enumerate(dates)}
        if down:
            lines = {"D": {"draw_date": enrolled_on, "amount": down, "kind": "down payment"}} | lines
        self.plans[plan_id] = Plan(plan_id, student_id, term, method, enrolled_on, total, lines)
        if down:
            self.clears(plan_id, "D", settled=enrolled_on + timedelta(days=1))
        return self.plans[plan_id]

    def clears(
        self,
        plan_id: str,
        line: str,
        *,
        settled: date | None = None,
        known: date | None = None,
        amount: int = 0,
        posted: bool = True,
        named: bool = True,
    ) -> str:
        """The bank takes a draw, and the ledger posts it two days later; gives the reference."""
        plan = self.plans[plan_id]
        row = plan.lines[line]
        settled = settled or SETTLED[plan.method][row["draw_date"]]
        cents = amount or row["amount"]
        self._number += 1
        reference = f"R{self._number:05d}"
        taken = cents + (cents * 250 + 5000) // 10000 if plan.method == "card" else cents
        self.add(
            "cleared_draws",
            known or settled,
            settled_on=settled,
            amount=taken,
            outcome="cleared",
            plan_id=plan_id,
            student_id=plan.student_id,
            reference=reference,
            line=line if named else "",
            method=plan.method,
        )
        if posted:
            self.posts(plan, cents, (known or settled) + timedelta(days=2), reference)
        return reference

    def posts(self, plan: Plan, cents: int, day: date, reference: str) -> None:
        """The ledger posts a plan draw, or takes one off."""
        self.add(
            "postings",
            day,
            student_id=plan.student_id,
            term=plan.term,
            posted_on=day,
            kind="plan draw",
            amount=cents,
            reference=f"L{reference}",
        )

    def returns(
        self, plan_id: str, line: str, of: str, settled: date, code: str, *, known: date | None = None, amount: int = 0, posted: bool = True
    ) -> None:
        """A draw comes back (or, with the code `refund`, is given back), and the ledger takes it off two days later."""
        plan = self.plans[plan_id]
        cents = amount or plan.lines[line]["amount"]
        self._number += 1
        reference = f"R{self._number:05d}"
        self.add(
            "cleared_draws",
            known or settled,
            settled_on=settled,
            amount=cents,
            outcome="refunded" if code == "refund" else "returned",
            plan_id=plan_id,
            student_id=plan.student_id,
            reference=reference,
            method=plan.method,
            return_code="" if code == "refund" else code,
            original_reference=of,
        )
        if posted:
            self.posts(plan, -cents, (known or settled) + timedelta(days=2), reference)

    def rows(self, day: date) -> dict[str, list[Row]]:
        """What the exports of that day hold; money in cents."""
        found = {name: [row for known, row in facts if known <= day] for name, facts in self.facts.items()}
        found["plan_schedules"] = [row for plan in self.plans.values() for row in plan.shown(day)]
        return found


def _billed(term: str) -> date:
    return date(2026, 7, 15) if term == FALL else date(2026, 11, 16)


def _total(student: int) -> int:
    return 400_000 + student * 13_317


def _fall(year: Year) -> None:
    """The fall: most draws clear; each student from 15 on has a story of its own."""
    for student in range(1, 41):
        if student not in {33, 34}:
            year.plan(student, FALL, "card" if student in {13, 14, 40} else "bank", date(2026, 7, 20), _total(student))
    year.plan(33, FALL, "bank", date(2026, 9, 28), _total(33), down=_total(33) * 40 // 100, first=2)
    year.plan(34, FALL, "bank", date(2026, 9, 2), _total(34), down=_total(34) * 25 // 100, first=1)
    apart: dict[tuple[int, str], None] = {}
    for student, lines in _FALL_APART.items():
        apart |= dict.fromkeys((student, line) for line in lines)
    for plan in list(year.plans.values()):
        student = int(plan.student_id[1:])
        for line in plan.lines:
            if line != "D" and (student, line) not in apart:
                year.clears(plan.plan_id, line, named=student % 2 == 0)
    _fall_stories(year)


_FALL_APART = {
    **dict.fromkeys((15, 16, 19, 23, 24, 35, 36, 38), "3"),
    **dict.fromkeys((17, 18, 20, 21, 22, 37), "2"),
    **dict.fromkeys((26, 27, 31, 40), "45"),
    25: "345",
    29: "5",
    30: "4",
    32: "2345",
    39: "1",
}
"""Draws of the fall that do not simply clear at their scheduled amount."""


def _fall_stories(year: Year) -> None:
    amount = {student: year.plans[f"P{student:03d}-FA"].lines["1"]["amount"] for student in range(15, 41) if student not in {33, 34}}
    of = {student: f"P{student:03d}-FA" for student in range(15, 41)}
    # 15: cleared and not posted at month-end; 16: posted though the bank shows nothing, and never seen.
    year.clears(of[15], "3", posted=False)
    year.posts(year.plans[of[16]], amount[16], date(2026, 10, 15), "P16")
    # 17: a return dated in October of a draw cleared in September; 18: a return dated in September that arrives in October.
    year.returns(of[17], "2", year.clears(of[17], "2"), date(2026, 10, 5), "R01")
    year.returns(of[18], "2", year.clears(of[18], "2"), date(2026, 9, 29), "R01", known=date(2026, 10, 2))
    # 19: came back within the month, not reversed on the ledger; 20: cleared in September, told by the bank in October.
    year.returns(of[19], "3", year.clears(of[19], "3"), date(2026, 10, 16), "R01", posted=False)
    year.clears(of[20], "2", settled=date(2026, 9, 11), known=date(2026, 10, 3))
    # 21: not seen in September, collected late in October; 22: never seen.
    year.clears(of[21], "2", settled=date(2026, 10, 1))
    # 23: failed in October, presented again in November with success.
    year.returns(of[23], "3", year.clears(of[23], "3"), date(2026, 10, 16), "R01")
    year.clears(of[23], "3", settled=date(2026, 11, 3))
    # 24: failed in October, cancelled in November.
    year.returns(of[24], "3", year.clears(of[24], "3"), date(2026, 10, 16), "R01")
    year.plans[of[24]].change(date(2026, 11, 5), "3", line_status="cancelled", cancelled_on=date(2026, 11, 5))
    # 25: failed in October, spread over November and December.
    year.returns(of[25], "3", year.clears(of[25], "3"), date(2026, 10, 16), "R01")
    half = amount[25] // 2
    for line, more in (("4", half), ("5", amount[25] - half)):
        row = year.plans[of[25]].lines[line]
        year.plans[of[25]].change(date(2026, 10, 28), line, amount=row["amount"] + more)
        year.clears(of[25], line, amount=row["amount"] + more)
    # 26: lowered after a scholarship; 27: raised; 28: a line added; 29: a line removed; 30: a date moved.
    _reset(year, of[26], date(2026, 10, 20), -60_001)
    _reset(year, of[27], date(2026, 10, 22), 44_003)
    year.plans[of[28]].change(date(2026, 11, 20), "6", draw_date=date(2026, 12, 21), amount=30_000, kind="draw", set_on=date(2026, 11, 20))
    year.plans[of[28]].change(date(2026, 11, 20), "", plan_total=_total(28) + 30_000)
    year.plans[of[29]].remove(date(2026, 11, 18), "5")
    year.plans[of[29]].change(date(2026, 11, 18), "", plan_total=_total(29) - amount[29])
    year.plans[of[30]].change(date(2026, 10, 26), "4", draw_date=date(2026, 12, 1))
    year.clears(of[30], "4", settled=date(2026, 12, 2))
    # 31: withdrew, the rest cancelled; 32: a second plan took the place of the first.
    for line in "45":
        year.plans[of[31]].change(date(2026, 10, 21), line, line_status="cancelled", cancelled_on=date(2026, 10, 21))
    for line in "2345":
        year.plans[of[32]].change(date(2026, 9, 3), line, line_status="cancelled", cancelled_on=date(2026, 9, 3))
    again = year.plan(32, FALL, "bank", date(2026, 9, 3), _total(32) - amount[32], first=1)
    for line in again.lines:
        year.clears(again.plan_id, line)
    # 35: brought less; 36: not seen, its date moved to December and then taken; 37: given back by the office; 38: part came back.
    year.clears(of[35], "3", amount=amount[35] * 6 // 10)
    year.plans[of[36]].change(date(2026, 11, 12), "3", draw_date=date(2026, 12, 15))
    year.clears(of[36], "3", settled=date(2026, 12, 16))
    year.returns(of[37], "2", year.clears(of[37], "2"), date(2026, 9, 25), "refund")
    year.returns(of[38], "3", year.clears(of[38], "3"), date(2026, 11, 4), "R06", amount=amount[38] // 4)
    # 39: cleared in August, not authorized, back in October; 40: from card to bank in October, and a draw taken twice.
    year.returns(of[39], "1", year.clears(of[39], "1"), date(2026, 10, 7), "R10")
    year.plans[of[40]].change(date(2026, 10, 25), "4", method="bank")
    year.plans[of[40]].change(date(2026, 10, 25), "5", method="bank")
    year.plans[of[40]].method = "bank"
    year.clears(of[40], "4")
    year.clears(of[40], "5")
    year.plans[of[40]].method = "card"
    year.clears("P012-FA", "4", settled=date(2026, 11, 13))


def _reset(year: Year, plan_id: str, day: date, cents: int) -> None:
    """From that day on the last two draws share a change of the plan, and clear at their new amounts."""
    plan = year.plans[plan_id]
    half = cents // 2
    for line, share in (("4", half), ("5", cents - half)):
        plan.change(day, line, amount=plan.lines[line]["amount"] + share)
        year.clears(plan_id, line, amount=plan.lines[line]["amount"] + share)
    plan.change(day, "", plan_total=plan.total + cents, set_on=day)
    year.add("charges", day, student_id=plan.student_id, term=plan.term, posted_on=day, amount=cents, charge_type="tuition")


def _spring(year: Year) -> None:
    """The spring overlaps the fall in December; plans come in over three months, and a few of the fall's troubles come again."""
    for student in range(1, 25):
        year.plan(student, SPRING, "card" if student in {13, 14} else "bank", date(2026, 11, 20), _total(student))
    year.plan(41, SPRING, "bank", date(2026, 12, 28), _total(41), down=_total(41) * 25 // 100, first=1)
    year.plan(42, SPRING, "bank", date(2027, 1, 20), _total(42), down=_total(42) * 40 // 100, first=2)
    apart = {(3, "2"), (4, "1"), (5, "3"), (6, "2"), (7, "4"), (8, "3"), (8, "4"), (8, "5"), (9, "2")}
    for plan in [plan for plan in year.plans.values() if plan.term == SPRING]:
        student = int(plan.student_id[1:])
        for line, row in plan.lines.items():
            if line != "D" and row["draw_date"] < date(2027, 4, 1) and (student, line) not in apart:
                year.clears(plan.plan_id, line, named=student % 2 == 1)
    year.returns("P003-SP", "2", year.clears("P003-SP", "2"), date(2027, 1, 14), "R02")
    year.returns("P004-SP", "1", year.clears("P004-SP", "1"), date(2027, 1, 6), "R01")  # after December's close
    year.returns("P005-SP", "3", year.clears("P005-SP", "3"), date(2027, 2, 26), "R01", known=date(2027, 3, 3))  # dated in February
    year.clears("P006-SP", "2", settled=date(2027, 1, 29))  # late, in the month
    for line in "345":
        year.plans["P008-SP"].change(date(2027, 1, 25), line, line_status="cancelled", cancelled_on=date(2027, 1, 25))
    year.clears("P009-SP", "2", posted=False)


def write_exports(year: Year, day: date, folder: Path) -> None:
    """The exports of a month-end as CSV files, with the general ledger's balances as the student ledger has them."""
    folder.mkdir(parents=True)
    rows = year.rows(day)
    for name, columns in COLUMNS.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(columns)
            writer.writerows([_text(row.get(column, ""), column) for column in columns] for row in rows[name])
    owed: dict[str, int] = {}
    for name, sign in (("charges", 1), ("postings", -1)):
        for row in rows[name]:
            if row["posted_on"] <= day:
                owed[row["term"]] = owed.get(row["term"], 0) + sign * row["amount"]
    balances = [f'[[balance]]\nterm = "{term}"\naccount = "1210"\namount = "{cents / 100:.2f}"\n' for term, cents in sorted(owed.items())]
    (folder / "general_ledger.toml").write_text("\n".join(balances), encoding="utf-8")


def _text(cell: Any, column: str) -> str:
    if column in {"amount", "plan_total"}:
        sign, cents = ("-", -cell) if cell < 0 else ("", cell)
        return f"{sign}{cents // 100}.{cents % 100:02d}"
    return str(cell)
