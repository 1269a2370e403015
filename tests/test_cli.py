"""The command line as scripts and scheduled jobs rely on it: exit codes, messages, what is written and what never is."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import signal
import subprocess
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest

from reconcile import cli, cli_support
from reconcile.cli import run
from reconcile.deliver.people import WRITERS
from reconcile.errors import ProofError
from reconcile.figures import totals_of
from reconcile.run import Result
from reconcile.schemas import DTYPES, OUTPUTS, outputs_of

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).parents[1]
AS_OF = "2026-09-15"
Ran = tuple[int, str, str]
Rows = list[tuple[str, ...]]

CHARGES: Rows = [("student_id", "term", "posted_on", "amount"), ("0101", "2026-FA", "2026-07-15", "12000.00")]
AID: Rows = [("student_id", "term", "fund", "status", "amount", "posted_on")]
PLANS: Rows = [
    ("plan_id", "student_id", "term", "enrolled_on", "plan_total", "line", "draw_date", "amount"),
    *(
        ("P1", "0101", "2026-FA", "2026-07-20", "12000.00", str(n), f"2026-{month:02d}-10", "2400.00")
        for n, month in enumerate(range(8, 13), 1)
    ),
]
BANK: Rows = [
    ("settled_on", "amount", "outcome", "plan_id", "reference"),
    ("2026-08-11", "2400.00", "cleared", "P1", "B1"),
    ("2026-09-11", "2400.00", "cleared", "P1", "B2"),
]
FILES: dict[str, Rows] = {"charges": CHARGES, "aid": AID, "plan_schedules": PLANS, "cleared_draws": BANK}


def write(folder: Path, **changed: Rows) -> Path:
    """A folder of exports: one student with a bill of 12,000.00, a plan of five draws and two draws cleared."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in (FILES | changed).items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows(rows)
    return folder


@pytest.fixture
def work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder, the current one: the sample rules and good exports."""
    shutil.copytree(ROOT / "rules", tmp_path / "rules")
    write(tmp_path / "exports")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def ran(capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Runs a command line; gives exit code, stdout and stderr."""

    def one(line: str, *more: str) -> Ran:
        code = run([*line.split(), *more])
        return (code, *capsys.readouterr())

    return one


def daily(ran: Callable[..., Ran], *more: str, exports: str = "exports", as_of: str = AS_OF) -> Ran:
    """A daily run of the working folder."""
    return ran(f"daily {exports} --as-of {as_of}", *more)


def tree(folder: Path) -> dict[str, bytes]:
    """Every file of a folder with its bytes."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


BAD_CHARGES: Rows = [*CHARGES, ("0102", "2026-FA", "2026-07-15", "=1,2x"), ("0103", "2026-FA", "2026-02-30", "10.00")]


# ---- a run that completes


def test_daily_leaves_a_run_folder(work: Path, ran: Callable[..., Ran]) -> None:
    """A daily run exits 0 and leaves every data file and the audit, and nothing else in the reports."""
    code, out, err = daily(ran)
    assert code == 0, err
    assert [p.name for p in (work / "reports").iterdir()] == [f"{AS_OF}-daily"]
    held = set(tree(work / "reports" / f"{AS_OF}-daily"))
    written = {name for name in WRITERS if name != "packet.pdf"}
    assert held == {"entries.parquet" if name == "entries" else f"{name}.csv" for name in outputs_of("daily")} | {"audit.json", *written}
    assert f"Report: reports{os.sep}{AS_OF}-daily" in out


@pytest.mark.usefixtures("work")
def test_the_summary_is_read_in_ten_seconds(ran: Callable[..., Ran]) -> None:
    """The summary says date, bank span, coverage, draws by state, what to open, and the caution; ASCII, and on one screen."""
    _, out, _ = daily(ran)
    lines = out.splitlines()
    assert lines[0] == f"As of {AS_OF}: bank files 2026-08-11 to 2026-09-11, no earlier run"
    assert ["2026-FA", "covered", "by", "pending", "1", "0.00"] in [line.split() for line in lines]
    assert ["cleared", "2", "4,800.00", "4,800.00"] in [line.split() for line in lines]
    assert ["pending", "3", "7,200.00", "0.00"] in [line.split() for line in lines]
    assert any(line.startswith("Open first: ") for line in lines)
    assert "the college's own policy" in out
    assert out.isascii()
    assert len(lines) <= 30


@pytest.mark.usefixtures("work")
def test_messages_and_results_are_apart(ran: Callable[..., Ran]) -> None:
    """Which rules were used is a message; in a pipe or a scheduled job no progress is told."""
    _, out, err = daily(ran)
    assert err == "Rules: rules (in the current folder)\n"
    assert "Rules:" not in out


def test_same_bytes_twice_anywhere(work: Path, ran: Callable[..., Ran], tmp_path_factory: pytest.TempPathFactory, monkeypatch: Any) -> None:
    """The same exports and rules give the same bytes again, in another folder, called by another path, and given as files."""
    daily(ran)
    first = tree(work / "reports" / f"{AS_OF}-daily")
    daily(ran, exports=" ".join(f"exports/{name}.csv" for name in reversed(FILES)))
    assert tree(work / "reports" / f"{AS_OF}-daily-2") == first
    other = tmp_path_factory.mktemp("other")
    monkeypatch.chdir(other)
    code, _, err = ran(f"daily {work / 'exports'} --as-of {AS_OF} --rules {work / 'rules'} --into {other / 'x'}")
    assert code == 0, err
    assert tree(other / "x") == first
    assert not any(str(folder).encode() in data for data in first.values() for folder in (work, ROOT))


def test_reruns_never_write_over(work: Path, ran: Callable[..., Ran]) -> None:
    """A rerun takes the next number and leaves the earlier run as it was."""
    daily(ran)
    first = tree(work / "reports")
    daily(ran)
    assert {name: tree(work / "reports")[name] for name in first} == first
    assert sorted(p.name for p in (work / "reports").iterdir()) == [f"{AS_OF}-daily", f"{AS_OF}-daily-2"]


def test_a_later_run_follows_the_earlier(work: Path, ran: Callable[..., Ran]) -> None:
    """The audit of a later run names the one before and its run hash; `--previous` names another."""
    daily(ran, as_of="2026-09-14")
    daily(ran, as_of="2026-09-13")
    _, out, _ = daily(ran)
    assert "follows 2026-09-14-daily" in out
    audits = {p.parent.name: json.loads(p.read_text()) for p in (work / "reports").glob("*/audit.json")}
    hashes = {key: audits["2026-09-14-daily"][key] for key in ("run_hash", "audit_hash")}
    assert audits[f"{AS_OF}-daily"]["previous"] == {"run": "2026-09-14-daily", "signature": None} | hashes
    _, out, _ = daily(ran, "--previous", "reports/2026-09-13-daily")
    assert "follows 2026-09-13-daily" in out


def test_into_is_the_exact_folder(work: Path, ran: Callable[..., Ran]) -> None:
    """`--into` is written exactly there; a second time it is refused before anything is read."""
    assert daily(ran, "--into", "here/october")[0] == 0
    before = tree(work / "here")
    code, _, err = daily(ran, "--into", "here/october", exports="nowhere")
    assert (code, tree(work / "here")) == (2, before)
    assert "never written over" in err
    assert not (work / "reports").exists()


# ---- refused: exit 2


def test_rejected_rows_refuse(work: Path, ran: Callable[..., Ran]) -> None:
    """Rows that cannot be used refuse the run: first problems told, all of them in a file, no report."""
    write(work / "exports", charges=BAD_CHARGES)
    code, out, err = daily(ran)
    assert (code, out) == (2, "")
    assert "charges.csv" in err
    assert "row 3" in err
    assert "row 4" in err
    assert "2 rows cannot be used (charges 2 rows, 10.00 and 1 without a readable amount), with 2 problems." in err
    assert "--without-rejected" in err
    place = Path("reports", "refused", AS_OF, "rejected_rows.csv")
    assert str(place) in err
    assert list(tree(work / "reports")) == [place.relative_to("reports").as_posix()]
    table = list(csv.DictReader(io.StringIO(place.read_text(encoding="utf-8"))))
    assert [(r["file"], r["row"], r["column"]) for r in table] == [("charges.csv", "3", "amount"), ("charges.csv", "4", "posted_on")]
    assert table[0]["value"] == "'=1,2x"
    assert all(r["how to mend it"] for r in table)


def test_without_rejected_goes_on(work: Path, ran: Callable[..., Ran]) -> None:
    """With --without-rejected the run completes, and rejected rows and their money come before every figure."""
    write(work / "exports", charges=BAD_CHARGES)
    code, out, _ = daily(ran, "--without-rejected")
    assert code == 0
    assert out.index("REJECTED AND LEFT OUT OF EVERY FIGURE: charges 2 rows, 10.00 and 1") < out.index("Coverage")
    run_folder = work / "reports" / f"{AS_OF}-daily"
    assert len((run_folder / "rejected_rows.csv").read_text().splitlines()) == 3
    made = json.loads((run_folder / "audit.json").read_text())
    assert (made["totals"]["charges"]["rejected"], made["totals"]["charges"]["cents_rejected"]) == (2, 1000)
    assert made["options"]["without_rejected"] is True


def test_many_problems_are_grouped(work: Path, ran: Callable[..., Ran]) -> None:
    """Ten causes at most are told, rows with the same cause together, and how many more there are."""
    bad: Rows = [*CHARGES, *((f"0{i}", "2026-FA", "2026-07-15", "x") for i in range(40))]
    _, _, err = daily(ran, exports=str(write(work / "more", charges=bad)))
    assert "row 3" in err
    assert "row 4," not in err
    assert "(and 39 rows more)" in err
    assert len(err.splitlines()) < 25


def test_a_terminal_is_not_written_on_by_data(work: Path, ran: Callable[..., Ran]) -> None:
    """Control characters in a cell never reach the console."""
    _, _, err = daily(ran, exports=str(write(work / "more", charges=[*CHARGES, ("0102", "2026-FA", "2026-07-15", "\x1b[2Jx")])))
    assert "row 3" in err
    assert "\x1b" not in err


def test_rows_of_refused_exports_are_listed_too(work: Path, ran: Callable[..., Ran]) -> None:
    """Where the exports as a whole are refused, rows that would be rejected are in the list as well, so that one round mends all."""
    write(work / "exports", charges=BAD_CHARGES)
    (work / "exports" / "aid.csv").unlink()
    code, _, err = daily(ran)
    assert code == 2
    assert "aid" in err
    assert len((work / "reports" / "refused" / AS_OF / "rejected_rows.csv").read_text().splitlines()) == 3


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("", "Usage: reconcile"),
        ("nothing", "No such command 'nothing'"),
        ("daily exports", "Missing option '--as-of'"),
        ("daily --as-of 2026-09-15", "Missing argument 'EXPORTS...'"),
        ("daily exports --as-of 09/15/2026", "'09/15/2026' is not a date written like 2026-10-15"),
        ("daily exports --as-of 20260915", "'20260915' is not a date written like 2026-10-15"),
        ("daily exports --as-of 2026-02-30", "'2026-02-30' is not a date written like 2026-10-15"),
        ("daily exports --as-of 2026-09-15 --bank-from soon", "'soon' is not a date"),
        ("daily nowhere --as-of 2026-09-15", "nowhere is not there"),
        ("daily exports gone.csv --as-of 2026-09-15", "gone.csv is not there"),
        ("daily exports --as-of 2026-09-15 --rules nowhere", "nowhere"),
        ("daily exports --as-of 2026-09-15 --map nowhere.toml", "nowhere.toml"),
        ("daily exports --as-of 2026-09-15 --previous rules", "holds no audit.json"),
        ("daily exports --as-of 2026-09-15 --fail-on old", "'old' is not one of 'new', 'any'"),
        ("check nowhere", "nowhere is not there"),
        ("schedule --term 2026-FB --amount 100.00 --enrolled-on 2026-07-20", "Did you mean 2026-FA?"),
        ("schedule --term 2026-FA --amount 100,0 --enrolled-on 2026-07-20", "'100,0' is not an amount of money"),
        ("schedule --term 2026-FA --amount 100 --enrolled-on 2027-07-20", "write no such plan"),
        ("schedule --term 2026-FA --amount 100 --enrolled-on 2026-07-20 --method gold", "'gold' is not one of"),
        ("start rules", "not empty"),
    ],
)
def test_refusals(work: Path, ran: Callable[..., Ran], line: str, told: str) -> None:
    """Whatever cannot be used as it stands exits 2, says why on stderr, shows nothing and writes nothing."""
    before = tree(work)
    code, out, err = ran(line)
    assert (code, out) == (2, "")
    assert told in err
    assert "Traceback" not in err
    assert tree(work) == before


def test_mistakes_in_rules_refuse(work: Path, ran: Callable[..., Ran]) -> None:
    """A wrong key in the rules refuses the run with file and line."""
    with (work / "rules" / "plans.toml").open("a", encoding="utf-8") as file:
        file.write("\nsplitt = 1\n")
    code, _, err = daily(ran)
    assert code == 2
    assert "plans.toml" in err
    assert "splitt" in err


@pytest.mark.usefixtures("work")
def test_a_previous_run_from_later_is_refused(ran: Callable[..., Ran]) -> None:
    """A run cannot follow one that is as of a later day."""
    daily(ran)
    code, _, err = daily(ran, "--previous", f"reports/{AS_OF}-daily", as_of="2026-09-12")
    assert code == 2
    assert "cannot be the previous run" in err


def test_a_changed_previous_run_is_refused(work: Path, ran: Callable[..., Ran]) -> None:
    """A run does not follow one whose audit was edited."""
    daily(ran, as_of="2026-09-12")
    path = work / "reports" / "2026-09-12-daily" / "audit.json"
    path.write_text(path.read_text().replace('"as_of": "2026-09-12"', '"as_of": "2026-09-11"'))
    code, _, err = daily(ran)
    assert code == 2
    assert "was changed since its run" in err


def test_far_fewer_rows_refuse_until_accepted(work: Path, ran: Callable[..., Ran]) -> None:
    """An export with far fewer rows than in the run before refuses, and goes through with --accept-drop, which the audit says."""
    more: Rows = [*CHARGES, *((f"09{i:02d}", "2026-FA", "2026-07-15", "1.00") for i in range(50))]
    daily(ran, exports=str(write(work / "more", charges=more)), as_of="2026-09-12")
    code, _, err = daily(ran)
    assert code == 2
    assert "charges has 1 row; the previous run had 51" in err
    code, _, err = daily(ran, "--accept-drop")
    assert code == 0, err
    assert json.loads((work / "reports" / f"{AS_OF}-daily" / "audit.json").read_text())["options"]["accept_drop"] is True


def test_bank_files_that_begin_too_late_refuse_until_said(work: Path, ran: Callable[..., Ran]) -> None:
    """Draws from before the bank files refuse the run; --bank-from says that the files are whole."""
    late = write(work / "late", cleared_draws=[BANK[0], BANK[2]])
    code, _, err = daily(ran, exports=str(late))
    assert code == 2
    assert "2026-08-10" in err
    code, out, err = daily(ran, "--bank-from", "2026-08-01", "--bank-through", "2026-09-14", exports=str(late))
    assert code == 0, err
    assert "bank files 2026-08-01 to 2026-09-14" in out
    made = json.loads((work / "reports" / f"{AS_OF}-daily" / "audit.json").read_text())
    assert (made["options"]["bank_from"], made["options"]["bank_through"]) == ("2026-08-01", "2026-09-14")


def test_a_column_map_beside_the_exports_is_named(work: Path, ran: Callable[..., Ran]) -> None:
    """Where exports cannot be used, no map was given and a single one lies beside them, the message names it."""
    (work / "our_map.toml").write_text("")
    (work / "exports" / "charges.csv").write_text("Who,What\n1,2\n")
    _, _, err = daily(ran)
    assert "add --map" in err
    assert "our_map.toml" in err
    (work / "your_map.toml").write_text("")
    assert "add --map" not in daily(ran)[2]


# ---- check


def test_check_shows_each_file(work: Path, ran: Callable[..., Ran]) -> None:
    """Check says for each file what was read and that every row can be used, exits 0, and writes nothing."""
    before = tree(work)
    code, out, _ = ran("check exports")
    assert code == 0
    assert ["charges.csv", "charges", "1", "1", "0", "0", "0", "12,000.00"] in [line.split() for line in out.splitlines()]
    assert out.endswith("Every row can be used.\n")
    assert tree(work) == before


def test_check_shows_every_problem(work: Path, ran: Callable[..., Ran]) -> None:
    """Check with rows that cannot be used tells them, exits 2 and writes nothing."""
    write(work / "exports", charges=BAD_CHARGES)
    before = tree(work)
    code, out, err = ran("check exports")
    assert code == 2
    assert "row 3" in out
    assert "row 4" in out
    assert "2 rows cannot be used" in err
    assert tree(work) == before


# ---- schedule


@pytest.mark.usefixtures("work")
def test_schedule_writes_the_plan(ran: Callable[..., Ran]) -> None:
    """The plan that the rules would write is shown; an amount may carry thousands commas."""
    code, out, _ = ran("schedule --term 2026-FA --amount 12,000.00 --enrolled-on 2026-07-20")
    assert code == 0
    assert out.count("2,400.00") == 5
    assert ran("schedule --term 2026-FA --amount 12000 --enrolled-on 2026-07-20")[1] == out


# ---- where the rules lie


def test_rules_are_found(work: Path, monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """As given; else in the current folder, beside the exports, above them; else the samples, which are said to be nobody's policy."""
    exports = [work / "exports"]
    assert cli_support.find_rules(Path("mine"), exports).folder == Path("mine")
    assert cli_support.find_rules(None, exports).folder == Path("rules")
    monkeypatch.chdir(tmp_path_factory.mktemp("elsewhere"))
    assert cli_support.find_rules(None, exports).folder == work / "rules"
    assert cli_support.find_rules(None, [work / "exports" / "charges.csv"]).folder == work / "rules"
    (work / "exports" / "fall").mkdir()
    assert cli_support.find_rules(None, [work / "exports" / "fall"]).folder == work / "rules"
    shutil.rmtree(work / "rules")
    found = cli_support.find_rules(None, exports)
    assert (found.folder, found.samples) == (ROOT / "rules", True)
    assert "no college's policy" in found.told


def test_sample_rules_are_told_in_the_summary(work: Path, ran: Callable[..., Ran]) -> None:
    """A run by the sample rules says so where the figures stand."""
    shutil.rmtree(work / "rules")
    code, out, _ = daily(ran)
    assert code == 0
    assert "Note: Rules: the samples that come with reconcile" in out


# ---- proof, faults, interruptions: exits 3, 4 and 130


def stand_in(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> None:
    """The reconciliation ends with an error."""

    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr("reconcile.run.reconcile_exports", fail)


def test_a_control_total_that_does_not_come_out(work: Path, ran: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit 3, said on stderr, and no report is left."""
    stand_in(monkeypatch, ProofError("charges: accepted = all buckets: 1.00 on the left, 2.00 on the right."))
    code, out, err = daily(ran)
    assert (code, out) == (3, "")
    assert "1.00 on the left" in err
    assert tree(work).keys() == tree(work / "exports").keys() | {} or not (work / "reports").exists()


def test_a_fault_of_ours(work: Path, ran: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit 4, with a file that says where in the code, without what the error quotes, and for its owner only."""
    monkeypatch.delenv(cli_support.DETAILS, raising=False)
    (work / "reports").mkdir()
    fault = ValueError(f"plan {PLANS[1][0]}")
    fault.__cause__ = KeyError(f"student {PLANS[1][1]}")
    stand_in(monkeypatch, fault)
    code, out, err = daily(ran)
    assert (code, out) == (4, "")
    assert "a fault of ours" in err
    (details,) = (work / "reports").iterdir()
    assert details.name.startswith("reconcile-fault-")
    assert str(details.name) in err
    text = details.read_text()
    assert "ValueError" in text
    assert "KeyError" in text
    assert "in daily" in text
    assert "0101" not in text
    assert "P1" not in text
    if os.name == "posix":
        assert details.stat().st_mode & 0o077 == 0
    monkeypatch.setenv(cli_support.DETAILS, "1")
    daily(ran)
    assert any("plan P1" in p.read_text() for p in (work / "reports").iterdir())


def test_a_fault_without_reports_goes_to_the_temporary_folder(
    work: Path, ran: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Where there is no folder of reports yet, none is made for a fault."""
    place = tmp_path_factory.mktemp("temporary")
    monkeypatch.setattr("tempfile.tempdir", str(place))
    stand_in(monkeypatch, ZeroDivisionError())
    assert daily(ran)[0] == 4
    assert [p.name.startswith("reconcile-fault-") for p in place.iterdir()] == [True]
    assert not (work / "reports").exists()


def test_the_end_of_a_file_is_no_interruption(work: Path, ran: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch) -> None:
    """An unexpected end of a file inside our code is a fault, not taken for a person who gave up."""
    stand_in(monkeypatch, EOFError())
    (work / "reports").mkdir()
    assert daily(ran)[0] == 4


def test_interrupted(work: Path, ran: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch) -> None:
    """Exit 130 when interrupted, while reconciling as while writing, and nothing is left."""

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("reconcile.audit.write_audit", interrupt)
    code, out, err = daily(ran)
    assert (code, out) == (130, "")
    assert "Interrupted" in err
    assert not list((work / "reports").iterdir())
    stand_in(monkeypatch, KeyboardInterrupt())
    assert daily(ran)[0] == 130


def test_a_table_of_another_shape_is_a_fault(work: Path, ran: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch) -> None:
    """A run that gives a table other than declared leaves no folder and exits 4."""
    tables = {name: pd.DataFrame({c.name: pd.Series(dtype=DTYPES[c.kind]) for c in OUTPUTS[name]}) for name in outputs_of("daily")}
    tables["proof"] = tables["proof"].drop(columns="left")
    result = Result(date.fromisoformat(AS_OF), tables, (), (), totals_of(tables["students"], tables["draws"], tables["plans"]))
    monkeypatch.setattr("reconcile.run.reconcile_exports", lambda *_, **__: result)
    assert daily(ran)[0] == 4
    assert [p.name.startswith("reconcile-fault-") for p in (work / "reports").iterdir()] == [True]


def python(*arguments: str, **options: Any) -> subprocess.Popen[bytes]:
    """The command in a process of its own."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **options.pop("env", {})}
    return subprocess.Popen([sys.executable, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment, **options)


@pytest.mark.skipif(os.name != "posix", reason="signals of this kind are sent on POSIX systems only")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_stopped_process_leaves_nothing(work: Path, number: signal.Signals) -> None:
    """Interrupted or asked to end in the middle of writing, the command exits 130 and leaves no folder, hidden or not."""
    code = (
        "import signal, time, reconcile.audit, reconcile.cli\n"
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # as at a terminal, also where the tests run in the background
        "def wait(*_):\n    print('writing', flush=True)\n    time.sleep(60)\n"
        "reconcile.audit.write_audit = wait\nreconcile.cli.main()\n"
    )
    with python("-c", code, "daily", "exports", "--as-of", AS_OF, cwd=work) as process:
        assert process.stdout is not None
        begun = process.stdout.readline()
        unfinished = len(list((work / "reports").iterdir())) if begun else 0
        process.send_signal(number)
        out, err = process.communicate(timeout=30)
    assert (begun, unfinished) == (b"writing\n", 1), err
    assert (process.returncode, out) == (130, b""), err
    assert list((work / "reports").iterdir()) == []


def test_a_console_that_is_not_utf8(work: Path) -> None:
    """A console that lacks a letter shows a question mark, and the command goes on."""
    rows: Rows = [*CHARGES, ("\u0141\u00f3d\u017a\u2713", "2026-FA", "2026-07-15", "\u2713")]
    folder = write(work / "\u2713", charges=rows)
    with python("-m", "reconcile", "check", str(folder), cwd=work, env={"PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"}) as process:
        out, err = process.communicate(timeout=60)
    assert process.returncode == 2, err
    assert b'"?"' in out


def test_a_reader_that_has_gone(work: Path) -> None:
    """A result piped to a reader that stops reading does not fail the run."""
    read_end, write_end = os.pipe()
    os.close(read_end)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    line = [sys.executable, "-m", "reconcile", "daily", "exports", "--as-of", AS_OF]
    done = subprocess.run(line, check=False, stdout=write_end, stderr=subprocess.PIPE, cwd=work, env=environment)
    os.close(write_end)
    assert done.returncode == 0, done.stderr
    assert (work / "reports" / f"{AS_OF}-daily" / "audit.json").is_file()


def test_every_exit_code_is_told() -> None:
    """The module's own table names every exit code that the command can end with."""
    told = {int(line.split("|")[1]) for line in (cli.__doc__ or "").splitlines() if line.startswith("| ") and line[2].isdigit()}
    assert told == {0, cli.DIFFERS, cli.REFUSED, ProofError.exit_code, cli.FAULT, cli.INTERRUPTED}
