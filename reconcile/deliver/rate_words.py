"""Return rates in words: one line while they stay at or below their levels, a caution for each that is above.

A college whose draws come back too often is asked by its bank, and may have to stop sending them. The words warn; the bank's own count,
over its own window, decides.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    import pandas as pd


def rates_lines(rates: pd.DataFrame, bank_first: date | None) -> list[str]:
    """What a summary says of the return rates; nothing where the bank drew nothing.

    In:      OUTPUTS["return_rates"]; the first day of which the bank's files speak.
    """
    told = rates[(rates["base"] > 0) | (rates["returns"] > 0)]
    if told.empty:
        return []
    above = told[told["above"] == "yes"]
    if above.empty:
        near = told.iloc[int(told["more_to_pass"].argmin())]
        rate = f"{near['returns']:,} of {near['base']:,} in {near['window']}"
        passing = f"{near['more_to_pass']:,} more would pass {near['level']} percent"
        return [f"Bank returns: none above its level; nearest {near['name']}, {rate}, {passing}"]
    return [*(_caution(row, bank_first) for _, row in above.iterrows()), "  Speak with the bank early: its own count decides."]


def _caution(row: pd.Series, bank_first: date | None) -> str:
    first, last = row["from"].date(), row["through"].date()
    rate = f" ({row['percent']} percent)" if row["percent"] else ""
    part = f"; the bank's files begin only on {bank_first}" if bank_first is not None and bank_first > first else ""
    return (
        f"Caution: bank returns, {row['name']}: {row['returns']:,} of {row['base']:,}{rate} from {first} to {last}, "
        f"above the level of {row['level']}{part}"
    )
