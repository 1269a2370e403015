"""What may still be taken, or is for a person to decide, in the sample month: families are not asked twice, and no notice day is missed."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from reconcile.dispositions import Note
from reconcile.exports import read_exports
from reconcile.policy import Rules, load_rules
from reconcile.run import Result, reconcile_exports

if TYPE_CHECKING:
    import pandas as pd

    from reconcile.exports import Exports

ROOT = Path(__file__).parents[1]
AS_OF = date(2026, 11, 20)


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


@pytest.fixture(scope="module")
def exports(rules: Rules) -> Exports:
    return read_exports([ROOT / "sample_exports" / "standard"], rules)


@pytest.fixture(scope="module")
def run(exports: Exports, rules: Rules) -> Result:
    return reconcile_exports(exports, rules, AS_OF)


def row(run: Result, student: str, kind: str) -> pd.Series:
    """The one exception of that kind of a student."""
    table = run.tables["exceptions"]
    found = table[(table["student_id"] == student) & (table["kind"] == kind)]
    assert len(found) == 1
    return found.iloc[0]


def test_a_late_draw_names_the_notice_day_that_ends_before_its_own_days(run: Result) -> None:
    """It may come until 5 December; the draw that would take it up needs its notice by 30 November, ten days before 10 December."""
    late = row(run, "00123406", "no draw seen")
    assert "It may still come until 2026-12-05" in late["action"]
    assert "the draws that take it up need notice by 2026-11-30: find out before then" in late["action"]
    assert late["act_by"].date() <= date(2026, 11, 30)


def test_what_a_person_decides_is_decided_before_the_notice_day(run: Result, exports: Exports, rules: Rules) -> None:
    """A tie holds every proposal, and the next draw would take too much all the same: the day is named until it has passed."""
    tie = row(run, "00123463", "more than one way to match")
    assert "Decide by 2026-11-30" in tie["action"]
    assert tie["act_by"].date() <= date(2026, 11, 30)
    later = row(reconcile_exports(exports, rules, date(2026, 12, 1)), "00123463", "more than one way to match")
    assert "Decide by" not in later["action"]


def test_the_plan_systems_own_exception_gives_no_second_remedy(run: Result) -> None:
    """Two desks see one draw: only one of their rows says what the draws become."""
    seen, said = row(run, "00123445", "no draw seen"), row(run, "00123445", "schedule says posted, bank does not")
    assert "instead of 846.04" in seen["action"]
    assert "instead of" not in said["action"]
    assert "this draw's other exception (no draw seen)" in said["action"]


def test_a_family_told_of_a_draw_that_may_still_come_is_asked_to_speak_first(run: Result, exports: Exports, rules: Rules) -> None:
    """Someone confirmed that it was not taken; until the exports say so too, the letter warns of paying twice."""
    id_ = row(run, "00123406", "no draw seen")["exception_id"]
    on = date(2026, 11, 23)
    noted = reconcile_exports(exports, rules, date(2026, 11, 24), notes=[Note(id_, "confirmed", "", "Ana Novak", on)])
    letters = noted.tables["outreach"].set_index("student_id")["letter"]
    assert "was not taken" in letters["00123406"]
    assert "speak with us before you send anything" in letters["00123406"]


def test_no_letter_asks_for_money_while_the_bursar_decides_about_a_draw_after_a_stop(run: Result) -> None:
    """Its family may be owed a draw: it hears nothing of the earlier one that failed before that is decided."""
    row(run, "00123461", "drawn after a stop")
    assert "00123461" not in set(run.tables["outreach"]["student_id"])
