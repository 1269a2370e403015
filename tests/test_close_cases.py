"""Months that an office closes: down payments, fee lines, plans cancelled while money comes, a term that is over, postings of returns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from small_closes import OCTOBER, RULES, SEPTEMBER, billed, closed, event, known_by, moves_of, plan, two_closes

if TYPE_CHECKING:
    from datetime import date

    from build import Row

    from reconcile.run import Result

CANCELLED: Any = {"line_status": "cancelled", "cancelled_on": "2026-10-12"}


def office(lines: list[Row], events: list[Row], **more: list[Row]) -> dict[str, list[Row]]:
    """One student with these plan lines and bank events."""
    return {"charges": [billed("S1", 500_000)], "plan_schedules": lines, "cleared_draws": events} | more


def closed_twice(rows: dict[str, list[Row]], october: list[Row] | None = None) -> tuple[Result, Result]:
    """September and October; in October the plan lines may be others."""
    later = rows if october is None else rows | {"plan_schedules": october}
    return two_closes(known_by(SEPTEMBER, rows), later)


def late_enrolled() -> list[Row]:
    """Enrolled on 20 August: 1,250.00 down on that day, four draws of 937.50."""
    whole = {"plan_id": "P1", "student_id": "S1", "term": "2026-FA", "enrolled_on": "2026-08-20", "plan_total": 500_000}
    draws = [
        whole | {"line": str(n), "draw_date": day, "amount": 93_750}
        for n, day in enumerate(("2026-09-10", "2026-10-10", "2026-11-10", "2026-12-10"), 1)
    ]
    return [whole | {"line": "D", "kind": "down payment", "draw_date": "2026-08-20", "amount": 125_000}, *draws]


def test_a_down_payment_moves_as_any_line() -> None:
    """Cleared in August it is cleared at schedule in the first close; returned in October, it is open and has its age."""
    down = [event("2026-08-21", "P1", 125_000, "D1"), event("2026-09-11", "P1", 93_750, "P1-1"), event("2026-10-14", "P1", 93_750, "P1-2")]
    back = event("2026-10-20", "P1", 125_000, "D1R", "returned", return_code="R10", original_reference="D1")
    first, second = closed_twice(office(late_enrolled(), [*down, back]))
    assert moves_of(first, "P1")["D", "cleared at schedule"] == -125_000
    assert moves_of(second, "P1", "failed and not seen") == {("D", "returned after clearing"): 125_000}
    items = second.tables["open_items"]
    assert items[["line", "kind", "open", "age_days", "age"]].to_numpy().tolist() == [["D", "down payment", 125_000, 11, "0-30 days"]]
    told = second.tables["exceptions"]
    assert told.loc[told["kind"] == "return after the close", "amount"].tolist() == [125_000]


def test_a_fee_line_rolls_forward_and_is_no_draw_money() -> None:
    """The enrollment fee of 45.00 is no part of the bill: it is pending and cleared in the roll-forward, and in no student's balance."""
    fee = plan("P1", "S1")[0] | {"line": "F", "kind": "fee", "draw_date": "2026-10-10", "amount": 4_500}
    first, second = closed_twice(office([fee, *plan("P1", "S1")], [event("2026-10-14", "P1", 4_500, "F1", kind="fee")]))
    assert moves_of(second, "P1")["F", "cleared at schedule"] == -4_500
    assert first.tables["students"]["pending_draws"].sum() == 300_000
    rolled = first.tables["rollforward"]
    assert rolled.loc[(rolled["money"] == "pending") & (rolled["item"] == "closing"), "amount"].sum() == 304_500
    assert second.tables["students"]["draws_cleared"].sum() == 0


def test_a_plan_cancelled_while_its_money_came() -> None:
    """Cancelled on 12 October; October's draw cleared on the 14th all the same: cancelled at the close, money on a cancelled line, told."""
    lines = plan("P1", "S1")
    events = [event("2026-08-11", "P1", 100_000, "1"), event("2026-09-11", "P1", 100_000, "2"), event("2026-10-14", "P1", 100_000, "3")]
    gone = [row | (CANCELLED if number > 2 else {}) for number, row in enumerate(lines, 1)]
    second = closed_twice(office(lines, events), gone)[1]
    moves = moves_of(second, "P1")
    assert {key: cents for key, cents in moves.items() if key[0] in {"4", "5"}} == {
        ("4", "cancelled"): -100_000,
        ("5", "cancelled"): -100_000,
    }
    assert moves["3", "cleared at schedule"] == -100_000
    told = second.tables["exceptions"]
    assert told.loc[told["kind"] == "draw after cancellation", "amount"].tolist() == [100_000]
    changes = second.tables["plan_changes"]
    assert changes[["line", "change", "amount"]].to_numpy().tolist() == [[n, "line cancelled", -100_000] for n in ("3", "4", "5")]
    assert {str(day.date()) for day in changes["dated"]} == {"2026-10-12"}
    assert second.tables["students"]["draws_cleared"].sum() == 300_000


def test_a_plan_cancelled_before_its_money_came_back() -> None:
    """September's draw had cleared, the plan was cancelled, and the draw came back: no promise is open, and the return is told."""
    lines = plan("P1", "S1")
    events = [event("2026-08-11", "P1", 100_000, "1"), event("2026-09-11", "P1", 100_000, "2")]
    back = event("2026-10-13", "P1", 100_000, "2R", "returned", return_code="R01", original_reference="2")
    gone = [row | (CANCELLED if number > 1 else {}) for number, row in enumerate(lines, 1)]
    second = closed_twice(office(lines, [*events, back]), gone)[1]
    assert second.tables["draws"].set_index("line").loc["2", "state"] == "cancelled"
    assert moves_of(second, "P1", "failed and not seen") == {}
    assert came_back(second) == {
        "in part, or taken, moved or cancelled since": 100_000,
        "return after the close in exceptions.csv": 100_000,
    }
    told = second.tables["exceptions"].set_index("kind").loc["return after the close"]
    assert (told["line"], told["amount"]) == ("2", 100_000)
    assert "1,000.00 of the draw of 2026-09-10, cleared in a closed month, came back on 2026-10-13" in told["what"]


def came_back(result: Result) -> dict[str, int]:
    """The bridge of what came back after a close, without zeros."""
    rows = result.tables["bridges"]
    own = rows[(rows["bridge"] == "come back after a close") & (rows["amount"] != 0)]
    return {item: int(cents) for item, cents in own[["item", "amount"]].itertuples(index=False)}


def test_a_line_taken_out_of_the_plan_before_its_money_came_back() -> None:
    """The same, but the export of October no longer holds the line: it is told as the close before had it."""
    lines = plan("P1", "S1")
    events = [event("2026-08-11", "P1", 100_000, "1"), event("2026-09-11", "P1", 100_000, "2")]
    back = event("2026-10-13", "P1", 100_000, "2R", "returned", return_code="R01", original_reference="2")
    second = closed_twice(office(lines, [*events, back]), [lines[0]])[1]
    told = second.tables["exceptions"].set_index("kind").loc["return after the close"]
    assert (told["plan_id"], told["line"], told["amount"]) == ("P1", "2", 100_000)
    assert "Student S1, plan P1, line 2: 1,000.00 of the draw of 2026-09-10, cleared in a closed month" in told["what"]
    assert came_back(second)["return after the close in exceptions.csv"] == 100_000


def test_a_term_that_is_over_stays_open_until_its_money_is_there() -> None:
    """All draws of the fall cleared but November's, which failed: months later it is the one open item, and grows old."""
    from datetime import date

    from close_worlds import before

    lines = plan("P1", "S1")
    events = [event(day, "P1", 100_000, day) for day in ("2026-08-11", "2026-09-11", "2026-10-14", "2026-12-11")]
    events.append(event("2026-11-12", "P1", 100_000, "R", "returned", return_code="R01", line="4"))
    rows = office(lines, events)
    previous, ages = None, []
    for day in (date(2026, 12, 31), date(2027, 1, 31), date(2027, 2, 28), date(2027, 3, 31)):
        result = closed(rows, day, previous)
        previous = before(result, f"{day}-close")
        items = result.tables["open_items"]
        ages.append((items["line"].tolist(), items["open"].tolist(), items["age"].tolist()))
    assert ages == [(["4"], [100_000], [age]) for age in ("31-60 days", "61-90 days", "over 90 days", "over 90 days")]


def ledger(*rows: tuple[str, int, str]) -> list[Row]:
    """Plan draw postings: day, cents, reference."""
    return [
        {"student_id": "S1", "term": "2026-FA", "posted_on": day, "kind": "plan draw", "amount": cents, "reference": reference}
        for day, cents, reference in rows
    ]


def tied(result: Result) -> dict[str, int]:
    """The items between bank and student ledger, over all draw dates."""
    table = result.tables["tie_out"]
    rows = table[(table["step"] == "bank to student ledger") & ~table["item"].isin(["bank", "student ledger", "unexplained"])]
    return {str(item): int(cents) for item, cents in rows.groupby("item")["amount"].sum().items()}


def one_close(events: list[Row], postings: list[Row], day: date = OCTOBER) -> Result:
    """October as a first close."""
    return closed(office(plan("P1", "S1"), events, postings=postings), day, None)


def test_the_ledger_took_off_more_than_the_return_undid() -> None:
    """1,000.00 cleared, 600.00 came back and then 1,000.00: the second undoes the 400.00 left, and the ledger took off all of it."""
    events = [event("2026-10-14", "P1", 100_000, "3"), event("2026-10-16", "P1", 60_000, "3R", "returned", original_reference="3")]
    events.append(event("2026-10-20", "P1", 100_000, "3RR", "returned", original_reference="3"))
    result = one_close(events, ledger(("2026-10-15", 100_000, "3"), ("2026-10-17", -60_000, "3R"), ("2026-10-21", -100_000, "3RR")))
    assert tied(result) == {"reversed for a return that undid nothing": -60_000}


def test_the_ledger_took_off_what_no_bank_returned() -> None:
    """A draw cleared and was posted; the ledger took it off, and no bank event says why."""
    events = [event("2026-10-14", "P1", 100_000, "3")]
    result = one_close(events, ledger(("2026-10-15", 100_000, "3"), ("2026-10-21", -100_000, "x")))
    assert tied(result) == {"reversed, not returned": -100_000}


def test_rules_of_the_office_are_the_samples() -> None:
    """What is worked out by hand here stands on these rules: fees are not on the bill, a return is first shown as cleared."""
    assert not RULES.terms[0].fee_on_bill
    assert RULES.matching.cleared_then_returned
