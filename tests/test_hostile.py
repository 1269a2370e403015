"""Ids, names, file names and notes that a spreadsheet, a browser or a typesetter might run: text everywhere, the same in every run."""

from __future__ import annotations

import csv
import re
import zipfile
from collections import Counter
from typing import TYPE_CHECKING

import openpyxl
import pytest
from pypdf import PdfReader
from run_case import FILES, make_office, reconcile

from reconcile.cli import run
from reconcile.deliver.csv_out import plain_text
from reconcile.guards import unguarded

if TYPE_CHECKING:
    from pathlib import Path

EVIL = {
    "=1+1": ("=1+1", "=P1"),
    "@SUM(A1)": ("a\u202eb\u2066c", "-P;=2"),
    "-5": ("</script><script>alert(1)</script>", "@P"),
    "'=1": ("two\nlines\tand a tab", "'-P"),
    "\U0001f600": ("#let x = 1 $x$ [*b*] {{7*7}} {% x %}", "+P"),
    "<img src=x onerror=alert(1)>": ("\u2028sep\u0007bell \U0001f600", "<b>P</b>"),
    "x" * 250: ("y" * 100_000, "p" * 250),
}
"""Students by id: name and plan."""
TURNS = re.compile("[\u202a-\u202e\u2066-\u2069\u2028\u2029\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f]")


def office_of(folder: Path, known: dict[str, tuple[str, str]]) -> Path:
    """The small office with one student like its own for each of these."""
    office = make_office(folder)
    for export, rows in FILES.items():
        heads = [*rows[0], *(["student_name"] if export == "plan_schedules" else ["description"] if export == "charges" else [])]
        made = []
        for number, (student, (name, plan)) in enumerate(known.items()):
            own = {"student_id": student, "plan_id": plan, "student_name": name, "description": name}
            for row in rows[1:]:
                cells = dict(zip(rows[0], row, strict=True)) | {head: own[head] for head in heads if head in own}
                cells |= {"reference": f"={cells['reference']}-{number}"} if "reference" in cells else {}
                if cells.get("settled_on") != "2026-09-11":
                    made.append([cells[head] for head in heads])
        with (office / "exports" / f"{export}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([heads, *made])
    (office / "exports" / "charges.csv").rename(office / "exports" / "charges =1+1 <b>&'; \u00e9.csv")
    return office


def closed(office: Path, *days: str) -> list[Path]:
    """Closes as of these days, with names; their folders."""
    for day in days:
        reconcile(
            *("close", str(office / "exports"), "--as-of", day, "--names"),
            *("--rules", str(office / "rules"), "--reports", str(office / "reports")),
        )
    return [office / "reports" / f"{day}-close" for day in days]


@pytest.fixture(scope="module")
def evil(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Two closes of an office with such students."""
    return closed(office_of(tmp_path_factory.mktemp("evil"), EVIL), "2026-09-30", "2026-10-31")


def test_no_cell_of_a_data_file_runs_and_each_comes_back(evil: list[Path]) -> None:
    """Every CSV keeps its width, starts no formula and turns no letters round; ids come back as they are in the exports."""
    for path in (path for close in evil for path in close.glob("*.csv")):
        text = path.read_text(encoding="utf-8")
        assert not TURNS.search(text), path.name
        heads, *rows = csv.reader(text.splitlines(keepends=True))
        assert {len(row) for row in rows} <= {len(heads)}
        for row in rows:
            for cell in row:
                assert not re.match(r"\s*[=+@]", cell), (path.name, cell)
                assert re.fullmatch(r"-[0-9]+(\.[0-9]{2})?", cell) or not re.match(r"\s*-", cell), (path.name, cell)
        for name, known in (("student_id", set(EVIL)), ("plan_id", {plan for _, plan in EVIL.values()})):
            if name in heads and path.stem in {"students", "draws", "closing_lines", "line_moves"}:
                assert {unguarded(row[heads.index(name)]) for row in rows} == known


def test_workbook_page_and_packet_hold_text(evil: list[Path]) -> None:
    """No formula in the workbook, no element of theirs in the page, the file's name in the packet as it is."""
    for close in evil:
        with zipfile.ZipFile(close / "workbook.xlsx") as archive:
            parts = [archive.read(name).decode("utf-8") for name in archive.namelist()]
        assert not any(re.search(r"<f[ >]|<script|<img", part) or TURNS.search(part) for part in parts)
        held = {str(cell.value) for sheet in openpyxl.load_workbook(close / "workbook.xlsx") for row in sheet for cell in row}
        assert {"=1+1", "@SUM(A1)", "-5", "'=1", "\U0001f600", "=P1", "@P", "'-P", "+P"} <= held
        page = (close / "page.html").read_text(encoding="utf-8")
        assert not TURNS.search(page)
        assert page.count("<script") == len(re.findall(r"<script( type=\"application/json\" id=\"data-[a-z]+\")?>", page))
        assert "<script>alert" not in page
        assert "<img" not in page
        packet = "".join(part.extract_text() for part in PdfReader(close / "packet.pdf").pages)
        assert "charges =1+1 <b>&'; \u00e9.csv" in packet


def test_each_story_is_found_by_the_id_as_it_is(evil: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    """Typed as in the exports, the id finds its student, plan and exceptions; nothing of it turns letters round on the console."""
    for student, (_, plan) in EVIL.items():
        assert run(["student", "--", student, str(evil[1])]) == 0
        told = capsys.readouterr().out
        assert plan in told.replace("\n", "") or len(plan) > 99
        assert "draw not on the schedule" in told
        assert not TURNS.search(told.replace("\n", ""))


def test_the_next_close_opens_from_the_same_plans(evil: list[Path], tmp_path: Path) -> None:
    """Ids guarded in the files of one close are the same ids in the next: no plan is new or removed, every line moves as a plain one's."""
    tame = {f"S{number}": ("A B", f"Q{number}") for number in range(len(EVIL))}
    plain = closed(office_of(tmp_path, tame), "2026-09-30", "2026-10-31")
    for name in ("rollforward.csv", "plan_changes.csv", "open_items.csv", "tie_out.csv"):
        for left, right in zip(evil, plain, strict=True):
            assert anonymous(left / name) == anonymous(right / name), name
    assert (evil[1] / "plan_changes.csv").read_text().count("\n") == 1


def anonymous(path: Path) -> Counter[tuple[str, ...]]:
    """The rows without whom they are about."""
    with path.open(encoding="utf-8", newline="") as file:
        heads, *rows = csv.reader(file)
    about = {heads.index(name) for name in ("student_id", "plan_id", "exception_id", "references") if name in heads}
    return Counter(tuple(cell for at, cell in enumerate(row) if at not in about) for row in rows)


def test_a_note_with_a_formula_is_the_same_in_every_run(tmp_path: Path) -> None:
    """Typed into the workbook, carried from run to run, copied out of the list and given again: the same words, guarded once."""
    office = office_of(tmp_path, {"-5": ("A B", "=P1")})
    note = "=HYPERLINK(1); -2 '=3 <script> \U0001f600"
    command = ("daily", str(office / "exports"), "--rules", str(office / "rules"), "--reports", str(office / "reports"), "--as-of")
    reconcile(*command, "2026-09-25")
    path = office / "reports" / "2026-09-25-daily" / "workbook.xlsx"
    book = openpyxl.load_workbook(path)
    sheet = book["Exceptions"]
    at = next(cell.column for cell in sheet[1] if cell.value == "Note")
    sheet.cell(2, at).value, sheet.cell(2, at).data_type = note, "s"
    book.save(path)
    seen = []
    for day in ("2026-09-26", "2026-09-27", "2026-09-28"):
        more = ("--notes", str(office / "copy.csv")) if day.endswith("28") else ()
        reconcile(*command, day, *more)
        listed = office / "reports" / f"{day}-daily" / "exceptions.csv"
        (office / "copy.csv").write_bytes(listed.read_bytes())
        with listed.open(encoding="utf-8", newline="") as file:
            seen += [row["note"] for row in csv.DictReader(file) if row["note"]]
        shown = openpyxl.load_workbook(listed.parent / "workbook.xlsx")["Exceptions"]
        assert note in [cell.value for row in shown for cell in row]
    assert seen == [plain_text(note)] * 3
