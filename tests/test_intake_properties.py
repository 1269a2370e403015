"""What holds of intake whatever an office exports: nothing is lost, nothing is invented, and order has no effect."""

from __future__ import annotations

import dataclasses
import tempfile
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hypothesis import given, settings
from hypothesis import strategies as st
from intake_case import counts, read

from reconcile.money import money_text

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Sequence

    from reconcile.export_files import InputFile
    from reconcile.exports import Exports
    from reconcile.intake_files import FileRead

HEADS = {
    "charges": "student_id,term,posted_on,amount,charge_type",
    "aid": "student_id,term,fund,status,amount,posted_on,disbursed_on",
    "cleared_draws": "settled_on,amount,outcome,plan_id,student_id,reference",
    "plan_schedules": "plan_id,student_id,term,enrolled_on,plan_total,line,draw_date,amount",
}
FEW = settings(max_examples=25, deadline=None)

students = st.sampled_from(["S1", "S2", "S3", "007", "7"])
days = st.sampled_from(["2026-07-01", "2026-07-02", "2026-08-10"])
cents = st.integers(-200, 200)
odd_cells = st.sampled_from(
    ["", "x", "12.345", "2026-02-30", "03/04/2026", "1,5", "-", "=1+1", "S1", "2026-FA", "cleared", "anticipated", "5.00"]
)


@st.composite
def charge(draw: st.DrawFn) -> list[str]:
    """An ordinary charge."""
    return [draw(students), "2026-FA", draw(days), money_text(draw(cents)), draw(st.sampled_from(["", "fee", "tuition"]))]


@st.composite
def event(draw: st.DrawFn) -> list[str]:
    """An ordinary event of the bank, without a reference."""
    named = draw(st.sampled_from([["P1", ""], ["", "S1"], ["P2", "S2"]]))
    return [draw(days), money_text(draw(st.integers(1, 300))), draw(st.sampled_from(["cleared", "returned"])), *named, ""]


def as_text(export: str, rows: list[list[str]]) -> str:
    quoted = (",".join(f'"{cell}"' for cell in row) for row in rows)
    return "\n".join([HEADS[export], *quoted]) + "\n"


def through_files(files: dict[str, str], map_text: str = "", **options: Any) -> Exports:
    """Read an office from a folder of its own."""
    with tempfile.TemporaryDirectory() as folder:
        return read(Path(folder), files, map_text, **options)


def content(exports: Exports, export: str) -> Counter[tuple[Any, ...]]:
    """The rows of a table without their evidence, as a multiset."""
    table = exports.tables[export].drop(columns=["file", "sheet", "row"])
    return Counter(tuple(str(v) for v in row) for row in table.itertuples(index=False))


@FEW
@given(st.data())
def test_rows_and_cents_are_conserved_whatever_is_in_the_cells(data: st.DataObject) -> None:
    """For each file and export: read = accepted + rejected + already read, in rows and cents; only rejected rows have a line."""
    files, written = {}, {}
    for export, head in list(HEADS.items())[:3]:
        width = head.count(",") + 1
        ordinary = (
            charge() if export == "charges" else event() if export == "cleared_draws" else st.lists(odd_cells, min_size=7, max_size=7)
        )
        for name in (f"{export}.csv", f"{export}_2.csv"):
            rows = data.draw(st.lists(st.one_of(ordinary, st.lists(odd_cells, min_size=width, max_size=width)), max_size=6))
            rows = [row for row in rows if any(row)]
            files[name], written[name] = as_text(export, rows), len(rows)
        files[f"{export}_2.csv"] += "\n"  # a blank line: the same file twice, byte for byte, is refused as a whole
    overlap = data.draw(st.sampled_from(["", "[charges]\nfiles_overlap = true\n[aid]\naid_rows = 'replace'\n"]))
    exports = through_files(files, overlap)
    lines = {(r.file, r.row) for r in exports.rejected.itertuples()}
    for source in exports.sources:
        for c in source.counts:
            assert c.rows_read == c.accepted + c.rejected + c.already_read
            assert c.cents_read == c.cents_accepted + c.cents_rejected + c.cents_already_read
            table = exports.tables[c.export]
            mine = table[table["file"] == source.file]
            assert (len(mine), mine["amount"].sum()) == (c.accepted, c.cents_accepted)
            assert {row for file, row in lines if file == source.file}.isdisjoint(mine["row"])
            assert len({row for file, row in lines if file == source.file}) == c.rejected
            if source.file in written:
                assert c.rows_read + c.foot_rows == written[source.file]


PLANTS = {
    "charges": [
        (0, "", "student_id"),
        (1, "", "term"),
        (2, "soon", "posted_on"),
        (2, "2026-02-30", "posted_on"),
        (3, "five", "amount"),
        (3, "", "amount"),
    ],
    "cleared_draws": [(0, "", "settled_on"), (1, "0.00", "amount"), (1, "-5.00", "amount"), (2, "maybe", "outcome"), (2, "", "outcome")],
}


@FEW
@given(st.lists(charge(), min_size=1, max_size=8), st.lists(event(), min_size=1, max_size=8), st.randoms(use_true_random=False))
def test_the_failures_told_are_the_failures_planted(charges: list[list[str]], events: list[list[str]], chance: random.Random) -> None:
    """Each planted fault gives one line with its file, row and column, and there is no other line."""
    planted: set[tuple[str, int, str]] = set()
    files = {}
    for export, rows in (("charges", charges), ("cleared_draws", events)):
        for number, row in enumerate(rows):
            for position, cell, column in chance.sample(PLANTS[export], chance.choice([0, 0, 1, 2])):
                row[position] = cell  # two faults of one column leave the later one
                planted.add((f"{export}.csv", number + 2, column))
        files[f"{export}.csv"] = as_text(export, rows)
    exports = through_files(files)
    reported = [(r.file, r.row, r.column) for r in exports.rejected.itertuples()]
    assert len(reported) == len(planted)
    assert set(reported) == planted
    rejected = {(file, row) for file, row, _ in planted}
    assert sum(c.rejected for c in counts(exports)) == len(rejected)


@FEW
@given(st.lists(charge(), max_size=8), st.lists(event(), max_size=8), st.randoms(use_true_random=False))
def test_the_order_of_rows_and_files_has_no_effect(charges: list[list[str]], events: list[list[str]], chance: random.Random) -> None:
    """The same rows shuffled and in other files give the same tables and the same problems, but for file names and row numbers."""
    for number, row in enumerate(events):
        row[5] = f"T{number % 4}"  # some references stand for two contents
    section = "[charges]\nfiles_overlap = false\n[cleared_draws]\nfiles_overlap = false\n"
    one = through_files({"charges.csv": as_text("charges", charges), "cleared_draws.csv": as_text("cleared_draws", events)}, section)
    files = {}
    for export, rows in (("charges", charges), ("cleared_draws", events)):
        mixed = chance.sample(rows, len(rows))
        cut = chance.randint(0, len(mixed))
        files[f"{export}.csv"], files[f"{export}_2.csv"] = as_text(export, mixed[cut:]), as_text(export, mixed[:cut])
    other = through_files(files, section)
    for export in ("charges", "cleared_draws"):
        assert content(one, export) == content(other, export)
    assert Counter(one.rejected["value"]) == Counter(other.rejected["value"])
    assert (one.span, one.blocked) == (other.span, other.blocked)


@FEW
@given(st.lists(charge(), max_size=8), st.integers(0, 8), st.integers(0, 8))
def test_declared_overlap_gives_each_row_as_often_as_the_fullest_file(charges: list[list[str]], start: int, end: int) -> None:
    """Two spans of one ledger that overlap give back the ledger where equal rows stand together, and never more than the two files hold."""
    charges.sort()
    first, second = charges[: max(start, end)], charges[min(start, end) :]
    files = {"charges.csv": as_text("charges", first), "charges_2.csv": as_text("charges", second)}
    overlap = through_files(files, "[charges]\nfiles_overlap = true\n")
    expected = Counter(map(tuple, first)) | Counter(map(tuple, second))
    assert sum(content(overlap, "charges").values()) == sum(expected.values())
    table = overlap.tables["charges"]
    assert table["amount"].sum() == sum(int(row[3].replace(".", "")) * times for row, times in expected.items())
    apart = through_files(files, "[charges]\nfiles_overlap = false\n")
    assert len(apart.tables["charges"]) == len(first) + len(second)


@FEW
@given(st.lists(event(), max_size=8), st.integers(0, 8), st.integers(0, 8))
def test_overlapping_bank_files_with_references_give_each_event_once(events: list[list[str]], start: int, end: int) -> None:
    """Any two spans that cover the bank's file give the same table as the file itself."""
    for number, row in enumerate(events):
        row[5] = f"T{number}"
    whole = through_files({"cleared_draws.csv": as_text("cleared_draws", events)})
    first, second = events[: max(start, end)], events[min(start, end) :]
    parts = through_files({"cleared_draws.csv": as_text("cleared_draws", first), "cleared_draws_2.csv": as_text("cleared_draws", second)})
    assert content(whole, "cleared_draws") == content(parts, "cleared_draws")
    assert sum(c.already_read for c in counts(parts)) == len(first) + len(second) - len(events)


@st.composite
def plan_line(draw: st.DrawFn) -> list[str]:
    """A line of one of two plans, whose facts mostly agree."""
    plan = draw(st.sampled_from(["P1", "P2"]))
    student = draw(st.sampled_from(["S1", "S1", "S1", "S2"]))
    total, day = draw(st.sampled_from(["800.00"] * 4 + ["900.00"])), draw(st.sampled_from(["2026-07-01"] * 4 + ["2026-07-02"]))
    return [plan, student, "2026-FA", day, total, draw(st.sampled_from("12345")), "2026-08-10", "100.00"]


def places(exports: Exports, file: str) -> set[int]:
    """The rows of a file that were rejected."""
    rejected = exports.rejected
    return set(rejected.loc[rejected["file"] == file, "row"].tolist())


@FEW
@given(st.lists(plan_line(), max_size=8))
def test_plans_that_contradict_themselves_and_lines_that_stand_twice_are_found_in_any_order(lines: list[list[str]]) -> None:
    """A row is rejected if its plan has two students, totals or days of enrollment, or if its line stands twice; no other row is."""
    facts: dict[str, set[tuple[str, ...]]] = {}
    for plan, *said, _line, _day, _amount in lines:
        facts.setdefault(plan, set()).add(tuple(said))
    times = Counter((row[0], row[5]) for row in lines)
    wrong = {number for number, row in enumerate(lines, 2) if len(facts[row[0]]) > 1 or times[row[0], row[5]] > 1}
    assert places(through_files({"plan_schedules.csv": as_text("plan_schedules", lines)}), "plan_schedules.csv") == wrong


@FEW
@given(st.lists(st.tuples(students, st.sampled_from(["grant", "loan"]), st.sampled_from(["disbursed", "anticipated"]), cents), max_size=8))
def test_awards_that_stand_as_anticipated_and_as_disbursed_are_found_in_any_order(awards: list[tuple[str, str, str, int]]) -> None:
    """A row is rejected if the same student, fund and amount stands in the other of the two statuses; no other row is."""
    awards = [(student, fund, status, amount // 100) for student, fund, status, amount in awards]
    rows = [[student, "2026-FA", fund, status, money_text(amount), "2026-07-01", ""] for student, fund, status, amount in awards]
    other = {"disbursed": "anticipated", "anticipated": "disbursed"}
    wrong = {n for n, (student, fund, status, amount) in enumerate(awards, 2) if (student, fund, other[status], amount) in awards}
    assert places(through_files({"aid.csv": as_text("aid", rows)}), "aid.csv") == wrong


@FEW
@given(st.lists(plan_line(), max_size=8), st.lists(event(), max_size=6), st.booleans())
def test_an_export_checked_where_its_file_was_read_gives_what_all_files_checked_together_give(
    lines: list[list[str]], events: list[list[str]], replaced: bool
) -> None:
    """Tables, rejected rows, counts and notes are the same, with aid whose rows replace each other too."""
    aid = [
        ["S1", "2026-FA", "grant", status, "5.00", day, ""] for status, day in (("anticipated", "2026-07-01"), ("disbursed", "2026-07-03"))
    ]
    files = {f"{name}.csv": as_text(name, rows) for name, rows in (("plan_schedules", lines), ("cleared_draws", events), ("aid", aid))}
    map_text = '[aid]\naid_rows = "replace"\n' if replaced else ""

    def unchecked(work: Callable[[InputFile], FileRead], given: Sequence[InputFile]) -> list[FileRead]:
        return [dataclasses.replace(work(file), checked={}) for file in given]

    one, other = through_files(files, map_text), through_files(files, map_text, each=unchecked)
    assert all(one.tables[name].equals(other.tables[name]) for name in one.tables)
    assert one.rejected.equals(other.rejected)
    assert (one.sources, one.notes, one.blocked, one.span) == (other.sources, other.notes, other.blocked, other.span)
