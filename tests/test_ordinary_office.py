"""An ordinary office on an ordinary day: no kind of exception floods the list, and plain students cost next to nothing."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from time import process_time

import numpy as np
import pandas as pd
import pytest
from build import exports_of
from cases_exceptions.plan import story
from ordinary_office import AS_OF, BANK_THROUGH, FEE_FOR_ALL, office_rows

from reconcile.exception_list import find_facts, list_exceptions
from reconcile.exports import BankSpan, Exports
from reconcile.intake_counts import SourceCount, SourceFile
from reconcile.parts import whole_of
from reconcile.policy import Rules, load_rules
from reconcile.run import reconcile_exports
from reconcile.settle import work_out

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


def exceptions(students: int, plans: int, rules: Rules) -> pd.DataFrame:
    """The exception list of an office of that size."""
    exports = exports_of(office_rows(students, plans, 7, rules), bank_through=BANK_THROUGH)
    return reconcile_exports(exports, rules, AS_OF).tables["exceptions"]


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


def test_a_small_office_is_not_flooded(rules: Rules) -> None:
    """Four hundred plans among a thousand students."""
    _hold_quiet(exceptions(1_000, 400, rules), 400)


@pytest.mark.slow
def test_an_ordinary_office_is_not_flooded(rules: Rules) -> None:
    """Eight thousand plans among twenty thousand students."""
    table = exceptions(20_000, 8_000, rules)
    _hold_quiet(table, 8_000)


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


@pytest.mark.slow
def test_plain_students_cost_next_to_nothing(rules: Rules) -> None:
    """The list over a hundred thousand plain students is empty, and takes less than half the time of working them out."""
    exports = many(exports_of(story(first=3)), 100_000)
    started = process_time()
    whole = whole_of(exports, rules, AS_OF)
    worked = work_out(exports, rules, AS_OF, whole)
    between = process_time()
    table = list_exceptions(find_facts(worked, exports, rules, whole.fee_terms), len(worked.book.plans), rules, AS_OF).table
    ended = process_time()
    assert table.empty
    assert (ended - between) * 2 < between - started
