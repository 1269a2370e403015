"""The sub-ledger beside the general ledger: what students owe per term, and what the books say they owe.

The sub-ledger is the sum of what this program works out for each student (`balance_now`): charges less aid, other credits and the plan
money that stayed at the bank. The student ledger, as it is posted, differs by what the tie-out names; the general ledger is fed from the
student ledger. The office gives the balances of its books in `general_ledger.toml` beside the exports, debit positive: money owed to the
college.

    computed sub-ledger + named items = student ledger as posted
    difference = general ledger - student ledger as posted (without a postings export: - computed sub-ledger)

The named items are proved to explain the first step (`unexplained` is zero). The `difference` of the second is explained by nothing here,
and is what the office looks into: the books hold something that the exports do not, or the other way round.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from reconcile.ledger import BOUNCED
from reconcile.money import people_money
from reconcile.schemas import DTYPES, OUTPUTS
from reconcile.texts import is_word, sums_by
from reconcile.tie_out import ENDS, STEPS, TO_LEDGER

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from reconcile.control_totals import LedgerBalance
    from reconcile.policy import Rules
    from reconcile.worked import Worked

COMPUTED: Final = "computed sub-ledger"
POSTED: Final = "student ledger as posted"
UNEXPLAINED: Final = "unexplained"
GENERAL: Final = "general ledger"
DIFFERENCE: Final = "difference"
ITEMS: Final = tuple(item for item in STEPS[TO_LEDGER] if item not in ENDS)
"""What stands between the computed sub-ledger and the student ledger as posted; those of the tie-out, signed as balances."""


def ledger_tie_out(
    at: Worked, tie_out: pd.DataFrame, balances: Sequence[LedgerBalance], rules: Rules, *, has_postings: bool
) -> pd.DataFrame:
    """Tie the computed sub-ledger of each term to the student ledger and to the general ledger.

    In:      everything that the run worked out; OUTPUTS["tie_out"]; the balances that the office gave. Cents, debit positive.
    Out:     OUTPUTS["ledger_tie_out"], by term: the steps above; `general ledger` once for each account, `difference` over them all. Terms
             with students, and those that the office gave a balance for.
    """
    computed = sums_by(at.students["term"], at.students["balance_now"].to_numpy())
    posted = _posted(at)
    between = _between(at, tie_out, rules)
    given: defaultdict[str, list[tuple[str, int]]] = defaultdict(list)
    for balance in balances:
        given[balance.term].append((balance.account, balance.cents))
    rows: list[tuple[str, str, str, int]] = []
    for term in sorted({*computed, *posted, *given}):
        own = computed.get(term, 0)
        rows.append((term, "", COMPUTED, own))
        if has_postings:
            items = [(item, between[term, item]) for item in ITEMS if between.get((term, item), 0)]
            rows += [(term, "", item, cents) for item, cents in items]
            rows.append((term, "", POSTED, posted.get(term, 0)))
            rows.append((term, "", UNEXPLAINED, posted.get(term, 0) - own - sum(cents for _, cents in items)))
        if term in given:
            rows += [(term, account, GENERAL, cents) for account, cents in sorted(given[term])]
            books = sum(cents for _, cents in given[term])
            rows.append((term, "", DIFFERENCE, books - (posted.get(term, 0) if has_postings else own)))
    kinds = {c.name: DTYPES[c.kind] for c in OUTPUTS["ledger_tie_out"]}
    return pd.DataFrame(rows, columns=list(kinds)).astype(kinds)


def books_apart(table: pd.DataFrame) -> Iterator[tuple[str, str]]:
    """For each term with a balance of the general ledger: the term, and how far the books are from the ledger, in words.

    In:      OUTPUTS["ledger_tie_out"].
    """
    side = "student ledger" if is_word(table["item"], POSTED).any() else "computed sub-ledger"
    for term, cents in table.loc[is_word(table["item"], DIFFERENCE), ["term", "amount"]].itertuples(index=False):
        word = "above" if cents > 0 else "below"
        yield str(term), f"{people_money(abs(int(cents)))} {word} the {side}" if cents else f"agrees with the {side}"


def _posted(at: Worked) -> dict[str, int]:
    """Charges less aid disbursed less every posting, per term: the student ledger as it stands."""
    total: defaultdict[str, int] = defaultdict(int)
    disbursed = at.aid[is_word(at.aid["standing"], "disbursed")]
    for rows, sign in ((at.charges, 1), (disbursed, -1), (at.postings, -1)):
        for term, cents in sums_by(rows["term"], rows["amount"].to_numpy()).items():
            total[term] += sign * cents
    return total


def _between(at: Worked, tie_out: pd.DataFrame, rules: Rules) -> dict[tuple[str, str], int]:
    """The named items per term, as balances: what the ledger lacks of money in hand leaves its balance higher.

    A draw posted as a payment and a refund posted as a refund are on the ledger under another kind, and a fee that is not billed is no part
    of the balance: these meet the same item of the tie-out, and as a rule nothing of it is left.
    """
    rows = tie_out[is_word(tie_out["step"], TO_LEDGER)]
    found: defaultdict[tuple[str, str], int] = defaultdict(int)
    for term, item, cents in rows[["term", "item", "amount"]].itertuples(index=False):
        if item not in ENDS:
            found[term, item] -= cents
    uncounted = at.postings["amount"].to_numpy() - at.counted
    refund = is_word(at.postings["kind"], "refund")
    drawn = is_word(at.postings["kind"], "plan draw")
    bounced = np.zeros(len(at.postings), dtype=np.bool_)
    bounced[at.ledger["posting"].to_numpy()[is_word(at.ledger["how"], BOUNCED)]] = True
    another = ~refund & ~drawn & ~bounced
    for item, which in (("refunds posted as refunds", refund), ("posted as another kind", another), ("returns not reversed", bounced)):
        for term, cents in sums_by(at.postings["term"], np.where(which, uncounted, 0)).items():
            found[term, item] -= cents
    fees = (at.money["fee_on_lines"] + at.money["fee_without_a_line"]).to_numpy()
    billed = {term.code for term in rules.terms if term.fee_on_bill}
    for term, cents in sums_by(at.money["term"], fees).items():
        if term and term not in billed:
            found[term, "enrollment fees not on the bill"] -= cents
    return found
