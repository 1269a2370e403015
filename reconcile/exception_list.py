"""The exception list: everything that a person of the office should look at, the most harmful first, each told once and in one sentence.

A step over tables: the facts come from the modules of each group, severity, owner, action and days from the rules, age and standing from
the run before.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reconcile.common_causes import line_of, run_lines
from reconcile.exception_ground import Ground
from reconcile.exception_kinds import GROUPS
from reconcile.exception_last_days import while_it_can_be_done
from reconcile.exception_rows import SEVERITIES
from reconcile.exceptions_bank import undecided_money
from reconcile.exceptions_bill import bill_and_plan
from reconcile.exceptions_close import returns_after_the_close
from reconcile.exceptions_draws import came_late_or_early, draws_not_taken
from reconcile.exceptions_ledger import systems_apart
from reconcile.exceptions_money import money_taken_wrongly
from reconcile.exceptions_plans import plans_off_the_rules
from reconcile.standing import CLOSED, RESOLVED, Memory, typed
from reconcile.texts import among, is_word
from reconcile.told import Told, own_places, rows_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from reconcile.events import Bools, Ints
    from reconcile.exception_facts import Fact
    from reconcile.exceptions_close import Since
    from reconcile.exports import Exports
    from reconcile.policy import Rules
    from reconcile.probable_payments import Payment
    from reconcile.worked import Worked

MOST_NAMED = 5
"""Ids of unknown exceptions that a note names one by one."""


@dataclass(frozen=True, eq=False)
class ExceptionList:
    """The list of a run, OUTPUTS["dispositions"], and notes for the reader of the summary.

    parts:    the rows of each part of the student body. more: rows that only the whole has, lines of common causes and what is gone.
    order:    the positions of the rows of the list, in its order, among those of the parts, one after the other, and then of `more`.
    letters:  the positions of the letters of the parts, one after the other, in the order in which families are written to.
    """

    parts: tuple[pd.DataFrame, ...]
    more: pd.DataFrame
    order: Ints
    letters: Ints
    dispositions: pd.DataFrame
    notes: tuple[str, ...]

    @cached_property
    def table(self) -> pd.DataFrame:
        """OUTPUTS["exceptions"]."""
        return pd.concat([*self.parts, self.more], ignore_index=True).take(self.order).reset_index(drop=True)


def list_exceptions(told: Sequence[Told], plans: int, rules: Rules, as_of: date, memory: Memory) -> ExceptionList:
    """Put what the parts tell in order of harm, with what only the whole can tell.

    In:      what each part of the student body has (`tell`), one part at least; how many plans there are; the memory with which it was
             told. Cents.
    Out:     the list in the order of `own_places`; rows of a common cause stand under the line that leads them; what is gone stands last.
    Rules:   exceptions.toml
    Keeps:   every id of the previous list that has a note or disposition, and every note.
    """
    found = pd.concat([part.rows for part in told], ignore_index=True)
    soon, calm = (np.concatenate([getattr(part, name) for part in told]) for name in ("soon", "calm"))
    leads = run_lines(found, plans)
    about = [text for part in told for text in part.about]
    lines = [_line(found, members, about, plans, soon, calm) for members in leads]
    rows = pd.concat([found, _led(rows_of(lines, rules, as_of, memory), found, leads)], ignore_index=True)
    places = own_places(rows, np.concatenate([soon, [line.soon for line in lines]]).astype(np.bool_))
    led_by = np.arange(len(rows))
    for at, members in enumerate(leads, start=len(found)):
        led_by[members] = at
    led_by = np.where(is_word(rows["standing"], CLOSED), np.arange(len(rows)), led_by)
    order = np.lexsort((places, led_by != np.arange(len(rows)), places[led_by]))
    gone = _gone(memory, rows)
    starts = np.cumsum([0, *(len(part.rows) for part in told)])
    written_of = np.concatenate([start + part.written_of for start, part in zip(starts, told, strict=False)])
    return ExceptionList(
        parts=tuple(part.rows for part in told),
        more=pd.concat([rows.iloc[len(found) :], gone], ignore_index=True),
        order=np.concatenate([order, np.arange(len(rows), len(rows) + len(gone))]),
        letters=np.argsort(places[written_of]),
        dispositions=_log(memory, rows, gone),
        notes=_strangers(memory, rows),
    )


def _line(found: pd.DataFrame, members: Ints, about: Sequence[str], plans: int, soon: Bools, calm: Bools) -> Fact:
    """The line that leads the rows at these positions."""
    under = (
        found.iloc[members]
        .assign(about=[about[at] for at in members])
        .sort_values(["student_id", "plan_id", "line", "about"], kind="stable")
    )
    return line_of(under, plans, calm=bool(calm[members].all()), soon=bool(soon[members].any()))


def _led(lines: pd.DataFrame, found: pd.DataFrame, leads: Sequence[Ints]) -> pd.DataFrame:
    """The lines of common causes, each as severe as the most severe row under it."""
    severity = [
        min((own, *found["severity"].iloc[members].unique()), key=SEVERITIES.index)
        for own, members in zip(lines["severity"], leads, strict=True)
    ]
    return lines.assign(severity=pd.Series(severity, dtype="str"))


def _gone(memory: Memory, rows: pd.DataFrame) -> pd.DataFrame:
    """What was on the list before, or is named by a note, and is not found today: by group of harm, term and student."""
    gone = memory.gone(dict.fromkeys(rows["exception_id"], 0))
    if gone:
        of: dict[tuple[str, str], list[tuple[str, str]]] = {}
        for student, term, line, kind in zip(*(rows[name] for name in ("student_id", "term", "line", "kind")), strict=True):
            of.setdefault((student, term), []).append((line, kind))
        gone = [_told_otherwise(row, of.get((row["student_id"], row["term"]), [])) for row in gone]
        gone.sort(key=lambda row: (_group(row["kind"]), row["term"], row["student_id"], row["exception_id"]))
    return typed(gone, "exceptions")


def _told_otherwise(row: dict[str, Any], today: Sequence[tuple[str, str]]) -> dict[str, Any]:
    """A row that is no longer found, with a word where the list now says something else of the same student and draw.

    In:      line and kind of each exception of today that is about the same student and term.
    """
    about = [kind for line, kind in today if row["student_id"] and line in {"", row["line"]}]
    if not about or row["standing"] != RESOLVED or not str(row["action"]).startswith("Nothing more to do"):
        return row
    gone = str(row["action"]).replace("Nothing more to do: it is", "It is")
    return row | {"action": f"{gone} Of this student the list now tells: {', '.join(dict.fromkeys(about))}. Look there."}


def _log(memory: Memory, rows: pd.DataFrame, gone: pd.DataFrame) -> pd.DataFrame:
    """OUTPUTS["dispositions"], with what became of the exceptions that were spoken of."""
    amounts = dict(zip(rows["exception_id"].tolist(), rows["amount"].tolist(), strict=True))
    spoken_of = pd.concat([rows.iloc[np.flatnonzero(among(rows["exception_id"], list(memory.spoken_of)))], gone])
    return memory.log(
        amounts, {str(row["exception_id"]): {str(name): cell for name, cell in row.items()} for row in spoken_of.to_dict("records")}
    )


def _strangers(memory: Memory, rows: pd.DataFrame) -> tuple[str, ...]:
    """A note on the exceptions that notes name and no list holds."""
    strangers = sorted(set(memory.strangers) - set(rows["exception_id"])) if memory.strangers else []
    some = "an exception" if len(strangers) == 1 else f"{len(strangers):,} exceptions"
    first = ", ".join(strangers[:MOST_NAMED]) + ("..." if len(strangers) > MOST_NAMED else ".")
    return (f"The notes name {some} that no list holds: {first}",) if strangers else ()


def find_facts(on: Ground, payments: Mapping[int, Payment]) -> list[Fact]:
    """Every fact of a part of the student body, before one cause is told once.

    In:      the ground of the part; its `probable_payments`.
    """
    days = on.rules.banking_days()
    not_taken = list(draws_not_taken(on, payments))
    failed = [(fact.student_id, fact.plan_id, fact.amount) for fact in not_taken if fact.kind == "failed draw"]
    found = [
        *money_taken_wrongly(on, days),
        *not_taken,
        *bill_and_plan(on),
        *undecided_money(on, failed),
        *plans_off_the_rules(on),
        *systems_apart(on, days),
        *came_late_or_early(on),
    ]
    return [while_it_can_be_done(on, fact) for fact in found]


def facts_of_close(at: Worked, exports: Exports, rules: Rules, since: Since) -> list[Fact]:
    """What only a month-end close can see, besides `find_facts`."""
    return list(returns_after_the_close(Ground.of(at, exports, rules, frozenset()), since))


def _group(kind: str) -> int:
    return next((at for at, kinds in enumerate(GROUPS.values()) if kind in kinds), len(GROUPS))
