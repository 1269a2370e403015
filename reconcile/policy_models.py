"""What each rules file may hold, key by key: types, units, allowed words.

A rules file is what an office sets for itself; nothing here is a value of its own, but for the defaults of keys that may be left out.
Attribute names are the keys of the files (`class` is `klass`, since Python keeps that word). Once read, money is whole cents, a percent is
hundredths of a percent (2.75 percent is 275), days are whole numbers, dates are dates, and nothing can be changed; for another value make
a copy: `matching.model_copy(update={"late_days": 3})`.

A field's description is what a message puts after "Allowed:". What two keys must be to each other stands in `policy_checks`.
"""

import re
from datetime import date
from functools import cached_property
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from reconcile.banking_days import CALENDARS
from reconcile.money import parse_percent, parse_rule_money, percent_text
from reconcile.toml_errors import nearest, show, wrong

MONEY = 'money in quotes with two decimals, such as "45.00"'
PERCENT = 'a percent in quotes with at most two decimals, such as "2.50"'

Method = Literal["bank", "card"]
Unit = Literal["banking", "calendar"]
Severity = Literal["urgent", "act", "information"]
Split = Literal["spare cents first", "last absorbs"]
Mark = Literal["seen", "second-hand", "memory", "ours"]
ReturnClass = Literal["funds", "administrative", "unauthorized", "stop", "other", "dishonored", "contested", "declined", "chargeback"]
CountedClass = Literal["all", "funds", "administrative", "unauthorized", "stop", "other"]


def _quoted(value: object) -> str:
    """A number as it would stand in quotes, or "" if it has no short decimal form."""
    if isinstance(value, (int, float)) and not isinstance(value, bool) and re.fullmatch(r"[0-9]+(\.[0-9]{1,2})?", str(value)):
        whole, _, part = str(value).partition(".")
        return f'"{whole}.{part.ljust(2, "0")}"'
    return ""


def _money(value: object) -> int:
    """Cents of money in quotes. Errors: ValueError with the sentence for the office."""
    try:
        if isinstance(value, str):
            return parse_rule_money(value)
    except ValueError:
        pass  # told below, in the words of this file
    raise ValueError(wrong(value, MONEY, _quoted(value)))


def _percent_to(most: int) -> BeforeValidator:
    """A reader of percents from "0" to that many hundredths of a percent."""

    def read(value: object) -> int:
        try:
            hundredths = parse_percent(value) if isinstance(value, str) else None
        except ValueError:
            hundredths = None
        if hundredths is None:
            raise ValueError(wrong(value, PERCENT, _quoted(value)))
        if hundredths > most:
            raise ValueError(wrong(value, f'{PERCENT}, from "0" to "{percent_text(most)}"'))
        return hundredths

    return BeforeValidator(read)


def _calendar(value: object) -> str:
    if isinstance(value, str) and value in CALENDARS:
        return value
    near = nearest(value, CALENDARS) if isinstance(value, str) else ""
    raise ValueError(wrong(value, ", ".join(show(c) for c in CALENDARS), show(near) if near else ""))


Money = Annotated[int, BeforeValidator(_money), Field(description=MONEY)]
Percent = Annotated[int, _percent_to(10000), Field(description=PERCENT)]
PercentBelowHundred = Annotated[int, _percent_to(9999), Field(description=PERCENT)]
Text = Annotated[str, Field(pattern=r"^\S(.*\S)?$", description="text in quotes, with no space at its ends")]
Day = Annotated[date, Field(description="a date without quotes, such as 2026-08-14")]
YesNo = Annotated[bool, Field(description="true or false, without quotes")]
CalendarDays = Annotated[int, Field(ge=0, le=366, description="a whole number of calendar days from 0 to 366, without quotes")]
BankingDayCount = Annotated[int, Field(ge=0, le=60, description="a whole number of banking days from 0 to 60, without quotes")]
Texts = Annotated[tuple[Text, ...], Field(description='a list of texts, such as ["one", "another"]')]


class RuleTable(BaseModel):
    """A table of a rules file: no unknown keys, no conversion of types, nothing to change once read."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Tier(RuleTable):
    """What a plan is like if the family enrolls by `enroll_by`: down payment, then equal draws on `draw_dates`."""

    enroll_by: Day
    down_percent: Percent
    draw_dates: Annotated[
        tuple[Day, ...], Field(min_length=1, description="a list of dates without quotes, such as [2026-08-10, 2026-09-10]")
    ]


class Term(RuleTable):
    """One billing term and the plan that the office offers in it."""

    code: Text
    name: Text
    billed_on: Day
    bill_due: Day
    class_start: Day
    plan_fee: Money
    fee_on_bill: YesNo = False
    last_day_to_enroll: Day
    methods: Annotated[tuple[Method, ...], Field(min_length=1, description='a list of "bank", "card" or both')]
    card_fee_percent: PercentBelowHundred
    tiers: Annotated[tuple[Tier, ...], Field(alias="tier", min_length=1, description="one or more [[term.tier]] tables")]


class TermsFile(RuleTable):
    """`terms.toml`."""

    terms: Annotated[tuple[Term, ...], Field(alias="term", min_length=1, description="one or more [[term]] tables")]


class Lag(RuleTable):
    """Banking days by method of payment."""

    bank: BankingDayCount
    card: BankingDayCount

    def days(self, method: str) -> int:
        """The days of that method; KeyError for a word that is no method."""
        return {"bank": self.bank, "card": self.card}[method]


class Matching(RuleTable):
    """`matching.toml`: how bank money is matched to the draws that a plan was to take."""

    early_days: CalendarDays
    late_days: BankingDayCount
    late_match_days: CalendarDays
    return_days: CalendarDays
    group_size: Annotated[int, Field(ge=2, le=6, description="a whole number from 2 to 6, without quotes")]
    near_percent: PercentBelowHundred
    tolerance: Money
    drop_percent: Percent
    cleared_then_returned: YesNo
    late_return_days: CalendarDays
    settlement_lag: Annotated[Lag, Field(description="a [settlement_lag] table with bank and card")]
    posting_lag: Annotated[Lag, Field(description="a [posting_lag] table with bank and card")]


class Aid(RuleTable):
    """`aid.toml`: funds that never pay a bill, and how long late aid is waited for."""

    never_on_bill: Texts
    grace_days: CalendarDays


class Plans(RuleTable):
    """`plans.toml`: what the office allows in a plan, and the notice that changed draws need."""

    one_plan_per_student: YesNo
    split: Split
    notice_days: CalendarDays
    date_notice_days: CalendarDays
    plan_tolerance: Money
    soon_days: CalendarDays
    outside_plan: Texts


class ReturnCode(RuleTable):
    """What one return or decline code lets the office do next. `frame` None: no ordinary time frame is known."""

    method: Method
    code: Text
    title: Text
    klass: Annotated[ReturnClass, Field(alias="class")]
    frame: Annotated[int | None, Field(ge=0, le=366, description="a whole number of days from 0 to 366, without quotes")] = None
    frame_unit: Unit | None = None
    again: YesNo = False
    again_times: Annotated[int, Field(ge=0, le=20, description="a whole number from 0 to 20, without quotes")] = 0
    again_days: CalendarDays = 0
    stops_plan: YesNo
    action: Text
    source: Text
    mark: Mark

    @property
    def left_to_a_person(self) -> bool:
        """Whether the code neither lets the draw be presented again nor stops the plan: a person decides what comes of its money."""
        return not self.again and not self.stops_plan


class RateLevel(RuleTable):
    """A return rate that bank draws should stay at or below; `classes` says which returns count, `all` counts unknown codes too."""

    name: Text
    percent: Percent
    classes: Annotated[tuple[CountedClass, ...], Field(min_length=1, description='a list of classes of bank returns, or ["all"]')]


class Rates(RuleTable):
    """`[rates]`: return-rate levels over the draws of the preceding `days` calendar days."""

    levels: Annotated[
        tuple[RateLevel, ...], Field(description='a list such as [{ name = "overall", percent = "15.00", classes = ["all"] }]')
    ]
    days: CalendarDays = 60


class Ordinary(RuleTable):
    """`[ordinary]`: banking days in which an ordinary return of a cleared bank draw may still come."""

    banking_days: BankingDayCount


class Returns(RuleTable):
    """`returns.toml`, with the rows of `returns.csv` if the office keeps its codes there."""

    codes: Annotated[tuple[ReturnCode, ...], Field(alias="code", description="[[code]] tables")] = ()
    rates: Annotated[Rates, Field(description="a [rates] table with levels")]
    ordinary: Annotated[Ordinary, Field(description="an [ordinary] table with banking_days")]

    def code(self, method: str, code: str) -> ReturnCode | None:
        """The row of a code, or None for a code that the office has not listed: an unknown code never stops a run.

        With method "" the code alone decides, if only one method has it. Capitals do not matter.
        """
        codes, rows = self._listed
        if codes is not self.codes:  # a copy with other codes took the list along
            rows = _by_code(self.codes)
        return rows.get((method, code.strip().casefold()))

    @cached_property
    def _listed(self) -> tuple[tuple[ReturnCode, ...], dict[tuple[str, str], ReturnCode]]:
        return self.codes, _by_code(self.codes)


def _by_code(codes: tuple[ReturnCode, ...]) -> dict[tuple[str, str], ReturnCode]:
    """Each row by method and code, and by "" and code where only one row has the code; codes in small letters."""
    found: dict[tuple[str, str], list[ReturnCode]] = {}
    for row in codes:
        for method in ("", row.method):
            found.setdefault((method, row.code.casefold()), []).append(row)
    return {key: rows[0] for key, rows in found.items() if len(rows) == 1}


class KindRule(RuleTable):
    """How this office treats one kind of exception; `act_by_days` are calendar days."""

    severity: Severity
    owner: Text
    action: Text
    act_by_days: CalendarDays


class Disposition(RuleTable):
    """A word that a person may write beside an exception, and whether it leaves the list for good."""

    word: Text
    closes: YesNo


class Exceptions(RuleTable):
    """`exceptions.toml`."""

    kinds: Annotated[dict[str, KindRule], Field(alias="kind", description='tables such as [kind."failed draw"]')]
    dispositions: Annotated[
        tuple[Disposition, ...], Field(alias="disposition", min_length=1, description="one or more [[disposition]] tables")
    ]
    packet_threshold: Money


class LetterKind(RuleTable):
    """What a letter says of one kind of exception; `only_after` a person wrote one of these dispositions (empty: at once).

    proposes:  the proposed draws hold as they stand, with nothing to find out first, so that the letter may name them.
    """

    why: Text
    only_after: Texts = ()
    proposes: YesNo = False


class Office(RuleTable):
    """Who writes the letters, and how a family answers them."""

    name: Text = "Student Financial Services"
    contact: Text = "by answering this letter"


class Letters(RuleTable):
    """`letters.toml`: letters to families, sentence by sentence, with words in braces to fill in; `currency` stands before each amount."""

    currency: Text = "$"
    office: Annotated[Office, Field(description="a table [office]")] = Office()
    greeting: Text
    without_name: Text
    not_after: Texts = ()
    draw_changes: Text
    draw_may_change: Text
    draw_stopped: Text
    draw_again: Text
    money_back: Text
    to_pay: Text
    closing: Text
    kinds: Annotated[dict[str, LetterKind], Field(alias="kind", description='tables such as [kind."failed draw"]')]


class Calendar(RuleTable):
    """`calendar.toml`: the banks' calendar and the office's own closing days."""

    banking_calendar: Annotated[str, BeforeValidator(_calendar), Field(description=", ".join(show(c) for c in CALENDARS))]
    closed: Annotated[tuple[Day, ...], Field(description="a list of dates without quotes, such as [2026-12-24, 2026-12-31]")]
