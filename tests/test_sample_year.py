"""Eight month-ends of an invented year, closed one after the other through the command line as an office would."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from sample_year import MONTH_ENDS, Year, write_exports
from second_rollforward import second_rollforward

from reconcile import cli
from reconcile.archive import archived_inputs
from reconcile.line_moves import CLOSING, ITEMS, OPENING
from reconcile.run_tables import read_table
from reconcile.trace import RunTables, figures_of
from reconcile.trace_rows import trace_figure

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    import pandas as pd

RULES = Path(__file__).parents[1] / "rules"
SEPTEMBER, OCTOBER, NOVEMBER = MONTH_ENDS[1:4]
FEBRUARY, MARCH = MONTH_ENDS[6:]


def close(exports: Iterable[Path], day: date, reports: Path, *more: str) -> int:
    """One close through the command line; gives the exit code."""
    span = ("--bank-from", "2026-07-20", "--bank-through", str(day))
    return cli.run(["close", *map(str, exports), "--as-of", str(day), "--rules", str(RULES), "--reports", str(reports), *span, *more])


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The year closed: eight run folders."""
    place = tmp_path_factory.mktemp("year")
    year = Year()
    for day in MONTH_ENDS:
        write_exports(year, day, place / "exports" / str(day))
        assert close([place / "exports" / str(day)], day, place / "reports") == 0
    return place / "reports"


def run_of(reports: Path, day: date) -> Path:
    """The run folder of a month-end."""
    return reports / f"{day}-close"


def cells(run: Path) -> dict[tuple[str, str, str, str], int]:
    """The roll-forward of a close by term, method, money and item, in cents."""
    table = read_table(run, "rollforward")[["term", "method", "money", "item", "amount"]]
    return {tuple(key): int(cents) for *key, cents in table.itertuples(index=False)}


def moves_of(run: Path, student: str) -> set[tuple[str, str, int]]:
    """The items by which a student's lines moved: line, item (failed money marked), cents."""
    table = read_table(run, "line_moves")
    rows = table[(table["student_id"] == student) & ~table["item"].isin([OPENING, CLOSING])]
    return {
        (line, item if money == "pending" else f"open: {item}", cents)
        for line, money, item, cents in rows[["line", "money", "item", "amount"]].itertuples(index=False)
    }


def of_kind(run: Path, kind: str) -> pd.DataFrame:
    """The exceptions of one kind that are not resolved."""
    table = read_table(run, "exceptions")
    return table[(table["kind"] == kind) & (table["standing"] != "resolved")]


def test_each_closing_is_the_next_opening(reports: Path) -> None:
    """Over eight month-ends and two terms, what one close ends with the next begins with, per term, method and money."""
    ended: dict[tuple[str, str, str], int] = {}
    for day in MONTH_ENDS:
        found = cells(run_of(reports, day))
        opening = {key[:3]: cents for key, cents in found.items() if key[3] == OPENING}
        assert {key: cents for key, cents in opening.items() if cents} == {key: cents for key, cents in ended.items() if cents}
        ended = {key[:3]: cents for key, cents in found.items() if key[3] == CLOSING}
    assert any(ended.values())


@pytest.mark.parametrize("day", MONTH_ENDS, ids=str)
def test_every_roll_forward_comes_out_and_is_proved(reports: Path, day: date) -> None:
    """Opening and items make closing, which is what the states in draws.csv say; each stands as a line of proof with difference zero."""
    found, proof = cells(run_of(reports, day)), read_table(run_of(reports, day), "proof")
    assert (proof["difference"] == 0).all()
    for group in {key[:3] for key in found}:
        assert sum(found[*group, item] for item in ITEMS[group[2]][:-1]) == found[*group, CLOSING]
        assert {
            f"roll-forward {' '.join(group)}: opening + items = closing",
            f"roll-forward {' '.join(group)}: closing = draws.csv",
        } <= set(proof["name"])


@pytest.mark.parametrize("at", range(len(MONTH_ENDS)), ids=map(str, MONTH_ENDS))
def test_an_independent_engine_finds_the_same_roll_forward(reports: Path, at: int) -> None:
    """SQL over draws.csv of two closes and the plan exports gives every cell to the cent."""
    day, before = MONTH_ENDS[at], MONTH_ENDS[at - 1] if at else None
    run, previous = run_of(reports, day), run_of(reports, before) if before else None
    sql = second_rollforward(run, previous, str(day), str(before))
    ours = cells(run)
    assert {key: cents for key, cents in ours.items() if cents} == {key: cents for key, cents in sql.items() if cents}


def test_every_item_occurs_in_the_year(reports: Path) -> None:
    """The comparison is not one of zeros: every item of both moneys occurs, but for what needs a part-cleared line at both ends."""
    seen = {(money, item) for day in MONTH_ENDS for (_, _, money, item), cents in cells(run_of(reports, day)).items() if cents}
    assert seen >= {(money, item) for money, items in ITEMS.items() for item in items} - {("failed and not seen", "uncleared part")}


@pytest.mark.parametrize("day", MONTH_ENDS, ids=str)
def test_a_close_done_again_from_its_own_inputs_gives_the_same_bytes(reports: Path, day: date, tmp_path: Path) -> None:
    """Exports and rules as kept in the run folder, with the same close before, give every file again byte for byte."""
    run, again = run_of(reports, day), tmp_path / "again"
    kept = archived_inputs(run)
    at = MONTH_ENDS.index(day)
    for earlier in MONTH_ENDS[max(0, at - 1) : at]:
        shutil.copytree(run_of(reports, earlier), tmp_path / "reports" / f"{earlier}-close")
    code = close(kept.exports, day, tmp_path / "reports", "--rules", str(kept.rules), "--into", str(again))
    assert code == 0
    files = {str(path.relative_to(run)): path.read_bytes() for path in run.rglob("*") if path.is_file()}
    assert {str(path.relative_to(again)): path.read_bytes() for path in again.rglob("*") if path.is_file()} == files


@pytest.mark.parametrize("day", [OCTOBER, MARCH], ids=str)
def test_the_trace_of_every_figure_adds_up(reports: Path, day: date) -> None:
    """Each figure of proof, roll-forward and tie-out is the sum of the rows that the run folder gives for it."""
    run = RunTables(run_of(reports, day))
    figures = figures_of(run)
    assert {figure.name.split()[0] for figure in figures} >= {"rollforward", "tie_out", "cleared_draws:", "bank:", "students:", "plans:"}
    for figure in figures:
        assert trace_figure(run, figure).total == figure.cents


def test_a_return_after_the_close_lands_in_the_month_that_reads_it(reports: Path) -> None:
    """017's September draw came back on 5 October: September stays as closed, October has it, and the exception list says so."""
    assert ("2", "cleared at schedule", -125_278) in moves_of(run_of(reports, SEPTEMBER), "S017")
    assert ("2", "open: returned after clearing", 125_278) in moves_of(run_of(reports, OCTOBER), "S017")
    told = of_kind(run_of(reports, OCTOBER), "return after the close")
    row = told[told["student_id"] == "S017"].iloc[0]
    assert (row["severity"], row["amount"], str(row["happened_on"].date())) == ("information", 125_278, "2026-10-05")
    assert "cleared in a closed month, came back on 2026-10-05" in row["what"]


def test_a_return_dated_in_a_closed_month_is_told_and_counts_now(reports: Path) -> None:
    """018's return is dated 29 September and arrived on 2 October: it is a late row, and October's money."""
    late = read_table(run_of(reports, OCTOBER), "late_rows")
    rows = late[late["student_id"] == "S018"]
    assert rows[["what", "export", "amount", "status"]].to_numpy().tolist() == [["late", "cleared_draws", 127_941, "returned"]]
    assert ("2", "open: returned after clearing", 127_941) in moves_of(run_of(reports, OCTOBER), "S018")
    assert "S018" in set(of_kind(run_of(reports, OCTOBER), "return after the close")["student_id"])


def test_money_that_arrives_after_the_close_is_collected_later(reports: Path) -> None:
    """020's draw settled on 11 September but reached the office in October: not seen in September, collected in October."""
    assert ("2", "open: new", 133_268) in moves_of(run_of(reports, SEPTEMBER), "S020")
    assert moves_of(run_of(reports, OCTOBER), "S020") >= {("2", "open: collected later", -133_268)}


STORIES = {
    ("S023", OCTOBER): ("3", "failed", "presented again in November"),
    ("S025", OCTOBER): ("3", "open: rolled into the plan", "the plan was adjusted for it"),
    ("S031", OCTOBER): ("4", "cancelled", "the student withdrew"),
    ("S035", OCTOBER): ("3", "part cleared", "the draw brought less"),
    ("S023", NOVEMBER): ("3", "open: collected later", "presented again"),
    ("S024", NOVEMBER): ("3", "open: cancelled", "a failed draw was cancelled"),
    ("S036", NOVEMBER): ("3", "brought back", "its date was moved"),
    ("S027", OCTOBER): ("4", "lines added or raised", "the plan was raised"),
    ("S029", NOVEMBER): ("5", "lines removed or lowered", "the last draw was taken off"),
    ("S033", SEPTEMBER): ("D", "new plans", "enrolled late, with a down payment"),
    ("S041", MONTH_ENDS[4]): ("D", "cleared at schedule", "enrolled late in the spring"),
    ("S004", MONTH_ENDS[5]): ("1", "open: returned after clearing", "back after December's close"),
}


@pytest.mark.parametrize(("student", "day"), STORIES, ids=[f"{student} {why}" for (student, _), (*_, why) in STORIES.items()])
def test_what_happened_to_a_student_is_an_item_of_that_month(reports: Path, student: str, day: date) -> None:
    """What a person would call it is what its line moved by, in the month in which it was read."""
    line, item, _ = STORIES[student, day]
    assert (line, item) in {(name, by) for name, by, _ in moves_of(run_of(reports, day), student)}


def test_changes_of_plans_are_listed(reports: Path) -> None:
    """October and November list each change once, with what it was and is."""
    october, november = (read_table(run_of(reports, day), "plan_changes") for day in (OCTOBER, NOVEMBER))
    told = {tuple(row) for row in october[["student_id", "line", "change", "was", "now"]].itertuples(index=False)}
    assert {
        ("S026", "", "plan total", "7462.42", "6862.41"),
        ("S027", "", "plan total", "7595.59", "8035.62"),
        ("S030", "4", "date moved", "2026-11-10", "2026-12-01"),
        ("S031", "4", "line cancelled", "active", "cancelled"),
        ("S040", "5", "method changed", "card", "bank"),
    } <= told
    told = {tuple(row) for row in november[["student_id", "line", "change", "amount"]].itertuples(index=False)}
    assert {("S028", "6", "line added", 30_000), ("S029", "5", "line removed", -157_238), ("S001", "", "new plan", 413_317)} <= told
    september = read_table(run_of(reports, SEPTEMBER), "plan_changes")
    row = september[september["change"] == "plan superseded"]
    assert row[["plan_id", "now"]].to_numpy().tolist() == [["P032-FA", "P032-FAB"]]


def test_open_money_grows_old(reports: Path) -> None:
    """022 is not seen from September on, and stands in a new age each month until it is over 90 days."""
    ages = []
    for day in MONTH_ENDS[1:]:
        items = read_table(run_of(reports, day), "open_items")
        row = items[(items["student_id"] == "S022") & (items["line"] == "2")].iloc[0]
        ages.append((str(row["since"].date()), row["age"], row["standing"]))
    assert ages[0] == ("2026-09-18", "0-30 days", "new")
    assert [age for _, age, _ in ages] == ["0-30 days", "31-60 days", "61-90 days", *["over 90 days"] * 4]
    assert {(since, standing) for since, _, standing in ages[1:]} == {("2026-09-18", "carried")}


def test_bank_and_ledger_differ_by_named_items_alone(reports: Path) -> None:
    """October: 015 cleared and not posted, 016 posted and not cleared, 019 returned and not reversed; nothing unexplained, on any date."""
    run = run_of(reports, OCTOBER)
    tied, items = read_table(run, "tie_out"), read_table(run, "tie_out_items")
    assert (tied.loc[tied["item"] == "unexplained", "amount"] == 0).all()
    rows = items[items["step"] == "bank to student ledger"]
    assert set(rows[["student_id", "line", "item", "amount"]].itertuples(index=False, name=None)) == {
        ("S015", "3", "cleared not posted", -119_951),
        ("S016", "3", "posted not cleared", 122_615),
        ("S019", "3", "returns not reversed", 130_605),
    }


def test_the_sub_ledger_is_tied_to_the_general_ledger(reports: Path) -> None:
    """The books are what the student ledger says; the computed sub-ledger differs by the named items, and nothing is left."""
    for day in MONTH_ENDS:
        table = read_table(run_of(reports, day), "ledger_tie_out")
        assert (table.loc[table["item"].isin(["difference", "unexplained"]), "amount"] == 0).all()
        assert set(table.loc[table["item"] == "general ledger", "account"]) == {"1210"}
    october = read_table(run_of(reports, OCTOBER), "ledger_tie_out")
    between = october.loc[october["item"].isin(["cleared not posted", "posted not cleared", "returns not reversed"]), "amount"].sum()
    ends = dict(zip(october["item"], october["amount"], strict=True))
    assert ends["student ledger as posted"] - ends["computed sub-ledger"] == between == 119_951 - 122_615 - 130_605


def test_cleared_draws_that_may_still_come_back_are_named_with_their_last_day(reports: Path) -> None:
    """041 paid on 29 December: two banking days (returns.toml, ordinary), the office closed on the 31st, end on 4 January."""
    run, day = run_of(reports, MONTH_ENDS[4]), ["2027-01-04"]
    items, tied = read_table(run, "tie_out_items"), read_table(run, "tie_out")
    rows = items[items["item"] == "cleared, still returnable"]
    assert rows[["student_id", "line", "amount"]].to_numpy().tolist() == [["S041", "D", 236_499]]
    assert rows["until"].dt.strftime("%Y-%m-%d").tolist() == day
    rows = tied[tied["item"] == "cleared, still returnable"]
    assert rows[["step", "amount"]].to_numpy().tolist() == [["for information", 236_499]]
    assert rows["until"].dt.strftime("%Y-%m-%d").tolist() == day
