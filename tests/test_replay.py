"""The replay: all that the advice counts on comes about, and no family has then paid more than its bill.

What is awaited, presented again, kept and proposed is turned into bank money (and late aid into aid) after the as-of date, all else stays
as it stood on that day, and the run is made again later.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from hypothesis import given
from test_properties import SEEDS, Office, office, some
from world_events import row_of

from reconcile.coverage import on_the_bill
from reconcile.plans import may_still_come

if TYPE_CHECKING:
    import pandas as pd
    from build import Row

    from reconcile.worked import Worked


def as_it_stood(at: Office, worked: Worked) -> dict[str, list[Row]]:
    """The rows that count on the as-of day, with aid as it stands on that day and cancellations that were made by then."""
    day = at.world.as_of
    dated = {"charges": "posted_on", "plan_schedules": "enrolled_on", "cleared_draws": "settled_on", "postings": "posted_on"}
    rows = {name: [row for row in at.world.exports[name] if row[column] <= day] for name, column in dated.items()}
    rows["plan_schedules"] = [
        {**row, "line_status": "active", "cancelled_on": None} if row["cancelled_on"] and row["cancelled_on"] > day else row
        for row in rows["plan_schedules"]
    ]
    stands = worked.aid[worked.aid["standing"].isin(["disbursed", "anticipated"])]
    rows["aid"] = [aid_row(award, award["standing"], int(award["amount"])) for _, award in stands.iterrows()]
    if not at.world.has_postings:
        del rows["postings"]
    return rows


def aid_row(of: Any, status: str, cents: int) -> Row:
    """An award that stands without further dates."""
    return row_of("aid", of["student_id"], of["term"], "as it stood", status, cents, of.get("posted_on", of.get("day")), None, None, None)


def what_comes(at: Office, worked: Worked) -> dict[str, list[Row]]:
    """Bank rows and aid rows that the advice counts on: each student's draws under its new amount, or its own where none is proposed."""
    day = at.world.as_of
    tomorrow = day + timedelta(days=1)
    lines = worked.lines
    row_of_line = worked.keys.lookup(lines)
    bill = on_the_bill(lines, at.rules)
    may_come = may_still_come(lines, (day - date(1970, 1, 1)).days)
    money: list[Row] = []
    awaited: Counter[int] = Counter()
    held: Counter[int] = Counter()
    for position, line in lines.iterrows():
        row = int(row_of_line[int(str(position))])
        advice = worked.plans.advice.get(row)
        if advice is None or not bill[int(str(position))]:
            continue
        new = {(plan, name): cents for _day, _old, cents, plan, name in advice.draws}
        key = (line["plan_id"], line["line"])
        cents = 0
        if may_come[int(str(position))] and advice.awaited:
            cents = int(line["amount"])
            awaited[row] += cents
        elif line["held"] and held[row] < advice.held:
            cents = min(int(line["held"]), advice.held - held[row])
            awaited[row] += cents
            held[row] += cents
        elif line["state"] in {"pending", "in transit"}:
            cents = new.get(key, int(line["amount"]))
        elif key in advice.again_lines:
            cents = int(line["amount"])
        if cents:
            settled = max(line["draw_date"].date(), tomorrow)
            money.append(row_of("cleared_draws", settled, cents, "cleared", key[0], "", f"R{position}", key[1], "", "", "", ""))
    aid = []
    for row, advice in worked.plans.advice.items():
        late = advice.awaited - awaited[row]
        if late:
            plan = worked.plans.table.iloc[row]
            aid.append(aid_row({"student_id": plan["student_id"], "term": plan["term"], "day": tomorrow}, "disbursed", late))
    return {"cleared_draws": money, "aid": aid}


def paid_over(student: pd.Series, open_outside: int) -> int:
    """Cents in hand and expected beyond the bill, fines that are still open apart."""
    return int(open_outside + student["aid_anticipated"] - student["balance_now"])


@some
@given(SEEDS)
def test_if_all_that_is_advised_comes_about_no_family_has_paid_more_than_its_bill(seed: int) -> None:
    """What is then in hand is above the bill by give-back and stop at most (and by the tolerance where no draw was changed)."""
    at = office(seed)
    worked = at.work_out()
    rows, coming = as_it_stood(at, worked), what_comes(at, worked)
    later = max([at.world.as_of, *(row["settled_on"] for row in coming["cleared_draws"])]) + timedelta(days=1)
    rows = {name: [*some, *coming.get(name, [])] for name, some in rows.items()}
    then = Office(replace(at.world, exports=rows, as_of=later, bank_through=later), at.rules).run().tables["students"]
    now, then = (table.set_index(["term", "student_id"]) for table in (worked.students, then))
    billed = {term.code: term.billed_on <= worked.as_of for term in at.rules.terms}
    for row, advice in worked.plans.advice.items():
        plan = worked.plans.table.iloc[row]
        if worked.decide[row] or not billed[plan["term"]]:
            continue
        key = (plan["term"], plan["student_id"])
        open_outside = now.loc[key, "balance_now"] - now.loc[key, "aid_anticipated"] - plan["balance_to_meet"]
        allowed = advice.to_give_back + advice.to_stop + (0 if advice.draws or advice.kept else at.rules.plans.plan_tolerance)
        assert paid_over(then.loc[key], open_outside) <= max(0, allowed), (key, plan.to_dict())
