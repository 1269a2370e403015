"""What every command needs of the outside world: dates as typed, a console that may know few letters, where rules lie, fault reports.

Nothing here loads a table library, so that `reconcile --help` answers at once.
"""

from __future__ import annotations

import contextlib
import io
import os
import platform
import re
import sys
import tempfile
import traceback
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from reconcile import __version__, starting
from reconcile.errors import RefusedError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

DETAILS = "RECONCILE_FAULT_DETAILS"
"""Set to 1 in the environment, a fault report also holds the messages of the errors, which may quote student data."""


@dataclass
class Place:
    """Where the command at hand writes, once it is known: a fault report goes there too."""

    reports: Path | None = None


class IsoDate(click.ParamType[date]):
    """A date written as 2026-10-15, and in no other way: 03/04/2026 means two days."""

    name = "date"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """The date, or a usage error."""
        if isinstance(value, date):
            return value
        with contextlib.suppress(ValueError):
            if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", str(value)):
                return date.fromisoformat(str(value))
        raise click.BadParameter(f"{value!r} is not a date written like 2026-10-15.", ctx, param)


class PlainPath(click.Path):
    """A path whose letters can be written into a report and a message; any other is a usage error, since a run names what it read."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:  # noqa: ANN401 (as click declares it)
        """The path, or a usage error."""
        path = os.fsdecode(value)
        if any("\ud800" <= char <= "\udfff" for char in path):
            shown = os.fsencode(path).decode("utf-8", "backslashreplace")
            raise click.BadParameter(f"{shown} is not valid UTF-8. Rename the file or folder.", ctx, param)
        return super().convert(value, param, ctx)


def today() -> date:
    """The day by this machine's clock, for a signature that names none."""
    return date.today()  # noqa: DTZ011 (a signature is of the day where the person sits)


class Amount(click.ParamType[int]):
    """An amount of money as a person types it, in whole cents: 12000, 12000.00 or 12,000.00."""

    name = "amount"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """The cents, or a usage error."""
        if isinstance(value, int):
            return value
        found = re.fullmatch(r"([0-9]{1,11}|[0-9]{1,3}(?:,[0-9]{3}){1,3})(?:\.([0-9]{2}))?", str(value))
        if not found:
            raise click.BadParameter(f"{value!r} is not an amount of money written like 12000.00.", ctx, param)
        return int(found[1].replace(",", "")) * 100 + int(found[2] or 0)


def survive_any_console() -> None:
    """Let a console that lacks a letter show a question mark instead of stopping the run."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def say(text: str) -> None:
    """A message for the person at the keyboard, on stderr."""
    click.echo(text, err=True)


def show(text: str) -> None:
    """A result, on stdout, unchanged; if the reader of a pipe has gone, the rest is not for anyone and the command goes on."""
    try:
        click.echo(text, nl=False)
        sys.stdout.flush()
    except BrokenPipeError:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115, PTH123 (stays open until the process ends)


def step(text: str) -> None:
    """A line that says what is going on, where a person is watching: silent in pipes and scheduled jobs."""
    if sys.stderr.isatty():
        say(f"{text[:1].upper()}{text[1:]} ...")


@contextlib.contextmanager
def quietly() -> Iterator[None]:
    """Keep to oneself what a command inside another one would say and show."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        yield


def exports_folder(exports: Sequence[Path]) -> Path:
    """The folder that the exports lie in."""
    first = exports[0].resolve()
    return first if first.is_dir() else first.parent


def refuse_missing(exports: Sequence[Path]) -> None:
    """Refuse exports that are not there, all at once.

    Errors:  RefusedError.
    """
    missing = tuple(f"{path} is not there." for path in exports if not path.exists())
    if missing:
        raise RefusedError("The exports cannot be found. Check the path.", missing)


class RulesPlace(NamedTuple):
    """Where the rules lie, a sentence that says so, and whether they are only the samples that come with the package."""

    folder: Path
    told: str
    samples: bool


def find_rules(given: Path | None, exports: Sequence[Path]) -> RulesPlace:
    """The rules as given; else `rules` in the current folder, beside the exports, or above them; else the packaged samples."""
    if given is not None:
        return RulesPlace(given, f"Rules: {given}", samples=False)
    places = [(Path("rules"), "in the current folder")]
    if exports:
        folder = exports_folder(exports)
        places += [(folder.parent / "rules", "beside the exports"), (folder.parent.parent / "rules", "above the exports")]
    for place, where in places:
        if (place / "terms.toml").is_file():
            return RulesPlace(place, f"Rules: {place} ({where})", samples=False)
    told = "Rules: the samples that come with reconcile. They are no college's policy: name your own folder with --rules."
    return RulesPlace(starting.packaged("rules"), told, samples=True)


def map_hint(exports: Sequence[Path]) -> tuple[str, ...]:
    """A sentence that names the column map, where a single one lies with the exports, beside them or here, and none was given."""
    folder = exports_folder(exports)
    maps = next((found for place in (folder, folder.parent, Path()) if (found := starting.map_files(place))), [])
    return (f"No column map was given. If {maps[0]} belongs to these exports, add --map {maps[0]}",) if len(maps) == 1 else ()


def write_fault(error: BaseException, reports: Path | None) -> Path:
    """Write where in the code a fault of ours happened, for whoever mends it; gives the file, which only its owner can open.

    The errors' own messages are left out, since they may quote student data, unless the environment asks for them.
    """
    folder = reports if reports is not None and reports.is_dir() and os.access(reports, os.W_OK) else Path(tempfile.gettempdir())
    handle, name = tempfile.mkstemp(prefix="reconcile-fault-", suffix=".txt", dir=folder)
    with open(handle, "w", encoding="utf-8", errors="backslashreplace") as file:  # noqa: PTH123 (a file that is open already)
        file.write(f"reconcile {__version__}, Python {platform.python_version()}, {platform.system()}\n")
        file.writelines(_fault_lines(error))
    return Path(name)


def _fault_lines(error: BaseException) -> Iterator[str]:
    seen: set[int] = set()
    current: BaseException | None = error
    while current is not None and id(current) not in seen:
        seen.add(id(current))
        yield f"\n{type(current).__module__}.{type(current).__qualname__}\n"
        if os.environ.get(DETAILS) == "1":
            yield f"{current}\n"
        yield from traceback.format_tb(current.__traceback__)
        current = current.__cause__ or current.__context__
    if os.environ.get(DETAILS) != "1":
        yield f"\nThe errors' own messages are left out, since they may quote student data. To have them, set {DETAILS}=1 and run again.\n"
