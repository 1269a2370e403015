"""Which rows make up a figure: for each line of proof, and for roll-forward and tie-out, where its money comes from.

The left side of a line of proof is taken apart into the accepted rows, the right side into the rows of the table in which a person reads
the figure (or the other way round, as its name says). A line of proof that is not known here cannot be traced: whoever adds one adds it to
`PROOF`.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from reconcile.bridges import AT_BANK, BACK, FAILED, UNCLEARED
from reconcile.bridges import ITEMS as BRIDGES
from reconcile.closing_lines import COMING, LOST
from reconcile.errors import ProofError, RefusedError
from reconcile.event_money import BILLED_FEE, CENTS
from reconcile.line_moves import CLOSING, OPEN, OPENING, PENDING
from reconcile.tie_out import BANK, LEDGER, OTHER_DATE, SCHEDULE, TO_BANK, TO_LEDGER, UNEXPLAINED, WITHOUT_LINE
from reconcile.trace import Figure, RunTables, Traced, date_word
from reconcile.trace_parts import (
    bank_parts,
    counted_of,
    credits_of_run,
    draw_money,
    entries_of,
    frame,
    matches,
    of_table,
    places,
    row_table,
    together,
)
from reconcile.variance import CAUSES

if TYPE_CHECKING:
    from collections.abc import Callable

    Rows = pd.DataFrame
    Side = Callable[[RunTables, re.Match[str]], pd.DataFrame]

ON_LINES: Final = ("on_lines", "on_cancelled_lines", "fee_on_lines", BILLED_FEE)
LOOSE: Final = ("undecided", "without_a_line", "fee_without_a_line")


def trace_figure(run: RunTables, figure: Figure) -> Traced:
    """Take a figure apart into the rows that make it up.

    Errors:  RefusedError if nobody taught this program where the figure comes from; ProofError if the rows do not add up to it, so that the
             run folder is not as it was written.
    """
    traced = Traced(figure, _rows_of(run, figure.name))
    if traced.total != figure.cents:
        told = f"{figure.name} is {figure.cents} cents, and its rows add up to {traced.total}. The files of {run.run} are not as written."
        raise ProofError(told)
    return traced


def _rows_of(run: RunTables, name: str) -> Rows:
    if name.startswith("rollforward "):
        return _of_rollforward(run, name)
    if name.startswith("tie_out ") and ": " in name:
        return _of_tie_out(run, name)
    line, _, side = name.rpartition(", ")
    for pattern, left, right in PROOF:
        found = re.fullmatch(pattern, line)
        if found:
            chosen = left if side == "left" else right
            return chosen(run, found)
    raise RefusedError(f"The figure {name!r} cannot be taken apart into rows: nothing says where it comes from.")


def _moves(run: RunTables, term: str, method: str, money: str, items: Callable[[str], bool]) -> Rows:
    """Moves of lines, each with its schedule row and the bank rows on it."""
    moves = run["line_moves"]
    which = (moves["term"] == term) & (moves["method"] == method) & (moves["money"] == money) & moves["item"].map(items).astype(bool)
    rows = moves[which.to_numpy()].reset_index(drop=True)
    what = [
        f"{item}: {was or 'no line'} > {now or 'no line'}"
        for item, was, now in rows[["item", "opening_state", "closing_state"]].itertuples(index=False)
    ]
    keys = list(rows[["plan_id", "line"]].itertuples(index=False, name=None))
    where = [run.schedule_rows.get(key, "not in these exports") for key in keys]
    match = [run.events_of_line.get(key, "") for key in keys]
    return frame([row_table(rows, rows["amount"].to_numpy(), what, where, match)])


def _of_rollforward(run: RunTables, name: str) -> Rows:
    """A cell of the roll-forward: the moves behind it."""
    for row in run["rollforward"].itertuples():
        if name == f"rollforward {row.term} {row.method} {row.money} {row.item}":
            return _moves(run, str(row.term), str(row.method), str(row.money), str(row.item).__eq__)
    raise RefusedError(f"There is no figure {name!r}.")


def _of_tie_out(run: RunTables, name: str) -> Rows:
    """A cell of the tie-out: its items line by line; a side is the side before it with the items between."""
    for row in run["tie_out"].itertuples():
        if name == f"tie_out {row.term} {date_word(row.draw_date)} {row.step}: {row.item}":
            return _tied(run, str(row.term), row.draw_date, str(row.step), str(row.item))
    raise RefusedError(f"There is no figure {name!r}.")


def _tied(run: RunTables, term: str, day: Any, step: str, item: str) -> Rows:  # noqa: ANN401 (a date, or NaT)
    if item == UNEXPLAINED:
        return frame([])
    if item == SCHEDULE:
        rows = run["entries"]
        rows = rows[(rows["export"] == "plan_schedules") & (rows["term"] == term) & (rows["date"] == day)]
        known = {(p, n) for p, n in run["draws"][["plan_id", "line"]].itertuples(index=False)}
        keep = [key in known for key in rows[["plan_id", "line"]].itertuples(index=False, name=None)]
        rows = rows[np.array(keep, dtype=bool)].reset_index(drop=True)
        return frame([row_table(rows, rows["cents"].to_numpy(), "scheduled", places(rows))])
    if item == BANK:
        draws = run["draws"]
        lines = of_table(run, "draws", {"cleared": 1}, (draws["term"] == term) & _same_day(draws["draw_date"], day))
        loose = [_tied_items(run, term, day, TO_BANK, name) for name in (OTHER_DATE, WITHOUT_LINE)]
        return together(lines, *loose)
    if item == LEDGER:
        items = run["tie_out_items"]
        names = items.loc[items["step"] == TO_LEDGER, "item"].unique()
        return together(_tied(run, term, day, TO_BANK, BANK), *(_tied_items(run, term, day, TO_LEDGER, name) for name in names))
    return _tied_items(run, term, day, step, item)


def _same_day(days: pd.Series, day: Any) -> pd.Series:  # noqa: ANN401 (a date, or NaT)
    return days.isna() if pd.isna(day) else days == day


def _tied_items(run: RunTables, term: str, day: Any, step: str, item: str) -> Rows:  # noqa: ANN401 (a date, or NaT)
    items = run["tie_out_items"]
    which = (items["term"] == term) & _same_day(items["draw_date"], day) & (items["step"] == step) & (items["item"] == item)
    rows = items[which].reset_index(drop=True)
    keys = rows[["plan_id", "line"]].itertuples(index=False, name=None)
    return frame([row_table(rows, rows["amount"].to_numpy(), item, places(rows), [run.events_of_line.get(key, "") for key in keys])])


def _unbilled_fees(run: RunTables, states: tuple[str, ...], column: str, students: tuple[str, ...]) -> Rows:
    """Fee lines in these states of terms that do not bill the fee: students.csv leaves them out."""
    lines = run["closing_lines"]
    of_state = lines["state"].isin(states)
    fees = lines[of_state & (lines["kind"] == "fee")]
    terms = []
    for term in fees["term"].unique():
        shown = int(run["students"].loc[run["students"]["term"] == term, list(students)].to_numpy().sum())
        if int(lines.loc[of_state & (lines["term"] == term), column].sum()) != shown:
            terms.append(term)
    return of_table(run, "closing_lines", {column: 1}, of_state & (lines["kind"] == "fee") & lines["term"].isin(terms))


def _zero(_run: RunTables, _found: re.Match[str]) -> Rows:
    return frame([])


def _table(name: str, which: Callable[[pd.DataFrame], Any] | None = None, **columns: int) -> Side:
    """Rows of a data file, those that `which` chooses; the sign of each column."""
    return lambda run, _found: of_table(run, name, columns, None if which is None else which(run[name]))


def _all_moves(run: RunTables, money: str) -> Rows:
    groups = run["rollforward"][["term", "method"]].drop_duplicates().itertuples(index=False)
    return together(*(_moves(run, str(term), str(method), money, CLOSING.__eq__) for term, method in groups))


def _draws_of(run: RunTables, found: re.Match[str]) -> Rows:
    """Closing money from draws.csv, less what is rolled."""
    draws, lines = run["draws"], run["closing_lines"]
    term, method, money = found[1], found[2], found[3]
    which = (draws["term"] == term) & (draws["method"] == method) & draws["state"].isin(COMING if money == PENDING else LOST)
    rows = [of_table(run, "draws", {"scheduled": 1}, which)]
    if money == OPEN:
        rows.append(of_table(run, "closing_lines", {"rolled": -1}, (lines["term"] == term) & (lines["method"] == method)))
    return together(*rows)


def _ledger_differences(run: RunTables, _found: re.Match[str]) -> Rows:
    return of_table(run, "ledger_tie_out", {"amount": 1}, run["ledger_tie_out"]["item"] == UNEXPLAINED)


def _bank_of_days(run: RunTables, _found: re.Match[str]) -> Rows:
    """Every bank row that cleared, less what was undone of it."""
    return together(bank_parts(run, (*CENTS, BILLED_FEE), outcome="cleared"), bank_parts(run, ("undone",), -1, outcome="cleared"))


def _came_back(run: RunTables, _found: re.Match[str]) -> Rows:
    """What the exception list says of draws that came back after a close, one row for each draw."""
    listed = run["exceptions"]
    own = (listed["kind"] == "return after the close") & (listed["standing"] != "resolved") & (listed["plan_id"] != "")
    return of_table(run, "exceptions", {"amount": 1}, own)


_EXPORTS: Final = "(charges|aid|plan_schedules|cleared_draws|postings)"
_GROUP: Final = r"roll-forward (.+) (bank|card) (pending|failed and not seen)"
_CLEARED_PARTS: Final = (*CENTS[:9], "nobodys", BILLED_FEE)
_BACK_PARTS: Final = ("undoes", "failed_attempt", "undid_nothing", "told_only", "nobodys")


def _in_parts(names: tuple[str, ...], outcome: str) -> Side:
    return lambda run, _found: bank_parts(run, names, outcome=outcome)


def _outcome(run: RunTables, outcome: str) -> Rows:
    entries = run["entries"]
    rows = entries[(entries["export"] == "cleared_draws") & (entries["parts"] != "")].reset_index(drop=True)
    rows = rows[((rows["status"] == "cleared") == (outcome == "cleared")).to_numpy()].reset_index(drop=True)
    return frame([row_table(rows, rows["cents"].to_numpy(), rows["status"].to_numpy(), places(rows), matches(rows))])


PROOF: Final[tuple[tuple[str, Side, Side], ...]] = (
    (
        f"{_EXPORTS}: read = accepted \\+ rejected \\+ already read",
        lambda run, f: counted_of(run, f[1], ["cents_read"]),
        lambda run, f: counted_of(run, f[1], ["cents_accepted", "cents_rejected", "cents_already_read"]),
    ),
    (
        f"{_EXPORTS}: accepted = all buckets",
        lambda run, f: counted_of(run, f[1], ["cents_accepted"]),
        lambda run, f: entries_of(run, f[1]),
    ),
    ("charges: on the bill", lambda run, _: entries_of(run, "charges", "on the bill"), _table("students", charges=1)),
    ("aid: disbursed", lambda run, _: entries_of(run, "aid", "disbursed"), _table("students", aid_disbursed=1)),
    ("aid: anticipated", lambda run, _: entries_of(run, "aid", "anticipated"), _table("students", aid_anticipated=1)),
    (
        "(charges|aid|postings): other terms",
        lambda run, f: entries_of(run, f[1], "other terms"),
        lambda run, f: of_table(run, "other_terms", {f[1]: 1}),
    ),
    (
        "plan_schedules: (cleared|part cleared|cancelled|failed|pending|in transit|not seen)",
        lambda run, f: entries_of(run, "plan_schedules", f[1]),
        lambda run, f: of_table(run, "draws", {"scheduled": 1}, run["draws"]["state"] == f[1]),
    ),
    (f"{_EXPORTS}: (.+)", lambda run, f: entries_of(run, f[1], f[2]), lambda run, f: entries_of(run, f[1], f[2])),
    (r"bank: cleared = .*", lambda run, _: _outcome(run, "cleared"), _in_parts(_CLEARED_PARTS, "cleared")),
    (r"bank: returned and refunded = .*", lambda run, _: _outcome(run, "back"), _in_parts(_BACK_PARTS, "back")),
    ("bank: undone = .*", _in_parts(("undone",), "cleared"), _in_parts(("undoes",), "back")),
    ("bank: on lines = .*", _in_parts(ON_LINES, "cleared"), _table("draws", cleared=1)),
    ("students: draws_cleared = .*", _table("students", draws_cleared=1), lambda run, _: draw_money(run)),
    ("students: other_credits = .*", _table("students", other_credits=1), lambda run, _: credits_of_run(run)),
    (
        "students: balance_now = .*",
        _table("students", balance_now=1),
        lambda run, _: together(
            entries_of(run, "charges", "on the bill"), entries_of(run, "aid", "disbursed", -1), credits_of_run(run, -1), draw_money(run, -1)
        ),
    ),
    ("students: gap = .*", _table("students", gap=1), _table("students", balance_now=1, aid_anticipated=-1, pending_draws=-1)),
    ("plans: variance = its causes", _table("plans", variance=1), lambda run, _: of_table(run, "plans", dict.fromkeys(CAUSES, 1))),
    ("plans: cents that no cause explains.*", _table("plans", unexplained=1), _zero),
    ("plans: variance = pending_draws.*", _table("plans", variance=1), _table("plans", pending_draws=1, balance_to_meet=-1)),
    ("draw_dates: scheduled = draws.csv", _table("draw_dates", scheduled=1), _table("draws", scheduled=1)),
    ("draw_dates: cleared = draws.csv", _table("draw_dates", cleared=1), _table("draws", cleared=1)),
    (
        "draw_dates: scheduled = cleared .*",
        _table("draw_dates", scheduled=1),
        _table("draw_dates", cleared=1, in_transit=1, failed=1, not_seen=1, other=1),
    ),
    ("draw_dates: bank_total = cleared", _table("draw_dates", bank_total=1), _table("draw_dates", cleared=1)),
    ("next_draws: scheduled = .*", _table("next_draws", scheduled=1), _table("draws", lambda t: t["state"] == "pending", scheduled=1)),
    ("settlement_days: net = .*", _table("settlement_days", net=1), _bank_of_days),
    (
        f"{_GROUP}: opening \\+ items = closing",
        lambda run, f: _moves(run, f[1], f[2], f[3], lambda item: item != CLOSING),
        lambda run, f: _moves(run, f[1], f[2], f[3], CLOSING.__eq__),
    ),
    (f"{_GROUP}: closing = draws.csv", lambda run, f: _moves(run, f[1], f[2], f[3], CLOSING.__eq__), _draws_of),
    (
        f"{_GROUP}: opening = .*",
        lambda run, f: _moves(run, f[1], f[2], f[3], OPENING.__eq__),
        lambda run, f: _moves(run, f[1], f[2], f[3], OPENING.__eq__),
    ),
    (f"{_GROUP}: a closing that nothing opens from", _zero, _zero),
    ("open_items: open = .*", _table("open_items", open=1), lambda run, _: _all_moves(run, OPEN)),
    (
        "roll-forward: pending = .*",
        lambda run, _: _all_moves(run, PENDING),
        lambda run, _: together(
            of_table(run, "students", {"pending_draws": 1}), _unbilled_fees(run, COMING, "scheduled", ("pending_draws",))
        ),
    ),
    (
        "roll-forward: failed and not seen .*",
        lambda run, _: together(_all_moves(run, OPEN), of_table(run, "closing_lines", {"rolled": 1})),
        lambda run, _: together(
            of_table(run, "students", {"failed_draws": 1, "not_seen_draws": 1}),
            _unbilled_fees(run, LOST, "scheduled", ("failed_draws", "not_seen_draws")),
        ),
    ),
    ("closing_lines: rolled = .*", _table("closing_lines", rolled=1), _table("plans", failed=1, not_seen=1, failed_and_not_seen=1)),
    (
        "tie_out: bank = .*",
        _table("tie_out", lambda t: (t["step"] == TO_BANK) & (t["item"] == BANK), amount=1),
        lambda run, _: bank_parts(run, (*ON_LINES, *LOOSE), outcome="cleared"),
    ),
    ("tie_out: cents that no item explains.*", _table("tie_out", lambda t: t["item"] == UNEXPLAINED, amount=1), _zero),
    (
        "tie_out: student ledger = .*",
        _table("tie_out", lambda t: (t["step"] == TO_LEDGER) & (t["item"] == LEDGER), amount=1),
        lambda run, _: entries_of(run, "postings", "plan draw on the ledger"),
    ),
    (
        f"bridges: {FAILED}, .*",
        lambda run, _: together(_all_moves(run, OPEN), of_table(run, "closing_lines", {"rolled": 1})),
        _table("draws", lambda t: t["state"].isin(LOST), scheduled=1),
    ),
    (
        f"bridges: {UNCLEARED}, .*",
        _table("draws", lambda t: t["state"] == "part cleared", scheduled=1, cleared=-1),
        _table("tie_out", lambda t: t["item"] == UNCLEARED, amount=-1),
    ),
    (f"bridges: {BACK}, .*", _table("bridges", lambda t: (t["bridge"] == BACK) & (t["item"] != BRIDGES[BACK][-1]), amount=1), _came_back),
    (
        f"bridges: {AT_BANK}, .*",
        lambda run, f: together(_bank_of_days(run, f), bank_parts(run, ("card_fee", "payment", "nobodys"), -1, outcome="cleared")),
        _table("tie_out", lambda t: (t["step"] == TO_BANK) & (t["item"] == BANK), amount=1),
    ),
    ("ledger_tie_out: cents that no item explains.*", _ledger_differences, _zero),
    (
        "ledger_tie_out: computed sub-ledger = .*",
        _table("ledger_tie_out", lambda t: t["item"] == "computed sub-ledger", amount=1),
        _table("students", balance_now=1),
    ),
)
"""Each line of proof by the pattern of its name, with what makes up its left and its right side. The first pattern that fits counts."""
