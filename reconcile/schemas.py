"""What each export must hold and what each output holds: one declaration, read by intake, column maps, writers and tests.

Units: money is int64 cents, dates are `datetime64[s]` at midnight (NaT where absent), text is `str` and never missing ("" where absent),
counts and row numbers are int64. Signs are those of the exports: a charge is positive and its reversal negative, every bank event is
positive and its outcome says what it did, a posted credit is positive and its reversal or refund negative.

pandera is imported only inside `check_typed`, so that looking at a declaration stays quick.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import pandas as pd

CellKind = Literal["id", "text", "word", "money", "date", "count"]

DTYPES: dict[CellKind, str] = {
    "id": "str",
    "text": "str",
    "word": "str",
    "money": "int64",
    "date": "datetime64[s]",
    "count": "int64",
}


@dataclass(frozen=True)
class Column:
    """One column: its standard name, the kind of value, whether an export must have it, and which words are allowed."""

    name: str
    kind: CellKind
    required: bool = False
    words: tuple[str, ...] = ()
    default: str = ""
    """The word taken where the cell or the whole column is absent; "" leaves it absent."""
    same_as: str = ""
    """The column whose date is taken where this one is absent."""
    positive: bool = False
    without: str = ""
    """What is so of an export that does not have this column, in a few words; "" where no figure hangs on it."""


@dataclass(frozen=True)
class Export:
    """One kind of export: what a row is, its columns, and the date and amount by which its rows are counted."""

    name: str
    one_row_is: str
    columns: tuple[Column, ...]
    dated_by: str
    optional: bool = False

    def column(self, name: str) -> Column:
        """The column of that standard name; KeyError if the export has none."""
        return next(c for c in self.columns if c.name == name)

    @property
    def names(self) -> tuple[str, ...]:
        """Standard names in order."""
        return tuple(c.name for c in self.columns)


EVIDENCE = ("file", "sheet", "row")
"""Leading columns of every typed table: the file's name within EXPORTS, the sheet ("" for text), the row as a spreadsheet counts it."""

AID_STATUSES = ("estimated", "anticipated", "disbursed", "cancelled")
LINE_KINDS = ("draw", "down payment", "fee")
EVENT_KINDS = ("draw", "down payment", "fee", "payment")
METHODS = ("bank", "card")
OUTCOMES = ("cleared", "returned", "refunded")
POSTING_KINDS = ("plan draw", "payment", "waiver", "sponsor", "refund", "brought forward")

CHARGES = Export(
    "charges",
    "a charge or its reversal on the bill",
    (
        Column("student_id", "id", required=True),
        Column("term", "id", required=True),
        Column("posted_on", "date", required=True),
        Column("amount", "money", required=True),
        Column("charge_type", "text", without="every charge is taken as one that the plan pays, a fine too"),
        Column("description", "text"),
    ),
    dated_by="posted_on",
)
AID = Export(
    "aid",
    "an award on the bill, or a change of its amount",
    (
        Column("student_id", "id", required=True),
        Column("term", "id", required=True),
        Column("fund", "text", required=True),
        Column("status", "word", required=True, words=AID_STATUSES),
        Column("amount", "money", required=True),
        Column("posted_on", "date", required=True),
        Column("disbursed_on", "date", without="disbursed aid is taken as in hand from its posted_on on"),
        Column("expected_on", "date", without="anticipated aid counts however late it is, and none is told as overdue"),
        Column("cancelled_on", "date", without="aid is cancelled by its status alone, and at every as-of date"),
    ),
    dated_by="posted_on",
)
PLAN_SCHEDULES = Export(
    "plan_schedules",
    "one line that a plan takes",
    (
        Column("plan_id", "id", required=True),
        Column("student_id", "id", required=True),
        Column("term", "id", required=True),
        Column("enrolled_on", "date", required=True),
        Column("plan_total", "money", required=True),
        Column("line", "id", required=True),
        Column("draw_date", "date", required=True),
        Column("amount", "money", required=True),
        Column("kind", "word", words=LINE_KINDS, default="draw", without="every line is taken as a draw, a fee and a down payment too"),
        Column("method", "word", words=METHODS, default="bank", without="every line is taken as drawn from a bank account, a card too"),
        Column(
            "line_status",
            "word",
            words=("active", "cancelled"),
            default="active",
            without="every line is taken as active, a cancelled one too",
        ),
        Column("cancelled_on", "date", without="a cancelled line is taken as cancelled at every as-of date"),
        Column("set_on", "date", same_as="enrolled_on", without="every plan is taken as last set on the day it was enrolled"),
        Column("consent_on", "date", same_as="enrolled_on", without="no authorization is newer than the plan, so that no stop ends"),
        Column(
            "schedule_says", "word", words=("pending", "posted", "failed"), without="no draw is held against what the plan system believes"
        ),
        Column("reference", "id", without="no bank event finds its line by a reference"),
        Column("student_name", "text"),
    ),
    dated_by="enrolled_on",
)
CLEARED_DRAWS = Export(
    "cleared_draws",
    "one event from the bank or card processor",
    (
        Column("settled_on", "date", required=True),
        Column("amount", "money", required=True, positive=True),
        Column("outcome", "word", required=True, words=OUTCOMES),
        Column("plan_id", "id", without="every event belongs to its student alone, and to none of the plans by name"),
        Column("student_id", "id", without="an event of an unknown plan is nobody's"),
        Column("reference", "id", without="an event that was read twice is not known as one, and no return finds its draw by name"),
        Column("line", "id", without="no event names its line, so that amount and day decide"),
        Column("kind", "word", words=EVENT_KINDS, without="every event is taken as plan money, a fee and another payment too"),
        Column("method", "word", words=METHODS, without="a return code is read without knowing whether a bank or a card gave it"),
        Column("return_code", "id", without="every return is taken as one without a code, and no plan is under a stop"),
        Column("original_reference", "id", without="no return names the draw that it undoes, so that amount and day decide"),
    ),
    dated_by="settled_on",
)
POSTINGS = Export(
    "postings",
    "a credit posted on the student ledger",
    (
        Column("student_id", "id", required=True),
        Column("term", "id", required=True),
        Column("posted_on", "date", required=True),
        Column("kind", "word", required=True, words=POSTING_KINDS),
        Column("amount", "money", required=True),
        Column("reference", "id", without="a posting that was read twice is not known as one"),
    ),
    dated_by="posted_on",
    optional=True,
)

EXPORTS: dict[str, Export] = {e.name: e for e in (CHARGES, AID, PLAN_SCHEDULES, CLEARED_DRAWS, POSTINGS)}

DRAW_STATES = ("cleared", "part cleared", "cancelled", "failed", "pending", "in transit", "not seen")
COVERAGES = ("not billed", "short", "over", "paid", "covered by pending")


def _out(*columns: tuple[str, CellKind]) -> tuple[Column, ...]:
    return tuple(Column(name, kind) for name, kind in columns)


OUTPUTS: dict[str, tuple[Column, ...]] = {
    "students": _out(
        ("term", "id"),
        ("student_id", "id"),
        ("charges", "money"),
        ("aid_disbursed", "money"),
        ("aid_anticipated", "money"),
        ("other_credits", "money"),
        ("draws_cleared", "money"),
        ("balance_now", "money"),
        ("pending_draws", "money"),
        ("failed_draws", "money"),
        ("not_seen_draws", "money"),
        ("gap", "money"),
        ("coverage", "word"),
    ),
    "draws": _out(
        ("term", "id"),
        ("student_id", "id"),
        ("plan_id", "id"),
        ("line", "id"),
        ("kind", "word"),
        ("method", "word"),
        ("draw_date", "date"),
        ("expected_on", "date"),
        ("scheduled", "money"),
        ("cleared", "money"),
        ("state", "word"),
        ("settled_on", "date"),
        ("returnable_until", "date"),
        ("match", "word"),
        ("attempts", "count"),
        ("return_code", "id"),
        ("schedule_says", "word"),
        ("references", "text"),
    ),
    "plans": _out(
        ("term", "id"),
        ("student_id", "id"),
        ("plan_ids", "text"),
        ("enrolled_on", "date"),
        ("baseline", "date"),
        ("plan_total", "money"),
        ("active_lines", "money"),
        ("cleared", "money"),
        ("pending_draws", "money"),
        ("failed", "money"),
        ("not_seen", "money"),
        ("balance_to_meet", "money"),
        ("variance", "money"),
        ("set_off_the_bill", "money"),
        ("does_not_add_up", "money"),
        ("cancelled", "money"),
        ("charges_changed", "money"),
        ("aid_changed", "money"),
        ("other_credits_changed", "money"),
        ("failed_and_not_seen", "money"),
        ("uncleared", "money"),
        ("above_schedule", "money"),
        ("without_a_line", "money"),
        ("unexplained", "money"),
        ("again", "money"),
        ("awaited", "money"),
        ("kept", "money"),
        ("proposed_draws", "text"),
        ("to_give_back", "money"),
        ("to_stop", "money"),
        ("to_collect", "money"),
        ("notice_by", "date"),
        ("first_changeable", "date"),
    ),
    "next_draws": _out(
        ("term", "id"),
        ("draw_date", "date"),
        ("taken_on", "date"),
        ("lines", "count"),
        ("scheduled", "money"),
        ("lines_in_question", "count"),
        ("in_question", "money"),
        ("why", "text"),
        ("proposed", "money"),
        ("notice_by", "date"),
        ("last_day_to_stop", "date"),
    ),
    "exceptions": _out(
        ("exception_id", "id"),
        ("kind", "word"),
        ("severity", "word"),
        ("owner", "text"),
        ("term", "id"),
        ("student_id", "id"),
        ("plan_id", "id"),
        ("line", "id"),
        ("amount", "money"),
        ("happened_on", "date"),
        ("what", "text"),
        ("action", "text"),
        ("act_by", "date"),
        ("evidence", "text"),
        ("first_seen", "date"),
        ("age_days", "count"),
        ("standing", "word"),
        ("disposition", "word"),
        ("note", "text"),
        ("decided_by", "text"),
        ("decided_on", "date"),
    ),
    "dispositions": _out(
        ("exception_id", "id"),
        ("kind", "word"),
        ("term", "id"),
        ("student_id", "id"),
        ("event", "word"),
        ("amount", "money"),
        ("disposition", "word"),
        ("note", "text"),
        ("decided_by", "text"),
        ("decided_on", "date"),
        ("amount_before", "money"),
        ("disposition_before", "word"),
        ("note_before", "text"),
        ("decided_by_before", "text"),
        ("decided_on_before", "date"),
        ("read_as_of", "date"),
    ),
    "unread_notes": _out(
        ("file", "text"),
        ("sheet", "text"),
        ("row", "count"),
        ("exception_id", "text"),
        ("column", "text"),
        ("value", "text"),
        ("problem", "text"),
        ("how to mend it", "text"),
    ),
    "outreach": _out(
        ("term", "text"),
        ("student_id", "id"),
        ("student_name", "text"),
        ("why", "text"),
        ("amount", "money"),
        ("by_when", "date"),
        ("notice_by", "date"),
        ("propose", "text"),
        ("greeting", "text"),
        ("letter", "text"),
        ("exception_ids", "text"),
    ),
    "draw_dates": _out(
        ("term", "id"),
        ("draw_date", "date"),
        ("lines", "count"),
        ("scheduled", "money"),
        ("cleared", "money"),
        ("in_transit", "money"),
        ("failed", "money"),
        ("not_seen", "money"),
        ("other", "money"),
        ("bank_total", "money"),
        ("ledger_total", "money"),
        ("difference", "money"),
    ),
    "settlement_days": _out(
        ("settled_on", "date"),
        ("method", "word"),
        ("cleared", "money"),
        ("returned", "money"),
        ("refunded", "money"),
        ("fees", "money"),
        ("net", "money"),
        ("no_money", "money"),
    ),
    "return_rates": _out(
        ("name", "text"),
        ("window", "text"),
        ("from", "date"),
        ("through", "date"),
        ("returns", "count"),
        ("base", "count"),
        ("percent", "text"),
        ("level", "text"),
        ("above", "word"),
        ("more_to_pass", "count"),
    ),
    "unmatched_events": _out(
        ("term", "id"),
        ("student_id", "id"),
        ("plan_id", "id"),
        ("line", "id"),
        ("kind", "word"),
        ("method", "word"),
        ("settled_on", "date"),
        ("outcome", "word"),
        ("amount", "money"),
        ("without_a_line", "money"),
        ("return_code", "id"),
        ("reference", "id"),
        ("original_reference", "id"),
        ("reason", "text"),
        ("file", "text"),
        ("sheet", "text"),
        ("row", "count"),
    ),
    "entries": _out(
        ("export", "word"),
        ("file", "text"),
        ("sheet", "text"),
        ("row", "count"),
        ("student_id", "id"),
        ("term", "id"),
        ("plan_id", "id"),
        ("line", "id"),
        ("date", "date"),
        ("cents", "count"),
        ("status", "word"),
        ("reference", "id"),
        ("bucket", "word"),
        ("match", "word"),
        ("undoes", "text"),
        ("parts", "text"),
    ),
    "rejected_rows": _out(
        ("file", "text"),
        ("sheet", "text"),
        ("row", "count"),
        ("column", "text"),
        ("value", "text"),
        ("problem", "text"),
        ("how to mend it", "text"),
    ),
    "proof": _out(("name", "text"), ("left", "money"), ("right", "money"), ("difference", "money")),
    "other_terms": _out(
        ("term", "id"), ("student_id", "id"), ("charges", "money"), ("aid", "money"), ("postings", "money"), ("rows", "count")
    ),
    "rollforward": _out(("term", "id"), ("method", "word"), ("money", "word"), ("item", "word"), ("lines", "count"), ("amount", "money")),
    "line_moves": _out(
        ("term", "id"),
        ("student_id", "id"),
        ("plan_id", "id"),
        ("line", "id"),
        ("kind", "word"),
        ("method", "word"),
        ("draw_date", "date"),
        ("opening_state", "word"),
        ("opening_scheduled", "money"),
        ("closing_state", "word"),
        ("closing_scheduled", "money"),
        ("money", "word"),
        ("item", "word"),
        ("amount", "money"),
    ),
    "closing_lines": _out(
        ("term", "id"),
        ("student_id", "id"),
        ("plan_id", "id"),
        ("line", "id"),
        ("kind", "word"),
        ("method", "word"),
        ("enrolled_on", "date"),
        ("set_on", "date"),
        ("plan_total", "money"),
        ("draw_date", "date"),
        ("scheduled", "money"),
        ("line_status", "word"),
        ("cancelled_on", "date"),
        ("state", "word"),
        ("cleared", "money"),
        ("settled_on", "date"),
        ("pending", "money"),
        ("failed_and_not_seen", "money"),
        ("rolled", "money"),
        ("open_since", "date"),
    ),
    "plan_changes": _out(
        ("term", "id"),
        ("student_id", "id"),
        ("plan_id", "id"),
        ("line", "id"),
        ("change", "word"),
        ("was", "text"),
        ("now", "text"),
        ("amount", "money"),
        ("dated", "date"),
    ),
    "open_items": _out(
        ("term", "id"),
        ("student_id", "id"),
        ("plan_id", "id"),
        ("line", "id"),
        ("kind", "word"),
        ("method", "word"),
        ("draw_date", "date"),
        ("state", "word"),
        ("scheduled", "money"),
        ("rolled", "money"),
        ("open", "money"),
        ("since", "date"),
        ("age_days", "count"),
        ("age", "word"),
        ("return_code", "id"),
        ("attempts", "count"),
        ("standing", "word"),
    ),
    "tie_out": _out(
        ("term", "id"),
        ("draw_date", "date"),
        ("step", "word"),
        ("item", "word"),
        ("lines", "count"),
        ("amount", "money"),
        ("until", "date"),
    ),
    "tie_out_items": _out(
        ("term", "id"),
        ("draw_date", "date"),
        ("step", "word"),
        ("item", "word"),
        ("student_id", "id"),
        ("plan_id", "id"),
        ("line", "id"),
        ("amount", "money"),
        ("since", "date"),
        ("age_days", "count"),
        ("until", "date"),
        ("file", "text"),
        ("sheet", "text"),
        ("row", "count"),
    ),
    "ledger_tie_out": _out(("term", "id"), ("account", "id"), ("item", "word"), ("amount", "money")),
    "late_rows": _out(
        ("what", "word"),
        ("export", "word"),
        ("date", "date"),
        ("student_id", "id"),
        ("term", "id"),
        ("plan_id", "id"),
        ("line", "id"),
        ("amount", "money"),
        ("status", "word"),
        ("reference", "id"),
        ("bucket", "word"),
        ("file", "text"),
        ("sheet", "text"),
        ("row", "count"),
    ),
    "bridges": _out(("bridge", "word"), ("item", "word"), ("amount", "money")),
    "close_checks": _out(("check", "word"), ("done", "word"), ("what", "text")),
}
"""Columns of the data files of a run, in order; the writer takes kinds and order from here and refuses a table that differs."""

CLOSE_ONLY: frozenset[str] = frozenset(
    {
        *("rollforward", "line_moves", "closing_lines", "plan_changes", "open_items", "tie_out", "tie_out_items", "ledger_tie_out"),
        *("late_rows", "bridges", "close_checks"),
    }
)
"""The outputs that only a month-end close has; all others stand in every run."""


def outputs_of(kind: str) -> tuple[str, ...]:
    """The names of the outputs of a run of that kind (`daily` or `close`), in order."""
    return tuple(name for name in OUTPUTS if kind == "close" or name not in CLOSE_ONLY)


def check_typed(export: Export, table: pd.DataFrame) -> None:
    """Hold a typed table against its declaration with pandera; nothing is coerced.

    In:      evidence columns, then every standard column of the export, typed as DTYPES says.
    Errors:  pandera.errors.SchemaErrors if intake let something through: a fault of ours, since every bad cell was to be rejected before.
    """
    import pandera.pandas as pa  # noqa: PLC0415 (costs half a second; see the module docstring)

    def column(c: Column) -> pa.Column:
        checks = []
        if c.words:
            allowed = {*c.words, *(() if c.required else ("",))}
            checks.append(pa.Check.isin(sorted(allowed), error=f"{c.name} is one of the allowed words"))
        if c.required and c.kind in {"id", "text"}:
            checks.append(pa.Check(lambda s: s != "", error=f"{c.name} is not empty"))
        if c.positive:
            checks.append(pa.Check.gt(0, error=f"{c.name} is above zero"))
        return pa.Column(DTYPES[c.kind], checks, nullable=c.kind == "date" and not (c.required or c.same_as), coerce=False)

    evidence = {"file": pa.Column("str"), "sheet": pa.Column("str"), "row": pa.Column("int64", pa.Check.gt(0))}
    schema = pa.DataFrameSchema({**evidence, **{c.name: column(c) for c in export.columns}}, strict=True, ordered=True)
    schema.validate(table.reset_index(drop=True), lazy=True, inplace=True)  # nothing is coerced, so nothing need be copied
