"""The data files of a run: exact shape, money to the cent, nothing that a spreadsheet would run, the same bytes twice."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import re
import unicodedata
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile import schemas
from reconcile.deliver import csv_out
from reconcile.deliver.csv_out import csv_cell, plain_text, without_controls, write_data_files, write_parquet, write_table
from reconcile.guards import unguarded
from reconcile.schemas import Column

if TYPE_CHECKING:
    from pathlib import Path

COLUMNS = (Column("who", "id"), Column("note", "text"), Column("amount", "money"), Column("on", "date"), Column("rows", "count"))
HEADING = b"who,note,amount,on,rows\n"
STARTS = re.escape("=+-@\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b")
TEXTS = st.text(st.characters(codec="utf-8"), max_size=12)
NASTY = st.builds(
    lambda before, start, rest: before + start + rest,
    st.text(st.sampled_from(" \t\r\n\v\xa0\u200b\ufeff;,'\""), max_size=3),
    st.sampled_from([*"=+-@", *"\uff1d\uff0b\uff0d\uff20", *"\ufe66\ufe62\ufe63\ufe6b", ""]),
    TEXTS,
)


def rows(*cells: tuple[str, str, int, dt.date | None, int]) -> pd.DataFrame:
    """A typed table of COLUMNS."""
    who, note, amount, on, count = zip(*cells, strict=True) if cells else ((), (), (), (), ())
    return pd.DataFrame(
        {
            "who": pd.Series(who, dtype="str"),
            "note": pd.Series(note, dtype="str"),
            "amount": pd.Series(amount, dtype="int64"),
            "on": pd.Series(on, dtype="datetime64[s]"),
            "rows": pd.Series(count, dtype="int64"),
        }
    )


def written(table: pd.DataFrame, folder: Path) -> bytes:
    """The bytes of the table as CSV."""
    path = folder / f"{len(list(folder.iterdir()))}.csv"
    write_table(table, COLUMNS, path)
    return path.read_bytes()


def test_plain_line(tmp_path: Path) -> None:
    """Leading zeros, a negative amount, an absent date and the line ends stand as the contract says."""
    table = rows(("00123", "", -123450, dt.date(2026, 10, 15), 3), ("7", "a b", 5, None, 0))
    assert written(table, tmp_path) == HEADING + b"00123,,-1234.50,2026-10-15,3\n7,a b,0.05,,0\n"


def test_quotes_only_where_needed(tmp_path: Path) -> None:
    """RFC 4180: a comma and a quote are enclosed, the quote doubled; nothing else is."""
    table = rows(('x, "y"', "z", 0, None, 1))
    assert written(table, tmp_path) == HEADING + b'"x, ""y""",z,0.00,,1\n'


def test_empty_table_keeps_its_heading(tmp_path: Path) -> None:
    """A table without rows is a heading alone."""
    assert written(rows(), tmp_path) == HEADING


@pytest.mark.parametrize("start", list("=+-@\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b"))
@pytest.mark.parametrize("before", ["", " ", "\xa0", "\u200b", "\ufeff", "\n ", "\t"])
def test_formulas_are_text(before: str, start: str) -> None:
    """A text that a spreadsheet would run gets an apostrophe, after leading blanks and in full width too (OWASP ASVS 5.0 1.2.10)."""
    assert plain_text(before + start + "1+1").startswith("'")


@pytest.mark.parametrize("text", ["\tx", "\rx", "\nx"])
def test_leading_tab_and_return_are_guarded(text: str) -> None:
    """A cell that begins with a tab or a return gets an apostrophe and stays on its line."""
    assert plain_text(text) == "' x"


def test_formula_after_semicolon_is_guarded() -> None:
    """Where a semicolon parts the cells, what follows it is no formula either."""
    assert plain_text("a; =1;b;@c") == "a;' =1;b;'@c"


def test_ordinary_text_is_unchanged() -> None:
    """Names, codes and dates inside a text are left alone."""
    for text in ("O'Neil-Smith", "R01", "P-1001", "a = b", "\u00c9mile", "'", "1E5", "Null"):
        assert csv_cell(text) == text


def test_controls_become_visible() -> None:
    """Breaks become a space; escape, zero and characters that turn the direction become a replacement character."""
    assert without_controls("a\r\nb\tc\u2028d") == "a b c d"
    assert without_controls("\x1b[2J\x00\u202eabc\u2066") == "\ufffd[2J\ufffd\ufffdabc\ufffd"


@given(st.lists(NASTY | TEXTS, min_size=1, max_size=8))
@settings(max_examples=150, deadline=None)
def test_nothing_runs_and_nothing_moves(tmp_path_factory: pytest.TempPathFactory, texts: list[str]) -> None:
    """Any text comes back in its own cell, on one line, not startable as a formula, and equal but for guard and controls."""
    data = written(rows(*((t, t[::-1], 1, None, 1) for t in texts)), tmp_path_factory.mktemp("t"))
    lines = data.decode("utf-8")
    back = list(csv.reader(io.StringIO(lines, newline=""), strict=True))
    assert len(back) == len(texts) + 1 == lines.count("\n")
    for text, record in zip(texts, back[1:], strict=True):
        assert record == [plain_text(text), plain_text(text[::-1]), "0.01", "", "1"]
        assert not re.match(f"[\\s\u200b-\u200f\u2060\ufeff]*[{STARTS}]|[\t\r]", record[0])
        assert not any(unicodedata.category(c) == "Cc" for c in record[0])
        again = unguarded(record[0])
        assert again == without_controls(text) or (text != without_controls(text) and again == f"'{without_controls(text)}")
        assert plain_text(again) == record[0]


@given(st.lists(st.integers(-(2**63), 2**63 - 1), min_size=1, max_size=20))
@settings(max_examples=100, deadline=None)
def test_money_equals_decimal(tmp_path_factory: pytest.TempPathFactory, cents: list[int]) -> None:
    """Every amount of whole cents is written as exact decimal arithmetic writes it."""
    lines = written(rows(*(("", "x", c, None, 0) for c in cents)), tmp_path_factory.mktemp("t")).decode("ascii").splitlines()
    assert [line.split(",")[2] for line in lines[1:]] == [f"{Decimal(c) / 100:.2f}" for c in cents]


def test_chunks_make_no_difference(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """However many rows are written at a time, the bytes are the same."""
    table = rows(*((str(i), "=" * (i % 3) + ",x", i * 7 - 50, dt.date(2026, 1, 1 + i % 28), i) for i in range(100)))
    whole = written(table, tmp_path)
    monkeypatch.setattr(csv_out, "ROWS_AT_A_TIME", 7)
    assert written(table, tmp_path) == whole


def test_other_row_labels_make_no_difference(tmp_path: Path) -> None:
    """A table cut out of a larger one is written as one made by itself."""
    table = rows(("a", "é", 1, None, 1), ("=b", "c", 2, dt.date(2026, 2, 3), 2), ("d", ",", 3, None, 3))
    assert written(table.iloc[1:], tmp_path) == written(table.iloc[1:].reset_index(drop=True).copy(), tmp_path)


WRONG: dict[str, Any] = {
    "other order": lambda t: t[["note", "who", "amount", "on", "rows"]],
    "missing": lambda t: t.drop(columns="note"),
    "one more": lambda t: t.assign(more=1),
    "float money": lambda t: t.assign(amount=t["amount"].astype("float64")),
    "object text": lambda t: t.assign(note=t["note"].astype(object)),
    "nanoseconds": lambda t: t.assign(on=t["on"].astype("datetime64[ns]")),
    "missing text": lambda t: t.assign(note=pd.Series([None], dtype="str")),
    "time of day": lambda t: t.assign(on=t["on"] + pd.Timedelta(hours=1)),
}


@pytest.mark.parametrize("change", WRONG.values(), ids=WRONG)
@pytest.mark.parametrize("write", [write_table, write_parquet])
def test_other_shape_is_a_fault(tmp_path: Path, change: Any, write: Any) -> None:
    """A table that differs from its declaration in any way is not written."""
    table = rows(("a", "b", 1, dt.date(2026, 2, 3), 1))
    with pytest.raises(ValueError, match=r"declared|, not |missing texts|time of day"):
        write(change(table), COLUMNS, tmp_path / "x")
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize("write", [write_table, write_parquet])
def test_no_file_is_written_over(tmp_path: Path, write: Any) -> None:
    """A file that is there stays as it is."""
    (tmp_path / "x").write_text("kept")
    with pytest.raises(FileExistsError):
        write(rows(("a", "b", 1, None, 1)), COLUMNS, tmp_path / "x")
    assert (tmp_path / "x").read_text() == "kept"


def test_parquet_keeps_text_cents_and_days(tmp_path: Path) -> None:
    """For programs, text stays as it was, money is exact decimal, a date a day, an absent date missing."""
    table = rows(("=1", "a\tb", -5, dt.date(2026, 10, 15), 3), ("", "", 2**62, None, 0))
    write_parquet(table, COLUMNS, tmp_path / "x.parquet")
    back = pq.read_table(tmp_path / "x.parquet").to_pylist()
    assert back[0] == {"who": "=1", "note": "a\tb", "amount": Decimal("-0.05"), "on": dt.date(2026, 10, 15), "rows": 3}
    assert (back[1]["on"], back[1]["amount"]) == (None, Decimal(2**62) / 100)


def test_parquet_twice_is_the_same(tmp_path: Path) -> None:
    """The same table gives the same Parquet bytes, also past one row group."""
    many = pd.concat([rows(("a", "b", 1, None, 1), ("c", "d", 2, dt.date(2026, 3, 4), 2))] * 70_000, ignore_index=True)
    for name in ("one", "two"):
        write_parquet(many, COLUMNS, tmp_path / name)
    first, second = (hashlib.sha256((tmp_path / name).read_bytes()).hexdigest() for name in ("one", "two"))
    assert first == second
    assert pq.ParquetFile(tmp_path / "one").num_row_groups == 2


def empty_outputs(kind: str = "daily") -> dict[str, pd.DataFrame]:
    """Every output declared for a kind of run, without rows."""
    return {
        name: pd.DataFrame({c.name: pd.Series(np.array([]), dtype=schemas.DTYPES[c.kind]) for c in columns})
        for name in schemas.outputs_of(kind)
        for columns in [schemas.OUTPUTS[name]]
    }


@pytest.mark.parametrize("kind", ["daily", "close"])
def test_every_declared_table_is_written(tmp_path: Path, kind: str) -> None:
    """All outputs declared for the kind of run become files: entries as Parquet, the others as CSV."""
    names = write_data_files(empty_outputs(kind), tmp_path, kind)
    assert sorted(names) == sorted(p.name for p in tmp_path.iterdir())
    assert {n.rsplit(".")[0] for n in names} == set(schemas.outputs_of(kind))
    assert [n for n in names if n.endswith(".parquet")] == ["entries.parquet"]


@pytest.mark.parametrize("change", [lambda t: t.pop("proof"), lambda t: t.update(extra=t["proof"])])
def test_a_table_too_few_or_too_many_is_a_fault(tmp_path: Path, change: Any) -> None:
    """A run that lacks a declared table, or has one that nobody declared, is not written."""
    tables = empty_outputs()
    change(tables)
    with pytest.raises(ValueError, match="declared"):
        write_data_files(tables, tmp_path)
    assert not list(tmp_path.iterdir())
