"""Why nothing is proposed to a student before something is known: a bank file that may be missing, a return that the banks dispute."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.exception_facts import day_text

if TYPE_CHECKING:
    from reconcile.exception_ground import Ground


def missing_file(on: Ground, row: int) -> str:
    """What must be known first where one of the row's draws was not seen and hardly another of its day was; "" where none is such."""
    unseen = [at for at in on.mine("lines", row) if on.lines["state"][at] == "not seen"] if on.gaps else []
    day = next((int(on.lines["draw_date"][at]) for at in unseen if (on.lines["term"][at], on.lines["draw_date"][at]) in on.gaps), None)
    if day is None:
        return ""
    count, missing = on.gaps[on.plans["term"][row], day]
    return (
        f"Of {count} draws of {day_text(day)} the bank files do not show {missing}: is a bank file missing? Add it and run again; "
        "until then nothing is proposed and nothing is presented again."
    )


def told_rows(on: Ground) -> frozenset[int]:
    """Rows of plans with a dishonored or contested return."""
    told = on.at.matching.told
    students = {on.money["student_id"][at] for at in told.nonzero()[0]}
    if not students:
        return frozenset()
    rows = {int(row) for row in on.row_of_event[told] if row >= 0}
    adrift = {on.money["student_id"][at] for at in told.nonzero()[0] if on.row_of_event[at] < 0}
    return frozenset(rows | set(np.flatnonzero(on.plans["student_id"].are(*adrift)).tolist()))
