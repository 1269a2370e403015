"""Cuts the exports of a run into parts of the student body, each with all that is needed to settle its students.

A row goes with its student. A bank event goes with the student of the plan that it names, if the schedules of the day know that plan, else
with the student that it names; events that name neither go first. Parts follow each other in the order of student ids, so that results put
together in the order of the parts stand in the order of students.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.bank_gaps import NO_GAPS
from reconcile.coverage import later_than
from reconcile.names_elsewhere import names_elsewhere
from reconcile.texts import among, arrow_text, is_word

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import pandas as pd

    from reconcile.events import Bools, Ints
    from reconcile.exports import Exports
    from reconcile.names_elsewhere import NamedElsewhere
    from reconcile.policy import Rules


LOOKED_AT: Final = 20_000
"""Rows, more or less, from which it is told where to cut."""


@dataclass(frozen=True, eq=False)
class Whole:
    """What only the whole input can tell a part.

    Draw dates of which hardly a draw was seen, terms whose schedules have fee lines, returns that name no draw of their own student.
    """

    gaps: pd.DataFrame = dataclasses.field(default_factory=lambda: NO_GAPS)
    fee_terms: frozenset[str] = frozenset()
    elsewhere: tuple[NamedElsewhere, ...] = ()


def whole_of(exports: Exports, rules: Rules, as_of: date) -> Whole:
    """What is known of the whole before any part is settled."""
    lines = exports.tables["plan_schedules"]
    counts = _counts(lines, rules, as_of)
    fees = np.flatnonzero(counts & is_word(lines["kind"], "fee"))
    named = names_elsewhere(exports.tables["cleared_draws"], lines if counts.all() else lines[counts], as_of)
    return Whole(fee_terms=frozenset(lines["term"].iloc[fees].unique()), elsewhere=named)


class Part(NamedTuple):
    """One part of the student body: which rows of the exports are its own. Its rows are taken by whoever settles it."""

    exports: Exports
    of: Mapping[str, Ints]
    number: int

    def rows(self) -> Exports:
        """The exports with the rows of this part alone, in the order in which they stood."""
        if not self.of:  # nothing was cut
            return self.exports
        tables = {name: _rows(table, self.of[name], self.number) for name, table in self.exports.tables.items()}
        return dataclasses.replace(self.exports, tables=tables)


def cut_by_student(exports: Exports, rules: Rules, as_of: date, parts: int) -> list[Part]:
    """The exports in so many parts (at least one; some may be empty), each student whole in one of them.

    Keeps:   every row of every table in just one part.
    """
    if parts < 2:
        return [Part(exports, {}, 0)]
    tables = exports.tables
    cuts = _cuts([table["student_id"] for table in tables.values()], parts)
    of = {name: _part_of(arrow_text(table["student_id"]), cuts) for name, table in tables.items()}
    of["cleared_draws"] = _parts_of_events(tables["cleared_draws"], tables["plan_schedules"], of, rules, as_of)
    return [Part(exports, of, part) for part in range(parts)]


def _cuts(students: Sequence[pd.Series], parts: int) -> list[str]:
    """The first student id of each part but the first, so that the parts have about as many rows; from every so many rows of each table."""
    step = 1 + sum(len(column) for column in students) // LOOKED_AT
    seen = sorted(text for column in students for text in arrow_text(column.iloc[::step]).to_pylist())
    return [seen[len(seen) * part // parts] if seen else "" for part in range(1, parts)]


def _part_of(students: pa.Array, cuts: Sequence[str]) -> Ints:
    """The part of each student id: how many cuts stand at it or before it, in the order of their bytes."""
    part = np.zeros(len(students), dtype=np.int64)
    if cuts and len(students):
        middle = len(cuts) // 2
        beyond = pc.greater_equal(students, pa.scalar(cuts[middle], students.type)).to_numpy(zero_copy_only=False)
        part[beyond] = middle + 1
        for half, add, more in ((~beyond, 0, cuts[:middle]), (beyond, middle + 1, cuts[middle + 1 :])):
            if more and half.any():
                part[half] = add + _part_of(students.filter(pa.array(half)), more)
    return part


def _counts(lines: pd.DataFrame, rules: Rules, as_of: date) -> Bools:
    """Which schedule lines count on the day: those of terms that the rules know, and of plans that were enrolled by then."""
    return among(lines["term"], [term.code for term in rules.terms]) & ~later_than(lines["enrolled_on"], as_of)


def _parts_of_events(events: pd.DataFrame, lines: pd.DataFrame, of: Mapping[str, Ints], rules: Rules, as_of: date) -> Ints:
    """The part that each event goes with."""
    counting = np.flatnonzero(_counts(lines, rules, as_of))
    if not len(counting):
        return of["cleared_draws"]
    plans = arrow_text(lines["plan_id"]) if len(counting) == len(lines) else arrow_text(lines["plan_id"].iloc[counting])
    begins = np.ones(len(plans), dtype=np.bool_)  # lines of one plan stand together as a rule: one of them is enough to look up
    begins[1:] = pc.not_equal(plans.slice(1), plans.slice(0, len(plans) - 1)).to_numpy(zero_copy_only=False)
    firsts = counting[begins]
    line = pc.index_in(arrow_text(events["plan_id"]), value_set=plans.filter(pa.array(begins)))  # the plan's first such line
    line = pc.fill_null(line, -1).to_numpy()
    aside = later_than(events["settled_on"], as_of)  # what is set aside stays as it was written
    return np.where((line < 0) | aside, of["cleared_draws"], of["plan_schedules"][firsts[line]])


def _rows(table: pd.DataFrame, of: Ints, part: int) -> pd.DataFrame:
    """The rows of one part; where they stand together, as in exports in the order of students, without a copy."""
    rows = np.flatnonzero(of == part)
    if len(rows) and rows[-1] - rows[0] + 1 == len(rows):
        return table.iloc[rows[0] : rows[-1] + 1].reset_index(drop=True)
    return table.take(rows).reset_index(drop=True)
