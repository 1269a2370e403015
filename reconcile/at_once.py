"""How much of a run is done at once: into how many parts the student body is cut, and what several processes do side by side.

A process that has settled a part also writes the rows of its large CSV files; put one after the other, in the order of terms and parts,
they are the file. The number of parts depends on the exports alone, never on the machine.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple, Self

from reconcile import schemas
from reconcile.deliver.csv_out import write_parquet_slices, write_rows
from reconcile.entries import slices_of_entries
from reconcile.forked import Begun, forked, let_go, processors

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    import pandas as pd

    from reconcile.export_files import InputFile
    from reconcile.exports import Exports
    from reconcile.intake_files import FileRead
    from reconcile.settle import Settled

SMALL_ROWS: Final = 30_000
"""Rows of all exports below which a second process costs more than it saves."""

ROWS_A_PART: Final = 800_000
"""Rows of a part, more or less: a run over a million students settles a few of many parts at a time, while the rest are only exports."""

SMALL_BYTES: Final = 3_000_000
"""Bytes of exports below which one process reads them all."""

IN_PIECES: Final = ("students", "draws", "plans")
"""The large files, each in the order of terms and, within a term, of students."""


class Piece(NamedTuple):
    """Rows of one file: of one term and one part of the student body."""

    table: str
    term: str
    part: int
    path: Path


def how_many_parts(exports: Exports) -> int:
    """Into how many parts to cut the student body."""
    rows = sum(len(table) for table in exports.tables.values())
    return 1 if rows < SMALL_ROWS else max(2, round(rows / ROWS_A_PART))


def read_at_once(
    read: Callable[[InputFile], FileRead], files: Sequence[InputFile], meanwhile: Callable[[], object] | None = None
) -> list[FileRead]:
    """Every file read, in order; the largest are begun first. `meanwhile` as `forked`."""
    sizes = [file.path.stat().st_size if file.path.is_file() else 0 for file in files]
    order = sorted(range(len(files)), key=lambda at: -sizes[at])
    workers = processors() if sum(sizes) > SMALL_BYTES else 1
    found = dict(zip(order, forked(read, [files[at] for at in order], workers, meanwhile), strict=True))
    return [found[at] for at in range(len(files))]


class SettledAtOnce:
    """A `map` over parts by several processes, each of which also leaves the rows of the large files in a folder.

    The table of entries, which no list or letter needs, is written to the folder meanwhile, by a process of its own; so is any other table
    that is named to `write_beside`.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._turn = 0
        self._beside: dict[str, list[Begun]] = {}
        self.pieces: tuple[Piece, ...] = ()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._wait()  # nothing is written any more when the folder is taken away

    def __call__(self, settle: Callable[[Exports], Settled], parts: Sequence[Exports]) -> Iterable[Settled]:
        """Settle every part; with a single part nothing is left in the folder."""
        self._wait()
        self.pieces, self._beside = (), {}
        if len(parts) < 2:
            return [settle(part) for part in parts]
        shutil.rmtree(self._folder / str(self._turn), ignore_errors=True)
        self._turn += 1
        folder = self._folder / str(self._turn)
        folder.mkdir(parents=True)
        made = forked(partial(_settle_and_write, settle, folder), list(enumerate(parts)), processors())
        self.pieces = tuple(piece for _settled, pieces in made for piece in pieces)
        let_go()
        settled = [settled for settled, _pieces in made]
        slices = slices_of_entries([part.entries for part in settled])
        self._beside["entries"] = [Begun(partial(write_parquet_slices, slices, schemas.OUTPUTS["entries"], self._place("entries")))]
        return settled

    def write_beside(self, name: str, make: Callable[[int, int], pd.DataFrame]) -> None:
        """Begin to make and write a table that nothing else needs, by processes of their own; nothing is begun if there was a single part.

        In:      what makes the rows of one of so many parts of the table.
        """
        if self.pieces:
            workers = processors()
            self._beside[name] = [Begun(partial(self._make_and_write, name, make, part, workers)) for part in range(workers)]

    def _make_and_write(self, name: str, make: Callable[[int, int], pd.DataFrame], part: int, parts: int) -> None:
        write_rows(make(part, parts), schemas.OUTPUTS[name], self._place(name, part))

    def in_order(self) -> Pieces:
        """The pieces of each large file in the order in which they make it up; none if there was a single part."""
        found: dict[str, list[Path]] = {piece.table: [] for piece in self.pieces}
        for piece in sorted(self.pieces, key=lambda piece: (piece.table, piece.term, piece.part)):
            found[piece.table].append(piece.path)
        beside = {name: [self._place(name, part) for part in range(len(begun))] for name, begun in self._beside.items()}
        return Pieces(found | beside, self._beside)

    def _place(self, name: str, part: int = 0) -> Path:
        return self._folder / str(self._turn) / f"{name}-beside-{part}"

    def _wait(self) -> None:
        for begun in self._beside.values():
            for one in begun:
                one.wait()


class Pieces(Mapping[str, list[Path]]):
    """The pieces of each large file, in order; to ask for those that are still being written is to wait for them.

    Errors:  as `Begun.end`, when they are asked for.
    """

    def __init__(self, pieces: Mapping[str, list[Path]], begun: Mapping[str, Sequence[Begun]]) -> None:
        self._pieces, self._begun = pieces, begun

    def __getitem__(self, name: str) -> list[Path]:
        """The pieces of that file, whole."""
        for begun in self._begun.get(name, ()):
            begun.end()
        return self._pieces[name]

    def __contains__(self, name: object) -> bool:
        """Whether the file is written in pieces; asked without waiting."""
        return name in self._pieces

    def __iter__(self) -> Iterator[str]:
        """The names of the files."""
        return iter(self._pieces)

    def __len__(self) -> int:
        """How many files are written in pieces."""
        return len(self._pieces)


def _settle_and_write(settle: Callable[[Exports], Settled], folder: Path, part: tuple[int, Exports]) -> tuple[Settled, list[Piece]]:
    number, exports = part
    settled = settle(exports)
    pieces = []
    for name in IN_PIECES:
        table = settled.tables[name]
        for at, (term, rows) in enumerate(table.groupby("term", sort=True)):
            path = folder / f"{name}-{number}-{at}"
            write_rows(rows, schemas.OUTPUTS[name], path)
            pieces.append(Piece(name, str(term), number, path))
    return settled, pieces


__all__ = ["IN_PIECES", "Piece", "SettledAtOnce", "how_many_parts", "read_at_once"]
