"""One student's story in plain words, ready to be read out over the phone.

What happened, where the account stands, what is wrong and why, what the remaining draws should become, and what must not be forgotten.

Plain ASCII, at most a hundred columns, about sixty lines for an ordinary student. No figure is worked out anew.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from reconcile.deliver.csv_out import without_controls
from reconcile.deliver.summary import aligned
from reconcile.exceptions_bill import CAUSE_WORDS
from reconcile.money import people_money
from reconcile.story_facts import account_steps, held_by_a_stop

if TYPE_CHECKING:
    from collections.abc import Iterator

    from reconcile.story_facts import StudentStory, TermStory

WIDE: Final = 100
MOST_HAPPENINGS: Final = 24
MOST_DONE: Final = 3

PRIVACY: Final = (
    "Student records: tell this only to the student and to those whom the college's records entitle to know (FERPA, 34 CFR part 99); "
    "check who is asking first."
)
NOTICE: Final = (
    "A changed draw needs written notice to the family before it is taken; the college's own policy and the bank's rules decide."
)
CREDIT: Final = (
    "Money goes back only once the bank's files show that the draw has not come back. Where federal aid made a credit, it is generally "
    "paid within 14 days (34 CFR 668.164(h)): ask before promising a day."
)
PROPOSAL: Final = "What should be done with the remaining draws (a proposal; the office decides)"
ONLY_IF: Final = "Only as far as the answers to the questions above allow it:"
STATE_WORDS: Final = {
    "cleared": "paid",
    "part cleared": "paid in part",
    "failed": "came back unpaid",
    "not seen": "not seen at the bank",
    "in transit": "on its way",
    "pending": "still to come",
    "cancelled": "cancelled",
}
COVERAGE_WORDS: Final = {
    "not billed": "The bill of this term is not out yet.",
    "short": "The bill is NOT covered: part of it has nothing behind it.",
    "over": "More is paid, promised or still to be drawn than the bill asks.",
    "paid": "The bill is paid.",
    "covered by pending": "The bill is covered, as long as what is still to come does come.",
}


def story_text(story: StudentStory) -> str:
    """The story as lines of plain ASCII, ended by line ends."""
    bank = f", bank files to {story.bank_through}" if story.bank_through else ""
    lines = [f"Student {story.student_id} as of {story.as_of}{bank} (run {story.run})", *_wrapped(PRIVACY)]
    for term in story.terms:
        lines += ["", *_term(term)]
    if story.astray:
        lines += ["", "Bank money that belongs to no term", *_exceptions(story.astray)]
    if not story.terms and not story.astray:
        lines += ["", "Nothing of this student counts in any term that the rules know."]
    text = "\n".join(without_controls(line).rstrip() for line in lines) + "\n"
    return text.encode("ascii", "replace").decode("ascii")


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        without_controls(text), WIDE, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False
    )


def _term(term: TermStory) -> Iterator[str]:
    yield f"TERM {term.term}"
    yield COVERAGE_WORDS.get(term.standing["coverage"], term.standing["coverage"])
    yield ""
    yield from _happenings(term)
    if term.draws:
        yield ""
        yield from _draws(term)
    yield ""
    yield from _account(term)
    yield ""
    yield from _wrong(term)
    yield from _proposal(term)
    yield from _cautions(term)


def _happenings(term: TermStory) -> Iterator[str]:
    yield "What happened, in date order"
    shown = term.happened[-MOST_HAPPENINGS:]
    if len(shown) < len(term.happened):
        yield f"  ... and {len(term.happened) - len(shown)} earlier entries, in entries.parquet of the run"
    rows = [(f"  {h.day.date()}", h.words, people_money(h.cents) if h.cents else "") for h in shown]
    yield from aligned(rows, right=(2,)) if rows else ["  nothing yet"]


def _draws(term: TermStory) -> Iterator[str]:
    yield "The plan's draws"
    rows = []
    for draw in term.draws:
        day = str(draw["draw_date"].date())
        rows.append((f"  {draw['line']}", draw["kind"], day, people_money(draw["scheduled"]), draw_words(draw)))
    yield from aligned(rows, right=(3,))


def draw_words(draw: dict[str, Any]) -> str:
    """What became of a draw, in words: "came back unpaid, 2 tries, return code R01"."""
    words: str = STATE_WORDS.get(draw["state"], draw["state"])
    if draw["state"] == "failed" and draw["method"] == "card":
        words = "taken back by the card's bank" if draw["return_code"] == "chargeback" else "was declined"
    return words + _draw_note(draw)


def _draw_note(draw: dict[str, Any]) -> str:
    """What became of a draw, beyond its state."""
    notes = []
    if draw["cleared"]:
        notes.append(f"on {_day(draw['settled_on'])}")
        if draw["cleared"] != draw["scheduled"]:
            notes.append(f"{people_money(draw['cleared'])} of it" if draw["cleared"] < draw["scheduled"] else people_money(draw["cleared"]))
    if draw["attempts"] > 1:
        notes.append(f"{draw['attempts']} tries")
    if draw["return_code"]:
        notes.append(f"return code {draw['return_code']}")
    if draw["state"] == "in transit":
        notes.append(f"expected {_day(draw['expected_on'])}")
    return f", {', '.join(notes)}" if notes else ""


def _day(value: pd.Timestamp) -> str:
    return "" if pd.isna(value) else str(value.date())


def _account(term: TermStory) -> Iterator[str]:
    """The short sum from charges to what has nothing behind it, without the steps that are nothing."""
    yield "Where the account stands"
    steps = account_steps(term)
    keep = {0, 4, len(steps) - 1}
    shown = [step for at, step in enumerate(steps) if at in keep or step.cents]
    yield from aligned([(f"  {s.words}", people_money(abs(s.cents) if s is steps[-1] else s.cents)) for s in shown], right=(1,))
    held = held_by_a_stop(term)
    if held:
        yield f"  draws under a stop, not to be taken: {people_money(held)}"


def _wrong(term: TermStory) -> Iterator[str]:
    if not term.exceptions:
        apart = term.standing["coverage"] in {"short", "over"}
        plain = "No exception is on the list." if apart else "Nothing is wrong that a person must look at."
        yield plain if term.plan is not None else "No plan in this term: nothing is drawn, and no exception is raised."
    else:
        yield "What is wrong"
        yield from _exceptions(term.exceptions)
    plan = term.plan
    if plan is not None and plan["variance"] and term.standing["coverage"] != "not billed":
        yield ""
        yield from _variance(plan)
    still = [row for row in term.done if str(row["action"]).startswith("Said to be fixed")]
    for row in still:
        about = f"{row['kind']}, {people_money(abs(row['amount']))}: "
        yield from _wrapped(about + str(row["action"]), "  - ", "    ")
    for row in [row for row in term.done if row not in still][:MOST_DONE]:
        note = f" ({row['disposition'] or row['note']})" if row["disposition"] or row["note"] else ""
        yield f"  Earlier, {row['standing']}{note}: {row['kind']}, {people_money(abs(row['amount']))}"


def _exceptions(rows: tuple[dict[str, Any], ...]) -> Iterator[str]:
    for row in rows:
        about, _, what = str(row["what"]).partition(": ")
        line = f" (line {row['line']})" if row["line"] else ""
        yield from _wrapped(f"{row['kind']}{line}: {what or about}", "  - ", "    ")
        yield from _wrapped(f"Next: {row['action']}", "    ", "    ")
        if row["note"] or row["disposition"]:
            words = "; ".join(part for part in (row["disposition"], row["note"]) if part)
            by = f" ({row['decided_by']} {_day(row['decided_on'])})" if row["decided_by"] else ""
            yield from _wrapped(f"Noted: {words}{by}", "    ", "    ")


def _variance(plan: dict[str, Any]) -> Iterator[str]:
    """Why plan and bill came apart, each cause with its amount."""
    heading, causes = variance_words(plan)
    yield heading
    yield from aligned([(f"  {'+' if cents > 0 else '-'}{people_money(abs(cents))}", text) for cents, text in causes], right=(0,))


def variance_words(plan: dict[str, Any]) -> tuple[str, list[tuple[int, str]]]:
    """A heading that says how far plan and bill are apart, and each cause as signed cents and words."""
    causes = [(int(plan[name]), words) for name, words in CAUSE_WORDS.items() if plan[name]]
    told = [(cents, words[cents < 0].format(x=people_money(abs(cents)), base=_day(plan["baseline"]))) for cents, words in causes]
    return f"Why the plan is {'over' if plan['variance'] > 0 else 'short'} by {people_money(abs(plan['variance']))}", told


def _proposal(term: TermStory) -> Iterator[str]:
    lines = proposal_words(term)
    if lines:
        yield ""
        yield PROPOSAL
        if depends_on_answers(term):
            yield f"  {ONLY_IF}"
        for line in lines:
            yield from _wrapped(line, "  ", "  ")


def depends_on_answers(term: TermStory) -> bool:
    """Whether an exception of the term asks something that must be answered before the proposal holds."""
    return any(words in str(row["action"]) for row in term.exceptions for words in ("Only if", "Only once"))


def proposal_words(term: TermStory) -> list[str]:
    """What the remaining draws should become, a sentence each; nothing where nothing is proposed."""
    plan = term.plan
    if plan is None:
        return []
    said = [
        (plan["again"], "{x} may be presented again."),
        (
            plan["awaited"],
            "{x} waits: it may still come, may have been taken already, or is for a person to decide. Draw nothing for it until then.",
        ),
        (plan["kept"], "{x} is left as it is: in transit, or too near for a notice."),
        (plan["to_give_back"], "{x} is to be given back."),
        (
            plan["to_stop"],
            "{x} is not owed of draws that can no longer be changed with notice: stop such a draw whole, or give {x} back once it cleared.",
        ),
        (plan["to_collect"], "{x} cannot be put on the draws as they stand: agree one way to pay it, never two."),
    ]
    lines = [words.format(x=people_money(cents)) for cents, words in said if cents]
    if plan["proposed_draws"]:
        draws = [part.split(" ") for part in str(plan["proposed_draws"]).split("; ")]
        told = ", ".join(f"{day}: {people_money(int(cents.replace('.', '')))}" for day, cents in draws)
        lines.insert(0, f"Draw {told}.")
    if not pd.isna(plan["notice_by"]):
        lines.append(f"The family must have written notice by {_day(plan['notice_by'])}.")
    return lines


def _cautions(term: TermStory) -> Iterator[str]:
    cautions = caution_words(term)
    if cautions:
        yield ""
        yield "Do not forget"
        for caution in cautions:
            yield from _wrapped(caution, "  - ", "    ")


def caution_words(term: TermStory) -> list[str]:
    """What must not be forgotten before anything of the proposal is done."""
    plan = term.plan
    cautions = []
    if plan is not None and plan["proposed_draws"]:
        cautions.append(NOTICE)
    if (plan is not None and plan["to_give_back"]) or any(row["kind"] == "credit balance" for row in term.exceptions):
        cautions.append(CREDIT)
    return cautions
