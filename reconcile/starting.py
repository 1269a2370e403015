"""A first working folder: rules to make one's own, sample exports to try them on, and an empty place for reports.

The samples come with the package (in a checkout: from the folders beside it) and belong to an invented college. Nothing is ever written
over: the folder must be new or empty.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Final

import reconcile
from reconcile.errors import RefusedError

if TYPE_CHECKING:
    from collections.abc import Iterator

SAMPLE_AS_OF: Final = "2026-11-20"
"""The day as of which the sample exports are complete: the tenth of November's draws have come in."""
NOT_COPIED: Final = ("*.py", "*.pyc", "__pycache__", ".*", "planted.csv")
"""Programs that made the samples, and the list by which a test holds a run against what was planted: of no use to an office."""

README: Final = """\
A working folder for reconciling plan draws
===========================================

rules/          the office's policy: terms, dates, fees, return codes. These are samples of an invented college: make them your own.
exports/        sample exports of an invented college, so that everything can be tried before real data is touched. README.md says what
                is in them, and what a run must tell.
*_map.toml      a column map: says what the headings and codes of one delivery of the sample exports mean.
reports/        where runs go, one folder each; none is ever written over.

Try it, from this folder:

    {commands}

Then put your own exports in a folder beside these, set the rules to your own policy, and run `reconcile check FOLDER` first.
If your exports have other headings or codes, write a column map after the model of the sample one, and name it with --map.

Reports hold student records. Keep this folder where only those who may see such records can open it.
Before any draw is changed or presented again, the college's own policy, its notice duties and the bank's rules decide.
"""


def packaged(name: str) -> Path:
    """The folder of that name that comes with the package: `rules` or `sample_exports`.

    In a wheel it lies inside the package; in a checkout beside it, known by its project file.
    Errors:  FileNotFoundError if the package came without it (a fault of ours).
    """
    package = Path(reconcile.__file__).resolve().parent
    inside, beside = package / "data" / name, package.parent / name
    if inside.is_dir():
        return inside
    if beside.is_dir() and (package.parent / "pyproject.toml").is_file():
        return beside
    raise FileNotFoundError(f"the package came without its folder {name}")


def make_working_folder(folder: Path, rules: Path, samples: Path) -> tuple[str, ...]:
    """Fill a new or empty folder with rules, sample exports, the column maps that belong to them, and a README; gives the next commands.

    What fails or is interrupted leaves the folder empty, so that the same command can be given again.
    Errors:  RefusedError if the folder holds anything, or cannot be written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise RefusedError(f"{folder} is there already and not empty. Name a new folder: nothing is written over.")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return _fill(folder, rules, samples)
    except BaseException as error:
        _empty(folder)
        if isinstance(error, OSError):
            raise RefusedError(f"{folder} cannot be filled: {error.strerror or error}. Name another folder.") from error
        raise


def _fill(folder: Path, rules: Path, samples: Path) -> tuple[str, ...]:
    leave = shutil.ignore_patterns(*NOT_COPIED)
    shutil.copytree(rules, folder / "rules", ignore=leave)
    shutil.copytree(samples, folder / "exports", ignore=leave)
    maps = [path.rename(folder / path.name) for path in map_files(folder / "exports")]
    _tell_of_this_folder(folder / "exports" / "README.md", [path.name for path in maps], samples)
    (folder / "reports").mkdir()
    commands = tuple(_commands(folder))
    (folder / "README.txt").write_text(README.format(commands="\n    ".join(commands)), encoding="utf-8", newline="\n")
    return commands


def _tell_of_this_folder(readme: Path, maps: list[str], samples: Path) -> None:
    """Let the README of the samples name paths as they are here, the maps one folder up, and nothing that was not copied."""
    if not readme.is_file():
        return
    text = readme.read_text(encoding="utf-8")
    for name in maps:
        text = text.replace(f"sample_exports/{name}", name).replace(f"- `{name}`", f"- `../{name}`")
    text = text.replace("sample_exports/", "exports/")
    absent = [
        path.name for path in samples.iterdir() if path.is_file() and not (readme.parent / path.name).exists() and path.name not in maps
    ]
    pieces = re.split(r"(\n\n|\n(?= *- ))", text)
    kept = [piece for piece in _with_separators(pieces) if not any(f"`{name}`" in piece for name in absent)]
    readme.write_text("".join(kept).rstrip("\n") + "\n", encoding="utf-8", newline="\n")


def _with_separators(pieces: list[str]) -> Iterator[str]:
    """Paragraphs and list entries, each with the line ends before it."""
    yield pieces[0]
    for separator, piece in zip(pieces[1::2], pieces[2::2], strict=True):
        yield separator + piece


def _empty(folder: Path) -> None:
    if folder.is_dir():
        for entry in folder.iterdir():
            if entry.is_dir() and not entry.is_symlink():
                shutil.rmtree(entry, ignore_errors=True)
            else:
                entry.unlink(missing_ok=True)


def _commands(folder: Path) -> Iterator[str]:
    """One command for each delivery of the sample exports, run from inside the folder; NAME_map.toml is the map of the delivery NAME."""
    for delivery in sorted((path for path in (folder / "exports").iterdir() if path.is_dir()), key=lambda path: path.name, reverse=True):
        own_map = folder / f"{delivery.name}_map.toml"
        with_map = f" --map {own_map.name}" if own_map.is_file() else ""
        yield f"reconcile daily exports/{delivery.name} --as-of {SAMPLE_AS_OF}{with_map}"


def map_files(exports: Path) -> list[Path]:
    """The files in a folder of exports that look like column maps."""
    return sorted(path for path in exports.glob("*map*.toml") if path.is_file())
