"""A small office for tests of run folders: one student, one plan of five draws, two daily runs."""

from __future__ import annotations

import csv
import shutil
from datetime import date
from pathlib import Path
from unittest import mock

from reconcile import cli
from reconcile.cli import run as command
from reconcile.cli_support import quietly

ROOT = Path(__file__).parents[1]
FILES: dict[str, list[tuple[str, ...]]] = {
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


TODAY = date(2027, 6, 30)
"""The day of the clock on which the commands here run: after everything that is told."""


def daily(office: Path, as_of: str, *more: str) -> None:
    """A daily run of the office; RuntimeError if it does not complete."""
    reconcile(
        "daily", str(office / "exports"), "--as-of", as_of, "--reports", str(office / "reports"), "--rules", str(office / "rules"), *more
    )


def reconcile(*line: str) -> None:
    """A command that completes."""
    with quietly(), mock.patch.object(cli, "today", return_value=TODAY):
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


LATE_EVENT = ("2026-09-30", "2400.00", "returned", "P1", "B9")
"""A return that arrives after the first close: the exports grow from month to month, as an office's do."""


def make_chain(folder: Path) -> Path:
    """A close signed by two people, two daily runs, and a second close with a column map and notes."""
    make_office(folder)
    reports = str(folder / "reports")
    common = ("--reports", reports, "--rules", str(folder / "rules"))
    reconcile("close", str(folder / "exports"), "--as-of", "2026-08-31", *common)
    for role, name in (("preparer", "Ana Novak"), ("reviewer", "Bo Lind")):
        reconcile("sign-off", f"{reports}/2026-08-31-close", "--role", role, "--name", name, "--on", "2026-09-02")
    daily(folder, "2026-09-14")
    daily(folder, "2026-09-15")
    with (folder / "exports" / "cleared_draws.csv").open("a", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerow(LATE_EVENT)
    (folder / "office_map.toml").write_text('[charges]\ndate_order = "ymd"\n', encoding="utf-8")
    with (reports_of(folder) / "2026-09-15-daily" / "exceptions.csv").open(encoding="utf-8", newline="") as file:
        first = next(csv.DictReader(file))
    notes = f"exception_id,disposition,note,decided_by,decided_on\n{first['exception_id']},working,asked the bank,A. Clerk,2026-09-16\n"
    (folder / "notes_september.csv").write_text(notes, encoding="utf-8")
    more = ("--map", str(folder / "office_map.toml"), "--notes", str(folder / "notes_september.csv"))
    reconcile("close", str(folder / "exports"), "--as-of", "2026-09-30", *common, *more)
    return folder


def reports_of(office: Path) -> Path:
    """Where its runs lie."""
    return office / "reports"
