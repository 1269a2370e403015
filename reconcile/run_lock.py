"""One signature at a time: of two people who sign a run at the same moment, the second waits until the first is done.

The lock hangs on the open audit file and on nothing else, so that it leaves no file behind and ends with the process that held it.
"""

from __future__ import annotations

import contextlib
import sys
from typing import TYPE_CHECKING

from reconcile.audit import AUDIT_FILE
from reconcile.errors import RefusedError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

if sys.platform == "win32":
    import msvcrt

    FAR = 1 << 30
    """A place beyond the end of the file: this system keeps others from reading what is locked."""

    def _lock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_LOCK, 1)

    def _unlock(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    FAR = 0

    def _lock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX)

    def _unlock(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_UN)


@contextlib.contextmanager
def one_at_a_time(run: Path) -> Iterator[None]:
    """Hold the run for oneself; who comes second waits.

    Errors:  RefusedError if the folder holds no audit, or cannot be held.
    """
    try:
        file = (run / AUDIT_FILE).open("rb")
    except OSError as error:
        raise RefusedError(f"{run} holds no {AUDIT_FILE} that can be opened, so it is not the folder of a run. Check the path.") from error
    with file:
        try:
            file.seek(FAR)
            _lock(file.fileno())
        except OSError as error:
            raise RefusedError(f"{run} is being signed by someone else, or its disk allows no lock. Try again.") from error
        try:
            yield
        finally:
            with contextlib.suppress(OSError):
                file.seek(FAR)
                _unlock(file.fileno())
