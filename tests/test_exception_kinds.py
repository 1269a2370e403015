"""Every kind of exception is raised by a story made for it, and not by its near miss; each sentence says what it must."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from build import exports_of
from cases_exceptions.by_kind import CASES, Case
from cases_exceptions.plan import rows_of, story

from reconcile.exception_kinds import BY_NAME, CATALOGUE, GROUPS, KINDS
from reconcile.policy import Rules, load_rules
from reconcile.run import reconcile_exports

if TYPE_CHECKING:
    import pandas as pd

RULES = Path(__file__).parents[1] / "rules"


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(RULES)


def listed(case: Case, rules: Rules) -> pd.DataFrame:
    """The exception list of a story; the bank files speak of the whole time up to the as-of day unless it says otherwise."""
    as_of = date.fromisoformat(case.as_of)
    through = date.fromisoformat(case.options.get("bank_through", case.as_of))
    exports = exports_of(case.rows, bank_from=date(2026, 7, 1), bank_through=through)
    return reconcile_exports(exports, rules, as_of).tables["exceptions"]


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.kind}: {c.says}")
def test_story_and_near_miss(case: Case, rules: Rules) -> None:
    """The story raises its kind once, with its line and amount; the near miss does not."""
    mine = listed(case, rules)
    mine = mine[mine["kind"] == case.kind]
    assert [(row.line, row.amount) for row in rows_of(mine)] == ([] if case.found is None else [case.found])


def test_every_kind_has_a_story_and_a_near_miss() -> None:
    """All kinds but the one that only a close can raise have both."""
    for wanted in (True, False):
        assert {case.kind for case in CASES if (case.found is not None) == wanted} == set(KINDS) - {"return after the close"}


@pytest.mark.parametrize("case", [c for c in CASES if c.found], ids=lambda c: c.kind)
def test_what_is_found_is_told_in_full(case: Case, rules: Rules) -> None:
    """A sentence begins with whom it is about, ends with a full stop, has money in it, no gap left open; the action says by when."""
    row = next(r for r in rows_of(listed(case, rules)) if r.kind == case.kind)
    about = [row.student_id, *row.plan_id.split("; "), *([f"line {row.line}"] if row.line else [])]
    assert all(word in row.what.partition(": ")[0] for word in about)
    assert row.what.endswith(".")
    assert not re.search(r"[{}]|nan|None|NaT|  ", f"{row.what} {row.action}")
    assert re.search(r"[0-9]\.[0-9]{2}\b", row.what) or row.kind == "schedule off the rules"
    assert row.severity == "information" or "Act by 20" in row.action
    assert row.evidence
    assert all(re.fullmatch(r"[a-z_]+\.csv::[0-9]+", part) for part in row.evidence.split("; "))
    assert f"{row.what} {row.action}".isascii()


def test_a_plan_in_order_raises_nothing(rules: Rules) -> None:
    """The plan that the stories start from is on no list, whenever one looks."""
    for as_of in ("2026-07-25", "2026-08-10", "2026-09-12", "2026-10-05"):
        assert listed(Case("", "", story(), as_of), rules).empty


def test_the_catalogue_is_whole() -> None:
    """Each kind stands once, in its group, with a meaning of one sentence and a sentence that begins with whom it is about."""
    assert sorted(KINDS) == sorted(set(KINDS)) == sorted(BY_NAME)
    assert [kind for kinds in GROUPS.values() for kind in kinds] == list(KINDS)
    for kind in CATALOGUE:
        assert kind.meaning.endswith(".")
        assert kind.sentence.startswith("{who}: ")
