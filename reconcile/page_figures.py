"""The sums behind the pictures of a run: each is added up from the tables of the run, and adds up to them again.

    desks        open exceptions by the desk that owns them and by when they are due
    draw_months  month by month, what became of the plan draws: pending money becoming cleared
    causes       why plans no longer meet their bills, cause by cause
    reasons      failed draws by the reason that the bank or the card gave
    ages         how long the open exceptions have stood on the list
    bills        how the bills are covered

Pure; money in cents. Whatever draws the pictures works nothing out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import pandas as pd

from reconcile.schemas import COVERAGES
from reconcile.standing import CHANGED, CLOSED, RESOLVED
from reconcile.variance import CAUSES

if TYPE_CHECKING:
    from datetime import date

    from reconcile.policy import Rules

SEVERITIES: Final = ("urgent", "act", "information")
SOON_DAYS: Final = 7
AGES: Final = ((0, "new in this report"), (7, "1 to 7 days"), (14, "8 to 14 days"), (30, "15 to 30 days"), (60, "31 to 60 days"))
"""The last day of each age, in days since an exception was first on the list, and its words; what is older comes last."""
OLDEST: Final = "over 60 days"
REST: Final = "difference"


class Desk(NamedTuple):
    """Open exceptions of one owner: how many by severity; of those not only for the record, how many are due when."""

    owner: str
    urgent: int
    act: int
    information: int
    due: int
    """To be acted on by the as-of day, or late already."""
    soon: int
    """In the seven days after it."""
    later: int
    first_act_by: date | None


class DrawMonth(NamedTuple):
    """The plan draws and down payments dated in one month, cents: scheduled is the sum of what follows.

    difference: scheduled less cleared of draws that cleared in part, or for a little more or less.
    """

    month: str
    scheduled: int
    cleared: int
    in_transit: int
    pending: int
    failed: int
    not_seen: int
    difference: int


class TermMonths(NamedTuple):
    """A term's months in order, and their sum (its month is "")."""

    term: str
    months: tuple[DrawMonth, ...]
    total: DrawMonth


class Cause(NamedTuple):
    """One cause over all plans that differ from their bills: money that puts plans over (>= 0) and that puts them short (<= 0)."""

    name: str
    over: int
    short: int
    plans: int


class Apart(NamedTuple):
    """How far plans and bills are apart: plans over and short of their bills, cents, and `net`, to which the causes add up."""

    plans_over: int
    over: int
    plans_short: int
    short: int
    net: int
    causes: tuple[Cause, ...]


class Reason(NamedTuple):
    """Failed draws of one return code or decline: how many, and their scheduled money."""

    method: str
    code: str
    title: str
    draws: int
    cents: int


class Age(NamedTuple):
    """Open exceptions of one age, by severity."""

    words: str
    urgent: int
    act: int
    information: int


class Bills(NamedTuple):
    """Students of one term whose bill is covered in one way, and the sum of their gaps in cents."""

    term: str
    coverage: str
    students: int
    gap: int


def still_open(exceptions: pd.DataFrame) -> pd.DataFrame:
    """The exceptions that are neither closed nor resolved."""
    return exceptions[~exceptions["standing"].isin([CLOSED, RESOLVED])]


def in_hand(exceptions: pd.DataFrame) -> pd.Series:
    """Whether somebody has written a disposition or a note beside each exception, and its amount has not moved since."""
    return ((exceptions["disposition"] != "") | (exceptions["note"] != "")) & (exceptions["standing"] != CHANGED)


def first_of_all(exceptions: pd.DataFrame) -> pd.DataFrame:
    """The open urgent exceptions with a column `in_hand`: those that nobody has written about first, each part in the order of the list."""
    urgent = still_open(exceptions)
    urgent = urgent[urgent["severity"] == "urgent"]
    return urgent.assign(in_hand=in_hand(urgent)).sort_values("in_hand", kind="stable")


def desks(exceptions: pd.DataFrame, as_of: date) -> tuple[Desk, ...]:
    """Open exceptions by owner; the desk with most urgent ones first, then most to act on, then by name.

    In:      OUTPUTS["exceptions"].
    Keeps:   the counts add up to the open exceptions; due + soon + later are those that are not only for the record and have a day.
    """
    found = []
    for owner, rows in still_open(exceptions).groupby("owner", sort=True):
        count = rows["severity"].value_counts()
        days = rows.loc[rows["severity"] != "information", "act_by"].dropna()
        ahead = (days - pd.Timestamp(as_of)).dt.days
        due, soon = int((ahead <= 0).sum()), int(((ahead > 0) & (ahead <= SOON_DAYS)).sum())
        first = days.min().date() if len(days) else None
        urgent, act, information = (int(count.get(severity, 0)) for severity in SEVERITIES)
        found.append(Desk(str(owner), urgent, act, information, due, soon, len(days) - due - soon, first))
    return tuple(sorted(found, key=lambda desk: (-desk.urgent, -desk.act, desk.owner)))


def draw_months(draws: pd.DataFrame) -> tuple[TermMonths, ...]:
    """Month by month and term by term, what became of the plan draws; fees and cancelled lines are left out.

    In:      OUTPUTS["draws"].
    Keeps:   over all months, each part is the sum over the draws in that state; scheduled = the sum of the parts.
    """
    lines = draws[(draws["kind"] != "fee") & (draws["state"] != "cancelled")]
    state, scheduled, cleared = lines["state"], lines["scheduled"], lines["cleared"]
    with_money = state.isin(["cleared", "part cleared"])
    parts = {
        "scheduled": scheduled,
        "cleared": cleared.where(with_money, 0),
        "in_transit": scheduled.where(state == "in transit", 0),
        "pending": scheduled.where(state == "pending", 0),
        "failed": scheduled.where(state == "failed", 0),
        "not_seen": scheduled.where(state == "not seen", 0),
        REST: (scheduled - cleared).where(with_money, 0),
    }
    month = lines["draw_date"].dt.strftime("%Y-%m").astype("str")
    table = pd.DataFrame({"term": lines["term"], "month": month, **parts}).groupby(["term", "month"], sort=True).sum()
    found: dict[str, list[DrawMonth]] = {}
    for (term, named), *cents in table.itertuples(name=None):
        found.setdefault(str(term), []).append(DrawMonth(str(named), *map(int, cents)))
    return tuple(TermMonths(term, tuple(months), _sum_of(months)) for term, months in found.items())


def _sum_of(months: list[DrawMonth]) -> DrawMonth:
    return DrawMonth("", *(sum(column) for column in zip(*(month[1:] for month in months), strict=True)))


def causes(plans: pd.DataFrame, students: pd.DataFrame) -> Apart:
    """Why plans and bills are apart, over all plans that are, of terms whose bill is out.

    In:      OUTPUTS["plans"] and OUTPUTS["students"] of the same run.
    Keeps:   the causes' money adds up to net = over + short, since each plan's causes add up to its variance.
    """
    covered = students.set_index(["term", "student_id"])["coverage"]
    standing = covered.reindex(pd.MultiIndex.from_frame(plans[["term", "student_id"]])).to_numpy()
    apart = plans[(plans["variance"] != 0) & (standing != "not billed")]
    variance = apart["variance"]
    found = []
    for name in CAUSES:
        cents = apart[name]
        found.append(Cause(name, int(cents[cents > 0].sum()), int(cents[cents < 0].sum()), int((cents != 0).sum())))
    over, short = variance[variance > 0], variance[variance < 0]
    return Apart(
        len(over), int(over.sum()), len(short), int(short.sum()), int(variance.sum()), tuple(cause for cause in found if cause.plans)
    )


def reasons(draws: pd.DataFrame, rules: Rules) -> tuple[Reason, ...]:
    """Draws that failed and stayed so, by return code; most money first.

    In:      OUTPUTS["draws"]; titles from rules/returns.toml ("" for a code that the rules do not know).
    Keeps:   draws and cents add up to the lines in the state `failed`.
    """
    failed = draws[draws["state"] == "failed"]
    grouped = failed.groupby(["method", "return_code"], sort=True)["scheduled"].agg(["size", "sum"])
    found = []
    for (method, code), draws_of, cents in grouped.itertuples(name=None):
        known = rules.returns.code(str(method), str(code))
        found.append(Reason(str(method), str(code), known.title if known else "", int(draws_of), int(cents)))
    return tuple(sorted(found, key=lambda reason: (-reason.cents, reason.method, reason.code)))


def ages(exceptions: pd.DataFrame) -> tuple[Age, ...]:
    """Open exceptions by age and severity, youngest first; every age is there, those of no exception too.

    Keeps:   the counts add up to the open exceptions.
    """
    rows = still_open(exceptions)
    found, after = [], -1
    for last, words in (*AGES, (None, OLDEST)):
        here = rows["age_days"] > after
        if last is not None:
            here &= rows["age_days"] <= last
            after = last
        count = rows.loc[here, "severity"].value_counts()
        found.append(Age(words, *(int(count.get(severity, 0)) for severity in SEVERITIES)))
    return tuple(found)


def bills(students: pd.DataFrame) -> tuple[Bills, ...]:
    """Students and gaps by term and coverage, terms in order, coverage in the order of the words.

    Keeps:   students add up to the rows, gaps to the sum of the gaps.
    """
    grouped = students.groupby(["term", "coverage"], sort=True)["gap"].agg(["size", "sum"])
    found = [Bills(str(term), str(word), int(size), int(gap)) for (term, word), size, gap in grouped.itertuples(name=None)]
    return tuple(sorted(found, key=lambda row: (row.term, COVERAGES.index(row.coverage))))


class Soonest(NamedTuple):
    """The next draw date over all terms: lines and money (cents), how much of it is in question, and the last days to act."""

    draw_date: date
    lines: int
    scheduled: int
    lines_in_question: int
    in_question: int
    notice_by: date | None
    last_day_to_stop: date | None


def soonest(next_draws: pd.DataFrame) -> Soonest | None:
    """The first coming draw date; None if no draw is to come.

    In:      OUTPUTS["next_draws"]. Of several terms the earliest last days count.
    """
    if next_draws.empty:
        return None
    day = next_draws["draw_date"].min()
    rows = next_draws[next_draws["draw_date"] == day]
    lines, scheduled, doubtful, cents = (int(rows[name].sum()) for name in ("lines", "scheduled", "lines_in_question", "in_question"))
    notice, stop = (None if pd.isna(end) else end.date() for end in (rows["notice_by"].min(), rows["last_day_to_stop"].min()))
    return Soonest(day.date(), lines, scheduled, doubtful, cents, notice, stop)
