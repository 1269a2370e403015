"""Bridges between figures of a close that look alike: each by hand, and what the summary and the packet show of them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from close_case import close_tables, shown, table
from small_closes import billed, event, known_by, plan, two_closes

from reconcile.bridges import ITEMS, apart
from reconcile.deliver.close_summary import close_summary
from reconcile.deliver.packet import packet_data

if TYPE_CHECKING:
    from build import Row

    from reconcile.run import Result


def office() -> dict[str, list[Row]]:
    """Five plans: C1 by card, B1 to B4 by bank, and bank money beside them.

    C1   September 1,025.00 with the card fee of 2.50 percent, all of it back in October.
    B1   September cleared, 300.00 of it back in October: the draw stays, in part.
    B2   September cleared, back in October, and cleared again.
    B3   October brought 600.00 of 1,000.00.
    B4   October was not seen, and August came back in August: 1,000.00 each.
    """
    august = [event("2026-08-11", name, 100_000, f"{name}-8") for name in ("B1", "B2", "B3")]
    september = [event("2026-09-11", name, 100_000, f"{name}-9") for name in ("B1", "B2", "B3", "B4")]
    october = [event("2026-10-14", name, 100_000, f"{name}-10") for name in ("B1", "B2")]
    card: Any = {"method": "card"}
    return {
        "charges": [billed(f"S{n}", 500_000) for n in range(1, 6)],
        "plan_schedules": [row for n in range(1, 5) for row in plan(f"B{n}", f"S{n}")] + plan("C1", "S5", **card),
        "cleared_draws": [
            *(*august, *september, *october),
            event("2026-08-11", "B4", 100_000, "B4-8"),
            event("2026-08-13", "B4", 100_000, "B4-8R", "returned", return_code="R01", original_reference="B4-8"),
            *(event(day, "C1", 102_500, f"C1-{day[5:7]}", **card) for day in ("2026-08-12", "2026-09-14", "2026-10-15")),
            event("2026-10-05", "C1", 102_500, "C1-9R", "returned", original_reference="C1-09", **card),
            event("2026-10-06", "B1", 30_000, "B1-9R", "returned", return_code="R01", original_reference="B1-9"),
            event("2026-10-05", "B2", 100_000, "B2-9R", "returned", return_code="R01", original_reference="B2-9"),
            event("2026-10-20", "B2", 100_000, "B2-9B", line="2"),
            event("2026-10-14", "B3", 60_000, "B3-10", line="3"),
            event("2026-10-16", "B1", 7_525, "PAY", kind="payment"),
            event("2026-10-19", "B999", 5_000, "WHO"),
        ],
    }


@pytest.fixture(scope="module")
def closed() -> tuple[Result, Result]:
    """September and October."""
    from small_closes import SEPTEMBER

    return two_closes(known_by(SEPTEMBER, office()), office())


def bridge(result: Result, name: str) -> dict[str, int]:
    """The items of a bridge that are not zero, with cents."""
    rows = result.tables["bridges"]
    return {item: int(cents) for item, cents in rows.loc[rows["bridge"] == name, ["item", "amount"]].itertuples(index=False) if cents}


def test_what_came_back_after_the_close(closed: tuple[Result, Result]) -> None:
    """The list tells 1,025.00 + 300.00 + 1,000.00; open again is C1's draw alone, at its schedule of 1,000.00."""
    assert bridge(closed[0], "come back after a close") == {}
    assert bridge(closed[1], "come back after a close") == {
        "returned after clearing in the roll-forward": 100_000,
        "in part, or taken, moved or cancelled since": 130_000,
        "card fees taken back": 2_500,
        "return after the close in exceptions.csv": 232_500,
    }


def test_what_a_draw_that_came_in_part_lacks(closed: tuple[Result, Result]) -> None:
    """B1 lacks 300.00 of September, B3 400.00 of October; neither is open in the roll-forward, and neither has an age."""
    assert bridge(closed[1], "uncleared part") == {
        "scheduled of draws that came in part": 200_000,
        "what of them came": -130_000,
        "uncleared part in the tie-out": 70_000,
    }
    assert not {"B1", "B3"} & set(closed[1].tables["open_items"]["plan_id"])


def test_failed_money_here_and_in_the_draws(closed: tuple[Result, Result]) -> None:
    """B4's August and October and C1's September, 3,000.00, in both: no plan was adjusted."""
    assert bridge(closed[1], "failed and not seen") == {"open in the roll-forward": 300_000, "failed and not seen in draws.csv": 300_000}
    assert "failed and not seen" not in apart(closed[1].tables["bridges"])


def test_an_adjusted_plan_takes_what_failed() -> None:
    """B4's later draws were raised by what August did not bring: the draws still say 1,000.00 failed, the roll-forward none of it."""
    before, now = office(), office()
    for rows in (before, now):
        rows["cleared_draws"] = [row for row in rows["cleared_draws"] if row["plan_id"] == "B4"]
        rows["plan_schedules"] = plan("B4", "S4")
    now["cleared_draws"].append(event("2026-10-14", "B4", 100_000, "B4-10"))
    for row in now["plan_schedules"][3:]:
        row["amount"] += 50_000
    first, second = two_closes(before, now)
    assert bridge(first, "failed and not seen")["open in the roll-forward"] == 100_000
    assert bridge(second, "failed and not seen") == {
        "taken by other lines of adjusted plans": 100_000,
        "failed and not seen in draws.csv": 100_000,
    }


def test_from_the_deposits_to_the_bank_of_the_tie_out(closed: tuple[Result, Result]) -> None:
    """Two card fees of 25.00 stayed; a payment and money of an unknown plan are no draws.

    Deposits: 3 + 4 + 2 thousand by bank, B4's August in and out, B1's 300.00 and B2's 1,000.00 out, 1,000.00 + 600.00 in, 75.25 + 50.00,
    and two card draws of 1,025.00.
    """
    deposits = 300_000 + 400_000 + 200_000 - 30_000 - 100_000 + 100_000 + 60_000 + 7_525 + 5_000 + 2 * 102_500
    assert bridge(closed[1], "bank") == {
        "net of settlement_days.csv": deposits,
        "card fees": -5_000,
        "payments outside plans": -7_525,
        "of unknown students or plans": -5_000,
        "bank in the tie-out": deposits - 5_000 - 7_525 - 5_000,
    }


def test_every_bridge_is_a_line_of_proof(closed: tuple[Result, Result]) -> None:
    """One for each, and none is left out of the file."""
    proof = closed[1].tables["proof"]
    names = set(proof.loc[proof["name"].str.startswith("bridges: "), "name"])
    assert names == {f"bridges: {name}, items = {items[-1]}" for name, items in ITEMS.items()}
    assert list(closed[1].tables["bridges"]["item"]) == [item for items in ITEMS.values() for item in items]


def test_summary_and_packet_show_them(closed: tuple[Result, Result]) -> None:
    """Both show bridges whose ends differ, with every item that is not zero; a close without any shows none."""
    given = shown(tables=closed[1].tables)
    printed = close_summary(given.tables, {}, given.about)
    assert "come back after a close  returned after clearing in the roll-forward   1,000.00" in printed
    assert "card fees taken back" in printed
    (section,) = [one for one in packet_data(given)["sections"] if one["title"] == "Figures that look alike"]
    assert ["", "card fees taken back", "25.00"] in section["tables"][0]["rows"]
    empty = shown(tables=close_tables() | {"bridges": table("bridges")})
    assert "look alike" not in close_summary({**closed[1].tables, "bridges": table("bridges")}, {}, empty.about)
    assert all(one["title"] != "Figures that look alike" for one in packet_data(empty)["sections"])
