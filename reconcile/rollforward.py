"""The roll-forward: how pending money, and failed and not-seen money, came from the close before to this one, per term and method.

A balance that is only looked at on one day proves little; month-end practice ties the sub-ledger to the general ledger every month, lists
what reconciles the two until it clears, and has it signed by a preparer and an approver within days (published practice: University of
Arkansas at Little Rock, policy LR 303.8; University System of Georgia, business procedures manual 1.7.2). The roll-forward is the bridge
between two such days: what was pending at the close before, plus what was promised since, less what cleared, failed or fell away, is what
is pending now. Each figure is a sum of rows of `line_moves.csv`; none is worked out as the remainder. What a draw that came in part lacks
is in neither balance (`line_moves` says why); `bridges` gives its sum.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reconcile.closing_lines import COMING, LOST
from reconcile.coverage import on_the_bill
from reconcile.line_moves import CLOSING, ITEMS, OPEN, OPENING, PENDING
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reconcile.closing_lines import PreviousClose
    from reconcile.policy import Rules
    from reconcile.proof import Proof

Figures = dict[tuple[str, str, str, str], tuple[int, int]]
"""Lines and cents by term, method, money and item."""


def rollforward(moves: pd.DataFrame, now: pd.DataFrame, before: pd.DataFrame | None) -> pd.DataFrame:
    """Sum the moves of lines per term and method.

    In:      line_moves; closing_lines of this close and of the one before (they say which terms and methods there are); cents.
    Out:     OUTPUTS["rollforward"]: every item of both moneys, zeros too, for each term and method that has a line at either end; signed so
             that opening plus all items is closing. `lines` counts the lines behind a figure.
    """
    ends = [table[["term", "method"]] for table in (now, before) if table is not None]
    groups = sorted(pd.concat(ends).drop_duplicates().itertuples(index=False, name=None)) if ends else []
    found = figures(moves)
    rows = [
        (term, method, money, item, *found.get((term, method, money, item), (0, 0)))
        for term, method in groups
        for money, items in ITEMS.items()
        for item in items
    ]
    columns = OUTPUTS["rollforward"]
    return pd.DataFrame(rows, columns=[c.name for c in columns]).astype({c.name: DTYPES[c.kind] for c in columns})


def figures(moves: pd.DataFrame) -> Figures:
    """Lines and cents of each item: how often it stands in line_moves, and its sum."""
    sums = moves.groupby(["term", "method", "money", "item"], sort=True)["amount"].agg(["size", "sum"])
    return {
        (str(term), str(method), str(money), str(item)): (int(size), int(cents))
        for (term, method, money, item), size, cents in sums.itertuples(name=None)
    }


def prove_rollforward(proof: Proof, tables: Mapping[str, pd.DataFrame], previous: PreviousClose | None, rules: Rules) -> None:
    """Add the proof of a close: each roll-forward comes out, opens where the close before ended, and ends at the figures of this run.

    In:      the tables of the run; cents. The closing side is summed from draws.csv, not from the moves.
    """
    table = tables["rollforward"]
    found = {tuple(key): int(cents) for *key, cents in table[["term", "method", "money", "item", "amount"]].itertuples(index=False)}
    ended = {} if previous is None else _closings(previous.rollforward)
    shown = _from_draws(tables["draws"], tables["closing_lines"])
    for term, method, money in dict.fromkeys(key[:3] for key in found):
        name = f"roll-forward {term} {method} {money}"
        items = [found[term, method, money, item] for item in ITEMS[money] if item not in {OPENING, CLOSING}]
        closing = found[term, method, money, CLOSING]
        proof.equal(f"{name}: opening + items = closing", found[term, method, money, OPENING] + sum(items), closing)
        proof.equal(f"{name}: closing = draws.csv", closing, shown.get((term, method, money), 0))
        since = "nothing, a first close" if previous is None else f"closing of {previous.name}"
        proof.equal(f"{name}: opening = {since}", found[term, method, money, OPENING], ended.pop((term, method, money), 0))
    for (term, method, money), cents in ended.items():
        proof.equal(f"roll-forward {term} {method} {money}: a closing that nothing opens from", cents, 0)
    opened = tables["open_items"]
    open_now = table.loc[(table["money"] == OPEN) & (table["item"] == CLOSING), "amount"].sum()
    proof.equal("open_items: open = failed and not seen at the close", opened["open"].sum(), open_now)
    _with_students(proof, tables, rules)


def _closings(table: pd.DataFrame) -> dict[tuple[str, str, str], int]:
    rows = table[table["item"] == CLOSING]
    return {(t, m, w): int(cents) for t, m, w, cents in rows[["term", "method", "money", "amount"]].itertuples(index=False)}


def _from_draws(draws: pd.DataFrame, lines: pd.DataFrame) -> dict[tuple[str, str, str], int]:
    """Closing money per term and method, from the states and scheduled amounts of draws.csv."""
    found: dict[tuple[str, str, str], int] = {}
    for money, states in ((PENDING, COMING), (OPEN, LOST)):
        rows = draws[among(draws["state"], states)]
        for (term, method), cents in rows.groupby(["term", "method"], sort=True)[["scheduled"]].sum().itertuples(name=None):
            found[str(term), str(method), money] = int(cents)
    for (term, method), cents in lines.groupby(["term", "method"], sort=True)[["rolled"]].sum().itertuples(name=None):
        key = (str(term), str(method), OPEN)
        found[key] = found.get(key, 0) - int(cents)
    return found


def _with_students(proof: Proof, tables: Mapping[str, pd.DataFrame], rules: Rules) -> None:
    """The closings beside students.csv and plans.csv, which leave out enrollment fees that are not on the bill."""
    table, students, lines, plans = tables["rollforward"], tables["students"], tables["closing_lines"], tables["plans"]
    closing = table[table["item"] == CLOSING].groupby("money")["amount"].sum()
    fees = lines[is_word(lines["kind"], "fee") & ~on_the_bill(lines, rules)]
    coming, lost = (int(fees.loc[among(fees["state"], states), "scheduled"].sum()) for states in (COMING, LOST))
    name = "roll-forward: pending = pending_draws in students.csv + fees not billed"
    proof.equal(name, closing.get(PENDING, 0), students["pending_draws"].sum() + coming)
    rolled = lines["rolled"].sum()
    name = "roll-forward: failed and not seen + rolled = failed_draws + not_seen_draws in students.csv + fees not billed"
    proof.equal(name, closing.get(OPEN, 0) + rolled, students["failed_draws"].sum() + students["not_seen_draws"].sum() + lost)
    told = plans["failed"] + plans["not_seen"] + plans["failed_and_not_seen"]
    proof.equal("closing_lines: rolled = failed + not_seen + failed_and_not_seen in plans.csv", rolled, told.sum())
