"""Where the reports of a run go: a folder of its own under `reports/`, complete or absent, never half and never overwritten.

    reports/2026-10-15-daily        the run as of 15 October
    reports/2026-10-15-daily-2      the same again, after an export was mended
    reports/2026-10-31-close        a month-end
    reports/refused/2026-10-15/     rejected_rows.csv of a run that refused its exports

A run is written into a hidden folder beside its place (`.unfinished-...`) and moved there in one step at the end, so that nobody opens
a half-written list of draws. Two runs at once take two numbers. What an interrupted run could not clear away, a later one does once it
is a day old.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import secrets
import shutil
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from typing import TYPE_CHECKING, Final, NamedTuple

from reconcile.audit import AUDIT_FILE, SIGNATURES_FILE
from reconcile.errors import RefusedError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

DAY_SECONDS: Final = 86_400
AT_A_TIME: Final = 8
"""Files that the disk is asked to hold at once."""

_NOT_OURS: Final = frozenset({errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOSPC, errno.EDQUOT, errno.ENOTDIR})
_NAME: Final = re.compile(r"([0-9]{4}-[0-9]{2}-[0-9]{2})-(daily|close)(?:-([1-9][0-9]{0,5}))?\Z")
_UNFINISHED: Final = re.compile(r"\.unfinished-[0-9]{4}-[0-9]{2}-[0-9]{2}-(?:daily|close)-[0-9a-f]{16}\Z")


class RunName(NamedTuple):
    """What a run folder's name says; `rerun` is 1 for the first. Sorts from the earliest run to the latest.

    Of a close and a daily run of one day, the close counts as the later: it is that day's last word.
    """

    as_of: date
    is_close: bool
    rerun: int

    def __str__(self) -> str:
        return f"{self.as_of.isoformat()}-{'close' if self.is_close else 'daily'}" + (f"-{self.rerun}" if self.rerun > 1 else "")


def parse_run_name(text: str) -> RunName | None:
    """The parts of a run folder's name; None if it is no such name.

    >>> str(parse_run_name("2026-10-15-daily-3"))
    '2026-10-15-daily-3'
    >>> parse_run_name("2026-02-30-daily"), parse_run_name("2026-10-15-daily-1"), parse_run_name("refused")
    (None, None, None)
    """
    found = _NAME.match(text)
    if not found or found[3] == "1":
        return None
    try:
        return RunName(date.fromisoformat(found[1]), found[2] == "close", int(found[3] or 1))
    except ValueError:
        return None


def runs(reports: Path) -> list[RunName]:
    """Every run folder under `reports`, from the earliest to the latest; none if there is no such folder."""
    if not reports.is_dir():
        return []
    names = (parse_run_name(entry.name) for entry in reports.iterdir() if entry.is_dir())
    return sorted(name for name in names if name is not None)


def previous_run(reports: Path, as_of: date) -> Path | None:
    """The run that this one follows: of the latest day and kind strictly earlier, the signed run, else the highest rerun.

    Errors:  RefusedError if that folder is not a complete run.
    """
    earlier = [name for name in runs(reports) if name.as_of < as_of]
    if not earlier:
        return None
    found = reports / str(_foremost(reports, earlier))
    if not (found / AUDIT_FILE).is_file():
        raise RefusedError(
            f"{found} would be the previous run, but it holds no {AUDIT_FILE}: it is not a complete run.",
            ("Move that folder out of the reports, or name the previous run with --previous.",),
        )
    return found


def previous_close(reports: Path, as_of: date) -> Path | None:
    """The close that a close follows: of the latest day strictly earlier, the signed close, else the highest rerun.

    The day decides before signatures and before the order in which closes were made.

    Errors:  RefusedError if that folder is not a complete run.
    """
    earlier = [name for name in runs(reports) if name.is_close and name.as_of < as_of]
    if not earlier:
        return None
    found = reports / str(_foremost(reports, earlier))
    if not (found / AUDIT_FILE).is_file():
        raise RefusedError(
            f"{found} would be the close before, but it holds no {AUDIT_FILE}: it is not a complete run.",
            ("Move that folder out of the reports, or name the close before with --previous-close.",),
        )
    return found


def _foremost(reports: Path, earlier: list[RunName]) -> RunName:
    """Of the reruns of the latest day and kind, the one that most people have signed, else the highest.

    What was signed is what a college stands by: a rerun takes its place only once as many have signed that one.
    """
    same = [name for name in earlier if name[:2] == earlier[-1][:2]]
    return max(same, key=lambda name: (signers(reports / str(name)), name.rerun))


def signers(run: Path) -> int:
    """How many have signed a run; whether their signatures hold is for `run_check` to say."""
    try:
        return len(json.loads((run / SIGNATURES_FILE).read_bytes())["signatures"])
    except FileNotFoundError:
        return 0
    except (OSError, ValueError, LookupError, TypeError, RecursionError):
        return 1  # somebody signed, and what is left of it is told where the run is followed


def runs_beside(reports: Path, name: RunName) -> tuple[RunName, ...]:
    """Other runs of the same day and kind, or, of a close, other closes of the same month; from the earliest to the latest."""

    def beside(other: RunName) -> bool:
        month = name.is_close and other.as_of.replace(day=1) == name.as_of.replace(day=1)
        return other.is_close == name.is_close and (month or other.as_of == name.as_of)

    return tuple(other for other in runs(reports) if other != name and beside(other))


def refuse_if_there(into: Path) -> None:
    """Refuse a run folder that exists already, before anything is worked out.

    Errors:  RefusedError.
    """
    if os.path.lexists(into):
        raise RefusedError(f"{into} is there already, and a run is never written over. Name a new folder with --into.")


@contextlib.contextmanager
def unfinished(parent: Path, as_of: date, kind: str) -> Iterator[Path]:
    """A new hidden folder under `parent` to write a run into; whatever of it is left at the end is removed, after an interruption too."""
    folder = parent / f".unfinished-{as_of.isoformat()}-{kind}-{secrets.token_hex(8)}"
    try:
        parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir()
        yield folder
    except OSError as error:
        raise _explained(error, parent) from error
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _explained(error: OSError, place: Path) -> Exception:
    """A plain refusal where the disk or its permissions are the cause, else the error itself: then it is a fault of ours."""
    if error.errno in _NOT_OURS or not place.is_dir():
        return RefusedError(
            f"Reports cannot be written in {place}: {error.strerror}. Nothing was left there; name another place with --reports."
        )
    return error


def write_run(reports: Path, as_of: date, kind: str, write: Callable[[Path], object], into: Path | None = None) -> Path:
    """Let `write` fill a new run folder, then put it in its place in one step; gives the place.

    In:      `write` gets an empty folder; what it raises leaves no folder behind. `into` is the exact place, else the next free name.
    Errors:  RefusedError if `into` is there already.
    """
    if into is not None:
        refuse_if_there(into)
    with unfinished(reports if into is None else into.parent, as_of, kind) as folder:
        write(folder)
        _to_disk(folder)
        return _place(folder, reports, RunName(as_of, kind == "close", 1), into)


def _place(folder: Path, reports: Path, name: RunName, into: Path | None) -> Path:
    """Move the finished folder to its place.

    Moving onto a folder that holds something fails, so of two runs at one moment the later takes the next number.
    """
    while True:
        if into is None:
            taken = [n.rerun for n in runs(reports) if n[:2] == name[:2]]
            name = name._replace(rerun=max([name.rerun - 1, *taken]) + 1)
        place = reports / str(name) if into is None else into
        try:
            if os.path.lexists(place):
                raise FileExistsError(place)
            folder.rename(place)
        except OSError:
            if not os.path.lexists(place):
                raise
            if into is not None:
                refuse_if_there(into)
            name = name._replace(rerun=name.rerun + 1)
        else:
            return place


def _to_disk(folder: Path) -> None:
    """Have the disk hold every file before the folder gets its name, so that a power cut leaves no run with empty files."""
    with ThreadPoolExecutor(AT_A_TIME) as writers:  # a disk takes several files in little more time than one
        list(writers.map(to_disk, [path for path in folder.rglob("*") if path.is_file()]))


def to_disk(path: Path) -> None:
    """Have the disk hold a file; a file that it holds already costs nothing."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def write_refused(reports: Path, as_of: date, write: Callable[[Path], object]) -> Path:
    """Let `write` make `reports/refused/AS-OF/rejected_rows.csv`, replacing the one of an earlier try in one step; gives its place.

    It is the one file that is ever replaced: a work list for mending exports, and no report.
    Errors:  RefusedError if it cannot be replaced (on some systems: while a spreadsheet has it open).
    """
    folder = reports / "refused" / as_of.isoformat()
    place = folder / "rejected_rows.csv"
    draft = folder / f".rejected_rows-{secrets.token_hex(8)}.csv"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write(draft)
        draft.replace(place)
    except PermissionError as error:
        raise RefusedError(f"{place} cannot be written. If it is open in a spreadsheet, close it and run again.") from error
    except OSError as error:
        raise _explained(error, folder) from error
    finally:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)
    return place


def clear_unfinished(parent: Path, now: float | None = None) -> tuple[str, ...]:
    """Remove what interrupted runs left under `parent` more than a day ago; gives the names.

    Only real folders with exactly our pattern of name, in which nothing was written for a day, are touched.
    """
    now = time.time() if now is None else now
    if not parent.is_dir():
        return ()
    cleared = []
    for entry in sorted(parent.iterdir()):
        if not _UNFINISHED.match(entry.name) or entry.is_symlink() or not entry.is_dir():
            continue
        with contextlib.suppress(OSError):
            latest = max(path.stat().st_mtime for path in (entry, *entry.rglob("*")))
            if now - latest > DAY_SECONDS:
                shutil.rmtree(entry)
                cleared.append(entry.name)
    return tuple(cleared)
