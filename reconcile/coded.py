"""Text columns that are asked about again and again, as numbers: each different text once, and its number in each row.

Settling a part of the student body asks a few columns (states, words, ids) dozens of questions. Within `columns_remembered` a column that
is asked about a second time is coded, and what is asked from then on is asked of its few different texts. Answers are the same.
"""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np
    import pyarrow as pa  # type: ignore[import-untyped]
    from numpy.typing import NDArray

FEW_ROWS: Final = 2_000
"""Rows below which a question costs less than looking whether it was asked before."""


class Coded(NamedTuple):
    """A column of texts: `codes` says for each row which of the `different` texts it holds."""

    codes: NDArray[np.int32]
    different: pa.Array


class _Asked:
    """A column that was asked about; held, so that no other column can take its place in memory."""

    def __init__(self, column: pa.Array) -> None:
        self.column = column
        self.coded: Coded | None = None


_remembered: dict[tuple[int, ...], _Asked] | None = None
"""What was asked about so far, by where the column lies in memory; None outside `columns_remembered`."""


@contextmanager
def columns_remembered() -> Iterator[None]:
    """While this lasts, columns are coded once. What is held of them is let go at the end."""
    global _remembered  # noqa: PLW0603 (so that no question needs to be told of it)
    before, _remembered = _remembered, {} if _remembered is None else _remembered
    try:
        yield
    finally:
        _remembered = before


def coded(column: pa.Array, *, at_once: bool = False) -> Coded | None:
    """The column as numbers, or None if it is not worth while: columns are not remembered, it is short, or it is asked about first.

    In:      large strings; `at_once`: the question looks at each different text in any case.
    """
    if _remembered is None or len(column) < FEW_ROWS:
        return None
    place = (column.offset, len(column), *(buffer.address for buffer in column.buffers() if buffer))
    asked = _remembered.get(place)
    if asked is None:
        asked = _remembered[place] = _Asked(column)
        if not at_once:
            return None
    if asked.coded is None:
        encoded = column.dictionary_encode()
        asked.coded = Coded(encoded.indices.to_numpy(), encoded.dictionary)
    return asked.coded
