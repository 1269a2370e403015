"""Text columns in bulk: codes instead of words, without making a Python string of every cell.

A run looks up millions of student ids, plan ids and words. The `str` columns keep their text in one arrow buffer; these helpers work on
that buffer, so that a lookup or a choice of words costs about as much as one on integers. Absent text is "" everywhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.coded import Coded, coded

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    Ints = NDArray[np.int64]

_SPREADS = 0x9E3779B97F4A7C15
"""An odd number with its bits well spread: texts that differ in their first bytes alone come out far apart."""

UNKNOWN = -1
"""Position of a text that is not among the names."""


def arrow_text(texts: pd.Series | pd.Index | pd.api.extensions.ExtensionArray) -> pa.Array:
    """The texts as one arrow array of large strings, as a rule without a copy."""
    held = texts if isinstance(texts, pd.api.extensions.ExtensionArray) else texts.array
    array = pa.array(held, from_pandas=True)
    if isinstance(array, pa.ChunkedArray):
        array = array.combine_chunks()
    return array if array.type == pa.large_string() else array.cast(pa.large_string())


def objects(texts: pd.Series) -> NDArray[np.object_]:
    """The texts as Python strings, each different one made once."""
    codes, different = codes_of(texts)
    return np.asarray(np.array(different.to_pylist(), dtype=object)[codes])


def text_series(array: pa.Array, index: pd.Index | None = None) -> pd.Series:
    """An arrow array of texts as a `str` column."""
    held = pd.array(array.cast(pa.large_string()), dtype="str")
    return pd.Series(held, index=index, copy=False)


def codes_of(texts: pd.Series) -> Coded:
    """A number for each row's text, and the different texts by number, in the order in which they are met."""
    column = arrow_text(texts)
    known = coded(column, at_once=True)
    if known is not None:
        return known
    encoded = column.dictionary_encode()
    return Coded(encoded.indices.to_numpy(), encoded.dictionary)


def distinct(columns: Iterable[pd.Series]) -> pd.Index:
    """Every text of the columns once, sorted."""
    each = [_different(arrow_text(column)) for column in columns]
    names = pc.unique(pa.chunked_array(each, type=pa.large_string()))
    found: pd.Index = pd.Index(text_series(names.take(pc.sort_indices(names))))
    return found


def all_different(texts: pd.Series) -> bool:
    """Whether no text stands twice."""
    held = arrow_text(texts)
    return _surely_different(held) or bool(pc.count_distinct(held).as_py() == len(held))


def _surely_different(held: pa.Array) -> bool:
    """Whether a quick look shows that no text stands twice: references of one length, taken as whole numbers, which sort fast.

    Where two numbers are the same the texts may yet differ, since eight bytes cannot tell all texts of sixteen apart.
    """
    offsets = np.frombuffer(held.buffers()[1], dtype=np.int64)[held.offset : held.offset + len(held) + 1] if len(held) else np.zeros(1)
    long = int(offsets[1] - offsets[0]) if len(held) else 0
    if not 8 <= long <= 16 or not (np.diff(offsets) == long).all():
        return False
    cells = np.frombuffer(held.buffers()[2], dtype=np.uint8)[int(offsets[0]) : int(offsets[-1])].reshape(-1, long)
    first, last = (np.ascontiguousarray(half).view(np.uint64).ravel() for half in (cells[:, :8], cells[:, -8:]))
    numbers = np.sort(first * np.uint64(_SPREADS) + last)
    return bool((numbers[1:] != numbers[:-1]).all())


def numbered(texts: pd.Series) -> Ints:
    """A number for each text, equal for equal texts; the numbers rise in the order in which the texts first stand."""
    return codes_of(texts).codes.astype(np.int64)


def in_order(texts: pd.Series) -> bool:
    """Whether each text stands after, or is equal to, the one before it, as `distinct` orders them."""
    held = arrow_text(texts)
    return len(held) < 2 or bool(pc.all(pc.less_equal(held.slice(0, len(held) - 1), held.slice(1))).as_py())


def positions(names: pd.Index, texts: pd.Series) -> Ints:
    """Position of each text among the (distinct) names, or UNKNOWN."""
    column, known = arrow_text(texts), coded(arrow_text(texts), at_once=True)
    found = pc.index_in(column if known is None else known.different, value_set=arrow_text(names))
    place = np.asarray(pc.fill_null(found, UNKNOWN).to_numpy(zero_copy_only=False), dtype=np.int64)
    return place if known is None else place[known.codes]


def among(texts: pd.Series, names: pd.Series | pd.Index | Sequence[str]) -> NDArray[np.bool_]:
    """Whether each text is one of the names; quick for many names too."""
    wanted = arrow_text(names) if isinstance(names, pd.Series | pd.Index) else pa.array(list(names), type=pa.large_string())
    column, known = arrow_text(texts), coded(arrow_text(texts))
    found = pc.is_in(column if known is None else known.different, value_set=wanted)
    is_one = np.asarray(found.to_numpy(zero_copy_only=False), dtype=np.bool_)
    return is_one if known is None else is_one[known.codes]


def is_word(texts: pd.Series, word: str) -> NDArray[np.bool_]:
    """Whether each text is that word."""
    column = arrow_text(texts)
    known, sought = coded(column), pa.scalar(word, pa.large_string())
    if known is not None:
        return np.asarray(known.codes == pc.index(known.different, sought).as_py(), dtype=np.bool_)
    return np.asarray(pc.equal(column, sought).to_numpy(zero_copy_only=False), dtype=np.bool_)


def picked(names: pd.Series | pd.Index, at: Ints, otherwise: pd.Series | str = "") -> pd.Series:
    """The name at each position; where the position is UNKNOWN, what stands in `otherwise`."""
    unknown = pa.array(at < 0) if (at < 0).any() else None
    texts = arrow_text(names).take(pa.array(at, mask=None if unknown is None else at < 0))
    if unknown is not None:
        rest = arrow_text(otherwise) if isinstance(otherwise, pd.Series) else pa.scalar(otherwise, pa.large_string())
        texts = pc.if_else(unknown, rest, texts)
    return text_series(texts)


def words(codes: np.ndarray[tuple[int], np.dtype[np.integer]], names: Sequence[str]) -> pd.Series:
    """The word of each small code."""
    return text_series(pa.array(list(names), type=pa.large_string()).take(pa.array(codes)))


def first_true(conditions: Sequence[NDArray[np.bool_]]) -> NDArray[np.int8]:
    """Number of the first condition that holds in each place, or the count of conditions where none does."""
    code = np.full(len(conditions[0]), len(conditions), dtype=np.int8)
    for at in range(len(conditions) - 1, -1, -1):
        code[conditions[at]] = at
    return code


def spread(count: int, at: Ints, texts: pd.Series) -> pd.Series:
    """A column of `count` texts, empty but for `texts` at the given positions (each at most once; the last one wins)."""
    where = np.full(count, UNKNOWN, dtype=np.int64)
    where[at] = np.arange(len(at))
    return picked(texts, where)


def folded_among(texts: pd.Series, wanted: Iterable[str]) -> NDArray[np.bool_]:
    """Whether each text is one of the wanted, whatever its capitals and the spaces around it."""
    folded = {word.strip().casefold() for word in wanted}
    names = distinct([texts])
    return among(texts, [name for name in names if name.strip().casefold() in folded])


def sums_by(texts: pd.Series, cents: Ints) -> dict[str, int]:
    """Cents summed by word, in the order of the words."""
    codes, different = codes_of(texts)
    total = np.zeros(len(different), dtype=np.int64)
    np.add.at(total, codes, cents)
    return dict(sorted(zip(different.to_pylist(), total.tolist(), strict=True)))


def _different(column: pa.Array) -> pa.Array:
    known = coded(column, at_once=True)
    return pc.unique(column) if known is None else known.different
