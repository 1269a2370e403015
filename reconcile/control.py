"""The control totals of a run: each accepted cent in one bucket, each figure of the reports equal to the rows behind it.

The left side is summed from the entries (row by row, by bucket), the right side from the table in which a person reads the figure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from reconcile.entries import sums_by_bucket
from reconcile.event_money import CENTS
from reconcile.proof import Proof
from reconcile.schemas import EXPORTS
from reconcile.texts import is_word, sums_by
from reconcile.variance import CAUSES

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    import pyarrow as pa  # type: ignore[import-untyped]

    from reconcile.as_of import Dated
    from reconcile.events import Ints
    from reconcile.exports import Exports

_OF_CLEARED = CENTS[:9]


def prove_intake(exports: Exports, of_parts: pd.DataFrame, entries: int) -> Proof:
    """The proof of a run: what intake counted, then each line of proof of the parts, added up.

    In:      the lines of proof of all parts, one after the other (`prove`); how many entries there are in all.
    Out:     one line per control total; a difference other than zero stops the run.
    """
    proof = Proof()
    _intake(proof, exports)
    accepted = {
        name: sum(count.cents_accepted for source in exports.sources for count in source.counts if count.export == name) for name in EXPORTS
    }
    proof.rows("rows accepted = rows in entries", sum(len(table) for table in exports.tables.values()), entries)
    added = of_parts.groupby("name", as_index=False, sort=False)[["left", "right"]].sum()
    sides = dict(zip(added["name"], zip(added["left"], added["right"], strict=True), strict=True))
    for export in EXPORTS:
        own = f"{export}: "
        proof.equal(f"{own}accepted = all buckets", accepted[export], sides.pop(f"{own}accepted = all buckets")[1])
        for name in sorted(name for name in sides if name.startswith(own)):
            proof.equal(name, *sides.pop(name))
    for name, (left, right) in sides.items():
        proof.equal(name, left, right)
    return proof


def prove(
    dated: Mapping[str, Dated],
    entries: pa.Table,
    tables: Mapping[str, pd.DataFrame],
    aid: pd.DataFrame,
    money: pd.DataFrame,
    credit_rows: pd.DataFrame,
    counted: Ints,
) -> pd.DataFrame:
    """The lines of proof of one part of the student body, shaped as OUTPUTS["proof"].

    In:      the rows of the as-of day, the part's entries and tables, aid with its standing, where bank money went, credits, how many cents
             of each posting count as a credit.
    """
    proof = Proof()
    students, draws = tables["students"], tables["draws"]
    shown = _shown_elsewhere(dated, tables, aid, money, counted)
    for name, by_bucket in sums_by_bucket(entries).items():
        proof.equal(f"{name}: accepted = all buckets", dated[name].rows["amount"].sum(), sum(by_bucket.values()))
        for word in sorted({*by_bucket, *shown[name]}):
            proof.equal(f"{name}: {word}", by_bucket.get(word, 0), shown[name].get(word, 0))
    _bank(proof, dated, draws, money)
    _standings(proof, students, money, credit_rows)
    _plans_and_days(proof, dated, tables, money)
    return proof.table()


def _intake(proof: Proof, exports: Exports) -> None:
    for name in EXPORTS:
        counts = [count for source in exports.sources for count in source.counts if count.export == name]
        read = sum(count.cents_read for count in counts)
        parts = sum(count.cents_accepted + count.cents_rejected + count.cents_already_read for count in counts)
        proof.equal(f"{name}: read = accepted + rejected + already read", read, parts)
        rows = sum(count.rows_read for count in counts)
        found = sum(count.accepted + count.rejected + count.already_read for count in counts)
        proof.rows(f"{name}: rows read = accepted + rejected + already read", rows, found)
        proof.rows(f"{name}: rows accepted = rows in the table", sum(count.accepted for count in counts), len(exports.tables[name]))


def _shown_elsewhere(
    dated: Mapping[str, Dated], tables: Mapping[str, pd.DataFrame], aid: pd.DataFrame, money: pd.DataFrame, counted: Ints
) -> dict[str, dict[str, int]]:
    """For each export, what each bucket should hold, summed from the tables in which a person reads it."""
    students, draws, other_terms = tables["students"], tables["draws"], tables["other_terms"]
    shown: dict[str, dict[str, int]] = {}
    for name, one in dated.items():
        shown[name] = {bucket: cents for bucket, cents in _sums(one.rows["amount"], one.aside).items() if bucket}
    for name, column in (("charges", "charges"), ("aid", "aid"), ("postings", "postings")):
        if len(other_terms) and "other terms" in shown[name]:
            shown[name]["other terms"] = int(other_terms[column].sum())
    shown["charges"]["on the bill"] = int(students["charges"].sum())
    shown["aid"] |= _sums(aid["amount"], aid["standing"])
    shown["aid"] |= {"disbursed": int(students["aid_disbursed"].sum()), "anticipated": int(students["aid_anticipated"].sum())}
    shown["plan_schedules"] |= _sums(draws["scheduled"], draws["state"])
    shown["cleared_draws"] |= _sums(sum((money[name] for name in CENTS[1:]), money[CENTS[0]]), money["bucket"])
    postings = dated["postings"].counting
    drawn = is_word(postings["kind"], "plan draw")
    whole = ~drawn & (postings["amount"].to_numpy() == counted)
    for name, which in (("plan draw on the ledger", drawn), ("other credits", whole), ("same money as at the bank", ~drawn & ~whole)):
        shown["postings"][name] = int(postings["amount"].to_numpy()[which].sum())
    return shown


def _sums(cents: pd.Series, bucket: pd.Series) -> dict[str, int]:
    return sums_by(bucket, cents.to_numpy())


def _bank(proof: Proof, dated: Mapping[str, Dated], draws: pd.DataFrame, money: pd.DataFrame) -> None:
    events = dated["cleared_draws"].counting
    total = {name: int(money[name].sum()) for name in CENTS}
    cleared, amount = is_word(events["outcome"], "cleared"), events["amount"].to_numpy()
    parts = sum(int(money[name].to_numpy()[cleared].sum()) for name in (*_OF_CLEARED, "nobodys"))
    name = "bank: cleared = on lines + fees + undone + without a line + payments + nobody's"
    proof.equal(name, amount[cleared].sum(), parts)
    of_back = ("undoes", "failed_attempt", "undid_nothing", "told_only", "nobodys")
    back = sum(int(money[name].to_numpy()[~cleared].sum()) for name in of_back)
    name = "bank: returned and refunded = undoes + failed attempts + undid nothing + told only + nobody's"
    proof.equal(name, amount[~cleared].sum(), back)
    proof.equal("bank: undone = what returns and refunds undo", total["undone"], total["undoes"])
    on_lines = total["on_lines"] + total["on_cancelled_lines"] + total["fee_on_lines"]
    proof.equal("bank: on lines = cleared in draws.csv", on_lines, draws["cleared"].sum())


def _standings(proof: Proof, students: pd.DataFrame, money: pd.DataFrame, credit_rows: pd.DataFrame) -> None:
    total = students.select_dtypes("int64").sum()
    drawn = sum(int(money[name].sum()) for name in ("on_lines", "on_cancelled_lines", "undecided", "without_a_line"))
    proof.equal("students: draws_cleared = plan money that stayed at the bank", total["draws_cleared"], drawn)
    proof.equal("students: other_credits = credits that count", total["other_credits"], credit_rows["cents"].sum())
    balance = total["charges"] - total["aid_disbursed"] - total["other_credits"] - total["draws_cleared"]
    proof.equal("students: balance_now = charges - aid_disbursed - other_credits - draws_cleared", total["balance_now"], balance)
    gap = total["balance_now"] - total["aid_anticipated"] - total["pending_draws"]
    proof.equal("students: gap = balance_now - aid_anticipated - pending_draws", total["gap"], gap)


def _plans_and_days(proof: Proof, dated: Mapping[str, Dated], tables: Mapping[str, pd.DataFrame], money: pd.DataFrame) -> None:
    plans, draws, dates, days = (tables[name] for name in ("plans", "draws", "draw_dates", "settlement_days"))
    proof.equal("plans: variance = its causes", plans["variance"].sum(), sum(int(plans[name].sum()) for name in CAUSES))
    proof.equal("plans: cents that no cause explains, any sign", plans["unexplained"].abs().sum(), 0)
    sides = plans["pending_draws"] - plans["balance_to_meet"]
    proof.equal("plans: variance = pending_draws - balance_to_meet", plans["variance"].sum(), sides.sum())
    for name in ("scheduled", "cleared"):
        proof.equal(f"draw_dates: {name} = draws.csv", dates[name].sum(), draws[name].sum())
    parts = dates[["cleared", "in_transit", "failed", "not_seen", "other"]].to_numpy().sum()
    proof.equal("draw_dates: scheduled = cleared + in transit + failed + not seen + other", dates["scheduled"].sum(), parts)
    proof.equal("draw_dates: bank_total = cleared", dates["bank_total"].sum(), dates["cleared"].sum())
    pending = draws["scheduled"].to_numpy()[is_word(draws["state"], "pending")].sum()
    proof.equal("next_draws: scheduled = pending in draws.csv", tables["coming"]["scheduled"].sum(), pending)
    events = dated["cleared_draws"].counting
    cleared = events["amount"].to_numpy()[is_word(events["outcome"], "cleared")].sum()
    proof.equal("settlement_days: net = bank money that stayed", days["net"].sum(), cleared - money["undone"].sum())
