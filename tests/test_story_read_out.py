"""A story that is read out: no figure without what must be known before it, no other student's number, and each thing told by its name."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from reconcile.asked_first import waits_for_an_answer
from reconcile.cli import run
from reconcile.deliver.story import draw_words, story_text
from reconcile.deliver.story_next import PROPOSAL
from reconcile.story_facts import student_story
from reconcile.story_happened import happenings

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_exports" / "standard"
NOTED = {
    "00123418": ("waiting for the bank", ""),
    "00123404": ("family contacted", "will pay by check"),
    "00123460": ("fixed", ""),
    "00123431": ("", "the family asks for a call"),
}
"""What a clerk wrote on 20 November, by student."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The run folder of the sample as of 20 November."""
    return run_of(SAMPLE, tmp_path_factory.mktemp("reports"))


@pytest.fixture(scope="module")
def next_day(folder: Path) -> Path:
    """The run of the day after, with what the clerk wrote."""
    with (folder / "exceptions.csv").open(encoding="utf-8", newline="") as file:
        ids = {row["student_id"]: row["exception_id"] for row in csv.DictReader(file)}
    notes = folder.parent / "notes.csv"
    rows = [f"{ids[student]},{word},{note},A. Clerk,2026-11-20" for student, (word, note) in NOTED.items()]
    notes.write_text("\n".join(["exception_id,disposition,note,decided_by,decided_on", *rows]) + "\n", encoding="utf-8")
    return run_of(SAMPLE, folder.parent, "2026-11-21", "--notes", str(notes))


@pytest.fixture(scope="module")
def without_postings(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The run of 20 November over the sample without its postings export."""
    exports = tmp_path_factory.mktemp("given") / "exports"
    shutil.copytree(SAMPLE, exports, ignore=shutil.ignore_patterns("postings*"))
    totals = exports / "control_totals.toml"
    totals.write_text(re.sub(r"\[postings\][^\[]*", "", totals.read_text(encoding="utf-8")), encoding="utf-8")
    return run_of(exports, tmp_path_factory.mktemp("reports"))


def run_of(exports: Path, reports: Path, as_of: str = "2026-11-20", *more: str) -> Path:
    options = ["--rules", str(ROOT / "rules"), "--reports", str(reports), "--only", "csv", *more]
    assert run(["daily", str(exports), "--as-of", as_of, *options]) == 0
    return reports / f"{as_of}-daily"


def story(folder: Path, student: str) -> str:
    """The whole story as one line of words."""
    return re.sub(r"\s+", " ", story_text(student_story(folder, student)))


def proposal(folder: Path, student: str) -> str:
    """What stands under the heading of the proposal, as one line of words."""
    return story(folder, student).partition(PROPOSAL)[2].partition(" Do not forget")[0].strip()


@pytest.mark.parametrize(
    ("student", "words"),
    [
        (
            "00123418",
            (
                'Look first what was done since: failed draw (line 3), 1,070.13, noted as "waiting for the bank" by A. Clerk on '
                "2026-11-20. Only as far as what was noted and done since allows it: 1,070.13 may be presented again."
            ),
        ),
        (
            "00123404",
            (
                'Look first what was done since: failed draw (line 4), 1,081.57, noted as "family contacted; will pay by check" by A. '
                "Clerk on 2026-11-20. Only as far as what was noted and done since allows it: 1,081.57 may be presented again."
            ),
        ),
        (
            "00123460",
            (
                'Look first what was done since: draw not on the schedule, 318.20, closed as "fixed" by A. Clerk on 2026-11-20. '
                "Only as far as what was noted and done since allows it: draw 2026-12-10: 971.35. "
                "If a draw changes, the family must have written notice by 2026-11-30."
            ),
        ),
        ("00123431", 'plan below bill, 850.00, noted as "the family asks for a call" by A. Clerk on 2026-11-20.'),
    ],
)
def test_what_people_noted_stands_beside_the_figure(student: str, words: str, folder: Path, next_day: Path) -> None:
    """A disposition or a note alone, open or closed: what, by whom and when, before the figure; without one there is no such warning."""
    assert words in proposal(next_day, student)
    assert "Look first" not in proposal(folder, student)
    assert "noted and done" not in proposal(folder, student)


@pytest.mark.parametrize(("student", "figure"), [("00123402", "2,824.72"), ("00123412", "1,886.54"), ("00123459", "0.00")])
def test_a_figure_after_an_open_question_is_conditional(student: str, figure: str, folder: Path) -> None:
    """Where something is to be found out first, the draw stands under that condition, and so does the day of notice."""
    told = f"Only as far as the answers to the questions above allow it: draw 2026-12-10: {figure}. If a draw changes, the family must"
    assert proposal(folder, student).startswith(told)


@pytest.mark.parametrize("student", ["00123431", "00123456", "00123418"])
def test_a_figure_without_a_question_stands_as_it_is(student: str, folder: Path) -> None:
    """A plan short of its bill or over it, a draw that may be presented again: nothing is to be found out, and no condition is made up."""
    assert "Only as far" not in proposal(folder, student)


def test_a_stop_holds_whatever_is_answered(folder: Path) -> None:
    """The draw under a stop is not made conditional; what is to be collected waits for the bursar."""
    words = proposal(folder, "00123426")
    assert words.startswith("Draw 2026-12-10: 0.00 (the plan is under a stop). Only as far as the answers to the questions above allow it:")
    assert "2,475.13 cannot be put on the draws" in words


@pytest.mark.parametrize(
    ("kind", "action", "waits"),
    [
        ("failed draw", "Do not present it again: a person decides first.", True),
        ("failed draw", "Ask the bank first what the other return was for.", True),
        ("drawn after a stop", "Stop the plan's draws now.", True),
        ("draw for more", "Find out why more was taken than was scheduled.", True),
        ("second plan", "Ask the family which plan it means to keep.", True),
        ("plan below bill", "Agree new draws with the family. Regulation Z: ask counsel.", False),
    ],
)
def test_which_advice_waits_for_an_answer(kind: str, action: str, waits: bool) -> None:
    """The words after which a letter names no amount, and questions to bank, plan system and family."""
    assert waits_for_an_answer(kind, action) is waits


def test_without_postings_nothing_is_called_uncovered(folder: Path, without_postings: Path) -> None:
    """Said at the top, in the words of coverage, beside the action and beside each proposed amount."""
    text = story(without_postings, "00123418")
    head = text.partition("TERM")[0]
    assert "it cannot see payments made outside the plan" in head
    assert "As far as this run can see, part of the bill has nothing behind it" in text
    assert "NOT covered" not in text
    ask = "payments made outside the plan are not in this run: ask the ledger before any amount is told or drawn"
    assert f"Act by 2026-11-20. But {ask}." in text
    assert f"1,070.13 may be presented again ({ask})." in proposal(without_postings, "00123418")
    assert f"Draw 2026-12-10: 1,889.28 ({ask})." in proposal(without_postings, "00123457")
    assert "The bill is NOT covered" in story(folder, "00123418")
    assert "ask the ledger" not in story(folder, "00123418")


def test_no_other_students_number_is_read_out(folder: Path) -> None:
    """The plan's own student hears of another student without the number; the other hears of amount and day, and of nothing else."""
    own, other = story(folder, "00123455"), story(folder, "00123401")
    assert "00123401" not in own
    assert "names another student (the number stands in the exception list, do not read it out) beside this plan for 1,045.34" in own
    assert "The bank's file names this student beside a plan that is not theirs, for 1,045.34 on 2026-10-14." in other
    assert "2455" not in other
    assert "Nothing is wrong" not in other


def test_two_plans_are_told_apart(folder: Path) -> None:
    """Each plan with its own day, each draw and each line under its plan; no sum of two draws."""
    text = story(folder, "00123438")
    assert "2026-07-20 enrolled in plan HM-FA-2438" in text
    assert "2026-08-03 enrolled in plan HM-FA-2938" in text
    assert "drawn and cleared, plan HM-FA-2438, line 1 1,002.15" in text
    assert "drawn and cleared, plan HM-FA-2938, line 1 660.10" in text
    assert "HM-FA-2938 1 draw 2026-08-10 660.10 paid, on 2026-08-11" in text
    assert "1,662.25 20" not in text


@pytest.mark.parametrize(
    ("student", "words"),
    [
        ("00123416", "2026-08-12 drawn and cleared, line 1, 25.60 of it the card fee 1,049.68"),
        ("00123416", "2026-11-13 tried with the card fee, and not paid, line 4 1,049.68"),
        ("00123420", "2026-09-11 drawn; given back by the office on 2026-10-20, line 2 1,322.18"),
        ("00123420", "2 draw 2026-09-10 1,322.18 given back by the office on 2026-10-20 "),
        ("00123404", "2026-11-12 drawn; came back on 2026-11-16, line 4"),
        ("00123436", "35.00 of the bill is for charges that a plan is not meant to pay"),
        ("00123436", "No exception is on the list: what a plan is not meant to pay raises none."),
        (
            "00123463",
            (
                "2026-10-10 1,512.40 not seen at the bank 2,012.40 was taken on 2026-10-14 and 2026-10-15 that may be this draw: "
                "nobody may ask for it or draw it again before a person has decided"
            ),
        ),
        ("00123403", "2026-11-03 draw of 2026-12-10 cancelled, line 5"),
        ("00123403", "5 draw 2026-12-10 1,630.23 cancelled on 2026-11-03"),
        ("00123414", "paid, on 2026-11-12, though cancelled on 2026-10-30"),
        ("00123401", "2026-07-10 aid first put on the bill on this day, paid by now 3,100.50"),
    ],
)
def test_each_thing_is_told_by_its_name(student: str, words: str, folder: Path) -> None:
    """Card fee, refund, return, outside charge, undecided money, cancellation and the day of aid."""
    assert words in story(folder, student)


def test_a_run_of_before_the_days_were_kept_is_told_without_them() -> None:
    """Its schedule lines carry no days: two plans share the day of the first, and no cancellation is dated."""
    plan: dict[str, Any] = {"plan_ids": "P1; P2", "enrolled_on": pd.Timestamp("2026-07-20"), "baseline": pd.Timestamp("2026-07-20")}
    line = {
        "export": "plan_schedules",
        "bucket": "cancelled",
        "status": "cancelled",
        "parts": "",
        "undoes": "",
        "plan_id": "P1",
        "line": "1",
    }
    (only,) = happenings([line | {"date": pd.Timestamp("2026-08-10"), "cents": 100}], plan)
    assert (str(only.day.date()), only.words) == ("2026-07-20", "enrolled in plans P1 and P2 (the day of the first)")


def test_a_cancellation_without_a_day_says_so() -> None:
    """The export need not give the day; the story does not make one up."""
    draw: dict[str, Any] = {"state": "cancelled", "method": "bank", "line_status": "cancelled", "cancelled_on": None, "given_back": []}
    assert draw_words(draw | {"cleared": 0, "attempts": 0, "return_code": ""}) == "cancelled, and the export gives no day"


def test_only_the_line_in_question_has_the_warning(folder: Path) -> None:
    """Of five lines the one that the undecided money fits, and no charge outside the plan where there is none."""
    assert story(folder, "00123463").count("that may be this draw") == 1
    assert "not meant to pay" not in story(folder, "00123463")
