"""Whom a rejected row names: no draw is proposed for them, since what the row says of their money is not known.

A row whose fields are shifted by one names its student and plan in the wrong columns; an id may carry a character that nobody sees. So
every text of a rejected row counts that is a known student's or plan's id. A rejected bank row that names nobody could be anyone's
draw: then no draw is proposed to anyone until it is mended.
"""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

import numpy as np

from reconcile.intake_batch import REJECTED

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from reconcile.intake_batch import Batch
    from reconcile.intake_problems import Problem
    from reconcile.intake_rows import Part

EVERYONE = ("everyone", "")
_KINDS = ("student", "plan")


def named_in_rejected(batches: Mapping[str, Batch], astray: Sequence[Part], problems: Iterable[Problem]) -> frozenset[tuple[str, str]]:
    """Students and plans that rejected rows name, as ("student", id) and ("plan", id); EVERYONE for a bank row that names nobody.

    In:      the rows of each export, rejected ones included; rows of mixed files that no route claims; all problems (the value of a
             cell that could not be read as an id stands there).
    """
    blocked: set[tuple[str, str]] = set()
    if not any(np.equal(batch.standing, REJECTED).any() for batch in batches.values()) and not astray:
        return frozenset(blocked)
    plans = batches["plan_schedules"]
    known = {kind: set(plans.table[f"{kind}_id"][plans.accepted].unique().tolist()) for kind in _KINDS}
    values: dict[tuple[str, str, int], list[str]] = {}
    for problem in problems:
        values.setdefault((problem.file, problem.sheet, problem.row), []).append(problem.value)
    for name, batch in batches.items():
        rows = np.flatnonzero(np.equal(batch.standing, REJECTED))
        texts = [column.name for column in batch.export.columns if column.kind in {"id", "text"}]
        cells = {column: batch.table[column].iloc[rows].tolist() for column in texts}
        for at in range(len(rows)):
            part = batch.parts[batch.part[rows[at]]]
            place = (part.file, part.sheet, int(batch.rows[rows[at]]))
            found = _named({column: cells[column][at] for column in texts}, values.get(place, []), known)
            blocked |= found
            if name == "cleared_draws" and not found:
                blocked.add(EVERYONE)
    for part in astray:
        for kind in _KINDS:
            blocked |= {(kind, i) for i in (part.columns[f"{kind}_id"].to_pylist() if f"{kind}_id" in part.columns else ()) if i}
    return frozenset(blocked)


def _named(row: dict[str, str], unread: list[str], known: dict[str, set[str]]) -> set[tuple[str, str]]:
    """What the row gives as student and plan, and every other text of it, read or not, that is a known id."""
    found = {(kind, row[f"{kind}_id"]) for kind in _KINDS if row.get(f"{kind}_id")}
    for text in map(_visible, (*row.values(), *unread)):
        found |= {(kind, text) for kind in _KINDS if text in known[kind]}
    return found


def _visible(text: str) -> str:
    """The text without spaces around it and without characters that nobody sees."""
    return "".join(letter for letter in text if unicodedata.category(letter) not in {"Cc", "Cf"}).strip()
