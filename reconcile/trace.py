"""Any figure of the proof, the roll-forward or the tie-out, taken apart into the rows that make it up.

Somebody who signs a figure may ask for what is behind it. A figure is traced from the run folder alone: the roll-forward to the moves of
lines, a line of proof to the accepted rows (`entries.parquet`) or to the rows of the table in which a person reads it. The rows of a trace
add up to the figure exactly, and the sum is shown.

Figures are named as they stand in their file:

    rollforward 2026-FA bank pending opening
    tie_out 2026-FA 2026-10-10 in transit
    cleared_draws: on a line, left              (a line of proof and its side; without a side, both)
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import pandas as pd

from reconcile import audit
from reconcile.errors import RefusedError
from reconcile.run_tables import read_table
from reconcile.toml_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

SIDES = ("left", "right")
ROW_COLUMNS = ("amount", "what", "term", "student_id", "plan_id", "line", "date", "where", "match")
"""Columns of the rows of a trace: signed cents, what the row is, whom it is about, and the file, sheet and row where it can be seen."""


@dataclass(frozen=True)
class Figure:
    """One figure of a run: its name as a person types it, and its cents."""

    name: str
    cents: int


@dataclass(frozen=True, eq=False)
class Traced:
    """A figure and the rows that make it up (ROW_COLUMNS); their sum is the figure."""

    figure: Figure
    rows: pd.DataFrame

    @property
    def total(self) -> int:
        """The sum of the rows, in cents."""
        return int(self.rows["amount"].sum())


class RunTables:
    """The tables of a run folder, each read when it is first asked for."""

    def __init__(self, run: Path) -> None:
        self.run = run
        self._held: dict[str, pd.DataFrame] = {}

    def __getitem__(self, name: str) -> pd.DataFrame:
        """The table of that name; cents.

        Errors:  RefusedError if it is not what a run writes.
        """
        if name not in self._held:
            self._held[name] = read_table(self.run, name)
        return self._held[name]

    @cached_property
    def audit(self) -> dict[str, Any]:
        """What the run was made from."""
        return audit.read_audit(self.run)

    @property
    def is_close(self) -> bool:
        """Whether it is a month-end close."""
        return bool(self.audit["kind"] == "close")

    @cached_property
    def events_of_line(self) -> Mapping[tuple[str, str], str]:
        """The bank rows on each plan line: file:sheet:row with the pass that matched it, in order."""
        entries = self["entries"]
        rows = entries[(entries["export"] == "cleared_draws") & (entries["match"] != "")]
        found: dict[tuple[str, str], list[str]] = {}
        for row in rows.sort_values(["date", "file", "sheet", "row"]).itertuples():
            found.setdefault((str(row.plan_id), str(row.line)), []).append(f"{row.file}:{row.sheet}:{row.row} {row.match}")
        return {key: "; ".join(places) for key, places in found.items()}

    @cached_property
    def schedule_rows(self) -> Mapping[tuple[str, str], str]:
        """The row of the schedule that each plan line stands in: file:sheet:row."""
        entries = self["entries"]
        rows = entries[entries["export"] == "plan_schedules"]
        return {(str(row.plan_id), str(row.line)): f"{row.file}:{row.sheet}:{row.row}" for row in rows.itertuples()}


def figures_of(run: RunTables) -> tuple[Figure, ...]:
    """Every figure that can be traced, in the order of its file."""
    found = []
    if run.is_close:
        rows = run["rollforward"].itertuples()
        found += [Figure(f"rollforward {row.term} {row.method} {row.money} {row.item}", to_cents(row.amount)) for row in rows]
        found += [Figure(name, cents) for name, cents in tie_out_figures(run).items()]
    for line in run["proof"].itertuples():
        found += [Figure(f"{line.name}, {side}", to_cents(getattr(line, side))) for side in SIDES]
    return tuple(found)


def to_cents(cell: Any) -> int:  # noqa: ANN401 (a cell of a money column)
    """The whole cents of a cell."""
    return int(cell)


def tie_out_figures(run: RunTables) -> dict[str, int]:
    """The tie-out's figures by name; rows of one name (returnable until different days) are one figure."""
    found: dict[str, int] = {}
    for row in run["tie_out"].itertuples():
        name = f"tie_out {row.term} {date_word(row.draw_date)} {row.step}: {row.item}"
        found[name] = found.get(name, 0) + to_cents(row.amount)
    return found


def date_word(day: Any) -> str:  # noqa: ANN401 (a date, or NaT)
    """A draw date as it stands in a figure's name."""
    return "without-date" if pd.isna(day) else str(day.date())


def find_figures(run: RunTables, asked: str) -> tuple[Figure, ...]:
    """The figures that a person means: one, or both sides of a line of proof; none if nothing was asked.

    Errors:  RefusedError naming the nearest figures, if there is none of that name.
    """
    figures = figures_of(run)
    wanted = " ".join(asked.replace(",", " ").split()).casefold()
    names = {" ".join(figure.name.replace(",", " ").split()).casefold(): figure for figure in figures}
    if wanted in names:
        return (names[wanted],)
    sides = tuple(names[f"{wanted} {side}"] for side in SIDES if f"{wanted} {side}" in names)
    if sides:
        return sides
    beginning = [figure for name, figure in names.items() if wanted and name.startswith(wanted)]
    if len({figure.name.rpartition(",")[0] or figure.name for figure in beginning}) == 1:
        return tuple(beginning)
    short = [figure for name, figure in names.items() if _without_step(name) == wanted]
    if short:
        return tuple(short)
    raise RefusedError(f"There is no figure {asked!r} in {run.run}.", _near(asked, wanted, {n: f.name for n, f in names.items()}))


def _without_step(name: str) -> str:
    """The name of a figure of the tie-out without its step: `tie_out 2026-FA 2026-10-10 in transit`."""
    head, _, item = name.partition(": ")
    words = head.split()
    return " ".join([*words[:3], item]) if words[:1] == ["tie_out"] else name


def _near(asked: str, wanted: str, names: Mapping[str, str]) -> tuple[str, ...]:
    """What the person may have meant, and how to see all names."""
    inside = [name for name in names if all(word in name for word in wanted.split())]
    close = inside[:5] or [found for found in [nearest(wanted, list(names))] if found] or _sharing(wanted, list(names))
    meant = (f"Did you mean: {'; '.join(names[name] for name in close)}?",) if asked and close else ()
    return (*meant, "Without a figure the command lists them all.")


def _sharing(wanted: str, names: Sequence[str]) -> list[str]:
    """The names that share the most words with what was asked for."""
    words = set(wanted.split())
    ranked = sorted(names, key=lambda name: -len(words & set(name.split())))
    return [name for name in ranked[:3] if words & set(name.split())]
