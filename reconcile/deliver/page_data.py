"""What the page holds beside what it shows at once: the exception list, stories and summary rows, as compact JSON in blocks of their own.

Words that come back (kinds, desks, days) stand once in a list and are named by their place in it; money is whole cents. The browser shows
all of it and works nothing out. Text from exports is text here and stays text there; characters that turn the reading direction round are
made visible.

A page opens at once only if it stays small, so there is a limit: `MOST_BYTES` for the whole. Of it, summary rows take `MOST_SUMMED` at most
(students with open exceptions first, then those with a plan); exceptions half of what is left, the most harmful first; and stories of
students with open exceptions the rest, in the order of the list.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from reconcile.deliver import story
from reconcile.deliver.csv_out import without_controls
from reconcile.deliver.story_next import ASK_LEDGER, NO_PAYMENTS, look_first, proposal_words
from reconcile.page_figures import still_open
from reconcile.story_facts import GONE, account_steps, held_by_a_stop, stories_of
from reconcile.story_others import WITHHELD, named_beside

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from reconcile.deliver.shown import Shown
    from reconcile.story_facts import AccountStep, StudentStory, TermStory

MOST_BYTES: Final = 7_700_000
MOST_SUMMED: Final = 4_600_000
NOT_HELD: Final = -1
"""The place of an exception that the page's list has no room for: the story says that it is left out."""

WORD_COLUMNS: Final = frozenset({"kind", "severity", "owner", "term", "standing", "action", "disposition", "decided_by"})
DAY_COLUMNS: Final = frozenset({"happened_on", "act_by", "first_seen", "decided_on"})
LIST_COLUMNS: Final = (
    *("exception_id", "kind", "severity", "owner", "term", "student_id", "plan_id", "line", "amount", "happened_on", "what", "action"),
    *("act_by", "evidence", "first_seen", "age_days", "standing", "disposition", "note", "decided_by", "decided_on"),
)
SUMMARY_COLUMNS: Final = (
    *("charges", "aid_disbursed", "other_credits", "draws_cleared", "balance_now", "aid_anticipated", "pending_draws", "gap"),
    *("failed_draws", "not_seen_draws"),
)


@dataclass(frozen=True)
class Held:
    """The JSON of each block, and how much of the run is in it."""

    listed: str
    stories: str
    students: str
    exceptions_held: int
    exceptions_all: int
    stories_held: int
    stories_all: int
    students_held: int
    students_all: int


class _Words:
    """Words by their place, in the order in which they are first used; `size` is about their bytes as JSON."""

    def __init__(self) -> None:
        self._at: dict[str, int] = {}
        self.size = 0

    def __call__(self, word: str) -> int:
        word = without_controls(word)
        if word not in self._at:
            self._at[word] = len(self._at)
            self.size += _size(as_json(word)) + 1
        return self._at[word]

    def __iter__(self) -> Iterator[str]:
        return iter(self._at)


def held(shown: Shown) -> Held:
    """The data blocks of the page, each safe to stand inside a script element."""
    exceptions, students = shown.tables["exceptions"], shown.tables["students"]
    listed_ids = still_open(exceptions)["student_id"].tolist()
    named = sorted(set(named_beside(exceptions, GONE)) & set(students["student_id"].tolist()))
    concerned = list(dict.fromkeys(student for student in (*listed_ids, *named) if student))
    everyone = _in_order(students, shown.tables["plans"], concerned)
    summaries, count = _summaries(students, everyone, shown)
    left = MOST_BYTES - _size(summaries)
    listed, rows_held = _listed(exceptions, shown.names, left // 2)
    stories, told = _stories(shown, concerned, rows_held, left - _size(listed))
    return Held(listed, stories, summaries, rows_held, len(exceptions), told, len(concerned), count, len(everyone))


def as_json(value: object) -> str:
    r"""Compact JSON that may stand inside a script element: nothing in it can end the element or a line.

    >>> as_json(["</script>", 1])
    '["\\u003c/script>",1]'
    """
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _size(text: str) -> int:
    return len(text.encode("utf-8", "backslashreplace"))


def _fitting(rows: Iterable[list[Any]], most: int, words: _Words) -> tuple[list[str], int]:
    """The JSON of the first rows that fit into so many bytes together with the words they use, and how many they are."""
    found: list[str] = []
    size = 0
    for row in rows:
        text = as_json(row)
        size += _size(text) + 1
        if size + words.size > most:
            break
        found.append(text)
    return found, len(found)


def _day(value: pd.Timestamp) -> str:
    return "" if pd.isna(value) else str(value.date())


def _listed(exceptions: pd.DataFrame, names: Mapping[str, str], most: int) -> tuple[str, int]:
    """The exception list: each row in the order of LIST_COLUMNS, then the student's name."""
    words = _Words()
    columns = {name: exceptions[name].tolist() for name in LIST_COLUMNS}
    for name in DAY_COLUMNS:
        columns[name] = list(map(_day, columns[name]))
    kinds = [words if name in WORD_COLUMNS | DAY_COLUMNS else _plain for name in columns]

    def cells(row: tuple[Any, ...]) -> list[Any]:
        name = names.get(row[LIST_COLUMNS.index("student_id")], "")
        return [*(cell if isinstance(cell, int) else as_cell(cell) for cell, as_cell in zip(row, kinds, strict=True)), _plain(name)]

    rows, count = _fitting(map(cells, zip(*columns.values(), strict=True)), most, words)
    return f'{{"columns":{as_json([*LIST_COLUMNS, "name"])},"words":{as_json(list(words))},"rows":[{",".join(rows)}]}}', count


def _plain(text: str) -> str:
    return without_controls(text)


def _stories(shown: Shown, concerned: list[str], rows_held: int, most: int) -> tuple[str, int]:
    """The stories of students with open exceptions, by id; exceptions are named by their place in the list."""
    words = _Words()
    place = {id_: at for at, id_ in enumerate(shown.tables["exceptions"]["exception_id"].tolist()[:rows_held])}
    bank = "" if shown.about.bank_last is None else shown.about.bank_last.isoformat()
    seen = shown.about.has_postings
    found = stories_of(shown.tables, concerned, shown.about.as_of.isoformat(), bank, sees_payments=seen)
    rows, count = _fitting((_story(one, words, place) for one in found), most, words)
    unseen = as_json(["", ""] if seen else [NO_PAYMENTS, f"But {ASK_LEDGER}."])
    return f'{{"unseen":{unseen},"words":{as_json(list(words))},"stories":[{",".join(rows)}]}}', count


def _story(one: StudentStory, words: _Words, place: Mapping[str, int]) -> list[Any]:
    """A story: id, terms, the exceptions that belong to no term, what is told of money beside another's plan."""
    terms = [_term(term, words, place) for term in one.terms]
    beside = [words(line) for line in one.beside]
    return [without_controls(one.student_id), terms, [_exception(row, words, place) for row in one.astray], beside]


def _exception(row: Mapping[str, Any], words: _Words, place: Mapping[str, int]) -> int | list[int]:
    """An exception's place in the list; with its own words where a story may not show those of the list."""
    at = place.get(row["exception_id"], NOT_HELD)
    return [at, words(row["what"])] if WITHHELD in row["what"] and at != NOT_HELD else at


def _term(term: TermStory, words: _Words, place: Mapping[str, int]) -> list[Any]:
    """One term: code, coverage, sum, money under a stop, draws, variance, proposal, cautions, exceptions, happenings, money beside a plan.

    A proposal is what must be looked at first, then its lines.
    """
    plan = term.plan
    heading, causes = "", list[tuple[int, str]]()
    if plan is not None and plan["variance"] and term.standing["coverage"] != "not billed":
        heading, causes = story.variance_words(plan)
    proposal = proposal_words(term)
    return [
        words(term.term),
        words(" ".join(story.standing_words(term))),
        [_step(step, words) for step in account_steps(term) if step.total or step.cents],
        held_by_a_stop(term),
        [_draw(draw, words) for draw in sorted(term.draws, key=lambda draw: draw["draw_date"])],
        [words(heading), [[cents, words(text)] for cents, text in causes]],
        [[words(line) for line in look_first(term)] if proposal else [], [words(line) for line in proposal]],
        [words(caution) for caution in story.caution_words(term)],
        [_exception(row, words, place) for row in (*term.exceptions, *term.done)],
        [[words(_day(happening.day)), words(happening.words), happening.cents] for happening in term.happened],
        [words(line) for line in term.beside],
    ]


def _step(step: AccountStep, words: _Words) -> list[Any]:
    return [words(step.words), step.cents, step.before, step.after, int(step.total)]


def _draw(draw: dict[str, Any], words: _Words) -> list[Any]:
    """A line: plan, line, kind and method, date, cents, state, and what became of it in words."""
    return [
        words(draw["plan_id"]),
        words(draw["line"]),
        words(draw["kind"]),
        words(draw["method"]),
        words(_day(draw["draw_date"])),
        int(draw["scheduled"]),
        words(draw["state"]),
        words("; ".join(part for part in (story.draw_words(draw), story.draw_caution(draw)) if part)),
    ]


def _in_order(students: pd.DataFrame, plans: pd.DataFrame, concerned: list[str]) -> list[str]:
    """Every student once: those with open exceptions, then those with a plan, then the others; each part by id."""
    first, planned = set(concerned), set(plans["student_id"].tolist())
    return sorted({*students["student_id"].tolist(), *concerned}, key=lambda id_: (id_ not in first, id_ not in planned, id_))


def _summaries(students: pd.DataFrame, everyone: list[str], shown: Shown) -> tuple[str, int]:
    """For each student the id, the name, and for each term: its code, coverage, and cents in the order of SUMMARY_COLUMNS."""
    terms, coverages = _Words(), _Words()
    rows: dict[str, list[Any]] = {
        student: [without_controls(student), without_controls(shown.names.get(student, ""))] for student in everyone
    }
    columns = [students[name].tolist() for name in ("student_id", "term", "coverage", *SUMMARY_COLUMNS)]
    for student, term, coverage, *cents in zip(*columns, strict=True):
        rows[student].append([terms(without_controls(term)), coverages(coverage), *cents])
    texts, count = _fitting((rows[student] for student in everyone), MOST_SUMMED, terms)
    told = as_json([story.coverage_words(coverage, sees_payments=shown.about.has_postings) for coverage in coverages])
    return f'{{"terms":{as_json(list(terms))},"coverages":{told},"rows":[{",".join(sorted(texts))}]}}', count
