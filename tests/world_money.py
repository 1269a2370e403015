"""Money that bank and office tell in different ways, done to some of the finished worlds.

Refunds cut in two or booked a month later, money that names only the student, card fees given back, fines reversed in part, payments that
bounce, one sum over two draws that comes back. Money is int cents.
"""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

from world_events import plus, row_of

if TYPE_CHECKING:
    from world_events import Row

Rows = dict[str, "list[Row]"]


def money_noise(rows: Rows, seed: int) -> None:
    """Change the rows of one world in four in place."""
    rng = random.Random(f"money {seed}")
    if rng.random() >= 0.25 or not rows["plan_schedules"]:
        return
    _cut_refunds(rng, rows)
    for row in rows["cleared_draws"]:
        if row["student_id"] and rng.random() < 0.08:
            row["plan_id"], row["settled_on"] = "", plus(row["settled_on"], rng.choice([-30, -12, 0, 0, 35, 60]))
            row["kind"] = rng.choice([row["kind"], row["kind"], "down payment", "payment"])
    for act in (_refund_in_cuts, _card_fee_back, _fine_in_part, _payment_bounces, _sum_comes_back):
        if rng.random() < 0.5:
            act(rng, rows, f"M{seed}{act.__name__}")


def _cut_refunds(rng: random.Random, rows: Rows) -> None:
    """Refunds at the bank and on the ledger in two parts, or much later."""
    for name in ("postings", "cleared_draws"):
        for row in [r for r in rows[name] if r.get("kind") == "refund" or r.get("outcome") == "refunded"]:
            day = "posted_on" if name == "postings" else "settled_on"
            if rng.random() < 0.4 and abs(row["amount"]) > 1_000:
                part = row["amount"] * rng.choice([1, 5]) // 12
                rows[name].append({**row, "amount": row["amount"] - part, "reference": "", day: plus(row[day], rng.choice([0, 0, 3, 30]))})
                row["amount"] = part + rng.choice([0, 0, 0, 100])
            elif rng.random() < 0.3:
                row[day] = plus(row[day], rng.choice([20, 30, 45]))


def _bank(rows: Rows, line: Row, on: int, cents: int, outcome: str, reference: str, **more: str) -> None:
    """One bank row about a line."""
    day = plus(line["draw_date"], on)
    values = (day, cents, outcome, line["plan_id"], line["student_id"], reference, "", "", line["method"], "", "")
    rows["cleared_draws"].append({**row_of("cleared_draws", *values), **more})


def _refund_in_cuts(rng: random.Random, rows: Rows, name: str) -> None:
    """A draw given back at the bank, and on the ledger in the same or another cut, soon or late."""
    line = rng.choice(rows["plan_schedules"])
    cents = line["amount"] or 100_000
    whole = rng.random() < 0.5
    cuts = [[cents], [cents // 3, cents - cents // 3], [cents // 2], [cents, cents]]
    _bank(rows, line, 3, cents, "cleared", name)
    for at, part in enumerate([cents] if whole else [cents // 3, cents - cents // 3]):
        day = rng.choice([5, 5, 9])
        _bank(rows, line, day, part, "refunded", f"{name}{at}", original_reference=name if rng.random() < 0.8 else "")
    for part in rng.choice(cuts) if whole else rng.choice([[cents], [cents], [cents // 3], [cents - 100]]):
        booked = plus(line["draw_date"], rng.choice([5, 6, 6, 12, 33, 45, -40]))
        rows["postings"].append(row_of("postings", line["student_id"], line["term"], booked, "refund", -part, ""))


def _card_fee_back(rng: random.Random, rows: Rows, name: str) -> None:
    """A card draw with its fee, and the fee, or a little more or less, given back."""
    lines = [x for x in rows["plan_schedules"] if x["method"] == "card" and x["amount"]]
    if lines:
        line = rng.choice(lines)
        fee = (line["amount"] * 250 + 5_000) // 10_000
        _bank(rows, line, 2, line["amount"] + fee, "cleared", name)
        named = name if rng.random() < 0.7 else ""
        outcome = rng.choice(["refunded", "refunded", "refunded", "returned"])
        _bank(rows, line, 3, fee + rng.choice([0, 0, 0, 1, -1]), outcome, f"{name}B", original_reference=named)
        if rng.random() < 0.4:
            _bank(rows, line, 5, rng.choice([fee, line["amount"], line["amount"] + fee]), "refunded", f"{name}C", original_reference=named)


def _fine_in_part(rng: random.Random, rows: Rows, name: str) -> None:  # noqa: ARG001 (all acts are called alike)
    """A fine, part of it taken back, and a payment of the rest, or of the whole."""
    line = rng.choice(rows["plan_schedules"])
    who = (line["student_id"], line["term"])
    kind = rng.choice(["library fine", "parking fine"])
    for on, cents in [
        (0, 5_000),
        (rng.choice([0, 2, 9]), rng.choice([-2_000, -5_000, -7_000])),
        *([(4, 2_500)] if rng.random() < 0.3 else []),
    ]:
        rows["charges"].append(row_of("charges", *who, plus(line["draw_date"], on), cents, kind, ""))
    for cents in rng.choice([[3_000], [3_000], [5_000], [3_000, -3_000], [2_500, 3_000]]):
        rows["postings"].append(row_of("postings", *who, plus(line["draw_date"], rng.choice([-3, 1, 12])), "payment", cents, ""))


def _payment_bounces(rng: random.Random, rows: Rows, name: str) -> None:
    """A payment at the bank, on the ledger as a payment, that comes back; taken off the ledger or not."""
    line = rng.choice(rows["plan_schedules"])
    cents = rng.choice([50_000, line["amount"] or 50_000])
    _bank(rows, line, 1, cents, "cleared", name, kind="payment")
    named = name if rng.random() < 0.7 else ""
    kind = rng.choice(["payment", "payment", ""])
    outcome, code = rng.choice([("returned", "R01"), ("returned", "R01"), ("refunded", "")])
    back = {"kind": kind, "return_code": code, "original_reference": named}
    _bank(rows, line, 5, rng.choice([cents, cents, cents // 2]), outcome, f"{name}B", **back)
    posted = [(2, cents), (6, -cents)] if rng.random() < 0.4 else [(rng.choice([1, 2, 30]), cents)]
    for on, amount in posted:
        kind = "payment" if amount > 0 else rng.choice(["payment", "refund"])
        who = (line["student_id"], line["term"])
        rows["postings"].append(row_of("postings", *who, plus(line["draw_date"], on), kind, amount, ""))


def _sum_comes_back(rng: random.Random, rows: Rows, name: str) -> None:
    """One sum for two neighbouring draws, half or all of which comes back by name or without."""
    line = rng.choice(rows["plan_schedules"])
    mine = sorted(
        (x for x in rows["plan_schedules"] if x["plan_id"] == line["plan_id"] and x["kind"] == "draw"), key=lambda x: x["draw_date"]
    )
    if len(mine) > 1:
        first, second = mine[0:2] if len(mine) == 2 else mine[1:3]
        keep = [
            r
            for r in rows["cleared_draws"]
            if r["plan_id"] != line["plan_id"] or not plus(first["draw_date"], -7) <= r["settled_on"] <= plus(second["draw_date"], 25)
        ]
        rows["cleared_draws"][:] = keep
        both = first["amount"] + second["amount"]
        gap = (second["draw_date"] - first["draw_date"]).days
        if both:
            _bank(rows, first, max(2, gap - 1), both, "cleared", name, kind="draw")
            cents = rng.choice([both, both, second["amount"] or both, first["amount"] or both, max(1, both // 3), both + 500])
            for on in rng.choice([[2], [2], [2, 3]]):
                more = {
                    "original_reference": name if rng.random() < 0.8 else "",
                    "return_code": rng.choice(["R01", "R01", "R09", "R10", "R02"]),
                }
                outcome = rng.choice(["returned", "returned", "returned", "refunded"])
                _bank(
                    rows,
                    first,
                    gap + on,
                    cents,
                    outcome,
                    f"{name}{on}",
                    **(more if outcome == "returned" else {"original_reference": name}),
                )
            if rng.random() < 0.4:
                _bank(
                    rows,
                    second,
                    rng.choice([6, 12]),
                    rng.choice([first["amount"] or 1, second["amount"] or 1, both]),
                    "cleared",
                    f"{name}X",
                )
