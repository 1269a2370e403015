"""One thing that is wrong with one row of an export, in words, with its cure: a line of `rejected_rows.csv`.

Values are shown as they stand, so that the row can be found; but a long run of digits keeps only its last four, since it may be an
account or a card number that nobody should see in a report.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from reconcile.schemas import DTYPES, OUTPUTS

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pyarrow as pa  # type: ignore[import-untyped]

_LONG_DIGITS = re.compile(r"[0-9](?:[ -]?[0-9]){11,}")
"""Twelve digits or more, alone or in groups: the shortest card number has twelve."""


class Problem(NamedTuple):
    """One problem of one row: where it is, the value, what is wrong and how to mend it. Row numbers are those a spreadsheet shows."""

    file: str
    sheet: str
    row: int
    column: str
    value: str
    problem: str
    cure: str

    @classmethod
    def of(cls, file: str, sheet: str, row: int, column: str, value: str, problem: str, cure: str) -> Problem:
        """A problem with long numbers masked in all that people will read; the cure becomes a whole sentence."""
        return cls(file, sheet, row, column, masked(value), masked(problem), masked(sentence(cure)))


def masked(text: str) -> str:
    """The text with every run of twelve or more digits cut to its last four.

    >>> masked("card 4111 1111 1111 1111, plan P1234567")
    'card ****1111, plan P1234567'
    """
    if len(text) < 12:
        return text
    return _LONG_DIGITS.sub(lambda run: f"****{run.group()[-4:]}", text)


def sentence(text: str) -> str:
    """The text with a capital at its start and a full stop at its end.

    >>> sentence("use one of them")
    'Use one of them.'
    """
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith((".", "?", "!")) or not text else ".")


def quote(value: str) -> str:
    """A value in quotes, shortened."""
    return f'"{value}"' if len(value) <= 60 else f'"{value[:57]}..."'


def place_of(file: str, sheet: str) -> str:
    """A file and sheet as sentences name them."""
    return f"{file}, sheet {sheet}" if sheet else file


def rejected_table(problems: Iterable[Problem]) -> pd.DataFrame:
    """The problems as the output `rejected_rows`, in the order of file, sheet and row; the problems of one row keep their order."""
    ordered = sorted(problems, key=lambda p: (p.file, p.sheet, p.row))
    columns = {}
    for position, column in enumerate(OUTPUTS["rejected_rows"]):
        values = [p[position] for p in ordered]
        columns[column.name] = pd.Series(values, dtype=DTYPES[column.kind])
    return pd.DataFrame(columns)


def text_series(values: pa.Array | pa.ChunkedArray) -> pd.Series:
    """Text of the readers as a column of a typed table, in bulk."""
    return values.to_pandas(types_mapper=lambda _: pd.StringDtype(na_value=float("nan")))  # type: ignore[no-any-return]
