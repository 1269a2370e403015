"""The draws of all plans that are still to come: which are too near for a notice, until when one can be stopped, how many are left.

Asked of whole columns once, since the advice of each of thousands of plans asks for its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from reconcile.notices import last_day, last_days_to_stop

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reconcile.banking_days import BankingDays
    from reconcile.events import Bools, Ints
    from reconcile.exception_columns import Columns


@dataclass(frozen=True)
class Coming:
    """Schedule lines, the row of plans of each, how many rows there are, the day (a day number), the days of notice, banking days."""

    lines: Columns
    row_of_line: Ints
    rows: int
    today: int
    notice_days: int
    days: BankingDays

    @cached_property
    def changeable(self) -> Bools:
        """Whether each line is a pending draw of some money that is under no stop."""
        lines = self.lines
        return np.asarray(lines["state"].are("pending") & ~lines["kind"].are("fee") & (lines["amount"] > 0) & ~lines["stopped"])

    @cached_property
    def too_near(self) -> Bools:
        """Whether each line is such a draw, and too near for a notice."""
        return np.asarray(self.changeable & (last_day(self.lines["draw_date"], self.notice_days) < self.today))

    @cached_property
    def has_too_near(self) -> Bools:
        """Whether each row of plans has a draw that is too near."""
        return self._has(self.too_near)

    def first_stop(self, lines: Iterable[int]) -> int | None:
        """The last day to stop the first of these pending draws that can still be stopped; None if there is none."""
        taken = self.lines["taken_on"]
        found = (self._last_to_stop[int(taken[at])] for at in lines if int(taken[at]) in self._last_to_stop)
        return min((day for day in found if day >= self.today), default=None)

    @cached_property
    def _last_to_stop(self) -> dict[int, int]:
        """The last day to stop a draw, by the day on which it is taken: few different days, whatever the number of draws."""
        taken = np.unique(self.lines["taken_on"][self.lines["state"].are("pending")])
        return dict(zip(taken.tolist(), last_days_to_stop(taken, self.days).tolist(), strict=True)) if len(taken) else {}

    @cached_property
    def installments(self) -> Bools:
        """Whether each line is an active draw of some money that is pending or in transit."""
        return np.asarray(self._live & self.lines["kind"].are("draw") & self.lines["state"].are("pending", "in transit"))

    @cached_property
    def count_of_installments(self) -> Ints:
        """How many such lines each row of plans has."""
        return np.bincount(self.row_of_line[self.installments], minlength=self.rows)

    @cached_property
    def has_fee(self) -> Bools:
        """Whether each row of plans has an active fee line, or a fee on an installment."""
        on_installment = self.installments & (self.lines["gross"] > self.lines["amount"])
        return self._has(np.asarray((self._live & self.lines["kind"].are("fee")) | on_installment))

    @cached_property
    def _live(self) -> Bools:
        return np.asarray(self.lines["line_status"].are("active") & (self.lines["amount"] > 0))

    def _has(self, lines: Bools) -> Bools:
        found = np.zeros(self.rows, dtype=bool)
        found[self.row_of_line[lines]] = True
        return found
