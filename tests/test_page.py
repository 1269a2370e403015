"""The page of a run as a file: one piece, offline, the same bytes twice, text as text, and no larger than it says."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zipfile
from datetime import date
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from page_case import blocks_of, shown_of
from shown_case import AS_OF as SHOWN_AS_OF
from shown_case import exception
from shown_case import shown_of as made_up

from reconcile.deliver import page, page_charts, page_data
from reconcile.deliver.csv_out import without_controls
from reconcile.deliver.page import content_policy, page_html, part, write_page
from reconcile.page_figures import Apart, Cause, DrawMonth, TermMonths
from reconcile.policy import Rules, load_rules
from reconcile.story_facts import stories_of, student_story

if TYPE_CHECKING:
    from collections.abc import Sequence

    from build import Row

    from reconcile.deliver.shown import Shown

ROOT = Path(__file__).parents[1]
AS_OF = date(2026, 10, 15)
HOSTILE = (
    "=1+1",
    "<script>alert(1)</script>",
    "@SUM(A1)",
    "abc\u202edef",
    "</script><b>x</b>",
    "a\u2028b",
    '"><img src=x onerror=alert(1)>',
)


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(ROOT / "rules")


def plan_of(student: str, charge: int, draws: int, name: str = "") -> dict[str, list[Row]]:
    """A student with a charge and a plan of five draws of which August and September cleared."""
    lines: list[Row] = []
    bank: list[Row] = []
    posted_all: list[Row] = []
    for number, day in enumerate((date(2026, 8, 10), date(2026, 9, 10), date(2026, 10, 10), date(2026, 11, 10), date(2026, 12, 10)), 1):
        lines.append(
            {
                "plan_id": f"P{student}",
                "student_id": student,
                "term": "2026-FA",
                "enrolled_on": date(2026, 7, 20),
                "plan_total": 5 * draws,
                "line": str(number),
                "draw_date": day,
                "amount": draws,
                "student_name": name,
            }
        )
        if number < 3:
            paid = {"settled_on": day.replace(day=11), "amount": draws, "outcome": "cleared", "plan_id": f"P{student}", "line": str(number)}
            bank.append(paid | {"reference": f"R{student}{number}"})
            posted = {"student_id": student, "term": "2026-FA", "posted_on": day.replace(day=12), "kind": "plan draw", "amount": draws}
            posted_all.append(posted | {"reference": f"R{student}{number}"})
    charges: list[Row] = [{"student_id": student, "term": "2026-FA", "posted_on": date(2026, 7, 6), "amount": charge}]
    return {"charges": charges, "plan_schedules": lines, "cleared_draws": bank, "postings": posted_all, "aid": []}


def tags_of(html: str) -> list[tuple[str, list[tuple[str, str | None]]]]:
    """Every element of a page with its attributes, as a parser of HTML reads them."""
    found = []

    class Reader(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            found.append((tag, attrs))

    Reader().feed(html)
    return found


def together(parts: Sequence[dict[str, list[Row]]]) -> dict[str, list[Row]]:
    """The rows of several students in one set of exports."""
    return {name: [row for part_of in parts for row in part_of[name]] for name in parts[0]}


@pytest.fixture(scope="module")
def hostile(rules: Rules) -> Shown:
    """Students whose ids and names are formulas, markup and direction marks; each plan exceeds its bill."""
    rows = together([plan_of(text, 100_000, 24_000, name=text) for text in HOSTILE])
    return shown_of(rows, AS_OF, rules, names=True, notes=HOSTILE)


def test_what_somebody_has_in_hand_stands_below_and_is_marked() -> None:
    """Of three urgent exceptions the first has a note and the second moved since; both say so, and what nobody touched comes first."""
    urgent = {"severity": "urgent", "act_by": pd.Timestamp(SHOWN_AS_OF), "owner": "plan desk"}
    by = {"decided_by": "A. Clerk", "decided_on": pd.Timestamp("2026-11-18")}
    rows = [
        exception(1, **urgent, **by, disposition="waiting for the bank", standing="carried"),
        exception(2, **urgent, **by, disposition="working", standing="changed"),
        exception(3, **urgent),
    ]
    html = page_html(made_up({"exceptions": rows}))
    first = re.search(r'<ol class="first">(.*?)</ol>', html, re.DOTALL)
    assert first is not None
    items = re.sub(r"<[^>]*>", "", first[1]).split("plan desk, by")
    assert [number for text in items for number in re.findall(r"student 0000000(\d)", text)] == ["2", "3", "1"]
    assert "Its amount has moved since: working, A. Clerk, 2026-11-18" in items[1]
    assert "In hand: waiting for the bank, A. Clerk, 2026-11-18" in items[3]
    assert "In hand" not in items[2]
    assert "look at them today; 1 is in hand already" in html


def test_a_page_is_written_once(tmp_path: Path, hostile: Shown) -> None:
    """The file holds the page, and is never written over."""
    write_page(hostile, tmp_path / "page.html")
    assert (tmp_path / "page.html").read_text(encoding="utf-8") == page_html(hostile)
    with pytest.raises(FileExistsError):
        write_page(hostile, tmp_path / "page.html")


def test_same_run_same_bytes(rules: Rules) -> None:
    """Two runs over the same rows give the same page, in whatever order the rows come."""
    rows = together([plan_of(f"S{n}", 120_000 + n, 24_000) for n in range(9)])
    turned = {name: list(reversed(part_of)) for name, part_of in rows.items()}
    first = page_html(shown_of(rows, AS_OF, rules))
    assert page_html(shown_of(rows, AS_OF, rules)) == first
    assert blocks_of(page_html(shown_of(turned, AS_OF, rules)))["students"] == blocks_of(first)["students"]


def test_nothing_is_fetched_and_only_the_pages_own_style_and_script_work(hostile: Shown) -> None:
    """No address of any network, no inline handler or style attribute; the policy names the hashes of exactly the style and script held."""
    html = page_html(hostile)
    (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]*)"', html)
    (style,) = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
    script = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)[-1]
    for name, text in (("style", style), ("script", script)):
        assert f"{name}-src &#39;sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}&#39;" in policy
    assert policy.startswith("default-src &#39;none&#39;; ")
    assert "unsafe" not in policy
    for tag, attributes in tags_of(html):
        assert tag not in {"img", "link", "iframe", "object", "embed", "base", "video", "audio"}
        for name, value in attributes:
            assert name not in {"src", "action", "style", "srcset", "formaction", "ping"}
            assert not name.startswith("on")
            assert name != "href" or (value or "").startswith("#")
    assert "http:" not in html.replace("http://www.w3.org/2000/svg", "")
    assert "https:" not in html
    assert "url(" not in style.replace("url(#pattern-", "")


def test_the_policy_follows_the_parts() -> None:
    """Another script, another hash: the policy cannot go stale."""
    assert content_policy("a", "b") != content_policy("a", "c")


@pytest.mark.parametrize("text", HOSTILE)
def test_text_from_exports_stands_as_text(text: str, hostile: Shown) -> None:
    """Formulas, markup and direction marks in ids, names and notes come back as they were, but for controls, which are made visible."""
    html = page_html(hostile)
    held = blocks_of(html)
    seen = without_controls(text)
    assert [row[1] for row in held["students"]["rows"] if row[0] == seen] == [seen]
    assert seen in [story[0] for story in held["stories"]["stories"]]
    place = held["listed"]["columns"].index("student_id")
    assert seen in [row[place] for row in held["listed"]["rows"]]
    assert sum(tag == "script" for tag, _ in tags_of(html)) == 4
    assert not re.search("[\u202a-\u202e\u2066-\u2069\u2028\u2029]", html)


@settings(deadline=None)  # the machine may be busy
@given(value=st.recursive(st.text() | st.integers(), lambda inner: st.lists(inner, max_size=4), max_leaves=9))
def test_data_may_stand_in_a_script_element(value: Any) -> None:
    """Whatever text it holds, the JSON of a block has nothing that ends the element or a line, and reads back as it was."""
    text = page_data.as_json(value)
    assert "<" not in text
    assert not set("\u2028\u2029\n\r") & set(text)
    assert json.loads(text) == value


def test_names_stand_on_the_page_only_when_asked_for(rules: Rules) -> None:
    """Without `--names` no name is in the file at all; with it, it stands in list, search and story."""
    rows = plan_of("S1", 100_000, 24_000, name="Wilhelmina Oddname")
    assert "Oddname" not in page_html(shown_of(rows, AS_OF, rules))
    named = blocks_of(page_html(shown_of(rows, AS_OF, rules, names=True)))
    assert named["students"]["rows"][0][1] == named["listed"]["rows"][0][-1] == "Wilhelmina Oddname"


def test_the_page_keeps_to_its_size(rules: Rules, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a run is too large, exceptions, stories and summary rows are left out from the end, and the page says how many are held."""
    shown = shown_of(together([plan_of(f"S{n:03d}", 100_000, 24_000) for n in range(120)]), AS_OF, rules)
    monkeypatch.setattr(page_data, "MOST_BYTES", 60_000)
    monkeypatch.setattr(page_data, "MOST_SUMMED", 6_000)
    held = page_data.held(shown)
    assert sum(len(text.encode()) for text in (held.listed, held.stories, held.students)) <= 60_000 + 400
    assert 0 < held.exceptions_held < held.exceptions_all == len(shown.tables["exceptions"])
    assert 0 < held.stories_held < held.stories_all == 120
    assert 0 < held.students_held < held.students_all == 120
    html = page_html(shown)
    assert f"{held.exceptions_held} of {held.exceptions_all} exceptions, {held.stories_held} of 120 stories" in html
    assert f"summary rows of {held.students_held} of 120 students" in html
    kept = [json.loads(held.listed)["rows"][at][0] for at in range(held.exceptions_held)]
    assert kept == shown.tables["exceptions"]["exception_id"].tolist()[: held.exceptions_held]


def test_a_story_says_when_an_exception_of_it_is_left_out(rules: Rules, monkeypatch: pytest.MonkeyPatch) -> None:
    """An exception for which the list has no room is marked in the story, not dropped."""
    shown = shown_of(plan_of("S1", 100_000, 24_000), AS_OF, rules)
    monkeypatch.setattr(page_data, "_listed", lambda *_: ('{"columns":[],"words":[],"rows":[]}', 0))
    ((_, (term,), _, _),) = json.loads(page_data.held(shown).stories)["stories"]
    assert term[8] == [page_data.NOT_HELD]


def test_draws_of_students_without_exceptions_are_not_embedded(rules: Rules) -> None:
    """A student with nothing open has a summary row and no story."""
    held = blocks_of(page_html(shown_of(together([plan_of("good", 120_000, 24_000), plan_of("bad", 100_000, 24_000)]), AS_OF, rules)))
    assert [story[0] for story in held["stories"]["stories"]] == ["bad"]
    assert [row[0] for row in held["students"]["rows"]] == ["bad", "good"]


def test_the_summary_row_is_that_of_students_csv(rules: Rules) -> None:
    """Cents in the order that the page shows them, equal to the table of the run."""
    shown = shown_of(plan_of("S1", 120_000, 24_000), AS_OF, rules)
    (row,) = blocks_of(page_html(shown))["students"]["rows"]
    table = shown.tables["students"]
    assert row[2][2:] == [int(table[name].iloc[0]) for name in page_data.SUMMARY_COLUMNS]


def test_a_run_of_nothing_has_a_page(rules: Rules) -> None:
    """Headers alone give a page that says so: no draws, no exceptions, no students."""
    html = page_html(shown_of({"charges": [], "aid": [], "plan_schedules": [], "cleared_draws": [], "postings": []}, AS_OF, rules))
    for words in (
        "No draw is still to come.",
        "Nothing is open on the exception list.",
        "No plan has a draw.",
        "Every plan meets its bill.",
    ):
        assert words in html


def test_the_cautions_stand_on_the_page(rules: Rules) -> None:
    """Privacy at the top; notice before a changed draw, credits from aid, and whose policy decides."""
    html = page_html(shown_of(plan_of("S1", 100_000, 24_000), AS_OF, rules))
    assert "FERPA, 34 CFR part 99" in html.split("<main")[0]
    about = html.split('id="about"')[1]
    for words in ("A changed draw needs written notice", "34 CFR 668.164(h)", "college's own policy, its bank and its counsel decide"):
        assert words in about


def test_the_page_names_the_open_day_before_a_day_of_notice_and_says_what_is_in_question(rules: Rules) -> None:
    """Ten days before 10 November is a Saturday."""
    html = page_html(shown_of(plan_of("S1", 100_000, 24_000), date(2026, 10, 20), rules))
    assert "is the last day for notice of a changed draw of that date, a Saturday: send it by 2026-10-30" in html
    assert "of a draw that changes the difference, of every other the whole draw" in html


def test_stories_from_memory_are_those_of_the_run_folder(tmp_path: Path) -> None:
    """For every student on the sample's list, tables in memory and the run folder tell the same story."""
    from reconcile.cli import run
    from reconcile.run_tables import read_table
    from reconcile.story_facts import ROWS

    sample = str(ROOT / "sample_exports" / "standard")
    assert (
        run(["daily", sample, "--as-of", "2026-11-20", "--rules", str(ROOT / "rules"), "--into", str(tmp_path / "r"), "--only", "csv"]) == 0
    )
    tables = {name: read_table(tmp_path / "r", name) for name in ROWS}
    concerned = sorted(set(tables["exceptions"]["student_id"]) - {""})
    assert len(concerned) > 40
    for one in stories_of(tables, concerned, "2026-11-20", "2026-11-24"):
        other = student_story(tmp_path / "r", one.student_id)
        assert [str(term.__dict__) for term in one.terms] == [str(term.__dict__) for term in other.terms]
        assert (str(one.astray), one.as_of, one.bank_through) == (str(other.astray), other.as_of, other.bank_through)
        assert (one.beside, one.sees_payments) == (other.beside, other.sees_payments)


def words_of(block: dict[str, Any], place: int) -> str:
    """Every word of one story of the page."""

    def told(cell: object) -> list[str]:
        if isinstance(cell, list):
            return [word for one in cell for word in told(one)]
        return [block["words"][cell]] if isinstance(cell, int) and 0 <= cell < len(block["words"]) else [str(cell)]

    return " ".join(told(block["stories"][place]))


def test_a_story_names_no_other_student(rules: Rules) -> None:
    """Bank money that names good beside bad's plan: bad's story withholds the name and has its own words; good has a story that says so."""
    rows = together([plan_of("bad", 100_000, 24_000), plan_of("good", 120_000, 24_000)])
    rows["cleared_draws"][1]["student_id"] = "good"
    held = blocks_of(page_html(shown_of(rows, AS_OF, rules)))
    block = held["stories"]
    assert [story[0] for story in block["stories"]] == ["bad", "good"]
    own = [held["listed"]["rows"][found[0]] for found in block["stories"][0][1][0][8] if isinstance(found, list)]
    assert [row[0] for row in own] == [
        row[0] for row in held["listed"]["rows"] if "plan and student disagree" in str(row[10]) or row in own
    ]
    assert len(own) == 1
    assert "the number stands in the exception list, do not read it out" in words_of(block, 0)
    assert "good" not in words_of(block, 0)
    assert "names this student beside a plan that is not theirs, for 240.00 on 2026-09-11" in words_of(block, 1)
    assert "bad" not in words_of(block, 1).removeprefix("good")


def test_a_page_of_a_run_without_postings_calls_no_bill_uncovered(rules: Rules) -> None:
    """The story's own caution, the one beside each amount, and the words of coverage say that payments cannot be seen."""
    rows = plan_of("S1", 150_000, 24_000)
    seen = page_html(shown_of(rows, AS_OF, rules))
    assert blocks_of(seen)["stories"]["unseen"] == ["", ""]
    del rows["postings"]
    blocks = blocks_of(page_html(shown_of(rows, AS_OF, rules)))
    assert "cannot see payments made outside the plan" in blocks["stories"]["unseen"][0]
    assert "ask the ledger before any amount is told or drawn" in blocks["stories"]["unseen"][1]
    assert any(words.startswith("As far as this run can see") for words in blocks["students"]["coverages"])
    assert "As far as this run can see" in words_of(blocks["stories"], 0)
    assert "NOT covered" not in str(blocks)


def test_a_column_holds_its_month_and_fits_the_plot() -> None:
    """Parts stand on each other without a gap, from the floor up, in the order of the legend."""
    months = (DrawMonth("2026-08", 1000, 600, 0, 0, 300, 100, 0), DrawMonth("2026-09", 700, 0, 0, 700, 0, 0, 0))
    picture = page_charts.columns(TermMonths("T", months, months[0]), date(2026, 9, 15))
    first = [rect for rect in picture.rects if rect.x == picture.rects[0].x]
    assert [rect.look for rect in first] == ["cleared", "not_seen", "failed"]
    floor = page_charts.PLOT_TOP + page_charts.PLOT_HEIGHT
    for rect in first:
        assert rect.y + rect.height == floor
        floor = rect.y
    assert floor >= page_charts.PLOT_TOP
    assert first[0].told == "August 2026, cleared: 6.00"
    assert [label.words for label in picture.labels] == ["Aug", "Sep"]
    assert picture.as_of


@settings(deadline=None)  # the machine may be busy
@given(st.lists(st.tuples(st.integers(0, 10**9), st.integers(-(10**9), 0)), min_size=1, max_size=8))
def test_causes_lie_inside_the_picture(cents: list[tuple[int, int]]) -> None:
    """Whatever the causes come to, every bar lies between both ends, and touches the line in the middle."""
    causes = tuple(Cause("aid_changed", over, short, 1) for over, short in cents)
    for bars, zero in page_charts.apart_bars(Apart(1, 1, 1, -1, 0, causes)):
        for x, width, look in bars:
            left, wide, middle = (float(text.rstrip("%")) for text in (x, width, zero))
            assert 0 <= left <= left + wide <= 100.02
            assert abs((left if look == "over" else left + wide) - middle) <= 0.03


def test_every_cause_of_a_variance_has_its_words() -> None:
    """A new cause needs its words here."""
    from reconcile.variance import CAUSES

    assert tuple(page.CAUSE_TITLES) == CAUSES


def test_line_ends_of_a_checkout_do_not_matter(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A part that a checkout gave other line ends is the same page, with the same hashes."""
    folder = tmp_path / page.PARTS
    folder.mkdir()
    (folder / "page.css").write_bytes(part("page.css").replace("\n", "\r\n").encode())
    before = part("page.css")
    monkeypatch.setattr("importlib.resources.files", lambda _: tmp_path)
    assert part("page.css") == before


def test_the_wheel_holds_the_parts(tmp_path: Path) -> None:
    """Template, style and script are in the wheel: an installed program writes the page too."""
    import os

    import hatchling.build

    here = Path.cwd()
    os.chdir(ROOT)
    try:
        name = hatchling.build.build_wheel(str(tmp_path))
    finally:
        os.chdir(here)
    held = zipfile.ZipFile(tmp_path / name).namelist()
    parts = {path.name for path in (ROOT / "reconcile" / "deliver" / page.PARTS).iterdir()}
    assert {"page.css", "page.js", "page.html.j2", "charts.html.j2"} == parts
    assert {f"reconcile/deliver/{page.PARTS}/{name}" for name in parts} <= set(held)
