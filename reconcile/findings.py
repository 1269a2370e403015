"""What a step has to tell beside its table: a fact about one student, plan, line or bank event that a person may have to act on.

A finding only states what was seen. Whether it becomes an exception, how harmful it is and who owns it is decided later, from the
catalogue of kinds and the rules, so that one cause is told once.
"""

from __future__ import annotations

from typing import NamedTuple


class Finding(NamedTuple):
    """One fact.

    `entry` is the position of its evidence among the export's rows of its part of the student body; cents keep the sign of that row.
    """

    kind: str
    student_id: str
    term: str
    plan_id: str
    line: str
    reference: str
    cents: int
    export: str
    entry: int
    note: str = ""
