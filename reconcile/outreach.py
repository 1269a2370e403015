"""The families to contact: one row for each, so that nobody gets three letters about one thing, with the words of a letter.

Only exceptions that concern the family stand here (those whose kind has words in `letters.toml`), open ones, above information; what the
office has to settle with the bank or its own ledger gives no letter, and neither does what a person has closed. The letter says only what
holds: new amounts are named only where nothing has to be found out first, and every letter says that it changes no draw.

Works on the students with exceptions alone, however many there are beside them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd

from reconcile.exception_advice import UNDER_A_STOP
from reconcile.exception_facts import ASK_BANK_FIRST, DECIDES_FIRST
from reconcile.money import parse_rule_money, people_money
from reconcile.standing import CARRIED, CHANGED, NEW, typed
from reconcile.texts import among

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from datetime import date

    from reconcile.policy import Letters, Rules

OPEN: Final = (NEW, CHANGED, CARRIED)
MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
FAILED: Final = "failed draw"
ASKED_FOR: Final = (FAILED, "no draw seen", "draw for less")
"""Kinds whose letters say that part of the bill is open."""
FIRST: Final = (DECIDES_FIRST, ASK_BANK_FIRST)
"""Words of an action after which no family is asked for money before somebody has found something out."""
ACCOUNTS: Final = {"bank": "bank account", "card": "card"}
"""What a draw is taken from, by its method."""
UNSETTLED: Final = frozenset({"unauthorized", "chargeback", "dishonored", "contested"})
"""Classes of codes after which the bursar and the bank speak first, and no family is asked for money."""
DECIDED_FIRST: Final = ("drawn after a stop",)
"""While one of these is open the bursar decides, and no family is asked for the money of a draw."""
PLAN_COLUMNS: Final = ["term", "student_id", "variance", "again", "awaited", "proposed_draws", "to_give_back", "to_collect", "notice_by"]
ROW_COLUMNS: Final = [
    *("exception_id", "kind", "term", "student_id", "plan_id", "line", "amount", "happened_on"),
    *("action", "act_by", "standing", "disposition"),
]
DRAW_COLUMNS: Final = ["student_id", "plan_id", "line", "draw_date", "method", "return_code"]
NOT_KNOWN: Final = "[fill in]"
Row = dict[str, Any]


def outreach(
    exceptions: pd.DataFrame,
    plans: pd.DataFrame,
    draws: pd.DataFrame,
    rules: Rules,
    as_of: date,
    names: Mapping[str, str],
    part: int = 0,
    parts: int = 1,
) -> pd.DataFrame:
    """One row per family to contact.

    In:      OUTPUTS["exceptions"], "plans" and "draws" of a run, cents; `names` by student id, empty unless the run shows names.
    Out:     OUTPUTS["outreach"], families with the most harmful exception first. `why` and `propose` join the causes in that order;
             `amount` is that of the first, above zero; `by_when` is the earliest act_by; notice_by that of the plans. Only one part of so
             many `parts` of the families; one after the other, the parts are all of them.
    Rules:   letters.toml; without it the table has no rows
    """
    letters = rules.letters
    if letters is None:
        return typed([], "outreach")
    concerning = _concerning(exceptions, letters)
    if not concerning:
        return typed([], "outreach")
    told = np.flatnonzero(among(plans["student_id"], list({row["student_id"] for row in concerning})))
    of_plan = {(r["term"], r["student_id"]): r for r in _records(plans[PLAN_COLUMNS].iloc[told])}
    run = _Run(of_plan, *_draws_of(draws, concerning), rules, letters, as_of)
    open_rows = exceptions["standing"].isin(OPEN)
    waits = set(exceptions.loc[open_rows & exceptions["kind"].isin(DECIDED_FIRST), "student_id"])
    families: dict[str, list[Row]] = {}
    for row in concerning:
        if row["kind"] not in ASKED_FOR or (row["student_id"] not in waits and _is_owed(row, run)):
            families.setdefault(row["student_id"], []).append(row)
    chosen = list(families.items())[len(families) * part // parts : len(families) * (part + 1) // parts]
    return typed([_family(student, causes, run, names.get(student, "")) for student, causes in chosen], "outreach")


class _Run(NamedTuple):
    """What the letters of a run are written from.

    of_plan: the row of plans by term and student. of_line: the row of draws by student, plan and line. methods: how each plan of a student
    is drawn.
    """

    of_plan: Mapping[tuple[str, str], Row]
    of_line: Mapping[tuple[str, str, str], Row]
    methods: Mapping[tuple[str, str], frozenset[str]]
    rules: Rules
    letters: Letters
    as_of: date

    def money(self, cents: int) -> str:
        """An amount as a letter writes it."""
        return f"{self.letters.currency}{people_money(cents)}"

    def line(self, row: Row) -> Row:
        """The row of draws that an exception is about; empty where it is about none."""
        return self.of_line.get((row["student_id"], row["plan_id"], row["line"]), {})

    def account(self, rows: Iterable[Row]) -> str:
        """What the draws of these exceptions are taken from: the line's own, else all that the student's plans are drawn from."""
        found: set[str] = set()
        for row in rows:
            method = self.line(row).get("method", "")
            plans = row["plan_id"].split("; ")
            found |= {method} if method else {one for plan in plans for one in self.methods.get((row["student_id"], plan), ())}
        return ACCOUNTS[found.pop()] if len(found) == 1 else " or ".join(ACCOUNTS.values())


def _draws_of(
    draws: pd.DataFrame, concerning: Sequence[Row]
) -> tuple[dict[tuple[str, str, str], Row], dict[tuple[str, str], frozenset[str]]]:
    """Of the plans that the exceptions name, the rows of draws by student, plan and line, and how each plan is drawn."""
    plans = {plan for row in concerning for plan in row["plan_id"].split("; ")}
    named = {(row["student_id"], row["plan_id"], row["line"]) for row in concerning}
    mine = draws[DRAW_COLUMNS].iloc[np.flatnonzero(among(draws["plan_id"], list(plans)))]
    keys = list(zip(mine["student_id"].tolist(), mine["plan_id"].tolist(), mine["line"].tolist(), strict=True))
    rows = _records(mine.iloc[[at for at, key in enumerate(keys) if key in named]])
    methods: dict[tuple[str, str], set[str]] = {}
    for (student, plan, _line), method in zip(keys, mine["method"].tolist(), strict=True):
        methods.setdefault((student, plan), set()).add(method)
    of_line = {(row["student_id"], row["plan_id"], row["line"]): row for row in rows}
    return of_line, {key: frozenset(found) for key, found in methods.items()}


def _records(table: pd.DataFrame) -> list[Row]:
    names = [str(name) for name in table.columns]
    return [dict(zip(names, row, strict=True)) for row in zip(*(table[name].tolist() for name in names), strict=True)]


def _concerning(exceptions: pd.DataFrame, letters: Letters) -> list[Row]:
    """The exceptions that a family is written to about, in the order of the list."""
    which = exceptions["standing"].isin(OPEN) & (exceptions["severity"] != "information") & (exceptions["student_id"] != "")
    found = []
    for row in _records(exceptions.loc[which & exceptions["kind"].isin(list(letters.kinds)), ROW_COLUMNS]):
        only_after = letters.kinds[row["kind"]].only_after
        waits = bool(only_after) and row["disposition"] not in only_after
        written = row["disposition"] in letters.not_after and row["standing"] != CHANGED
        if not waits and not written:
            found.append(row)
    return found


def _is_owed(row: Row, run: _Run) -> bool:
    """Whether a family may be told of a draw that brought nothing, or less, that its part of the bill is open.

    Not where later draws already carry the money, nor where somebody has to decide or to ask the bank first: a family that pays then
    pays twice.
    """
    plan = run.of_plan.get((row["term"], row["student_id"]))
    if plan is not None and plan["variance"] >= -run.rules.plans.plan_tolerance and not plan["again"]:
        return False
    if any(words in row["action"] for words in FIRST):
        return False
    if row["kind"] != FAILED:
        return True
    line = run.line(row)
    method, code = line.get("method", ""), line.get("return_code", "")
    found = run.rules.returns.code(method, code) or run.rules.returns.code("", code)
    return found is not None and (found.again or found.stops_plan) and found.klass not in UNSETTLED


def _family(student: str, causes: Sequence[Row], run: _Run, name: str) -> Row:
    """The row of one family; `causes` are its exceptions, the most harmful first."""
    letters = run.letters
    terms = list(dict.fromkeys(row["term"] for row in causes))
    common: dict[str, object] = {
        "student_id": student,
        "name": name or letters.without_name.format(student_id=student),
        "notice_days": run.rules.plans.notice_days,
        "office": letters.office.name,
        "contact": letters.office.contact,
    }
    said = [
        letters.kinds[row["kind"]].why.format(
            **common,
            **_term_words(row["term"], run.rules),
            plan=row["plan_id"],
            amount=run.money(abs(int(row["amount"]))),
            day=_day(row["happened_on"]),
            draw_date=_day(run.line(row).get("draw_date", pd.NaT)),
            account=run.account([row]),
        )
        for row in causes
    ]
    advised = [run.of_plan[term, student] for term in terms if (term, student) in run.of_plan]
    for plan in advised:
        about = [row for row in causes if row["term"] == plan["term"]]
        said += _advice(plan, about, run, common | _term_words(plan["term"], run.rules))
    first = _term_words(terms[0], run.rules)
    notices = [plan["notice_by"] for plan in advised if not pd.isna(plan["notice_by"])]
    return {
        "term": "; ".join(terms),
        "student_id": student,
        "student_name": name,
        "why": _joined(row["kind"] for row in causes),
        "amount": abs(int(causes[0]["amount"])),
        "by_when": min((row["act_by"] for row in causes if not pd.isna(row["act_by"])), default=pd.NaT),
        "notice_by": min(notices, default=pd.NaT),
        "propose": " ".join(dict.fromkeys(row["action"] for row in causes)),
        "greeting": letters.greeting.format(**common, **first),
        "letter": " ".join(dict.fromkeys([*said, letters.closing.format(**common, **first)])),
        "exception_ids": _joined(row["exception_id"] for row in causes),
    }


def _advice(plan: Row, about: Sequence[Row], run: _Run, words: Mapping[str, object]) -> list[str]:
    """The sentences about what may become of the draws of one term; new amounts only where nothing has to be found out first."""
    said, letters = [], run.letters
    account = run.account(about)
    if any(UNDER_A_STOP in row["action"] for row in about):
        said.append(letters.draw_stopped.format(**words, account=account))
    elif plan["proposed_draws"]:
        sure = all(letters.kinds[row["kind"]].proposes and not any(first in row["action"] for first in FIRST) for row in about)
        in_time: bool = not pd.isna(plan["notice_by"]) and plan["notice_by"] >= pd.Timestamp(run.as_of)
        if sure and in_time:
            proposed = _draws(plan["proposed_draws"], run.money)
            said.append(letters.draw_changes.format(**words, proposed=proposed, notice_by=_day(plan["notice_by"])))
        else:
            said.append(letters.draw_may_change.format(**words))
    if plan["again"]:
        said.append(letters.draw_again.format(**words, again=run.money(int(plan["again"])), account=account))
    if plan["awaited"]:  # its draw may still be taken: whoever pays it meanwhile pays twice
        said.append(letters.draw_may_change.format(**words))
    if plan["to_give_back"]:
        said.append(letters.money_back.format(**words, give_back=run.money(int(plan["to_give_back"]))))
    if plan["to_collect"]:
        said.append(letters.to_pay.format(**words, collect=run.money(int(plan["to_collect"]))))
    return said


def _term_words(code: str, rules: Rules) -> dict[str, object]:
    term = rules.term(code)
    return {"term": code, "term_name": term.name if term else code}


def _draws(proposed: str, money: Callable[[int], str] = people_money) -> str:
    """The proposed draws as a letter writes them.

    >>> _draws("2026-11-10 2750.00; 2026-12-10 0.00")
    '2,750.00 on November 10, 2026; 0.00 on December 10, 2026'
    """
    parts = (part.split(" ") for part in proposed.split("; "))
    return "; ".join(f"{money(parse_rule_money(cents))} on {_day(pd.Timestamp(day))}" for day, cents in parts)


def _day(day: pd.Timestamp) -> str:
    """A day as a letter writes it.

    >>> _day(pd.Timestamp("2026-11-10")), _day(pd.NaT)
    ('November 10, 2026', '[fill in]')
    """
    return NOT_KNOWN if pd.isna(day) else f"{MONTHS[day.month - 1]} {day.day}, {day.year}"


def _joined(words: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(words))
