"""Advice that waits for an answer: something is to be found out, asked or decided before any amount of it holds.

An amount that is read out is soon drawn or paid. Where the same list says that somebody has to find out first why a draw brought less, or
which draw came back, the amount is only a proposal for the case that the answer allows it. The words are those after which a letter names
no amount either, and those of the offices' own first steps.
"""

from __future__ import annotations

from typing import Final

from reconcile.outreach import DECIDED_FIRST, FIRST

FIND_OUT: Final = ("find out", "find whose", "decide which", "only if", "only once it is known", "if not,")
ASK: Final = (
    *("ask the bank", "ask our bank", "ask the bursar", "ask the plan system"),
    *("ask the family which", "ask the family whether", "ask the family why", "the bursar has decided", "the bursar decides"),
)
"""Whom one asks before an amount holds. "Ask the family when the money will be there" is no such question: the amount is owed."""
WORDS: Final = tuple(word.casefold() for word in (*FIRST, *FIND_OUT, *ASK))


def waits_for_an_answer(kind: str, action: str) -> bool:
    """Whether an exception asks something that must be answered before any amount of its student and term is drawn or told as owed.

    >>> waits_for_an_answer("draw for less", "Find out why less was taken before the rest is asked for.")
    True
    >>> waits_for_an_answer("failed draw", "Contact the family. Present 1,070.13 again. Ask the family when the money will be there.")
    False
    """
    said = action.casefold()
    return kind in DECIDED_FIRST or any(word in said for word in WORDS)
