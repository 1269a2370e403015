"""What ambiguity costs: ambiguous.py [--students 100000] [--runs 5] [--write].

`reconcile daily --only csv` as a whole process, in turn over plain exports (`make_exports`) and over exports of the same size in which each
student's draws are equal and their windows overlap (`make_ambiguous`). Told are the medians, and the ratio of the two.
"""

from __future__ import annotations

import shutil
import statistics
import subprocess
import sys
from typing import TYPE_CHECKING

from run import AS_OF, HERE, bench_rules, run_once, say_and_write

if TYPE_CHECKING:
    from pathlib import Path

BEGIN, END = "<!-- bench-ambiguous:begin -->", "<!-- bench-ambiguous:end -->"
WEEKLY = "draw_dates = [2026-10-12, 2026-10-19, 2026-10-26, 2026-11-02, 2026-11-09]"


def measure(students: int, runs: int, place: Path) -> str:
    """One sentence: seconds of both, and the ratio."""
    kinds = {"plain": "make_exports.py", "ambiguous": "make_ambiguous.py"}
    for name, script in kinds.items():
        subprocess.run([sys.executable, str(HERE / script), str(students), str(place / name)], check=True)
        bench_rules(place / f"rules {name}")
    weekly(place / "rules ambiguous" / "terms.toml")
    took: dict[str, list[float]] = {name: [] for name in kinds}
    for _turn in range(runs):
        for name in kinds:
            reports = place / "reports"
            options = ["--as-of", AS_OF, "--rules", str(place / f"rules {name}"), "--reports", str(reports), "--only", "csv"]
            took[name].append(run_once([sys.executable, "-m", "reconcile", "daily", str(place / name), *options]).wall)
            shutil.rmtree(reports)
    plain, ambiguous = (statistics.median(took[name]) for name in kinds)
    return (
        f"{students:,} students whose five draws are equal and whose windows overlap, four of them taken: {ambiguous:.1f} s, beside "
        f"{plain:.1f} s for as many plain ones with as many lines: {ambiguous / plain:.2f} of it (median of {runs} turns; "
        "`python tests/bench/ambiguous.py`).\n"
    )


def weekly(terms: Path) -> None:
    """Let the one term's plans draw every week, so that the schedules follow the rules."""
    lines = terms.read_text(encoding="utf-8").splitlines()
    terms.write_text("\n".join(WEEKLY if line.startswith("draw_dates") else line for line in lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    say_and_write("Measure what ambiguous draws cost beside plain ones.", ("students", 100_000), measure, (BEGIN, END))
