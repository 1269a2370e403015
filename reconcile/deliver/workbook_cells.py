r"""Cells and sheets of the workbook: text that stays text, ids with their zeros, money and dates with a format, pages that print.

An export can carry anything in its text. Here a text is only ever written as text: a spreadsheet shows `=1+1` and does not run it, also
after somebody has edited the cell. Breaks become spaces, characters that turn the reading direction become visible, and a text that is
longer than a cell may hold is cut where people see it.

    >>> cell_text("=1+1"), cell_text("a\u202eb"), cell_text("one\ntwo")
    ('=1+1', 'a\ufffdb', 'one two')
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd

from reconcile.deliver.csv_out import without_controls
from reconcile.dispositions import CUT
from reconcile.money import money_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from xlsxwriter.format import Format  # type: ignore[import-untyped]
    from xlsxwriter.workbook import Workbook  # type: ignore[import-untyped]
    from xlsxwriter.worksheet import Worksheet  # type: ignore[import-untyped]

MOST_TEXT: Final = 32_767
"""UTF-16 units that a cell holds; a spreadsheet says that a file with more is damaged."""
MOST_PLAIN: Final = 10_000
"""Below this a text of plain letters needs no closer look."""
MOST_CENTS: Final = 10**15
"""From here on fifteen figures do not hold every cent, so the amount stands as text."""
DAY_ZERO: Final = np.datetime64("1899-12-30", "D")
FIRST_DAY, LAST_DAY = np.datetime64("1900-03-01", "D"), np.datetime64("9999-12-31", "D")
"""Spreadsheets agree on the numbers of the days between; any other day is written as text."""

_NO_CHARACTERS: Final = re.compile("[\ud800-\udfff\ufffe\uffff]")
_MARKUP: Final = "<r>"
"""A text between this and its end would be taken for marked-up text by the library that writes the file; a space at its end prevents it."""


class Field(NamedTuple):
    """One column of a sheet: column of the table, kind of cell, width in characters, and how it is shown.

    kind:  `text`, `money`, `date`, `count`. look: `plain`, `wrap` (long text), `fill` (a person writes here), `hidden`.
    """

    name: str
    kind: str
    width: float
    look: str = "plain"
    heading: str = ""
    blank_zero: bool = False

    @property
    def title(self) -> str:
        """The heading as people read it."""
        return self.heading or heading_of(self.name)


def heading_of(name: str) -> str:
    """A column's name as a heading.

    >>> heading_of("student_id"), heading_of("how to mend it")
    ('Student id', 'How to mend it')
    """
    words = name.replace("_", " ")
    return words[:1].upper() + words[1:]


def cell_text(text: str) -> str:
    """The text as it may stand in a cell: on one line, without characters that hide or turn it, and cut where it is too long."""
    if len(text) < MOST_PLAIN and text.isascii() and text.isprintable() and not text.startswith(_MARKUP):
        return text
    text = _NO_CHARACTERS.sub("\ufffd", without_controls(text))
    if len(text) * 2 > MOST_TEXT and utf16_units(text) > MOST_TEXT:
        text = text.encode("utf-16-le")[: 2 * (MOST_TEXT - len(CUT))].decode("utf-16-le", "ignore") + CUT
    return text + " " if text.startswith(_MARKUP) else text


def utf16_units(text: str) -> int:
    """The length of a text as a spreadsheet counts it."""
    return len(text.encode("utf-16-le")) // 2


_FONT: Final = {"font_name": "Calibri", "font_size": 10, "valign": "top"}
_NUMBERS: Final = {"text": "@", "money": "#,##0.00_);-#,##0.00_)", "date": "yyyy-mm-dd", "count": "#,##0_)"}
INK, PALE, LINE, WRITE_HERE, WRITE_HEAD, ALARM = "#1D2B36", "#E4EAEE", "#B9C4CC", "#FFF8DF", "#F3DE94", "#9C1C1C"


@dataclass(frozen=True, eq=False)
class Looks:
    """The formats of a workbook, each made once; `cells` by kind and look, `ruled` with a line below."""

    cells: dict[tuple[str, str], Format]
    ruled: dict[tuple[str, str], Format]
    heading: Format
    heading_right: Format
    heading_fill: Format
    title: Format
    section: Format
    said: Format
    alarm: Format

    @classmethod
    def of(cls, book: Workbook) -> Looks:
        """The formats, added to the book."""

        def add(**more: object) -> Format:
            return book.add_format({**_FONT, **more})

        looks: dict[str, dict[str, object]] = {
            "plain": {},
            "wrap": {"text_wrap": True},
            "hidden": {},
            "fill": {"text_wrap": True, "bg_color": WRITE_HERE, "border": 1, "border_color": LINE},
        }
        kinds: dict[str, dict[str, object]] = {kind: {"num_format": code} for kind, code in _NUMBERS.items()}
        kinds["date"] |= {"align": "left", "indent": 1}
        line = {"bottom": 1, "bottom_color": LINE}
        head: dict[str, object] = {"bold": True, "text_wrap": True, "bottom": 1, "bottom_color": INK, "font_color": INK, "num_format": "@"}
        return cls(
            cells={(kind, look): add(**form, **more) for kind, form in kinds.items() for look, more in looks.items()},
            ruled={(kind, look): add(**line | form | more) for kind, form in kinds.items() for look, more in looks.items()},
            heading=add(bg_color=PALE, **head),
            heading_right=add(bg_color=PALE, align="right", **head),
            heading_fill=add(bg_color=WRITE_HEAD, **head),
            title=add(bold=True, font_size=16, font_color=INK),
            section=add(bold=True, font_size=12, font_color=INK),
            said=add(num_format="@"),
            alarm=add(num_format="@", bold=True, font_color=ALARM),
        )


ROWS_AT_A_TIME: Final = 10_000
LINE_POINTS: Final = 13.5
HEADING_POINTS: Final = 17.0
MOST_POINTS: Final = 400
"""Points of height of one line, and of the highest row that there may be."""


class Page:
    """A sheet that is written from top to bottom; what the library would refuse in silence is an error here.

    Errors:  ValueError if a cell lies outside the sheet or holds more than a cell can: a fault of ours.
    """

    def __init__(self, book: Workbook, looks: Looks, name: str) -> None:
        self.sheet: Worksheet = book.add_worksheet(name)
        self.looks = looks
        self.name = name

    def text(self, row: int, column: int, text: str, look: Format | None = None) -> None:
        """A text, as text whatever it looks like."""
        self._hold(self.sheet.write_string(row, column, cell_text(text), look or self.looks.cells["text", "plain"]), row, column)

    def number(self, row: int, column: int, number: float, look: Format) -> None:
        """A number with its format."""
        self._hold(self.sheet.write_number(row, column, number, look), row, column)

    def value(self, row: int, column: int, kind: str, value: object, look: str = "plain") -> None:
        """One value of a table: cents, a count, a text, or a day (nothing is written for an absent one)."""
        form = self.looks.cells[kind, look]
        for made in _made([value], kind, blank_zero=False):
            if isinstance(made, str):
                self.text(row, column, made, form)
            elif made is not None:
                self.number(row, column, made, form)

    def height(self, row: int, lines: int, points: float = LINE_POINTS) -> None:
        """Make a row, not yet written, high enough for so many lines: not every program does so by itself."""
        self.sheet.set_row(row, min(lines * points + 2, MOST_POINTS))

    def _headings(self, row: int, fields: Sequence[Field]) -> None:
        looks = self.looks
        self.height(row, max(lines_of(field.title, field.width - 1) for field in fields), HEADING_POINTS)
        for at, field in enumerate(fields):
            right = looks.heading if field.kind in {"text", "date"} else looks.heading_right
            self.text(row, at, field.title, looks.heading_fill if field.look == "fill" else right)

    def _hold(self, code: int, row: int, column: int) -> None:
        if code:
            raise ValueError(f"sheet {self.name}: the cell in row {row + 1}, column {column + 1} was refused ({code})")

    def table(self, table: pd.DataFrame, fields: Sequence[Field], first: int = 0, *, ruled: bool = False) -> int:
        """Headings in the row `first`, then the rows of the table; gives the row after the last.

        A table without rows leaves the headings alone. Absent texts and days, and zeros where the field says so, leave a cell empty.
        `ruled`: a line below each row, for rows of many lines.
        """
        self._headings(first, fields)
        looks = self.looks.ruled if ruled else self.looks.cells
        forms = [looks[field.kind, field.look] for field in fields]
        for start in range(0, len(table), ROWS_AT_A_TIME):
            part = table.iloc[start : start + ROWS_AT_A_TIME]
            columns = [_made(part[field.name], field.kind, blank_zero=field.blank_zero) for field in fields]
            self._rows(first + 1 + start, columns, fields, forms, blanks=ruled)
        return first + 1 + len(table)

    def _rows(self, row: int, columns: list[list[Any]], fields: Sequence[Field], forms: list[Format], *, blanks: bool) -> None:
        """Rows from `row` on; `blanks`: an empty cell has its format too."""
        write_text, write_number, write_blank = self.sheet.write_string, self.sheet.write_number, self.sheet.write_blank
        long = [(at, field.width) for at, field in enumerate(fields) if field.look in {"wrap", "fill"} and field.kind == "text"]
        for at_row, values in enumerate(zip(*columns, strict=True), row):
            if (lines := max((lines_of(values[at], width) for at, width in long), default=1)) > 1:
                self.height(at_row, lines)
            for at, value in enumerate(values):
                if value is None or value == "":
                    code = write_blank(at_row, at, None, forms[at]) if blanks else 0
                elif value.__class__ is str:
                    code = write_text(at_row, at, value, forms[at])
                else:
                    code = write_number(at_row, at, value, forms[at])
                if code:
                    self._hold(code, at_row, at)

    def ready(self, fields: Sequence[Field], last: int, *, freeze: int, first: int = 0, printed: int | None = None) -> None:
        """Widths, filter and frozen headings of a table whose last row is `last`; `printed`: so many columns go to paper."""
        for at, field in enumerate(fields):
            self.sheet.set_column(at, at, field.width, None, {"hidden": field.look == "hidden"} if field.look == "hidden" else {})
        self.sheet.autofilter(first, 0, max(last, first), len(fields) - 1)
        self.sheet.freeze_panes(first + 1, freeze)
        self.sheet.repeat_rows(first)
        if printed is not None:
            self.sheet.print_area(0, 0, max(last, first + 1), printed - 1)

    def prints(self, heading: str, run_hash: str, *, pages_wide: int = 1, pages_high: int = 0) -> None:
        """Landscape, so many pages wide and high (0: as many as it takes) on Letter and A4; what it is above, run and page number below."""
        sheet = self.sheet
        sheet.set_landscape()
        sheet.set_paper(LETTER)
        sheet.set_margins(left=0.4, right=0.4, top=0.65, bottom=0.65)
        sheet.fit_to_pages(pages_wide, pages_high)
        sheet.set_header(f"&L&9{heading.replace('&', '&&')}")
        sheet.set_footer(f"&L&7Run {run_hash}&R&9Page &P of &N")


def lines_of(text: str, width: float) -> int:
    """About how many lines a text takes in a column; rather one too many than a line that nobody can see.

    >>> lines_of("short", 10), lines_of("a sentence of some length", 10)
    (1, 3)
    """
    return max(1, math.ceil(len(text) * 0.88 / width)) if len(text) > width else 1


LETTER: Final = 1
"""The number of US Letter among paper sizes; a page that fits its width fits A4 too, and office programs turn one into the other."""


def _made(values: Iterable[Any], kind: str, *, blank_zero: bool) -> list[Any]:
    """The values of a column as the library takes them: text, a number, or None for an empty cell."""
    if kind == "text":
        return [cell_text(text) for text in values]
    if kind == "date":
        return _days(values)
    if kind == "count":
        return [None if blank_zero and not value else value for value in (int(v) for v in values)]
    return [None if blank_zero and not cents else _amount(cents) for cents in (int(v) for v in values)]


def _amount(cents: int) -> float | str:
    return cents / 100 if abs(cents) < MOST_CENTS else money_text(cents)


def _days(values: Iterable[Any]) -> list[float | str | None]:
    days = pd.Series(values, dtype="datetime64[s]").to_numpy().astype("datetime64[D]")
    numbers = (days - DAY_ZERO).astype(np.int64).tolist()
    plain = ((days >= FIRST_DAY) & (days <= LAST_DAY)).tolist()
    absent = np.isnat(days).tolist()
    return [
        number if ordinary else None if gone else str(day) for number, ordinary, gone, day in zip(numbers, plain, absent, days, strict=True)
    ]
