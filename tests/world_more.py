"""Two more things that happen in an office, done to a finished world: a lost draw spread over later ones, and rows that are alike in all.

A draw that failed or never came is often put on the remaining draws when the plan is set anew: its money is in the plan twice, once lost
and once to come. Two rows of a bank file without a reference may be alike in every column and still be two draws. Money is int cents.
"""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

from world_events import plus

if TYPE_CHECKING:
    from world_events import Row


def more_noise(rows: dict[str, list[Row]], seed: int) -> None:
    """Change the rows of one world in place."""
    rng = random.Random(f"more {seed}")
    for plan_id in sorted({row["plan_id"] for row in rows["plan_schedules"]}):
        mine = [row for row in rows["plan_schedules"] if row["plan_id"] == plan_id and row["kind"] == "draw" and row["amount"]]
        mine.sort(key=lambda row: (row["draw_date"], row["line"]))
        active = [row for row in mine if row["line_status"] == "active"]
        if len(active) > 1 and rng.random() < 0.15:
            _spread(rng, rows, active)
    for row in [row for row in rows["cleared_draws"] if not row["reference"]]:
        if rng.random() < 0.08:
            rows["cleared_draws"].append(dict(row))
    rng.shuffle(rows["cleared_draws"])


def _spread(rng: random.Random, rows: dict[str, list[Row]], active: list[Row]) -> None:
    """The first draw never came, most often, and its amount was put on the later ones."""
    lost, later = active[0], active[1:]
    if rng.random() < 0.7:
        first, last = plus(lost["draw_date"], -7), plus(lost["draw_date"], 28)
        rows["cleared_draws"][:] = [
            row
            for row in rows["cleared_draws"]
            if not (lost["plan_id"] == row["plan_id"] and first <= row["settled_on"] <= last and row["outcome"] == "cleared")
        ]
    share, spare = divmod(lost["amount"], len(later))
    for at, row in enumerate(later):
        row["amount"] += share + (1 if at < spare else 0)
    set_on = plus(lost["draw_date"], rng.choice([9, 15, 30]))
    for row in rows["plan_schedules"]:
        if row["plan_id"] == lost["plan_id"]:
            row["set_on"] = max(row["set_on"], set_on)
