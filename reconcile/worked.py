"""Everything that a run has worked out before it is shown: the tables that the steps made, side by side.

The exception list reads it, and so does whoever wants to look behind a figure. Nothing is worked out here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd

    from reconcile.as_of import Dated
    from reconcile.bulk import Matching
    from reconcile.events import Book, Bools, Ints, Owners
    from reconcile.findings import Finding
    from reconcile.names_elsewhere import NamedElsewhere
    from reconcile.plans import Advised
    from reconcile.variance import PlanKeys


@dataclass(frozen=True, eq=False)
class Worked:
    """Everything a run worked out, before it is shown: what the exception list and a student's story are made of.

    dated:     each export with the bucket of the rows that do not count.
    charges, aid (with `standing`), postings, events: the rows that count, with `entry`, their position among the accepted rows.
    lines:     schedule lines with windows, state, cleared, return_code, `again` (may be presented again today), `stopped`, `posted` (not
               seen and posted all the same), `held` (cents that came back and wait for a person).
    states:    draw_states of the lines. book, owners: plan and student codes of lines and events. matching: pairs, undoings and reasons.
    money:     where each event's cents went. stops: for each plan code the day of the stop in force, or stops.NEVER.
    ledger:    event, posting, how. counted: cents of each posting that count. credit_rows: credits beside plan draws.
    students, variance (with `lapsed`), keys (rows of variance by student and term), plans (table and advice), decide (rows of variance
    that a person must decide first), gaps (draw dates of which the whole run saw hardly a draw),
    elsewhere (returns of the whole run that name an event which is no draw of their student).
    """

    as_of: date
    dated: dict[str, Dated]
    charges: pd.DataFrame
    aid: pd.DataFrame
    postings: pd.DataFrame
    events: pd.DataFrame
    lines: pd.DataFrame
    states: pd.DataFrame
    book: Book
    owners: Owners
    matching: Matching
    money: pd.DataFrame
    stops: Ints
    ledger: pd.DataFrame
    counted: Ints
    credit_rows: pd.DataFrame
    students: pd.DataFrame
    variance: pd.DataFrame
    keys: PlanKeys
    gaps: pd.DataFrame
    elsewhere: tuple[NamedElsewhere, ...]
    plans: Advised
    decide: Bools
    findings: tuple[Finding, ...]
