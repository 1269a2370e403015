"""Rewrites everything in the documents that a command shows: `python tests/refresh_docs.py`. The tests use the same code to compare.

A document holds such a part between two remarks; the first says how the part is made:

    <!-- begin: reconcile check sample_exports/standard -->
    ...
    <!-- end -->

The commands run in order, each once, in a folder that holds copies of `rules/` and `sample_exports/`, and a copy of the standard exports
in which three cells are spoiled (`damaged_exports/`), so that nothing in the checkout is touched. Beside `reconcile ...` there are the
recipes at the end of this file. `reports/example/` is the run folder of the command that the README gives.
"""

from __future__ import annotations

import ast
import atexit
import contextlib
import csv
import io
import os
import re
import shlex
import shutil
import sys
import tempfile
import textwrap
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING
from unittest import mock

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

ROOT = Path(__file__).resolve().parents[1]
DOCUMENTS = ("README.md", "DEVELOPERS.md")
EXAMPLE = ROOT / "reports" / "example"
MAIN_COMMAND = "reconcile daily sample_exports/standard --as-of 2026-11-20"
MAIN_RUN = "reports/2026-11-20-daily"
TODAY = date(2027, 6, 30)
"""The day of the clock on which the commands run: after everything that the documents tell."""
WIDTH = "100"
"""Columns of the console in which help is shown."""

ENDS = {"reconcile check damaged_exports": 2, "reconcile verify reports/fall/2026-10-31-close --reports reports/fall": 1}
"""Commands that end otherwise than with 0."""

BLOCK = re.compile(r"<!-- begin: (?P<recipe>[^\n]+) -->\n(?P<body>.*?)<!-- end -->", re.DOTALL)

FIGURE = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]{2})?|")
"""An amount or a count, or nothing: ids keep their leading zeros, and stand to the left."""

DAMAGE = (
    ("charges.csv", 3, "3597.06", "3,597.06"),
    ("charges.csv", 5, "2026-07-06", "07/06/2026"),
    ("cleared_draws.csv", 3, "cleared", "paid"),
)
"""File, line, what stands there, and what the damaged copy has instead."""


class Office:
    """A folder in which the commands of the documents are run, each once."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._said: dict[str, str] = {}
        shutil.copytree(ROOT / "rules", folder / "rules")
        shutil.copytree(ROOT / "sample_exports", folder / "sample_exports", ignore=shutil.ignore_patterns("*.py", "__pycache__"))
        damage_exports(folder / "sample_exports" / "standard", folder / "damaged_exports")

    def run(self, command: str) -> str:
        """What a console shows of the command: messages and results in the order in which they come."""
        if command not in self._said:
            from reconcile import cli

            said = io.StringIO()
            here = contextlib.chdir(self.folder)
            clock = mock.patch.object(cli, "today", return_value=TODAY)
            with here, clock, contextlib.redirect_stdout(said), contextlib.redirect_stderr(said), _console_width():
                code = cli.run(shlex.split(command)[1:])
            if code != ENDS.get(command, 0):
                raise RuntimeError(f"{command} ended with {code}:\n{said.getvalue()}")
            self._said[command] = said.getvalue().replace(f"{self.folder.resolve()}{os.sep}", "")
        return self._said[command]

    def main_run(self) -> Path:
        """The run folder of the command that the README gives."""
        self.run(MAIN_COMMAND)
        return self.folder / MAIN_RUN

    def rows(self, path: str, *wanted: str) -> list[dict[str, str]]:
        """Rows of a CSV in the office where each wanted `column=value` or `column=value|value` holds, or the `first=N` of them."""
        conditions = {column: values.split("|") for column, _, values in (text.partition("=") for text in wanted)}
        first = int(conditions.pop("first", ["1000"])[0])
        with (self.folder / path).open(encoding="utf-8", newline="") as file:
            found = [row for row in csv.DictReader(file) if all(row[column] in values for column, values in conditions.items())]
        if not found:
            raise ValueError(f"{path} has no row with {wanted}")
        return found[:first]


@contextlib.contextmanager
def _console_width() -> Iterator[None]:
    before = os.environ.get("COLUMNS")
    os.environ["COLUMNS"] = WIDTH
    try:
        yield
    finally:
        if before is None:
            del os.environ["COLUMNS"]
        else:
            os.environ["COLUMNS"] = before


def damage_exports(good: Path, damaged: Path) -> None:
    """Copy exports and spoil three cells, as an office would by hand; ValueError if a cell is not where it is looked for."""
    shutil.copytree(good, damaged)
    for name, number, right, wrong in DAMAGE:
        lines = (damaged / name).read_text(encoding="utf-8").split("\n")
        if lines[number - 1].count(right) != 1:
            raise ValueError(f"{name}, line {number} does not hold {right} once: {lines[number - 1]}")
        lines[number - 1] = lines[number - 1].replace(right, wrong)
        (damaged / name).write_bytes("\n".join(lines).encode("utf-8"))


@lru_cache(maxsize=1)
def office() -> Office:
    """The one office of this process; its folder goes when the process ends."""
    folder = Path(tempfile.mkdtemp(prefix="reconcile-docs-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return Office(folder)


# ---- the recipes: each gives the lines that stand between the two remarks ----


def fenced(text: str, language: str = "text") -> str:
    """The text as a block of code."""
    return f"```{language}\n{text.rstrip()}\n```\n"


def session(place: Office, command: str) -> str:
    """A command and what the console shows."""
    return fenced(f"$ {command}\n{place.run(command)}", "console")


def unhashed(place: Office, *words: str) -> str:
    """`unhashed reconcile ...`: a command and what the console shows, without fingerprints, which hang on releases of libraries."""
    command = shlex.join(words)
    return fenced(f"$ {command}\n{re.sub(r'[0-9a-f]{64}', '<64 characters>', place.run(command))}", "console")


def edited(place: Office, path: str, old: str, new: str) -> str:
    """`edited FILE "OLD" "NEW"`: somebody writes something else into a file of a run."""
    file = place.folder / path
    text = file.read_text(encoding="utf-8")
    if text.count(old) != 1:
        raise ValueError(f"{path} does not hold {old} once")
    file.chmod(0o644)
    file.write_bytes(text.replace(old, new).encode("utf-8"))
    return ""


def quietly(place: Office, *words: str) -> str:
    """`quietly reconcile ...`: a command, without what the console shows."""
    command = shlex.join(words)
    place.run(command)
    return fenced(command, "bash")


def rows(place: Office, path: str, columns: str, *wanted: str) -> str:
    """`rows FILE COLUMN,COLUMN column=value ...`: some columns of some rows of a CSV, in line; figures to the right."""
    names = columns.split(",")
    cells = [names, *([row[name] for name in names] for row in place.rows(path, *wanted))]
    widths = [max(len(line[i]) for line in cells) for i in range(len(names))]
    figures = [all(FIGURE.fullmatch(line[i]) for line in cells[1:]) for i in range(len(names))]
    pad: list[Callable[[str, int], str]] = [str.rjust if figure else str.ljust for figure in figures]
    return fenced("\n".join("  ".join(pad[i](cell, widths[i]) for i, cell in enumerate(line)).rstrip() for line in cells))


def card(place: Office, path: str, *wanted: str) -> str:
    """`card FILE column=value ...`: one row of a CSV from top to bottom, without what is empty or zero."""
    (row,) = place.rows(path, *wanted)
    shown = {name: cell for name, cell in row.items() if cell not in {"", "0.00"}}
    width = max(map(len, shown))
    wrap = textwrap.TextWrapper(width=int(WIDTH) + 10, subsequent_indent=" " * (width + 2), break_long_words=False, break_on_hyphens=False)
    return fenced("\n".join(wrap.fill(f"{name.ljust(width)}  {cell}") for name, cell in shown.items()))


def causes(place: Office, *wanted: str) -> str:
    """`causes column=value ...`: the variance of one row of plans.csv, added up from its causes."""
    from reconcile.money import money_text, parse_rule_money
    from reconcile.variance import CAUSES

    (row,) = place.rows(f"{MAIN_RUN}/plans.csv", *wanted)
    told = [(name, row[name]) for name in CAUSES if row[name] != "0.00"]
    added = sum(parse_rule_money(cell.lstrip("-")) * (-1 if cell.startswith("-") else 1) for _, cell in told)
    if money_text(added) != row["variance"]:
        raise ValueError(f"the causes come to {money_text(added)}, the variance is {row['variance']}")
    width = max(len(cell) for _, cell in (*told, ("variance", row["variance"])))
    lines = [f"{cell.rjust(width)}  {name}" for name, cell in told]
    return fenced("\n".join((*lines, "-" * width, f"{row['variance'].rjust(width)}  variance")))


def notes(place: Office, path: str, run: str, *told: str) -> str:
    """`notes FILE RUN "student|kind|disposition|note|who|day" ...`: a file of notes, each about the one such exception of that run."""
    cells = [["exception_id", "disposition", "note", "decided_by", "decided_on"]]
    for text in told:
        student, kind, *written = text.split("|")
        (row,) = place.rows(f"{run}/exceptions.csv", f"student_id={student}", f"kind={kind}")
        cells.append([row["exception_id"], *written])
    lines = io.StringIO()
    csv.writer(lines, lineterminator="\n").writerows(cells)
    (place.folder / path).write_text(lines.getvalue(), encoding="utf-8")
    return fenced(lines.getvalue(), "text")


def toml(place: Office, path: str, table: str) -> str:
    """`toml FILE TABLE`: one table of a TOML file, with the tables below it."""
    text = (place.folder / path).read_text(encoding="utf-8")
    parts = re.split(r"(?m)^(?=\[)", text)
    own = [part for part in parts if re.match(rf"\[+{re.escape(table)}[].]", part)]
    return fenced("".join(own), "toml")


def docstring(_: Office, path: str) -> str:
    """`docstring FILE`: what a module says of itself."""
    return fenced(ast.get_docstring(ast.parse((ROOT / path).read_text(encoding="utf-8"))) or "")


def function(_: Office, path: str, name: str, whole: str = "") -> str:
    """`function FILE NAME`: its heading and docstring; with `whole` all of it."""
    source = (ROOT / path).read_text(encoding="utf-8")
    tree = ast.parse(source)
    (node,) = (n for n in tree.body if isinstance(n, ast.FunctionDef) and n.name == name)
    last = node.end_lineno if whole else node.body[0].end_lineno
    return fenced("\n".join(source.splitlines()[node.lineno - 1 : last]), "python")


def story(_: Office, title: str) -> str:
    """`story TITLE`: one story as it stands in its file in tests/cases."""
    files = sorted((ROOT / "tests" / "cases").glob("*.toml"))
    stories = [part for path in files for part in re.split(r"(?m)^(?=\[\[story\]\])", path.read_text(encoding="utf-8"))]
    found = [part for part in stories if f'title = "{title}"' in part]
    if len(found) != 1:
        raise ValueError(f"{len(found)} stories have the title {title!r}: name another one in the document")
    return fenced(found[0], "toml")


def modules(_: Office) -> str:
    """`modules`: every module in the order in which the package is built up, with the first words of its docstring."""
    lines = ["| layer | module | what it is |", "| --- | --- | --- |"]
    for layer, name in flow():
        text = ast.get_docstring(ast.parse((ROOT / "reconcile" / f"{name.replace('.', '/')}.py").read_text(encoding="utf-8"))) or ""
        first = " ".join(text.split("\n\n")[0].split())
        told = first.split(". ")[0].rstrip(":.").replace("|", "\\|")
        lines.append(f"| {layer} | `{name}` | {told} |")
    return "\n".join(lines) + "\n"


def flow() -> list[tuple[int, str]]:
    """Layer and name of every module, from the bottom up: the order that tests/test_layers.py holds."""
    from test_layers import ORDER

    return [(layer, name) for layer, group in enumerate(ORDER) for name in group]


RECIPES: dict[str, Callable[..., str]] = {
    recipe.__name__: recipe for recipe in (quietly, unhashed, edited, rows, card, causes, notes, toml, docstring, function, story, modules)
}


def made(place: Office, recipe: str) -> str:
    """What stands between the two remarks of that recipe."""
    name, *words = shlex.split(recipe)
    return session(place, recipe) if name == "reconcile" else RECIPES[name](place, *words)


def refreshed(text: str, place: Office) -> str:
    """The document with every part made anew, in order."""
    return BLOCK.sub(lambda found: f"<!-- begin: {found['recipe']} -->\n{made(place, found['recipe'])}<!-- end -->", text)


def write_example(run: Path) -> None:
    """Put the files of a run in the place of the example."""
    shutil.rmtree(EXAMPLE, ignore_errors=True)
    shutil.copytree(run, EXAMPLE)


def main(names: Sequence[str] = DOCUMENTS) -> None:
    """Rewrite the documents and the example, and say what has changed."""
    sys.path.insert(0, str(ROOT))
    for name in names:
        path = ROOT / name
        before = path.read_bytes()
        after = refreshed(before.decode("utf-8"), office()).encode("utf-8")
        if after != before:
            path.write_bytes(after)
        sys.stdout.write(f"{name}: {'rewritten' if after != before else 'as it was'}\n")
    write_example(office().main_run())
    sys.stdout.write("reports/example: written\n")


if __name__ == "__main__":
    main()
