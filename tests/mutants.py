"""How many deliberate mistakes in the engine the tests notice: `python tests/mutants.py [PER_MODULE] [MODULE ...]`.

mutmut makes the mistakes (a comparison turned round, a constant one off, an argument left out; `[tool.mutmut]` in pyproject.toml says in
which modules). So many are drawn from each module, always the same ones. Each is put into its module in a process of its own, forked when
the libraries are loaded, and held against the judges of judges.py, the sharpest first, until one says no. Prints how many were noticed,
and each that was not with its change. Writes `mutants/`, which git ignores; needs mutmut (`pip install -e ".[mutation]"`) and a system
that can fork.
"""

from __future__ import annotations

import ast
import importlib
import importlib.abc
import importlib.util
import json
import os
import random
import resource
import shutil
import subprocess
import sys
from functools import cache
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from importlib.machinery import ModuleSpec
    from types import ModuleType

ROOT = Path(__file__).parents[1]
MADE = ROOT / "mutants" / "reconcile"
LOADED_ONCE = ("pandas", "pyarrow.compute", "pydantic", "hypothesis", "pytest", "networkx", "scipy.sparse.csgraph", "holidays", "click")
SECONDS = 120
"""Processor seconds after which a mutant counts as noticed: it goes on for ever."""


def make_mutants() -> None:
    """Let mutmut write the mutants of each module, all in one file."""
    shutil.rmtree(MADE.parent, ignore_errors=True)
    MADE.parent.mkdir()
    code = "import mutmut.__main__ as m; m.copy_src_dir(); m.copy_also_copy_files(); m.create_mutants(1)"
    environment = os.environ | {"MUTANT_UNDER_TEST": "mutant_generation"}
    subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=environment, check=True, stdout=subprocess.DEVNULL)


def names_of(module: str) -> list[str]:
    """All mutants of a module."""
    return sorted(json.loads((MADE / f"{module}.py.meta").read_text("utf-8"))["exit_code_by_key"])


@cache
def sources_of(module: str) -> dict[str, str]:
    """Of each of a module's mutants and functions as mutmut wrote them, the source."""
    text = (MADE / f"{module}.py").read_text("utf-8")
    lines = text.split("\n")
    made = (node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef) and "__mutmut_" in node.name)
    return {node.name: "\n".join(lines[node.lineno - 1 : node.end_lineno]) for node in made}


def source_with(module: str, name: str) -> str:
    """The module's source with one mutant in the place of its function."""
    short = name.removeprefix(f"reconcile.{module}.")
    path = short.rpartition("__mutmut_")[0].removeprefix("x").removeprefix("_").split("\u01c1")  # a method: xǁClassǁmethod
    text = (ROOT / "reconcile" / f"{module}.py").read_text("utf-8")
    body: list[ast.stmt] = ast.parse(text).body
    for part in path[:-1]:
        body = next(node.body for node in body if isinstance(node, ast.ClassDef) and node.name == part) if part else body
    before = next(node for node in body if isinstance(node, ast.FunctionDef) and node.name == path[-1])
    after = sources_of(module)[short].replace(f"def {short}(", f"def {path[-1]}(", 1)
    lines = text.split("\n")
    return "\n".join([*lines[: before.lineno - 1], *after.split("\n"), *lines[before.end_lineno or 0 :]])


class Instead(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads one module from a source that is not its file's."""

    def __init__(self, module: str, source: str) -> None:
        self.module, self.source = module, source

    def find_spec(self, fullname: str, _path: Sequence[str] | None, _target: ModuleType | None = None) -> ModuleSpec | None:
        """Only the one module."""
        file = str(ROOT / "reconcile" / f"{self.module}.py")
        return importlib.util.spec_from_file_location(fullname, file, loader=self) if fullname == f"reconcile.{self.module}" else None

    def create_module(self, _spec: ModuleSpec) -> None:
        """A module like any other."""

    def exec_module(self, module: ModuleType) -> None:
        """Run the other source in it."""
        exec(compile(self.source, str(module.__file__), "exec"), vars(module))  # noqa: S102 (the engine's own source, changed in one place)


def noticed(module: str, source: str) -> bool:
    """Whether a judge says no to the engine with that module's source changed."""
    child = os.fork()
    if child == 0:
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
        sys.meta_path.insert(0, Instead(module, source))
        try:
            for judge in importlib.import_module("judges").judges_of(module):
                judge()
        except BaseException:  # noqa: BLE001 (whatever it is, the mutant was noticed)
            os._exit(1)
        os._exit(0)
    return os.waitpid(child, 0)[1] != 0


def change_of(module: str, source: str) -> str:
    """What the mutant changes, in one line."""
    lines = [(ROOT / "reconcile" / f"{module}.py").read_text("utf-8").split("\n"), source.split("\n")]
    first = next(at for at, (was, now) in enumerate(zip(*lines, strict=False)) if was != now)
    return f"line {first + 1}: {lines[0][first].strip()} > {lines[1][first].strip()}"


def main() -> int:
    """Draw mutants, hold them against the judges, and say what was not noticed."""
    per_module = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    make_mutants()
    sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
    for library in LOADED_ONCE:
        importlib.import_module(library)
    for module in sys.argv[2:] or [path.name.removesuffix(".py.meta") for path in sorted(MADE.glob("*.py.meta"))]:
        if noticed(module, (ROOT / "reconcile" / f"{module}.py").read_text("utf-8")):
            print(f"{module}: a judge says no to it as it is")  # noqa: T201 (a command)
            return 1
        names = names_of(module)
        drawn = random.Random(module).sample(names, min(per_module, len(names)))
        started, missed = perf_counter(), []
        for name in drawn:
            source = source_with(module, name)
            if not noticed(module, source):
                missed.append(f"    {name.rpartition('.')[2]}, {change_of(module, source)}")
                print(missed[-1], flush=True)  # noqa: T201 (a command)
        took = perf_counter() - started
        told = f"{module}: {len(drawn) - len(missed)} of {len(drawn)} noticed, of {len(names)} mutants; {took:.0f} s"
        print(told, flush=True)  # noqa: T201 (a command)
    return 0


if __name__ == "__main__":
    sys.exit(main())
