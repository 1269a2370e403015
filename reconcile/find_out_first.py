"""Draws about whose money a person must find out before anything is drawn for it again.

Three kinds of draws are no plain shortage. A draw that the bank's files do not show, while the plan system or the student's ledger shows
it as posted, may well have been taken: spread over the later draws it would be taken twice. And a draw that came back with a code that
leaves the decision to a person (a code that the rules do not list, or one that neither lets the draw be presented again nor stops the
plan), or that came back only in part, may be owed, may be presented by hand, may have been sent in error. And a return that names a draw
which nobody knows, or of more money than the draw had brought, may be another draw's. Until a person has found out, none of them is
presented again by the engine nor spread over later draws.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.events import day_numbers
from reconcile.states import CAME_BACK
from reconcile.student_case import line_number
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from reconcile.bulk import Matching
    from reconcile.events import Bools, Ints
    from reconcile.policy import Rules


def stands_posted(lines: pd.DataFrame, postings: pd.DataFrame, ledger: pd.DataFrame, rules: Rules) -> Bools:
    """Whether each line that was not seen stands posted all the same: in the plan system, or on the student's ledger.

    In:      lines with state, postings, and which posting is which bank event. On the ledger it is a plan draw of the line's student, term
             and amount that no bank event explains and no later posting takes off, within late_match_days of the draw date; the oldest line
             takes the oldest such posting.
    Rules:   matching.toml late_match_days
    """
    not_seen = is_word(lines["state"], "not seen")
    says = not_seen & is_word(lines["schedule_says"], "posted")
    if not not_seen.any() or not len(postings):
        return says
    waiting = _unexplained(postings, ledger, set(lines["student_id"].to_numpy(dtype=object)[not_seen]))
    reach = rules.matching.late_match_days
    at = np.flatnonzero(not_seen)
    drawn = day_numbers(lines["draw_date"])
    names = lines[["student_id", "term", "amount", "plan_id", "line"]].iloc[at]
    rows = zip(drawn[at].tolist(), at.tolist(), *(names[name].tolist() for name in names.columns), strict=True)
    for day, line, student, term, cents, _plan, _name in sorted(rows, key=lambda row: (row[0], row[5], line_number(row[6]))):
        posted = waiting.get((student, term, cents), [])
        found = next((one for one in posted if abs(one - day) <= reach), None)
        if found is not None:
            posted.remove(found)
            says[line] = True
    return says


def _unexplained(postings: pd.DataFrame, ledger: pd.DataFrame, students: set[str]) -> dict[tuple[str, str, int], list[int]]:
    """Days of the plan draws on the ledger that no bank event explains, by student, term and amount; not those that were taken off."""
    free = np.ones(len(postings), dtype=bool)
    free[ledger["posting"].to_numpy()] = False
    which = np.flatnonzero(free & is_word(postings["kind"], "plan draw") & among(postings["student_id"], sorted(students)))
    own = postings[["student_id", "term", "amount"]].iloc[which].assign(day=day_numbers(postings["posted_on"])[which])
    own = own.assign(off=own["amount"] < 0).sort_values(["day", "off"])
    found: defaultdict[tuple[str, str, int], list[int]] = defaultdict(list)
    for student, term, cents, day in own[["student_id", "term", "amount", "day"]].itertuples(index=False):
        if cents > 0:
            found[student, term, cents].append(day)
        elif found.get((student, term, -cents)):
            found[student, term, -cents].pop()
    return found


def in_doubt(events: pd.DataFrame, matching: Matching) -> Bools:
    """Whether each event is a return of which the bank must say first what came back.

    It names a draw that nobody knows, or it is of more than was left of the draw that it undid.
    """
    undone = np.zeros(len(events), dtype=np.bool_)
    undone[matching.undoings["by"].to_numpy()] = True
    return np.asarray(is_word(events["outcome"], "returned") & (matching.misnamed | (undone & (matching.unplaced > 0))))


def left_to_a_person(lines: pd.DataFrame, events: pd.DataFrame, matching: Matching, rules: Rules) -> Ints:
    """The cents of each line that came back and that a person decides about first.

    In:      lines with state and cleared, events, matching over their row positions.
    Out:     the whole of a failed line whose last return has a code that the rules do not list, or that leaves the decision to a person, or
             one of whose returns is in doubt, unless the last one's code stops the plan; of an active line whose money stayed in part, what
             returns took off it, unless their code stops the plan. 0 elsewhere.
    Rules:   returns.toml again, stops_plan
    """
    pairs, undoings = matching.pairs, matching.undoings
    held = np.zeros(len(lines), dtype=np.int64)
    amount = lines["amount"].to_numpy()
    failed = is_word(lines["state"], "failed")
    if failed.any():
        on_failed = pairs[failed[pairs["line"].to_numpy()]]
        last = last_returns(events, on_failed)
        back = on_failed[among(on_failed["role"], CAME_BACK)]
        asked = np.isin(last["line_at"].to_numpy(), back["line"].to_numpy()[in_doubt(events, matching)[back["event"].to_numpy()]])
        at = last["line_at"].to_numpy()[_decided(last, rules, whole=True) | (asked & _decided(last, rules, whole=False))]
        held[at] = amount[at]
    partly = is_word(lines["state"], "part cleared") & is_word(lines["line_status"], "active")
    by = undoings["by"].to_numpy()
    if partly.any() and len(by):
        returned = is_word(events["outcome"], "returned")[by]
        undoing = undoings[returned]
        undoing = undoing[_decided(events.iloc[undoing["by"].to_numpy()], rules, whole=False)]
        back = np.zeros(len(events), dtype=np.int64)
        np.add.at(back, undoing["of"].to_numpy(), undoing["cents"].to_numpy())
        on = pairs[is_word(pairs["role"], "money") & partly[pairs["line"].to_numpy()]]
        cents = np.zeros(len(lines), dtype=np.int64)
        np.add.at(cents, on["line"].to_numpy(), back[on["event"].to_numpy()])
        lacks = np.maximum(0, amount - lines["cleared"].to_numpy())
        held = np.where(partly, np.minimum(lacks, cents), held)
    return np.asarray(held)


def last_returns(events: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """The last event that came back on each line of these pairs: line_at, settled_on, reference, method, return_code."""
    back = pairs[among(pairs["role"], CAME_BACK)]
    by = ["settled_on", "reference", "method", "return_code"]
    last = events[by].iloc[back["event"].to_numpy()].assign(line_at=back["line"].to_numpy())
    several = last["line_at"].duplicated(keep=False)
    ordered = last[several].sort_values(["line_at", "settled_on", "reference", "return_code"]).drop_duplicates("line_at", keep="last")
    return pd.concat([last[~several], ordered])


def _decided(returns: pd.DataFrame, rules: Rules, *, whole: bool) -> Bools:
    """Whether a person decides about each of these returns: by its code if the `whole` draw came back, else unless its code stops."""
    found = np.zeros(len(returns), dtype=np.bool_)
    for method, code in returns[["method", "return_code"]].drop_duplicates().itertuples(index=False):
        row = rules.returns.code(method, code) if code else None
        open_question = row is None or (row.left_to_a_person if whole else not row.stops_plan)
        if open_question:
            found |= is_word(returns["method"], method) & is_word(returns["return_code"], code)
    return found
