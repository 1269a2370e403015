"""Write invented exports in which no draw can be told from its neighbours: make_ambiguous.py STUDENTS FOLDER. Needs numpy and polars.

Every student has a plan of five equal draws, a week apart, so that their windows overlap. The bank took four of them, each up to nine days
late, so that most fit two draws at least; it names the plan and no line. One ambiguous group of five draws and four events per student, and
the same number of charges, awards and lines as in `make_exports`, beside which its cost is told.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import polars as pl
from make_exports import TERM, days, later, money

DRAW_DATES = np.array(["2026-10-12", "2026-10-19", "2026-10-26", "2026-11-02", "2026-11-09"], dtype="datetime64[D]")


def make(students: int, folder: Path) -> None:
    """Write charges, aid, plan_schedules and cleared_draws for so many students."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(11)
    student = np.char.zfill((np.arange(students) * 7 + 100_000).astype(str), 8)
    plan = np.char.add("P", student)
    start = np.datetime64("2026-07-06")
    draw = rng.integers(60_000, 240_000, students)
    award = rng.integers(50_000, 250_000, (students, 2))
    charge = np.stack([rng.integers(20_000, 60_000, students) for _ in range(3)], axis=1)
    charge = np.column_stack([5 * draw + award.sum(axis=1) - charge.sum(axis=1), charge])
    pl.DataFrame(
        {
            "student_id": np.repeat(student, 4),
            "term": np.full(4 * students, TERM),
            "posted_on": later(rng, start, 0, 19, 4 * students),
            "amount": money(charge.ravel()),
            "charge_type": np.tile(["tuition", "fees", "housing", "meals"], students),
        }
    ).write_csv(folder / "charges.csv")
    pl.DataFrame(
        {
            "student_id": np.repeat(student, 2),
            "term": np.full(2 * students, TERM),
            "fund": np.tile(["grant", "loan"], students),
            "status": np.full(2 * students, "disbursed"),
            "amount": money(award.ravel()),
            "posted_on": later(rng, start, 0, 59, 2 * students),
        }
    ).write_csv(folder / "aid.csv")
    pl.DataFrame(
        {
            "plan_id": np.repeat(plan, 5),
            "student_id": np.repeat(student, 5),
            "term": np.full(5 * students, TERM),
            "enrolled_on": np.full(5 * students, "2026-07-20"),
            "plan_total": money(np.repeat(5 * draw, 5)),
            "line": np.tile(np.arange(1, 6), students),
            "draw_date": days(np.tile(DRAW_DATES, students)),
            "amount": money(np.repeat(draw, 5)),
            "method": np.full(5 * students, "bank"),
        }
    ).write_csv(folder / "plan_schedules.csv")
    count = 4 * students
    pl.DataFrame(
        {
            "reference": np.char.add("T", np.char.zfill(np.arange(count).astype(str), 10)),
            "student_id": np.repeat(student, 4),
            "plan_id": np.repeat(plan, 4),
            "settled_on": later(rng, np.tile(DRAW_DATES[:4], students), 1, 9, count),
            "amount": money(np.repeat(draw, 4)),
            "outcome": np.full(count, "cleared"),
        }
    ).sample(fraction=1, shuffle=True, seed=1).write_csv(folder / "cleared_draws.csv")


if __name__ == "__main__":
    make(int(sys.argv[1]), Path(sys.argv[2]))
