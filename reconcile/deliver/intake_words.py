"""What intake found, in words: each file with its rows and money, and the rows that cannot be used with the way to mend them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from reconcile.deliver.csv_out import without_controls
from reconcile.deliver.summary import aligned, count, rejected_money
from reconcile.money import people_money

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import pandas as pd

    from reconcile.input_counts import Counted, Input

MOST_PROBLEMS: Final = 10
LONGEST_VALUE: Final = 60


def files_table(inputs: Iterable[Input]) -> str:
    """One line for each file and export: rows read, accepted, rejected, already read, total rows at the foot, and money read."""
    heading = ("File", "Export", "Read", "Accepted", "Rejected", "Already read", "Foot rows", "Money read")
    rows = [
        (
            without_controls(source.file + (f", sheet {c.sheet}" if c.sheet else "")),
            c.export,
            *(f"{n:,}" for n in (c.counted.rows_read, c.counted.accepted, c.counted.rejected, c.counted.already_read, c.counted.foot_rows)),
            people_money(c.counted.cents_read),
        )
        for source in inputs
        for c in source.counts
    ]
    return "\n".join(aligned([heading, *rows], right=range(2, 8))) + "\n"


def but_in_doubt(notes: int) -> str:
    """What follows "Every row can be used" where so many notes tell of missing columns on which figures hang."""
    if not notes:
        return ""
    which = "the first note says" if notes == 1 else f"the first {notes:,} notes say"
    return f", but columns are missing on which figures hang: see what {which}"


def problems_text(rejected: pd.DataFrame, most: int = MOST_PROBLEMS) -> str:
    """The first problems, those of one file, column and cause together, each with its first row and how to mend it."""
    groups: dict[tuple[str, str, str, str, str], list[tuple[int, str]]] = {}
    columns = ["file", "sheet", "column", "problem", "how to mend it", "row", "value"]
    for file, sheet, column, problem, cure, row, value in rejected[columns].itertuples(index=False, name=None):
        groups.setdefault((file, sheet, column, problem, cure), []).append((row, value))
    lines: list[str] = []
    where = ""
    for (file, sheet, column, problem, cure), rows in list(groups.items())[:most]:
        here = without_controls(file + (f", sheet {sheet}" if sheet else ""))
        if here != where:
            lines.append(here)
            where = here
        lines.append(f"  {_first(column, rows)}: {without_controls(problem)}".rstrip(". ") + f". {without_controls(cure)}".rstrip())
    shown = sum(len(rows) for rows in list(groups.values())[:most])
    if shown < len(rejected):
        lines.append(f"  and {count(len(rejected) - shown, 'more problem')}")
    return "\n".join(lines) + "\n"


def _first(column: str, rows: list[tuple[int, str]]) -> str:
    row, value = rows[0]
    cell = without_controls(value)
    cell = cell if len(cell) <= LONGEST_VALUE else cell[: LONGEST_VALUE - 3] + "..."
    parts = (f"row {row}" if row else "the whole file", column and f"column {without_controls(column)}", cell and f'"{cell}"')
    others = rows[1:]
    more = f" (and row {others[0][0]})" if len(others) == 1 else f" (and {len(others):,} rows more)" if others else ""
    return ", ".join(part for part in parts if part) + more


def rejected_headline(rejected: pd.DataFrame, counted: Mapping[str, Counted]) -> str:
    """How many rows cannot be used, with their money per export; a total row that does not agree is no such row, and is named."""
    rows = sum(c.rejected for c in counted.values())
    problems = count(len(rejected), "problem")
    if rows:
        return f"{count(rows, 'row')} cannot be used ({rejected_money(counted)}), with {problems}."
    file, sheet, row = rejected[["file", "sheet", "row"]].iloc[0]
    place = f"row {row} of {without_controls(file + (f', sheet {sheet}' if sheet else ''))}"
    return f"The exports cannot be used as they stand, with {problems}{' in' if len(rejected) == 1 else ', the first in'} {place}."
