"""How many deliberate mistakes in the engine the tests notice: `python tests/mutants.py [PER_MODULE] [MODULE ...]`.

mutmut makes the mistakes (a comparison turned round, a constant one off, an argument left out; `[tool.mutmut]` in pyproject.toml says in
which modules). So many are drawn from each module, always the same ones. Each runs in a process of its own, forked when everything is
loaded, against the judges of judges.py, the sharpest first, until one says no. Prints how many were noticed, and each that was not with
its change. Works in `mutants/`, which git ignores; needs mutmut (`pip install -e ".[mutation]"`) and a system that can fork.
"""

from __future__ import annotations

import json
import os
import random
import resource
import shutil
import subprocess
import sys
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).parents[1]
MADE = ROOT / "mutants"
UNDER_TEST = "MUTANT_UNDER_TEST"
"""The name of the mutant that is switched on: mutmut's own variable."""
SECONDS = 150
"""Processor seconds after which a mutant counts as noticed: it goes on for ever."""


def make_mutants() -> None:
    """Let mutmut write the mutated package, with tests and rules beside it."""
    shutil.rmtree(MADE, ignore_errors=True)
    os.environ[UNDER_TEST] = "mutant_generation"
    code = (
        "import mutmut.__main__ as m; m.makedirs('mutants', exist_ok=True); m.copy_src_dir(); m.copy_also_copy_files(); m.create_mutants(1)"
    )
    subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    os.environ[UNDER_TEST] = ""


def names_of(module: str) -> list[str]:
    """All mutants of a module."""
    return sorted(json.loads((MADE / "reconcile" / f"{module}.py.meta").read_text("utf-8"))["exit_code_by_key"])


def noticed(name: str, judges: list[Callable[[], None]]) -> bool:
    """Whether a judge says no while the mutant is switched on."""
    child = os.fork()
    if child == 0:
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS))
        os.environ[UNDER_TEST] = name
        try:
            for judge in judges:
                judge()
        except BaseException:  # noqa: BLE001 (whatever it is, the mutant was noticed)
            os._exit(1)
        os._exit(0)
    return os.waitpid(child, 0)[1] != 0


def change_of(name: str) -> str:
    """The mutant as a difference, as mutmut shows it."""
    shown = subprocess.run(["mutmut", "show", name], cwd=ROOT, check=False, capture_output=True, text=True).stdout
    lines = [line for line in shown.split("\n") if line[:1] in {"+", "-"} and line[:3] not in {"+++", "---"}]
    return " / ".join(line[0] + " " + line[1:].strip() for line in lines)


def main() -> int:
    """Draw mutants, hold them against the judges, and say what was not noticed."""
    per_module = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    make_mutants()
    os.chdir(MADE)
    sys.path[:0] = [str(MADE), str(MADE / "tests")]
    import judges

    modules = sys.argv[2:] or [path.name.removesuffix(".py.meta") for path in sorted((MADE / "reconcile").glob("*.py.meta"))]
    for judge in dict.fromkeys(judge for module in modules for judge in judges.judges_of(module)):
        judge()  # all of them agree while no mistake is switched on, and everything is loaded
    print("no judge says no to the engine as it is", flush=True)  # noqa: T201 (a command)
    for module in modules:
        names = names_of(module)
        drawn = random.Random(module).sample(names, min(per_module, len(names)))
        started = perf_counter()
        unnoticed = [name for name in drawn if not noticed(name, judges.judges_of(module))]
        took = perf_counter() - started
        kept = len(drawn) - len(unnoticed)
        print(f"{module}: {kept} of {len(drawn)} noticed, of {len(names)} mutants; {took:.0f} s", flush=True)  # noqa: T201 (a command)
        for name in unnoticed:
            print(f"    {name}: {change_of(name)}", flush=True)  # noqa: T201 (a command)
    return 0


if __name__ == "__main__":
    sys.exit(main())
