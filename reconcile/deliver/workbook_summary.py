"""The first sheet of the workbook: totals, a chart of pending against cleared money, how to work in it, and what must not be forgotten."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Final

import pandas as pd

from reconcile import figures
from reconcile.deliver.summary import CAUTION, coverage_words, rejected_money
from reconcile.deliver.workbook_cells import HEADING_POINTS, Page, heading_of
from reconcile.variance import CAUSES

if TYPE_CHECKING:
    from xlsxwriter.workbook import Workbook  # type: ignore[import-untyped]

    from reconcile.deliver.shown import Shown

SUMMARY: Final = "Summary"
RIGHT: Final = 7
"""Column where the chart begins, and below it how to work in the workbook."""
CHART_TOP, BELOW_CHART, NOTE_WIDTH = 5, 26, 95
MOST_NOTES: Final = 12
CLEARED, PENDING, LOST = "#1F5F6B", "#E7B84B", "#A63D2F"

SENTENCES: Final = (
    "Work the sheet Exceptions from the top: what is new stands first, the most harmful above.",
    "Beside an exception fill in the yellow columns (disposition, note, who, when), and save.",
    "The next run reads it back from this file in its run folder, or from a saved copy that",
    "is given with --notes. Sort, filter and move columns freely; keep the headings, and each",
    "Exception id in its row. A disposition that closes needs a name and a day.",
    "Cells that are cleared change nothing: to take a decision back, write another one.",
)
COUNTS: Final = frozenset({"students", "lines", "plans", *figures.STANDING_ORDER})
MONEY: Final = frozenset({"gap", "scheduled", "cleared", "amount", "pending", "failed or not seen"})


class _Pen:
    """What is to stand on the page, gathered block by block; a page is written from top to bottom, so it is put down at the end."""

    def __init__(self, page: Page, row: int = 0, column: int = 0) -> None:
        self.page, self.row, self.column = page, row, column
        self.cells: list[tuple[int, int, str, object, str]] = []

    def say(self, text: str, look: str = "said") -> None:
        """A line of text across the page."""
        self.cells.append((self.row, self.column, "say", text, look))
        self.row += 1

    def table(self, title: str, table: pd.DataFrame, none: str) -> int:
        """A titled table, or a sentence where it has no rows; gives its heading row."""
        self.row += 1
        self.say(title, "section")
        if not len(table):
            self.say(none)
            return -1
        heading = self.row
        kinds = ["money" if name in MONEY else "count" if name in COUNTS else "text" for name in table.columns]
        for at, (name, kind) in enumerate(zip(table.columns, kinds, strict=True)):
            look = "heading" if kind == "text" else "heading_right"
            self.cells.append((heading, self.column + at, "say", heading_of(str(name)), look))
        for values in table.itertuples(index=False):
            self.row += 1
            for at, (kind, value) in enumerate(zip(kinds, values, strict=True)):
                self.cells.append((self.row, self.column + at, kind, value, "plain"))
        self.row += 1
        return heading

    def put_down(self, other: _Pen) -> None:
        """Write what this and the other pen have gathered, row by row."""
        for row, column, kind, value, look in sorted((*self.cells, *other.cells), key=lambda cell: cell[:2]):
            if look.startswith("heading"):
                self.page.height(row, 1, HEADING_POINTS)
            if kind == "say":
                self.page.text(row, column, str(value), getattr(self.page.looks, look))
            else:
                self.page.value(row, column, kind, value, look)


def write_summary(page: Page, book: Workbook, shown: Shown) -> str:
    """Fill the first sheet; gives the range of cells that hold the words for a disposition, for the list to choose from."""
    sheet, tables = page.sheet, shown.tables
    sheet.hide_gridlines(2)
    sheet.set_column(0, 0, 27)
    sheet.set_column(1, RIGHT - 2, 16)
    sheet.set_column(RIGHT - 1, RIGHT - 1, 3)
    sheet.set_column(RIGHT, RIGHT, 24)
    sheet.set_column(RIGHT + 1, RIGHT + 4, 16)
    left = _Pen(page)
    _head(left, shown)
    left.table("Exceptions", figures.exception_totals(tables["exceptions"]), "No exceptions.")
    left.table("Is the bill covered?", _covered(shown), "No students in any term that the rules know.")
    left.table("What became of each plan line", figures.state_totals(tables["draws"]), "No plan lines.")
    left.table("Where plans and bills have parted", figures.variance_totals(tables["plans"]), "Nowhere: every plan meets its bill.")
    left.table("What moved plans and bills, also where they meet again", _plain_causes(tables["plans"]), "No cause has moved any plan.")
    dates = figures.pending_and_cleared(tables["draws"]).rename(columns={"date": "draw date", "lost": "failed or not seen"})
    heading = left.table("Pending and cleared, by draw date", dates, "No draws.")
    if heading >= 0:
        _chart(page, book, heading, len(dates))
    right = _Pen(page, BELOW_CHART, RIGHT)
    words = _how_to_work(right, shown)
    left.put_down(right)
    return words


def _covered(shown: Shown) -> pd.DataFrame:
    """How bills are covered, by term; one that is short and not due yet says so."""
    totals = figures.coverage_totals(shown.tables["students"])
    rows = zip(totals["term"], totals["coverage"], strict=True)
    words = [coverage_words(term, coverage, shown.about.not_due) for term, coverage in rows]
    return totals.assign(coverage=pd.Series(words, index=totals.index, dtype="str"))


def _plain_causes(plans: pd.DataFrame) -> pd.DataFrame:
    causes = figures.cause_totals(plans, CAUSES)
    return causes.assign(cause=causes["cause"].str.replace("_", " "))


def _head(pen: _Pen, shown: Shown) -> None:
    """What this is, what has to be known before any figure, and the cautions."""
    about = shown.about
    pen.page.sheet.set_row(0, 23)
    pen.say(f"Plan draws: {shown.kind} run as of {about.as_of}", "title")
    bank = "no bank events" if about.bank_first is None else f"bank files {about.bank_first} to {about.bank_last}"
    follows = f"follows {about.previous}" if about.previous else "no earlier run"
    pen.say(f"{bank[:1].upper()}{bank[1:]}; {follows}; program version {shown.version}")
    pen.say(f"Run hash {shown.run_hash}")
    pen.say(" ".join(CAUTION))
    if any(counted.rejected for counted in shown.totals.values()):
        pen.say(f"REJECTED AND LEFT OUT OF EVERY FIGURE: {rejected_money(shown.totals)}. See the sheet Rejected rows.", "alarm")
    if len(shown.tables["unread_notes"]):
        pen.say("Some of what was written in a workbook could not be read: see the sheet Not read back.", "alarm")


def _how_to_work(pen: _Pen, shown: Shown) -> str:
    """How the workbook is used, the words for a disposition, and the notes of the run; gives the range of the words."""
    pen.say("How to work in this workbook", "section")
    for sentence in SENTENCES:
        pen.say(sentence)
    words = [(word.word, "yes" if word.closes else "no") for word in shown.rules.exceptions.dispositions]
    heading = pen.table("Words for a disposition", pd.DataFrame(words, columns=["disposition", "closes"]), "")
    if shown.about.notes:
        pen.row += 1
        pen.say("Notes of the run", "section")
        for note in shown.about.notes[:MOST_NOTES]:
            for line in textwrap.wrap(note, NOTE_WIDTH):
                pen.say(line)
        if len(shown.about.notes) > MOST_NOTES:
            pen.say(f"and {len(shown.about.notes) - MOST_NOTES:,} more: all of them are in audit.json")
    return f"={SUMMARY}!$H${heading + 2}:$H${heading + 1 + len(words)}"


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
    page.sheet.insert_chart(CHART_TOP, RIGHT, chart, {"description": described, "object_position": 2})
