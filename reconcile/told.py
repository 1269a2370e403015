"""What one part of the student body has for the exception list and the letters: its exceptions, told and dated, and letters to families.

Nothing here looks beyond the part: what only the whole can tell, common causes and the order of all rows, comes after (`exception_list`).
So a letter never depends on how many other families have the same exception.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, partial
from typing import TYPE_CHECKING, Final

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.exception_kinds import BY_NAME, GROUPS
from reconcile.exception_rows import SEVERITIES, cells_of, row_of, severity_of, when_to_act
from reconcile.outreach import outreach
from reconcile.standing import CLOSED, RESOLVED, Memory, PreviousList, exception_ids, typed_columns
from reconcile.texts import among, arrow_text

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import pandas as pd

    from reconcile.dispositions import Note
    from reconcile.events import Bools, Ints
    from reconcile.exception_facts import Fact
    from reconcile.policy import Rules

DONE: Final = (CLOSED, RESOLVED)
AGAINST_THE_BILL: Final = ("plan exceeds bill", "plan below bill", "bill short")
ABSORBED: Final = ("schedule does not add up", "second plan")
_GROUP_OF: Final = [list(GROUPS).index(kind.group) for kind in BY_NAME.values()]


@dataclass(frozen=True, eq=False)
class Told:
    """The exceptions of a part, in the order in which they were found, and its letters.

    rows:        OUTPUTS["exceptions"]. soon, calm, about: of each row, as its fact has them.
    letters:     OUTPUTS["outreach"], families with the most harmful exception of the part first.
    written_of:  of each letter the position among `rows` of the first exception that it is about.
    """

    rows: pd.DataFrame
    soon: Bools
    calm: Bools
    about: tuple[str, ...]
    letters: pd.DataFrame
    written_of: Ints


def memory_of(previous: PreviousList | None, notes: Sequence[Note], rules: Rules, as_of: date) -> Memory:
    """The list of the run before and what people wrote since, as the rules take it."""
    closing = frozenset(word.word for word in rules.exceptions.dispositions if word.closes)
    return Memory(previous, notes, closing, rules.plans.plan_tolerance, as_of)


def tell(
    facts: Sequence[Fact], tables: Mapping[str, pd.DataFrame], rules: Rules, as_of: date, memory: Memory, names: Mapping[str, str]
) -> Told:
    """Tell the exceptions of a part of the student body, and write to its families.

    In:      its facts (`find_facts`), and its plans and draws as OUTPUTS has them; cents. `names` as `outreach` takes them.
    Rules:   exceptions.toml; letters.toml
    """
    kept = one_cause_once(facts, rules)
    rows = rows_of(kept, rules, as_of, memory)
    soon = np.array([fact.soon for fact in kept], dtype=np.bool_)
    harm = np.argsort(own_places(rows, soon))
    letters = outreach(rows.take(harm), tables["plans"], tables["draws"], rules, as_of, names)
    first = pc.list_element(pc.split_pattern(arrow_text(letters["exception_ids"]), "; ", max_splits=1), 0) if len(letters) else []
    written_of = pc.index_in(pa.array(first, pa.large_string()), value_set=arrow_text(rows["exception_id"])).to_numpy()
    calm = np.array([fact.calm for fact in kept], dtype=np.bool_)
    return Told(rows, soon, calm, tuple(fact.about for fact in kept), letters, written_of.astype(np.int64))


def rows_of(facts: Sequence[Fact], rules: Rules, as_of: date, memory: Memory) -> pd.DataFrame:
    """The facts as rows of OUTPUTS["exceptions"], in their order."""
    when = cache(partial(when_to_act, rules, rules.banking_days(), as_of))  # few different days, asked for often
    ids = exception_ids(facts)
    rows = [row_of(id_, fact, memory.stands(id_, fact.amount), rules, as_of, when) for id_, fact in zip(ids, facts, strict=True)]
    return typed_columns(cells_of(rows), "exceptions")


def own_places(rows: pd.DataFrame, soon: Bools) -> Ints:
    """The place of each row in the order of the list, common causes aside: from 0, each place once.

    First of all plans above their bill with a draw soon, then by severity, group of harm and amount; what is closed or resolved stands
    last. Rows that are alike in all of that stand by their texts.
    """
    kinds = pa.array(list(BY_NAME), pa.large_string())
    keys = {
        "done": among(rows["standing"], DONE).astype(np.int8),
        "later": (~soon).astype(np.int8),
        "severity": pc.index_in(arrow_text(rows["severity"]), value_set=pa.array(SEVERITIES, pa.large_string())),
        "group": pa.array(np.array(_GROUP_OF, dtype=np.int8)).take(pc.index_in(arrow_text(rows["kind"]), value_set=kinds)),
        "amount": -rows["amount"].abs().to_numpy(),
        **{name: arrow_text(rows[name]) for name in ("kind", "term", "student_id", "plan_id", "line", "exception_id")},
    }
    order = pc.sort_indices(pa.table(keys), sort_keys=[(name, "ascending") for name in keys]).to_numpy()
    places = np.empty(len(order), dtype=np.int64)
    places[order] = np.arange(len(order))
    return places


def one_cause_once(facts: Sequence[Fact], rules: Rules) -> list[Fact]:
    """Leave out a second plan or lines that do not add up where the same student's plan is told against the bill, no less severely.

    What is left out stands in the sentence of what remains.
    """
    against = {(fact.term, fact.student_id): fact for fact in facts if fact.kind in AGAINST_THE_BILL}
    second: dict[int, str] = {}
    kept = []
    for fact in facts:
        over = against.get((fact.term, fact.student_id)) if fact.kind in ABSORBED else None
        if over is None or SEVERITIES.index(severity_of(over, rules)) > SEVERITIES.index(severity_of(fact, rules)):
            kept.append(fact)
        elif fact.kind == "second plan":
            second[id(over)] = fact.plan_id
    also = "; a second plan, {}, has draws still to come"
    return [fact._replace(what=fact.what[:-1] + also.format(second[id(fact)]) + ".") if id(fact) in second else fact for fact in kept]
