"""The recipe of a month-end close, on top of a run: what moved since the close before, and whether all records agree.

    lines frozen -> moves of each line -> roll-forward -> open items with age -> changes of plans -> rows that came late
                 -> tie-out of schedule, bank and student ledger -> general ledger -> bridges -> what could not be checked

Pure, like the run itself. A first close opens from the schedules: its opening is zero, and every plan stands under `new plans`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import pandas as pd

from reconcile.bridges import bridges, prove_bridges
from reconcile.closing_lines import closing_lines
from reconcile.exception_list import facts_of_close
from reconcile.exceptions_close import Since
from reconcile.late_rows import GONE, LATE, late_rows
from reconcile.ledger_tie_out import COMPUTED, ledger_tie_out
from reconcile.ledger_tie_out import UNEXPLAINED as UNEXPLAINED_BALANCE
from reconcile.line_moves import line_moves
from reconcile.open_items import open_items
from reconcile.plan_changes import plan_changes
from reconcile.rollforward import prove_rollforward, rollforward
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.texts import is_word
from reconcile.tie_out import BANK, LEDGER, TO_BANK, TO_LEDGER, UNEXPLAINED, tie_out

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from reconcile.closing_lines import PreviousClose
    from reconcile.exception_facts import Fact
    from reconcile.exports import Exports
    from reconcile.policy import Rules
    from reconcile.proof import Proof
    from reconcile.worked import Worked


@dataclass(frozen=True)
class Closing:
    """That a run is a month-end close, and which close it follows; None for a first one."""

    previous: PreviousClose | None


@dataclass(frozen=True, eq=False)
class Closed:
    """What a close has beside a run: tables by name, facts for the exception list, notes for the summary."""

    tables: dict[str, pd.DataFrame]
    facts: tuple[Fact, ...]
    notes: tuple[str, ...]


def close_month(at: Worked, tables: Mapping[str, pd.DataFrame], exports: Exports, rules: Rules, closing: Closing, proof: Proof) -> Closed:
    """Work out and prove what a close has beside a run.

    In:      everything that the run worked out, its tables, the exports, the close before; the proof, to which lines are added. Cents.
    """
    made = close_tables(at, tables, exports, rules, closing)
    since = Since(closing.previous, made["late_rows"])
    back = facts_of_close(at, exports, rules, since)
    whole = {**tables, **made}
    whole["bridges"] = made["bridges"] = bridges(at, whole, back, since)
    prove_close(proof, at, whole, closing, rules)
    return Closed(made, tuple(back), close_notes(made))


def close_tables(
    at: Worked, tables: Mapping[str, pd.DataFrame], exports: Exports, rules: Rules, closing: Closing
) -> dict[str, pd.DataFrame]:
    """The tables that only a close has.

    In:      everything that the run worked out, its tables, the exports, the close before. Cents.
    Out:     by name, shaped by schemas.OUTPUTS.
    """
    previous = closing.previous
    before = None if previous is None else previous.lines
    now = closing_lines(at, rules, before)
    moves = line_moves(before, now)
    tied = tie_out(at, now, rules, has_postings=exports.has_postings)
    return {
        "closing_lines": now,
        "line_moves": moves,
        "rollforward": rollforward(moves, now, before),
        "open_items": open_items(now, tables["draws"], before, at.as_of),
        "plan_changes": plan_changes(before, now),
        "late_rows": late_rows(tables["entries"], previous),
        "tie_out": tied.table,
        "tie_out_items": tied.items,
        "ledger_tie_out": ledger_tie_out(at, tied.table, exports.general_ledger, rules, has_postings=exports.has_postings),
        "close_checks": _checks(at, exports, rules, previous),
    }


def prove_close(proof: Proof, at: Worked, tables: Mapping[str, pd.DataFrame], closing: Closing, rules: Rules) -> None:
    """Add what a close proves beside a run: roll-forward and tie-out.

    In:      all tables of the close; cents.
    """
    prove_rollforward(proof, tables, closing.previous, rules)
    tied, ledger = tables["tie_out"], tables["ledger_tie_out"]

    def total(step: str, item: str) -> int:
        return int(tied.loc[is_word(tied["step"], step) & is_word(tied["item"], item), "amount"].sum())

    names = ("on_lines", "on_cancelled_lines", "fee_on_lines", "undecided", "without_a_line", "fee_without_a_line")
    stayed = sum(int(at.money[name].sum()) for name in names)
    proof.equal("tie_out: bank = plan and fee money that stayed", total(TO_BANK, BANK), stayed)
    unexplained = tied.loc[is_word(tied["item"], UNEXPLAINED), "amount"].abs().sum()
    proof.equal("tie_out: cents that no item explains, any sign", unexplained, 0)
    if is_word(tied["step"], TO_LEDGER).any():
        drawn = at.postings.loc[is_word(at.postings["kind"], "plan draw"), "amount"].sum()
        proof.equal("tie_out: student ledger = plan draw postings", total(TO_LEDGER, LEDGER), drawn)
    unexplained = ledger.loc[is_word(ledger["item"], UNEXPLAINED_BALANCE), "amount"].abs().sum()
    proof.equal("ledger_tie_out: cents that no item explains, any sign", unexplained, 0)
    computed = ledger.loc[is_word(ledger["item"], COMPUTED), "amount"].sum()
    proof.equal("ledger_tie_out: computed sub-ledger = balance_now in students.csv", computed, tables["students"]["balance_now"].sum())
    prove_bridges(proof, tables["bridges"])


def close_notes(tables: Mapping[str, pd.DataFrame]) -> tuple[str, ...]:
    """What the reader of the summary must know of the close as a whole."""
    checks = tables["close_checks"]
    notes = [str(what) for what in checks.loc[is_word(checks["done"], "no"), "what"]]
    late = tables["late_rows"]["what"]
    for what, words in (
        (LATE, "dated in a closed month that its close had not read; they count in this month"),
        (GONE, "of a closed month that its close had read and the exports no longer hold"),
    ):
        count = int(is_word(late, what).sum())
        if count:
            notes.append(f"{count:,} {'row' if count == 1 else 'rows'} {words} (late_rows.csv).")
    return tuple(notes)


def _checks(at: Worked, exports: Exports, rules: Rules, previous: PreviousClose | None) -> pd.DataFrame:
    """OUTPUTS["close_checks"]: what this close could be held against, and what not, each in a sentence."""
    rows = [
        _previous_check(previous),
        _months_check(previous, at.as_of),
        _bank_check(at, exports),
        _postings_check(exports),
        _general_check(at, exports, rules),
        _totals_check(exports),
        _rejected_check(exports),
    ]
    kinds = {c.name: DTYPES[c.kind] for c in OUTPUTS["close_checks"]}
    return pd.DataFrame([(check, "yes" if done else "no", what) for check, done, what in rows], columns=list(kinds)).astype(kinds)


def _previous_check(previous: PreviousClose | None) -> tuple[str, bool, str]:
    if previous is None:
        what = "No earlier close: the roll-forward opens from the schedules, at zero, and every plan stands under new plans."
        return "close before", False, what
    return "close before", True, f"Opens where {previous.name} ended."


def _months_check(previous: PreviousClose | None, as_of: date) -> tuple[str, bool, str]:
    """Whether the close ends a month, and no month was left out before it."""
    check = "whole months, none left out"
    told = []
    if (as_of + timedelta(days=1)).day != 1:
        told.append(f"{as_of} is not the last day of its month")
    if previous is not None:
        months = (as_of.year - previous.as_of.year) * 12 + as_of.month - previous.as_of.month
        if months == 0:
            told.append(f"{previous.name} closed this month already: this roll-forward covers only what moved since {previous.as_of}")
        if months > 1:
            told.append(f"no close stands between {previous.as_of} and {as_of}: this roll-forward covers {months} months")
    if not told:
        return check, True, "The close ends a month, and no month was left out before it."
    sentence = "; ".join(told)
    return check, False, f"{sentence[0].upper()}{sentence[1:]}."


def _bank_check(at: Worked, exports: Exports) -> tuple[str, bool, str]:
    if exports.span is None:
        return "bank files to the day of the close", False, "The bank files hold no event: nothing could be held against the bank."
    if exports.span.last < at.as_of:
        what = f"The bank files end on {exports.span.last}, before the day of the close: what the bank did since could not be seen."
        return "bank files to the day of the close", False, what
    return "bank files to the day of the close", True, f"The bank files reach from {exports.span.first} to {exports.span.last}."


def _postings_check(exports: Exports) -> tuple[str, bool, str]:
    if exports.has_postings:
        return "student ledger", True, "Bank and student ledger were held against each other for each draw date."
    return "student ledger", False, "No postings export: bank and student ledger could not be held against each other."


def _general_check(at: Worked, exports: Exports, rules: Rules) -> tuple[str, bool, str]:
    if not exports.general_ledger:
        return "general ledger", False, "No general_ledger.toml beside the exports: the sub-ledger could not be tied to the general ledger."
    given = {balance.term for balance in exports.general_ledger}
    missing = sorted(set(at.students["term"]) - given)
    strange = sorted(given - {term.code for term in rules.terms})
    if missing or strange:
        told = [f"the file general_ledger.toml gives no balance for {', '.join(missing)}" if missing else ""]
        told += [f"general_ledger.toml gives a balance for {', '.join(strange)}, a term that no rule knows" if strange else ""]
        sentence = "; ".join(part for part in told if part)
        return "general ledger", False, f"{sentence[0].upper()}{sentence[1:]}."
    return "general ledger", True, "Each term was held against the general ledger."


def _totals_check(exports: Exports) -> tuple[str, bool, str]:
    if any(source.role == "control totals" for source in exports.sources):
        return "control totals", True, "The files meet the control totals of the source systems."
    return "control totals", False, "No control_totals.toml beside the exports: whether each file is whole could not be checked."


def _rejected_check(exports: Exports) -> tuple[str, bool, str]:
    if not len(exports.rejected):
        return "every row used", True, "Every row of the exports was used."
    rows = len(exports.rejected[["file", "sheet", "row"]].drop_duplicates())
    return "every row used", False, f"{rows:,} rejected {'row was' if rows == 1 else 'rows were'} left out of every figure."
