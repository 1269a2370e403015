"""What happened on one student's account in a term, day by day, from the accepted rows of the run; draws are told as the bank has them.

Each row is told by the bucket in which it ended. Rows of one day and one kind are told together, but never draws of two plans.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import pandas as pd

from reconcile.money import people_money
from reconcile.report_tables import CANCELLED_ON, ENROLLED_ON
from reconcile.trace_parts import parts_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

UNDONE: Final = "undone by a return or refund"
UNDOES: Final = "undoes a draw"
UNDECIDED: Final = "more than one way to match"
TRIED: Final = "failed attempt of a line"
BANK_WORDS: Final = {
    "on a line": "drawn and cleared",
    "fee on a line": "enrollment fee cleared",
    "on a cancelled line": "drawn though cancelled",
    UNDONE: "drawn; it came back later",
    UNDECIDED: "drawn; which draw it paid is open",
    "without a line": "drawn, on no line of the plan",
    "payment, not a plan draw": "payment seen at the bank",
    UNDOES: "came back",
    TRIED: "tried, and not paid",
    "return without a draw": "came back; it fits no draw",
    "refund without a draw": "given back; it fits no draw",
    "dishonored or contested return": "return disputed between the banks",
}
BILL_WORDS: Final = {
    ("charges", "on the bill"): "charged",
    ("aid", "disbursed"): "aid first put on the bill on this day, paid by now",
    ("aid", "anticipated"): "aid first put on the bill on this day: expected, not here yet",
    ("aid", "lapsed"): "aid first put on the bill on this day: expected, overdue, counts no more",
    ("aid", "cancelled"): "aid first put on the bill on this day, cancelled since",
    ("aid", "estimated"): "aid estimated: does not count",
    ("aid", "never on the bill"): "aid that never pays a bill",
    ("aid", "not yet on the bill"): "aid not yet on the bill",
}


class Happening(NamedTuple):
    """One thing that happened on the account: day, words, cents as the export has them (0 where no money is meant)."""

    day: pd.Timestamp
    words: str
    cents: int


class Undoing(NamedTuple):
    """What took money off a draw: the day, and whether it was the office that gave it back."""

    day: pd.Timestamp
    refund: bool

    @property
    def words(self) -> str:
        """What it did: "given back by the office on 2026-10-20"."""
        return f"{'given back by the office' if self.refund else 'came back'} on {self.day.date()}"


def happenings(entries: list[dict[str, Any]], plan: dict[str, Any] | None) -> Iterator[Happening]:
    """What moved the account, rows of one day and one kind together; draws on the ledger are the bank's, and are not told twice.

    In:      the term's entries of one student, and the row of plans.
    """
    several = plan is not None and "; " in plan["plan_ids"]
    back = undoings(entries)
    sums: dict[tuple[pd.Timestamp, str], tuple[int, int, int]] = {}
    for row in entries:
        words = _words(row, back.get(_place(row), ()), several=several)
        if words:
            count, cents, fee = sums.get((row["date"], words), (0, 0, 0))
            sums[row["date"], words] = (count + 1, cents + int(row["cents"]), fee + _card_fee(row))
    for (day, words), (count, cents, fee) in sums.items():
        of_it = f", {people_money(fee)} of it the card fee" if fee else ""
        yield Happening(day, words + of_it + (f" ({count} entries)" if count > 1 else ""), cents)
    yield from _of_plans(entries, plan)
    for row in entries:
        cancelled = days_of(row).get(CANCELLED_ON)
        if cancelled is not None:
            yield Happening(cancelled, f"draw of {row['date'].date()} cancelled{_where(row, several=several)}", 0)


def undoings(entries: Iterable[dict[str, Any]]) -> dict[str, tuple[Undoing, ...]]:
    """What took money off each bank event, by the event's place in the exports (file:sheet:row), oldest first."""
    found: dict[str, list[Undoing]] = {}
    for row in entries:
        if row["export"] == "cleared_draws" and row["undoes"]:
            found.setdefault(str(row["undoes"]).rpartition(" (rule ")[0], []).append(Undoing(row["date"], row["status"] == "refunded"))
    return {place: tuple(sorted(ways)) for place, ways in found.items()}


def days_of(row: dict[str, Any]) -> dict[str, pd.Timestamp]:
    """The days that an entry of a schedule line carries: of enrollment and of cancellation; none in runs of before they were kept."""
    if row["export"] != "plan_schedules" or not row["parts"]:
        return {}
    return {name: pd.Timestamp(day) for name, day in (part.split(" ") for part in str(row["parts"]).split("; "))}


def _of_plans(entries: list[dict[str, Any]], plan: dict[str, Any] | None) -> Iterator[Happening]:
    """When each plan began, and when they were last held against the bill."""
    if plan is None:
        return
    ids = str(plan["plan_ids"]).split("; ")
    days = {row["plan_id"]: days_of(row)[ENROLLED_ON] for row in entries if ENROLLED_ON in days_of(row)}
    if len(ids) > 1 and all(name in days for name in ids):
        for name in ids:
            yield Happening(days[name], f"enrolled in plan {name}", 0)
    else:
        first = "" if len(ids) == 1 else " (the day of the first)"
        yield Happening(plan["enrolled_on"], f"enrolled in plan{'s' if first else ''} {' and '.join(ids)}{first}", 0)
    if plan["baseline"] > plan["enrolled_on"]:
        yield Happening(plan["baseline"], f"plan{'s' if len(ids) > 1 else ''} last held against the bill", 0)


def _words(row: dict[str, Any], back: tuple[Undoing, ...], *, several: bool) -> str:
    """The words of an entry; "" for what is not told here. `back` took money off it; of `several` plans each draw names its own."""
    export, bucket = row["export"], row["bucket"]
    if export == "plan_schedules" or bucket in {"after the as-of date", "plan enrolled after the as-of date", "other terms"}:
        return ""
    if export == "cleared_draws":
        return _bank_words(row, back) + _where(row, several=several)
    if export == "postings":
        return f"credited: {row['status']}" if bucket == "other credits" else ""
    return BILL_WORDS.get((export, bucket), f"{export}: {bucket}")


def _bank_words(row: dict[str, Any], back: tuple[Undoing, ...]) -> str:
    bucket = row["bucket"]
    if bucket == UNDOES and row["status"] == "refunded":
        return "given back by the office"
    told = " and ".join(dict.fromkeys(way.words for way in back))
    if told:
        return f"drawn; {told}" if bucket == UNDONE else f"{BANK_WORDS.get(bucket, bucket)}; part of it {told}"
    if bucket == TRIED and row["match"] == "with card fee":
        return "tried with the card fee, and not paid"
    return str(BANK_WORDS.get(bucket, bucket))


def _card_fee(row: dict[str, Any]) -> int:
    """Cents of a bank event that are the card fee."""
    return parts_of(row["parts"], int(row["cents"])).get("card_fee", 0) if row["export"] == "cleared_draws" and row["parts"] else 0


def _where(row: Mapping[str, Any], *, several: bool) -> str:
    plan = f", plan {row['plan_id']}" if several and row["plan_id"] else ""
    return f"{plan}, line {row['line']}" if row["line"] else plan


def _place(row: dict[str, Any]) -> str:
    return f"{row['file']}:{row['sheet']}:{row['row']}" if row["export"] == "cleared_draws" else ""
