"""One student's story out of a run: what was charged, given, promised and drawn, in date order, and where it leaves the account.

From a run folder only the folder is read: the same story can be read again a year later, whatever has become of the exports. While a run
is written, the stories of many students come from its tables in memory.
"""

from __future__ import annotations

import difflib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from reconcile.deliver.csv_out import plain_text, without_controls
from reconcile.errors import RefusedError
from reconcile.report_tables import CANCELLED_ON
from reconcile.run_tables import read_table
from reconcile.story_happened import UNDECIDED, days_of, happenings
from reconcile.story_others import named_beside, withheld

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping
    from pathlib import Path

    import pandas as pd

    from reconcile.story_happened import Happening


GONE = frozenset({"closed", "resolved"})
"""Standings of exceptions that nobody has to look at any more."""

ROWS = ("students", "plans", "draws", "exceptions", "unmatched_events", "entries")


@dataclass(frozen=True, eq=False)
class TermStory:
    """One term of the story. Rows are those of the run's tables, by column name; cents.

    draws:      with what the table of draws does not hold: `line_status`, `cancelled_on` (None if no day is known), `given_back` (days on
                which the office did), `undecided` and `undecided_on` (the money, and its days, that may have paid the line).
    exceptions: the open ones, fit to be read out: no other student's number stands in them. done: those that are closed or resolved.
    beside:     what the student may be told of bank money that names them beside another's plan.
    sees_payments: whether the run had a postings export; without one no payment outside the plan can be seen.
    """

    term: str
    standing: dict[str, Any]
    plan: dict[str, Any] | None
    happened: tuple[Happening, ...]
    draws: tuple[dict[str, Any], ...]
    exceptions: tuple[dict[str, Any], ...]
    done: tuple[dict[str, Any], ...]
    beside: tuple[str, ...] = ()
    sees_payments: bool = True

    @property
    def outside(self) -> int:
        """Cents of the bill that a plan is not meant to pay (fines, say): what is owed, less what the plans are held against."""
        if self.plan is None:
            return 0
        return int(self.standing["balance_now"] - self.standing["aid_anticipated"] - self.plan["balance_to_meet"])


@dataclass(frozen=True, eq=False)
class StudentStory:
    """A student's story in a run: term by term, and what belongs to no term."""

    student_id: str
    run: str
    as_of: str
    bank_through: str
    terms: tuple[TermStory, ...]
    astray: tuple[dict[str, Any], ...]
    """Exceptions of bank money that belongs to no term."""
    beside: tuple[str, ...] = ()
    """As that of a term, of terms in which the student has nothing."""
    sees_payments: bool = True


class AccountStep(NamedTuple):
    """One step of the sum from charges to what has nothing behind it.

    words, cents: as people read it (what is taken off stands negative). before, after: what is open before and after the step, cents; a
    `total` says where the sum stands, so it goes from nothing to its own amount.
    """

    words: str
    cents: int
    before: int
    after: int
    total: bool


def student_story(run: Path, student_id: str) -> StudentStory:
    """Gather one student's story from a run folder.

    Errors:  RefusedError if the folder is not a whole run, or if nobody of that id is in it (with the nearest ids).
    """
    audit = _audit(run)
    shown = plain_text(student_id)
    found = {name: _records(read_table(run, name, student_id if name == "entries" else shown)) for name in ROWS}
    beside = named_beside(read_table(run, "exceptions"), GONE).get(without_controls(student_id), ())
    if not beside and not any(found[name] for name in ROWS):
        raise RefusedError(f"No student {student_id!r} is in {run}.", _nearest(run, student_id))
    span = audit.get("bank_span") or {}
    own = (run.resolve().name, str(audit["as_of"]), str(span.get("last", "")))
    return _story(student_id, found, beside, own, sees_payments=bool(audit.get("has_postings", True)))


def stories_of(
    tables: Mapping[str, pd.DataFrame], student_ids: Collection[str], as_of: str, bank_through: str, *, sees_payments: bool = True
) -> Iterator[StudentStory]:
    """The stories of many students from the tables of a run in memory, in the order of the ids given; `run` stays empty.

    In:      tables by name, shaped by schemas.OUTPUTS; cents. `sees_payments`: the run had a postings export.
    """
    wanted = set(student_ids)
    mine: dict[str, dict[str, list[dict[str, Any]]]] = {student: {name: [] for name in ROWS} for student in wanted}
    for name in ROWS:
        table = tables[name]
        for row in _records(table[table["student_id"].isin(wanted)]):
            mine[row["student_id"]][name].append(row)
    beside = named_beside(tables["exceptions"], GONE)
    for student in student_ids:
        named = beside.get(without_controls(student), ())
        yield _story(student, mine[student], named, ("", as_of, bank_through), sees_payments=sees_payments)


def _story(
    student_id: str,
    found: dict[str, list[dict[str, Any]]],
    named: tuple[tuple[str, str], ...],
    of_run: tuple[str, str, str],
    *,
    sees_payments: bool,
) -> StudentStory:
    """The story of a student whose rows have been gathered by table; `of_run`: its name, as-of day and the last day of the bank files."""
    known = {row["term"] for row in found["students"]}
    beside = {term: tuple(words for of_term, words in named if of_term == term) for term in known}
    terms = tuple(_term(row, found, beside[row["term"]], sees_payments=sees_payments) for row in found["students"])
    astray = tuple(withheld(row) for row in found["exceptions"] if row["term"] not in known and row["standing"] not in GONE)
    elsewhere = tuple(words for term, words in named if term not in known)
    return StudentStory(student_id, *of_run, terms, astray, elsewhere, sees_payments)


def held_by_a_stop(term: TermStory) -> int:
    """Cents of pending draws that a stop forbids: they stand in the proposal at 0.00, though nothing lowered them there.

    Where money is left to collect no draw is lowered, and before the bill is out only stopped draws are told; elsewhere the exceptions say
    whether there is a stop.
    """
    plan = term.plan
    if plan is None or not plan["proposed_draws"]:
        return 0
    said = any("under a stop" in str(row["action"]) + str(row["what"]) for row in (*term.exceptions, *term.done))
    if not plan["to_collect"] and not said and term.standing["coverage"] != "not billed":
        return 0
    nothing = {part.split(" ")[0] for part in str(plan["proposed_draws"]).split("; ") if part.split(" ")[1] == "0.00"}
    pending = [draw for draw in term.draws if draw["state"] == "pending" and draw["kind"] != "fee"]
    return sum(int(draw["scheduled"]) for draw in pending if str(draw["draw_date"].date()) in nothing)


def account_steps(term: TermStory) -> tuple[AccountStep, ...]:
    """The short sum from charges to what has nothing behind it; draws under a stop are no cover for the bill."""
    row, held = term.standing, held_by_a_stop(term)
    gap = row["gap"] + held
    parts = (
        ("charges", row["charges"], True),
        ("less aid received", -row["aid_disbursed"], False),
        ("less payments and other credits", -row["other_credits"], False),
        ("less draws paid", -row["draws_cleared"], False),
        ("owed today", row["balance_now"], True),
        ("less aid still expected", -row["aid_anticipated"], False),
        ("less draws still to come", held - row["pending_draws"], False),
        ("more than the bill asks" if gap < 0 else "open, with nothing behind it", gap, True),
    )
    steps: list[AccountStep] = []
    for words, cents, total in parts:
        before = 0 if total else steps[-1].after
        steps.append(AccountStep(words, int(cents), before, before + int(cents), total))
    return tuple(steps)


def _audit(run: Path) -> dict[str, Any]:
    try:
        return dict(json.loads((run / "audit.json").read_text(encoding="utf-8")))
    except FileNotFoundError:
        raise RefusedError(f"{run} holds no audit.json, so it is not the folder of a run. Check the path.") from None
    except (OSError, ValueError, RecursionError):
        raise RefusedError(f"{run / 'audit.json'} cannot be read. Restore that folder from a copy, or name another run.") from None


def _nearest(run: Path, student_id: str) -> tuple[str, ...]:
    """The ids of the run that are most like the one asked for."""
    ids = sorted({*read_table(run, "students")["student_id"], *read_table(run, "unmatched_events")["student_id"]} - {""})
    bare = student_id.lstrip("0")
    same = [known for known in ids if bare and known.lstrip("0") == bare]
    near = list(dict.fromkeys([*same, *difflib.get_close_matches(student_id, ids, n=3, cutoff=0.6)]))[:3]
    cure = "Ids count letter by letter, leading zeros too."
    return (f"The nearest ids are {', '.join(near)}. {cure}",) if near else (f"No id in it is like that one. {cure}",)


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _term(standing: dict[str, Any], found: dict[str, list[dict[str, Any]]], beside: tuple[str, ...], *, sees_payments: bool) -> TermStory:
    term = standing["term"]
    mine = {name: [row for row in found[name] if row["term"] == term] for name in ROWS}
    plan = mine["plans"][0] if mine["plans"] else None
    exceptions = [withheld(row) for row in mine["exceptions"]]
    still = tuple(row for row in exceptions if row["standing"] not in GONE)
    return TermStory(
        term=term,
        standing=standing,
        plan=plan,
        happened=tuple(sorted(happenings(mine["entries"], plan), key=lambda h: (h.day, h.words))),
        draws=tuple(_draws(mine["draws"], mine["entries"], still)),
        exceptions=still,
        done=tuple(row for row in exceptions if row["standing"] in GONE),
        beside=beside,
        sees_payments=sees_payments,
    )


def _draws(draws: list[dict[str, Any]], entries: list[dict[str, Any]], exceptions: Iterable[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Each row of draws with the days and the undecided money of its line."""
    lines = {(row["plan_id"], row["line"]): row for row in entries if row["export"] == "plan_schedules"}
    refunds = [row for row in entries if row["export"] == "cleared_draws" and row["status"] == "refunded" and row["undoes"]]
    open_questions = [row for row in exceptions if row["kind"] == UNDECIDED]
    for draw in draws:
        key = (draw["plan_id"], draw["line"])
        asked = [row for row in open_questions if draw["state"] != "cleared" and _may_have_paid(row, draw)]
        loose = [row for row in entries if row["bucket"] == UNDECIDED and any(one["plan_id"] in {"", row["plan_id"]} for one in asked)]
        yield draw | {
            "line_status": lines[key]["status"] if key in lines else "",
            "cancelled_on": days_of(lines[key]).get(CANCELLED_ON) if key in lines else None,
            "given_back": sorted({str(row["date"].date()) for row in refunds if (row["plan_id"], row["line"]) == key}),
            "undecided": sum(int(row["amount"]) for row in asked),
            "undecided_on": sorted({str(row["date"].date()) for row in loose}),
        }


def _may_have_paid(question: dict[str, Any], draw: dict[str, Any]) -> bool:
    """Whether the money of an open question may have paid the draw: the exception names the line, or cannot say which lines it fits."""
    if question["plan_id"] not in {"", draw["plan_id"]}:
        return False
    return f"line {draw['line']} (" in str(question["what"]) or "the plan's lines" in str(question["what"])
