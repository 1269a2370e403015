"""Text cells to values: what is read, what is refused, and that nothing is guessed."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile import cells as bulk
from reconcile.cell_dates import day_of, has_time
from reconcile.cell_money import amount_cents
from reconcile.cells import Parsed, parse_dates, parse_ids, parse_money, parse_text, parse_words

if TYPE_CHECKING:
    from reconcile.cell_dates import DateOrder
    from reconcile.cell_money import DecimalMark
    from reconcile.raw import DateSystem

NBSP, NARROW, MINUS = "\u00a0", "\u202f", "\u2212"


def texts(*values: str) -> Any:
    return pa.array(values, type=pa.string())


def cents(value: str, mark: DecimalMark = ".") -> int:
    parsed = parse_money(texts(value), mark)
    assert not parsed.problems, parsed.problems
    return int(parsed.values[0])


def refused(parsed: Parsed) -> str:
    """The problem and the cure of a single bad cell, in one text."""
    assert parsed.bad.tolist() == [True]
    assert parsed.absent.tolist() == [False]
    problem, cure = parsed.problems[0]
    assert problem
    assert cure
    return f"{problem} | {cure}"


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("1,234.50", 123450),
        ("$1,234.50", 123450),
        ("(1,234.50)", -123450),
        ("($1,234.50)", -123450),
        ("$(1,234.50)", -123450),
        ("1,234.50-", -123450),
        ("-1,234.50", -123450),
        ("+1,234.50", 123450),
        ("-$1,234.50", -123450),
        ("$-1,234.50", -123450),
        (f"{MINUS}1,234.50", -123450),
        (f"{NBSP}1{NBSP}234.50{NARROW}", 123450),
        (f"1{NARROW}234{NARROW}567.00", 123456700),
        (" $ 1,234.50 ", 123450),
        ("1'234.50", 123450),
        ("1234", 123400),
        ("1,234", 123400),
        ("1234.5", 123450),
        (".50", 50),
        ("0.00", 0),
        ("-0.00", 0),
        ("0012.30", 1230),
        ("2400.000", 240000),
        ("1,200.0000", 120000),
        ("0.000", 0),
        ("9,999,999,999,999.99", 999_999_999_999_999),
    ],
)
def test_amounts_are_read_in_every_ordinary_form(written: str, expected: int) -> None:
    """Signs before or behind, parentheses, dollar signs, separators and odd spaces change nothing but the sign."""
    assert cents(written) == expected


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("1.234,50", 123450),
        ("1 234,50", 123450),
        (f"-1{NBSP}234,5", -123450),
        ("1'234,50", 123450),
        ("1\u2019234,50 $", 123450),
        ("1234", 123400),
    ],
)
def test_a_decimal_comma_is_read_when_the_map_says_so(written: str, expected: int) -> None:
    """With decimal_mark "," a point, space or apostrophe stands before thousands."""
    assert cents(written, ",") == expected


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("2400.005", "more than two decimals"),
        ("12,34.50", "every three figures"),
        ("1,2345", "every three figures"),
        ("1,234,56.00", "every three figures"),
        ("1,234 567.00", "every three figures"),
        ("1.2.3", "every three figures"),
        ("1234.", "without decimals"),
        ("-5.00-", "more than one sign"),
        ("(-5.00)", "more than one sign"),
        ("--5", "more than one sign"),
        ("(5.00", "not a pair"),
        ("$$5", "more than one dollar sign"),
        ("()", "no amount"),
        ("-", "no amount"),
        ("n/a", "no amount"),
        ("NaN", "no amount"),
        ("inf", "no amount"),
        ("1E5", "exponent"),
        ("1.5e+3", "exponent"),
        ("USD 12.00", "currency"),
        ("12.00 EUR", "currency"),
        ("\u20ac12.00", "currency"),
        ("12.00 CR", "CR or DR"),
        ("50%", "percent"),
        ("\u0661\u0662.\u0660\u0660", "figures other than 0 to 9"),
        ("12\n34", "not an amount"),
        ("12;50", "not an amount"),
        ("9999999999999999", "more than fifteen figures"),
        ("10,000,000,000,000.00", "more than fifteen figures"),
        ("9" * 5000, "more than fifteen figures"),
    ],
)
def test_amounts_that_are_not_certain_are_refused(written: str, says: str) -> None:
    """Nothing is rounded or guessed: each refusal says what is wrong and how to mend it."""
    assert says in refused(parse_money(texts(written), "."))


@pytest.mark.parametrize(("written", "mark"), [("1.234,50", "."), ("12,50", "."), ("2.400", "."), ("1,234.50", ","), ("2,400", ",")])
def test_the_cure_of_another_decimal_mark_names_the_key(written: str, mark: DecimalMark) -> None:
    """An amount that fits the other decimal mark, or could, is refused and the cure names decimal_mark."""
    assert "decimal_mark" in refused(parse_money(texts(written), mark))


def test_numbers_of_a_workbook_keep_their_point_under_a_decimal_comma() -> None:
    """A cell that was a number has a point before the decimals, even where the text cells of the sheet have a comma."""
    parsed = parse_money(texts("1.234,50", "1234.5", "", "1.234"), ",", np.asarray([False, True, False, True]))
    assert parsed.values.tolist() == [123450, 123450, 0, 0]
    assert parsed.absent.tolist() == [False, False, True, False]
    assert list(parsed.problems) == [3]
    assert "two decimals" in parsed.problems[3][0]


@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize("number", ["12.345", "-12.345", "2400.005", "999.999"])
def test_a_number_of_a_workbook_with_three_decimals_is_told_as_such(number: str, mark: DecimalMark) -> None:
    """It is a number and no text, so its mark is no question: it has fractions of a cent."""
    said = refused(parse_money(texts(number), mark, np.array([True])))
    assert "more than two decimals" in said
    assert "decimal_mark" not in said


def test_positions_of_absent_and_bad_cells_are_kept() -> None:
    """Every position answers for itself, equal cells too."""
    parsed = parse_money(texts("x", "1.00", "", " ", "x"), ".")
    assert parsed.bad.tolist() == [True, False, False, False, True]
    assert parsed.absent.tolist() == [False, False, True, True, False]
    assert parsed.values.tolist() == [0, 100, 0, 0, 0]
    assert sorted(parsed.problems) == [0, 4]
    assert parse_money(texts(), ".").values.tolist() == []


amounts = st.integers(-(10**15) + 1, 10**15 - 1)


def grouped(whole: int, separator: str) -> str:
    return f"{whole:,}".replace(",", separator)


def written_forms(amount: int) -> dict[str, DecimalMark]:
    """An amount in every form that is read, with its decimal mark."""
    whole, rest = divmod(abs(amount), 100)
    minus = "-" if amount < 0 else ""
    forms: dict[str, DecimalMark] = {}
    for separator in ("", ",", NBSP, NARROW, " ", "'"):
        figures = f"{grouped(whole, separator)}.{rest:02d}"
        styles = [f"{minus}{figures}", f"{minus}${figures}", f"{figures}{minus}", f"  {minus}{figures}{NBSP}"]
        styles += [f"({figures})", f"(${figures})", f"$-{figures}", f"{MINUS}{figures}"] if amount < 0 else [f"+{figures}", f"${figures}"]
        forms |= dict.fromkeys(styles, ".")
    for separator in ("", ".", " ", NBSP, "\u2019"):
        forms[f"{minus}{grouped(whole, separator)},{rest:02d}"] = ","
    if rest == 0:
        forms[f"{minus}{whole}"] = ","
    return forms


@given(amounts)
def test_cents_come_back_from_every_written_form(amount: int) -> None:
    """Written and read again an amount is the same to the cent."""
    for written, mark in written_forms(amount).items():
        assert cents(written, mark) == amount, written


@given(st.lists(st.text("0123456789.,-+$() '\u00a0e", max_size=9), max_size=20), st.sampled_from([".", ","]))
def test_reading_in_bulk_is_reading_one_by_one(cells: list[str], mark: DecimalMark) -> None:
    """The array operations give what the exact reading of each cell gives, whatever the cells hold."""
    parsed = parse_money(texts(*cells), mark)
    for i, cell in enumerate(cells):
        if not cell.strip():
            assert parsed.absent[i]
            continue
        read = amount_cents(cell, mark)
        assert (int(parsed.values[i]) if i not in parsed.problems else parsed.problems[i]) == read


def day(value: str, order: DateOrder = "ymd", system: DateSystem = 1900) -> str:
    parsed = parse_dates(texts(value), order, system)
    assert not parsed.problems, parsed.problems
    assert parsed.values.dtype == np.dtype("datetime64[s]")
    return str(parsed.values.astype("datetime64[D]")[0])


@pytest.mark.parametrize(
    ("written", "order"),
    [
        ("2026-08-10", "ymd"),
        ("2026-08-10", "mdy"),
        ("2026/8/10", "dmy"),
        ("2026.08.10", "ymd"),
        (f"{NBSP}2026-08-10 ", "ymd"),
        ("2026-08-10T00:00:00", "ymd"),
        ("2026-08-10 00:00:00.000", "ymd"),
        ("20260810", "ymd"),
        ("46244", "ymd"),
        ("46244.0", "ymd"),
        ("8/10/2026", "mdy"),
        ("08-10-2026", "mdy"),
        ("8/10/2026 12:00:00 AM", "mdy"),
        ("10.08.2026", "dmy"),
        ("10-AUG-2026", "ymd"),
        ("10 August 2026", "mdy"),
        ("Aug 10, 2026", "dmy"),
    ],
)
def test_dates_are_read_in_every_form_that_is_certain(written: str, order: DateOrder) -> None:
    """10 August 2026, however written."""
    assert day(written, order) == "2026-08-10"
    assert not has_time(written)


def test_day_numbers_of_both_systems() -> None:
    """Spreadsheet day numbers (source: got by running a spreadsheet program)."""
    assert day("45292") == "2024-01-01"
    assert day("45292", system=1904) == "2028-01-02"
    assert day("46023") == "2026-01-01"


@pytest.mark.parametrize(
    ("written", "order", "says"),
    [
        ("03/04/2026", "ymd", "date_order"),
        ("25/04/2026", "ymd", "date_order"),
        ("25/04/2026", "mdy", 'date_order = "dmy"'),
        ("04/25/2026", "dmy", 'date_order = "mdy"'),
        ("8/10/26", "mdy", "two figures"),
        ("10-AUG-26", "ymd", "two figures"),
        ("081026", "ymd", "two figures"),
        ("2026-02-30", "ymd", "no such day"),
        ("2026-13-01", "ymd", "no such day"),
        ("20261301", "ymd", "no such day"),
        ("2/29/2026", "mdy", "no such day"),
        ("1989-12-31", "ymd", "1990 to 2100"),
        ("2101-01-01", "ymd", "1990 to 2100"),
        ("20260810123", "ymd", "not a date"),
        ("12345678", "ymd", "1990 to 2100"),
        ("60", "ymd", "never was"),
        ("59", "ymd", "1900-02-28"),
        ("61", "ymd", "1900-03-01"),
        ("99999", "ymd", "outside"),
        ("2026-08-10T00:00:00Z", "ymd", "time zone"),
        ("2026-08-10 00:00:00+02:00", "ymd", "time zone"),
        ("2026-08-10 25:00", "ymd", "not a date"),
        ("Smarch 10, 2026", "ymd", "no English month"),
        ("2026-08", "ymd", "not a date"),
        ("n/a", "ymd", "not a date"),
        ("2026-08/10", "ymd", "not a date"),
        ("\u0662\u0660\u0662\u0666-08-10", "ymd", "not a date"),
    ],
)
def test_dates_that_are_not_certain_are_refused(written: str, order: DateOrder, says: str) -> None:
    """An ambiguous, impossible or unlikely date is a problem with its cure (day numbers 59 to 61: run in a spreadsheet)."""
    assert says in refused(parse_dates(texts(written), order, 1900))


def test_a_time_of_day_is_left_off_and_counted() -> None:
    """The day is kept, and the column says how many cells had a time other than midnight."""
    parsed = parse_dates(texts("2026-08-10 14:32:05", "2026-08-11", "46244.75", ""), "ymd", 1900)
    assert not parsed.problems
    assert [str(d) for d in parsed.values.astype("datetime64[D]")] == ["2026-08-10", "2026-08-11", "2026-08-10", "NaT"]
    assert parsed.absent.tolist() == [False, False, False, True]
    assert "2 dates" in parsed.notes[0]


@given(st.dates(date(1990, 1, 1), date(2100, 12, 31)))
def test_days_come_back_from_every_written_form(when: date) -> None:
    """Written and read again a date is the same day."""
    y, m, d = when.year, when.month, when.day
    forms: list[tuple[str, DateOrder, DateSystem]] = [
        (when.isoformat(), "ymd", 1900),
        (when.isoformat(), "dmy", 1904),
        (f"{when:%Y%m%d}", "ymd", 1900),
        (datetime(y, m, d).isoformat(), "ymd", 1900),  # noqa: DTZ001 (a calendar day has no zone)
        (f"{y}/{m}/{d}", "mdy", 1900),
        (f"{m}/{d}/{y}", "mdy", 1900),
        (f"{d:02d}.{m:02d}.{y}", "dmy", 1900),
        (f"{d}-{m}-{y}", "dmy", 1900),
        (f"{when:%d-%b-%Y}", "ymd", 1900),
        (str((when - date(1899, 12, 30)).days), "ymd", 1900),
        (str((when - date(1904, 1, 1)).days), "ymd", 1904),
    ]
    for written, order, system in forms:
        assert day_of(written, order, system) == when, written
    if m != d:
        assert day_of(f"{m}/{d}/{y}", "ymd", 1900) != when


WORDS = ("draw", "down payment", "fee")


def test_words_are_read_whatever_their_dress() -> None:
    """Case, spaces, underscores and hyphens do not count, and the office's own words go through the map first."""
    parsed = parse_words(texts("DRAW", " down_payment", "Down-Payment", "", "INST", "inst "), WORDS, {"INST": "draw"})
    assert not parsed.problems
    assert parsed.values.to_pylist() == ["draw", "down payment", "down payment", "", "draw", "draw"]
    assert parsed.absent.tolist() == [False, False, False, True, False, False]


def test_an_unknown_word_is_refused_with_the_list_and_the_nearest() -> None:
    """The problem lists the allowed words; the cure offers the nearest and the column map."""
    told = refused(parse_words(texts("drwa"), WORDS, {}))
    assert "draw, down payment, fee" in told
    assert "'draw'" in told
    assert "column map" in told
    assert "perhaps" not in refused(parse_words(texts("zzz"), WORDS, {}))


def test_the_map_may_say_what_an_empty_cell_means() -> None:
    """An entry for "" gives blank cells their word."""
    parsed = parse_words(texts("", "fee"), WORDS, {"": "draw"})
    assert parsed.values.to_pylist() == ["draw", "fee"]
    assert not parsed.absent.any()


def test_identifiers_survive_as_text() -> None:
    """Nothing that looks like a number, an exponent or a missing value is taken for one; only the spaces around go."""
    kept = ["1E5", "00123", "Null", "nan", "NA", "-1", "+44", "TRUE", "A\u00f1o", "a b"]
    parsed = parse_ids(texts(*kept, " 00123 ", f"{NBSP}7{NARROW}", ""))
    assert parsed.values.to_pylist() == [*kept, "00123", "7", ""]
    assert not parsed.bad.any()
    assert parsed.absent.tolist() == [False] * 12 + [True]


@pytest.mark.parametrize("text", ["12\x003", "12\t3", "1\n2", "12\x7f", "1\x852", "1\u200b2", "1\u202e2", "\ufeff12"])
def test_identifiers_with_characters_that_nobody_sees_are_refused(text: str) -> None:
    """Two identifiers that look alike and differ would be two students."""
    assert "U+" in refused(parse_ids(texts(text)))


def test_text_keeps_what_it_holds() -> None:
    """Text is trimmed and otherwise untouched; making it harmless is for the writers."""
    parsed = parse_text(texts("  =1+1 ", "a\u202eb", "x\ty", ""))
    assert parsed.values.to_pylist() == ["=1+1", "a\u202eb", "x\ty", ""]
    assert not parsed.bad.any()
    assert parsed.absent.tolist() == [False, False, False, True]


def test_slices_and_chunks_are_read_like_whole_columns() -> None:
    """A column cut out of a larger one, or in pieces, or with missing cells, gives the same values."""
    whole = texts("x", "1.00", " 2.00", "3.00", "y")
    assert parse_money(whole[1:4], ".").values.tolist() == [100, 200, 300]
    assert parse_ids(whole[1:3]).values.to_pylist() == ["1.00", "2.00"]
    assert parse_ids(pa.chunked_array([whole[:1], whole[4:]])).values.to_pylist() == ["x", "y"]
    assert parse_money(pa.array([None, "4.00"], type=pa.string()), ".").values.tolist() == [0, 400]
    assert bulk.parse_dates(whole[:0], "ymd", 1900).values.tolist() == []


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["", "", "", "-", "+", " ", "$", "(", "1,"]),
            st.integers(0, 10**7),
            st.sampled_from([".00", ".12", ".1", "", ".123", "."]),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_a_column_read_by_its_bytes_holds_what_each_cell_says(parts: list[tuple[str, int, str]]) -> None:
    """Where a whole column is figures, a point and two figures, its cents are those that each cell gives alone."""
    written = [f"{sign}{figures}{decimals}" for sign, figures, decimals in parts]
    found = bulk._two_decimals(pa.array(written, pa.string()))
    assert found is None or found.tolist() == [amount_cents(text, ".") for text in written]
    assert found is not None or not all(sign in {"", "-"} and decimals in {".00", ".12"} for sign, _, decimals in parts)
