"""The ground on which the facts of the exception list are found: what a run worked out, as plain columns, with lookups between its tables.

Facts are found by whole columns at once; what a sentence needs of a single line, event or student is looked up here, row by row, and only
for what is told.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from reconcile.event_terms import waits_for_its_term
from reconcile.events import NOBODY
from reconcile.exception_columns import Columns
from reconcile.exception_coming import Coming
from reconcile.exception_facts import Fact, day_text, who
from reconcile.exception_tries import Tries, Try
from reconcile.find_out_first import in_doubt
from reconcile.ledger import POSTED, refunds_apart
from reconcile.money import people_money
from reconcile.plans import may_still_come
from reconcile.proposals import Advice
from reconcile.student_case import line_number
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import pandas as pd

    from reconcile.banking_days import BankingDays
    from reconcile.events import Bools, Ints
    from reconcile.exports import Exports
    from reconcile.names_elsewhere import NamedElsewhere
    from reconcile.policy import Rules
    from reconcile.policy_models import ReturnCode
    from reconcile.worked import Worked

NO_ADVICE = Advice()


@dataclass(frozen=True)
class Ground:
    """What all kinds look at: the worked tables as columns, the day, and lookups from line, event and student to each other."""

    at: Worked
    rules: Rules
    has_postings: bool
    bank_ends: int | None
    """Last day that the bank's files speak of."""
    blocked: frozenset[tuple[str, str]]
    fee_terms: frozenset[str]
    """Terms in which the schedules of the whole run have fee lines."""
    today: int
    lines: Columns
    events: Columns
    money: Columns
    postings: Columns
    charges: Columns
    aid: Columns
    plans: Columns
    states: Columns
    row_of_line: Ints
    """Position of each line's student and term in the table of plans."""
    row_of_event: Ints
    """The same for each event; -1 where nothing says for which term it was."""
    likely: Ints
    """Positions of the lines that failed or were not seen: each has an exception."""
    likely_pairs: Ints
    """Positions of the pairs of events with those lines."""

    @classmethod
    def of(cls, at: Worked, exports: Exports, rules: Rules, fee_terms: frozenset[str]) -> Ground:
        """The ground of a run."""
        row_of_line = at.keys.lookup(at.lines)
        likely = np.flatnonzero(among(at.lines["state"], ("failed", "not seen")))  # most of what is told is told of these
        on_likely = np.zeros(len(at.lines), dtype=bool)
        on_likely[likely] = True
        pairs = np.flatnonzero(on_likely[at.matching.pairs["line"].to_numpy()])
        return cls(
            at=at,
            rules=rules,
            has_postings=exports.has_postings,
            bank_ends=int(np.datetime64(exports.span.last, "D").astype("int64")) if exports.span else None,
            blocked=exports.blocked,
            fee_terms=fee_terms,
            today=int(np.datetime64(at.as_of, "D").astype("int64")),
            lines=Columns(at.lines, likely),
            events=Columns(at.events, np.unique(at.matching.pairs["event"].to_numpy()[pairs])),
            money=Columns(at.money),
            postings=Columns(at.postings),
            charges=Columns(at.charges),
            aid=Columns(at.aid),
            plans=Columns(at.plans.table, np.unique(row_of_line[likely])),
            states=Columns(at.states),
            row_of_line=row_of_line,
            row_of_event=at.keys.lookup(at.money),
            likely=likely,
            likely_pairs=pairs,
        )

    @cached_property
    def _read(self) -> dict[int, Columns]:
        return {}

    def columns(self, table: pd.DataFrame) -> Columns:
        """Another table's columns as plain arrays, made once: to read many of its rows one by one."""
        if id(table) not in self._read:
            self._read[id(table)] = Columns(table)
        return self._read[id(table)]

    @cached_property
    def notice_by(self) -> dict[tuple[str, str], int]:
        """Last day for notice of a changed draw, by term and student, where one is proposed."""
        day = self.plans["notice_by"]
        at = np.flatnonzero(day > 0)
        return dict(zip(zip(self.plans["term"].of(at), self.plans["student_id"].of(at), strict=True), day[at].tolist(), strict=True))

    @cached_property
    def rows_to_stop(self) -> dict[tuple[str, str], int]:
        """Position in the table of plans, by term and student, where a draw may have to be stopped: the plan is over, or stopped."""
        plans = self.plans
        at = np.flatnonzero((plans["variance"] > self.rules.plans.plan_tolerance) | (plans["to_stop"] > 0) | (self.held > 0))
        return dict(zip(zip(plans["term"].of(at), plans["student_id"].of(at), strict=True), at.tolist(), strict=True))

    @cached_property
    def billed(self) -> dict[str, bool]:
        """Whether each term's bills are out."""
        return {term.code: term.billed_on <= self.at.as_of for term in self.rules.terms}

    @cached_property
    def gaps(self) -> dict[tuple[str, int], tuple[int, int]]:
        """By term and draw date: draws of dates of which the bank files show hardly one, and how many of them they do not show."""
        found = self.columns(self.at.gaps)
        names = zip(found["term"].of(np.arange(len(found))), found["draw_date"].tolist(), strict=True)
        return dict(zip(names, zip(found["lines"].tolist(), found["not_seen"].tolist(), strict=True), strict=True))

    @cached_property
    def elsewhere(self) -> dict[str, NamedElsewhere]:
        """By evidence of the return: what it names in place of a draw of its student, where the bank's files know it."""
        return {":".join(map(str, one.by)): one for one in self.at.elsewhere}

    def named_words(self, event: int) -> str:
        """What a return names that is no draw of its student, without the number of another student."""
        one = self.elsewhere.get(self.events.at(event))
        if one is None:
            return "a draw that nobody knows"
        return f"a {one.what} of {'this student, and no draw' if one.own else 'another student'}"

    def named_evidence(self, event: int) -> tuple[str, ...]:
        """Where that stands in the exports; nothing where nobody knows it."""
        one = self.elsewhere.get(self.events.at(event))
        return () if one is None else (":".join(map(str, one.of)),)

    @cached_property
    def held(self) -> Ints:
        """Pending cents of stopped plans, by row of plans."""
        pending = self.lines["state"].are("pending") & self.lines["stopped"]
        return self.at.keys.sum(self.row_of_line[pending], self.lines["amount"][pending])

    @cached_property
    def balance_now(self) -> Ints:
        """What each student with a plan owes today, by row of plans."""
        return self.at.keys.sum(self.at.keys.lookup(self.at.students), self.at.students["balance_now"].to_numpy())

    @cached_property
    def stopped_lines(self) -> frozenset[tuple[str, str]]:
        """Plan and line of every pending line under a stop."""
        which = np.flatnonzero(self.lines["state"].are("pending") & self.lines["stopped"])
        return frozenset(zip(self.lines["plan_id"].of(which), self.lines["line"].of(which), strict=True))

    @cached_property
    def coming(self) -> Coming:
        """The draws still to come, for the cautions about notice and installments."""
        return Coming(self.lines, self.row_of_line, len(self.at.keys), self.today, self.rules.plans.notice_days, self.days)

    @cached_property
    def returnable(self) -> Ints:
        """The last day on which a cleared bank draw may come back in the ordinary way, the latest by row of plans."""
        last = np.full(len(self.at.keys), np.iinfo(np.int64).min, dtype=np.int64)
        np.maximum.at(last, self.row_of_line, self.states["returnable_until"])
        return last

    @cached_property
    def posted_events(self) -> Bools:
        """Whether each event stands on the student ledger as a plan draw."""
        found = np.zeros(len(self.events), dtype=bool)
        found[self.at.ledger["event"].to_numpy()[is_word(self.at.ledger["how"], POSTED)]] = True
        return found

    @cached_property
    def stray(self) -> frozenset[tuple[str, str]]:
        """Terms and students with a return that hangs on no draw: what it was for may be what their other exceptions speak of."""
        which = (self.money["undid_nothing"] > 0) & self.events["outcome"].are("returned") & ~self.at.matching.told
        which[self.at.matching.pairs["event"].to_numpy()] = False
        return frozenset((self.money["term"][at], self.money["student_id"][at]) for at in np.flatnonzero(which).tolist())

    @property
    def bank_read(self) -> int:
        """The last day on which this run has read what the bank says: that of its files, or today if they go beyond; -1 without files."""
        return -1 if self.bank_ends is None else min(self.bank_ends, self.today)

    @cached_property
    def _by_row(self) -> dict[str, tuple[Ints, Ints]]:
        return {}

    @cached_property
    def _mine(self) -> dict[tuple[str, int], Sequence[int]]:
        return {}

    def mine(self, name: str, row: int) -> Sequence[int]:
        """Positions of a table's rows that belong to a row of plans: `lines`, `charges`, `aid`, `credit_rows` or `money`."""
        known = self._mine.get((name, row))
        if known is not None:
            return known
        if name not in self._by_row:
            of = self.row_of_line if name == "lines" else self.at.keys.lookup(getattr(self.at, name))
            order = np.argsort(of, kind="stable")
            self._by_row[name] = (order, np.searchsorted(of[order], np.arange(len(self.at.keys) + 1)))
        order, starts = self._by_row[name]
        found: list[int] = order[starts[row] : starts[row + 1]].tolist()
        self._mine[name, row] = self._in_order(found) if name == "lines" else found
        return self._mine[name, row]

    def _in_order(self, lines: list[int]) -> list[int]:
        """Lines by `line_order`; their dates alone give the order as a rule."""
        days = self.lines["draw_date"][lines].tolist()
        if all(day < after for day, after in pairwise(days)):
            return lines
        return sorted(lines, key=self.line_order)

    def lines_of_plan(self, line: int) -> list[int]:
        """Positions of the lines of a line's plan."""
        order, starts = self._plan_order
        plan = self.at.book.line_plan[line]
        found: list[int] = order[starts[plan] : starts[plan + 1]].tolist()
        return found

    @cached_property
    def _plan_order(self) -> tuple[Ints, Ints]:
        order = np.argsort(self.at.book.line_plan, kind="stable")
        return order, np.searchsorted(self.at.book.line_plan[order], np.arange(len(self.at.book.plans) + 1))

    def line_order(self, line: int) -> tuple[int, str, tuple[int, int, str]]:
        """Draw date, plan, line as a number: an order that does not depend on the order of rows."""
        return int(self.lines["draw_date"][line]), str(self.lines["plan_id"][line]), line_number(self.lines["line"][line])

    @cached_property
    def told_events(self) -> list[int]:
        """Positions of the dishonored or contested returns; kept, since every failed line asks."""
        return [int(at) for at in np.flatnonzero(self.at.matching.told)]

    @cached_property
    def waiting(self) -> Bools:
        """Whether each event is money that would count on a bill, and nothing says on the bill of which term."""
        at = self.at
        return waits_for_its_term(at.money, at.events, at.matching.left, at.lines, self.rules, has_postings=self.has_postings)

    @cached_property
    def waiting_students(self) -> frozenset[str]:
        """The students of that money."""
        return frozenset(self.money["student_id"].of(np.flatnonzero(self.waiting)))

    @cached_property
    def refunds_apart(self) -> frozenset[str]:
        """The students of whom refunds at the bank and on the ledger do not come to the same."""
        at = self.at
        apart = refunds_apart(at.postings, at.ledger, at.events, at.money, at.matching.undoings)
        return frozenset(self.money["student_id"].of(np.flatnonzero(apart)))

    @cached_property
    def _tries(self) -> Tries:
        return Tries(self.at.matching.pairs, self.events, self.likely, self.likely_pairs, len(self.lines))

    def tries(self, line: int) -> list[Try]:
        """All events on a line, oldest first."""
        return self._tries.on(line)

    def first_settled(self, line: int, tries: Iterable[Try]) -> int:
        """The day on which the line's money was first taken, from which its code's days count (`plans.first_settled`)."""
        expected = int(self.lines["expected_on"][line])
        tried = [(t.settled, t.role) for t in tries if t.role in {"attempt", "failed"}]
        first, role = min(tried, default=(expected, "attempt"))
        return min(first, expected) if role == "failed" else first

    @cached_property
    def in_doubt(self) -> Bools:
        """Whether each event is a return of which the bank must say first which draw came back."""
        return in_doubt(self.at.events, self.at.matching)

    def line_words(self, line: int) -> dict[str, object]:
        """The gaps of a sentence that a schedule line fills: who, draw, draw_date, scheduled, cleared; cents."""
        lines = self.lines
        draw = "draw" if lines["kind"][line] == "draw" else "enrollment fee" if lines["kind"][line] == "fee" else "down payment"
        return {
            "who": who(lines["student_id"][line], lines["plan_id"][line], lines["line"][line]),
            "draw": draw,
            "draw_date": day_text(lines["draw_date"][line]),
            "scheduled": int(lines["amount"][line]),
            "cleared": int(lines["cleared"][line]),
        }

    def line_fact(self, kind: str, line: int, amount: int, happened: int | None, **more: Any) -> Fact:  # noqa: ANN401 (fields of Fact)
        """A fact about one schedule line; `what`, `advice` and the like by name."""
        lines = self.lines
        return Fact(
            kind=kind,
            term=lines["term"][line],
            student_id=lines["student_id"][line],
            plan_id=lines["plan_id"][line],
            line=lines["line"][line],
            amount=int(amount),
            happened=happened,
            **more,
        )

    def line_evidence(self, line: int, tries: Iterable[Try] = ()) -> tuple[str, ...]:
        """The schedule row and the bank rows of a line."""
        return (self.lines.at(line), *(self.events.at(t.event) for t in tries))

    def advice(self, row: int) -> Advice:
        """The engine's advice for a row of plans."""
        return self.at.plans.advice.get(row, NO_ADVICE)

    @cached_property
    def undone_by(self) -> dict[int, list[int]]:
        """Positions of the cleared events that each return or refund undid."""
        found: dict[int, list[int]] = {}
        for by, of in self.at.matching.undoings[["by", "of"]].itertuples(index=False):
            found.setdefault(int(by), []).append(int(of))
        return found

    def otherwise(self, line: int) -> Advice:
        """The advice of the line's row if the money of this line, which is awaited, were not to come."""
        key = (self.lines["plan_id"][line], self.lines["line"][line])
        return self.at.plans.otherwise.get(key, self.advice(int(self.row_of_line[line])))

    @cached_property
    def may_come(self) -> Bools:
        """Whether each line was not seen and its money may still come, or was taken already."""
        return may_still_come(self.at.lines, self.today)

    @cached_property
    def days(self) -> BankingDays:
        """The office's banking days."""
        return self.rules.banking_days()

    def consequence(self, row: int) -> str:
        """What it comes to for the bill, in words: plan over, plan short, or neither."""
        if row < 0:
            return "it counts on no bill, since nothing says for which term it was"
        if not self.billed[self.plans["term"][row]]:
            return "the term is not billed yet"
        variance, tolerance = int(self.plans["variance"][row]), self.rules.plans.plan_tolerance
        held = int(self.held[row])
        stopped = f", and the draws of {people_money(held)} still to come are under a stop" if held else ""
        if variance < -tolerance:
            return f"plan short by {people_money(-variance)}: that much of the bill has no draw behind it{stopped}"
        if variance > tolerance:
            more = "would be drawn" if self.plans["pending_draws"][row] else "has come in"
            return f"plan over by {people_money(variance)}, so that much more {more} than the bill asks{stopped}"
        return f"plan and bill still agree{stopped}"

    @cached_property
    def _codes(self) -> dict[tuple[str, str], ReturnCode | None]:
        return {}

    def return_code(self, method: str, code: str) -> ReturnCode | None:
        """What the rules say of a code of that method, else of the code alone; None where they do not list it."""
        if (method, code) not in self._codes:
            self._codes[method, code] = self.rules.returns.code(method, code) or self.rules.returns.code("", code)
        return self._codes[method, code]

    def code_words(self, method: str, code: str) -> str:
        """A return code with its title: "R01, insufficient funds"."""
        if not code:
            return "no return code given"
        found = self.return_code(method, code)
        return f"{code}, {found.title}" if found else f"{code}, a code that the rules do not list"

    def settled_text(self, event: int) -> str:
        """The day of an event."""
        return day_text(self.events["settled_on"][event])

    def event_about(self, event: int) -> str:
        """What tells an event from others: its reference, else its day."""
        return str(self.events["reference"][event]) or self.settled_text(event)

    def named_line(self, event: int) -> str:
        """The line that an event is on or names, "" if none."""
        return str(self.money["line"][event])

    def is_placed(self, event: int) -> bool:
        """Whether an event lies on a line."""
        return bool(self.money["line_at"][event] != NOBODY)
