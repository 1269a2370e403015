from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.banking_days import FIRST_DAY, LAST_DAY, BankingDays, day_number, from_day_number

# Federal Reserve Board, K.8 "Holidays Observed by the Federal Reserve System 2026-2030"; for 2024 and 2025 the Federal Reserve Bank of
# Richmond's page of 2025-2027 and the same rule. K.8 has a misprint: its footnote on a Saturday New Year's Day says December 31, 2028
# where December 31, 2027 is meant.
CLOSED_WEEKDAYS = {
    2024: "01-01 01-15 02-19 05-27 06-19 07-04 09-02 10-14 11-11 11-28 12-25",
    2025: "01-01 01-20 02-17 05-26 06-19 07-04 09-01 10-13 11-11 11-27 12-25",
    2026: "01-01 01-19 02-16 05-25 06-19 09-07 10-12 11-11 11-26 12-25",
    2027: "01-01 01-18 02-15 05-31 07-05 09-06 10-11 11-11 11-25",
    2028: "01-17 02-21 05-29 06-19 07-04 09-04 10-09 11-23 12-25",
    2029: "01-01 01-15 02-19 05-28 06-19 07-04 09-03 10-08 11-12 11-22 12-25",
    2030: "01-01 01-21 02-18 05-27 06-19 07-04 09-02 10-14 11-11 11-28 12-25",
}
HOW_MANY = {2024: 11, 2025: 11, 2026: 10, 2027: 9, 2028: 9, 2029: 11, 2030: 11}
BANK = BankingDays()
OFFICE_CLOSED = (date(2026, 12, 28), date(2026, 12, 29), date(2026, 12, 26), date(2026, 12, 25))
OFFICE = BankingDays(OFFICE_CLOSED)

ANY_DAY = st.dates(FIRST_DAY, LAST_DAY)
NEAR_DAY = st.dates(date(2026, 11, 1), date(2027, 2, 1))
CALENDARS = st.sampled_from([BANK, OFFICE])


def weekdays(first: date, last: date) -> list[date]:
    days = (first + timedelta(days=n) for n in range((last - first).days + 1))
    return [day for day in days if day.weekday() < 5]


@pytest.mark.parametrize("year", CLOSED_WEEKDAYS)
def test_the_closed_weekdays_of_a_year_are_those_that_the_reserve_banks_publish(year: int) -> None:
    """Exactly the published days are closed, so every other weekday, the Friday before a Saturday holiday included, is open."""
    closed = [day.strftime("%m-%d") for day in weekdays(date(year, 1, 1), date(year, 12, 31)) if not BANK.is_open(day)]
    assert " ".join(closed) == CLOSED_WEEKDAYS[year]
    assert len(closed) == HOW_MANY[year]


@pytest.mark.parametrize("day", ["2025-01-09", "2026-07-03", "2027-06-18", "2027-12-24", "2027-12-31", "2028-11-10"])
def test_days_often_taken_for_closed_are_open(day: str) -> None:
    """A day of mourning and the Fridays before Saturday holidays are banking days (Federal Reserve Board, K.8)."""
    assert BANK.is_open(date.fromisoformat(day))


@pytest.mark.parametrize(
    ("day", "later"),
    [
        # Got by running the holidays library and QuantLib; countable by hand from the table above.
        ("2024-11-27", "2024-12-02"),
        ("2025-01-08", "2025-01-10"),
        ("2026-07-02", "2026-07-06"),
        ("2026-12-24", "2026-12-29"),
        ("2027-07-02", "2027-07-07"),
        ("2027-12-23", "2027-12-27"),
        ("2028-11-09", "2028-11-13"),
    ],
)
def test_two_banking_days_later(day: str, later: str) -> None:
    """Counting two banking days passes over weekends and holidays and nothing else."""
    assert BANK.add(date.fromisoformat(day), 2) == date.fromisoformat(later)
    assert BANK.add(date.fromisoformat(later), -2) == date.fromisoformat(day)


@pytest.mark.parametrize(
    ("day", "later"),
    [
        # Got by running the holidays library and QuantLib; countable by hand from the table above.
        ("2026-07-04", "2026-07-06"),
        ("2027-07-04", "2027-07-06"),
        ("2027-06-19", "2027-06-21"),
        ("2028-01-01", "2028-01-03"),
        ("2029-11-11", "2029-11-13"),
    ],
)
def test_the_next_banking_day_of_a_closed_day(day: str, later: str) -> None:
    """A draw dated on a closed day is taken on the next banking day; an open day stays itself."""
    assert BANK.next_open(date.fromisoformat(day)) == date.fromisoformat(later)
    assert BANK.next_open(date.fromisoformat(later)) == date.fromisoformat(later)


def test_every_weekday_for_a_century_agrees_with_an_independent_calendar() -> None:
    """QuantLib's UnitedStates(FederalReserve) closes the same weekdays from 1999 to 2100."""
    import QuantLib as ql  # type: ignore[import-untyped]  # noqa: N813 (its own documentation's short name)

    first, last = date(1999, 1, 1), date(2100, 12, 31)
    calendar = ql.UnitedStates(ql.UnitedStates.FederalReserve)
    theirs = {date.fromisoformat(d.ISO()) for d in calendar.holidayList(ql.Date(1, 1, 1999), ql.Date(31, 12, 2100), False)}
    days = weekdays(first, last)
    open_here = BANK.is_open_numbers(np.array([day_number(day) for day in days], dtype=np.int64))
    assert {day for day, is_open in zip(days, open_here, strict=True) if not is_open} == theirs


def test_office_closings_are_closed_too_and_can_be_left_out() -> None:
    """Closing days of the office, on weekends and holidays or not, come on top of the bank's; the bank's own days stay askable."""
    christmas_eve = date(2026, 12, 24)
    assert OFFICE.add(christmas_eve, 1) == date(2026, 12, 30)
    assert OFFICE.without_office_closings().add(christmas_eve, 1) == date(2026, 12, 28)
    assert not OFFICE.is_open(date(2026, 12, 28))


def test_one_banking_day_after_a_closed_day_is_the_next_open_day() -> None:
    """Counting starts at the day after, so Saturday plus one is Monday, as it is for the Friday before; and the same backwards."""
    saturday = date(2026, 11, 7)
    assert (BANK.add(saturday, 1), BANK.add(saturday, 0), BANK.add(saturday, -1)) == (
        date(2026, 11, 9),
        date(2026, 11, 9),
        date(2026, 11, 6),
    )


@given(CALENDARS, st.one_of(st.lists(ANY_DAY, max_size=10), st.lists(NEAR_DAY, max_size=10)), st.integers(-8, 8))
def test_whole_columns_give_what_single_days_give(days: BankingDays, many: list[date], n: int) -> None:
    """Adding, the next open day and openness come out the same in bulk and one by one, by one n or one n for each."""
    numbers = np.array([day_number(day) for day in many], dtype=np.int64)
    steps = np.array([(n + place) % 9 - 4 for place in range(len(many))], dtype=np.int64)
    assert [from_day_number(k) for k in days.add_numbers(numbers, n)] == [days.add(day, n) for day in many]
    assert [from_day_number(k) for k in days.add_numbers(numbers, steps)] == [days.add(d, int(s)) for d, s in zip(many, steps, strict=True)]
    assert [from_day_number(k) for k in days.next_open_numbers(numbers)] == [days.next_open(day) for day in many]
    assert days.is_open_numbers(numbers).tolist() == [days.is_open(day) for day in many]


@given(CALENDARS, NEAR_DAY, NEAR_DAY, st.integers(0, 12))
def test_adding_banking_days_keeps_the_order_of_days_and_lands_on_an_open_one(days: BankingDays, a: date, b: date, n: int) -> None:
    """An earlier draw is never expected after a later one, and nothing is ever expected on a closed day."""
    first, last = min(a, b), max(a, b)
    assert days.add(first, n) <= days.add(last, n)
    assert days.is_open(days.add(first, n))
    assert days.add(first, n) < days.add(first, n + 1) or n == 0


@given(CALENDARS, NEAR_DAY, NEAR_DAY)
def test_days_between_are_counted_one_by_one_and_lead_back(days: BankingDays, a: date, b: date) -> None:
    """The count is that of open days after the first and up to the second, its sign says which came first, and adding it gets there."""
    first, last = min(a, b), max(a, b)
    counted = sum(days.is_open(first + timedelta(days=n)) for n in range(1, (last - first).days + 1))
    assert days.open_between(first, last) == counted
    assert days.open_between(last, first) == -counted
    if days.is_open(last):
        assert days.add(first, counted) == last


@given(ANY_DAY)
def test_a_day_number_is_what_numpy_makes_of_the_day(day: date) -> None:
    """Day numbers are those of datetime64[D], and give the day back."""
    assert day_number(day) == np.datetime64(day, "D").astype(np.int64)
    assert from_day_number(day_number(day)) == day


def test_a_missing_or_far_off_date_never_passes_for_a_day() -> None:
    """NaT as a number, a day before 1990 or after 2100: each is refused, alone or hidden among good ones."""
    good, missing = day_number(date(2026, 8, 10)), int(np.datetime64("NaT").astype(np.int64))
    for bad in (missing, day_number(date(1989, 12, 31)), day_number(date(2101, 1, 1))):
        numbers = np.array([good, bad, good], dtype=np.int64)
        for ask in (BANK.next_open_numbers, BANK.is_open_numbers):
            with pytest.raises(ValueError, match="from 1990-01-01 to 2100-12-31"):
                ask(numbers)
        with pytest.raises(ValueError, match="from 1990-01-01 to 2100-12-31"):
            BANK.open_between_numbers(np.array([good, good, good]), numbers)
    for far in (date(1989, 12, 31), date(2101, 1, 1)):
        with pytest.raises(ValueError, match="from 1990-01-01 to 2100-12-31"):
            BANK.add(far, 1)
        with pytest.raises(ValueError, match="from 1990-01-01 to 2100-12-31"):
            BANK.is_open(far)


def test_an_empty_column_gives_an_empty_column() -> None:
    """A headers-only export asks about no day and gets none."""
    nothing = np.array([], dtype=np.int64)
    assert BANK.add_numbers(nothing, 3).tolist() == BANK.open_between_numbers(nothing, nothing).tolist() == []


def test_a_calendar_that_nobody_checked_is_refused() -> None:
    """A misspelt or unchecked calendar stops at once, naming the one that is known."""
    with pytest.raises(ValueError, match="known: XFED"):
        BankingDays(calendar="XFDE")


def test_making_a_calendar_costs_nothing_before_it_is_asked() -> None:
    """The slow import waits for the first question, so that commands without dates stay quick."""
    import subprocess
    import sys

    code = "import sys; from reconcile.banking_days import BankingDays; BankingDays(); print('holidays' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_a_timestamp_is_asked_about_as_its_day() -> None:
    """A time of day within a closed day does not open it."""
    assert not OFFICE.is_open(datetime(2026, 12, 28, 9, 30))  # noqa: DTZ001 (a calendar day has no zone)
    assert OFFICE.add(datetime(2026, 12, 28, 9, 30), 0) == date(2026, 12, 30)  # noqa: DTZ001 (as above)


@pytest.mark.parametrize(("first", "last"), [("2026-07-01", "2027-02-01"), ("1995-01-01", "2095-01-01")])
def test_a_long_column_gives_what_single_days_give(first: str, last: str) -> None:
    """Some ten thousand days, few different ones or many: each as asked alone, as whole numbers, n once for all or one for each."""
    low, high = day_number(date.fromisoformat(first)), day_number(date.fromisoformat(last))
    numbers = np.random.default_rng(1).integers(low, high, 9_000)
    some = range(0, len(numbers), 450)
    for n in (0, 2, 5, -1):
        once, each = OFFICE.add_numbers(numbers, n), OFFICE.add_numbers(numbers, np.full(len(numbers), n))
        assert once.dtype == each.dtype == np.int64
        assert (once == each).all()
        assert [from_day_number(int(once[at])) for at in some] == [OFFICE.add(from_day_number(int(numbers[at])), n) for at in some]


def test_answers_are_whole_numbers_whatever_the_question_is_made_of() -> None:
    """Numbers of another width are taken too, and counts are int64: a count that became a float would spread into money."""
    monday = day_number(date(2026, 10, 12))
    narrow: Any = np.array([monday, monday + 1], dtype=np.int32)
    assert BANK.is_open_numbers(narrow).tolist() == [False, True]
    assert BANK.add_numbers(narrow, 1).tolist() == [monday + 1, monday + 2]
    assert BANK.open_between_numbers(narrow, narrow + 7).dtype == np.int64
    assert BANK.open_between_numbers(narrow, narrow).tolist() == [0, 0]
