"""Settles the parts of the student body in several processes at once, on machines that can copy a running process (Linux).

Each process starts as a copy of this one, so that no export is sent to it; what it settled comes back through a file of its own, whose
bytes are mapped, not read. The same parts give the same results as settling them one after the other. Where processes cannot be copied,
or there is one processor only, `in_turn` does the same work.
"""

from __future__ import annotations

import gc
import mmap
import os
import pickle
import sys
import tempfile
import warnings
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from reconcile.exports import Exports
    from reconcile.settle import Settled

SMALL: Final = 20_000
"""Rows of all exports below which a second process costs more than it saves."""

ROWS_A_PART: Final = 1_600_000
"""Rows of a part at most, so that a run over a million students settles some of them while it holds the others only as exports."""

_ALIGNED: Final = 64

_work: tuple[Callable[[Exports], Any], Sequence[Exports]] | None = None
"""What the copies of this process find: set just before they are made, and taken away at once."""


def processors() -> int:
    """How many processors this process may use; one where processes cannot be copied."""
    if not sys.platform.startswith("linux"):
        return 1
    return len(os.sched_getaffinity(0))


def how_many_parts(rows: int, workers: int) -> int:
    """Into how many parts to cut so many rows of exports."""
    if rows < SMALL or workers < 2:
        return 1
    return workers * -(-rows // (workers * ROWS_A_PART))


def each_in_processes(workers: int) -> Callable[[Callable[[Exports], Settled], Sequence[Exports]], Iterable[Settled]]:
    """A `map` over parts with so many processes at once; with one part or one worker, in turn."""

    def each(settle: Callable[[Exports], Settled], parts: Sequence[Exports]) -> Iterable[Settled]:
        return map(settle, parts) if workers < 2 or len(parts) < 2 else _forked(settle, parts, workers)

    return each


def _forked(settle: Callable[[Exports], Any], parts: Sequence[Exports], workers: int) -> list[Any]:
    """What `settle` gives for each part, in order; an error of a part is raised here as it was there."""
    global _work  # noqa: PLW0603 (a copied process finds its work where this one left it)
    with tempfile.TemporaryDirectory(prefix="reconcile-") as place, warnings.catch_warnings():
        # Python warns that a copy of a process with threads may hang; the copies use none of ours, and arrow starts its own anew.
        warnings.simplefilter("ignore", DeprecationWarning)
        _work = (settle, parts)
        gc.freeze()
        try:
            with ProcessPoolExecutor(min(workers, len(parts)), mp_context=get_context("fork")) as pool:
                files = [pool.submit(_settle_one, number, Path(place)) for number in range(len(parts))]
                return [_mapped(file.result()) for file in files]
        except BrokenProcessPool as error:
            raise MemoryError(
                "a process that settled a part of the students was ended from outside, as a rule for want of memory"
            ) from error
        finally:
            _work = None
            gc.unfreeze()


def _settle_one(number: int, place: Path) -> Path:
    """In a copied process: settle one part and leave the result in a file."""
    if _work is None:
        raise RuntimeError("no work was left for this process")
    settle, parts = _work
    buffers: list[pickle.PickleBuffer] = []
    told = pickle.dumps(settle(parts[number]), protocol=5, buffer_callback=buffers.append)
    views = [buffer.raw() for buffer in buffers]
    sizes = [len(told), *(view.nbytes for view in views)]
    head = pickle.dumps(sizes)
    path = place / str(number)
    with path.open("xb") as file:
        file.write(len(head).to_bytes(8, "little") + head)
        for piece in (memoryview(told), *views):
            file.write(bytes(-file.tell() % _ALIGNED))
            file.write(piece)
    return path


def _mapped(path: Path) -> Any:  # noqa: ANN401 (what `settle` gives)
    """The result in a file; its tables stay in the mapped file, which may be removed meanwhile."""
    with path.open("rb") as file:
        held = memoryview(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ))
    path.unlink()
    at = 8 + int.from_bytes(held[:8], "little")
    pieces = []
    for size in pickle.loads(held[8:at]):  # noqa: S301 (written by a copy of this process, into a folder of its own)
        at += -at % _ALIGNED
        pieces.append(held[at : at + size])
        at += size
    return pickle.loads(pieces[0], buffers=pieces[1:])  # noqa: S301 (as above)
