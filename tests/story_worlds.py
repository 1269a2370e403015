"""Worlds of fifty students whose truth is known because it was written down, not found: `python tests/story_worlds.py FIRST LAST`.

Each student has a life (story_lives.py, story_bills.py); its card holds what must come of it. A world is run through the package, and
everything is held against the cards: state and net money of every line, every column of every standing, the causes of every variance,
every planted exception, and that nothing else of severity urgent or act is told of anybody. Prints what differs; exits 1 if anything does.
"""

from __future__ import annotations

import random
import sys
from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any

import story_bills  # noqa: F401 (enters its lives)
from build import exports_of
from story_card import TERM, Card, Office, Planted, plus
from story_lives import LIVES, account

from reconcile.policy import Rules, load_rules
from reconcile.run import Result, reconcile_exports

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parents[1]
STUDENTS = 50
UNTROUBLED = 0.35
CAUSES = (
    *("set_off_the_bill", "does_not_add_up", "cancelled", "charges_changed", "aid_changed", "other_credits_changed"),
    *("failed_and_not_seen", "uncleared", "above_schedule", "without_a_line", "unexplained"),
)


@dataclass(frozen=True, eq=False)
class StoryWorld:
    """The rows and the truth of one world."""

    seed: int
    office: Office
    rules: Rules
    cards: list[Card] = field(default_factory=list)


def story_world(seed: int, rules: Rules) -> StoryWorld:
    """The world of that seed."""
    rng = random.Random(f"story {seed}")
    as_of = plus(date(2026, 9, 16), rng.randint(0, 100))
    office = Office(rng, as_of, plus(as_of, rng.choice([-1, 0, 0, 2])), rng.random() < 0.4)
    terms = tuple(term.model_copy(update={"fee_on_bill": office.fee_on_bill}) for term in rules.terms)
    world = StoryWorld(seed, office, replace(rules, terms=terms))
    for number in range(STUDENTS):
        world.cards.append(_student(office, f"{number:04d}"))
    _nobody(office)
    for rows in office.rows.values():
        rng.shuffle(rows)
    return world


def _student(office: Office, student_id: str) -> Card:
    """One student: a life if there is room for it, else none."""
    rng = office.rng
    card = Card(office, student_id)
    if rng.random() < 0.06:
        card.life = "no plan"
        card.charge(date(2026, 7, 10), 500_00)
        card.credit(date(2026, 8, 3), rng.choice([200_00, 500_00, 600_00]), "payment")
        return card
    name = "untroubled" if rng.random() < UNTROUBLED else rng.choice(list(LIVES))
    if name != "untroubled" and LIVES[name](card):
        card.life = name
    elif not card.draws:
        account(card)
    card.finish()
    return card


def _nobody(office: Office) -> None:
    """A bank event of a student whom nobody knows."""
    if office.rng.random() < 0.5:
        cents = office.rng.randrange(100_00, 900_00)
        row = {"settled_on": plus(office.known, -3), "amount": cents, "outcome": "cleared", "plan_id": "P-NOBODY", "student_id": "NOBODY"}
        office.rows["cleared_draws"].append({**row, "reference": "N1", "method": "bank"})
        office.planted.append(Planted("bank event for an unknown student or plan", cents))


def run_world(world: StoryWorld) -> Result:
    """The package on the world's rows."""
    office = world.office
    exports = exports_of(office.rows, bank_from=date(2026, 7, 1), bank_through=office.bank_through)
    return reconcile_exports(exports, world.rules, office.as_of)


def misses(world: StoryWorld) -> list[str]:
    """Everything in which the package and the truth differ, one sentence each."""
    tables = run_world(world).tables
    rows = {name: _by_student(tables[name].to_dict("records")) for name in ("students", "draws", "plans", "exceptions")}
    found = []
    for card in world.cards:
        mine = {name: rows[name].get(card.student_id, []) for name in rows}
        where = f"world {world.seed}, student {card.student_id} ({card.life})"
        found += [
            f"{where}: {text}" for text in (*_lines(card, mine["draws"]), *_standing(card, mine), *_told(card.planted, mine["exceptions"]))
        ]
    strangers = [row for student, told in rows["exceptions"].items() if student in {"", "NOBODY"} for row in told]
    return found + [f"world {world.seed}: {text}" for text in _told(world.office.planted, strangers)]


def _by_student(rows: list[dict[Any, Any]]) -> dict[str, list[dict[Any, Any]]]:
    found: dict[str, list[dict[Any, Any]]] = {}
    for row in rows:
        found.setdefault(row["student_id"], []).append(row)
    return found


def _lines(card: Card, rows: list[dict[Any, Any]]) -> Iterator[str]:
    told = {(row["plan_id"], row["line"]): (row["state"], row["cleared"]) for row in rows}
    for x in card.draws:
        if told.pop((x.plan_id, x.line), None) != (x.state, x.net):
            yield f"line {x.line} is {x.state} with {x.net}, told {next((r['state'], r['cleared']) for r in rows if r['line'] == x.line)}"
    if told:
        yield f"lines of nobody {told}"


def _standing(card: Card, mine: dict[str, list[dict[Any, Any]]]) -> Iterator[str]:
    truth = card.standing()
    if len(mine["students"]) != 1 or len(mine["plans"]) != (1 if card.draws else 0):
        yield f"{len(mine['students'])} standings and {len(mine['plans'])} plans"
        return
    for name, value in truth.items():
        if mine["students"][0][name] != value:
            yield f"{name} is {value}, told {mine['students'][0][name]}"
    for row in mine["plans"]:
        for name in CAUSES:
            if row[name] != card.causes[name]:
                yield f"{name} is {card.causes[name]}, told {row[name]}"
        if row["variance"] != sum(card.causes.values()):
            yield f"variance is {sum(card.causes.values())}, told {row['variance']}"


def _told(planted: list[Planted], rows: list[dict[Any, Any]]) -> Iterator[str]:
    """Each planted exception is told once; what else is told is for information only."""
    left = list(rows)
    for one in planted:
        fits = [
            row
            for row in left
            if row["kind"] == one.kind
            and one.amount in {None, row["amount"]}
            and one.line in {"", row["line"]}
            and row["term"] in {TERM, ""}
        ]
        if not fits:
            yield f"not told: {one}; told {[(row['kind'], row['line'], row['amount']) for row in left]}"
        else:
            left.remove(fits[0])
    for row in left:
        if row["severity"] != "information":
            yield f"false alarm: {row['kind']}, line {row['line']}, {row['amount']}: {row['what']}"


def main() -> int:
    """Hold the worlds of a range of seeds against their truth."""
    first, last = (int(word) for word in sys.argv[1:3])
    rules = load_rules(ROOT / "rules")
    started, wrong, lives = perf_counter(), 0, Counter[str]()
    for seed in range(first, last):
        world = story_world(seed, rules)
        found = misses(world)
        wrong += bool(found)
        lives.update(card.life for card in world.cards)
        for text in found:
            print(text)  # noqa: T201 (a command)
    seconds = perf_counter() - started
    print(", ".join(f"{name} {count}" for name, count in lives.most_common()))  # noqa: T201 (a command)
    said = f"{last - first} worlds, {sum(lives.values()):,} students, {len(lives)} lives, {seconds / (last - first):.2f} s a world"
    print(f"{wrong} of {said}")  # noqa: T201 (a command)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
