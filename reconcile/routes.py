"""Which rows of a mixed file are of which kind of export.

A ledger extract often holds charges, aid and payments in one file, told apart by a code. The column map routes each row by that code
(`[[charges.route]] column = "Entry type", equals = ["CHG"]`). Each row is of one kind: a row that no route claims, or two, is rejected
with the codes that are known, since a row passed over in silence would be money that nobody sees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reconcile.intake_problems import Problem, quote
from reconcile.raw import heading_key

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from reconcile.column_map import ExportMap
    from reconcile.raw import RawTable

    Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Routed:
    """Positions of the rows of each kind, of the rows without one kind, what is wrong with those, and sentences that refuse the run."""

    picked: dict[str, Ints]
    astray: Ints
    problems: tuple[Problem, ...]
    refusals: tuple[str, ...]
    columns: frozenset[int]


def route_rows(raw: RawTable, kinds: Sequence[tuple[str, ExportMap]], place: str) -> Routed:
    """Share the rows of one table out among the kinds of export that claim the file.

    In:      the raw table; each kind with what the map says of it.
    Out:     every row position once: in `picked` under its kind, or in `astray`. A single kind without routes takes all rows.
    """
    everything = np.arange(len(raw.rows), dtype=np.int64)
    if all(not section.route for _, section in kinds):
        return Routed({kinds[0][0]: everything}, everything[:0], (), (), frozenset())
    positions, refusals = _route_columns(raw, kinds, place)
    if refusals:
        return Routed({}, everything[:0], (), tuple(refusals), frozenset())
    claims = np.zeros((len(kinds), len(everything)), dtype=np.bool_)
    for number, (_, section) in enumerate(kinds):
        for route in section.route:
            codes = {code.strip().casefold() for code in route.equals}
            claims[number] |= _equals(raw, positions[heading_key(route.column)], codes)
    times = claims.sum(axis=0)
    picked = {export: np.flatnonzero(claims[number] & (times == 1)) for number, (export, _) in enumerate(kinds)}
    astray = np.flatnonzero(times != 1)
    problems = tuple(_astray(raw, int(at), kinds, claims[:, at], positions) for at in astray)
    return Routed(picked, astray, problems, (), frozenset(positions.values()))


def _route_columns(raw: RawTable, kinds: Sequence[tuple[str, ExportMap]], place: str) -> tuple[dict[str, int], list[str]]:
    keys = [heading_key(h) for h in raw.headings]
    positions: dict[str, int] = {}
    refusals: list[str] = []
    for export, section in kinds:
        for route in section.route:
            key = heading_key(route.column)
            if key in keys:
                positions[key] = keys.index(key)
                continue
            found = ", ".join(h for h in raw.headings if h) or "none"
            refusals.append(
                f'{place} has no column "{route.column}", by which the column map tells the rows of {export} apart. '
                f"Headings found: {found}. Correct column under [[{export}.route]]."
            )
    return positions, refusals


def _equals(raw: RawTable, position: int, codes: set[str]) -> NDArray[np.bool_]:
    """Which rows hold one of the codes; each different cell is looked at once."""
    coded = raw.columns[position].dictionary_encode()
    hit = np.array([str(text).strip().casefold() in codes for text in coded.dictionary.to_pylist()], dtype=np.bool_)
    if not len(hit):
        return np.zeros(len(raw.rows), dtype=np.bool_)
    where: Ints = coded.indices.to_numpy(zero_copy_only=False)
    return np.take(hit, where)


def _astray(
    raw: RawTable, at: int, kinds: Sequence[tuple[str, ExportMap]], claimed: NDArray[np.bool_], positions: dict[str, int]
) -> Problem:
    """The sentence about a row that no kind claims, or more than one."""
    position = next(iter(positions.values()))
    heading, value = raw.headings[position], str(raw.columns[position][at].as_py())
    if claimed.any():
        both = " and ".join(export for (export, _), yes in zip(kinds, claimed, strict=True) if yes)
        problem = f"this row is claimed by {both}, and a row is of one kind only"
        cure = "Correct the routes in the column map so that each row meets one of them."
    else:
        known = "; ".join(f"{', '.join(c for route in section.route for c in route.equals)} for {export}" for export, section in kinds)
        problem = f"{quote(value) if value else 'an empty cell'} is the code of no export. Known: {known}"
        cure = (
            f"Add the code under [[{kinds[0][0]}.route]] or that of another export in the column map, or take these rows out of the file."
        )
    return Problem.of(raw.file, raw.sheet, int(raw.rows[at]), heading, value, problem, cure)
