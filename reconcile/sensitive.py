"""Does a column hold what must never be stored or shown: social security, bank account or card numbers?

A college's draws can be reconciled without any of them. A column that looks like one stops the run unless the column map leaves it out,
so this must not fire on what only has as many figures: student numbers of eight or nine, plan numbers, trace numbers of bank entries.

- by heading: words such as SSN, account number, card number, routing, IBAN;
- by cells: most filled cells in the form 123-45-6789, or card numbers (13 to 19 figures, a first figure that card networks use, and the
  check figure of ISO/IEC 7812-1, called Luhn's) in more than four cells of five; nine bare figures count only under a heading that
  hints at it.

One number in ten passes the check figure by chance, so a column of trace numbers does not.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.raw import heading_key

if TYPE_CHECKING:
    import pyarrow as pa

LOOKED_AT = 2_000
"""Filled cells that are looked at, spread over the column."""
FEWEST = 3
"""Filled cells below which the cells alone say nothing."""

_SOCIAL = re.compile(
    r"ssn(?:[0-9]|number|num|no|id|last4)?|.+ssn|.*soc(?:ial)?(?:sec(?:urity)?|insurance).*|i?tin|taxid(?:number|num|no)?|taxpayerid.*"
)
_BANK = re.compile(
    r".*(?:account|acct)(?:number|num|no|nbr)|.*(?:bank|checking|savings|payer|debit|deposit)(?:account|acct)(?:id)?"
    r"|.*iban|.*routing(?:transit)?(?:number|num|no|nbr)?|aba(?:number|num|no|routing)?|.*sortcode"
)
_CARD = re.compile(r".*card(?:number|num|no|nbr)|.*creditcard|pan|.*primaryaccountnumber|cvv2?|cvc2?")
_HINT = re.compile(r".*(?:soc|ssn|tax).*")
_DASHED = r"^[0-9]{3}-[0-9]{2}-[0-9]{4}\z"
_NINE = r"^[0-9]{9}\z"
_CARD_LIKE = r"^[2-6][0-9]{12,18}\z"


def looks_sensitive(heading: str, cells: pa.Array) -> str | None:
    """Why a column must not be read, in plain words; None if it may.

    >>> import pyarrow as pa
    >>> looks_sensitive("SSN", pa.array([], type=pa.string()))
    'its heading names a social security or tax number'
    >>> looks_sensitive("Student ID", pa.array(["123456789"] * 9)) is None
    True
    """
    key = heading_key(heading)
    for pattern, what in ((_SOCIAL, "a social security or tax number"), (_BANK, "a bank account"), (_CARD, "a card number")):
        if pattern.fullmatch(key):
            return f"its heading names {what}"
    filled = _some_filled(cells)
    if len(filled) < FEWEST:
        return None
    bare = pc.replace_substring_regex(filled, r"[\s-]", "")
    if 2 * _count(filled, _DASHED) > len(filled):
        return "most of its cells have the form of a social security number (123-45-6789)"
    if _HINT.fullmatch(key) and 2 * _count(bare, _NINE) > len(filled):
        return "most of its cells have nine figures, and its heading hints at a social security number"
    like_cards = bare.filter(pc.match_substring_regex(bare, _CARD_LIKE)).to_pylist()
    if 5 * sum(1 for figures in like_cards if passes_check_figure(figures)) > 4 * len(filled):
        return "most of its cells are card numbers by their check figure"
    return None


def passes_check_figure(figures: str) -> bool:
    """Whether the last figure is the check figure of those before it (Luhn's rule): from the right every second figure is doubled.

    >>> passes_check_figure("4111111111111111"), passes_check_figure("4111111111111112")
    (True, False)
    """
    doubled = (0, 2, 4, 6, 8, 1, 3, 5, 7, 9)
    return sum(doubled[int(f)] if i % 2 else int(f) for i, f in enumerate(reversed(figures))) % 10 == 0


def _some_filled(cells: pa.Array) -> pa.Array:
    """Up to `LOOKED_AT` trimmed filled cells, spread evenly over the column."""
    step = max(1, len(cells) // (4 * LOOKED_AT))
    trimmed = pc.utf8_trim_whitespace(cells[::step] if step > 1 else cells)
    filled = trimmed.filter(pc.greater(pc.binary_length(trimmed), 0))
    return filled[:: max(1, len(filled) // LOOKED_AT)]


def _count(cells: pa.Array, pattern: str) -> int:
    return int(pc.sum(pc.match_substring_regex(cells, pattern)).as_py() or 0)
