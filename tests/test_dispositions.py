"""Notes that people write: a CSV by exception id, read strictly, refused with every problem at once; and the command line around them."""

from __future__ import annotations

import csv
import json
from datetime import date
from pathlib import Path

import pytest

from reconcile.cli import run
from reconcile.dispositions import Note, read_notes
from reconcile.errors import RefusedError
from reconcile.policy import Rules, load_rules

ROOT = Path(__file__).parents[1]
HEAD = "exception_id,disposition,note,decided_by,decided_on\n"


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


def wrote(folder: Path, text: str) -> Path:
    path = folder / "notes.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_notes_are_read_as_written(tmp_path: Path, rules: Rules) -> None:
    """Each row is a note, in the file's order; capitals of a disposition do not matter; a row that says nothing is passed over."""
    text = HEAD + 'XA,Family Contacted,"called, no answer",A. Clerk,2026-10-15\nXB,,only a note,,\nXC,,,,\n'
    assert read_notes(wrote(tmp_path, text), rules) == (
        Note("XA", "family contacted", "called, no answer", "A. Clerk", date(2026, 10, 15)),
        Note("XB", "", "only a note", "", None),
    )


def test_other_columns_and_their_order_do_not_matter(tmp_path: Path, rules: Rules) -> None:
    """The exception list itself, with its last columns filled in, is a file of notes."""
    text = "kind,Disposition,Exception ID,what\nfailed draw,working,XA,a sentence\nfailed draw,,XB,another\n"
    assert read_notes(wrote(tmp_path, text), rules) == (Note("XA", "working", "", "", None),)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("XA,wurking,,,", "row 2, disposition 'wurking': is no disposition of the rules"),
        ("XA,wurking,,,", "Did you mean working?"),
        (",working,,,", "row 2, exception_id '': is empty"),
        ("XA,working,,A,15/10/2026", "row 2, decided_on '15/10/2026': is not a date written like 2026-10-15"),
        ("XA,working,,A,2026-02-30", "decided_on '2026-02-30'"),
        ("XA,working,,A,2026-11-01", "decided_on '2026-11-01': has not come yet"),
        ("XA,fixed,,,2026-10-15", "decided_by '': is empty; 'fixed' closes the exception, so say who decided and when"),
        ("XA,fixed,,A,", "decided_on '': is empty"),
    ],
)
def test_a_wrong_row_is_refused_with_its_place_and_cure(row: str, told: str, tmp_path: Path, rules: Rules) -> None:
    """File, row, column and value are named, and what to write instead."""
    with pytest.raises(RefusedError) as error:
        read_notes(wrote(tmp_path, f"{HEAD}{row}\n"), rules, date(2026, 10, 31))
    assert told in str(error.value)
    assert "notes.csv" in str(error.value)


def test_all_problems_come_at_once(tmp_path: Path, rules: Rules) -> None:
    """Two wrong rows are two problems of one refusal."""
    with pytest.raises(RefusedError) as error:
        read_notes(wrote(tmp_path, f"{HEAD}XA,no,,,\nXB,fixed,,,\n"), rules)
    assert len(error.value.problems) == 3


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "exception_id,note\nXA,x\n"])
def test_a_file_that_is_no_notes_is_refused(text: str, tmp_path: Path, rules: Rules) -> None:
    """An empty file, other headings, or a missing column is refused."""
    with pytest.raises(RefusedError, match="cannot be used"):
        read_notes(wrote(tmp_path, text), rules)


@pytest.mark.parametrize(
    ("raw", "told"),
    [
        (b"", ["the file is empty; export it again; headings alone will do where there are no rows"]),
        (b"PK\x03\x04" + bytes(99), ["workbook or another archive"]),
        (b"a,b\n1,2\n", ["column exception_id is missing", "column disposition is missing"]),
    ],
)
def test_what_is_wrong_with_the_file_is_said_once_and_for_notes(raw: bytes, told: list[str], tmp_path: Path, rules: Rules) -> None:
    """No cure of exports (a column map), and no missing columns where there is no table."""
    path = tmp_path / "notes.csv"
    path.write_bytes(raw)
    with pytest.raises(RefusedError) as error:
        read_notes(path, rules)
    assert len(error.value.problems) == len(told)
    assert all(part in problem and "column map" not in problem for part, problem in zip(told, error.value.problems, strict=True))


def test_a_missing_file_is_refused(tmp_path: Path, rules: Rules) -> None:
    """A path that leads nowhere is a plain refusal."""
    with pytest.raises(RefusedError, match="cannot be read"):
        read_notes(tmp_path / "none.csv", rules)


def table(folder: Path, name: str) -> list[dict[str, str]]:
    with (folder / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_notes_from_run_to_run_on_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Notes given to one run stand in its list, in its audit, and in the next run; --fail-on counts what is new or open."""
    sample, reports = str(ROOT / "sample_exports" / "standard"), tmp_path / "reports"
    base = ["daily", sample, "--rules", str(ROOT / "rules"), "--reports", str(reports)]
    assert run([*base, "--as-of", "2026-10-22"]) == 0
    first = table(reports / "2026-10-22-daily", "exceptions.csv")
    chosen = next(row["exception_id"] for row in first if row["kind"] == "posted twice")
    notes = wrote(tmp_path, f"{HEAD}{chosen},accepted as it is,=1+1 agreed with the bursar,A. Clerk,2026-10-22\n")
    assert run([*base, "--as-of", "2026-11-20", "--notes", str(notes), "--fail-on", "new"]) == 1
    assert run([*base, "--as-of", "2026-11-21"]) == 0
    assert run([*base, "--as-of", "2026-11-22", "--fail-on", "new"]) == 0
    assert run([*base, "--as-of", "2026-11-22", "--fail-on", "any"]) == 1
    for name in ("2026-11-20-daily", "2026-11-21-daily", "2026-11-22-daily", "2026-11-22-daily-2"):
        row = next(row for row in table(reports / name, "exceptions.csv") if row["exception_id"] == chosen)
        assert (row["standing"], row["decided_by"], row["decided_on"]) == ("closed", "A. Clerk", "2026-10-22")
        assert row["note"] == "'=1+1 agreed with the bursar"
        assert [r["amount"] for r in table(reports / name, "dispositions.csv")] == [row["amount"]]
    audit = json.loads((reports / "2026-11-20-daily" / "audit.json").read_text(encoding="utf-8"))
    assert [source["file"] for source in audit["inputs"] if source["role"] == "notes"] == ["notes.csv"]
    out = capsys.readouterr().out
    assert "Open first: exceptions.csv" in out
    assert "Urgent: plan exceeds bill 1" in out
