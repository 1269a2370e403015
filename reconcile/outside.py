"""Charges that a plan is not meant to pay, such as fines, and the payments that met them.

A family pays a library fine at the counter, not through the plan. Such a charge stands on the bill, but the plan is not short by it. A
payment of exactly its amount, or of what its reversals left of it, posted since and not reversed, has met it: then charge and payment are
both left out of what the plan is held against.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from reconcile.events import day_numbers
from reconcile.texts import folded_among

if TYPE_CHECKING:
    import pandas as pd

    from reconcile.events import Bools, Ints
    from reconcile.policy import Rules

_Key = tuple[str, str, int]
_Row = tuple[str, str, int, str, int, int]
"""Student, term, cents, type, day, row position."""


@dataclass
class _Charge:
    """An outside charge and what took part of it back: (day, cents), the first first. Cents; days are day numbers."""

    who: tuple[str, str]
    cents: int
    kind: str
    day: int
    at: int
    cuts: list[tuple[int, int]] = field(default_factory=list)

    def left(self, day: int | None = None) -> int:
        """What is left of it at the end of a day; without one, in the end."""
        return self.cents - sum(cents for on, cents in self.cuts if day is None or on <= day)

    def asks(self) -> set[int]:
        """The amounts of a payment that may meet it: what was left of it on some day."""
        return {self.left(), self.cents, *(self.left(on) for on, _cents in self.cuts)} - {0}


def is_outside(charges: pd.DataFrame, rules: Rules) -> Bools:
    """Whether each charge is of a type outside the plan (plans.toml outside_plan; letters' case does not matter)."""
    return folded_among(charges["charge_type"], rules.plans.outside_plan)


def meeting_payments(charges: pd.DataFrame, outside: Bools, postings: pd.DataFrame, free: Bools) -> list[tuple[int, int]]:
    """Which payment met which outside charge.

    In:      charges and which of them are outside; postings and which of them are free (not the same money as a plan draw).
    Out:     (charge, posting) row positions: a positive payment, posted on or after the charge, of exactly what is left of it in the end
             or on the payment's day; the earliest first; not reversed; each at most once. A reversal takes back the latest charge of its
             amount and type before it; where there is none, part of the latest of its type, then of the one before.
    """
    owed = _owed(charges, np.flatnonzero(outside))
    kinds = postings["kind"].to_numpy(dtype=object)
    wanted = {(*charge.who, cents) for charge in owed for cents in charge.asks()}
    payments = np.flatnonzero(free & (kinds == "payment"))
    payments = payments[
        [key in wanted for key in _keys(postings, payments)] if len(payments) else []  # only amounts that some outside charge asks
    ]
    paid: defaultdict[tuple[str, str], list[tuple[int, int, int]]] = defaultdict(list)
    for student, term, cents, _type, day, at in _standing(postings, payments, with_type=False)[0]:
        paid[student, term].append((day, -cents, at))
    met = []
    for charge in owed:
        waiting = sorted(paid[charge.who])
        fits = (one for one in waiting if one[0] >= charge.day and -one[1] in {charge.left(), charge.left(one[0])})
        found = next(fits, None)
        if found is not None and charge.left():
            paid[charge.who].remove(found)
            met.append((charge.at, found[2]))
    return met


def _owed(charges: pd.DataFrame, outside: Ints) -> list[_Charge]:
    """Outside charges that no reversal took back whole, the oldest first, with what was taken off them in part."""
    stands, loose = _standing(charges, outside, with_type=True)
    owed = [_Charge((student, term), cents, kind, day, at) for student, term, cents, kind, day, at in stands]
    owed.sort(key=lambda charge: (charge.day, charge.cents, charge.kind, charge.at))
    for student, term, cents, kind, day, _at in sorted(loose, key=lambda row: (row[4], row[2])):
        back = -cents
        for charge in reversed(owed):
            if (charge.who, charge.kind) == ((student, term), kind) and charge.day <= day and back:
                part = min(back, charge.left())
                back -= part
                charge.cuts += [(day, part)] if part else []
    return owed


def _keys(table: pd.DataFrame, rows: Ints) -> list[_Key]:
    part = table.iloc[rows]
    return list(zip(part["student_id"].tolist(), part["term"].tolist(), part["amount"].abs().tolist(), strict=True))


def _standing(table: pd.DataFrame, rows: Ints, *, with_type: bool) -> tuple[list[_Row], list[_Row]]:
    """Positive rows that no later negative row of their amount (and type) took back, the latest first; negative ones that took none."""
    part = table.iloc[rows]
    types = part["charge_type"].str.strip().str.casefold().tolist() if with_type else [""] * len(part)
    found = sorted(
        zip(
            part["student_id"].tolist(),
            part["term"].tolist(),
            part["amount"].tolist(),
            types,
            day_numbers(part["posted_on"]).tolist(),
            rows.tolist(),
            strict=True,
        ),
        key=lambda row: (row[4], -row[2], row[5]),
    )
    stands: defaultdict[tuple[str, str, int, str], list[_Row]] = defaultdict(list)
    loose = []
    for row in found:
        student, term, cents, kind, _day, _at = row
        if cents > 0:
            stands[student, term, cents, kind].append(row)
        elif stands[student, term, -cents, kind]:
            stands[student, term, -cents, kind].pop()
        else:
            loose.append(row)
    return [row for rows_of in stands.values() for row in rows_of], loose
