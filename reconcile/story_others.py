"""Where the bank's file names one student beside another's plan: what either of them may be told.

The exception list names both, for the office. A story is read out to one of them, and a student's number is nobody else's business. So the
story of the plan's own student withholds the other number, and the story of the student who was named says that it happened, with amount
and day alone.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from reconcile.exception_kinds import BY_NAME
from reconcile.texts import is_word

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    import pandas as pd

DISAGREE: Final = "plan and student disagree"
WITHHELD: Final = "another student (the number stands in the exception list, do not read it out)"
_HEAD, _TAIL = BY_NAME[DISAGREE].sentence.split("{named}")
BEFORE: Final = _HEAD.rpartition("}")[2]
AFTER: Final = _TAIL.partition("{")[0]
"""What stands before and after the other student's number in the sentence of the exception."""


def withheld(row: dict[str, Any]) -> dict[str, Any]:
    """The exception as it may be read out: without the number of another student."""
    head, named, tail = _parts(row)
    if not named:
        return row
    return row | {"what": f"{head}{BEFORE.removesuffix('student ')}{WITHHELD}{AFTER}{tail}"}


def named_beside(exceptions: pd.DataFrame, gone: Collection[str]) -> dict[str, tuple[tuple[str, str], ...]]:
    """For each student whom the bank's file names beside another's plan: term and sentence of each such exception.

    In:      OUTPUTS["exceptions"]; `gone` are the standings that nobody has to look at any more.
    """
    found: dict[str, list[tuple[str, str]]] = {}
    for row in exceptions[is_word(exceptions["kind"], DISAGREE)].to_dict("records"):
        if row["standing"] not in gone:
            _head, named, tail = _parts(row)
            found.setdefault(named, []).append((str(row["term"]), _sentence(tail)))
    return {student: tuple(rows) for student, rows in found.items() if student}


def _parts(row: Mapping[Any, Any]) -> tuple[str, str, str]:
    """The sentence before the other student's number, that number, and the sentence after it; the number is "" in other exceptions."""
    head, found, rest = str(row["what"]).partition(BEFORE)
    named, then, tail = rest.rpartition(AFTER)
    return (head, named, tail) if row["kind"] == DISAGREE and found and then else ("", "", "")


def _sentence(tail: str) -> str:
    """What the named student is told; `tail` begins with amount and day."""
    amount_and_day = tail.partition(";")[0]
    return (
        f"The bank's file names this student beside a plan that is not theirs, for {amount_and_day}. That money counts for the plan and "
        "not for this student; the office finds out which of the two is right. Say nothing of the plan or of whose it is."
    )
