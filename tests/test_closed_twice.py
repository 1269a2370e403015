"""A month that is closed twice, and a close that follows what people signed: which close is followed, and what is said of it."""

from __future__ import annotations

import shutil
from datetime import date
from typing import TYPE_CHECKING
from unittest import mock

import pytest
from run_case import make_office, reconcile, tampered

from reconcile import cli
from reconcile.audit import read_audit
from reconcile.run_tables import read_table

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SEPTEMBER, AGAIN, OCTOBER = "2026-09-30-close", "2026-09-30-close-2", "2026-10-31-close"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """September closed, once."""
    office = make_office(tmp_path_factory.mktemp("office"))
    closing(office, "2026-09-30")
    return office


@pytest.fixture
def office(made: Path, tmp_path: Path) -> Path:
    """The same for one test."""
    shutil.copytree(made, tmp_path / "office")
    return tmp_path / "office"


def closing(office: Path, day: str, *more: str) -> None:
    """A close that goes through."""
    reconcile(*line(office, day, *more))


def line(office: Path, day: str, *more: str) -> tuple[str, ...]:
    """The command that closes as of a day."""
    places = ("--reports", str(office / "reports"), "--rules", str(office / "rules"), "--only", "csv")
    return ("close", str(office / "exports"), "--as-of", day, *places, *more)


def sign(office: Path, run: str, *roles: str) -> None:
    """Sign a run, each role by a person of its own."""
    for role in roles or ("preparer", "reviewer"):
        reconcile("sign-off", str(office / "reports" / run), "--role", role, "--name", f"A {role}", "--on", "2026-10-02")


def followed(office: Path, run: str = OCTOBER) -> tuple[str, str]:
    """The close and the run that a close follows."""
    audit = read_audit(office / "reports" / run)
    return audit["previous_close"]["run"], audit["previous"]["run"]


@pytest.fixture
def said(office: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str]]:
    """Closes as of a day; gives the exit code and what was said on stderr."""

    def one(day: str, *more: str) -> tuple[int, str]:
        code = cli.run(line(office, day, *more))
        return code, capsys.readouterr().err

    return one


def test_a_second_close_of_a_month_is_told(said: Callable[..., tuple[int, str]]) -> None:
    """Nobody has signed the first: the second says that it is there, and the next close says which of them it opens from."""
    told = said("2026-09-30")[1]
    assert (
        f"Note: {SEPTEMBER} closes this month already, and nobody has signed it. Of the two, later closes open from this new one." in told
    )
    told = said("2026-10-31")[1]
    assert f"Note: this close opens from {AGAIN}, the last one made as of 2026-09-30, and not from {SEPTEMBER}." in told


def test_a_signed_close_is_followed_and_not_its_rerun(office: Path, said: Callable[..., tuple[int, str]]) -> None:
    """The basis of the next opening is what people signed; whoever closes again hears it, and so does whoever closes next."""
    sign(office, SEPTEMBER)
    told = said("2026-09-30")[1]
    assert f"Note: {SEPTEMBER} is signed already and stays as it is. Later runs follow it and not this new one" in told
    told = said("2026-10-31")[1]
    assert f"Note: this close opens from {SEPTEMBER}, which is signed, and not from {AGAIN}. Name another with --previous-close." in told
    assert followed(office) == (SEPTEMBER, SEPTEMBER)


def test_a_rerun_takes_the_place_once_as_many_have_signed_it(office: Path, said: Callable[..., tuple[int, str]]) -> None:
    """Both signed the first; with one signature the rerun stays behind, with two it is what is followed."""
    sign(office, SEPTEMBER)
    closing(office, "2026-09-30")
    sign(office, AGAIN, "preparer")
    assert f"opens from {SEPTEMBER}, which more people have signed, and not from {AGAIN}." in said("2026-10-31")[1]
    assert followed(office) == (SEPTEMBER, SEPTEMBER)
    sign(office, AGAIN, "reviewer")
    told = said("2026-10-31")[1]
    assert f"opens from {AGAIN}, which as many have signed and which was made later, and not from {SEPTEMBER}." in told
    assert followed(office, f"{OCTOBER}-2") == (AGAIN, AGAIN)


@pytest.mark.parametrize("signed", [False, True])
def test_the_day_of_a_close_decides_and_not_when_it_was_made(office: Path, said: Callable[..., tuple[int, str]], *, signed: bool) -> None:
    """September closed twice as of the 30th, and then as of the 28th, signed or not: October opens from the second of the 30th.

    Each run says what it and the next month open from, in words that hold for what is done.
    """
    closing(office, "2026-09-30")
    told = said("2026-09-28")[1]
    then = "A close opens from the close of the latest day before its own, signed or not and whenever it was made: the next month from"
    for other in (SEPTEMBER, AGAIN):
        assert f"Note: {other} is another close of this month. {then} 2026-09-30.\n" in told
    if signed:
        sign(office, "2026-09-28-close")
    told = said("2026-10-31")[1]
    assert f"Note: this close opens from {AGAIN}, the last one made as of 2026-09-30, and not from {SEPTEMBER}." in told
    assert "2026-09-28-close" not in told
    assert followed(office) == (AGAIN, AGAIN)


def test_the_close_that_a_person_names_is_followed(office: Path, said: Callable[..., tuple[int, str]]) -> None:
    """`--previous-close` stands above signatures, and then nothing is to be told."""
    sign(office, SEPTEMBER)
    closing(office, "2026-09-30")
    code, told = said("2026-10-31", "--previous-close", str(office / "reports" / AGAIN))
    assert (code, "this close opens from" in told) == (0, False)
    assert followed(office)[0] == AGAIN


def test_two_closes_in_one_month_are_told(office: Path, said: Callable[..., tuple[int, str]]) -> None:
    """Closed as of the 29th of October and again as of the 31st: the second covers two days, and says so in words and in its checks."""
    closing(office, "2026-10-29")
    told = said("2026-10-31")[1]
    assert "Note: 2026-10-29-close is another close of this month. " in told
    assert "signed or not and whenever it was made: the next month from 2026-10-31.\n" in told
    checks = read_table(office / "reports" / OCTOBER, "close_checks")
    (what,) = checks.loc[checks["check"] == "whole months, none left out", "what"]
    assert what == "2026-10-29-close closed this month already: this roll-forward covers only what moved since 2026-10-29."


@pytest.mark.parametrize("file", ["students.csv", "exceptions.csv", "inputs/rules/plans.toml", "inputs/exports/charges.csv"])
def test_a_close_does_not_follow_what_was_changed_since_it_was_signed(
    office: Path, said: Callable[..., tuple[int, str]], file: str
) -> None:
    """Whatever file of the signed close before was changed, the next close is refused, the file named, and no report is left."""
    sign(office, SEPTEMBER)
    tampered(office / "reports" / SEPTEMBER / file)
    code, told = said("2026-10-31")
    assert code == 2
    assert f"{SEPTEMBER} is signed, and is no longer as it was signed, so it cannot be followed." in told
    assert f"{file} of {SEPTEMBER} is not as it was signed" in told
    assert not (office / "reports" / OCTOBER).exists()


@pytest.mark.parametrize("text", ["{}", "not JSON"])
def test_broken_signatures_are_no_way_past_them(office: Path, said: Callable[..., tuple[int, str]], text: str) -> None:
    """Signatures that cannot be read leave the close the one that is followed, and refuse what follows it."""
    sign(office, SEPTEMBER)
    closing(office, "2026-09-30")
    path = office / "reports" / SEPTEMBER / "signatures.json"
    path.chmod(0o644)
    path.write_text(text, encoding="utf-8")
    code, told = said("2026-10-31")
    assert code == 2
    assert "signatures.json" in told


def test_a_decision_of_a_day_to_come_is_refused_in_a_file_of_notes(office: Path, said: Callable[..., tuple[int, str]]) -> None:
    """A file of notes may bear days up to today, or to the day of the run if that is later."""
    exceptions = read_table(office / "reports" / SEPTEMBER, "exceptions")
    notes = office / "notes.csv"

    def told(day: str, today: str) -> tuple[int, str]:
        head = "exception_id,disposition,note,decided_by,decided_on"
        notes.write_text(f"{head}\n{exceptions['exception_id'].iloc[0]},working,asked,A. Clerk,{day}\n", encoding="utf-8")
        with mock.patch.object(cli, "today", return_value=date.fromisoformat(today)):
            return said("2026-10-31", "--notes", str(notes))

    code, words = told("2026-11-02", "2026-11-01")
    assert (code, "decided_on '2026-11-02': has not come yet" in words) == (2, True)
    assert told("2026-11-02", "2026-11-02")[0] == 0
    assert told("2026-10-31", "2026-01-01")[0] == 0
