"""The inputs of a close, kept inside its run folder, so that it can be done again from them years later.

    inputs/exports/...      every file that was read, under the name by which the reports call it; control totals and general ledger too
    inputs/rules/...        the rules files
    inputs/map/...          the column map, if there was one
    inputs/notes/...        what people wrote about exceptions, if there were files; a workbook of an earlier run under the name of that run
    inputs/not_read.txt     the sentences about files that lay beside the exports and belong to no kind, if there were any: these files are
                            not kept, and what the close said of them is part of it

Two files of one name from different folders keep as much of their folders as tells them apart, as in every output. The copies are the
bytes that were read: if a file changed on disk in the meantime, the close is refused.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from reconcile.audit import sha256_of
from reconcile.errors import RefusedError
from reconcile.export_files import find_files

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from reconcile.column_map import ColumnMap
    from reconcile.dispositions import NotesFile
    from reconcile.exports import Exports
    from reconcile.policy import Rules

INPUTS: Final = "inputs"
NOT_READ: Final = "not_read.txt"


@dataclass(frozen=True)
class Archived:
    """Where a close keeps its inputs; None for what it had none of. `exports` are files, as a command takes them."""

    exports: tuple[Path, ...]
    rules: Path
    map_file: Path | None
    notes: Path | None
    """Their folder."""
    not_read: tuple[str, ...] = ()


def keep_inputs(
    folder: Path,
    sources: Sequence[Path],
    exports: Exports,
    of_rules: tuple[Path, Rules],
    of_map: tuple[Path | None, ColumnMap | None],
    notes: Sequence[NotesFile],
    not_read: tuple[str, ...] = (),
) -> None:
    """Copy everything that a run was made from into `inputs` of its folder.

    In:      the sources as they were given, and what was read from them (names and hashes); the rules with their folder, the column map
             with its file; the files of notes; sentences about files that were not read, if they come from a close that is made again.
    Errors:  RefusedError if a file is no longer what was read.
    """
    (rules_folder, rules), (map_file, column_map) = of_rules, of_map
    found = find_files(sources, column_map)
    read = {(source.file, source.role): source.sha256 for source in exports.sources}
    by_role = (("export", found.exports), ("control totals", found.control_totals), ("general ledger", found.general_ledger))
    for role, files in by_role:
        for file in files:
            if (file.name, role) in read:
                _keep(file.path, folder / INPUTS / "exports" / file.name, read[file.name, role])
    for rule in rules.files:
        _keep(rules_folder / rule.name, folder / INPUTS / "rules" / rule.name, rule.sha256)
    if map_file is not None and column_map is not None:
        _keep(map_file, folder / INPUTS / "map" / column_map.name, column_map.sha256)
    for one in notes:
        _keep(one.path, folder / INPUTS / "notes" / one.name, read[one.name, "notes"])
    if told := (*found.notes, *not_read):
        (folder / INPUTS / NOT_READ).write_bytes("".join(f"{line}\n" for line in told).encode("utf-8", "backslashreplace"))


def _keep(path: Path, place: Path, sha256: str) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(path, place)
    if sha256_of(place) != sha256:
        raise RefusedError(f"{path} changed while the close was made. Run it again.")


def archived_inputs(run: Path) -> Archived:
    """Where a close keeps its inputs.

    Errors:  RefusedError if the folder keeps none.
    """
    place = run / INPUTS
    exports = tuple(sorted(path for path in (place / "exports").rglob("*") if path.is_file())) if place.is_dir() else ()
    if not exports:
        raise RefusedError(f"{run} keeps no inputs: only a month-end close does. Check the path.")
    told = place / NOT_READ
    not_read = tuple(told.read_text(encoding="utf-8").splitlines()) if told.is_file() else ()
    return Archived(exports, place / "rules", _only(place / "map"), place / "notes" if (place / "notes").is_dir() else None, not_read)


def archived_rules(run: Path) -> Path | None:
    """The folder in which a close keeps its rules; None if it keeps none."""
    place = run / INPUTS / "rules"
    return place if place.is_dir() else None


def _only(folder: Path) -> Path | None:
    return next((path for path in sorted(folder.iterdir()) if path.is_file()), None) if folder.is_dir() else None


def kept_in(run: Path) -> Iterable[Path]:
    """Every file under `inputs` of a run folder, in order; none for a daily run."""
    return sorted(path for path in (run / INPUTS).rglob("*") if path.is_file())
