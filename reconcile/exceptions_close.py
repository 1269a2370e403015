"""Exceptions that only a month-end close can see: draws that a closed month counted as cleared, and that came back since."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from reconcile.closing_lines import WITH_MONEY
from reconcile.events import NOBODY, day_numbers
from reconcile.exception_facts import day_text, sentence
from reconcile.late_rows import LATE
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from reconcile.closing_lines import PreviousClose
    from reconcile.events import Bools, Ints
    from reconcile.exception_facts import Fact, Ground
    from reconcile.worked import Worked


@dataclass(frozen=True, eq=False)
class Since:
    """What a close is compared with: the close before (None: a first close), and late_rows, which that close had not read."""

    previous: PreviousClose | None
    late: pd.DataFrame


def returns_after_the_close(on: Ground, since: Since) -> Iterator[Fact]:
    """Draws that had cleared at the close before and of which money came back since, whenever the bank dates it: one fact for each line.

    In:      the ground of the run; what the close is compared with.
    """
    previous = since.previous
    if previous is None:
        return
    undoings = on.at.matching.undoings.iloc[undone_since(on.at, since)]
    by, of, cents = (undoings[name].to_numpy() for name in ("by", "of", "cents"))
    had = previous.lines[among(previous.lines["state"], WITH_MONEY)]
    had_money = set(zip(had["plan_id"].tolist(), had["line"].tolist(), strict=True))
    back: dict[int, list[tuple[int, int]]] = {}
    for event, undone, amount in zip(by.tolist(), of.tolist(), cents.tolist(), strict=True):
        line = int(on.money["line_at"][undone])
        if line != NOBODY and (on.lines["plan_id"][line], on.lines["line"][line]) in had_money:
            back.setdefault(line, []).append((event, amount))
    for line, events in sorted(back.items(), key=lambda item: on.lines.at(item[0])):
        yield _fact(on, line, events)


def undone_since(at: Worked, since: Since) -> Ints:
    """Which undoings (positions in `matching.undoings`) a return made since the close before, of money that this close had read."""
    undoings = at.matching.undoings
    if since.previous is None or not len(undoings):
        return np.zeros(0, dtype=np.int64)
    fresh = _unknown_before(at, since.previous, since.late)
    by, of = undoings["by"].to_numpy(), undoings["of"].to_numpy()
    return np.flatnonzero(fresh[by] & ~fresh[of] & is_word(at.events["outcome"], "returned")[by])


def _fact(on: Ground, line: int, back: list[tuple[int, int]]) -> Fact:
    kind, amount = "return after the close", sum(cents for _event, cents in back)
    day = max(int(on.events["settled_on"][event]) for event, _cents in back)
    words = on.line_words(line) | {"amount": amount, "day": day_text(day)}
    evidence = (*on.line_evidence(line), *(on.events.at(event) for event, _cents in sorted(back)))
    return on.line_fact(kind, line, amount, day, what=sentence(kind, **words), evidence=evidence)


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
