"""The standard delivery: five CSV files with the standard headings, ISO dates and plain decimals, and their control totals."""

from __future__ import annotations

import csv
import io
from dataclasses import fields
from datetime import date
from typing import TYPE_CHECKING, Any

from sample_college import Award, Books, Charge, Event, Planted, Posting, ScheduleRow

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

MONEY = {"amount", "plan_total"}
DATES = {
    "posted_on",
    "disbursed_on",
    "expected_on",
    "cancelled_on",
    "enrolled_on",
    "draw_date",
    "set_on",
    "consent_on",
    "settled_on",
    "as_of",
}
EXPORT_ROWS: dict[str, type[Any]] = {
    "charges": Charge,
    "aid": Award,
    "plan_schedules": ScheduleRow,
    "cleared_draws": Event,
    "postings": Posting,
}


def rows_of(books: Books) -> dict[str, list[Any]]:
    """The rows of each export in the order in which the college's systems write them: by date, as they came in."""
    return {
        "charges": sorted(books.charges, key=lambda c: (c.term, c.posted_on, c.student_id)),
        "aid": sorted(books.aid, key=lambda a: (a.term, a.student_id, a.posted_on)),
        "plan_schedules": [row for plan in sorted(books.plans, key=lambda p: (p.term, p.plan_id)) for row in plan.rows()],
        "cleared_draws": sorted(books.events, key=lambda e: (e.settled_on, e.reference)),
        "postings": sorted(books.postings, key=lambda p: (p.posted_on, p.reference)),
    }


def plain_money(cents: int) -> str:
    """Plain decimal with two places."""
    return f"{'-' if cents < 0 else ''}{abs(cents) // 100}.{abs(cents) % 100:02d}"


def plain_cell(name: str, value: object) -> str:
    """One cell as text: money as plain decimal, dates as ISO 8601, absent as nothing."""
    if value is None:
        return ""
    if name in MONEY and isinstance(value, int):
        return plain_money(value)
    return value.isoformat() if isinstance(value, date) else str(value)


def csv_text(headings: Sequence[str], rows: Sequence[Sequence[str]], delimiter: str = ",") -> str:
    """Rows as delimited text with plain line ends."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\n")
    writer.writerow(headings)
    writer.writerows(rows)
    return out.getvalue()


def write_text(path: Path, text: str, encoding: str = "utf-8") -> None:
    """Write bytes as they are: the same on every system."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode(encoding))


def write_standard(books: Books, folder: Path) -> None:
    """Write the five exports and control_totals.toml."""
    totals = ["# What each source system reported for its own export: rows, and the sum of the amounts.\n"]
    for export, rows in rows_of(books).items():
        names = [f.name for f in fields(EXPORT_ROWS[export])]
        cells = [[plain_cell(name, getattr(row, name)) for name in names] for row in rows]
        write_text(folder / f"{export}.csv", csv_text(names, cells))
        amount = plain_money(sum(row.amount for row in rows))
        totals.append(f'[{export}]\nrows = {len(rows)}\namount = "{amount}"\n')
    write_text(folder / "control_totals.toml", "\n".join(totals))


def write_planted(books: Books, path: Path) -> None:
    """Write what every planted case must come out as."""
    names = [f.name for f in fields(Planted)]
    cells = [[plain_cell(name, getattr(row, name)) for name in names] for row in books.planted]
    write_text(path, csv_text(names, cells))
