"""Plans under a stop: a return code after which no draw may be taken until the family authorises the account anew.

An unauthorized or closed account must not be drawn on again. The stop ends when the plan's consent is newer than the return. A return
that names only a student stops all that student's plans.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from reconcile.events import NOBODY, day_numbers

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd

    from reconcile.events import Book, Bools, Ints, Owners
    from reconcile.policy import Rules

NEVER = np.iinfo(np.int64).min


def stopped_since(lines: pd.DataFrame, events: pd.DataFrame, book: Book, owners: Owners, rules: Rules, as_of: date) -> Ints:
    """For each plan the day number of the latest stop return still in force, or NEVER; a returned payment stops no plan.

    In:      lines (consent_on), events (outcome, return_code, method, settled_on), their codes.
    Rules:   returns.toml stops_plan
    """
    today = np.datetime64(as_of, "D").astype("int64")
    consent = day_numbers(lines["consent_on"])
    consent = np.where(consent <= today, consent, day_numbers(lines["enrolled_on"]))
    agreed = np.full(len(book.plans), NEVER, dtype=np.int64)
    np.maximum.at(agreed, book.line_plan, consent)
    stop = np.full(len(book.plans), NEVER, dtype=np.int64)
    by_student = np.full(len(book.students), NEVER, dtype=np.int64)
    returned = (events["outcome"] == "returned").to_numpy(dtype=bool) & (owners.student != NOBODY)
    returned &= (events["kind"] != "payment").to_numpy(dtype=bool)
    codes = events.loc[returned, ["method", "return_code"]].drop_duplicates()
    settled = day_numbers(events["settled_on"])
    for method, code in codes.itertuples(index=False):
        found = rules.returns.code(method, code) if code else None
        if found is None or not found.stops_plan:
            continue
        which = returned & ((events["method"] == method) & (events["return_code"] == code)).to_numpy(dtype=bool)
        plan = np.where(which & (owners.plan == NOBODY), _plan_by_reference(lines, events, book, owners, which), owners.plan)
        by_plan = which & (plan != NOBODY)
        np.maximum.at(stop, plan[by_plan], settled[by_plan])
        alone = which & (plan == NOBODY)
        np.maximum.at(by_student, owners.student[alone], settled[alone])
    if len(book.plans):
        stop = np.maximum(stop, by_student[book.student_of_plan])
    return np.where(stop >= agreed, stop, NEVER)


def _plan_by_reference(lines: pd.DataFrame, events: pd.DataFrame, book: Book, owners: Owners, which: Bools) -> Ints:
    """The plan whose line a return without a plan names by a reference that just one line of the student carries, or NOBODY."""
    found = np.full(len(events), NOBODY, dtype=np.int64)
    asking = np.flatnonzero(which & (owners.plan == NOBODY) & (events["reference"] != "").to_numpy(dtype=bool))
    references = lines["reference"]
    for at in asking:
        row = events.iloc[int(at)]
        carries = (references == row["reference"]).to_numpy(dtype=bool) & (book.line_student == owners.student[at])
        if carries.sum() == 1:
            found[at] = book.line_plan[carries][0]
    return found
