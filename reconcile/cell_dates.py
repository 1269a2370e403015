"""One written date to a calendar day.

Read without being told anything: year first (`2026-08-10`, also with `/` or `.`), `20260810`, a month in letters (`10-AUG-2026`,
`Aug 10, 2026`), and a spreadsheet's day number (`46023` is 2026-01-01). Month-first and day-first dates are read only when the column
map says which: `03/04/2026` is 4 March to one office and 3 April to another, and no file says which it is. A time of day behind a date is
left off (the reader counts such cells); a time zone is refused, since the day may differ there.

>>> str(day_of("2026-08-10", "ymd", 1900)), str(day_of("8/10/2026", "mdy", 1900)), str(day_of("10.8.2026", "dmy", 1900))
('2026-08-10', '2026-08-10', '2026-08-10')
>>> str(day_of("45292", "ymd", 1900)), str(day_of("45292", "ymd", 1904))
('2024-01-01', '2028-01-02')
>>> day_of("03/04/2026", "ymd", 1900)[0]
'the date is ambiguous: month and day could be either way round'
>>> day_of("2026-02-30", "ymd", 1900)[0]
'there is no such day in the calendar'
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from reconcile.raw import DateSystem

DateOrder = Literal["ymd", "mdy", "dmy"]
Refusal = tuple[str, str]
"""What is wrong, and how to mend it."""

FIRST_YEAR, LAST_YEAR = 1990, 2100
"""Years in which a college's dates can lie; anything else is a slip or a wrong column."""

_TIME = re.compile(r"[T\s]\s*(?:[01]?[0-9]|2[0-3]):[0-5][0-9](?::[0-5][0-9](?:[.,][0-9]+)?)?(?:\s?[AaPp]\.?[Mm]\.?)?\Z")
_MIDNIGHT = re.compile(r"[T\s]\s*(?:(?:00?:00(?::00(?:[.,]0+)?)?)|(?:12:00(?::00(?:[.,]0+)?)?\s?[Aa]\.?[Mm]\.?))\Z")
_ZONED = re.compile(r"[T\s][0-9:.,]+\s?(?:Z|[-+][0-9]{2}:?[0-9]{2}|[A-Z]{3,4})\Z")
_YEAR_FIRST = re.compile(r"([0-9]{4})([-/.])([0-9]{1,2})\2([0-9]{1,2})")
_YEAR_LAST = re.compile(r"([0-9]{1,2})([-/.])([0-9]{1,2})\2([0-9]{4})")
_SHORT_YEAR = re.compile(r"[0-9]{1,2}([-/.])(?:[0-9]{1,2}|[A-Za-z]{3,9})\1[0-9]{2}|[0-9]{6}")
_DAY_LETTERS = re.compile(r"([0-9]{1,2})[-/. ]\s?([A-Za-z]{3,9})\.?[-/, ]\s?([0-9]{4})")
_LETTERS_DAY = re.compile(r"([A-Za-z]{3,9})\.?[-/ ]([0-9]{1,2})(?:,\s?|[-/ ])([0-9]{4})")
_SERIAL = re.compile(r"([0-9]{1,5})(?:\.([0-9]+))?")
_MONTHS = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november", "december")

_ISO = "write dates as 2026-08-10"
_NO_DAY = ("there is no such day in the calendar", f"correct the date; {_ISO}")
_OTHER_YEARS = (f"the year lies outside {FIRST_YEAR} to {LAST_YEAR}", f"correct the date; {_ISO}")
_AMBIGUOUS = (
    "the date is ambiguous: month and day could be either way round",
    f'{_ISO}; or say in the column map which comes first: date_order = "mdy" (month first) or "dmy" (day first)',
)


def has_time(text: str) -> bool:
    """Whether a readable date carries a time of day other than midnight, which is left off."""
    if _TIME.search(text.strip()):
        return not _MIDNIGHT.search(text.strip())
    serial = _SERIAL.fullmatch(text.strip())
    return bool(serial and serial[2] and serial[2].strip("0"))


def is_day_number(text: str) -> bool:
    """Whether the cell is written as a spreadsheet's day number.

    >>> is_day_number("46200"), is_day_number("46200.75"), is_day_number("20260627")
    (True, True, False)
    """
    return _SERIAL.fullmatch(text.strip()) is not None


def day_of(text: str, order: DateOrder, system: DateSystem) -> date | Refusal:
    """The calendar day of one written date, or why it is none.

    In:      `text` not blank; `order` as the column map says ("ymd" if it says nothing); `system` of the workbook's day numbers.
    """
    text = " ".join(text.split())
    if _ZONED.search(text) and not _TIME.search(text):
        return ("the time carries a time zone, and the day may differ there", f"export the date alone, as the office reckons it; {_ISO}")
    text = _TIME.sub("", text)
    if parts := _YEAR_FIRST.fullmatch(text):
        return _day(int(parts[1]), int(parts[3]), int(parts[4]))
    if re.fullmatch(r"[0-9]{8}", text):
        return _day(int(text[:4]), int(text[4:6]), int(text[6:]))
    if parts := _YEAR_LAST.fullmatch(text):
        return _ordered(int(parts[1]), int(parts[3]), int(parts[4]), order)
    if parts := _DAY_LETTERS.fullmatch(text):
        return _lettered(parts[2], int(parts[1]), int(parts[3]))
    if parts := _LETTERS_DAY.fullmatch(text):
        return _lettered(parts[1], int(parts[2]), int(parts[3]))
    if parts := _SERIAL.fullmatch(text):
        return _serial(int(parts[1]), system)
    if _SHORT_YEAR.fullmatch(text):
        return ("the year has only two figures", "write the year with four figures, such as 2026-08-10")
    return ("the cell is not a date", _ISO)


def _day(year: int, month: int, day: int) -> date | Refusal:
    if not FIRST_YEAR <= year <= LAST_YEAR:
        return _OTHER_YEARS
    try:
        return date(year, month, day)
    except ValueError:
        return _NO_DAY


def _ordered(first: int, second: int, year: int, order: DateOrder) -> date | Refusal:
    """A date with its year last, in the order that the column map gives."""
    if order == "ymd":
        return _AMBIGUOUS
    month, day = (first, second) if order == "mdy" else (second, first)
    if month > 12 >= day:
        other = "dmy" if order == "mdy" else "mdy"
        return (
            f'there is no month {month}: read with date_order = "{order}"',
            f'correct the date; or, if the whole file is so, set date_order = "{other}" in the column map',
        )
    return _day(year, month, day)


def _lettered(word: str, day: int, year: int) -> date | Refusal:
    """A date whose month stands in letters: the whole English word or its first letters, at least three."""
    found = [
        number for number, month in enumerate(_MONTHS, 1) if month.startswith(word.lower()) or (word.lower() == "sept" and number == 9)
    ]
    return _day(year, found[0], day) if len(found) == 1 else ("the month is no English month", _ISO)


def _serial(number: int, system: DateSystem) -> date | Refusal:
    """The day of a spreadsheet's day number. Day 60 of the 1900 system, 29 February 1900, never was."""
    if system == 1900 and number == 60:
        return ("day number 60 is 29 February 1900, a day that never was", f"correct the date; {_ISO}")
    if system == 1904:
        day = date(1904, 1, 1) + timedelta(days=number)
    else:
        day = date(1899, 12, 31 if number < 60 else 30) + timedelta(days=number)
    if FIRST_YEAR <= day.year <= LAST_YEAR:
        return day
    return (f"read as a spreadsheet's day number it is {day.isoformat()}, outside {FIRST_YEAR} to {LAST_YEAR}", f"correct the date; {_ISO}")
