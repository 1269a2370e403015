"""The students whose bank events allow only one reading, found in bulk by sorted integer keys.

A student is *plain* when each bank event settled in the window of just one line of its plan (or student) and amount, each line has at most
one such event, and no event is a refund, a named or long-frame return, a payment, or names another line. Then money that cleared is on
that line and a return is that line's failed attempt. Everyone else is left to the exact function.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.attempts import CARD_FEE, EXACT, NAMED
from reconcile.events import NOBODY, Book, Bools, Ints, Owners, day_numbers
from reconcile.schemas import LINE_KINDS
from reconcile.student_case import TOLD_ONLY, CodeFacts
from reconcile.texts import among, is_word, picked, positions, words

if TYPE_CHECKING:
    from reconcile.policy import Rules

_KINDS = pd.Index(LINE_KINDS, dtype="str")

DAY_BITS = 17
"""Day numbers below 131,072 (the year 2328) share an integer key with a dense code."""

LARGEST_KEYED = 1 << 40
"""Amounts from here on (about eleven billion) leave the bulk, so that plan and amount fit one integer."""


def plain_pairs(lines: pd.DataFrame, events: pd.DataFrame, book: Book, owners: Owners, rules: Rules) -> tuple[pd.DataFrame, Bools]:
    """The pairs that only one reading allows, and which students need the exact function.

    In:      lines with windows and events, with their codes; cents.
    Out:     one row per event on a line (event, line, cents, fee, match, role), and for each student code whether it is not plain.
    Keeps:   cents + fee of a cleared event = its amount.
    """
    known = owners.student != NOBODY
    odd = known & _odd_by_itself(events, rules)
    line_at, fee_in, claims = _only_candidate(lines, events, book, owners)
    odd |= known & (line_at == NOBODY)
    has_line = line_at != NOBODY
    odd |= _after_early_money(lines, events, owners, line_at)
    claimed = np.bincount(line_at[has_line], minlength=len(lines))
    odd[has_line] |= claimed[line_at[has_line]] > 1
    named = _named_as_found(lines, events, owners, line_at)
    odd |= known & (named < 0)
    kind_line, kind_event = positions(_KINDS, lines["kind"]), positions(_KINDS, events["kind"])
    odd[has_line] |= ~is_word(events["kind"], "")[has_line] & (kind_event[has_line] != kind_line[line_at[has_line]])
    exact_students = np.zeros(len(book.students), dtype=bool)
    exact_students[owners.student[odd]] = True
    exact_students[book.line_student[claims]] = True
    take = known & has_line & ~odd
    at = np.flatnonzero(take)
    returned = is_word(events["outcome"], "returned")[at]
    amount = events["amount"].to_numpy()[at]
    own = lines["amount"].to_numpy()[line_at[at]]
    match = np.where(named[at] > 0, 0, np.where(fee_in[at], 1, 2))
    pairs = pd.DataFrame(
        {
            "event": at.astype(np.int64),
            "line": line_at[at],
            "cents": np.where(returned, 0, own),
            "fee": np.where(returned, 0, amount - own),
            "match": words(match, (NAMED, CARD_FEE, EXACT)),
            "role": words(returned.astype(np.int8), ("money", "failed")),
        },
        copy=False,
    )
    return pairs, exact_students


def _odd_by_itself(events: pd.DataFrame, rules: Rules) -> Bools:
    """Events that by themselves need the exact function: refunds, payments, huge amounts, and returns by name or of a special code."""
    outcome = events["outcome"]
    returned = is_word(outcome, "returned")
    odd = is_word(outcome, "refunded") | is_word(events["kind"], "payment")
    odd |= ~is_word(outcome, "cleared") & ~is_word(events["original_reference"], "")
    odd |= (events["amount"] >= LARGEST_KEYED).to_numpy(dtype=bool)
    codes = events.loc[returned, ["method", "return_code"]].drop_duplicates()
    strange = {
        (method, code)
        for method, code in codes.itertuples(index=False)
        if TOLD_ONLY.match(code) is not None or code_facts(rules, method, code).sixty
    }
    for method, code in strange:
        odd |= returned & is_word(events["method"], method) & is_word(events["return_code"], code)
    return odd


def code_facts(rules: Rules, method: str, code: str) -> CodeFacts:
    """Frame and right to present again of a return code, as the rules have it; an unknown code has neither."""
    found = rules.returns.code(method, code) if code else None
    if found is None:
        return CodeFacts()
    again_days = (found.again_days or 0) if found.again else 0
    return CodeFacts(found.frame, found.frame_unit or "", again_days, declined=found.klass == "declined")


def _only_candidate(lines: pd.DataFrame, events: pd.DataFrame, book: Book, owners: Owners) -> tuple[Ints, Bools, Ints]:
    """For each event the only line whose window and amount it fits, or NOBODY; and lines whose students cannot be plain.

    Both by plan and, for events that name only a student, by student; a card line stands twice, with and without its fee.
    """
    amount, gross = lines["amount"].to_numpy(), lines["gross"].to_numpy()
    active = is_word(lines["line_status"], "active") & (amount > 0)
    plain_amount = active & (gross < LARGEST_KEYED)
    with_fee = plain_amount & (gross != amount)
    at = np.concatenate([np.flatnonzero(plain_amount), np.flatnonzero(with_fee)])
    asked = np.concatenate([amount[plain_amount], gross[with_fee]])
    fee_in = np.concatenate([np.zeros(plain_amount.sum(), dtype=bool), np.ones(with_fee.sum(), dtype=bool)])
    opens, ends = day_numbers(lines["draw_date"])[at], day_numbers(lines["window_end"])[at]
    settled = day_numbers(events["settled_on"])
    cents = events["amount"].to_numpy()
    line_at = np.full(len(events), NOBODY, dtype=np.int64)
    event_fee = np.zeros(len(events), dtype=bool)
    clash: list[Ints] = [np.flatnonzero(active & (gross >= LARGEST_KEYED))]
    by_plan = owners.plan != NOBODY
    for scope_of_line, scope_of_event, asks in (
        (book.line_plan[at], owners.plan, by_plan),
        (book.line_student[at], owners.student, ~by_plan & (owners.student != NOBODY)),
    ):
        which = np.flatnonzero(asks & (cents < LARGEST_KEYED))
        found = _in_one_window(scope_of_line, asked, opens, ends, scope_of_event[which], cents[which], settled[which])
        hit = found != NOBODY
        line_at[which[hit]] = at[found[hit]]
        event_fee[which[hit]] = fee_in[found[hit]]
    clash.append(_fee_meets_amount(book.line_student[at], asked, fee_in, at))
    return line_at, event_fee, np.concatenate(clash)


def _after_early_money(lines: pd.DataFrame, events: pd.DataFrame, owners: Owners, line_at: Ints) -> Bools:
    """Returns in the window of a line for whose amount the student paid early: they may undo that, and are for the exact function."""
    odd = np.zeros(len(events), dtype=bool)
    back = np.flatnonzero(is_word(events["outcome"], "returned") & (line_at != NOBODY))
    if not len(back):
        return odd
    asks = np.zeros(owners.student.max() + 2, dtype=bool)  # the last place is that of nobody
    asks[owners.student[back]] = True
    paid = np.flatnonzero(is_word(events["outcome"], "cleared") & asks[owners.student])
    at, settled, cents = line_at[back], day_numbers(events["settled_on"]), events["amount"].to_numpy()
    of_student = pd.DataFrame({"student": owners.student[paid], "settled": settled[paid], "cents": cents[paid]})
    beside = pd.DataFrame({"student": owners.student[back], "event": back, "line": at}).merge(of_student, on="student")
    line = beside["line"].to_numpy()
    early, drawn = day_numbers(lines["early_from"])[line], day_numbers(lines["draw_date"])[line]
    own, gross = lines["amount"].to_numpy()[line], lines["gross"].to_numpy()[line]
    day, amount = beside["settled"].to_numpy(), beside["cents"].to_numpy()
    odd[beside["event"].to_numpy()[(early <= day) & (day < drawn) & ((amount == own) | (amount == gross))]] = True
    return odd


def _in_one_window(scope: Ints, asked: Ints, opens: Ints, ends: Ints, ev_scope: Ints, ev_cents: Ints, ev_day: Ints) -> Ints:
    """Position of the only entry with the event's scope and amount whose window holds the event's day, or NOBODY."""
    if not len(scope) or not len(ev_scope):
        return np.full(len(ev_scope), NOBODY, dtype=np.int64)
    keys = scope * LARGEST_KEYED + asked
    in_order = np.sort(keys)
    known = in_order[np.concatenate([[True], in_order[1:] != in_order[:-1]])]
    ev_keys = ev_scope * LARGEST_KEYED + ev_cents
    order = np.argsort(ev_keys)  # what is asked for in order is found without jumping through the whole table
    ev_keys, ev_day = ev_keys[order], ev_day[order]
    group, real = _place(known, ev_keys)
    line_group = np.searchsorted(known, keys)
    open_key, end_key = (line_group << DAY_BITS) + opens, (line_group << DAY_BITS) + ends
    by_open = np.argsort(open_key, kind="stable")
    sorted_open, sorted_end = open_key[by_open], np.sort(end_key)
    at_key = (group << DAY_BITS) + ev_day
    begun = np.searchsorted(sorted_open, at_key, side="right")
    over = np.searchsorted(sorted_end, at_key, side="left")
    candidate = by_open[np.clip(begun - 1, 0, len(by_open) - 1)]
    holds = (line_group[candidate] == group) & (opens[candidate] <= ev_day) & (ev_day <= ends[candidate])
    found = np.empty(len(order), dtype=np.int64)
    found[order] = np.where(real & (begun - over == 1) & holds, candidate, NOBODY)
    return found


def _fee_meets_amount(student: Ints, asked: Ints, fee_in: Bools, at: Ints) -> Ints:
    """Lines of students in whose plans an amount with its card fee equals another line's amount: two passes could claim one event."""
    if not fee_in.any():
        return np.zeros(0, dtype=np.int64)
    keys = student * LARGEST_KEYED + asked
    _, meets = _place(np.sort(keys[~fee_in]), keys[fee_in])
    return np.asarray(at[fee_in][meets], dtype=np.int64)


def _place(known: Ints, asked: Ints) -> tuple[Ints, Bools]:
    """Where each number stands, or would stand, among known ones in order; and whether it is one of them."""
    place = np.searchsorted(known, asked)
    there = place < len(known)
    there[there] = known[place[there]] == asked[there]
    return place, there


def _named_as_found(lines: pd.DataFrame, events: pd.DataFrame, owners: Owners, line_at: Ints) -> Ints:
    """1 if the event names the line it was found on, 0 if it names none, -1 if it names (or may name) another."""
    says_line = ~is_word(events["line"], "") & (owners.plan != NOBODY)
    references = lines["reference"]
    found = line_at != NOBODY
    result = np.zeros(len(events), dtype=np.int64)
    if not len(lines):
        return result
    if says_line.any():
        same_name = found & _same_text(events["line"], lines["line"], line_at)
        result[says_line] = np.where(same_name[says_line], 1, -1)
    carried = references[~is_word(references, "")]
    if len(carried):
        shared = carried[carried.duplicated()]
        says_reference = among(events["reference"], carried) & ~says_line
        same = found & _same_text(events["reference"], references, line_at)
        ambiguous = among(events["reference"], shared)
        result[says_reference] = np.where(same[says_reference] & ~ambiguous[says_reference], 1, -1)
    return result


def _same_text(texts: pd.Series, names: pd.Series, at: Ints) -> Bools:
    """Whether each text is the name at its position."""
    return np.asarray((texts == picked(names, at)).to_numpy(dtype=bool))
