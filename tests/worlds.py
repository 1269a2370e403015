"""Small invented worlds of plans, bills and bank events, noisy on purpose: both engines are fed with them and must agree.

A world is built around plausible plans, then nearly everything that can go wrong in an office is done to it: draws that come early, late,
in parts or twice, returns with and without a reference, refunds, names that contradict each other. Few students, few amounts and close
dates make it likely that these meet. Money is int cents, dates are dates, text is "" where absent.
"""

from __future__ import annotations

import csv
import random
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

from world_events import COLUMNS, Noise, Row, plus, random_day, row_of
from world_money import money_noise
from world_more import more_noise

if TYPE_CHECKING:
    from pathlib import Path

    from reconcile.policy import Rules

FALL, SPRING, OTHER_TERM = "2026-FA", "2027-SP", "2019-XX"
BANK_FROM = date(2026, 5, 1)


@dataclass(frozen=True)
class World:
    """Accepted rows of all exports, and how the run is to be started."""

    exports: dict[str, list[Row]]
    has_postings: bool
    as_of: date
    bank_from: date
    bank_through: date | None


def random_rules(rng: random.Random, rules: Rules) -> Rules:
    """The office's rules with some values changed, so that every branch of them is met."""
    matching = rules.matching.model_copy(
        update={
            "cleared_then_returned": rng.random() < 0.7,
            "late_match_days": rng.choice([5, 25, 40]),
            "early_days": rng.choice([0, 3, 6]),
            "group_size": rng.choice([2, 3]),
            "tolerance": rng.choice([0, 5]),
        }
    )
    plans = rules.plans.model_copy(update={"split": rng.choice(["spare cents first", "last absorbs"])})
    billed = rng.random() < 0.5
    terms = tuple(t.model_copy(update={"fee_on_bill": billed}) for t in rules.terms)
    return replace(rules, matching=matching, plans=plans, terms=terms)


def random_world(rng: random.Random, students: int) -> World:
    """One world with so many students."""
    return _Builder(rng).build(students)


def wider_rules(rng: random.Random, rules: Rules) -> Rules:
    """Rules changed as in random_rules, and in the values that it leaves alone."""
    own = random_rules(rng, rules)
    lag = own.matching.settlement_lag.model_copy(update={"bank": rng.choice([1, 1, 2]), "card": rng.choice([1, 2, 3])})
    matching = own.matching.model_copy(
        update={
            "late_days": rng.choice([2, 5, 5, 8]),
            "return_days": rng.choice([30, 60]),
            "late_return_days": rng.choice([0, 4, 4]),
            "near_percent": rng.choice([500, 1_000, 1_000]),
            "settlement_lag": lag,
        }
    )
    plans = own.plans.model_copy(update={"notice_days": rng.choice([5, 10, 10]), "plan_tolerance": rng.choice([0, 100, 100])})
    aid = own.aid.model_copy(update={"grace_days": rng.choice([0, 21, 21])})
    return replace(own, matching=matching, plans=plans, aid=aid)


def random_pack(seeds: range, students: int, rules: Rules) -> tuple[World, Rules]:
    """Several worlds that share the day, the rules and the bank's span, so that one run works them all out.

    The ids of world n begin with n in four digits: worlds meet in nothing but the run. The first seed decides what they share.
    """
    rng = random.Random(f"pack {seeds.start}")
    as_of, has_postings = random_day(rng), rng.random() < 0.75
    worlds = [_Builder(random.Random(seed), prefix=f"{at:04d}", as_of=as_of).build(students) for at, seed in enumerate(seeds)]
    for world, seed in zip(worlds, seeds, strict=True):
        more_noise(world.exports, seed)
        money_noise(world.exports, seed)
    exports = {name: [row for world in worlds for row in world.exports[name]] for name in COLUMNS}
    if not has_postings:
        exports["postings"] = []
    last = max((r["settled_on"] for r in exports["cleared_draws"]), default=as_of)
    through = None if rng.random() < 0.5 else max(last, plus(as_of, rng.randint(-10, 10)))
    return World(exports, has_postings, as_of, BANK_FROM, through), wider_rules(rng, rules)


class _Builder(Noise):
    """Plans and bills; the bank's rows come from Noise."""

    def build(self, students: int) -> World:
        rng = self.rng
        for i in range(students):
            self._student(f"{self.prefix}{i + 1:04d}")
        has_postings = rng.random() < 0.75
        for name in self.rows:
            rng.shuffle(self.rows[name])
        if not has_postings:
            self.rows["postings"] = []
        last = max((r["settled_on"] for r in self.rows["cleared_draws"]), default=self.as_of)
        through = None if rng.random() < 0.5 else max(last, plus(self.as_of, rng.randint(-10, 10)))
        return World(self.rows, has_postings, self.as_of, BANK_FROM, through)

    # -- plans

    def _student(self, student_id: str) -> None:
        rng = self.rng
        self.quiet = self.chance(0.3)
        if self.chance(0.04):
            self._bill(student_id, FALL, [])
            return
        plans: dict[str, list[list[Row]]] = {}
        for number in range(rng.choices([1, 2, 3], [60, 30, 10])[0]):
            term = SPRING if self.chance(0.12) else FALL
            plans.setdefault(term, []).append(self._plan(student_id, term, f"P{student_id}{'ABC'[number]}"))
        for term, some in plans.items():
            self._bill(student_id, term, some)
        for some in plans.values():
            for lines in some:
                self.bank(lines)
        every = [x for some in plans.values() for lines in some for x in lines]
        for _ in range(0 if self.quiet else rng.choice([0, 0, 0, 1, 2])):
            self.stray(rng.choice(every))

    def _amount(self) -> int:
        return self.rng.choices([self.base, self.base // 2, self.base * 2, self.base + 1_000, 0], [60, 20, 10, 8, 2])[0]

    def _plan(self, student_id: str, term: str, plan_id: str) -> list[Row]:
        rng = self.rng
        fall = rng.choice([date(2026, 8, 10), date(2026, 8, 10), date(2026, 9, 10), date(2026, 9, 5)])
        first = date(2026, 12, 10) if term == SPRING else fall
        step = rng.choices([30, 31, 14, 7], [40, 30, 15, 15])[0]
        enrolled = plus(first, rng.choice([-80 if term == SPRING else -40, -40, -20, -5, -1]))
        method = "card" if self.chance(0.25) else "bank"
        same = self._amount() or self.base
        equal = self.chance(0.75)
        parts: list[tuple[str, date, int]] = []
        if self.chance(0.2):
            parts.append(("down payment", enrolled, rng.choice([self.base, same, self.base // 2])))
        if self.chance(0.3):
            parts.append(("fee", rng.choice([enrolled, first]), 4_500))
        parts += [("draw", plus(first, step * i), same if equal else self._amount()) for i in range(rng.randint(1, 5))]
        total = sum(cents for kind, _, cents in parts if kind != "fee")
        if self.chance(0.15):
            total += rng.choice([-self.base, self.base, 100, -50])
        set_on = plus(enrolled, rng.choice([20, 45, 70])) if self.chance(0.25) else enrolled
        consent_on = plus(enrolled, rng.choice([30, 60])) if self.chance(0.15) else enrolled
        stop_at = rng.randint(0, len(parts)) if self.chance(0.12) else len(parts)
        rows = []
        for i, (kind, day, cents) in enumerate(parts):
            off = i >= stop_at or self.chance(0.04)
            line = "D" if kind == "down payment" and self.chance(0.5) else str(i + 1)
            way = method if self.chance(0.95) else rng.choice(["bank", "card"])
            off_on = plus(day, rng.randint(-30, 10)) if off and self.chance(0.7) else None
            says = rng.choice(["", "pending", "posted", "failed"])
            name = self.new_reference() if self.chance(0.3) else ""
            first_part = (plan_id, student_id, term, enrolled, max(1, total), line, day, cents, kind, way)
            rows.append(row_of("plan_schedules", *first_part, "cancelled" if off else "active", off_on, set_on, consent_on, says, name, ""))
        self.rows["plan_schedules"] += rows
        return rows

    # -- the bill

    def _bill(self, student_id: str, term: str, plans: list[list[Row]]) -> None:
        rng = self.rng
        start = date(2026, 11, 18) if term == SPRING else date(2026, 7, 16)
        owed = sum(x["amount"] for lines in plans for x in lines if x["kind"] != "fee" and x["line_status"] == "active") or self.base
        aid = rng.choice([0, self.base, 300_000])

        def charge(day: date, cents: int, kind: str = "tuition", in_term: str = term) -> None:
            self.rows["charges"].append(row_of("charges", student_id, in_term, day, cents, kind, ""))

        charge(start, owed + aid)
        if self.quiet:
            if aid:
                self._award(student_id, term, "grant", "disbursed", aid, start)
            return
        for _ in range(rng.choice([0, 0, 0, 1, 2])):
            charge(plus(start, rng.randint(0, 120)), rng.choice([-self.base, -60_000, 45_000, self.base // 2, -150]))
        if self.chance(0.25):
            day = plus(start, rng.randint(0, 90))
            charge(day, 2_500, rng.choice(["library fine", "parking fine"]))
            if self.chance(0.3):
                charge(plus(day, rng.randint(0, 20)), -2_500, "library fine")
            if self.chance(0.5):
                self.post(student_id, term, plus(day, rng.randint(-3, 30)), "payment", 2_500)
                if self.chance(0.3):
                    self.post(student_id, term, plus(day, 32), "payment", -2_500)
        if self.chance(0.05):
            charge(start, 70_000, in_term=OTHER_TERM)
        if aid:
            self._award(student_id, term, "grant", "disbursed", aid, start)
        for i in range(rng.choice([0, 0, 1, 2, 3])):
            fund = "work-study" if i == 0 and self.chance(0.15) else f"fund {i}"
            status = rng.choice(["estimated", "anticipated", "anticipated", "disbursed", "cancelled"])
            self._award(
                student_id, term, fund, status, rng.choice([self.base, 150_000, 30_000, -20_000]), plus(start, rng.randint(-5, 100))
            )
        for _ in range(rng.choice([0, 0, 0, 1, 2])):
            kind = rng.choice(["payment", "payment", "waiver", "sponsor", "brought forward", "refund"])
            cents = rng.choice([self.base, 25_000, self.base // 2])
            self.post(student_id, term, plus(start, rng.randint(-10, 120)), kind, -cents if kind == "refund" or self.chance(0.1) else cents)

    def _award(self, student_id: str, term: str, fund: str, status: str, cents: int, posted_on: date) -> None:
        rng = self.rng
        disbursed = status in {"disbursed", "cancelled"} and self.chance(0.5)
        gone = (status == "cancelled" and self.chance(0.7)) or self.chance(0.05)
        paid_on = plus(posted_on, rng.choice([0, 10, 40])) if disbursed else None
        expected_on = plus(posted_on, rng.choice([5, 20, 60])) if self.chance(0.6) else None
        gone_on = plus(posted_on, rng.choice([0, 15, 50])) if gone else None
        self.rows["aid"].append(row_of("aid", student_id, term, fund, status, cents, posted_on, paid_on, expected_on, gone_on))


def to_csv(world: World, folder: Path) -> None:
    """Write the world's exports as standard CSV files; without a postings export there is no postings file."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, columns in COLUMNS.items():
        if name == "postings" and not world.has_postings:
            continue
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(columns)
            writer.writerows([[_cell(row[c]) for c in columns] for row in world.exports[name]])


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, int):
        return f"{'-' if value < 0 else ''}{abs(value) // 100}.{abs(value) % 100:02d}"
    return str(value)
