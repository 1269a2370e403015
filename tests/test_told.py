"""What the parts tell: the order of the list by array code, totals that add up, and lines of a file that are put in order later."""

from __future__ import annotations

import ctypes
import io
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from build import exports_of
from hypothesis import given
from hypothesis import strategies as st
from ordinary_office import AS_OF, BANK_THROUGH, ordinary_office

from reconcile import memory
from reconcile.deliver.csv_out import csv_lines, join_pieces, write_table
from reconcile.exception_kinds import BY_NAME, GROUPS
from reconcile.exception_rows import SEVERITIES
from reconcile.figures import added, totals_of
from reconcile.policy import load_rules
from reconcile.run import reconcile_exports
from reconcile.schemas import OUTPUTS
from reconcile.standing import STANDINGS, typed
from reconcile.told import DONE, own_places

if TYPE_CHECKING:
    import pytest

ROOT = Path(__file__).parents[1]

row = st.fixed_dictionaries(
    {
        "kind": st.sampled_from(list(BY_NAME)[:6]),
        "severity": st.sampled_from(SEVERITIES),
        "standing": st.sampled_from(STANDINGS),
        "amount": st.sampled_from([-5, 0, 5, 7, 10**15]),
        "term": st.sampled_from(["", "2026-FA", "2026-\u00e9"]),
        "student_id": st.sampled_from(["", "9", "10", "\U0001f600", "\uff21"]),
        "plan_id": st.sampled_from(["", "P"]),
        "line": st.sampled_from(["", "1", "10", "2"]),
        "soon": st.booleans(),
    }
)


def table_of(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """The rows as exceptions, each with an id of its own."""
    blank: dict[str, Any] = {
        c.name: pd.NaT if c.kind == "date" else 0 if c.kind in {"money", "count"} else "" for c in OUTPUTS["exceptions"]
    }
    return typed([blank | one | {"exception_id": f"X{at:03d}"} for at, one in enumerate(rows)], "exceptions")


@given(st.lists(row, max_size=30))
def test_the_order_is_that_of_plain_python(rows: list[dict[str, Any]]) -> None:
    """Array code puts rows in the order in which Python sorts their keys: done last, soon first, then severity, group, amount, texts."""
    groups = list(GROUPS)
    keys = [
        (
            *(one["standing"] in DONE, not one["soon"], SEVERITIES.index(one["severity"]), groups.index(BY_NAME[one["kind"]].group)),
            *(-abs(one["amount"]), one["kind"], one["term"], one["student_id"], one["plan_id"], one["line"], f"X{at:03d}"),
        )
        for at, one in enumerate(rows)
    ]
    places = own_places(table_of(rows), np.array([one["soon"] for one in rows], dtype=np.bool_))
    assert np.argsort(places).tolist() == sorted(range(len(rows)), key=keys.__getitem__)


def test_the_totals_of_parts_add_up_to_those_of_the_whole() -> None:
    """However an office is cut, coverage, states and variances of the parts are together those of all students."""
    rules = load_rules(ROOT / "rules")
    tables = reconcile_exports(exports_of(ordinary_office(300, 200, 5, rules).rows, bank_through=BANK_THROUGH), rules, AS_OF).tables
    whole = totals_of(tables["students"], tables["draws"], tables["plans"])
    for parts in (1, 3, 40):
        cut = [[tables[name].iloc[at::parts].reset_index(drop=True) for name in ("students", "draws", "plans")] for at in range(parts)]
        for found, wanted in zip(added([totals_of(*three) for three in cut]), whole, strict=True):
            pd.testing.assert_frame_equal(found, wanted)
    nothing = totals_of(*(tables[name].iloc[:0] for name in ("students", "draws", "plans")))
    assert [len(found) for found in added([nothing, nothing])] == [0, 0, 0]


@given(st.lists(st.text(st.sampled_from('a,\n"=\u00e9 '), max_size=4), max_size=12), st.randoms(use_true_random=False))
def test_lines_put_in_order_are_the_file(texts: list[str], rng: Any) -> None:
    """Lines made in one order and written in another are what the table in that order is written as."""
    table = table_of([{"what": text, "amount": at, "happened_on": pd.Timestamp(date(2026, 9, 1 + at))} for at, text in enumerate(texts)])
    order = list(range(len(texts)))
    rng.shuffle(order)
    columns = OUTPUTS["exceptions"]

    class Kept(io.BytesIO):
        def close(self) -> None:
            self.held = self.getvalue()

    class Place:
        def __init__(self) -> None:
            self.file = Kept()

        def open(self, _mode: str) -> Kept:
            return self.file

    wanted, found = Place(), Place()
    write_table(table.take(order).reset_index(drop=True), columns, wanted)  # type: ignore[arg-type]
    join_pieces([csv_lines(table, columns).take(np.array(order, dtype=np.int64))], columns, found)  # type: ignore[arg-type]
    assert found.file.held == wanted.file.held


def test_the_allocator_is_told_where_it_can_be(monkeypatch: pytest.MonkeyPatch) -> None:
    """The GNU C library takes both wishes; another library, or another system, is left alone."""

    class Other:
        pass

    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(ctypes, "CDLL", lambda _name: Other())
    assert not memory.keep_freed_memory()
    told: list[tuple[int, int]] = []

    def mallopt(_self: object, name: int, value: int) -> int:
        told.append((name, value))
        return 1

    monkeypatch.setattr(Other, "mallopt", mallopt, raising=False)
    assert memory.keep_freed_memory()
    assert told == [(-1, memory.MOST_KEPT), (-3, memory.LARGE)]
    monkeypatch.setattr(sys, "platform", "darwin")
    assert not memory.keep_freed_memory()
    assert len(told) == 2
