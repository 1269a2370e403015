"""The benchmark runs through, and the three ways of working out the same small exports agree."""

from __future__ import annotations

import csv
import re
import subprocess
import sys
from pathlib import Path

import pytest

BENCH = Path(__file__).parent / "bench"
sys.path.append(str(BENCH))

import run as bench  # noqa: E402 (it stands in the folder just named)

STUDENTS = 200


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder in which all three ran once over the exports of 200 students."""
    folder = tmp_path_factory.mktemp("bench")
    rules = bench.bench_rules(folder / "rules")
    subprocess.run([sys.executable, str(BENCH / "make_exports.py"), str(STUDENTS), str(folder / "exports")], check=True)
    for command in bench.contestants(folder / "exports", rules, folder / "out").values():
        bench.run_once(command)
    return folder


def figures(path: Path, columns: dict[str, str]) -> dict[str, tuple[int, ...]]:
    """Cents of some columns by student."""
    with path.open(encoding="utf-8", newline="") as file:
        return {row["student_id"]: tuple(round(float(row[column]) * 100) for column in columns.values()) for row in csv.DictReader(file)}


def test_the_three_ways_agree_on_every_student(place: Path) -> None:
    """On exports without anything unusual reconcile, pandas and SQL give the same charges, cleared, pending and gap for every student."""
    plain = {name: name for name in ("charges", "cleared", "pending", "gap")}
    ours = plain | {"cleared": "draws_cleared", "pending": "pending_draws"}
    run = next((place / "out" / "reconcile").iterdir())
    of_run = figures(run / "students.csv", ours)
    assert len(of_run) == STUDENTS
    assert figures(place / "out" / "sql" / "students.csv", plain) == figures(place / "out" / "pandas" / "students.csv", plain)
    of_sql = figures(place / "out" / "sql" / "students.csv", plain)
    in_transit = card_draws_in_transit(run / "draws.csv")
    for student, (charges, cleared, pending, gap) in of_run.items():
        coming = in_transit.get(student, 0)
        assert (charges, cleared, pending - coming, gap + coming) == of_sql[student]


def card_draws_in_transit(path: Path) -> dict[str, int]:
    """Cents in transit by student, which the plain scripts do not know: to them a draw is seen, or its date is still to come."""
    with path.open(encoding="utf-8", newline="") as file:
        found: dict[str, int] = {}
        for row in csv.DictReader(file):
            if row["state"] == "in transit":
                found[row["student_id"]] = found.get(row["student_id"], 0) + round(float(row["scheduled"]) * 100)
    return found


def test_the_same_number_of_students_gives_the_same_exports(place: Path, tmp_path: Path) -> None:
    """The exports depend on the number of students alone, so that two measurements are of the same thing."""
    subprocess.run([sys.executable, str(BENCH / "make_exports.py"), str(STUDENTS), str(tmp_path)], check=True)
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == {
        path.name: path.read_bytes() for path in (place / "exports").iterdir()
    }


def test_a_measurement_tells_ratios_stages_and_the_machine_without_its_place(tmp_path: Path) -> None:
    """The table names every contestant and stage and no folder of this machine."""
    told = bench.table([bench.measure(20, 1, tmp_path / "20")], 1)
    assert all(f"| {name} |" in told for name in ("reconcile daily", "plain pandas", "plain SQL"))
    assert re.search(r"\| 20 \| [0-9]{3} \| reconcile daily \| [0-9]+\.[0-9]{2} \|", told)
    assert "read and check" in told
    assert str(tmp_path) not in told
    assert str(Path.home()) not in told


def test_the_table_goes_between_its_marks(tmp_path: Path) -> None:
    """Only what stands between the marks is replaced; a file without them is refused."""
    page = tmp_path / "page.md"
    page.write_text(f"above\n{bench.BEGIN}\nold\n{bench.END}\nbelow\n", encoding="utf-8")
    bench.write_between_marks(page, "new\n")
    assert page.read_text(encoding="utf-8") == f"above\n{bench.BEGIN}\nnew\n{bench.END}\nbelow\n"
    page.write_text("no marks\n", encoding="utf-8")
    with pytest.raises(SystemExit, match="needs the marks"):
        bench.write_between_marks(page, "new\n")
