"""Columns that must never be read are told apart from those that only have as many figures."""

from __future__ import annotations

import random
from typing import Any

import pyarrow as pa  # type: ignore[import-untyped]
import pytest

from reconcile.schemas import EXPORTS
from reconcile.sensitive import looks_sensitive, passes_check_figure


def texts(values: list[str]) -> Any:
    return pa.array(values, type=pa.string())


def with_check_figure(start: str) -> str:
    """A number whose last figure is made to pass the check."""
    return next(start + figure for figure in "0123456789" if passes_check_figure(start + figure))


NONE = texts([])


@pytest.mark.parametrize(
    "heading",
    [
        "SSN",
        "Student SSN",
        "Social Security No.",
        "soc_sec_num",
        "Tax ID",
        "ITIN",
        "Account Number",
        "Bank Acct #No",
        "Payer account number",
        "Bank Account",
        "Routing",
        "Routing Transit Number",
        "ABA no",
        "IBAN",
        "Card Number",
        "Credit Card",
        "PAN",
        "CVV2",
    ],
)
def test_headings_that_name_such_numbers(heading: str) -> None:
    """The heading is enough, whatever the cells hold."""
    assert looks_sensitive(heading, NONE) is not None


@pytest.mark.parametrize(
    "heading", ["Account", "Card fee", "Method", "Panel", "Return code", "Trace number", "Batch routing date", "Discard", "RTN", "Fund"]
)
def test_headings_that_only_sound_alike(heading: str) -> None:
    """Other headings pass."""
    assert looks_sensitive(heading, NONE) is None


def test_standard_headings_pass() -> None:
    """No standard column may ever stop a run by its name."""
    for export in EXPORTS.values():
        for name in export.names:
            assert looks_sensitive(name, NONE) is None, name


def test_cells_in_the_form_of_a_social_security_number() -> None:
    """Most filled cells in the dashed form are enough; a few are not."""
    assert looks_sensitive("ID", texts(["123-45-6789", " 987-65-4321 ", "", "078-05-1120"])) is not None
    assert looks_sensitive("ID", texts(["123-45-6789", "12345678", "12345679", "12345670"])) is None
    assert looks_sensitive("ID", texts(["123-45-6789", "123-45-6780"])) is None


def test_nine_bare_figures_need_a_hint() -> None:
    """Student numbers of eight or nine figures and plan numbers pass; under a heading that hints, nine figures do not."""
    nine = texts([f"{n:09d}" for n in range(900_000_000, 900_000_050)])
    assert looks_sensitive("Student ID", nine) is None
    assert looks_sensitive("plan_id", texts([f"{n:08d}" for n in range(50)])) is None
    assert looks_sensitive("Old SSN or new", nine) is not None


def test_card_numbers_by_their_check_figure() -> None:
    """Card numbers, spaced or dashed too, are found; 4111 1111 1111 1111 is the test number that card networks publish (from memory)."""
    world = random.Random(7)
    cards = [with_check_figure("4" + "".join(world.choices("0123456789", k=14))) for _ in range(50)]
    assert looks_sensitive("Ref", texts(cards)) is not None
    assert looks_sensitive("Ref", texts(["-".join(c[i : i + 4] for i in range(0, 16, 4)) for c in cards])) is not None
    assert looks_sensitive("Ref", texts(["4111 1111 1111 1111"] * 3)) is not None
    assert looks_sensitive("Ref", texts(cards[:30] + [f"D{i}" for i in range(20)])) is None


def test_trace_numbers_of_bank_entries_pass() -> None:
    """Fifteen figures, of which one in ten passes the check by chance, are references."""
    world = random.Random(8)
    assert looks_sensitive("reference", texts(["".join(world.choices("0123456789", k=15)) for _ in range(500)])) is None
    assert looks_sensitive("reference", texts([f"4111111{n:08d}" for n in range(500)])) is None


def test_a_long_column_is_looked_at_throughout() -> None:
    """Numbers that begin far down, and mostly blank columns, are seen."""
    assert looks_sensitive("ID", texts([""] * 60_000 + ["123-45-6789"] * 40_000)) is not None
