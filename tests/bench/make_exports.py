"""Write large invented exports to measure speed on: make_exports.py STUDENTS FOLDER. Needs numpy and polars.

Every student has four charges, two awards and a plan of five draws; as of 2026-11-20 four draws are due, of which 96 in 100 cleared inside
their window, 2 came back R01 and 2 never came. The bank's rows are shuffled, as banks deliver them. A tenth of the plans pay by card. The
same number of students gives the same bytes each time.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import polars as pl

TERM = "2026-AU"
DRAW_DATES = np.array(["2026-08-10", "2026-09-10", "2026-10-10", "2026-11-10", "2026-12-10"], dtype="datetime64[D]")
CHARGES = {"tuition": (400_000, 900_000), "fees": (20_000, 90_000), "housing": (150_000, 350_000), "meals": (90_000, 220_000)}
"""Cents from which a charge of each type is drawn."""


def money(cents: np.ndarray) -> pl.Series:
    """Cents as text with two decimals."""
    whole, rest = pl.Series(cents // 100), pl.Series(cents % 100)
    return whole.cast(pl.Utf8) + "." + rest.cast(pl.Utf8).str.zfill(2)


def days(of: np.ndarray) -> pl.Series:
    """Numpy days as dates."""
    return pl.Series(of.astype("datetime64[us]")).dt.date()


def later(rng: np.random.Generator, first: np.ndarray | np.datetime64, least: int, most: int, count: int) -> pl.Series:
    """Days from `least` to `most` days after `first`."""
    return days(first + rng.integers(least, most + 1, count).astype("timedelta64[D]"))


def make(students: int, folder: Path) -> None:
    """Write charges, aid, plan_schedules and cleared_draws for so many students."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(7)
    student = np.char.zfill((np.arange(students) * 7 + 100_000).astype(str), 8)
    plan = np.char.add("P", student)
    charge = np.stack([rng.integers(least, most, students) for least, most in CHARGES.values()], axis=1)
    award = rng.integers(50_000, 250_000, (students, 2))
    start = np.datetime64("2026-07-06")
    pl.DataFrame(
        {
            "student_id": np.repeat(student, 4),
            "term": np.full(4 * students, TERM),
            "posted_on": later(rng, start, 0, 19, 4 * students),
            "amount": money(charge.ravel()),
            "charge_type": np.tile(list(CHARGES), students),
        }
    ).write_csv(folder / "charges.csv")
    pl.DataFrame(
        {
            "student_id": np.repeat(student, 2),
            "term": np.full(2 * students, TERM),
            "fund": np.tile(["grant", "loan"], students),
            "status": np.where(rng.random(2 * students) < 0.7, "disbursed", "anticipated"),
            "amount": money(award.ravel()),
            "posted_on": later(rng, start, 0, 59, 2 * students),
        }
    ).write_csv(folder / "aid.csv")
    bill = charge.sum(axis=1) - award.sum(axis=1)
    part, spare = np.divmod(bill, 5)
    amount = part[:, None] + (np.arange(5)[None, :] < spare[:, None])
    pl.DataFrame(
        {
            "plan_id": np.repeat(plan, 5),
            "student_id": np.repeat(student, 5),
            "term": np.full(5 * students, TERM),
            "enrolled_on": np.full(5 * students, "2026-07-20"),
            "plan_total": money(np.repeat(bill, 5)),
            "line": np.tile(np.arange(1, 6), students),
            "draw_date": days(np.tile(DRAW_DATES, students)),
            "amount": money(amount.ravel()),
            "method": np.repeat(np.where(rng.random(students) < 0.9, "bank", "card"), 5),
        }
    ).write_csv(folder / "plan_schedules.csv")
    write_bank(rng, student, plan, amount, folder)


def write_bank(rng: np.random.Generator, student: np.ndarray, plan: np.ndarray, amount: np.ndarray, folder: Path) -> None:
    """What the bank says of the four draws that are due."""
    count = 4 * len(student)
    luck = rng.random(count)
    bank = pl.DataFrame(
        {
            "reference": np.char.add("T", np.char.zfill(np.arange(count).astype(str), 10)),
            "student_id": np.repeat(student, 4),
            "plan_id": np.repeat(plan, 4),
            "settled_on": later(rng, np.tile(DRAW_DATES[:4], len(student)), 1, 3, count),
            "amount": money(amount[:, :4].ravel()),
            "outcome": np.where(luck > 0.98, "returned", "cleared"),
            "return_code": np.where(luck > 0.98, "R01", ""),
        }
    )
    bank.filter(pl.Series(luck >= 0.02)).sample(fraction=1, shuffle=True, seed=1).write_csv(folder / "cleared_draws.csv")


if __name__ == "__main__":
    make(int(sys.argv[1]), Path(sys.argv[2]))
