"""The reader of stories: one student's ledger card in a few lines of text, a day, and what a person works out from them.

A story is a table of a file in tests/cases. Its rows read like a ledger card, one row a line, words after the amount in any order:

    charges = "2026-07-15 15,000.00 tuition"
    aid     = "2026-07-15 3,000.00 grant anticipated expected 2026-08-20"
    plan    = "P1 enrolled 2026-07-20 total 12,000.00 bank" and below it lines such as "1 2026-08-10 2,400.00 ref L1"
    bank    = "2026-08-11 2,400.00 cleared plan P1 ref A" and "2026-08-13 2,400.00 returned R01 plan P1 ref B names A"
    ledger  = "2026-08-12 2,400.00 plan draw"

What a story leaves out stands on the file's `[card]`; `also_bank` and the like add rows to it. Without a ledger there is no postings
export.
`[story.rules.matching]` and the like change rule values of cases/office.toml; `[story.rules.returns.R01]` changes a return code.

Stories of the same day and rules run together, each with students, plans and references of its own: other students change no result
(tests/test_properties.py holds that). A word that the reader does not know is an error, so that nothing is skipped in silence.
"""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any

from build import Row, exports_of

from reconcile.policy import Rules, load_rules
from reconcile.run import Result, reconcile_exports
from reconcile.schemas import AID_STATUSES, LINE_KINDS, METHODS, OUTCOMES, POSTING_KINDS

CASES = Path(__file__).parent / "cases"
RULES = Path(__file__).parents[1] / "rules"
OFFICE = CASES / "office.toml"
TERM, STUDENT = "2026-FA", "S1"
BANK_FROM = date(2026, 7, 1)
BLOCKS = ("charges", "aid", "plan", "bank", "ledger")
TWO_WORDS = ("down payment", "plan draw", "brought forward", "library fine", "parking fine", "disbursed on", "cancelled on")
KEYS = {"title", "why", "as_of", "bank_from", "bank_through", "rules", "expect", *BLOCKS, *(f"also_{name}" for name in BLOCKS)}


class StoryError(Exception):
    """A story that cannot be read: what is wrong with it, and where."""


@dataclass(frozen=True)
class Story:
    """One story. `rows` are standard columns per export, ids as written; `expect` the lines to hold the run to."""

    subject: str
    title: str
    as_of: date
    bank_from: date
    bank_through: date
    changes: str
    rows: dict[str, list[Row]]
    expect: tuple[str, ...]

    @property
    def id(self) -> str:
        """The test's id: subject and title."""
        return f"{self.subject}: {self.title}"

    @property
    def run_with(self) -> tuple[Any, ...]:
        """Stories for which this is equal can run together."""
        return self.as_of, self.bank_from, self.bank_through, self.changes, "postings" in self.rows


def cents(text: str) -> int:
    """Exact cents of money as people write it: `-1,234.50`. StoryError for anything else."""
    if not re.fullmatch(r"-?[0-9]{1,3}(,[0-9]{3})*\.[0-9]{2}", text):
        raise StoryError(f"{text!r} is no money such as 1,234.50")
    return int(text.replace(",", "").replace(".", ""))


def day(text: str) -> date:
    """A date as 2026-08-10. StoryError for anything else."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise StoryError(f"{text!r} is no date such as 2026-08-10") from None


def read_stories(path: Path) -> list[Story]:
    """All stories of a file."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    if set(data) - {"card", "story"}:
        raise StoryError(f"{path.name}: unknown tables {sorted(set(data) - {'card', 'story'})}")
    return [read_story(path.stem, data.get("card", {}), story) for story in data["story"]]


def read_story(subject: str, card: dict[str, Any], story: dict[str, Any]) -> Story:
    """One story of a file with that card."""
    strange = set(story) - KEYS | {key for key in card if key not in BLOCKS}
    missing = {"title", "why", "as_of", "expect"} - set(story)
    if strange or missing:
        raise StoryError(f"{story.get('title', subject)}: unknown keys {sorted(strange)}, missing keys {sorted(missing)}")
    rows: dict[str, list[Row]] = {}
    for name, (export, read) in READERS.items():
        block = f"{story.get(name, card.get(name, ''))}\n{story.get(f'also_{name}', '')}"
        if name != "ledger" or name in {*story, *card} or f"also_{name}" in story:
            rows[export] = read([_words(text) for text in block.splitlines() if text.strip()])
    return Story(
        subject=subject,
        title=story["title"],
        as_of=story["as_of"],
        bank_from=story.get("bank_from", BANK_FROM),
        bank_through=story.get("bank_through", story["as_of"]),
        changes=json.dumps(story.get("rules", {}), sort_keys=True, default=lambda value: f"date {value.isoformat()}"),
        rows=rows,
        expect=tuple(text.strip() for text in story["expect"].splitlines() if text.strip()),
    )


def _words(text: str) -> list[str]:
    for pair in TWO_WORDS:
        text = text.replace(pair, pair.replace(" ", "~"))
    return [word.replace("~", " ") for word in text.split()]


def _more(words: list[str], named: dict[str, str], alone: dict[str, tuple[str, ...]]) -> Row:
    """Words after the fixed part of a row: `named` take the next word (a date where the column says so), `alone` are their own value."""
    row: Row = {}
    rest = list(words)
    while rest:
        word = rest.pop(0)
        column = named.get(word) or next((name for name, allowed in alone.items() if word in allowed), None)
        if column is None or column in row:
            raise StoryError(f"{word!r} in {' '.join(words)!r}: unknown or said twice; known words: {sorted(named)} {alone}")
        if word in named:
            if not rest:
                raise StoryError(f"{word!r} in {' '.join(words)!r}: nothing follows")
            value = rest.pop(0)
            row[column] = day(value) if column.endswith("_on") else value
        else:
            row[column] = word
    return row


def _of(row: Row) -> Row:
    return {"student_id": STUDENT, "term": TERM, **row}


def _charges(lines: list[list[str]]) -> list[Row]:
    return [_of({"posted_on": day(d), "amount": cents(a), "charge_type": t, **_more(r, {"in": "term"}, {})}) for d, a, t, *r in lines]


def _aid(lines: list[list[str]]) -> list[Row]:
    named = {"disbursed on": "disbursed_on", "expected": "expected_on", "cancelled on": "cancelled_on", "in": "term"}
    rows = []
    for on, amount, fund, *rest in lines:
        more = _more(rest, named, {"status": AID_STATUSES})
        if not {"status", "cancelled_on", "disbursed_on"} & set(more):
            raise StoryError(f"an award has a status: {on} {amount} {fund}")
        implied = next((name.removesuffix("_on") for name in ("cancelled_on", "disbursed_on") if name in more), "")
        rows.append(_of({"posted_on": day(on), "amount": cents(amount), "fund": fund, "status": implied, **more}))
    return rows


def _plan(lines: list[list[str]]) -> list[Row]:
    rows: list[Row] = []
    head: Row = {}
    for words in lines:
        if "enrolled" in words:
            named = {
                "enrolled": "enrolled_on",
                "total": "plan_total",
                "set": "set_on",
                "consent": "consent_on",
                "of": "student_id",
                "in": "term",
            }
            more = _more(words[1:], named, {"method": METHODS})
            head = _of({"plan_id": words[0], **more, "plan_total": cents(more["plan_total"])})
            continue
        line, on, amount, *rest = words
        named = {"ref": "reference", "cancelled on": "cancelled_on", "says": "schedule_says"}
        more = _more(rest, named, {"kind": LINE_KINDS, "method": METHODS, "line_status": ("cancelled",)})
        if "cancelled_on" in more:
            more["line_status"] = "cancelled"
        rows.append({**head, "line": line, "draw_date": day(on), "amount": cents(amount), **more})
    return rows


def _bank(lines: list[list[str]]) -> list[Row]:
    named = {"plan": "plan_id", "student": "student_id", "ref": "reference", "line": "line", "kind": "kind", "names": "original_reference"}
    rows = []
    for on, amount, outcome, *rest in lines:
        code = {"return_code": rest.pop(0)} if outcome == "returned" and rest and rest[0] not in {*named, *METHODS} else {}
        row: Row = {"settled_on": day(on), "amount": cents(amount), "outcome": outcome, **code, **_more(rest, named, {"method": METHODS})}
        if outcome not in OUTCOMES or not {"plan_id", "student_id"} & set(row):
            raise StoryError(f"a bank row has an outcome {OUTCOMES} and names a plan or a student: {row}")
        rows.append(row)
    return rows


def _ledger(lines: list[list[str]]) -> list[Row]:
    named = {"ref": "reference", "in": "term"}
    rows = [{"posted_on": day(d), "amount": cents(a), **_more(r, named, {"kind": POSTING_KINDS})} for d, a, *r in lines]
    if any("kind" not in row for row in rows):
        raise StoryError(f"a ledger row has a kind: {POSTING_KINDS}")
    return [_of(row) for row in rows]


READERS = {
    "charges": ("charges", _charges),
    "aid": ("aid", _aid),
    "plan": ("plan_schedules", _plan),
    "bank": ("cleared_draws", _bank),
    "ledger": ("postings", _ledger),
}


# -- rules


@cache
def _files() -> dict[str, Any]:
    """rules/ as read, with its TOML tables as written, and the office's values laid over them."""
    raw = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in RULES.glob("*.toml")}
    return {"rules": load_rules(RULES), "raw": raw, "office": tomllib.loads(OFFICE.read_text(encoding="utf-8"))}


@cache
def rules_with(changes: str = "{}") -> Rules:
    """The office's rules with a story's changes, each value checked as the rules files are."""
    files = _files()
    rules: Rules = files["rules"]
    raw, office = files["raw"], files["office"]
    wanted = json.loads(changes, object_hook=_dates)
    if set(wanted) - {*office, "returns"}:
        raise StoryError(f"unknown rules {sorted(set(wanted) - {*office, 'returns'})}")
    parts: dict[str, Any] = {}
    for name in ("matching", "plans", "aid", "calendar"):
        parts[name] = _checked(getattr(rules, name), raw[name], office[name], wanted.get(name, {}))
    term = next(t for t in raw["terms"]["term"] if t["code"] == TERM)
    model = next(t for t in rules.terms if t.code == TERM)
    parts["terms"] = tuple(
        _checked(model, term, office["term"], wanted.get("term", {})) if found.code == TERM else found for found in rules.terms
    )
    codes = wanted.get("returns", {})
    known = {code["code"]: code for code in raw["returns"]["code"]}
    if set(codes) - set(known):
        raise StoryError(f"unknown return codes {sorted(set(codes) - set(known))}")
    changed = tuple(_checked(c, known[c.code], {}, codes.get(c.code, {})) for c in rules.returns.codes)
    return replace(rules, **parts, returns=rules.returns.model_copy(update={"codes": changed}))


def _dates(table: dict[str, Any]) -> dict[str, Any]:
    return {name: [_date(part) for part in value] if isinstance(value, list) else _date(value) for name, value in table.items()}


def _date(value: Any) -> Any:
    return date.fromisoformat(value[5:]) if isinstance(value, str) and value.startswith("date ") else value


def _checked(model: Any, *tables: dict[str, Any]) -> Any:
    merged: dict[str, Any] = {}
    for table in tables:
        merged |= table
    return type(model).model_validate(_frozen(merged))


def _frozen(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _frozen(part) for name, part in value.items()}
    return tuple(_frozen(part) for part in value) if isinstance(value, list) else value


# -- running

IDS = ("student_id", "plan_id", "reference", "original_reference")


def apart(story: Story, prefix: str) -> dict[str, list[Row]]:
    """The story's rows with students, plans and references of its own."""
    return {
        name: [{key: f"{prefix}{cell}" if key in IDS and cell else cell for key, cell in row.items()} for row in rows]
        for name, rows in story.rows.items()
    }


def run_together(stories: dict[str, Story]) -> Result:
    """One run over stories of equal `run_with`, by prefix."""
    story = next(iter(stories.values()))
    rows: dict[str, list[Row]] = {}
    for prefix, one in stories.items():
        for name, found in apart(one, prefix).items():
            rows.setdefault(name, []).extend(found)
    exports = exports_of(rows, bank_from=story.bank_from, bank_through=story.bank_through)
    return reconcile_exports(exports, rules_with(story.changes), story.as_of)
