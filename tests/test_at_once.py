"""Work done by several processes at once gives the very bytes that one process gives, for any number of parts."""

from __future__ import annotations

import os
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from build import exports_of
from ordinary_office import AS_OF, BANK_THROUGH, ordinary_office
from test_bank_gaps import office_with_a_hole

from reconcile import at_once, cli, forked
from reconcile.at_once import SettledAtOnce
from reconcile.deliver.csv_out import write_data_files
from reconcile.errors import RefusedError
from reconcile.policy import Rules, load_rules
from reconcile.run import reconcile_exports

if TYPE_CHECKING:
    from reconcile.exports import Exports

ROOT = Path(__file__).parents[1]

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="this machine cannot copy a process, so work is done in turn")


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


@pytest.fixture
def two_processes(monkeypatch: pytest.MonkeyPatch) -> None:
    """As on a machine with two processors."""
    monkeypatch.setattr(at_once, "processors", lambda: 2)


def files_of(folder: Path) -> dict[str, bytes]:
    """Every file under a folder, by its path there."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def written(exports: Exports, rules: Rules, as_of: date, parts: int, place: Path, *, whole: bool = True) -> dict[str, bytes]:
    """The data files of a run whose parts are settled by two processes."""
    folder = place / f"{parts} parts"
    folder.mkdir(parents=True)
    pieces = place / f"pieces of {parts}"
    pieces.mkdir()
    with SettledAtOnce(pieces, whole=whole) as each:
        result = reconcile_exports(exports, rules, as_of, parts=parts, each=each)
        for name, (order, more) in result.arranged.items():
            each.arrange(name, order, more)
        write_data_files(result.tables, folder, "daily", each.in_order())
    assert files_of(pieces) == {}, "every piece went into its file"
    return files_of(folder)


@pytest.mark.usefixtures("two_processes")
def test_an_office_settled_by_processes_leaves_the_same_files(rules: Rules, tmp_path: Path) -> None:
    """One part, two and seven: each data file holds the same bytes, the large ones put together from pieces."""
    exports = exports_of(ordinary_office(900, 400, 7, rules).rows, bank_through=BANK_THROUGH)
    whole = written(exports, rules, AS_OF, 1, tmp_path)
    assert len(whole["entries.parquet"]) > 10_000
    for parts in (2, 7):
        assert written(exports, rules, AS_OF, parts, tmp_path) == whole


@pytest.mark.usefixtures("two_processes")
def test_a_run_that_settles_everyone_twice_leaves_the_files_of_the_second_time(rules: Rules, tmp_path: Path) -> None:
    """With a hole in the bank files everyone is settled once more; nothing of the first time is left in a file."""
    exports = office_with_a_hole(24, 20)
    assert written(exports, rules, date(2026, 11, 20), 3, tmp_path) == written(exports, rules, date(2026, 11, 20), 1, tmp_path)


@pytest.mark.usefixtures("two_processes")
@pytest.mark.parametrize("only", [[], ["--only", "csv"]], ids=["all files", "data files"])
def test_the_command_in_many_parts_makes_the_same_run_folder(only: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The sample by the command, files read and parts settled by processes: audit, workbook and page too hold the same bytes.

    With data files alone no large table leaves the process that made it.
    """
    asked = ["daily", str(ROOT / "sample_exports" / "standard"), "--as-of", "2026-11-20", "--rules", str(ROOT / "rules"), *only]
    assert cli.run([*asked, "--reports", str(tmp_path / "one")]) == 0
    monkeypatch.setattr(at_once, "SMALL_ROWS", 0)
    monkeypatch.setattr(at_once, "SMALL_BYTES", 0)
    monkeypatch.setattr(at_once, "ROWS_A_PART", 1_500)
    assert cli.run([*asked, "--reports", str(tmp_path / "parts")]) == 0
    one, parts = (files_of(tmp_path / name) for name in ("one", "parts"))
    assert parts.keys() == one.keys()
    assert [name for name in one if parts[name] != one[name]] == []


@pytest.mark.usefixtures("two_processes")
def test_an_error_of_what_is_written_beside_is_raised_when_it_is_asked_for(
    rules: Rules, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked whether there are pieces nobody waits; asked for the entries, what went wrong is told, and no piece is taken for whole."""

    def refuse(*_: object) -> None:
        raise RefusedError("The entries cannot be.")

    monkeypatch.setattr(at_once, "write_parquet_slices", refuse)
    with SettledAtOnce(tmp_path) as each:
        reconcile_exports(office_with_a_hole(24, 20), rules, date(2026, 11, 20), parts=2, each=each)
        pieces = each.in_order()
        assert "entries" in pieces
        assert len(pieces["draws"]) > 1
        with pytest.raises(RefusedError, match="The entries cannot be"):
            pieces["entries"]


@pytest.mark.usefixtures("two_processes")
def test_parts_that_keep_their_large_tables_to_themselves_leave_the_same_files(rules: Rules, tmp_path: Path) -> None:
    """Where only data files are asked for, a large table is in its file alone; whoever asks for it all the same is told so."""
    exports = exports_of(ordinary_office(900, 400, 7, rules).rows, bank_through=BANK_THROUGH)
    alone = written(exports, rules, AS_OF, 3, tmp_path / "alone", whole=False)
    assert alone == written(exports, rules, AS_OF, 3, tmp_path / "given back")
    with SettledAtOnce(tmp_path, whole=False) as each:
        result = reconcile_exports(exports, rules, AS_OF, parts=3, each=each)
        assert len(result.tables["exceptions"]) > 10
        with pytest.raises(KeyError, match="draws"):
            result.tables["draws"]


def test_texts_cut_from_a_long_column_come_back_whole_and_alone() -> None:
    """A column in chunks, one cut from a longer one and an empty one are sent as they read; a cut takes along only its own text."""
    long = pd.Series([f"{number} of many, with é" for number in range(50_000)], dtype="str")
    short, joined = long.iloc[100:103], pd.concat([long.iloc[:2], long.iloc[-2:]])
    made = forked.forked(lambda which: (short, joined, long.iloc[:0])[which], [0, 1, 2], 2)
    for sent, came in zip((short, joined, long.iloc[:0]), made, strict=True):
        pd.testing.assert_series_equal(sent, came)
        assert came.array.nbytes < 1_000


def test_an_error_of_the_work_comes_back_as_it_was() -> None:
    """What a copied process refuses is refused here, with its words."""

    def refuse(number: int) -> int:
        if number == 1:
            raise RefusedError("This cannot be.", ("Mend it.",))
        return number

    with pytest.raises(RefusedError, match="This cannot be") as told:
        forked.forked(refuse, [0, 1, 2], 2)
    assert told.value.problems == ("Mend it.",)
