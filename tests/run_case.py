"""A small office for tests of run folders: one student, one plan of five draws, two daily runs."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

from reconcile.cli import run as command
from reconcile.cli_support import quietly

ROOT = Path(__file__).parents[1]
FILES = {
    "charges": [("student_id", "term", "posted_on", "amount"), ("0101", "2026-FA", "2026-07-15", "12000.00")],
    "aid": [("student_id", "term", "fund", "status", "amount", "posted_on")],
    "plan_schedules": [
        ("plan_id", "student_id", "term", "enrolled_on", "plan_total", "line", "draw_date", "amount"),
        *(
            ("P1", "0101", "2026-FA", "2026-07-20", "12000.00", str(n), f"2026-{month:02d}-10", "2400.00")
            for n, month in enumerate(range(8, 13), 1)
        ),
    ],
    "cleared_draws": [
        ("settled_on", "amount", "outcome", "plan_id", "reference"),
        ("2026-08-11", "2400.00", "cleared", "P1", "B1"),
        ("2026-09-11", "2400.00", "cleared", "P1", "B2"),
        ("2026-09-14", "77.00", "cleared", "P1", "B3"),
    ],
}


def daily(office: Path, as_of: str, *more: str) -> None:
    """A daily run of the office; RuntimeError if it does not complete."""
    reconcile("daily", str(office / "exports"), "--as-of", as_of, "--reports", str(office / "reports"), "--rules", str(office / "rules"), *more)


def reconcile(*line: str) -> None:
    """A command that completes."""
    with quietly():
        code = command(list(line))
    if code:
        raise RuntimeError(f"{line} ended with {code}")


def make_office(folder: Path) -> Path:
    """Rules and exports."""
    shutil.copytree(ROOT / "rules", folder / "rules")
    (folder / "exports").mkdir()
    for name, rows in FILES.items():
        with (folder / "exports" / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows(rows)
    return folder


def make_runs(folder: Path) -> Path:
    """The office with a run as of 14 and one as of 15 September."""
    make_office(folder)
    daily(folder, "2026-09-14")
    daily(folder, "2026-09-15")
    return folder


def tampered(path: Path) -> None:
    """Change one bit of a byte in the middle of a file, as only an attacker or a failing disk would; guarded files too."""
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 1
    path.chmod(0o644)
    path.write_bytes(raw)
