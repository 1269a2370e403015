"""Each way in which a line can move between two closes, and what holds of all of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.closing_lines import COMING, LOST
from reconcile.line_moves import CLOSING, ITEMS, OPEN, OPENING, PENDING, line_moves
from reconcile.rollforward import rollforward
from reconcile.schemas import DRAW_STATES, DTYPES, OUTPUTS

if TYPE_CHECKING:
    from collections.abc import Iterable

TYPES = {column.name: DTYPES[column.kind] for column in OUTPUTS["closing_lines"]}
Line = dict[str, Any]


def line(state: str, scheduled: int = 1000, cleared: int | None = None, rolled: int = 0, **more: Any) -> Line:
    """One line of a close: plan P1, line 1 of student S1 by bank, unless said otherwise; cents."""
    brought = {"cleared": scheduled, "part cleared": scheduled // 2}.get(state, 0) if cleared is None else cleared
    base = {"term": "T", "student_id": "S1", "plan_id": "P1", "line": "1", "kind": "draw", "method": "bank", "line_status": "active"}
    own = {"scheduled": scheduled, "state": state, "cleared": brought, "rolled": rolled, "plan_total": 5000}
    pending = scheduled if state in COMING else 0
    lost = scheduled - rolled if state in LOST else 0
    return base | own | {"pending": pending, "failed_and_not_seen": lost, "draw_date": pd.Timestamp("2026-10-10")} | more


def closed(*lines: Line) -> pd.DataFrame:
    """closing_lines of these lines."""
    empty: dict[str, Any] = {"str": "", "int64": 0, "datetime64[s]": pd.NaT}
    return pd.DataFrame({name: pd.Series([one.get(name, empty[kind]) for one in lines], dtype=kind) for name, kind in TYPES.items()})


def told(before: Iterable[Line] | None, now: Iterable[Line]) -> dict[str, int]:
    """Every item that is not zero, as `pending failed`, with its cents; opening and closing left out."""
    moves = line_moves(None if before is None else closed(*before), closed(*now))
    short = {PENDING: "pending", OPEN: "open"}
    rows = moves[~moves["item"].isin([OPENING, CLOSING])]
    return {f"{short[money]} {item}": cents for money, item, cents in rows[["money", "item", "amount"]].itertuples(index=False)}


OTHER = line("cleared", line="9")
"""Another line of the same plan, so that the plan itself is in both closes."""

STORIES: dict[str, tuple[list[Line], list[Line], dict[str, int]]] = {
    "a pending draw cleared": ([line("pending")], [line("cleared")], {"pending cleared at schedule": -1000}),
    "a draw in transit cleared a few cents short, within the tolerance: at its scheduled amount": (
        [line("in transit")],
        [line("cleared", cleared=997)],
        {"pending cleared at schedule": -1000},
    ),
    "part of a draw came": (
        [line("pending")],
        [line("part cleared", cleared=600)],
        {"pending part cleared": -600, "pending uncleared part": -400},
    ),
    "a draw that had cleared and whose plan is taken from a card now: its money does not come again": (
        [line("cleared"), OTHER],
        [line("cleared", method="card"), OTHER],
        {},
    ),
    "a draw that had cleared came back, and its plan is taken from a card now": (
        [line("cleared"), OTHER],
        [line("failed", method="card"), OTHER],
        {"open returned after clearing": 1000},
    ),
    "a draw failed": ([line("pending")], [line("failed")], {"pending failed": -1000, "open new": 1000}),
    "a draw was not seen": ([line("in transit")], [line("not seen")], {"pending not seen": -1000, "open new": 1000}),
    "a draw was cancelled": ([line("pending")], [line("cancelled", line_status="cancelled")], {"pending cancelled": -1000}),
    "a draw in transit is still pending money": ([line("pending")], [line("in transit")], {}),
    "a draw was raised": ([line("pending")], [line("pending", 1200)], {"pending lines added or raised": 200}),
    "a draw was lowered and then cleared": (
        [line("pending")],
        [line("cleared", 800)],
        {"pending lines removed or lowered": -200, "pending cleared at schedule": -800},
    ),
    "a draw was lowered to nothing": ([line("pending")], [line("cancelled", 0)], {"pending lines removed or lowered": -1000}),
    "a line was taken out of the plan": ([line("pending"), OTHER], [OTHER], {"pending lines removed or lowered": -1000}),
    "a line was added to a plan": ([OTHER], [OTHER, line("pending")], {"pending lines added or raised": 1000}),
    "a new plan": ([OTHER], [OTHER, line("pending", plan_id="P2")], {"pending new plans": 1000}),
    "a new plan whose first draw has cleared already": (
        [OTHER],
        [OTHER, line("cleared", plan_id="P2")],
        {"pending new plans": 1000, "pending cleared at schedule": -1000},
    ),
    "a new plan of which a line was cancelled at once": (
        [OTHER],
        [OTHER, line("cancelled", plan_id="P2", line_status="cancelled")],
        {"pending new plans": 1000, "pending cancelled": -1000},
    ),
    "a failed draw was presented again and cleared": ([line("failed")], [line("cleared")], {"open collected later": -1000}),
    "a draw not seen came late, in part": (
        [line("not seen")],
        [line("part cleared", cleared=300)],
        {"open collected later": -300, "open uncleared part": -700},
    ),
    "a failed draw was cancelled": ([line("failed")], [line("cancelled", line_status="cancelled")], {"open cancelled": -1000}),
    "a failed draw was taken out of the plan": ([line("failed"), OTHER], [OTHER], {"open cancelled": -1000}),
    "a draw not seen was moved to a later date": (
        [line("not seen")],
        [line("pending")],
        {"pending brought back": 1000, "open rolled into the plan": -1000},
    ),
    "a cleared draw came back": ([line("cleared")], [line("failed")], {"open returned after clearing": 1000}),
    "a draw that had brought a part came back": (
        [line("part cleared", cleared=600)],
        [line("failed")],
        {"open returned after clearing": 600, "open uncleared part": 400},
    ),
    "a failed draw that the other lines of the plan have taken over": (
        [line("failed")],
        [line("failed", rolled=1000)],
        {"open rolled into the plan": -1000},
    ),
    "a draw failed, and the plan was adjusted for it in the same month": (
        [line("pending")],
        [line("failed", rolled=400)],
        {"pending failed": -1000, "open new": 1000, "open rolled into the plan": -400},
    ),
    "what the plan had taken over is open again": ([line("failed", rolled=1000)], [line("failed")], {"open rolled into the plan": 1000}),
    "a failed draw of which 400 were rolled cleared: only what was open is collected": (
        [line("failed", rolled=400)],
        [line("cleared")],
        {"open collected later": -600},
    ),
    "a draw not seen came back after all": ([line("not seen")], [line("failed")], {}),
    "an open draw was raised": ([line("failed")], [line("failed", 1300)], {"open new": 300}),
    "an open draw was lowered": ([line("failed")], [line("failed", 800)], {"open cancelled": -200}),
    "a cancelled draw stands again": (
        [line("cancelled", line_status="cancelled")],
        [line("pending")],
        {"pending lines added or raised": 1000},
    ),
    "a cancelled draw stands again and has cleared": (
        [line("cancelled", line_status="cancelled")],
        [line("cleared")],
        {"pending lines added or raised": 1000, "pending cleared at schedule": -1000},
    ),
    "a cancelled draw stands again and has failed": (
        [line("cancelled", line_status="cancelled")],
        [line("failed")],
        {"pending lines added or raised": 1000, "pending failed": -1000, "open new": 1000},
    ),
    "a cancelled draw was taken all the same: no pending money moves": (
        [line("cancelled", line_status="cancelled")],
        [line("cleared", line_status="cancelled")],
        {},
    ),
    "a cleared draw is pending anew, since the bank's file was corrected": (
        [line("cleared")],
        [line("pending")],
        {"pending brought back": 1000},
    ),
    "a cleared draw was given back": ([line("cleared")], [line("cancelled")], {}),
    "nothing moved": ([line("failed", rolled=10)], [line("failed", rolled=10)], {}),
}


@pytest.mark.parametrize("story", STORIES)
def test_each_kind_of_move(story: str) -> None:
    """The line moves by the items that a person would name, to the cent."""
    before, now, items = STORIES[story]
    assert told(before, now) == items


def test_every_item_has_a_story() -> None:
    """Each item of both moneys is told by at least one story."""
    seen = {name for _, _, items in STORIES.values() for name in items}
    assert seen == {f"{'open' if money == OPEN else 'pending'} {item}" for money, items in ITEMS.items() for item in items[1:-1]}


def test_a_line_from_card_to_bank_leaves_the_one_and_comes_to_the_other() -> None:
    """By card the line is removed, by bank it is added: each method's roll-forward comes out on its own."""
    moves = line_moves(closed(line("pending", method="card")), closed(line("pending")))
    rows = set(moves[["method", "item", "amount"]].itertuples(index=False, name=None))
    assert rows == {
        *(("card", OPENING, 1000), ("card", "lines removed or lowered", -1000)),
        *(("bank", "lines added or raised", 1000), ("bank", CLOSING, 1000)),
    }


def test_a_first_close_opens_at_zero_with_every_plan_new() -> None:
    """Without a close before, all of every schedule stands under new plans, also what cleared, failed or was cancelled long ago."""
    now = (line("cleared"), line("failed", line="2"), line("cancelled", line="3", line_status="cancelled"), line("pending", line="4"))
    assert told(None, now)["pending new plans"] == 1000
    table = rollforward(line_moves(None, closed(*now)), closed(*now), None)
    found = {
        (money, item): (lines, cents) for money, item, lines, cents in table[["money", "item", "lines", "amount"]].itertuples(index=False)
    }
    assert found[PENDING, OPENING] == (0, 0)
    assert found[PENDING, "new plans"] == (4, 4000)
    assert found[PENDING, CLOSING] == (1, 1000)
    assert found[OPEN, CLOSING] == (1, 1000)


STATES = st.sampled_from(DRAW_STATES)
AMOUNTS = st.integers(1, 300_000)


@st.composite
def line_of(draw: st.DrawFn, plan: str, name: str) -> Line | None:
    """A line in any state at any amount, or no line."""
    state = draw(st.one_of(st.none(), STATES))
    if state is None:
        return None
    amount = draw(AMOUNTS)
    cleared = {"cleared": draw(st.integers(amount - 5, amount + 50)), "part cleared": draw(st.integers(0, amount - 1))}.get(state, 0)
    rolled = draw(st.integers(0, amount)) if state in LOST else 0
    status = draw(st.sampled_from(["active", "cancelled"])) if state in {"cancelled", "cleared"} else "active"
    method = draw(st.sampled_from(["bank", "bank", "card"]))
    return line(state, amount, max(1, cleared) if cleared else 0, rolled, plan_id=plan, line=name, method=method, line_status=status)


@st.composite
def chains(draw: st.DrawFn) -> list[pd.DataFrame]:
    """A few closes in a row, of up to two plans with up to three lines."""
    keys = [(plan, name) for plan in ("P1", "P2") for name in ("1", "2", "10")]
    return [closed(*(one for key in keys if (one := draw(line_of(*key))) is not None)) for _ in range(draw(st.integers(2, 4)))]


@settings(max_examples=150, deadline=None)
@given(chains())
def test_a_chain_of_closes_conserves_every_cent(chain: list[pd.DataFrame]) -> None:
    """Of each method and money: opening + items = closing, each closing is the next opening, and closings are what the states say."""
    before: pd.DataFrame | None = None
    ended: dict[tuple[str, str], int] = {}
    for now in chain:
        table = rollforward(line_moves(before, now), now, before)
        closing: dict[tuple[str, str], int] = {}
        for method, money in table[["method", "money"]].drop_duplicates().itertuples(index=False, name=None):
            rows = table[(table["method"] == method) & (table["money"] == money)]
            cents = dict(zip(rows["item"], rows["amount"], strict=True))
            end, start = cents.pop(CLOSING), cents.pop(OPENING)
            assert start + sum(cents.values()) == end
            assert start == ended.get((method, money), 0)
            closing[method, money] = end
        for method in set(now["method"]):
            of_method = now[now["method"] == method]
            assert closing[method, PENDING] == of_method.loc[of_method["state"].isin(COMING), "scheduled"].sum()
            lost = of_method[of_method["state"].isin(LOST)]
            assert closing[method, OPEN] == (lost["scheduled"] - lost["rolled"]).sum()
        assert all(cents == 0 or key in closing for key, cents in ended.items())
        before, ended = now, closing


STATE_MOVES = {"cleared at schedule", "part cleared", "failed", "not seen", "cancelled", "brought back"}


@settings(max_examples=150, deadline=None)
@given(chains())
def test_each_line_moves_once(chain: list[pd.DataFrame]) -> None:
    """No line leaves pending twice, no item stands twice for a line, and what leaves pending as failed or not seen is open money."""
    before, now = chain[-2:]
    moves = line_moves(before, now)
    key = ["plan_id", "line", "method", "money"]
    assert not moves.duplicated([*key, "item"]).any()
    pending = moves[(moves["money"] == PENDING) & moves["item"].isin(STATE_MOVES)]
    assert not pending.duplicated(key).any()
    lost = -moves.loc[(moves["money"] == PENDING) & moves["item"].isin(["failed", "not seen"]), "amount"].sum()
    raised = moves[(moves["money"] == OPEN) & (moves["item"] == "new") & moves["opening_state"].isin(LOST)]["amount"].sum()
    assert moves.loc[(moves["money"] == OPEN) & (moves["item"] == "new"), "amount"].sum() == lost + raised
    assert (moves["amount"] != 0).all()


@settings(max_examples=60, deadline=None)
@given(chains(), st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(chain: list[pd.DataFrame], random: Any) -> None:
    """Both closes shuffled give the same moves in the same order."""
    before, now = chain[-2:]

    def shuffled(table: pd.DataFrame) -> pd.DataFrame:
        order = list(range(len(table)))
        random.shuffle(order)
        return table.take(order).reset_index(drop=True)

    pd.testing.assert_frame_equal(line_moves(shuffled(before), shuffled(now)), line_moves(before, now))
