"""Return rates: which share of the bank draws came back, by class of return code, against the levels that the rules give.

Whoever sends draws through the banks' network is watched: where too many come back, above all as not authorized, the college's bank asks
why, and may have to stop sending its draws. The levels are looked at over the preceding 60 days or over two calendar months. This is a
caution to look at early; the bank's own count decides, since it also sees what this program does not.

What is counted, in whole numbers, so that a rate at its level is not above it (1 of 200 at 0.50 percent is not):

- *returns*: bank returns that reached the file in the window, of any draw, down payment or fee, by the class of their code. A code that the
  rules do not list counts for `all` only. Left out: card declines and chargebacks, refunds (the office's act), disputes between banks
  (R61 to R77), and whatever the file calls a payment, which need not have been drawn.
- *base*: the bank draws of the window, each once: those that the file shows as cleared, by the day they settled, whether or not they came
  back later; and returns of draws that the file never showed as cleared, by their own day. A return that undoes or names a draw in the file
  adds nothing: that draw is counted already. So the base is the same whether or not a bank shows draws as cleared before they come back.
- *more_to_pass*: how many more returns would put the rate above its level with the same base (0 if it is above already).
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from reconcile.events import NOBODY, day_numbers
from reconcile.money import money_text
from reconcile.schemas import OUTPUTS
from reconcile.student_case import TOLD_ONLY
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from reconcile.events import Book, Bools, Ints, Owners
    from reconcile.policy import Rules

WHOLE = 10_000
"""Hundredths of a percent in one."""

UNKNOWN_CLASS = ""
DISPUTE = "dispute between banks"
TWO_MONTHS = "two calendar months"


class Rate(NamedTuple):
    """A count against its level: `level` in hundredths of a percent."""

    returns: int
    base: int
    level: int

    @property
    def above(self) -> bool:
        """Whether the rate is above its level; at the level it is not. A return without any draw in the base is above.

        >>> Rate(1, 200, 50).above, Rate(2, 200, 50).above, Rate(1, 199, 50).above
        (False, True, True)
        """
        return self.returns * WHOLE > self.level * self.base

    @property
    def more_to_pass(self) -> int:
        """How many more returns would put the rate above its level; 0 if it is above already.

        >>> Rate(1, 200, 50).more_to_pass, Rate(0, 200, 50).more_to_pass, Rate(2, 200, 50).more_to_pass
        (1, 2, 0)
        """
        return max(0, self.level * self.base // WHOLE + 1 - self.returns)

    @property
    def percent(self) -> str:
        """The rate in percent with two places, rounded up so that it never reads lower than it is; "" without a base.

        >>> Rate(1, 200, 50).percent, Rate(1, 199, 50).percent, Rate(0, 0, 50).percent
        ('0.50', '0.51', '')
        """
        return money_text(-(-self.returns * WHOLE // self.base)) if self.base else ""


def windows_of(as_of: date, days: int) -> tuple[tuple[str, date, date], ...]:
    """The windows over which rates are told: so many days that end with the as-of day, and the last two whole calendar months.

    >>> [(name, str(first), str(last)) for name, first, last in windows_of(date(2026, 11, 20), 60)]
    [('60 days', '2026-09-22', '2026-11-20'), ('two calendar months', '2026-09-01', '2026-10-31')]
    """
    end = as_of if (as_of + timedelta(days=1)).day == 1 else as_of.replace(day=1) - timedelta(days=1)
    month_before = end.replace(day=1) - timedelta(days=1)
    return (
        (f"{days} day{'' if days == 1 else 's'}", as_of - timedelta(days=days - 1), as_of),
        (TWO_MONTHS, month_before.replace(day=1), end),
    )


def rate_counts(
    lines: pd.DataFrame,
    events: pd.DataFrame,
    book: Book,
    owners: Owners,
    money: pd.DataFrame,
    undoings: pd.DataFrame,
    rules: Rules,
    as_of: date,
) -> pd.DataFrame:
    """Count the bank's returns and the bank draws of each window, level by level; the counts of several parts of the students add up.

    In:      schedule lines (method), bank events up to the as-of day with their plans, the line that each event is on, and what each return
             undid.
    Out:     name, window, from, through, level (hundredths of a percent), returns, base: one row per window and level.
    Rules:   returns.toml rates and class
    """
    of_bank = _of_bank(lines, events, book, owners, money["line_at"].to_numpy())
    cleared = of_bank & is_word(events["outcome"], "cleared")
    returned = of_bank & is_word(events["outcome"], "returned")
    classes = _classes(events, returned, rules)
    returned &= classes != DISPUTE
    counts = cleared | (returned & ~_of_a_draw_in_the_file(events, money, undoings))
    settled = day_numbers(events["settled_on"])
    rows = []
    for name, first, last in windows_of(as_of, rules.returns.rates.days):
        inside = (settled >= _number(first)) & (settled <= _number(last))
        base = int((counts & inside).sum())
        back = classes[returned & inside]
        for level in rules.returns.rates.levels:
            mine = len(back) if "all" in level.classes else int(np.isin(back, level.classes).sum())
            rows.append((level.name, name, pd.Timestamp(first), pd.Timestamp(last), level.percent, mine, base))
    kinds = {"name": "str", "window": "str", "from": "datetime64[s]", "through": "datetime64[s]", **dict.fromkeys(_COUNTS, "int64")}
    return pd.DataFrame(rows, columns=list(kinds)).astype(kinds)


_COUNTS = ("level", "returns", "base")


def return_rates(counts: pd.DataFrame) -> pd.DataFrame:
    """The return rates of a run.

    In:      rows of `rate_counts`, of one part of the students or of several, one after the other.
    Out:     OUTPUTS["return_rates"], one row per window and level, in the order of the rules; `percent` and `level` in percent.
    Keeps:   integers only.
    """
    by = ["name", "window", "from", "through", "level"]
    table = counts.groupby(by, as_index=False, sort=False)[["returns", "base"]].sum()
    rates = [Rate(*row) for row in table[["returns", "base", "level"]].itertuples(index=False)]
    table = table.assign(
        percent=pd.Series([rate.percent for rate in rates], dtype="str"),
        level=pd.Series([money_text(rate.level) for rate in rates], dtype="str"),
        above=pd.Series(["yes" if rate.above else "no" for rate in rates], dtype="str"),
        more_to_pass=pd.Series([rate.more_to_pass for rate in rates], dtype="int64"),
    )
    return table[[column.name for column in OUTPUTS["return_rates"]]]


def _number(day: date) -> int:
    return int(np.datetime64(day, "D").astype("int64"))


def _of_bank(lines: pd.DataFrame, events: pd.DataFrame, book: Book, owners: Owners, line_at: Ints) -> Bools:
    """Whether each event is a bank draw: by its own method, else its line's, else its plan's, else the bank's. Payments are none."""
    card, silent = is_word(events["method"], "card"), is_word(events["method"], "")
    if len(lines):
        on_card = is_word(lines["method"], "card")
        plan_on_card = np.zeros(len(book.plans), dtype=bool)
        plan_on_card[book.line_plan[on_card]] = True
        by_plan = plan_on_card[owners.plan] & (owners.plan != NOBODY)
        card |= silent & np.where(line_at != NOBODY, on_card[line_at], by_plan)
    return np.asarray(~card & ~is_word(events["kind"], "payment"))


def _classes(events: pd.DataFrame, returned: Bools, rules: Rules) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    """The class of each return's code, UNKNOWN_CLASS for a code that the rules do not list for banks, DISPUTE for R61 to R77."""
    found = np.full(len(events), UNKNOWN_CLASS, dtype=object)
    codes = events["return_code"]
    for code in codes[returned].unique():
        row = rules.returns.code("bank", code)
        if TOLD_ONLY.match(code):
            found[returned & is_word(codes, code)] = DISPUTE
        elif row is not None:
            found[returned & is_word(codes, code)] = row.klass
    return found


def _of_a_draw_in_the_file(events: pd.DataFrame, money: pd.DataFrame, undoings: pd.DataFrame) -> Bools:
    """Whether each return undoes a draw that the file shows as cleared, or names one of the same student."""
    found = np.zeros(len(events), dtype=bool)
    found[undoings["by"].to_numpy()] = True
    named = np.flatnonzero(~is_word(events["original_reference"], "") & ~found)
    if len(named):
        wanted = events["original_reference"].iloc[named]
        shown = np.flatnonzero(is_word(events["outcome"], "cleared") & among(events["reference"], sorted(set(wanted))))
        student = money["student_id"]
        draws = set(zip(student.iloc[shown], events["reference"].iloc[shown], strict=True))
        found[named] = [key in draws for key in zip(student.iloc[named], wanted, strict=True)]
    return found
