"""The command `close`: what it opens from, what it keeps, what it says it could not check, and what it refuses."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pypdf
import pytest
from sample_year import MONTH_ENDS, Year, write_exports

from reconcile import cli
from reconcile.archive import archived_inputs, kept_in
from reconcile.audit import read_audit, run_hash
from reconcile.errors import RefusedError
from reconcile.run_tables import read_table
from reconcile.schemas import CLOSE_ONLY
from reconcile.trace import RunTables, figures_of
from reconcile.trace_rows import trace_figure

if TYPE_CHECKING:
    from datetime import date

ROOT = Path(__file__).parents[1]
AUGUST, SEPTEMBER = MONTH_ENDS[:2]


@pytest.fixture(scope="module")
def exports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The exports of the first two month-ends of the sample year."""
    place, year = tmp_path_factory.mktemp("exports"), Year()
    for day in (AUGUST, SEPTEMBER):
        write_exports(year, day, place / str(day))
    return place


def run(command: str, exports: Path, day: date, reports: Path, *more: str) -> int:
    """One run of the sample year; gives the exit code."""
    span = ("--bank-from", "2026-07-20", "--bank-through", str(day), "--rules", str(ROOT / "rules"))
    return cli.run([command, str(exports / str(day)), "--as-of", str(day), "--reports", str(reports), *span, *more])


def test_a_close_leaves_its_tables_and_says_that_it_is_the_first(exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """All files of a close are there; the first opens from the schedules, and says so, with what else it could not check."""
    assert run("close", exports, AUGUST, tmp_path) == 0
    folder = tmp_path / f"{AUGUST}-close"
    assert {path.stem for path in folder.glob("*.csv")} >= CLOSE_ONLY
    told = capsys.readouterr().out
    assert "Could not be checked:\n  No earlier close: the roll-forward opens from the schedules, at zero" in told
    assert "new plans" in told
    checks = read_table(folder, "close_checks")
    assert set(checks.loc[checks["done"] == "no", "check"]) == {"close before", "control totals"}


def test_without_postings_and_general_ledger_it_says_what_it_could_not_check(
    exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The close works without either; the tie-out ends at the bank, and the summary names both."""
    shutil.copytree(exports / str(AUGUST), tmp_path / "exports" / str(AUGUST))
    for name in ("postings.csv", "general_ledger.toml"):
        (tmp_path / "exports" / str(AUGUST) / name).unlink()
    assert run("close", tmp_path / "exports", AUGUST, tmp_path / "reports") == 0
    told = capsys.readouterr().out
    assert "No postings export: bank and student ledger could not be held against each other." in told
    assert "No general_ledger.toml beside the exports" in told
    folder = tmp_path / "reports" / f"{AUGUST}-close"
    assert "bank to student ledger" not in set(read_table(folder, "tie_out")["step"])
    assert set(read_table(folder, "ledger_tie_out")["item"]) == {"computed sub-ledger"}


@pytest.mark.parametrize("command", ["daily", "close"])
def test_without_postings_every_figure_can_be_traced(exports: Path, tmp_path: Path, command: str) -> None:
    """Payments at the bank count as credits then, and nothing is on the student ledger: each figure is still the sum of its rows."""
    shutil.copytree(exports / str(SEPTEMBER), tmp_path / "exports" / str(SEPTEMBER))
    (tmp_path / "exports" / str(SEPTEMBER) / "postings.csv").unlink()
    bank = tmp_path / "exports" / str(SEPTEMBER) / "cleared_draws.csv"
    head, *rows = bank.read_text(encoding="utf-8").splitlines()
    row = dict(zip(head.split(","), rows[-1].split(","), strict=True)) | {
        "kind": "payment",
        "amount": "33.00",
        "reference": "PAY1",
        "line": "",
    }
    more = [*(f"{text}," for text in rows), ",".join([*(row[name] for name in head.split(",")), "payment"])]
    bank.write_text("\n".join([f"{head},kind", *more]) + "\n", encoding="utf-8")
    assert run(command, tmp_path / "exports", SEPTEMBER, tmp_path / "reports", "--only", "csv") == 0
    traced = RunTables(tmp_path / "reports" / f"{SEPTEMBER}-{command}")
    assert traced["students"]["other_credits"].sum() == 3_300
    assert {figure.name: trace_figure(traced, figure).total - figure.cents for figure in figures_of(traced)} == {
        figure.name: 0 for figure in figures_of(traced)
    }


@pytest.mark.parametrize(
    ("cents", "told"),
    [
        ("100.00", "100.00 above the student ledger"),
        ("-100.00", "100.00 below the student ledger"),
        ("0.00", "agrees with the student ledger"),
    ],
)
def test_how_far_the_books_are_apart_is_said_in_words(
    exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], cents: str, told: str
) -> None:
    """Above, below or agreed; the packet says the same, for each term of its own."""
    shutil.copytree(exports / str(AUGUST), tmp_path / "exports" / str(AUGUST))
    path = tmp_path / "exports" / str(AUGUST) / "general_ledger.toml"
    more = f'\n[[balance]]\nterm = "2026-FA"\naccount = "1299"\namount = "{cents}"\n'
    path.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
    assert run("close", tmp_path / "exports", AUGUST, tmp_path / "reports") == 0
    assert f"General ledger 2026-FA: {told}" in capsys.readouterr().out
    text = pypdf.PdfReader(tmp_path / "reports" / f"{AUGUST}-close" / "packet.pdf").pages[0].extract_text()
    assert f"The general ledger of 2026-FA: {told}." in " ".join(text.split())


def test_a_general_ledger_that_differs_is_told(exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Books 100.00 above the student ledger: the difference stands in the file and in the summary; the close goes through."""
    shutil.copytree(exports / str(AUGUST), tmp_path / "exports" / str(AUGUST))
    path = tmp_path / "exports" / str(AUGUST) / "general_ledger.toml"
    path.write_text(
        path.read_text(encoding="utf-8") + '\n[[balance]]\nterm = "2026-FA"\naccount = "1299"\namount = "100.00"\n', encoding="utf-8"
    )
    assert run("close", tmp_path / "exports", AUGUST, tmp_path / "reports") == 0
    told = "General ledger 2026-FA: 100.00 above the student ledger, which nothing here explains: see ledger_tie_out.csv"
    assert told in capsys.readouterr().out
    table = read_table(tmp_path / "reports" / f"{AUGUST}-close", "ledger_tie_out")
    assert table.loc[table["item"] == "difference", "amount"].tolist() == [10_000]


def test_a_close_follows_the_latest_earlier_close_and_never_a_daily_run(
    exports: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A daily run between two closes changes nothing in what the second opens from; naming it as the close before is refused."""
    assert run("close", exports, AUGUST, tmp_path) == 0
    assert run("daily", exports, SEPTEMBER, tmp_path, "--into", str(tmp_path / "2026-09-15-daily")) == 0
    daily = str(tmp_path / "2026-09-15-daily")
    assert run("close", exports, SEPTEMBER, tmp_path) == 0
    proof = read_table(tmp_path / f"{SEPTEMBER}-close", "proof")
    assert "roll-forward 2026-FA bank pending: opening = closing of 2026-08-31-close" in set(proof["name"])
    audits = [read_audit(tmp_path / f"{day}-close") for day in (AUGUST, SEPTEMBER)]
    named = {"run": f"{AUGUST}-close", "run_hash": audits[0]["run_hash"], "audit_hash": audits[0]["audit_hash"], "signature": None}
    assert [audit["previous_close"] for audit in audits] == [None, named]
    assert run_hash(audits[1] | {"previous_close": None}) != audits[1]["run_hash"]
    capsys.readouterr()
    assert run("close", exports, SEPTEMBER, tmp_path, "--previous-close", daily) == 2
    assert "a close opens from a close" in capsys.readouterr().err
    later = str(tmp_path / f"{SEPTEMBER}-close")
    assert run("close", exports, AUGUST, tmp_path / "other", "--previous-close", later) == 2
    assert "not before 2026-08-31" in capsys.readouterr().err


def test_a_close_keeps_its_inputs_under_their_own_names(exports: Path, tmp_path: Path) -> None:
    """Two bank files of one name from two folders keep their folders; done again from the copies, the data files are the same bytes."""
    whole = (exports / str(AUGUST) / "cleared_draws.csv").read_text(encoding="utf-8").splitlines()
    given = tmp_path / "given"
    shutil.copytree(exports / str(AUGUST), given / "all")
    (given / "all" / "cleared_draws.csv").unlink()
    for name, rows in (("first", whole[1:20]), ("second", whole[20:])):
        (given / name).mkdir()
        (given / name / "cleared_draws.csv").write_text("\n".join([whole[0], *rows]) + "\n", encoding="utf-8")
    span = ["--bank-from", "2026-07-20", "--bank-through", str(AUGUST), "--as-of", str(AUGUST)]
    sources = [str(given / name) for name in ("all", "first", "second")]
    assert cli.run(["close", *sources, *span, "--rules", str(ROOT / "rules"), "--into", str(tmp_path / "run")]) == 0
    kept = archived_inputs(tmp_path / "run")
    names = {str(path.relative_to(tmp_path / "run" / "inputs" / "exports")) for path in kept.exports}
    assert names >= {"charges.csv", "general_ledger.toml", "first/cleared_draws.csv", "second/cleared_draws.csv"}
    again = ["close", *map(str, kept.exports), *span, "--rules", str(kept.rules), "--into", str(tmp_path / "again")]
    assert cli.run(again) == 0
    for path in (tmp_path / "run").iterdir():
        assert not path.is_file() or (tmp_path / "again" / path.name).read_bytes() == path.read_bytes(), path.name


def test_a_daily_run_keeps_no_inputs(exports: Path, tmp_path: Path) -> None:
    """Only a close keeps copies; asking a daily run for them is refused."""
    assert run("daily", exports, AUGUST, tmp_path) == 0
    folder = tmp_path / f"{AUGUST}-daily"
    assert list(kept_in(folder)) == []
    with pytest.raises(RefusedError, match="keeps no inputs"):
        archived_inputs(folder)


@pytest.fixture(scope="module")
def closed(exports: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """August, closed."""
    place = tmp_path_factory.mktemp("closed")
    assert run("close", exports, AUGUST, place) == 0
    return place / f"{AUGUST}-close"


def test_a_trace_shows_rows_that_add_up(closed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """August's first draws of the three card plans, 1,146.25 + 1,172.88 + 1,865.36: each with its schedule row and its bank row."""
    assert cli.run(["trace", str(closed), "rollforward", "2026-FA", "card", "pending", "cleared at schedule"]) == 0
    told = capsys.readouterr().out.splitlines()
    assert told[0] == "rollforward 2026-FA card pending cleared at schedule: -4,184.49"
    assert len(told) == 2 + 3 + 1
    assert "S013" in told[2]
    assert "plan_schedules.csv::" in told[2]
    assert "cleared_draws.csv::" in told[2]
    assert told[-1] == "-4,184.49 is the sum of 3 rows."


def test_a_trace_takes_the_beginning_of_a_line_of_proof(closed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without a side, both sides of the line are shown."""
    assert cli.run(["trace", str(closed), "bank:", "undone"]) == 0
    told = capsys.readouterr().out
    assert "bank: undone = what returns and refunds undo, left: " in told
    assert "bank: undone = what returns and refunds undo, right: " in told


def test_a_figure_that_is_not_there_is_refused_with_the_nearest(closed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A slip of the pen gets a question; no figure at all gets the list."""
    assert cli.run(["trace", str(closed), "rollforward 2026-FA card pendign closing"]) == 2
    assert "Did you mean: rollforward 2026-FA card pending closing?" in capsys.readouterr().err
    assert cli.run(["trace", str(closed)]) == 0
    assert "rollforward 2026-FA bank pending closing" in capsys.readouterr().out


def test_a_trace_of_a_changed_folder_ends_with_3(closed: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Somebody took a row out of line_moves.csv: the figure no longer is the sum of its rows, and the trace says so."""
    shutil.copytree(closed, tmp_path / "run")
    path = tmp_path / "run" / "line_moves.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    gone = next(line for line in lines if "new plans" in line and ",card," in line)
    path.write_text("\n".join(line for line in lines if line != gone) + "\n", encoding="utf-8")
    assert cli.run(["trace", str(tmp_path / "run"), "rollforward 2026-FA card pending new plans"]) == 3
    assert "not as written" in capsys.readouterr().err
