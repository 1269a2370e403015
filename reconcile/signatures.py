"""Signatures under a run: who prepared it, who reviewed it, when, and exactly what lay before them.

A month-end is signed by two people: whoever prepared it, and another person who reviewed it. Each signs fingerprints of what was seen, so
that nobody can later say that a figure was another one. `signatures.json` in the run folder holds them, and only grows:

    files_hash  SHA-256 over the name and SHA-256 of every file of the run, the audit included (as JSON text: see `seals.fingerprint`)
    edited      files that a person had saved since the run (the workbook), as they were when it was signed
    follows     the signature before this one, so that the signatures form a chain
    signature   SHA-256 over all the rest of the entry
    last        beside the entries: the last one's signature

These are fingerprints, no cryptographic proof of identity: who may write into the folder can sign under any name. That the college keeps
the folder where only those may write who should, and that a person keeps the signed packet, makes them worth something.
"""

from __future__ import annotations

import dataclasses
import json
import os
import re
import secrets
import unicodedata
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

from reconcile.audit import AUDIT_FILE, SIGNATURES_FILE, Named, outputs_in, sha256_of
from reconcile.errors import RefusedError
from reconcile.seals import as_text, fingerprint

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

FORM: Final = 1
PREPARER, REVIEWER = ROLES = ("preparer", "reviewer")
_OF_THE_SYSTEM: Final = frozenset({".ds_store", "thumbs.db", "desktop.ini"})
"""Files that an operating system puts into a folder that someone looks into; lower case."""
MAY_BE_EDITED: Final = ".xlsx"
"""Ending of the files that an analyst may save until the first signature."""
_HIDDEN: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
"""Unicode categories that a name does not hold: control, direction, unassigned and private characters, line ends."""


@dataclass(frozen=True)
class Signature:
    """One signature, as it stands in the file; hashes as 64 hexadecimal characters, `follows` "" for the first."""

    role: str
    name: str
    on: date
    note: str
    run_hash: str
    audit_hash: str
    files_hash: str
    edited: tuple[Named, ...]
    follows: str

    @property
    def hash(self) -> str:
        """The fingerprint of the whole entry."""
        return fingerprint(self.as_entry(signed=False))

    def as_entry(self, *, signed: bool = True) -> dict[str, Any]:
        """The entry as it is written; without its own hash if not `signed`."""
        entry = dataclasses.asdict(self) | {"on": self.on.isoformat(), "edited": [dataclasses.asdict(f) for f in self.edited]}
        return entry | {"signature": self.hash} if signed else entry


def same_person(one: str, other: str) -> bool:
    """Whether two names are one person's, but for capitals, accents, spaces and punctuation.

    >>> same_person("Zoë  Adams", "ZOE ADAMS"), same_person("Zo\u00eb. Adams", "zoeadams"), same_person("Zoe Adams", "Joe Adams")
    (True, True, False)
    """
    return _key(one) == _key(other)


def _key(name: str) -> str:
    """The letters and digits of a name after NFKC, without accents and capitals."""
    apart = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", name).casefold())
    return "".join(c for c in unicodedata.normalize("NFKD", apart.casefold()) if unicodedata.category(c)[0] in "LN")


def written_name(text: str) -> str:
    """A name as it is signed: NFKC, single spaces.

    >>> written_name("  Ana   Novak ")
    'Ana Novak'

    Errors:  RefusedError for a name without a letter, or with characters that nobody sees.
    """
    name = re.sub(r"\s+", " ", unicodedata.normalize("NFKC", text)).strip()
    if any(unicodedata.category(c) in _HIDDEN for c in name) or len(name) > 200:
        raise RefusedError("The name holds characters that cannot be seen, or is too long. Type it again with --name.")
    if not any(c.isalpha() for c in name):
        raise RefusedError(f"{text!r} is no name. Say who signs with --name.")
    return name


def is_open(file: str) -> bool:
    """Whether this is the lock that a spreadsheet program keeps beside a workbook that is open."""
    return "/" not in file and (file.startswith("~$") or (file.startswith(".~lock.") and file.endswith("#")))


def is_passing(file: str) -> bool:
    """Whether a file is none of the run's, and there only because someone looks into the folder."""
    return is_open(file) or file.rpartition("/")[2].lower() in _OF_THE_SYSTEM


def files_hash(folder: Path) -> str:
    """One fingerprint of every file of a run folder as it is now, the audit included, the signatures not.

    What lies there only because someone looks into the folder is no file of the run, and may come and go.
    """
    files = [found for found in outputs_in(folder) if not is_passing(found.file)]
    return hash_of_files((*files, Named(AUDIT_FILE, sha256_of(folder / AUDIT_FILE), 0)))


def hash_of_files(files: Sequence[Named]) -> str:
    """The same of files that were fingerprinted already, the audit among them."""
    return fingerprint(sorted([f.file, f.sha256] for f in files))


def read_signatures(run: Path) -> tuple[Signature, ...]:
    """The signatures under a run, in their order; none if nobody has signed it. Whether they hold is for `broken_signatures` to say.

    Errors:  RefusedError if the file is not what a sign-off writes.
    """
    path = run / SIGNATURES_FILE
    try:
        document = json.loads(path.read_bytes().decode("utf-8"))
        return tuple(_signature(entry) for entry in document["signatures"])
    except FileNotFoundError:
        return ()
    except (OSError, ValueError, LookupError, TypeError, AttributeError, RecursionError):
        raise RefusedError(f"{path} cannot be read as the signatures of a run. Restore that folder from a copy.") from None


def _signature(entry: Mapping[str, Any]) -> Signature:
    texts = {name: str(entry[name]) for name in ("role", "name", "note", "run_hash", "audit_hash", "files_hash", "follows")}
    edited = tuple(Named(str(f["file"]), str(f["sha256"]), int(f["size"])) for f in entry["edited"])
    return Signature(**texts, on=date.fromisoformat(entry["on"]), edited=edited)


def broken_signatures(run: Path, audit: Mapping[str, Any]) -> Iterator[str]:
    """What is wrong with the signatures under a run, one sentence each, in their order: hashes, chain, order, roles and people.

    In:      the run folder and its audit. What a changed file may hold is not trusted.
    """
    path = run / SIGNATURES_FILE
    if not path.exists():
        return
    try:
        signatures = read_signatures(run)
        entries = json.loads(path.read_bytes())["signatures"]
    except RefusedError:
        yield f"{SIGNATURES_FILE} cannot be read as the signatures of a run"
        return
    if not signatures:
        yield f"{SIGNATURES_FILE} holds no signature; a sign-off never leaves it empty"
    before = ""
    for number, (signature, entry) in enumerate(zip(signatures, entries, strict=True), 1):
        yield from _broken(number, signature, entry, audit, before)
        before = signature.hash
    yield from _not_two_people(signatures, audit)
    if path.read_bytes() != _document(signatures) and signatures:
        yield f"{SIGNATURES_FILE} is not as a sign-off wrote it: a signature was taken out, added or moved, or the file was edited"


def _broken(number: int, signature: Signature, entry: Mapping[str, Any], audit: Mapping[str, Any], before: str) -> Iterator[str]:
    told = f"signature {number} ({signature.role} {signature.name})"
    if entry.get("signature") != signature.hash:
        yield f"{told} was changed since it was given: its hash is not that of what it says"
    if signature.follows != before:
        yield f"{told} does not follow the signature before it: one was taken out, added or moved"
    if (signature.run_hash, signature.audit_hash) != (audit.get("run_hash"), audit.get("audit_hash")):
        yield f"{told} was given to another run or another audit: the hashes that it names are not those of {AUDIT_FILE}"


def _not_two_people(signatures: Sequence[Signature], audit: Mapping[str, Any]) -> Iterator[str]:
    if tuple(s.role for s in signatures) != ROLES[: len(signatures)]:
        yield f"the signatures are those of {', then '.join(s.role for s in signatures)}; it is the preparer, then the reviewer"
    if len(signatures) > 1 and same_person(signatures[0].name, signatures[1].name):
        yield f"{signatures[0].name} signed both as preparer and as reviewer: these are to be two people"
    days = [str(audit.get("as_of", "")), *(s.on.isoformat() for s in signatures)]
    for earlier, later in pairwise(days):
        if later < earlier:
            yield f"a signature is of {later}, before {earlier}: the reviewer signs after the preparer, and both once the day has come"


def refuse_signing(signatures: Sequence[Signature], role: str, name: str, on: date, as_of: date, today: date) -> None:
    """Refuse a signature that may not be given: the same role again, the reviewer first, one person for both, a day too early or to come.

    Errors:  RefusedError with what to do.
    """
    given = {s.role: s for s in signatures}
    if role in given:
        raise RefusedError(
            f"This run is signed already by {given[role].name} as {role}, on {given[role].on}. Signatures are never replaced: if something "
            "is wrong with it, run again and sign the new run."
        )
    if role == REVIEWER and PREPARER not in given:
        raise RefusedError("The preparer has not signed this run yet. The reviewer signs after the preparer.")
    if role == REVIEWER and same_person(given[PREPARER].name, name):
        raise RefusedError(f"{given[PREPARER].name} signed as preparer. The reviewer is to be another person.")
    latest = max((as_of, *(s.on for s in signatures)))
    if on < latest:
        raise RefusedError(f"{on} is before {latest}: a run is signed once its day has come, by the reviewer after the preparer.")
    if on > max(as_of, today):
        raise RefusedError(f"{on} has not come yet: it is {today}. A signature bears the day on which it is given: leave --on out.")


def _document(signatures: Sequence[Signature]) -> bytes:
    last = signatures[-1].hash if signatures else ""
    return as_text({"form": FORM, "signatures": [s.as_entry() for s in signatures], "last": last})


def write_signatures(run: Path, signatures: Sequence[Signature]) -> None:
    """Replace `signatures.json` in one step by one with a signature more; what fails leaves the one that was there.

    Errors:  RefusedError if the folder cannot be written.
    """
    draft = run.resolve().parent / f".signatures-{secrets.token_hex(8)}.json"
    try:
        with draft.open("xb") as file:
            file.write(_document(signatures))
            file.flush()
            os.fsync(file.fileno())
        draft.replace(run / SIGNATURES_FILE)
    except OSError as error:
        raise RefusedError(f"{run / SIGNATURES_FILE} cannot be written: {error.strerror or error}. Nothing was signed.") from error
    finally:
        draft.unlink(missing_ok=True)
