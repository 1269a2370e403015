import random
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.money import (
    SPLIT_RULES,
    AllocateRule,
    SplitRule,
    allocate,
    money_text,
    parse_percent,
    parse_rule_money,
    people_money,
    percent_of,
    percent_of_each,
    percent_text,
    split_equal,
)

CENTS = st.integers(-(10**13), 10**13)
WEIGHTS = st.lists(st.integers(0, 10**6), min_size=1, max_size=12).filter(any)
SPARE: SplitRule = "spare cents first"
LAST: SplitRule = "last absorbs"


@pytest.mark.parametrize(
    ("cents", "plain", "people"),
    [
        (-123450, "-1234.50", "-1,234.50"),
        (123456789, "1234567.89", "1,234,567.89"),
        (0, "0.00", "0.00"),
        (-5, "-0.05", "-0.05"),
        (99, "0.99", "0.99"),
        (100, "1.00", "1.00"),
    ],
)
def test_an_amount_is_written_plainly_for_files_and_with_commas_for_people(cents: int, plain: str, people: str) -> None:
    """Both forms keep the sign in front and both places of the cents, below one unit too."""
    assert (money_text(cents), people_money(cents)) == (plain, people)


@given(st.integers(0, 10**15 - 1))
def test_what_is_written_plainly_is_read_back_as_the_same_cents(cents: int) -> None:
    """Writing and reading an amount changes no cent."""
    assert parse_rule_money(money_text(cents)) == cents


@given(CENTS)
def test_an_amount_from_an_array_is_written_like_one_from_the_rules(cents: int) -> None:
    """Numpy's integers and Python's give the same text."""
    assert money_text(int(np.int64(cents))) == money_text(np.int64(cents)) == people_money(cents).replace(",", "")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "text",
    [
        "40",
        "40.0",
        "40.000",
        "4,000.00",
        "-40.00",
        "+40.00",
        " 40.00",
        "40.00\n",
        "040.00",
        ".50",
        "40.",
        "1e3",
        "$40.00",
        "",
        "\u0664\u0660.\u0660\u0660",
    ],
)
def test_an_amount_that_could_be_misread_is_refused_in_rules(text: str) -> None:
    """Rules hold money in one strict form, and the error says which."""
    with pytest.raises(ValueError, match=r'like "40\.00"'):
        parse_rule_money(text)


@pytest.mark.parametrize(
    ("text", "hundredths", "back"), [("2.75", 275, "2.75"), ("20", 2000, "20"), ("0.5", 50, "0.5"), ("0", 0, "0"), ("100.00", 10000, "100")]
)
def test_a_percent_is_read_as_hundredths_of_a_percent_and_written_without_needless_zeros(text: str, hundredths: int, back: str) -> None:
    """Up to two places after the point are exact; people see no trailing zeros."""
    assert (parse_percent(text), percent_text(hundredths)) == (hundredths, back)


@pytest.mark.parametrize("text", ["2.755", "-1", "20%", "", ".5", "5.", "2,5", "1e1", "20\n", "\u0662\u0660"])
def test_a_percent_that_could_be_misread_is_refused_in_rules(text: str) -> None:
    """A percent has at most two places and no sign, and the error says how to write it."""
    with pytest.raises(ValueError, match=r'like "20" or "2\.75"'):
        parse_percent(text)


@pytest.mark.parametrize(
    ("total", "parts", "shares"),
    [
        # Written out by hand and got from immoney's // and moneytender's split as well.
        (10000, 3, [3334, 3333, 3333]),
        (123457, 5, [24692, 24692, 24691, 24691, 24691]),
        (1234567, 12, [102881] * 7 + [102880] * 5),
        (1, 4, [1, 0, 0, 0]),
    ],
)
def test_spare_cents_go_to_the_first_parts(total: int, parts: int, shares: list[int]) -> None:
    """An amount that does not divide evenly gives one more cent to the first draws."""
    assert split_equal(total, parts, SPARE) == shares
    assert split_equal(-total, parts, SPARE) == [-share for share in shares]


def test_the_last_part_can_absorb_the_spare_cents() -> None:
    """By the other rule all parts are alike but the last."""
    assert split_equal(123457, 5, LAST) == [24691, 24691, 24691, 24691, 24693]
    assert split_equal(-123457, 5, LAST) == [-24691, -24691, -24691, -24691, -24693]


@given(CENTS, st.integers(1, 40), st.sampled_from(SPLIT_RULES))
def test_a_split_keeps_every_cent_and_no_part_changes_sign(total: int, parts: int, rule: SplitRule) -> None:
    """The parts add up to the whole, none is of the other sign, and only the spare cents set them apart."""
    shares = split_equal(total, parts, rule)
    assert (len(shares), sum(shares)) == (parts, total)
    assert all(share * total >= 0 for share in shares)
    assert max(shares) - min(shares) <= (1 if rule == SPARE else parts - 1)
    assert split_equal(-total, parts, rule) == [-share for share in shares]


def test_a_split_agrees_with_an_independent_money_library() -> None:
    """Immoney's // puts the spare cents first too (random amounts, fixed seed)."""
    from immoney.currencies import USD

    random_source = random.Random(20261115)
    for _ in range(300):
        total, parts = random_source.randrange(1, 5_000_000), random_source.randrange(1, 25)
        theirs = [part.subunits for part in USD.from_subunit(total) // parts]
        assert split_equal(total, parts, SPARE) == theirs


def test_a_split_agrees_with_a_second_independent_money_library_for_negative_amounts_too() -> None:
    """Moneytender's split puts the spare cents first, sign for sign (random amounts, fixed seed)."""
    moneytender = pytest.importorskip("moneytender", reason="moneytender is not installed; immoney was asked as well")
    random_source = random.Random(20261116)
    for _ in range(300):
        total, parts = random_source.randrange(-5_000_000, 5_000_000), random_source.randrange(1, 25)
        theirs = [part.minor for part in moneytender.Money.from_minor(total, "USD").split(parts)]
        assert split_equal(total, parts, SPARE) == theirs


def test_allocation_gives_the_published_figures() -> None:
    """1,027.59 at 20, 70, 5, 5 is shared as in the book, and by largest remainder with the spare cents where most was lost."""
    # Fowler, Patterns of Enterprise Application Architecture (2002), Money.
    assert allocate(102759, [20, 70, 5, 5], "spare cents first") == [20552, 71932, 5138, 5137]
    # Largest remainder: the remainders are .8 .3 .95 .95 cents, so the second part gets no spare cent (worked by hand).
    assert allocate(102759, [20, 70, 5, 5]) == [20552, 71931, 5138, 5138]


@given(CENTS, WEIGHTS, st.sampled_from(["largest remainder", "spare cents first"]))
def test_allocation_keeps_every_cent_and_strays_no_more_than_one_cent(total: int, weights: list[int], rule: AllocateRule) -> None:
    """The parts add up to the whole, each is within a cent of its exact share, and a part without weight gets nothing.

    By largest remainder each strays by less than a cent; spare cents first may give a whole one to a part that came out even.
    """
    shares = allocate(total, weights, rule)
    assert sum(shares) == total
    most = sum(weights) - (rule == "largest remainder")
    assert all(abs(share * sum(weights) - total * weight) <= most for share, weight in zip(shares, weights, strict=True))
    assert all(share == 0 for share, weight in zip(shares, weights, strict=True) if not weight)
    assert allocate(-total, weights, rule) == [-share for share in shares]


def test_a_part_without_weight_gets_no_spare_cent_though_it_stands_first() -> None:
    """One cent between nothing, one and one goes to the first that has a weight, by either rule."""
    assert allocate(1, [0, 1, 1], "spare cents first") == allocate(1, [0, 1, 1]) == [0, 1, 0]


@given(CENTS, st.integers(1, 20))
def test_allocation_by_equal_weights_is_the_equal_split(total: int, parts: int) -> None:
    """Where all weights are alike both rules for spare cents are the equal split with spare cents first."""
    assert allocate(total, [7] * parts) == allocate(total, [7] * parts, "spare cents first") == split_equal(total, parts, SPARE)


@pytest.mark.parametrize("weights", [[], [0, 0], [1, -1, 5]])
def test_weights_that_say_nothing_are_refused(weights: list[int]) -> None:
    """Without a positive weight, or with a negative one, there is no sensible share."""
    with pytest.raises(ValueError, match="cannot share an amount"):
        allocate(100, weights)


def test_no_parts_and_unknown_rules_are_refused() -> None:
    """An amount is never dropped by splitting it in nothing, and a misspelt rule is never taken for another."""
    with pytest.raises(ValueError, match="cannot be split in 0 parts"):
        split_equal(100, 0, SPARE)
    with pytest.raises(ValueError, match="allowed: spare cents first, last absorbs"):
        split_equal(100, 2, "spare cents last")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="unknown rule"):
        allocate(100, [1], "first absorbs")  # type: ignore[arg-type]


def test_rounding_is_that_of_decimal_arithmetic_not_of_binary_fractions() -> None:
    """2.675 rounds to 2.68 half-even and half-up, to 2.67 in binary floating point, and here to 2.68 (run with Python's own types)."""
    exact = Decimal("2.675")
    assert exact.quantize(Decimal("0.01"), ROUND_HALF_EVEN) == exact.quantize(Decimal("0.01"), ROUND_HALF_UP) == Decimal("2.68")
    assert round(2.675, 2) == 2.67  # the trap: why no float holds money
    assert percent_of(26750, 100) == 268  # one percent of 267.50


@given(CENTS, st.integers(0, 99_99))
def test_a_percent_of_an_amount_is_half_a_cent_up(cents: int, hundredths: int) -> None:
    """Python's decimal arithmetic gives the same figure, a negative amount that of the positive one with its sign."""
    expected = (Decimal(cents) * hundredths / 10000).quantize(Decimal(1), ROUND_HALF_UP)
    assert percent_of(cents, hundredths) == expected


@given(st.lists(st.tuples(CENTS, st.integers(0, 99_99)), max_size=20))
def test_percents_of_a_whole_column_equal_those_taken_one_by_one(pairs: list[tuple[int, int]]) -> None:
    """Array work changes no cent, however large the amounts."""
    cents, hundredths = np.array([p[0] for p in pairs], dtype=np.int64), np.array([p[1] for p in pairs], dtype=np.int64)
    before = cents.copy()
    assert percent_of_each(cents, hundredths).tolist() == [percent_of(*pair) for pair in pairs]
    assert percent_of_each(cents, 275).tolist() == [percent_of(pair[0], 275) for pair in pairs]
    assert (cents == before).all()
