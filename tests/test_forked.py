"""Work done by several processes at once: the same results as in turn, and a plain refusal if a process is ended from outside."""

from __future__ import annotations

import os
import signal
import sys
from typing import TYPE_CHECKING, Any

import pytest
from run_case import make_office

from reconcile import at_once, cli, forked, run, run_command
from reconcile.errors import RefusedError

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="processes are copied on Linux only")


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
    monkeypatch.setattr(run, "cut_by_student", lambda exports, *_: [exports, exports])
    monkeypatch.setattr(at_once, "processors", lambda: 2)
    line = [
        "daily",
        str(office / "exports"),
        "--as-of",
        "2026-09-14",
        "--reports",
        str(office / "reports"),
        "--rules",
        str(office / "rules"),
    ]
    assert cli.run(line) == 2
    assert "ended from outside" in capsys.readouterr().err
    assert not (office / "reports").exists()
