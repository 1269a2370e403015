"""The first sheet of the workbook: totals, a chart of pending against cleared money, how to work in it, and what must not be forgotten."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from reconcile import figures
from reconcile.deliver.summary import CAUTION, rejected_money
from reconcile.deliver.workbook_cells import Page, heading_of

if TYPE_CHECKING:
    import pandas as pd
    from xlsxwriter.workbook import Workbook  # type: ignore[import-untyped]

    from reconcile.deliver.shown import Shown

SUMMARY: Final = "Summary"
CHART_AT: Final = 8
"""Column where the chart begins, right of the tables."""
CLEARED, PENDING, LOST = "#1F5F6B", "#E7B84B", "#A63D2F"

SENTENCES: Final = (
    "Work the sheet Exceptions from the top. Beside an exception fill in the yellow columns (disposition, note, who, when), and save.",
    "The next run reads it back from this file in its run folder, or from a saved copy given with --notes. Sort, filter and move columns",
    "freely; keep the headings, and each Exception id in its row. A disposition that closes an exception needs a name and a day.",
)
COUNTS: Final = frozenset({"students", "lines", "plans", "open", *figures.STANDING_ORDER})
MONEY: Final = frozenset({"gap", "scheduled", "cleared", "amount", "pending", "lost"})


@dataclass
class _Pen:
    """Where on the page the next line goes."""

    page: Page
    row: int = 0

    def say(self, text: str, look: str = "said") -> None:
        """A line of text across the page."""
        self.page.text(self.row, 0, text, getattr(self.page.looks, look))
        self.row += 1

    def table(self, title: str, table: pd.DataFrame, none: str) -> int:
        """A titled table, or a sentence where it has no rows; gives its heading row."""
        self.row += 1
        self.say(title, "section")
        if not len(table):
            self.say(none)
            return -1
        heading = self.row
        for at, name in enumerate(table.columns):
            self.page.text(heading, at, heading_of(str(name)), self.page.looks.heading)
        for values in table.itertuples(index=False):
            self.row += 1
            for at, (name, value) in enumerate(zip(table.columns, values, strict=True)):
                self.page.value(self.row, at, "money" if name in MONEY else "count" if name in COUNTS else "text", value)
        self.row += 1
        return heading


def write_summary(page: Page, book: Workbook, shown: Shown) -> str:
    """Fill the first sheet; gives the range of cells that hold the words for a disposition, for the list to choose from."""
    sheet, tables, about = page.sheet, shown.tables, shown.about
    sheet.hide_gridlines(2)
    sheet.set_column(0, 0, 30)
    sheet.set_column(1, CHART_AT - 1, 14)
    pen = _Pen(page)
    pen.say(f"Plan draws: {shown.kind} run as of {about.as_of}", "title")
    bank = "no bank events" if about.bank_first is None else f"bank files {about.bank_first} to {about.bank_last}"
    pen.say(f"{bank}; {f'follows {about.previous}' if about.previous else 'no earlier run'}; program version {shown.version}")
    pen.say(f"Run hash {shown.run_hash}")
    if any(counted.rejected for counted in shown.totals.values()):
        pen.say(f"REJECTED AND LEFT OUT OF EVERY FIGURE: {rejected_money(shown.totals)}. See the sheet Rejected rows.", "alarm")
    if len(tables["unread_notes"]):
        pen.say("Some of what was written in a workbook could not be read: see the sheet Not read back.", "alarm")

    dates = figures.pending_and_cleared(tables["draws"])
    pen.table("Exceptions", figures.exception_totals(tables["exceptions"]), "No exceptions.")
    pen.table("Is the bill covered?", figures.coverage_totals(tables["students"]), "No students in any term that the rules know.")
    pen.table("What became of each plan line", figures.state_totals(tables["draws"]), "No plan lines.")
    pen.table("Where plans and bills have parted", figures.variance_totals(tables["plans"]), "Nowhere: every plan meets its bill.")
    named = dates.rename(columns={"date": "draw date", "lost": "failed or not seen"})
    heading = _money_table(pen, "Pending and cleared, by draw date", named)
    if heading >= 0:
        _chart(page, book, heading, len(dates))
    words = _how_to_work(pen, shown)
    pen.row += 1
    for note in about.notes:
        pen.say(f"Note: {note}")
    pen.row += 1
    for line in CAUTION:
        pen.say(line)
    return words


def _money_table(pen: _Pen, title: str, table: pd.DataFrame) -> int:
    """A table of which every column but the first is money; gives its heading row, or -1 where it has no rows."""
    pen.row += 1
    pen.say(title, "section")
    if not len(table):
        pen.say("No draws.")
        return -1
    heading = pen.row
    for at, name in enumerate(table.columns):
        pen.page.text(heading, at, heading_of(str(name)), pen.page.looks.heading)
    for values in table.itertuples(index=False):
        pen.row += 1
        for at, value in enumerate(values):
            pen.page.value(pen.row, at, "money" if at else "text", value)
    pen.row += 1
    return heading


def _how_to_work(pen: _Pen, shown: Shown) -> str:
    """How the workbook is used, and the words for a disposition; gives their range."""
    pen.row += 1
    pen.say("How to work in this workbook", "section")
    for sentence in SENTENCES:
        pen.say(sentence)
    pen.row += 1
    for at, name in enumerate(("Disposition", "Closes the exception")):
        pen.page.text(pen.row, at, name, pen.page.looks.heading)
    first = pen.row + 1
    for word in shown.rules.exceptions.dispositions:
        pen.row += 1
        pen.page.text(pen.row, 0, word.word)
        pen.page.text(pen.row, 1, "yes" if word.closes else "no")
    last = pen.row
    pen.row += 1
    return f"={SUMMARY}!$A${first + 1}:$A${last + 1}"


def _chart(page: Page, book: Workbook, heading: int, rows: int) -> None:
    """Stacked columns beside the tables: what each draw date has brought, what it is still to bring, and what did not come."""
    chart = book.add_chart({"type": "column", "subtype": "stacked"})
    first, last = heading + 1, heading + rows
    for column, name, colour in ((1, "Cleared", CLEARED), (2, "Pending", PENDING), (3, "Failed or not seen", LOST)):
        chart.add_series(
            {
                "name": name,
                "categories": [SUMMARY, first, 0, last, 0],
                "values": [SUMMARY, first, column, last, column],
                "fill": {"color": colour},
                "border": {"color": "#FFFFFF", "width": 0.5},
                "gap": 60,
            }
        )
    chart.set_title(
        {"name": "Pending becomes cleared: draws by draw date", "name_font": {"size": 12, "color": "#1D2B36"}, "overlay": False}
    )
    chart.set_legend({"position": "bottom"})
    chart.set_x_axis({"num_font": {"rotation": -45, "size": 9}, "text_axis": True})
    chart.set_y_axis({"num_format": "#,##0", "num_font": {"size": 9}, "major_gridlines": {"visible": True, "line": {"color": "#D5DCE1"}}})
    chart.set_size({"width": 620, "height": 380})
    described = "Stacked columns: for each draw date the money cleared, pending, and failed or not seen. The figures stand in the table."
    page.sheet.insert_chart(4, CHART_AT, chart, {"description": described, "object_position": 2})
