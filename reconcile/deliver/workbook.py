"""The workbook of a run: what an analyst works in, and what goes to paper when someone asks for it.

A sheet of totals, then the exception list in the order in which it is worked, then the tables behind it. The analyst writes beside an
exception what was decided (disposition, note, who, when) and saves; the next run reads it back (`workbook_notes`). Every figure comes
from the tables of the run or from `figures`; nothing is worked out here, and there is no formula in it. The same run gives the same bytes.
"""

from __future__ import annotations

from datetime import UTC, datetime, time
from typing import TYPE_CHECKING, Final

import pandas as pd
import xlsxwriter  # type: ignore[import-untyped]

from reconcile import figures
from reconcile.deliver.workbook_cells import Field, Looks, Page, cell_text
from reconcile.deliver.workbook_sheets import EXCEPTION_FIELDS, PRINTED_EXCEPTIONS, RULED, TABLES, TWO_PAGES, UNREAD
from reconcile.deliver.workbook_summary import SUMMARY, write_summary
from reconcile.dispositions import written_mark

if TYPE_CHECKING:
    from pathlib import Path

    from xlsxwriter.workbook import Workbook  # type: ignore[import-untyped]

    from reconcile.deliver.shown import Shown

WORKBOOK: Final = "workbook.xlsx"
EXCEPTIONS: Final = "Exceptions"
MOST_ROWS: Final = 200_000
"""Rows of a table that a sheet shows; a spreadsheet becomes slow beyond, and ends at 1,048,576."""


def write_workbook(shown: Shown, path: Path) -> None:
    """Write the workbook of a run to a file that does not exist yet.

    In:      a run as it is shown; money in cents.
    Keeps:   every row of the exception list, and of every other table up to MOST_ROWS, with a line that says where the rest is.
    Errors:  FileExistsError if the file is there; ValueError if a cell is refused: a fault of ours.
    """
    path.open("xb").close()
    options = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        looks = Looks.of(book)
        heading = f"Plan draws, {shown.kind} run as of {shown.about.as_of}"
        book.set_properties(
            {
                "title": heading,
                "comments": f"Run hash {shown.run_hash}",
                "created": datetime.combine(shown.about.as_of, time(), UTC).replace(tzinfo=None),
            }
        )
        pages = [Page(book, looks, name) for name in (SUMMARY, EXCEPTIONS, *TABLES)]
        words = write_summary(pages[0], book, shown)
        _exceptions(pages[1], shown, words)
        for page in pages[2:]:
            _table(page, shown, *TABLES[page.name])
        if len(shown.tables[UNREAD[1]]):
            pages.append(_unread(book, looks, shown))
        for page in pages:
            wide, high = 2 if page.name in TWO_PAGES else 1, int(page.name == SUMMARY)
            page.prints(f"{heading}: {page.name}", shown.run_hash, pages_wide=wide, pages_high=high)


def _exceptions(page: Page, shown: Shown, words: str) -> None:
    """The exception list, with lists to choose from where a person writes."""
    table = figures.in_order_of_work(shown.tables["exceptions"])
    table = _named(table.assign(as_written=_marks(table)), shown)
    fields = _with_names(EXCEPTION_FIELDS, shown)
    last = page.table(table, fields, ruled=True) - 1
    if not len(table):
        page.text(1, 0, "No exceptions in this run.", page.looks.said)
    else:
        place = {field.name: at for at, field in enumerate(fields)}
        _choices(page, last, place, words)
    more = int("student_name" in place_names(fields))
    page.ready(fields, last, freeze=4 + more, printed=PRINTED_EXCEPTIONS + more)


def _choices(page: Page, last: int, place: dict[str, int], words: str) -> None:
    """What may be written beside an exception: a word of the rules, and a day that is a day."""
    page.sheet.data_validation(
        1,
        place["disposition"],
        last,
        place["disposition"],
        {
            "validate": "list",
            "source": words,
            "input_title": "Disposition",
            "input_message": "Choose a word. The list, and which words close an exception, stand on the first sheet.",
            "error_title": "Not a disposition",
            "error_message": "Choose one of the words of the list. They are set in rules/exceptions.toml.",
        },
    )
    page.sheet.data_validation(
        1,
        place["decided_on"],
        last,
        place["decided_on"],
        {
            "validate": "date",
            "criteria": "between",
            "minimum": datetime(2000, 1, 1),  # noqa: DTZ001 (a spreadsheet's day has no time zone)
            "maximum": datetime(2100, 12, 31),  # noqa: DTZ001
            "error_title": "Not a day",
            "error_message": "Write the day of the decision as a date, such as 2026-10-15.",
        },
    )


def _marks(table: pd.DataFrame) -> pd.Series:
    """What tells the next run whether a person changed what is written in a row."""
    on = table["decided_on"].dt.strftime("%Y-%m-%d").fillna("")
    rows = zip(table["exception_id"], table["disposition"], table["note"], table["decided_by"], on, strict=True)
    return pd.Series([written_mark(cell_text(id_), *(cell_text(word) for word in words)) for id_, *words in rows], dtype="str")


def _table(page: Page, shown: Shown, name: str, freeze: int, fields: tuple[Field, ...]) -> None:
    table = figures.failed_draws(shown.tables["draws"], shown.tables["exceptions"]) if name == "failed draws" else shown.tables[name]
    if "student_id" in table.columns:
        table, fields = _named(table, shown), _with_names(fields, shown)
        freeze += int("student_name" in place_names(fields))
    cut = table.iloc[:MOST_ROWS]
    after = page.table(cut, fields, ruled=page.name in RULED)
    if not len(table):
        page.text(1, 0, "None in this run.", page.looks.said)
    page.ready(fields, after - 1, freeze=freeze)
    if len(table) > len(cut):
        rest = f"{len(table) - len(cut):,} more of {len(table):,} rows are not shown here: all of them are in {name}.csv."
        page.text(after, 0, rest, page.looks.alarm)
    if page.name in TWO_PAGES:
        page.sheet.repeat_columns(0, freeze - 1)


def _unread(book: Workbook, looks: Looks, shown: Shown) -> Page:
    name, table, fields = UNREAD
    page = Page(book, looks, name)
    page.ready(fields, page.table(shown.tables[table], fields, ruled=True) - 1, freeze=0)
    return page


def place_names(fields: tuple[Field, ...]) -> tuple[str, ...]:
    """The columns of a sheet by the names of the table."""
    return tuple(field.name for field in fields)


def _with_names(fields: tuple[Field, ...], shown: Shown) -> tuple[Field, ...]:
    """The fields with the student's name behind the student id, where the run shows names."""
    if not shown.names:
        return fields
    at = place_names(fields).index("student_id") + 1
    return (*fields[:at], Field("student_name", "text", 20), *fields[at:])


def _named(table: pd.DataFrame, shown: Shown) -> pd.DataFrame:
    if not shown.names:
        return table
    return table.assign(student_name=table["student_id"].map(shown.names).fillna("").astype("str"))
