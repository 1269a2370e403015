"""What `sign-off` does: hold the run against its audit, then put one more signature under it, in one step, with no way to lose another.

A run that is not as it was made, or that follows a run which is not, cannot be signed. The workbook as it is at the first signature is
what is signed.
"""

from __future__ import annotations

import contextlib
import stat
from datetime import date
from typing import TYPE_CHECKING

from reconcile.audit import SIGNATURES_FILE
from reconcile.cli_support import say, show
from reconcile.errors import RefusedError
from reconcile.run_chain import check_chain
from reconcile.run_check import check_run
from reconcile.run_lock import one_at_a_time
from reconcile.signatures import Signature, files_hash, is_open, refuse_signing, write_signatures, written_name

if TYPE_CHECKING:
    from pathlib import Path

    from reconcile.run_check import RunCheck

NOTE_LENGTH = 1000


def sign_off(run: Path, role: str, name: str, on: date, today: date, note: str = "", reports: Path | None = None) -> Signature:
    """Sign a run as its preparer or its reviewer, and show what was signed.

    In:      `on` is the day that the signature bears, `today` the day of the clock: no later one can be signed.
    Errors:  RefusedError if the run or one before it is not as it was made, or if this person may not sign it now.
    """
    who = written_name(name)
    said = " ".join(note.split())
    if not said.isprintable() or len(said) > NOTE_LENGTH:
        raise RefusedError(f"The note holds characters that cannot be seen, or is longer than {NOTE_LENGTH:,}. Type it again with --note.")
    with one_at_a_time(run):
        checked = check_run(run)
        _refuse_changed(run, checked, reports)
        refuse_signing(checked.signatures, role, who, on, date.fromisoformat(str(checked.audit["as_of"])), today)
        signature = Signature(
            role=role,
            name=who,
            on=on,
            note=said,
            run_hash=str(checked.audit["run_hash"]),
            audit_hash=str(checked.audit["audit_hash"]),
            files_hash=files_hash(run),
            edited=checked.signatures[0].edited if checked.signatures else checked.edited,
            follows=checked.signatures[-1].hash if checked.signatures else "",
        )
        write_signatures(run, (*checked.signatures, signature))
        _guard(run)
    show(_told(checked, signature))
    return signature


def _refuse_changed(run: Path, checked: RunCheck, reports: Path | None) -> None:
    """Refuse to sign what is not as it was made."""
    if checked.differences:
        raise RefusedError(f"{run} cannot be signed: it is not as the run left it.", checked.differences)
    chain = check_chain(run, checked, reports)
    if chain.differences:
        cure = "See what `reconcile verify` says of it. Runs that lie in another folder are named with --reports."
        raise RefusedError(f"{run} cannot be signed: a run before or after it is not as it should be.", (*chain.differences, cure))
    if any(is_open(note.split(" lies in ", 1)[0]) for note in checked.notes):
        raise RefusedError(f"A workbook in {run} is open in a spreadsheet. Save and close it, then sign: what is signed must not change.")
    for note in dict.fromkeys((*checked.notes, *chain.notes)):
        say(f"Note: {note}.")


def _guard(run: Path) -> None:
    """Take away the right to write the signed files, as far as the disk allows, so that no spreadsheet saves one by accident."""
    for path in run.rglob("*"):
        if path.is_file() and path.name != SIGNATURES_FILE:
            with contextlib.suppress(OSError):
                path.chmod(path.stat().st_mode & ~(stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH))


def _told(checked: RunCheck, signature: Signature) -> str:
    """What was signed, in a few lines."""
    edited = [f"             {f.file} as it was saved since the run ({f.sha256})" for f in signature.edited]
    lines = [
        f"Signed: {checked.name}, by {signature.name} as {signature.role}, on {signature.on}",
        f"  what:      {checked.files} files and the audit ({signature.files_hash})",
        *edited,
        f"  run hash:  {signature.run_hash}",
        f"  signature: {signature.hash}",
    ]
    last = "Both have signed. " if signature.role == "reviewer" else "Next, another person signs with --role reviewer. "
    return "\n".join((*lines, f"{last}No file of the run may change from now on; `reconcile verify` shows whether any did.")) + "\n"
