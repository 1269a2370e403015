"""Run folders: complete or absent, never written over, numbered, and found again as the run before."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from datetime import date
from functools import partial
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.errors import RefusedError
from reconcile.run_folder import (
    RunName,
    clear_unfinished,
    parse_run_name,
    previous_run,
    refuse_if_there,
    runs,
    write_refused,
    write_run,
)

AS_OF = date(2026, 10, 15)


def fill(folder: Path) -> None:
    """A run of one file beside its audit."""
    (folder / "students.csv").write_text("term\n")
    (folder / "audit.json").write_text("{}")


def a_run(reports: Path, name: str) -> Path:
    """A run folder with an audit."""
    folder = reports / name
    folder.mkdir(parents=True)
    (folder / "audit.json").write_text("{}")
    return folder


@given(st.dates(date(1990, 1, 1), date(2100, 1, 1)), st.booleans(), st.integers(1, 999_999))
def test_names_come_back(as_of: date, is_close: bool, rerun: int) -> None:
    """A run's name says its date, kind and rerun, and nothing is lost in it."""
    name = RunName(as_of, is_close, rerun)
    assert parse_run_name(str(name)) == name


@pytest.mark.parametrize(
    "text",
    [
        "2026-10-15",
        "2026-10-15-daily-0",
        "2026-10-15-daily-1",
        "2026-10-15-daily-02",
        "2026-10-15-daily\n",
        "2026-13-15-daily",
        "2026-10-15-weekly",
        "x2026-10-15-daily",
        ".unfinished-2026-10-15-daily-0123456789abcdef",
        "2026-10-15-daily copy",
        "\u0662026-10-15-daily",
    ],
)
def test_other_names_are_no_runs(text: str) -> None:
    """A folder with any other name is not taken for a run."""
    assert parse_run_name(text) is None


def test_first_run_and_reruns(tmp_path: Path) -> None:
    """The first run has the plain name, the next ones are numbered, and nothing hidden is left."""
    places = [write_run(tmp_path / "reports", AS_OF, "daily", fill) for _ in range(3)]
    assert [p.name for p in places] == ["2026-10-15-daily", "2026-10-15-daily-2", "2026-10-15-daily-3"]
    assert sorted(p.name for p in (tmp_path / "reports").iterdir()) == sorted(p.name for p in places)
    assert all((p / "students.csv").is_file() for p in places)


def test_a_close_has_its_own_numbers(tmp_path: Path) -> None:
    """A close of the same day does not count among the daily runs."""
    write_run(tmp_path, AS_OF, "daily", fill)
    assert write_run(tmp_path, AS_OF, "close", fill).name == "2026-10-15-close"


def test_a_number_is_not_used_again(tmp_path: Path) -> None:
    """After a rerun was moved away, the next one still comes after the latest."""
    a_run(tmp_path, "2026-10-15-daily-4")
    assert write_run(tmp_path, AS_OF, "daily", fill).name == "2026-10-15-daily-5"


def test_a_file_in_the_way_is_kept(tmp_path: Path) -> None:
    """Something else under the name of the run is left alone, and the next number is taken."""
    (tmp_path / "2026-10-15-daily").write_text("kept")
    assert write_run(tmp_path, AS_OF, "daily", fill).name == "2026-10-15-daily-2"
    assert (tmp_path / "2026-10-15-daily").read_text() == "kept"


@pytest.mark.parametrize("error", [KeyboardInterrupt, ValueError("ours"), RefusedError("no")])
def test_what_fails_leaves_nothing(tmp_path: Path, error: BaseException | type[BaseException]) -> None:
    """A run that is interrupted or fails while writing leaves neither a run nor a hidden folder."""

    def fail(folder: Path) -> None:
        fill(folder)
        raise error

    with pytest.raises(type(error) if isinstance(error, BaseException) else error):
        write_run(tmp_path, AS_OF, "daily", fail)
    assert not list(tmp_path.iterdir())


def test_into_is_the_exact_folder(tmp_path: Path) -> None:
    """`--into` names the folder itself, under parents that may be new."""
    place = write_run(tmp_path / "reports", AS_OF, "daily", fill, tmp_path / "new" / "october")
    assert place == tmp_path / "new" / "october"
    assert [p.name for p in (tmp_path / "new").iterdir()] == ["october"]
    assert not (tmp_path / "reports").exists()


@pytest.mark.parametrize("there", ["folder", "empty folder", "file", "broken link"])
def test_into_is_never_written_over(tmp_path: Path, there: str) -> None:
    """Whatever is under the name given with `--into` refuses the run and stays as it was."""
    into = tmp_path / "october"
    if there == "file":
        into.write_text("kept")
    elif there == "broken link":
        into.symlink_to(tmp_path / "nowhere")
    else:
        into.mkdir()
        if there == "folder":
            (into / "kept").write_text("kept")
    before = into.lstat()
    with pytest.raises(RefusedError, match="never written over"):
        refuse_if_there(into)
    with pytest.raises(RefusedError, match="never written over"):
        write_run(tmp_path, AS_OF, "daily", fill, into)
    assert into.lstat() == before
    assert [p.name for p in tmp_path.iterdir()] == ["october"]


def test_into_taken_while_writing_is_refused(tmp_path: Path) -> None:
    """If someone takes the exact folder meanwhile, it is theirs and this run is refused."""

    def slow(folder: Path) -> None:
        fill(folder)
        a_run(tmp_path, "october")

    with pytest.raises(RefusedError, match="never written over"):
        write_run(tmp_path, AS_OF, "daily", slow, tmp_path / "october")
    assert [p.name for p in (tmp_path / "october").iterdir()] == ["audit.json"]
    assert [p.name for p in tmp_path.iterdir()] == ["october"]


def test_runs_at_once_take_different_numbers(tmp_path: Path) -> None:
    """Runs that end at the same moment each get a folder of their own."""
    together = threading.Barrier(6)
    places: list[Path] = []

    def one() -> None:
        def wait(folder: Path) -> None:
            fill(folder)
            together.wait(timeout=20)

        places.append(write_run(tmp_path, AS_OF, "daily", wait))

    threads = [threading.Thread(target=one) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(places)) == 6
    assert {p.name for p in tmp_path.iterdir()} == {p.name for p in places}
    assert all(sorted(f.name for f in p.iterdir()) == ["audit.json", "students.csv"] for p in places)


def test_a_killed_run_leaves_no_run(tmp_path: Path) -> None:
    """A process that dies while writing leaves no folder under a run's name, so nobody takes it for a report."""
    code = (
        "import os, pathlib, datetime, reconcile.run_folder as r\n"
        f"r.write_run(pathlib.Path({str(tmp_path)!r}), datetime.date(2026, 10, 15), 'daily', "
        "lambda f: ((f / 'students.csv').write_text('x'), os._exit(9)))\n"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, cwd=Path(__file__).parents[1]).returncode == 9
    assert runs(tmp_path) == []
    assert previous_run(tmp_path, date(2030, 1, 1)) is None


def test_unfinished_folders_go_after_a_day(tmp_path: Path) -> None:
    """Only real folders of exactly our pattern, a day without writing, are removed."""
    old, young, busy = (f".unfinished-2026-10-15-daily-{c * 16}" for c in "abc")
    other = [".unfinished-mine", ".unfinished-2026-10-15-daily-abc", "2026-10-15-daily"]
    now = time.time()
    for name in (old, busy, *other):
        (tmp_path / name).mkdir()
    (tmp_path / old / "students.csv").write_text("x")
    (tmp_path / busy / "students.csv").write_text("x")
    (tmp_path / (".unfinished-2026-10-15-daily-" + "d" * 16)).symlink_to(tmp_path / "2026-10-15-daily")
    for path in [*tmp_path.rglob("*")]:
        if path.parent.name != busy:
            os.utime(path, (now - 90_000, now - 90_000), follow_symlinks=False)
    (tmp_path / young).mkdir()
    assert clear_unfinished(tmp_path, now) == (old,)
    assert not (tmp_path / old).exists()
    assert all((tmp_path / name).is_dir() for name in (young, busy, *other))
    assert clear_unfinished(tmp_path / "nowhere") == ()


def test_previous_is_strictly_earlier_and_the_highest_rerun(tmp_path: Path) -> None:
    """The run before is the highest rerun of the latest earlier as-of date; reruns count as numbers, not as words."""
    for name in (
        "2026-09-15-daily",
        "2026-10-14-daily",
        "2026-10-14-daily-2",
        "2026-10-14-daily-10",
        "2026-10-15-daily",
        "2026-10-16-daily",
    ):
        a_run(tmp_path, name)
    found = previous_run(tmp_path, AS_OF)
    assert found == tmp_path / "2026-10-14-daily-10"
    assert previous_run(tmp_path, date(2026, 9, 15)) is None


def test_previous_may_be_a_close(tmp_path: Path) -> None:
    """A close counts like a daily run, and as the last word of its day."""
    for name in ("2026-09-30-close", "2026-09-30-daily-3", "2026-09-29-daily"):
        a_run(tmp_path, name)
    assert previous_run(tmp_path, AS_OF) == tmp_path / "2026-09-30-close"


def test_previous_ignores_what_is_no_run(tmp_path: Path) -> None:
    """Refused runs, loose files and other folders are not the run before; nor is a folder of reports needed."""
    (tmp_path / "refused" / "2026-10-14").mkdir(parents=True)
    (tmp_path / "2026-10-13-daily").write_text("a file")
    (tmp_path / "2026-10-12-daily old").mkdir()
    assert previous_run(tmp_path, AS_OF) is None
    assert previous_run(tmp_path / "nowhere", AS_OF) is None


def test_previous_without_audit_is_refused(tmp_path: Path) -> None:
    """A folder under a run's name without an audit is no complete run, and is not passed over in silence."""
    a_run(tmp_path, "2026-09-15-daily")
    (tmp_path / "2026-10-14-daily").mkdir()
    with pytest.raises(RefusedError, match=r"2026-10-14-daily would be the previous run, but it holds no audit.json"):
        previous_run(tmp_path, AS_OF)


def test_refused_rows_are_replaced(tmp_path: Path) -> None:
    """The list of rejected rows is replaced by the next try's, and no draft of it is left."""
    for text in ("first", "second"):
        place = write_refused(tmp_path, AS_OF, partial(Path.write_text, data=text))
    assert place == tmp_path / "refused" / "2026-10-15" / "rejected_rows.csv"
    assert place.read_text() == "second"
    assert [p.name for p in place.parent.iterdir()] == ["rejected_rows.csv"]


def test_refused_rows_stay_if_the_next_fail(tmp_path: Path) -> None:
    """A try that fails while it writes its list leaves the earlier list whole."""
    place = write_refused(tmp_path, AS_OF, lambda path: path.write_text("first"))

    def fail(path: Path) -> None:
        path.write_text("half")
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_refused(tmp_path, AS_OF, fail)
    assert place.read_text() == "first"
    assert [p.name for p in place.parent.iterdir()] == ["rejected_rows.csv"]


def test_refused_rows_open_elsewhere(tmp_path: Path) -> None:
    """Where the list cannot be replaced, the message says what to do."""

    def fail(path: Path) -> None:
        raise PermissionError(13, "Permission denied", str(path))

    with pytest.raises(RefusedError, match="close it and run again"):
        write_refused(tmp_path, AS_OF, fail)


@pytest.mark.parametrize("write", ["run", "refused"])
def test_reports_that_cannot_be_written(tmp_path: Path, write: str) -> None:
    """A file where the reports should go, or a full disk, is a plain refusal and no fault of ours."""
    (tmp_path / "reports").write_text("a file")
    with pytest.raises(RefusedError, match="Reports cannot be written"):
        write_run(tmp_path / "reports", AS_OF, "daily", fill) if write == "run" else write_refused(tmp_path / "reports", AS_OF, fill)

    def full(_: Path) -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(RefusedError, match="No space left"):
        write_run(tmp_path / "more", AS_OF, "daily", full) if write == "run" else write_refused(tmp_path / "more", AS_OF, full)
    assert not [p for p in (tmp_path / "more").rglob("*") if p.is_file()]
