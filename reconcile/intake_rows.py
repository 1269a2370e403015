"""The rows of one sheet as one kind of export: each cell given its meaning, each problem said in words.

A cell is read by the declaration of its column (`schemas.py`): money as whole cents, dates as calendar days, our words for theirs. A row
with any problem is rejected whole, with one line for each problem, so that an office mends a file once and not cell by cell. What could
still be read of a rejected row is kept: its amount, so that the total of what was left out can be stated, and the student and plan that
it names, so that nobody proposes a draw while a row about them is missing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.compute as pc  # type: ignore[import-untyped]

from reconcile.cells import Parsed, parse_dates, parse_ids, parse_money, parse_text, parse_words
from reconcile.intake_problems import Problem
from reconcile.money import people_money
from reconcile.raw_foot import seeming_totals
from reconcile.schemas import DTYPES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from reconcile.column_map import ExportMap
    from reconcile.raw import RawProblem, RawTable
    from reconcile.schemas import Column, Export

    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Part:
    """The rows of one sheet as one export; every array has one entry for each row read.

    `columns`: typed values ("", 0 or NaT where unreadable); `unreadable`: the columns with such cells, and where. `cents`: the amount with
    the sign of the export (after `reverse_sign`), 0 where not `cents_known`. `rejected` rows have at least one line in `problems`.
    `headings`: their heading by standard name.
    """

    export: str
    file: str
    sheet: str
    rows: Ints
    columns: dict[str, Any]
    unreadable: dict[str, Bools]
    cents: Ints
    cents_known: Bools
    rejected: Bools
    problems: tuple[Problem, ...]
    headings: dict[str, str]
    notes: tuple[str, ...] = ()


@dataclass
class _Typing:
    """What is being worked out for one part: the raw table, the rows picked, and what was found so far."""

    raw: RawTable
    at: Ints
    section: ExportMap
    headings: dict[str, str]
    whole: Bools
    cell_problems: dict[tuple[int, str], list[RawProblem]]
    unreadable: dict[str, Bools] = field(default_factory=dict)
    problems: list[tuple[int, int, Problem]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def tell(self, at: int, order: int, column: str, value: str, problem: str, cure: str) -> None:
        raw = self.raw
        told = Problem.of(raw.file, raw.sheet, int(raw.rows[self.at[at]]), self.headings.get(column, column), value, problem, cure)
        self.problems.append((at, order, told))

    def spoil(self, column: str, bad: Bools) -> None:
        if bad.any():
            self.unreadable[column] = self.unreadable.get(column, np.zeros(len(self.at), dtype=np.bool_)) | bad


def type_rows(raw: RawTable, picked: Ints, export: Export, section: ExportMap, positions: Mapping[str, int]) -> Part:
    """Give each picked row of a raw table its meaning as a row of the export.

    In:      the raw table; positions of the rows that are of this export; what the map says; where each standard column stands.
    Out:     every picked row, typed, rejected or not; nothing raises.
    Keeps:   as many rows as were picked.
    """
    headings = {name: raw.headings[i] for name, i in positions.items()}
    whole, cell_problems = _raw_problems(raw, picked, set(headings.values()))
    typing = _Typing(raw, picked, section, headings, whole, cell_problems)
    _tell_whole_rows(typing)
    absent: dict[tuple[str, str], Any] = {}  # one array for all columns that the file does not have and that hold the same
    columns: dict[str, Any] = {}
    for order, column in enumerate(export.columns):
        if column.name in positions:
            columns[column.name] = _typed(typing, column, positions[column.name], order)
        else:
            held = (DTYPES[column.kind], column.default)
            if held not in absent:
                absent[held] = _absent(column, len(picked))
            columns[column.name] = absent[held]
    for column in export.columns:
        if column.same_as:
            here = columns[column.name]
            unset = np.isnat(here) & ~typing.unreadable.get(column.name, np.zeros(len(here), dtype=np.bool_))
            columns[column.name] = np.where(unset, columns[column.same_as], here)
    rejected = np.zeros(len(picked), dtype=np.bool_)
    rejected[[at for at, _, _ in typing.problems]] = True
    known = ~typing.unreadable.get("amount", whole) & ~whole
    cents = columns["amount"] if known.all() else np.where(known, columns["amount"], 0)
    told = tuple(problem for _, _, problem in sorted(typing.problems, key=lambda p: p[:2]))
    return Part(
        export.name,
        raw.file,
        raw.sheet,
        raw.rows[picked],
        columns,
        typing.unreadable,
        cents,
        known,
        rejected,
        told,
        headings,
        tuple(typing.notes),
    )


def _raw_problems(raw: RawTable, picked: Ints, used: set[str]) -> tuple[Bools, dict[tuple[int, str], list[RawProblem]]]:
    """What the reader found wrong with the picked rows: which rows as a whole, and which cells of the columns that are read."""
    whole = np.zeros(len(picked), dtype=np.bool_)
    by_cell: dict[tuple[int, str], list[RawProblem]] = {}
    if not raw.problems:
        return whole, by_cell
    at_row = {int(row): i for i, row in enumerate(raw.rows[picked])}
    for problem in raw.problems:
        at = at_row.get(problem.row)
        if at is not None and (not problem.column or problem.column in used):
            by_cell.setdefault((at, problem.column), []).append(problem)
            whole[at] |= not problem.column
    return whole, by_cell


def _tell_whole_rows(typing: _Typing) -> None:
    for (at, column), problems in typing.cell_problems.items():
        if not column:
            for problem in problems:
                typing.tell(at, -1, "", problem.value, problem.problem, problem.cure)


def _typed(typing: _Typing, column: Column, position: int, order: int) -> Any:  # noqa: ANN401 (arrow text or numpy)
    """One standard column, typed; what is wrong in it is told."""
    cells = typing.raw.columns[position]
    numbers = typing.raw.number_cells[position] if typing.raw.number_cells else None
    if len(typing.at) != len(cells):
        cells = cells.take(pa.array(typing.at))
        numbers = None if numbers is None else numbers[typing.at]
    parsed = _parse(typing, column, cells, numbers)
    spoiled = _reader_problems(typing, column, order)
    for at, (problem, cure) in parsed.problems.items():
        if not spoiled[at]:
            typing.tell(at, order, column.name, cells[at].as_py(), problem, cure)
    bad = parsed.bad | spoiled
    values = parsed.values
    absent = parsed.absent
    if column.kind == "word":
        absent = pc.equal(values, "").to_numpy(zero_copy_only=False) & ~parsed.bad
        if column.default and absent.any():
            values = pc.if_else(pa.array(absent), column.default, values)
    if column.kind == "money" and typing.section.reverse_sign:
        values = -values
    typing.spoil(column.name, bad | (absent & column.required))
    if column.required:
        _tell_empty(typing, column, order, np.flatnonzero(absent & ~bad))
    if column.positive:
        _tell_not_positive(typing, column, order, values, bad | absent)
    return values


def _reader_problems(typing: _Typing, column: Column, order: int) -> Bools:
    """Tell what the reader found wrong with cells of this column; such cells, and rows wrong as a whole, are not told again."""
    spoiled = typing.whole.copy()
    heading = typing.headings[column.name]
    for (at, where), problems in typing.cell_problems.items():
        if where and where == heading:
            if not spoiled[at]:
                for problem in problems:
                    typing.tell(at, order, column.name, problem.value, problem.problem, problem.cure)
            spoiled[at] = True
    return spoiled


def _parse(typing: _Typing, column: Column, cells: pa.Array, numbers: Bools | None) -> Parsed:
    section = typing.section
    translate = section.values.get(column.name, {})
    if column.kind == "money":
        return parse_money(cells, section.decimal_mark, numbers)
    if column.kind == "date":
        parsed = parse_dates(cells, section.date_order, typing.raw.date_system, tell_numbers=not typing.raw.sheet)
        typing.notes.extend(f"{typing.headings[column.name]}: {note}" for note in parsed.notes)
        return parsed
    if column.kind == "word":
        return parse_words(cells, column.words, translate)
    return parse_ids(_translated(cells, translate)) if column.kind == "id" else parse_text(_translated(cells, translate))


def _translated(cells: pa.Array, words: Mapping[str, str]) -> pa.Array:
    """Cells with the office's own codes put into ours, where the map gives them; the others stay as they are."""
    if not words:
        return cells
    ours = {" ".join(theirs.split()).casefold(): our for theirs, our in words.items()}
    coded = cells.dictionary_encode()
    texts = [ours.get(" ".join(text.split()).casefold(), text) for text in coded.dictionary.to_pylist()]
    return pa.array(texts, type=pa.large_string()).take(coded.indices)


def _absent(column: Column, count: int) -> Any:  # noqa: ANN401 (arrow text or numpy)
    """A column that the export does not have: its default everywhere."""
    if column.kind in {"date", "money"}:
        values = np.full(count, "NaT", dtype="datetime64[s]") if column.kind == "date" else np.zeros(count, dtype=np.int64)
        values.setflags(write=False)  # several columns may share it
        return values
    return pa.repeat(pa.scalar(column.default, pa.large_string()), count)


def _tell_empty(typing: _Typing, column: Column, order: int, empty: Ints) -> None:
    """Tell what has to be filled in; of a row that may be a total nothing has to, and the advice says so."""
    totals = seeming_totals(typing.raw.columns, typing.at[empty]) if len(empty) else set()
    at_row: list[int] = typing.at[empty].tolist()
    for at, row in zip(empty.tolist(), at_row, strict=True):
        typing.tell(at, order, column.name, "", f"{column.name} is empty", TAKE_OUT if row in totals else _fill(column))


def _fill(column: Column) -> str:
    if column.words:
        return f'Fill it in with one of: {", ".join(column.words)}; or give "" its meaning in the column map, under values.'
    return "Fill it in where the file comes from."


def _tell_not_positive(typing: _Typing, column: Column, order: int, values: Ints, unread: Bools) -> None:
    low: list[int] = np.flatnonzero((values <= 0) & ~unread).tolist()
    for at in low:
        cents = int(values[at])
        problem = f"{people_money(cents)} is not above zero; every event of the bank is, and its outcome says whether money came or went"
        cure = "If it is a return or a refund, say so under outcome and give the amount without a sign."
        if cents < 0:
            cure += " If all amounts of the file carry the other sign, set reverse_sign = true in the column map."
        typing.tell(at, order, column.name, people_money(-cents if typing.section.reverse_sign else cents), problem, cure)


def astray_part(raw: RawTable, astray: Ints, problems: tuple[Problem, ...], positions: Mapping[str, int], section: ExportMap) -> Part:
    """The rows of a mixed file that no route claims, all rejected; what they name and their amount are read as the first kind has them."""
    names = {
        name: parse_ids(raw.columns[i].take(pa.array(astray))).values for name, i in positions.items() if name in {"student_id", "plan_id"}
    }
    cents, known = np.zeros(len(astray), dtype=np.int64), np.zeros(len(astray), dtype=np.bool_)
    if "amount" in positions:
        numbers = raw.number_cells[positions["amount"]] if raw.number_cells else None
        column = raw.columns[positions["amount"]].take(pa.array(astray))
        parsed = parse_money(column, section.decimal_mark, None if numbers is None else numbers[astray])
        cents, known = parsed.values, ~parsed.bad & ~parsed.absent
    everything = np.ones(len(astray), dtype=np.bool_)
    return Part(NOT_ROUTED, raw.file, raw.sheet, raw.rows[astray], names, {}, cents, known, everything, problems, {})


TAKE_OUT = "This looks like a total row. If it is one, take it out of the file; if not, fill the cell in where the file comes from."
NOT_ROUTED = "not routed"
"""In counts, the rows of a mixed file that are of no kind of export."""
