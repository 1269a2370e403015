"""What a run was made from and what it made, so that another person can say later: this report, from these files, by these rules.

`audit.json` names every input with its SHA-256 (a fingerprint that changes with any byte of the file), how many rows and cents of it were
read, accepted, rejected, already read and set aside, which standard columns it has, the rules, the options that bear on the result, the
previous run, and every output with its SHA-256. It holds no path, no user and no time of day: the same run again gives the same bytes.

The **run hash** binds all of that in one line of 64 characters. It is the SHA-256 of this JSON text, in ASCII, keys sorted, no spaces:

    {"as_of": "2026-10-15", "column_map": SHA-256 or null, "form": 1, "inputs": [[file, SHA-256], ...], "kind": "daily",
     "options": {...}, "outputs": [[file, SHA-256], ...], "previous": run hash or null, "previous_close": run hash or null,
     "rules": [[file, SHA-256], ...]}

with the lists sorted and, of the outputs, the data files only (CSV and Parquet; not the copies in `inputs/`). A Parquet file counts by its
bytes, which also depend on the release of pyarrow that wrote it: `written_with` says which. What the run hash does not bind (totals, notes,
version, the files that people look at) is bound by the audit hash: see `seals.py`.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from dataclasses import dataclass, field
from datetime import date
from importlib.metadata import version as release_of
from typing import TYPE_CHECKING, Any, Final

from reconcile.errors import RefusedError
from reconcile.input_counts import Input, counted_inputs, totals
from reconcile.seals import AUDIT_HASH, as_text, broken_seals, fingerprint, sealed

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    import pandas as pd

    from reconcile.column_map import ColumnMap
    from reconcile.exports import Exports
    from reconcile.policy import Rules

FORM: Final = 1
AUDIT_FILE, SIGNATURES_FILE, DATA_FILES = "audit.json", "signatures.json", (".csv", ".parquet")
COLUMNS: Final = "columns"
"""Under each count of an input: the standard columns that were read. Audits of earlier versions do not have it."""
WRITERS: Final = ("pyarrow", "typst", "xlsxwriter")
"""The libraries on whose release the bytes of some files depend."""


@dataclass(frozen=True)
class Options:
    """What the person chose on the command line that bears on the result."""

    without_rejected: bool = False
    accept_drop: bool = False
    bank_from: date | None = None
    bank_through: date | None = None
    names: bool = False


@dataclass(frozen=True)
class Named:
    """A file by its name, SHA-256 and size in bytes: a rule file, a column map, an output."""

    file: str
    sha256: str
    size: int


@dataclass(frozen=True)
class Previous:
    """The run that this one follows: its folder's name, as-of date, both hashes, rows per export (each row once), and its last signature.

    `signature` is the hash of the last signature that the run had when it was read; "" if nobody had signed it. `columns` are the standard
    columns that some file of each export had; of a run whose audit does not say it, none.
    """

    name: str
    as_of: date
    run_hash: str
    rows: Mapping[str, int]
    audit_hash: str = ""
    signature: str = ""
    columns: Mapping[str, frozenset[str]] = field(default_factory=dict)


def undated_cancellations(tables: Mapping[str, pd.DataFrame]) -> dict[str, int]:
    """How many awards and lines are cancelled without saying since when: a past as-of date cannot be historical for them."""
    aid, lines = tables["aid"], tables["plan_schedules"]
    return {
        "awards": int(((aid["status"] == "cancelled") & aid["cancelled_on"].isna()).sum()),
        "lines": int(((lines["line_status"] == "cancelled") & lines["cancelled_on"].isna()).sum()),
    }


def sha256_of(path: Path) -> str:
    """The SHA-256 of a file's bytes, as 64 hexadecimal characters."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def outputs_in(folder: Path, prints: Mapping[str, str] | None = None) -> tuple[Named, ...]:
    """Every file of a run folder but the audit itself and the signatures, by name; copies of inputs as `inputs/charges.csv`.

    In:      `prints`: by name the SHA-256 of files where it was worked out just after they were written.
    """
    names = {path.relative_to(folder).as_posix(): path for path in folder.rglob("*") if path.is_file()}
    known = prints or {}
    return tuple(
        Named(name, known[name] if name in known else sha256_of(names[name]), names[name].stat().st_size)
        for name in sorted({*names} - {AUDIT_FILE, SIGNATURES_FILE})
    )


def build_audit(
    exports: Exports,
    rules: Rules,
    column_map: ColumnMap | None,
    as_of: date,
    *,
    kind: str,
    options: Options,
    previous: Previous | None,
    outputs: tuple[Named, ...],
    notes: Iterable[str],
    version: str,
    previous_close: Previous | None = None,
    inputs: tuple[Input, ...] | None = None,
) -> dict[str, Any]:
    """The audit of a run as it is written to `audit.json`, run hash included; money in cents.

    In:      `outputs` are the files already written; `previous_close` is the close that a close opens from; `notes` are what the run has to
             say of itself, in order; `inputs` as `counted_inputs` counts them, where that was done already.
    Keeps:   the same exports, rules, options, previous run and outputs give the same audit on any machine.
    """
    inputs = counted_inputs(exports, as_of) if inputs is None else inputs
    span = exports.span
    audit: dict[str, Any] = {
        "form": FORM,
        "kind": kind,
        "as_of": as_of.isoformat(),
        "version": version,
        "written_with": {name: release_of(name) for name in WRITERS},
        "options": {
            "without_rejected": options.without_rejected,
            "accept_drop": options.accept_drop,
            "bank_from": _iso(options.bank_from),
            "bank_through": _iso(options.bank_through),
            "names": options.names,
        },
        "rules": _files(Named(f.name, f.sha256, f.size) for f in rules.files),
        "column_map": None if column_map is None else dataclasses.asdict(Named(column_map.name, column_map.sha256, column_map.size)),
        "inputs": [_input(source) for source in sorted(inputs, key=lambda i: (i.file, i.sha256))],
        "totals": {name: dataclasses.asdict(counted) for name, counted in totals(inputs).items()},
        "has_postings": exports.has_postings,
        "bank_span": None if span is None else {"first": span.first.isoformat(), "last": span.last.isoformat()},
        "undated_cancellations": undated_cancellations(exports.tables),
        "previous": None if previous is None else named_run(previous),
        "previous_close": None if previous_close is None else named_run(previous_close),
        "outputs": _files(outputs),
        "notes": list(dict.fromkeys(notes)),
    }
    return audit | {"run_hash": run_hash(audit)}


def named_run(run: Previous) -> dict[str, Any]:
    """How an audit names an earlier run: its folder's name, both hashes, and the last signature that it had then, if any."""
    return {"run": run.name, "run_hash": run.run_hash, "audit_hash": run.audit_hash, "signature": run.signature or None}


def with_outputs(audit: Mapping[str, Any], outputs: tuple[Named, ...]) -> dict[str, Any]:
    """The audit with all files of the run, once those that people look at are written too; they leave the run hash as it is.

    Errors:  ValueError if a data file is another than the run hash binds: a fault of ours.
    """
    whole = dict(audit) | {"outputs": _files(outputs)}
    if run_hash(whole) != audit["run_hash"]:
        raise ValueError("a data file changed after the run hash was taken")
    return whole


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _files(files: Iterable[Named]) -> list[dict[str, Any]]:
    return [dataclasses.asdict(f) for f in sorted(files, key=lambda f: (f.file, f.sha256))]


def _input(source: Input) -> dict[str, Any]:
    counts = [{"export": c.export, "sheet": c.sheet, COLUMNS: list(c.columns)} | dataclasses.asdict(c.counted) for c in source.counts]
    return dataclasses.asdict(source) | {"counts": counts}


def run_hash(audit: Mapping[str, Any]) -> str:
    """The run hash of an audit, worked out anew from what it names (see the top of this module)."""

    def pairs(key: str) -> list[list[str]]:
        return sorted([f["file"], f["sha256"]] for f in audit[key])

    column_map = audit["column_map"]
    previous, previous_close = (None if audit[key] is None else audit[key]["run_hash"] for key in ("previous", "previous_close"))
    bound = {
        "form": audit["form"],
        "kind": audit["kind"],
        "as_of": audit["as_of"],
        "options": audit["options"],
        "rules": pairs("rules"),
        "column_map": None if column_map is None else column_map["sha256"],
        "inputs": pairs("inputs"),
        "previous": previous,
        "previous_close": previous_close,
        "outputs": [pair for pair in pairs("outputs") if pair[0].endswith(DATA_FILES) and "/" not in pair[0]],
    }
    return fingerprint(bound)


def write_audit(folder: Path, audit: Mapping[str, Any]) -> None:
    """Write `audit.json`, with its seals, into a run folder that has none yet: UTF-8, sorted keys, two spaces, a line end at the end."""
    with (folder / AUDIT_FILE).open("xb") as file:
        file.write(as_text(sealed(audit)))


def read_audit(run: Path) -> dict[str, Any]:
    """The audit of a run folder, once run hash and seals have been found to be its own.

    Errors:  RefusedError if there is no audit, if it cannot be read, or if it was changed since the run.
    """
    path = run / AUDIT_FILE
    try:
        audit = json.loads(path.read_text(encoding="utf-8"))
        right = audit["run_hash"] == run_hash(audit)
    except FileNotFoundError:
        raise RefusedError(f"{run} holds no {AUDIT_FILE}, so it is not the folder of a run. Check the path.") from None
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        raise RefusedError(f"{path} cannot be read as the audit of a run. Restore that folder from a copy, or name another run.") from None
    if not right:
        raise RefusedError(f"{path} was changed since its run: its run hash is not that of what it names. Restore it from a copy.")
    for broken in broken_seals(audit):
        raise RefusedError(f"{path} was changed since its run: {broken}. Restore it from a copy.")
    return dict(audit)


def read_previous(run: Path) -> Previous:
    """What a run needs to know of the one before it.

    Errors:  RefusedError as `read_audit`.
    """
    audit = read_audit(run)
    try:
        rows = {name: int(counted["rows_read"]) - int(counted["already_read"]) for name, counted in audit["totals"].items()}
        name, as_of = run.resolve().name, date.fromisoformat(audit["as_of"])
        return Previous(name, as_of, audit["run_hash"], rows, audit[AUDIT_HASH], last_signature(run), _columns_of(audit))
    except (LookupError, TypeError, ValueError, AttributeError):
        raise RefusedError(f"{run / AUDIT_FILE} lacks the row counts of its run. Name another run with --previous.") from None


def _columns_of(audit: Mapping[str, Any]) -> dict[str, frozenset[str]]:
    """By export, the standard columns that some input had; empty where the audit does not say it."""
    found: dict[str, frozenset[str]] = {}
    for source in audit["inputs"]:
        for count in source["counts"]:
            found[count["export"]] = found.get(count["export"], frozenset()).union(count.get(COLUMNS, ()))
    return found


def names_columns(audit: Mapping[str, Any]) -> bool:
    """Whether an audit says which columns were read; those of earlier versions do not."""
    return any(COLUMNS in count for source in audit["inputs"] for count in source["counts"])


def without_columns(audit: Mapping[str, Any]) -> dict[str, Any]:
    """The audit as an earlier version would have written it, to be held against one that does not say which columns were read."""
    inputs = [
        source | {"counts": [{key: value for key, value in count.items() if key != COLUMNS} for count in source["counts"]]}
        for source in audit["inputs"]
    ]
    return dict(audit) | {"inputs": inputs}


def last_signature(run: Path) -> str:
    """The hash of the last signature of a run; "" if nobody has signed it.

    Errors:  RefusedError if the signatures cannot be read.
    """
    path = run / SIGNATURES_FILE
    try:
        return str(json.loads(path.read_text(encoding="utf-8"))["last"])
    except FileNotFoundError:
        return ""
    except (OSError, ValueError, LookupError, TypeError, RecursionError):
        raise RefusedError(f"{path} cannot be read as the signatures of a run. Restore that folder from a copy.") from None
