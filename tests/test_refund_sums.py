"""Refunds cut in another way at the bank than on the ledger: which cents are the same money."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from reconcile.refund_sums import Refund, Same, same_refunds

WHO = ("S1", "2026-FA")


def refund(day: int, size: int, at: int, undid: int = 0) -> Refund:
    """A refund of the one student and term."""
    return Refund(WHO, day, size, undid, at)


def test_equal_sums_pair_whole_whatever_the_cut() -> None:
    """1,000.00 and 1,400.00 at the bank are the 2,400.00 of the ledger."""
    found = same_refunds([refund(1, 100_000, 0, 100_000), refund(2, 140_000, 1, 140_000)], [refund(2, 240_000, 7)], 25)
    assert found == [Same(0, 7, 100_000, whole=True), Same(1, 7, 140_000, whole=True)]


def test_other_sums_pair_by_cents_and_say_so() -> None:
    """Of 2,400.00 at the bank and 1,000.00 on the ledger 1,000.00 are the same, in part."""
    assert same_refunds([refund(1, 240_000, 0, 240_000)], [refund(2, 100_000, 7)], 25) == [Same(0, 7, 100_000, whole=False)]


def test_a_refund_far_before_the_banks_is_another_one() -> None:
    """A posting a month before the bank's refund pairs with nothing; one a month after it does."""
    assert same_refunds([refund(40, 240_000, 0, 240_000)], [refund(1, 240_000, 7)], 25) == []
    assert same_refunds([refund(1, 240_000, 0, 240_000)], [refund(40, 240_000, 7)], 25) == [Same(0, 7, 240_000, whole=True)]


REFUNDS = st.lists(st.tuples(st.integers(0, 60), st.integers(1, 6), st.integers(0, 6)), max_size=4)


@given(REFUNDS, REFUNDS)
def test_no_cent_counts_twice(given_back: list[tuple[int, int, int]], booked: list[tuple[int, int, int]]) -> None:
    """No more of an event pairs than it undid, no more of a posting than it is of."""
    events = [refund(day, size, at, min(size, undid)) for at, (day, size, undid) in enumerate(given_back)]
    postings = [refund(day, size, at) for at, (day, size, _undid) in enumerate(booked)]
    found = same_refunds(events, postings, 25)
    assert all(sum(one.cents for one in found if one.event == event.at) <= event.undid for event in events)
    assert all(sum(one.cents for one in found if one.posting == posting.at) <= posting.size for posting in postings)
