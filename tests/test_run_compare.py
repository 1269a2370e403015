"""Where two files of a run first differ: row, column and both values; and what can be said where a library is of another release."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest

from reconcile.run_compare import first_difference

if TYPE_CHECKING:
    from pathlib import Path

SAID: dict[str, Any] = {"outputs": [{"file": name} for name in ("a.csv", "entries.parquet", "packet.pdf", "workbook.xlsx")]}


@pytest.fixture
def both(tmp_path: Path) -> tuple[Path, Path]:
    """The run and the run made again, both empty."""
    for name in ("run", "again"):
        (tmp_path / name).mkdir()
    return tmp_path / "run", tmp_path / "again"


def told(both: tuple[Path, Path], file: str, one: bytes | None, two: bytes | None, other: dict[str, str] | None = None) -> list[str]:
    for folder, raw in zip(both, (one, two), strict=True):
        if raw is not None:
            (folder / file).write_bytes(raw)
    return list(first_difference(*both, file, SAID, other or {}))


@pytest.mark.parametrize(
    ("one", "two", "where"),
    [
        (b"x,y\n1,2\n3,4\n", b"x,y\n1,2\n3,5\n", "row 3, column y: the run has '4', the same inputs give '5'"),
        (b"x,y\n1,2\n", b"x,y\n1,2\n3,4\n", "row 3 is not in the run"),
        (b"x,y\n1,2\n3,4\n", b"x,y\n1,2\n", "row 3 is in the run alone"),
        (b'x,y\n1,"2\n3"\n', b'x,y\n1,"2\n4"\n', "row 2, column y: the run has '2\\n3', the same inputs give '2\\n4'"),
        (b"x\n1\n", b"x,y\n1,2\n", "row 1, column cell 2: the run has '', the same inputs give 'y'"),
        (b"x\n1\n", b'x\n"1"\n', "the same cells are written in other bytes"),
    ],
)
def test_the_first_cell_is_named(both: tuple[Path, Path], one: bytes, two: bytes, where: str) -> None:
    """Rows are counted with the heading, as a spreadsheet shows them."""
    assert told(both, "a.csv", one, two) == [f"a.csv is not what the same inputs give: {where}"]


def test_a_file_more_or_less_is_named(both: tuple[Path, Path]) -> None:
    """A file that is made no longer, and one that was not there."""
    assert told(both, "a.csv", b"x\n", None) == ["a.csv is not made again from the same inputs"]
    assert told(both, "new.csv", None, b"x\n") == ["new.csv is made from the same inputs, and the run has no such file"]


def test_other_bytes_of_a_packet(both: tuple[Path, Path]) -> None:
    """The same release of its library: a difference. Another release: nothing can be said, and that is told."""
    assert told(both, "packet.pdf", b"1", b"2") == ["packet.pdf is not what the same inputs give"]
    (said,) = told(both, "packet.pdf", b"1", b"2", {"typst": "0.0.1"})
    assert said.startswith("note: packet.pdf was written by typst 0.0.1; here is another release")


def test_the_rows_of_entries_count_where_the_release_is_another(both: tuple[Path, Path]) -> None:
    """Parquet of another release: the same rows are told as such, another row is a difference."""
    pq.write_table(pa.table({"cents": [1, 2]}), both[0] / "entries.parquet", compression="none")
    pq.write_table(pa.table({"cents": [1, 2]}), both[1] / "entries.parquet", compression="zstd")
    (said,) = told(both, "entries.parquet", None, None, {"pyarrow": "1.0"})
    assert said.startswith("note: ")
    assert "are the same" in said
    pq.write_table(pa.table({"cents": [1, 3]}), both[1] / "entries.parquet")
    assert told(both, "entries.parquet", None, None, {"pyarrow": "1.0"}) == ["entries.parquet holds other rows than the same inputs give"]
