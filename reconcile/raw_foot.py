"""Rows that are no data: blank ones, and totals or end marks below (or between) the data.

Exports come with a total at the foot. A total taken for data is money counted twice, and data taken for a total is money lost, so a row
is set aside only if it says what it is:

- its first filled cell is a total's own word (total, grand total, subtotal, end of report), with nothing but a number beside it;
- or that word with others (total charges), or sum or count, and at least half of its cells are blank;
- or it has no first cell, and among at most three filled ones a total's own word further on, with nothing but numbers beside it: no
  export has a row that can do with so little;
- or it is the last row, with no first cell and at most two filled ones, all amounts, each exactly the sum of its column.

A row that merely looks odd stays a data row and is rejected later, with its reason; what it may be is said there (`seeming_totals`). So
does one whose first cell is such a word while it holds what only data has, a day and words beside it: a student may be called Total.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.cells import bytes_of, parse_money
from reconcile.raw import FootRow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

_TOTAL_WORDS = re.compile(r"(?:grand |report |page |file |batch |sheet |overall )?(?:total|totals|sub ?total|sub ?totals)")
_END_WORDS = re.compile(r"end of (?:the )?(?:report|file|data|list|export)")
_LOOSE_WORDS = re.compile(
    r"(?:grand |report |page |file |batch |sheet |overall )?(?:total|totals|sub ?total|sub ?totals|sum|count)(?: [a-z ]+)?"
    r"|(?:row|record|line) count|(?:number of )?(?:rows|records|lines)"
)
_LIKELY = r"(?i)^[^a-z]*(grand|report|page|file|batch|sheet|overall|total|sub|sum|count|end of|row|record|line|number of)"
_SPACES = r"^[\t-\r\x1c- \x{85}\x{a0}\x{1680}\x{2000}-\x{200a}\x{2028}\x{2029}\x{202f}\x{205f}\x{3000}]+\z"
"""Nothing but what Python's `str.strip` takes away."""
_SPACE, _BEYOND_ASCII = 0x20, 0x80
_FIRST_LETTERS = np.zeros(1 << 16, dtype=np.bool_)
_FIRST_LETTERS[[ord(word[0]) << 8 | ord(word[1]) for word in re.findall("[a-z]{2,}", _LIKELY.split("(", 2)[2])]] = True
"""By two small letters: whether a word of `_LIKELY` begins so."""
_A_DAY = re.compile(r"(?:[0-9]{4}([-/.])[0-9]{1,2}\1[0-9]{1,2}|[0-9]{1,2}([-/.])[0-9]{1,2}\2[0-9]{2,4})(?:[ T][0-9:.]+)?")
"""A written day, most often; one written in another way only keeps a total's row what it was."""
A_NUMBER = re.compile(r"[-+$(]*[0-9][0-9.,]*\)?-?")
"""An amount or a count beside a word."""
FEW = 3
"""So few filled cells make no row of any export: each has at least four that it cannot do without."""


def says_total(cells: Sequence[str]) -> bool:
    """Whether a row says itself that it is a total or an end mark and no data.

    >>> says_total(["Total", "", "1,234.50"]), says_total(["SUM2026", "", "1,234.50"]), says_total(["", "Count: 12", "", ""])
    (True, False, True)
    >>> says_total(["", "", "1,234.50", "Total"]), says_total(["00123", "", "1,234.50", "Total"])
    (True, False)
    >>> says_total(["Total", "2026-FA", "2026-07-10", "12000.00", "tuition", ""])
    False
    """
    filled = [cell.strip() for cell in cells if cell.strip()]
    word = _total_word(filled[0]) if filled else ""
    if word and _is_data(cells, filled):
        return False
    if word == "sure" or (word == "loose" and 2 * len(filled) <= max(len(cells), 2)):
        return True
    if not filled or cells[0].strip() or len(filled) > FEW:
        return False
    others = [cell for cell in filled if _total_word(cell) != "sure"]
    return len(others) < len(filled) and all(map(_is_number, others))


def _is_number(cell: str) -> bool:
    return bool(A_NUMBER.fullmatch("".join(cell.split())))


def _is_data(cells: Sequence[str], filled: Sequence[str]) -> bool:
    """Whether a row that begins with a total's word is filled as data is: a day, and a term and a kind, or no cell empty at all."""
    if not cells[0].strip() or not any(_A_DAY.fullmatch(cell) for cell in filled[1:]):
        return False
    words = [cell for cell in filled[1:] if not _A_DAY.fullmatch(cell) and not A_NUMBER.fullmatch(cell)]
    return len(words) > 1 or len(filled) == len(cells) > 3


@lru_cache(maxsize=4096)
def _total_word(cell: str) -> str:
    """Whether a cell says `sure` or only `loose`ly that its row is a total; "" if it says no such thing."""
    words = [word.strip("*=-#:>.\"'") for word in cell.casefold().replace(":", ": ").split()]
    said = " ".join(word for word in words if word and not A_NUMBER.fullmatch(word)).replace("sub-total", "subtotal")
    if _TOTAL_WORDS.fullmatch(said) or _END_WORDS.fullmatch(said):
        return "sure"
    return "loose" if _LOOSE_WORDS.fullmatch(said) else ""


def foot_row(row: int, headings: Sequence[str], cells: Sequence[str]) -> FootRow:
    """A row set aside, with its filled cells by heading; a cell without a heading goes by its place."""
    held = {}
    for i, cell in enumerate(cells):
        if cell.strip():
            name = headings[i].strip() if i < len(headings) else ""
            held[name or f"(column {i + 1})"] = cell.strip()
    return FootRow(row, held)


def blank_cells(column: pa.Array) -> Bools:
    """Which cells hold nothing but white space."""
    blank = pc.equal(pc.binary_length(column), 0).to_numpy(zero_copy_only=False)
    held = bytes_of(column)
    if not len(held) or (held.min() > _SPACE and held.max() < _BEYOND_ASCII):  # most columns hold no white space at all
        none: Bools = blank
        return none
    spaced = pc.match_substring_regex(column, _SPACES).to_numpy(zero_copy_only=False)
    either: Bools = blank | spaced
    return either


def cells_at(columns: Sequence[pa.Array], i: int) -> list[str]:
    """The cells of one row."""
    return [column[i].as_py() for column in columns]


def likely_totals(columns: Sequence[pa.Array], count: int) -> list[int]:
    """Positions of rows whose first filled cell is a total's word, and of rows without a first cell and with few others that have one."""
    found: set[int] = set()
    at = headless = np.arange(count)
    for i, column in enumerate(columns):
        if len(at) == 0:
            break
        part = column if len(at) == len(column) else column.take(pa.array(at))
        found.update(_with_a_word(part, at))
        at = at[blank_cells(part)]
        headless = at if i == 0 else headless
    few = _with_few(columns[1:], headless, FEW)
    for column in columns[1:]:
        found.update(_with_a_word(column.take(pa.array(few)), few))
    return sorted(found)


def seeming_totals(columns: Sequence[pa.Array], at: Ints) -> set[int]:
    """Which of these rows may be totals, though that is not sure: some cell has a total's word, or they hold only one or two numbers."""
    found: set[int] = set()
    for column in columns:
        found.update(_with_a_word(column.take(pa.array(at)), at))
    for i in _with_few(columns, at, 2).tolist():
        filled = [cell for cell in cells_at(columns, i) if cell.strip()]
        if filled and all(map(_is_number, filled)):
            found.add(i)
    return found


def _with_a_word(part: pa.Array, at: Ints) -> list[int]:
    """Of the rows at these positions, those whose cell in this part of a column is a total's word."""
    if not _may_hold_words(part):
        return []
    likely = pc.match_substring_regex(part, _LIKELY).to_numpy(zero_copy_only=False)
    return [int(i) for i, cell in zip(at[likely], part.filter(pa.array(likely)).to_pylist(), strict=True) if _total_word(cell)]


def _with_few(columns: Sequence[pa.Array], at: Ints, most: int) -> Ints:
    """Of the rows at these positions, those with so many filled cells at most; a full row is left after its first cells."""
    filled = np.zeros(len(at), dtype=np.int64)
    for column in columns:
        if len(at) == 0:
            break
        filled += ~blank_cells(column.take(pa.array(at)))
        at, filled = at[filled <= most], filled[filled <= most]
    return at


def _may_hold_words(column: pa.Array) -> bool:
    """Whether the first two letters of a total's word stand anywhere: a quick look that spares most columns of ids the slow one."""
    held = bytes_of(column)
    if len(held) and held.max() >= _BEYOND_ASCII:
        return True
    small = held | 0x20
    letters = (small >= ord("a")) & (small <= ord("z"))
    pairs = np.flatnonzero(letters[:-1] & letters[1:])  # none at all in most columns of ids
    return bool(_FIRST_LETTERS[small[pairs].astype(np.uint16) << 8 | small[pairs + 1]].any())


def only_sums(columns: Sequence[pa.Array], last: int, aside: Sequence[int]) -> bool:
    """Whether a last row without a first cell holds nothing but the exact sums of the columns above it, `aside` left out."""
    if last < 2 or len(columns) < 4:
        return False
    cells = cells_at(columns, last)
    filled = [i for i, cell in enumerate(cells) if cell.strip()]
    if cells[0].strip() or not 1 <= len(filled) <= 2:
        return False
    above = np.ones(len(columns[0]), dtype=np.bool_)
    above[last:] = False
    above[list(aside)] = False
    for i in filled:
        column = parse_money(columns[i], ".")
        money = column.values[above]
        if column.bad[above].any() or column.bad[last] or np.count_nonzero(money) < 2 or int(money.sum()) != int(column.values[last]):
            return False
    return True
