"""What a person reads after a month-end close: the roll-forward in a compact table, what is open, and what could not be checked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from reconcile.bridges import apart
from reconcile.deliver.csv_out import without_controls
from reconcile.deliver.summary import CAUTION, MOST_NOTES, aligned, count, exception_lines, heading, left_out, notes_lines
from reconcile.ledger_tie_out import books_apart
from reconcile.line_moves import CLOSING, ITEMS, OPENING
from reconcile.money import people_money
from reconcile.open_items import AGES
from reconcile.tie_out import ENDS, STEPS, TO_LEDGER

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from reconcile.deliver.summary import About
    from reconcile.input_counts import Counted

SIDE_BY_SIDE: Final = 4
"""Terms and methods that stand in one table."""
MOST_GROUPS: Final = 8


def close_summary(tables: Mapping[str, pd.DataFrame], counted: Mapping[str, Counted], about: About) -> str:
    """The words to print after a close.

    In:      the tables of the close (cents), rows and cents per export, and what is known of the run itself.
    Out:     lines ended by line ends; figures are people's money. Terms and methods side by side; items that are zero everywhere left out.
    """
    parts = (
        heading(about),
        left_out(counted),
        *_rollforwards(tables["rollforward"]),
        _ages(tables["open_items"]),
        _bridges(tables["bridges"]),
        _tied(tables["tie_out"], tables["ledger_tie_out"]),
        _changes(tables["plan_changes"], tables["late_rows"], tables["exceptions"]),
        exception_lines(tables["exceptions"]),
        _not_checked(tables["close_checks"]),
        [f"Report: {about.place}", *OPEN_FIRST],
        notes_lines(_other_notes(about.notes, tables["close_checks"]), MOST_NOTES, "all of them are in audit.json"),
        list(CAUTION),
    )
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


OPEN_FIRST: Final = (
    "Open first: rollforward.csv and line_moves.csv (what moved, and line by line)",
    "then      : open_items.csv (failed and not-seen money by age), tie_out_items.csv (what is not on both sides)",
)


def _rollforwards(table: pd.DataFrame) -> list[list[str]]:
    """One compact table for each money: a column for each term and method."""
    groups = list(dict.fromkeys(table[["term", "method"]].itertuples(index=False, name=None)))
    shown = groups[-MOST_GROUPS:]
    found = {tuple(key): int(cents) for *key, cents in table[["term", "method", "money", "item", "amount"]].itertuples(index=False)}
    parts = []
    for first in range(0, len(shown), SIDE_BY_SIDE):
        beside = shown[first : first + SIDE_BY_SIDE]
        for money, items in ITEMS.items():
            rows = [(money.capitalize(), *(f"{without_controls(term)} {method}" for term, method in beside))]
            for item in items:
                cents = [found[term, method, money, item] for term, method in beside]
                if any(cents) or item in {OPENING, CLOSING}:
                    rows.append((f"  {item}", *(people_money(one) for one in cents)))
            parts.append(aligned(rows, right=range(1, len(beside) + 1)))
    hidden = len(groups) - len(shown)
    if hidden:
        parts[-1].append(f"and {count(hidden, 'earlier term or method', 'earlier terms or methods')} in rollforward.csv")
    return parts if groups else [["No plan lines at either end."]]


def _ages(items: pd.DataFrame) -> list[str]:
    if items.empty:
        return ["Open failed and not-seen money: none"]
    rows = [("Open by age", "Lines", "Money")]
    for age in AGES:
        of_age = items[items["age"] == age]
        if len(of_age):
            rows.append((f"  {age}", f"{len(of_age):,}", people_money(int(of_age["open"].sum()))))
    return aligned(rows, right=(1, 2))


def _bridges(table: pd.DataFrame) -> list[str]:
    """Figures that look alike and differ, each led to the other."""
    rows = [("Figures that look alike", "", "")]
    for name, items in apart(table).items():
        rows += [(f"  {name}" if at == 0 else "", item, people_money(cents)) for at, (item, cents) in enumerate(items)]
    return aligned(rows, right=(2,)) if len(rows) > 1 else []


def _tied(tied: pd.DataFrame, ledger: pd.DataFrame) -> list[str]:
    """What stands between bank and student ledger over all draw dates, and the general ledger by term."""
    rows = []
    of_ledger = tied[tied["step"] == TO_LEDGER]
    for item in STEPS[TO_LEDGER]:
        found = of_ledger[of_ledger["item"] == item]
        if len(found) and (item in ENDS or bool(found["amount"].any())):
            rows.append((f"  {item}", people_money(int(found["amount"].sum()))))
    lines = aligned([("Bank to student ledger, all draw dates", ""), *rows], right=(1,)) if rows else []
    for term, told in books_apart(ledger):
        more = "" if told.startswith("agrees") else ", which nothing here explains: see ledger_tie_out.csv"
        lines.append(f"General ledger {without_controls(term)}: {told}{more}")
    return lines


def _changes(changes: pd.DataFrame, late: pd.DataFrame, exceptions: pd.DataFrame) -> list[str]:
    """Plans changed since the close before, and what closed months did not know."""
    told = changes["change"].value_counts(sort=False)
    words = [f"{word} {int(number):,}" for word, number in sorted(told.items())]
    lines = [f"Plans changed: {', '.join(words)}"] if words else []
    if len(late):
        came, gone = (int((late["what"] == what).sum()) for what in ("late", "gone"))
        lines.append(f"Rows of closed months: {came:,} came late, {gone:,} are gone")
    back = exceptions[(exceptions["kind"] == "return after the close") & (exceptions["standing"] != "resolved")]
    back = back[back["plan_id"] != ""]  # a line that leads many of one amount is no draw of its own
    if len(back):
        money = people_money(int(back["amount"].sum()))
        lines.append(f"Cleared in a closed month and come back since: {count(len(back), 'draw')}, {money}")
    return lines


def _not_checked(checks: pd.DataFrame) -> list[str]:
    rows = [f"  {what}" for what in checks.loc[checks["done"] == "no", "what"]]
    return ["Could not be checked:", *rows] if rows else []


def _other_notes(notes: tuple[str, ...], checks: pd.DataFrame) -> tuple[str, ...]:
    """Notes that do not stand under what could not be checked."""
    told = set(checks["what"])
    return tuple(note for note in notes if note not in told)
