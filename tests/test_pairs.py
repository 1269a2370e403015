"""Within a pass and a plan the number of pairs is the most possible, held against brute force and against networkx.

Each line fits one interval of days in each pass, so taking the earliest ending first gives the most pairs (F. Glover, Maximum matching in a
convex bipartite graph, Naval Research Logistics Quarterly 14, 1967: from memory; that is why it is held here).
"""

from __future__ import annotations

import random
from itertools import combinations, product
from typing import TYPE_CHECKING

import networkx as nx  # type: ignore[import-untyped]  # (no stubs; a second opinion only)
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import maximum_bipartite_matching

from reconcile.attempts import EARLY, EXACT, GROUPED, LATE
from reconcile.draws import NOT_ON_SCHEDULE, TAKEN_TWICE, UNDECIDED, Matched, match_draws
from reconcile.most_pairs import most_pairs
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


# -- at scale


def graph_of(lines: Sequence[Line], events: Sequence[Event], span: Callable[[Line], Span]) -> csr_matrix:
    """Which event (row) fits which line (column), as a sparse matrix."""
    first, last = np.array([span(x) for x in lines]).reshape(-1, 2).T
    settled, paid = np.array([[e.settled, e.amount] for e in events]).reshape(-1, 2).T[:, :, None]
    return csr_matrix((first <= settled) & (settled <= last) & (paid == np.array([x.amount for x in lines])))


def most_by_scipy_and_networkx(lines: Sequence[Line], events: Sequence[Event], span: Callable[[Line], Span]) -> int:
    """The size of a maximum matching, by two libraries that must agree."""
    if not lines or not events:
        return 0
    fits = graph_of(lines, events, span)
    by_scipy = int((maximum_bipartite_matching(fits, perm_type="column") >= 0).sum())
    graph = nx.bipartite.from_biadjacency_matrix(fits)
    by_networkx = len(nx.bipartite.hopcroft_karp_matching(graph, top_nodes=range(len(events)))) // 2
    assert by_scipy == by_networkx
    return by_scipy


def group(seed: int, size: int, days: int, amounts: int) -> tuple[list[Line], list[Event]]:
    """So many equal lines over so many days with windows of every length, and a fifth more events than lines."""
    rng = random.Random(seed)
    lines = []
    for at in range(size):
        window = rng.randint(0, 9)
        lines.append(line(at, rng.randint(0, days), AMOUNT * rng.randint(1, amounts), window=window, late=window + rng.randint(1, 12)))
    return lines, [event(at, rng.randint(-5, days + 15), AMOUNT * rng.randint(1, amounts)) for at in range(size * 6 // 5)]


@pytest.mark.parametrize(("seed", "size", "days", "amounts"), [(1, 800, 800, 1), (2, 500, 60, 1), (3, 700, 300, 3), (4, 900, 4_000, 1)])
def test_large_groups_have_the_most_pairs(seed: int, size: int, days: int, amounts: int) -> None:
    """Hundreds of lines of one plan, most of equal amount, crowded or sparse: the most pairs in each pass by two libraries."""
    hold_each_pass(*group(seed, size, days, amounts), most_by_scipy_and_networkx)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(10, 14))
def test_thousands_of_lines_have_the_most_pairs(seed: int) -> None:
    """Two thousand lines of one amount and more events than lines."""
    hold_each_pass(*group(seed, 2_000, 2_500, 1), most_by_scipy_and_networkx)


def test_a_thousand_equal_draws_in_one_window_are_paired() -> None:
    """Any of them fits any event: each event but one finds a line, and the last is told as taken twice."""
    found = matched([line(at, 0) for at in range(1_000)], [event(at, 1) for at in range(1_001)])
    assert len(pairs_of(found, EXACT)) == 1_000
    assert list(found.loose.values()) == [TAKEN_TWICE]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.lists(st.integers(0, 9), max_size=4, unique=True), max_size=10), st.integers(0, 2**30))
def test_the_most_pairs_are_found_where_lines_fit_no_interval(fits: list[list[int]], seed: int) -> None:
    """Any graph of events and lines, in one stage or in two: as many pairs as scipy finds, each a fit, one to one."""
    rng = random.Random(seed)
    lines, events = [line(at, at) for at in range(10)], [event(at, 0) for at in range(len(fits))]
    cut = [rng.randint(0, len(row)) for row in fits]
    one = {at: [lines[x] for x in row] for at, row in enumerate(fits)}
    two = [{at: row[: cut[at]] for at, row in one.items()}, {at: row[cut[at] :] for at, row in one.items()}]
    dense = np.zeros((len(fits), 10), dtype=bool)
    for at, row in enumerate(fits):
        dense[at, row] = True
    most = int((maximum_bipartite_matching(csr_matrix(dense), perm_type="column") >= 0).sum()) if fits else 0
    for stages in ([one], two):
        holder = most_pairs(events, stages)
        assert len(holder) == len(set(holder.values())) == most
        assert all(line_at in fits[event_at] for line_at, event_at in holder.items())


def test_a_line_goes_to_the_first_event_and_moves_only_for_another_pair() -> None:
    """Event 0 fits lines 0 and 1, event 1 only line 0: event 0 moves over. Event 2 fits line 0 too: it stays without, and nobody moves."""
    lines, events = [line(at, at) for at in range(2)], [event(at, 0) for at in range(3)]
    assert most_pairs(events, [{0: lines, 1: lines[:1], 2: lines[:1]}]) == {1: 0, 0: 1}
    assert most_pairs(events[:1], [{0: lines}]) == {0: 0}


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


@pytest.mark.parametrize(
    ("amounts", "undecided"),
    [
        ([50] * 13, True),  # the two smallest come to just 100
        ([5] * 10 + [40, 30, 30], True),  # the three largest do
        ([51] * 13, False),  # any two are more
        ([33] * 13, False),  # any three are less
        ([10] * 11 + [50, 50], True),  # one too many, though there is one way
    ],
)
def test_too_many_sums_are_never_guessed(amounts: list[int], undecided: bool) -> None:
    """More than twelve sums that may pay a line of 100 are all undecided, if two or three of them could come to it at all."""
    found = matched([line(0, 0, 100)], [event(at, 1, amount) for at, amount in enumerate(amounts)])
    assert pairs_of(found, GROUPED) == []
    assert found.undecided_lines == (frozenset({0}) if undecided else frozenset())
    assert [reason == UNDECIDED for reason in found.loose.values()] == [undecided] * len(amounts)


def test_one_line_with_too_many_sums_keeps_no_other_from_its_own() -> None:
    """Plan 0 has thirteen sums for its line; plan 1's line after it has two that make it, and they are taken."""
    mine = [event(at, 1, 50) for at in range(13)]
    other = [event(13 + at, 31, amount)._replace(plan=1) for at, amount in enumerate((30, 40))]
    found = matched([line(0, 0, 100), line(1, 30, 70)._replace(plan=1)], [*mine, *other])
    assert pairs_of(found, GROUPED) == [(13, 1), (14, 1)]
    assert found.undecided_lines == frozenset({0})


def test_a_line_with_too_many_sums_is_not_paid_together_with_its_neighbour() -> None:
    """One sum of 170 would pay both lines, but the first of them is undecided: all three are for a person to decide."""
    events = [*(event(at, 1, 50) for at in range(13)), event(13, 2, 170)]
    found = matched([line(0, 0, 100), line(1, 1, 70)], events)
    assert pairs_of(found, GROUPED) == []
    assert found.undecided_lines == frozenset({0, 1})
    assert set(found.loose.values()) == {UNDECIDED}


def test_twelve_sums_are_looked_at_one_by_one() -> None:
    """Ten of 10 and two of 50: one way to make 100, which is taken."""
    found = matched([line(0, 0, 100)], [event(at, 1, amount) for at, amount in enumerate([10] * 10 + [50, 50])])
    assert pairs_of(found, GROUPED) == [(10, 0), (11, 0)]


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
