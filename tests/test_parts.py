"""A run over parts of the student body, put together, is the same run: however the students are cut, the files hold the same bytes."""

from __future__ import annotations

import random
from datetime import date
from pathlib import Path

import pytest
from build import exports_of
from ordinary_office import AS_OF, BANK_THROUGH, ordinary_office
from test_bank_gaps import office_with_a_hole
from worlds import random_rules, random_world

from reconcile.deliver.csv_out import write_data_files
from reconcile.errors import RefusedError
from reconcile.exports import read_exports
from reconcile.parts import cut_by_student
from reconcile.policy import Rules, load_rules
from reconcile.run import Result, reconcile_exports

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


def assert_same(one: Result, other: Result, about: object) -> None:
    """Both runs show the same tables and notes."""
    assert one.tables.keys() == other.tables.keys()
    for name, table in one.tables.items():
        assert table.equals(other.tables[name]), (about, name)
    assert one.notes == other.notes, about


@pytest.mark.parametrize("first", range(300_000, 300_030, 10))
def test_parts_of_random_worlds_put_together_are_the_whole(first: int, rules: Rules) -> None:
    """Cutting a noisy world into two or nine parts changes no table and no note."""
    for seed in range(first, first + 10):
        rng = random.Random(seed)
        world, own = random_world(rng, 6), random_rules(rng, rules)
        exports = exports_of(world.exports, has_postings=world.has_postings, bank_from=world.bank_from, bank_through=world.bank_through)
        whole = reconcile_exports(exports, own, world.as_of)
        for parts in (2, 9):
            assert_same(whole, reconcile_exports(exports, own, world.as_of, parts=parts), (seed, parts))


@pytest.mark.parametrize("as_of", [date(2026, 9, 22), date(2026, 10, 20), date(2026, 11, 20)])
def test_the_sample_in_parts_gives_the_same_bytes(as_of: date, rules: Rules, tmp_path: Path) -> None:
    """The sample month in one part and in five leaves the same bytes in every data file."""
    exports = read_exports([ROOT / "sample_exports" / "standard"], rules)
    for parts in (1, 5):
        folder = tmp_path / str(parts)
        folder.mkdir()
        write_data_files(reconcile_exports(exports, rules, as_of, parts=parts).tables, folder)
    written = sorted((tmp_path / "1").iterdir())
    assert len(written) > 10
    for path in written:
        assert path.read_bytes() == (tmp_path / "5" / path.name).read_bytes(), path.name


def test_an_office_in_parts_has_the_same_run_lines(rules: Rules) -> None:
    """A fee posted to everyone, told in one line of the whole run, is told so although no part knows of it."""
    exports = exports_of(ordinary_office(900, 400, 7, rules).rows, bank_through=BANK_THROUGH)
    whole = reconcile_exports(exports, rules, AS_OF)
    assert (whole.tables["exceptions"]["student_id"] == "").any()
    assert_same(whole, reconcile_exports(exports, rules, AS_OF, parts=4), "office")


def test_a_hole_in_the_bank_files_is_seen_over_all_parts(rules: Rules) -> None:
    """A draw date of which hardly a draw was seen is told and holds back proposals, though each part has too few lines to tell."""
    exports = office_with_a_hole(24, 20)
    whole = reconcile_exports(exports, rules, date(2026, 11, 20))
    assert "is a bank file missing?" in whole.notes[0]
    assert set(whole.tables["plans"]["proposed_draws"]) == {""}
    assert_same(whole, reconcile_exports(exports, rules, date(2026, 11, 20), parts=5), "hole")


def test_bank_files_that_begin_too_late_refuse_in_the_same_words(rules: Rules) -> None:
    """The sentence that refuses a run counts the lines of all parts."""
    exports = exports_of(ordinary_office(60, 40, 7, rules).rows, bank_from=date(2026, 11, 1), bank_through=BANK_THROUGH)
    told = []
    for parts in (1, 4):
        with pytest.raises(RefusedError) as refused:
            reconcile_exports(exports, rules, AS_OF, parts=parts)
        told.append(str(refused.value))
    assert told[0] == told[1]
    assert "need them" in told[0]


def test_each_row_is_in_one_part(rules: Rules) -> None:
    """The parts hold every row of every export once, and no student stands in two."""
    world = random_world(random.Random(4), 30)
    exports = exports_of(world.exports, has_postings=True, bank_from=world.bank_from, bank_through=world.bank_through)
    parts = [part.rows() for part in cut_by_student(exports, rules, world.as_of, 7)]
    for name, table in exports.tables.items():
        rows = [(file, row) for part in parts for file, row in part.tables[name][["file", "row"]].itertuples(index=False)]
        assert sorted(rows) == sorted(table[["file", "row"]].itertuples(index=False, name=None))
    students = [set(part.tables["plan_schedules"]["student_id"]) for part in parts]
    assert sum(map(len, students)) == len(set().union(*students)) > 7
