"""Where each bank cent went: on a line, card fee, undone, without a line, or nobody's.

The bank's file is evidence from outside; every accepted cent of it must be found again in just one place. One row of this table is one
bank event; the columns of cents add up to its amount.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.draws import PAYMENT, UNDECIDED
from reconcile.event_terms import plan_of_student
from reconcile.events import NOBODY
from reconcile.student_case import line_number
from reconcile.texts import UNKNOWN as NOWHERE
from reconcile.texts import among, first_true, is_word, picked, spread, words

if TYPE_CHECKING:
    from reconcile.bulk import Matching
    from reconcile.events import Book, Bools, Ints, Owners
    from reconcile.policy import Rules

CENTS = (
    "on_lines",
    "on_cancelled_lines",
    "fee_on_lines",
    "card_fee",
    "undone",
    "undecided",
    "without_a_line",
    "fee_without_a_line",
    "payment",
    "undoes",
    "failed_attempt",
    "undid_nothing",
    "told_only",
    "nobodys",
)
"""Columns of cents; they add up to the event's amount. The first nine are of cleared events, the next four of returns and refunds."""

BILLED_FEE = "billed_fee"
"""The part of an event that is plan fee money in a term that bills the fee."""

UNKNOWN = "unknown student or plan"
NO_TERM = "nothing says for which term"
RETURN_WITHOUT = "return without a draw"
REFUND_WITHOUT = "refund without a draw"
DISHONORED = "dishonored or contested return"
FAILED_ATTEMPT = "failed attempt of a line"
UNDOES = "undoes a draw"


def event_money(lines: pd.DataFrame, events: pd.DataFrame, book: Book, owners: Owners, matching: Matching, rules: Rules) -> pd.DataFrame:
    """Say for each bank event where its cents went, and in which student, term, plan and line it counts.

    In:      lines, events and what was found of them, over their row positions; cents are positive.
    Out:     one row per event: student_id, term, plan_id, line, line_at, the columns of CENTS, is_fee (the event is plan fee money),
             fee_inside (card fee in its amount), fee_back (it gave back just that fee of a draw), match, bucket, reason, undoes_what.
             Money without a line of a known student that fits no one term stands in `nobodys`, with the reason.
    Keeps:   the columns of CENTS add up to the amount.
    """
    count = len(events)
    amount = events["amount"].to_numpy()
    outcome = events["outcome"]
    cleared = is_word(outcome, "cleared")
    line_at = _first_line(lines, matching.pairs, count)
    plan = np.where(line_at != NOBODY, book.line_plan[line_at] if len(lines) else NOBODY, owners.plan)
    plan = np.where(plan == NOBODY, plan_of_student(lines, events, book, owners, plan == NOBODY, rules), plan)
    undoes, undone = matching.undoings["by"].to_numpy(), matching.undoings["of"].to_numpy()
    without = line_at[undoes] == NOBODY
    plan[undoes[without]] = plan[undone[without]]  # a return belongs where its draw is
    known = owners.student != NOBODY
    placed = known & (plan != NOBODY)
    table = {name: np.zeros(count, dtype=np.int64) for name in CENTS}
    _money_on_lines(table, lines, matching.pairs)
    table["undone"] = np.where(cleared & known, amount - matching.left, 0)
    is_payment = is_word(events["kind"], "payment")
    on_any = sum(table[name] for name in ("on_lines", "on_cancelled_lines", "fee_on_lines", "card_fee"))
    rest = np.where(cleared & known, matching.left - on_any, 0)
    is_fee = is_word(events["kind"], "fee")
    undecided = matching.loose == UNDECIDED
    for name, which in (
        ("payment", is_payment),
        ("undecided", ~is_payment & undecided & ~is_fee & placed),
        ("fee_without_a_line", ~is_payment & is_fee & placed),
        ("without_a_line", ~is_payment & ~undecided & ~is_fee & placed),
        ("nobodys", ~is_payment & ~placed),
    ):
        table[name] = np.where(which & known & cleared, rest, 0)
    back = ~cleared & known
    table["undid_nothing"] = np.where(back, matching.unplaced, 0)
    table["told_only"] = np.where(back & matching.told, amount, 0)
    np.add.at(table["undoes"], matching.undoings["by"].to_numpy(), matching.undoings["cents"].to_numpy())
    table["failed_attempt"] = np.where(back, amount - table["undid_nothing"] - table["told_only"] - table["undoes"], 0)
    table["nobodys"] = np.where(known, table["nobodys"], amount)
    bucket = _bucket(table, cleared, known, matching, outcome, is_payment)
    whose = {
        "student_id": picked(book.students, owners.student, events["student_id"]),
        "term": _term_text(lines, book, plan),
        "plan_id": picked(book.plans, np.where(placed, plan, NOBODY), events["plan_id"]),
        "line": picked(lines["line"], line_at, events["line"]),
        "line_at": line_at,
    }
    frame = pd.DataFrame({**whose, **table}, copy=False)
    own, gross, fee_line = _of_line(lines, line_at)
    frame["is_fee"] = np.where(line_at != NOBODY, fee_line, is_fee & cleared)
    frame["fee_inside"] = np.where((line_at != NOBODY) & (amount == gross), gross - own, 0)
    frame["fee_back"] = matching.fee_back
    frame["match"] = spread(count, matching.pairs["event"].to_numpy(), matching.pairs["match"])
    frame["bucket"] = bucket
    frame["reason"] = _reason(bucket, matching, placed, known)
    frame["undoes_what"] = _undoes_text(matching, events)
    return frame


def _of_line(lines: pd.DataFrame, line_at: Ints) -> tuple[Ints, Ints, Bools]:
    """Amount, amount with card fee, and whether it is a fee line, of the line each event is on (zeros without one)."""
    if not len(lines):
        return np.zeros(len(line_at), dtype=np.int64), np.zeros(len(line_at), dtype=np.int64), np.zeros(len(line_at), dtype=bool)
    has = line_at != NOBODY
    amount, gross = lines["amount"].to_numpy()[line_at], lines["gross"].to_numpy()[line_at]
    fee = (lines["kind"] == "fee").to_numpy(dtype=bool)[line_at]
    return np.where(has, amount, 0), np.where(has, gross, 0), has & fee


def _first_line(lines: pd.DataFrame, pairs: pd.DataFrame, count: int) -> Ints:
    """The first line (by draw date, plan and line as a number) that each event is on, or NOBODY."""
    first = np.full(count, NOBODY, dtype=np.int64)
    at, line = pairs["event"].to_numpy(), pairs["line"].to_numpy()
    first[at] = line
    several = pairs["event"].duplicated(keep=False).to_numpy()
    if several.any():
        rows = lines[["draw_date", "plan_id", "line"]].iloc[np.unique(line[several])]
        order = {row: (day, plan, line_number(name)) for row, day, plan, name in rows.itertuples()}
        for event, found in sorted(
            zip(at[several].tolist(), line[several].tolist(), strict=True), key=lambda pair: order[pair[1]], reverse=True
        ):
            first[event] = found
    return first


def _money_on_lines(table: dict[str, Ints], lines: pd.DataFrame, pairs: pd.DataFrame) -> None:
    at, line = pairs["event"].to_numpy(), pairs["line"].to_numpy()
    cents = pairs["cents"].to_numpy()
    fee_line = is_word(lines["kind"], "fee")[line]
    cancelled = is_word(lines["line_status"], "cancelled")[line]
    np.add.at(table["fee_on_lines"], at, np.where(fee_line, cents, 0))
    np.add.at(table["on_cancelled_lines"], at, np.where(~fee_line & cancelled, cents, 0))
    np.add.at(table["on_lines"], at, np.where(~fee_line & ~cancelled, cents, 0))
    np.add.at(table["card_fee"], at, pairs["fee"].to_numpy())


def _bucket(
    table: dict[str, Ints],
    cleared: Bools,
    known: Bools,
    matching: Matching,
    outcome: pd.Series,
    payment: Bools,
) -> pd.Series:
    """The one bucket of the row; where its cents are split, the one in which its money stayed."""
    found = first_true(
        [
            ~known,
            cleared & payment,
            cleared & (matching.left - table["card_fee"] == 0),
            cleared & (table["on_lines"] > 0),
            cleared & (table["fee_on_lines"] > 0),
            cleared & (table["on_cancelled_lines"] > 0),
            cleared & (table["nobodys"] == 0) & (matching.loose == UNDECIDED),
            cleared & (table["nobodys"] > 0),
            cleared,
            matching.told,
            table["undoes"] > 0,
            table["failed_attempt"] > 0,
            is_word(outcome, "refunded"),
        ]
    )
    return words(
        found,
        [
            UNKNOWN,
            PAYMENT,
            "undone by a return or refund",
            "on a line",
            "fee on a line",
            "on a cancelled line",
            UNDECIDED,
            NO_TERM,
            "without a line",
            DISHONORED,
            UNDOES,
            FAILED_ATTEMPT,
            REFUND_WITHOUT,
            RETURN_WITHOUT,
        ],
    )


def _reason(bucket: pd.Series, matching: Matching, placed: Bools, known: Bools) -> pd.Series:
    """Why an event has no line, in words; "" where it has one."""
    reason = matching.loose.copy()
    reason[~known] = UNKNOWN
    for name in (DISHONORED, RETURN_WITHOUT, REFUND_WITHOUT):
        reason[is_word(bucket, name)] = name
    alone = known & ~placed & (reason != "")
    reason[alone] = [f"{text}; {NO_TERM}" for text in reason[alone]]
    misnamed = matching.misnamed & (reason != "")
    reason[misnamed] = [f"{text}; its original reference names no draw of the student" for text in reason[misnamed]]
    rest = is_word(bucket, UNDOES) & (matching.unplaced > 0)
    reason[rest] = "returned more than was left of the draw"
    told = np.flatnonzero(reason != "")
    return spread(len(reason), told, pd.Series(reason[told], dtype="str"))


def _term_text(lines: pd.DataFrame, book: Book, plan: Ints) -> pd.Series:
    a_line = np.full(len(book.plans), NOBODY, dtype=np.int64)
    a_line[book.line_plan] = np.arange(len(lines))
    return picked(lines["term"], np.where(plan != NOBODY, a_line[plan], NOBODY) if len(book.plans) else plan)


def _undoes_text(matching: Matching, events: pd.DataFrame) -> pd.Series:
    """What a return or refund undid: file:sheet:row of the event and the rule that said so."""
    undoings = matching.undoings
    undone = events[["file", "sheet", "row"]].iloc[undoings["of"].to_numpy()]
    told = zip(undone["file"].tolist(), undone["sheet"].tolist(), undone["row"].tolist(), undoings["rule"].tolist(), strict=True)
    texts = pd.Series([f"{file}:{sheet}:{row} (rule {rule})" for file, sheet, row, rule in told], dtype="str")
    return spread(len(events), undoings["by"].to_numpy(), texts)


def parts_of_events(money: pd.DataFrame, rules: Rules) -> pd.Series:
    """Where each event's cents went, in text: `on_lines`, or `on_lines 120000; card_fee 3300` where they are split; cents.

    In:      where bank money went. Names are those of CENTS; plan fee money in a term that bills the fee is `billed_fee`.
    """
    cents = {name: money[name].to_numpy() for name in CENTS}
    billed = among(money["term"], [term.code for term in rules.terms if term.fee_on_bill])
    fees = ("fee_on_lines", "fee_without_a_line")
    cents[BILLED_FEE] = np.where(billed, sum(cents[name] for name in fees), 0)
    cents |= {name: np.where(billed, 0, cents[name]) for name in fees}
    held = [part != 0 for part in cents.values()]
    how_many = np.zeros(len(money), dtype=np.int8)
    for part in held:
        how_many += part
    told = np.flatnonzero(how_many != 1)
    texts = ["; ".join(f"{name} {part[at]}" for name, part in cents.items() if part[at]) for at in told.tolist()]
    where = np.full(len(money), NOWHERE, dtype=np.int64)
    where[told] = np.arange(len(told))
    return picked(pd.Series(texts, dtype="str"), where, words(first_true(held), [*cents, ""]))
