r"""The apostrophe that keeps a spreadsheet from running a text as a formula: set when a file is written, taken off when it is read back.

An export can carry anything in its text: a name, an id or a reference that starts with `=`. A spreadsheet that opens a CSV runs a cell
that starts with `= + - @`, so such a text gets an apostrophe in front, and so does one that has an apostrophe there already: only then
does every text come back as it was, and the plan `=P1` of one close is the plan `=P1` of the next.

    >>> guarded("=P1"), guarded("a; =b"), guarded("'=P1"), guarded("O'Neil")
    ("'=P1", "a;' =b", "''=P1", "O'Neil")
    >>> [unguarded(guarded(text)) for text in ("=P1", "a; =b", "'=P1", "O'Neil")]
    ['=P1', 'a; =b', "'=P1", "O'Neil"]
"""

from __future__ import annotations

import re
from typing import Final

STARTS: Final = "=+\\-@\ufe66\ufe62\ufe63\ufe6b\uff1d\uff0b\uff0d\uff20"
"""What starts a formula, in its small and full-width forms too: some spreadsheets take those for the plain ones."""

_INVISIBLE: Final = "\\s\u200b-\u200f\u2060\ufeff"
_RUNS: Final = f"'*[{_INVISIBLE}]*[{STARTS}]"
_FORMULA: Final = re.compile(f"{_RUNS}|[\t\r\n]")
_AFTER_SEMICOLON: Final = re.compile(f";(?={_RUNS})")
_GUARD: Final = re.compile(f"(\\A|;)'(?={_RUNS})")


def runs(text: str) -> bool:
    """Whether a cell that begins so could run as a formula, or begins with what some programs pass over."""
    return _FORMULA.match(text) is not None


def guarded(text: str) -> str:
    """The text with an apostrophe where it would run as a formula; one after a semicolon too, where a spreadsheet may start a new cell."""
    return ("'" if runs(text) else "") + (_AFTER_SEMICOLON.sub(";'", text) if ";" in text else text)


def unguarded(text: str) -> str:
    """The text as it was before `guarded`."""
    return _GUARD.sub(r"\1", text) if "'" in text else text
