"""A bank file missing in the middle is told as such, and no family is asked for that money a second time."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from build import Row, exports_of

from reconcile.bank_gaps import FEWEST_LINES
from reconcile.policy import Rules, load_rules
from reconcile.run import Result, reconcile_exports

if TYPE_CHECKING:
    from reconcile.exports import Exports

TERM = "2026-FA"


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(Path(__file__).parents[1] / "rules")


def office(plans: int, missing: int, rules: Rules) -> Result:
    """What a run as of 20 November makes of `office_with_a_hole`."""
    return reconcile_exports(office_with_a_hole(plans, missing), rules, date(2026, 11, 20))


def office_with_a_hole(plans: int, missing: int) -> Exports:
    """Plans of three draws as of 20 November; October's draw of the first `missing` plans is not in the bank's files."""
    rows: dict[str, list[Row]] = {"charges": [], "aid": [], "plan_schedules": [], "cleared_draws": []}
    for at in range(plans):
        student, plan = f"S{at:03}", f"P{at:03}"
        rows["charges"].append({"student_id": student, "term": TERM, "posted_on": "2026-07-15", "amount": 3000_00})
        for line, day in enumerate(("2026-10-10", "2026-11-10", "2026-12-10"), start=1):
            of_line = {"plan_id": plan, "student_id": student, "term": TERM, "enrolled_on": "2026-07-20", "plan_total": 3000_00}
            rows["plan_schedules"].append({**of_line, "line": str(line), "draw_date": day, "amount": 1000_00})
        for day in ("2026-10-14", "2026-11-12"):
            if day != "2026-10-14" or at >= missing:
                rows["cleared_draws"].append({"settled_on": day, "amount": 1000_00, "outcome": "cleared", "plan_id": plan})
    return exports_of(rows, has_postings=False, bank_from=date(2026, 10, 1), bank_through=date(2026, 11, 20))


def test_a_date_of_which_hardly_a_draw_was_seen_is_told_and_nothing_is_proposed(rules: Rules) -> None:
    """Of 20 draws 11 are missing: the note asks for the bank file, and December stays as it is for these families."""
    found = office(FEWEST_LINES, 11, rules)
    assert found.notes[0] == (
        "Of 20 draws of 2026-10-10 (2026-FA) the bank files do not show 11: is a bank file missing? Add it and run again; "
        "until then no draw is proposed to these families."
    )
    assert set(found.tables["plans"]["proposed_draws"]) == {""}


@pytest.mark.parametrize(("plans", "missing"), [(FEWEST_LINES, 10), (FEWEST_LINES - 1, 19)], ids=["half of them", "a line fewer"])
def test_half_of_them_or_too_few_to_tell_are_ordinary_misses(plans: int, missing: int, rules: Rules) -> None:
    """Not more than half missing, or fewer than twenty draws: each is a draw not seen, and December would take it up."""
    found = office(plans, missing, rules)
    assert not any("bank file missing" in note for note in found.notes)
    assert (found.tables["plans"]["proposed_draws"] == "2026-12-10 2000.00").sum() == missing


def test_each_family_reads_that_a_bank_file_may_be_missing(rules: Rules) -> None:
    """The exception of a draw that a missing file hides gives that reason; it says of no money that it fits in more than one way."""
    told = office(FEWEST_LINES, 11, rules).tables["exceptions"]
    actions = told.loc[told["kind"] == "no draw seen", "action"]
    assert len(actions) == 11
    assert actions.str.contains(
        "Of 20 draws of 2026-10-10 the bank files do not show 11: is a bank file missing? Add it and run again", regex=False
    ).all()
    assert not actions.str.contains("more than one way").any()
