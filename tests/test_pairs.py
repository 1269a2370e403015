"""Within a pass and a plan the number of pairs is the most possible, held against brute force and against networkx.

Each line fits one interval of days in each pass, so taking the earliest ending first gives the most pairs (F. Glover, Maximum matching in a
convex bipartite graph, Naval Research Logistics Quarterly 14, 1967: from memory; that is why it is held here).
"""

from __future__ import annotations

from itertools import combinations, product
from typing import TYPE_CHECKING

import networkx as nx  # type: ignore[import-untyped]  # (no stubs; a second opinion only)
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.attempts import EARLY, EXACT, LATE
from reconcile.draws import GROUPED, NOT_ON_SCHEDULE, TAKEN_TWICE, UNDECIDED, Matched, match_draws
from reconcile.returns import pair_returns
from reconcile.student_case import Case, CaseRules, CodeFacts, Event, Line

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

RULES = CaseRules(
    tolerance=0,
    group_size=3,
    near_percent=0,
    return_days=60,
    late_return_days=4,
    cleared_then_returned=True,
    add_banking_days=lambda day, count: day + count,
)
AMOUNT = 10_000
WINDOW, EARLY_DAYS, LATE_DAYS = 3, 2, 6
"""Days of a line here: early from two days before its date, a window of four days, late until day six."""

Span = tuple[int, int]


def line(at: int, day: int, amount: int = AMOUNT, *, window: int = WINDOW, late: int = LATE_DAYS) -> Line:
    """A line of plan 0 with that position and draw date."""
    name = str(at + 1)
    return Line(at, 0, (0, at + 1, name), name, "", "draw", amount, amount, day, day + window, day - EARLY_DAYS, day + late, True)


def event(at: int, day: int, amount: int = AMOUNT) -> Event:
    """Cleared money of plan 0 on that day."""
    return Event(at, 0, day, amount, "cleared", "", "", f"E{at:03d}", "", "", CodeFacts())


def matched(lines: Sequence[Line], events: Sequence[Event]) -> Matched:
    """The draws of one student with these lines and events."""
    case = Case(tuple(sorted(lines, key=lambda x: x.order)), tuple(sorted(events, key=lambda x: x.order)), RULES)
    return match_draws(case, pair_returns(case))


def pairs_of(found: Matched, match: str) -> list[tuple[int, int]]:
    """Event and line positions of a pass."""
    return [(pair.event, pair.line) for pair in found.pairs if pair.match == match]


SPANS: dict[str, Callable[[Line], Span]] = {
    EXACT: lambda x: (x.draw_date, x.window_end),
    LATE: lambda x: (x.window_end + 1, x.late_end),
    EARLY: lambda x: (x.early_from, x.draw_date - 1),
}


def most_by_brute_force(lines: Sequence[Line], events: Sequence[Event], span: Callable[[Line], Span]) -> int:
    """The most pairs of all ways to give each event one fitting line or none."""
    choices = [[None, *(x.at for x in lines if x.amount == e.amount and span(x)[0] <= e.settled <= span(x)[1])] for e in events]
    ways = (tuple(at for at in way if at is not None) for way in product(*choices))
    return max(len(way) for way in ways if len(set(way)) == len(way))


def most_by_networkx(lines: Sequence[Line], events: Sequence[Event], span: Callable[[Line], Span]) -> int:
    """The size of a maximum matching of the graph of fitting pairs."""
    graph = nx.Graph()
    graph.add_nodes_from(("event", e.at) for e in events)
    graph.add_edges_from(
        (("event", e.at), ("line", x.at)) for e in events for x in lines if x.amount == e.amount and span(x)[0] <= e.settled <= span(x)[1]
    )
    return len(nx.max_weight_matching(graph, maxcardinality=True))


def hold_each_pass(
    lines: Sequence[Line], events: Sequence[Event], most: Callable[[Sequence[Line], Sequence[Event], Callable[[Line], Span]], int]
) -> None:
    """Pass by pass: of what earlier passes left, the pairs are real fits, one to one, and the most possible."""
    found = matched(lines, events)
    open_lines, open_events = {x.at: x for x in lines}, {e.at: e for e in events}
    for match in (EXACT, LATE, EARLY):
        pairs = pairs_of(found, match)
        assert len(pairs) == most(list(open_lines.values()), list(open_events.values()), SPANS[match])
        for event_at, line_at in pairs:
            paid, of = open_lines.pop(line_at), open_events.pop(event_at)
            first, last = SPANS[match](paid)
            assert first <= of.settled <= last
            assert of.amount == paid.amount


def test_every_small_case_has_the_most_pairs() -> None:
    """All plans of up to three lines and all choices of up to three days, against every way to pair them."""
    days = range(-1, 10, 2)
    for lines in [some for size in (1, 2, 3) for some in combinations((0, 2, 3, 5), size)]:
        made = [line(at, day) for at, day in enumerate(lines)]
        for chosen in [some for size in (1, 2, 3) for some in combinations(days, size)]:
            hold_each_pass(made, [event(at, day) for at, day in enumerate(chosen)], most_by_brute_force)


cases = st.tuples(
    st.lists(st.tuples(st.integers(0, 40), st.sampled_from([AMOUNT, AMOUNT, 2 * AMOUNT]), st.integers(0, 9)), min_size=1, max_size=9),
    st.lists(st.tuples(st.integers(-5, 60), st.sampled_from([AMOUNT, AMOUNT, 2 * AMOUNT])), max_size=12),
)


@settings(max_examples=150, deadline=None)
@given(cases)
def test_random_cases_have_as_many_pairs_as_networkx_finds(case: tuple[list[tuple[int, int, int]], list[tuple[int, int]]]) -> None:
    """Lines with windows of different lengths, two amounts, many events: maximum cardinality in each pass."""
    lines = [line(at, day, amount, window=window, late=window + 5) for at, (day, amount, window) in enumerate(case[0])]
    hold_each_pass(lines, [event(at, day, amount) for at, (day, amount) in enumerate(case[1])], most_by_networkx)


def test_networkx_needs_to_be_asked_for_the_most_pairs() -> None:
    """a-x 10, a-y 3, b-x 3: one pair by weight alone, two with maxcardinality (run with networkx): what is compared above is the number."""
    graph = nx.Graph()
    graph.add_weighted_edges_from([("a", "x", 10), ("a", "y", 3), ("b", "x", 3)])
    assert len(nx.max_weight_matching(graph)) == 1
    assert len(nx.max_weight_matching(graph, maxcardinality=True)) == 2


def test_the_oldest_money_takes_the_line_whose_span_ends_first() -> None:
    """Three lines whose windows overlap, two events: the oldest lines are paid and the last is left."""
    found = matched([line(0, 0), line(1, 1), line(2, 2)], [event(0, 2), event(1, 3)])
    assert pairs_of(found, EXACT) == [(0, 0), (1, 1)]


def test_money_beyond_the_lines_is_left_with_its_reason() -> None:
    """One line, three events: the second lies in the window and was taken twice, the third lies outside."""
    found = matched([line(0, 0)], [event(0, 1), event(1, 2), event(2, 30)])
    assert pairs_of(found, EXACT) == [(0, 0)]
    assert found.loose == {1: TAKEN_TWICE, 2: NOT_ON_SCHEDULE}


# -- sums


def ways_to_sum(amounts: Sequence[int], wanted: int, size: int) -> list[tuple[int, ...]]:
    """All choices of two to `size` positions whose amounts add up."""
    chosen = (some for n in range(2, size + 1) for some in combinations(range(len(amounts)), n))
    return [some for some in chosen if sum(amounts[at] for at in some) == wanted]


@pytest.mark.parametrize(
    ("amounts", "ways"),
    [((30, 20, 50, 70), 2), ((30, 20, 50), 1), ((30, 70), 1), ((30, 20, 49), 0), ((50, 50, 50), 3), ((25, 25, 25, 25), 0)],
)
def test_a_sum_is_taken_only_if_there_is_one_way_to_make_it(amounts: tuple[int, ...], ways: int) -> None:
    """Of 30, 20, 50 and 70 two choices make 100 (run by hand): none is taken. Four quarters are more than the group size."""
    assert len(ways_to_sum(amounts, 100, RULES.group_size)) == ways
    found = matched([line(0, 0, 100)], [event(at, 1, amount) for at, amount in enumerate(amounts)])
    assert len(pairs_of(found, GROUPED)) == (len(ways_to_sum(amounts, 100, RULES.group_size)[0]) if ways == 1 else 0)
    assert (UNDECIDED in found.loose.values()) == (ways > 1)
    assert found.undecided_lines == (frozenset({0}) if ways > 1 else frozenset())


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(1, 9).map(lambda n: n * 10), min_size=1, max_size=7))
def test_random_sums_are_taken_only_if_there_is_one_way_to_make_them(amounts: list[int]) -> None:
    """Against every subset: one way is taken whole, several ways leave just the events of these ways undecided."""
    ways = ways_to_sum(amounts, 100, RULES.group_size)
    found = matched([line(0, 0, 100)], [event(at, 1, amount) for at, amount in enumerate(amounts)])
    grouped = {event_at for event_at, _line in pairs_of(found, GROUPED)}
    assert grouped == (set(ways[0]) if len(ways) == 1 else set())
    undecided = {at for at, reason in found.loose.items() if reason == UNDECIDED}
    assert undecided == ({at for way in ways for at in way} if len(ways) > 1 else set())


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(1, 3).map(lambda n: n * 100), min_size=2, max_size=6), st.integers(2, 9).map(lambda n: n * 100))
def test_one_sum_over_neighbouring_lines_is_taken_only_if_there_is_one_way(amounts: list[int], paid: int) -> None:
    """Against every run of two or three neighbours of that sum."""
    lines = [line(at, at, amount, late=30) for at, amount in enumerate(amounts)]
    if paid in amounts:
        return
    runs = [
        range(first, first + size)
        for size in (2, 3)
        for first in range(len(amounts) - size + 1)
        if sum(amounts[first : first + size]) == paid
    ]
    found = matched(lines, [event(0, 10, paid)])
    assert sorted(line_at for _event, line_at in pairs_of(found, GROUPED)) == (list(runs[0]) if len(runs) == 1 else [])
    assert found.undecided_lines == (frozenset(at for run in runs for at in run) if len(runs) > 1 else frozenset())
