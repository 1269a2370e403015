"""Signatures under a run: who may sign, what is signed, and that none can be lost, replaced or slipped in."""

from __future__ import annotations

import json
import multiprocessing
import os
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from run_case import make_runs, reconcile, tampered

from reconcile import cli, signing
from reconcile.audit import Named, outputs_in, read_audit, sha256_of
from reconcile.cli import run as command
from reconcile.errors import RefusedError
from reconcile.run_check import check_run
from reconcile.run_folder import previous_run
from reconcile.seals import fingerprint
from reconcile.signatures import hash_of_files, read_signatures, same_person, written_name

DAY = date(2026, 9, 20)
TODAY = date(2026, 9, 21)
RUN = "2026-09-15-daily"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs, made once."""
    return make_runs(tmp_path_factory.mktemp("made"))


@pytest.fixture
def run(made: Path, tmp_path: Path) -> Path:
    """The second run, in reports of its own."""
    shutil.copytree(made, tmp_path / "office")
    return tmp_path / "office" / "reports" / RUN


def sign(run: Path, role: str = "preparer", name: str = "Ana Novak", on: date = DAY, note: str = "") -> Any:
    return signing.sign_off(run, role, name, on, TODAY, note)


def test_preparer_then_reviewer(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Both sign; each entry holds name, role, day, note and the hashes of what was seen, and the second follows the first."""
    sign(run, note="  looked at\tall of it ")
    sign(run, "reviewer", "Bo Lind", date(2026, 9, 21))
    first, second = read_signatures(run)
    audit = read_audit(run)
    assert (first.role, first.name, first.on, first.note, first.follows) == ("preparer", "Ana Novak", DAY, "looked at all of it", "")
    assert (second.role, second.name, second.follows) == ("reviewer", "Bo Lind", first.hash)
    assert {(s.run_hash, s.audit_hash) for s in (first, second)} == {(audit["run_hash"], audit["audit_hash"])}
    assert check_run(run).differences == ()
    assert "Both have signed." in capsys.readouterr().out


def test_what_is_signed_is_worked_out_from_the_files(run: Path) -> None:
    """The signed hash is SHA-256 over name and SHA-256 of each file of the folder; the entry's own hash is over all the rest of it."""
    names = sorted([f.name, sha256_of(f)] for f in run.iterdir())
    sign(run)
    entry = json.loads((run / "signatures.json").read_text(encoding="utf-8"))["signatures"][0]
    assert entry["files_hash"] == fingerprint(names)
    assert entry["signature"] == fingerprint({k: v for k, v in entry.items() if k != "signature"})
    assert hash_of_files((*outputs_in(run), Named("audit.json", sha256_of(run / "audit.json"), 0))) == entry["files_hash"]


@pytest.mark.parametrize(
    "name", ["Ana Novak", "ANA NOVAK", "ana  novak", "Aná Nóvak", "\uff21\uff2e\uff21 Novak", "Ana\u00a0Novak", "A.na Novak", "AnaNovak"]
)
def test_two_different_people(run: Path, name: str) -> None:
    """Capitals, accents, spaces, points and full-width letters make no other person."""
    sign(run)
    with pytest.raises(RefusedError, match="another person"):
        sign(run, "reviewer", name)


def test_names_that_are_no_names() -> None:
    """An empty name, one without letters or with characters that nobody sees is refused; others keep their letters."""
    for name in ("", "  ", "123", "Ana\u202eNovak", "Ana\u200bNovak", "Ana\x00", "A" * 201):
        with pytest.raises(RefusedError):
            written_name(name)
    assert written_name(" Zoe\u0308  Adams\n") == "Zoë Adams"
    assert not same_person("Ana Novak", "Ana Nowak")


def test_the_reviewer_comes_second(run: Path) -> None:
    """Nobody reviews what nobody has prepared."""
    with pytest.raises(RefusedError, match="after the preparer"):
        sign(run, "reviewer")
    assert not (run / "signatures.json").exists()


def test_a_role_is_signed_once(run: Path) -> None:
    """A second signature for a role is refused and says by whom and when the first was given."""
    sign(run)
    with pytest.raises(RefusedError, match=r"signed already by Ana Novak as preparer, on 2026-09-20"):
        sign(run, "preparer", "Cy Ng")
    assert len(read_signatures(run)) == 1


def test_days_in_order(run: Path) -> None:
    """Nobody signs before the day of the run, or as reviewer before the preparer."""
    with pytest.raises(RefusedError, match="is before 2026-09-15"):
        sign(run, on=date(2026, 9, 14))
    sign(run)
    with pytest.raises(RefusedError, match="is before 2026-09-20"):
        sign(run, "reviewer", "Bo Lind", date(2026, 9, 19))


def test_no_day_to_come(run: Path) -> None:
    """Nobody signs for tomorrow; a run of a day to come may bear that day, for it is not signed before."""
    with pytest.raises(RefusedError, match=r"2026-09-22 has not come yet: it is 2026-09-21"):
        sign(run, on=date(2026, 9, 22))
    assert not (run / "signatures.json").exists()
    signing.sign_off(run, "preparer", "Ana Novak", date(2026, 9, 15), date(2026, 9, 1))
    assert read_signatures(run)[0].on == date(2026, 9, 15)


def test_each_note_is_said_once(run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A close names the close before it as its run and as its close; signing that one tells of it once."""
    office, reports = run.parents[1], tmp_path / "closes"
    for day in ("2026-08-31", "2026-09-30"):
        reconcile("close", str(office / "exports"), "--as-of", day, "--reports", str(reports), "--rules", str(office / "rules"))
    capsys.readouterr()
    sign(reports / "2026-08-31-close")
    assert capsys.readouterr().err.count("2026-09-30-close follows this run") == 1


@pytest.mark.parametrize("file", ["students.csv", "entries.parquet", "audit.json"])
def test_a_changed_run_cannot_be_signed(run: Path, file: str) -> None:
    """A run with a changed byte is refused, the file named, and no signature is left."""
    tampered(run / file)
    with pytest.raises(RefusedError) as error:
        sign(run)
    assert file in str(error.value)
    assert not (run / "signatures.json").exists()


def test_a_run_after_a_changed_one_cannot_be_signed(run: Path) -> None:
    """What the run follows is part of what is signed."""
    tampered(run.parent / "2026-09-14-daily" / "exceptions.csv")
    with pytest.raises(RefusedError, match=r"2026-09-14-daily"):
        sign(run)


def test_between_two_signatures_nothing_may_change(run: Path) -> None:
    """After the preparer has signed, a changed file stops the reviewer."""
    sign(run)
    tampered(run / "draws.csv")
    with pytest.raises(RefusedError, match=r"draws.csv of 2026-09-15-daily is not as it was signed"):
        sign(run, "reviewer", "Bo Lind")


def with_workbook(run: Path) -> Path:
    """A run of which the workbook is a file: it is put into its audit as the program would."""
    from reconcile.audit import with_outputs, write_audit

    book = run / "workbook.xlsx"
    book.write_bytes(b"as made")
    audit = read_audit(run)
    (run / "audit.json").unlink()
    write_audit(run, with_outputs(audit, outputs_in(run)))
    return book


def test_the_workbook_may_be_saved_until_the_first_signature(run: Path) -> None:
    """Edited before the first signature it is told, and is what is signed; edited later it is a difference."""
    book = with_workbook(run)
    book.write_bytes(b"as saved by the analyst")
    found = check_run(run)
    assert (found.differences, [f.file for f in found.edited]) == ((), ["workbook.xlsx"])
    sign(run)
    assert read_signatures(run)[0].edited == (Named("workbook.xlsx", sha256_of(book), book.stat().st_size),)
    assert check_run(run).differences == ()
    tampered(book)
    assert check_run(run).differences[0].startswith("workbook.xlsx of 2026-09-15-daily is not as it was signed")


def test_an_open_workbook_is_closed_first(run: Path) -> None:
    """While a spreadsheet has the workbook open nobody signs; the lock that it keeps is no difference."""
    (run / "~$workbook.xlsx").write_bytes(b"lock")
    assert check_run(run).differences == ()
    with pytest.raises(RefusedError, match="Save and close it"):
        sign(run)


def test_signed_files_are_guarded(run: Path) -> None:
    """Nobody may write a signed file by accident, and a second signature still can be added."""
    sign(run)
    assert {path.name for path in run.iterdir() if path.stat().st_mode & 0o222} == {"signatures.json"}
    sign(run, "reviewer", "Bo Lind")
    assert len(read_signatures(run)) == 2


def _one(run: str, role: str, name: str, start: Any, done: Any) -> None:
    start.wait()
    try:
        signing.sign_off(Path(run), role, name, DAY, TODAY)
        done.put(name)
    except RefusedError as error:
        done.put(str(error))


def test_two_at_once_lose_none(run: Path) -> None:
    """Of six who sign as preparer at one moment one has signed, and the five others are told by whom; nothing else is left."""
    at_once = multiprocessing.get_context("spawn")
    start, done = at_once.Event(), at_once.Queue()
    people = [at_once.Process(target=_one, args=(str(run), "preparer", f"Person {letter}", start, done)) for letter in "ABCDEF"]
    for person in people:
        person.start()
    start.set()
    said = [done.get(timeout=120) for _ in people]
    for person in people:
        person.join()
    (signed,) = read_signatures(run)
    assert said.count(signed.name) == 1
    assert sum(f"signed already by {signed.name}" in text for text in said) == 5
    assert check_run(run).differences == ()
    assert [p.name for p in run.parent.iterdir() if p.name.startswith(".")] == []


def test_a_run_is_signed_from_inside_its_folder(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Called as `.`, the run is signed all the same, and nothing else is left in it."""
    monkeypatch.chdir(run)
    sign(Path())
    assert check_run(run).differences == ()
    assert check_run(Path()).name == RUN


def test_a_failed_write_leaves_what_was_there(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fails while the reviewer signs leaves the preparer's signature whole, and no draft."""
    sign(run)
    before = (run / "signatures.json").read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RefusedError, match="Nothing was signed"):
        sign(run, "reviewer", "Bo Lind")
    assert (run / "signatures.json").read_bytes() == before
    assert [p.name for p in run.parent.iterdir() if p.name.startswith(".")] == []


def test_a_signed_run_is_followed_and_never_written_over(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A later run follows a signed one and names its signature; a rerun of its day takes the next number."""
    from run_case import daily

    sign(run)
    assert previous_run(run.parent, date(2026, 9, 16)) == run
    daily(run.parents[1], "2026-09-16")
    daily(run.parents[1], "2026-09-15")
    assert read_audit(run.parent / "2026-09-16-daily")["previous"]["signature"] == read_signatures(run)[0].hash
    assert (run.parent / f"{RUN}-2" / "audit.json").is_file()
    assert check_run(run).differences == ()
    assert f"{RUN}-2 " not in capsys.readouterr().err


def test_a_rerun_of_a_signed_day_is_told(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever runs a signed day again hears that it is signed, and that the new run is not."""
    sign(run)
    line = ["daily", str(run.parents[1] / "exports"), "--as-of", "2026-09-15", "--reports", str(run.parent)]
    assert command([*line, "--rules", str(run.parents[1] / "rules")]) == 0
    assert f"Note: {RUN} is signed already and stays as it is." in capsys.readouterr().err


def test_the_command_signs_as_of_today(run: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Without --on the signature is of the day on which it is given; only the command line asks the clock."""
    monkeypatch.setattr(cli, "today", lambda: date(2026, 9, 30))
    assert command(["sign-off", str(run), "--role", "preparer", "--name", "Ana Novak"]) == 0
    assert read_signatures(run)[0].on == date(2026, 9, 30)
    assert command(["sign-off", str(run), "--role", "reviewer", "--name", "ana novak"]) == 2
    assert command(["sign-off", str(run), "--role", "auditor", "--name", "Bo Lind"]) == 2


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"signatures": 1}', '{"signatures": [{}]}', "\udcff", '{"signatures": [], "last": ""}'])
def test_unreadable_signatures_are_told(run: Path, text: str) -> None:
    """Whatever stands in the file, it is told in words, and nobody signs below it."""
    (run / "signatures.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    assert any("signatures.json" in told for told in check_run(run).differences)
    with pytest.raises(RefusedError):
        sign(run)


def test_a_folder_that_is_no_run(tmp_path: Path) -> None:
    """There is nothing to sign in a folder without an audit."""
    with pytest.raises(RefusedError, match="not the folder of a run"):
        sign(tmp_path)
