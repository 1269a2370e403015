"""Where the bars of the page's pictures stand: percent of a width and pixels of a height, in whole numbers, from figures worked out before.

Widths are percentages, so that a picture fits any window without its letters shrinking. No money is worked out here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from reconcile.money import people_money

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from reconcile.page_figures import Apart, DrawMonth, TermMonths

PLOT_HEIGHT: Final = 200
PLOT_TOP: Final = 14
FLOOR: Final = PLOT_TOP + PLOT_HEIGHT
LEAST_PIXELS: Final = 3
"""A part that is there at all is drawn at least this high, so that a few failed draws are seen beside much cleared money."""
MOST_LABELS: Final = 10
"""So many months still have a label each in a narrow window."""
WHOLE: Final = 10_000
"""The full width, in hundredths of a percent."""

MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
STACK: Final = ("cleared", "in_transit", "pending", "not_seen", "failed")
"""Parts of a column from the bottom up."""
STACK_WORDS: Final = {
    "cleared": "cleared",
    "in_transit": "in transit",
    "pending": "still to come",
    "not_seen": "not seen",
    "failed": "failed",
}


class Rect(NamedTuple):
    """One bar: left and width as percentages of the picture, top and height in pixels, its class and what it says when pointed at."""

    x: str
    width: str
    y: int
    height: int
    look: str
    told: str


class Tick(NamedTuple):
    """A line across the plot, or a label below it, with its place and words."""

    at: str
    y: int
    words: str
    more: str = ""


class Columns(NamedTuple):
    """The picture of one term's months: bars, lines across, labels below, and where the as-of day stands ("" outside the months)."""

    rects: tuple[Rect, ...]
    lines: tuple[Tick, ...]
    labels: tuple[Tick, ...]
    as_of: str


def day_words(day: date) -> str:
    """A day in words.

    >>> from datetime import date
    >>> day_words(date(2026, 11, 3))
    '3 November 2026'
    """
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def month_words(month: str) -> str:
    """A month in words.

    >>> month_words("2026-08")
    'August 2026'
    """
    return f"{MONTHS[int(month[5:]) - 1]} {month[:4]}"


def percent(part: int, whole: int) -> str:
    """A share as a percentage with two places, never below zero.

    >>> percent(1, 3), percent(0, 0)
    ('33.33%', '0.00%')
    """
    share = max(0, part * WHOLE // whole) if whole > 0 else 0
    return f"{share // 100}.{share % 100:02d}%"


def bar(parts: Sequence[tuple[int, str]], whole: int) -> list[tuple[str, str, str]]:
    """A stacked bar that lies: left, width and class of each part that is there; `whole` is the full width."""
    found, at = [], 0
    for size, look in parts:
        if size > 0:
            found.append((percent(at, whole), percent(size, whole), look))
            at += size
    return found


def apart_bars(apart: Apart) -> list[tuple[list[tuple[str, str, str]], str]]:
    """For each cause its bars to the left (short) and to the right (over) of one line, and where that line stands."""
    left = max((-cause.short for cause in apart.causes), default=0)
    whole = left + max((cause.over for cause in apart.causes), default=0)
    zero = percent(left, whole)
    found = []
    for cause in apart.causes:
        bars = []
        if cause.short:
            bars.append((percent(left + cause.short, whole), percent(-cause.short, whole), "short"))
        if cause.over:
            bars.append((zero, percent(cause.over, whole), "over"))
        found.append((bars, zero))
    return found


def columns(term: TermMonths, as_of: date) -> Columns:
    """The picture of one term: a column a month, stacked by what became of its draws."""
    most = max((sum(max(0, getattr(month, part)) for part in STACK) for month in term.months), default=0)
    step = _step(most)
    top = max(step, -(-most // step) * step) if step else 1
    band = WHOLE // max(1, len(term.months))
    every = 1 + len(term.months) // MOST_LABELS
    rects: list[Rect] = []
    labels: list[Tick] = []
    year = mark = ""
    for at, month in enumerate(term.months):
        rects += _column(month, at * band + band // 5, band * 3 // 5, top)
        if at % every == 0:
            words, shown = MONTHS[int(month.month[5:]) - 1][:3], month.month[:4]
            labels.append(Tick(percent(at * band + band // 2, WHOLE), FLOOR + 18, words, shown if shown != year else ""))
            year = shown
        if month.month == f"{as_of.year}-{as_of.month:02d}":
            mark = percent(at * band + band * as_of.day // 31, WHOLE)
    steps = range(0, top + 1, step) if step else (0,)
    lines = tuple(Tick("0", FLOOR - PLOT_HEIGHT * cents // top, f"{cents // 100:,}") for cents in steps)
    return Columns(tuple(rects), lines, tuple(labels), mark)


def _column(month: DrawMonth, left: int, width: int, top: int) -> Iterator[Rect]:
    """The parts of one month from the floor up; `top` is the cents at the upper end of the plot."""
    floor = FLOOR
    for part in STACK:
        cents = getattr(month, part)
        if cents > 0:
            height = max(LEAST_PIXELS, PLOT_HEIGHT * cents // top)
            floor -= height
            told = f"{month_words(month.month)}, {STACK_WORDS[part]}: {people_money(cents)}"
            yield Rect(percent(left, WHOLE), percent(width, WHOLE), floor, height, part, told)


def _step(most: int) -> int:
    """A round step in cents, so that two to five of them reach the top.

    >>> _step(48_690_327), _step(90_000), _step(0)
    (10000000, 20000, 0)
    """
    if most <= 0:
        return 0
    size = 100
    while True:
        for factor in (1, 2, 5):
            if size * factor * 5 >= most:
                return size * factor
        size *= 10
