"""Which workbooks of earlier runs people have written in, and what they wrote: read by the next run without being told to.

A run's `audit.json` holds the hash of the workbook as it was written; another hash means that somebody saved it since. Read are the
workbook of the run before, and every other one under the reports that was saved and that no run before this one has read: people go on
writing in Monday's workbook when Tuesday's run is already there, or in the first run of a day that was run again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

from reconcile import audit, run_folder
from reconcile.deliver.shown import WORKBOOK
from reconcile.errors import RefusedError
from reconcile.run_tables import read_table

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

RUNS_LOOKED_AT: Final = 60
"""So many runs back a workbook may still be waiting to be read."""


class Edited(NamedTuple):
    """A workbook that somebody saved: its file, its name in messages and audit, its hash, and the run folder it lies in."""

    path: Path
    name: str
    sha256: str
    run: Path


def edited_workbooks(previous: Path | None, reports: Path, as_of: date) -> tuple[Edited, ...]:
    """The saved workbooks that this run is to read, the earliest run's first.

    In:      the run that this one follows, and the folder of the runs.
    Errors:  RefusedError if a workbook is there and cannot be opened.
    """
    parent = reports if previous is None else previous.resolve().parent
    read = _read_before(previous)
    folders = [parent / str(name) for name in run_folder.runs(parent)[-RUNS_LOOKED_AT:] if name.as_of <= as_of]
    if previous is not None and previous.resolve() not in [folder.resolve() for folder in folders]:
        folders.insert(0, previous)
    found = (_edited(folder) for folder in folders)
    return tuple(one for one in found if one is not None and one.sha256 not in read)


def _read_before(previous: Path | None) -> frozenset[str]:
    """Hashes of the files of notes that the run before, and those before it, have read."""
    hashes: set[str] = set()
    for _step in range(RUNS_LOOKED_AT):
        made = None if previous is None else _audit_of(previous)
        if made is None or previous is None:
            break
        hashes |= {str(source["sha256"]) for source in made["inputs"] if source["role"] == "notes"}
        before = made["previous"]
        previous = None if before is None else previous.resolve().parent / str(before["run"])
    return frozenset(hashes)


def _edited(run: Path) -> Edited | None:
    """The workbook of a run if somebody saved it since; None if not, if there is none, or if the folder is no complete run."""
    path, made = run / WORKBOOK, _audit_of(run)
    if made is None or not path.is_file():
        return None
    written = next((output["sha256"] for output in made["outputs"] if output["file"] == WORKBOOK), None)
    try:
        now = audit.sha256_of(path)
    except OSError as error:
        raise RefusedError(f"{path} cannot be read: {error.strerror}. Close it where it is open, and run again.") from error
    return None if now == written else Edited(path, f"{run.resolve().name}/{WORKBOOK}", now, run)


def _audit_of(run: Path) -> dict[str, Any] | None:
    try:
        return audit.read_audit(run)
    except (RefusedError, ValueError, RecursionError):
        return None


def words_before(run: Path | None) -> dict[str, tuple[str, str, str, str]]:
    """What stood beside each exception of a run: disposition, note, who, when; by exception id.

    Errors:  RefusedError if the list of that run cannot be read.
    """
    if run is None or not (run / "exceptions.csv").is_file():
        return {}
    exceptions = read_table(run, "exceptions")
    on = exceptions["decided_on"].dt.strftime("%Y-%m-%d").fillna("").tolist()
    words = zip(*(exceptions[name].tolist() for name in ("disposition", "note", "decided_by")), on, strict=True)
    return dict(zip(exceptions["exception_id"].tolist(), words, strict=True))
