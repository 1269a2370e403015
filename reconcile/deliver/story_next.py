"""What becomes of a student's next draws, as it is read out: each amount with what must be known before anybody draws or asks for it.

The figures are those of the plans table. A figure that is read out is soon acted upon, so what can undo it stands in the same sentence: a
question that is still open, what people noted since, and payments that the run cannot see.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from reconcile.asked_first import waits_for_an_answer
from reconcile.money import people_money
from reconcile.standing import CLOSED
from reconcile.story_facts import held_by_a_stop

if TYPE_CHECKING:
    from reconcile.story_facts import TermStory

PROPOSAL: Final = "What should be done with the remaining draws (a proposal; the office decides)"
ONLY_IF: Final = "Only as far as {} it: "
ANSWERS: Final = "the answers to the questions above"
DONE_SINCE: Final = "what was noted and done since"
ASK_LEDGER: Final = "payments made outside the plan are not in this run: ask the ledger before any amount is told or drawn"
NO_PAYMENTS: Final = (
    "This run had no postings export, so it cannot see payments made outside the plan: a bill that reads as open may be paid. "
    "Ask the ledger before any amount is told or drawn."
)
_AN_AMOUNT: Final = re.compile(r"\d\.\d\d(?!\d)")


def unseen_payments(term: TermStory, action: str) -> str:
    """What stands beside an action that names an amount, where the run saw no payments; "" elsewhere."""
    return "" if term.sees_payments or not _AN_AMOUNT.search(action) else f"But {ASK_LEDGER}."


def look_first(term: TermStory) -> list[str]:
    """What people noted on any exception of the term, open or closed, as a warning before the figures: they do not know of it."""
    return [f"Look first what was done since: {_noted(row)}." for row in _noted_rows(term)]


def proposal_words(term: TermStory) -> list[str]:
    """What the remaining draws should become, a sentence each; nothing where nothing is proposed.

    Out:     what a stop forbids, what waits and what is left as it is holds at once; every other amount says what must be known before.
    """
    plan = term.plan
    if plan is None:
        return []
    lines = _draws(term)
    for name, words in (
        ("again", "{x} may be presented again."),
        (
            "awaited",
            "{x} waits: it may still come, may have been taken already, or is for a person to decide. Draw nothing for it until then.",
        ),
        ("kept", "{x} is left as it is: in transit, or too near for a notice."),
        ("to_give_back", "{x} is to be given back."),
        (
            "to_stop",
            "{x} is not owed of draws that can no longer be changed with notice: stop such a draw whole, or give {x} back once it cleared.",
        ),
        ("to_collect", "{x} cannot be put on the draws as they stand: agree one way to pay it, never two."),
    ):
        if plan[name]:
            said = words.format(x=people_money(plan[name]))
            lines.append(said if name in {"awaited", "kept", "to_stop"} else _as_far_as(term, said))
    if not pd.isna(plan["notice_by"]):
        whether = "If a draw changes, the" if _conditions(term) else "The"
        lines.append(f"{whether} family must have written notice by {plan['notice_by'].date()}.")
    return lines


def _draws(term: TermStory) -> list[str]:
    """The proposed draws; those that a stop forbids hold whatever is answered."""
    proposed = str(term.plan["proposed_draws"]) if term.plan is not None else ""
    draws = [part.split(" ") for part in proposed.split("; ")] if proposed else []
    told = [(day, people_money(int(cents.replace(".", "")))) for day, cents in draws]
    stopped = [one for one in told if one[1] == people_money(0)] if held_by_a_stop(term) else []
    open_ones = [one for one in told if one not in stopped]
    lines = [_as_far_as(term, f"Draw {_listed(open_ones)}.")] if open_ones else []
    return [*lines, *([f"Draw {_listed(stopped)} (the plan is under a stop)."] if stopped else [])]


def _listed(draws: list[tuple[str, str]]) -> str:
    return ", ".join(f"{day}: {money}" for day, money in draws)


def _as_far_as(term: TermStory, said: str) -> str:
    """The sentence under what must be known before it holds."""
    conditions = _conditions(term)
    if conditions:
        allow = "allow" if len(conditions) > 1 or conditions[0] == ANSWERS else "allows"
        said = ONLY_IF.format(f"{' and '.join(conditions)} {allow}") + said[0].lower() + said[1:]
    return said if term.sees_payments else f"{said.removesuffix('.')} ({ASK_LEDGER})."


def _conditions(term: TermStory) -> list[str]:
    asked = any(waits_for_an_answer(row["kind"], str(row["action"])) for row in term.exceptions)
    return [words for words, holds in ((ANSWERS, asked), (DONE_SINCE, bool(_noted_rows(term)))) if holds]


def _noted_rows(term: TermStory) -> list[dict[str, Any]]:
    return [row for row in (*term.exceptions, *term.done) if row["disposition"] or row["note"]]


def _noted(row: dict[str, Any]) -> str:
    line = f" (line {row['line']})" if row["line"] else ""
    words = "; ".join(part for part in (row["disposition"], row["note"]) if part)
    closed = "closed" if row["standing"] == CLOSED else "noted"
    return f'{row["kind"]}{line}, {people_money(abs(row["amount"]))}, {closed} as "{words}"{by_whom(row)}'


def by_whom(row: dict[str, Any]) -> str:
    """Who decided about an exception, and when: " by A. Clerk on 2026-11-20"; as far as it was written."""
    by = f" by {row['decided_by']}" if row["decided_by"] else ""
    return by if pd.isna(row["decided_on"]) else f"{by} on {row['decided_on'].date()}"
