"""What holds of every run, on small random worlds: cents conserved, order and other students without effect, advice that adds up.

Worlds are drawn by seed (worlds.py), so that a failing one is told by a single number; every other world has rules of its own.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
from build import exports_of
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from worlds import World, random_rules, random_world

from reconcile.parts import whole_of
from reconcile.policy import Rules, load_rules
from reconcile.run import Result, reconcile_exports
from reconcile.settle import work_out

if TYPE_CHECKING:
    from build import Row

    from reconcile.exports import Exports
    from reconcile.worked import Worked

RULES = load_rules(Path(__file__).parents[1] / "rules")
SEEDS = st.integers(0, 2**32 - 1)
EVIDENCE = ["file", "sheet", "row", "undoes", "evidence"]
TERMS_OF_ADVICE = ["again", "awaited", "kept", "to_give_back", "to_stop", "to_collect"]
drawn: dict[str, Any] = {
    "deadline": None,
    "suppress_health_check": [HealthCheck.too_slow],
    "derandomize": True,  # the same seeds each time: a failure is the change's, not the day's
    "phases": [Phase.explicit, Phase.generate],  # a smaller seed says no more: nothing is shrunk
}
few = settings(max_examples=6, **drawn)
some = settings(max_examples=15, **drawn)


@dataclass(frozen=True)
class Office:
    """A world and the rules of its office."""

    world: World
    rules: Rules

    def run(self, rows: dict[str, list[Row]] | None = None, *, everyone_exact: bool = False) -> Result:
        """The run over the world, or over other rows with its days and span."""
        return reconcile_exports(self.exports(rows), self.rules, self.world.as_of, everyone_exact=everyone_exact)

    def work_out(self) -> Worked:
        """What stands behind the tables."""
        exports = self.exports()
        return work_out(exports, self.rules, self.world.as_of, whole_of(exports, self.rules, self.world.as_of))

    def exports(self, rows: dict[str, list[Row]] | None = None) -> Exports:
        """The world's accepted exports."""
        world = self.world
        last = max((row["settled_on"] for row in world.exports["cleared_draws"]), default=world.as_of)
        through = world.bank_through or last
        return exports_of(rows or world.exports, has_postings=world.has_postings, bank_from=world.bank_from, bank_through=through)


def office(seed: int, students: int = 3) -> Office:
    """The world of a seed."""
    rng = random.Random(seed)
    rules = random_rules(rng, RULES) if seed % 2 else RULES
    return Office(random_world(rng, rng.randint(1, students)), rules)


def same(one: Result, other: Result, *, but: tuple[str, ...] = ()) -> None:
    """The same tables but for evidence columns and the order of rows that only these would tell apart."""
    for name in set(one.tables) - {"rejected_rows", *but}:
        left, right = (_plain(result.tables[name]) for result in (one, other))
        pd.testing.assert_frame_equal(left, right, obj=name)


def _plain(table: pd.DataFrame) -> pd.DataFrame:
    kept = table.drop(columns=[name for name in EVIDENCE if name in table.columns])
    return kept.sort_values(list(kept.columns)).reset_index(drop=True)


@few
@given(SEEDS)
def test_every_cent_of_the_bank_and_of_every_export_is_found_again(seed: int) -> None:
    """Proof lines are zero; each event's money is on lines, fee, undone, loose or nobody's; no line holds more than its events brought."""
    at = office(seed)
    worked, result = at.work_out(), at.run()
    proof = result.tables["proof"]
    assert (proof["difference"] == 0).all()
    entries = result.tables["entries"]
    for name, rows in at.world.exports.items():
        assert entries.loc[entries["export"] == name, "cents"].sum() == sum(row["amount"] for row in rows)
    pairs = worked.matching.pairs
    on_lines = (pairs["cents"] + pairs["fee"]).groupby(pairs["event"]).sum()
    amounts = worked.events["amount"]
    undone = worked.matching.undoings.groupby("of")["cents"].sum().reindex(range(len(amounts)), fill_value=0)
    assert (on_lines.reindex(range(len(amounts)), fill_value=0) + undone <= amounts).all()
    assert result.tables["draws"]["cleared"].sum() == pairs["cents"].sum()


@few
@given(SEEDS, st.randoms(use_true_random=False))
def test_the_order_of_rows_and_files_changes_nothing(seed: int, rng: random.Random) -> None:
    """Shuffled rows, numbered anew and spread over two files, give the same tables but for where the rows stand."""
    at = office(seed)
    mixed = {
        name: [{**row, "file": f"{name}-{rng.choice('ab')}.csv"} for row in rng.sample(rows, len(rows))]
        for name, rows in at.world.exports.items()
    }
    same(at.run(), at.run(mixed))


@few
@given(SEEDS)
def test_another_student_changes_nothing_of_the_first(seed: int) -> None:
    """The first student alone, with the events that are theirs, has the same rows as among the others."""
    at = office(seed)
    rows = at.world.exports
    first = "0001"
    owner = {row["plan_id"]: row["student_id"] for row in rows["plan_schedules"] if row["enrolled_on"] <= at.world.as_of}
    own = {name: [row for row in some if owner.get(row.get("plan_id", ""), row["student_id"]) == first] for name, some in rows.items()}
    among, alone = at.run(), at.run({name: some for name, some in own.items() if name != "postings" or at.world.has_postings})
    for name in ("students", "draws", "plans", "unmatched_events"):
        left, right = (_plain(r.tables[name][r.tables[name]["student_id"] == first]) for r in (among, alone))
        pd.testing.assert_frame_equal(left, right, obj=name)


@few
@given(SEEDS)
def test_the_exact_function_and_the_bulk_agree(seed: int) -> None:
    """Sending every student through the exact function gives the same tables, row for row."""
    at = office(seed, students=5)
    one, other = at.run(), at.run(everyone_exact=True)
    for name, table in one.tables.items():
        pd.testing.assert_frame_equal(table, other.tables[name], obj=name)


@few
@given(SEEDS)
def test_every_variance_is_explained_and_the_gap_follows_from_it(seed: int) -> None:
    """Unexplained is zero; gap = open outside charges - variance, so the gap of a student without such charges is minus the variance."""
    at = office(seed)
    result = at.run()
    plans, students = result.tables["plans"], result.tables["students"]
    assert (plans["unexplained"] == 0).all()
    both = plans.merge(students, on=["term", "student_id"], validate="one_to_one", suffixes=("", "_of_student"))
    assert len(both) == len(plans)
    outside = both["balance_now"] - both["aid_anticipated"] - both["balance_to_meet"]
    assert (both["gap"] == outside - both["variance"]).all()
    fined = {(row["term"], row["student_id"]) for row in at.world.exports["charges"] if "fine" in row["charge_type"]}
    free = [key not in fined for key in zip(both["term"], both["student_id"], strict=True)]
    assert (outside[free] == 0).all()


@lru_cache(maxsize=256)
def advised(seed: int) -> tuple[Worked, Rules]:
    """The run of a world, kept for the tests that look at its advice."""
    at = office(seed)
    return at.work_out(), at.rules


def proposed_sum(text: str) -> int:
    """Cents of all proposed draws of a row."""
    return sum(int(part.split(" ")[1].replace(".", "")) for part in text.split("; ") if part)


@some
@given(SEEDS)
def test_advice_adds_up_to_the_balance(seed: int) -> None:
    """What is told to come equals the balance to meet with give-back and stop, less what is to collect: told only where it may be.

    again + awaited + kept + proposed = balance_to_meet + to_give_back + to_stop - to_collect, every term but the balance at least zero.
    """
    worked, rules = advised(seed)
    lines, plans = worked.lines, worked.plans.table
    row_of = worked.keys.lookup(lines)
    billed = {term.code: term.billed_on <= worked.as_of for term in rules.terms}
    for at in range(len(plans)):
        plan = plans.iloc[at]
        assert (plan[TERMS_OF_ADVICE] >= 0).all()
        own = lines[row_of == at]
        stopped = own[own["stopped"]]
        if worked.decide[at] or not billed[plan["term"]]:
            assert not plan[[name for name in TERMS_OF_ADVICE if name != "awaited"]].any()
            assert proposed_sum(plan["proposed_draws"]) == 0
            continue
        holds = (stopped["state"] == "pending").any()
        settled = abs(plan["variance"] + plan["again"] + plan["awaited"]) <= rules.plans.plan_tolerance and not holds
        if settled:
            assert (plan["proposed_draws"], plan["kept"], plan["to_collect"], plan["to_give_back"], plan["to_stop"]) == ("", 0, 0, 0, 0)
            continue
        left = plan["again"] + plan["awaited"] + plan["kept"] + proposed_sum(plan["proposed_draws"])
        assert left == plan["balance_to_meet"] + plan["to_give_back"] + plan["to_stop"] - plan["to_collect"]
        if plan["to_collect"]:
            pending = own[(own["state"] == "pending") & (own["kind"] != "fee") & ~own["stopped"]]
            notice = pending["draw_date"] - pd.Timestamp(worked.as_of) >= pd.Timedelta(days=rules.plans.notice_days)
            assert not notice.any() or len(stopped) or _at_the_cap(worked, own, at)


def _at_the_cap(worked: Worked, own: pd.DataFrame, at: int) -> bool:
    """Whether some proposed draw stands at twice its plan's largest active draw."""
    largest = own[(own["line_status"] == "active") & (own["kind"] == "draw")].groupby("plan_id")["amount"].max()
    drawn = worked.plans.advice[at].draws
    return any(new == max(old, 2 * int(largest.get(plan_id, 0))) for _day, old, new, plan_id, _line in drawn)
