"""The parts of the packet that tell of money: roll-forward, aging, tie-out, the general ledger, return rates.

Each takes the tables of the run and gives a section; figures are summed over rows of a table where the packet is shorter than the table,
and never worked out anew.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

import pandas as pd

from reconcile.bridges import apart
from reconcile.deliver.packet_text import Column, Section, Table
from reconcile.deliver.summary import count
from reconcile.ledger_tie_out import COMPUTED, DIFFERENCE, GENERAL, POSTED
from reconcile.line_moves import CLOSING, OPENING
from reconcile.money import people_money
from reconcile.open_items import AGES
from reconcile.tie_out import BANK, LEDGER, SCHEDULE, STEPS, TO_BANK, TO_LEDGER, TOLD, UNEXPLAINED

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date

    from reconcile.deliver.shown import Shown

ACROSS: Final = 4
"""So many terms and methods stand side by side in one roll-forward."""
MOST_DATES: Final = 12
"""So many draw dates are shown one by one, those with the most scheduled money."""
WITHOUT_DATE, TO_COME = NO_DATE = ("without a draw date", "still to come")
SIDES: Final = (SCHEDULE, BANK, LEDGER)
GIVEN_BALANCES: Final = (
    "The computed sub-ledger beside the balance that the office gave of the general ledger. Unexplained is what no item explains up to the "
    "student ledger; difference is what the general ledger has beyond it, which nothing here explains."
)
NO_BALANCES: Final = (
    "No balances of the general ledger were given (general_ledger.toml beside the exports), so the sub-ledger was not tied to it. "
    "The computed sub-ledger beside the student ledger as it is posted:"
)
LEDGER_ENDS: Final = frozenset({COMPUTED, POSTED, DIFFERENCE})
MONEYS: Final = {
    "pending": ("Pending money", "What plan lines were still to take, in transit included."),
    "failed and not seen": ("Failed and not-seen money", "What should have come and did not, as far as plans were not adjusted since."),
}


def rollforward(shown: Shown) -> Section:
    """How both moneys came from the close before to this one, per term and method."""
    table = shown.tables["rollforward"]
    groups = list(dict.fromkeys(zip(table["term"], table["method"], strict=True)))
    tables = [
        _rolled(table[table["money"] == money], title, below, groups[start : start + ACROSS])
        for money, (title, below) in MONEYS.items()
        for start in range(0, len(groups), ACROSS)
    ]
    told = (
        "Every line of every plan moved once, from where it stood at the close before to where it stands now. Opening and all moves come "
        "to the closing, which is the opening of the next close."
    )
    return Section("Roll-forward", [told] if groups else ["No plan had a line at either close."], tables)


def _rolled(table: pd.DataFrame, title: str, below: str, groups: Sequence[tuple[str, str]]) -> Table:
    cents = {(r["term"], r["method"], r["item"]): r["amount"] for r in table.to_dict("records")}
    items = list(dict.fromkeys(table["item"]))
    kept = [item for item in items if item in {OPENING, CLOSING} or any(cents.get((*group, item), 0) for group in groups)]
    columns = [Column("Item", wide=1), *(Column(f"{term} {method}", right=True) for term, method in groups)]
    rows = [[item, *(people_money(cents.get((*group, item), 0)) for group in groups)] for item in kept]
    total = len(groups) > 1
    if total:
        columns.append(Column("Together", right=True))
        for row, item in zip(rows, kept, strict=True):
            row.append(people_money(sum(cents.get((*group, item), 0) for group in groups)))
    strong = [at for at, item in enumerate(kept) if item in {OPENING, CLOSING}]
    return Table(columns, rows, title, below, strong)


def aging(shown: Shown) -> Section:
    """Open failed and not-seen money by its age."""
    items = shown.tables["open_items"]
    if items.empty:
        return Section("Open items by age", ["No failed or not-seen money is open."])
    columns = [Column("Term"), Column("State", wide=1), Column("Lines", right=True), *(Column(age, right=True) for age in AGES)]
    rows = []
    for (term, state), part in items.groupby(["term", "state"], sort=True):
        cents = [int(part.loc[part["age"] == age, "open"].sum()) for age in AGES]
        rows.append([str(term), str(state), f"{len(part):,}", *map(people_money, cents), people_money(sum(cents))])
    whole = [int(items.loc[items["age"] == age, "open"].sum()) for age in AGES]
    rows.append(["together", "", f"{len(items):,}", *map(people_money, whole), people_money(sum(whole))])
    told = (
        "Failed and not-seen money that is still open, by days since it should have been there. Each item is listed at every close until "
        "it clears (open_items.csv). What draws that came in part lack is not in it."
    )
    return Section("Open items by age", [told], [Table([*columns, Column("Together", right=True)], rows, strong=[len(rows) - 1])])


def tie_out(shown: Shown) -> Section:
    """Schedule, bank and student ledger side by side per draw date, and what explains their differences."""
    table = shown.tables["tie_out"]
    told = (
        "Plan schedule, bank and student ledger side by side. Every difference is explained by items that are listed one by one in "
        "tie_out_items.csv; unexplained is what no item explains."
    )
    if table.empty:
        return Section("Tie-out", ["There was no draw to tie out."])
    return Section("Tie-out", [told], [_side_by_side(table, shown.about.as_of), *_explained(table)])


def _side_by_side(table: pd.DataFrame, as_of: date) -> Table:
    """One row for each of the largest draw dates; the others, those still to come, and money without a date in one row a term."""
    cents: dict[tuple[str, str], Counter[str]] = {}
    for row in table[table["item"].isin([*SIDES, UNEXPLAINED])].to_dict("records"):
        at = cents.setdefault((row["term"], _date(row["draw_date"], as_of)), Counter())
        if row["item"] == UNEXPLAINED:
            at[UNEXPLAINED] += abs(row["amount"])
        elif not (row["step"] == TO_LEDGER and row["item"] == BANK):
            at[row["item"]] += row["amount"]
    dated = [key for key in cents if key[1] not in NO_DATE]
    shown = set(sorted(dated, key=lambda key: (-cents[key][SIDES[0]], key))[:MOST_DATES])
    rest: dict[tuple[str, str], Counter[str]] = {}
    others = Counter(term for term, day in dated if (term, day) not in shown)
    for (term, day), at in cents.items():
        name = day if (term, day) in shown or day in NO_DATE else f"{count(others[term], 'other date')}"
        rest.setdefault((term, name), Counter()).update(at)
    return _sides(rest, has_ledger=bool((table["step"] == TO_LEDGER).any()))


def _date(day: pd.Timestamp, as_of: date) -> str:
    if pd.isna(day):
        return WITHOUT_DATE
    return TO_COME if day.date() > as_of else str(day.date())


def _sides(cents: Mapping[tuple[str, str], Counter[str]], *, has_ledger: bool) -> Table:
    """The sides as a table, a term's dates before what has none."""
    sides = SIDES if has_ledger else SIDES[:2]
    order = sorted(cents, key=lambda key: (key[0], key[1] in NO_DATE, not key[1][:4].isdigit() or "other" in key[1], key[1]))
    rows = [[key[0] or "no term", key[1], *(people_money(cents[key][side]) for side in (*sides, UNEXPLAINED))] for key in order]
    together = [people_money(sum(at[side] for at in cents.values())) for side in (*sides, UNEXPLAINED)]
    columns = [
        Column("Term"),
        Column("Draw date", wide=1),
        *(Column(side[:1].upper() + side[1:], right=True) for side in (*sides, UNEXPLAINED)),
    ]
    below = "The largest draw dates; every date stands in tie_out.csv." if any("other" in key[1] for key in cents) else ""
    below += "" if has_ledger else " Without an export of postings the student ledger could not be tied out."
    return Table(columns, [*rows, ["together", "", *together]], below=below.strip(), strong=[len(rows)])


def _explained(table: pd.DataFrame) -> Iterator[Table]:
    """What explains the differences, summed over the draw dates of a term."""
    terms = list(dict.fromkeys(table["term"]))
    for step, title in ((TO_BANK, "From the schedule to the bank"), (TO_LEDGER, "From the bank to the student ledger")):
        rows: list[list[str]] = []
        strong: list[int] = []
        part = table[table["step"] == step]
        for item in sorted(set(part["item"]), key=STEPS[step].index):
            own = part[part["item"] == item]
            cents = [int(own.loc[own["term"] == term, "amount"].sum()) for term in terms]
            if item in SIDES or item == UNEXPLAINED:
                strong.append(len(rows))
            elif not own["amount"].any():
                continue
            rows.append([item, "" if item == UNEXPLAINED else f"{int(own['lines'].sum()):,}", *map(people_money, cents)])
        if rows:
            yield Table(
                [Column("Item", wide=1), Column("Lines", right=True), *(Column(t or "no term", right=True) for t in terms)],
                rows,
                title,
                strong=strong,
            )
    told = table[(table["step"] == TOLD) & (table["amount"] != 0)]
    if len(told):
        sums = told.groupby(["term", "item", "until"], sort=True, dropna=False)[["lines", "amount"]].sum().reset_index()
        rows = [
            [r["term"], r["item"], f"{r['lines']:,}", people_money(r["amount"]), "" if pd.isna(r["until"]) else str(r["until"].date())]
            for r in sums.to_dict("records")
        ]
        columns = [Column("Term"), Column("Item", wide=1), Column("Lines", right=True), Column("Amount", right=True), Column("Until")]
        yield Table(columns, rows, "Cleared, and may still come back", "Until: the last banking day for an ordinary return.")


def bridges(shown: Shown) -> Section | None:
    """Figures that look alike and differ, each led to the other by name."""
    rows: list[list[str]] = []
    strong: list[int] = []
    for name, items in apart(shown.tables["bridges"]).items():
        rows += [[name if at == 0 else "", item, people_money(cents)] for at, (item, cents) in enumerate(items)]
        strong.append(len(rows) - 1)
    if not rows:
        return None
    told = (
        "Some figures of this close look alike and are not the same. Here each is led to the other; every bridge was proved (bridges.csv). "
        "What a draw that came in part lacks is in no roll-forward and is not aged: it is told as an exception, and stands in the tie-out "
        "at every close."
    )
    columns = [Column("Bridge"), Column("Item", wide=1), Column("Amount", right=True)]
    return Section("Figures that look alike", [told], [Table(columns, rows, strong=strong)])


def general_ledger(shown: Shown) -> Section:
    """The computed sub-ledger tied to the balances of the general ledger, where the office gave them."""
    table = shown.tables["ledger_tie_out"]
    given = bool((table["item"] == GENERAL).any())
    told = GIVEN_BALANCES if given else NO_BALANCES
    rows = [[r["term"], r["account"], r["item"], people_money(r["amount"])] for r in table.to_dict("records")]
    strong = [at for at, row in enumerate(rows) if row[2] in LEDGER_ENDS]
    columns = [Column("Term"), Column("Account"), Column("Item", wide=1), Column("Amount", right=True)]
    return Section("General ledger", [told], [Table(columns, rows, strong=strong)])


def return_rates(tables: Mapping[str, pd.DataFrame]) -> Section | None:
    """Return rates beside the levels of the rules, if this run has them."""
    if "return_rates" not in tables or not len(tables["return_rates"]):
        return None
    names = {"name": "Returns", "window": "Window", "returns": "Returned", "base": "Draws", "percent": "Percent", "level": "Level"}
    names |= {"above": "Above it", "more_to_pass": "More to pass it"}
    here = [name for name in names if name in tables["return_rates"]]
    figures = {"returns", "base", "percent", "level", "more_to_pass"}
    rows = [
        [f"{cell:,}" if isinstance(cell, int) else str(cell) for cell in row]
        for row in tables["return_rates"][here].itertuples(index=False)
    ]
    told = "The share of bank draws that came back, beside the levels of the rules. The bank's own count decides."
    columns = [Column(names[name], right=name in figures, wide=int(name == "name")) for name in here]
    return Section("Return rates", [told], [Table(columns, rows)])
