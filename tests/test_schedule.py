from __future__ import annotations

from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from reconcile.banking_days import BankingDays
from reconcile.errors import RefusedError
from reconcile.money import SPLIT_RULES, SplitRule, percent_of
from reconcile.schedule import WrittenPlan, install_schedule_text, plan_written, windows
from reconcile.schemas import DTYPES, EVIDENCE, PLAN_SCHEDULES

DAYS = BankingDays()
NEW = ["taken_on", "expected_on", "window_end", "late_end", "early_from", "gross"]
TENTHS = tuple(date(2026, month, 10) for month in (8, 9, 10, 11, 12))


def a_term(**changes: Any) -> Any:
    """A term's rules as plain attributes, so that these tests stand on their own."""
    tiers = (
        SimpleNamespace(enroll_by=date(2026, 8, 5), down_percent=0, draw_dates=TENTHS),
        SimpleNamespace(enroll_by=date(2026, 9, 4), down_percent=2500, draw_dates=TENTHS[1:]),
        SimpleNamespace(enroll_by=date(2026, 10, 5), down_percent=4000, draw_dates=TENTHS[2:]),
    )
    base: dict[str, Any] = {
        "code": "2026-FA",
        "name": "Fall 2026",
        "billed_on": date(2026, 7, 15),
        "last_day_to_enroll": date(2026, 10, 5),
        "methods": ("bank", "card"),
        "card_fee_percent": 275,
        "plan_fee": 4500,
        "tiers": tiers,
    }
    return SimpleNamespace(**(base | changes))


def rules_of(*terms: Any, bank: int = 1, card: int = 2) -> Any:
    lag = SimpleNamespace(bank=bank, card=card)
    matching = SimpleNamespace(settlement_lag=lag, late_days=5, late_match_days=25, early_days=3)
    return SimpleNamespace(terms=terms or (a_term(),), matching=matching)


def schedule(*rows: tuple[date, int, str, str]) -> pd.DataFrame:
    """plan_schedules rows with that draw date, amount, method and term; the columns that windows do not read are blank."""
    blank: dict[str, Any] = {"str": "", "int64": 1, "datetime64[s]": pd.NaT}
    types = dict.fromkeys(EVIDENCE, "str") | {"row": "int64"} | {c.name: DTYPES[c.kind] for c in PLAN_SCHEDULES.columns}
    cells = {name: [blank[kind]] * len(rows) for name, kind in types.items()}
    cells |= {name: [row[at] for row in rows] for at, name in enumerate(("draw_date", "amount", "method", "term"))}
    return pd.DataFrame({name: pd.Series(cells[name], dtype=kind) for name, kind in types.items()})


def test_a_draw_on_a_saturday_before_a_holiday_is_taken_expected_and_awaited_on_the_days_worked_out_by_hand() -> None:
    """10 October 2026, lag 1, late days 5: taken on the 13th, expected on the 14th, window to the 21st (worked by hand from K.8)."""
    seen = windows(schedule((TENTHS[2], 240000, "bank", "2026-FA")), rules_of(), DAYS).iloc[0]
    assert [seen[name].date().isoformat() for name in NEW[:3]] == ["2026-10-13", "2026-10-14", "2026-10-21"]
    assert [seen[name].date().isoformat() for name in NEW[3:5]] == ["2026-11-04", "2026-10-07"]
    assert seen["gross"] == 240000


def test_a_card_line_has_its_own_lag_and_its_terms_fee_on_top() -> None:
    """A card draw settles by the card's lag and is charged with the fee of its own term, half a cent up; a bank draw has no fee."""
    rules = rules_of(a_term(), a_term(code="2027-SP", card_fee_percent=300))
    drawn = date(2026, 11, 10)  # the day before Veterans Day
    rows = [(drawn, 250000, "card", "2026-FA"), (drawn, 250050, "card", "2027-SP"), (drawn, 250000, "bank", "2027-SP")]
    seen = windows(schedule(*rows), rules, DAYS)
    assert seen["gross"].tolist() == [256875, 257552, 250000]  # 2.75 % of 2,500.00 is 68.75; 3 % of 2,500.50 is 75.015
    assert [day.date() for day in seen["expected_on"]] == [date(2026, 11, 13), date(2026, 11, 13), date(2026, 11, 12)]


def test_a_closed_office_takes_no_draws() -> None:
    """A closing day of the office moves the draw and all that hangs on banking days, and not the calendar days."""
    closed = BankingDays([date(2026, 11, 10)])
    line = schedule((TENTHS[3], 100, "bank", "2026-FA"))
    seen, usual = windows(line, rules_of(), closed).iloc[0], windows(line, rules_of(), DAYS).iloc[0]
    assert seen["taken_on"] == pd.Timestamp("2026-11-12")
    assert usual["taken_on"] == pd.Timestamp("2026-11-10")
    assert seen["late_end"] == usual["late_end"]


def test_an_export_with_headings_alone_gets_the_columns_and_no_rows() -> None:
    """An empty schedule keeps its form: the same types, the same column names, no row."""
    empty, full = windows(schedule(), rules_of(), DAYS), windows(schedule((TENTHS[0], 1, "card", "2026-FA")), rules_of(), DAYS)
    assert len(empty) == 0
    assert empty.dtypes.to_dict() == full.dtypes.to_dict()
    assert [str(full[name].dtype) for name in NEW] == ["datetime64[s]"] * 5 + ["int64"]


def test_a_draw_date_that_intake_let_through_is_not_guessed_at() -> None:
    """A missing draw date raises: it can only be a fault of ours."""
    line = schedule((TENTHS[0], 1, "bank", "2026-FA"))
    line["draw_date"] = pd.Series([pd.NaT], dtype="datetime64[s]")
    with pytest.raises(ValueError, match="banking days are known from"):
        windows(line, rules_of(), DAYS)


ROWS = st.tuples(
    st.dates(date(2024, 1, 1), date(2030, 12, 31)),
    st.integers(0, 10**9),
    st.sampled_from(["bank", "card"]),
    st.sampled_from(["2026-FA", "2027-SP"]),
)


@given(st.lists(ROWS, max_size=12), st.integers(0, 3), st.integers(0, 3))
def test_every_line_of_a_table_gets_what_it_would_get_alone_and_nothing_given_changes(rows: list[Any], bank: int, card: int) -> None:
    """Each row's days and gross follow from that row by single steps; rows keep their order and the given table is untouched."""
    rules = rules_of(a_term(), a_term(code="2027-SP", card_fee_percent=299), bank=bank, card=card)
    given_lines = schedule(*rows)
    before = given_lines.copy(deep=True)
    seen = windows(given_lines, rules, DAYS)
    pd.testing.assert_frame_equal(given_lines, before)
    pd.testing.assert_frame_equal(seen[list(before.columns)], before)
    for at, (drawn, amount, method, term) in enumerate(rows):
        taken, lag = DAYS.next_open(drawn), card if method == "card" else bank
        fee = percent_of(amount, 275 if term == "2026-FA" else 299) if method == "card" else 0
        got = seen.iloc[at]
        assert got["taken_on"].date() == taken
        assert got["expected_on"].date() == DAYS.add(taken, lag)
        assert got["window_end"].date() == DAYS.add(DAYS.add(taken, lag), 5)
        assert (got["late_end"].date(), got["early_from"].date()) == (drawn + timedelta(days=25), drawn - timedelta(days=3))
        assert got["gross"] == amount + fee


def written(amount: int = 1_200_000, on: date = date(2026, 7, 20), method: str = "bank", term: Any = None) -> WrittenPlan:
    return plan_written(term or a_term(), amount, on, method=method, split="spare cents first")


def test_the_first_tier_from_the_top_whose_last_day_has_not_passed_applies() -> None:
    """The last day of a tier still belongs to it; the day after falls to the next."""
    assert [written(on=day).tier_index for day in (date(2026, 8, 5), date(2026, 8, 6), date(2026, 9, 4), date(2026, 9, 5))] == [0, 1, 1, 2]


def test_a_late_plan_is_a_down_payment_on_the_enrollment_day_and_equal_draws_of_the_rest() -> None:
    """25 percent of 10,000.02 is 2,500.01 (half a cent up); the other 7,500.01 make four draws, the first with the spare cent."""
    plan = written(1_000_002, date(2026, 8, 20))
    assert [(line.line, line.kind, line.draw_date, line.amount) for line in plan.lines] == [
        ("1", "down payment", date(2026, 8, 20), 250001),
        ("2", "draw", date(2026, 9, 10), 187501),
        ("3", "draw", date(2026, 10, 10), 187500),
        ("4", "draw", date(2026, 11, 10), 187500),
        ("5", "draw", date(2026, 12, 10), 187500),
        ("6", "fee", date(2026, 8, 20), 4500),
    ]
    assert (plan.down_percent, plan.total) == (2500, 1_000_002)


@given(
    st.integers(1, 10**9),
    st.dates(date(2026, 5, 1), date(2026, 10, 5)),
    st.sampled_from(["bank", "card"]),
    st.sampled_from(SPLIT_RULES),
    st.integers(0, 10**4),
)
def test_down_payment_and_draws_add_up_to_the_plan_total(amount: int, on: date, method: str, split: SplitRule, fee: int) -> None:
    """Every cent of the total is in one line, the fee in none of them, no line is zero or less, and lines read in order of date."""
    plan = plan_written(a_term(plan_fee=fee), amount, on, method=method, split=split)
    in_total = [line for line in plan.lines if line.kind != "fee"]
    assert sum(line.amount for line in in_total) == plan.total == amount
    assert sum(line.amount for line in plan.of_kind("fee")) == fee
    assert all(line.amount > 0 for line in plan.lines)
    assert [line.draw_date for line in plan.of_kind("draw")] == sorted(line.draw_date for line in plan.of_kind("draw"))
    assert [line.line for line in plan.lines] == [str(n) for n in range(1, len(plan.lines) + 1)]
    assert sum(line.amount for line in plan.of_kind("down payment")) == percent_of(amount, plan.down_percent)


@given(st.integers(1, 10**7), st.dates(date(2026, 5, 1), date(2026, 10, 5)))
def test_the_card_fee_of_a_written_line_is_what_its_window_row_calls_gross(amount: int, on: date) -> None:
    """What the family is told to expect on the card is what the bank's file will be matched with."""
    plan = written(amount, on, "card")
    seen = windows(schedule(*[(line.draw_date, line.amount, "card", "2026-FA") for line in plan.lines]), rules_of(), DAYS)
    assert seen["gross"].tolist() == [line.amount + line.card_fee for line in plan.lines]


@pytest.mark.parametrize(
    ("amount", "on", "method", "said"),
    [
        (100, date(2026, 10, 6), "bank", "2026-10-06 is after 2026-10-05, the last day to enroll in a plan of term 2026-FA."),
        (0, date(2026, 7, 1), "bank", "The amount is 0.00; a plan total is above zero."),
        (-5, date(2026, 7, 1), "bank", "The amount is -0.05; a plan total is above zero."),
        (100, date(2026, 7, 1), "cash", "Method 'cash' is not allowed in term 2026-FA; allowed: bank, card."),
    ],
)
def test_no_plan_is_written_that_the_rules_do_not_allow(amount: int, on: date, method: str, said: str) -> None:
    """Too late, nothing to pay, or a method that the term does not take: one plain sentence each."""
    with pytest.raises(RefusedError) as refused:
        written(amount, on, method)
    assert refused.value.problems == (said,)


def test_all_reasons_are_given_at_once() -> None:
    """A person mends everything in one go."""
    with pytest.raises(RefusedError) as refused:
        written(0, date(2027, 1, 1), "cash")
    assert len(refused.value.problems) == 3


def test_an_enrollment_after_every_tier_is_refused_though_the_last_day_has_not_come() -> None:
    """Rules whose tiers end before the last day to enroll leave a gap, and the sentence says where."""
    with pytest.raises(RefusedError) as refused:
        written(on=date(2026, 10, 8), term=a_term(last_day_to_enroll=date(2026, 10, 31)))
    assert refused.value.problems == ("No tier of term 2026-FA takes an enrollment on 2026-10-08; the last one ends on 2026-10-05.",)


def test_a_draw_dated_before_the_enrollment_is_told_and_kept() -> None:
    """Rules that date a draw before the day of enrollment are not mended silently: the caution names the day."""
    late = a_term(tiers=(SimpleNamespace(enroll_by=date(2026, 9, 4), down_percent=0, draw_dates=TENTHS),))
    plan = written(on=date(2026, 8, 20), term=late)
    assert [line.draw_date for line in plan.of_kind("draw")] == list(TENTHS)
    assert any("2026-08-10" in caution and "before the enrollment" in caution for caution in plan.cautions)
    assert not any("before the enrollment" in caution for caution in written(on=date(2026, 8, 10), term=late).cautions)


def test_cautions_say_what_a_person_must_decide() -> None:
    """The agreement decides; five draws or a fee send the reader to counsel; a plan before the bill is to be compared with it."""
    few = written(on=date(2026, 9, 1), term=a_term(plan_fee=0))
    assert [caution.split(".")[0] for caution in few.cautions] == ["These amounts and dates are what the rules write"]
    credit = "Regulation Z (12 CFR 1026.2(a)(17))"
    assert any(credit in c and "5 installments" in c and c.endswith("Ask counsel.") for c in written(term=a_term(plan_fee=0)).cautions)
    assert any(credit in c and "and a fee" in c for c in written(on=date(2026, 9, 1)).cautions)
    assert any(credit in c for c in written(on=date(2026, 9, 1), method="card", term=a_term(plan_fee=0)).cautions)
    assert any("billed on 2026-07-15" in c for c in written(on=date(2026, 7, 14)).cautions)
    assert not any("billed on" in c for c in written(on=date(2026, 7, 15)).cautions)


def test_the_printed_schedule_shows_the_day_that_each_draw_is_really_taken_and_keeps_the_fee_apart() -> None:
    """The whole table of a plan by card, as a counselor reads it (sums checked by hand)."""
    text = install_schedule_text(written(1_000_000, date(2026, 8, 20), "card"), DAYS)
    assert text.split("\nCautions\n")[0] == (
        "Plan for term 2026-FA, Fall 2026, by card, enrolled on 2026-08-20\n"
        "Tier 2 of the term's rules: 25 percent down, then 4 draws\n"
        "\n"
        "line  what          date           amount  card fee    charged\n"
        f"{'-' * 102}\n"
        "   1  down payment  2026-08-20   2,500.00     68.75   2,568.75  due on enrollment\n"
        "   2  draw 1 of 4   2026-09-10   1,875.00     51.56   1,926.56\n"
        "   3  draw 2 of 4   2026-10-10   1,875.00     51.56   1,926.56  not a banking day: taken on 2026-10-13\n"
        "   4  draw 3 of 4   2026-11-10   1,875.00     51.56   1,926.56\n"
        "   5  draw 4 of 4   2026-12-10   1,875.00     51.56   1,926.56\n"
        f"{'-' * 102}\n"
        "      plan total                10,000.00    274.99  10,274.99\n"
        "\n"
        "Apart from the plan total, once per term, and commonly not given back:\n"
        "   6  fee           2026-08-20      45.00      1.24      46.24  due on enrollment\n"
    )


def test_a_printed_bank_schedule_has_no_card_columns_and_says_its_cautions() -> None:
    """A bank draw carries no further fee, and every caution of the plan is printed."""
    plan = written()
    text = install_schedule_text(plan, DAYS)
    assert "card fee" not in text
    assert "no down payment, then 5 draws" in text
    assert all(f"- {caution}" in text for caution in plan.cautions)


def test_the_printed_schedule_is_plain_ascii() -> None:
    """An old console can show it even if the term's name has other letters."""
    text = install_schedule_text(written(term=a_term(name="Fall \u2013 Automne", plan_fee=0)), DAYS)
    assert text.isascii()
    assert "Apart from the plan total" not in text
