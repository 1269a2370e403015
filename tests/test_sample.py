"""The sample exports: written anew byte for byte, whole in what they plant, fair in what is ordinary, and the same in both deliveries."""

from __future__ import annotations

import csv
import subprocess
import sys
import tomllib
from collections import Counter, defaultdict
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from reconcile.schemas import COVERAGES, DRAW_STATES, EXPORTS

ROOT = Path(__file__).resolve().parents[1]
SAMPLE = ROOT / "sample_exports"
sys.path.insert(0, str(SAMPLE))

import sample_college  # noqa: E402 (a script folder, no package)

MAIN = "2026-11-20"
PASSES = {"named", "exact", "late", "early", "with card fee", "grouped", "near", "cancelled line"}
FIRST_ORDINARY = "00130000"
"""Ids below belong to planted cases."""


def cents(text: str) -> int:
    """Cents of a plain decimal."""
    whole, _, part = text.partition(".")
    return int(whole + part)


def table(name: str) -> list[dict[str, str]]:
    """The rows of a CSV of the sample."""
    with (SAMPLE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def standard() -> dict[str, list[dict[str, str]]]:
    """The five standard exports, read by the plain CSV reader alone."""
    return {name: table(f"standard/{name}.csv") for name in EXPORTS}


@pytest.fixture(scope="module")
def planted() -> list[dict[str, str]]:
    """What the planted cases must come out as."""
    return table("planted.csv")


def test_the_sample_is_written_anew_byte_for_byte(tmp_path: Path) -> None:
    """The script writes exactly the files that stand in the repository, and none of them is missing or left over."""
    subprocess.run([sys.executable, str(SAMPLE / "make_sample.py"), str(tmp_path)], check=True, cwd=tmp_path)
    made = {p.relative_to(tmp_path).as_posix(): p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    kept = {
        p.relative_to(SAMPLE).as_posix(): p.read_bytes()
        for p in SAMPLE.rglob("*")
        if p.is_file() and p.suffix not in {".py", ".pyc"} and not p.name.startswith(".")
    }
    assert sorted(made) == sorted(kept)
    assert [name for name in made if made[name] != kept[name]] == []
    assert sum(map(len, kept.values())) < 3_000_000


def test_the_sample_keeps_the_terms_of_the_rules() -> None:
    """Tiers, fee, card fee, lags and windows by which the cases were worked out are those of the rules."""
    terms = {t["code"]: t for t in tomllib.loads((ROOT / "rules/terms.toml").read_text(encoding="utf-8"))["term"]}
    for code, tiers in sample_college.TIERS.items():
        assert cents(terms[code]["plan_fee"]) == sample_college.FEE
        assert not terms[code]["fee_on_bill"]
        assert cents(terms[code]["card_fee_percent"]) == sample_college.CARD_FEE_PERCENT
        ruled = [(t["enroll_by"], int(t["down_percent"]), tuple(t["draw_dates"])) for t in terms[code]["tier"]]
        assert ruled[: len(tiers)] == [(t.enroll_by, t.down_percent, t.draw_dates) for t in tiers]
    matching = tomllib.loads((ROOT / "rules/matching.toml").read_text(encoding="utf-8"))
    assert matching["settlement_lag"] == sample_college.LAG
    assert matching["late_days"] == sample_college.LATE_DAYS
    told = {k: matching[k] for k in ("early_days", "late_match_days", "return_days", "group_size", "late_return_days")}
    assert told == {"early_days": 3, "late_match_days": 25, "return_days": 60, "group_size": 3, "late_return_days": 4}
    assert sample_college.SUMMER not in terms


def test_the_sample_keeps_the_calendar_of_the_rules() -> None:
    """The closed weekdays of the sample's months are those of the banking calendar and the office's closings."""
    from reconcile.banking_days import BankingDays

    closed = tomllib.loads((ROOT / "rules/calendar.toml").read_text(encoding="utf-8"))["closed"]
    calendar = BankingDays(closed)
    day = date(2026, 7, 6)
    while day < date(2027, 3, 1):
        assert sample_college.next_open(day) == calendar.next_open(day)
        assert sample_college.add_open(day, 2) == calendar.add(day, 2)
        day += timedelta(days=1)


@pytest.mark.parametrize("name", list(EXPORTS))
def test_each_standard_file_keeps_its_declaration(name: str, standard: dict[str, list[dict[str, str]]]) -> None:
    """Headings are the standard names in order; required cells are filled, words are allowed words, dates and amounts are plain."""
    export = EXPORTS[name]
    assert tuple(standard[name][0]) == export.names
    for row in standard[name]:
        for column in export.columns:
            value = row[column.name]
            assert value or not column.required
            if value and column.words:
                assert value in column.words
            if value and column.kind == "date":
                date.fromisoformat(value)
            if value and column.kind == "money":
                assert f"{cents(value) / 100:.2f}" == value
    totals = tomllib.loads((SAMPLE / "standard/control_totals.toml").read_text(encoding="utf-8"))[name]
    assert totals["rows"] == len(standard[name])
    assert cents(totals["amount"]) == sum(cents(row["amount"]) for row in standard[name])


def test_the_college_is_large_enough(standard: dict[str, list[dict[str, str]]]) -> None:
    """At least 320 students over two terms, some without a plan, and ids that begin with zeros."""
    students = {row["student_id"] for row in standard["charges"]}
    assert len(students) >= 320
    assert {row["term"] for row in standard["plan_schedules"]} == {"2026-FA", "2027-SP"}
    assert students - {row["student_id"] for row in standard["plan_schedules"]}
    assert all(len(s) == 8 and s.startswith("00") for s in students)


def test_every_kind_of_thing_is_planted(planted: list[dict[str, str]]) -> None:
    """Every state, coverage, matching pass, return rule and exception kind has a case, but for what only a close can raise."""
    found: dict[str, set[str]] = defaultdict(set)
    for row in planted:
        found[row["what"]].add(row["value"])
    kinds = tomllib.loads((ROOT / "rules/exceptions.toml").read_text(encoding="utf-8"))["kind"]
    assert found["state"] == set(DRAW_STATES)
    assert found["coverage"] == set(COVERAGES)
    assert found["pass"] == PASSES
    assert found["return rule"] >= {"1", "2", "3", "4", "5", "told"}
    assert found["exception kind"] == set(kinds) - {"return after the close"}


def test_planted_cases_are_about_rows_that_are_there(planted: list[dict[str, str]], standard: dict[str, list[dict[str, str]]]) -> None:
    """Each planted fact names a student, plan and line of the exports, but for the bank events of nobody."""
    lines = {(r["student_id"], r["plan_id"], r["line"], r["term"]) for r in standard["plan_schedules"]}
    plans = {line[:2] for line in lines}
    students = {r["student_id"] for r in standard["charges"]}
    for row in planted:
        if row["value"] == "bank event for an unknown student or plan":
            assert row["student_id"] not in students
            continue
        assert row["student_id"] in students
        assert row["student_id"] < FIRST_ORDINARY
        assert not row["plan_id"] or (row["student_id"], row["plan_id"]) in plans
        assert not row["line"] or (row["student_id"], row["plan_id"], row["line"], row["term"]) in lines


def test_aid_and_postings_of_every_kind_are_there(standard: dict[str, list[dict[str, str]]]) -> None:
    """Aid of every status, work-study, an award without an expected day, every posting kind, and rows of a term that no rule knows."""
    assert {r["status"] for r in standard["aid"]} == {"estimated", "anticipated", "disbursed", "cancelled"}
    assert {r["kind"] for r in standard["postings"]} == set(EXPORTS["postings"].column("kind").words)
    assert {bool(r["cancelled_on"]) for r in standard["aid"] if r["status"] == "cancelled"} == {True, False}
    assert any(r["fund"] == "work-study" for r in standard["aid"])
    for name in ("charges", "aid", "postings"):
        assert any(r["term"] == "2027-SU" for r in standard[name])
        assert any(r["posted_on"] > MAIN for r in standard[name])
    assert any(r["settled_on"] > MAIN for r in standard["cleared_draws"])
    assert any(r["enrolled_on"] > MAIN for r in standard["plan_schedules"])
    assert any(r["description"] == "=1+1" for r in standard["charges"])


def test_ordinary_plans_equal_the_bill(standard: dict[str, list[dict[str, str]]]) -> None:
    """An ordinary student's plan total is charges less counting aid and credits that stand before it begins, and its lines add up."""
    due: Counter[tuple[str, str]] = Counter()
    for row in standard["charges"]:
        due[row["student_id"], row["term"]] += cents(row["amount"])
    for row in standard["aid"]:
        if row["status"] in {"anticipated", "disbursed"} and row["fund"] != "work-study":
            due[row["student_id"], row["term"]] -= cents(row["amount"])
    for row in standard["postings"]:
        if row["kind"] != "plan draw":
            due[row["student_id"], row["term"]] -= cents(row["amount"])
    lines: dict[tuple[str, str, int], int] = defaultdict(int)
    for row in standard["plan_schedules"]:
        if row["student_id"] > FIRST_ORDINARY and row["kind"] != "fee":
            lines[row["student_id"], row["term"], cents(row["plan_total"])] += cents(row["amount"])
    assert len(lines) > 250
    for (student, term, total), added in lines.items():
        assert (student, term, total, total) == (student, term, due[student, term], added)


def test_ordinary_draws_clear_in_their_window_and_are_posted_in_time(standard: dict[str, list[dict[str, str]]]) -> None:
    """Every ordinary line due by the main run has exactly one cleared event in its window; each draw is posted within the lag."""
    from reconcile.banking_days import BankingDays

    banking = BankingDays(tomllib.loads((ROOT / "rules/calendar.toml").read_text(encoding="utf-8"))["closed"])
    events: dict[str, list[dict[str, str]]] = defaultdict(list)
    for row in standard["cleared_draws"]:
        events[row["student_id"]].append(row)
    posted = Counter((r["student_id"], r["amount"]) for r in standard["postings"] if r["kind"] == "plan draw")
    days = defaultdict(list)
    for row in standard["postings"]:
        days[row["student_id"], row["amount"]].append(date.fromisoformat(row["posted_on"]))
    asked: Counter[tuple[str, str]] = Counter()
    for line in standard["plan_schedules"]:
        if line["student_id"] < FIRST_ORDINARY or line["draw_date"] > MAIN:
            continue
        amount, lag = cents(line["amount"]), sample_college.LAG[line["method"]]
        gross = amount + sample_college.card_fee(amount) if line["method"] == "card" and line["kind"] != "fee" else amount
        start = date.fromisoformat(line["draw_date"])
        end = banking.add(banking.add(banking.next_open(start), lag), 5)
        hits = [
            date.fromisoformat(e["settled_on"])
            for e in events[line["student_id"]]
            if cents(e["amount"]) == gross and start <= date.fromisoformat(e["settled_on"]) <= end and e["kind"] in {"", line["kind"]}
        ]
        assert len(hits) == 1, line
        if line["kind"] != "fee":
            asked[line["student_id"], line["amount"]] += 1
            last = banking.add(hits[0], {"bank": 2, "card": 3}[line["method"]])
            assert any(hits[0] <= day <= last for day in days[line["student_id"], line["amount"]])
    assert asked == {key: count for key, count in posted.items() if key[0] > FIRST_ORDINARY}


def _typed(table: Any) -> Counter[tuple[str, ...]]:
    """The rows of a typed table without evidence, counted."""
    return Counter(map(tuple, table.drop(columns=["file", "sheet", "row"]).astype("str").itertuples(index=False)))


def test_both_deliveries_are_the_same_rows() -> None:
    """The standard files and the office's own files, through the column map, come to the same typed rows, and none is rejected."""
    from reconcile.column_map import load_column_map
    from reconcile.exports import read_exports
    from reconcile.policy import load_rules

    rules = load_rules(ROOT / "rules")
    standard = read_exports([SAMPLE / "standard"], rules, None)
    office = read_exports([SAMPLE / "office"], rules, load_column_map(SAMPLE / "office_map.toml"))
    assert len(standard.rejected) == len(office.rejected) == 0
    for name in EXPORTS:
        assert _typed(standard.tables[name]) == _typed(office.tables[name]), name
        assert len(standard.tables[name]) == len(table(f"standard/{name}.csv"))
    assert sum(c.already_read for source in office.sources for c in source.counts) == 7
    assert sum(c.foot_rows for source in office.sources for c in source.counts) >= 4


def test_ordinary_plans_are_those_that_the_rules_write(standard: dict[str, list[dict[str, str]]]) -> None:
    """Lines, dates and amounts of each ordinary plan are the engine's own reading of the rules."""
    from reconcile.policy import load_rules
    from reconcile.schedule import plan_written

    rules = load_rules(ROOT / "rules")
    plans: dict[str, list[dict[str, str]]] = defaultdict(list)
    for row in standard["plan_schedules"]:
        if row["student_id"] > FIRST_ORDINARY:
            plans[row["plan_id"]].append(row)
    for rows in plans.values():
        term = rules.term(rows[0]["term"])
        assert term is not None
        total, enrolled = cents(rows[0]["plan_total"]), date.fromisoformat(rows[0]["enrolled_on"])
        plan = plan_written(term, total, enrolled, method=rows[0]["method"], split=rules.plans.split)
        written = Counter((line.kind, line.draw_date.isoformat(), line.amount) for line in plan.lines)
        assert written == Counter((row["kind"], row["draw_date"], cents(row["amount"])) for row in rows)


@pytest.fixture(scope="module", params=("2026-09-22", "2026-10-22", MAIN))
def run(request: pytest.FixtureRequest) -> Any:
    """The engine's result as of each of the three days."""
    from reconcile.exports import read_exports
    from reconcile.policy import load_rules
    from reconcile.run import reconcile_exports

    rules = load_rules(ROOT / "rules")
    return reconcile_exports(read_exports([SAMPLE / "standard"], rules, None), rules, date.fromisoformat(request.param))


def test_states_passes_coverage_and_proposals_are_as_worked_out_by_hand(run: Any, planted: list[dict[str, str]]) -> None:
    """Each planted line has the state, net money and pass, each student the coverage and proposal, that were worked out by hand."""
    students = run.tables["students"].set_index(["term", "student_id"])["coverage"].to_dict()
    draws = run.tables["draws"].set_index(["student_id", "plan_id", "line"])[["state", "match", "cleared"]].to_dict("index")
    other = run.tables["other_terms"].set_index(["term", "student_id"])[["charges", "aid", "postings"]].to_dict("index")
    proposed = run.tables["plans"].set_index(["term", "student_id"])["proposed_draws"].to_dict()
    held = Counter[str]()
    for row in planted:
        if row["as_of"] != run.as_of.isoformat():
            continue
        held[row["what"]] += 1
        line = (row["student_id"], row["plan_id"], row["line"])
        if row["what"] == "state":
            net = cents(row["amount"]) if row["value"] in {"cleared", "part cleared"} else 0
            assert (line, draws[line]["state"], draws[line]["cleared"]) == (line, row["value"], net)
        elif row["what"] == "pass":
            assert (line, draws[line]["match"]) == (line, row["value"])
        elif row["what"] == "coverage":
            assert (row["student_id"], students[row["term"], row["student_id"]]) == (row["student_id"], row["value"])
        elif row["what"] == "proposal":
            assert (line, proposed[row["term"], row["student_id"]] or "none") == (line, row["value"])
        elif row["what"] == "other terms":
            assert other[row["term"], row["student_id"]][row["value"]] == cents(row["amount"])
    if run.as_of.isoformat() == MAIN:
        assert min(held["state"], held["pass"], held["coverage"], held["proposal"], held["other terms"]) >= 3


def test_ordinary_students_are_in_order_in_every_run(run: Any) -> None:
    """No ordinary line is anything but cleared or pending, and no ordinary plan of the fall leaves its bill short or over."""
    draws, students = run.tables["draws"], run.tables["students"]
    ordinary = draws[draws["student_id"] > FIRST_ORDINARY]
    assert set(ordinary["state"]) == {"cleared", "pending"}
    planned = set(zip(ordinary["term"], ordinary["student_id"], strict=True))
    for row in students.itertuples():
        if (row.term, row.student_id) in planned:
            assert row.coverage == "covered by pending"
    plans = run.tables["plans"]
    ours = plans[plans["student_id"] > FIRST_ORDINARY]
    assert len(ours) > 200
    assert not ours["variance"].any()
    assert not (ours["proposed_draws"] != "").any()
