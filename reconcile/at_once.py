"""How much of a run is done at once: into how many parts the student body is cut, and what several processes do side by side.

A process that has settled a part also writes the rows of its large CSV files; put one after the other, in the order of terms and parts,
they are the file. The number of parts depends on the exports alone, never on the machine.
"""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Final, NamedTuple, Self

import pyarrow as pa  # type: ignore[import-untyped]

from reconcile import schemas
from reconcile.deliver.csv_out import csv_lines, write_parquet_slices, write_rows
from reconcile.entries import slices_of_entries
from reconcile.forked import Begun, forked, let_go, processors

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from pathlib import Path

    import pandas as pd

    from reconcile.events import Ints
    from reconcile.export_files import InputFile
    from reconcile.exports import Exports
    from reconcile.intake_files import FileRead
    from reconcile.parts import Part
    from reconcile.settle import Settled

SMALL_ROWS: Final = 30_000
"""Rows of all exports below which a second process costs more than it saves."""

ROWS_A_PART: Final = 800_000
"""Rows of a part, more or less: a run over a million students settles a few of many parts at a time, while the rest are only exports."""

SMALL_BYTES: Final = 3_000_000
"""Bytes of exports below which one process reads them all."""

IN_PIECES: Final = ("students", "draws", "plans")
"""The large files, each in the order of terms and, within a term, of students."""

IN_LINES: Final = ("exceptions", "outreach")
"""The files whose order only the whole knows."""


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

    The table of entries, which no list needs, is written to the folder meanwhile, by a process of its own. Rows whose order only the whole
    knows come back as the lines of their file, and are put in order here (`arrange`).

    whole:   whether the parts give back their large tables too, for those who look at them; else there are their files only.
    """

    def __init__(self, folder: Path, *, whole: bool = True) -> None:
        self._folder = folder
        self._whole = whole
        self._turn = 0
        self._entries: Begun | None = None
        self._pieces: tuple[Piece, ...] = ()
        self._lines: dict[str, list[pa.Array]] = {}
        self._arranged: dict[str, pa.Array] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._wait()  # nothing is written any more when the folder is taken away

    def __call__(self, settle: Callable[[Part], Settled], parts: Sequence[Part]) -> Iterable[Settled]:
        """Settle every part; with a single part nothing is left in the folder."""
        self._wait()
        self._pieces, self._lines, self._arranged, self._entries = (), {}, {}, None
        if len(parts) < 2:
            return [settle(part) for part in parts]
        shutil.rmtree(self._folder / str(self._turn), ignore_errors=True)
        self._turn += 1
        folder = self._folder / str(self._turn)
        folder.mkdir(parents=True)
        work = partial(_settle_and_write, settle, folder, whole=self._whole)
        made = forked(work, parts, processors())
        self._pieces = tuple(piece for _settled, pieces, _lines in made for piece in pieces)
        self._lines = {name: [lines[name] for _settled, _pieces, lines in made] for name in IN_LINES}
        let_go()
        settled = [settled for settled, _pieces, _lines in made]
        slices = slices_of_entries([part.entries for part in settled])
        self._entries = Begun(partial(write_parquet_slices, slices, schemas.OUTPUTS["entries"], folder / "entries"))
        return settled

    def arrange(self, name: str, order: Ints, more: pd.DataFrame) -> None:
        """Put the lines of one file in order; nothing is done if there was a single part.

        In:      the positions of the rows in the order of the file, among those of the parts, one after the other, and then of `more`.
        """
        if self._lines:
            whole = pa.concat_arrays([*self._lines.pop(name), csv_lines(more, schemas.OUTPUTS[name])])
            self._arranged[name] = whole.take(pa.array(order))

    def in_order(self) -> Pieces:
        """The pieces of each large file in the order in which they make it up; none if there was a single part."""
        found: dict[str, list[Path | pa.Array]] = {piece.table: [] for piece in self._pieces}
        for piece in sorted(self._pieces, key=lambda piece: (piece.table, piece.term, piece.part)):
            found[piece.table].append(piece.path)
        found |= {name: [lines] for name, lines in self._arranged.items()}
        if self._entries is not None:
            found["entries"] = [self._folder / str(self._turn) / "entries"]
        return Pieces(found, {} if self._entries is None else {"entries": self._entries})

    def _wait(self) -> None:
        if self._entries is not None:
            self._entries.wait()


class Pieces(Mapping[str, "list[Path | pa.Array]"]):
    """The pieces of each large file, in order; to ask for those that are still being written is to wait for them.

    Errors:  as `Begun.end`, when they are asked for.
    """

    def __init__(self, pieces: Mapping[str, list[Path | pa.Array]], begun: Mapping[str, Begun]) -> None:
        self._pieces, self._begun = pieces, begun

    def __getitem__(self, name: str) -> list[Path | pa.Array]:
        """The pieces of that file, whole."""
        if name in self._begun:
            self._begun[name].end()
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


def _settle_and_write(
    settle: Callable[[Part], Settled], folder: Path, part: Part, *, whole: bool
) -> tuple[Settled, list[Piece], dict[str, pa.Array]]:
    settled = settle(part)
    pieces = []
    for name in IN_PIECES:
        table = settled.tables[name]
        for at, (term, rows) in enumerate(table.groupby("term", sort=True)):
            path = folder / f"{name}-{part.number}-{at}"
            write_rows(rows, schemas.OUTPUTS[name], path)
            pieces.append(Piece(name, str(term), part.number, path))
    told = settled.told
    if told is None:
        raise ValueError("a part was settled and not told")
    lines = {name: csv_lines(table, schemas.OUTPUTS[name]) for name, table in zip(IN_LINES, (told.rows, told.letters), strict=True)}
    if not whole:
        tables = {name: table for name, table in settled.tables.items() if name not in IN_PIECES}
        settled = dataclasses.replace(settled, tables=tables, told=dataclasses.replace(told, letters=told.letters.iloc[:0]))
    return settled, pieces, lines


__all__ = ["IN_PIECES", "Piece", "SettledAtOnce", "how_many_parts", "read_at_once"]
