"""The second half of the tie-out: the bank beside the student ledger, each draw with what the ledger made of it.

A draw that cleared should be posted once, one that came back taken off again. Pairing (`ledger`) says which posting is which bank event;
here the rest is named: money the ledger lacks, money it has that no bank shows, returns that it still counts as paid, reversals that no
return stands behind or whose return undid nothing.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from reconcile.events import NOBODY, day_numbers
from reconcile.ledger import ANOTHER_KIND, POSTED, REFUND, REFUND_IN_PART, TAKEN_OFF
from reconcile.texts import among, is_word, picked

if TYPE_CHECKING:
    from reconcile.events import Bools, Ints
    from reconcile.policy import Rules
    from reconcile.worked import Worked

NO_DAY: Final = np.iinfo(np.int64).max
"""A row that belongs to no draw date; sorts after all days."""
UNDID_NOTHING: Final = "reversed for a return that undid nothing"
"""The bank returned it and the ledger took it off, but it, or what is left over of it, undid no money: of no draw, or more than was left
of one. `reversed, not returned` is what the ledger took off and no bank event shows."""


@dataclass(frozen=True, eq=False)
class Found:
    """Cents with whom they are about, the draw date that they count at, and where in the exports they can be seen."""

    about: pd.DataFrame
    """term, student_id, plan_id, line, day (draw date, NO_DAY without one), amount, since (day number), until, file, sheet, row."""

    @classmethod
    def of_lines(cls, lines: pd.DataFrame, at: Ints, cents: Ints, since: Ints | None = None, until: pd.Series | None = None) -> Found:
        """Cents of schedule lines at the positions `at`."""
        day = day_numbers(lines["draw_date"])
        own = _who(lines, at).assign(day=day[at], amount=cents, since=(day if since is None else since)[at])
        own["until"] = pd.Series(pd.NaT, index=own.index, dtype="datetime64[s]") if until is None else until.iloc[at].to_numpy()
        return cls(own)

    @classmethod
    def of_events(cls, of: Worked, at: Ints, cents: Ints, place: Ints, line_at: Ints | None = None) -> Found:
        """Cents of bank events at the positions `at`; they count at the line of `place`, or at `line_at` if given."""
        home = place[at] if line_at is None else line_at
        day = _days_of(of.lines, home)
        money = of.money[["term", "student_id", "plan_id", "line"]].iloc[at].reset_index(drop=True)
        where = of.events[["file", "sheet", "row"]].iloc[at].reset_index(drop=True)
        own = pd.concat([money, where], axis=1).assign(day=day, amount=cents, since=day_numbers(of.events["settled_on"])[at])
        own["until"] = pd.Series(pd.NaT, index=own.index, dtype="datetime64[s]")
        return cls(own)

    @classmethod
    def of_postings(cls, of: Worked, at: Ints, cents: Ints, home: Ints) -> Found:
        """Cents of postings at the positions `at`; they count at the lines `home` (side by side with `at`, NOBODY without one)."""
        postings = of.postings
        own = postings[["term", "student_id", "file", "sheet", "row"]].iloc[at].reset_index(drop=True)
        own["plan_id"], own["line"] = (picked(of.lines[name], home) for name in ("plan_id", "line"))
        own = own.assign(day=_days_of(of.lines, home), amount=cents, since=day_numbers(postings["posted_on"])[at])
        own["until"] = pd.Series(pd.NaT, index=own.index, dtype="datetime64[s]")
        return cls(own)

    def table(self, today: int) -> pd.DataFrame:
        """The rows with dates as dates, and their age in days."""
        day = self.about["day"].to_numpy(dtype=np.int64)
        since = self.about["since"].to_numpy(dtype=np.int64)
        dates = np.where(day == NO_DAY, np.datetime64("NaT", "D"), np.where(day == NO_DAY, 0, day).astype("datetime64[D]"))
        return self.about.assign(
            draw_date=dates.astype("datetime64[s]"),
            since=since.astype("datetime64[D]").astype("datetime64[s]"),
            age_days=np.maximum(0, today - since),
        )

    def sums(self) -> dict[tuple[str, int], tuple[int, int]]:
        """Rows and cents by term and draw date."""
        found = self.about.groupby(["term", "day"], sort=True)["amount"].agg(["size", "sum"])
        return {(str(term), int(day)): (int(size), int(cents)) for (term, day), size, cents in found.itertuples(name=None)}

    @property
    def keys(self) -> set[tuple[str, int]]:
        """The terms and draw dates."""
        return set(self.sums())


def _who(lines: pd.DataFrame, at: Ints) -> pd.DataFrame:
    return lines[["term", "student_id", "plan_id", "line", "file", "sheet", "row"]].iloc[at].reset_index(drop=True)


def _days_of(lines: pd.DataFrame, at: Ints) -> Ints:
    """The draw date of the line at each position, NO_DAY without one."""
    if not len(lines):
        return np.full(len(at), NO_DAY, dtype=np.int64)
    return np.where(at == NOBODY, NO_DAY, day_numbers(lines["draw_date"])[at])


@dataclass(frozen=True, eq=False)
class _Books:
    """The student ledger beside the bank.

    By event: `how` it pairs, `booked` (cents of its plan draw posting), `in_part` (cents of it in refund postings of another sum). By
    posting: `home`, the line whose draw date it counts at, and `drawn`, whether it is a plan draw. `loose`: plan draw postings that pair
    with nothing.
    """

    how: np.ndarray[tuple[int], np.dtype[np.object_]]
    booked: Ints
    in_part: Ints
    home: Ints
    drawn: Bools
    loose: Ints

    @classmethod
    def of(cls, at: Worked, place: Ints) -> _Books:
        postings, ledger = at.postings, at.ledger
        drawn = is_word(postings["kind"], "plan draw")
        how = np.full(len(at.events), "", dtype=object)
        booked = np.zeros(len(at.events), dtype=np.int64)
        for word in (POSTED, TAKEN_OFF, REFUND, ANOTHER_KIND):
            rows = ledger[is_word(ledger["how"], word)]
            how[rows["event"].to_numpy()] = word
            if word in {POSTED, TAKEN_OFF}:
                booked[rows["event"].to_numpy()] = postings["amount"].to_numpy()[rows["posting"].to_numpy()]
        in_part = np.zeros(len(at.events), dtype=np.int64)
        rows = ledger[is_word(ledger["how"], REFUND_IN_PART)]
        np.add.at(in_part, rows["event"].to_numpy(), rows["same"].to_numpy())
        paired = np.zeros(len(postings), dtype=bool)
        paired[ledger["posting"].to_numpy()] = True
        return cls(how, booked, in_part, _homes(at, place, drawn), drawn, np.flatnonzero(drawn & ~paired))


def ledger_side(at: Worked, place: Ints, rules: Rules) -> tuple[Found, list[tuple[str, Found]]]:
    """The student ledger's plan draws by draw date, and what stands between them and the bank.

    In:      everything that the run worked out; for each bank event the line whose draw date it counts at. Cents.
    Out:     the ledger side, by posting; items by bank event or posting, signed so that bank + items = student ledger.
    """
    books = _Books.of(at, place)
    items = _of_events_cleared(at, place, books, rules)
    beyond = _reversed_beyond(at, books)
    back, loose, moved = _netted(at, np.flatnonzero(beyond), beyond, books, place)
    home = books.home.copy()
    for posting, line in moved.items():
        home[posting] = line
    amount = at.postings["amount"].to_numpy()
    up, down = loose[amount[loose] > 0], loose[amount[loose] < 0]
    items.append(("posted not cleared", Found.of_postings(at, up, amount[up], home[up])))
    items.append(("reversed, not returned", Found.of_postings(at, down, amount[down], home[down])))
    items.append((UNDID_NOTHING, Found.of_events(at, back, beyond[back], place)))
    which = np.flatnonzero(books.drawn)
    return Found.of_postings(at, which, amount[which], home[which]), items


def _homes(at: Worked, place: Ints, drawn: Bools) -> Ints:
    """For each posting the line whose draw date it counts at: its bank event's, else the student's latest on or before its day."""
    postings, ledger, lines = at.postings, at.ledger, at.lines
    home = np.full(len(postings), NOBODY, dtype=np.int64)
    home[ledger["posting"].to_numpy()] = place[ledger["event"].to_numpy()]
    free = drawn.copy()
    free[ledger["posting"].to_numpy()] = False
    which = np.flatnonzero(free)
    if not len(which):
        return home
    asked = postings.iloc[which]
    of: defaultdict[tuple[str, str], list[tuple[int, int]]] = defaultdict(list)
    near = np.flatnonzero(among(lines["student_id"], asked["student_id"]))
    day = day_numbers(lines["draw_date"])
    rows = lines[["student_id", "term", "plan_id", "line"]].iloc[near].assign(at=near, day=day[near])
    rows = rows.sort_values(["day", "plan_id", "line"])
    for student, term, line, drawn_on in rows[["student_id", "term", "at", "day"]].itertuples(index=False):
        of[student, term].append((int(drawn_on), int(line)))
    posted = day_numbers(postings["posted_on"])
    for posting, student, term in zip(which.tolist(), asked["student_id"].tolist(), asked["term"].tolist(), strict=True):
        own = of.get((student, term), [])
        before = [row for row in own if row[0] <= posted[posting]]
        if own:
            home[posting] = (before[-1] if before else own[0])[1]
    return home


def _of_events_cleared(at: Worked, place: Ints, books: _Books, rules: Rules) -> list[tuple[str, Found]]:
    """What the ledger lacks of cleared draws, and returns of posted draws that it has not taken off."""
    events, money, how = at.events, at.money, books.how
    placed = _placed(at)
    posted = how == POSTED
    by, of, off = draw_money_undone(at)
    waiting = placed[of] & (how[by] != TAKEN_OFF)
    # All of an event that the ledger does not post, but for what came back without a trace on the ledger.
    lacks = np.where(placed & is_word(events["outcome"], "cleared") & ~posted, _draw_money(at), 0)
    np.subtract.at(lacks, of[waiting & ~posted[of]], off[waiting & ~posted[of]])
    another = how == ANOTHER_KIND
    billed = among(money["term"], [term.code for term in rules.terms if term.fee_on_bill])
    fee = money["is_fee"].to_numpy(dtype=bool) & ~billed & ~another
    of_items = (("cleared not posted", ~another & ~fee), (ANOTHER_KIND, another), ("enrollment fees not on the bill", fee))
    found = [(name, _of_events(at, -lacks, which, place)) for name, which in of_items]
    standing = waiting & posted[of]
    refund = np.where(how[by] == REFUND, off, np.minimum(off, books.in_part[by]))
    for name, part in (("returns not reversed", off - refund), ("refunds posted as refunds", refund)):
        cents = np.zeros(len(events), dtype=np.int64)
        np.add.at(cents, by[standing], part[standing])
        found.append((name, _of_events(at, cents, cents != 0, place)))
    return found


def _placed(at: Worked) -> Bools:
    """Events that count in a term and are no payments outside the plan."""
    return np.asarray(~is_word(at.money["term"], "") & ~is_word(at.events["kind"], "payment"))


def _reversed_beyond(at: Worked, books: _Books) -> Ints:
    """What the ledger took off for each event beyond what that event undid at the bank; negative cents."""
    beyond = np.where(books.how == TAKEN_OFF, books.booked, 0)
    by, of, off = draw_money_undone(at)
    which = _placed(at)[of] & (books.how[by] == TAKEN_OFF)
    np.add.at(beyond, by[which], off[which])
    return beyond


def _of_events(at: Worked, cents: Ints, which: Bools, place: Ints) -> Found:
    rows = np.flatnonzero(which & (cents != 0))
    return Found.of_events(at, rows, cents[rows], place)


def _draw_money(at: Worked) -> Ints:
    """What each cleared event took as draw or fee money before anything was undone: its amount without the card fee."""
    gross = at.events["amount"].to_numpy() - at.money["fee_inside"].to_numpy()
    return np.asarray(np.where(is_word(at.events["outcome"], "cleared"), gross, 0), dtype=np.int64)


def draw_money_undone(at: Worked) -> tuple[Ints, Ints, Ints]:
    """Which event undid which, and how much draw money it took off; the card fee inside is undone last, or by a refund of its own."""
    by, of, cents = (at.matching.undoings[name].to_numpy() for name in ("by", "of", "cents"))
    settled = day_numbers(at.events["settled_on"])
    left = _draw_money(at)
    off = np.zeros(len(by), dtype=np.int64)
    for one in np.lexsort((by, settled[by], of)).tolist():
        off[one] = 0 if at.matching.fee_back[by[one]] else min(int(cents[one]), int(left[of[one]]))
        left[of[one]] -= off[one]
    return by, of, off


def _in_order(table: pd.DataFrame, rows: Ints, columns: list[str]) -> list[int]:
    """Some rows of a table in the order of their content, so that the order of a file never says which meets which."""
    found: list[int] = rows[table[columns].iloc[rows].reset_index(drop=True).sort_values(columns, kind="stable").index.to_numpy()].tolist()
    return found


def _netted(at: Worked, back: Ints, beyond: Ints, books: _Books, place: Ints) -> tuple[Ints, Ints, dict[int, int]]:
    """Leave out what meets its opposite: of one student, term and amount, a posting and the reversal that took it off again.

    In:      events with a reversal beyond what came back, and their cents; the ledger.
    Out:     the events and postings that are left; for postings that met their opposite, the line whose draw date both count at.
    """
    loose, amount = _in_order(at.postings, books.loose, ["posted_on", "reference"]), at.postings["amount"].tolist()
    back = np.array(_in_order(at.events, back, ["settled_on", "reference", "plan_id", "line", "original_reference"]), dtype=np.int64)
    whose = list(zip(at.postings["student_id"].tolist(), at.postings["term"].tolist(), strict=True))
    up: defaultdict[tuple[str, str, int], list[int]] = defaultdict(list)
    for posting in loose:
        if amount[posting] > 0:
            up[*whose[posting], amount[posting]].append(posting)
    moved: dict[int, int] = {}
    events = []
    of = at.money[["student_id", "term"]].iloc[back].itertuples(index=False, name=None)
    for event, who in zip(back.tolist(), of, strict=True):
        same = up.get((*who, -int(beyond[event])))
        if same:
            moved[same.pop(0)] = int(place[event])
        else:
            events.append(event)
    for posting in loose:
        same = up.get((*whose[posting], -amount[posting]))
        if amount[posting] < 0 and same:
            partner = same.pop(0)
            moved[posting] = moved[partner] = int(books.home[partner])
    left = [posting for posting in loose if posting not in moved]
    return np.array(events, dtype=np.int64), np.array(left, dtype=np.int64), moved
