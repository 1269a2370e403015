"""Columns that are asked about again give the same answers as numbers that they give as texts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile import coded, texts

if TYPE_CHECKING:
    from collections.abc import Iterator

WORDS = ["", "failed", "cleared", "Straße", "00123", "123"]


@pytest.fixture(autouse=True, scope="module")
def _short_columns_too() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(coded, "FEW_ROWS", 1)
        yield


def answers(column: pd.Series, asked: list[str], cents: np.ndarray[Any, Any]) -> list[object]:
    """What the helpers of text columns say of a column."""
    names = pd.Index(pd.Series(sorted({*asked, "failed"}), dtype="str"))
    return [
        *(texts.is_word(column, word).tolist() for word in (*asked, "of no row")),
        texts.among(column, asked).tolist(),
        texts.positions(names, column).tolist(),
        texts.distinct([column]).tolist(),
        texts.objects(column).tolist(),
        texts.sums_by(column, cents),
        texts.numbered(column).tolist(),
    ]


@given(st.lists(st.sampled_from(WORDS), min_size=1, max_size=40), st.lists(st.sampled_from(WORDS), max_size=4), st.integers(0, 39))
def test_the_same_answers_whether_remembered_or_not(words: list[str], asked: list[str], cut: int) -> None:
    """A column, and a slice of it that lies in the same memory, asked once and asked twice."""
    whole = pd.Series(words, dtype="str")
    part = whole.iloc[min(cut, len(words) - 1) :]
    cents = np.arange(len(words), dtype=np.int64) - 5
    plain = [answers(column, asked, cents[: len(column)]) for column in (whole, part)]
    with coded.columns_remembered():
        for _ in range(2):
            assert [answers(column, asked, cents[: len(column)]) for column in (whole, part)] == plain


def test_a_column_is_coded_when_it_is_asked_about_again_and_let_go_at_the_end() -> None:
    """The first question is answered from the texts; without remembering no column is ever coded."""
    column = texts.arrow_text(pd.Series(WORDS, dtype="str"))
    assert (coded.coded(column), coded.coded(column, at_once=True)) == (None, None)
    with coded.columns_remembered():
        assert coded.coded(column) is None
        again = coded.coded(column)
        assert again is not None
        assert [again.different[int(code)].as_py() for code in again.codes] == WORDS
    assert coded.coded(column, at_once=True) is None
