"""Is a run folder as the run left it? Its audit, every file, and the signatures under it, each difference in a plain sentence.

Until the first signature the analyst may save the workbook: an edited workbook is told and is no difference. From the first signature on
every file stays as it was signed.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from reconcile.audit import AUDIT_FILE, SIGNATURES_FILE, Named, outputs_in, read_audit, run_hash, sha256_of
from reconcile.errors import RefusedError
from reconcile.run_folder import parse_run_name
from reconcile.seals import as_text, broken_seals
from reconcile.signatures import MAY_BE_EDITED, Signature, broken_signatures, files_hash, is_open, is_passing, read_signatures

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from pathlib import Path

_STRANGE: Final = (LookupError, TypeError, ValueError, AttributeError, RecursionError)
"""What reading a changed audit may come to."""


@dataclass(frozen=True)
class RunCheck:
    """What was found of one run folder.

    differences: plain sentences in the order in which they were found; empty if the folder is as the run left it.
    edited:      files saved by a person since the run and before the first signature, as they are now.
    notes:       what is no difference and should be known. audit: what `audit.json` says; empty if it cannot be read.
    files:       how many files were held against the audit.
    """

    name: str
    audit: Mapping[str, Any]
    differences: tuple[str, ...] = ()
    edited: tuple[Named, ...] = ()
    notes: tuple[str, ...] = ()
    signatures: tuple[Signature, ...] = ()
    files: int = 0


def check_run(run: Path) -> RunCheck:
    """Hold a run folder against its audit and its signatures.

    Errors:  RefusedError if this is not the folder of a run at all.
    """
    name = run.absolute().name if run.name not in {"", ".."} else run.resolve().name
    if not run.is_dir() or not ((run / AUDIT_FILE).is_file() or (run / SIGNATURES_FILE).is_file() or parse_run_name(name)):
        raise RefusedError(f"{run} is not the folder of a run: it holds no {AUDIT_FILE}. Check the path.")
    audit, differences = _audit_of(run, name)
    differences += list(_links(run, name))
    if not audit:
        return RunCheck(name, {}, tuple(differences))
    try:
        return _check(run, name, audit, differences)
    except _STRANGE:
        told = f"{AUDIT_FILE} of {name} does not hold what a run writes, so its files could not be checked"
        return RunCheck(name, audit, (*differences, told))


def _audit_of(run: Path, name: str) -> tuple[dict[str, Any], list[str]]:
    """The audit, and what in it is not as the run wrote it."""
    try:
        raw = (run / AUDIT_FILE).read_bytes()
        audit = json.loads(raw.decode("utf-8"))
        broken = list(broken_seals(audit)) + _own_hash(audit)
    except FileNotFoundError:
        return {}, [f"{AUDIT_FILE} of {name} is missing"]
    except (OSError, *_STRANGE):
        return {}, [f"{AUDIT_FILE} of {name} cannot be read as the audit of a run"]
    if not broken and as_text(audit) != raw:
        broken = ["it says the same in other bytes than the run wrote"]
    told = [f"{AUDIT_FILE} of {name} was changed since the run: {one}" for one in broken]
    return audit, told + list(_wrong_place(name, audit))


def _links(run: Path, name: str) -> Iterator[str]:
    """What is only a link lies elsewhere, where others may change it."""
    if run.is_symlink():
        yield f"the folder {name} is only a link to another place"
    for path in sorted(run.rglob("*")):
        if path.is_symlink():
            yield f"{path.relative_to(run).as_posix()} of {name} is only a link to another place, and no file of a run"


def _own_hash(audit: Mapping[str, Any]) -> list[str]:
    try:
        same = run_hash(audit) == audit["run_hash"]
    except _STRANGE:
        same = False
    return [] if same else ["its run hash is not that of what it names"]


def _wrong_place(name: str, audit: Mapping[str, Any]) -> Iterator[str]:
    """A folder whose name says another day or kind than its audit was renamed, or changed places with another run."""
    says = parse_run_name(name)
    if says is None:
        return
    own = (str(audit.get("as_of")), str(audit.get("kind")))
    if own != (says.as_of.isoformat(), "close" if says.is_close else "daily"):
        yield f"the folder {name} holds a {own[1]} run as of {own[0]}: it was renamed, or runs have changed places"


def _check(run: Path, name: str, audit: Mapping[str, Any], differences: list[str]) -> RunCheck:
    broken = [f"{told} ({name})" for told in broken_signatures(run, audit)]
    try:
        signatures = read_signatures(run)
    except RefusedError:
        signatures = ()
    expected = {str(f["file"]): Named(str(f["file"]), str(f["sha256"]), int(f["size"])) for f in audit["outputs"]}
    if signatures:
        expected |= {f.file: f for f in signatures[0].edited if f.file in expected and may_be_edited(f.file)}
    found = {f.file: f for f in outputs_in(run)}
    strange = [f for f in sorted({*found} - {*expected}) if not is_passing(f)]
    edited = () if signatures else tuple(found[f] for f in sorted(expected) if may_be_edited(f) and found.get(f) not in {None, expected[f]})
    since = "as it was signed" if signatures else "as the run wrote it"
    told = [*_held_against(expected, found, {f.file for f in edited}, name, since)]
    told += [f"{f} is in {name}, and is no file of that run" for f in strange]
    if not told and not differences:
        told += _not_signed_so(run, signatures, name)
    notes = [f"{f} lies in {name}: {_why_passing(f)}" for f in sorted({*found} - {*expected}) if is_passing(f)]
    return RunCheck(name, audit, (*differences, *told, *broken), edited, tuple(notes), signatures, len(expected))


def _held_against(expected: Mapping[str, Named], found: Mapping[str, Named], edited: set[str], name: str, since: str) -> Iterator[str]:
    """Files that are missing or not as they were."""
    for file, was in sorted(expected.items()):
        now = found.get(file)
        if now is None:
            yield f"{file} is missing in {name}"
        elif now != was and file not in edited:
            size = f"{now.size:,} bytes instead of {was.size:,}" if now.size != was.size else "of the same size, with other bytes"
            yield f"{file} of {name} is not {since}: it is {size}"


def _not_signed_so(run: Path, signatures: tuple[Signature, ...], name: str) -> Iterator[str]:
    if not signatures:
        return
    now = files_hash(run)
    for number, signature in enumerate(signatures, 1):
        if signature.files_hash != now:
            yield f"the files of {name} are not those that signature {number} ({signature.role} {signature.name}) was given to"


def refuse_changed_tables(run: Path, named: Iterable[str]) -> None:
    """Refuse to follow a run some of whose tables are no longer as it wrote them: what is built on them would be wrong unseen.

    In:      the run folder, and the files of it that are going to be read; those that the run never wrote are passed over.
    Errors:  RefusedError that names each of them.
    """
    was = {f["file"]: f["sha256"] for f in read_audit(run)["outputs"]}
    changed = [name for name in named if name in was and not ((run / name).is_file() and sha256_of(run / name) == was[name])]
    if changed:
        told = tuple(f"{name} is missing or was changed since." for name in changed)
        cure = "Restore that folder from a copy, or reconcile that day again and follow the new run. Write decisions into a copy of a list."
        raise RefusedError(f"{run} is not as that run left it, so it cannot be followed.", (*told, cure))


def refuse_changed_since_signed(run: Path) -> None:
    """Refuse to follow a run that people have signed and that is no longer what they signed, whichever of its files was changed.

    Errors:  RefusedError with each difference.
    """
    if not (run / SIGNATURES_FILE).exists():
        return
    checked = check_run(run)
    if checked.differences:
        cure = "Restore that folder from a copy; or close that day again, have the new close signed, and name it with --previous-close."
        headline = f"{run} is signed, and is no longer as it was signed, so it cannot be followed."
        raise RefusedError(headline, (*(f"{told}." for told in checked.differences), cure))


def may_be_edited(file: str) -> bool:
    """Whether a person may save this file of a run until the first signature: the workbook, and no copy of an input."""
    return file.endswith(MAY_BE_EDITED) and "/" not in file


def _why_passing(file: str) -> str:
    return (
        "a workbook of this run is open in a spreadsheet"
        if is_open(file)
        else "the operating system put it there; it is no file of the run"
    )
