"""Text columns in bulk give what a plain loop over the texts gives."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from reconcile import texts

WORDS = st.lists(st.sampled_from(["", "a", "b", "é", "10", "9", " A ", "zz"]), max_size=12)


def column(words: list[str]) -> pd.Series:
    """A `str` column."""
    return pd.Series(words, dtype="str")


@given(WORDS, WORDS)
def test_names_are_distinct_and_sorted_and_positions_lead_back(one: list[str], other: list[str]) -> None:
    """The distinct texts stand in the order of their code points; a position leads to its text, and an unknown text has none."""
    names = texts.distinct([column(one), column(other)])
    assert names.tolist() == sorted({*one, *other})
    at = texts.positions(texts.distinct([column(one)]), column(other))
    assert at.tolist() == [sorted(set(one)).index(word) if word in one else texts.UNKNOWN for word in other]
    assert at.dtype == np.int64


@given(WORDS)
def test_a_text_is_picked_by_position_or_taken_from_what_stood_there(words: list[str]) -> None:
    """Where the position is unknown the given column's text, or the given word, stays."""
    known = texts.distinct([column(["a", "b"])])
    at = texts.positions(known, column(words))
    assert texts.picked(known, at, column(words)).tolist() == words
    picked = texts.picked(known, at, "none")
    assert picked.tolist() == [word if word in {"a", "b"} else "none" for word in words]
    assert picked.dtype == column([]).dtype


@given(WORDS, WORDS)
def test_words_are_told_apart_as_by_a_loop(words: list[str], wanted: list[str]) -> None:
    """Equality, membership, and membership whatever the capitals and spaces."""
    texts_column = column(words)
    assert texts.is_word(texts_column, "a").tolist() == [word == "a" for word in words]
    assert texts.among(texts_column, wanted).tolist() == [word in wanted for word in words]
    assert texts.among(texts_column, column(wanted)).tolist() == [word in wanted for word in words]
    folded = {word.strip().casefold() for word in wanted}
    assert texts.folded_among(texts_column, wanted).tolist() == [word.strip().casefold() in folded for word in words]


@given(WORDS)
def test_cents_by_word_add_up_as_by_a_loop(words: list[str]) -> None:
    """Each word has the cents of its rows, and no word is missing."""
    cents = np.arange(len(words), dtype=np.int64) - 3
    expected: dict[str, int] = {}
    for word, cent in zip(words, cents.tolist(), strict=True):
        expected[word] = expected.get(word, 0) + cent
    assert texts.sums_by(column(words), cents) == expected


def test_the_first_condition_that_holds_gives_the_word() -> None:
    """Where two conditions hold the first one counts; where none does, the last word stands."""
    both = [np.array([True, False, True]), np.array([True, True, False])]
    assert texts.words(texts.first_true(both), ("one", "two", "none")).tolist() == ["one", "two", "one"]
    neither = [np.array([False]), np.array([False])]
    assert texts.words(texts.first_true(neither), ("one", "two", "none")).tolist() == ["none"]


def test_texts_are_spread_over_a_longer_column() -> None:
    """Places without a text are empty; of two texts for one place the later one stands."""
    assert texts.spread(4, np.array([2, 0, 2]), column(["x", "y", "z"])).tolist() == ["y", "", "z", ""]
    assert texts.spread(2, np.zeros(0, dtype=np.int64), column([])).tolist() == ["", ""]


@given(st.lists(st.text("ab0", min_size=8, max_size=17).map(lambda text: text[:9] if len(text) % 2 else text), max_size=12))
def test_texts_are_all_different_as_a_set_tells(words: list[str]) -> None:
    """Whether of one length or of several, and wherever in a longer column they stand."""
    assert texts.all_different(column(words)) == (len(set(words)) == len(words))
    assert texts.all_different(column(["x", *words]).iloc[1:]) == (len(set(words)) == len(words))
    alike = [word.ljust(11, "-")[:11] for word in words]
    assert texts.all_different(column(alike)) == (len(set(alike)) == len(alike))


def test_references_that_count_up_are_all_different_until_one_stands_twice() -> None:
    """As banks number their entries: eight to sixteen places, and only the last ones differ."""
    for width in (7, 8, 9, 11, 16, 17):
        words = [f"{n:0{width}}" for n in range(3_000)]
        assert texts.all_different(column(words))
        assert not texts.all_different(column([*words, words[1_234]]))


@given(WORDS)
def test_equal_texts_have_equal_numbers_in_the_order_in_which_they_first_stand(words: list[str]) -> None:
    """The first text is number 0, the next different one number 1."""
    firsts = list(dict.fromkeys(words))
    assert texts.numbered(column(words)).tolist() == [firsts.index(word) for word in words]
    assert texts.numbered(column(["x", *words]).iloc[1:]).tolist() == [firsts.index(word) for word in words]
