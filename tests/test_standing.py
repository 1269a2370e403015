"""Standing against the run before: ids, ages, dispositions, and that nothing a person wrote is ever lost."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest
from build import exports_of
from cases_exceptions.plan import Rows, award, charge, event, rows_of, story
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.dispositions import Note
from reconcile.exception_facts import Fact
from reconcile.policy import Rules, load_rules
from reconcile.run import reconcile_exports
from reconcile.standing import DECISIONS, PreviousList, exception_ids

if TYPE_CHECKING:
    from collections.abc import Sequence

RULES = load_rules(Path(__file__).parents[1] / "rules")


@pytest.fixture
def rules() -> Rules:
    return RULES


class Office:
    """Runs in a row, each after the other."""

    def __init__(self, rules: Rules) -> None:
        self.rules = rules
        self.previous: PreviousList | None = None
        self.table = pd.DataFrame()
        self.log = self.decisions = pd.DataFrame()

    def run(self, as_of: str, rows: Rows, notes: Sequence[Note] = ()) -> dict[str, Any]:
        """The next run; gives kind to row (the last of a kind)."""
        day = date.fromisoformat(as_of)
        exports = exports_of(rows, bank_from=date(2026, 7, 1), bank_through=day)
        result = reconcile_exports(exports, self.rules, day, previous=self.previous, notes=notes)
        self.table, self.log = result.tables["exceptions"], result.tables["dispositions"]
        self.decisions = self.log[self.log["event"].isin(DECISIONS)]
        self.previous = PreviousList(self.table, self.log)
        return {row.kind: row for row in rows_of(self.table)}


def over(cents: int) -> Rows:
    """A plan over its bill by so much."""
    return story(aid=[award(cents, "2026-09-20")])


PLAIN = story()


def note(row: Any, word: str, on: str, text: str = "spoke to the family") -> Note:
    return Note(row.exception_id, word, text, "A. Clerk", date.fromisoformat(on))


def test_new_then_carried_with_its_age(rules: Rules) -> None:
    """The same exception keeps its id, the day it was first seen, and the day by which to act; its age grows.

    One day after Friday 25 September is a Saturday: the day to act is the Friday.
    """
    office = Office(rules)
    first = office.run("2026-09-25", over(900_00))["plan exceeds bill"]
    second = office.run("2026-10-01", over(900_00))["plan exceeds bill"]
    assert (first.standing, first.age_days, first.act_by) == ("new", 0, pd.Timestamp("2026-09-25"))
    assert (second.standing, second.age_days, second.act_by) == ("carried", 6, pd.Timestamp("2026-09-25"))
    assert second.exception_id == first.exception_id
    assert second.action.endswith("This was due by 2026-09-25.")


def test_closed_stays_closed_until_its_amount_moves(rules: Rules) -> None:
    """Accepted as it is: closed while the amount stands (within a dollar), changed once it has moved, closed again when decided anew."""
    office = Office(rules)
    first = office.run("2026-09-25", over(900_00))["plan exceeds bill"]
    wrote = note(first, "accepted as it is", "2026-09-25")
    assert office.run("2026-09-28", over(900_00), [wrote])["plan exceeds bill"].standing == "closed"
    assert office.run("2026-09-29", over(900_80))["plan exceeds bill"].standing == "closed"
    moved = office.run("2026-09-30", over(901_50))["plan exceeds bill"]
    assert (moved.standing, moved.disposition, moved.note) == ("changed", "accepted as it is", "spoke to the family")
    assert office.run("2026-10-01", over(901_50))["plan exceeds bill"].standing == "changed"
    anew = note(moved, "accepted as it is", "2026-10-01", "the family agreed again")
    last = office.run("2026-10-02", over(901_50), [wrote, anew])["plan exceeds bill"]
    assert (last.standing, last.note) == ("closed", "the family agreed again")
    assert list(office.decisions["note"]) == ["spoke to the family", "the family agreed again"]
    assert list(office.decisions["amount"]) == [900_00, 901_50]


def history(office: Office) -> list[tuple[Any, ...]]:
    """The log in short: event, amount, who, amount before, disposition before, who before, day of the run."""
    names = ["event", "amount", "decided_by", "amount_before", "disposition_before", "decided_by_before"]
    days = office.log["read_as_of"].dt.strftime("%m-%d")
    return [(*row, day) for row, day in zip(office.log[names].itertuples(index=False, name=None), days, strict=True)]


def test_the_log_tells_who_closed_it_and_what_changed_after(rules: Rules) -> None:
    """Closed by one person, its amount moved, overridden by another, gone and found again: each stands in the log, old beside new."""
    office = Office(rules)
    first = office.run("2026-09-25", over(900_00))["plan exceeds bill"]
    office.run("2026-09-26", over(900_00), [note(first, "accepted as it is", "2026-09-25")])
    office.run("2026-09-27", over(950_00))
    office.run("2026-09-28", over(950_00), [Note(first.exception_id, "working", "looked again", "B. Desk", date(2026, 9, 28))])
    office.run("2026-09-29", PLAIN)
    office.run("2026-09-30", PLAIN)
    office.run("2026-10-01", over(950_00))
    assert history(office) == [
        ("decided", 900_00, "A. Clerk", 0, "", "", "09-26"),
        ("amount moved", 950_00, "A. Clerk", 900_00, "accepted as it is", "A. Clerk", "09-27"),
        ("overridden", 950_00, "B. Desk", 900_00, "accepted as it is", "A. Clerk", "09-28"),
        ("resolved", 950_00, "B. Desk", 950_00, "working", "B. Desk", "09-29"),
        ("found again", 950_00, "B. Desk", 950_00, "working", "B. Desk", "10-01"),
    ]
    assert list(office.log["note_before"])[2] == "spoke to the family"


def test_the_log_only_grows(rules: Rules) -> None:
    """Whatever a run adds, the rows before it stay as they were."""
    office = Office(rules)
    first = office.run("2026-09-25", over(900_00))["plan exceeds bill"]
    office.run("2026-09-26", over(900_00), [note(first, "fixed", "2026-09-25")])
    for day, cents in ((27, 950_00), (28, 0), (29, 950_00)):
        before = office.log
        office.run(f"2026-09-{day}", over(cents) if cents else PLAIN)
        pd.testing.assert_frame_equal(office.log.iloc[: len(before)], before)


def test_small_steps_add_up_to_a_change(rules: Rules) -> None:
    """Sixty cents more in each run are a change once they come to more than a dollar since the decision."""
    office = Office(rules)
    first = office.run("2026-09-25", over(900_00))["plan exceeds bill"]
    standings = [office.run("2026-09-26", over(900_00), [note(first, "fixed", "2026-09-25")])["plan exceeds bill"].standing]
    standings += [
        office.run(f"2026-09-{day}", over(900_00 + 60 * step))["plan exceeds bill"].standing for step, day in enumerate((27, 28, 29), 1)
    ]
    assert standings == ["closed", "closed", "changed", "changed"]


def test_an_open_disposition_is_carried(rules: Rules) -> None:
    """`working` leaves the exception on the list, with what was written beside it."""
    office = Office(rules)
    first = office.run("2026-09-25", over(900_00))["plan exceeds bill"]
    row = office.run("2026-09-28", over(900_00), [note(first, "working", "2026-09-27")])["plan exceeds bill"]
    assert (row.standing, row.disposition, row.decided_by, row.decided_on) == ("carried", "working", "A. Clerk", pd.Timestamp("2026-09-27"))


def test_resolved_once_and_with_a_note_for_good(rules: Rules) -> None:
    """What is gone is told once; with a note it stays on the list as resolved, run after run."""
    office = Office(rules)
    both = story(aid=[award(900_00, "2026-09-20")], cleared_draws=[event("2026-09-21", "X", 50_00)])
    first = office.run("2026-09-25", both)
    kept = note(first["plan exceeds bill"], "working", "2026-09-25")
    rows = office.run("2026-09-28", PLAIN, [kept])
    assert {kind: row.standing for kind, row in rows.items()} == {"plan exceeds bill": "resolved", "draw not on the schedule": "resolved"}
    assert rows["plan exceeds bill"].note == "spoke to the family"
    for day in (29, 30):
        rows = office.run(f"2026-09-{day}", PLAIN)
        assert {kind: (row.standing, row.note) for kind, row in rows.items()} == {"plan exceeds bill": ("resolved", "spoke to the family")}
    again = office.run("2026-10-01", over(900_00))["plan exceeds bill"]
    assert (again.standing, again.note, again.age_days) == ("new", "spoke to the family", 0)


def test_closed_gone_and_back_as_it_was_is_closed(rules: Rules) -> None:
    """A closing disposition stands when the same exception comes back with the same amount, and not with another."""
    office = Office(rules)
    first = office.run("2026-09-25", over(900_00))["plan exceeds bill"]
    office.run("2026-09-26", over(900_00), [note(first, "fixed", "2026-09-25")])
    office.run("2026-09-27", PLAIN)
    assert office.run("2026-09-28", over(900_00))["plan exceeds bill"].standing == "closed"
    office.run("2026-09-29", PLAIN)
    assert office.run("2026-09-30", over(950_00))["plan exceeds bill"].standing == "changed"


def test_a_note_for_an_unknown_id_is_kept_and_told(rules: Rules) -> None:
    """A note whose exception no list holds stands as resolved with its note, and the run says so."""
    day = date(2026, 9, 25)
    stray = Note("XAAAA-BBBB-CCCC", "working", "which one was it?", "A. Clerk", day)
    result = reconcile_exports(exports_of(PLAIN, bank_from=date(2026, 7, 1), bank_through=day), rules, day, notes=[stray])
    row = result.tables["exceptions"].iloc[0]
    assert (row["exception_id"], row["standing"], row["note"]) == ("XAAAA-BBBB-CCCC", "resolved", "which one was it?")
    assert any("XAAAA-BBBB-CCCC" in told for told in result.notes)


def test_a_list_without_a_log_of_dispositions_will_do(rules: Rules) -> None:
    """A previous list alone carries ages and dispositions; the amount then is that of the list."""
    office = Office(rules)
    first = office.run("2026-09-25", over(900_00))["plan exceeds bill"]
    office.run("2026-09-26", over(900_00), [note(first, "fixed", "2026-09-25")])
    office.previous = PreviousList(office.table)
    assert office.run("2026-09-27", over(905_00))["plan exceeds bill"].standing == "changed"


def fact(**changed: Any) -> Fact:
    own: dict[str, Any] = {
        "kind": "failed draw",
        "term": "T",
        "student_id": "S",
        "plan_id": "P",
        "line": "1",
        "amount": 1,
        "happened": 20_000,
        "what": "x.",
    }
    return Fact(**(own | changed))


def test_an_id_depends_on_what_it_is_about_alone() -> None:
    """Amount, day, words and the order of facts leave an id as it is; kind, term, student, plan, line and reference do not."""
    base = exception_ids([fact()])[0]
    for same in ({"amount": 2}, {"happened": 20_009}, {"what": "y."}, {"evidence": ("a",)}, {"calm": True}):
        assert exception_ids([fact(**same)])[0] == base
    for other in ({"kind": "no draw seen"}, {"term": "U"}, {"student_id": "R"}, {"plan_id": "Q"}, {"line": "2"}, {"about": "ref"}):
        assert exception_ids([fact(**other)])[0] != base
    assert exception_ids([fact(whole=True, plan_id="Q")]) == exception_ids([fact(whole=True)])


@given(st.permutations(range(4)))
def test_facts_about_the_same_are_numbered_by_day(order: list[int]) -> None:
    """Four facts about the same keep their ids in whatever order they are found."""
    facts = [fact(happened=20_000 + at) for at in range(4)]
    ids = exception_ids(facts)
    assert len(set(ids)) == 4
    assert exception_ids([facts[at] for at in order]) == [ids[at] for at in order]


WORDS = [word.word for word in RULES.exceptions.dispositions]


@settings(max_examples=10, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([0, 900_00, 900_70, 950_00]), st.sampled_from(["", *WORDS]), st.booleans()), min_size=2, max_size=6)
)
def test_no_note_is_ever_lost(steps: list[tuple[int, str, bool]]) -> None:
    """Whatever comes and goes, each note that was ever read stands in the log, and the last one beside its exception."""
    office = Office(RULES)
    first = office.run("2026-09-21", over(900_00))["plan exceeds bill"]
    written: list[Note] = []
    for at, (cents, word, keeps_file) in enumerate(steps):
        new = [note(first, word, f"2026-09-{22 + at}", f"note {at}")] if word else []
        given_notes = [*written, *new] if keeps_file else new
        written += new
        row = office.run(f"2026-09-{22 + at}", over(cents) if cents else PLAIN, given_notes).get("plan exceeds bill")
        if written:
            assert row is not None
            assert (row.note, row.disposition) == (written[-1].note, written[-1].disposition)
        assert list(office.decisions["note"]) == [n.note for n in written]


def test_students_without_a_plan_raise_nothing(rules: Rules) -> None:
    """A student who has only charges, however open, is on no list."""
    rows = story(charges=[charge(5_000_00, "2026-07-15", "S2")], aid=[award(9_000_00, "2026-07-15", student="S3")])
    office = Office(rules)
    assert office.run("2026-10-01", rows) == {}
