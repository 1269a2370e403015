"""A column that an export may do without, lost or renamed on the way: told on the first run, and refused where the run before had it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest
from intake_case import BANK, CHARGES, IN_ORDER, POSTINGS, read, refused, write
from run_case import daily, make_office

from reconcile.audit import read_audit
from reconcile.cli import run
from reconcile.exports import columns_by_export
from reconcile.run_folder import runs
from reconcile.schemas import EXPORTS
from reconcile.seals import as_text, sealed

if TYPE_CHECKING:
    from pathlib import Path

CODED = "settled_on,amount,outcome,plan_id,reference,return_code\n2026-08-11,400.00,cleared,P1,T1,\n2026-09-11,400.00,returned,P1,T2,R02\n"
RENAMED = CODED.replace("return_code", "reason")
LOST = (
    "cleared_draws.csv has no return_code, and cleared_draws of the previous run had it. "
    "Without it every return is taken as one without a code, and no plan is under a stop. "
)
GONE = "If the column is really gone, accept that with --accept-drop."


def before(folder: Path, files: dict[str, str]) -> dict[str, Any]:
    """What the previous run knows of its columns, as an option of `read`."""
    return {"previous_columns": columns_by_export(read(folder / "before", files).sources)}


# ---- against the run before


def test_a_renamed_column_that_the_run_before_had_refuses_the_run(tmp_path: Path) -> None:
    """File, column, what being without it means, the heading that may be meant, and both cures."""
    assert refused(tmp_path, {"cleared_draws.csv": RENAMED}, **before(tmp_path, {"cleared_draws.csv": CODED})) == [
        (
            f'{LOST}Not read, and perhaps meant for it: "reason". '
            f'Restore the heading, or write return_code = "reason" under columns of [cleared_draws] in the column map. {GONE}'
        )
    ]


def test_a_column_map_that_says_what_it_is_called_now_is_a_cure(tmp_path: Path) -> None:
    """The code is read again, and nothing is told."""
    told = '[cleared_draws.columns]\nreturn_code = "reason"\n'
    exports = read(tmp_path, {"cleared_draws.csv": RENAMED}, told, **before(tmp_path, {"cleared_draws.csv": CODED}))
    assert exports.notes == ()
    assert exports.tables["cleared_draws"]["return_code"].tolist() == ["", "R02"]


def test_a_column_that_is_gone_without_another_heading_refuses_too(tmp_path: Path) -> None:
    """No heading can be meant for it, so none is named."""
    assert refused(tmp_path, {"cleared_draws.csv": BANK}, **before(tmp_path, {"cleared_draws.csv": CODED})) == [
        (
            f'{LOST}Restore the heading, or write return_code = "the heading that holds it" under columns of [cleared_draws] in the '
            f"column map. {GONE}"
        )
    ]


def test_a_column_that_is_really_gone_is_accepted_and_told(tmp_path: Path) -> None:
    """With --accept-drop the run goes on, and says what it is without."""
    exports = read(tmp_path, {"cleared_draws.csv": BANK}, accept_drop=True, **before(tmp_path, {"cleared_draws.csv": CODED}))
    assert exports.notes == (f"{LOST}It is accepted with --accept-drop.",)


def test_a_column_that_one_file_of_the_export_still_has_is_not_lost(tmp_path: Path) -> None:
    """Bank files of several months are one export; without the column in all of them, the files are named, the first three."""
    had = before(tmp_path, {"cleared_draws.csv": CODED})
    months = {f"cleared_draws {n}.csv": BANK.replace("T1", f"A{n}").replace("T2", f"B{n}") for n in range(1, 6)}
    assert read(tmp_path / "one", {"cleared_draws.csv": CODED, **months}, **had).notes == ()
    (told,) = refused(tmp_path / "all", {"cleared_draws.csv": None, **months}, **had)
    listed = "cleared_draws 1.csv, cleared_draws 2.csv, cleared_draws 3.csv and 2 more"
    assert told.startswith(f"No file of cleared_draws has return_code ({listed}), and cleared_draws of the previous run had it.")


def test_columns_on_which_no_figure_hangs_may_come_and_go(tmp_path: Path) -> None:
    """A description is read and changes nothing."""
    described = CHARGES.replace("charge_type", "charge_type,description").replace("tuition", "tuition,Full time")
    assert read(tmp_path, {"charges.csv": CHARGES}, **before(tmp_path, {"charges.csv": described})).notes == ()


def test_an_export_that_is_not_there_has_lost_no_column(tmp_path: Path) -> None:
    """Postings that were left out are told by their rows, and not by their columns; nor has a new export lost any."""
    assert read(tmp_path, {}, **before(tmp_path, {"postings.csv": POSTINGS})).notes == ()
    assert read(tmp_path / "other", {"postings.csv": POSTINGS}, **before(tmp_path / "other", {})).notes == ()


# ---- on any run


def test_a_heading_nobody_reads_beside_a_missing_column_says_what_that_means(tmp_path: Path) -> None:
    """It comes before all other notes; only columns on which figures hang are named."""
    text = CHARGES.replace("charge_type", "typ")
    told = (
        "charges.csv: not read, since no standard column has this name: typ. "
        "charges.csv has no charge_type: every charge is taken as one that the plan pays, a fine too. "
        "If a heading that is not read is one of these, say so under columns in the column map; if none is, put it under leave_out."
    )
    exports = read(tmp_path, {"charges.csv": text, "charges 2.csv": text.replace("S", "T")})
    assert (exports.notes[0], exports.in_doubt) == (exports.in_doubt[0], exports.notes[:2])
    assert told in exports.in_doubt


def test_every_missing_column_is_named(tmp_path: Path) -> None:
    """The second is separated by a semicolon; columns that are there are not named."""
    (note,) = read(tmp_path, {"cleared_draws.csv": RENAMED}).notes
    assert "has no student_id: an event of an unknown plan is nobody's; no line: no event names its line" in note
    assert "; no return_code: every return is taken as one without a code, and no plan is under a stop; no original_reference:" in note
    assert "no plan_id" not in note


def test_a_heading_nobody_reads_where_no_column_is_missing_is_only_named(tmp_path: Path) -> None:
    """All columns on which figures hang are there."""
    text = CHARGES.replace("charge_type", "charge_type,more").replace("tuition", "tuition,x")
    exports = read(tmp_path, {"charges.csv": text})
    assert exports.notes == ("charges.csv: not read, since no standard column has this name: more.",)
    assert exports.in_doubt == ()


def test_a_missing_column_is_in_order_where_every_heading_is_read_or_left_out(tmp_path: Path) -> None:
    """An export may do without it; whoever says that a heading is none of ours is not asked again."""
    assert read(tmp_path, {}).notes == ()
    assert read(tmp_path, {"charges.csv": CHARGES.replace("charge_type", "typ")}, '[charges]\nleave_out = ["typ"]\n').notes == ()


def test_a_file_of_several_kinds_says_of_which_a_column_is_missing(tmp_path: Path) -> None:
    """One ledger extract holds charges and postings: each kind is told by its name."""
    both = "student_id,term,posted_on,what,amount,typ\nS1,2026-FA,2026-07-01,C,5.00,x\nS1,2026-FA,2026-07-02,P,4.00,x\n"
    route = 'files = ["ledger.csv"]\n[[{0}.route]]\ncolumn = "what"\nequals = "{1}"\n'
    kind = '[postings.columns]\nkind = "what"\n[postings.values.kind]\nP = "payment"\n'
    told = f"[charges]\n{route.format('charges', 'C')}[postings]\n{route.format('postings', 'P')}{kind}"
    (note,) = read(tmp_path, {"charges.csv": None, "ledger.csv": both}, told).notes
    assert "ledger.csv, as charges, has no charge_type: every charge" in note
    assert "ledger.csv, as postings, has no reference: a posting that was read twice is not known as one." in note


def test_check_does_not_call_such_exports_plainly_usable(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The note stands first, and the last line refers to it."""
    write(tmp_path / "exports", IN_ORDER | {"cleared_draws.csv": RENAMED})
    assert run(["check", str(tmp_path / "exports")]) == 0
    out = capsys.readouterr().out
    assert "Note: cleared_draws.csv: not read, since no standard column has this name: reason. cleared_draws.csv has no student_id: " in out
    assert out.endswith("Every row can be used, but columns are missing on which figures hang: see what the first note says.\n")


def test_each_column_that_may_be_missing_says_what_that_means() -> None:
    """Only what is shown and never reckoned with says nothing; required columns have nothing to say."""
    silent = [(e.name, c.name) for e in EXPORTS.values() for c in e.columns if not c.required and not c.without]
    assert silent == [("charges", "description"), ("plan_schedules", "student_name")]
    assert not any(c.required and c.without for e in EXPORTS.values() for c in e.columns)


# ---- from run to run


@pytest.fixture
def office(tmp_path: Path) -> Path:
    """An office with a run as of 14 September."""
    made = make_office(tmp_path)
    daily(made, "2026-09-14")
    return made


def rename(office: Path) -> None:
    """The bank calls its reference something else from now on."""
    path = office / "exports" / "cleared_draws.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("reference", "trace no"), encoding="utf-8")


def line(office: Path, day: str, *more: str) -> list[str]:
    """The command of a daily run."""
    return ["daily", str(office / "exports"), "--as-of", day, "--reports", f"{office}/reports", "--rules", f"{office}/rules", *more]


def as_before(run_folder: Path) -> None:
    """The audit of a run as versions wrote it that did not say which columns were read."""
    audit = read_audit(run_folder)
    for source in audit["inputs"]:
        for count in source["counts"]:
            del count["columns"]
    (run_folder / "audit.json").write_bytes(as_text(sealed(audit)))


def test_a_run_does_not_follow_one_that_had_a_column_more(office: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing is written; accepted, it is a run, says so, and the next one no longer asks."""
    rename(office)
    assert run(line(office, "2026-09-15")) == 2
    assert "cleared_draws.csv has no reference, and cleared_draws of the previous run had it." in capsys.readouterr().err
    assert [str(name) for name in runs(office / "reports")] == ["2026-09-14-daily"]
    assert run(line(office, "2026-09-15", "--accept-drop")) == 0
    notes = json.loads((office / "reports" / "2026-09-15-daily" / "audit.json").read_text(encoding="utf-8"))["notes"]
    assert any(
        note.endswith("is not known as one, and no return finds its draw by name. It is accepted with --accept-drop.") for note in notes
    )
    assert run(line(office, "2026-09-16")) == 0


def test_an_audit_that_does_not_say_its_columns_refuses_nothing(office: Path) -> None:
    """A run of an earlier version is followed as before."""
    rename(office)
    as_before(office / "reports" / "2026-09-14-daily")
    assert run(line(office, "2026-09-15")) == 0


def test_a_run_whose_audit_does_not_say_its_columns_is_verified(office: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Made again from the same inputs it is the same, though its audit now says more."""
    folder = office / "reports" / "2026-09-14-daily"
    as_before(folder)
    assert run(["verify", str(folder), "--exports", str(office / "exports"), "--rules", str(office / "rules")]) == 0
    assert "No difference found." in capsys.readouterr().out
