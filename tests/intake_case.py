"""A small office for the tests of intake: five exports that are in order, written to a folder and read with the office's real rules."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import openpyxl
import pytest

from reconcile.column_map import load_column_map
from reconcile.exports import Exports, ExportsRefusedError, SourceCount, read_exports
from reconcile.policy import Rules, load_rules

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

ROOT = Path(__file__).resolve().parent.parent

CHARGES = "student_id,term,posted_on,amount,charge_type\nS1,2026-FA,2026-07-01,1000.00,tuition\nS2,2026-FA,2026-07-02,-50.25,tuition\n"
AID = "student_id,term,fund,status,amount,posted_on\nS1,2026-FA,grant,disbursed,200.00,2026-07-05\n"
PLANS = (
    "plan_id,student_id,term,enrolled_on,plan_total,line,draw_date,amount\n"
    "P1,S1,2026-FA,2026-07-10,800.00,1,2026-08-10,400.00\n"
    "P1,S1,2026-FA,2026-07-10,800.00,2,2026-09-10,400.00\n"
)
BANK = "settled_on,amount,outcome,plan_id,reference\n2026-08-11,400.00,cleared,P1,T1\n2026-09-11,400.00,returned,P1,T2\n"
POSTINGS = "student_id,term,posted_on,kind,amount,reference\nS1,2026-FA,2026-08-12,plan draw,400.00,T1\n"

IN_ORDER = {"charges.csv": CHARGES, "aid.csv": AID, "plan_schedules.csv": PLANS, "cleared_draws.csv": BANK}


@cache
def rules() -> Rules:
    """The rules of the repository: terms 2026-FA, 2027-SP and 2027-SU."""
    return load_rules(ROOT / "rules")


def write(folder: Path, files: Mapping[str, str | bytes | Sequence[Sequence[object]]]) -> Path:
    """Write the files of an office; a list of rows becomes a workbook."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in files.items():
        if isinstance(content, str):
            (folder / name).write_text(content, encoding="utf-8", newline="")
        elif isinstance(content, bytes):
            (folder / name).write_bytes(content)
        else:
            book = openpyxl.Workbook()
            sheet = book.active
            assert sheet is not None
            for row in content:
                sheet.append(list(row))
            book.save(folder / name)
    return folder


def read(folder: Path, files: Mapping[str, Any], map_text: str = "", **options: Any) -> Exports:
    """Read the office in order, with some files in place of its own (None: without that file)."""
    merged = {name: text for name, text in {**IN_ORDER, **files}.items() if text is not None}
    write(folder / "exports", merged)
    column_map = None
    if map_text:
        (folder / "map.toml").write_text(map_text, encoding="utf-8")
        column_map = load_column_map(folder / "map.toml")
    return read_exports([folder / "exports"], rules(), column_map, **options)


def refused(folder: Path, files: Mapping[str, Any], map_text: str = "", **options: Any) -> list[str]:
    """The sentences with which the office's exports are refused."""
    with pytest.raises(ExportsRefusedError) as caught:
        read(folder, files, map_text, **options)
    assert caught.value.headline == "The exports cannot be used as they stand; nothing was worked out."
    return list(caught.value.problems)


def told(exports: Exports) -> list[str]:
    """The rejected rows as lines: where | value | problem | cure."""
    return [
        f"{file}{f':{sheet}' if sheet else ''}:{row} {column} | {value} | {problem} | {cure}"
        for file, sheet, row, column, value, problem, cure in exports.rejected.itertuples(index=False)
    ]


def counts(exports: Exports) -> list[SourceCount]:
    """All counts of all files."""
    return [count for source in exports.sources for count in source.counts]


def rows(exports: Exports, export: str, *columns: str) -> list[tuple[Any, ...]]:
    """Some columns of a typed table as plain tuples, dates as text."""
    table = exports.tables[export][list(columns)]
    return [tuple(v.date().isoformat() if hasattr(v, "date") else v for v in row) for row in table.itertuples(index=False)]
