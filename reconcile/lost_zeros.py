"""Ids that lost their leading zeros on the way, so that one student looks like two.

A spreadsheet that opens `00123401` as a number saves `123401`. Both are ids that a college could have, so no cell is wrong by itself: the
student's charges stand under one id and the draws under the other, and every figure of both is wrong. What gives it away is that the two
ids differ by nothing but their zeros, in two exports. The plan schedules say which ids are real: an id that stands there is left alone,
unless it stands in no other place and the others know it with more zeros, for then it was the plan schedules that lost them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.intake_problems import masked, place_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from reconcile.intake_batch import Batch

    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

_PLANS = "plan_schedules"
_KINDS = (
    ("student_id", "student", "charges", ("charges", "aid", _PLANS, "cleared_draws", "postings")),
    ("plan_id", "plan", "cleared_draws", (_PLANS, "cleared_draws")),
)
"""Column, word, the export that confirms an id of the plan schedules, and the exports that are compared."""


class _Held(NamedTuple):
    """The different ids of one sheet, as numbers of `_Ids`: its export, its place, its heading."""

    export: str
    place: str
    heading: str
    ids: Ints


@dataclass(frozen=True, eq=False)
class _Ids:
    """All different ids of one kind, numbered: text, length, `key` (equal for ids that differ by leading zeros alone), who holds them."""

    texts: pa.Array
    length: Ints
    key: Ints
    sheets: tuple[_Held, ...]

    def held_by(self, export: str) -> Bools:
        """Which ids stand in that export."""
        held = np.zeros(len(self.texts), dtype=np.bool_)
        for sheet in self.sheets:
            if sheet.export == export:
                held[sheet.ids] = True
        return held

    def longest(self, which: Bools) -> Ints:
        """For each id, the length of the longest of these ids that differs from it by leading zeros alone, or is itself; 0 for none."""
        by_key = np.zeros(int(self.key.max()) + 1, dtype=np.int64)
        np.maximum.at(by_key, self.key[which], self.length[which])
        return np.asarray(by_key[self.key], dtype=np.int64)


def lost_zeros(batches: Mapping[str, Batch]) -> tuple[list[str], list[str]]:
    """Tell where ids of one export equal ids of another but for leading zeros.

    In:      every row of every export, rejected ones too, as far as its ids could be read.
    Out:     notes, one for each sheet and kind of id, with how many and one example; and the sentences that refuse the run: those of
             sheets with more than half of their different ids so.
    """
    notes: list[str] = []
    refusals: list[str] = []
    for column, word, confirms, exports in _KINDS:
        ids = _numbered([batches[name] for name in exports if name in batches], column)
        if ids is None:
            continue
        held = {name: ids.held_by(name) for name in exports}
        sure, odd = _odd(ids, held, confirms)
        for sheet in ids.sheets:
            found = sheet.ids[odd[sheet.export][sheet.ids]]
            if len(found):
                many = len(found) * 2 > len(sheet.ids)
                (refusals if many else notes).append(_sentence(ids, held, sheet, found, sure, word, refused=many))
    return notes, refusals


def _numbered(batches: list[Batch], column: str) -> _Ids | None:
    """The ids of one kind, or None where no two of them differ by leading zeros alone: the ordinary case."""
    parts = [(batch.export.name, part) for batch in batches for part in batch.parts if column in part.headings and len(part.rows)]
    columns = [part.columns[column] for _, part in parts]
    if not _may_differ(columns):
        return None
    coded = pa.chunked_array([column.cast(pa.large_string()) for column in columns], type=pa.large_string()).dictionary_encode()
    texts = coded.chunk(0).dictionary
    key = pc.utf8_ltrim(texts, "0").dictionary_encode()
    if len(key.dictionary) == len(texts):
        return None
    length = pc.binary_length(texts).to_numpy(zero_copy_only=False).astype(np.int64)
    sheets = []
    for (name, part), chunk in zip(parts, coded.chunks, strict=True):
        here = np.zeros(len(texts), dtype=np.bool_)
        here[chunk.indices.to_numpy(zero_copy_only=False)] = True
        sheets.append(_Held(name, place_of(part.file, part.sheet), part.headings[column], np.flatnonzero(here & (length > 0))))
    return _Ids(texts, length, key.indices.to_numpy(zero_copy_only=False).astype(np.int64), tuple(sheets))


def _may_differ(columns: list[pa.Array]) -> bool:
    """Whether ids can differ by leading zeros alone: some begin with one, and not all are of one length. Spares most offices the search."""
    lengths = {n for cells in columns for n in pc.unique(pc.binary_length(cells)).to_pylist()} - {0}
    return len(lengths) > 1 and any(pc.any(pc.starts_with(cells, "0")).as_py() for cells in columns)


def _odd(ids: _Ids, held: Mapping[str, Bools], confirms: str) -> tuple[Bools, dict[str, Bools]]:
    """The ids of the plan schedules that are sure, and for each export those that another export has with other zeros.

    An id that is not sure is odd if another export has it with more zeros, or if the plan schedules surely have it with more or fewer.
    """

    def shorter_in(name: str) -> Bools:
        elsewhere = np.logical_or.reduce([which for other, which in held.items() if other != name])
        return ids.length < ids.longest(elsewhere)

    lost_by_plans = held[_PLANS] & ~held[confirms] & shorter_in(_PLANS)
    sure = held[_PLANS] & ~lost_by_plans
    odd = {name: which & ~sure & (shorter_in(name) | (ids.longest(sure) > 0)) for name, which in held.items()}
    return sure, odd | {_PLANS: lost_by_plans}


def _sentence(ids: _Ids, held: Mapping[str, Bools], sheet: _Held, found: Ints, sure: Bools, word: str, *, refused: bool) -> str:
    """What one sheet has, with its first such id and the one that it equals: of the plan schedules, else the longest."""
    here = int(found[0])
    alike = [i for i in np.flatnonzero(ids.key == ids.key[here]).tolist() if i != here]
    elsewhere = [i for i in alike if any(which[i] for name, which in held.items() if name != sheet.export)]
    there = min(elsewhere, key=lambda i: (not sure[i], -ids.length[i]))
    holders = [s for s in ids.sheets if s.export != sheet.export and there in s.ids]
    other = min(holders, key=lambda s: s.export != _PLANS)
    equal = f"{word} id equals" if len(sheet.ids) == 1 else f"{word} ids {'equals' if len(found) == 1 else 'equal'}"
    cure = (
        "The id column lost its zeros, probably in a spreadsheet: export it again, with the ids as text."
        if ids.length[here] < ids.length[there]
        else "One of the two id columns lost its zeros, probably in a spreadsheet: export it again, with the ids as text."
    )
    return (
        f'{sheet.place}, column "{sheet.heading}": {len(found):,} of {len(sheet.ids):,} {equal} an id of another export but for leading '
        f"zeros, such as {masked(ids.texts[here].as_py())} here and {masked(ids.texts[there].as_py())} in {other.place}. {cure}"
        + (f" That is more than half of them, so that no figure of these {word}s could be right." if refused else "")
    )
