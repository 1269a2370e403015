"""The tie-out: per draw date, plan schedule, bank and student ledger side by side, with each difference between them named.

Three records tell of one draw: the plan schedule asked for it, the bank took it (or did not), the student ledger posts it. At month-end
they differ, and each difference has a name: a draw in transit, one that came back, money not posted yet, a return that the ledger still
shows as paid. Reconciling items are listed one by one until they clear (published practice: see `rollforward`); what no item explains must
be zero.

    schedule - cancelled - pending - in transit - failed - not seen - uncleared part +- ... = bank
    bank - cleared not posted + posted not cleared + returns not reversed +- ... = student ledger

Money is what stayed: returns and refunds are taken off the draw that they undid. A bank event counts at the draw date of its line (of
several lines, the first), a posting at that of its bank event, and one without an event at the student's latest draw date before it was
posted. What belongs to no draw date stands in rows without one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from reconcile.events import NOBODY, day_numbers
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.texts import is_word
from reconcile.tie_out_ledger import NO_DAY, UNDID_NOTHING, Found, ledger_side

if TYPE_CHECKING:
    from datetime import date

    from reconcile.events import Bools, Ints
    from reconcile.policy import Rules
    from reconcile.worked import Worked

TO_BANK: Final = "schedule to bank"
TO_LEDGER: Final = "bank to student ledger"
TOLD: Final = "for information"
SCHEDULE, BANK, LEDGER, UNEXPLAINED = "schedule", "bank", "student ledger", "unexplained"
WITHOUT_LINE: Final = "money on no line of a plan"
OTHER_DATE: Final = "taken with another date's draw"
RETURNABLE: Final = "cleared, still returnable"

STEPS: Final[dict[str, tuple[str, ...]]] = {
    TO_BANK: (
        *(SCHEDULE, "cancelled", "pending", "in transit", "failed", "not seen", "uncleared part", "cleared above or below the schedule"),
        *(OTHER_DATE, WITHOUT_LINE, BANK, UNEXPLAINED),
    ),
    TO_LEDGER: (
        *(BANK, "cleared not posted", "posted not cleared", "returns not reversed", "reversed, not returned", UNDID_NOTHING),
        *("posted as another kind", "refunds posted as refunds", "enrollment fees not on the bill", LEDGER, UNEXPLAINED),
    ),
    TOLD: (RETURNABLE,),
}
"""The items of each step, in order. Amounts are signed: the first plus all items is the second-last, and the last is zero."""
ENDS: Final = (SCHEDULE, BANK, LEDGER, UNEXPLAINED)
"""Items that are a side of the tie-out; all others explain a difference (or tell something) and stand line by line in tie_out_items."""

_Sums = dict[tuple[str, int, str, str], list[tuple[int, int, int]]]
"""Rows, cents and last day, by term, draw date, step and item."""


@dataclass(frozen=True, eq=False)
class TieOut:
    """OUTPUTS["tie_out"] and OUTPUTS["tie_out_items"]."""

    table: pd.DataFrame
    items: pd.DataFrame


def tie_out(at: Worked, closing: pd.DataFrame, rules: Rules, *, has_postings: bool) -> TieOut:
    """Hold plan schedule, bank and student ledger against each other, per term and draw date.

    In:      everything that the run worked out; closing_lines (since when a line is open); cents.
    Out:     TieOut: draw dates up to the as-of day, and later ones that have money already. Sides and unexplained always, items where they
             are not zero. The step to the student ledger only where there is a postings export.
    Keeps:   per term, bank = plan and fee money that stayed, student ledger = its plan draw postings; unexplained is 0.
    """
    places = _Places.of(at)
    sides = [*_schedule_side(at, places)]
    found = [*_schedule_items(at, places, closing), *_loose_items(at, places)]
    if has_postings:
        ledger, of_ledger = ledger_side(at, places.event, rules)
        sides += [(TO_LEDGER, LEDGER, ledger)]
        found += [(TO_LEDGER, item, rows) for item, rows in of_ledger]
    items = _items_table(at, found)
    shown = _shown(sides, items, at.as_of)
    items = items[_keys_in(items, shown)].reset_index(drop=True)
    return TieOut(_table(sides, items, shown, has_postings=has_postings), items[[c.name for c in OUTPUTS["tie_out_items"]]])


@dataclass(frozen=True)
class _Places:
    """Where bank events count: the position of the line whose draw date they belong to, NOBODY without one."""

    event: Ints
    standing: Ints
    """Plan and fee money of each event that stayed, on a line or not; cents."""

    @classmethod
    def of(cls, at: Worked) -> _Places:
        money = at.money
        names = ("on_lines", "on_cancelled_lines", "fee_on_lines", "undecided", "without_a_line", "fee_without_a_line")
        standing = np.sum([money[name].to_numpy() for name in names], axis=0).astype(np.int64)
        own = money["line_at"].to_numpy().copy()
        by, of = at.matching.undoings["by"].to_numpy(), at.matching.undoings["of"].to_numpy()
        own[by] = own[of]  # what undid a draw belongs where the draw is
        return cls(own, standing)


def _schedule_side(at: Worked, places: _Places) -> list[tuple[str, str, Found]]:
    """The scheduled amounts by line, and the bank's money by event."""
    lines, money = at.lines, at.money
    schedule = Found.of_lines(lines, np.arange(len(lines)), lines["amount"].to_numpy())
    which = np.flatnonzero((places.standing != 0) & ~is_word(money["term"], ""))
    bank = Found.of_events(at, which, places.standing[which], places.event)
    return [(TO_BANK, SCHEDULE, schedule), (TO_BANK, BANK, bank), (TO_LEDGER, BANK, bank)]


def _schedule_items(at: Worked, places: _Places, closing: pd.DataFrame) -> list[tuple[str, str, Found]]:
    """What keeps the bank from having what the schedule asked for, line by line, from its state."""
    lines = at.lines
    amount, net, state = lines["amount"].to_numpy(), lines["cleared"].to_numpy(), lines["state"]
    since = _since(at, closing)
    found = []

    def add(item: str, which: Bools, cents: Ints, step: str = TO_BANK, until: pd.Series | None = None) -> None:
        rows = np.flatnonzero(which & (cents != 0))
        found.append((step, item, Found.of_lines(lines, rows, cents[rows], since, until)))

    for name in ("cancelled", "pending", "in transit", "failed", "not seen"):
        add(name, is_word(state, name), -amount)
    add("uncleared part", is_word(state, "part cleared"), net - amount)
    add("cleared above or below the schedule", is_word(state, "cleared"), net - amount)
    until = at.states["returnable_until"]
    today = np.datetime64(at.as_of, "s")
    add(RETURNABLE, (until >= today).to_numpy() & (net > 0), net, TOLD, until)
    return [*found, *_other_dates(at, places)]


def _since(at: Worked, closing: pd.DataFrame) -> Ints:
    """Since when each line's item stands: open since, else its last money, else its draw date; day numbers."""
    key = ["plan_id", "line"]
    opened = at.lines[key].merge(closing[[*key, "open_since"]], on=key, how="left", validate="one_to_one")["open_since"]
    settled = at.states["settled_on"].reset_index(drop=True)
    return day_numbers(opened.fillna(settled).fillna(at.lines["draw_date"].reset_index(drop=True)))


def _other_dates(at: Worked, places: _Places) -> list[tuple[str, str, Found]]:
    """Money of one event on lines of several draw dates: off the dates of the later lines, onto that of the first."""
    pairs = at.matching.pairs
    event, line, cents = (pairs[name].to_numpy() for name in ("event", "line", "cents"))
    day = day_numbers(at.lines["draw_date"])
    home = places.event[event]
    which = np.flatnonzero((cents != 0) & (home != NOBODY) & (day[line] != day[np.maximum(home, 0)]))
    if not len(which):
        return []
    away = Found.of_events(at, event[which], -cents[which], places.event, line[which])
    back = Found.of_events(at, event[which], cents[which], places.event)
    return [(TO_BANK, OTHER_DATE, away), (TO_BANK, OTHER_DATE, back)]


def _loose_items(at: Worked, places: _Places) -> list[tuple[str, str, Found]]:
    """Bank money on no line: of a draw taken twice, not on the schedule, or not decided."""
    money = at.money
    loose = np.sum([money[name].to_numpy() for name in ("undecided", "without_a_line", "fee_without_a_line")], axis=0)
    which = np.flatnonzero((loose != 0) & ~is_word(money["term"], ""))
    return [(TO_BANK, WITHOUT_LINE, Found.of_events(at, which, loose[which], places.event))]


def _items_table(at: Worked, found: list[tuple[str, str, Found]]) -> pd.DataFrame:
    """Every reconciling item line by line, in the order of term, draw date, step, item, student, plan and line."""
    today = int(np.datetime64(at.as_of, "D").astype("int64"))
    order = {name: place for place, name in enumerate((step, item) for step, items in STEPS.items() for item in items)}
    parts = [rows.table(today).assign(step=step, item=item, place=order[step, item]) for step, item, rows in found]
    table = pd.concat(parts, ignore_index=True)
    table = table.sort_values(["term", "day", "place", "student_id", "plan_id", "line", "since", "file", "sheet", "row"], ignore_index=True)
    kinds = {c.name: DTYPES[c.kind] for c in OUTPUTS["tie_out_items"]}
    return table.astype(kinds)[[*kinds, "day"]]


def _shown(sides: list[tuple[str, str, Found]], items: pd.DataFrame, as_of: date) -> set[tuple[str, int]]:
    """The terms and draw dates that the tie-out shows: those that have come, and those with money at bank or ledger."""
    today = int(np.datetime64(as_of, "D").astype("int64"))
    keys: set[tuple[str, int]] = set()
    for _step, item, rows in sides:
        keys |= {key for key in rows.keys if item != SCHEDULE or key[1] <= today}
    ledger = items[(items["step"] == TO_LEDGER).to_numpy()]
    return keys | set(zip(ledger["term"].tolist(), ledger["day"].tolist(), strict=True))


def _keys_in(items: pd.DataFrame, shown: set[tuple[str, int]]) -> Bools:
    return np.array([key in shown for key in zip(items["term"].tolist(), items["day"].tolist(), strict=True)], dtype=bool)


def _table(sides: list[tuple[str, str, Found]], items: pd.DataFrame, shown: set[tuple[str, int]], *, has_postings: bool) -> pd.DataFrame:
    sums: _Sums = {}
    for step, item, rows in sides:
        for key, (count, cents) in rows.sums().items():
            sums[*key, step, item] = [(count, cents, NO_DAY)]
    until = day_numbers(items["until"])
    by = items.assign(until_day=np.where(items["until"].isna(), NO_DAY, until))
    for (term, day, step, item, last), count, cents in (
        by.groupby(["term", "day", "step", "item", "until_day"], sort=True)["amount"].agg(["size", "sum"]).itertuples(name=None)
    ):
        sums.setdefault((term, day, step, item), []).append((count, cents, last))
    rows_of = []
    for term, day in sorted(shown):
        for step in STEPS if has_postings else (TO_BANK, TOLD):
            rows_of += _step_rows(term, day, step, sums)
    columns = OUTPUTS["tie_out"]
    table = pd.DataFrame(rows_of, columns=["term", "draw_date", "step", "item", "lines", "amount", "until"])
    for name in ("draw_date", "until"):
        days = np.array(table[name].tolist(), dtype=np.int64)
        table[name] = np.where(days == NO_DAY, np.datetime64("NaT", "D"), days.astype("datetime64[D]")).astype("datetime64[s]")
    return table.astype({c.name: DTYPES[c.kind] for c in columns})


def _step_rows(
    term: str, day: int, step: str, sums: dict[tuple[str, int, str, str], list[tuple[int, int, int]]]
) -> list[tuple[object, ...]]:
    """The rows of one step: its sides always, its items where there are any, and what they leave unexplained."""
    items = STEPS[step]
    end = items[-2] if UNEXPLAINED in items else ""
    rows: list[tuple[object, ...]] = []
    explained = 0
    for item in items:
        found = sums.get((term, day, step, item), [(0, 0, NO_DAY)] if item in ENDS else [])
        cents = sum(one for _, one, _ in found)
        if item == UNEXPLAINED:
            found = [(0, explained, NO_DAY)]
        rows += [(term, day, step, item, *one) for one in found]
        explained += -cents if item == end else cents
    return rows
