"""Columns of text cells to values: money, dates, words, identifiers and text, each with what is wrong and how to mend it.

Every function takes one column as a reader left it and gives a `Parsed` of the same length. Nothing raises: a cell that cannot be read is
marked bad with a plain problem and a cure, and a blank cell is absent. Equal cells are read once, and the ordinary forms of amounts in
bulk, so that a million rows take about a second.

Decided here: identifiers and text lose only the spaces around them (non-breaking ones too). Identifiers that hold control characters or
invisible characters are refused, since two that look alike would differ. Text keeps whatever it holds; the writers make it harmless.
"""

from __future__ import annotations

import difflib
import unicodedata
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.cell_dates import DateOrder, day_of, has_time, is_day_number
from reconcile.cell_money import LIMIT, DecimalMark, Refusal, amount_cents
from reconcile.raw import heading_key

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping

    from numpy.typing import NDArray

    from reconcile.raw import DateSystem

    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

_ZERO, _NINE, _POINT, _MINUS = b"09.-"
_ORDINARY = r"^-?[0-9]{1,12}\.[0-9]{2}\z"
_GROUPED = r"^-?\$?[0-9]{1,3}(,[0-9]{3}){0,3}\.[0-9]{2}\z"
_WHOLE = r"^-?[0-9]{1,12}\z"


@dataclass(frozen=True, eq=False)
class Parsed:
    """One column read. Where a cell is absent or bad, `values` holds zero, NaT or "".

    `values`: int64 cents for money, datetime64[s] for dates, text (an arrow array) for the rest. `problems` by position: what is wrong,
    and how to mend it; its positions are those where `bad` is set. `notes` are for the run as a whole.
    """

    values: Any
    absent: Bools
    bad: Bools
    problems: dict[int, Refusal] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass
class _Uniques:
    """The different cells of a column, trimmed, and where each stands."""

    array: pa.Array
    where: Ints

    @cached_property
    def texts(self) -> list[str]:
        """The different cells as Python strings; made only when asked for, since a column of amounts has almost as many as rows."""
        return list(self.array.to_pylist())

    def spread(self, values: Any, problems: dict[int, Refusal], notes: tuple[str, ...] = ()) -> Parsed:  # noqa: ANN401 (arrow or numpy)
        """What was found for each different cell, at every position where it stands."""
        absent = pc.equal(pc.binary_length(self.array), 0).to_numpy(zero_copy_only=False)
        bad = np.zeros(len(self.array), dtype=np.bool_)
        bad[list(problems)] = True
        taken = values.take(pa.array(self.where)) if isinstance(values, pa.Array) else values[self.where]
        bad_here = bad[self.where]
        at = np.flatnonzero(bad_here)
        told = {int(i): problems[int(u)] for i, u in zip(at, self.where[at], strict=True)}
        return Parsed(taken, absent[self.where] & ~bad_here, bad_here, told, notes)


def _uniques(cells: pa.Array) -> _Uniques:
    coded = _trimmed(cells).dictionary_encode()
    return _Uniques(coded.dictionary, coded.indices.to_numpy(zero_copy_only=False).astype(np.int64))


def bytes_of(cells: pa.Array) -> NDArray[np.uint8]:
    """The bytes of all cells of a text array, one after the other."""
    buffer = cells.buffers()[2]
    if buffer is None or len(cells) == 0:
        return np.empty(0, dtype=np.uint8)
    offsets = _offsets(cells)
    return np.frombuffer(buffer, dtype=np.uint8)[offsets[0] : offsets[-1]]


def _offsets(cells: pa.Array) -> NDArray[Any]:
    """Where each cell of a text array begins among its bytes, and where the last one ends."""
    width = np.int64 if pa.types.is_large_string(cells.type) else np.int32
    return np.frombuffer(cells.buffers()[1], dtype=width)[cells.offset : cells.offset + len(cells) + 1]


def _trimmed(cells: pa.Array) -> pa.Array:
    """The cells without the white space around them, non-breaking spaces and line ends too."""
    if isinstance(cells, pa.ChunkedArray):
        cells = pa.concat_arrays(cells.chunks) if cells.num_chunks else pa.array([], type=pa.string())
    if cells.null_count:
        cells = cells.fill_null("")
    held = bytes_of(cells)
    if held.size and held.min() > 32 and held.max() < 127:
        return cells
    return pc.utf8_trim_whitespace(cells)


def parse_money(cells: pa.Array, decimal_mark: DecimalMark, plain: Bools | None = None) -> Parsed:
    """Amounts as int64 cents.

    In:      `plain` marks cells that were numbers in a workbook (`RawTable.numbers`): they have a point before the decimals whatever the
             decimal mark of the text cells is.
    """
    if plain is None or not plain.any():
        return _money(cells, decimal_mark, plain=False)
    parts = {flag: _money(cells.filter(pa.array(plain == flag)), decimal_mark, plain=flag) for flag in (True, False)}
    values, absent, bad = np.zeros(len(cells), dtype=np.int64), np.zeros(len(cells), dtype=np.bool_), np.zeros(len(cells), dtype=np.bool_)
    problems: dict[int, Refusal] = {}
    for flag, part in parts.items():
        at = np.flatnonzero(plain == flag)
        values[at], absent[at], bad[at] = part.values, part.absent, part.bad
        problems |= {int(at[i]): told for i, told in part.problems.items()}
    return Parsed(values, absent, bad, dict(sorted(problems.items())))


def _money(cells: pa.Array, mark: DecimalMark, *, plain: bool) -> Parsed:
    if mark == "." or plain:
        plainest = _two_decimals(cells)
        if plainest is not None:
            nothing = np.zeros(len(plainest), dtype=np.bool_)
            return Parsed(plainest, nothing, nothing.copy(), {})
    found = _uniques(cells)
    cents, done = _ordinary_cents(found.array, mark if not plain else ".")
    problems: dict[int, Refusal] = {}
    for i in np.flatnonzero(~done):
        if text := found.array[int(i)].as_py():
            read = amount_cents(text, mark, plain=plain)
            if isinstance(read, int):
                cents[i] = read
            else:
                problems[int(i)] = read
    return found.spread(cents, problems)


def _two_decimals(cells: pa.Array) -> Ints | None:
    """Cents where every cell is figures, a point and two figures, perhaps after a minus; None where any cell is written otherwise.

    That is how most systems export: the whole column is then read by its bytes, without looking at single cells.
    """
    if isinstance(cells, pa.ChunkedArray) or cells.null_count or not len(cells):
        return None
    offsets = _offsets(cells)
    held, long = bytes_of(cells), np.diff(offsets)
    if not held.size or long.min() < 4 or long.max() > 15:
        return None
    points = offsets[1:] - (offsets[0] + 3)
    minus = held[offsets[:-1] - offsets[0]] == _MINUS
    # Each cell has its point; what is no figure beside them can only be a minus in front.
    figures = (held >= _ZERO) & (held <= _NINE)
    if not (held[points] == _POINT).all() or len(held) - np.count_nonzero(figures) != len(cells) + np.count_nonzero(minus):
        return None
    if minus.any():
        if long[minus].min() < 5:
            return None
        figures |= held == _MINUS
    # The same cells without their points: as each has one, each begins one place earlier for every cell before it.
    ends = pa.py_buffer(np.asarray(offsets - offsets[0] - np.arange(len(offsets)), dtype=np.int64))
    whole = pa.Array.from_buffers(pa.large_string(), len(cells), [None, ends, pa.py_buffer(held[figures])])
    return np.asarray(whole.cast(pa.int64()).to_numpy())


def _ordinary_cents(texts: pa.Array, mark: DecimalMark) -> tuple[Ints, Bools]:
    """Cents of the texts in an ordinary form, by array operations, and which they are; the forms mean the same to `amount_cents`."""
    cents, done = np.zeros(len(texts), dtype=np.int64), np.zeros(len(texts), dtype=np.bool_)
    forms = ((_ORDINARY, ".", 1), (_GROUPED, "[$.,]", 1)) if mark == "." else ()
    for pattern, drop, factor in (*forms, (_WHOLE, "", 100)):
        if done.all():
            break
        fits = pc.match_substring_regex(texts, pattern).to_numpy(zero_copy_only=False) & ~done
        if not fits.any():
            continue
        picked = texts.filter(pa.array(fits))
        if drop:
            picked = pc.replace_substring(picked, ".", "") if drop == "." else pc.replace_substring_regex(picked, drop, "")
        cents[fits] = picked.cast(pa.int64()).to_numpy(zero_copy_only=False) * factor
        done |= fits
    done &= np.abs(cents) < LIMIT
    return cents, done


def parse_dates(cells: pa.Array, date_order: DateOrder, date_system: DateSystem, *, tell_numbers: bool = False) -> Parsed:
    """Calendar days as datetime64[s] at midnight, NaT where absent or bad.

    In:      `tell_numbers`: note how many dates stand as a spreadsheet's day numbers; only text is asked so, a workbook may well hold them.
    """
    found = _uniques(cells)
    days = np.full(len(found.texts), "NaT", dtype="datetime64[s]")
    problems: dict[int, Refusal] = {}
    timed = np.zeros(len(found.texts), dtype=np.bool_)
    for i, text in enumerate(found.texts):
        if not text:
            continue
        read = day_of(text, date_order, date_system)
        if isinstance(read, tuple):
            problems[i] = read
        else:
            days[i] = np.datetime64(read, "s")
            timed[i] = has_time(text)
    notes = []
    if count := int(timed[found.where].sum()) if timed.any() else 0:
        notes.append(f"{count:,} {'date carries' if count == 1 else 'dates carry'} a time of day; only the day is read")
    if tell_numbers:
        notes += _day_numbers(found, days)
    return found.spread(days, problems, tuple(notes))


def _day_numbers(found: _Uniques, days: NDArray[np.datetime64]) -> list[str]:
    """A note if dates were read from day numbers: an office may not know that its export writes them, and a wrong column looks the same."""
    numbers = [i for i, text in enumerate(found.texts) if is_day_number(text) and not np.isnat(days[i])]
    if not numbers:
        return []
    count = int(np.isin(found.where, numbers).sum())
    told = "date stands as a spreadsheet's day number" if count == 1 else "dates stand as a spreadsheet's day numbers"
    return [f"{count:,} {told}, such as {found.texts[numbers[0]]} read as {days[numbers[0]].astype('datetime64[D]')}"]


def parse_words(cells: pa.Array, allowed: Collection[str], translate: Mapping[str, str]) -> Parsed:
    """Words of a fixed list, whatever their case, spaces, underscores and punctuation; the office's own words through `translate` first.

    `translate` maps their word to ours; an entry for "" says what an empty cell means.
    """
    ours = {heading_key(word): word for word in allowed}
    theirs = {" ".join(word.split()).casefold(): our for word, our in translate.items()}
    found = _uniques(cells)
    words: list[str] = []
    problems: dict[int, Refusal] = {}
    for i, text in enumerate(found.texts):
        word = theirs.get(" ".join(text.split()).casefold(), text)
        known = ours.get(heading_key(word), "") if word else ""
        if word and not known:
            problems[i] = _unknown_word(word, ours)
        words.append(known)
    parsed = found.spread(pa.array(words, type=pa.large_string()), problems)
    if "" in theirs:
        return Parsed(parsed.values, pc.equal(parsed.values, "").to_numpy(zero_copy_only=False) & ~parsed.bad, parsed.bad, parsed.problems)
    return parsed


def _unknown_word(word: str, ours: Mapping[str, str]) -> Refusal:
    """The refusal of a word that is not on the list, with the list and the nearest on it."""
    near = difflib.get_close_matches(heading_key(word), ours, n=1)
    hint = f"; perhaps {ours[near[0]]!r} is meant" if near else ""
    return (
        "the word is none of " + ", ".join(ours.values()),
        f"use one of them{hint}; or give the word its meaning in the column map, under values",
    )


def parse_ids(cells: pa.Array) -> Parsed:
    """Identifiers, exactly as written but for the spaces around them; control and invisible characters are refused."""

    def refusal(text: str) -> Refusal | None:
        for char in text:
            if unicodedata.category(char) in {"Cc", "Cf", "Zl", "Zp"}:
                kind = "a control character" if unicodedata.category(char) == "Cc" else "an invisible character"
                return (
                    f"the identifier holds {kind} (U+{ord(char):04X})",
                    "remove it where the file comes from: it makes two equal identifiers differ",
                )
        return None

    return _texts(cells, refusal)


def parse_text(cells: pa.Array) -> Parsed:
    """Text, trimmed and otherwise untouched; never bad."""
    return _texts(cells, None)


def _texts(cells: pa.Array, refusal: Callable[[str], Refusal | None] | None) -> Parsed:
    values = _trimmed(cells)
    absent = pc.equal(pc.binary_length(values), 0).to_numpy(zero_copy_only=False)
    bad = np.zeros(len(values), dtype=np.bool_)
    problems: dict[int, Refusal] = {}
    held = bytes_of(values)
    if refusal is not None and held.size and (held.min() < 32 or held.max() >= 127):
        suspect = pc.match_substring_regex(values, r"[^\x20-\x7e]").to_numpy(zero_copy_only=False)
        for i in np.flatnonzero(suspect):
            if told := refusal(values[int(i)].as_py()):
                problems[int(i)] = told
        if problems:
            bad[list(problems)] = True
            values = pc.if_else(pa.array(bad), "", values)
    return Parsed(values, absent, bad, problems)
