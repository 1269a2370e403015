"""What a person reads in ten seconds after a daily run: who is not covered, what the draws came to, and which file to open first.

Plain ASCII in aligned columns, about thirty lines. Every figure is added up from the tables of the run; nothing is worked out anew.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import pandas as pd

from reconcile import figures
from reconcile.banking_days import BankingDays, day_number
from reconcile.deliver.csv_out import without_controls
from reconcile.deliver.rate_words import rates_lines
from reconcile.money import people_money
from reconcile.notices import send_by

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from reconcile.input_counts import Counted

MOST_COVERAGE_ROWS: Final = 8
MOST_NOTES: Final = 3

CAUTION: Final = (
    "Figures are as good as the exports. Before any draw is changed or presented again, the college's own policy,",
    "its notice duties and the bank's rules decide. Before a letter of outreach.csv is sent, check who may be told: only the",
    "student and those whom the college's records entitle to know (FERPA, 34 CFR part 99).",
)


@dataclass(frozen=True)
class About:
    """What the summary says of the run itself: dates, the folder of the report as people find it, the run before, and notes.

    not_due:  by term the day on which its bill is due, where that is still to come: money short there is no alarm yet.
    has_postings: whether the run had a postings export; without one it sees no payment outside the plan.
    days: on which banks and office are open.
    """

    as_of: date
    bank_first: date | None
    bank_last: date | None
    place: str
    previous: str | None
    notes: tuple[str, ...]
    not_due: Mapping[str, date] = field(default_factory=dict)
    has_postings: bool = True
    days: BankingDays = field(default_factory=BankingDays)


def daily_summary(tables: Mapping[str, pd.DataFrame], totals: figures.Totals, counted: Mapping[str, Counted], about: About) -> str:
    """The words to print after a daily run.

    In:      the tables of the run (cents), what its students, draws and plans come to, rows and cents per export, and what is known of the
             run itself.
    Out:     lines ended by line ends; figures are people's money ("1,234.50").
    """
    parts = (
        heading(about),
        left_out(counted),
        _coverage(totals.coverage, about.not_due),
        _draws(totals.states),
        exception_lines(tables["exceptions"]),
        _plans(totals.variances, tables["next_draws"], about),
        rates_lines(tables["return_rates"], about.bank_first),
        _beside(tables, counted),
        [f"Report: {about.place}", *_open_first(tables, totals, about.not_due)],
        notes_lines(about.notes, MOST_NOTES, "all of them are in audit.json"),
        list(CAUTION),
    )
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def aligned(rows: Sequence[Sequence[str]], right: Iterable[int]) -> list[str]:
    """Rows of cells as lines in columns; the columns at the positions `right` stand to the right, as figures do."""
    figures = set(right)
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        "  ".join(cell.rjust(w) if i in figures else cell.ljust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))).rstrip()
        for row in rows
    ]


def count(number: int, one: str, several: str = "") -> str:
    """The number with its noun: "1 row", "1,204 rows"."""
    return f"{number:,} {one if number == 1 else several or one + 's'}"


def rejected_money(counted: Mapping[str, Counted]) -> str:
    """Rejected rows and their money per export, and how many of them have an amount that nobody could read."""

    def one(name: str, c: Counted) -> str:
        unread = f" and {c.unreadable:,} without a readable amount" if c.unreadable else ""
        return f"{name} {count(c.rejected, 'row')}, {people_money(c.cents_rejected)}{unread}"

    return "; ".join(one(name, c) for name, c in counted.items() if c.rejected)


def notes_lines(notes: Sequence[str], most: int, rest: str) -> list[str]:
    """The first notes, one a line, and where the rest of them is."""
    shown = [f"Note: {without_controls(note)}" for note in notes[:most]]
    return shown + ([f"Note: and {count(len(notes) - most, 'more note')}; {rest}."] if len(notes) > most else [])


def heading(about: About) -> list[str]:
    """The day, the bank files' span, and the run before."""
    bank = "no bank events" if about.bank_first is None else f"bank files {about.bank_first} to {about.bank_last}"
    follows = f", follows {about.previous}" if about.previous else ", no earlier run"
    return [f"As of {about.as_of}: {bank}{follows}"]


def left_out(counted: Mapping[str, Counted]) -> list[str]:
    """Rejected rows come before every figure, since every figure lacks them."""
    if not any(c.rejected for c in counted.values()):
        return []
    return [
        f"REJECTED AND LEFT OUT OF EVERY FIGURE: {rejected_money(counted)}.",
        "They stand in rejected_rows.csv. The students and plans named there may be wrong in every figure below.",
    ]


def coverage_words(term: str, coverage: str, not_due: Mapping[str, date]) -> str:
    """How a bill stands, in words: one that is short says so with the day on which it is due, while that is still to come.

    >>> from datetime import date
    >>> coverage_words("2027-SP", "short", {"2027-SP": date(2027, 1, 8)}), coverage_words("2026-FA", "short", {})
    ('short, due 2027-01-08', 'short')
    """
    return f"{coverage}, due {not_due[term]}" if coverage == "short" and term in not_due else coverage


def _coverage(found: pd.DataFrame, not_due: Mapping[str, date]) -> list[str]:
    """What `figures.coverage_totals` counted."""
    if found.empty:
        return ["No students in any term that the rules know."]
    rows = [
        (without_controls(str(term)), coverage_words(str(term), str(word), not_due), f"{int(number):,}", people_money(int(gap)))
        for term, word, number, gap in found.iloc[-MOST_COVERAGE_ROWS:].itertuples(index=False, name=None)
    ]
    lines = aligned([("Term", "Coverage", "Students", "Gap"), *rows], right=(2, 3))
    hidden = len(found) - len(rows)
    return lines + ([f"and {count(hidden, 'row')} of earlier terms in students.csv"] if hidden else [])


def _draws(found: pd.DataFrame) -> list[str]:
    """What `figures.state_totals` counted."""
    if found.empty:
        return ["No plan lines."]
    rows = [
        (str(state), f"{int(lines):,}", people_money(int(scheduled)), people_money(int(cleared)))
        for state, lines, scheduled, cleared in found.itertuples(index=False, name=None)
    ]
    return aligned([("Plan lines", "Lines", "Scheduled", "Cleared"), *rows], right=(1, 2, 3))


_PLAN_WORDS: Final = {
    figures.OVER: "Plans over the bill",
    figures.SHORT: "Plans short of the bill",
    figures.GIVE_BACK: "Proposed: to give back",
    figures.STOP: "          to stop",
    figures.COLLECT: "          to collect",
}


def _plans(found: pd.DataFrame, next_draws: pd.DataFrame, about: About) -> list[str]:
    """Where plans and bills differ, to the cent, what that would mean for the family, and the draws that come next."""
    rows = [
        (_PLAN_WORDS[figure], f"{int(plans):,}", people_money(int(cents)))
        for figure, plans, cents in found.itertuples(index=False, name=None)
        if figure in _PLAN_WORDS
    ]
    return (aligned(rows, right=(1, 2)) if rows else []) + _next_draws(next_draws, about)


def _next_draws(next_draws: pd.DataFrame, about: About) -> list[str]:
    if next_draws.empty:
        return []
    soonest = next_draws["draw_date"].min()
    rows = next_draws[next_draws["draw_date"] == soonest]
    lines, cents = int(rows["lines"].sum()), int(rows["scheduled"].sum())
    questions, doubtful = int(rows["lines_in_question"].sum()), int(rows["in_question"].sum())
    told = f"; in question {count(questions, 'line')}, {people_money(doubtful)}" if questions else ""
    last = [None if pd.isna(day) else day.date() for day in (rows["notice_by"].min(), rows["last_day_to_stop"].min())]
    send = _send_by(last[0], about)
    until = [
        f"to {what} {day}{' (passed)' if day < about.as_of else more}"
        for what, day, more in zip(("give notice of a change", "stop one"), last, (send, ""), strict=True)
        if day is not None
    ]
    return [
        f"Next draws {soonest.date()}: {count(lines, 'line')}, {people_money(cents)}{told}",
        *([f"  last day {('; ' if send else ', ').join(until)}"] if until else []),
    ]


def _send_by(notice_by: date | None, about: About) -> str:
    return "" if notice_by is None else send_by(day_number(notice_by), day_number(about.as_of), about.days)


def _beside(tables: Mapping[str, pd.DataFrame], counted: Mapping[str, Counted]) -> list[str]:
    unmatched, other = tables["unmatched_events"], tables["other_terms"]
    again = sum(c.already_read for c in counted.values())
    aside = sum(c.set_aside for c in counted.values())
    rows = [("Bank events without a line", f"{len(unmatched):,}", f"{people_money(int(unmatched['without_a_line'].sum()))} on no line")]
    if again:
        rows.append(("Rows already read (files overlap)", f"{again:,}", "counted once"))
    if aside:
        rows.append(("Rows dated after the as-of date", f"{aside:,}", "set aside"))
    if len(other):
        rows.append(("Students in terms without rules", f"{other['student_id'].nunique():,}", "in other_terms.csv"))
    return aligned(rows, right=(1,))


MOST_KINDS: Final = 4
OPEN_STANDINGS: Final = ("new", "changed", "carried")
SEVERITY_WORDS: Final = {"urgent": "urgent", "act": "to act on", "information": "for the record"}


def holds_open(exceptions: pd.DataFrame, *, only_new: bool) -> bool:
    """Whether the list holds open exceptions, but for information; `only_new`: new ones, or changed since a person decided."""
    standings = OPEN_STANDINGS[:2] if only_new else OPEN_STANDINGS
    return bool((exceptions["standing"].isin(standings) & (exceptions["severity"] != "information")).any())


def exception_lines(exceptions: pd.DataFrame) -> list[str]:
    """How many exceptions by severity and standing, and the urgent kinds; lines of a common cause count as one more."""
    if exceptions.empty:
        return []
    severity, standing = exceptions["severity"], exceptions["standing"]
    here = [word for word in SEVERITY_WORDS if bool(((severity == word) & standing.isin(OPEN_STANDINGS)).any())]
    rows = [
        (SEVERITY_WORDS[word], *(f"{int(((severity == word) & (standing == stood)).sum()):,}" for stood in OPEN_STANDINGS)) for word in here
    ]
    done = [f"{int((standing == word).sum()):,} {word}" for word in ("closed", "resolved") if bool((standing == word).any())]
    lines = aligned([("Exceptions", *OPEN_STANDINGS), *rows], right=(1, 2, 3)) if rows else ["Exceptions: none open"]
    urgent = exceptions.loc[(severity == "urgent") & standing.isin(OPEN_STANDINGS), "kind"]
    kinds = list(dict.fromkeys(urgent))
    told = [f"{kind} {int((urgent == kind).sum()):,}" for kind in kinds[:MOST_KINDS]]
    more = [f"and {count(len(kinds) - MOST_KINDS, 'more kind')}"] if len(kinds) > MOST_KINDS else []
    return lines + ([f"Urgent: {', '.join(told + more)}"] if told else []) + ([f"Beside them: {', '.join(done)}"] if done else [])


def _open_first(tables: Mapping[str, pd.DataFrame], totals: figures.Totals, not_due: Mapping[str, date]) -> list[str]:
    """The files with something to act on, most harmful first: money about to be taken wrongly, then money that did not come."""
    reasons = []
    listed = tables["exceptions"]
    if bool(listed["standing"].isin(OPEN_STANDINGS).any()):
        reasons.append("exceptions.csv (what to look at, the most harmful first, each with its next step)")
    if (totals.variances["figure"] == figures.OVER).any():
        reasons.append("plans.csv (variance above zero: the plan would take more than the bill)")
    if int(tables["unmatched_events"]["without_a_line"].sum()) > 0:
        reasons.append("unmatched_events.csv (bank money that no plan line asked for)")
    wanting = [s for s in ("failed", "not seen", "part cleared") if s in set(totals.states["state"])]
    if wanting:
        reasons.append(f"draws.csv (state {', '.join(wanting)})")
    stand = totals.coverage[["term", "coverage"]].itertuples(index=False, name=None)
    if any(word == "over" or (word == "short" and term not in not_due) for term, word in stand):
        reasons.append("students.csv (coverage short, over)")
    return [f"{'Open first' if i == 0 else 'then      '}: {reason}" for i, reason in enumerate(reasons or ["students.csv"])]
