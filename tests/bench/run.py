"""Measure whole processes turn by turn: run.py --students 10000 100000 1000000 [--runs 5] [--write].

For each size the exports are made once; then `reconcile daily`, the plain pandas script and the plain SQL script run in turn, A B C A B C,
so that a busy machine is busy for all three. Told are the medians of wall time, processor time and peak memory, rows per second, and the
ratios, which hold better from machine to machine than seconds do. A run of `stages.py` says where the time of `reconcile daily` goes.

With --write the table also goes between the marks in DEVELOPERS.md. It names the machine's processor, memory and versions; no host, no
paths.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import json
import os
import platform
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
AS_OF = "2026-11-20"
LIBRARIES = ("pandas", "pyarrow", "numpy", "duckdb", "pandera")
BEGIN, END = "<!-- bench:begin -->", "<!-- bench:end -->"


class Took(NamedTuple):
    """One process: seconds by the clock, seconds of processor, peak memory in megabytes."""

    wall: float
    cpu: float
    peak: float


class Measured(NamedTuple):
    """One size: rows of its exports, the medians by contestant, seconds per stage of `reconcile daily`."""

    students: int
    rows: int
    took: dict[str, Took]
    stages: dict[str, float]


def main() -> None:
    """Measure, print the table, and write it if asked."""
    asked = argparse.ArgumentParser(description="Measure reconcile daily beside plain scripts.")
    asked.add_argument("--students", type=int, nargs="+", default=[10_000, 100_000])
    asked.add_argument("--runs", type=int, default=5, help="turns; the median is told")
    asked.add_argument("--write", action="store_true", help="also write the table into DEVELOPERS.md")
    options = asked.parse_args()
    with tempfile.TemporaryDirectory() as place:
        measured = [measure(students, options.runs, Path(place) / str(students)) for students in options.students]
    told = table(measured, options.runs)
    sys.stdout.write(told)
    if options.write:
        write_between_marks(ROOT / "DEVELOPERS.md", told)


def measure(students: int, runs: int, place: Path) -> Measured:
    """Make the exports of one size and let the three contestants run over them in turn."""
    exports, rules = place / "exports", bench_rules(place / "rules")
    subprocess.run([sys.executable, str(HERE / "make_exports.py"), str(students), str(exports)], check=True)
    rows = sum(path.read_bytes().count(b"\n") - 1 for path in exports.glob("*.csv"))
    times: dict[str, list[Took]] = {name: [] for name in contestants(exports, rules, place)}
    for turn in range(runs):
        for name, command in contestants(exports, rules, place / f"turn {turn}").items():
            times[name].append(run_once(command))
        shutil.rmtree(place / f"turn {turn}")
    middle = {name: Took(*(statistics.median(kind) for kind in zip(*each, strict=True))) for name, each in times.items()}
    return Measured(students, rows, middle, stages(exports, rules, place))


def bench_rules(folder: Path) -> Path:
    """The repository's rules with the one term of the bench."""
    shutil.copytree(ROOT / "rules", folder)
    shutil.copy(HERE / "rules" / "terms.toml", folder / "terms.toml")
    return folder


def contestants(exports: Path, rules: Path, out: Path) -> dict[str, list[str]]:
    """The commands by name; each finds an empty place of its own for what it writes."""
    python = sys.executable
    places = {name: out / name for name in ("reconcile", "pandas", "sql")}
    for folder in places.values():
        folder.mkdir(parents=True, exist_ok=True)
    options = ["--as-of", AS_OF, "--rules", str(rules), "--reports", str(places["reconcile"]), "--only", "csv"]
    return {
        "reconcile daily": [python, "-m", "reconcile", "daily", str(exports), *options],
        "plain pandas": [python, str(HERE / "plain_pandas.py"), str(exports), str(places["pandas"])],
        "plain SQL": [python, str(HERE / "plain_sql.py"), str(exports), str(places["sql"])],
    }


def run_once(command: list[str]) -> Took:
    """Run one process to its end; the package is compiled once and for all, as where it was installed."""
    begun = time.perf_counter()
    compiled = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    with tempfile.TemporaryFile() as told:
        process = subprocess.Popen(command, cwd=ROOT, stdout=told, stderr=told, env=compiled)
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - begun
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode:
            told.seek(0)
            raise SystemExit(f"{' '.join(command)} ended with {process.returncode}:\n{told.read().decode(errors='replace')}")
    return Took(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def stages(exports: Path, rules: Path, place: Path) -> dict[str, float]:
    """Seconds of each stage of `reconcile daily`, once."""
    command = [sys.executable, str(HERE / "stages.py"), str(exports), str(rules), AS_OF, str(place / "stages")]
    told = subprocess.run(command, cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, check=True, capture_output=True, text=True)
    found: dict[str, float] = json.loads(told.stdout)
    return found


def table(measured: list[Measured], runs: int) -> str:
    """What was measured, as Markdown."""
    lines = [
        f"{machine()} Median of {runs} turn{'s' if runs != 1 else ''}.",
        "",
        "| students | rows | | wall s | times plain pandas | times plain SQL | processor s | peak MB | rows a second |",
        "| ---: | ---: | --- | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for one in measured:
        pandas, sql = one.took["plain pandas"].wall, one.took["plain SQL"].wall
        for name, took in one.took.items():
            ratios = f"{took.wall / pandas:.2f} | {took.wall / sql:.2f}"
            speed = f"{took.cpu:.2f} | {took.peak:,.0f} | {one.rows / took.wall:,.0f}"
            lines.append(f"| {one.students:,} | {one.rows:,} | {name} | {took.wall:.2f} | {ratios} | {speed} |")
    names = list(measured[0].stages)
    lines += ["", "Seconds per stage of `reconcile daily`, one run:", "", f"| students | {' | '.join(names)} |"]
    lines.append("| ---: |" + " ---: |" * len(names))
    lines += [f"| {one.students:,} | {' | '.join(f'{one.stages[name]:.2f}' for name in names)} |" for one in measured]
    return "\n".join(lines) + "\n"


def machine() -> str:
    """Processor, cores, memory and versions."""
    model = re.search(r"model name\s*:\s*(.+)", Path("/proc/cpuinfo").read_text(encoding="utf-8"))
    gigabytes = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in LIBRARIES)
    named = model[1] if model else platform.machine()
    return f"{named}, {os.cpu_count()} cores, {gigabytes:.0f} GB; Python {platform.python_version()}, {versions}."


def say_and_write(what: str, size: tuple[str, int], measure: Callable[[int, int, Path], str], marks: tuple[str, str]) -> None:
    """A measurement of one size as a command: measure, print what it tells, and write it between its marks if asked.

    In:      `size`: what is counted, and how many if the command line does not say; `measure` of the size, the turns and an empty folder.
    """
    asked = argparse.ArgumentParser(description=what)
    asked.add_argument(f"--{size[0]}", dest="size", type=int, default=size[1])
    asked.add_argument("--runs", type=int, default=5, help="turns; the median is told")
    asked.add_argument("--write", action="store_true", help="also write what is told into DEVELOPERS.md")
    options = asked.parse_args()
    with tempfile.TemporaryDirectory() as place:
        told = measure(options.size, options.runs, Path(place))
    sys.stdout.write(told)
    if options.write:
        write_between_marks(ROOT / "DEVELOPERS.md", told, *marks)


def write_between_marks(path: Path, told: str, begin: str = BEGIN, end: str = END) -> None:
    """Replace what stands between the two marks."""
    text = path.read_text(encoding="utf-8")
    if text.count(begin) != 1 or text.count(end) != 1:
        raise SystemExit(f"{path.name} needs the marks {begin} and {end}, once each.")
    before, rest = text.split(begin)
    path.write_text(f"{before}{begin}\n{told}{end}{rest.split(end)[1]}", encoding="utf-8")


if __name__ == "__main__":
    main()
