"""Words of the rules that no row has, where a row has one much like it.

The rules name funds that reach no bill and charge types that no plan is meant to pay, as the exports write them. A word spelled otherwise
does nothing, and does it in silence: work-study then pays bills. A word that simply does not occur this term is in order, so only one
with a near neighbour is told.
"""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING, Final

from reconcile.intake_problems import masked

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    import pandas as pd

    from reconcile.policy import Rules

MOST_WORDS: Final = 1_000
"""A column with more different values than this holds free text and no types; comparing each of them would be slow and tell nothing."""
NEAR: Final = 0.8
"""How alike two words must be, of 1: "parking permit" is not to be taken for a slip of "parking fine"."""
SHORTEST_PART: Final = 6
"""Letters that a word needs so that standing whole inside the other one says something: work-study in federal work-study."""


def unused_words(tables: Mapping[str, pd.DataFrame], rules: Rules) -> list[str]:
    """One sentence for each fund and charge type of the rules that occurs in no row, with the value that was probably meant.

    In:      the rows of aid and charges, rejected ones too.
    Rules:   aid.toml never_on_bill, plans.toml outside_plan; as there, letters' case and spaces around a word do not matter.
    """
    return [
        *_unused("aid.toml never_on_bill", "fund", rules.aid.never_on_bill, tables["aid"]["fund"]),
        *_unused("plans.toml outside_plan", "charge type", rules.plans.outside_plan, tables["charges"]["charge_type"]),
    ]


def _unused(key: str, what: str, named: Sequence[str], cells: pd.Series) -> Iterator[str]:
    values = [value for value in cells.unique().tolist() if value]
    here = {_folded(value) for value in values}
    missing = [word for word in named if _folded(word) not in here]
    if not missing or len(values) > MOST_WORDS:
        return
    known = {_folded(word) for word in named}
    free = {_folded(value): value for value in reversed(values) if _folded(value) not in known}
    for word in missing:
        near = free.get(_nearest(_folded(word), list(free)), "")
        if near:
            yield (
                f"The rules, {key}, name '{word}', which is no {what} in these exports; nearest: '{masked(near)}'. "
                "If that is meant, write it so in the rules: until then the rule does nothing."
            )


def _nearest(word: str, others: list[str]) -> str:
    """The most alike of the others; else the first of which one stands inside the other; else ""."""
    close = get_close_matches(word, others, n=1, cutoff=NEAR)
    inside = (o for o in others if len(min(word, o, key=len)) >= SHORTEST_PART and (word in o or o in word))
    return close[0] if close else next(inside, "")


def _folded(word: str) -> str:
    return word.strip().casefold()
