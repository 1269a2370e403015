"""The recipe of a run: from accepted exports to every student's standing, in the trade's own order.

    exports -> what counts on the as-of day -> windows -> whose events -> returns and attempts matched -> draw states
            -> ledger paired -> coverage -> variance -> proposed draws -> day tables -> entries and proof -> exception list

Pure: no clock, no files, nothing printed. Each step takes tables and returns new ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.aid import aid_standing
from reconcile.as_of import hold_bank_files_to_lines, lines_on_the_day, on_the_day
from reconcile.bank_gaps import families_of, gap_notes, hardly_seen
from reconcile.bulk import match_all
from reconcile.control import prove
from reconcile.coverage import Standing, standings
from reconcile.day_tables import draw_dates, next_draws, settlement_days
from reconcile.event_money import event_money
from reconcile.events import book_of, whose_events
from reconcile.exception_list import list_exceptions
from reconcile.find_out_first import left_to_a_person, stands_posted
from reconcile.ledger import ANOTHER_KIND, ANOTHER_KIND_BACK, counted_cents, credits_of, pair_ledger
from reconcile.outside import is_outside, meeting_payments
from reconcile.plans import advise_plans, again_today, person_decides_first
from reconcile.proof import hold
from reconcile.report_tables import draws_table, entries_of_run, other_terms_table, run_notes, unmatched_table
from reconcile.return_rates import return_rates
from reconcile.states import draw_states
from reconcile.stops import NEVER, stopped_since
from reconcile.texts import among, is_word
from reconcile.variance import BillRows, variances
from reconcile.worked import Worked

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from reconcile.dispositions import Note
    from reconcile.events import Bools
    from reconcile.exports import Exports
    from reconcile.findings import Finding
    from reconcile.policy import Rules
    from reconcile.standing import PreviousList


@dataclass(frozen=True, eq=False)
class Result:
    """What a run shows: the data tables by the name of their file, and notes for the person who reads the summary."""

    as_of: date
    tables: dict[str, pd.DataFrame]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


def reconcile_exports(
    exports: Exports,
    rules: Rules,
    as_of: date,
    *,
    previous: PreviousList | None = None,
    notes: Sequence[Note] = (),
    everyone_exact: bool = False,
) -> Result:
    """Work out every student's standing as of a day, prove it, and list what a person should look at.

    In:      accepted exports, rules; the exception list of the run before and what people wrote about it since. `everyone_exact` sends
             all students through the exact function: for tests.
    Out:     Result; its tables are shaped by schemas.OUTPUTS and proved.
    Errors:  RefusedError if the bank files begin too late for a line; ProofError if a control total does not come out.
    """
    worked = work_out(exports, rules, as_of, everyone_exact=everyone_exact)
    tables = _tables(worked, exports, rules)
    tables["proof"] = prove(exports, worked.dated, tables, worked.aid, worked.money, worked.credit_rows, worked.counted)
    hold(tables["proof"])
    listed = list_exceptions(worked, exports, rules, previous, notes)
    tables |= {"exceptions": listed.table, "dispositions": listed.dispositions}
    return Result(as_of, tables, worked.findings, (*gap_notes(hardly_seen(worked.lines)), *run_notes(exports, worked.dated), *listed.notes))


def work_out(exports: Exports, rules: Rules, as_of: date, *, everyone_exact: bool = False) -> Worked:
    """All steps to the proposed draws, in the order of the trade."""
    days = rules.banking_days()
    dated = on_the_day(exports.tables, rules, as_of)
    lines = lines_on_the_day(dated["plan_schedules"], rules, days, as_of)
    charges, aid, postings, events = (dated[name].counting for name in ("charges", "aid", "postings", "cleared_draws"))
    hold_bank_files_to_lines(lines, exports.span.first if exports.span else None)

    book = book_of(lines)
    owners, findings = whose_events(events, book)
    matching = match_all(lines, events, book, owners, rules, days, everyone_exact=everyone_exact)
    states = draw_states(lines, events, matching, rules, days, as_of, exports.span.last if exports.span else None)
    money = event_money(lines, events, book, owners, matching, rules)
    stops = stopped_since(lines, events, book, owners, rules, as_of)
    lines = lines.assign(state=states["state"], cleared=states["cleared"], return_code=states["return_code"])
    lines = lines.assign(again=again_today(lines, events, matching.pairs, rules, as_of), stopped=stops[book.line_plan] != NEVER)

    ledger = pair_ledger(postings, events, money, matching.undoings, lines, rules, days)
    held = left_to_a_person(lines, events, matching.pairs, matching.undoings, rules)
    lines = lines.assign(posted=stands_posted(lines, postings, ledger, rules), held=held)
    counted = counted_cents(postings, ledger, events, matching.undoings)
    credit_rows = credits_of(postings, counted, events, money, matching.undoings, rules, has_postings=exports.has_postings)
    aid = aid.assign(standing=aid_standing(aid, rules, int(np.datetime64(as_of, "D").astype("int64")), as_of))
    students = standings(_standing(charges, aid, postings, credit_rows, money, lines), rules, as_of)
    bill = _bill_rows(charges, aid, postings, ledger, credit_rows, rules)
    variance, keys = variances(lines, bill, money, students, rules, as_of)
    decide = person_decides_first(money, matching.told, exports.blocked, variance) | families_of(hardly_seen(lines), lines, keys)
    plans = advise_plans(variance, keys, lines, book, stops, students, decide, rules, as_of)
    return Worked(
        as_of=as_of,
        dated=dated,
        charges=charges,
        aid=aid,
        postings=postings,
        events=events,
        lines=lines,
        states=states,
        book=book,
        owners=owners,
        matching=matching,
        money=money,
        stops=stops,
        ledger=ledger,
        counted=counted,
        credit_rows=credit_rows,
        students=students,
        variance=variance,
        keys=keys,
        plans=plans,
        decide=decide,
        findings=tuple(findings),
    )


def _tables(at: Worked, exports: Exports, rules: Rules) -> dict[str, pd.DataFrame]:
    """The data tables, all but the proof."""
    stopped = at.lines["stopped"].to_numpy(dtype=bool)
    return {
        "students": at.students,
        "draws": draws_table(at.lines, at.states),
        "plans": at.plans.table,
        "next_draws": next_draws(at.lines, stopped, at.keys.lookup(at.lines), at.plans.advice, at.decide, rules, rules.banking_days()),
        "draw_dates": draw_dates(at.lines, at.matching.pairs, at.ledger, at.postings, at.money),
        "settlement_days": settlement_days(at.lines, at.events, at.money),
        "return_rates": return_rates(
            at.lines, at.events, at.book, at.owners, at.money["line_at"].to_numpy(), at.matching.undoings, rules, at.as_of
        ),
        "unmatched_events": unmatched_table(at.events, at.money),
        "entries": entries_of_run(at.dated, at.lines, at.states, at.aid, at.money, at.postings, at.ledger, at.counted),
        "rejected_rows": exports.rejected,
        "other_terms": other_terms_table(at.dated),
    }


def _standing(
    charges: pd.DataFrame, aid: pd.DataFrame, postings: pd.DataFrame, credit_rows: pd.DataFrame, money: pd.DataFrame, lines: pd.DataFrame
) -> Standing:
    return Standing(
        charges=_cents(charges, charges["amount"]),
        disbursed=_cents(aid, aid["amount"], is_word(aid["standing"], "disbursed")),
        anticipated=_cents(aid, aid["amount"], is_word(aid["standing"], "anticipated")),
        credits=credit_rows,
        draws=_draw_money(money),
        lines=lines,
        others=(aid[["student_id", "term"]], postings[["student_id", "term"]]),
    )


def _cents(rows: pd.DataFrame, cents: pd.Series, which: Bools | None = None) -> pd.DataFrame:
    table = pd.DataFrame({"student_id": rows["student_id"], "term": rows["term"], "cents": cents}, copy=False)
    return table if which is None else table.iloc[np.flatnonzero(which)]


def _draw_money(money: pd.DataFrame) -> pd.DataFrame:
    """Plan draw and down payment money that stayed, on a line or not."""
    cents = money["on_lines"] + money["on_cancelled_lines"] + money["undecided"] + money["without_a_line"]
    return _cents(money, cents, (cents != 0).to_numpy())


def _bill_rows(
    charges: pd.DataFrame, aid: pd.DataFrame, postings: pd.DataFrame, ledger: pd.DataFrame, credit_rows: pd.DataFrame, rules: Rules
) -> BillRows:
    """What moves a bill, with outside charges and the payments that met them marked: `open` of a charge, `for_plan` of a credit."""
    outside = is_outside(charges, rules)
    free = np.ones(len(postings), dtype=bool)
    free[ledger["posting"].to_numpy()[among(ledger["how"], [ANOTHER_KIND, ANOTHER_KIND_BACK])]] = False
    met = meeting_payments(charges, outside, postings, free)
    open_cents = charges["amount"].to_numpy().copy()
    open_cents[[charge for charge, _posting in met]] = 0
    used = np.zeros(len(postings), dtype=bool)
    used[[posting for _charge, posting in met]] = True
    from_posting = is_word(credit_rows["source"], "posting")
    meets = np.zeros(len(credit_rows), dtype=bool)
    meets[from_posting] = used[credit_rows["at"].to_numpy(dtype=np.int64)[from_posting]]
    return BillRows(
        charges.assign(outside=outside, open=open_cents), aid, credit_rows.assign(for_plan=np.where(meets, 0, credit_rows["cents"]))
    )
