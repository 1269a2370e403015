"""The exception list: everything that a person of the office should look at, the most harmful first, each told once and in one sentence.

A step over tables: the facts come from the modules of each group, severity, owner, action and days from the rules, age and standing from
the run before.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial
from typing import TYPE_CHECKING, Any

from reconcile.common_causes import run_lines
from reconcile.exception_ground import Ground
from reconcile.exception_kinds import BY_NAME, GROUPS
from reconcile.exception_last_days import while_it_can_be_done
from reconcile.exception_rows import cells_of, row_of, severity_of, when_to_act
from reconcile.exceptions_bank import undecided_money
from reconcile.exceptions_bill import bill_and_plan
from reconcile.exceptions_close import returns_after_the_close
from reconcile.exceptions_draws import came_late_or_early, draws_not_taken
from reconcile.exceptions_ledger import systems_apart
from reconcile.exceptions_money import money_taken_wrongly
from reconcile.exceptions_plans import plans_off_the_rules
from reconcile.standing import CLOSED, RESOLVED, Memory, PreviousList, exception_ids, typed_columns

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import pandas as pd

    from reconcile.dispositions import Note
    from reconcile.exception_facts import Fact
    from reconcile.exception_rows import Row
    from reconcile.exceptions_close import Since
    from reconcile.exports import Exports
    from reconcile.policy import Rules
    from reconcile.worked import Worked

SEVERITIES = ("urgent", "act", "information")
DONE = frozenset({CLOSED, RESOLVED})
AGAINST_THE_BILL = ("plan exceeds bill", "plan below bill", "bill short")
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
    when = cache(partial(when_to_act, rules, rules.banking_days(), as_of))  # few different days, asked for often
    rows = [row_of(id_, fact, memory.stands(id_, fact.amount), rules, as_of, when) for id_, fact in zip(ids, told, strict=True)]
    place = {id(line): at for at, line in enumerate(lines, start=len(facts))}
    under = {at: place[id(line)] for at, line in leads.items()}
    severities = _severities(rows, under)
    order = _order(told, rows, severities, under)
    gone = [_told_otherwise(row, told) for row in memory.gone(dict.fromkeys(ids, 0))]
    gone.sort(key=lambda row: (_group(row["kind"]), row["term"], row["student_id"], row["exception_id"]))
    amounts = {id_: fact.amount for id_, fact in zip(ids, told, strict=True)}
    decided = memory.spoken_of
    known = {row.exception_id: row._asdict() for row in rows if row.exception_id in decided} | {row["exception_id"]: row for row in gone}
    strangers = tuple(sorted(set(memory.strangers) - set(ids)))
    some = "an exception" if len(strangers) == 1 else f"{len(strangers):,} exceptions"
    first = ", ".join(strangers[:MOST_NAMED]) + ("..." if len(strangers) > MOST_NAMED else ".")
    said = (f"The notes name {some} that no list holds: {first}",) if strangers else ()
    cells = cells_of([rows[at] for at in order], [severities[at] for at in order], gone)
    return ExceptionList(typed_columns(cells, "exceptions"), memory.log(amounts, known), said)


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
    return [while_it_can_be_done(on, fact) for fact in found]


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


def _severities(rows: Sequence[Row], under: Mapping[int, int]) -> list[str]:
    """The severity of each row; a line of a common cause is as severe as the most severe row under it."""
    found = [row.severity for row in rows]
    for at, line in under.items():
        found[line] = min(found[line], found[at], key=SEVERITIES.index)
    return found


def _group(kind: str) -> int:
    return next((at for at, kinds in enumerate(GROUPS.values()) if kind in kinds), len(GROUPS))


def _order(told: Sequence[Fact], rows: Sequence[Row], severities: Sequence[str], under: Mapping[int, int]) -> list[int]:
    """Positions in the order of the list; `under` gives the position of the common cause of a fact's position."""
    rank = {name: at for at, name in enumerate(SEVERITIES)}
    group = {name: list(GROUPS).index(kind.group) for name, kind in BY_NAME.items()}
    own = [
        (
            (row.standing in DONE, not fact.soon, rank[severity], group[fact.kind]),
            -abs(fact.amount),
            (fact.kind, fact.term, fact.student_id, fact.plan_id, fact.line, row.exception_id),
        )
        for fact, row, severity in zip(told, rows, severities, strict=True)
    ]

    def key(at: int) -> tuple[Any, ...]:
        lead = under.get(at)
        return (*own[at], 0) if lead is None or rows[at].standing == CLOSED else (*own[lead], 1, own[at])

    return sorted(range(len(rows)), key=key)
