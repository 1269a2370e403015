"""One student's story: it says what happened, adds up to what stands open, names what is wrong, and is fit to be read out."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from reconcile.cli import run
from reconcile.deliver.story import story_text
from reconcile.errors import RefusedError
from reconcile.story_facts import student_story

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The run folder of the sample as of 20 November."""
    reports = tmp_path_factory.mktemp("reports")
    sample = str(ROOT / "sample_exports" / "standard")
    assert run(["daily", sample, "--as-of", "2026-11-20", "--rules", str(ROOT / "rules"), "--reports", str(reports)]) == 0
    return reports / "2026-11-20-daily"


def told(folder: Path, student: str) -> list[str]:
    return story_text(student_story(folder, student)).splitlines()


def money(line: str) -> int:
    return int(re.sub(r"[,.]", "", line.rsplit(maxsplit=1)[-1]))


def test_an_ordinary_student(folder: Path) -> None:
    """Charges, aid, plan and draws in date order, each draw and what became of it, and the sum."""
    lines = told(folder, "00123401")
    assert "The bill is covered, as long as what is still to come does come." in lines
    dates = [line.split()[0] for line in lines if re.match(r"  2026-", line)]
    assert dates == sorted(dates)
    assert [line.split()[-1] for line in lines if "drawn and cleared" in line] == ["1,236.88", "1,236.88", "1,236.87", "1,236.87"]
    assert "  5  draw  2026-12-10  1,236.87  still to come" in lines
    assert len(lines) <= 60
    assert told(folder, "00123403")[-1] == "Nothing is wrong that a person must look at."


def test_the_sum_leads_from_charges_to_what_is_open(folder: Path) -> None:
    """For every student of the sample with a plan, the lines of the sum add up to its last."""
    with (folder / "plans.csv").open(encoding="utf-8", newline="") as file:
        students = [row["student_id"] for row in csv.DictReader(file)]
    for student in [*students[:60], *(s for s in students if s.startswith("0012"))]:
        lines = told(folder, student)
        starts = [at for at, line in enumerate(lines) if line == "Where the account stands"]
        assert starts
        for start in starts:
            part = [line for line in lines[start + 1 : lines.index("", start)] if not line.startswith("  draws under a stop")]
            owed = next(at for at, line in enumerate(part) if line.startswith("  owed today"))
            assert sum(map(money, part[:owed])) == money(part[owed])
            assert abs(sum(map(money, part[owed:-1]))) == money(part[-1])
        assert len(lines) <= 110
        assert all(len(line) <= 110 for line in lines)
        assert "\n".join(lines).isascii()


def test_what_is_wrong_and_what_the_draws_should_become(folder: Path) -> None:
    """A plan over its bill: the sentence, the cause to the cent, the new draw, the day for notice, and the caution."""
    text = "\n".join(told(folder, "00123456"))
    assert "  - plan exceeds bill: draws of 1,920.89 are still to come but 170.89 of the bill is left to pay:" in text
    assert "Why the plan is over by 1,750.00\n  +1,750.00  aid rose by 1,750.00 since 2026-07-20" in text
    assert "  Draw 2026-12-10: 170.89." in text
    assert "The family must have written notice by 2026-11-30." in text
    assert "A changed draw needs written notice" in text


@pytest.mark.parametrize(
    ("student", "words"),
    [
        ("00123461", "3 draw 2026-10-10 1,006.19 came back unpaid, return code R02"),
        ("00123402", "paid in part, on 2026-09-11, 2,000.00 of it"),
        ("00123454", "Where federal aid made a credit, it is generally"),
        ("00123463", "drawn; which draw it paid is open"),
        ("00123422", "given back by the office"),
        ("00123471", "TERM 2027-SP"),
        ("00123470", "No plan in this term: nothing is drawn, and no exception is raised."),
        ("00999999", "bank event for an unknown student or plan"),
        ("00123464", "Ask the family whether the payment of 1,060.83 on 2026-11-18 was for this draw"),
        ("00123402", "Only as far as the answers to the questions above allow it: draw 2026-12-10: 2,824.72."),
        ("00123464", "Only as far as the answers to the questions above allow it: draw 2026-12-10: 0.00."),
    ],
)
def test_each_story_has_its_words(student: str, words: str, folder: Path) -> None:
    """Failed, part paid, in credit, undecided, refunded, a second term, no plan, unknown to every schedule, paid outside the plan."""
    assert words in re.sub(r"\s+", " ", " ".join(told(folder, student)))


def test_draws_under_a_stop_cover_nothing(folder: Path) -> None:
    """They stand on a line of their own, and what is open counts them."""
    lines = told(folder, "00123461")
    assert "  draws under a stop, not to be taken: 1,006.19" in lines
    assert next(money(line) for line in lines if line.startswith("  open, with nothing behind it")) == 2_012_38
    assert not any(line.startswith("  less draws still to come") for line in lines)


def test_the_privacy_caution_stands_first(folder: Path) -> None:
    """Whoever reads it out is told at once to whom it may be told."""
    assert told(folder, "00123401")[1].startswith("Student records: tell this only to the student")


def test_an_unknown_student_is_refused_with_the_nearest_ids(folder: Path) -> None:
    """A forgotten zero is found again."""
    with pytest.raises(RefusedError) as error:
        student_story(folder, "123461")
    assert "No student '123461'" in str(error.value)
    assert "nearest ids are 00123461" in str(error.value)


@pytest.mark.parametrize("broken", ["nowhere", "empty", "torn", "without entries"])
def test_a_folder_that_is_no_run_is_refused(broken: str, folder: Path, tmp_path: Path) -> None:
    """No folder, a folder without audit, a torn audit, or a missing table are plain refusals."""
    place = tmp_path / "run"
    if broken != "nowhere":
        place.mkdir()
    if broken == "torn":
        (place / "audit.json").write_text("{", encoding="utf-8")
    if broken == "without entries":
        for path in folder.iterdir():
            if path.name != "entries.parquet":
                (place / path.name).write_bytes(path.read_bytes())
    with pytest.raises(RefusedError):
        student_story(place, "00123401")


def test_the_command(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`reconcile student` shows the story and exits 0; an unknown student exits 2 with a plain sentence on stderr."""
    assert run(["student", "00123401", str(folder)]) == 0
    assert capsys.readouterr().out == story_text(student_story(folder, "00123401"))
    assert run(["student", "zz", str(folder)]) == 2
    assert "No student 'zz'" in capsys.readouterr().err
