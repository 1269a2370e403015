"""The student ledger beside the bank: which posting is which bank event, and which credits count once.

An office posts each cleared draw on the student's ledger, and takes it off again when it comes back. Plan draws are counted from the bank,
the evidence from outside, never from the ledger; everything else that was credited (payments, waivers, sponsors, refunds, balances
brought forward) counts through its posting. Two things would count twice if nobody looked: a refund that the bank shows as `refunded` and
the ledger as `refund`, cut in the same way or another (`refund_sums`), and a draw that was posted as a `payment`. Pairing finds them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from reconcile.events import NOBODY, day_numbers
from reconcile.nearest_day import nearest_pairs
from reconcile.refund_sums import Refund, same_refunds
from reconcile.texts import among, is_word

if TYPE_CHECKING:
    from reconcile.banking_days import BankingDays
    from reconcile.events import Bools, Ints
    from reconcile.policy import Rules

POSTED = "posted"
TAKEN_OFF = "taken off again"
REFUND = "refund"
REFUND_IN_PART = "refund in part"
ANOTHER_KIND = "posted as another kind"
ANOTHER_KIND_BACK = "posted as another kind, taken off again"
BOUNCED = "payment that came back"
BOUNCED_OFF = "payment that came back, taken off again"


def pair_ledger(
    postings: pd.DataFrame,
    events: pd.DataFrame,
    money: pd.DataFrame,
    undoings: pd.DataFrame,
    lines: pd.DataFrame,
    rules: Rules,
    days: BankingDays,
) -> pd.DataFrame:
    """Say which posting on the student ledger is which bank event.

    In:      postings and bank events of the as-of day, where the events' money went (event_money), which event
             each return or refund undid, schedule lines; cents.
    Out:     event, posting (row positions), how: `posted` (a cleared event and a positive plan draw), `taken off again` (a return or
             refund and a negative plan draw), `refund` (a refund at the bank and a refund posting), `posted as another kind` (a cleared
             event and a payment posted from the settlement day to the end of the posting lag) and its negative payment.
             The pair is of one student, term and amount (card fee out), nearest day within late_match_days. Refunds left over pair as
             sums of a student and term, or later (`refund_sums`); `refund in part` where the sums differ. A payment that came back at the
             bank and not on the ledger is `payment that came back`. `same`: the cents of a refund posting that are draw money which the
             event undid; of a payment that came back what is gone, negative; 0 elsewhere.
    Rules:   matching.toml late_match_days, posting_lag
    """
    if not len(postings):
        return pd.DataFrame({name: [] for name in _PAIR}).astype(_PAIR)
    reach = rules.matching.late_match_days
    amount, outcome = _ledger_cents(events, money, lines), events["outcome"].to_numpy(dtype=object)
    placed = (money["term"] != "").to_numpy(dtype=bool) & (events["kind"] != "payment").to_numpy(dtype=bool)
    cleared, back = placed & (outcome == "cleared"), placed & (outcome != "cleared") & ~(money["told_only"] > 0).to_numpy(dtype=bool)
    kind, cents = postings["kind"].to_numpy(dtype=object), postings["amount"].to_numpy()
    event_key, posting_key = _keys(money, amount, postings)
    event_day, posting_day = day_numbers(events["settled_on"]), day_numbers(postings["posted_on"])
    free_event, free_posting = np.ones(len(events), dtype=bool), np.ones(len(postings), dtype=bool)
    event_order, posting_order = _by_content(events, _EVENT_ORDER), _by_content(postings, _POSTING_ORDER)
    parts: list[pd.DataFrame] = []

    def pair(which_event: Bools, which_posting: Bools, how: str, before: int, after: int | Ints) -> None:
        a, b = event_order[(which_event & free_event)[event_order]], posting_order[(which_posting & free_posting)[posting_order]]
        limit = after if isinstance(after, int) else after[a]
        at_a, at_b = nearest_pairs(event_key[a], event_day[a], posting_key[b], posting_day[b], before, limit)
        free_event[a[at_a]] = False
        free_posting[b[at_b]] = False
        parts.append(pd.DataFrame({"event": a[at_a], "posting": b[at_b], "how": pd.Series(how, index=range(len(at_a)), dtype="str")}))

    drawn = kind == "plan draw"
    pair(cleared, drawn & (cents > 0), POSTED, reach, reach)
    pair(back, drawn & (cents < 0), TAKEN_OFF, reach, reach)
    given, booked, undid = placed & (outcome == "refunded"), (kind == "refund") & (cents < 0), draws_undone(events, undoings)
    pair(given, booked, REFUND, reach, reach)
    parts[-1]["same"] = np.minimum(undid[parts[-1]["event"].to_numpy()], -cents[parts[-1]["posting"].to_numpy()])
    given &= free_event & ~money["fee_back"].to_numpy(dtype=bool)
    at_bank = _refunds(money, event_order[given[event_order]], event_day, amount, undid)
    on_ledger = _refunds(postings, posting_order[(booked & free_posting)[posting_order]], posting_day, -cents, np.zeros_like(cents))
    parts.append(_in_sums(at_bank, on_ledger, reach))
    pair(cleared, (kind == "payment") & (cents > 0), ANOTHER_KIND, 0, _posting_lag(events, lines, money, rules, days))
    parts.append(_payments_taken_back(postings, parts[-1], posting_key, free_posting, _undone_on(events, undoings), event_day, reach))
    found = pd.concat(parts, ignore_index=True).fillna({"same": 0}).astype(_PAIR)
    paid = ~is_word(money["term"], "") & is_word(events["kind"], "payment") & (outcome == "cleared")
    if not len(undoings) or not paid[undoings["of"].to_numpy()].any():
        return found
    free_event[found["event"].to_numpy()[among(found["how"], [TAKEN_OFF, REFUND])]] = False
    free_posting[found["posting"].to_numpy()] = False
    pair(paid, (kind == "payment") & (cents > 0), BOUNCED, reach, reach)
    posted = parts[-1]
    of_paid = undoings[np.isin(undoings["of"].to_numpy(), posted["event"].to_numpy())]
    of_paid = of_paid[outcome[of_paid["by"].to_numpy()] == "returned"]
    by = np.zeros(len(events), dtype=bool)
    by[of_paid["by"].to_numpy()] = True
    taken = ((kind == "payment") | (kind == "refund")) & (cents < 0)
    pair(by, taken, BOUNCED_OFF, reach, reach)
    near = _refunds(postings, np.flatnonzero(taken & free_posting), posting_day, -cents, np.zeros_like(cents))
    of_day = _refunds(money, np.flatnonzero(by & free_event), event_day, amount, undid)
    alone = [one.at for one in of_day if not any(other.who == one.who and abs(other.day - one.day) <= reach for other in near)]
    gone = of_paid[of_paid["by"].isin(alone)].groupby("of")["cents"].sum()
    bounced = posted.assign(same=-posted["event"].map(gone).fillna(0))
    return pd.concat([found, bounced[bounced["same"] < 0], parts[-1].assign(same=0)], ignore_index=True).astype(_PAIR)


_PAIR = {"event": "int64", "posting": "int64", "how": "str", "same": "int64"}
_EVENT_ORDER = [
    *("settled_on", "reference", "plan_id", "amount", "outcome", "kind", "line", "original_reference", "return_code"),
    *("method", "student_id"),
]
_POSTING_ORDER = ["posted_on", "reference", "kind", "amount"]


def _by_content(table: pd.DataFrame, columns: list[str]) -> Ints:
    """Row positions in the order of their content, so that the order of rows and files never decides a tie."""
    return np.asarray(table[columns].reset_index(drop=True).sort_values(columns, kind="stable").index, dtype=np.int64)


def _ledger_cents(events: pd.DataFrame, money: pd.DataFrame, lines: pd.DataFrame) -> Ints:
    """The amount as the ledger knows it: on a card line, an amount with the card fee counts without it."""
    amount, line_at = events["amount"].to_numpy(), money["line_at"].to_numpy()
    if not len(lines):
        return np.asarray(amount)
    own, gross = lines["amount"].to_numpy()[line_at], lines["gross"].to_numpy()[line_at]
    return np.asarray(np.where((line_at != NOBODY) & (amount == gross), own, amount))


def draws_undone(events: pd.DataFrame, undoings: pd.DataFrame) -> Ints:
    """The cents of draw money that each return or refund undid.

    A payment that was undone at the bank counts through its posting, so its refund does too.
    """
    is_payment = (events["kind"] == "payment").to_numpy(dtype=bool)
    undone = np.zeros(len(events), dtype=np.int64)
    of_draws = undoings[~is_payment[undoings["of"].to_numpy()]]
    np.add.at(undone, of_draws["by"].to_numpy(), of_draws["cents"].to_numpy())
    return undone


def _refunds(table: pd.DataFrame, at: Ints, day: Ints, size: Ints, undid: Ints) -> list[Refund]:
    """Rows of the table as refunds without a pair, in the order given."""
    part = table[["student_id", "term"]].iloc[at]
    who = zip(part["student_id"].tolist(), part["term"].tolist(), strict=True)
    return list(map(Refund, who, day[at].tolist(), size[at].tolist(), undid[at].tolist(), at.tolist()))


def _in_sums(at_bank: list[Refund], on_ledger: list[Refund], reach: int) -> pd.DataFrame:
    """Refunds that pair as sums, or later than single ones do."""
    found = same_refunds(at_bank, on_ledger, reach) if at_bank and on_ledger else []
    rows = [(one.event, one.posting, REFUND if one.whole else REFUND_IN_PART, one.cents) for one in found]
    return pd.DataFrame(rows, columns=list(_PAIR))


def refunds_apart(postings: pd.DataFrame, ledger: pd.DataFrame, events: pd.DataFrame, money: pd.DataFrame, undoings: pd.DataFrame) -> Bools:
    """Whether each event is a refund of draw money without a whole pair, and the ledger of its term has such a refund too.

    One may be the other in another sum, or be money of its own: a person decides.
    """
    whole = ledger[among(ledger["how"], [TAKEN_OFF, REFUND])]
    given = is_word(events["outcome"], "refunded") & (draws_undone(events, undoings) > 0)
    given &= ~is_word(money["term"], "") & ~is_word(events["kind"], "payment") & ~money["fee_back"].to_numpy(dtype=bool)
    given[whole["event"].to_numpy()] = False
    booked = is_word(postings["kind"], "refund") & (postings["amount"].to_numpy() < 0)
    booked[whole["posting"].to_numpy()] = False
    who = set(postings.loc[booked, ["student_id", "term"]].itertuples(index=False, name=None)) if given.any() else set()
    for at in np.flatnonzero(given).tolist():
        given[at] = (money["student_id"].iloc[at], money["term"].iloc[at]) in who
    return given


def _keys(money: pd.DataFrame, amount: Ints, postings: pd.DataFrame) -> tuple[Ints, Ints]:
    """One integer per student, term and size of amount, the same for events and postings."""
    students = pd.factorize(pd.concat([money["student_id"], postings["student_id"]], ignore_index=True))[0]
    terms = pd.factorize(pd.concat([money["term"], postings["term"]], ignore_index=True))[0]
    sizes = pd.factorize(np.concatenate([amount, postings["amount"].abs().to_numpy()]))[0]
    count_terms, count_sizes = int(terms.max(initial=0)) + 1, int(sizes.max(initial=0)) + 1
    key = (students.astype(np.int64) * count_terms + terms) * count_sizes + sizes
    return key[: len(money)], key[len(money) :]


def _posting_lag(events: pd.DataFrame, lines: pd.DataFrame, money: pd.DataFrame, rules: Rules, days: BankingDays) -> Ints:
    """Calendar days from each event's settlement to the end of its posting lag."""
    line_at = money["line_at"].to_numpy()
    method = events["method"].to_numpy(dtype=object).copy()
    if len(lines):
        of_line = lines["method"].to_numpy(dtype=object)[line_at]
        method = np.where((method == "") & (line_at != NOBODY), of_line, method)
    lag = np.where(method == "card", rules.matching.posting_lag.card, rules.matching.posting_lag.bank).astype(np.int64)
    settled = day_numbers(events["settled_on"])
    return np.asarray(days.add_numbers(settled, lag) - settled) if len(settled) else np.zeros(0, dtype=np.int64)


def _undone_on(events: pd.DataFrame, undoings: pd.DataFrame) -> dict[int, list[int]]:
    """The days on which each event was undone, by event position."""
    days = day_numbers(events["settled_on"])
    undone: dict[int, list[int]] = {}
    for by, of in undoings[["by", "of"]].itertuples(index=False):
        undone.setdefault(of, []).append(int(days[by]))
    return undone


def _payments_taken_back(
    postings: pd.DataFrame, another: pd.DataFrame, key: Ints, free: Bools, undone_on: dict[int, list[int]], event_day: Ints, reach: int
) -> pd.DataFrame:
    """The negative payment that takes a draw posted as a payment off again.

    It is of the same student, term and amount, on or after the payment, and within `reach` days of it or of what undid the draw.
    """
    day = day_numbers(postings["posted_on"])
    negative = free & ((postings["kind"] == "payment") & (postings["amount"] < 0)).to_numpy(dtype=bool)
    waiting: dict[int, list[int]] = {}
    for at in _by_content(postings, _POSTING_ORDER):
        if negative[at]:
            waiting.setdefault(int(key[at]), []).append(int(at))
    found: list[tuple[int, int]] = []
    pairs = zip(another["event"].tolist(), another["posting"].tolist(), strict=True)
    for event, posting in sorted(pairs, key=lambda pair: int(day[pair[1]] - event_day[pair[0]])):
        since = int(day[posting])
        near = [since, *undone_on.get(event, ())]
        fitting = [
            at for at in waiting.get(int(key[posting]), ()) if day[at] >= since and any(abs(int(day[at]) - one) <= reach for one in near)
        ]
        if fitting:
            nearest = min(fitting, key=lambda at: int(day[at]))
            waiting[int(key[posting])].remove(nearest)
            found.append((event, nearest))
    return pd.DataFrame({"event": [e for e, _ in found], "posting": [p for _, p in found], "how": ANOTHER_KIND_BACK})


def counted_cents(postings: pd.DataFrame, pairs: pd.DataFrame) -> Ints:
    """How many cents of each posting count as a credit beside plan draws.

    In:      postings, the pairs of `pair_ledger`.
    Out:     0 for plan draws and for a draw posted as a payment (and its reversal); a refund that pairs with a refund at the bank counts
             only beyond what that event undid; every other posting counts whole.
    """
    counted = np.where((postings["kind"] == "plan draw").to_numpy(dtype=bool), 0, postings["amount"].to_numpy())
    np.add.at(counted, pairs["posting"].to_numpy(), pairs["same"].to_numpy())
    counted[pairs.loc[pairs["how"].isin([ANOTHER_KIND, ANOTHER_KIND_BACK]), "posting"].to_numpy()] = 0
    return np.asarray(counted, dtype=np.int64)


def credits_of(
    postings: pd.DataFrame,
    counted: Ints,
    events: pd.DataFrame,
    money: pd.DataFrame,
    undoings: pd.DataFrame,
    rules: Rules,
    *,
    has_postings: bool,
) -> pd.DataFrame:
    """The credits that count beside plan draws, each with its day.

    In:      postings and how many cents of each count, bank events, where their money went and what undid it; cents.
    Out:     student_id, term, day (day number), cents, source (`posting`, `fee`, `payment at the bank`), at (row position in its table):
             postings; fee money at the bank where the term bills the fee; without a postings export, payments that the bank shows. Money
             that was undone counts on its day and goes off again on the day of what undid it.
    """
    parts = [_rows(postings, np.arange(len(postings)), day_numbers(postings["posted_on"]), counted, "posting")]
    settled = day_numbers(events["settled_on"])
    fee_terms = [term.code for term in rules.terms if term.fee_on_bill]
    kinds = [("fee", pd.Series(among(money["term"], fee_terms)), money["fee_on_lines"] + money["fee_without_a_line"], money["is_fee"])]
    if not has_postings:
        paid = events["kind"] == "payment"
        kinds.append(("payment at the bank", paid & (money["term"] != ""), money["payment"], paid))
    for source, counts, stands, is_of_kind in kinds:
        at = np.flatnonzero((counts & (stands != 0)).to_numpy(dtype=bool))
        parts.append(_rows(money, at, settled[at], stands.to_numpy()[at], source))
        parts += _undone_later(money, events, undoings, (counts & is_of_kind).to_numpy(dtype=bool), source)
    return pd.concat(parts, ignore_index=True).astype({"cents": "int64", "student_id": "str", "term": "str"})


def _undone_later(money: pd.DataFrame, events: pd.DataFrame, undoings: pd.DataFrame, which: Bools, source: str) -> list[pd.DataFrame]:
    """Money that no longer stands: there from the day it settled to the day it was undone. A card fee inside an amount is undone last.

    A refund of just that fee took nothing else.
    """
    rows = undoings[which[undoings["of"].to_numpy()] & ~money["fee_back"].to_numpy(dtype=bool)[undoings["by"].to_numpy()]]
    by, of, cents = (rows[name].to_numpy() for name in ("by", "of", "cents"))
    settled = day_numbers(events["settled_on"])
    order = np.lexsort((by, settled[by], of))
    by, of, cents = by[order], of[order], cents[order]
    first = np.r_[True, of[1:] != of[:-1]] if len(of) else np.zeros(0, dtype=bool)
    running = np.cumsum(cents) - cents
    before = running - np.repeat(running[first], np.diff(np.r_[np.flatnonzero(first), len(of)])) if len(of) else running
    whole = (events["amount"].to_numpy() - money["fee_inside"].to_numpy())[of]
    off = np.minimum(before + cents, whole) - np.minimum(before, whole)
    return [_rows(money, of, settled[of], off, source), _rows(money, of, np.maximum(settled[by], settled[of]), -off, source)]


def _rows(table: pd.DataFrame, at: Ints, day: Ints, cents: Ints, source: str) -> pd.DataFrame:
    """One row per position `at` of the table, with its student and term."""
    return pd.DataFrame(
        {
            "student_id": table["student_id"].iloc[at].reset_index(drop=True),
            "term": table["term"].iloc[at].reset_index(drop=True),
            "day": day,
            "cents": cents,
            "source": source,
            "at": at,
        }
    )
