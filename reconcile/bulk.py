"""All students at once: the plain ones by sorted integer keys, every other student through the exact function.

The plain ones (see `plain`) have only one reading. A student with anything else leaves the bulk whole, before returns, for
`returns.pair_returns` and `draws.match_draws`. Sending everybody there gives the same tables: a test holds that.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.draws import NOT_ON_SCHEDULE, TAKEN_TWICE, Matched, Pair, match_draws
from reconcile.events import NOBODY, Book, Bools, Ints, Owners, day_numbers
from reconcile.plain import code_facts, plain_pairs
from reconcile.returns import pair_returns
from reconcile.student_case import Case, CaseRules, CodeFacts, Event, Line, Undone, line_number
from reconcile.texts import distinct, is_word, positions

if TYPE_CHECKING:
    from reconcile.banking_days import BankingDays
    from reconcile.policy import Rules


@dataclass(frozen=True)
class Matching:
    """What returns and matching found, as arrays and tables over line and event positions.

    pairs:      event, line, cents, fee (cents that stayed), match, role: one row per event on a line.
    undoings:   by, of (event positions), cents, rule: what each return or refund took off an event.
    left:       standing cents of each event (0 for returns and refunds).
    unplaced:   cents of each return or refund that undid nothing and is no failed attempt.
    loose:      reason for each cleared event without a line, "" elsewhere.
    fee_back:   refunds of just the card fee of the draw that they name.
    told, misnamed: dishonored or contested returns; returns whose original reference names nothing.
    undecided_lines: lines that more than one grouping claims.
    exact:      whether the event went through the exact function.
    """

    pairs: pd.DataFrame
    undoings: pd.DataFrame
    left: Ints
    unplaced: Ints
    loose: np.ndarray[tuple[int], np.dtype[np.object_]]
    fee_back: Bools
    told: Bools
    misnamed: Bools
    undecided_lines: Bools
    exact: Bools


def match_all(
    lines: pd.DataFrame,
    events: pd.DataFrame,
    book: Book,
    owners: Owners,
    rules: Rules,
    days: BankingDays,
    *,
    everyone_exact: bool = False,
) -> Matching:
    """Match every known student's bank events with the schedule lines.

    In:      lines with windows (schedule.windows) and events up to the as-of date, with their codes (events.book_of, whose_events).
    Out:     Matching, over the row positions of lines and events; events of nobody take no part.
    Rules:   matching.toml, returns.toml
    Keeps:   for each cleared event of a known student: undone + on lines + fee + loose cents = its amount.
    """
    bulk_pairs, exact_students = plain_pairs(lines, events, book, owners, rules)
    if everyone_exact:
        exact_students = np.ones(len(book.students), dtype=bool)
    keep = ~exact_students[owners.student[bulk_pairs["event"].to_numpy()]] if len(bulk_pairs) else np.zeros(0, dtype=bool)
    bulk_pairs = bulk_pairs[keep]
    cleared = is_word(events["outcome"], "cleared")
    found = _Found(
        left=np.where(cleared, events["amount"].to_numpy(), 0).astype(np.int64),
        unplaced=np.zeros(len(events), dtype=np.int64),
        loose=np.full(len(events), "", dtype=object),
        fee_back=np.zeros(len(events), dtype=bool),
        told=np.zeros(len(events), dtype=bool),
        misnamed=np.zeros(len(events), dtype=bool),
        undecided_lines=np.zeros(len(lines), dtype=bool),
    )
    pairs: list[Pair] = []
    undoings: list[tuple[int, int, int, int]] = []
    for case in _cases(lines, events, book, owners, rules, days, exact_students):
        undone, matched = settle_case(case)
        pairs += matched.pairs
        undoings += undone.undoings
        found.take(undone.left, undone.unplaced, matched.loose, undone.told, undone.misnamed, matched.undecided_lines)
        found.fee_back[list(undone.fee_back)] = True
    return Matching(
        pairs=_in_order(bulk_pairs, pairs),
        undoings=pd.DataFrame(undoings, columns=["by", "of", "cents", "rule"], dtype="int64").sort_values(["by", "of"], ignore_index=True),
        left=found.left,
        unplaced=found.unplaced,
        loose=found.loose,
        fee_back=found.fee_back,
        told=found.told,
        misnamed=found.misnamed,
        undecided_lines=found.undecided_lines,
        exact=(owners.student != NOBODY) & exact_students[owners.student] if len(book.students) else np.zeros(len(events), dtype=bool),
    )


def settle_case(case: Case) -> tuple[Undone, Matched]:
    """Returns and matching of one student.

    A refund that names nothing first takes money that no line asks for. Which that is shows once the case is matched without such refunds.
    """
    undone = pair_returns(case)
    refunds = {event.at for event in case.events if event.outcome == "refunded"}
    by_fit = {by for by, _of, _cents, rule in undone.undoings if rule == 3 and by in refunds}
    if by_fit:
        trial = case._replace(events=tuple(event for event in case.events if event.at not in by_fit))
        loose = match_draws(trial, pair_returns(trial)).loose
        surplus = frozenset(at for at, reason in loose.items() if reason in {TAKEN_TWICE, NOT_ON_SCHEDULE})
        undone = pair_returns(case, surplus)
    return undone, match_draws(case, undone)


def _in_order(bulk_pairs: pd.DataFrame, pairs: list[Pair]) -> pd.DataFrame:
    """All pairs in the order of event, line and role."""
    exact = pd.DataFrame(pairs, columns=list(bulk_pairs.columns)).astype(bulk_pairs.dtypes)
    both = pd.concat([bulk_pairs, exact], ignore_index=True) if pairs else bulk_pairs
    role = positions(distinct([both["role"]]), both["role"])
    event, line = both["event"].to_numpy(), both["line"].to_numpy()
    key = (event * (line.max(initial=0) + 1) + line) * (role.max(initial=0) + 1) + role
    order = np.argsort(key, kind="stable")  # quick, since what the bulk path found is in this order already
    return both.take(order).reset_index(drop=True)


@dataclass(frozen=True)
class _Found:
    left: Ints
    unplaced: Ints
    loose: np.ndarray[tuple[int], np.dtype[np.object_]]
    fee_back: Bools
    told: Bools
    misnamed: Bools
    undecided_lines: Bools

    def take(
        self,
        left: dict[int, int],
        unplaced: dict[int, int],
        loose: dict[int, str],
        told: list[int],
        misnamed: list[int],
        undecided_lines: frozenset[int],
    ) -> None:
        for at, cents in left.items():
            self.left[at] = cents
        for at, cents in unplaced.items():
            self.unplaced[at] = cents
        for at, reason in loose.items():
            self.loose[at] = reason
        self.told[told] = True
        self.misnamed[misnamed] = True
        self.undecided_lines[list(undecided_lines)] = True


def _cases(
    lines: pd.DataFrame,
    events: pd.DataFrame,
    book: Book,
    owners: Owners,
    rules: Rules,
    days: BankingDays,
    wanted: Bools,
) -> list[Case]:
    """The chosen students as plain tuples, in id order."""
    if not wanted.any():
        return []
    line_rows = np.flatnonzero(wanted[book.line_student])
    event_rows = np.flatnonzero((owners.student != NOBODY) & wanted[owners.student])
    lines_of: dict[int, list[Line]] = {}
    for line, student in zip(_line_tuples(lines, book, line_rows), book.line_student[line_rows].tolist(), strict=True):
        lines_of.setdefault(student, []).append(line)
    events_of: dict[int, list[Event]] = {}
    for event, student in zip(_event_tuples(events, owners, rules, event_rows), owners.student[event_rows].tolist(), strict=True):
        events_of.setdefault(student, []).append(event)

    @lru_cache(maxsize=4096)
    def add_banking_days(day: int, count: int) -> int:
        return int(days.add_numbers(np.array([day], dtype=np.int64), count)[0])

    matching = rules.matching
    case_rules = CaseRules(
        tolerance=matching.tolerance,
        group_size=matching.group_size,
        near_percent=matching.near_percent,
        return_days=matching.return_days,
        late_return_days=matching.late_return_days,
        cleared_then_returned=matching.cleared_then_returned,
        add_banking_days=add_banking_days,
    )
    return [
        Case(
            lines=tuple(sorted(lines_of[student], key=lambda line: line.order)),
            events=tuple(sorted(events_of.get(student, []), key=lambda event: event.order)),
            rules=case_rules,
        )
        for student in sorted(events_of)
    ]


def _line_tuples(lines: pd.DataFrame, book: Book, rows: Ints) -> list[Line]:
    part = lines.iloc[rows]
    return [
        Line(at, plan, line_number(name), name, reference, kind, amount, gross, draw, end, early, max(late, end), status == "active")
        for at, plan, name, reference, kind, amount, gross, draw, end, early, late, status in zip(
            rows.tolist(),
            book.line_plan[rows].tolist(),
            part["line"].tolist(),
            part["reference"].tolist(),
            part["kind"].tolist(),
            part["amount"].tolist(),
            part["gross"].tolist(),
            day_numbers(part["draw_date"]).tolist(),
            day_numbers(part["window_end"]).tolist(),
            day_numbers(part["early_from"]).tolist(),
            day_numbers(part["late_end"]).tolist(),
            part["line_status"].tolist(),
            strict=True,
        )
    ]


def _event_tuples(events: pd.DataFrame, owners: Owners, rules: Rules, rows: Ints) -> list[Event]:
    part = events.iloc[rows]
    facts: dict[tuple[str, str], CodeFacts] = {}

    def facts_of(method: str, code: str) -> CodeFacts:
        if (method, code) not in facts:
            facts[method, code] = code_facts(rules, method, code)
        return facts[method, code]

    return [
        Event(at, plan, settled, amount, outcome, kind, line, reference, original, code, facts_of(method, code), (method, name, named))
        for at, plan, settled, amount, outcome, kind, line, reference, original, code, method, name, named in zip(
            rows.tolist(),
            owners.plan[rows].tolist(),
            day_numbers(part["settled_on"]).tolist(),
            part["amount"].tolist(),
            part["outcome"].tolist(),
            part["kind"].tolist(),
            part["line"].tolist(),
            part["reference"].tolist(),
            part["original_reference"].tolist(),
            part["return_code"].tolist(),
            part["method"].tolist(),
            part["plan_id"].tolist(),
            part["student_id"].tolist(),
            strict=True,
        )
    ]
