"""What the bank does to the plans of an invented world: draws taken well, early, late, in parts, twice; returned, refunded, misnamed.

Used by worlds.py alone. Money is int cents, dates are dates, text is "" where absent.
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import random

Row = dict[str, Any]

COLUMNS: dict[str, tuple[str, ...]] = {
    "charges": ("student_id", "term", "posted_on", "amount", "charge_type", "description"),
    "aid": ("student_id", "term", "fund", "status", "amount", "posted_on", "disbursed_on", "expected_on", "cancelled_on"),
    "plan_schedules": (
        *("plan_id", "student_id", "term", "enrolled_on", "plan_total", "line", "draw_date", "amount", "kind", "method"),
        *("line_status", "cancelled_on", "set_on", "consent_on", "schedule_says", "reference", "student_name"),
    ),
    "cleared_draws": (
        *("settled_on", "amount", "outcome", "plan_id", "student_id", "reference", "line", "kind", "method"),
        *("return_code", "original_reference"),
    ),
    "postings": ("student_id", "term", "posted_on", "kind", "amount", "reference"),
}
"""Standard columns of each export, in order."""

CODES = ("R01", "R01", "R01", "R01", "R01", "R09", "R02", "R07", "R10", "R06", "R08", "51", "05", "chargeback", "R99", "")


STORIES = {
    "plain": 36,
    "none": 9,
    "early": 4,
    "late": 6,
    "split": 5,
    "thirds": 5,
    "grouped": 5,
    "near": 4,
    "twice": 6,
    "returned": 9,
    "declined": 6,
    "again": 6,
    "refund": 6,
}
"""What may happen to a line, and how often."""


def plus(day: date, days: int) -> date:
    """So many calendar days later."""
    return day + timedelta(days=days)


def row_of(export: str, *values: object) -> Row:
    """One row of an export from its values in column order."""
    return dict(zip(COLUMNS[export], values, strict=True))


def random_day(rng: random.Random) -> date:
    """An as-of date: most often in the middle of the fall."""
    return plus(date(2026, 7, 12), int(rng.triangular(0, 220, 100)))


class Noise:
    """The rows so far, and every story that can happen to a line of a plan."""

    def __init__(self, rng: random.Random, *, prefix: str = "", as_of: date | None = None) -> None:
        self.rng = rng
        self.prefix = prefix
        self.rows: dict[str, list[Row]] = {name: [] for name in COLUMNS}
        self.base = rng.choice([240_000, 100_000, 60_000, 33_333])
        drawn = random_day(rng)
        self.as_of = as_of or drawn
        self.references = 0
        self.used: set[tuple[str, str]] = set()
        self.quiet = False

    def chance(self, probability: float) -> bool:
        """True so often."""
        return self.rng.random() < probability

    def new_reference(self) -> str:
        """A reference that no row has yet."""
        self.references += 1
        return f"T{self.prefix}{self.references:04d}"

    def post(self, student_id: str, term: str, day: date, kind: str, cents: int) -> None:
        """A credit on the student ledger; a reversal or refund negative."""
        reference = self.new_reference() if self.chance(0.3) else ""
        self.rows["postings"].append(row_of("postings", student_id, term, day, kind, cents, reference))

    def bank(self, lines: list[Row]) -> None:
        """Draw one plan, line by line, whatever comes of it."""
        rng = self.rng
        skip = False
        for i, x in enumerate(lines):
            if skip or x["draw_date"] > plus(self.as_of, 25) or (x["line_status"] == "cancelled" and self.chance(0.7)) or not x["amount"]:
                skip = False
                continue
            following = lines[i + 1] if i + 1 < len(lines) else None
            told = rng.choices(list(STORIES), list(STORIES.values()))[0]
            story = "plain" if self.quiet and self.chance(0.8) else told
            if story == "none":
                continue
            skip = self._story(story, x, following)

    def _story(self, story: str, x: Row, following: Row | None) -> bool:
        """Act one story on a line; True if the following line is paid with it."""
        rng, cents = self.rng, x["amount"]
        if x["method"] == "card" and self.chance(0.6):
            cents += (x["amount"] * 250 + 5_000) // 10_000
        day = plus(x["draw_date"], rng.choice([0, 1, 1, 1, 2, 4, 6, 8]))
        if story == "grouped" and following:
            self._cleared(x, day, x["amount"] + following["amount"])
            return True
        if story in {"split", "thirds"}:
            parts = 2 if story == "split" else 3
            share = cents // parts if self.chance(0.7) else cents // 2 + 500
            for part in [share] * (parts - 1) + [cents - share * (parts - 1)]:
                if part > 0:
                    self._cleared(x, plus(day, rng.choice([0, 1, 3])), part)
        elif story == "declined":
            for later in rng.choice([[0], [0], [0, 4], [0, 16], [16], [0, 30]]):
                self._back(x, plus(day, later), cents, rng.choice(CODES))
            if self.chance(0.3):
                self._cleared(x, plus(day, rng.choice([5, 18, 33])), cents)
        elif story in {"early", "late"}:
            self._cleared(x, plus(x["draw_date"], rng.randint(-7, -1) if story == "early" else rng.randint(9, 45)), cents)
        elif story == "near":
            self._cleared(x, day, max(1, cents + rng.choice([-1, 1, 3, -2_000, 2_000, cents // 10, -cents // 12])))
        else:
            event = self._cleared(x, day, cents)
            if story == "twice":
                self._cleared(x, plus(day, rng.choice([0, 0, 1, 3, 30])), cents)
            elif story in {"returned", "again"}:
                self._undo(x, event, "returned")
                if story == "again":
                    self._cleared(x, plus(day, rng.choice([5, 9, 14, 40])), cents)
            elif story == "refund":
                self._undo(x, event, "refunded")
        return False

    def _undo(self, x: Row, event: Row, outcome: str) -> None:
        """The event comes back, wholly or in part, with or without its name."""
        rng = self.rng
        code = rng.choice(CODES) if outcome == "returned" else ""
        days = rng.choice([1, 2, 2, 3, 6, 12]) if code not in {"R07", "R10"} or self.chance(0.4) else rng.randint(20, 75)
        cents = rng.choice(
            [event["amount"], event["amount"], event["amount"], x["amount"], max(1, event["amount"] // 2), event["amount"] + 700]
        )
        name = event["reference"] if self.chance(0.5) else ""
        back = self._back(x, plus(event["settled_on"], days), cents, code, outcome, name)
        if self.chance(0.06):
            self._back(x, plus(back["settled_on"], 2), cents, rng.choice(["R61", "R68", "R74"]), "returned", name)
        if self.chance(0.08):
            self._back(x, plus(back["settled_on"], rng.randint(0, 5)), rng.choice([cents, x["amount"]]), code, outcome, name)

    def stray(self, x: Row) -> None:
        """Something that no story explains."""
        rng = self.rng
        day = plus(x["draw_date"], rng.randint(-20, 60))
        cents = rng.choice([x["amount"], self.base, self.base // 2, 4_500, 2_500]) or 100
        what = rng.choice(["money", "money", "return", "refund", "payment", "other name"])
        if what == "payment":
            self._cleared(x, day, cents, kind="payment")
        elif what == "money":
            self._cleared(x, day, cents)
        else:
            name = f"T{self.prefix}{rng.randint(1, max(1, self.references)):04d}" if what == "other name" else ""
            self._back(x, day, cents, rng.choice(CODES), "refunded" if what == "refund" else "returned", name)

    def _cleared(self, x: Row, day: date, cents: int, kind: str | None = None) -> Row:
        row = self._event(x, day, cents, "cleared", kind)
        if self.chance(0.8):
            posted = self.rng.choices(["plan draw", "payment"], [85, 15])[0]
            cents = x["amount"] if self.chance(0.3) else cents
            self.post(x["student_id"], x["term"], plus(day, self.rng.choice([0, 1, 2, 3, 12])), posted, cents)
        return row

    def _back(self, x: Row, day: date, cents: int, code: str, outcome: str = "returned", name: str = "") -> Row:
        row = {**self._event(x, day, cents, outcome, None), "return_code": code, "original_reference": name}
        self.rows["cleared_draws"][-1] = row
        if self.chance(0.6):
            posted = self.rng.choice(["plan draw", "payment", "refund"] if outcome == "refunded" else ["plan draw", "plan draw", "payment"])
            self.post(x["student_id"], x["term"], plus(day, self.rng.choice([0, 1, 2, 5])), posted, -cents)
        return row

    def _event(self, x: Row, day: date, cents: int, outcome: str, kind: str | None) -> Row:
        """One bank row for a line, saying more or less about itself."""
        rng = self.rng
        says = rng.choices(["both", "plan", "student", "contradiction", "strange plan", "unknown"], [45, 22, 27, 3, 2, 1])[0]
        reference = x["reference"] if x["reference"] and self.chance(0.3) else self.new_reference() if self.chance(0.85) else ""
        if reference and (reference, outcome) in self.used:
            reference = self.new_reference()
        self.used.add((reference, outcome))
        plan_id = {"student": "", "strange plan": "P-GONE", "unknown": "P-GONE"}.get(says, x["plan_id"])
        student_id = {"plan": "", "contradiction": f"{self.prefix}{rng.randint(1, 9):04d}", "unknown": "9999"}.get(says, x["student_id"])
        line = x["line"] if self.chance(0.12) else "7" if self.chance(0.02) else ""
        kind = kind if kind is not None else rng.choices(["", x["kind"], "draw", "fee", "payment"], [50, 40, 6, 2, 2])[0]
        method = rng.choices(["", x["method"], "card"], [50, 47, 3])[0]
        row = row_of("cleared_draws", day, cents, outcome, plan_id, student_id, reference, line, kind, method, "", "")
        self.rows["cleared_draws"].append(row)
        return row
