"""Work done by several processes at once: the same results as in turn, and a plain refusal if a process is ended from outside."""

from __future__ import annotations

import os
import signal
import sys
from functools import partial
from typing import TYPE_CHECKING, Any

import pytest
from run_case import make_office

from reconcile import at_once, cli, exports, forked, run, run_command
from reconcile.errors import RefusedError
from reconcile.parts import Part

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes are copied on Linux only")


def daily(office: Path) -> list[str]:
    """The command line of a daily run of an office."""
    places = ("--reports", str(office / "reports"), "--rules", str(office / "rules"))
    return ["daily", str(office / "exports"), "--as-of", "2026-09-14", *places]


def doubled(number: int) -> int:
    return 2 * number


def ended(number: int) -> int:
    """Work in which the third process is ended as a machine without memory would end it."""
    if number == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def test_the_same_as_in_turn() -> None:
    """Results stand in the order of what was given, however many processes there are."""
    assert [forked.forked(doubled, range(7), workers) for workers in (1, 2, 3)] == [[0, 2, 4, 6, 8, 10, 12]] * 3


def test_a_process_that_is_ended_from_outside_is_a_refusal() -> None:
    """Not a fault of ours, and nobody waits for ever: it says what happens as a rule, and what to do."""
    with pytest.raises(RefusedError, match="ended from outside: as a rule, memory ran out") as error:
        forked.forked(ended, range(6), 2)
    assert error.value.exit_code == 2
    assert "Close other programs" in str(error.value)


def test_a_run_whose_process_is_ended_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    """Of two parts one is ended while it is settled: exit 2, no report, nothing half-written."""
    office, here = make_office(tmp_path), os.getpid()

    def killed(*_: Any, **__: Any) -> None:
        if os.getpid() == here:
            raise RuntimeError("the part was to be settled by a process of its own")
        os.kill(os.getpid(), signal.SIGKILL)

    monkeypatch.setattr(run, "settle", killed)
    monkeypatch.setattr(run_command, "how_many_parts", lambda _exports: 2)
    monkeypatch.setattr(run, "cut_by_student", lambda exports, *_: [Part(exports, {}, 0), Part(exports, {}, 1)])
    monkeypatch.setattr(at_once, "processors", lambda: 2)
    assert cli.run(daily(office)) == 2
    assert "ended from outside" in capsys.readouterr().err
    assert not (office / "reports").exists()


def refused() -> None:
    raise RefusedError("This cannot be.", ("Mend it.",))


def test_what_is_begun_ends_as_it_would_have_here(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Work done beside this process, or at once where there is one processor: what it wrote is there, and its error is raised."""
    for processors in (1, 2):
        monkeypatch.setattr(forked, "processors", lambda count=processors: count)
        path = tmp_path / str(processors)
        work = forked.Begun(partial(path.touch, 0o600))
        work.wait()
        work.end()
        assert path.exists()
        with pytest.raises(RefusedError, match="This cannot be"):
            forked.Begun(refused).end()


class UnsendableError(Exception):
    """An error that cannot be made again from its words."""

    def __init__(self, what: str, *, row: int) -> None:
        super().__init__(what)
        self.row = row


def failed() -> None:
    raise UnsendableError("amount is a float", row=7)


def test_an_error_that_cannot_be_sent_comes_back_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    """With its kind, its words and where it happened: whoever mends the fault needs them."""
    monkeypatch.setattr(forked, "processors", lambda: 2)
    with pytest.raises(RuntimeError, match=r"UnsendableError: amount is a float(?s:.*)in failed"):
        forked.Begun(failed).end()


def test_what_is_begun_and_ended_from_outside_is_a_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(forked, "processors", lambda: 2)
    work = forked.Begun(lambda: os.kill(os.getpid(), signal.SIGKILL))
    with pytest.raises(RefusedError, match="ended from outside"):
        work.end()


def test_a_table_not_as_declared_stops_the_run_before_a_report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    """Tables are held against their declaration beside the reconciling; a fault found there still leaves no report."""
    office = make_office(tmp_path)

    def faulty(*_: Any) -> None:
        raise ValueError("amount is a float")

    monkeypatch.setattr(exports, "check_typed", faulty)
    for processors in (1, 2):
        monkeypatch.setattr(forked, "processors", lambda count=processors: count)
        assert cli.run(daily(office)) == 4
        assert "ValueError" in capsys.readouterr().err
        assert not list((office / "reports").glob("2026*"))
