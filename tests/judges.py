"""What judges a mutant of the engine: both engines, story worlds, stories and pairs, each whole in itself and quick to say no.

The ordinary tests share runs between them; here each judge makes its own, so that a mistake switched on by mutants.py is met.
"""

from __future__ import annotations

from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import test_pairs
import test_plain
from compare_engines import compare_pack
from story import run_together
from story_expect import Checker
from story_worlds import misses, story_world
from test_cases import STORIES, refusals

from reconcile.errors import ReconcileError
from reconcile.policy import load_rules

if TYPE_CHECKING:
    from collections.abc import Callable

    from story import Story

ROOT = Path(__file__).parents[1]
RULES = load_rules(ROOT / "rules")
OWN_TESTS = {"money": ("test_money", "test_schedule"), "banking_days": ("test_banking_days",)}
"""Modules whose own tests judge them."""


def many_sums() -> None:
    """More sums than anyone looks at one by one."""
    for amounts, undecided in (([50] * 13, True), ([5] * 10 + [40, 30, 30], True), ([51] * 13, False), ([33] * 13, False)):
        test_pairs.test_too_many_sums_are_never_guessed(amounts, undecided)
    test_pairs.test_twelve_sums_are_looked_at_one_by_one()
    test_pairs.test_one_line_with_too_many_sums_keeps_no_other_from_its_own()
    test_pairs.test_a_line_with_too_many_sums_is_not_paid_together_with_its_neighbour()


PAIRS = (
    many_sums,
    test_pairs.test_a_line_goes_to_the_first_event_and_moves_only_for_another_pair,
    test_pairs.test_the_most_pairs_are_found_where_lines_fit_no_interval,
    test_pairs.test_random_sums_are_taken_only_if_there_is_one_way_to_make_them,
    test_pairs.test_one_sum_over_neighbouring_lines_is_taken_only_if_there_is_one_way,
)
"""Tests of single passes."""
PLAIN = (test_plain.test_ordinary_students_go_in_bulk, test_plain.test_whoever_has_anything_not_unique_leaves_the_bulk_whole)
"""Tests of who goes in bulk."""


def agree(first: int) -> None:
    """Both engines agree on ten worlds."""
    assert not compare_pack(range(first, first + 10), RULES)[0]


def told(seed: int) -> None:
    """A story world is told as it was written."""
    assert not misses(story_world(seed, RULES))


def stories_hold(stories: dict[str, Story]) -> None:
    """All stories that share a day and rules."""
    try:
        result = run_together(stories)
    except ReconcileError:
        for prefix, one in stories.items():
            assert not Checker(run_together({prefix: one}), prefix).differences(one.expect)
        return
    assert not [found for prefix, one in stories.items() for found in Checker(result, prefix).differences(one.expect)]


def refused(prefix: str) -> None:
    """A story that refuses the run does so."""
    with pytest.raises(ReconcileError, match=refusals(STORIES[prefix])[0]):
        run_together({prefix: STORIES[prefix]})


def own_tests(module: str) -> None:
    """The tests of a module, and the examples in it."""
    files = [str(ROOT / "tests" / f"{name}.py") for name in OWN_TESTS[module]]
    how = ["-x", "-q", "--assert=plain", "-p", "no:cacheprovider", "-p", "no:xdist", "--doctest-modules"]
    assert pytest.main([*how, *files, str(ROOT / "reconcile" / f"{module}.py")]) == 0


@cache
def judges_of(module: str) -> tuple[Callable[[], object], ...]:
    """The judges of a module, the sharpest first."""
    if module in OWN_TESTS:
        return (partial(own_tests, module),)
    groups: dict[object, dict[str, Story]] = {}
    for prefix, one in STORIES.items():
        if not refusals(one):
            groups.setdefault(one.run_with, {})[prefix] = one
    plain = tuple(partial(judge, RULES) for judge in PLAIN) if module in {"plain", "bulk"} else ()
    pairs = PAIRS if module in {"most_pairs", "draws", "grouping", "attempts", "student_case"} else ()
    return (
        *(partial(agree, first) for first in range(300_000, 300_060, 10)),
        partial(told, 3_000),
        *plain,
        *pairs,
        *(partial(stories_hold, stories) for stories in sorted(groups.values(), key=len, reverse=True)),
        *(partial(agree, first) for first in range(300_060, 300_120, 10)),
        partial(told, 3_001),
        *(partial(refused, prefix) for prefix, one in STORIES.items() if refusals(one)),
    )
