"""A run as it is shown, made of a few rows: what tests of the workbook write, edit and read back."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import openpyxl
import pandas as pd

from reconcile.deliver.shown import Shown
from reconcile.deliver.summary import About
from reconcile.deliver.workbook import EXCEPTIONS, write_workbook
from reconcile.policy import Rules, load_rules
from reconcile.schemas import OUTPUTS
from reconcile.standing import typed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

RULES = load_rules(Path(__file__).parents[1] / "rules")
AS_OF = date(2026, 11, 20)


def row_of(table: str, **cells: Any) -> dict[str, Any]:
    """A row of an output table; what is not said is empty, zero or absent."""
    empty: dict[str, Any] = {c.name: pd.NaT if c.kind == "date" else 0 if c.kind in {"money", "count"} else "" for c in OUTPUTS[table]}
    return empty | cells


def exception(number: int, **cells: Any) -> dict[str, Any]:
    """An open failed draw with an id of its own."""
    own: dict[str, Any] = {
        "exception_id": f"X{number:04d}-TEST-{number:04d}",
        "kind": "failed draw",
        "severity": "act",
        "term": "2026-FA",
        "student_id": f"{number:08d}",
        "plan_id": f"P{number}",
        "line": "1",
        "amount": 100_00 + number,
        "what": f"Student {number:08d}: a draw came back.",
        "standing": "new",
        "first_seen": pd.Timestamp(AS_OF),
    }
    return row_of("exceptions", **own | cells)


def shown_of(rows: Mapping[str, Sequence[Mapping[str, Any]]], rules: Rules = RULES, **more: Any) -> Shown:
    """A run that shows these rows, by the name of their table."""
    tables = {name: typed(rows.get(name, ()), name) for name in OUTPUTS}
    about = About(AS_OF, None, None, "", None, more.pop("notes", ()))
    own = {"kind": "daily", "totals": {}, "names": {}, "run_hash": "0" * 64, "version": "test"}
    return Shown(tables=tables, about=about, rules=rules, **own | more)


def written(folder: Path, rows: Mapping[str, Sequence[Mapping[str, Any]]], name: str = "workbook.xlsx", **more: Any) -> Path:
    """The workbook of such a run."""
    path = folder / name
    path.unlink(missing_ok=True)
    write_workbook(shown_of(rows, **more), path)
    return path


def cells_of(path: Path, sheet: str = EXCEPTIONS) -> list[list[Any]]:
    """The cells of a sheet, headings first."""
    book = openpyxl.load_workbook(path)
    return [[cell.value for cell in row] for row in book[sheet].iter_rows()]


def by_heading(path: Path, sheet: str = EXCEPTIONS) -> list[dict[str, Any]]:
    """The rows of a sheet, each by heading; an empty cell is ""."""
    headings, *rows = cells_of(path, sheet)
    return [{str(name): "" if cell is None else cell for name, cell in zip(headings, row, strict=True)} for row in rows]
