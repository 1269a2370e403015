"""Why the remaining plan differs from the remaining bill: the causes of plans.csv, each by its own formula, over the plans of a term."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .states import UNCLEARED

if TYPE_CHECKING:
    from datetime import date

    from .bill import Account
    from .book import Plan

CAUSES = (
    "set_off_the_bill",
    "does_not_add_up",
    "cancelled",
    "charges_changed",
    "aid_changed",
    "other_credits_changed",
    "failed_and_not_seen",
    "uncleared",
    "above_schedule",
    "without_a_line",
)


def baseline(account: Account) -> date:
    """The day as of which plan and bill were last set against each other."""
    with_active = {s.line.plan_id for s in account.lines if s.is_active and s.is_plan_line}
    set_on = [p.set_on for p in account.plans if p.plan_id in with_active]
    return min(account.as_of, max([account.term.billed_on, *set_on]))


def active_amount(account: Account, plan: Plan) -> int:
    """A plan's active draws and down payments."""
    return sum(s.line.amount for s in account.lines if s.line.plan_id == plan.plan_id and s.is_active and s.is_plan_line)


def has_uncleared(account: Account, plan: Plan) -> bool:
    """The plan has an active draw or down payment whose money may still come."""
    return any(s.line.plan_id == plan.plan_id and s.is_active and s.is_plan_line and s.state in UNCLEARED for s in account.lines)


def counted_total(account: Account, plan: Plan) -> int:
    """The plan total; of a finished plan that another followed, what its active lines add up to."""
    followed = any(p.enrolled_on >= plan.enrolled_on for p in account.plans if p is not plan)
    return active_amount(account, plan) if followed and not has_uncleared(account, plan) else plan.total


def balance_to_meet(account: Account) -> int:
    """What the remaining plan should add up to."""
    return account.balance_now - account.aid_on(account.as_of)[1] - account.open_outside


def variance_row(account: Account) -> dict[str, Any]:
    """The first part of a row of plans.csv: the plan, the variance and its causes."""
    base, now = baseline(account), account.as_of
    plan_lines = [s for s in account.lines if s.is_plan_line]
    active = sum(s.line.amount for s in plan_lines if s.is_active)
    off = sum(s.line.amount for s in plan_lines if not s.is_active)
    total = sum(counted_total(account, p) for p in account.plans)
    failed, not_seen = account.amount_in("failed"), account.amount_in("not seen")
    rolled = min(failed + not_seen, max(0, active - total))
    held = min(off, max(0, total - active))
    fees = sum(
        s.line.amount for s in account.lines if account.term.fee_on_bill and not s.is_plan_line and s.is_active and s.state in UNCLEARED
    )
    on_active = [s for s in plan_lines if s.is_active and s.state in {"cleared", "part cleared", "cancelled"}]
    variance = account.pending_draws - balance_to_meet(account)
    causes = {
        "set_off_the_bill": total + fees - account.plan_bill(base),
        "does_not_add_up": active + held - rolled - total,
        "cancelled": -held,
        "charges_changed": -(account.plain_charges(now) - account.plain_charges(base)),
        "aid_changed": sum(account.aid_on(now)) - sum(account.aid_on(base)),
        "other_credits_changed": account.other_credits(now, without_met=True) - account.other_credits(base, without_met=True),
        "failed_and_not_seen": -(failed + not_seen - rolled),
        "uncleared": -sum(max(0, s.line.amount - s.net) for s in on_active),
        "above_schedule": sum(max(0, s.net - s.line.amount) for s in on_active),
        "without_a_line": sum(cents for s, cents in account.plan_money() if s is None or not s.is_active),
    }
    return {
        "term": account.term.code,
        "student_id": account.student_id,
        "plan_ids": "; ".join(p.plan_id for p in account.plans),
        "enrolled_on": min(p.enrolled_on for p in account.plans),
        "baseline": base,
        "plan_total": total,
        "active_lines": active,
        "cleared": account.draws_cleared,
        "pending_draws": account.pending_draws,
        "failed": failed,
        "not_seen": not_seen,
        "balance_to_meet": balance_to_meet(account),
        "variance": variance,
        **causes,
        "unexplained": variance - sum(causes.values()),
    }
