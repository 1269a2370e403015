"""The recipe of a run: from accepted exports to every student's standing, proved, and the list of what a person should look at.

    exports -> parts of the student body -> each settled and told -> put together -> proof -> order of the exception list and the letters

Students are independent, so a run is a map over parts (`settle`, `tell`), a merge (`merged`), and one pass over the whole for what only
the whole can tell: whether a bank file is missing, whether many exceptions have one cause. Pure: no clock, no files, nothing printed.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import pandas as pd

from reconcile.as_of import refuse_lines_before
from reconcile.bank_gaps import gap_notes, hardly_seen
from reconcile.control import prove_intake
from reconcile.exception_list import list_exceptions
from reconcile.figures import added
from reconcile.merged import merge
from reconcile.parts import cut_by_student, whole_of
from reconcile.proof import hold
from reconcile.report_tables import run_notes
from reconcile.settle import settle
from reconcile.standing import typed
from reconcile.told import memory_of, tell

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from datetime import date

    from reconcile.dispositions import Note
    from reconcile.events import Ints
    from reconcile.exception_facts import Fact
    from reconcile.exports import Exports
    from reconcile.figures import Totals
    from reconcile.findings import Finding
    from reconcile.month_end import Closing
    from reconcile.parts import Part, Whole
    from reconcile.policy import Rules
    from reconcile.settle import Settled
    from reconcile.standing import PreviousList

    Each = Callable[[Callable[[Part], Settled], Sequence[Part]], Iterable[Settled]]


@dataclass(frozen=True)
class Result:
    """What a run shows: the data tables by the name of their file, and notes for the person who reads the summary."""

    as_of: date
    tables: Mapping[str, pd.DataFrame]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]
    totals: Totals
    """What students, draws and plans come to."""
    arranged: Mapping[str, Arranged] = field(default_factory=dict)
    """How the rows of the parts make up the files whose order only the whole knows."""


class Arranged(NamedTuple):
    """The positions of a table's rows, in its order, among those of the parts, one after the other, and then of `more`."""

    order: Ints
    more: pd.DataFrame


def reconcile_exports(
    exports: Exports,
    rules: Rules,
    as_of: date,
    *,
    previous: PreviousList | None = None,
    notes: Sequence[Note] = (),
    unread: pd.DataFrame | None = None,
    names: Mapping[str, str] | None = None,
    closing: Closing | None = None,
    everyone_exact: bool = False,
    parts: int = 1,
    each: Each = map,
) -> Result:
    """Work out every student's standing as of a day, prove it, and list what a person should look at.

    In:      accepted exports, rules; the exception list of the run before, what people wrote about it since, and what of that could not
             be read (OUTPUTS["unread_notes"]); names by student id, if they may be shown. `closing` makes it a month-end close, settled
             in one part. `parts`: into how many parts the student body is cut, and `each`: what settles them (map: one after the other);
             neither changes any result. `everyone_exact` sends all students through the exact function: for tests.
    Out:     Result; its tables are shaped by schemas.OUTPUTS and proved.
    Errors:  RefusedError if the bank files begin too late for a line; ProofError if a control total does not come out.
    """
    cut = cut_by_student(exports, rules, as_of, 1 if closing else parts)

    def settled_with(whole: Whole) -> list[Settled]:
        one = partial(settle, rules=rules, as_of=as_of, whole=whole, everyone_exact=everyone_exact, keep=closing is not None)
        return list(each(lambda part: one(part.rows()) if closing else told_of(one(part.rows())), cut))

    def told_of(part: Settled, more: Sequence[Fact] = ()) -> Settled:
        told = tell([*part.facts, *more], part.tables, rules, as_of, memory, names or {})
        return dataclasses.replace(part, facts=(), told=told)

    memory = memory_of(previous, notes, rules, as_of)
    whole = whole_of(exports, rules, as_of)
    rules.banking_days().read_calendar()
    settled = settled_with(whole)
    refuse_lines_before([part.early for part in settled], exports.span.first if exports.span else None)
    gaps = hardly_seen([part.sums["seen"] for part in settled])
    if len(gaps):  # a bank file is missing in the middle: rare, and only the whole can tell, so that everyone is settled once more
        settled = settled_with(dataclasses.replace(whole, gaps=gaps))
    tables = merge(settled, rules)
    proof = prove_intake(exports, tables["proof"], sum(len(part.entries) for part in settled))
    told: tuple[str, ...] = ()
    at = settled[0].worked
    if closing is not None and at is not None:
        from reconcile.month_end import close_month  # noqa: PLC0415 (a daily run need not load what closes a month)

        closed = close_month(at, tables, exports, rules, closing, proof)
        tables, settled, told = tables | closed.tables, [told_of(part, closed.facts) for part in settled], closed.notes
    proved = proof.table()
    hold(proved)
    parts_told = [part.told for part in settled if part.told is not None]
    listed = list_exceptions(parts_told, sum(part.plans for part in settled), rules, as_of, memory)
    tables |= {"proof": proved, "rejected_rows": exports.rejected, "dispositions": listed.dispositions}
    tables |= {"unread_notes": typed([], "unread_notes") if unread is None else unread}
    tables = tables.with_made("exceptions", lambda: listed.table)
    tables = tables.with_made("outreach", lambda: _joined_in_order([part.letters for part in parts_told], listed.letters))
    arranged = {"exceptions": Arranged(listed.order, listed.more), "outreach": Arranged(listed.letters, typed([], "outreach"))}
    findings = tuple(found for part in settled for found in part.findings)
    undated, left_out = sum(part.undated for part in settled), sum(part.left_out for part in settled)
    of_run = (*gap_notes(gaps), *run_notes(exports, as_of, left_out, undated))
    totals = added([part.totals for part in settled])
    return Result(as_of, tables, findings, (*told, *of_run, *listed.notes), totals, arranged)


def _joined_in_order(parts: Sequence[pd.DataFrame], order: Ints) -> pd.DataFrame:
    return pd.concat(parts, ignore_index=True).take(order).reset_index(drop=True)
