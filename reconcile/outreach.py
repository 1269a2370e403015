"""The families to contact: one row for each, so that nobody gets three letters about one thing, with the words of a letter.

Only exceptions that concern the family stand here (those whose kind has words in `letters.toml`), open ones, above information; what the
office has to settle with the bank or its own ledger gives no letter, and neither does what a person has closed. The letter says only what
holds: new amounts are named only where nothing has to be found out first, and every letter says that it changes no draw.

Works on the students with exceptions alone, however many there are beside them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from reconcile.exception_facts import ASK_BANK_FIRST, DECIDES_FIRST
from reconcile.money import parse_rule_money, people_money
from reconcile.standing import CARRIED, CHANGED, NEW, typed
from reconcile.texts import among

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from reconcile.policy import Letters, Rules

OPEN: Final = (NEW, CHANGED, CARRIED)
MONTHS: Final = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)
FAILED: Final = "failed draw"
UNSETTLED: Final = frozenset({"unauthorized", "chargeback", "dishonored", "contested"})
"""Classes of codes after which the bursar and the bank speak first, and no family is asked for money."""
PLAN_COLUMNS: Final = ["term", "student_id", "variance", "again", "proposed_draws", "to_give_back", "to_collect", "notice_by"]
DRAW_COLUMNS: Final = ["student_id", "plan_id", "line", "draw_date", "method", "return_code"]
NOT_KNOWN: Final = "[fill in]"
Row = dict[str, Any]


def outreach(
    exceptions: pd.DataFrame, plans: pd.DataFrame, draws: pd.DataFrame, rules: Rules, as_of: date, names: Mapping[str, str]
) -> pd.DataFrame:
    """One row per family to contact.

    In:      OUTPUTS["exceptions"], "plans" and "draws" of a run, cents; `names` by student id, empty unless the run shows names.
    Out:     OUTPUTS["outreach"], families with the most harmful exception first. `why` and `propose` join the causes in that order;
             `amount` is that of the first, above zero; `by_when` is the earliest act_by; notice_by that of the plans.
    Rules:   letters.toml; without it the table has no rows
    """
    letters = rules.letters
    if letters is None:
        return typed([], "outreach")
    concerning = _concerning(exceptions, letters)
    if not concerning:
        return typed([], "outreach")
    whose = [row["student_id"] for row in concerning]
    told = np.flatnonzero(among(plans["student_id"], whose))
    of_plan = {(r["term"], r["student_id"]): r for r in _records(plans[PLAN_COLUMNS].iloc[told])}
    named = pd.MultiIndex.from_tuples([(row["plan_id"], row["line"]) for row in concerning], names=["plan_id", "line"])
    of_whom = draws[DRAW_COLUMNS].iloc[np.flatnonzero(among(draws["student_id"], whose))]
    of_line = {
        (r["student_id"], r["plan_id"], r["line"]): r
        for r in _records(of_whom[pd.MultiIndex.from_frame(of_whom[["plan_id", "line"]]).isin(named)])
    }
    families: dict[str, list[Row]] = {}
    for row in concerning:
        if row["kind"] != FAILED or _is_owed(row, of_plan, of_line, rules):
            families.setdefault(row["student_id"], []).append(row)
    rows = [_family(student, causes, of_plan, of_line, rules, letters, as_of, names) for student, causes in families.items()]
    return typed(rows, "outreach")


def _records(table: pd.DataFrame) -> list[Row]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _concerning(exceptions: pd.DataFrame, letters: Letters) -> list[Row]:
    """The exceptions that a family is written to about, in the order of the list."""
    which = exceptions["standing"].isin(OPEN) & (exceptions["severity"] != "information") & (exceptions["student_id"] != "")
    found = []
    for row in _records(exceptions[which & exceptions["kind"].isin(list(letters.kinds))]):
        only_after = letters.kinds[row["kind"]].only_after
        waits = bool(only_after) and row["disposition"] not in only_after
        written = row["disposition"] in letters.not_after and row["standing"] != CHANGED
        if not waits and not written:
            found.append(row)
    return found


def _is_owed(row: Row, of_plan: Mapping[tuple[str, str], Row], of_line: Mapping[tuple[str, str, str], Row], rules: Rules) -> bool:
    """Whether a family may be told of a failed draw that its part of the bill is open.

    Not where later draws already carry the money, nor where somebody has to decide or to ask the bank first: a family that pays then
    pays twice.
    """
    plan = of_plan.get((row["term"], row["student_id"]))
    if plan is not None and plan["variance"] >= -rules.plans.plan_tolerance and not plan["again"]:
        return False
    line = of_line.get((row["student_id"], row["plan_id"], row["line"]), {})
    method, code = line.get("method", ""), line.get("return_code", "")
    found = rules.returns.code(method, code) or rules.returns.code("", code)
    decided = found is not None and (found.again or found.stops_plan) and found.klass not in UNSETTLED
    return decided and DECIDES_FIRST not in row["action"] and ASK_BANK_FIRST not in row["action"]


def _family(
    student: str,
    causes: Sequence[Row],
    of_plan: Mapping[tuple[str, str], Row],
    of_line: Mapping[tuple[str, str, str], Row],
    rules: Rules,
    letters: Letters,
    as_of: date,
    names: Mapping[str, str],
) -> Row:
    """The row of one family; `causes` are its exceptions, the most harmful first."""
    terms = list(dict.fromkeys(row["term"] for row in causes))
    name = names.get(student, "")
    common: dict[str, object] = {
        "student_id": student,
        "name": name or letters.without_name.format(student_id=student),
        "notice_days": rules.plans.notice_days,
    }
    said = [
        letters.kinds[row["kind"]].why.format(
            **common,
            **_term_words(row["term"], rules),
            plan=row["plan_id"],
            amount=people_money(abs(int(row["amount"]))),
            day=_day(row["happened_on"]),
            draw_date=_day(of_line.get((student, row["plan_id"], row["line"]), {}).get("draw_date", pd.NaT)),
        )
        for row in causes
    ]
    advised = [of_plan[term, student] for term in terms if (term, student) in of_plan]
    for plan in advised:
        sure = all(letters.kinds[row["kind"]].proposes for row in causes if row["term"] == plan["term"])
        said += _advice(plan, letters, common | _term_words(plan["term"], rules), as_of, sure=sure)
    first = _term_words(terms[0], rules)
    notices = [plan["notice_by"] for plan in advised if not pd.isna(plan["notice_by"])]
    return {
        "term": "; ".join(terms),
        "student_id": student,
        "student_name": name,
        "why": _joined(row["kind"] for row in causes),
        "amount": abs(int(causes[0]["amount"])),
        "by_when": min((row["act_by"] for row in causes if not pd.isna(row["act_by"])), default=pd.NaT),
        "notice_by": min(notices, default=pd.NaT),
        "propose": " ".join(dict.fromkeys(row["action"] for row in causes)),
        "greeting": letters.greeting.format(**common, **first),
        "letter": " ".join(dict.fromkeys([*said, letters.closing.format(**common, **first)])),
        "exception_ids": _joined(row["exception_id"] for row in causes),
    }


def _advice(plan: Row, letters: Letters, words: Mapping[str, object], as_of: date, *, sure: bool) -> list[str]:
    """The sentences about what may become of the draws of one term; `sure`: nothing has to be found out first."""
    said = []
    if plan["proposed_draws"]:
        in_time: bool = not pd.isna(plan["notice_by"]) and plan["notice_by"] >= pd.Timestamp(as_of)
        if sure and in_time:
            said.append(letters.draw_changes.format(**words, proposed=_draws(plan["proposed_draws"]), notice_by=_day(plan["notice_by"])))
        else:
            said.append(letters.draw_may_change.format(**words))
    for key, sentence, gap in (("again", letters.draw_again, "again"), ("to_give_back", letters.money_back, "give_back")):
        if plan[key]:
            said.append(sentence.format(**words, **{gap: people_money(int(plan[key]))}))
    if plan["to_collect"]:
        said.append(letters.to_pay.format(**words, collect=people_money(int(plan["to_collect"]))))
    return said


def _term_words(code: str, rules: Rules) -> dict[str, object]:
    term = rules.term(code)
    return {"term": code, "term_name": term.name if term else code}


def _draws(proposed: str) -> str:
    """The proposed draws as a letter writes them.

    >>> _draws("2026-11-10 2750.00; 2026-12-10 0.00")
    '2,750.00 on November 10, 2026; 0.00 on December 10, 2026'
    """
    parts = (part.split(" ") for part in proposed.split("; "))
    return "; ".join(f"{people_money(parse_rule_money(cents))} on {_day(pd.Timestamp(day))}" for day, cents in parts)


def _day(day: pd.Timestamp) -> str:
    """A day as a letter writes it.

    >>> _day(pd.Timestamp("2026-11-10")), _day(pd.NaT)
    ('November 10, 2026', '[fill in]')
    """
    return NOT_KNOWN if pd.isna(day) else f"{MONTHS[day.month - 1]} {day.day}, {day.year}"


def _joined(words: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(words))
