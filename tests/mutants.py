"""How many deliberate mistakes in the engine the tests notice: `python tests/mutants.py [PER_MODULE] [MODULE ...]`.

mutmut makes the mistakes (a comparison turned round, a constant one off, an argument left out) and runs the tests that reach each of them;
which modules and which tests stands in pyproject.toml. So many mistakes are drawn from each module, always the same ones; prints how many
were noticed, and each that was not. Run it in the repository's folder; it works in `mutants/` there.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
MADE = ROOT / "mutants" / "reconcile"
NOTICED = {1, 3, -24, 24, 36, 152, 255}
"""Exit codes of a mutant's tests: failed, or went on for too long (mutmut's numbers)."""
UNTESTED = {5, 33}


def made() -> dict[str, dict[str, int | None]]:
    """Module to its mutants, each with the exit code of its tests."""
    found = {path.name.removesuffix(".py.meta"): json.loads(path.read_text("utf-8")) for path in sorted(MADE.glob("*.py.meta"))}
    return {module: told["exit_code_by_key"] for module, told in found.items() if told["exit_code_by_key"]}


def sharpest_first() -> None:
    """Let the tests that notice most come first: mutmut takes the quickest first, and worlds of both engines are not the quickest."""
    path = ROOT / "mutants" / "mutmut-stats.json"
    told = json.loads(path.read_text("utf-8"))
    took = told["duration_by_test"]
    for at, name in enumerate(name for name in took if "test_ten_worlds" in name or "test_a_story_world" in name):
        took[name] = at / 10_000
    path.write_text(json.dumps(told), "utf-8")


def mutmut(*names: str) -> None:
    """Run the tests of these mutants, one after the other."""
    subprocess.run(["mutmut", "run", "--max-children", "1", *names], cwd=ROOT, check=False, stdout=subprocess.DEVNULL)


def main() -> int:
    """Draw mutants, run them, and say what was not noticed."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    mutmut("reconcile.money.x_money_text__mutmut_1")
    sharpest_first()
    modules = sys.argv[2:] or list(made())
    drawn = {m: random.Random(m).sample(sorted(keys := list(made()[m])), min(count, len(keys))) for m in modules}
    mutmut(*(name for names in drawn.values() for name in names))
    codes = made()
    for module, names in drawn.items():
        told = {name: codes[module][name] for name in names}
        noticed = [name for name, code in told.items() if code in NOTICED]
        unnoticed = [name for name, code in told.items() if code not in NOTICED]
        print(f"{module}: {len(noticed)} of {len(told)} noticed, of {len(codes[module])} mutants")  # noqa: T201 (a command)
        for name in unnoticed:
            print(f"    {name} {'no test reaches it' if told[name] in UNTESTED else 'survived' if told[name] == 0 else told[name]}")  # noqa: T201 (a command)
    return 0


if __name__ == "__main__":
    sys.exit(main())
