"""What became of each draw: its state, from the events on its line and the day on which one asks.

A line is `cleared` or `part cleared` by the money that stayed on it; without any it is `cancelled` (by the schedule, or because the office
gave all of it back), `failed` (its last attempt came back), `pending` (its date is still to come), `in transit` (its date has come and
its window, or the bank's files, do not yet say) or `not seen` (the window is over and the bank's files reach past it).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.draws import PASSES
from reconcile.events import day_numbers
from reconcile.texts import among, first_true, is_word, spread, words

if TYPE_CHECKING:
    from datetime import date

    from reconcile.banking_days import BankingDays
    from reconcile.bulk import Matching
    from reconcile.events import Bools, Ints
    from reconcile.policy import Rules

CAME_BACK = ("failed", "return")
TRIES = ("money", "attempt", "refunded", "failed")
_NO_DAY = np.iinfo(np.int64).min


def draw_states(
    lines: pd.DataFrame, events: pd.DataFrame, matching: Matching, rules: Rules, days: BankingDays, as_of: date, bank_ends: date | None
) -> pd.DataFrame:
    """Say for each schedule line how much money stayed on it and what state it is in.

    In:      lines with windows, events, matching over their row positions; `bank_ends` is the last day the bank's files speak of.
    Out:     one row per line, in order: cleared (cents, net), state, settled_on (last money that stayed), returnable_until, match,
             attempts, return_code, references.
    Rules:   matching.toml tolerance, returns.toml ordinary.banking_days
    Keeps:   the sum of cleared = the cents of all pairs.
    """
    pairs = _dated(matching.pairs, events)
    count = len(lines)
    net = _sum_by(pairs["line"].to_numpy(), pairs["cents"].to_numpy(), count)
    stayed = pairs[is_word(pairs["role"], "money") & (pairs["cents"] > 0).to_numpy()]
    settled = _latest(stayed, count)
    came_back = _latest(pairs[among(pairs["role"], CAME_BACK)], count)
    given_back = _given_back(pairs, count)
    state = _states(lines, net, came_back, given_back, rules, as_of, bank_ends)
    settled_on = pd.Series(np.where(settled == _NO_DAY, np.datetime64("NaT"), settled.astype("datetime64[D]")), dtype="datetime64[s]")
    tries = pairs["line"].to_numpy()[among(pairs["role"], TRIES)]
    return pd.DataFrame(
        {
            "cleared": net,
            "state": state,
            "settled_on": settled_on,
            "returnable_until": _returnable(lines, settled, rules, days),
            "match": _match(pairs, count),
            "attempts": np.bincount(tries, minlength=count).astype(np.int64),
            "return_code": _return_code(pairs, count),
            "references": _references(pairs, count),
        }
    )


def _dated(pairs: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    """Pairs with the settlement day and reference of their event, in the order of line, day and reference."""
    at = pairs["event"].to_numpy()
    about = events[["reference", "return_code"]].iloc[at].set_axis(["reference", "code"], axis=1).reset_index(drop=True)
    dated = pd.concat([pairs, about], axis=1).assign(settled=day_numbers(events["settled_on"])[at])
    many = dated["line"].duplicated(keep=False)
    ordered = dated[many].sort_values(["line", "settled", "reference", "code", "role", "event"])
    return pd.concat([dated[~many], ordered], ignore_index=True)


def _sum_by(at: Ints, cents: Ints, count: int) -> Ints:
    total = np.zeros(count, dtype=np.int64)
    np.add.at(total, at, cents)
    return total


def _latest(pairs: pd.DataFrame, count: int) -> Ints:
    latest = np.full(count, _NO_DAY, dtype=np.int64)
    np.maximum.at(latest, pairs["line"].to_numpy(), pairs["settled"].to_numpy())
    return latest


def _given_back(pairs: pd.DataFrame, count: int) -> Bools:
    """Whether the last thing that took money off a line was a refund: the office gave it back."""
    refunded, returned = _latest(pairs[pairs["role"] == "refund"], count), _latest(pairs[pairs["role"] == "return"], count)
    return np.asarray((refunded != _NO_DAY) & (refunded > returned))


def _states(
    lines: pd.DataFrame, net: Ints, came_back: Ints, given_back: Bools, rules: Rules, as_of: date, bank_ends: date | None
) -> pd.Series:
    scheduled = lines["amount"].to_numpy()
    today = np.datetime64(as_of, "D").astype("int64")
    window_end = day_numbers(lines["window_end"])
    cancelled = is_word(lines["line_status"], "cancelled") | (scheduled == 0)
    bank_known = window_end <= (np.datetime64(bank_ends, "D").astype("int64") if bank_ends else _NO_DAY)
    found = first_true(
        [
            (net > 0) & (net >= scheduled - rules.matching.tolerance),
            net > 0,
            cancelled | given_back,
            came_back != _NO_DAY,
            day_numbers(lines["draw_date"]) > today,
            (window_end >= today) | ~bank_known,
        ]
    )
    return words(found, ("cleared", "part cleared", "cancelled", "failed", "pending", "in transit", "not seen"))


def _returnable(lines: pd.DataFrame, settled: Ints, rules: Rules, days: BankingDays) -> pd.Series:
    """Last banking day on which the bank may return a cleared bank draw in the ordinary way."""
    until = pd.Series(pd.NaT, index=range(len(lines)), dtype="datetime64[s]")
    bank = is_word(lines["method"], "bank") & (settled != _NO_DAY)
    if bank.any():
        different, at = np.unique(settled[bank], return_inverse=True)
        last = days.add_numbers(different, rules.returns.ordinary.banking_days)[at]
        until[bank] = last.astype("datetime64[D]").astype("datetime64[s]")
    return until


def _match(pairs: pd.DataFrame, count: int) -> pd.Series:
    """The pass of the money that stayed, else of the last attempt."""
    tries = pairs[among(pairs["role"], TRIES)]
    several = tries["line"].duplicated(keep=False)
    again = tries[several]
    rank = again["match"].map({name: at for at, name in enumerate(PASSES)})
    again = again.assign(stayed=again["cents"] > 0, rank=rank).sort_values(["line", "stayed", "settled", "rank"])
    last = pd.concat([tries[~several], again[list(tries.columns)]])
    return spread(count, last["line"].to_numpy(), last["match"])


def _return_code(pairs: pd.DataFrame, count: int) -> pd.Series:
    """The code of the last event that came back on the line."""
    last = pairs[among(pairs["role"], CAME_BACK)].drop_duplicates("line", keep="last")
    return spread(count, last["line"].to_numpy(), last["code"])


def _references(pairs: pd.DataFrame, count: int) -> pd.Series:
    """References of all events on the line, oldest first."""
    told = pairs.loc[~is_word(pairs["reference"], ""), ["line", "reference"]]
    alone = ~told["line"].duplicated(keep=False).to_numpy()
    several: dict[int, dict[str, None]] = {}
    for line, reference in told[~alone].itertuples(index=False):
        several.setdefault(line, {})[reference] = None
    joined = pd.Series(["; ".join(references) for references in several.values()], dtype="str")
    at = np.concatenate([told["line"].to_numpy()[alone], np.array(list(several), dtype=np.int64)])
    return spread(count, at, pd.concat([told["reference"][alone], joined], ignore_index=True))
