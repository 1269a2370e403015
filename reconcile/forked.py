"""Does independent work in several processes at once, on machines that can copy a running process (Linux): files read, parts settled.

Each process starts as a copy of this one, so that nothing has to be sent to it; what it made comes back through a file of its own, whose
bytes are mapped, not read. Where all of it is small beside a machine's memory, the file is one of memory alone. The same work gives the
same results as doing it in turn. Where processes cannot be copied, or there is one processor only, it is done in turn.
"""

from __future__ import annotations

import gc
import io
import mmap
import os
import pickle
import sys
import tempfile
import traceback
import warnings
import weakref
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]

from reconcile.errors import RefusedError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from multiprocessing.connection import Connection

Given = TypeVar("Given")
Made = TypeVar("Made")

_ALIGNED: Final = 64
"""Tables begin at such places of a file, as array code likes them."""

_IN_MEMORY: Final = 1_000_000_000
"""Bytes of all results together up to which they stay in memory; more are left to the disk, which can give memory back."""

_left: tuple[Callable[[Any], Any], Sequence[Any], list[int]] | None = None
"""What the copies of this process find to do: set just before they are made, and taken away at once."""


_maps: weakref.WeakSet[mmap.mmap] = weakref.WeakSet()
"""Mapped files whose tables may still be in use."""


def let_go() -> None:
    """Give back the memory that mapped tables fill by having been read: what is asked for again comes from their files."""
    for mapped in list(_maps):
        mapped.madvise(mmap.MADV_DONTNEED)


def processors() -> int:
    """How many processors this process may use; one where processes cannot be copied."""
    if not sys.platform.startswith("linux"):
        return 1
    return len(os.sched_getaffinity(0))


def forked(
    work: Callable[[Given], Made], given: Sequence[Given], workers: int, meanwhile: Callable[[], object] | None = None
) -> list[Made]:
    """What `work` makes of each thing given, in order, done by so many processes at once; in turn if that is one.

    In:      `meanwhile`: something that this process may as well do while others work; left undone where there are no others.

    Errors:  an error of the work is raised here as it was there; RefusedError if a process was ended from outside.
    """
    global _left  # noqa: PLW0603 (a copied process finds its work where this one left it)
    if min(workers, len(given)) < 2:
        return [work(one) for one in given]
    with tempfile.TemporaryDirectory(prefix="reconcile-") as place, warnings.catch_warnings():
        # Python warns that a copy of a process with threads may hang; the copies use none of ours, and arrow starts its own anew.
        warnings.simplefilter("ignore", DeprecationWarning)
        in_memory = _files_of_memory(len(given))
        _left = (work, given, in_memory)
        gc.freeze()
        try:
            with ProcessPoolExecutor(min(workers, len(given)), mp_context=get_context("fork")) as pool:
                made = [pool.submit(_one, number, Path(place)) for number in range(len(given))]
                if meanwhile is not None:
                    meanwhile()
                return [_mapped(file.result() or in_memory[number]) for number, file in enumerate(made)]
        except BrokenProcessPool as error:
            raise _ended_from_outside() from error
        finally:
            _left = None
            gc.unfreeze()
            for held in in_memory:
                os.close(held)


def _files_of_memory(count: int) -> list[int]:
    """Numbers of so many files that are in memory alone; none where the system has no such files."""
    made: list[int] = []
    try:
        for number in range(count):
            made.append(os.memfd_create(f"reconcile-{number}"))  # noqa: PERF401 (what was made is closed if the next cannot be)
    except (AttributeError, OSError):
        for held in made:
            os.close(held)
        return []
    return made


class Begun:
    """Work that a copy of this process does while this one goes on; where processes cannot be copied it is done at once."""

    def __init__(self, work: Callable[[], None]) -> None:
        self._ended = False
        if processors() < 2:
            work()
            self._ended = True
            return
        self._told, tells = get_context("fork").Pipe(duplex=False)
        self._process = get_context("fork").Process(target=_do_and_tell, args=(work, tells))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # as above
            self._process.start()
        tells.close()

    def wait(self) -> None:
        """Wait for its end, however it ended."""
        if not self._ended:
            self._process.join()

    def end(self) -> None:
        """Wait for its end.

        Errors:  as `forked`.
        """
        if self._ended:
            return
        try:
            error = self._told.recv()
        except EOFError as gone:
            raise _ended_from_outside() from gone
        finally:
            self.wait()
            self._told.close()
            self._ended = True
        if error is not None:
            raise error


def _do_and_tell(work: Callable[[], None], tells: Connection) -> None:
    """In a copied process: do the work, and tell how it ended."""
    try:
        work()
    except Exception as error:  # noqa: BLE001 (whatever it is, it is raised where the work was begun)
        tells.send(_sendable(error))
    else:
        tells.send(None)


def _sendable(error: Exception) -> Exception:
    """The error with where it happened as a note; in words alone where it cannot be sent as it is."""
    error.add_note("".join(traceback.format_exception(error)))
    try:
        pickle.loads(pickle.dumps(error))  # noqa: S301 (our own, from a moment ago)
    except Exception:  # noqa: BLE001 (an error may be made of anything)
        return RuntimeError(f"{type(error).__name__}: {error}\n{error.__notes__[-1]}")
    return error


def _ended_from_outside() -> RefusedError:
    told = "A process that did part of the work was ended from outside: as a rule, memory ran out. No report was left."
    return RefusedError(told, ("Close other programs or take a larger machine, then run again.",))


def _one(number: int, place: Path) -> Path | None:
    """In a copied process: do one piece of the work and leave what it made in a file; None if that is the one of memory."""
    if _left is None:
        raise RuntimeError("no work was left for this process")
    work, given, in_memory = _left
    buffers: list[pickle.PickleBuffer] = []
    told = io.BytesIO()
    _Pickler(told, protocol=5, buffer_callback=buffers.append).dump(work(given[number]))
    views = [told.getbuffer(), *(buffer.raw() for buffer in buffers)]
    head = pickle.dumps([view.nbytes for view in views])
    small = in_memory and sum(view.nbytes for view in views) * len(given) <= _IN_MEMORY
    path = place / str(number)
    with os.fdopen(in_memory[number], "wb", closefd=False) if small else path.open("xb") as file:
        file.write(len(head).to_bytes(8, "little") + head)
        for view in views:
            file.write(bytes(-file.tell() % _ALIGNED))
            file.write(view)
    return None if small else path


class _Pickler(pickle.Pickler):
    """Sends a column of texts as the one array that it is; pandas would copy it first. Of a slice it sends no more than the slice."""

    def reducer_override(self, given: object) -> Any:  # noqa: ANN401 (as its class says)
        if isinstance(given, pa.ChunkedArray):
            return pa.chunked_array, ([_as_sent(chunk) for chunk in given.chunks], given.type)
        if type(given) is not pd.arrays.ArrowStringArray:
            return NotImplemented
        chunks = given.__arrow_array__().chunks
        return _text_column, (_as_sent(chunks[0] if len(chunks) == 1 else pa.concat_arrays(chunks or [pa.array([], pa.large_string())])),)


def _as_sent(array: pa.Array) -> pa.Array:
    """The array without what it was cut from, which would go along."""
    return pa.concat_arrays([array]) if array.get_total_buffer_size() > array.nbytes + _ALIGNED * 2 else array


def _text_column(array: pa.Array) -> object:
    return pd.array(array, dtype="str")


def _mapped(made: Path | int) -> Any:  # noqa: ANN401 (whatever the work made)
    """What is in a file (its path, or the number of one of memory); its tables stay in the mapped file, which may be removed meanwhile."""
    if isinstance(made, Path):
        with made.open("rb") as file:
            mapped = mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
        made.unlink()
        _maps.add(mapped)
    else:
        mapped = mmap.mmap(made, 0, access=mmap.ACCESS_READ)
    held = memoryview(mapped)
    at = 8 + int.from_bytes(held[:8], "little")
    pieces = []
    for size in pickle.loads(held[8:at]):  # noqa: S301 (written by a copy of this process, into a folder of its own)
        at += -at % _ALIGNED
        pieces.append(held[at : at + size])
        at += size
    return pickle.loads(pieces[0], buffers=pieces[1:])  # noqa: S301 (as above)
