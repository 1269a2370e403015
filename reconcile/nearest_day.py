"""Pairing rows of two tables that agree in a key, nearest day first, in bulk.

The closest pair of all is taken first, then the closest of what is left, and so on. A pair that is the best choice of both its rows can be
taken at once, whatever else is taken: so each round takes all such pairs together.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from reconcile.events import Ints

_DAY_BITS = 17


def nearest_pairs(key_a: Ints, day_a: Ints, key_b: Ints, day_b: Ints, before: int, after: int | Ints) -> tuple[Ints, Ints]:
    """Pair rows of a with rows of b of the same key, nearest day first, each at most once.

    In:      keys (any integers from 0) and day numbers; b may lie up to `before` days before a and `after` days after it (one number, or
             one per row of a).
    Out:     positions in a and in b of each pair, in the order of a. At equal distance the later b wins (a ledger follows the bank),
             then the row that stands first in a, then in b.
    """
    a, b = _within_reach(key_a, day_a, key_b, day_b, before, np.broadcast_to(np.asarray(after, dtype=np.int64), key_a.shape))
    gap = day_b[b] - day_a[a]
    best_first = np.lexsort((b, a, gap < 0, np.abs(gap)))
    a, b = a[best_first], b[best_first]
    taken_a, taken_b = np.zeros(len(key_a), dtype=bool), np.zeros(len(key_b), dtype=bool)
    found: list[tuple[Ints, Ints]] = []
    while len(a):
        mutual = np.intersect1d(np.unique(a, return_index=True)[1], np.unique(b, return_index=True)[1])
        found.append((a[mutual], b[mutual]))
        taken_a[a[mutual]] = True
        taken_b[b[mutual]] = True
        rest = ~taken_a[a] & ~taken_b[b]
        a, b = a[rest], b[rest]
    at_a = np.concatenate([pair[0] for pair in found]) if found else np.zeros(0, dtype=np.int64)
    at_b = np.concatenate([pair[1] for pair in found]) if found else np.zeros(0, dtype=np.int64)
    order = np.argsort(at_a, kind="stable")
    return at_a[order], at_b[order]


def _within_reach(key_a: Ints, day_a: Ints, key_b: Ints, day_b: Ints, before: int, after: Ints) -> tuple[Ints, Ints]:
    """All pairs of equal key in which b lies within reach of a."""
    order = np.argsort((key_b << _DAY_BITS) + day_b, kind="stable")
    ordered = ((key_b << _DAY_BITS) + day_b)[order]
    base = key_a << _DAY_BITS
    first = np.searchsorted(ordered, base + np.maximum(day_a - before, 0), side="left")
    last = np.searchsorted(ordered, base + np.minimum(day_a + after, (1 << _DAY_BITS) - 1), side="right")
    count = np.maximum(last - first, 0)
    a = np.repeat(np.arange(len(key_a)), count)
    offset = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    return a, order[np.repeat(first, count) + offset]
