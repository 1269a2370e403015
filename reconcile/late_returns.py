"""Returns that came after the time that their code ordinarily gives the family's bank.

Most returns come within two banking days of the draw; a draw that the family did not authorize may be sent back for 60 days. Such a return
must be available by the opening of the banking day after day 60, so it may stand in an office's file on day 61 to 64 and still be in time
(second-hand). A return that comes later than its code ordinarily allows is never refused here: the money is gone, and it is told so that a
person can ask the bank.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reconcile.banking_days import day_number, from_day_number
from reconcile.exception_facts import day_text

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reconcile.exception_ground import Ground
    from reconcile.policy_models import ReturnCode

LONG = 60
"""Calendar days of an unauthorized return."""


def late_words(on: Ground, returns: Iterable[int], method: str) -> str:
    """Words for the first of these return events that came after its code's ordinary time frame; "" if none did.

    In:      positions of returned events; the method of their line. A return that undid no cleared event has no day to count from.
    Rules:   returns.toml frame, frame_unit
    """
    for event in returns:
        taken = on.undone_by.get(event)
        rule = on.return_code(method, on.events["return_code"][event]) if taken else None
        if not taken or rule is None or rule.frame is None:
            continue
        last = _last_day(on, max(int(on.events["settled_on"][of]) for of in taken), rule)
        if int(on.events["settled_on"][event]) > last:
            return _words(on, event, last, rule)
    return ""


def _last_day(on: Ground, settled: int, rule: ReturnCode) -> int:
    """The last day of the code's ordinary time frame for a draw that settled on a day."""
    days = rule.frame or 0
    if rule.frame_unit == "banking":
        return day_number(on.days.add(from_day_number(settled), days))
    return settled + days


def _words(on: Ground, event: int, last: int, rule: ReturnCode) -> str:
    opening = on.days.add(from_day_number(last), 1)
    long = rule.frame_unit == "calendar" and (rule.frame or 0) >= LONG
    in_time = long and from_day_number(int(on.events["settled_on"][event])) <= opening
    still = f"; it may be in time until the opening of {opening}, so ask the bank" if in_time else ": ask the bank"
    return f"the return came late, after its code's {rule.frame} {rule.frame_unit} days ended on {day_text(last)}{still}"
