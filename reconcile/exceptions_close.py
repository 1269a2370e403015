"""Exceptions that only a month-end close can see: draws that a closed month counted as cleared, and that came back since."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from reconcile.closing_lines import WITH_MONEY
from reconcile.events import NOBODY, day_numbers
from reconcile.exception_facts import Fact, day_text, sentence, who
from reconcile.late_rows import LATE
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from reconcile.closing_lines import PreviousClose
    from reconcile.events import Bools, Ints
    from reconcile.exception_ground import Ground
    from reconcile.worked import Worked


AFTER: Final = "return after the close"


@dataclass(frozen=True, eq=False)
class Since:
    """What a close is compared with: the close before (None: a first close), and late_rows, which that close had not read."""

    previous: PreviousClose | None
    late: pd.DataFrame


def returns_after_the_close(on: Ground, since: Since) -> Iterator[Fact]:
    """Draws that had cleared at the close before and of which money came back since, whenever the bank dates it: one fact for each line.

    A line that was cancelled or taken out since holds no attempt any more; then the line is the one that the money stood on at that close.

    In:      the ground of the run; what the close is compared with.
    """
    previous = since.previous
    if previous is None:
        return
    undoings = on.at.matching.undoings.iloc[undone_since(on.at, since)]
    by, of, cents = (undoings[name].to_numpy() for name in ("by", "of", "cents"))
    had = previous.lines[among(previous.lines["state"], WITH_MONEY)]
    had_money = set(zip(had["plan_id"].tolist(), had["line"].tolist(), strict=True))
    stood_on = _lines_before(on.at, previous, of)
    back: dict[tuple[str, str], list[tuple[int, int]]] = {}
    for event, undone, amount in zip(by.tolist(), of.tolist(), cents.tolist(), strict=True):
        line = int(on.money["line_at"][undone])
        key = (on.lines["plan_id"][line], on.lines["line"][line]) if line != NOBODY else stood_on.get(undone)
        if key is not None and key in had_money:
            back.setdefault(key, []).append((event, amount))
    if not back:
        return
    here = {key: at for at, key in enumerate(zip(on.at.lines["plan_id"], on.at.lines["line"], strict=True)) if key in back}
    for key in sorted(here, key=lambda key: on.lines.at(here[key])):
        yield _fact(on, here[key], back[key])
    for key in sorted(back.keys() - here.keys()):
        yield _fact_of_gone(on, had, key, back[key])


def undone_since(at: Worked, since: Since) -> Ints:
    """Which undoings (positions in `matching.undoings`) a return made since the close before, of money that this close had read."""
    undoings = at.matching.undoings
    if since.previous is None or not len(undoings):
        return np.zeros(0, dtype=np.int64)
    fresh = _unknown_before(at, since.previous, since.late)
    by, of = undoings["by"].to_numpy(), undoings["of"].to_numpy()
    return np.flatnonzero(fresh[by] & ~fresh[of] & is_word(at.events["outcome"], "returned")[by])


def _lines_before(at: Worked, previous: PreviousClose, of: Ints) -> dict[int, tuple[str, str]]:
    """For undone events that hang on no line now: the plan and line that they stood on at the close before."""
    loose = np.unique(of[at.money["line_at"].to_numpy()[of] == NOBODY])
    if not len(loose):
        return {}
    events = at.events.iloc[loose]
    names = events["reference"].where(~is_word(events["reference"], ""), at.money["student_id"].iloc[loose])
    keys = zip(events["settled_on"], events["amount"], events["reference"], names, strict=True)
    entries = previous.entries
    rows = entries[is_word(entries["export"], "cleared_draws") & is_word(entries["status"], "cleared") & ~is_word(entries["line"], "")]
    whose = rows["reference"].where(~is_word(rows["reference"], ""), rows["student_id"])
    own = zip(rows["date"], rows["cents"], rows["reference"], whose, strict=True)
    known = dict(zip(own, zip(rows["plan_id"], rows["line"], strict=True), strict=True))
    return {event: known[key] for event, key in zip(loose.tolist(), keys, strict=True) if key in known}


def _fact_of_gone(on: Ground, had: pd.DataFrame, key: tuple[str, str], back: list[tuple[int, int]]) -> Fact:
    """The fact of a line that is no longer in the schedule: as it stood at the close before."""
    line = had[is_word(had["plan_id"], key[0]) & is_word(had["line"], key[1])].iloc[0]
    amount, day = sum(cents for _event, cents in back), max(int(on.events["settled_on"][event]) for event, _cents in back)
    draw = {"draw": "draw", "fee": "enrollment fee"}.get(line["kind"], "down payment")
    words = {"who": who(line["student_id"], *key), "draw": draw, "draw_date": str(line["draw_date"].date()), "amount": amount}
    what = sentence(AFTER, **words, day=day_text(day))
    evidence = tuple(on.events.at(event) for event, _cents in sorted(back))
    return Fact(AFTER, line["term"], line["student_id"], *key, amount, day, what, evidence=evidence)


def _fact(on: Ground, line: int, back: list[tuple[int, int]]) -> Fact:
    amount = sum(cents for _event, cents in back)
    day = max(int(on.events["settled_on"][event]) for event, _cents in back)
    words = on.line_words(line) | {"amount": amount, "day": day_text(day)}
    evidence = (*on.line_evidence(line), *(on.events.at(event) for event, _cents in sorted(back)))
    return on.line_fact(AFTER, line, amount, day, what=sentence(AFTER, **words), evidence=evidence)


def _unknown_before(at: Worked, previous: PreviousClose, late: pd.DataFrame) -> Bools:
    """Bank events that the close before had not read: dated after it, or arrived late."""
    events = at.events
    rows = late[is_word(late["what"], LATE) & is_word(late["export"], "cleared_draws")]
    known = set(zip(rows["file"].tolist(), rows["sheet"].tolist(), rows["row"].tolist(), strict=True))
    after = day_numbers(events["settled_on"]) > int(np.datetime64(previous.as_of, "D").astype("int64"))
    if not known:
        return np.asarray(after)
    places = zip(events["file"].tolist(), events["sheet"].tolist(), events["row"].tolist(), strict=True)
    return np.asarray(after | np.array([place in known for place in places], dtype=bool))
