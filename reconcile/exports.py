"""Intake: an office's exports as typed, checked tables, with every row accounted for.

Everything after this step relies on what it hands on: five tables whose cells are all readable, whose plans agree with themselves, and in
which each event stands once. Whatever does not meet that is a rejected row with its file, sheet, row, column, value, problem and cure; all
problems of all files come at once. No row is dropped in silence: for each file, sheet and export, rows read = accepted + rejected + already
read, in rows and in cents.

The run as a whole is refused where no figure could be trusted: a required export is missing, a file cannot be used, a column looks like
account numbers, a control total is not met, a file is far shorter than last time or given twice, it lost a column on which figures hang, or
its ids lost their zeros.
"""

from __future__ import annotations

import dataclasses
import hashlib
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]

from reconcile.control_totals import LedgerBalance, Total, compare, read_control_totals, read_general_ledger
from reconcile.errors import RefusedError
from reconcile.export_files import FoundFiles, InputFile, find_files
from reconcile.headings import never_left_out
from reconcile.intake_batch import REJECTED, REPLACED, Batch, Checked, Clash, gather
from reconcile.intake_blocked import named_in_rejected
from reconcile.intake_checks import check_against_each_other, check_rows
from reconcile.intake_counts import SourceCount, SourceFile, columns_by_export, counted_once, far_fewer_rows, rows_by_export, source_of
from reconcile.intake_files import NO_MAP, FileRead, SheetRead, read_input
from reconcile.intake_overlap import pair_aid, set_copies_aside
from reconcile.intake_problems import Problem, place_of, rejected_table, text_series
from reconcile.intake_rows import NOT_ROUTED
from reconcile.lost_columns import lost_columns
from reconcile.lost_zeros import lost_zeros
from reconcile.same_files import same_bytes, without_twins
from reconcile.schemas import EXPORTS, check_typed
from reconcile.unused_words import unused_words

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
    from datetime import date
    from pathlib import Path

    from reconcile.column_map import ColumnMap
    from reconcile.policy import Rules


@dataclass(frozen=True)
class BankSpan:
    """The days that the bank files cover, both included: nothing can be said to be missing outside them."""

    first: date
    last: date


@dataclass(frozen=True, eq=False)
class Exports:
    """What intake hands on. `tables` holds all five exports, empty where absent; `rejected` has one row for each problem.

    `blocked` names the students and plans of rejected rows, as ("student", id) and ("plan", id): no draw is proposed for them. `in_doubt`
    are those of the `notes`, the first, that tell of missing columns on which figures hang.
    """

    tables: dict[str, pd.DataFrame]
    has_postings: bool
    rejected: pd.DataFrame
    sources: tuple[SourceFile, ...]
    span: BankSpan | None
    notes: tuple[str, ...]
    blocked: frozenset[tuple[str, str]]
    general_ledger: tuple[LedgerBalance, ...] = ()
    in_doubt: tuple[str, ...] = ()


class ExportsRefusedError(RefusedError):
    """The exports cannot be used as they stand. `rejected` holds the rows that would also have been rejected, for the office to mend."""

    def __init__(self, headline: str, problems: tuple[str, ...], rejected: pd.DataFrame) -> None:
        super().__init__(headline, problems)
        self.rejected = rejected


def read_exports(
    sources: Sequence[Path],
    rules: Rules,
    column_map: ColumnMap | None = None,
    *,
    bank_from: date | None = None,
    bank_through: date | None = None,
    previous_rows: Mapping[str, int] | None = None,
    previous_columns: Mapping[str, Collection[str]] | None = None,
    accept_drop: bool = False,
    not_read: Sequence[str] = (),
    progress: Callable[[str], None] | None = None,
    each: Callable[[Callable[[InputFile], FileRead], Sequence[InputFile]], Iterable[FileRead]] = map,
    hold: Callable[[Callable[[], None]], object] = lambda work: work(),
) -> Exports:
    """Read, type and check the exports of one run.

    In:      a folder or several files, in any order; the rules (terms, drop_percent); the column map; the bank's span if the office states
             it; `previous_rows` and `previous_columns` by export as `rows_by_export` and `columns_by_export` gave them for the previous
             run, and whether a drop against them is accepted;
             `not_read`: what a close that is made again said of files beside its exports, which it did not keep;
             `each` reads the files (map: one after the other); `hold` is given the work of holding the tables against their declaration
             (done at once, unless it has that done beside other work).
    Out:     typed tables in the order of file, sheet and row, rejected rows, counts and hashes of every input.
    Errors:  ExportsRefusedError with all sentences at once: no file, a file or column that cannot be used, the same
             file twice, control totals, a drop, a lost column, ids without their zeros.
    Keeps:   rows and cents: read = accepted + rejected + already read.
    """
    found = find_files(sources, column_map)
    own_file = frozenset(name for name in EXPORTS if sum(name in file.kinds for file in found.exports) == 1)
    refusals = list(found.problems)
    if progress is not None:
        progress(f"reading {', '.join(file.name for file in found.exports)}")
    reads = list(each(partial(_read_and_checked, rules=rules, column_map=column_map, own_file=own_file), found.exports))
    reads, twins = without_twins(reads, column_map or NO_MAP)
    refusals += twins
    refusals += [r for read in reads for r in (*read.refusals, *(s for sheet in read.sheets for s in sheet.refusals))]
    if progress is not None:
        progress("checking rows against each other")
    checked = {name: _checked(name, reads, rules, column_map or NO_MAP) for name in EXPORTS}
    problems = [p for _, told, _ in checked.values() for p in told] + [p for sheet in _sheets(reads) for p in sheet.problems]
    astray = [part for sheet in _sheets(reads) for part in sheet.parts if part.export == NOT_ROUTED]
    problems += [p for part in astray for p in part.problems]
    batches = {name: batch for name, (batch, _, _) in checked.items()}
    inputs = tuple(source_of(read, batches) for read in reads)
    beside_exports, totals, ledger, wrong = _beside(found, column_map)
    whole = {name for name in EXPORTS if not any(name in r.file.kinds and _is_refused(r) for r in reads)}
    refusals += wrong + list(compare([t for t in totals if t.export in whole], counted_once(batches, column_map or NO_MAP)))
    if not accept_drop:
        refusals += far_fewer_rows(
            {n: c for n, c in rows_by_export(inputs).items() if n in whole}, previous_rows or {}, rules.matching.drop_percent
        )
    columns = {name: found for name, found in columns_by_export(inputs).items() if name in whole}
    lost = _lost_columns(reads, columns, previous_columns or {}, accepted=accept_drop)
    refusals += () if accept_drop else lost
    span, wrong_span = _span(batches["cleared_draws"], bank_from, bank_through)
    refusals += wrong_span
    other_zeros, too_many = lost_zeros(batches)
    refusals += too_many
    rejected = rejected_table(problems)
    if refusals:
        raise ExportsRefusedError("The exports cannot be used as they stand; nothing was worked out.", tuple(refusals), rejected)
    tables = {name: _table(batch) for name, batch in batches.items()}
    hold(partial(_hold_against_declaration, tables))
    in_doubt = tuple(sheet.in_doubt for sheet in _sheets(reads) if sheet.in_doubt)
    notes = (
        *in_doubt,
        *lost,
        *other_zeros,
        *unused_words({name: batch.table for name, batch in batches.items()}, rules),
        *found.notes,
        *not_read,
        *same_bytes(reads),
        *(n for s in _sheets(reads) for n in s.notes),
        *(n for _, _, told in checked.values() for n in told),
        *_never_left_out(reads, column_map or NO_MAP),
    )
    has_postings = any("postings" in read.file.kinds for read in reads)
    blocked = named_in_rejected(batches, astray, problems)
    return Exports(tables, has_postings, rejected, (*inputs, *beside_exports), span, notes, blocked, ledger, in_doubt)


def _hold_against_declaration(tables: Mapping[str, pd.DataFrame]) -> None:
    for name, table in tables.items():
        check_typed(EXPORTS[name], table)


def _sheets(reads: Iterable[FileRead]) -> list[SheetRead]:
    return [sheet for read in reads for sheet in read.sheets]


def _never_left_out(reads: Sequence[FileRead], column_map: ColumnMap) -> list[str]:
    held = {name: [sheet.headings for sheet in _sheets(reads) if name in sheet.kinds] for name in EXPORTS}
    return [note for name in EXPORTS for note in never_left_out(held[name], column_map.of(name), name)]


def _lost_columns(
    reads: Sequence[FileRead], now: Mapping[str, Collection[str]], before: Mapping[str, Collection[str]], *, accepted: bool
) -> list[str]:
    """What columns were lost since the previous run; `now` holds the exports of which no file is refused."""
    held = {name: [(place_of(r.file.name, s.sheet), s.unread) for r in reads for s in r.sheets if name in s.columns] for name in now}
    files = {name: [place for place, _ in sheets] for name, sheets in held.items()}
    unread = {name: [heading for _, headings in sheets for heading in headings] for name, sheets in held.items()}
    return lost_columns(now, before, files, unread, accepted=accepted)


def _is_refused(read: FileRead) -> bool:
    return bool(read.refusals) or any(sheet.refusals for sheet in read.sheets)


def _read_and_checked(file: InputFile, rules: Rules, column_map: ColumnMap | None, own_file: frozenset[str]) -> FileRead:
    """One file read; where all rows of an export stand in it, they are checked at once, beside the reading of the other files."""
    read, found = read_input(file, column_map), {}
    for name in own_file.intersection(file.kinds):
        batch, problems, notes = _checked(name, [read], rules, column_map or NO_MAP)
        if REPLACED not in batch.standing:  # that changes days of other rows, and only what became of each row is kept
            found[name] = Checked(batch.standing, problems, notes)
    return dataclasses.replace(read, checked=found)


def _checked(name: str, reads: Sequence[FileRead], rules: Rules, column_map: ColumnMap) -> tuple[Batch, list[Problem], list[str]]:
    """All rows of one export, checked one by one and against each other: the batch, what is wrong, and notes."""
    section = column_map.of(name)
    batch = gather(EXPORTS[name], [part for sheet in _sheets(reads) for part in sheet.parts if part.export == name])
    for read_alone in reads:
        if name in read_alone.checked:
            done = read_alone.checked[name]
            return dataclasses.replace(batch, standing=done.standing), done.problems, done.notes
    problems = [p for part in batch.parts for p in part.problems]
    notes: list[str] = []

    def reject(clashes: Iterable[Clash]) -> Batch:
        told = list(clashes)
        problems.extend(batch.problem(clash) for clash in told)
        return batch.settle([clash.at for clash in told], REJECTED)

    batch = reject(check_rows(batch, rules))
    read = set_copies_aside(batch, section.files_overlap)
    batch = read.batch
    batch, notes = reject(read.clashes), [*notes, *read.notes]
    if name == "aid":
        read = pair_aid(batch, section.aid_rows)
        batch = read.batch
        batch, notes = reject(read.clashes), [*notes, *read.notes]
    batch = reject(check_against_each_other(batch))
    return batch, problems, notes


def _beside(
    found: FoundFiles, column_map: ColumnMap | None
) -> tuple[tuple[SourceFile, ...], list[Total], tuple[LedgerBalance, ...], list[str]]:
    """The inputs that are no exports: control totals, general-ledger balances, the column map; hashed like any other."""
    sources: list[SourceFile] = []
    totals: list[Total] = []
    balances: list[LedgerBalance] = []
    wrong: list[str] = []
    for file in found.control_totals:
        raw = _bytes(file, "control totals", sources)
        read, told = read_control_totals(raw, file.name)
        totals += read
        wrong += told
    for file in found.general_ledger:
        raw = _bytes(file, "general ledger", sources)
        held, told = read_general_ledger(raw, file.name)
        balances += held
        wrong += told
    if column_map is not None:
        sources.append(SourceFile(column_map.name, column_map.sha256, column_map.size, role="column map"))
    return tuple(sources), totals, tuple(balances), wrong


def _bytes(file: InputFile, role: str, sources: list[SourceFile]) -> bytes:
    raw = file.path.read_bytes()
    sources.append(SourceFile(file.name, hashlib.sha256(raw).hexdigest(), len(raw), role=role))
    return raw


def _span(bank: Batch, bank_from: date | None, bank_through: date | None) -> tuple[BankSpan | None, list[str]]:
    settled = bank.table["settled_on"][bank.accepted]
    first = bank_from or (settled.min().date() if len(settled) else None)
    last = bank_through or (settled.max().date() if len(settled) else None)
    if first is None and last is None:
        return None, []
    if first is None or last is None:
        return None, [
            "No row of cleared_draws was accepted, so the bank's span is open on one side. Give both --bank-from and --bank-through."
        ]
    if first > last:
        return None, [f"The bank's span would begin on {first} and end on {last}. Correct --bank-from or --bank-through."]
    return BankSpan(first, last), []


def _table(batch: Batch) -> pd.DataFrame:
    """The accepted rows with their evidence, as every later step takes them."""
    kept = batch.accepted
    part, row, rows = batch.part, batch.rows, batch.table
    if not kept.all():
        part, row, rows = part[kept], row[kept], rows[kept].reset_index(drop=True)

    def by_part(texts: list[str]) -> pd.Series:
        each = pa.array(texts, type=pa.large_string())
        return text_series(pa.repeat(each[0], len(part)) if len(texts) == 1 else each.take(pa.array(part)))

    evidence = {"file": by_part([p.file for p in batch.parts]), "sheet": by_part([p.sheet for p in batch.parts]), "row": row}
    return pd.concat([pd.DataFrame(evidence, copy=False), rows], axis=1)


__all__ = ["BankSpan", "Exports", "ExportsRefusedError", "SourceCount", "SourceFile", "columns_by_export", "read_exports", "rows_by_export"]
