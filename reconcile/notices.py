"""Notice before a draw: how long before it a family must be told, when its amount or its date is not what was agreed.

A family that agreed to a draw of 2,400.00 on the tenth of November is told in writing before 1,900.00, or 2,900.00, is drawn; and before
it is drawn on another day. How many days before stands in the rules: Regulation E, 12 CFR 1005.10(d)(1), asks for at least ten days where
the amount varies; the banks' own rules ask for seven where the date does (second-hand). A draw that is only rolled over a weekend or a
holiday to the next banking day is the draw that was agreed, and needs no notice. Days are calendar days, counted to the agreed draw date.

A notice sent on 1 September 2026 is in time for a changed amount on the 11th, not on the 10th; for a changed date on the 8th, not on the
7th:

>>> from reconcile.banking_days import day_number
>>> sent, day = day_number(date(2026, 9, 1)), lambda number: day_number(date(2026, 9, number))
>>> in_time(sent, day(11), 10), in_time(sent, day(10), 10), in_time(sent, day(8), 7), in_time(sent, day(7), 7)
(True, False, True, False)
"""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from reconcile.banking_days import from_day_number

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from reconcile.banking_days import BankingDays
    from reconcile.policy import Rules

SATURDAY, SUNDAY = 5, 6
AID_CREDIT_DAYS = 14
"""Days in which a credit made by federal aid is generally paid: 34 CFR 668.164(h), second-hand."""


def last_day(draw_date: int, notice_days: int) -> int:
    """The last day on which notice of a changed draw can be sent; day numbers."""
    return draw_date - notice_days


def in_time(sent: int, draw_date: int, notice_days: int) -> bool:
    """Whether notice sent on a day is in time for a draw; day numbers."""
    return sent <= last_day(draw_date, notice_days)


def send_by(last: int, today: int, days: BankingDays) -> str:
    """What is said after the last day for a notice where the office is closed on it: by when it sends the notice; "" on an open day.

    In:      day numbers; a day that has passed is said as it is, since nothing can be sent by it any more.

    >>> from reconcile.banking_days import BankingDays, day_number
    >>> days, day = BankingDays([date(2026, 12, 31)]), lambda *ymd: day_number(date(*ymd))
    >>> today = day(2026, 11, 20)
    >>> [send_by(day(*ymd), today, days) for ymd in ((2026, 12, 5), (2026, 12, 31), (2027, 1, 18))]  # doctest: +NORMALIZE_WHITESPACE
    [', a Saturday: send it by 2026-12-04', ', when the office is closed: send it by 2026-12-30',
     ', a bank holiday: send it by 2027-01-15']
    >>> send_by(day(2026, 12, 6), day(2026, 12, 5), days), send_by(day(2026, 11, 30), today, days)
    (', a Sunday: send it today', '')
    """
    day = from_day_number(last)
    if last < today or days.is_open(day):
        return ""
    weekend = {SATURDAY: "a Saturday", SUNDAY: "a Sunday"}
    why = weekend.get(day.weekday()) or ("when the office is closed" if day in days.closed else "a bank holiday")
    before = days.last_open(day)
    return f", {why}: send it {'today' if before < from_day_number(today) else f'by {before}'}"


def last_days_to_stop(taken_on: NDArray[np.int64], days: BankingDays) -> NDArray[np.int64]:
    """The last banking day before each draw is taken: until then it can be stopped; the bank's own cut-off may be earlier. Day numbers."""
    return days.add_numbers(taken_on, -1)


def is_only_rolled(agreed: date, drawn: date, days: BankingDays) -> bool:
    """Whether a draw is on its agreed day, or rolled from a day without banking to the next banking day: neither needs notice.

    >>> from reconcile.banking_days import BankingDays
    >>> is_only_rolled(date(2026, 10, 10), date(2026, 10, 13), BankingDays())
    True
    >>> is_only_rolled(date(2026, 10, 10), date(2026, 10, 14), BankingDays())
    False
    """
    return drawn in {agreed, days.next_open(agreed)}


def earliest_new_draw(today: int, rules: Rules) -> date:
    """The first day on which a draw of another amount on another date could be taken, if notice goes out today.

    Rules:   plans.toml notice_days, date_notice_days
    """
    return from_day_number(today) + timedelta(days=max(rules.plans.notice_days, rules.plans.date_notice_days))


def aid_credit_due(arose: int, class_start: int) -> int:
    """By when a credit that federal aid made is generally paid: 14 days after it arose, or after the first day of class if that is later.

    >>> from reconcile.banking_days import day_number
    >>> start, days = day_number(date(2026, 8, 24)), [day_number(date(2026, 9, 2)), day_number(date(2026, 8, 10))]
    >>> [str(from_day_number(aid_credit_due(arose, start))) for arose in days]
    ['2026-09-16', '2026-09-07']
    """
    return max(arose, class_start) + AID_CREDIT_DAYS
