"""One student's story out of a run: what was charged, given, promised and drawn, in date order, and where it leaves the account.

From a run folder only the folder is read: the same story can be read again a year later, whatever has become of the exports. While a run
is written, the stories of many students come from its tables in memory.
"""

from __future__ import annotations

import difflib
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from reconcile.deliver.csv_out import plain_text
from reconcile.errors import RefusedError
from reconcile.run_tables import read_table

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Mapping
    from pathlib import Path

    import pandas as pd

GONE = frozenset({"closed", "resolved"})
"""Standings of exceptions that nobody has to look at any more."""

ROWS = ("students", "plans", "draws", "exceptions", "unmatched_events", "entries")
BANK_WORDS = {
    "on a line": "drawn and cleared",
    "fee on a line": "enrollment fee cleared",
    "on a cancelled line": "drawn though cancelled",
    "undone by a return or refund": "drawn; it came back later",
    "more than one way to match": "drawn; which draw it paid is open",
    "without a line": "drawn, on no line of the plan",
    "payment, not a plan draw": "payment seen at the bank",
    "undoes a draw": "came back",
    "failed attempt of a line": "tried, and not paid",
    "return without a draw": "came back; it fits no draw",
    "refund without a draw": "given back; it fits no draw",
    "dishonored or contested return": "return disputed between the banks",
}
BILL_WORDS = {
    ("charges", "on the bill"): "charged",
    ("aid", "disbursed"): "aid put on the bill, paid by now",
    ("aid", "anticipated"): "aid expected, not here yet",
    ("aid", "lapsed"): "aid expected, overdue: counts no more",
    ("aid", "cancelled"): "aid awarded, cancelled since",
    ("aid", "estimated"): "aid estimated: does not count",
    ("aid", "never on the bill"): "aid that never pays a bill",
    ("aid", "not yet on the bill"): "aid not yet on the bill",
}


class Happening(NamedTuple):
    """One thing that happened on the account: day, words, cents as the export has them (0 where no money is meant)."""

    day: pd.Timestamp
    words: str
    cents: int


@dataclass(frozen=True, eq=False)
class TermStory:
    """One term of the story. Rows are those of the run's tables, by column name; cents."""

    term: str
    standing: dict[str, Any]
    plan: dict[str, Any] | None
    happened: tuple[Happening, ...]
    draws: tuple[dict[str, Any], ...]
    exceptions: tuple[dict[str, Any], ...]
    done: tuple[dict[str, Any], ...]
    """Exceptions that are closed or resolved."""


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
    if not any(found[name] for name in ROWS):
        raise RefusedError(f"No student {student_id!r} is in {run}.", _nearest(run, student_id))
    span = audit.get("bank_span") or {}
    return _story(student_id, found, run.resolve().name, str(audit["as_of"]), str(span.get("last", "")))


def stories_of(tables: Mapping[str, pd.DataFrame], student_ids: Collection[str], as_of: str, bank_through: str) -> Iterator[StudentStory]:
    """The stories of many students from the tables of a run in memory, in the order of the ids given; `run` stays empty.

    In:      tables by name, shaped by schemas.OUTPUTS; cents.
    """
    wanted = set(student_ids)
    mine: dict[str, dict[str, list[dict[str, Any]]]] = {student: {name: [] for name in ROWS} for student in wanted}
    for name in ROWS:
        table = tables[name]
        for row in _records(table[table["student_id"].isin(wanted)]):
            mine[row["student_id"]][name].append(row)
    for student in student_ids:
        yield _story(student, mine[student], "", as_of, bank_through)


def _story(student_id: str, found: dict[str, list[dict[str, Any]]], run: str, as_of: str, bank_through: str) -> StudentStory:
    """The story of a student whose rows have been gathered by table."""
    terms = tuple(_term(row, found) for row in found["students"])
    known = {row["term"] for row in found["students"]}
    astray = tuple(row for row in found["exceptions"] if row["term"] not in known and row["standing"] not in GONE)
    return StudentStory(student_id, run, as_of, bank_through, terms, astray)


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


def _term(standing: dict[str, Any], found: dict[str, list[dict[str, Any]]]) -> TermStory:
    term = standing["term"]
    mine = {name: [row for row in found[name] if row["term"] == term] for name in ROWS}
    plan = mine["plans"][0] if mine["plans"] else None
    return TermStory(
        term=term,
        standing=standing,
        plan=plan,
        happened=tuple(sorted(_happenings(mine["entries"], plan), key=lambda h: (h.day, h.words))),
        draws=tuple(mine["draws"]),
        exceptions=tuple(row for row in mine["exceptions"] if row["standing"] not in GONE),
        done=tuple(row for row in mine["exceptions"] if row["standing"] in GONE),
    )


def _happenings(entries: list[dict[str, Any]], plan: dict[str, Any] | None) -> Iterator[Happening]:
    """What moved the account, rows of one day and one kind together; draws on the ledger are the bank's, and are not told twice."""
    sums: dict[tuple[pd.Timestamp, str], tuple[int, int]] = {}
    for row in entries:
        words = _words(row)
        if words:
            count, cents = sums.get((row["date"], words), (0, 0))
            sums[row["date"], words] = (count + 1, cents + int(row["cents"]))
    for (day, words), (count, cents) in sums.items():
        several = f" ({count} entries)" if count > 1 else ""
        yield Happening(day, words + several, cents)
    if plan is not None:
        yield Happening(plan["enrolled_on"], f"enrolled in plan {plan['plan_ids']}", 0)
        if plan["baseline"] > plan["enrolled_on"]:
            yield Happening(plan["baseline"], "plan last held against the bill", 0)


def _words(row: dict[str, Any]) -> str:
    """The words of an entry; "" for what is not told here."""
    export, bucket = row["export"], row["bucket"]
    if export == "plan_schedules" or bucket in {"after the as-of date", "plan enrolled after the as-of date", "other terms"}:
        return ""
    if export == "cleared_draws":
        line = f", line {row['line']}" if row["line"] else ""
        given_back = bucket == "undoes a draw" and row["status"] == "refunded"
        words = "given back by the office" if given_back else BANK_WORDS.get(bucket, bucket)
        return f"{words}{line}"
    if export == "postings":
        return f"credited: {row['status']}" if bucket == "other credits" else ""
    return BILL_WORDS.get((export, bucket), f"{export}: {bucket}")
