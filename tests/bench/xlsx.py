"""Measure how a workbook of plan draws is read: xlsx.py --rows 100000 [--runs 5] [--write].

One workbook is made with nine columns as an office has them (identifiers as text, days, amounts, words). Then it is read turn by turn:
by the fast way, and by the exact way alone, as the reader does with sheets that are not plain. Told are the medians of processor time,
which holds on a busy machine, and their ratio; both tables are held equal. With --write the line also goes into DEVELOPERS.md.
"""

from __future__ import annotations

import gc
import random
import statistics
import time
from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from unittest import mock

import xlsxwriter  # type: ignore[import-untyped]
from run import say_and_write

from reconcile import xlsx_files
from reconcile.raw import RawTable, heading_key

if TYPE_CHECKING:
    from pathlib import Path

BEGIN, END = "<!-- bench-xlsx:begin -->", "<!-- bench-xlsx:end -->"
HEADINGS = ("draw_id", "plan_id", "student_id", "term", "draw_date", "amount", "method", "status", "trace")
BILLED = datetime(2026, 8, 10)  # noqa: DTZ001 (cells have no zone)


def make(path: Path, rows: int) -> Path:
    """A workbook of plan draws, the same for the same number of rows: five draws to a plan."""
    chance = random.Random(7)
    book = xlsxwriter.Workbook(str(path))
    sheet = book.add_worksheet("Draws")
    day, money = book.add_format({"num_format": "yyyy-mm-dd"}), book.add_format({"num_format": "#,##0.00"})
    sheet.write_row(0, 0, HEADINGS)
    for i in range(1, rows + 1):
        plan = (i - 1) // 5
        for column, text in ((0, f"D{i:07d}"), (1, f"P{plan:06d}"), (2, f"{plan:07d}"), (3, "FA26")):
            sheet.write_string(i, column, text)
        sheet.write_datetime(i, 4, BILLED + timedelta(days=30 * (i % 5)), day)
        sheet.write_number(i, 5, chance.randrange(5_000, 150_000) / 100, money)
        for column, text in ((6, chance.choice(("bank", "card"))), (7, chance.choice(("cleared", "returned"))), (8, f"{i * 7919:015d}")):
            sheet.write_string(i, column, text)
    book.close()
    return path


def measure(rows: int, runs: int, place: Path) -> str:
    """One line of result."""
    path = make(place / "draws.xlsx", rows)
    fast: list[float] = []
    exact: list[float] = []
    for _ in range(runs):
        quick = read(path, fast)
        with mock.patch.object(xlsx_files, "fast_cells", return_value=None):
            slow = read(path, exact)
        if quick.columns != slow.columns or quick.rows.tolist() != slow.rows.tolist() or quick.notes != slow.notes:
            raise SystemExit("the two ways read different tables")
    one, other = statistics.median(fast), statistics.median(exact)
    return (
        f"A workbook of {rows:,} draws with {len(HEADINGS)} columns: {one:.1f} s of processor by the fast way, {other:.1f} s by the exact "
        f"one, {one / other:.2f} of it (median of {runs} turns; `python tests/bench/xlsx.py`).\n"
    )


def read(path: Path, took: list[float]) -> RawTable:
    """Read the workbook and note the seconds of processor."""
    expected = frozenset(map(heading_key, HEADINGS))
    ids = frozenset({"drawid", "planid", "studentid"})
    gc.collect()
    start = time.process_time()
    (table,) = xlsx_files.read_workbook(path, path.name, sheet=None, heading_row=None, expected=expected, text_columns=ids)
    took.append(time.process_time() - start)
    return table


if __name__ == "__main__":
    say_and_write("Measure the two ways in which a workbook is read.", ("rows", 100_000), measure, (BEGIN, END))
