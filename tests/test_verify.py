"""`verify`: an untouched chain passes, and each single change, wherever it is made, is found and named."""

from __future__ import annotations

import dataclasses
import json
import re
import shutil
import tomllib
from typing import TYPE_CHECKING, Any

import openpyxl
import pypdf
import pytest
from run_case import ROOT, make_chain, reconcile, tampered
from sample_year import MONTH_ENDS, Year, write_exports

from reconcile import audit as audit_module
from reconcile.cli import run
from reconcile.deliver.workbook import EXCEPTIONS
from reconcile.run import reconcile_exports
from reconcile.seals import as_text, sealed

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

FIRST, DAILY, SECOND_DAILY, LAST = "2026-08-31-close", "2026-09-14-daily", "2026-09-15-daily", "2026-09-30-close"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two closes and two daily runs, the first close signed, made once."""
    return make_chain(tmp_path_factory.mktemp("office"))


@pytest.fixture
def office(made: Path, tmp_path: Path) -> Path:
    """A copy of the office for one test."""
    shutil.copytree(made, tmp_path / "office")
    return tmp_path / "office"


@pytest.fixture
def verify(office: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    """Runs `verify`; gives the exit code and all that was said."""

    def one(name: str, *more: str) -> tuple[int, str]:
        code = run(["verify", str(office / "reports" / name), *more])
        said = capsys.readouterr()
        return code, said.out + said.err

    return one


# ---- what passes


@pytest.mark.parametrize("name", [FIRST, DAILY, SECOND_DAILY, LAST])
def test_an_untouched_chain_passes(verify: Callable[..., tuple[int, str]], name: str) -> None:
    """Every run of the chain is as it was made, a close is made again from its own inputs, and what could not be checked is said."""
    code, said = verify(name)
    assert code == 0, said
    assert said.endswith("No difference found.\n")
    assert ("made again from the same inputs" in said) == name.endswith("close")
    assert ("Not checked: the same result again from the same inputs: name them with --exports" in said) == name.endswith("daily")


def test_the_report_says_what_was_checked(verify: Callable[..., tuple[int, str]]) -> None:
    """Files, chain, signatures and who follows: all told for the signed close; the last one goes back to it."""
    said = verify(FIRST)[1]
    assert "Signed: by Ana Novak as preparer on 2026-09-02" in said
    assert "Signed: by Bo Lind as reviewer on 2026-09-02" in said
    assert "Checked: the chain: this is the first run" in said
    assert f"Note: {LAST} follows this run and names its hashes." in said
    assert f"Checked: 3 earlier runs, back to {FIRST}" in verify(LAST)[1]


def test_a_daily_run_is_made_again_from_exports(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """With the exports as they were, rules found beside them, a daily run is the same again, byte for byte."""
    bank = office / "exports" / "cleared_draws.csv"
    bank.write_bytes(b"".join(bank.read_bytes().splitlines(keepends=True)[:-1]))
    code, said = verify(SECOND_DAILY, "--exports", str(office / "exports"))
    assert code == 0, said
    assert "Checked: made again from the same inputs" in said


def test_the_notes_stand_in_the_audit_and_are_read_again(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """A file of notes is an input with its role and hash, a close keeps it, and with exports at hand it is found or asked for."""
    inputs = json.loads((office / "reports" / LAST / "audit.json").read_bytes())["inputs"]
    (notes,) = [i for i in inputs if i["role"] == "notes"]
    assert notes["file"] == "notes_september.csv"
    assert (office / "reports" / LAST / "inputs" / "notes" / "notes_september.csv").is_file()
    given = ("--exports", str(office / "exports"), "--rules", str(office / "rules"))
    code, said = verify(LAST, *given)
    assert code == 0, said
    (office / "notes_september.csv").unlink()
    code, said = verify(LAST, *given)
    assert (code, "Say with --notes where they lie" in said) == (2, True)


def test_what_a_close_said_of_files_that_it_did_not_keep_stays(
    office: Path, verify: Callable[..., tuple[int, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A budget beside the exports, and sample rules for want of others: the close says so, and says the same when it is made again."""
    (office / "exports" / "budget.docx").write_bytes(b"x")
    (office / "rules").rename(office / "aside")
    monkeypatch.chdir(office / "reports")
    reconcile("close", str(office / "exports"), "--as-of", "2026-10-31", "--reports", str(office / "reports"))
    notes = json.loads((office / "reports" / "2026-10-31-close" / "audit.json").read_bytes())["notes"]
    assert any(note.startswith("budget.docx was not read") for note in notes)
    assert any(note.startswith("Rules: the samples") for note in notes)
    code, said = verify("2026-10-31-close")
    assert code == 0, said
    assert "made again from the same inputs" in said


def test_a_changed_rule_stands_in_the_packet(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """The rules that a close keeps are held against those of the next: key by key, in its packet."""
    plans = office / "rules" / "plans.toml"
    plans.write_text(plans.read_text(encoding="utf-8").replace("soon_days = ", "soon_days = 1"), encoding="utf-8")
    reports = office / "reports"
    reconcile("close", str(office / "exports"), "--as-of", "2026-10-31", "--reports", str(reports), "--rules", str(office / "rules"))
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(reports / "2026-10-31-close" / "packet.pdf").pages)
    was, now = (
        tomllib.loads(path.read_text(encoding="utf-8"))["soon_days"] for path in (reports / LAST / "inputs/rules/plans.toml", plans)
    )
    assert f"plans.toml soon_days {was} {now}" in re.sub(r"\s+", " ", text)
    assert verify("2026-10-31-close")[0] == 0


# ---- what a single change comes to


def edit(name: str, change: Callable[[dict[str, Any]], Any], file: str = "audit.json") -> Callable[[Path], None]:
    """Change what a JSON file of a run says, and write it as the program would."""

    def one(reports: Path) -> None:
        path = reports / name / file
        document = json.loads(path.read_bytes())
        change(document)
        path.chmod(0o644)
        path.write_bytes(as_text(document))

    return one


def byte(name: str, file: str) -> Callable[[Path], None]:
    return lambda reports: tampered(reports / name / file)


def signed(change: Callable[[list[dict[str, Any]]], Any]) -> Callable[[Path], None]:
    return edit(FIRST, lambda document: change(document["signatures"]), "signatures.json")


def swap(one: str, other: str) -> Callable[[Path], None]:
    def change(reports: Path) -> None:
        (reports / one).rename(reports / "aside")
        (reports / other).rename(reports / one)
        (reports / "aside").rename(reports / other)

    return change


def file_in(name: str, file: str) -> Callable[[Path], Any]:
    return lambda reports: (reports / name / file).write_bytes(b"x")


CHANGES: dict[str, tuple[str, Callable[[Path], Any], str]] = {
    "a byte of students.csv": (LAST, byte(LAST, "students.csv"), "students.csv of 2026-09-30-close is not as the run wrote it"),
    "a byte of entries.parquet": (LAST, byte(LAST, "entries.parquet"), "entries.parquet of 2026-09-30-close is not as the run wrote it"),
    "a byte of rollforward.csv": (LAST, byte(LAST, "rollforward.csv"), "rollforward.csv of 2026-09-30-close is not as"),
    "a byte of the packet": (LAST, byte(LAST, "packet.pdf"), "packet.pdf of 2026-09-30-close is not as the run wrote it"),
    "a byte of a signed file": (FIRST, byte(FIRST, "proof.csv"), "proof.csv of 2026-08-31-close is not as it was signed"),
    "a kept input": (LAST, byte(LAST, "inputs/exports/charges.csv"), "inputs/exports/charges.csv of 2026-09-30-close is not as"),
    "a kept rule": (LAST, byte(LAST, "inputs/rules/plans.toml"), "inputs/rules/plans.toml of 2026-09-30-close is not as"),
    "the kept map": (LAST, byte(LAST, "inputs/map/office_map.toml"), "inputs/map/office_map.toml of 2026-09-30-close is not as"),
    "the kept notes": (LAST, byte(LAST, "inputs/notes/notes_september.csv"), "inputs/notes/notes_september.csv of"),
    "a file removed": (LAST, lambda r: (r / LAST / "draws.csv").unlink(), "draws.csv is missing in 2026-09-30-close"),
    "a file added": (LAST, file_in(LAST, "more.csv"), "more.csv is in 2026-09-30-close, and is no file of that run"),
    "an input added": (LAST, file_in(LAST, "inputs/exports/aid2.csv"), "inputs/exports/aid2.csv is in 2026-09-30-close"),
    "the audit removed": (LAST, lambda r: (r / LAST / "audit.json").unlink(), "audit.json of 2026-09-30-close is missing"),
    "a byte of the audit": (LAST, byte(LAST, "audit.json"), "audit.json of 2026-09-30-close"),
    "spacing of the audit": (
        LAST,
        lambda r: (r / LAST / "audit.json").write_bytes((r / LAST / "audit.json").read_bytes().replace(b'"kind": ', b'"kind":  ')),
        "says the same in other bytes",
    ),
    "version": (LAST, edit(LAST, lambda a: a.update(version="9")), "something else under version than the run wrote"),
    "an option": (LAST, edit(LAST, lambda a: a["options"].update(accept_drop=True)), "something else under options than"),
    "a total": (LAST, edit(LAST, lambda a: a["totals"]["charges"].update(rows_read=7)), "something else under totals than the run wrote"),
    "cents of an input": (LAST, edit(LAST, lambda a: a["inputs"][0].update(size=1)), "something else under inputs than the run wrote"),
    "a note": (LAST, edit(LAST, lambda a: a["notes"].append("all is well")), "something else under notes than the run wrote"),
    "the bank's span": (LAST, edit(LAST, lambda a: a["bank_span"].update(last="2026-12-31")), "something else under bank_span than"),
    "the previous hash": (LAST, edit(LAST, lambda a: a["previous"].update(run_hash="0" * 64)), "something else under previous than"),
    "the close before": (LAST, edit(LAST, lambda a: a.update(previous_close=None)), "something else under previous_close than"),
    "the run hash": (LAST, edit(LAST, lambda a: a.update(run_hash="0" * 64)), "something else under run_hash than"),
    "a seal": (LAST, edit(LAST, lambda a: a["seals"].update(more="0" * 64)), "what the run wrote under more is gone"),
    "a name": (FIRST, signed(lambda s: s[0].update(name="Cy Ng")), "signature 1 (preparer Cy Ng) was changed since it was given"),
    "a day": (FIRST, signed(lambda s: s[1].update(on="2026-09-03")), "signature 2 (reviewer Bo Lind) was changed since it was given"),
    "a signature's hash": (FIRST, signed(lambda s: s[0].update(signature="0" * 64)), "signature 1 (preparer Ana Novak) was changed since"),
    "a signature's note": (FIRST, signed(lambda s: s[1].update(note="not me")), "signature 2 (reviewer Bo Lind) was changed since"),
    "the first signature removed": (FIRST, signed(lambda s: s.pop(0)), "signature 1 (reviewer Bo Lind) does not follow the signature"),
    "the last signature removed": (FIRST, signed(lambda s: s.pop()), "a signature was taken out, added or moved"),
    "signatures changed places": (FIRST, signed(lambda s: s.reverse()), "signature 1 (reviewer Bo Lind) does not follow the signature"),
    "a signature added": (FIRST, signed(lambda s: s.append(s[1] | {"name": "Cy Ng"})), "signature 3 (reviewer Cy Ng) was changed since"),
    "all signatures gone": (FIRST, lambda r: (r / FIRST / "signatures.json").unlink(), "this run had a signature that is now gone"),
    "a run dropped": (
        LAST,
        lambda r: shutil.rmtree(r / SECOND_DAILY),
        "2026-09-30-close follows the run 2026-09-15-daily, which is not in",
    ),
    "a run dropped further back": (LAST, lambda r: shutil.rmtree(r / DAILY), "2026-09-15-daily follows the run 2026-09-14-daily, which"),
    "the close before dropped": (LAST, lambda r: shutil.rmtree(r / FIRST), "2026-09-30-close follows the close 2026-08-31-close, which"),
    "a run renamed": (LAST, lambda r: (r / DAILY).rename(r / "2026-09-14-daily-2"), "it now lies in 2026-09-14-daily-2, so it was renamed"),
    "this run renamed": (LAST, swap(LAST, SECOND_DAILY), "the folder 2026-09-30-close holds a daily run as of 2026-09-15"),
    "runs changed places": (LAST, swap(DAILY, SECOND_DAILY), "2026-09-15-daily holds a daily run as of 2026-09-14"),
    "a byte of an earlier run": (LAST, byte(DAILY, "draws.csv"), "draws.csv of 2026-09-14-daily is not as the run wrote it"),
    "an earlier run's signature": (LAST, signed(lambda s: s[0].update(name="Cy Ng")), "signature 1 (preparer Cy Ng) was changed since"),
}


@pytest.mark.parametrize(("name", "change", "told"), CHANGES.values(), ids=CHANGES)
def test_a_single_change_is_found_and_named(
    office: Path, verify: Callable[..., tuple[int, str]], name: str, change: Callable[[Path], Any], told: str
) -> None:
    """One change anywhere in the chain: exit 1, and a sentence that names it."""
    change(office / "reports")
    code, said = verify(name)
    assert code == 1, said
    assert "DIFFERENCE: " in said
    assert told in said
    assert "No difference found" not in said


def test_the_first_difference_comes_first(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """What was changed leads; what follows from it stands below."""
    tampered(office / "reports" / LAST / "draws.csv")
    said = verify(LAST)[1]
    assert said.splitlines()[1].startswith("DIFFERENCE: draws.csv of 2026-09-30-close is not as the run wrote it: it is of the same size")


AT_HAND: dict[str, tuple[Callable[[Path], Any], str]] = {
    "a byte of an export": (lambda o: tampered(o / "exports" / "charges.csv"), "the input charges.csv is not as it was at the run"),
    "an export gone": (
        lambda o: (o / "exports" / "aid.csv").rename(o / "exports" / "aid 2.csv"),
        "the input aid 2.csv is at hand now, and was not there at the run",
    ),
    "an export more": (
        lambda o: (o / "exports" / "postings.csv").write_text("student_id,term,posted_on,kind,amount\n"),
        "the input postings.csv is at hand now, and was not there at the run",
    ),
    "control totals more": (
        lambda o: (o / "exports" / "control_totals.toml").write_text("[charges]\nrows = 1\n"),
        "the input control_totals.toml is at hand now",
    ),
    "a rule": (
        lambda o: (o / "rules" / "plans.toml").write_bytes((o / "rules" / "plans.toml").read_bytes() + b"\n# remark\n"),
        "the rule file plans.toml is not as it was at the run",
    ),
    "a broken rule": (lambda o: (o / "rules" / "plans.toml").write_bytes(b"x = "), "can no longer be read"),
    "the map": (lambda o: (o / "office_map.toml").write_bytes(b""), "the column map office_map.toml is not as it was at the run"),
    "the notes": (lambda o: tampered(o / "notes_september.csv"), "the notes notes_september.csv are not as they were at the run"),
}


@pytest.mark.parametrize(("change", "told"), AT_HAND.values(), ids=AT_HAND)
def test_a_changed_input_is_named(office: Path, verify: Callable[..., tuple[int, str]], change: Callable[[Path], Any], told: str) -> None:
    """An export, a rule, the map or the notes that are not what the run was made from are named, and nothing is compared with them."""
    change(office)
    given = ("--exports", str(office / "exports"), "--rules", str(office / "rules"))
    files = ("--map", str(office / "office_map.toml"), "--notes", str(office / "notes_september.csv"))
    code, said = verify(LAST, *given, *files)
    assert (code, told in said) == (1, True), said


def forge(reports: Path, name: str, file: str, old: bytes, new: bytes) -> None:
    """Change a data file and make every hash of the audit anew, as somebody would who knows the program."""
    path = reports / name / file
    raw = path.read_bytes()
    assert raw.count(old) >= 1
    path.chmod(0o644)
    path.write_bytes(raw.replace(old, new, 1))
    audit = json.loads((reports / name / "audit.json").read_bytes())
    audit["outputs"] = [
        o | {"sha256": audit_module.sha256_of(path), "size": path.stat().st_size} if o["file"] == file else o for o in audit["outputs"]
    ]
    audit["run_hash"] = audit_module.run_hash(audit)
    (reports / name / "audit.json").chmod(0o644)
    (reports / name / "audit.json").write_bytes(as_text(sealed(audit)))


def test_a_forged_result_is_found_by_making_it_again(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """Hashes made anew hide nothing from the same inputs: the first cell that differs is named with row, column and both values."""
    forge(office / "reports", LAST, "students.csv", b",short\n", b",paid\n")
    code, said = verify(LAST)
    assert code == 1
    assert "DIFFERENCE: students.csv is not what the same inputs give: row 2, column coverage: the run has 'paid', " in said


def test_a_forged_run_is_found_by_whoever_follows_it(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """A daily run without its exports is still held by the run after it, from both sides."""
    forge(office / "reports", SECOND_DAILY, "exceptions.csv", b"act", b"axt")
    assert f"{LAST} follows the run {SECOND_DAILY} with other hashes than it has now" in verify(SECOND_DAILY)[1]
    assert f"{LAST} follows the run {SECOND_DAILY} with other hashes than the folder of that name has" in verify(LAST)[1]


def test_a_forged_run_is_found_by_its_signatures(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """Signatures name the hashes of what was seen."""
    forge(office / "reports", FIRST, "proof.csv", b"0.00", b"0.01")
    assert "signature 1 (preparer Ana Novak) was given to another run or another audit" in verify(FIRST)[1]


def test_another_result_from_the_same_inputs_is_named(verify: Callable[..., tuple[int, str]], monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that works out something else today is found, with file, row and column."""
    real = reconcile_exports

    def other(*given: Any, **named: Any) -> Any:
        result = real(*given, **named)
        draws = result.tables["draws"]
        changed = {**result.tables, "draws": draws.assign(attempts=draws["attempts"] + 1)}
        return dataclasses.replace(result, tables=changed)

    monkeypatch.setattr("reconcile.run.reconcile_exports", other)
    code, said = verify(LAST)
    assert code == 1
    assert "draws.csv is not what the same inputs give: row 2, column attempts: the run has '1', the same inputs give '2'" in said


def linked(path: Path, elsewhere: Path) -> None:
    """Put a link in the place of a file or folder that now lies elsewhere, every byte the same."""
    path.rename(elsewhere)
    path.symlink_to(elsewhere)


LINKS: dict[str, tuple[str, str]] = {
    "a file": ("draws.csv", "draws.csv of 2026-09-30-close is only a link to another place"),
    "an input": ("inputs/exports/charges.csv", "inputs/exports/charges.csv of 2026-09-30-close is only a link to another place"),
    "a folder": ("inputs", "inputs of 2026-09-30-close is only a link to another place"),
    "the run": ("", "the folder 2026-09-30-close is only a link to another place"),
}


@pytest.mark.parametrize(("place", "told"), LINKS.values(), ids=LINKS)
def test_what_is_only_a_link_is_named(office: Path, verify: Callable[..., tuple[int, str]], place: str, told: str) -> None:
    """A link to the same bytes elsewhere is a difference: there others may change them."""
    linked(office / "reports" / LAST / place, office / "elsewhere")
    code, said = verify(LAST)
    assert (code, told in said) == (1, True), said


def test_a_link_that_was_added_is_named(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """One that leads nowhere too."""
    (office / "reports" / LAST / "more.csv").symlink_to(office / "nowhere")
    code, said = verify(LAST)
    assert (code, "more.csv of 2026-09-30-close is only a link" in said) == (1, True), said


@pytest.mark.parametrize("place", [".", "inputs", ".."])
def test_verify_from_any_working_directory(
    office: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], place: str
) -> None:
    """Inside the run, inside one of its folders, or beside it: the same run is found and made again."""
    monkeypatch.chdir(office / "reports" / LAST / place)
    assert run(["verify", {".": ".", "inputs": "..", "..": f"{LAST}/"}[place]]) == 0
    told = capsys.readouterr().out
    assert told.startswith(f"Run {LAST}, ")
    assert "made again from the same inputs" in told


def test_a_folder_that_nobody_may_write_in_is_verified(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """A share that is only read from: every file and folder of the office without the right to write."""
    held = [office, *(path for path in office.rglob("*"))]
    for path in held:
        path.chmod(path.stat().st_mode & ~0o222)
    try:
        code, said = verify(LAST)
    finally:
        for path in held:
            path.chmod(path.stat().st_mode | 0o200)
    assert (code, "made again from the same inputs" in said) == (0, True), said


@pytest.mark.parametrize("name", ["october", "2026-09-14-daily-2"])
def test_a_run_that_others_follow_cannot_be_renamed_unseen(office: Path, verify: Callable[..., tuple[int, str]], name: str) -> None:
    """The run itself says so, whatever it is called now."""
    (office / "reports" / DAILY).rename(office / "reports" / name)
    code, said = verify(name)
    assert (code, f"{SECOND_DAILY} follows this run under the name {DAILY}: this folder was renamed" in said) == (1, True), said


def test_a_workbook_of_notes_saved_again_is_told_and_no_difference(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """October's daily run read the workbook of the close before; somebody went on writing in it: not made again, and nothing differs."""
    book = office / "reports" / LAST / "workbook.xlsx"
    write_note(book, "asked the bank")
    bank = ("--reports", str(office / "reports"), "--rules", str(office / "rules"), "--map", str(office / "office_map.toml"))
    reconcile("daily", str(office / "exports"), "--as-of", "2026-10-15", *bank)
    inputs = json.loads((office / "reports" / "2026-10-15-daily" / "audit.json").read_bytes())["inputs"]
    assert f"{LAST}/workbook.xlsx" in {i["file"] for i in inputs if i["role"] == "notes"}
    given = ("--exports", str(office / "exports"), "--rules", str(office / "rules"), "--map", str(office / "office_map.toml"))
    assert "made again from the same inputs" in verify("2026-10-15-daily", *given)[1]
    write_note(book, "asked the bank again")
    code, said = verify("2026-10-15-daily", *given)
    assert code == 0, said
    assert f"Note: the workbook {LAST}/workbook.xlsx was saved again since this run read it, so the run could not be made again." in said
    assert "DIFFERENCE" not in said


def write_note(book: Path, note: str) -> None:
    """Write a note beside the first exception of a workbook and save it, as a person would."""
    held = openpyxl.load_workbook(book)
    sheet = held[EXCEPTIONS]
    column = [cell.value for cell in sheet[1]].index("Note") + 1
    sheet.cell(2, column).value = note
    held.save(book)


def test_files_of_the_system_are_only_told(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """What an operating system leaves behind is told and is no difference."""
    (office / "reports" / LAST / ".DS_Store").write_bytes(b"x")
    code, said = verify(LAST)
    assert (code, "Note: .DS_Store lies in 2026-09-30-close" in said) == (0, True)


def test_a_missing_rerun_is_told(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """A rerun whose first run is gone says so, though nobody follows it."""
    reports = office / "reports"
    line = ["close", str(reports / LAST / "inputs" / "exports"), "--as-of", "2026-09-30", "--reports", str(reports)]
    reconcile(*line, "--rules", str(office / "rules"))
    shutil.rmtree(reports / LAST)
    code, said = verify(f"{LAST}-2")
    assert (code, f"{LAST} is not in" in said) == (0, True), said


def test_a_folder_that_is_no_run_is_refused(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """Nothing can be said of a folder that holds no run: exit 2."""
    (office / "reports" / "elsewhere").mkdir()
    assert verify("elsewhere")[0] == 2
    assert verify("nowhere")[0] == 2


def test_a_changed_run_is_not_followed(office: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A run whose list was changed cannot be the run before another one; nor can a changed close be opened from."""
    reports = office / "reports"
    base = ["--reports", str(reports), "--rules", str(office / "rules")]
    tampered(reports / LAST / "exceptions.csv")
    assert run(["daily", str(office / "exports"), "--as-of", "2026-10-15", *base]) == 2
    assert "exceptions.csv is missing or was changed since" in capsys.readouterr().err
    shutil.rmtree(reports / LAST)
    tampered(reports / FIRST / "closing_lines.csv")
    assert run(["close", str(office / "exports"), "--as-of", "2026-10-31", *base]) == 2
    assert "closing_lines.csv is missing or was changed since" in capsys.readouterr().err


def test_a_year_of_signed_closes_passes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Eight month-ends, each signed by two people before the next: every one passes, made again from its own inputs; one gap is named."""
    year, reports = Year(), tmp_path / "reports"
    for day in MONTH_ENDS:
        write_exports(year, day, tmp_path / "exports" / str(day))
        line = ("--as-of", str(day), "--reports", str(reports), "--rules", str(ROOT / "rules"), "--bank-from", "2026-07-20")
        reconcile("close", str(tmp_path / "exports" / str(day)), *line, "--bank-through", str(day))
        for role, name in (("preparer", "Ana Novak"), ("reviewer", "Bo Lind")):
            reconcile("sign-off", str(reports / f"{day}-close"), "--role", role, "--name", name, "--on", str(day))
    for day in (MONTH_ENDS[0], MONTH_ENDS[-1]):
        code = run(["verify", str(reports / f"{day}-close")])
        assert (code, "made again from the same inputs" in capsys.readouterr().out) == (0, True)
    shutil.rmtree(reports / f"{MONTH_ENDS[3]}-close")
    assert run(["verify", str(reports / f"{MONTH_ENDS[-1]}-close")]) == 1
    assert f"{MONTH_ENDS[4]}-close follows the run {MONTH_ENDS[3]}-close, which is not in" in capsys.readouterr().out


def test_verify_writes_nothing(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """A check leaves every file of the office as it was."""
    before = {p: p.stat().st_mtime_ns for p in office.rglob("*")}
    verify(LAST)
    assert {p: p.stat().st_mtime_ns for p in office.rglob("*")} == before


@pytest.mark.parametrize("file", ["audit.json", "signatures.json"])
def test_nesting_without_end_is_a_difference_and_no_fault(file: str, office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """A file of thousands of brackets cannot be read as what it should be, and is told so."""
    place = office / "reports" / LAST / file
    place.unlink(missing_ok=True)
    place.write_text("[" * 200_000, encoding="utf-8")
    code, said = verify(LAST)
    assert code in {1, 2}
    assert file in said


def test_files_of_the_system_may_come_and_go_after_a_signature(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """One that lay there when the run was signed is gone, another has come: what was signed is as it was."""
    run = office / "reports" / LAST
    (run / ".DS_Store").write_bytes(b"x")
    reconcile("sign-off", str(run), "--role", "preparer", "--name", "Ana Novak", "--on", "2026-10-02")
    (run / ".DS_Store").unlink()
    (run / "inputs" / "Thumbs.db").write_bytes(b"y")
    code, said = verify(LAST)
    assert (code, "DIFFERENCE" in said) == (0, False), said


def test_a_close_for_scripts_alone_is_made_again_as_such(office: Path, verify: Callable[..., tuple[int, str]]) -> None:
    """Without workbook, page and packet: what it keeps of its inputs is not taken for them."""
    rules = ("--reports", str(office / "reports"), "--rules", str(office / "rules"), "--map", str(office / "office_map.toml"))
    reconcile("close", str(office / "exports"), "--as-of", "2026-10-31", "--only", "csv", *rules)
    code, said = verify("2026-10-31-close")
    assert (code, "made again from the same inputs" in said) == (0, True), said
