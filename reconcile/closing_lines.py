"""Every plan line as a month-end close leaves it: what the next close opens from.

A close freezes for each line its state, its scheduled amount, its method, and how much of it is pending money (`pending`, in transit
included) or failed and not-seen money (`failed_and_not_seen`). The next close begins with exactly these figures, whatever the exports say
of that day by then: a closed month never changes.

Money of a failed line counts as open only as far as nothing else carries it. Where the plan was adjusted, so that its other lines already
take what the failed line did not bring, that part is `rolled` into the plan: the smaller of the student's failed and not-seen money and the
amount by which active lines exceed the plan total, given to the oldest such lines first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from reconcile.coverage import on_the_bill
from reconcile.events import day_numbers
from reconcile.line_order import order_of_lines
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.states import CAME_BACK
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from datetime import date

    from reconcile.events import Ints
    from reconcile.policy import Rules
    from reconcile.worked import Worked

COMING: Final = ("pending", "in transit")
LOST: Final = ("failed", "not seen")
WITH_MONEY: Final = ("cleared", "part cleared")
IDENTITY: Final = ["term", "student_id", "plan_id", "line", "method"]
"""What makes a line the same line at two closes. If its term, student or method changes, the old one is gone and a new one has come."""

_NO_DAY: Final = np.iinfo(np.int64).min


@dataclass(frozen=True, eq=False)
class PreviousClose:
    """The close before, as it was written: its folder's name, its day, and its tables, its run hash."""

    name: str
    as_of: date
    lines: pd.DataFrame
    rollforward: pd.DataFrame
    entries: pd.DataFrame
    run_hash: str = ""


def empty(name: str) -> pd.DataFrame:
    """A table of OUTPUTS without rows."""
    return pd.DataFrame({column.name: pd.Series(dtype=DTYPES[column.kind]) for column in OUTPUTS[name]})


def closing_lines(at: Worked, rules: Rules, before: pd.DataFrame | None) -> pd.DataFrame:
    """Freeze every line as of the close.

    In:      everything that the run worked out; closing_lines of the close before, None for a first one. Cents.
    Out:     OUTPUTS["closing_lines"], in the order of draws.csv: pending = scheduled of a pending or in-transit line, else 0;
             failed_and_not_seen = scheduled less rolled of a failed or not-seen line, else 0; open_since = the day since which it is open.
    Keeps:   the sum of rolled per student and term = the `rolled` of plans.csv.
    """
    lines = at.lines.reset_index(drop=True)
    amount = lines["amount"].to_numpy()
    rolled = _rolled(at, lines, rules)
    lost = among(lines["state"], LOST)
    own = {
        "scheduled": lines["amount"],
        "settled_on": at.states["settled_on"].reset_index(drop=True),
        "pending": np.where(among(lines["state"], COMING), amount, 0),
        "failed_and_not_seen": np.where(lost, amount - rolled, 0),
        "rolled": rolled,
        "open_since": _open_since(at, lines, before),
    }
    columns = [column.name for column in OUTPUTS["closing_lines"]]
    table = pd.DataFrame({name: own[name] if name in own else lines[name] for name in columns})
    return table.take(order_of_lines(lines)).reset_index(drop=True)


def _rolled(at: Worked, lines: pd.DataFrame, rules: Rules) -> Ints:
    """How much of each failed or not-seen line the adjusted plan already takes with other lines, the oldest line first."""
    row = at.keys.lookup(lines)
    figures = at.variance
    whole = (figures["failed"] + figures["not_seen"] + figures["failed_and_not_seen"]).to_numpy()
    counts = is_word(lines["line_status"], "active") & among(lines["state"], LOST)
    counts &= ~is_word(lines["kind"], "fee") | on_the_bill(lines, rules)
    rolled = np.zeros(len(lines), dtype=np.int64)
    which = np.flatnonzero(counts)
    which = which[whole[row[which]] > 0]
    if not len(which):
        return rolled
    part = lines.iloc[which].reset_index(drop=True)
    order = order_of_lines(part)
    order = order[np.argsort(day_numbers(part["draw_date"])[order], kind="stable")]
    left = whole.copy()
    amount = lines["amount"].to_numpy()
    for line in which[order].tolist():
        rolled[line] = min(int(amount[line]), int(left[row[line]]))
        left[row[line]] -= rolled[line]
    return rolled


def _open_since(at: Worked, lines: pd.DataFrame, before: pd.DataFrame | None) -> pd.Series:
    """Since when each failed or not-seen line is open; NaT for the others.

    What was open at the close before keeps its day. Else it is the end of the window of a line not seen, and the day on which a failed
    line first came back (of a line that had cleared at the close before: first came back since that money settled).
    """
    lost = among(lines["state"], LOST)
    was_open, since, settled = _known_before(lines, before)
    day = np.where(is_word(lines["state"], "not seen"), day_numbers(lines["window_end"]), _NO_DAY)
    back = at.matching.pairs[among(at.matching.pairs["role"], CAME_BACK)]
    line, came = back["line"].to_numpy(), day_numbers(at.events["settled_on"])[back["event"].to_numpy()]
    for counts in (np.ones(len(line), dtype=bool), came >= settled[line]):  # the second, narrower one goes before the first
        first = np.full(len(lines), np.iinfo(np.int64).max, dtype=np.int64)
        np.minimum.at(first, line[counts], came[counts])
        found = is_word(lines["state"], "failed") & (first != np.iinfo(np.int64).max)
        day = np.where(found, first, day)
    day = np.where(was_open, since, day)
    dates = np.where(lost & (day != _NO_DAY), day.astype("datetime64[D]"), np.datetime64("NaT", "D"))
    return pd.Series(dates.astype("datetime64[s]"))


def _known_before(lines: pd.DataFrame, before: pd.DataFrame | None) -> tuple[Ints, Ints, Ints]:
    """For each line: whether it was open at the close before, since when, and when money that stood on it then had settled."""
    was_open = np.zeros(len(lines), dtype=bool)
    since = np.full(len(lines), _NO_DAY, dtype=np.int64)
    settled = np.full(len(lines), _NO_DAY, dtype=np.int64)
    if before is None or before.empty:
        return was_open, since, settled
    was, now = same_lines(before, lines)
    both = (was >= 0) & (now >= 0)
    was, now = was[both], now[both]
    state = before["state"].take(was).reset_index(drop=True)
    has_day = before["open_since"].notna().to_numpy()[was] & among(state, LOST)
    was_open[now[has_day]] = True
    since[now[has_day]] = day_numbers(before["open_since"])[was[has_day]]
    had = among(state, WITH_MONEY) & before["settled_on"].notna().to_numpy()[was]
    settled[now[had]] = day_numbers(before["settled_on"])[was[had]]
    return was_open, since, settled


def same_lines(before: pd.DataFrame, now: pd.DataFrame) -> tuple[Ints, Ints]:
    """Which line of the close before is which line now.

    Out:     two arrays side by side, one place for each line that is in either: its position in `before` and in `now`, -1 where absent.
    """
    both = pd.concat([before[IDENTITY], now[IDENTITY]], ignore_index=True)
    number = both.groupby(IDENTITY, sort=False, dropna=False).ngroup().to_numpy()
    count = int(number.max(initial=-1)) + 1
    was, is_now = np.full(count, -1, dtype=np.int64), np.full(count, -1, dtype=np.int64)
    was[number[: len(before)]] = np.arange(len(before))
    is_now[number[len(before) :]] = np.arange(len(now))
    return was, is_now
