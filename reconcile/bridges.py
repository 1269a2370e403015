"""Bridges: figures of a close that look alike and are not the same, each led to the other by named items.

Whoever signs a close reads of failed money in the roll-forward and in the draws, of returns in the roll-forward and in the exception list,
of the bank in the settlement days and in the tie-out. Each pair differs for a reason; a bridge names it with its cents.

    failed and not seen       open in the roll-forward, and what adjusted plans take with other lines, make what the draws say
    uncleared part            draws that came in part: what was scheduled less what came is in no roll-forward and is not aged; it is told
                              as `draw for less`, and stands in the tie-out at every close
    come back after a close   the roll-forward counts a draw that came back at its schedule, once it is open; the exception list counts what
                              the bank took back, card fee included, also of draws that cleared again or came back in part
    bank                      the settlement days show deposits; the tie-out leaves out card fees, payments outside plans, and money of
                              students or plans that nobody knows
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from reconcile.closing_lines import LOST
from reconcile.exceptions_close import undone_since
from reconcile.line_moves import CLOSING, OPEN
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.texts import among, is_word
from reconcile.tie_out import BANK, TO_BANK
from reconcile.tie_out_ledger import draw_money_undone

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from reconcile.events import Ints
    from reconcile.exception_facts import Fact
    from reconcile.exceptions_close import Since
    from reconcile.proof import Proof
    from reconcile.worked import Worked

FAILED: Final = "failed and not seen"
UNCLEARED: Final = "uncleared part"
BACK: Final = "come back after a close"
AT_BANK: Final = "bank"
ITEMS: Final[dict[str, tuple[str, ...]]] = {
    FAILED: ("open in the roll-forward", "taken by other lines of adjusted plans", "failed and not seen in draws.csv"),
    UNCLEARED: ("scheduled of draws that came in part", "what of them came", "uncleared part in the tie-out"),
    BACK: (
        *("returned after clearing in the roll-forward", "open again without a return", "at another amount than scheduled"),
        *("in part, or taken, moved or cancelled since", "card fees taken back", "return after the close in exceptions.csv"),
    ),
    AT_BANK: (
        *("net of settlement_days.csv", "card fees", "payments outside plans", "of unknown students or plans", "bank in the tie-out"),
    ),
}
"""The items of each bridge, in order. Amounts are signed: all but the last come to the last."""


def bridges(at: Worked, tables: Mapping[str, pd.DataFrame], back: Sequence[Fact], since: Since) -> pd.DataFrame:
    """Lead figures that look alike to each other.

    In:      everything that the run worked out; its tables, those of the close among them; what came back since the close before, and what
             that is compared with. Cents.
    Out:     OUTPUTS["bridges"]: every item of every bridge, zeros too; the last of each is the figure that the others come to.
    """
    draws, tied, rolled = tables["draws"], tables["tie_out"], tables["rollforward"]
    part = draws[is_word(draws["state"], "part cleared")]
    cents: dict[str, list[float]] = {
        FAILED: [
            rolled.loc[is_word(rolled["money"], OPEN) & is_word(rolled["item"], CLOSING), "amount"].sum(),
            tables["closing_lines"]["rolled"].sum(),
            draws.loc[among(draws["state"], LOST), "scheduled"].sum(),
        ],
        UNCLEARED: [part["scheduled"].sum(), -part["cleared"].sum(), -tied.loc[is_word(tied["item"], UNCLEARED), "amount"].sum()],
        BACK: [*_came_back(at, tables["line_moves"], back, since), sum(fact.amount for fact in back)],
        AT_BANK: [
            tables["settlement_days"]["net"].sum(),
            *(-at.money.loc[is_word(at.events["outcome"], "cleared"), name].sum() for name in ("card_fee", "payment", "nobodys")),
            tied.loc[is_word(tied["step"], TO_BANK) & is_word(tied["item"], BANK), "amount"].sum(),
        ],
    }
    rows = [(name, item, int(one)) for name, items in ITEMS.items() for item, one in zip(items, cents[name], strict=True)]
    kinds = {c.name: DTYPES[c.kind] for c in OUTPUTS["bridges"]}
    return pd.DataFrame(rows, columns=list(kinds)).astype(kinds)


def apart(table: pd.DataFrame) -> dict[str, list[tuple[str, int]]]:
    """The bridges that lead somewhere: by name, their items that are not zero, and both ends. Left out is one whose ends are the same."""
    found = {}
    for name, items in ITEMS.items():
        cents = dict(table.loc[is_word(table["bridge"], name), ["item", "amount"]].itertuples(index=False, name=None))
        if cents and cents[items[0]] != cents[items[-1]]:
            found[name] = [(item, int(cents[item])) for item in items if cents[item] or item in {items[0], items[-1]}]
    return found


def prove_bridges(proof: Proof, table: pd.DataFrame) -> None:
    """Add that each bridge comes out; cents."""
    for name, items in ITEMS.items():
        of_bridge = table[is_word(table["bridge"], name)]
        end = is_word(of_bridge["item"], items[-1])
        proof.equal(f"bridges: {name}, items = {items[-1]}", of_bridge.loc[~end, "amount"].sum(), of_bridge.loc[end, "amount"].sum())


def _came_back(at: Worked, moves: pd.DataFrame, back: Sequence[Fact], since: Since) -> list[int]:
    """From the roll-forward to what the bank took back, line by line: the items of BACK but the last."""
    rolled = moves[is_word(moves["item"], "returned after clearing")]
    open_again = dict(zip(zip(rolled["plan_id"], rolled["line"], strict=True), rolled["amount"].tolist(), strict=True))
    told = {(fact.plan_id, fact.line): fact.amount for fact in back}
    fees = _fees_taken_back(at, told, undone_since(at, since))
    of_bank = {line: cents - fees.get(line, 0) for line, cents in told.items()}
    return [
        sum(open_again.values()),
        -sum(cents for line, cents in open_again.items() if line not in told),
        sum(cents - open_again[line] for line, cents in of_bank.items() if line in open_again),
        sum(cents for line, cents in of_bank.items() if line not in open_again),
        sum(fees.values()),
    ]


def _fees_taken_back(at: Worked, told: Mapping[tuple[str, str], int], which: Ints) -> dict[tuple[str, str], int]:
    """How much of what came back of each line, by the undoings that were told, was card fee."""
    _by, of, drawn = draw_money_undone(at)
    fee = at.matching.undoings["cents"].to_numpy() - drawn
    found: dict[tuple[str, str], int] = {}
    for one in which[fee[which] != 0].tolist():
        line = (str(at.money["plan_id"].iloc[of[one]]), str(at.money["line"].iloc[of[one]]))
        if line in told:
            found[line] = found.get(line, 0) + int(fee[one])
    return found
