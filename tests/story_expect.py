"""What a story may expect, and how each expectation is held against a run. Money is exact; an unknown word is an error.

- `line 1: cleared exact, net 2,400.00, settled 2026-08-11`: state, pass, and more of the draws table; `line P2/1` with several plans
- `coverage: covered by pending`, `gap: 0.00`: a word or amount of the students table
- `variance: -900.00`, `cause aid_changed: 1,500.00`: the plans table; `all causes`: those not named are zero
- `proposed: 2026-11-10 2,850.00; 2026-12-10 2,850.00`, or `proposed: nothing`
- `again: 2,400.00`, `notice by: 2026-10-31`, `first changeable: 2026-11-10`: advice
- `all advice`: what is not named is zero, absent or nothing
- `bucket of A: on a line`, `pass of A: late`, `line of A: 2`, `term of A: 2026-FA`: a bank event by its reference; also `pass of posting 1`
- `C undoes A by rule 3`: what a return or refund undid
- `unmatched C: return without a draw`: the reason of an event without a line; `unmatched: none`
- `failed draw says: Present 2,400.00 again`: words of the exception of that kind; `failed draw begins: ...`: of what to do, its first words
- `told A: plan and student disagree`: a finding about an event
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from story import STUDENT, TERM, StoryError, cents, day

from reconcile.exception_kinds import KINDS
from reconcile.money import people_money
from reconcile.schemas import DRAW_STATES, EXPORTS
from reconcile.variance import CAUSES

if TYPE_CHECKING:
    from reconcile.run import Result

STUDENT_MONEY = {
    name: name.replace(" ", "_")
    for name in ("charges", "aid disbursed", "aid anticipated", "other credits", "draws cleared", "balance now", "gap")
}
PLAN_MONEY = {"to meet": "balance_to_meet", "variance": "variance", "active lines": "active_lines", "plan total": "plan_total"}
LOST = {"pending": "pending_draws", "failed": "failed_draws", "not seen": "not_seen_draws"}
ADVICE = ("again", "awaited", "kept", "to give back", "to stop", "to collect")
PASS_WORDS = ("named", "exact", "late", "early", "with card fee", "grouped", "near", "cancelled line")
LINE_WORDS = {"net": "cleared", "settled": "settled_on", "code": "return_code", "attempts": "attempts", "expected": "expected_on"}
ABSENT = {"none", "nothing"}


class Checker:
    """One story's part of a run, by the prefix of its ids."""

    def __init__(self, result: Result, prefix: str) -> None:
        self.result, self.prefix = result, prefix
        self.named: set[str] = set()
        self._own: dict[tuple[str, ...], pd.DataFrame] = {}

    def rows(self, table: str, *columns: str) -> pd.DataFrame:
        """The rows of a table of which one of the columns bears the story's prefix."""
        if (table, *columns) not in self._own:
            found = self.result.tables[table]
            own = [any(cell.startswith(self.prefix) for cell in cells) for cells in zip(*(found[c].tolist() for c in columns), strict=True)]
            self._own[table, *columns] = found[np.array(own, dtype=bool)].reset_index(drop=True)
        return self._own[table, *columns]

    def one(self, table: str) -> pd.Series:
        """The row of the student and term; StoryError if there is none."""
        rows = self.rows(table, "student_id")
        rows = rows[(rows["student_id"] == self.prefix + STUDENT) & (rows["term"] == TERM)]
        if len(rows) != 1:
            raise StoryError(f"{len(rows)} rows of {table} for the student")
        return rows.iloc[0]

    def event(self, reference: str) -> pd.Series:
        """The entry of a bank event by reference; StoryError if there is not just one."""
        entries = self.rows("entries", "reference")
        rows = entries[(entries["export"] == "cleared_draws") & (entries["reference"] == self.prefix + reference)]
        if len(rows) != 1:
            raise StoryError(f"{len(rows)} bank rows with reference {reference!r}")
        return rows.iloc[0]

    def differences(self, expect: tuple[str, ...]) -> list[str]:
        """Each expectation that the run does not meet, with both sides."""
        wholes = [text for text in expect if text in {"all causes", "all advice", "unmatched: none"}]
        told = [text for one in expect if one not in wholes for text in self.check(one)]
        for whole in wholes:
            told += getattr(self, f"_{whole.replace(': ', '_').replace(' ', '_')}")()
        return told

    def check(self, text: str) -> list[str]:
        """Hold one expectation against the run."""
        what, found, wanted = re.fullmatch(r"([^:]+?)(?:: (.+))?", text), None, ""
        if what is None:
            raise StoryError(f"cannot read the expectation {text!r}")
        name, wanted = what.group(1), what.group(2) or ""
        self.named.add(name)
        if undoes := re.fullmatch(r"(\S+) undoes (\S+) by rule ([1-5])", text):
            event, of = self.event(undoes[1]), self.event(undoes[2])
            found, wanted = event["undoes"], f"{of['file']}:{of['sheet']}:{of['row']} (rule {undoes[3]})"
        elif name.startswith("line ") and not name.startswith("line of"):
            return self._line(text, name.removeprefix("line "), wanted)
        elif by_event := re.fullmatch(r"(bucket|pass|line|term) of (\S+)( [0-9]+)?", name):
            found = self._entry(by_event[1], by_event[2], by_event[3])
        elif name.startswith(("unmatched ", "told ")):
            found = self._told(*name.split(" ", 1))
        elif name == "coverage":
            found = self.one("students")["coverage"]
        elif name in STUDENT_MONEY or name in LOST:
            found, wanted = self.one("students")[(STUDENT_MONEY | LOST)[name]], str(cents(wanted))
        elif name in PLAN_MONEY or name in ADVICE:
            found, wanted = self.one("plans")[PLAN_MONEY.get(name, name.replace(" ", "_"))], str(cents(wanted))
        elif name.startswith("cause ") and name.removeprefix("cause ") in CAUSES:
            found, wanted = self.one("plans")[name.removeprefix("cause ")], str(cents(wanted))
        elif name in {f"{kind} {how}" for kind in KINDS for how in ("says", "begins")}:
            kind, how = name.rsplit(" ", 1)
            return self._words(text, kind, how, wanted)
        elif name in {"notice by", "baseline", "first changeable"}:
            found = _date_text(self.one("plans")[name.replace(" ", "_")])
            wanted = wanted if wanted in ABSENT else day(wanted).isoformat()
        elif name == "proposed":
            found, wanted = self._proposed(), "" if wanted in ABSENT else wanted
        else:
            raise StoryError(f"unknown expectation {text!r}")
        return [] if str(found) == wanted else [f"{text}: found {_shown(found)}"]

    def _words(self, text: str, kind: str, how: str, wanted: str) -> list[str]:
        rows = self.rows("exceptions", "student_id")
        own = rows[rows["kind"] == kind]
        whole = (own["what"] + " " + own["action"]).tolist()
        held = any(wanted in words for words in whole) if how == "says" else own["action"].str.startswith(wanted).any()
        return [] if held else [f"{text}: found {whole}"]

    def _line(self, text: str, which: str, wanted: str) -> list[str]:
        plan, _, line = which.rpartition("/")
        draws = self.rows("draws", "student_id")
        rows = draws[(draws["line"] == line) & ((draws["plan_id"] == self.prefix + plan) | (not plan))]
        if len(rows) != 1:
            raise StoryError(f"{text}: {len(rows)} such lines")
        row = rows.iloc[0]
        first, *more = wanted.split(", ")
        state = next((s for s in sorted(DRAW_STATES, key=len, reverse=True) if first == s or first.startswith(f"{s} ")), None)
        match = "" if state is None else first[len(state) :].strip()
        if state is None or match not in {"", *PASS_WORDS}:
            raise StoryError(f"{text}: unknown state or pass")
        pairs = [("state", state, row["state"]), *([("match", match, row["match"])] if match else [])]
        pairs.extend(self._part(text, part, row) for part in more)
        return [f"{text}: {name} is {_shown(found)}" for name, want, found in pairs if str(found) != want]

    def _part(self, text: str, part: str, row: pd.Series) -> tuple[str, str, Any]:
        if part.startswith("returnable until "):
            return "returnable_until", part.removeprefix("returnable until "), _date_text(row["returnable_until"])
        word, _, value = part.partition(" ")
        if word not in LINE_WORDS:
            raise StoryError(f"{text}: unknown words {part!r}")
        column = LINE_WORDS[word]
        if word == "net":
            return column, str(cents(value)), row[column]
        found = _date_text(row[column]) if column.endswith("_on") else row[column]
        return column, "" if value == "none" and word == "code" else value, found

    def _entry(self, column: str, of: str, number: str | None) -> str:
        if number is None:
            return str(self.event(of)[{"pass": "match"}.get(column, column)])
        export = {"award": "aid", "posting": "postings", "charge": "charges"}.get(of)
        if export not in EXPORTS:
            raise StoryError(f"unknown rows {of!r}: award, posting or charge and its number")
        entries = self.rows("entries", "student_id")
        own = entries[entries["export"] == export].sort_values("row")
        return str(own.iloc[int(number) - 1][{"pass": "match"}.get(column, column)])

    def _told(self, how: str, reference: str) -> str:
        if how == "told":
            kinds = [f.kind for f in self.result.findings if f.reference == self.prefix + reference]
            return kinds[0] if kinds else "none"
        rows = self.rows("unmatched_events", "reference")
        reasons = rows.loc[rows["reference"] == self.prefix + reference, "reason"].tolist()
        return str(reasons[0]) if reasons else "none"

    def _proposed(self) -> str:
        parts = [part.split(" ") for part in self.one("plans")["proposed_draws"].split("; ") if part]
        return "; ".join(f"{on} {people_money(int(money.replace('.', '')))}" for on, money in parts)

    def _all_causes(self) -> list[str]:
        plans = self.one("plans")
        loose = [name for name in (*CAUSES, "unexplained") if plans[name] and f"cause {name}" not in self.named]
        return [f"all causes: {name} is {people_money(int(plans[name]))}" for name in loose]

    def _all_advice(self) -> list[str]:
        plans = self.one("plans")
        loose = [
            f"{name} is {people_money(int(plans[name.replace(' ', '_')]))}"
            for name in ADVICE
            if plans[name.replace(" ", "_")] and name not in self.named
        ]
        if self._proposed() and "proposed" not in self.named:
            loose.append(f"proposed is {self._proposed()}")
        if not pd.isna(plans["notice_by"]) and not {"notice by", "proposed"} & self.named:
            loose.append(f"notice by is {_date_text(plans['notice_by'])}")
        return [f"all advice: {text}" for text in loose]

    def _unmatched_none(self) -> list[str]:
        rows = self.rows("unmatched_events", "student_id", "plan_id")
        return [f"unmatched: none: {text}" for text in rows["reason"].tolist()]


def _date_text(value: Any) -> str:
    return "none" if pd.isna(value) else value.date().isoformat()


def _shown(found: Any) -> str:
    return people_money(int(found)) if isinstance(found, int) or hasattr(found, "dtype") else repr(found)
