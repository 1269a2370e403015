"""Where each exception stands against the run before: its id, its age, and what people decided about it.

An exception keeps its id from run to run, so that its age, note and disposition stay with it:

    new       found for the first time, or found again after it had gone
    carried   it stood on the list before
    changed   its amount has moved by more than plan_tolerance since a person decided about it: look again
    closed    a person wrote a closing disposition, and it is as it was then
    resolved  it is no longer found; told once, and as long as a note or disposition stands beside it

Nothing that a person wrote is ever lost: each disposition is kept in a growing table of its own, with the amount that it spoke of and with
what it took the place of; and so is what became of the exception after somebody had decided:

    decided       somebody wrote beside it for the first time
    overridden    somebody wrote something else; what stood before, by whom and when, stands beside it
    amount moved  it is no longer what the decision spoke of
    resolved      it is no longer found
    found again   it had been resolved
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from reconcile.schemas import DTYPES, OUTPUTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from reconcile.dispositions import Note
    from reconcile.exception_facts import Fact

NEW, CARRIED, CHANGED, CLOSED, RESOLVED = STANDINGS = ("new", "carried", "changed", "closed", "resolved")
DECIDED = ("disposition", "note", "decided_by", "decided_on")
DECISIONS = FIRST, OVER = ("decided", "overridden")
EVENTS = (*DECISIONS, "amount moved", "resolved", "found again")
_SIGNS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567"
_TWO_SIGNS = [one + two for one in _SIGNS for two in _SIGNS]
"""Ten bits as two signs of base 32 (RFC 4648)."""


@dataclass(frozen=True, eq=False)
class PreviousList:
    """What the run before hands on: its exceptions and the dispositions so far, shaped by schemas.OUTPUTS."""

    exceptions: pd.DataFrame
    dispositions: pd.DataFrame | None = None


class Decided(NamedTuple):
    """What a person wrote, and the amount (cents) that it spoke of."""

    disposition: str = ""
    note: str = ""
    decided_by: str = ""
    decided_on: pd.Timestamp | None = None
    amount: int | None = None

    @property
    def words(self) -> tuple[str, str, str, str]:
        """What was written, as text."""
        return self.disposition, self.note, self.decided_by, "" if self.decided_on is None else str(self.decided_on.date())


class Stood(NamedTuple):
    """Where one exception stands: first seen, standing, and what a person decided."""

    first_seen: pd.Timestamp
    standing: str
    decided: Decided


def exception_ids(facts: Sequence[Fact]) -> list[str]:
    """A short text for each fact that depends only on what it is about, and an ordinal where several are about the same.

    In:      facts in any order; those about the same are numbered by the day on which they happened, then by amount and
             what is said of them; by evidence only where that is alike.
    """
    same: dict[tuple[str, ...], list[int]] = {}
    for at, f in enumerate(facts):
        key = (f.kind, f.term, f.student_id, "" if f.whole else f.plan_id, "" if f.whole else f.line, f.about)
        same.setdefault(key, []).append(at)
    ids = [""] * len(facts)
    for about, several in same.items():
        if len(several) > 1:
            several.sort(key=lambda at: _told_by(facts[at]))
        for ordinal, at in enumerate(several):
            ids[at] = _short((*about, str(ordinal)))
    return ids


def _told_by(fact: Fact) -> tuple[object, ...]:
    """By what facts about the same are numbered: where their rows stand counts last, since a file may come sorted in another way."""
    return (fact.happened or 0, fact.amount, fact.plan_id, fact.line, fact.what, fact.advice, fact.lead, fact.evidence)


def _short(parts: tuple[str, ...]) -> str:
    """Twelve letters and digits in groups of four, easy to read out.

    >>> _short(("failed draw", "2026-FA", "S1", "P1", "4", "", "0"))
    'XZEPA-C2ZR-3U63'
    """
    digest = hashlib.sha256("\x1f".join(parts).encode("utf-8", "backslashreplace")).digest()
    bits, two = int.from_bytes(digest[:8], "big"), _TWO_SIGNS
    first, second = f"{two[bits >> 54]}{two[bits >> 44 & 1023]}", f"{two[bits >> 34 & 1023]}{two[bits >> 24 & 1023]}"
    return f"X{first}-{second}-{two[bits >> 14 & 1023]}{two[bits >> 4 & 1023]}"


class Memory:
    """The list of the run before, and what people wrote since: asked for each exception of today."""

    def __init__(self, previous: PreviousList | None, notes: Iterable[Note], closing: frozenset[str], tolerance: int, as_of: date) -> None:
        self._as_of = pd.Timestamp(as_of)
        self._closing, self._tolerance = closing, tolerance
        rows = [] if previous is None else previous.exceptions.to_dict("records")
        self.before: dict[str, dict[str, Any]] = {str(row["exception_id"]): {str(k): v for k, v in row.items()} for row in rows}
        self._log = _log_of(previous)
        self._decided = {id_: _decided(row) for id_, row in self.before.items()}
        decisions = [row for row in self._log if row["event"] in DECISIONS]
        for row in decisions:
            told = _decided(row, int(row["amount"]))
            if told.words == self._decided.get(str(row["exception_id"]), Decided()).words:
                self._decided[str(row["exception_id"])] = told
        known = {(str(row["exception_id"]), *_compared(_decided(row))) for row in (*decisions, *self.before.values())}
        self._fresh = Stood(self._as_of, NEW, Decided())
        self._new: dict[str, Decided] = {}
        self._written: list[tuple[str, Decided]] = []
        for note in sorted(notes, key=lambda n: n.decided_on.isoformat() if n.decided_on else ""):
            on = None if note.decided_on is None else pd.Timestamp(note.decided_on)
            decided = Decided(note.disposition, note.note, note.decided_by, on, note.saw)
            if note.anew or (note.exception_id, *_compared(decided)) not in known:
                self._new[note.exception_id] = decided
                self._written.append((note.exception_id, decided))

    def stands(self, exception_id: str, amount: int) -> Stood:
        """Where an exception that was found today stands, with its amount in cents."""
        before = self.before.get(exception_id)
        if before is None and exception_id not in self._new and exception_id not in self._decided:
            return self._fresh
        gone_before = before is None or before["standing"] == RESOLVED
        decided = self._decision(exception_id, amount)
        basis = amount if decided.amount is None else decided.amount
        moved = bool(decided.disposition) and abs(amount - basis) > self._tolerance
        closed = decided.disposition in self._closing
        first = self._as_of if before is None or (gone_before and not closed) else pd.Timestamp(before["first_seen"])
        standing = CHANGED if moved else CLOSED if closed else NEW if gone_before else CARRIED
        return Stood(first, standing, decided)

    def _decision(self, exception_id: str, amount: int | None) -> Decided:
        """What stands written, with the amount it spoke of: what the person had before them on the day of the decision."""
        before = self.before.get(exception_id)
        new = self._new.get(exception_id)
        if new is None:
            old = self._decided.get(exception_id, Decided())
            return old if old.amount is not None or before is None or not old.disposition else old._replace(amount=int(before["amount"]))
        if new.amount is not None:
            return new
        saw_today = before is None or before["standing"] == RESOLVED or (new.decided_on is not None and new.decided_on >= self._as_of)
        return new._replace(amount=amount if saw_today or before is None else int(before["amount"]))

    def gone(self, found: Mapping[str, int]) -> list[dict[str, Any]]:
        """Rows of exceptions that were on the list before, or that a note names, and are not found today; `found`: today's ids."""
        rows = []
        for id_, before in self.before.items():
            decided = self._decision(id_, None)
            if id_ in found or (before["standing"] == RESOLVED and not (decided.disposition or decided.note)):
                continue
            rows.append(before | _written(decided) | self._resolved(before))
        unknown = [id_ for id_ in self._new if id_ not in found and id_ not in self.before]
        return rows + [self._unknown(id_) for id_ in unknown]

    def _resolved(self, before: Mapping[str, Any]) -> dict[str, Any]:
        if before["standing"] == RESOLVED:
            return {}
        age = (self._as_of - pd.Timestamp(before["first_seen"])).days
        action = f"Nothing more to do: it is no longer found as of {self._as_of.date()}."
        return {"standing": RESOLVED, "age_days": age, "act_by": pd.NaT, "action": action}

    def _unknown(self, exception_id: str) -> dict[str, Any]:
        """The row of a note whose exception stands on no list that we know."""
        empty: dict[str, Any] = {c.name: "" for c in OUTPUTS["exceptions"]}
        dates = {c.name: pd.NaT for c in OUTPUTS["exceptions"] if c.kind == "date"}
        what = "A note names this exception, and neither this list nor the one before holds it."
        own = {"exception_id": exception_id, "severity": "information", "amount": 0, "age_days": 0, "standing": RESOLVED}
        own |= {"first_seen": self._as_of, "what": what, "action": "See whether the id in the notes file is right."}
        return empty | dates | own | _written(self._decision(exception_id, None))

    @property
    def spoken_of(self) -> frozenset[str]:
        """Ids that the list before held, or that a note names: all that the log can tell of."""
        return frozenset((*self.before, *(id_ for id_, _decided in self._written)))

    @property
    def strangers(self) -> tuple[str, ...]:
        """Ids in the notes that the list before did not hold; some may be found today."""
        return tuple(id_ for id_ in self._new if id_ not in self.before)

    def log(self, amounts: Mapping[str, int], rows: Mapping[str, Mapping[str, Any]]) -> pd.DataFrame:
        """OUTPUTS["dispositions"]: the log so far, then what this run read, then what it found of exceptions that were decided about.

        In:      today's amounts by id, and today's rows by id (for kind, term, student and standing).
        """
        added = []
        stood = dict(self._decided)
        for id_, decided in self._written:
            spoke_of = decided.amount if decided.amount is not None else self._decision(id_, amounts.get(id_)).amount
            amount = spoke_of if spoke_of is not None else int(self.before.get(id_, {}).get("amount", 0))
            old = stood.get(id_, Decided())
            stood[id_] = decided._replace(amount=amount)
            added.append(self._logged(id_, OVER if old.disposition or old.note else FIRST, stood[id_], old, rows))
        for id_ in self.before:
            event = self._became(id_, amounts, rows)
            if event:
                decided = self._decision(id_, amounts.get(id_))
                now = amounts.get(id_, int(self.before[id_]["amount"]))
                added.append(self._logged(id_, event, decided._replace(amount=now), decided, rows))
        return typed([*self._log, *added], "dispositions")

    def _became(self, id_: str, amounts: Mapping[str, int], rows: Mapping[str, Mapping[str, Any]]) -> str:
        """What happened since the run before to an exception that somebody had decided about; "" if nothing did."""
        row, before = rows.get(id_), self.before[id_]
        if row is None or not (row["disposition"] or row["note"]):
            return ""
        if row["standing"] == RESOLVED:
            return "" if before["standing"] == RESOLVED else "resolved"
        if before["standing"] == RESOLVED:
            return "found again"
        moved = before["standing"] != CHANGED or abs(amounts[id_] - int(before["amount"])) > self._tolerance
        return "amount moved" if row["standing"] == CHANGED and moved else ""

    def _logged(self, id_: str, event: str, now: Decided, old: Decided, rows: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
        """One row of the log."""
        row = rows.get(id_, {})
        about = {name: row.get(name, "") for name in ("kind", "term", "student_id")}
        before = {f"{name}_before": value for name, value in _written(old).items()}
        own = {"exception_id": id_, "event": event, "amount": now.amount or 0, "amount_before": old.amount or 0, "read_as_of": self._as_of}
        return own | about | _written(now) | before


def _log_of(previous: PreviousList | None) -> list[dict[str, Any]]:
    if previous is None or previous.dispositions is None:
        return []
    return [{str(k): v for k, v in row.items()} for row in previous.dispositions.to_dict("records")]


def _decided(row: Mapping[str, Any], amount: int | None = None) -> Decided:
    on = row["decided_on"]
    return Decided(str(row["disposition"]), str(row["note"]), str(row["decided_by"]), None if pd.isna(on) else pd.Timestamp(on), amount)


def _compared(decided: Decided) -> tuple[str, ...]:
    """The words without what a data file adds to or takes from a text: the apostrophe before a formula, breaks, doubled spaces."""
    return tuple(" ".join(word.replace("'", "").split()) for word in decided.words)


def _written(decided: Decided) -> dict[str, Any]:
    """The four columns of what a person wrote."""
    return dict(zip(DECIDED, (*decided[:3], pd.NaT if decided.decided_on is None else decided.decided_on), strict=True))


def typed(rows: Sequence[Mapping[str, Any]], name: str) -> pd.DataFrame:
    """Rows as a table of OUTPUTS[name]."""
    return typed_columns({column.name: [row[column.name] for row in rows] for column in OUTPUTS[name]}, name)


def typed_columns(cells: Mapping[str, Sequence[Any]], name: str) -> pd.DataFrame:
    """The cells of each column as a table of OUTPUTS[name]."""
    table = {}
    for column in OUTPUTS[name]:
        values = cells[column.name]
        table[column.name] = _dates(values) if column.kind == "date" else pd.Series(values, dtype=DTYPES[column.kind])
    return pd.DataFrame(table)


def _dates(days: Sequence[Any]) -> pd.Series:
    """Days as a column; each object is read once, since thousands of rows share a few of them."""
    different = {id(day): day for day in days}
    place = {key: at for at, key in enumerate(different)}
    each = pd.Series(pd.to_datetime(pd.Series(list(different.values()), dtype="object"))).astype("datetime64[s]")
    return each.take([place[id(day)] for day in days]).reset_index(drop=True)
