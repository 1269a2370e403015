"""One cell of a workbook as text: what an office would see in it, without what the spreadsheet only keeps for itself.

Numbers go through the shortest decimal that stands for them, never through a rounded display: 0.1 is "0.1". Two things of the display
count, since people know the value by them: leading zeros that a format such as `00000` writes (identifiers), and that a number is a date.
A spreadsheet works with fifteen figures; a number that needs more has lost some, unless it is only the dust of binary fractions
(0.30000000000000004), which is read as the spreadsheet shows it.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from reconcile.cell_money import Refusal

FIGURES = 15
"""Significant figures that a spreadsheet keeps."""
_DUST_BELOW = Decimal(10) ** 11
"""Below this fifteen figures still hold four decimals, so cutting dust cannot touch a cent."""

_ERRORS = "correct it in the workbook, or paste the values, and save again"
_TOKENS = re.compile(r'\\(?P<escaped>.)|"(?P<quoted>[^"]*)"|\[[^\]]*\]|[_*].|(?P<plain>.)')


class CellText(NamedTuple):
    """What a cell holds as text; whether it was a number; what is wrong with it; a remark to count ("" for none)."""

    text: str
    number: bool = False
    problem: Refusal | None = None
    remark: str = ""


TIME_LEFT_OFF = "dates carry a time of day; only the day is read"
DUST = "numbers with more than fifteen figures behind a binary fraction are read as the spreadsheet shows them"
UNPADDED = "identifiers are stored as numbers: leading zeros, if there were any, are lost"

BLANK = CellText("")


def cell_text(value: Any, data_type: str, number_format: str, column: str, row: int) -> CellText:  # noqa: ANN401 (whatever a cell holds)
    """The text of one cell.

    In:      as openpyxl gives them; `column` such as "B", for the message.
    """
    if value is None:
        return BLANK
    if data_type == "e":
        return CellText(str(value), problem=(f"cell {column}{row} holds the error {value}", _ERRORS))
    if isinstance(value, str):
        return CellText(value)
    if isinstance(value, bool):
        return CellText("TRUE" if value else "FALSE")
    if isinstance(value, datetime):
        kept = value.date().isoformat()
        return CellText(kept, remark="" if value.time() == time() else TIME_LEFT_OFF)
    if isinstance(value, (date, time, timedelta)):
        return CellText(value.isoformat() if not isinstance(value, timedelta) else str(value))
    if isinstance(value, (int, float)):
        return _number(value, number_format, column, row)
    return CellText(str(value))


def _number(value: float, number_format: str, column: str, row: int) -> CellText:
    """A number as plain text: no exponent, no grouping, a point before the decimals."""
    exact = Decimal(repr(value))
    if not exact.is_finite():
        return CellText(str(value), problem=(f"cell {column}{row} holds no finite number", _ERRORS))
    remark = ""
    if len(exact.normalize().as_tuple().digits) > FIGURES:
        if exact == exact.to_integral_value() or abs(exact) >= _DUST_BELOW:
            return CellText(
                f"{exact:f}",
                number=True,
                problem=(
                    f"cell {column}{row} holds a number of more than {FIGURES} figures, of which a spreadsheet loses the last",
                    "format the column as text before the figures are entered, or export as CSV from the system itself",
                ),
            )
        exact, remark = _without_dust(exact), DUST
    if exact == exact.to_integral_value():
        whole = f"{exact.to_integral_value():f}".removeprefix("-") if exact == 0 else f"{exact.to_integral_value():f}"
        shape = padding(number_format)
        return (
            CellText(padded(whole, shape), True, None, remark) if shape and exact >= 0 else CellText(whole, True, None, remark or UNPADDED)
        )
    return CellText(f"{exact.normalize():f}", number=True, remark=remark)


def _without_dust(exact: Decimal) -> Decimal:
    return exact.quantize(Decimal(1).scaleb(exact.adjusted() - FIGURES + 1))


@lru_cache(maxsize=1024)
def padding(number_format: str) -> tuple[str, ...]:
    """The marks of a format that writes leading zeros: one "0" per figure and the literal text between; () for any other format.

    >>> padding("00000"), padding('"S"000'), padding("000-00-0000"), padding("0.00"), padding("#,##0")
    (('0', '0', '0', '0', '0'), ('S', '0', '0', '0'), ('0', '0', '0', '-', '0', '0', '-', '0', '0', '0', '0'), (), ())
    """
    marks: list[str] = []
    for token in _TOKENS.finditer(number_format.split(";", maxsplit=1)[0]):
        literal = token["escaped"] or token["quoted"]
        plain = token["plain"]
        if literal:
            marks.append("\\" + literal if literal == "0" else literal)
        elif plain in {"0", "-", " ", "(", ")", "/", "$", "+"}:
            marks.append(plain)
        elif plain:
            return ()
    return tuple(marks) if marks.count("0") > 1 else ()


def padded(figures: str, shape: tuple[str, ...]) -> str:
    """Figures written into a shape from the right, with zeros before them.

    >>> padded("123", padding("00000")), padded("123456789", padding("000-00-0000")), padded("1234567", padding("00000"))
    ('00123', '123-45-6789', '1234567')
    """
    places = shape.count("0")
    figures = figures.zfill(places)
    extra = len(figures) - places
    left = iter(figures[extra:])
    written = []
    for mark in shape:
        if mark == "0":
            written.append(figures[:extra] + next(left) if extra else next(left))
            extra = 0
        else:
            written.append(mark.removeprefix("\\"))
    return "".join(written)
