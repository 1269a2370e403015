"""Which files belong to this run, and which kind of export each of them is.

An office gives a folder, or several files. A file's kind shows in its name: `charges.csv`, `aid_2026-10.xlsx`, `cleared_draws (bank).csv`;
or the column map says by patterns which files are of which kind, and then these patterns alone count for that kind. Nothing here opens an
export. No file is passed over in silence: one that belongs to no kind is told in a note.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections import Counter
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import TYPE_CHECKING

from reconcile.schemas import EXPORTS
from reconcile.toml_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from reconcile.column_map import ColumnMap

TEXT_ENDINGS = (".csv", ".txt", ".tsv")
WORKBOOK_ENDINGS = (".xlsx",)
CONTROL_TOTALS = "control_totals.toml"
GENERAL_LEDGER = "general_ledger.toml"
BESIDE = (CONTROL_TOTALS, GENERAL_LEDGER)

_ENDINGS = ".csv, .txt, .tsv or .xlsx"
_OTHER_TABLES = (".xls", ".xlsm", ".xlsb", ".ods", ".numbers")
"""Endings of files that may hold a table which is not read: told in words, since the office thinks it has given the data."""


@dataclass(frozen=True)
class InputFile:
    """One file to read: where it lies, the name by which every output calls it, and the kinds of export that claim it."""

    path: Path
    name: str
    kinds: tuple[str, ...] = ()

    @property
    def is_workbook(self) -> bool:
        """Whether it is a workbook with sheets; else it is text."""
        return self.path.suffix.lower() in WORKBOOK_ENDINGS


@dataclass(frozen=True)
class FoundFiles:
    """The files of a run by name, so that the order in which they were given has no effect."""

    exports: tuple[InputFile, ...]
    control_totals: tuple[InputFile, ...]
    general_ledger: tuple[InputFile, ...]
    problems: tuple[str, ...]
    notes: tuple[str, ...]


def find_files(sources: Sequence[Path], column_map: ColumnMap | None) -> FoundFiles:
    """Look into the given folders and files and tell the kinds apart by name.

    In:      folders (their own files, not those of folders inside them) and files, in any order; the map, for its patterns.
    Out:     files sorted by name; problems (each refuses the run): a path that is not there, a required kind without a file, a table in a
             form that is not read; notes: files that belong to no kind.
    """
    paths, problems, notes = _gather(sources)
    names = _tell_apart(paths)
    exports, totals, ledgers = [], [], []
    for path in sorted(paths, key=lambda p: names[p]):
        lower = path.name.lower()
        file = InputFile(path, names[path], _kinds(path.name, column_map))
        unfit = unfit_name(file.name)
        if lower == CONTROL_TOTALS:
            totals.append(file)
        elif lower == GENERAL_LEDGER:
            ledgers.append(file)
        elif column_map is not None and lower == column_map.name.lower():
            continue
        elif file.kinds and unfit:
            problems.append(f"{readable_name(file.name)} cannot be read under this name: {unfit}. Rename it.")
        elif file.kinds and path.suffix.lower() in _OTHER_TABLES:
            problems.append(f"{file.name} is a file of {' and '.join(file.kinds)} that cannot be read. Save it as {_ENDINGS}.")
        elif file.kinds:
            exports.append(file)
        elif not _passed_over(lower):
            notes.append(_unclaimed(readable_name(file.name)))
    problems += _missing_kinds(exports, column_map)
    return FoundFiles(tuple(exports), tuple(totals), tuple(ledgers), tuple(problems), tuple(notes))


def patterns(export: str, column_map: ColumnMap | None) -> tuple[str, ...]:
    """The file names by which that export is known: those of the map, else the standard ones."""
    given = column_map.of(export).files if column_map is not None else ()
    return given or tuple(f"{export}*{ending}" for ending in (*TEXT_ENDINGS, *WORKBOOK_ENDINGS))


def unfit_name(name: str) -> str:
    r"""Why no report can show the name of a file, or "" where it can: it is no text, or it would break a line or turn a sentence round.

    >>> unfit_name("charges caf\u00e9.csv"), unfit_name("charges\udce9.csv"), unfit_name("charges\n.csv")
    ('', 'it is not valid UTF-8', 'it holds the invisible character U+000A')
    """
    for char in name:
        category = unicodedata.category(char)
        if category == "Cs":
            return "it is not valid UTF-8"
        if category in {"Cc", "Zl", "Zp"} or (category == "Cf" and unicodedata.bidirectional(char) != "BN"):
            return f"it holds the invisible character U+{ord(char):04X}"
    return ""


def readable_name(name: str) -> str:
    r"""The name with an escape in place of each byte or character that cannot be shown.

    >>> print(readable_name("charges\udce9\u202e\n.csv"))
    charges\xe9\u202e\n.csv
    """
    text = os.fsencode(name).decode("utf-8", "backslashreplace") if unfit_name(name).endswith("UTF-8") else name
    return "".join(c.encode("unicode_escape").decode() if unfit_name(c) else c for c in text)


def _gather(sources: Sequence[Path]) -> tuple[list[Path], list[str], list[str]]:
    """Every file that was given, once, with those that lie beside files given one by one and belong to the run by their name."""
    found: dict[Path, Path] = {}
    problems, notes = [], []
    for source in sources:
        if source.is_dir():
            for path in source.iterdir():
                if path.is_file():
                    found.setdefault(path.resolve(), path)
                elif path.is_dir() and not path.name.startswith("."):
                    inside = f"{readable_name(path.name)} inside {readable_name(source.name)}"
                    notes.append(f"The folder {inside} was not read. If it holds exports, give it as well.")
        elif source.is_file():
            found.setdefault(source.resolve(), source)
            for name in (CONTROL_TOTALS, GENERAL_LEDGER):
                if (beside := source.parent / name).is_file():
                    found.setdefault(beside.resolve(), beside)
        else:
            problems.append(f"There is no file or folder {source.name}. Check the path that was given for the exports.")
    return list(found.values()), problems, sorted(notes)


def _tell_apart(paths: Sequence[Path]) -> dict[Path, str]:
    """A name for each file: its own, with as many of the folders around it as tell two files of the same name apart."""
    names = {path: path.name for path in paths}
    full = {path: path.resolve() for path in paths}
    for depth in range(2, max((len(p.parts) for p in full.values()), default=0) + 1):
        count = Counter(name.casefold() for name in names.values())
        twice = [path for path, name in names.items() if count[name.casefold()] > 1]
        if not twice:
            break
        names.update({path: "/".join(full[path].parts[-depth:]) for path in twice})
    return names


def _kinds(name: str, column_map: ColumnMap | None) -> tuple[str, ...]:
    """The kinds that claim a file of this name. A pattern of the map goes before a standard name."""
    lower = name.casefold()
    if column_map is not None:
        mapped = tuple(e for e in EXPORTS if any(fnmatchcase(lower, p.casefold()) for p in column_map.of(e).files))
        if mapped:
            return mapped
    stem, dot, ending = lower.rpartition(".")
    plain = re.sub(r"[\s\-]+", "_", stem)
    if f"{dot}{ending}" not in (*TEXT_ENDINGS, *WORKBOOK_ENDINGS, *_OTHER_TABLES) or _passed_over(lower):
        return ()
    unmapped = (e for e in EXPORTS if column_map is None or not column_map.of(e).files)
    return tuple(e for e in unmapped if plain.startswith(e))


def _passed_over(lower: str) -> bool:
    """Files that lie beside exports and need no word: a read-me, hidden files, and the lock file of a workbook that is open."""
    return lower.startswith(("readme", ".", "~$"))


def _unclaimed(name: str) -> str:
    beside = next((toml for toml in BESIDE if name.rpartition("/")[2].lower().startswith(toml.partition(".")[0])), None)
    if beside is not None:
        return f"{name} was not read: what it would say is read from {beside} alone. Write it there as the README shows."
    stem = re.split(r"[.\s\d]", name.rpartition("/")[2], maxsplit=1)[0]
    near = nearest(stem, list(EXPORTS))
    cure = f"If it holds {near}, name it {near}*.csv" if near else "If it holds an export, give it that export's name"
    return f"{name} was not read: its name and ending are those of no export. {cure}, or add a pattern under files in the column map."


def _missing_kinds(exports: Sequence[InputFile], column_map: ColumnMap | None) -> list[str]:
    claimed = {kind for file in exports for kind in file.kinds}
    return [
        f"There is no file of {name}. Looked for: {', '.join(patterns(name, column_map))}. "
        "A file with headings alone will do; other names go under files in the column map."
        for name, export in EXPORTS.items()
        if not export.optional and name not in claimed
    ]
