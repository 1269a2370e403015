"""How each plan line moved since the close before: once, from its opening state to its closing state.

A month-end roll-forward says how money came from one balance to the next. Here it is told line by line, so that every figure of the
roll-forward is a sum of rows that can be looked at. Two moneys roll forward:

- `pending`: what plan lines are still to take, in transit included;
- `failed and not seen`: what should have come and did not, as far as the plan was not adjusted to take it otherwise.

A line is first brought to its amount of today (a new plan, a line added, raised, lowered or removed); then it moves from its opening state
to its closing state, by one item of each money. Part of a draw that came leaves pending as two items, `part cleared` and `uncleared part`.

    opening state > closing state       pending                                  failed and not seen
    none > any                          new plans, or lines added or raised      as from pending
    pending > cleared                   - cleared at schedule
    pending > part cleared              - part cleared - uncleared part
    pending > failed, not seen          - failed, - not seen                     + new
    pending > cancelled                 - cancelled
    pending > none                      - lines removed or lowered
    failed, not seen > pending          + brought back                           - rolled into the plan
    failed, not seen > cleared                                                   - collected later
    failed, not seen > part cleared                                              - collected later - uncleared part
    failed, not seen > cancelled, none                                           - cancelled
    cleared > failed, not seen                                                   + returned after clearing
    part cleared > failed, not seen                                              + returned after clearing + uncleared part
    cleared, part cleared > pending     + brought back
    cancelled > pending                 + lines added or raised
    cancelled > failed, not seen        + lines added or raised - failed         + new

Money that moves in neither, since no promise of a draw is open for it at either end:

    cleared > part cleared          part of the draw came back: told as `draw for less` and `return after the close`
    part cleared > cleared          the rest came later
    part cleared > part cleared     more of it came, or part of that came back
    cleared, part cleared > cancelled    the office gave it back
    cancelled > with money          taken although it was cancelled, and not reinstated: told as `draw after cancellation`

So the uncleared part of a draw that came in part leaves pending as `uncleared part` and never enters `failed and not seen`: it is not aged
here. It would never leave again, since an office collects it by an adjusted plan or a payment, not by that draw. It stands in the tie-out
at every close, and its sum in `bridges`.

An open line that is raised or lowered has the difference under `new` or `cancelled`; one whose rolled part moves has it under `rolled into
the plan`. What clears is taken out at its scheduled amount: cents within the tolerance stand in the tie-out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from reconcile.closing_lines import COMING, LOST, WITH_MONEY, empty, same_lines
from reconcile.line_order import order_of_lines
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.texts import among, is_word, picked

if TYPE_CHECKING:
    from reconcile.events import Bools, Ints

PENDING: Final = "pending"
OPEN: Final = "failed and not seen"
OPENING, CLOSING = "opening", "closing"
ITEMS: Final[dict[str, tuple[str, ...]]] = {
    PENDING: (
        *(OPENING, "new plans", "lines added or raised", "lines removed or lowered", "cleared at schedule", "part cleared"),
        *("uncleared part", "failed", "not seen", "cancelled", "brought back", CLOSING),
    ),
    OPEN: (
        *(OPENING, "new", "returned after clearing", "collected later", "uncleared part", "rolled into the plan", "cancelled", CLOSING),
    ),
}
"""The items of each money, in order. Amounts are signed: opening plus all items is closing."""


@dataclass(frozen=True)
class _Ends:
    """Each line at both ends, as arrays side by side: amounts in cents, 0 where the line is not there."""

    here: dict[str, Bools]
    """Opening group: `none`, `coming`, `lost`, `cleared`, `part`, `cancelled`."""
    there: dict[str, Bools]
    """Closing group, and the states `failed` and `not seen` one by one."""
    was: Ints
    now: Ints
    net_was: Ints
    net_now: Ints
    rolled_was: Ints
    rolled_now: Ints
    new_plan: Bools
    reinstated: Bools


def line_moves(before: pd.DataFrame | None, now: pd.DataFrame) -> pd.DataFrame:
    """Tell every move of every line between two closes.

    In:      closing_lines of the close before (None: there was none, and everything is new) and of this one; cents.
    Out:     OUTPUTS["line_moves"]: per line and money its opening, each item that is not zero, and its closing; signed.
    Keeps:   per line and money, opening + items = closing; no line has two moves of state.
    """
    before = empty("closing_lines") if before is None else before
    was_at, now_at = same_lines(before, now)
    ends = _ends(before, now, was_at, now_at)
    parts = [(PENDING, item, cents) for item, cents in _pending(ends)] + [(OPEN, item, cents) for item, cents in _open(ends)]
    parts += [
        (PENDING, OPENING, _at(before["pending"], was_at)),
        (PENDING, CLOSING, _at(now["pending"], now_at)),
        (OPEN, OPENING, _at(before["failed_and_not_seen"], was_at)),
        (OPEN, CLOSING, _at(now["failed_and_not_seen"], now_at)),
    ]
    return _table(_about(before, now, was_at, now_at), parts)


def _at(column: pd.Series, at: Ints) -> Ints:
    """The cents at each position; 0 where there is none."""
    cents = column.to_numpy()
    return np.where(at >= 0, cents[at], 0) if len(cents) else np.zeros(len(at), dtype=np.int64)


def _ends(before: pd.DataFrame, now: pd.DataFrame, was_at: Ints, now_at: Ints) -> _Ends:
    status_was, status_now = picked(before["line_status"], was_at), picked(now["line_status"], now_at)
    was, amount = _at(before["scheduled"], was_at), _at(now["scheduled"], now_at)
    here = _groups(picked(before["state"], was_at))
    net_was = _at(before["cleared"], was_at)
    moved_over = _with_money_under_another_name(before, now, was_at, now_at)
    for at, earlier in moved_over.items():  # the same line by another method, say: its money came before, and does not come again
        state = before["state"].iloc[earlier]
        here["none"][at], here["with money"][at], here[state][at] = False, True, True
        was[at], net_was[at] = before["scheduled"].iloc[earlier], before["cleared"].iloc[earlier]
    stood_cancelled = is_word(status_was, "cancelled") | ((was_at >= 0) & (was == 0))
    return _Ends(
        here=here,
        there=_groups(picked(now["state"], now_at)),
        was=was,
        now=amount,
        net_was=net_was,
        net_now=_at(now["cleared"], now_at),
        rolled_was=_at(before["rolled"], was_at),
        rolled_now=_at(now["rolled"], now_at),
        new_plan=(now_at >= 0) & ~among(picked(now["plan_id"], now_at), before["plan_id"]),
        reinstated=stood_cancelled & is_word(status_now, "active") & (amount > 0),
    )


def _with_money_under_another_name(before: pd.DataFrame, now: pd.DataFrame, was_at: Ints, now_at: Ints) -> dict[int, int]:
    """Lines that seem new and had money at the close before, when their term, student or method was another; with their row there."""
    fresh = np.flatnonzero((was_at < 0) & (now_at >= 0))
    had = np.flatnonzero(among(before["state"], WITH_MONEY))
    if not len(fresh) or not len(had):
        return {}
    names = zip(before["plan_id"].iloc[had].tolist(), before["line"].iloc[had].tolist(), strict=True)
    known = dict(zip(names, had.tolist(), strict=True))
    rows = now.iloc[now_at[fresh]]
    keys = zip(rows["plan_id"].tolist(), rows["line"].tolist(), strict=True)
    return {int(at): known[key] for at, key in zip(fresh.tolist(), keys, strict=True) if key in known}


def _groups(state: pd.Series) -> dict[str, Bools]:
    return {
        "none": is_word(state, ""),
        "coming": among(state, COMING),
        "lost": among(state, LOST),
        "with money": among(state, WITH_MONEY),
        **{name: is_word(state, name) for name in ("cleared", "part cleared", "cancelled", "failed", "not seen")},
    }


def _pending(e: _Ends) -> list[tuple[str, Ints]]:
    """The items of pending money, each from its own formula."""
    here, there = e.here, e.there
    came = here["none"] & ~there["none"]
    stood_up = here["cancelled"] & (there["coming"] | there["lost"] | (there["with money"] & e.reinstated))
    stayed = here["coming"] & ~there["none"]
    moves = came | stood_up | stayed  # lines whose state of today is told from pending money
    change = np.where(stayed, e.now - e.was, 0)
    added = np.where((came & ~e.new_plan) | stood_up, e.now, 0) + np.maximum(change, 0)
    gone = np.where(here["coming"] & there["none"], e.was, 0)
    return [
        ("new plans", np.where(came & e.new_plan, e.now, 0)),
        ("lines added or raised", added),
        ("lines removed or lowered", np.minimum(change, 0) - gone),
        ("cleared at schedule", -np.where(moves & there["cleared"], e.now, 0)),
        ("part cleared", -np.where(moves & there["part cleared"], e.net_now, 0)),
        ("uncleared part", -np.where(moves & there["part cleared"], e.now - e.net_now, 0)),
        ("failed", -np.where(moves & there["failed"], e.now, 0)),
        ("not seen", -np.where(moves & there["not seen"], e.now, 0)),
        ("cancelled", -np.where(moves & there["cancelled"], e.now, 0)),
        ("brought back", np.where((here["lost"] | here["with money"]) & there["coming"], e.now, 0)),
    ]


def _open(e: _Ends) -> list[tuple[str, Ints]]:
    """The items of failed and not-seen money, each from its own formula."""
    here, there = e.here, e.there
    stayed = here["lost"] & there["lost"]
    open_was = np.where(here["lost"], e.was - e.rolled_was, 0)
    change = np.where(stayed, e.now - e.was, 0)
    fresh = there["lost"] & ~here["lost"] & ~here["with money"]
    returned = np.where(there["lost"] & here["cleared"], e.now, 0)
    returned += np.where(there["lost"] & here["part cleared"], np.minimum(e.net_was, e.now), 0)
    uncleared = np.where(there["lost"] & here["part cleared"], e.now - np.minimum(e.net_was, e.now), 0)
    collected = np.where(here["lost"] & there["cleared"], open_was, 0)
    part = here["lost"] & there["part cleared"]
    collected += np.where(part, np.minimum(e.net_now, open_was), 0)
    uncleared -= np.where(part, open_was - np.minimum(e.net_now, open_was), 0)
    rolled = np.where(there["lost"], e.rolled_now - np.where(here["lost"], e.rolled_was, 0), 0)
    rolled += np.where(here["lost"] & there["coming"], open_was, 0)
    gone = np.where(here["lost"] & (there["cancelled"] | there["none"]), open_was, 0)
    return [
        ("new", np.where(fresh, e.now, 0) + np.maximum(change, 0)),
        ("returned after clearing", returned),
        ("collected later", -collected),
        ("uncleared part", uncleared),
        ("rolled into the plan", -rolled),
        ("cancelled", np.minimum(change, 0) - gone),
    ]


_BOTH: Final = ("term", "student_id", "plan_id", "line", "kind", "method")


def _about(before: pd.DataFrame, now: pd.DataFrame, was_at: Ints, now_at: Ints) -> pd.DataFrame:
    """What stands beside each line: who it is, and how it was at both ends."""
    gone = now_at < 0
    about: dict[str, object] = {name: picked(now[name], now_at, picked(before[name], was_at)) for name in _BOTH}
    draw_date = np.full(len(was_at), np.datetime64("NaT", "s"), dtype="datetime64[s]")
    draw_date[~gone] = now["draw_date"].to_numpy()[now_at[~gone]]
    draw_date[gone] = before["draw_date"].to_numpy()[was_at[gone]]
    about["draw_date"] = pd.Series(draw_date)
    about["opening_state"] = picked(before["state"], was_at)
    about["opening_scheduled"] = _at(before["scheduled"], was_at)
    about["closing_state"] = picked(now["state"], now_at)
    about["closing_scheduled"] = _at(now["scheduled"], now_at)
    return pd.DataFrame(about)


def _table(about: pd.DataFrame, parts: list[tuple[str, str, Ints]]) -> pd.DataFrame:
    """One row per line, money and item that is not zero, in the order of lines, moneys and items."""
    rank = np.empty(len(about), dtype=np.int64)
    rank[order_of_lines(about)] = np.arange(len(about))
    names = [(money, item) for money, items in ITEMS.items() for item in items]
    order = {name: place for place, name in enumerate(names)}
    lines, places, cents = [], [], []
    for money, item, amounts in parts:
        which = np.flatnonzero(amounts)
        lines.append(which)
        places.append(np.full(len(which), order[money, item], dtype=np.int64))
        cents.append(amounts[which])
    line, place, amount = (np.concatenate(each).astype(np.int64) for each in (lines, places, cents))
    sequence = np.lexsort((place, rank[line]))
    line, place, amount = line[sequence], place[sequence], amount[sequence]
    table = about.take(line).reset_index(drop=True)
    table["money"] = picked(pd.Series([money for money, _ in names], dtype="str"), place)
    table["item"] = picked(pd.Series([item for _, item in names], dtype="str"), place)
    table["amount"] = amount
    return table[[column.name for column in OUTPUTS["line_moves"]]].astype({c.name: DTYPES[c.kind] for c in OUTPUTS["line_moves"]})
