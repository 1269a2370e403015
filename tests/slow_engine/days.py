"""Banking days of the slow engine, asked from QuantLib one day at a time.

A banking day is a business day of the Federal Reserve Banks on which the office is not closed. The calendar is QuantLib's
UnitedStates(FederalReserve), which tests/test_banking_days.py also uses as a second opinion; nothing here is shared with the package.
"""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache
from typing import TYPE_CHECKING

import QuantLib as ql  # type: ignore[import-untyped]  # noqa: N813 (its own documentation's short name)

if TYPE_CHECKING:
    from collections.abc import Iterable

FEDERAL_RESERVE = ql.UnitedStates(ql.UnitedStates.FederalReserve)


@cache
def _fed_is_open(day: date) -> bool:
    return bool(FEDERAL_RESERVE.isBusinessDay(ql.Date(day.day, day.month, day.year)))


class Days:
    """Counting of banking days, with the office's closing days left out."""

    def __init__(self, closed: Iterable[date]) -> None:
        self.closed = frozenset(closed)

    def is_open(self, day: date) -> bool:
        """Whether draws are taken and settled on that day."""
        return _fed_is_open(day) and day not in self.closed

    def next_open(self, day: date) -> date:
        """The day itself if it is open, else the first open day after it."""
        while not self.is_open(day):
            day += timedelta(days=1)
        return day

    def add(self, day: date, count: int) -> date:
        """The count-th open day after the day; for a count of 0 the next open day, the day itself included."""
        if count == 0:
            return self.next_open(day)
        while count:
            day += timedelta(days=1)
            if self.is_open(day):
                count -= 1
        return day


def after(day: date, calendar_days: int) -> date:
    """So many calendar days after the day; before it if negative."""
    return day + timedelta(days=calendar_days)
