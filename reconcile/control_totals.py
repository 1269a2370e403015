"""What each source system reported beside its export: row counts and amounts that the files must meet, and the general-ledger balances.

A control total shows that a file is whole before anyone relies on it: the system that wrote the export says how many rows it wrote and what
they add up to, and the office copies both into `control_totals.toml` beside the exports:

    [charges]
    rows = 412
    amount = "1234567.80"

Amounts are text in the sign of the file itself. A difference refuses the run, since rows are missing or too many and nobody knows which.
`general_ledger.toml` gives the balances that a close ties out to:

    [[balance]]
    term = "2026-FA"
    account = "1234"
    amount = "98765.40"
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pyarrow as pa  # type: ignore[import-untyped]

from reconcile.cells import parse_money
from reconcile.intake_problems import sentence
from reconcile.money import people_money
from reconcile.schemas import EXPORTS
from reconcile.toml_errors import Found, explain, read_toml, unknown, wrong

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

_MONEY = 'an amount in quotes, such as "1234.50"'


@dataclass(frozen=True)
class Total:
    """What a source system reported of one export; None where it is silent. Cents in the sign of the file."""

    file: str
    export: str
    rows: int | None
    cents: int | None


@dataclass(frozen=True)
class LedgerBalance:
    """The balance of one account of the general ledger for one term, in cents."""

    term: str
    account: str
    cents: int


@dataclass(frozen=True)
class Counted:
    """What the files hold of one export, copies of a row in overlapping files once: rows, cents in the sign of the file.

    `unreadable`: rows whose amount could not be read and is missing in `cents`.
    """

    rows: int
    cents: int
    unreadable: int


def read_control_totals(raw: bytes, name: str) -> tuple[tuple[Total, ...], tuple[str, ...]]:
    """The totals of one file and the sentences that say what is wrong in it. Never raises."""
    file, problems = read_toml(raw, name)
    if file is None:
        return (), tuple(problems)
    found: list[Found] = []
    totals: list[Total] = []
    for export, table in file.data.items():
        if export not in EXPORTS:
            found.append(((export,), unknown("export", export, list(EXPORTS), set(EXPORTS) - set(file.data))))
        elif not isinstance(table, dict):
            found.append(((export,), wrong(table, "a [table] with rows and amount")))
        else:
            found += _strange_keys(table, (export,), ("rows", "amount"))
            totals.append(Total(name, export, _rows(table, (export,), found), _cents(table, (export,), found)))
    return tuple(totals), tuple(explain(file.text, name, found))


def read_general_ledger(raw: bytes, name: str) -> tuple[tuple[LedgerBalance, ...], tuple[str, ...]]:
    """The balances of one file and the sentences that say what is wrong in it. Never raises."""
    file, problems = read_toml(raw, name)
    if file is None:
        return (), tuple(problems)
    found = _strange_keys(file.data, (), ("balance",))
    entries = file.data.get("balance", [])
    if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
        return (), tuple(
            explain(file.text, name, [*found, (("balance",), wrong(entries, "[[balance]] tables with term, account and amount"))])
        )
    balances: list[LedgerBalance] = []
    for number, entry in enumerate(entries):
        path = ("balance", number)
        found += _strange_keys(entry, path, ("term", "account", "amount"))
        for key in ("term", "account", "amount"):
            if key not in entry:
                found.append(((*path, key), f"this key is missing. Allowed: {_MONEY if key == 'amount' else 'text in quotes'}."))
            elif key != "amount" and not (isinstance(entry[key], str) and entry[key].strip()):
                found.append(((*path, key), wrong(entry[key], "text in quotes")))
        cents = _cents(entry, path, found)
        if any((b.term, b.account) == (entry.get("term"), entry.get("account")) for b in balances):
            again = f"account {entry['account']} of {entry['term']} has a balance already, further up. Keep one of them."
            found.append(((*path, "account"), again))
        balances.append(LedgerBalance(str(entry.get("term", "")), str(entry.get("account", "")), cents or 0))
    told = tuple(explain(file.text, name, found))
    return (() if told else tuple(balances)), told


def compare(totals: Sequence[Total], counted: Mapping[str, Counted]) -> tuple[str, ...]:
    """One sentence for each control total that the files do not meet: theirs, ours, and the difference in words."""
    told: list[str] = []
    given: dict[str, str] = {}
    for total in totals:
        if total.export in given:
            told.append(f"{total.export} has control totals in {given[total.export]} and in {total.file}. Keep one of them.")
        given.setdefault(total.export, total.file)
        told += _differences(total, counted.get(total.export, Counted(0, 0, 0)))
    return tuple(told)


def _differences(total: Total, ours: Counted) -> Iterator[str]:
    cure = "Export it again, or correct the control total."
    if total.rows is not None and total.rows != ours.rows:
        more = "more" if ours.rows > total.rows else "fewer"
        yield (
            f"{total.file} says that {total.export} has {_many(total.rows)}; the files have {_many(ours.rows)}, "
            f"{abs(ours.rows - total.rows):,} {more}. {cure}"
        )
    if total.cents is not None and total.cents != ours.cents:
        more = "more" if ours.cents > total.cents else "less"
        unread = f" ({_many(ours.unreadable)} without a readable amount not counted)" if ours.unreadable else ""
        yield (
            f"{total.file} says that {total.export} adds up to {people_money(total.cents)}; "
            f"the files add up to {people_money(ours.cents)}{unread}, {people_money(abs(ours.cents - total.cents))} {more}. {cure}"
        )


def _many(rows: int) -> str:
    return "1 row" if rows == 1 else f"{rows:,} rows"


def _strange_keys(table: Mapping[str, Any], path: tuple[str | int, ...], allowed: Sequence[str]) -> list[Found]:
    unused = set(allowed) - set(table)
    return [((*path, key), unknown("key", key, allowed, unused)) for key in table if key not in allowed]


def _rows(table: Mapping[str, Any], path: tuple[str | int, ...], found: list[Found]) -> int | None:
    rows = table.get("rows")
    if rows is None:
        return None
    if isinstance(rows, int) and not isinstance(rows, bool) and rows >= 0:
        return rows
    found.append(((*path, "rows"), wrong(rows, "a whole number without quotes, 0 or more")))
    return None


def _cents(table: Mapping[str, Any], path: tuple[str | int, ...], found: list[Found]) -> int | None:
    amount = table.get("amount")
    if amount is None:
        return None
    if not isinstance(amount, str) or not amount.strip():
        found.append(((*path, "amount"), wrong(amount, _MONEY)))
        return None
    parsed = parse_money(pa.array([amount], type=pa.string()), ".")
    if parsed.problems:
        problem, cure = parsed.problems[0]
        found.append(((*path, "amount"), f"{wrong(amount, _MONEY)} {sentence(problem)} {sentence(cure)}"))
        return None
    return int(parsed.values[0])
