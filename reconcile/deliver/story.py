"""One student's story in plain words, ready to be read out over the phone.

What happened, where the account stands, what is wrong and why, what the remaining draws should become, and what must not be forgotten.

Plain ASCII, at most a hundred columns, about sixty lines for an ordinary student. No figure is worked out anew.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from reconcile.deliver.csv_out import without_controls
from reconcile.deliver.story_next import NO_PAYMENTS, PROPOSAL, by_whom, look_first, proposal_words, unseen_payments
from reconcile.deliver.summary import aligned
from reconcile.exception_facts import listed
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
SHORT_AS_SEEN: Final = (
    "As far as this run can see, part of the bill has nothing behind it (payments made outside the plan are not in this run)."
)
OUTSIDE: Final = "{} of the bill is for charges that a plan is not meant to pay, such as fines: no draw takes it, it is paid apart."


def story_text(story: StudentStory) -> str:
    """The story as lines of plain ASCII, ended by line ends."""
    bank = f", bank files to {story.bank_through}" if story.bank_through else ""
    lines = [f"Student {story.student_id} as of {story.as_of}{bank} (run {story.run})", *_wrapped(PRIVACY)]
    if not story.sees_payments:
        lines += _wrapped(NO_PAYMENTS)
    for term in story.terms:
        lines += ["", *_term(term)]
    if story.astray or story.beside:
        lines += ["", "Bank money that belongs to no term", *_exceptions(story.astray), *_beside(story.beside)]
    if not story.terms and not story.astray and not story.beside:
        lines += ["", "Nothing of this student counts in any term that the rules know."]
    text = "\n".join(without_controls(line).rstrip() for line in lines) + "\n"
    return text.encode("ascii", "replace").decode("ascii")


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    return textwrap.wrap(
        without_controls(text), WIDE, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False
    )


def _term(term: TermStory) -> Iterator[str]:
    yield f"TERM {term.term}"
    for words in standing_words(term):
        yield from _wrapped(words)
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


def coverage_words(coverage: str, *, sees_payments: bool) -> str:
    """How the bill stands, in a sentence; a run that sees no payments does not call a bill uncovered."""
    return SHORT_AS_SEEN if coverage == "short" and not sees_payments else COVERAGE_WORDS.get(coverage, coverage)


def standing_words(term: TermStory) -> list[str]:
    """How the bill of a term stands, and what of it is paid apart from the plan."""
    outside = [OUTSIDE.format(people_money(term.outside))] if term.outside > 0 else []
    return [coverage_words(term.standing["coverage"], sees_payments=term.sees_payments), *outside]


def _happenings(term: TermStory) -> Iterator[str]:
    yield "What happened, in date order"
    shown = term.happened[-MOST_HAPPENINGS:]
    if len(shown) < len(term.happened):
        yield f"  ... and {len(term.happened) - len(shown)} earlier entries, in entries.parquet of the run"
    rows = [(f"  {h.day.date()}", h.words, people_money(h.cents) if h.cents else "") for h in shown]
    yield from aligned(rows, right=(2,)) if rows else ["  nothing yet"]


def _draws(term: TermStory) -> Iterator[str]:
    """The plan's draws; of several plans each under its own name, since their lines have the same numbers."""
    yield "The plan's draws"
    several = len({draw["plan_id"] for draw in term.draws}) > 1
    rows = []
    for draw in term.draws:
        plan = (f"  {draw['plan_id']}", draw["line"]) if several else (f"  {draw['line']}",)
        rows.append((*plan, draw["kind"], str(draw["draw_date"].date()), people_money(draw["scheduled"]), draw_words(draw)))
    for draw, line in zip(term.draws, aligned(rows, right=(len(rows[0]) - 2,)), strict=True):
        yield line
        yield from _wrapped(draw_caution(draw), "     ", "     ")


def draw_words(draw: dict[str, Any]) -> str:
    """What became of a draw, in words: "came back unpaid, 2 tries, return code R01"."""
    words: str = STATE_WORDS.get(draw["state"], draw["state"])
    if draw["state"] == "failed" and draw["method"] == "card":
        words = "taken back by the card's bank" if draw["return_code"] == "chargeback" else "was declined"
    if draw["state"] == "cancelled":
        back = f"given back by the office on {listed(draw['given_back'])}" if draw["given_back"] else ""
        words = "; ".join(part for part in (_cancelled(draw) or ("" if back else words), back) if part)
    return words + _draw_note(draw)


def _cancelled(draw: dict[str, Any]) -> str:
    """That the plan system cancelled the line, and when; "" where it did not."""
    if draw["line_status"] != "cancelled":
        return ""
    return "cancelled, and the export gives no day" if draw["cancelled_on"] is None else f"cancelled on {_day(draw['cancelled_on'])}"


def draw_caution(draw: dict[str, Any]) -> str:
    """That money was taken which may be this draw; "" where there is none."""
    if not draw["undecided"]:
        return ""
    on = f" on {listed(draw['undecided_on'])}" if draw["undecided_on"] else ""
    return (
        f"{people_money(draw['undecided'])} was taken{on} that may be this draw: nobody may ask for it or draw it again before a person "
        "has decided which draw that money paid."
    )


def _draw_note(draw: dict[str, Any]) -> str:
    """What became of a draw, beyond its state."""
    notes = []
    if draw["cleared"]:
        notes.append(f"on {_day(draw['settled_on'])}")
        if draw["cleared"] != draw["scheduled"]:
            notes.append(f"{people_money(draw['cleared'])} of it" if draw["cleared"] < draw["scheduled"] else people_money(draw["cleared"]))
        if draw["given_back"] and draw["cleared"] < draw["scheduled"]:
            notes.append(f"some given back on {listed(draw['given_back'])}")
    if draw["attempts"] > 1:
        notes.append(f"{draw['attempts']} tries")
    if draw["return_code"]:
        notes.append(f"return code {draw['return_code']}")
    if draw["state"] != "cancelled" and _cancelled(draw):
        notes.append(f"though {_cancelled(draw)}")
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
    if not term.exceptions and not term.beside:
        yield from _wrapped(_nothing_wrong(term))
    else:
        yield "What is wrong"
        yield from _exceptions(term.exceptions, term)
        yield from _beside(term.beside)
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


def _nothing_wrong(term: TermStory) -> str:
    if term.plan is None:
        return "No plan in this term: nothing is drawn, and no exception is raised."
    if term.standing["coverage"] not in {"short", "over"}:
        return "Nothing is wrong that a person must look at."
    return f"No exception is on the list{': what a plan is not meant to pay raises none' if term.outside > 0 else ''}."


def _exceptions(rows: tuple[dict[str, Any], ...], term: TermStory | None = None) -> Iterator[str]:
    for row in rows:
        about, _, what = str(row["what"]).partition(": ")
        line = f" (line {row['line']})" if row["line"] else ""
        unseen = "" if term is None else unseen_payments(term, str(row["action"]))
        yield from _wrapped(f"{row['kind']}{line}: {what or about}", "  - ", "    ")
        yield from _wrapped(f"Next: {row['action']} {unseen}", "    ", "    ")
        if row["note"] or row["disposition"]:
            words = "; ".join(part for part in (row["disposition"], row["note"]) if part)
            yield from _wrapped(f"Noted{by_whom(row)}: {words}", "    ", "    ")


def _beside(sentences: tuple[str, ...]) -> Iterator[str]:
    for words in sentences:
        yield from _wrapped(words, "  - ", "    ")


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
        for line in (*look_first(term), *lines):
            yield from _wrapped(line, "  ", "  ")


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
