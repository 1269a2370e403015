"""Is the chain of runs whole, with none dropped, replaced or put in another order?

Each run names the one before it by its folder and both of its hashes.

From a run back to the first, then the runs that follow it: the folder that a run names must lie beside it, be as that run left it, and
have the hashes that are named. A close also names the close before it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from reconcile.audit import AUDIT_FILE
from reconcile.errors import RefusedError
from reconcile.run_check import RunCheck, check_run
from reconcile.run_folder import parse_run_name, runs
from reconcile.signatures import read_signatures

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

ELSEWHERE: Final = "it was dropped, moved or renamed (if the earlier runs lie in another folder, name that with --reports)"
LINKS: Final = {"previous": "run", "previous_close": "close"}
"""Keys of an audit that name an earlier run, and what each calls it."""


@dataclass(frozen=True)
class ChainCheck:
    """The runs before the one asked about, the nearest first, what of them is not as it should be, and what should be known."""

    earlier: tuple[RunCheck, ...]
    differences: tuple[str, ...]
    notes: tuple[str, ...]


def check_chain(run: Path, checked: RunCheck, reports: Path | None = None) -> ChainCheck:
    """Follow the names of earlier runs to the first, and look whether later runs name this one.

    In:      the folder, what was found of it, and the folder in which the other runs lie (else the one that the run lies in).
    """
    place = reports or (run.resolve() if ".." in run.parts else run.absolute()).parent
    waiting, seen, differences = [(run, checked)], {checked.name}, []
    earlier: list[RunCheck] = []
    while waiting:
        at = waiting.pop(0)[1]
        for key, word in LINKS.items():
            named = at.audit.get(key)
            if named is None:
                continue
            name, told, found = _follow(place, at, named, word)
            differences += told
            if found is not None and name not in seen:
                seen.add(name)
                earlier.append(found)
                differences += found.differences
                waiting.append((place / name, found))
    later, notes = _later(place, run, checked)
    notes += [note for found in earlier for note in found.notes]
    return ChainCheck(tuple(earlier), (*differences, *later), (*notes, *_gaps(place, checked.name)))


def _follow(place: Path, at: RunCheck, named: object, word: str) -> tuple[str, list[str], RunCheck | None]:
    """One step back: the name of the earlier run, what is wrong, and what was found of it."""
    if not isinstance(named, dict) or not isinstance(named.get("run"), str) or "/" in named["run"] or named["run"] in {"", ".", ".."}:
        return "", [f"{AUDIT_FILE} of {at.name} names no {word} before it that could be looked for"], None
    name, who = named["run"], f"{at.name} follows the {word} {named['run']}"
    folder = place / name
    if not folder.is_dir():
        elsewhere = [str(other) for other in runs(place) if _audit(place / str(other)).get("run_hash") == named.get("run_hash")]
        where = f"it now lies in {elsewhere[0]}, so it was renamed" if elsewhere else ELSEWHERE
        return name, [f"{who}, which is not in {place}: {where}"], None
    try:
        found = check_run(folder)
    except RefusedError:
        return name, [f"{who}, and the folder of that name holds no run"], None
    told = []
    if any(named.get(key) != found.audit.get(key) for key in ("run_hash", "audit_hash")):
        told.append(f"{who} with other hashes than the folder of that name has: that run was replaced or changed, or runs changed places")
    elif str(found.audit.get("as_of")) > str(at.audit.get("as_of")):
        told.append(f"{who}, which is as of {found.audit.get('as_of')}, later than {at.audit.get('as_of')}: the runs are out of order")
    signature = named.get("signature")
    if signature and signature not in {s.hash for s in found.signatures}:
        told.append(f"when {at.name} was made, {name} had a signature that is now gone or changed")
    return name, told, found


def _audit(run: Path) -> Mapping[str, Any]:
    """The audit of another run, as far as it can be read; nothing is held against it here."""
    try:
        audit = json.loads((run / AUDIT_FILE).read_bytes())
    except (OSError, ValueError, RecursionError):
        return {}
    return audit if isinstance(audit, dict) else {}


def _later(place: Path, run: Path, checked: RunCheck) -> tuple[list[str], list[str]]:
    """Runs that name this one, and what they say of it that is not so."""
    told, notes = [], []
    for other in (str(name) for name in runs(place) if str(name) != checked.name):
        audit = _audit(place / other)
        for key, word in LINKS.items():
            named = audit.get(key)
            if not isinstance(named, dict):
                continue
            same = all(named.get(k) == checked.audit.get(k) for k in ("run_hash", "audit_hash"))
            if named.get("run") == checked.name and not same:
                told.append(
                    f"{other} follows the {word} {checked.name} with other hashes than it has now: it was replaced or changed since"
                )
            elif named.get("run") == checked.name:
                notes.append(f"{other} follows this run and names its hashes")
                told += _signature_gone(run, other, named.get("signature"))
            elif same and checked.audit and not (place / str(named.get("run"))).is_dir():
                told.append(f"{other} follows this run under the name {named.get('run')}: this folder was renamed")
    return told, notes


def _signature_gone(run: Path, other: str, signature: object) -> Iterator[str]:
    try:
        held = {s.hash for s in read_signatures(run)}
    except RefusedError:
        return  # told already where the signatures themselves are checked
    if signature and signature not in held:
        yield f"when {other} was made, this run had a signature that is now gone or changed"


def _gaps(place: Path, name: str) -> Iterator[str]:
    """Runs of the same day whose number is missing: reruns are numbered without a gap, and a run is never deleted by the program."""
    own = parse_run_name(name)
    if own is None:
        return
    for number in range(1, own.rerun):
        before = str(own._replace(rerun=number))
        if not (place / before).is_dir():
            yield f"{before} is not in {place}: {name} was numbered after it, so it was there once"
