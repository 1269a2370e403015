"""What judges a mutant: the stories, both engines, and story worlds, each test whole in itself and quick to say no.

The ordinary tests share runs between them, so that a tool which asks which tests reach a line of code learns only of the first. Here each
test makes its own run. `pytest tests/judges.py` runs them; the ordinary run does not collect this file.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from compare_engines import compare_pack
from story import run_together
from story_expect import Checker
from story_worlds import misses, story_world
from test_cases import STORIES, refusals

from reconcile.errors import ReconcileError
from reconcile.policy import load_rules

if TYPE_CHECKING:
    from story import Story

RULES = load_rules(Path(__file__).parents[1] / "rules")
GROUPS: dict[object, dict[str, Story]] = {}
for _prefix, _story in STORIES.items():
    if not refusals(_story):
        GROUPS.setdefault(_story.run_with, {})[_prefix] = _story


@pytest.mark.parametrize("first", range(300_000, 300_120, 10))
def test_ten_worlds(first: int) -> None:
    """Both engines agree on ten worlds."""
    assert compare_pack(range(first, first + 10), RULES)[0] == []


@pytest.mark.parametrize("seed", range(3_000, 3_003))
def test_a_story_world(seed: int) -> None:
    """A world is told as it was written."""
    assert misses(story_world(seed, RULES)) == []


@pytest.mark.parametrize("at", range(len(GROUPS)))
def test_stories_of_a_day(at: int) -> None:
    """All stories that share a day and rules."""
    stories = list(GROUPS.values())[at]
    try:
        result = run_together(stories)
    except ReconcileError:
        for prefix, one in stories.items():
            assert Checker(run_together({prefix: one}), prefix).differences(one.expect) == []
        return
    assert [found for prefix, one in stories.items() for found in Checker(result, prefix).differences(one.expect)] == []


@pytest.mark.parametrize("prefix", [prefix for prefix, one in STORIES.items() if refusals(one)])
def test_refusals(prefix: str) -> None:
    """A story that refuses the run."""
    with pytest.raises(ReconcileError, match=refusals(STORIES[prefix])[0]):
        run_together({prefix: STORIES[prefix]})
