"""The figures that people look at, added up from the data tables of a run: nothing is worked out anew, only picked, counted and summed.

Workbook, page and packet show the same figures, so each is made in one place. All functions take tables shaped by `schemas.OUTPUTS` and
give new ones; money is cents, with the signs of the tables.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import pandas as pd

from reconcile.schemas import COVERAGES, DRAW_STATES

if TYPE_CHECKING:
    from collections.abc import Sequence

STANDING_ORDER: Final = ("new", "changed", "carried", "closed", "resolved")
"""Standings in the order in which a person works: what nobody has looked at first."""

SEVERITY_ORDER: Final = ("urgent", "act", "information")
MOST_DATES: Final = 24
"""So many draw dates can be told apart in a chart; with more of them the months are shown."""

OVER, SHORT, AGAIN, AWAITED = "plans over the bill", "plans short of the bill", "may be presented again", "still awaited"
GIVE_BACK, STOP, COLLECT = "to give back", "to stop", "to collect"
VARIANCES: Final = (OVER, SHORT, AGAIN, AWAITED, GIVE_BACK, STOP, COLLECT)
"""What is told of where plans and bills have parted, and of what is advised."""

PENDING_STATES: Final = ("pending", "in transit")
LOST_STATES: Final = ("failed", "not seen")


class Totals(NamedTuple):
    """What a summary says of students, draws and plans: `coverage_totals`, `state_totals` and `variance_totals`."""

    coverage: pd.DataFrame
    states: pd.DataFrame
    variances: pd.DataFrame


def totals_of(students: pd.DataFrame, draws: pd.DataFrame, plans: pd.DataFrame) -> Totals:
    """The totals of a run or of a part of it."""
    return Totals(coverage_totals(students), state_totals(draws), variance_totals(plans))


def added(parts: Sequence[Totals]) -> Totals:
    """The totals of a whole run from those of its parts."""
    coverage, states, variances = (pd.concat(tables, ignore_index=True) for tables in zip(*parts, strict=True))
    figures = variances.groupby("figure", sort=False).sum()
    return Totals(
        _by_coverage(coverage.groupby(["term", "coverage"], sort=True)[["students", "gap"]].sum().reset_index()),
        _by_state(states.groupby("state", sort=True)[["lines", "scheduled", "cleared"]].sum()),
        figures.loc[[name for name in VARIANCES if name in figures.index]].reset_index().astype({"figure": "str"}),
    )


def coverage_totals(students: pd.DataFrame) -> pd.DataFrame:
    """Per term and coverage: how many students, and their gap. Columns: term, coverage, students, gap."""
    return _by_coverage(students.groupby(["term", "coverage"], sort=True)["gap"].agg(students="size", gap="sum").reset_index())


def _by_coverage(grouped: pd.DataFrame) -> pd.DataFrame:
    order = grouped["coverage"].map({word: at for at, word in enumerate(COVERAGES)}).fillna(len(COVERAGES))
    return _counted(grouped.assign(order=order).sort_values(["term", "order", "coverage"]), ["term", "coverage", "students", "gap"])


def state_totals(draws: pd.DataFrame) -> pd.DataFrame:
    """Per state: lines, and their scheduled and cleared money. Columns: state, lines, scheduled, cleared."""
    counted = draws[["state", "scheduled", "cleared"]].assign(lines=1)
    return _by_state(counted.groupby("state", sort=True)[["lines", "scheduled", "cleared"]].sum())


def _by_state(grouped: pd.DataFrame) -> pd.DataFrame:
    here = [state for state in DRAW_STATES if state in grouped.index]
    return _counted(grouped.loc[here].reset_index(), ["state", "lines", "scheduled", "cleared"])


def exception_totals(exceptions: pd.DataFrame) -> pd.DataFrame:
    """Per severity: how many exceptions of each standing. Columns: severity, then one per standing; only severities that occur."""
    here = [word for word in SEVERITY_ORDER if bool((exceptions["severity"] == word).any())]
    severity, standing = exceptions["severity"], exceptions["standing"]
    counts = {stood: [int(((severity == word) & (standing == stood)).sum()) for word in here] for stood in STANDING_ORDER}
    return pd.DataFrame({"severity": pd.Series(here, dtype="str"), **{name: pd.Series(n, dtype="int64") for name, n in counts.items()}})


def variance_totals(plans: pd.DataFrame) -> pd.DataFrame:
    """Where plans and bills have parted, and what is advised. Columns: figure, plans, amount; only figures that are not zero."""
    rows = [(name, int((cents != 0).sum()), int(cents.sum())) for name, cents in _variances(plans).items() if bool((cents != 0).any())]
    return _frame(rows, ("figure", "plans", "amount"))


def _variances(plans: pd.DataFrame) -> dict[str, pd.Series]:
    variance = plans["variance"]
    advised = {AGAIN: "again", AWAITED: "awaited", GIVE_BACK: "to_give_back", STOP: "to_stop", COLLECT: "to_collect"}
    parted = {OVER: variance.where(variance > 0, 0), SHORT: variance.where(variance < 0, 0)}
    return parted | {figure: plans[column] for figure, column in advised.items()}


def cause_totals(plans: pd.DataFrame, causes: tuple[str, ...]) -> pd.DataFrame:
    """What explains the variance of all plans together. Columns: cause, plans, amount; only causes that are not zero somewhere."""
    rows = [(name, int((plans[name] != 0).sum()), int(plans[name].sum())) for name in causes if bool((plans[name] != 0).any())]
    return _frame(rows, ("cause", "plans", "amount"))


def pending_and_cleared(draws: pd.DataFrame) -> pd.DataFrame:
    """What each draw date has brought and is still to bring; down payments and fees are left out.

    Out:     date (text: 2026-11-10, or the month 2026-11 where there are more than MOST_DATES dates), cleared (net), pending (in transit
             included), lost (failed and not seen).
    """
    real = draws[draws["kind"] == "draw"]
    scheduled, state = real["scheduled"], real["state"]
    dates = real["draw_date"].dt.strftime("%Y-%m-%d")
    if dates.nunique() > MOST_DATES:
        dates = dates.str.slice(0, 7)
    table = pd.DataFrame(
        {
            "date": dates.astype("str"),
            "cleared": real["cleared"],
            "pending": scheduled.where(state.isin(PENDING_STATES), 0),
            "lost": scheduled.where(state.isin(LOST_STATES), 0),
        }
    )
    return table.groupby("date", sort=True, as_index=False).sum()


def in_order_of_work(exceptions: pd.DataFrame) -> pd.DataFrame:
    """The exception list with what is new first, then what has changed; within a standing in its own order, by harm and amount."""
    rank = exceptions["standing"].map({word: at for at, word in enumerate(STANDING_ORDER)}).fillna(len(STANDING_ORDER))
    return exceptions.iloc[rank.argsort(kind="stable")].reset_index(drop=True)


def failed_draws(draws: pd.DataFrame, exceptions: pd.DataFrame) -> pd.DataFrame:
    """Every failed line with what its exception says is to be done: columns of draws, then action, act_by, standing, exception_id.

    The oldest draw date first; a failed line without an exception of its own has blanks there.
    """
    keys = ["term", "student_id", "plan_id", "line"]
    told = exceptions.loc[exceptions["kind"] == "failed draw", [*keys, "action", "act_by", "standing", "exception_id"]].drop_duplicates(
        keys
    )
    found = draws[draws["state"] == "failed"].merge(told, on=keys, how="left", validate="one_to_one")
    text = {name: found[name].fillna("").astype("str") for name in ("action", "standing", "exception_id")}
    return found.assign(**text).sort_values(["draw_date", *keys], kind="stable").reset_index(drop=True)


def _frame(rows: list[tuple[str, int, int]], names: tuple[str, str, str]) -> pd.DataFrame:
    columns = [pd.Series([row[at] for row in rows], dtype="str" if at == 0 else "int64") for at in range(3)]
    return pd.DataFrame(dict(zip(names, columns, strict=True)))


def _counted(table: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    return table[names].reset_index(drop=True)
