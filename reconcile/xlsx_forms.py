r"""Is a workbook's XML of the plain form that both libraries read alike? A grammar, held against every byte of it.

Workbooks are read by two libraries: an exact and slow one, and a fast one (`xlsx_fast`) that hides some of what a cell is. The fast one
is used only for sheets in which nothing can be hidden or differ. That is not guessed from a sample: every row must be written as the
usual programs write rows, cell by cell in order, with nothing in it but

- numbers of up to fifteen figures before the point, in a style that is neither a date nor writes leading zeros;
- whole days between 10000 and 99999 (1927 to 2173) in a style that is a date;
- texts without formatted pieces, without white space at either end, without escapes such as `_x000D_` or character references;
- TRUE and FALSE, blanks, and formulas with a result of one of these kinds.

Everything else (error cells, times, an unknown attribute, a comment) makes the answer no, which costs time and nothing more.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple
from xml.parsers import expat

from openpyxl.utils import column_index_from_string, get_column_letter

if TYPE_CHECKING:
    from collections.abc import Iterable

_MAIN = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
_LOOKED_AT = 1 << 17
"""Bytes of the first rows in which the last column is looked for."""
_SPARE = 4
"""Columns that later rows may go beyond it."""
MOST_WIDTH = 120
MOST_STYLES = 400
"""Styles that are dates or refused, before the grammar would grow too large."""

_ATTRIBUTES = rb"(?: (?!xmlns[=:])[\w:]++=\"[^\"<>&]*+\")*+ ?+"
_WIDE = rb"\xe1\x9a\x80|\xe2\x80[\x80-\x8a\xa8\xa9\xaf]|\xe2\x81\x9f|\xe3\x80\x80"
_TEXT = rb"(?![ \t\n]|\xc2[\x85\xa0]|" + _WIDE + rb")[^<\r]*+(?<![ \t\n])(?<!\xc2[\x85\xa0])(?<!" + _WIDE + rb")"
"""A text, empty or not, that neither begins nor ends with what Python or XML take for white space."""
_T = rb"<t(?: xml:space=\"preserve\")?+>" + _TEXT + rb"</t>"
_FORMULA = rb"(?:<f" + _ATTRIBUTES + rb"(?:/>|>[^<]*+</f>))?+"
_NUMBER = rb"-?+[0-9]{1,15}+(?:\.[0-9]++)?+(?:[eE][-+]?+[0-9]++)?+"
_STYLE = rb"(?: s=\"[0-9]{1,5}+\")?+"

_DECLARED = re.compile(rb"<\?xml [^<>]*?encoding=[\"'](?!utf-8[\"'])", re.IGNORECASE)
_STRINGS = re.compile(
    rb"(?:<\?xml [^<>]*+>\s*+)?+<sst(?P<attributes>(?: [\w:]++=\"[^\"<>&]*+\")*+) ?+(?:/>|>(?:<si>" + _T + rb"</si>)*+</sst>)\s*+"
)
_ESCAPE = re.compile(rb"_x[0-9A-Fa-f]{4}_|x005F_")
_REFERENCE = re.compile(rb"&(?!(?:amp|lt|gt|quot|apos);)")
_COLUMN = re.compile(rb"<c r=\"([A-Z]{1,3})[0-9]")
_STYLES = re.compile(rb" s=\"([0-9]+)\"")


class SheetForm(NamedTuple):
    """A plain sheet: how many columns it can have at most, and its XML without the rows."""

    width: int
    frame: bytes


class Styles(NamedTuple):
    """Numbers of a workbook's cell styles: those that are days, those that no number may have here, and how many there are."""

    days: frozenset[int]
    refused: frozenset[int]
    known: int


def plain_strings(xml: bytes) -> bool:
    """Whether the shared texts of a workbook are all plain."""
    held = None if _DECLARED.match(xml) or _unsure(xml) else _STRINGS.fullmatch(xml)
    return held is not None and held["attributes"].count(_MAIN) == 1 and _WellFormed().takes(xml, last=True)


def plain_sheet(pieces: Iterable[bytes], styles: Styles) -> SheetForm | None:
    """The form of a sheet if it is plain, else None.

    In:      its XML in pieces that end with a row's end, the last with the end of the part.
    """
    if len(styles.days) + len(styles.refused) > MOST_STYLES:
        return None
    checked, used = _WellFormed(), {0}
    before = after = b""
    width = 0
    row: re.Pattern[bytes] | None = None
    for piece in pieces:
        if after or (piece and not checked.takes(piece, last=False)):
            return None
        rows = piece
        if row is None:
            before, opened, rows = piece.partition(b"<sheetData>")
            width = _width(rows)
            if not opened or not _plain_start(before) or not 0 < width <= MOST_WIDTH:
                return None
            before += opened
            row = _row_pattern(width, styles.days, styles.refused)
        rows, closed, rest = rows.partition(b"</sheetData>")
        if _unsure(rows) or b"<!" in rest or not _all_rows(row, rows):
            return None
        used.update(_STYLES.findall(rows))
        after = closed + rest
    if not after or not checked.takes(b"", last=True) or max(map(int, used)) >= styles.known:
        return None
    return SheetForm(width, before + after)


def _plain_start(before: bytes) -> bool:
    """Whether what stands before the rows leaves no doubt of encoding and namespace."""
    return (
        before.startswith((b"<?xml ", b"<worksheet "))
        and not _DECLARED.match(before)
        and b"<!" not in before
        and before.count(b"<worksheet ") == 1
        and before.count(b"xmlns=") == before.count(_MAIN) == 1
    )


def _width(rows: bytes) -> int:
    """Columns that the grammar allows for: those of the first rows and a few more."""
    letters = set(_COLUMN.findall(rows, 0, _LOOKED_AT))
    return max((column_index_from_string(letter.decode()) for letter in letters), default=0) + _SPARE


def _unsure(xml: bytes) -> bool:
    """Whether texts hold escapes or references that the libraries may take for different characters."""
    escaped = (b"_x" in xml or b"x005F_" in xml) and _ESCAPE.search(xml)
    return bool(escaped or (b"&" in xml and _REFERENCE.search(xml)))


def _all_rows(row: re.Pattern[bytes], rows: bytes) -> bool:
    """Whether these bytes are plain rows and nothing else."""
    at = 0
    while at < len(rows):
        found = row.match(rows, at)
        if found is None:
            return False
        at = found.end()
    return True


@lru_cache(maxsize=16)
def _row_pattern(width: int, days: frozenset[int], refused: frozenset[int]) -> re.Pattern[bytes]:
    """One row: its cells in the order of their columns, each at most once, and each with the row's own number."""
    no_number = _either(days | refused)
    barred = rb"(?!(?:" + no_number + rb")\")" if no_number else b""
    forms = [
        _STYLE + rb"(?: t=\"s\"><v>[0-9]{1,9}+</v></c>| t=\"inlineStr\"><is>" + _T + rb"</is></c>)",
        rb"(?: s=\"" + barred + rb"[0-9]{1,5}+\")?+(?: t=\"n\")?+>" + _FORMULA + rb"<v>" + _NUMBER + rb"</v></c>",
        _STYLE + rb"(?:(?: t=\"(?:n|inlineStr)\")?+(?: ?/>|></c>)| t=\"b\">" + _FORMULA + rb"<v>[01]</v></c>)",
        _STYLE + rb" t=\"str\">" + _FORMULA + rb"<v(?: ?/>|>" + _TEXT + rb"</v>)</c>",
    ]
    if days:
        forms.insert(1, rb" s=\"(?:" + _either(days) + rb")\"(?: t=\"n\")?+>" + _FORMULA + rb"<v>[1-9][0-9]{4}</v></c>")
    cell = b"(?:" + b"|".join(forms) + b")"
    cells = b"".join(b'(?:<c r="' + get_column_letter(i + 1).encode() + rb'\1"' + cell + b")?+" for i in range(width))
    return re.compile(rb"<row r=\"([1-9][0-9]{0,6})\"" + _ATTRIBUTES + rb"(?:/>|>" + cells + rb"</row>)")


def _either(numbers: frozenset[int]) -> bytes:
    return b"|".join(str(number).encode() for number in sorted(numbers))


class _WellFormed:
    """Holds XML against the rules of XML itself, piece by piece: characters, entities, attributes, names, ends."""

    def __init__(self) -> None:
        self._parser = expat.ParserCreate(namespace_separator=" ")

    def takes(self, xml: bytes, *, last: bool) -> bool:
        """Whether the XML is well-formed so far."""
        try:
            self._parser.Parse(xml, last)
        except expat.ExpatError:
            return False
        return True
