"""One written amount to exact cents, in every way that offices and spreadsheets write amounts.

An amount is figures, perhaps grouped in thousands, at most two decimals that count, at most one sign, and perhaps a dollar sign:

>>> [amount_cents(t, ".") for t in ("1,234.50", "$1,234.50", "(1,234.50)", "($1,234.50)", "1,234.50-", "-$1,234.50", "1234", "1234.5")]
[123450, 123450, -123450, -123450, -123450, -123450, 123400, 123450]
>>> amount_cents("1.234,50", ","), amount_cents("1 234,50", ","), amount_cents("2400.000", ".")
(123450, 123450, 240000)

Everything else is refused with what is wrong and how to mend it. Nothing is rounded and nothing is guessed: `2.400` could be two and a
bit or, with a decimal comma, two thousand four hundred, so it is refused although its third decimal is a zero.

>>> amount_cents("12,34.50", ".")[0]
'the separators do not stand before every three figures, so the amount is not certain'
>>> amount_cents("2400.005", ".")[0]
'the amount has more than two decimals'
"""

from __future__ import annotations

import re
from typing import Literal

DecimalMark = Literal[".", ","]
Refusal = tuple[str, str]
"""What is wrong, and how to mend it."""

LIMIT = 10**15
"""Amounts have at most fifteen figures, cents included: beyond that spreadsheets have lost some."""

_SPACES = " \u00a0\u202f\u2009"
_NUMBER = re.compile(rf"(?P<before>[-+$({_SPACES}]*)(?P<figures>[0-9.,'\u2019{_SPACES}]*[0-9][.,]?)(?P<after>[-+$){_SPACES}]*)")
_GROUPED = re.compile(rf"[0-9]{{1,3}}(?P<mark>[.,'\u2019{_SPACES}])[0-9]{{3}}(?:(?P=mark)[0-9]{{3}})*")
_EXPONENT = re.compile(r"[-+$(]*[0-9.,]+[eE][-+]?[0-9]+\)?")
_CREDIT = re.compile(r"[-+$(\s]*[0-9.,\s]+\)?\s*(?:cr|dr|db)\.?", re.IGNORECASE)

_PLAIN = "write it as plain figures with two decimals, such as 1234.50"
_TWO_SIGNS = ("the amount has more than one sign", "keep one: a minus before the amount, or parentheses around it")
_GROUPING = ("the separators do not stand before every three figures, so the amount is not certain", _PLAIN)
_TOO_FINE = (
    "the amount has more than two decimals",
    "export amounts in dollars and whole cents; rounding is for the system that made the file",
)
_TOO_LONG = (
    "the amount has more than fifteen figures",
    "check the cell: the figures may be an account number or a reference in the wrong column",
)


def amount_cents(text: str, mark: DecimalMark, *, plain: bool = False) -> int | Refusal:
    """The cents of one written amount, or why it is none.

    In:      `text` not blank; `mark` stands before the decimals. `plain`: the cell was a number in a workbook, so there are no thousands
             separators and the mark is a point.
    """
    text = text.strip().replace("\u2212", "-")
    parts = _NUMBER.fullmatch(text)
    if parts is None:
        return _explain(text)
    before, figures, after = parts["before"], parts["figures"].strip(), parts["after"]
    around = before + after
    if around.count("(") != around.count(")") or around.count("(") > 1:
        return ("the parentheses around the amount are not a pair", "write (1,234.50) or -1,234.50")
    if around.count("-") + around.count("+") + around.count("(") > 1:
        return _TWO_SIGNS
    if around.count("$") > 1:
        return ("the amount has more than one dollar sign", _PLAIN)
    cents = _figures(figures, "." if plain else mark, plain=plain)
    if isinstance(cents, int):
        return -cents if "-" in around or "(" in around else cents
    return cents if plain else _other_mark(cents, figures, mark)


def _figures(figures: str, mark: DecimalMark, *, plain: bool) -> int | Refusal:
    """Cents of unsigned figures."""
    whole, point, decimals = figures.partition(mark)
    if mark in decimals or (decimals and not decimals.isdecimal()):
        return _GROUPING
    if point and not decimals:
        return (f"the amount ends in {mark!r} without decimals", _PLAIN)
    if whole and not whole.isdecimal():
        if not _GROUPED.fullmatch(whole):
            return _GROUPING
        whole = re.sub(r"[^0-9]", "", whole)
    elif len(decimals) == 3 and not plain and whole.strip("0") and len(whole) <= 3:
        return (
            f"the mark {mark!r} with three figures after it may stand before thousands or before decimals",
            f"export with two decimals; or, where {mark!r} stands before thousands, set decimal_mark = {_other(mark)!r} in the column map",
        )
    if decimals[2:].strip("0"):
        return _TOO_FINE
    cents = int(whole or "0") * 100 + int(decimals[:2].ljust(2, "0")) if len(whole) <= 40 else LIMIT
    return cents if cents < LIMIT else _TOO_LONG


def _other(mark: DecimalMark) -> DecimalMark:
    return "," if mark == "." else "."


def _other_mark(refusal: Refusal, figures: str, mark: DecimalMark) -> Refusal:
    """The refusal, with the cure of setting the other decimal mark where the figures are an amount under it."""
    if refusal in {_GROUPING, _TOO_FINE} and isinstance(_figures(figures, _other(mark), plain=False), int):
        name = "comma" if mark == "." else "point"
        return (
            f"the amount is not one with {mark!r} before the decimals",
            f"{_PLAIN}; or, if the {name} stands before the decimals in this file, set decimal_mark = {_other(mark)!r} in the column map",
        )
    return refusal


def _explain(text: str) -> Refusal:
    """What is wrong with a text that is no signed number at all."""
    if _EXPONENT.fullmatch(text):
        return (
            "the amount is written with an exponent, as spreadsheets shorten long numbers",
            "format the column as a number with two decimals and export again",
        )
    if _CREDIT.fullmatch(text):
        return ("the amount carries CR or DR instead of a sign", "write the amount with a minus where it is negative")
    if not text.isascii() and any(c.isdecimal() and not c.isascii() for c in text):
        return ("the amount is written in figures other than 0 to 9", _PLAIN)
    if not re.search(r"[0-9]", text):
        return (
            "the cell holds no amount",
            "write the amount in figures, 0.00 for none; leave the cell empty only where no amount is known",
        )
    if "%" in text:
        return ("the cell holds a percent, not an amount", _PLAIN)
    if re.search(r"[A-Za-z\u20a0-\u20bf\u00a3\u00a5\u00a2]", text):
        return ("the amount carries a word or a currency other than the dollar sign", "keep the figures alone, with a minus where negative")
    return ("the cell is not an amount", _PLAIN)
