"""Columns of a run's tables as the exception list reads them: the same cells, whether they were thought likely or not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.exception_columns import Columns

WORDS = ("", "failed", "not seen", "cleared", "pending", "cancelled", "Straße")


def table(words: list[str]) -> pd.DataFrame:
    """One row per word, each with its place."""
    places = {"file": pd.Series(["a.csv"] * len(words), dtype="str"), "sheet": pd.Series([""] * len(words), dtype="str")}
    return pd.DataFrame(places | {"row": np.arange(len(words)) + 2, "state": pd.Series(words, dtype="str")})


@given(st.lists(st.sampled_from(WORDS), max_size=30), st.sets(st.integers(0, 29)), st.lists(st.sampled_from(WORDS), max_size=7))
def test_every_cell_and_place_is_that_of_its_row(words: list[str], likely: set[int], asked: list[str]) -> None:
    """Which rows were thought likely changes nothing of what is read; `are` tells of the whole column, for few words as for many."""
    columns = Columns(table(words), np.array(sorted(at for at in likely if at < len(words)), dtype=np.int64))
    assert [columns["state"][at] for at in range(len(words))] == words
    assert [columns.at(at) for at in range(len(words))] == [f"a.csv::{at + 2}" for at in range(len(words))]
    assert columns["state"].are(*asked).tolist() == [word in asked for word in words]
    assert columns["state"].are(*asked).tolist() == [word in asked for word in words]


def test_what_was_asked_is_the_askers_own() -> None:
    """An answer may be changed in place; the next who asks gets the column's own."""
    states = Columns(table(["failed", "cleared"]))["state"]
    first = states.are("failed")
    first[:] = True
    assert states.are("failed").tolist() == [True, False]


@pytest.mark.parametrize("compare", [lambda texts: texts == "failed", lambda texts: texts != "failed"])
def test_a_column_is_not_compared_with_a_word(compare: Any) -> None:
    """A comparison, which would be true of no row, is refused."""
    with pytest.raises(TypeError, match="which rows `are` a word"):
        compare(Columns(table(["failed"]))["state"])
