"""Returns that name an event of another student, or a return in place of a draw: only the whole input can tell.

A return undoes a draw of its own student alone. Where its original reference names what the bank's files know, but not as a draw of that
student, a person must hear so, at both students: one of the two rows has a wrong name.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from reconcile.coverage import later_than
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd

    from reconcile.events import Ints

Place = tuple[str, str, int]
"""File, sheet and row."""


class NamedElsewhere(NamedTuple):
    """A return or refund (`by`), and the event that it names (`of`), which is no draw of its student.

    what: `draw` or `return`. own: whether the event is of the same student. The rest is of the return: cents, day number.
    """

    by: Place
    of: Place
    what: str
    own: bool
    cents: int
    day: int
    outcome: str
    method: str
    code: str
    reference: str


def names_elsewhere(events: pd.DataFrame, lines: pd.DataFrame, as_of: date) -> tuple[NamedElsewhere, ...]:
    """Returns and refunds whose original reference names an event of the bank's files that is no draw of their student.

    In:      all bank events of the run, the schedule lines that count.
    Out:     in the order of the events' content; where several events carry the name, a draw before a return, then by place. None for a
             name that no file knows, nor for events of nobody.
    """
    today = ~later_than(events["settled_on"], as_of)
    asking = np.flatnonzero(today & ~is_word(events["outcome"], "cleared") & ~is_word(events["original_reference"], ""))
    if not len(asking):
        return ()
    wanted = events["original_reference"].iloc[asking].tolist()
    carrying = np.flatnonzero(today & among(events["reference"], sorted(set(wanted))))
    by_name: dict[str, list[int]] = {}
    for at, reference in zip(carrying.tolist(), events["reference"].iloc[carrying].tolist(), strict=True):
        by_name.setdefault(reference, []).append(at)
    rows = np.union1d(asking, carrying)
    whose = _cells(events, rows, ("plan_id", "student_id", "outcome"))
    left = [
        (at, name) for at, name in zip(asking.tolist(), wanted, strict=True) if name in by_name and not _own_draw(at, by_name[name], whose)
    ]
    if not left:
        return ()  # as a rule: a return names a draw of its plan
    owner = _owners(whose, lines)
    found = []
    for at, name in left:
        others = [one for one in by_name[name] if one != at and owner[one]]
        if owner[at] and others and not any(whose[one][2] == "cleared" and owner[one] == owner[at] for one in others):
            found.append(_told(events, at, others, owner, whose))
    return tuple(sorted(found, key=lambda one: (one.day, one.reference, one.cents, one.code, one.by)))


def _cells(events: pd.DataFrame, rows: Ints, names: tuple[str, ...]) -> dict[int, tuple[str, ...]]:
    part = events[list(names)].iloc[rows]
    return dict(zip(rows.tolist(), zip(*(part[name].tolist() for name in names), strict=True), strict=True))


def _own_draw(at: int, carrying: list[int], whose: dict[int, tuple[str, ...]]) -> bool:
    """Whether the name is plainly that of a draw of the same plan or, where no plan is given, of the same student."""
    plan, student, _outcome = whose[at]
    return any(whose[one][2] == "cleared" and whose[one][0] == plan and (plan or whose[one][1] == student) for one in carrying)


def _owners(whose: dict[int, tuple[str, ...]], lines: pd.DataFrame) -> dict[int, str]:
    """The student of each event: that of its plan, if the schedules know it, else the one that it names."""
    plans = lines[["plan_id", "student_id"]].iloc[np.flatnonzero(among(lines["plan_id"], sorted({cells[0] for cells in whose.values()})))]
    student_of = dict(zip(plans["plan_id"].tolist(), plans["student_id"].tolist(), strict=True))
    return {at: student_of.get(plan, student) for at, (plan, student, _outcome) in whose.items()}


def _told(events: pd.DataFrame, at: int, others: list[int], owner: dict[int, str], whose: dict[int, tuple[str, ...]]) -> NamedElsewhere:
    row = events.iloc[at]

    def place(one: int) -> Place:
        cells = events.iloc[one]
        return str(cells["file"]), str(cells["sheet"]), int(cells["row"])

    of = min(others, key=lambda one: (whose[one][2] != "cleared", owner[one] != owner[at], owner[one], place(one)))
    return NamedElsewhere(
        by=place(at),
        of=place(of),
        what="draw" if whose[of][2] == "cleared" else "return",
        own=owner[of] == owner[at],
        cents=int(row["amount"]),
        day=int(row["settled_on"].to_datetime64().astype("datetime64[D]").astype("int64")),
        outcome=str(row["outcome"]),
        method=str(row["method"]),
        code=str(row["return_code"]),
        reference=str(row["reference"]),
    )
