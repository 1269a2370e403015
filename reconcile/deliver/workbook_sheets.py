"""The sheets of the workbook: which table each of them shows, and its columns with their widths, in the order in which people read them."""

from __future__ import annotations

from typing import Final

from reconcile.deliver.workbook_cells import Field

_ID, _TERM, _MONEY, _DAY = 12, 9, 12, 11

EXCEPTION_FIELDS: Final = (
    Field("standing", "text", 9),
    Field("severity", "text", 10.5),
    Field("kind", "text", 16, "wrap"),
    Field("student_id", "text", _ID),
    Field("plan_id", "text", _ID, "wrap"),
    Field("line", "text", 5),
    Field("amount", "money", 11),
    Field("act_by", "date", _DAY),
    Field("what", "text", 44, "wrap"),
    Field("action", "text", 46, "wrap"),
    Field("disposition", "text", 14, "fill"),
    Field("note", "text", 24, "fill"),
    Field("decided_by", "text", 12, "fill"),
    Field("decided_on", "date", _DAY, "fill"),
    Field("owner", "text", 14),
    Field("term", "text", _TERM),
    Field("happened_on", "date", _DAY),
    Field("first_seen", "date", _DAY),
    Field("age_days", "count", 7),
    Field("evidence", "text", 40),
    Field("exception_id", "text", 17),
    Field("as_written", "text", 10, "hidden"),
)
"""The exception list; the last column lets the next run tell what a person changed, wherever a row has gone."""

TABLES: Final[dict[str, tuple[str, int, tuple[Field, ...]]]] = {
    "Students": (
        "students",
        2,
        (
            Field("term", "text", _TERM),
            Field("student_id", "text", _ID),
            *(Field(name, "money", _MONEY) for name in ("charges", "aid_disbursed", "aid_anticipated", "other_credits", "draws_cleared")),
            *(Field(name, "money", _MONEY) for name in ("balance_now", "pending_draws", "failed_draws", "not_seen_draws", "gap")),
            Field("coverage", "text", 18),
        ),
    ),
    "Draws": (
        "draws",
        4,
        (
            Field("term", "text", _TERM),
            Field("student_id", "text", _ID),
            Field("plan_id", "text", _ID),
            Field("line", "text", 6),
            Field("kind", "text", 13),
            Field("method", "text", 8),
            Field("draw_date", "date", _DAY),
            Field("scheduled", "money", _MONEY),
            Field("cleared", "money", _MONEY),
            Field("state", "text", 12),
            Field("settled_on", "date", _DAY),
            Field("returnable_until", "date", _DAY),
            Field("match", "text", 14),
            Field("return_code", "text", 9),
            Field("schedule_says", "text", 9),
            Field("references", "text", 24),
        ),
    ),
    "Plans": (
        "plans",
        3,
        (
            Field("term", "text", _TERM),
            Field("student_id", "text", _ID),
            Field("plan_ids", "text", 13, "wrap"),
            Field("enrolled_on", "date", _DAY),
            Field("baseline", "date", _DAY),
            *(Field(name, "money", _MONEY) for name in ("plan_total", "active_lines", "cleared", "pending_draws", "failed", "not_seen")),
            *(Field(name, "money", _MONEY) for name in ("balance_to_meet", "variance")),
            *(
                Field(name, "money", _MONEY, blank_zero=True)
                for name in (
                    *("set_off_the_bill", "does_not_add_up", "cancelled", "charges_changed", "aid_changed", "other_credits_changed"),
                    *("failed_and_not_seen", "uncleared", "above_schedule", "without_a_line", "unexplained", "again", "awaited", "kept"),
                )
            ),
            Field("proposed_draws", "text", 30, "wrap"),
            *(Field(name, "money", _MONEY, blank_zero=True) for name in ("to_give_back", "to_stop", "to_collect")),
            Field("notice_by", "date", _DAY),
        ),
    ),
    "Failed draws": (
        "failed draws",
        4,
        (
            Field("term", "text", _TERM),
            Field("student_id", "text", _ID),
            Field("plan_id", "text", _ID),
            Field("line", "text", 6),
            Field("draw_date", "date", _DAY),
            Field("scheduled", "money", _MONEY),
            Field("method", "text", 8),
            Field("return_code", "text", 9),
            Field("attempts", "count", 9),
            Field("schedule_says", "text", 9),
            Field("action", "text", 70, "wrap"),
            Field("act_by", "date", _DAY),
            Field("standing", "text", 9),
            Field("exception_id", "text", 17),
        ),
    ),
    "Next draws": (
        "next_draws",
        2,
        (
            Field("term", "text", _TERM),
            Field("draw_date", "date", _DAY),
            Field("taken_on", "date", _DAY),
            Field("lines", "count", 8),
            Field("scheduled", "money", 14),
            Field("lines_in_question", "count", 10),
            Field("in_question", "money", 14),
            Field("why", "text", 50, "wrap"),
            Field("proposed", "money", 14),
            Field("notice_by", "date", _DAY),
            Field("last_day_to_stop", "date", _DAY),
        ),
    ),
    "Settlement days": (
        "settlement_days",
        2,
        (
            Field("settled_on", "date", _DAY),
            Field("method", "text", 9),
            *(Field(name, "money", 15) for name in ("cleared", "returned", "refunded", "fees", "net", "no_money")),
        ),
    ),
    "Unmatched events": (
        "unmatched_events",
        2,
        (
            Field("term", "text", _TERM),
            Field("student_id", "text", _ID),
            Field("plan_id", "text", _ID),
            Field("line", "text", 6),
            Field("kind", "text", 13),
            Field("method", "text", 8),
            Field("settled_on", "date", _DAY),
            Field("outcome", "text", 10),
            Field("amount", "money", _MONEY),
            Field("without_a_line", "money", _MONEY),
            Field("return_code", "text", 9),
            Field("reference", "text", 15),
            Field("original_reference", "text", 15),
            Field("reason", "text", 30, "wrap"),
            Field("file", "text", 24),
            Field("sheet", "text", 12),
            Field("row", "count", 8),
        ),
    ),
    "Rejected rows": (
        "rejected_rows",
        0,
        (
            Field("file", "text", 26),
            Field("sheet", "text", 12),
            Field("row", "count", 8),
            Field("column", "text", 16),
            Field("value", "text", 22, "wrap"),
            Field("problem", "text", 50, "wrap"),
            Field("how to mend it", "text", 50, "wrap"),
        ),
    ),
    "Proof": (
        "proof",
        0,
        (Field("name", "text", 84), Field("left", "money", 18), Field("right", "money", 18), Field("difference", "money", 14)),
    ),
}
"""Sheet to its table, how many columns stay in view at the left, and its columns."""

UNREAD: Final = (
    "Not read back",
    "unread_notes",
    (
        Field("file", "text", 30),
        Field("sheet", "text", 14),
        Field("row", "count", 8),
        Field("exception_id", "text", 17),
        Field("column", "text", 14),
        Field("value", "text", 40, "wrap"),
        Field("problem", "text", 50, "wrap"),
        Field("how to mend it", "text", 50, "wrap"),
    ),
)
"""What someone wrote and could not be read; the sheet is there only where it has rows."""

PRINTED_EXCEPTIONS: Final = 14
"""Columns of the exception list that go to paper: up to the day of the decision."""
TWO_PAGES: Final = frozenset({"Plans"})
RULED: Final = frozenset({"Failed draws", "Next draws", "Unmatched events", "Rejected rows"})
