"""The exception list: everything that a person of the office should look at, the most harmful first, each told once and in one sentence.

A step over tables: the facts come from the modules of each group, severity, owner, action and days from the rules, age and standing from
the run before.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, partial
from typing import TYPE_CHECKING, Any

import pandas as pd

from reconcile.common_causes import run_lines
from reconcile.exception_advice import AGREE, NOTICE, ONE_OR_THE_OTHER
from reconcile.exception_ground import Ground
from reconcile.exception_kinds import BY_NAME, GROUPS
from reconcile.exceptions_bank import undecided_money
from reconcile.exceptions_bill import bill_and_plan
from reconcile.exceptions_close import returns_after_the_close
from reconcile.exceptions_draws import came_late_or_early, draws_not_taken
from reconcile.exceptions_ledger import systems_apart
from reconcile.exceptions_money import money_taken_wrongly
from reconcile.exceptions_plans import plans_off_the_rules
from reconcile.standing import CLOSED, RESOLVED, Decided, Memory, PreviousList, Stood, exception_ids, typed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

    from reconcile.banking_days import BankingDays
    from reconcile.dispositions import Note
    from reconcile.exception_facts import Fact
    from reconcile.exceptions_close import Since
    from reconcile.exports import Exports
    from reconcile.policy import Rules
    from reconcile.worked import Worked

    WorkingDay = Callable[[pd.Timestamp, int, int | None], pd.Timestamp]

SEVERITIES = ("urgent", "act", "information")
AGAINST_THE_BILL = ("plan exceeds bill", "plan below bill", "bill short")
FIXED = "fixed"
MOST_NAMED = 5
"""Ids of unknown exceptions that a note names one by one."""
ABSORBED = ("schedule does not add up", "second plan")


@dataclass(frozen=True, eq=False)
class ExceptionList:
    """OUTPUTS["exceptions"], OUTPUTS["dispositions"], and notes for the reader of the summary."""

    table: pd.DataFrame
    dispositions: pd.DataFrame
    notes: tuple[str, ...]


def list_exceptions(
    found: Sequence[Fact], plans: int, rules: Rules, as_of: date, previous: PreviousList | None = None, notes: Sequence[Note] = ()
) -> ExceptionList:
    """Tell what a person should look at, in order of harm.

    In:      the facts of all parts of the student body (`find_facts`) and how many plans there are; the list of the run before; what people
             wrote about it since. Cents.
    Out:     the list: first of all plans above their bill with a draw soon, then by severity, group of harm and amount; lines of a common
             cause stand before the rows under them; what is closed or resolved stands last.
    Rules:   exceptions.toml; the other rules files as the facts need them
    Keeps:   every id of the previous list that has a note or disposition, and every note.
    """
    facts = one_cause_once(found, rules)
    leads = run_lines(facts, plans)
    lines = list(dict.fromkeys(leads.values()))
    told = [*facts, *lines]
    ids = exception_ids(told)
    closing = frozenset(word.word for word in rules.exceptions.dispositions if word.closes)
    memory = Memory(previous, notes, closing, rules.plans.plan_tolerance, as_of)
    stood = {id_: memory.stands(id_, fact.amount) for id_, fact in zip(ids, told, strict=True)}
    working_day = lru_cache(maxsize=None)(partial(_on_a_working_day, rules.banking_days()))  # few different days, asked for often
    rows = {id_: _row(id_, fact, stood[id_], rules, as_of, working_day) for id_, fact in zip(ids, told, strict=True)}
    _lead_severity(rows, dict(zip(map(id, lines), ids[len(facts) :], strict=True)), leads, ids)
    order = _order(told, ids, rows, {at_: ids[len(facts) + lines.index(line)] for at_, line in leads.items()})
    gone = [_told_otherwise(row, told) for row in memory.gone(dict.fromkeys(ids, 0))]
    gone.sort(key=lambda row: (_group(row["kind"]), row["term"], row["student_id"], row["exception_id"]))
    amounts = {id_: fact.amount for id_, fact in zip(ids, told, strict=True)}
    known = rows | {row["exception_id"]: row for row in gone}
    strangers = tuple(sorted(set(memory.strangers) - set(ids)))
    some = "an exception" if len(strangers) == 1 else f"{len(strangers):,} exceptions"
    first = ", ".join(strangers[:MOST_NAMED]) + ("..." if len(strangers) > MOST_NAMED else ".")
    said = (f"The notes name {some} that no list holds: {first}",) if strangers else ()
    return ExceptionList(typed([*(rows[id_] for id_ in order), *gone], "exceptions"), memory.log(amounts, known), said)


def _told_otherwise(row: dict[str, Any], told: Sequence[Fact]) -> dict[str, Any]:
    """A row that is no longer found, with a word where the list now says something else of the same student and draw."""
    about = [
        fact.kind
        for fact in told
        if row["student_id"] and fact.student_id == row["student_id"] and fact.term == row["term"] and fact.line in {"", row["line"]}
    ]
    if not about or row["standing"] != RESOLVED or not str(row["action"]).startswith("Nothing more to do"):
        return row
    gone = str(row["action"]).replace("Nothing more to do: it is", "It is")
    return row | {"action": f"{gone} Of this student the list now tells: {', '.join(dict.fromkeys(about))}. Look there."}


def find_facts(at: Worked, exports: Exports, rules: Rules, fee_terms: frozenset[str]) -> list[Fact]:
    """Every fact of a part of the student body, before one cause is told once."""
    on, days = Ground.of(at, exports, rules, fee_terms), rules.banking_days()
    not_taken = list(draws_not_taken(on))
    failed = [(fact.student_id, fact.plan_id, fact.amount) for fact in not_taken if fact.kind == "failed draw"]
    found = [
        *money_taken_wrongly(on, days),
        *not_taken,
        *bill_and_plan(on),
        *undecided_money(on, failed),
        *plans_off_the_rules(on),
        *systems_apart(on, days),
        *came_late_or_early(on),
    ]
    return [_in_time(on, fact) for fact in found]


def _in_time(on: Ground, fact: Fact) -> Fact:
    """The fact with the last day for notice, where its advice asks for a notice that can still go out."""
    if not any(NOTICE in part for part in fact.advice):
        return fact
    last = on.notice_by.get((fact.term, fact.student_id))
    return fact if last is None or last < on.today else fact._replace(before=min(last, last if fact.before is None else fact.before))


def facts_of_close(at: Worked, exports: Exports, rules: Rules, since: Since) -> list[Fact]:
    """What only a month-end close can see, besides `find_facts`."""
    return list(returns_after_the_close(Ground.of(at, exports, rules, frozenset()), since))


def one_cause_once(facts: Sequence[Fact], rules: Rules) -> list[Fact]:
    """Leave out a second plan or lines that do not add up where the same student's plan is told against the bill, no less severely.

    What is left out stands in the sentence of what remains.
    """
    against = {(fact.term, fact.student_id): fact for fact in facts if fact.kind in AGAINST_THE_BILL}
    second: dict[int, str] = {}
    kept = []
    for fact in facts:
        over = against.get((fact.term, fact.student_id)) if fact.kind in ABSORBED else None
        if over is None or SEVERITIES.index(severity_of(over, rules)) > SEVERITIES.index(severity_of(fact, rules)):
            kept.append(fact)
        elif fact.kind == "second plan":
            second[id(over)] = fact.plan_id
    also = "; a second plan, {}, has draws still to come"
    return [fact._replace(what=fact.what[:-1] + also.format(second[id(fact)]) + ".") if id(fact) in second else fact for fact in kept]


def severity_of(fact: Fact, rules: Rules) -> str:
    """The severity of a fact: its kind's in the rules; information where the fact is calm, urgent where what is to be done is overdue."""
    severity = rules.exceptions.kinds[fact.kind].severity
    return "information" if fact.calm else "urgent" if fact.overdue and severity == "act" else severity


def _row(id_: str, fact: Fact, stood: Stood, rules: Rules, as_of: date, working_day: WorkingDay) -> dict[str, Any]:
    rule = rules.exceptions.kinds[fact.kind]
    act_by = working_day(stood.first_seen, rule.act_by_days, fact.before)
    decided, severity, closed = stood.decided, severity_of(fact, rules), stood.standing == CLOSED
    return {
        "exception_id": id_,
        "kind": fact.kind,
        "severity": severity,
        "owner": rule.owner,
        "term": fact.term,
        "student_id": fact.student_id,
        "plan_id": fact.plan_id,
        "line": fact.line,
        "amount": fact.amount,
        "happened_on": pd.NaT if fact.happened is None else _stamp(fact.happened),
        "what": fact.what,
        "action": action_text(
            "" if fact.instead else rule.action,
            fact.advice,
            "" if severity == "information" else by_when(act_by, as_of),
            before=(said_to_be_fixed(decided, closed=closed), said_to_be_in_hand(decided, closed=closed), fact.lead),
        ),
        "act_by": act_by,
        "evidence": "; ".join(dict.fromkeys(fact.evidence)),
        "first_seen": stood.first_seen,
        "age_days": _age(stood.first_seen, as_of),
        "standing": stood.standing,
        "disposition": decided.disposition,
        "note": decided.note,
        "decided_by": decided.decided_by,
        "decided_on": pd.NaT if decided.decided_on is None else decided.decided_on,
    }


@lru_cache(maxsize=4096)
def _stamp(day: int) -> pd.Timestamp:
    return pd.Timestamp(day, unit="D")


@lru_cache(maxsize=4096)
def _age(first_seen: pd.Timestamp, as_of: date) -> int:
    return (pd.Timestamp(as_of) - first_seen).days


def _on_a_working_day(days: BankingDays, first_seen: pd.Timestamp, in_days: int, before: int | None) -> pd.Timestamp:
    """By when something is to be done: so many calendar days after it was first seen, or `before` (a day number) if that is earlier.

    On a day on which banks or office are closed nobody acts: it is the banking day before, never a later one, but not before the day on
    which it was first seen.
    """
    last = first_seen + pd.Timedelta(days=in_days)
    if before is not None:
        last = min(last, _stamp(before))
    return max(pd.Timestamp(days.last_open(last.date())), min(last, first_seen))


@lru_cache(maxsize=4096)
def by_when(act_by: date, as_of: date) -> str:
    """The last sentence of an action: by which day, or that the day has passed."""
    day = act_by.date() if isinstance(act_by, pd.Timestamp) else act_by
    return f"Act by {day}." if day >= as_of else f"This was due by {day}."


def action_text(first: str, advice: Sequence[str], by: str, *, before: Sequence[str] = ()) -> str:
    """What must be said before all, the office's own first step, what the engine advises, and by when.

    An office's own "one or the other" is left out where the engine says what of the two is left to choose.
    """
    settled = any(part == AGREE or ONE_OR_THE_OTHER in part for part in (*before, *advice))
    own = "" if settled and ONE_OR_THE_OTHER in first else first
    return " ".join(part for part in dict.fromkeys((*before, own, *advice, by)) if part)


def said_to_be_fixed(decided: Decided, *, closed: bool) -> str:
    """What a closed exception says that was to be fixed and is still found; "" for others."""
    if not closed or decided.disposition != FIXED:
        return ""
    by = f" by {decided.decided_by}" if decided.decided_by else ""
    on = f" on {decided.decided_on.date()}" if decided.decided_on is not None else ""
    return (
        f"Said to be fixed{by}{on}, yet the exports still show it: check that it is in this run's exports; until then plans.csv still "
        "proposes draws as if it were open."
    )


def said_to_be_in_hand(decided: Decided, *, closed: bool) -> str:
    """What an exception says that somebody has taken in hand; "" for others. What is advised does not know what was done since."""
    if closed or not decided.disposition:
        return ""
    by = f" by {decided.decided_by}" if decided.decided_by else ""
    on = f" on {decided.decided_on.date()}" if decided.decided_on is not None else ""
    return f"Noted as {decided.disposition}{by}{on}: look first what was done since, so that nothing is done, drawn or paid twice."


def _lead_severity(rows: dict[str, dict[str, Any]], line_ids: dict[int, str], leads: dict[int, Fact], ids: Sequence[str]) -> None:
    """A line of a common cause is as severe as the most severe row under it."""
    for at, line in leads.items():
        lead = rows[line_ids[id(line)]]
        lead["severity"] = min(lead["severity"], rows[ids[at]]["severity"], key=SEVERITIES.index)


def _group(kind: str) -> int:
    return next((at for at, kinds in enumerate(GROUPS.values()) if kind in kinds), len(GROUPS))


def _order(told: Sequence[Fact], ids: Sequence[str], rows: dict[str, dict[str, Any]], under: dict[int, str]) -> list[str]:
    """Ids in the order of the list; `under` gives the id of the common cause of a fact's position."""
    facts = dict(zip(ids, told, strict=True))

    def own(id_: str) -> tuple[Any, ...]:
        fact, row = facts[id_], rows[id_]
        done = row["standing"] in {CLOSED, RESOLVED}
        harm = (SEVERITIES.index(row["severity"]), list(GROUPS).index(BY_NAME[fact.kind].group), -abs(fact.amount))
        return (done, not fact.soon, *harm, fact.kind, fact.term, fact.student_id, fact.plan_id, fact.line, id_)

    leads = set(under.values())

    def key(at: int) -> tuple[Any, ...]:
        id_ = ids[at]
        lead = under.get(at, id_ if id_ in leads else "")
        if not lead or rows[id_]["standing"] == CLOSED:
            return (own(id_), 0, own(id_))
        return (own(lead), 0 if id_ == lead else 1, own(id_))

    return [ids[at] for at in sorted(range(len(ids)), key=key)]
