"""Stories that office staff can check by hand, each a test of its own: tests/cases, read as story.py says."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import pytest
from story import CASES, OFFICE, Story, read_stories, run_together
from story_expect import Checker

from reconcile.errors import ReconcileError

if TYPE_CHECKING:
    from reconcile.run import Result

STORIES: dict[str, Story] = {
    f"{path.stem}{at:03d}-": story for path in sorted(CASES.glob("*.toml")) if path != OFFICE for at, story in enumerate(read_stories(path))
}


@cache
def run_of(run_with: tuple[Any, ...]) -> Result:
    """One run over all stories of the same day and rules."""
    return run_together({prefix: story for prefix, story in STORIES.items() if story.run_with == run_with and not refusals(story)})


def refusals(story: Story) -> list[str]:
    """What the story says that the run is refused with."""
    return [text.removeprefix("refused: ") for text in story.expect if text.startswith("refused: ")]


@pytest.mark.parametrize("prefix", list(STORIES), ids=[story.id for story in STORIES.values()])
def test_story(prefix: str) -> None:
    """The run says of the student what a person works out by hand."""
    story = STORIES[prefix]
    if refusals(story):
        with pytest.raises(ReconcileError, match=refusals(story)[0]):
            run_together({prefix: story})
        return
    try:
        result = run_of(story.run_with)
    except ReconcileError:
        result = run_together({prefix: story})  # another story of the day stops the run: this one is not to blame
    assert Checker(result, prefix).differences(story.expect) == []
