"""The schedule of a plan: when each of its draws will be taken and until when it may show up, and the plan that the rules would write.

A *plan* splits a plan total in a down payment (for those who enroll late) and equal *draws* on set dates. A draw dated on a day on which
banks do not settle is taken on the next banking day and shows in the bank's file some banking days later (the settlement lag). Its
*window* runs from the draw date to a few banking days after the day it is expected; after that it counts as not seen.

A draw of 10 October 2026, a Saturday before a bank holiday, with a lag of 1 and 5 late days: taken on the 13th, expected on the 14th,
window open to the 21st.

The enrollment fee is apart from the plan total: it never takes part in the split. A card line is taken with the card fee on top.
Money is int64 cents; dates in tables are datetime64[s].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from reconcile.errors import RefusedError
from reconcile.money import SplitRule, people_money, percent_of, percent_of_each, percent_text, split_equal_each

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    import pandas as pd
    from numpy.typing import NDArray

    from reconcile.banking_days import BankingDays
    from reconcile.policy import Rules, Term, Tier

ONE_YEAR = 365
"""School credit without interest for longer can be a private education loan: 12 CFR 1026.46(b)(5)(iv), read."""

MOST_INSTALLMENTS = 4
"""More installments than this besides a down payment can be credit: Regulation Z, 12 CFR 1026.2(a)(17)."""


def windows(lines: pd.DataFrame, rules: Rules, days: BankingDays) -> pd.DataFrame:
    """Say for each schedule line when it is taken and expected, from when and until when it may show up, and what the bank then shows.

    In:      plan_schedules rows (term, method, draw_date, amount are read); may be empty. Cents.
    Out:     the same rows and six more columns. taken_on: the draw date or the next banking day; expected_on: the method's settlement
             lag in banking days later; window_end: late_days banking days after that; late_end: late_match_days (calendar) after the draw
             date; early_from: early_days (calendar) before it; gross: the amount, on a card line with the term's card fee (half a cent up).
    Rules:   matching.toml (settlement_lag, late_days, late_match_days, early_days), terms.toml (card_fee_percent).
    Errors:  ValueError for a draw date that intake should have rejected (missing, before 1990 or after 2100).
    """
    drawn = lines["draw_date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    card = (lines["method"] == "card").to_numpy(dtype=bool)
    matching = rules.matching
    lag = np.where(card, matching.settlement_lag.card, matching.settlement_lag.bank)
    taken = days.next_open_numbers(drawn)
    late_by = lag + matching.late_days
    return lines.assign(
        taken_on=_seconds(taken),
        expected_on=_seconds(days.add_numbers(taken, lag)),
        window_end=_seconds(days.add_numbers(taken, late_by)),
        late_end=_seconds(drawn + matching.late_match_days),
        early_from=_seconds(drawn - matching.early_days),
        gross=_with_card_fee(lines, card, rules),
    )


def _seconds(numbers: NDArray[np.int64]) -> NDArray[np.datetime64]:
    return numbers.astype("datetime64[D]").astype("datetime64[s]")


def _with_card_fee(lines: pd.DataFrame, card: NDArray[np.bool_], rules: Rules) -> NDArray[np.int64]:
    gross = lines["amount"].to_numpy(dtype=np.int64, copy=True)
    for term in rules.terms if card.any() else ():
        with_fee = card & (lines["term"] == term.code).to_numpy(dtype=bool)
        gross[with_fee] += percent_of_each(gross[with_fee], term.card_fee_percent)
    return gross


@dataclass(frozen=True)
class PlanLine:
    """One line of a plan: `amount` without the card fee, `card_fee` what a card is charged on top (both cents)."""

    line: str
    kind: Literal["draw", "down payment", "fee"]
    draw_date: date
    amount: int
    card_fee: int


@dataclass(frozen=True)
class WrittenPlan:
    """The plan that the rules write for an amount and an enrollment day.

    `lines`: down payment, draws in order of date, then the fee; those that would be zero are left out. `total`: the plan total, which
    down payment and draws add up to; the fee is apart. `tier_index`: which tier of the term applied, from 0. `down_percent`: hundredths of
    a percent. `cautions`: plain sentences that go wherever the plan goes.
    """

    lines: tuple[PlanLine, ...]
    tier_index: int
    down_percent: int
    total: int
    term_code: str
    term_name: str
    method: str
    enrolled_on: date
    cautions: tuple[str, ...]

    def of_kind(self, kind: str) -> tuple[PlanLine, ...]:
        """The lines of one kind, in order."""
        return tuple(line for line in self.lines if line.kind == kind)


class ByRule(NamedTuple):
    """What a tier writes for plan totals, in cents: the down payment of each, and its draws, one row a total, one column a date."""

    down: NDArray[np.int64]
    dates: tuple[date, ...]
    draws: NDArray[np.int64]


def tier_at(term: Term, enrolled_on: date) -> int | None:
    """The place of the first tier, top to bottom, whose enroll_by is not before the enrollment day; None if no tier takes it."""
    return next((place for place, tier in enumerate(term.tiers) if tier.enroll_by >= enrolled_on), None)


def by_rule(tier: Tier, totals: NDArray[np.int64], split: SplitRule) -> ByRule:
    """Down payment and draws that a tier writes: what `plan_written` shows and what plans are held against, one and the same.

    In:      plan totals in cents, without the fee; split = the rule for spare cents.
    Keeps:   down payment + draws = the total, in each row.
    """
    down = percent_of_each(totals, tier.down_percent)
    dates = tuple(sorted(tier.draw_dates))
    return ByRule(down, dates, split_equal_each(totals - down, len(dates), split))


def plan_written(term: Term, amount: int, enrolled_on: date, *, method: str, split: SplitRule) -> WrittenPlan:
    """The plan that the rules would write.

    In:      amount = the plan total in cents, without the fee; method `bank` or `card`; split = the rule for spare cents.
    Out:     a plan by the first tier, top to bottom, whose enroll_by is not before the enrollment day: down payment of down_percent of
             the total (half a cent up) and the fee, both due on the enrollment day, and the rest in equal draws on the tier's dates.
    Errors:  RefusedError with every reason why the rules write no such plan.
    """
    tier_index = tier_at(term, enrolled_on)
    problems = tuple(_why_no_plan(term, amount, enrolled_on, method, tier_index))
    if problems or tier_index is None:
        raise RefusedError(f"The rules of term {term.code} write no such plan.", problems)
    tier = term.tiers[tier_index]
    lines = _plan_lines(term, tier, amount, enrolled_on, method, split)
    cautions = tuple(_cautions(term, lines, enrolled_on))
    return WrittenPlan(lines, tier_index, tier.down_percent, amount, term.code, term.name, method, enrolled_on, cautions)


def _why_no_plan(term: Term, amount: int, enrolled_on: date, method: str, tier_index: int | None) -> Iterator[str]:
    if amount <= 0:
        yield f"The amount is {people_money(amount)}; a plan total is above zero."
    if method not in term.methods:
        yield f"Method {method!r} is not allowed in term {term.code}; allowed: {', '.join(term.methods)}."
    if enrolled_on > term.last_day_to_enroll:
        yield f"{enrolled_on} is after {term.last_day_to_enroll}, the last day to enroll in a plan of term {term.code}."
    elif tier_index is None:
        last = max((tier.enroll_by for tier in term.tiers), default=None)
        yield f"No tier of term {term.code} takes an enrollment on {enrolled_on}" + (f"; the last one ends on {last}." if last else ".")


def _plan_lines(term: Term, tier: Tier, amount: int, enrolled_on: date, method: str, split: SplitRule) -> tuple[PlanLine, ...]:
    down, dates, draws = by_rule(tier, np.array([amount], dtype=np.int64), split)
    wanted: list[tuple[Literal["draw", "down payment", "fee"], date, int]] = [
        ("down payment", enrolled_on, int(down[0])),
        *(("draw", day, cents) for day, cents in zip(dates, draws[0].tolist(), strict=True)),
        ("fee", enrolled_on, term.plan_fee),
    ]
    card_percent = term.card_fee_percent if method == "card" else 0
    taken = [(kind, day, cents, percent_of(cents, card_percent)) for kind, day, cents in wanted if cents]
    return tuple(PlanLine(str(place), *line) for place, line in enumerate(taken, start=1))


def _cautions(term: Term, lines: tuple[PlanLine, ...], enrolled_on: date) -> Iterator[str]:
    yield "These amounts and dates are what the rules write. The college's own agreement with the family decides."
    if enrolled_on < term.billed_on:
        yield f"Term {term.code} is billed on {term.billed_on}, after the enrollment: compare the plan total with the bill once it is out."
    draws = [line for line in lines if line.kind == "draw"]
    past = [line.draw_date.isoformat() for line in draws if line.draw_date < enrolled_on]
    if past:
        yield f"Dated before the enrollment, so it cannot be taken on its date: {', '.join(past)}. Have the draw dates of the tier checked."
    has_fee = any(line.kind == "fee" or line.card_fee for line in lines)
    if has_fee or len(draws) > MOST_INSTALLMENTS:
        count = f"{len(draws)} installment{'' if len(draws) == 1 else 's'}"
        yield (
            "More than four installments besides a down payment, or a finance charge, can make a plan credit under Regulation Z "
            f"(12 CFR 1026.2(a)(17)). This plan has {count}{' and a fee' if has_fee else ''}. Ask counsel."
        )
    if _too_long(enrolled_on, max(line.draw_date for line in lines)):
        yield "A plan of more than a year, even without interest, can be a private education loan (12 CFR 1026.46(b)(5)(iv)). Ask counsel."


def _too_long(enrolled_on: date, last: date) -> bool:
    """Whether credit without interest runs for so long that it can be a private education loan: more than one year."""
    return (last - enrolled_on).days > ONE_YEAR


def install_schedule_text(plan: WrittenPlan, days: BankingDays) -> str:
    """The written plan as a plain table for people, in ASCII, each draw with the day on which it will really be taken.

    Totals: the plan total without the fee and without card fees, beside it (for card) the card fees and what the card is charged in all.
    """
    card = plan.method == "card"
    in_total = tuple(line for line in plan.lines if line.kind != "fee")
    top = ("line", "what", "date", "amount", *(("card fee", "charged") if card else ()), "")
    rows = [_row(plan, line, days, card) for line in in_total]
    total = ("", "plan total", "", *_sums(in_total, card), "")
    fees = [_row(plan, line, days, card) for line in plan.of_kind("fee")]
    top_text, total_text, *texts = _laid_out([top, total, *rows, *fees])
    rule = "-" * max(map(len, texts))
    parts = [*_heading(plan), "", top_text, rule, *texts[: len(rows)], rule, total_text]
    if fees:
        parts += ["", "Apart from the plan total, once per term, and commonly not given back:", *texts[len(rows) :]]
    parts += ["", "Cautions", *(f"- {caution}" for caution in plan.cautions)]
    return "\n".join(parts).encode("ascii", "replace").decode("ascii") + "\n"


def _heading(plan: WrittenPlan) -> tuple[str, str]:
    down = f"{percent_text(plan.down_percent)} percent down" if plan.down_percent else "no down payment"
    draws = len(plan.of_kind("draw"))
    return (
        f"Plan for term {plan.term_code}, {plan.term_name}, by {plan.method}, enrolled on {plan.enrolled_on}",
        f"Tier {plan.tier_index + 1} of the term's rules: {down}, then {draws} draw{'' if draws == 1 else 's'}",
    )


def _row(plan: WrittenPlan, line: PlanLine, days: BankingDays, card: bool) -> tuple[str, ...]:
    what: str = line.kind
    note = "due on enrollment"
    if line.kind == "draw":
        draws, taken_on = plan.of_kind("draw"), days.next_open(line.draw_date)
        what = f"draw {draws.index(line) + 1} of {len(draws)}"
        note = "" if taken_on == line.draw_date else f"not a banking day: taken on {taken_on}"
    return (line.line, what, line.draw_date.isoformat(), *_sums((line,), card), note)


def _sums(lines: tuple[PlanLine, ...], card: bool) -> tuple[str, ...]:
    amount, fees = sum(line.amount for line in lines), sum(line.card_fee for line in lines)
    return (people_money(amount), *((people_money(fees), people_money(amount + fees)) if card else ()))


def _laid_out(rows: list[tuple[str, ...]]) -> list[str]:
    """The rows in columns as wide as they need: words to the left, line names and money to the right."""
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    words = {1, 2, len(wide) - 1}
    return [
        "  ".join(cell.ljust(wide[at]) if at in words else cell.rjust(wide[at]) for at, cell in enumerate(row)).rstrip() for row in rows
    ]
