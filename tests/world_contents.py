"""What noisy worlds hold: how often each thing that happens in an office is in them, so that agreement on them says something.

Counted from the rows and from what the slow engine made of them. Money is int cents.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from slow_engine import SlowResult
    from worlds import World

    from reconcile.policy import Rules

Row = dict[str, Any]

PASSES = ("named", "exact", "late", "early", "with card fee", "grouped", "near", "cancelled lines")
STATUSES = ("estimated", "anticipated", "disbursed", "cancelled")
STATES = ("cleared", "part cleared", "cancelled", "failed", "pending", "in transit", "not seen")
COVERAGES = ("not billed", "short", "over", "paid", "covered by pending")

WANTED = (
    *(f"pass {name}" for name in PASSES),
    *(f"state {name}" for name in STATES),
    *(f"coverage {name}" for name in COVERAGES),
    *(f"return by rule {rule}" for rule in range(1, 6)),
    *(f"refund by rule {rule}" for rule in (1, 3, 5)),
    *(f"aid {status}" for status in STATUSES),
    *(f"aid {status} with {day}" for status in STATUSES for day in ("expected_on", "cancelled_on")),
    *("aid disbursed with disbursed_on", "aid cancelled with disbursed_on", "aid lapsed", "aid never on the bill", "aid taken back"),
    *("one line by several events", "one event for several lines", "taken twice", "not on the schedule", "equal rows without a reference"),
    *("return with a reference", "return without a reference", "return in part", "return of more than is left", "reference of nobody"),
    *("presented again and cleared", "presented again and back", "several attempts", "late return", "dispute of banks", "card decline"),
    *("chargeback", "code that no rule knows", "code that stops the plan", "authorised anew"),
    *("student only", "plan only", "plan and student disagree", "unknown student", "unknown plan of a known student"),
    *(
        "plan set anew",
        "plan set anew with a failed draw spread",
        "lines do not come to the plan total",
        "second plan",
        "plan of another term",
    ),
    *("fee line", "fee on the bill", "fee money without a line", "down payment", "down payment cleared", "card fee"),
    *("cancelled line", "cancelled line without a date", "cancelled after the as-of day", "money on a cancelled line", "zero line"),
    *("charge reversed", "outside charge", "outside charge met by a payment", "posting reversed", "brought forward", "waiver", "sponsor"),
    *("refund posting", "draw posted as a payment", "payment at the bank", "term that no rule knows"),
    *("event after the as-of day", "posting after the as-of day", "charge after the as-of day", "plan enrolled later"),
    *("schedule says posted", "schedule says failed", "no postings export", "student without a plan"),
    *("again", "awaited", "kept", "to_give_back", "to_stop", "to_collect"),
)
"""Everything that must be in the worlds."""


def contents(world: World, rules: Rules, slow: SlowResult) -> Counter[str]:
    """How often each of WANTED is in a world."""
    seen: Counter[str] = Counter()
    _rows(world, rules, seen)
    _events(world, rules, slow, seen)
    _lines(world, slow, seen)
    for student in slow.students:
        seen[f"coverage {student['coverage']}"] += 1
    planned = {row["student_id"] for row in world.exports["plan_schedules"]}
    seen["student without a plan"] += len({row["student_id"] for row in world.exports["charges"]} - planned)
    for plan in slow.plans:
        for name in ("again", "awaited", "kept", "to_give_back", "to_stop", "to_collect"):
            seen[name] += bool(plan[name])
        seen["lines do not come to the plan total"] += bool(plan["does_not_add_up"])
    return seen


def _rows(world: World, rules: Rules, seen: Counter[str]) -> None:
    rows, as_of = world.exports, world.as_of
    known = {term.code for term in rules.terms}
    seen["no postings export"] += not world.has_postings
    for row in rows["aid"]:
        status = row["status"]
        seen[f"aid {status}"] += 1
        for day in ("expected_on", "cancelled_on", "disbursed_on"):
            seen[f"aid {status} with {day}"] += row[day] is not None
        over = row["expected_on"] and (as_of - row["expected_on"]).days > rules.aid.grace_days
        seen["aid lapsed"] += bool(over and status == "anticipated" and row["posted_on"] <= as_of and not row["cancelled_on"])
        seen["aid never on the bill"] += row["fund"] in rules.aid.never_on_bill
        seen["aid taken back"] += row["amount"] < 0
    for row in rows["charges"]:
        seen["charge reversed"] += row["amount"] < 0
        seen["outside charge"] += row["charge_type"] in rules.plans.outside_plan
        seen["term that no rule knows"] += row["term"] not in known
        seen["charge after the as-of day"] += row["posted_on"] > as_of
        seen["outside charge met by a payment"] += row["charge_type"] in rules.plans.outside_plan and any(
            p["student_id"] == row["student_id"] and p["kind"] == "payment" and p["amount"] == row["amount"] for p in rows["postings"]
        )
    for row in rows["postings"]:
        seen["posting reversed"] += row["amount"] < 0 and row["kind"] != "refund"
        seen["posting after the as-of day"] += row["posted_on"] > as_of
        for kind in ("brought forward", "waiver", "sponsor"):
            seen[kind] += row["kind"] == kind
        seen["refund posting"] += row["kind"] == "refund"
        seen["draw posted as a payment"] += row["kind"] == "payment" and any(
            e["student_id"] == row["student_id"] and e["amount"] == row["amount"] and e["settled_on"] <= row["posted_on"]
            for e in rows["cleared_draws"]
        )


def _lines(world: World, slow: SlowResult, seen: Counter[str]) -> None:
    lines, as_of = world.exports["plan_schedules"], world.as_of
    states = {(d["plan_id"], d["line"]): d for d in slow.draws}
    plans: dict[str, Row] = {row["plan_id"]: row for row in lines}
    terms = Counter((plan["student_id"], plan["term"]) for plan in plans.values())
    students = Counter(student for student, _term in terms)
    seen["second plan"] += sum(count > 1 for count in terms.values())
    seen["plan of another term"] += sum(count > 1 for count in students.values())
    for plan_id, plan in plans.items():
        mine = [row for row in lines if row["plan_id"] == plan_id]
        anew = any(row["set_on"] > row["enrolled_on"] for row in mine)
        seen["plan set anew"] += anew
        active = sum(row["amount"] for row in mine if row["line_status"] == "active" and row["kind"] != "fee")
        lost = any(states.get((plan_id, row["line"]), {}).get("state") in {"failed", "not seen"} for row in mine)
        seen["plan set anew with a failed draw spread"] += anew and lost and active > plan["plan_total"]
        seen["authorised anew"] += any(row["consent_on"] > row["enrolled_on"] for row in mine)
        seen["plan enrolled later"] += plan["enrolled_on"] > as_of
    for row in lines:
        seen["fee line"] += row["kind"] == "fee"
        seen["down payment"] += row["kind"] == "down payment"
        seen["zero line"] += not row["amount"]
        cancelled = row["line_status"] == "cancelled"
        seen["cancelled line"] += cancelled
        seen["cancelled line without a date"] += cancelled and row["cancelled_on"] is None
        seen["cancelled after the as-of day"] += bool(cancelled and row["cancelled_on"] and row["cancelled_on"] > as_of)
        for says in ("posted", "failed"):
            seen[f"schedule says {says}"] += row["schedule_says"] == says
    for (plan_id, line), draw in states.items():
        row = next(r for r in lines if r["plan_id"] == plan_id and r["line"] == line)
        seen[f"state {draw['state']}"] += 1
        seen["money on a cancelled line"] += row["line_status"] == "cancelled" and draw["cleared"] > 0
        seen["down payment cleared"] += row["kind"] == "down payment" and draw["state"] == "cleared"
        seen["several attempts"] += draw["attempts"] > 1
        seen["presented again and cleared"] += bool(draw["attempts"] > 1 and draw["return_code"] and draw["state"] == "cleared")
        seen["presented again and back"] += draw["attempts"] > 1 and draw["state"] == "failed"


def _events(world: World, rules: Rules, slow: SlowResult, seen: Counter[str]) -> None:
    rows = world.exports["cleared_draws"]
    plans = {row["plan_id"]: row["student_id"] for row in world.exports["plan_schedules"]}
    references = {row["reference"] for row in rows if row["reference"]}
    alike = Counter(tuple(row.values()) for row in rows if not row["reference"])
    seen["equal rows without a reference"] += sum(count > 1 for count in alike.values())
    billed = {term.code for term in rules.terms if term.fee_on_bill}
    on_line: Counter[tuple[str, str]] = Counter()
    for told in slow.events:
        row = rows[told["position"]]
        seen["event after the as-of day"] += told["set_aside"]
        if told["set_aside"]:
            continue
        _names(row, plans, seen)
        if row["outcome"] == "cleared":
            _money(row, told, billed, seen)
            on_line.update((plan, line) for plan, line, _cents in told["lines"])
        else:
            _back(row, rows, told, references, rules, seen)
    seen["one line by several events"] += sum(count > 1 for count in on_line.values())


def _names(row: Row, plans: dict[str, str], seen: Counter[str]) -> None:
    plan, student = row["plan_id"], row["student_id"]
    known = student in set(plans.values())
    seen["student only"] += not plan and known
    seen["plan only"] += plan in plans and not student
    seen["plan and student disagree"] += plan in plans and bool(student) and plans[plan] != student
    seen["unknown student"] += plan not in plans and not known
    seen["unknown plan of a known student"] += bool(plan) and plan not in plans and known


def _money(row: Row, told: Row, billed: set[str], seen: Counter[str]) -> None:
    seen[f"pass {told['pass']}"] += 1
    seen["one event for several lines"] += len(told["lines"]) > 1
    seen["card fee"] += bool(told["card_fee"])
    seen["taken twice"] += told["reason"] == "draw taken twice"
    seen["not on the schedule"] += told["reason"] == "draw not on the schedule"
    seen["payment at the bank"] += row["kind"] == "payment"
    seen["fee money without a line"] += row["kind"] == "fee" and bool(told["without_a_line"])
    seen["fee on the bill"] += row["kind"] == "fee" and told["term"] in billed


def _back(row: Row, rows: list[Row], told: Row, references: set[str], rules: Rules, seen: Counter[str]) -> None:
    what = "refund" if row["outcome"] == "refunded" else "return"
    seen[f"{what} by rule {told['rule']}"] += 1
    if what == "return":
        named = bool(row["original_reference"])
        seen["return with a reference"] += named
        seen["return without a reference"] += not named
        seen["reference of nobody"] += named and row["original_reference"] not in references
        code = rules.returns.code(row["method"], row["return_code"])
        seen["card decline"] += row["return_code"] in {"51", "05"}
        seen["chargeback"] += row["return_code"] == "chargeback"
        seen["code that no rule knows"] += row["return_code"] != "" and code is None
        seen["code that stops the plan"] += code is not None and code.stops_plan
        seen["late return"] += row["return_code"] in {"R07", "R10"} and told["undid"] > 0
        seen["dispute of banks"] += told["rule"] == 0
    seen["return in part"] += any(0 < cents < rows[at]["amount"] for at, cents in told["undoes"])
    seen["return of more than is left"] += told["undid"] > 0 and told["undid_nothing"] > 0
