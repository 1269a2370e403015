"""The order in which every table shows plan lines: term, student, plan, and the line's name as a number where it is one."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.texts import distinct, positions

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]

_NUMBER = re.compile(r"[0-9]{1,15}\Z")


def order_of_lines(lines: pd.DataFrame) -> Ints:
    """Positions of lines in order.

    In:      term, student_id, plan_id, line.
    """
    codes = (positions(distinct([lines[name]]), lines[name]) for name in ("plan_id", "student_id", "term"))
    return np.asarray(np.lexsort((_line_ranks(lines["line"]), *codes)), dtype=np.int64)


def _line_ranks(line: pd.Series) -> Ints:
    """The place of each line's name in the order of lines: numbers as numbers, then the others."""
    names = distinct([line])
    order = sorted(names, key=lambda name: (0, int(name), name) if _NUMBER.match(name) else (1, 0, name))
    rank = np.empty(len(names), dtype=np.int64)
    rank[names.get_indexer(pd.Index(order, dtype="str"))] = np.arange(len(names))
    return np.asarray(rank[positions(names, line)])
