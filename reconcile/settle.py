"""The recipe for one part of the student body: from its accepted rows to its standings, exceptions and proof, in the trade's own order.

    what counts on the as-of day -> windows -> whose events -> returns and attempts matched -> draw states
            -> ledger paired -> coverage -> variance -> proposed draws -> day tables -> entries and proof -> facts for the exception list

Students are independent of each other: nothing here looks beyond the rows that it is given, but for what `Whole` says of all of them. So a
run may take everyone in one part, or in any number of parts whose results are put together (`merged`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.aid import aid_standing
from reconcile.as_of import left_out_plans, lines_before, lines_on_the_day, on_the_day, undated_cancellations
from reconcile.bank_gaps import families_of, seen_by_date
from reconcile.bulk import match_all
from reconcile.coded import columns_remembered
from reconcile.control import prove
from reconcile.coverage import Standing, standings
from reconcile.day_tables import coming_draws, draw_dates, settlement_days
from reconcile.event_money import event_money
from reconcile.event_terms import waits_for_its_term
from reconcile.events import book_of, whose_events
from reconcile.exception_ground import Ground
from reconcile.exception_list import find_facts
from reconcile.figures import Totals, totals_of
from reconcile.find_out_first import left_to_a_person, stands_posted
from reconcile.ledger import ANOTHER_KIND, ANOTHER_KIND_BACK, BOUNCED, counted_cents, credits_of, pair_ledger, refunds_apart
from reconcile.outside import is_outside, meeting_payments
from reconcile.plans import advise_plans, again_today, person_decides_first
from reconcile.probable_payments import families_to_ask, probable_payments
from reconcile.proof import hold
from reconcile.report_tables import draws_table, entries_of_run, other_terms_table, unmatched_table
from reconcile.return_rates import rate_counts
from reconcile.states import draw_states
from reconcile.stops import NEVER, stopped_since
from reconcile.texts import among, is_word
from reconcile.variance import BillRows, variances
from reconcile.worked import Worked

if TYPE_CHECKING:
    from datetime import date

    import pyarrow as pa  # type: ignore[import-untyped]

    from reconcile.events import Bools
    from reconcile.exception_facts import Fact
    from reconcile.exports import Exports
    from reconcile.findings import Finding
    from reconcile.parts import Whole
    from reconcile.policy import Rules
    from reconcile.told import Told


@dataclass(frozen=True, eq=False)
class Settled:
    """What one part of the student body comes to.

    tables:    students, draws, plans, unmatched_events, other_terms, each in its final order.
    entries:   every accepted row in its one bucket (entries.entries_table), in its final order.
    sums:      draw_dates, settlement_days, coming (day_tables.coming_draws), seen (bank_gaps.seen_by_date), rates
               (return_rates.rate_counts), proof: tables whose figures add up over parts.
    totals:    what the summary says of students, draws and plans.
    facts:     for the exception list, before one cause is told once. findings: of whose events.
    early:     lines whose window was over before the bank files begin: they refuse the run.
    plans:     how many plans there are; left_out: plans not yet enrolled; undated: cancellations without a date.
    worked:    everything that was worked out, if it was to be kept: for a month-end close.
    told:      the facts as exceptions and letters, once they are told (`told.tell`).
    """

    tables: dict[str, pd.DataFrame]
    entries: pa.Table
    sums: dict[str, pd.DataFrame]
    totals: Totals
    facts: tuple[Fact, ...]
    findings: tuple[Finding, ...]
    early: pd.DataFrame
    plans: int
    left_out: int
    undated: int
    worked: Worked | None = None
    told: Told | None = None


def settle(exports: Exports, rules: Rules, as_of: date, whole: Whole, *, everyone_exact: bool = False, keep: bool = False) -> Settled:
    """Work out one part of the student body, and prove it.

    In:      the accepted rows of these students and of the bank events that are theirs; what is known of the whole input.
    Out:     Settled. Cents.
    Errors:  ProofError if a control total of the part does not come out.
    """
    with columns_remembered():
        return _settled(exports, rules, as_of, whole, everyone_exact=everyone_exact, keep=keep)


def _settled(exports: Exports, rules: Rules, as_of: date, whole: Whole, *, everyone_exact: bool, keep: bool) -> Settled:
    at = work_out(exports, rules, as_of, whole, everyone_exact=everyone_exact)
    stopped = at.lines["stopped"].to_numpy(dtype=bool)
    on = Ground.of(at, exports, rules, whole.fee_terms)
    payments = probable_payments(on)
    tables = {
        "students": at.students,
        "draws": draws_table(at.lines, at.states),
        "plans": at.plans.table,
        "unmatched_events": unmatched_table(at.events, at.money),
        "other_terms": other_terms_table(at.dated),
    }
    sums = {
        "draw_dates": draw_dates(at.lines, at.matching.pairs, at.ledger, at.postings, at.money),
        "settlement_days": settlement_days(at.lines, at.events, at.money),
        "coming": coming_draws(at.lines, stopped, at.keys.lookup(at.lines), at.plans.advice, at.decide, families_to_ask(on, payments)),
        "seen": seen_by_date(at.lines),
        "rates": rate_counts(at.lines, at.events, at.book, at.owners, at.money, at.matching.undoings, rules, as_of),
    }
    entries = entries_of_run(at.dated, at.states, at.aid, at.money, at.postings, at.ledger, at.counted, rules)
    sums["proof"] = prove(at.dated, entries, tables | sums, at.aid, at.money, at.credit_rows, at.counted)
    hold(sums["proof"])
    return Settled(
        tables=tables,
        entries=entries,
        sums=sums,
        totals=totals_of(tables["students"], tables["draws"], tables["plans"]),
        facts=tuple(find_facts(on, payments)),
        findings=at.findings,
        early=lines_before(at.lines, exports.span.first if exports.span else None),
        plans=len(at.book.plans),
        left_out=left_out_plans(at.dated),
        undated=undated_cancellations(at.dated),
        worked=at if keep else None,
    )


def work_out(exports: Exports, rules: Rules, as_of: date, whole: Whole, *, everyone_exact: bool = False) -> Worked:
    """All steps to the proposed draws, in the order of the trade."""
    days = rules.banking_days()
    dated = on_the_day(exports.tables, rules, as_of)
    lines = lines_on_the_day(dated["plan_schedules"], rules, days, as_of)
    charges, aid, postings, events = (dated[name].counting for name in ("charges", "aid", "postings", "cleared_draws"))

    book = book_of(lines)
    owners, findings = whose_events(events, book)
    matching = match_all(lines, events, book, owners, rules, days, everyone_exact=everyone_exact)
    states = draw_states(lines, events, matching, rules, days, as_of, exports.span.last if exports.span else None)
    money = event_money(lines, events, book, owners, matching, rules)
    stops = stopped_since(lines, events, book, owners, rules, as_of)
    lines = lines.assign(state=states["state"], cleared=states["cleared"], return_code=states["return_code"])
    lines = lines.assign(again=again_today(lines, events, matching.pairs, rules, as_of), stopped=stops[book.line_plan] != NEVER)

    ledger = pair_ledger(postings, events, money, matching.undoings, lines, rules, days)
    held = left_to_a_person(lines, events, matching, rules)
    lines = lines.assign(posted=stands_posted(lines, postings, ledger, rules), held=held)
    counted = counted_cents(postings, ledger)
    credit_rows = credits_of(postings, counted, events, money, matching.undoings, rules, has_postings=exports.has_postings)
    aid = aid.assign(standing=aid_standing(aid, rules, int(np.datetime64(as_of, "D").astype("int64")), as_of))
    students = standings(_standing(charges, aid, postings, credit_rows, money, lines), rules, as_of)
    bill = _bill_rows(charges, aid, postings, ledger, credit_rows, rules)
    variance, keys = variances(lines, bill, money, students, rules, as_of)
    asked = matching.told | waits_for_its_term(money, events, matching.left, lines, rules, has_postings=exports.has_postings)
    asked |= refunds_apart(postings, ledger, events, money, matching.undoings)
    decide = person_decides_first(money, asked, exports.blocked, variance) | families_of(whole.gaps, lines, keys)
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
        gaps=whole.gaps,
        elsewhere=whole.elsewhere,
        plans=plans,
        decide=decide,
        findings=tuple(findings),
    )


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
    free[ledger["posting"].to_numpy()[among(ledger["how"], [ANOTHER_KIND, ANOTHER_KIND_BACK, BOUNCED])]] = False
    met = meeting_payments(charges, outside, postings, free)
    open_cents = charges["amount"].to_numpy().copy()
    open_cents[[charge for charge, _posting in met]] -= postings["amount"].to_numpy()[[posting for _charge, posting in met]]
    used = np.zeros(len(postings), dtype=bool)
    used[[posting for _charge, posting in met]] = True
    from_posting = is_word(credit_rows["source"], "posting")
    meets = np.zeros(len(credit_rows), dtype=bool)
    meets[from_posting] = used[credit_rows["at"].to_numpy(dtype=np.int64)[from_posting]]
    return BillRows(
        charges.assign(outside=outside, open=open_cents), aid, credit_rows.assign(for_plan=np.where(meets, 0, credit_rows["cents"]))
    )
