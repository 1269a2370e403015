"""What everything that people look at is made from: the tables of a run, as they stand in its data files, and what is known of the run.

Workbook, page and packet read this and work nothing out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

WORKBOOK: Final = "workbook.xlsx"
"""The workbook among the files of a run."""

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from reconcile.deliver.summary import About
    from reconcile.input_counts import Counted, Input
    from reconcile.policy import Rules
    from reconcile.rule_changes import RuleChange


@dataclass(frozen=True, eq=False)
class Shown:
    """A run as it is shown.

    kind:     `daily` or `close`.
    tables:   the data tables by the name of their file (schemas.OUTPUTS; money in cents).
    totals:   rows and cents per export. about: dates, the run before, notes; its `place` is empty while the run is written.
    names:    student's name by student id; empty unless the person asked for names and the export has them.
    run_hash, version: of this run and of this program.
    inputs:   every file that was read, with its counts.
    rule_changes: what changed in the rules since the close before; None if there is none to compare with.
    """

    kind: str
    tables: Mapping[str, pd.DataFrame]
    totals: Mapping[str, Counted]
    about: About
    rules: Rules
    names: Mapping[str, str]
    run_hash: str
    version: str
    inputs: tuple[Input, ...] = ()
    rule_changes: tuple[RuleChange, ...] | None = None


def names_of(plan_schedules: pd.DataFrame) -> dict[str, str]:
    """A student's name by student id, where the export of plan schedules has one; of several the first in the alphabet.

    In:      plan_schedules with student_id and student_name ("" when absent), in any order.
    """
    named = plan_schedules.loc[plan_schedules["student_name"] != "", ["student_id", "student_name"]]
    first = named.sort_values(["student_id", "student_name"]).drop_duplicates("student_id")
    return dict(zip(first["student_id"].tolist(), first["student_name"].tolist(), strict=True))
