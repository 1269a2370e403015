"""Pairing rows of two tables that agree in a key, nearest day first: in bulk, in rounds of mutual nearest neighbours.

Each round pairs every row with the row nearest to it if the choice is mutual; the rest go to the next round. That is the same as taking
the closest pair of all again and again, without looking at every pair.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from reconcile.events import Ints

_DAY_BITS = 17
_FAR = np.iinfo(np.int64).max


def nearest_pairs(key_a: Ints, day_a: Ints, key_b: Ints, day_b: Ints, before: int, after: int | Ints) -> tuple[Ints, Ints]:
    """Pair rows of a with rows of b of the same key, nearest day first, each at most once.

    In:      keys (any integers) and day numbers; b may lie up to `before` days before a and `after` days after it (one number, or one
             per row of a).
    Out:     positions in a and in b of each pair, in the order of a. At equal distance the later b wins (a ledger follows the bank),
             then the row that stands first.
    """
    found_a: list[Ints] = []
    found_b: list[Ints] = []
    reach = np.broadcast_to(np.asarray(after, dtype=np.int64), key_a.shape)
    live_a = np.flatnonzero(np.isin(key_a, key_b))
    live_b = np.flatnonzero(np.isin(key_b, key_a))
    while len(live_a) and len(live_b):
        choice_a = _nearest(key_a[live_a], day_a[live_a], key_b[live_b], day_b[live_b], before, reach[live_a])
        choice_b = _chosen_back(choice_a, live_a, live_b, day_a, day_b)
        mutual = np.flatnonzero((choice_a >= 0) & (choice_b[np.maximum(choice_a, 0)] == np.arange(len(live_a))))
        if not len(mutual):
            break
        found_a.append(live_a[mutual])
        found_b.append(live_b[choice_a[mutual]])
        gone_b = np.zeros(len(live_b), dtype=bool)
        gone_b[choice_a[mutual]] = True
        rest = choice_a >= 0
        rest[mutual] = False
        live_a, live_b = live_a[rest], live_b[~gone_b]
    if not found_a:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    a, b = np.concatenate(found_a), np.concatenate(found_b)
    order = np.argsort(a, kind="stable")
    return a[order], b[order]


def _nearest(key_a: Ints, day_a: Ints, key_b: Ints, day_b: Ints, before: int, after: Ints) -> Ints:
    """For each a the position in b of the nearest row of its key within reach, or -1."""
    known = np.unique(np.concatenate([key_a, key_b]))
    a = (np.searchsorted(known, key_a) << _DAY_BITS) + day_a
    b = (np.searchsorted(known, key_b) << _DAY_BITS) + day_b
    order = np.argsort(b, kind="stable")
    ordered = b[order]
    right = np.searchsorted(ordered, a, side="left")
    after_at = np.minimum(right, len(ordered) - 1)
    gap_after = np.where((right < len(ordered)) & (key_b[order[after_at]] == key_a), ordered[after_at] - a, _FAR)
    gap_after = np.where(gap_after <= after, gap_after, _FAR)
    before_at = np.maximum(right - 1, 0)
    before_at = np.searchsorted(ordered, ordered[before_at], side="left")
    gap_before = np.where((right > 0) & (key_b[order[before_at]] == key_a), a - ordered[before_at], _FAR)
    gap_before = np.where(gap_before <= before, gap_before, _FAR)
    choice = np.where(gap_after <= gap_before, order[after_at], order[before_at])
    return np.where(np.minimum(gap_after, gap_before) == _FAR, -1, choice).astype(np.int64)


def _chosen_back(choice_a: Ints, live_a: Ints, live_b: Ints, day_a: Ints, day_b: Ints) -> Ints:
    """For each b the a that is nearest among those that chose it (ties: b later than a, then the first a), or -1."""
    chosen = np.full(len(live_b), -1, dtype=np.int64)
    asking = np.flatnonzero(choice_a >= 0)
    gap = day_b[live_b[choice_a[asking]]] - day_a[live_a[asking]]
    order = np.lexsort((asking, gap < 0, np.abs(gap), choice_a[asking]))
    first = asking[order]
    targets = choice_a[first]
    lead = np.ones(len(targets), dtype=bool)
    lead[1:] = targets[1:] != targets[:-1]
    chosen[targets[lead]] = first[lead]
    return chosen
