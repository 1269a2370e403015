"""An ordinary office on an ordinary day: no kind of exception floods the list, and plain students cost next to nothing."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from build import exports_of
from cases_exceptions.plan import story
from hypothesis import given, settings
from hypothesis import strategies as st
from ordinary_office import AS_OF, BANK_THROUGH, FEE_FOR_ALL, Office, ordinary_office

from reconcile.exception_ground import Ground
from reconcile.exception_list import find_facts, list_exceptions
from reconcile.exports import BankSpan, Exports
from reconcile.intake_counts import SourceCount, SourceFile
from reconcile.parts import whole_of
from reconcile.policy import Rules, load_rules
from reconcile.probable_payments import probable_payments
from reconcile.report_tables import draws_table
from reconcile.run import reconcile_exports
from reconcile.settle import work_out
from reconcile.told import memory_of, tell

if TYPE_CHECKING:
    from types import FrameType

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


def exceptions(office: Office, rules: Rules) -> pd.DataFrame:
    """The exception list of an office."""
    exports = exports_of(office.rows, bank_through=BANK_THROUGH)
    return reconcile_exports(exports, rules, AS_OF).tables["exceptions"]


def _hold_planted(table: pd.DataFrame, office: Office) -> None:
    """Each kind of severity urgent or act is told of no student to whom it did not happen; a bill that moved is told of all.

    Where a draw failed as well, less is to be drawn than the plan says, so that a plan above its bill need not exceed it today.
    """
    told = table[(table["severity"] != "information") & (table["student_id"] != "")].groupby("kind")["student_id"].agg(set).to_dict()
    assert {kind: students - office.planted[str(kind)] for kind, students in told.items() if students - office.planted[str(kind)]} == {}
    lost = office.planted["failed draw"] | office.planted["no draw seen"] | office.planted["anticipated aid overdue"]
    for kind in ("plan exceeds bill", "plan below bill", "anticipated aid overdue"):
        missed = office.planted[kind] - told.get(kind, set())
        assert missed <= (lost if kind == "plan exceeds bill" else set()), kind


def _hold_quiet(table: pd.DataFrame, plans: int) -> None:
    """The fee for all has a line of its own; nothing else is told of more than one plan in twenty, nor urgent of one in twenty-five."""
    lead = table[(table["student_id"] == "") & (table["kind"] == "plan below bill")]
    assert list(lead["amount"]) == [-FEE_FOR_ALL]
    rest = table[~((table["kind"] == "plan below bill") & table["amount"].eq(-FEE_FOR_ALL))]
    counts = rest[rest["student_id"] != ""].groupby(["kind", "severity"]).size()
    assert counts.max() * 20 <= plans, counts
    assert counts[counts.index.get_level_values("severity") == "urgent"].sum() * 25 <= plans, counts
    quiet = {"schedule off the rules", "fee missing", "no down payment line", "posted not cleared", "posted twice", "second plan"}
    assert not quiet & set(table["kind"])


@pytest.mark.parametrize("seed", [7, 8, 9])
def test_a_small_office_is_not_flooded(seed: int, rules: Rules) -> None:
    """Four hundred plans among a thousand students: nobody is told of what did not happen, and no kind floods the list."""
    office = ordinary_office(1_000, 400, seed, rules)
    table = exceptions(office, rules)
    _hold_quiet(table, 400)
    _hold_planted(table, office)


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(100, 10**9), plans=st.integers(5, 60))
def test_any_small_office_tells_nobody_of_what_did_not_happen(seed: int, plans: int, rules: Rules) -> None:
    """Offices of a few dozen plans: no kind of severity urgent or act on more than its planted students."""
    office = ordinary_office(2 * plans, plans, seed, rules)
    _hold_planted(exceptions(office, rules), office)


@pytest.mark.long
@pytest.mark.parametrize("seed", [7, 8])
def test_an_ordinary_office_is_not_flooded(seed: int, rules: Rules) -> None:
    """Eight thousand plans among twenty thousand students."""
    office = ordinary_office(20_000, 8_000, seed, rules)
    table = exceptions(office, rules)
    _hold_quiet(table, 8_000)
    _hold_planted(table, office)


def many(exports: Exports, times: int) -> Exports:
    """The same students so many times over, each with ids of their own."""

    def repeat(table: pd.DataFrame) -> pd.DataFrame:
        copies = np.repeat(np.arange(times), len(table))
        grown = table.iloc[np.tile(np.arange(len(table)), times)].reset_index(drop=True)
        suffix = pd.Series(np.arange(times).astype(str), dtype="str").iloc[copies].reset_index(drop=True)
        for name in ("student_id", "plan_id", "reference"):
            if name in grown.columns:
                grown[name] = grown[name].where(grown[name] == "", grown[name] + suffix).astype("str")
        return grown

    tables = {name: repeat(table) for name, table in exports.tables.items()}
    counts = tuple(
        SourceCount(name, "", len(t), len(t), 0, 0, 0, int(t["amount"].sum()), int(t["amount"].sum()), 0, 0) for name, t in tables.items()
    )
    source = (SourceFile("rows", "", 0, counts=counts),)
    return Exports(tables, exports.has_postings, exports.rejected, source, BankSpan(date(2026, 7, 1), BANK_THROUGH), (), frozenset())


def test_plain_students_cost_no_step_of_python(rules: Rules) -> None:
    """The list over plain students is empty, and twenty times as many of them take no more calls of Python functions: arrays only."""
    assert _calls(rules, 4_000) <= _calls(rules, 200) * 1.02


def _calls(rules: Rules, students: int) -> int:
    exports = many(exports_of(story(first=3)), students)
    whole = whole_of(exports, rules, AS_OF)
    worked = work_out(exports, rules, AS_OF, whole)
    draws = draws_table(worked.lines, worked.states)
    counted = 0

    def count(_frame: FrameType, event: str, _arg: object) -> None:
        nonlocal counted
        counted += event == "call"

    before = sys.getprofile()
    sys.setprofile(count)
    try:
        on, memory = Ground.of(worked, exports, rules, whole.fee_terms), memory_of(None, (), rules, AS_OF)
        facts = find_facts(on, probable_payments(on))
        told = tell(facts, {"plans": worked.plans.table, "draws": draws}, rules, AS_OF, memory, {})
        table = list_exceptions([told], len(worked.book.plans), rules, AS_OF, memory).table
    finally:
        sys.setprofile(before)
    assert table.empty
    return counted
