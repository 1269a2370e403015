"""Runs for scripts and runs for people in one chain: decisions go on through both, and names stand nowhere unless they are asked for."""

from __future__ import annotations

import csv
import re
import zipfile
from typing import TYPE_CHECKING

import openpyxl
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from pypdf import PdfReader
from run_case import ROOT, reconcile

if TYPE_CHECKING:
    from pathlib import Path

EXPORTS = ROOT / "sample_exports" / "standard"
SAID = ("working", "asked the bank", "A. Clerk", "2026-11-18")
CLOSING = ("accepted as it is", "agreed with the bursar", "B. Lind", "2026-11-18")


def made(folder: Path, kind: str, day: str, *more: str) -> Path:
    """A run of the sample college; its folder."""
    reconcile(kind, str(EXPORTS), "--as-of", day, "--reports", str(folder), "--rules", str(ROOT / "rules"), *more)
    return folder / f"{day}-{kind}"


def listed(run: Path) -> list[dict[str, str]]:
    """The exceptions of a run."""
    with (run / "exceptions.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def chain(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two runs with --only csv, the second with notes; one with a workbook in which somebody writes; one more for scripts; a close."""
    folder = tmp_path_factory.mktemp("reports")
    first = made(folder, "daily", "2026-11-18", "--only", "csv")
    ids = [row["exception_id"] for row in listed(first)[:2]]
    notes = folder / "notes.csv"
    rows = [",".join((id_, *words)) for id_, words in zip(ids, (SAID, CLOSING), strict=True)]
    notes.write_text("\n".join(("exception_id,disposition,note,decided_by,decided_on", *rows)) + "\n", encoding="utf-8")
    second = made(folder, "daily", "2026-11-19", "--only", "csv", "--notes", str(notes))
    third = made(folder, "daily", "2026-11-20")
    book = openpyxl.load_workbook(third / "workbook.xlsx")
    sheet = book["Exceptions"]
    at = {str(cell.value): place for place, cell in enumerate(sheet[1], 1)}
    row = next(n for n in range(2, sheet.max_row + 1) if str(sheet.cell(n, at["Exception id"]).value) not in ids)
    sheet.cell(row, at["Note"]).value = "written in the workbook"
    book.save(third / "workbook.xlsx")
    return [first, second, third, made(folder, "daily", "2026-11-21", "--only", "csv"), made(folder, "close", "2026-11-30")]


def test_decisions_go_through_runs_with_and_without_a_workbook(chain: list[Path]) -> None:
    """From the notes of a script's run into the next workbook, from that workbook through a script's run into the close."""
    first, second, third, fourth, close = chain
    assert not (second / "workbook.xlsx").exists()
    said, closing = (row["exception_id"] for row in listed(first)[:2])
    for run in (second, third, fourth, close):
        rows = {row["exception_id"]: row for row in listed(run)}
        for id_, words, standing in ((said, SAID, "carried"), (closing, CLOSING, "closed")):
            assert tuple(rows[id_][name] for name in ("disposition", "note", "decided_by", "decided_on")) == words
            assert rows[id_]["standing"] == standing
        notes = [row["note"] for row in rows.values() if row["note"] and row["exception_id"] not in {said, closing}]
        assert notes == (["written in the workbook"] if run in {fourth, close} else [])
    cells = {cell.value for row in openpyxl.load_workbook(third / "workbook.xlsx")["Exceptions"] for cell in row}
    assert {SAID[1], CLOSING[1]} <= cells


def test_no_name_stands_in_any_file_of_a_run_that_was_not_asked_for_names(chain: list[Path]) -> None:
    """Neither whole nor in part, in CSV, Parquet, workbook, page, packet or audit; a close's own copy of the exports alone holds them."""
    with (EXPORTS / "plan_schedules.csv").open(encoding="utf-8", newline="") as file:
        names = {row["student_name"] for row in csv.DictReader(file)} - {""}
    words = {word for name in names for word in re.split(r"[ ,]+", name) if len(word) > 4}
    assert len(words) > 50
    named = re.compile(rf"\b({'|'.join(map(re.escape, sorted(words)))})\b", re.IGNORECASE)
    looked_at = set()
    for path in (path for run in chain for path in run.rglob("*") if path.is_file() and "inputs" not in path.parts):
        looked_at.add(path.suffix)
        assert not named.search(text_of(path)), path
    assert looked_at == {".csv", ".parquet", ".json", ".xlsx", ".html", ".pdf"}
    with_names = made(chain[0].parent / "named", "daily", "2026-11-20", "--names")
    assert all(named.search(text_of(with_names / name)) for name in ("workbook.xlsx", "page.html", "outreach.csv"))


def text_of(path: Path) -> str:
    """Everything that a file says."""
    if path.suffix == ".xlsx":
        with zipfile.ZipFile(path) as archive:
            return "\n".join(archive.read(name).decode("utf-8") for name in archive.namelist())
    if path.suffix == ".parquet":
        return str(pq.read_table(path).to_pydict())
    if path.suffix == ".pdf":
        return "\n".join(page.extract_text() for page in PdfReader(path).pages)
    return path.read_text(encoding="utf-8")
