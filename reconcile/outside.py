"""Charges that a plan is not meant to pay, such as fines, and the payments that met them.

A family pays a library fine at the counter, not through the plan. Such a charge stands on the bill, but the plan is not short by it. A
payment of exactly its amount, posted since and not reversed, has met it: then charge and payment are both left out of what the plan is
held against.
"""

from __future__ import annotations

from collections import defaultdict, deque
from typing import TYPE_CHECKING

import numpy as np

from reconcile.events import day_numbers
from reconcile.texts import folded_among

if TYPE_CHECKING:
    import pandas as pd

    from reconcile.events import Bools, Ints
    from reconcile.policy import Rules

_Key = tuple[str, str, int]


def is_outside(charges: pd.DataFrame, rules: Rules) -> Bools:
    """Whether each charge is of a type outside the plan (plans.toml outside_plan; letters' case does not matter)."""
    return folded_among(charges["charge_type"], rules.plans.outside_plan)


def meeting_payments(charges: pd.DataFrame, outside: Bools, postings: pd.DataFrame, free: Bools) -> list[tuple[int, int]]:
    """Which payment met which outside charge.

    In:      charges and which of them are outside; postings and which of them are free (not the same money as a plan draw).
    Out:     (charge, posting) row positions: a positive payment of exactly the charge's amount, posted on or after it, the earliest
             first; neither reversed; each at most once.
    """
    owed = _standing(charges, np.flatnonzero(outside), with_type=True)
    kinds = postings["kind"].to_numpy(dtype=object)
    wanted = {(student, term, cents) for student, term, cents, _type, _day, _at in owed}
    payments = np.flatnonzero(free & (kinds == "payment"))
    payments = payments[
        [key in wanted for key in _keys(postings, payments)] if len(payments) else []  # only amounts that some outside charge asks
    ]
    paid: defaultdict[_Key, deque[tuple[int, int]]] = defaultdict(deque)
    for student, term, cents, _type, day, at in _standing(postings, payments, with_type=False):
        paid[student, term, cents].append((day, at))
    met = []
    for student, term, cents, _type, day, at in owed:
        waiting = paid[student, term, cents]
        while waiting and waiting[0][0] < day:
            waiting.popleft()
        if waiting:
            met.append((at, waiting.popleft()[1]))
    return met


def _keys(table: pd.DataFrame, rows: Ints) -> list[_Key]:
    part = table.iloc[rows]
    return list(zip(part["student_id"].tolist(), part["term"].tolist(), part["amount"].abs().tolist(), strict=True))


def _standing(table: pd.DataFrame, rows: Ints, *, with_type: bool) -> list[tuple[str, str, int, str, int, int]]:
    """Positive rows that no later negative row of the same amount (and type) took back: the latest before it goes."""
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
    stands: defaultdict[tuple[str, str, int, str], list[tuple[str, str, int, str, int, int]]] = defaultdict(list)
    for row in found:
        student, term, cents, kind, _day, _at = row
        if cents > 0:
            stands[student, term, cents, kind].append(row)
        elif stands[student, term, -cents, kind]:
            stands[student, term, -cents, kind].pop()
    return sorted((row for rows_of in stands.values() for row in rows_of), key=lambda row: (row[4], row[5]))
