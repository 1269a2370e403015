"""Banking days: the days on which banks settle with each other, and so the only days on which a draw can be taken or settle.

They are the business days of the Federal Reserve Banks less the days on which the office itself is closed. Weekends and the Reserve
Banks' holidays are closed. A holiday that falls on a Saturday is not moved: the Friday before is a banking day, although many an
office calendar has it off. A holiday that falls on a Sunday closes the Monday after it.

    >>> days = BankingDays(closed=[date(2026, 12, 28)])
    >>> days.is_open(date(2026, 7, 3))  # 4 July 2026 is a Saturday
    True
    >>> days.next_open(date(2027, 7, 4))  # a Sunday: Monday the 5th is closed too
    datetime.date(2027, 7, 6)
    >>> days.add(date(2026, 12, 24), 1), days.without_office_closings().add(date(2026, 12, 24), 1)
    (datetime.date(2026, 12, 29), datetime.date(2026, 12, 28))

Whole columns are worked out at once on day numbers: days since 1970-01-01 as int64. Days from 1990 to 2100 are accepted, so that a
missing date turned into a number can never pass for a day. The published calendar begins in 1999; for the years before it weekends
alone are closed. It ends in 2100, and a result in 2101 knows weekends alone too.
"""

from __future__ import annotations

from datetime import date, timedelta
from functools import cache, cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

CALENDARS: dict[str, str] = {"XFED": "Federal Reserve Banks"}
"""The banking calendars that `calendar.toml` may name. Others are refused: none but this one has been checked day by day."""

FIRST_DAY = date(1990, 1, 1)
LAST_DAY = date(2100, 12, 31)
"""The days that can be asked about, both included; intake keeps dates of exports within them."""

_EPOCH = date(1970, 1, 1).toordinal()
_ONE_DAY = timedelta(days=1)
_FRIDAY = 4


def day_number(day: date) -> int:
    """Days from 1970-01-01 to that day, the form of dates in array code."""
    return day.toordinal() - _EPOCH


def from_day_number(number: int) -> date:
    """The day that many days after 1970-01-01."""
    return date.fromordinal(int(number) + _EPOCH)


_MANY, _FEW = 5_000, 20
"""Numbers from which on each different day is worked out once, and for how many different n."""
_FIRST = day_number(FIRST_DAY)
_LAST = day_number(LAST_DAY)


@cache
def _holidays(calendar: str) -> frozenset[date]:
    """The calendar's closed days, weekends aside.

    The import is the slow part (a fifth of a second); all years together take a hundredth, so they are worked out once for the process.
    """
    from holidays import financial_holidays  # noqa: PLC0415 (slow; see above)

    return frozenset(financial_holidays(calendar, years=range(FIRST_DAY.year, LAST_DAY.year + 1)))


class BankingDays:
    """The days on which a draw can be taken or settle.

    `closed` are the office's own closing days; they may fall on weekends and holidays. Making one costs nothing: the calendar is read
    when the first question is asked.
    """

    def __init__(self, closed: Iterable[date] = (), calendar: str = "XFED") -> None:
        if calendar not in CALENDARS:
            raise ValueError(f"unknown banking calendar {calendar!r}; known: {', '.join(CALENDARS)}")
        self.calendar = calendar
        self.closed = frozenset(closed)

    def read_calendar(self) -> None:
        """Read the calendar now, once, where several processes are about to be copied from this one: else each reads it for itself."""
        _holidays(self.calendar)

    def without_office_closings(self) -> BankingDays:
        """The bank's own days alone, for whatever goes on while the office is closed."""
        return BankingDays((), self.calendar) if self.closed else self

    @cached_property
    def _not_open(self) -> frozenset[date]:
        return _holidays(self.calendar) | self.closed

    @cached_property
    def _bulk(self) -> np.busdaycalendar:
        return np.busdaycalendar(holidays=sorted(self._not_open))

    def is_open(self, day: date) -> bool:
        """Whether that day is a banking day. Errors: ValueError for a day before 1990 or after 2100."""
        return self._open(_calendar_day(day))

    def _open(self, day: date) -> bool:
        return day.weekday() <= _FRIDAY and day not in self._not_open

    def next_open(self, day: date) -> date:
        """That day if it is a banking day, else the first one after it."""
        return self.add(day, 0)

    def last_open(self, day: date) -> date:
        """That day if it is a banking day, else the last one before it.

        >>> str(BankingDays().last_open(date(2026, 11, 22)))
        '2026-11-20'
        """
        return day if self.is_open(day) else self.add(day, -1)

    def add(self, day: date, n: int) -> date:
        """The n-th banking day after that day; for n = 0 the day itself or the next one open; for n below zero the n-th one before it.

        Errors: ValueError for a day before 1990 or after 2100.
        """
        day = _calendar_day(day)
        if n == 0:
            while not self._open(day):
                day += _ONE_DAY
        step = _ONE_DAY if n > 0 else -_ONE_DAY
        for _ in range(abs(n)):
            day += step
            while not self._open(day):
                day += step
        return day

    def open_between(self, a: date, b: date) -> int:
        """How many banking days lie after `a` and up to `b` (`b` included), so that `add` of that many leads there; below zero if b < a.

        Errors: ValueError for a day before 1990 or after 2100.
        """
        pair = np.array([day_number(a), day_number(b)], dtype=np.int64)
        return int(self.open_between_numbers(pair[:1], pair[1:])[0])

    def is_open_numbers(self, numbers: NDArray[np.int64]) -> NDArray[np.bool_]:
        """`is_open` for every day number of an array."""
        return np.is_busday(_days(numbers), busdaycal=self._bulk)

    def next_open_numbers(self, numbers: NDArray[np.int64]) -> NDArray[np.int64]:
        """`next_open` for every day number of an array."""
        return self.add_numbers(numbers, 0)

    def add_numbers(self, numbers: NDArray[np.int64], n: NDArray[np.int64] | int) -> NDArray[np.int64]:
        """`add` for every day number of an array, by one n or by one for each."""
        numbers, each = np.asarray(numbers, dtype=np.int64), np.asarray(n, dtype=np.int64)
        if numbers.size > _MANY:  # a large table has few different days, and few different n
            first, last, least, most = int(numbers.min()), int(numbers.max()), int(each.min()), int(each.max())
            if last - first < _MANY and most - least < _FEW:
                found = [self.add_numbers(np.arange(first, last + 1), more) for more in range(least, most + 1)]
                return np.asarray(np.stack(found)[each - least, numbers - first])
        days, steps = np.broadcast_arrays(_days(numbers), each)
        # A closed day counts from the open day before it when going forward, so that one banking day after a Saturday is Monday.
        start = np.where(
            steps > 0,
            np.busday_offset(days, 0, roll="backward", busdaycal=self._bulk),
            np.busday_offset(days, 0, roll="forward", busdaycal=self._bulk),
        )
        return np.busday_offset(start, steps, busdaycal=self._bulk).astype(np.int64)

    def open_between_numbers(self, a: NDArray[np.int64], b: NDArray[np.int64]) -> NDArray[np.int64]:
        """`open_between` for every pair of day numbers of two arrays."""
        first, last = _days(np.minimum(a, b)), _days(np.maximum(a, b))
        count = np.busday_count(first + 1, last + 1, busdaycal=self._bulk).astype(np.int64)
        return np.where(np.asarray(a) > np.asarray(b), -count, count)


def _refuse_far(first: int, last: int) -> None:
    if first < _FIRST or last > _LAST:
        raise ValueError(f"banking days are known from {FIRST_DAY} to {LAST_DAY}: a missing date, or one that is far off, was asked about")


def _calendar_day(day: date) -> date:
    """The day without a time of day: a timestamp is a `date` too, but is found in no set of days, and so would seem open."""
    number = day_number(day)
    _refuse_far(number, number)
    return from_day_number(number)


def _days(numbers: NDArray[np.int64]) -> NDArray[np.datetime64]:
    """Day numbers as numpy days; a missing date (the lowest int64) is out of range and so refused."""
    numbers = np.asarray(numbers, dtype=np.int64)
    if numbers.size:
        _refuse_far(int(numbers.min()), int(numbers.max()))
    return numbers.astype("datetime64[D]")
