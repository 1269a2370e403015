"""Of which term an event is that names only a student and lies on no line.

A bank's file may say whose money came, and not for which plan. A family pays from the day on which it enrolls: a down payment comes weeks
before the first draw, a late part weeks after the last. Such money counts on the bill of the term whose plan ran on that day; where the
student has plans of one term only, on that one. Where it fits several terms, or none of several, nobody can say on which bill it counts:
it counts on none, and a person decides before anything is drawn for it again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.events import NOBODY, day_numbers
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from reconcile.events import Book, Bools, Ints, Owners
    from reconcile.policy import Rules

DOWN_PAYMENT = "down payment"


def plan_of_student(lines: pd.DataFrame, events: pd.DataFrame, book: Book, owners: Owners, wanted: Bools, rules: Rules) -> Ints:
    """For each wanted event the plan of its student in whose term it counts, or NOBODY where it fits no one term.

    In:      lines (enrolled_on, draw_date, kind, term; cancelled ones too), events (settled_on, kind), their codes; wanted: events without
             line and plan.
    Out:     plan codes. A plan holds an event from the day on which it was enrolled (or its first draw date, if that is earlier) to
             late_match_days after its last draw date; where none does, all of them are asked. A down payment asks only plans with a down
             payment line, if the student has such. If what is left is of one term, the latest begun of it.
    Rules:   matching.toml late_match_days
    """
    found = np.full(len(events), NOBODY, dtype=np.int64)
    which = np.flatnonzero(wanted & (owners.student != NOBODY))
    if not len(which):
        return found
    asked = pd.DataFrame(
        {
            "event": which,
            "student": owners.student[which],
            "day": day_numbers(events["settled_on"])[which],
            "down": is_word(events["kind"], DOWN_PAYMENT)[which],
        }
    )
    both = asked.merge(_plans(lines, book, rules), on="student", how="inner", validate="many_to_many")
    both = _kept_if_any(both, (both["down"] & both["with_down_payment"]).to_numpy(dtype=bool))
    both = _kept_if_any(both, ((both["begins"] <= both["day"]) & (both["day"] <= both["ends"])).to_numpy(dtype=bool))
    several = both.groupby("event")["term"].transform("nunique").to_numpy() > 1
    best = both[~several].sort_values(["event", "first", "plan"]).drop_duplicates("event", keep="last")
    found[best["event"].to_numpy()] = best["plan"].to_numpy()
    return found


def _plans(lines: pd.DataFrame, book: Book, rules: Rules) -> pd.DataFrame:
    """One row per plan: student, term (as a number), first draw date, begins and ends, and whether it has a down payment line."""
    count = len(book.plans)
    draw_date = day_numbers(lines["draw_date"])
    first = np.full(count, np.iinfo(np.int64).max, dtype=np.int64)
    begins, last = first.copy(), np.full(count, np.iinfo(np.int64).min, dtype=np.int64)
    np.minimum.at(first, book.line_plan, draw_date)
    np.minimum.at(begins, book.line_plan, np.minimum(draw_date, day_numbers(lines["enrolled_on"])))
    np.maximum.at(last, book.line_plan, draw_date)
    with_down_payment, term = np.zeros(count, dtype=np.bool_), np.zeros(count, dtype=np.int64)
    with_down_payment[book.line_plan[is_word(lines["kind"], DOWN_PAYMENT)]] = True
    term[book.line_plan] = pd.factorize(lines["term"])[0]
    return pd.DataFrame(
        {
            "student": book.student_of_plan,
            "plan": np.arange(count),
            "term": term,
            "first": first,
            "begins": begins,
            "ends": last + rules.matching.late_match_days,
            "with_down_payment": with_down_payment,
        }
    )


def _kept_if_any(both: pd.DataFrame, fits: Bools) -> pd.DataFrame:
    """Of each event the plans that fit; all of them where none does."""
    some = both["event"].isin(both["event"].to_numpy()[fits]).to_numpy()
    return both[fits | ~some]


def waits_for_its_term(
    money: pd.DataFrame, events: pd.DataFrame, left: Ints, lines: pd.DataFrame, rules: Rules, *, has_postings: bool
) -> Bools:
    """Whether each event is money of a student with plans that would count on a bill, and nothing says on the bill of which term.

    In:      where bank money went (student_id, term), events, their standing cents, lines (student_id, term). A payment counts through
             its posting where there are postings, a fee only where a term of the student bills it: those wait for nothing.
    """
    waits = is_word(events["outcome"], "cleared") & (left > 0) & is_word(money["term"], "")
    if not waits.any():
        return np.asarray(waits)
    waits &= among(money["student_id"], lines["student_id"])
    bills_fee = among(lines["term"], [term.code for term in rules.terms if term.fee_on_bill])
    waits &= ~is_word(events["kind"], "fee") | among(money["student_id"], lines["student_id"][bills_fee])
    if has_postings:
        waits &= ~is_word(events["kind"], "payment")
    return np.asarray(waits)
