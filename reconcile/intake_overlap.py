"""Rows that stand in more than one file: the same event read twice, or two events that look alike.

Offices export by span, and spans overlap: the August file ends on the 31st and the September file begins there. A row with a reference is
one event however often it is read. Rows without one may be copies, or two equal charges on one day: only the office knows, so the column
map must say whether its files overlap, and until then such rows are rejected. Copies are not dropped, they are counted as already read.

Aid has its own double: a system that keeps the anticipated row of an award and adds a disbursed one. Whether the two add up, or the second
replaces the first, again only the office knows (`aid_rows`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from reconcile.intake_batch import COPY, REJECTED, REPLACED, Batch, Clash
from reconcile.texts import all_different, among, numbered

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]


_SPREADS = 1_000_003
"""Multiplies a student's number, so that few students share a sum of it and an amount."""


@dataclass(frozen=True)
class Read:
    """The batch after copies are set aside, what clashes, and notes for people."""

    batch: Batch
    clashes: tuple[Clash, ...] = ()
    notes: tuple[str, ...] = ()


def set_copies_aside(batch: Batch, files_overlap: bool | None) -> Read:
    """Count each event once.

    In:      the batch; whether files overlap, None if the map does not say.
    Out:     of rows equal in every standard column and with a reference, the first stays and the others are copies. Equal rows without a
             reference in different files (or sheets): with files_overlap they count as often as in the fullest file, without it all count.
    Finds:   where the map does not say, such rows clash, each naming a row of another file.
    """
    notes: list[str] = []
    if "reference" in batch.table:
        batch, notes = _with_reference(batch)
    if files_overlap is False or len(batch.parts) < 2:
        return Read(batch, (), tuple(notes))
    bare = batch.accepted
    if "reference" in batch.table:
        bare &= (batch.table["reference"] == "").to_numpy()
    if len(np.unique(batch.part[bare])) < 2:
        return Read(batch, (), tuple(notes))
    at, groups = _equal_rows(batch, bare)
    spread = _in_several_parts(batch.part[at], groups)
    at, groups = at[spread], groups[spread]
    if files_overlap:
        return Read(batch.settle(at[_beyond_the_fullest(batch.part[at], groups)], COPY), (), tuple(notes))
    clashes = _undeclared(batch, at, groups)
    return Read(batch.settle(at, REJECTED), clashes, tuple(notes))


def _with_reference(batch: Batch) -> tuple[Batch, list[str]]:
    named = np.flatnonzero(batch.accepted & (batch.table["reference"] != "").to_numpy())
    if all_different(batch.table["reference"].iloc[named]):
        return batch, []
    again = named[batch.table["reference"].iloc[named].duplicated(keep=False).to_numpy()]
    rows = batch.table.iloc[again]
    copies = again[rows.duplicated(keep="first").to_numpy()]
    settled = batch.settle(copies, COPY)
    inside = _copies_within_a_file(batch, again, copies)
    return settled, inside


def _copies_within_a_file(batch: Batch, again: Ints, copies: Ints) -> list[str]:
    """One note for each sheet that holds the same event twice within itself: no overlap of files explains that."""
    if not len(copies):
        return []
    rows = batch.table.iloc[again].assign(_part=batch.part[again])
    inside = again[rows.duplicated(keep="first").to_numpy()]
    notes = []
    for number in np.unique(batch.part[inside]).tolist():
        mine = inside[batch.part[inside] == number]
        told = "row stands" if len(mine) == 1 else "rows stand"
        place = batch.place(int(mine[0])).partition(" of ")[2]
        notes.append(
            f"{place}: {len(mine)} {told} twice with the same reference and content, such as row {batch.rows[mine[0]]}: counted once."
        )
    return notes


def _equal_rows(batch: Batch, among: Bools) -> tuple[Ints, Ints]:
    """Positions of the rows that have an equal, and the number of their group. Narrowed by the most telling columns first, for speed."""
    at = np.flatnonzero(among)
    telling = [c for c in ("amount", batch.export.dated_by, "student_id", "plan_id") if c in batch.table]
    for columns in (telling, list(batch.export.names)):
        at = at[batch.table[columns].iloc[at].duplicated(keep=False).to_numpy()]
    groups = batch.table.iloc[at].groupby(list(batch.export.names), sort=False, dropna=False).ngroup()
    return at, np.asarray(groups, dtype=np.int64)


def _in_several_parts(parts: Ints, groups: Ints) -> Bools:
    pairs = pd.DataFrame({"group": groups, "part": parts}).drop_duplicates()
    count = pairs.groupby("group")["part"].size()
    return np.isin(groups, count.index[count > 1].to_numpy())


def _beyond_the_fullest(parts: Ints, groups: Ints) -> Bools:
    """Which rows are not those of the file that holds their group most often (the first such file, by name)."""
    counts = pd.DataFrame({"group": groups, "part": parts}).value_counts(sort=False).rename("times").reset_index()
    fullest = counts.sort_values(["group", "times", "part"], ascending=[True, False, True]).drop_duplicates("group")
    at = np.searchsorted(fullest["group"].to_numpy(), groups)
    best: Ints = fullest["part"].to_numpy()[at]
    return np.not_equal(parts, best)


def _undeclared(batch: Batch, at: Ints, groups: Ints) -> tuple[Clash, ...]:
    firsts: dict[int, dict[int, int]] = {}
    for row, group in zip(at.tolist(), groups.tolist(), strict=True):
        firsts.setdefault(group, {}).setdefault(int(batch.part[row]), row)
    cure = (
        f"Say under [{batch.export.name}] in the column map: files_overlap = true if the files overlap, so that the row is one event; "
        "files_overlap = false if they do not, so that each counts."
    )
    clashes = []
    for row, group in zip(at.tolist(), groups.tolist(), strict=True):
        other = next(first for part, first in firsts[group].items() if part != batch.part[row])
        told = f"{batch.place(other)} is equal and neither has a reference: one event read twice, or two events"
        clashes.append(Clash(row, "amount", told, cure))
    return tuple(clashes)


def pair_aid(batch: Batch, aid_rows: Literal["add", "replace"] | None) -> Read:
    """Read the anticipated and the disbursed rows of one award (student, term, fund, amount) as the map says.

    In:      the batch of aid; `add`: both count; `replace`: each disbursed row takes the place of one anticipated row, oldest first.
    Out:     with `replace`, the anticipated rows so replaced are already read, and the disbursed row stands on the bill since the earlier
             posted_on of the two, disbursed on its own disbursed_on, else on its own posted_on.
    Finds:   where the map does not say, all rows of such an award clash.
    """
    if aid_rows == "add":
        return Read(batch)
    awards = _doubled_awards(batch)
    if aid_rows == "replace":
        return _replaced(batch, awards)
    cure = (
        'Say under [aid] in the column map: aid_rows = "replace" if the disbursed row takes the place of the anticipated one, '
        'aid_rows = "add" if both are money.'
    )
    clashes = []
    for anticipated, disbursed in awards:
        for row in sorted(anticipated + disbursed):
            other = disbursed[0] if row in anticipated else anticipated[0]
            word = "disbursed" if row in anticipated else "anticipated"
            told = f"the same award of {batch.shown(row, 'amount')} from {batch.shown(row, 'fund')} is {word} in {batch.place(other)}"
            clashes.append(Clash(row, "status", told, cure))
    return Read(batch.settle([c.at for c in clashes], REJECTED), tuple(clashes))


def _doubled_awards(batch: Batch) -> list[tuple[list[int], list[int]]]:
    """Awards with both kinds of rows: positions of the anticipated and of the disbursed ones."""
    status = batch.table["status"]
    at = np.flatnonzero(batch.accepted & among(status, ["anticipated", "disbursed"]))
    award = ["student_id", "term", "fund", "amount"]
    # Rows of one award have one such number. Few rows share one, so that few are looked at in full.
    near = numbered(batch.table["student_id"])[at] * _SPREADS + batch.table["amount"].to_numpy()[at]
    at = at[pd.Series(near).duplicated(keep=False).to_numpy()]
    at = at[batch.table[award].iloc[at].duplicated(keep=False).to_numpy()]
    groups = batch.table[award].iloc[at].groupby(award, sort=False).ngroup().to_numpy(dtype=np.int64)
    awards: dict[int, tuple[list[int], list[int]]] = {}
    for row, group, word in zip(at.tolist(), groups.tolist(), status.iloc[at].tolist(), strict=True):
        awards.setdefault(group, ([], []))[word == "disbursed"].append(row)
    return [pair for pair in awards.values() if pair[0] and pair[1]]


def _replaced(batch: Batch, awards: list[tuple[list[int], list[int]]]) -> Read:
    table = batch.table
    posted = table["posted_on"].to_numpy().copy()
    disbursed_on = table["disbursed_on"].to_numpy().copy()
    gone: list[int] = []
    dates = {
        c: table[c].to_numpy().astype("datetime64[D]").astype(np.int64)
        for c in ("posted_on", "disbursed_on", "expected_on", "cancelled_on")
    }

    def by_content(row: int) -> tuple[int, ...]:
        return tuple(int(dates[c][row]) for c in dates)

    for anticipated, disbursed in awards:
        pairs = zip(sorted(anticipated, key=by_content), sorted(disbursed, key=by_content), strict=False)
        for old, new in pairs:
            gone.append(old)
            if np.isnat(disbursed_on[new]):
                disbursed_on[new] = posted[new]
            posted[new] = min(posted[old], posted[new])
    if not gone:
        return Read(batch)
    changed = table.assign(posted_on=posted, disbursed_on=disbursed_on)
    settled = Batch(batch.export, batch.parts, batch.part, batch.rows, changed, batch.standing).settle(gone, REPLACED)
    many = "1 anticipated row was" if len(gone) == 1 else f"{len(gone)} anticipated rows were"
    return Read(settled, (), (f"Aid: {many} replaced by the disbursed row of the same award, as the column map says.",))
