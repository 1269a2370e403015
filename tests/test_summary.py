"""What a person reads after a run: every figure is that of the tables, the harmful comes first, and it fits on a screen."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pandas as pd
import pytest

from reconcile.deliver.intake_words import problems_text
from reconcile.deliver.summary import About, aligned, count, daily_summary, notes_lines
from reconcile.figures import totals_of
from reconcile.input_counts import Counted
from reconcile.schemas import DTYPES, EXPORTS, OUTPUTS

ABOUT = About(date(2026, 10, 15), date(2026, 8, 11), date(2026, 10, 14), "reports/2026-10-15-daily", None, ())
NOTHING = dict.fromkeys(EXPORTS, Counted())


def table(output: str, *rows: dict[str, Any]) -> pd.DataFrame:
    """A typed output from the cells that matter to a test."""
    empty: dict[str, object] = {"str": "", "int64": 0, "datetime64[s]": None}
    kinds = {c.name: DTYPES[c.kind] for c in OUTPUTS[output]}
    return pd.DataFrame({name: pd.Series([r.get(name, empty[kind]) for r in rows], dtype=kind) for name, kind in kinds.items()})


def told(counted: dict[str, Counted] | None = None, about: About = ABOUT, **tables: list[dict[str, Any]]) -> list[str]:
    """The summary's lines, blanks taken out, with rows in the tables that a test names."""
    outputs = {name: table(name, *tables.get(name, [])) for name in OUTPUTS}
    totals = totals_of(outputs["students"], outputs["draws"], outputs["plans"])
    text = daily_summary(outputs, totals, counted or NOTHING, about)
    assert text.endswith("\n")
    return [line for line in text.splitlines() if line]


def test_a_run_with_nothing_in_it() -> None:
    """Empty tables are said to be empty; the caution stands all the same."""
    lines = told(about=replace(ABOUT, bank_first=None, bank_last=None))
    assert lines[:3] == [
        "As of 2026-10-15: no bank events, no earlier run",
        "No students in any term that the rules know.",
        "No plan lines.",
    ]
    assert "Open first: students.csv" in lines
    assert any("the college's own policy" in line for line in lines)


def test_students_by_term_and_coverage() -> None:
    """Students and gaps are added up per term and coverage, the worst coverage first within a term."""
    rows = [("B", "paid", 0), ("A", "paid", 1), ("A", "short", 123456), ("A", "short", 44), ("A", "not billed", 5)]
    lines = told(students=[{"term": t, "coverage": c, "gap": g} for t, c, g in rows])
    at = next(i for i, line in enumerate(lines) if line.startswith("Term"))
    assert [line.split() for line in lines[at + 1 : at + 5]] == [
        ["A", "not", "billed", "1", "0.05"],
        ["A", "short", "2", "1,235.00"],
        ["A", "paid", "1", "0.01"],
        ["B", "paid", "1", "0.00"],
    ]


def test_a_bill_that_is_short_before_it_is_due_is_no_alarm_yet() -> None:
    """The day on which it is due stands beside it, and the file of students is not named for it alone; what is over stays told."""
    coming = replace(ABOUT, not_due={"B": date(2027, 1, 8)})
    spring: list[dict[str, Any]] = [{"term": "B", "coverage": "short", "gap": 5}, {"term": "B", "coverage": "paid"}]
    lines = told(about=coming, students=spring)
    assert any(line.startswith("B     short, due 2027-01-08") for line in lines)
    assert any(line.split() == ["B", "paid", "1", "0.00"] for line in lines)
    assert "Open first: students.csv" in lines
    for term, coverage in (("A", "short"), ("B", "over")):
        both = [*spring, {"term": term, "coverage": coverage}]
        assert "Open first: students.csv (coverage short, over)" in told(about=coming, students=both)


def test_many_terms_stay_on_one_screen() -> None:
    """Of many terms the latest are shown, and how many rows are not; the whole stays near thirty lines."""
    students = [{"term": f"20{n}", "coverage": c} for n in range(10, 30) for c in ("short", "over", "paid")]
    lines = told(students=students)
    assert "and 52 rows of earlier terms in students.csv" in lines
    assert any(line.startswith("2029") for line in lines)
    assert len(lines) <= 30


def test_lines_by_state() -> None:
    """Plan lines are counted with scheduled and cleared money per state, in the order of the states."""
    rows = [("pending", 240000, 0), ("cleared", 240000, 240000), ("cleared", 10, 11)]
    lines = told(draws=[{"state": s, "scheduled": a, "cleared": b} for s, a, b in rows])
    at = next(i for i, line in enumerate(lines) if line.startswith("Plan lines"))
    assert [line.split() for line in lines[at + 1 : at + 3]] == [
        ["cleared", "2", "2,400.10", "2,400.11"],
        ["pending", "1", "2,400.00", "0.00"],
    ]


def test_plans_over_and_short_and_the_next_draws() -> None:
    """Plans over and short of the bill never offset each other; the next draw date adds its terms up, with the days that matter."""
    draw = {"draw_date": "2026-11-10", "lines": 2, "scheduled": 500, "notice_by": "2026-10-30", "last_day_to_stop": "2026-11-09"}
    later = draw | {"draw_date": "2026-12-10", "lines": 9}
    lines = told(
        plans=[{"variance": 300, "to_give_back": 100}, {"variance": -200}, {"variance": 0}],
        next_draws=[draw | {"term": "A", "lines_in_question": 1, "in_question": 250}, draw | {"term": "B", "lines": 1}, later],
    )
    assert ["Plans", "over", "the", "bill", "1", "3.00"] in [line.split() for line in lines]
    assert ["Plans", "short", "of", "the", "bill", "1", "-2.00"] in [line.split() for line in lines]
    assert ["Proposed:", "to", "give", "back", "1", "1.00"] in [line.split() for line in lines]
    assert "Next draws 2026-11-10: 3 lines, 10.00; in question 1 line, 2.50" in lines
    assert "  last day to give notice of a change 2026-10-30, to stop one 2026-11-09" in lines
    weekend = told(next_draws=[draw | {"notice_by": "2026-10-31"}])
    assert "  last day to give notice of a change 2026-10-31, a Saturday: send it by 2026-10-30; to stop one 2026-11-09" in weekend
    assert not any("to collect" in line for line in lines)


def test_rejected_rows_come_before_every_figure() -> None:
    """Rejected rows and their money stand right under the date, since every figure lacks them."""
    lines = told(NOTHING | {"aid": Counted(rejected=2, unreadable=1, cents_rejected=150000, already_read=4, set_aside=3)})
    assert lines[1] == "REJECTED AND LEFT OUT OF EVERY FIGURE: aid 2 rows, 1,500.00 and 1 without a readable amount."
    assert any(line.split()[:3] == ["Rows", "already", "read"] and " 4 " in line for line in lines)
    assert any(line.startswith("Rows dated after the as-of date") and " 3 " in line for line in lines)


@pytest.mark.parametrize(
    ("tables", "first"),
    [
        ({"plans": [{"variance": 1}], "unmatched_events": [{"without_a_line": 5}]}, "plans.csv"),
        ({"unmatched_events": [{"without_a_line": 5}], "draws": [{"state": "failed"}]}, "unmatched_events.csv"),
        ({"unmatched_events": [{"without_a_line": 0}], "draws": [{"state": "not seen"}]}, "draws.csv (state not seen)"),
        ({"draws": [{"state": "cleared"}], "students": [{"coverage": "short"}]}, "students.csv (coverage short, over)"),
    ],
)
def test_the_most_harmful_file_comes_first(tables: dict[str, Any], first: str) -> None:
    """What would take money wrongly is opened first, then money on no line, draws that did not come, and bills not covered."""
    assert next(line for line in told(**tables) if line.startswith("Open first")).startswith(f"Open first: {first}")


def test_notes_are_few_and_harmless() -> None:
    """The first notes are shown on one line each, and where the others are."""
    assert notes_lines(("a\nb", "c", "d"), 2, "see there") == ["Note: a b", "Note: c", "Note: and 1 more note; see there."]


def test_words_and_columns() -> None:
    """One is not several; figures stand to the right."""
    assert (count(1, "row"), count(1204, "row"), count(2, "entry", "entries")) == ("1 row", "1,204 rows", "2 entries")
    assert aligned([("a", "1"), ("bbb", "22")], right=(1,)) == ["a     1", "bbb  22"]


def test_problems_of_a_whole_file_and_long_values() -> None:
    """A problem of a whole file names no row, and a long value is cut."""
    rows: list[dict[str, Any]] = [
        {"file": "a.csv", "problem": "the file is empty.", "how to mend it": "Export it again."},
        {
            "file": "b.xlsx",
            "sheet": "S",
            "row": 7,
            "column": "amount",
            "value": "9" * 99,
            "problem": "no amount",
            "how to mend it": "Write it.",
        },
    ]
    lines = problems_text(table("rejected_rows", *rows)).splitlines()
    assert lines[:3] == ["a.csv", "  the whole file: the file is empty. Export it again.", "b.xlsx, sheet S"]
    assert lines[3] == f'  row 7, column amount, "{"9" * 57}...": no amount. Write it.'
