"""Worlds whose truth is known by construction: nothing is missed, and nobody is told a false alarm.

The long run has its own command: `python tests/story_worlds.py 0 200`.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from story_card import CLOSED, DRAW_DATES, FEE, LAG, TERM, TIERS, card_fee, next_open, shares
from story_lives import LIVES
from story_worlds import StoryWorld, misses, story_world

from reconcile.banking_days import BankingDays
from reconcile.exception_kinds import KINDS
from reconcile.policy import Rules, load_rules

SAMPLE = range(1_000, 1_016)


@pytest.fixture(scope="module")
def rules() -> Rules:
    return load_rules(Path(__file__).parents[1] / "rules")


@pytest.mark.parametrize("seed", SAMPLE)
def test_a_story_world_is_told_as_it_was_written(seed: int, rules: Rules) -> None:
    """Every line's state and net, every cent of a standing, every cause, every planted exception; no other of severity urgent or act."""
    assert misses(story_world(seed, rules)) == []


@pytest.fixture(scope="module")
def worlds(rules: Rules) -> list[StoryWorld]:
    return [story_world(seed, rules) for seed in range(2_000, 2_030)]


def test_every_life_is_lived_and_every_kind_is_planted(worlds: list[StoryWorld]) -> None:
    """Thirty worlds hold each life and each kind of exception, but for the return after a close, which needs a close."""
    lives = Counter(card.life for world in worlds for card in world.cards)
    planted = Counter(one.kind for world in worlds for card in world.cards for one in card.planted)
    planted.update(one.kind for world in worlds for one in world.office.planted)
    assert [name for name in LIVES if not lives[name]] == []
    assert [kind for kind in KINDS if not planted[kind]] == ["return after the close"]


def test_the_truth_adds_up(worlds: list[StoryWorld]) -> None:
    """What the stories wrote down as causes is, student by student, pending draws less what is left of the bill."""
    for card in (card for world in worlds for card in world.cards if card.draws):
        truth = card.standing()
        left = int(truth["balance_now"]) - int(truth["aid_anticipated"]) - card.open_outside
        assert int(truth["pending_draws"]) - left == sum(card.causes.values()), card.life


def test_the_stories_and_the_rules_mean_the_same_term(rules: Rules) -> None:
    """Fee, draw dates, tiers, lags, card fee and closing days that the stories have of their own are those of the rules."""
    term = rules.term(TERM)
    assert term is not None
    assert term.plan_fee == FEE
    assert term.tiers[0].draw_dates == DRAW_DATES
    assert [(tier.enroll_by, tier.down_percent // 100, DRAW_DATES[at:]) for at, tier in enumerate(term.tiers)] == [
        (by, percent, DRAW_DATES[first:]) for by, percent, first in TIERS
    ]
    assert {way: rules.matching.settlement_lag.days(way) for way in LAG} == LAG
    assert card_fee(100_00) == term.card_fee_percent
    assert shares(100_00, 3) == [33_34, 33_33, 33_33]
    days = BankingDays(rules.calendar.closed, rules.calendar.banking_calendar)
    assert all(days.next_open(day) == next_open(day) for day in (*CLOSED, *DRAW_DATES))
