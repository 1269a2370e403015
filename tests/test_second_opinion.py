"""The sample month by an independent SQL engine: every student's bill, coverage and variance to the cent, and the tables by day."""

from __future__ import annotations

from datetime import date
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from second_opinion import KEYS, SecondOpinion, plain_rows

from reconcile.exports import read_exports
from reconcile.policy import load_rules
from reconcile.run import reconcile_exports
from reconcile.variance import CAUSES

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

Rows = dict[tuple[Any, ...], dict[str, Any]]

ROOT = Path(__file__).parents[1]
EXPORTS = ROOT / "sample_exports" / "standard"
RULES = ROOT / "rules"
DAYS = (date(2026, 9, 22), date(2026, 10, 22), date(2026, 11, 20))


@cache
def ours(as_of: date) -> Mapping[str, pd.DataFrame]:
    """The engine's tables of the sample as of a day."""
    rules = load_rules(RULES)
    return reconcile_exports(read_exports([EXPORTS], rules), rules, as_of).tables


@cache
def theirs(as_of: date) -> SecondOpinion:
    """The same sample in SQL."""
    return SecondOpinion(EXPORTS, RULES, as_of, ours(as_of))


def differences(sql: Rows, run: Rows, name: str) -> list[tuple[Any, ...]]:
    """Every row that only one side has, and every figure in which they differ: key, column, SQL, run."""
    assert run, f"the sample has rows of {name}"
    found: list[tuple[Any, ...]] = [(key, "only in", "SQL" if key in sql else "run", "") for key in sql.keys() ^ run.keys()]
    columns = [column for column in next(iter(sql.values())) if column not in KEYS[name]]
    for key in sorted(sql.keys() & run.keys()):
        found += [(key, column, sql[key][column], run[key][column]) for column in columns if sql[key][column] != run[key][column]]
    return found


def held_against_sql(name: str, as_of: date) -> list[tuple[Any, ...]]:
    """The differences of one table of the sample."""
    return differences(theirs(as_of).table(name), plain_rows(ours(as_of)[name], name), name)


@pytest.mark.parametrize("as_of", DAYS, ids=str)
def test_every_students_bill_and_coverage_are_what_sql_works_out_from_the_files(as_of: date) -> None:
    """Charges, aid as of the day, other credits, draws cleared, balance, pending, gap and the word of coverage agree for every student."""
    assert held_against_sql("students", as_of) == []


@pytest.mark.parametrize("as_of", DAYS, ids=str)
def test_every_variance_and_each_of_its_causes_are_what_sql_works_out_from_the_files(as_of: date) -> None:
    """Baseline, plan total, balance to meet, variance and all ten causes agree to the cent for every student with a plan."""
    assert held_against_sql("plans", as_of) == []


@pytest.mark.parametrize("as_of", DAYS, ids=str)
@pytest.mark.parametrize("name", ["next_draws", "draw_dates", "settlement_days"])
def test_the_tables_by_day_are_what_sql_works_out_from_the_files(name: str, as_of: date) -> None:
    """Coming draws, draw dates and settlement days agree to the cent."""
    assert held_against_sql(name, as_of) == []


def test_sql_sees_a_single_cent(tmp_path: Path) -> None:
    """One cent more on one charge in the file is a difference in that student's row and in nothing else."""
    as_of = DAYS[-1]
    for path in EXPORTS.glob("*.csv"):
        (tmp_path / path.name).write_bytes(path.read_bytes())
    lines = (EXPORTS / "charges.csv").read_text(encoding="utf-8").splitlines()
    student, *_ = lines[1].split(",")
    lines[1] = lines[1].replace("7947.19", "7947.20", 1)
    (tmp_path / "charges.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    other = SecondOpinion(tmp_path, RULES, as_of, ours(as_of)).table("students")
    same = theirs(as_of).table("students")
    changed = {key for key in same if same[key] != other[key]}
    assert changed == {("2026-FA", student)}
    assert other["2026-FA", student]["charges"] == same["2026-FA", student]["charges"] + 1


def test_each_cause_is_there_to_be_compared() -> None:
    """Over the three days each cause of a variance differs from zero for some student of the sample: agreement is not of zeros."""
    seen = {cause for as_of in DAYS for cause in CAUSES if (ours(as_of)["plans"][cause] != 0).any()}
    assert seen == set(CAUSES)


def test_a_wrong_figure_of_the_run_is_told() -> None:
    """A figure of the run that is one cent off, and a row that is missing, are told: the comparison cannot pass by comparing nothing."""
    as_of = DAYS[-1]
    sql, run = theirs(as_of).table("students"), plain_rows(ours(as_of)["students"], "students")
    first, second, *_ = sorted(run)
    right = run[first]["gap"]
    run[first] = run[first] | {"gap": right + 1}
    del run[second]
    assert differences(sql, run, "students") == [(second, "only in", "SQL", ""), (first, "gap", right, right + 1)]
