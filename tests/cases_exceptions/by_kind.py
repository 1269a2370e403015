"""For each kind of exception a story that raises it, and near misses that do not."""

from __future__ import annotations

from typing import Any, NamedTuple

from cases_exceptions.plan import DRAW, Row, Rows, award, back, charge, event, line, plan_lines, posting, story

OCTOBER, NOVEMBER = "2026-10-05", "2026-11-20"


class Case(NamedTuple):
    """A story: its kind, what it says, rows, the day, and what is found: line and amount in cents, or None for a near miss."""

    kind: str
    says: str
    rows: Rows
    as_of: str
    found: tuple[str, int] | None = None
    options: dict[str, Any] = {}  # noqa: RUF012 (never changed)


def _lines(number: int, **changed: Any) -> list[Row]:
    return plan_lines(**{f"line_{number}": changed})


CANCELLED = {"line_status": "cancelled", "cancelled_on": "2026-09-01"}
SECOND = [
    line(number, day, 600_00, plan="P2", plan_total=1_200_00)
    for number, day in ((1, "2026-08-10"), (2, "2026-09-10"), (3, "2026-10-10"), (4, "2026-11-10"), (5, "2026-12-10"))
]
CHECKED = {"bank_through": NOVEMBER}
FEE = line("F", "2026-07-20", 45_00, kind="fee")
OTHER_FEE = line("F", "2026-07-20", 45_00, plan="P9", student="S9", kind="fee", plan_total=100_00)
LATE_PLAN = [
    row | {"enrolled_on": "2026-08-20", "plan_total": 4_800_00, "set_on": "2026-08-20"}
    for row in (line(at, f"2026-{month:02d}-10", 1_200_00) for at, month in enumerate((9, 10, 11, 12), start=1))
]

CASES: tuple[Case, ...] = (
    Case("plan exceeds bill", "a scholarship arrived", story(aid=[award(900_00, "2026-09-20")]), OCTOBER, ("", 900_00)),
    Case("plan exceeds bill", "it is a dollar: within plan_tolerance", story(aid=[award(1_00, "2026-09-20")]), OCTOBER),
    Case(
        "plan exceeds bill",
        "the money was drawn twice, which is told by itself",
        story(cleared_draws=[event("2026-09-14", "X")]),
        OCTOBER,
    ),
    Case(
        "draw after cancellation",
        "September was cancelled on the 1st and taken",
        story(_lines(2, **CANCELLED)),
        OCTOBER,
        ("2", DRAW),
    ),
    Case(
        "draw after cancellation",
        "it was cancelled after it had cleared",
        story(_lines(2, **CANCELLED | {"cancelled_on": "2026-09-20"})),
        OCTOBER,
    ),
    Case("draw taken twice", "September's draw came once more", story(cleared_draws=[event("2026-09-14", "X")]), OCTOBER, ("", DRAW)),
    Case(
        "draw taken twice",
        "the second was given back",
        story(cleared_draws=[event("2026-09-14", "X"), event("2026-09-16", "Y", outcome="refunded", original_reference="X")]),
        OCTOBER,
    ),
    Case(
        "draw for more",
        "October took 2,500.00",
        story(cleared_draws=[event("2026-10-14", "X", 2_500_00)]),
        "2026-10-20",
        ("3", 100_00),
    ),
    Case("draw for more", "three cents more are within tolerance", story(cleared_draws=[event("2026-10-14", "X", DRAW + 3)]), "2026-10-20"),
    Case(
        "draw not on the schedule",
        "318.20 that no line asks for",
        story(cleared_draws=[event("2026-09-20", "X", 318_20)]),
        OCTOBER,
        ("", 318_20),
    ),
    Case("draw not on the schedule", "it is a payment", story(cleared_draws=[event("2026-09-20", "X", 318_20, kind="payment")]), OCTOBER),
    Case(
        "drawn after a stop",
        "R02 on 14 September, and October was drawn",
        story(cleared_draws=[back("2026-09-14", "X", "R02"), event("2026-10-14", "Y")]),
        "2026-10-20",
        ("3", DRAW),
    ),
    Case(
        "drawn after a stop",
        "a new account was authorised in between",
        story(
            plan_lines(every={"consent_on": "2026-09-20"}),
            cleared_draws=[back("2026-09-14", "X", "R02"), event("2026-10-14", "Y")],
        ),
        "2026-10-20",
    ),
    Case(
        "presented too often",
        "R01 three times, then cleared",
        story(
            first=1,
            cleared_draws=[back("2026-09-14", "X"), back("2026-09-16", "Y"), back("2026-09-21", "Z"), event("2026-09-28", "W")],
            postings=[posting("2026-09-28")],
        ),
        OCTOBER,
        ("2", DRAW),
    ),
    Case(
        "presented too often",
        "R01 twice, then cleared",
        story(first=1, cleared_draws=[back("2026-09-14", "X"), back("2026-09-16", "Y"), event("2026-09-28", "W")]),
        OCTOBER,
    ),
    Case("failed draw", "September came back", story(cleared_draws=[back("2026-09-14", "X")]), OCTOBER, ("2", DRAW)),
    Case(
        "failed draw",
        "it came back and cleared when presented again",
        story(cleared_draws=[back("2026-09-14", "X"), event("2026-09-16", "Y")]),
        OCTOBER,
    ),
    Case("no draw seen", "September never came", story(first=1), OCTOBER, ("2", DRAW), CHECKED),
    Case("no draw seen", "the bank files end before its window does", story(first=1), OCTOBER, None, {"bank_through": "2026-09-15"}),
    Case(
        "draw for less",
        "October brought 2,200.00",
        story(cleared_draws=[event("2026-10-14", "X", 2_200_00)]),
        "2026-10-20",
        ("3", 200_00),
    ),
    Case(
        "draw for less",
        "the office gave 200.00 of it back",
        story(cleared_draws=[event("2026-10-14", "X"), event("2026-10-16", "Y", 200_00, "refunded", original_reference="X")]),
        "2026-10-20",
    ),
    Case(
        "bill short",
        "the last draws were cancelled",
        story([*plan_lines()[:2], *(row | CANCELLED | {"cancelled_on": "2026-09-20"} for row in plan_lines()[2:])]),
        OCTOBER,
        ("", -7_200_00),
    ),
    Case("bill short", "a dollar is within plan_tolerance", story(first=5, charges=[charge(1_00, "2026-09-01")]), "2026-12-20"),
    Case("plan below bill", "housing rose", story(charges=[charge(715_00, "2026-09-01")]), OCTOBER, ("", -715_00)),
    Case(
        "plan below bill", "a fine is not for the plan to pay", story(charges=[charge(35_00, "2026-09-01", kind="library fine")]), OCTOBER
    ),
    Case(
        "anticipated aid overdue",
        "a grant expected on 1 September",
        story(aid=[award(500_00, "2026-07-15", "anticipated", expected_on="2026-09-01")]),
        OCTOBER,
        ("", 500_00),
    ),
    Case(
        "anticipated aid overdue",
        "the days of grace are not over",
        story(aid=[award(500_00, "2026-07-15", "anticipated", expected_on="2026-09-25")]),
        OCTOBER,
    ),
    Case(
        "more than one way to match",
        "1,900.00 and twice 500.00 for October",
        story(cleared_draws=[event("2026-10-14", "X", 1_900_00), event("2026-10-14", "Y", 500_00), event("2026-10-14", "Z", 500_00)]),
        "2026-10-20",
        ("", 2_900_00),
    ),
    Case(
        "more than one way to match",
        "1,900.00 and 500.00 for October",
        story(cleared_draws=[event("2026-10-14", "X", 1_900_00), event("2026-10-14", "Y", 500_00)]),
        "2026-10-20",
    ),
    Case(
        "bank event for an unknown student or plan",
        "nobody knows the plan",
        story(cleared_draws=[event("2026-09-20", "X", 50_00, plan="P77")]),
        OCTOBER,
        ("", 50_00),
    ),
    Case(
        "bank event for an unknown student or plan",
        "an ordinary payment of a student without a plan",
        story(
            charges=[charge(50_00, "2026-07-15", "S5")],
            cleared_draws=[event("2026-09-20", "X", 50_00, plan="", student_id="S5", kind="payment")],
        ),
        OCTOBER,
    ),
    Case(
        "plan and student disagree",
        "October's event names another student",
        story(cleared_draws=[event("2026-10-14", "X", student_id="S2")]),
        "2026-10-20",
        ("", DRAW),
    ),
    Case(
        "plan and student disagree",
        "it names the plan's own",
        story(cleared_draws=[event("2026-10-14", "X", student_id="S1")]),
        "2026-10-20",
    ),
    Case(
        "return without a draw", "333.33 fits no draw", story(cleared_draws=[back("2026-09-20", "X", cents=333_33)]), OCTOBER, ("", 333_33)
    ),
    Case("return without a draw", "it fits September's draw", story(cleared_draws=[back("2026-09-14", "X")]), OCTOBER),
    Case(
        "second plan",
        "both plans have draws to come",
        story([*plan_lines(), *SECOND], charges=[charge(3_000_00, "2026-07-15")]),
        "2026-08-01",
        ("", 3_000_00),
    ),
    Case(
        "second plan",
        "the second has been cancelled",
        story([*plan_lines(), *(row | CANCELLED | {"cancelled_on": "2026-07-25"} for row in SECOND)]),
        "2026-08-01",
    ),
    Case(
        "enrolled too late",
        "7 October, after the 5th",
        story(plan_lines(every={"enrolled_on": "2026-10-07"})),
        "2026-10-20",
        ("", 12_000_00),
    ),
    Case("enrolled too late", "on the last day", story(plan_lines(every={"enrolled_on": "2026-10-05"})), "2026-10-20"),
    Case("schedule off the rules", "one draw on the 15th", story(_lines(5, draw_date="2026-12-15")), OCTOBER, ("", 0)),
    Case(
        "schedule off the rules",
        "the plan was set anew",
        story(plan_lines(every={"set_on": "2026-08-15"}, line_5={"draw_date": "2026-12-15"})),
        OCTOBER,
    ),
    Case(
        "schedule does not add up",
        "the total is 100.00 more than the lines",
        story(plan_lines(every={"plan_total": 12_100_00})),
        OCTOBER,
        ("", -100_00),
    ),
    Case("schedule does not add up", "a line was cancelled", story(_lines(5, **CANCELLED)), OCTOBER),
    Case(
        "no down payment line",
        "enrolled on 20 August",
        story(LATE_PLAN, first=0, charges=[charge(-7_200_00, "2026-07-15")]),
        "2026-08-25",
        ("", 1_200_00),
    ),
    Case("no down payment line", "the first tier asks for none", story(), OCTOBER),
    Case("fee missing", "another plan has a fee line", story([*plan_lines(), OTHER_FEE]), "2026-07-22", ("", 45_00)),
    Case("fee missing", "no plan of the export has one", story(), OCTOBER),
    Case(
        "schedule says posted, bank does not",
        "September came back and the plan system says posted",
        story(_lines(2, schedule_says="posted"), cleared_draws=[back("2026-09-14", "X")]),
        OCTOBER,
        ("2", DRAW),
    ),
    Case(
        "schedule says posted, bank does not",
        "October is in transit",
        story(_lines(3, schedule_says="posted")),
        "2026-10-15",
        None,
        CHECKED,
    ),
    Case("bank cleared, schedule says pending", "September", story(_lines(2, schedule_says="pending")), OCTOBER, ("2", DRAW)),
    Case("bank cleared, schedule says pending", "it settled yesterday", story(_lines(2, schedule_says="pending")), "2026-09-12"),
    Case("bank cleared, schedule says failed", "September", story(_lines(2, schedule_says="failed")), OCTOBER, ("2", DRAW)),
    Case(
        "bank cleared, schedule says failed",
        "it did fail",
        story(_lines(2, schedule_says="failed"), cleared_draws=[back("2026-09-14", "X")]),
        OCTOBER,
    ),
    Case("cleared not posted", "October stands on no ledger", story(cleared_draws=[event("2026-10-14", "X")]), "2026-10-20", ("3", DRAW)),
    Case("cleared not posted", "the posting lag is not over", story(cleared_draws=[event("2026-10-14", "X")]), "2026-10-16"),
    Case(
        "cleared not posted",
        "one sum at the bank, posted in two parts",
        story(
            _lines(3, amount=DRAW),
            cleared_draws=[event("2026-10-14", "X")],
            postings=[posting("2026-10-15", 1_000_00), posting("2026-10-15", 1_400_00)],
        ),
        "2026-10-20",
    ),
    Case(
        "posted not cleared",
        "512.50 that no bank event stands behind",
        story(postings=[posting("2026-09-20", 512_50)], cleared_draws=[event("2026-10-14", "X")]),
        "2026-10-16",
        ("", 512_50),
    ),
    Case(
        "posted not cleared",
        "October's posting runs ahead of the bank",
        story(postings=[posting("2026-10-13")]),
        "2026-10-14",
        None,
        CHECKED,
    ),
    Case(
        "return not reversed",
        "September came back and stands on the ledger",
        story(cleared_draws=[back("2026-09-14", "X")]),
        OCTOBER,
        ("2", DRAW),
    ),
    Case(
        "return not reversed",
        "it was taken off again",
        story(cleared_draws=[back("2026-09-14", "X")], postings=[posting("2026-09-15", -DRAW)]),
        OCTOBER,
    ),
    Case(
        "posted amount differs",
        "2,400.00 stands as 2,040.00",
        story(cleared_draws=[event("2026-10-14", "X")], postings=[posting("2026-10-15", 2_040_00)]),
        "2026-10-20",
        ("3", -360_00),
    ),
    Case(
        "posted amount differs",
        "it is equal",
        story(cleared_draws=[event("2026-10-14", "X")], postings=[posting("2026-10-15")]),
        "2026-10-20",
    ),
    Case("posted twice", "September twice", story(postings=[posting("2026-09-15")]), OCTOBER, ("2", DRAW)),
    Case("posted twice", "once too often and taken back", story(postings=[posting("2026-09-15"), posting("2026-09-16", -DRAW)]), OCTOBER),
    Case(
        "posted as another kind",
        "October as a payment",
        story(cleared_draws=[event("2026-10-14", "X")], postings=[posting("2026-10-15", kind="payment")]),
        "2026-10-20",
        ("3", DRAW),
    ),
    Case("posted as another kind", "a payment long after", story(postings=[posting("2026-10-01", kind="payment")]), OCTOBER),
    Case(
        "credit balance",
        "aid came and the last draws were cancelled",
        story(
            [*plan_lines()[:2], *(row | CANCELLED | {"cancelled_on": "2026-09-20"} for row in plan_lines()[2:])],
            aid=[award(8_000_00, "2026-09-20")],
        ),
        "2026-10-02",
        ("", 800_00),
    ),
    Case("credit balance", "a draw is still to come: the plan exceeds the bill", story(aid=[award(8_000_00, "2026-09-20")]), OCTOBER),
    Case("cleared late", "September on the 25th", story(first=1, cleared_draws=[event("2026-09-25", "X")]), OCTOBER, ("2", DRAW)),
    Case("cleared late", "on the last day of its window", story(first=1, cleared_draws=[event("2026-09-18", "X")]), OCTOBER),
    Case("cleared early", "October's on the 8th", story(cleared_draws=[event("2026-10-08", "X")]), "2026-10-20", ("3", DRAW)),
    Case("cleared early", "on its date", story(cleared_draws=[event("2026-10-10", "X")]), "2026-10-20"),
)
