"""Text and tables as the packet's layout takes them: plain words that its fonts can show, figures as people read them.

The packet is read aloud too, and must say the same on every machine: what the fonts inside it cannot show stands as a replacement
character, control and direction characters never reach it.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from reconcile.deliver.csv_out import without_controls

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

_FONTS_LACK: Final = re.compile(
    "[^\\u0020-\\u007e\\u00a0-\\u024f\\u0386\\u0388-\\u038a\\u038c\\u038e-\\u03a1\\u03a3-\\u03ce\\u0400-\\u045f\\u1e80-\\u1ef9\\u2010-\\u2015\\u2018-\\u201e\\u2026\\u20ac\\ufffd]"
)
"""Everything but Latin, Greek and Cyrillic letters and usual signs: the fonts of the packet hold these, and not every other one."""
LONGEST: Final = 160
SHORT_HASH: Final = 12


@dataclass(frozen=True)
class Column:
    """A column of a table: its heading, whether figures stand in it (to the right), and its share of what room the others leave."""

    head: str
    right: bool = False
    wide: int = 0


@dataclass(frozen=True)
class Table:
    """A table: cells as text; `strong` gives the positions of rows that sum up others; size in points."""

    columns: Sequence[Column]
    rows: Sequence[Sequence[str]]
    title: str = ""
    below: str = ""
    strong: Sequence[int] = ()
    size: float = 9.0


@dataclass(frozen=True)
class Section:
    """A part of the packet: heading, sentences, tables, and points of a list."""

    title: str
    text: Sequence[str] = ()
    tables: Sequence[Table] = ()
    points: Sequence[str] = field(default=())

    def as_data(self) -> dict[str, Any]:
        """The section as the layout takes it."""
        return {
            "title": plain(self.title),
            "text": [plain(t) for t in self.text],
            "tables": [table_data(t) for t in self.tables],
            "list": [plain(p) for p in self.points],
        }


def table_data(table: Table) -> dict[str, Any]:
    """A table as the layout takes it; ValueError if a row has not a cell for each column (a fault of ours)."""
    if any(len(row) != len(table.columns) for row in table.rows):
        raise ValueError(f"a row of the packet's table {table.title!r} has too many or too few cells")
    return {
        "columns": [{"head": plain(c.head), "right": c.right, "wide": c.wide} for c in table.columns],
        "rows": [[plain(cell) for cell in row] for row in table.rows],
        "title": plain(table.title),
        "below": plain(table.below),
        "strong": list(table.strong),
        "size": table.size,
    }


def plain(text: str) -> str:
    r"""The text in one line, with letters that the packet's fonts hold alone.

    >>> plain("Zoe\u0308 \u202eX\n2"), plain("\u674e") == "\ufffd"
    ('Zoë �X 2', True)
    """
    return _FONTS_LACK.sub("\ufffd", unicodedata.normalize("NFC", without_controls(text)))


def cut(text: str, longest: int = LONGEST) -> str:
    """A text that has to fit into a cell, its middle left out if it is too long.

    >>> cut("charges from the registrar.csv", 15)
    'charge…rar.csv'
    """
    half = (longest - 1) // 2
    return text if len(text) <= longest else f"{text[: half - 1]}\u2026{text[-half:]}"


def day_text(day: date) -> str:
    """A day as it is read in a sentence.

    >>> from datetime import date
    >>> day_text(date(2026, 10, 31))
    '31 October 2026'
    """
    months = ["January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December"]
    return f"{day.day} {months[day.month - 1]} {day.year}"


def short_hash(sha256: str) -> str:
    """The first characters of a fingerprint: enough to hold one piece of paper against another."""
    return sha256[:SHORT_HASH]
