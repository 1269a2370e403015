"""Many plans with the same exception and the same amount have one cause: a fee posted to all, a date rule, a file that came late.

Such rows are told once, in a line of their own that leads them, so that nobody works two thousand rows one by one before asking why.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reconcile.banking_days import day_number
from reconcile.exception_facts import Fact
from reconcile.money import people_money
from reconcile.texts import is_word

if TYPE_CHECKING:
    from reconcile.events import Ints

LEAST = 50
PERCENT = 2


def run_lines(rows: pd.DataFrame, plans: int) -> list[Ints]:
    """Common causes: the same kind, term and signed amount on more than 2 percent of plans and at least 50 of them.

    In:      the rows of OUTPUTS["exceptions"] of the run, and how many plans there are.
    Out:     for each cause the positions of the rows under it, in the order in which the causes are met.
    """
    named = rows.loc[~is_word(rows["student_id"], ""), ["kind", "term", "amount", "student_id", "plan_id"]]
    same = named.groupby(["kind", "term", "amount"], sort=False)["amount"].transform("size") >= LEAST
    found = []
    for _cause, members in named[same].groupby(["kind", "term", "amount"], sort=False):
        hit = hit_plans(members)
        if hit >= LEAST and hit * 100 > plans * PERCENT:
            found.append(members.index.to_numpy())
    return found


def hit_plans(rows: pd.DataFrame) -> int:
    """How many plans the rows are about."""
    return len(rows[["student_id", "plan_id"]].drop_duplicates())


def line_of(rows: pd.DataFrame, plans: int, *, calm: bool, soon: bool) -> Fact:
    """The line that leads the rows under a common cause, as a fact of its own.

    In:      the rows under it, in the order in which the first of them is to be told (student, plan, line, then what they are about);
             whether all of them are calm, and any of them comes soon.
    """
    first, hit = rows.iloc[0], hit_plans(rows)
    kind, term, amount = str(first["kind"]), str(first["term"]), int(first["amount"])
    of = f" of {people_money(amount)} each, {people_money(amount * len(rows))} in all" if amount else ""
    share = f"{hit * 100 // plans}" if plans else "0"
    what = (
        f"{hit:,} of {plans:,} plans ({share} percent) have the same exception{f' in term {term}' if term else ''}: {kind}{of}. "
        f"One cause is likely. The first of them: {first['what']}"
    )
    happened = rows["happened_on"].max()
    return Fact(
        kind=kind,
        term=term,
        student_id="",
        plan_id="",
        line="",
        amount=amount,
        happened=None if pd.isna(happened) else day_number(happened.date()),
        what=what,
        advice=("Look for the one cause before working the rows below it one by one.",),
        evidence=tuple(str(first["evidence"]).split("; ")),
        about=f"common cause {amount}",
        calm=calm,
        soon=soon,
    )
