"""What the page holds beside what it shows at once: the exception list, stories and summary rows, as compact JSON in blocks of their own.

Words that come back (kinds, desks, days) stand once in a list and are named by their place in it; money is whole cents. The browser shows
all of it and works nothing out. Text from exports is text here and stays text there; characters that turn the reading direction round are
made visible.

A page opens at once only if it stays small, so there is a limit: `MOST_BYTES` for the whole. Exceptions come first, the most harmful
first; then the stories of students with open exceptions; then summary rows, students with open exceptions first, then those with a plan.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from reconcile.deliver import story
from reconcile.deliver.csv_out import without_controls
from reconcile.page_figures import still_open
from reconcile.story_facts import account_steps, held_by_a_stop, stories_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping

    from reconcile.deliver.shown import Shown
    from reconcile.story_facts import StudentStory, TermStory

MOST_BYTES: Final = 7_700_000
MOST_LISTED: Final = 3_000_000
"""Bytes of exceptions, at most."""
MOST_TOLD: Final = 2_300_000
"""Bytes of stories, at most."""

WORD_COLUMNS: Final = frozenset({"kind", "severity", "owner", "term", "standing", "action", "disposition", "decided_by"})
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
    """Words by their place, in the order in which they are first used."""

    def __init__(self) -> None:
        self._at: dict[str, int] = {}

    def __call__(self, word: str) -> int:
        return self._at.setdefault(word, len(self._at))

    def __iter__(self) -> Iterator[str]:
        return iter(self._at)


def held(shown: Shown) -> Held:
    """The data blocks of the page, each safe to stand inside a script element."""
    exceptions, students = shown.tables["exceptions"], shown.tables["students"]
    listed, rows_held = _listed(exceptions, shown.names)
    concerned = list(dict.fromkeys(student for student in still_open(exceptions)["student_id"].tolist() if student))
    stories, told = _stories(shown, concerned, rows_held)
    everyone = _in_order(students, shown.tables["plans"], concerned)
    summaries, count = _summaries(students, everyone, shown.names, MOST_BYTES - _size(listed) - _size(stories))
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


def _fitting(rows: Iterable[list[Any]], most: int) -> tuple[list[str], int]:
    """The JSON of the first rows that fit into so many bytes, and how many they are."""
    found: list[str] = []
    size = 0
    for row in rows:
        text = as_json(row)
        size += _size(text) + 1
        if size > most:
            break
        found.append(text)
    return found, len(found)


def _day(value: pd.Timestamp) -> str:
    return "" if pd.isna(value) else str(value.date())


def _listed(exceptions: pd.DataFrame, names: Mapping[str, str]) -> tuple[str, int]:
    """The exception list: each row in the order of LIST_COLUMNS, then the student's name."""
    words = _Words()
    cells: list[list[Any]] = []
    for name in LIST_COLUMNS:
        column = exceptions[name]
        if name in {"amount", "age_days"}:
            cells.append(column.tolist())
        elif name in {"act_by", "happened_on", "first_seen", "decided_on"}:
            cells.append([words(_day(day)) for day in column])
        else:
            texts = map(without_controls, column.tolist())
            cells.append([words(text) for text in texts] if name in WORD_COLUMNS else list(texts))
    cells.append([without_controls(names.get(student, "")) for student in exceptions["student_id"].tolist()])
    rows, count = _fitting((list(row) for row in zip(*cells, strict=True)), MOST_LISTED)
    return f'{{"columns":{as_json([*LIST_COLUMNS, "name"])},"words":{as_json(list(words))},"rows":[{",".join(rows)}]}}', count


def _stories(shown: Shown, concerned: list[str], rows_held: int) -> tuple[str, int]:
    """The stories of students with open exceptions, by id; exceptions are named by their place in the list."""
    words = _Words()
    place = {id_: at for at, id_ in enumerate(shown.tables["exceptions"]["exception_id"].tolist()[:rows_held])}
    bank = "" if shown.about.bank_last is None else shown.about.bank_last.isoformat()
    found = stories_of(shown.tables, concerned, shown.about.as_of.isoformat(), bank)
    rows, count = _fitting((_story(one, words, place) for one in found), MOST_TOLD)
    return f'{{"words":{as_json(list(words))},"stories":[{",".join(rows)}]}}', count


def _story(one: StudentStory, words: _Words, place: Mapping[str, int]) -> list[Any]:
    """A story: id, terms, places of the exceptions that belong to no term."""
    astray = [place[row["exception_id"]] for row in one.astray if row["exception_id"] in place]
    return [without_controls(one.student_id), [_term(term, words, place) for term in one.terms], astray]


def _term(term: TermStory, words: _Words, place: Mapping[str, int]) -> list[Any]:
    """One term: its code, coverage, sum, money under a stop, draws, variance, proposal, cautions, exceptions, what happened."""

    def word(text: str) -> int:
        return words(without_controls(text))

    plan = term.plan
    heading, causes = ("", [])
    if plan is not None and plan["variance"] and term.standing["coverage"] != "not billed":
        heading, causes = story.variance_words(plan)
    proposal = story.proposal_words(term)
    return [
        word(term.term),
        word(story.COVERAGE_WORDS.get(term.standing["coverage"], term.standing["coverage"])),
        [[word(step.words), step.cents, step.before, step.after, int(step.total)] for step in account_steps(term)],
        held_by_a_stop(term),
        [_draw(draw, word) for draw in sorted(term.draws, key=lambda draw: draw["draw_date"])],
        [word(heading), [[cents, word(text)] for cents, text in causes]],
        [int(bool(proposal) and story.depends_on_answers(term)), [word(line) for line in proposal]],
        [word(caution) for caution in story.caution_words(term)],
        [place[row["exception_id"]] for row in (*term.exceptions, *term.done) if row["exception_id"] in place],
        [[word(_day(happening.day)), word(happening.words), happening.cents] for happening in term.happened],
    ]


def _draw(draw: dict[str, Any], word: Callable[[str], int]) -> list[Any]:
    """A line: plan, line, kind and method, date, cents, state, and what became of it in words."""
    return [
        word(draw["plan_id"]),
        word(draw["line"]),
        word(draw["kind"]),
        word(draw["method"]),
        word(_day(draw["draw_date"])),
        int(draw["scheduled"]),
        word(draw["state"]),
        word(story.draw_words(draw)),
    ]


def _in_order(students: pd.DataFrame, plans: pd.DataFrame, concerned: list[str]) -> list[str]:
    """Every student once: those with open exceptions, then those with a plan, then the others; each part by id."""
    first, planned = set(concerned), set(plans["student_id"].tolist())
    return sorted({*students["student_id"].tolist(), *concerned}, key=lambda id_: (id_ not in first, id_ not in planned, id_))


def _summaries(students: pd.DataFrame, everyone: list[str], names: Mapping[str, str], most: int) -> tuple[str, int]:
    """For each student the id, the name, and for each term: its code, coverage, and cents in the order of SUMMARY_COLUMNS."""
    terms, coverages = _Words(), _Words()
    rows: dict[str, list[Any]] = {student: [without_controls(student), without_controls(names.get(student, ""))] for student in everyone}
    columns = [students[name].tolist() for name in ("student_id", "term", "coverage", *SUMMARY_COLUMNS)]
    for student, term, coverage, *cents in zip(*columns, strict=True):
        rows[student].append([terms(without_controls(term)), coverages(coverage), *cents])
    texts, count = _fitting((rows[student] for student in everyone), most)
    told = as_json([story.COVERAGE_WORDS.get(coverage, coverage) for coverage in coverages])
    return f'{{"terms":{as_json(list(terms))},"coverages":{told},"rows":[{",".join(sorted(texts))}]}}', count
