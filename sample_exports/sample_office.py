"""The same facts as an office really gets them: its own headings and codes, titles over the tables, totals at the foot, text amounts.

Nine files and a column map that says what they mean. Workbooks are written without compression and with fixed times, so that the same
bytes come out on every machine.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from openpyxl import Workbook
from openpyxl.styles import Font
from openpyxl.utils import get_column_letter
from sample_college import FALL, SPRING, SUMMER
from sample_office_map import OFFICE_MAP
from sample_standard import plain_money, rows_of, write_text

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from sample_college import Award, Books, Charge, Event, Posting, ScheduleRow

TITLE = "Harrowmere College"
TERMS = {FALL: "Fall 26", SPRING: "Spring 27", SUMMER: "Summer 27"}
CHARGE_CODES = {
    "tuition": "TUI", "housing": "RES", "meal plan": "DIN", "student fee": "ACT", "course fee": "CRS", "library fine": "LBF",
    "parking fine": "PKF",
}  # fmt: skip
ENTRY_CODES = {
    "plan draw": "PLN", "payment": "PAY", "waiver": "WVR", "sponsor": "SPR", "refund": "RFD", "brought forward": "BFW",
}  # fmt: skip
FUNDS = {
    "college scholarship": "Harrowmere Scholarship", "federal loan": "Federal loan, undergraduate", "federal grant": "Federal grant",
    "state grant": "State tuition grant", "private loan": "Private loan", "work-study": "Student employment",
}  # fmt: skip
STAGES = {"estimated": "Estimate", "anticipated": "Awaited", "disbursed": "Paid", "cancelled": "Withdrawn"}
LINE_TYPES = {"draw": "Monthly", "down payment": "First payment", "fee": "Joining fee"}
EVENT_TYPES = {"draw": "MTH", "down payment": "FST", "fee": "JNF", "payment": "ONE", "": ""}
BELIEFS = {"pending": "To come", "posted": "Done", "failed": "Bounced", "": ""}
RAILS = {"bank": "EFT", "card": "CRD", "": ""}

LEDGER_SPLIT = date(2026, 10, 1)
BANK_FILES = (
    ("bank 2026-07 enrollment.csv", date(2026, 8, 10)),
    ("bank 2026-08-10.csv", date(2026, 9, 10)),
    ("bank 2026-09-10.csv", date(2026, 10, 10)),
    ("bank 2026-10-10.xlsx", date(2026, 11, 9)),
    ("bank 2026-11-10.csv", date(2027, 1, 1)),
)
"""Each bank file and the day before which its events settled; November's begins with copies of October's last events."""
COPIES = 7


@dataclass(frozen=True)
class Number:
    """A workbook cell stored as a number, shown by a format."""

    value: int | str
    shown_as: str


def dollars(cents: int) -> str:
    """As a ledger writes it: `$1,234.50`, negative in parentheses."""
    text = f"{abs(cents) // 100:,}.{abs(cents) % 100:02d}"
    return f"({text})" if cents < 0 else f"${text}"


def trailing(cents: int) -> str:
    """As an old ledger writes it: `1,234.50`, negative with the minus behind."""
    return f"{abs(cents) // 100:,}.{abs(cents) % 100:02d}{'-' if cents < 0 else ''}"


def month_first(day: date) -> str:
    """`11/12/2026` for 12 November."""
    return f"{day.month:02d}/{day.day:02d}/{day.year}"


def _iso(day: date | None) -> str:
    return day.isoformat() if day else ""


def _separated(headings: Sequence[str], rows: Sequence[Sequence[str]], titles: Sequence[str], delimiter: str) -> str:
    """Text with its title lines, and with the line ends of the system that wrote it."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\r\n")
    for title in titles:
        writer.writerow([title, *[""] * (len(headings) - 1)])
    writer.writerow(headings)
    writer.writerows(rows)
    return out.getvalue()


def write_office(books: Books, folder: Path) -> None:
    """Write the office's files into `office` and its column map beside them."""
    office = folder / "office"
    rows = rows_of(books)
    _write_ledger(rows["charges"], rows["postings"], office)
    _write_awards(rows["aid"], office / "award list.xlsx")
    _write_agreements(rows["plan_schedules"], office)
    _write_bank(rows["cleared_draws"], office)
    write_text(folder / "office_map.toml", OFFICE_MAP)


def _write_ledger(charges: Sequence[Charge], postings: Sequence[Posting], office: Path) -> None:
    """One extract for charges and credits, told apart by a code; credits carry the other sign, as ledgers have them."""
    headings = ("SID", "Period", "Entry date", "Class", "Code", "Memo", "Amount", "Doc no.")
    for name, early, money, delimiter, encoding, titles in (
        ("ledger extract to September.txt", True, dollars, "\t", "cp1252", (TITLE, "Student ledger, July to September 2026")),
        ("ledger extract from October.csv", False, trailing, ",", "utf-8", ()),
    ):
        lines = [
            (
                c.posted_on,
                0,
                [c.student_id, TERMS[c.term], _iso(c.posted_on), "CHG", CHARGE_CODES[c.charge_type], c.description, money(c.amount), ""],
            )
            for c in charges
            if (c.posted_on < LEDGER_SPLIT) == early
        ] + [
            (p.posted_on, 1, [p.student_id, TERMS[p.term], _iso(p.posted_on), ENTRY_CODES[p.kind], "", "", money(-p.amount), p.reference])
            for p in postings
            if (p.posted_on < LEDGER_SPLIT) == early
        ]
        lines.sort(key=lambda line: line[:2])
        total = sum(c.amount for c in charges if (c.posted_on < LEDGER_SPLIT) == early)
        total -= sum(p.amount for p in postings if (p.posted_on < LEDGER_SPLIT) == early)
        rows = [*[cells for _, _, cells in lines], ["Total", "", "", "", "", "", money(total), ""]]
        write_text(office / name, _separated(headings, rows, titles, delimiter), encoding)


def _write_awards(awards: Sequence[Award], path: Path) -> None:
    headings = ("Student no.", "Period", "Award", "Stage", "Award amount", "Entered", "Paid on", "Due on", "Withdrawn on")
    rows = [
        (
            _number(a.student_id),
            TERMS[a.term],
            FUNDS[a.fund],
            STAGES[a.status],
            _amount(a.amount),
            a.posted_on,
            a.disbursed_on,
            a.expected_on,
            a.cancelled_on,
        )
        for a in awards
    ]
    foot = ("Grand total", None, None, None, _amount(sum(a.amount for a in awards)), None, None, None, None)
    _write_workbook(path, "Awards", "Award list, 24 November 2026", headings, [*rows, foot])


def _write_agreements(lines: Sequence[ScheduleRow], office: Path) -> None:
    """Fall agreements as text with a byte order mark and day numbers spelled out, spring's as a workbook."""
    headings = (
        "Agreement", "Student no.", "Payer", "Period", "Signed on", "Agreement total", "Part", "Taken on", "Part amount", "Type", "Paid by",
        "Standing", "Stopped on", "Total set on", "Account authorised on", "System says", "Trace",
    )  # fmt: skip

    def cells(
        row: ScheduleRow, student: Callable[[str], Any], amount: Callable[[int], Any], day: Callable[[date | None], Any]
    ) -> list[Any]:
        return [
            row.plan_id, student(row.student_id), row.student_name, TERMS[row.term], day(row.enrolled_on), amount(row.plan_total), row.line,
            day(row.draw_date), amount(row.amount), LINE_TYPES[row.kind], RAILS[row.method],
            "Stopped" if row.line_status == "cancelled" else "Open", day(row.cancelled_on), day(row.set_on), day(row.consent_on),
            BELIEFS[row.schedule_says], row.reference,
        ]  # fmt: skip

    fall = [cells(row, str, dollars, _iso) for row in lines if row.term == FALL]
    write_text(office / "plan agreements fall.csv", _separated(headings, fall, (), ","), "utf-8-sig")
    spring = [cells(row, _number, _amount, lambda day: day) for row in lines if row.term == SPRING]
    _write_workbook(office / "plan agreements spring.xlsx", "Agreements", "Plan agreements, spring 2027", headings, spring)


def _write_bank(events: Sequence[Event], office: Path) -> None:
    """One file for each draw date; the column of masked accounts is nobody's business and is left out by the map."""
    headings = (
        "Effective", "Trace", "Agreement", "Student no.", "Part", "Type", "Rail", "Gross", "Result", "Reason", "Trace of original",
        "Payer account",
    )  # fmt: skip
    begin = date(2026, 1, 1)
    copies: list[Event] = []
    for name, end in BANK_FILES:
        own = [e for e in events if begin <= e.settled_on < end]
        day = {"bank 2026-09-10.csv": month_first, "bank 2026-11-10.csv": month_first}.get(name, _iso)
        if name.endswith(".xlsx"):
            rows = [_bank_cells(e, _number, _amount, lambda day: day) for e in own]
            foot = ["Total", *[None] * 6, _amount(sum(e.amount for e in own)), *[None] * 4]
            _write_workbook(office / name, "Settlement", "Settlement report, draws of 10 October 2026", headings, [*rows, foot])
        else:
            text = [_bank_cells(e, str, dollars, day) for e in (*copies, *own)]
            write_text(office / name, _separated(headings, text, (), ";" if name == "bank 2026-09-10.csv" else ","))
        copies = [e for e in own if e.outcome == "cleared"][-COPIES:] if name == "bank 2026-10-10.xlsx" else []
        begin = end


def _bank_cells(event: Event, student: Callable[[str], Any], amount: Callable[[int], Any], day: Callable[[date], Any]) -> list[Any]:
    """One event in the bank's own words; a return without a bank's code letter is a decline."""
    result = {"cleared": "PAID", "refunded": "GIVEN BACK", "returned": "DECLINED" if event.return_code.isdecimal() else "SENT BACK"}
    tail = sum(map(ord, event.plan_id + event.student_id)) % 10000
    return [
        day(event.settled_on), event.reference, event.plan_id, student(event.student_id) if event.student_id else "", event.line,
        EVENT_TYPES[event.kind], RAILS[event.method], amount(event.amount), result[event.outcome], event.return_code,
        event.original_reference, f"XXXXXX{tail:04d}",
    ]  # fmt: skip


def _number(student_id: str) -> Number:
    """A student id as workbooks keep it: a number whose format shows the leading zeros."""
    return Number(int(student_id), "00000000")


def _amount(cents: int) -> Number:
    return Number(plain_money(cents), "$#,##0.00")


def _write_workbook(path: Path, sheet: str, title: str, headings: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """A sheet with two merged title rows, a blank row, headings in row 4, and the rows."""
    book = Workbook()
    page = book.active
    if page is None:
        raise ValueError("a new workbook has a first sheet")
    page.title = sheet
    for row, text in ((1, TITLE), (2, title)):
        page.merge_cells(start_row=row, start_column=1, end_row=row, end_column=len(headings))
        page.cell(row, 1, text).font = Font(bold=True)
    for column, heading in enumerate(headings, start=1):
        page.cell(4, column, heading).font = Font(bold=True)
        page.column_dimensions[get_column_letter(column)].width = max(12, len(heading) + 2)
    for at, cells in enumerate(rows, start=5):
        for column, value in enumerate(cells, start=1):
            if value is None or value == "":
                continue
            if isinstance(value, Number):
                cell = page.cell(at, column)
                cell.value = int(value.value) if isinstance(value.value, int) else float(value.value)
                cell.number_format = value.shown_as
            else:
                cell = page.cell(at, column, value)
                if isinstance(value, date):
                    cell.number_format = "mmm d, yyyy"
                else:
                    cell.data_type = "s"  # text stays text, whatever it looks like
    page.freeze_panes = "A5"
    raw = io.BytesIO()
    book.save(raw)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(_without_clock(raw.getvalue()))


def _without_clock(workbook: bytes) -> bytes:
    """The same workbook with fixed times inside, uncompressed: no clock and no compression library shows in its bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(workbook)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as new:
        for name in sorted(old.namelist(), key=lambda n: (n != "[Content_Types].xml", n)):
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb">[0-9-]{10}T[0-9:]{8}Z<", b">2026-11-24T08:00:00Z<", content)
            entry = zipfile.ZipInfo(name, (2026, 11, 24, 8, 0, 0))
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            new.writestr(entry, content)
    return out.getvalue()
