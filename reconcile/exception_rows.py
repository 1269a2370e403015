"""The rows of the exception list: what is found, with severity, owner and days from the rules, and what people decided about it."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from reconcile.exception_advice import ONE_OR_THE_OTHER, SETTLED
from reconcile.standing import CLOSED, Decided, Stood

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

    from pandas._libs.tslibs.nattype import NaTType

    from reconcile.banking_days import BankingDays
    from reconcile.exception_facts import Fact
    from reconcile.policy import Rules

    When = Callable[[pd.Timestamp, str, int | None], tuple[pd.Timestamp, str]]

FIXED = "fixed"
CONFIRMED = "confirmed"
SEVERITIES = ("urgent", "act", "information")


def severity_of(fact: Fact, rules: Rules) -> str:
    """The severity of a fact: its kind's in the rules; information where the fact is calm, urgent where what is to be done is pressing."""
    severity = rules.exceptions.kinds[fact.kind].severity
    return "information" if fact.calm else "urgent" if fact.pressing and severity == "act" else severity


class Row(NamedTuple):
    """A row of OUTPUTS["exceptions"]; a tuple, since a large list has many."""

    exception_id: str
    kind: str
    severity: str
    owner: str
    term: str
    student_id: str
    plan_id: str
    line: str
    amount: int
    happened_on: pd.Timestamp | NaTType
    what: str
    action: str
    act_by: pd.Timestamp
    evidence: str
    first_seen: pd.Timestamp
    age_days: int
    standing: str
    disposition: str
    note: str
    decided_by: str
    decided_on: pd.Timestamp | NaTType


def row_of(id_: str, fact: Fact, stood: Stood, rules: Rules, as_of: date, when: When) -> Row:
    """The row of a fact: `stood` is where it stands, `when` by when its kind is worked (`when_to_act`, kept for few different days)."""
    rule = rules.exceptions.kinds[fact.kind]
    act_by, by = when(stood.first_seen, fact.kind, fact.before)
    decided, severity, closed = stood.decided, severity_of(fact, rules), stood.standing == CLOSED
    noted = (said_to_be_fixed(decided, closed=closed), said_to_be_in_hand(decided, closed=closed)) if decided.disposition else ()
    fact = once_confirmed(fact, decided)
    return Row(
        exception_id=id_,
        kind=fact.kind,
        severity=severity,
        owner=rule.owner,
        term=fact.term,
        student_id=fact.student_id,
        plan_id=fact.plan_id,
        line=fact.line,
        amount=fact.amount,
        happened_on=pd.NaT if fact.happened is None else _stamp(fact.happened),
        what=fact.what,
        action=action_text(
            "" if fact.instead else rule.action,
            fact.advice,
            "" if severity == "information" else by,
            before=(*noted, fact.lead),
        ),
        act_by=act_by,
        evidence="; ".join(dict.fromkeys(fact.evidence)),
        first_seen=stood.first_seen,
        age_days=_age(stood.first_seen, as_of),
        standing=stood.standing,
        disposition=decided.disposition,
        note=decided.note,
        decided_by=decided.decided_by,
        decided_on=pd.NaT if decided.decided_on is None else decided.decided_on,
    )


def cells_of(rows: Sequence[Row]) -> dict[str, Sequence[Any]]:
    """The cells of the rows by column."""
    columns = zip(*rows, strict=True) if rows else ((),) * len(Row._fields)
    return dict(zip(Row._fields, columns, strict=True))


def when_to_act(
    rules: Rules, days: BankingDays, as_of: date, first_seen: pd.Timestamp, kind: str, before: int | None
) -> tuple[pd.Timestamp, str]:
    """By when an exception of a kind is to be worked, and the sentence that says so."""
    act_by = _on_a_working_day(days, first_seen, rules.exceptions.kinds[kind].act_by_days, before)
    return act_by, by_when(act_by, as_of)


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
    chosen = ONE_OR_THE_OTHER in first and any(part in SETTLED or ONE_OR_THE_OTHER in part for part in (*before, *advice))
    own = "" if chosen else first
    return " ".join(filter(None, dict.fromkeys((*before, own, *advice, by))))


def once_confirmed(fact: Fact, decided: Decided) -> Fact:
    """The fact with what follows from it once a person has confirmed it: nobody is told to ask again what was answered."""
    return fact._replace(advice=fact.confirmed, instead=True) if fact.confirmed and decided.disposition == CONFIRMED else fact


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
