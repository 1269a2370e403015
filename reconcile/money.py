"""Money as whole cents: how it is read from rules, written for files and people, shared out, and how a percent of it is taken.

Everywhere in this package an amount is an `int` of cents (or an int64 array of cents), so that sums are exact. Binary floating point
is never used: it cannot hold most amounts, and 2.675 rounds to 2.67 in it where a bank would say 2.68. A percent is an `int` of
hundredths of a percent: "2.75" percent is 275.

Sharing keeps every cent: the parts always add up to the whole, for negative amounts (reductions) as for positive ones.

    >>> money_text(-123450)
    '-1234.50'
    >>> people_money(-123450)
    '-1,234.50'
    >>> parse_rule_money("40.00")
    4000
    >>> parse_percent("2.75")
    275
    >>> percent_of(250000, 275)
    6875
    >>> split_equal(10000, 3, "spare cents first")
    [3334, 3333, 3333]
    >>> split_equal(123457, 5, "last absorbs")
    [24691, 24691, 24691, 24691, 24693]
    >>> parse_rule_money("40")
    Traceback (most recent call last):
    ...
    ValueError: '40' is not an amount of money as rules write it: whole units, a point and two digits, like "40.00"
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from numpy.typing import NDArray

SplitRule = Literal["spare cents first", "last absorbs"]
AllocateRule = Literal["largest remainder", "spare cents first"]

SPLIT_RULES: tuple[SplitRule, ...] = ("spare cents first", "last absorbs")
"""The allowed words of the rule `split`: where the cents go that do not divide evenly."""

WHOLE = 100_00
"""A hundred percent, in hundredths of a percent."""

# Thirteen digits before the point keep every sum of a whole student body within int64.
_MONEY = re.compile(r"(0|[1-9][0-9]{0,12})\.([0-9]{2})", re.ASCII)
_PERCENT = re.compile(r"(0|[1-9][0-9]{0,3})(?:\.([0-9]{1,2}))?", re.ASCII)


def money_text(cents: int) -> str:
    """The amount as data files hold it: plain decimal with two places, `-1234.50`."""
    whole, rest = divmod(abs(int(cents)), 100)
    return f"{'-' if cents < 0 else ''}{whole}.{rest:02d}"


@lru_cache(maxsize=16384)  # the sentences about one draw say its amount several times
def people_money(cents: int) -> str:
    """The amount as sentences say it: with commas, without a currency sign, `-1,234.50`."""
    whole, rest = divmod(abs(int(cents)), 100)
    return f"{'-' if cents < 0 else ''}{whole:,}.{rest:02d}"


def percent_text(hundredths: int) -> str:
    """The percent as people write it, without needless zeros: 275 is `2.75`, 2000 is `20`.

    >>> percent_text(250)
    '2.5'
    """
    text = money_text(hundredths)
    return text.rstrip("0").rstrip(".") if "." in text else text


def parse_rule_money(text: str) -> int:
    """Cents of an amount written in a rules file, like "40.00".

    Strict on purpose: no sign, no commas, exactly two digits after the point, so that nobody has to guess what "40" or "4,000" means.
    Errors: ValueError saying how to write it.
    """
    found = _MONEY.fullmatch(text)
    if found is None:
        raise ValueError(f'{text!r} is not an amount of money as rules write it: whole units, a point and two digits, like "40.00"')
    return int(found[1]) * 100 + int(found[2])


def parse_percent(text: str) -> int:
    """Hundredths of a percent of a percent written in a rules file: "2.75" is 275, "20" is 2000.

    Whether a percent above a hundred makes sense is for the rule that holds it to say.
    Errors: ValueError saying how to write it.
    """
    found = _PERCENT.fullmatch(text)
    if found is None:
        raise ValueError(f'{text!r} is not a percent as rules write it: digits and at most two after a point, like "20" or "2.75"')
    return int(found[1]) * 100 + int((found[2] or "").ljust(2, "0"))


def percent_of(cents: int, hundredths: int) -> int:
    """That percent of an amount, to the whole cent, half a cent up; a negative amount gives the same figure with its sign.

    >>> percent_of(1, 5000), percent_of(-1, 5000)
    (1, -1)
    """
    part = (abs(cents) * hundredths + WHOLE // 2) // WHOLE
    return -part if cents < 0 else part


def percent_of_each(cents: NDArray[np.int64], hundredths: NDArray[np.int64] | int) -> NDArray[np.int64]:
    """`percent_of` for every amount of an array at once.

    The amount is taken apart first, so that a large one times a percent does not leave int64.
    """
    size: NDArray[np.int64] = abs(cents)
    part: NDArray[np.int64] = size // WHOLE * hundredths + (size % WHOLE * hundredths + WHOLE // 2) // WHOLE
    part[cents < 0] *= -1
    return part


def split_equal(total: int, parts: int, rule: SplitRule) -> list[int]:
    """An amount in equal parts that add up to it.

    In:      total in cents, of any sign; a negative total gives the parts of the positive one, each with its sign turned.
    Rules:   `spare cents first` gives one spare cent each to the first parts; `last absorbs` makes all parts the same, rounded down,
             and the last one takes what is left.
    Errors:  ValueError for no parts, or an unknown rule.
    """
    if parts < 1:
        raise ValueError(f"an amount cannot be split in {parts} parts")
    if rule not in SPLIT_RULES:
        raise ValueError(f"unknown split rule {rule!r}; allowed: {', '.join(SPLIT_RULES)}")
    if total < 0:
        return [-part for part in split_equal(-total, parts, rule)]
    each, spare = divmod(total, parts)
    if rule == "last absorbs":
        return [each] * (parts - 1) + [each + spare]
    return [each + 1] * spare + [each] * (parts - spare)


def split_equal_each(totals: NDArray[np.int64], parts: int, rule: SplitRule) -> NDArray[np.int64]:
    """`split_equal` for every amount of an array at once, one row per amount; amounts of at least zero.

    >>> import numpy as np
    >>> split_equal_each(np.array([10_000, 5]), 3, "spare cents first").tolist()
    [[3334, 3333, 3333], [2, 2, 1]]
    """
    from numpy import arange, where  # noqa: PLC0415 (the command line reads this module, and `--help` is quick)

    each, spare = totals // parts, totals % parts
    place = arange(parts)[None, :]
    extra = where(place == parts - 1, spare[:, None], 0) if rule == "last absorbs" else place < spare[:, None]
    shares: NDArray[np.int64] = each[:, None] + extra
    return shares


def allocate(total: int, weights: Sequence[int], rule: AllocateRule = "largest remainder") -> list[int]:
    """An amount in parts as large as their weights say, that add up to it.

    In:      total in cents, of any sign (negative: the parts of the positive one, each with its sign turned); weights are not negative
             and not all zero; only how they compare counts.
    Rules:   each part is first rounded down; the spare cents then go one each to the parts that lost most by it, the earlier first
             where they lost alike (`largest remainder`), or simply to the first parts that have a weight (`spare cents first`).
    Errors:  ValueError for weights that say nothing, or an unknown rule.
    """
    if min(weights, default=0) < 0 or not any(weights):
        raise ValueError(f"these weights cannot share an amount: {list(weights)}")
    if rule not in {"largest remainder", "spare cents first"}:
        raise ValueError(f"unknown rule for the spare cents: {rule!r}")
    if total < 0:
        return [-part for part in allocate(-total, weights, rule)]
    whole = sum(weights)
    shares = [total * weight // whole for weight in weights]
    order = [place for place, weight in enumerate(weights) if weight]
    if rule == "largest remainder":
        order.sort(key=lambda place: -(total * weights[place] % whole))
    for place in order[: total - sum(shares)]:
        shares[place] += 1
    return shares
