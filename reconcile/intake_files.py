"""One input file read: its sheets, the rows of each kind of export in them, and what refuses the run as a whole.

A file as a whole is refused, and with it the run, where no row of it can be trusted or none may be read: it cannot be opened, a required
column is missing, or a column looks like account, card or social security numbers. A single bad row never refuses the file: it becomes a
rejected row.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import pyarrow as pa  # type: ignore[import-untyped]

from reconcile.cells import parse_money
from reconcile.column_map import ColumnMap, ExportMap
from reconcile.csv_files import read_text_file
from reconcile.headings import left_out, match_headings, unread_headings, unread_note
from reconcile.intake_problems import Problem, place_of, sentence
from reconcile.intake_rows import Part, astray_part, type_rows
from reconcile.lost_columns import absent_words
from reconcile.money import people_money
from reconcile.raw import heading_key
from reconcile.routes import route_rows
from reconcile.schemas import EXPORTS
from reconcile.sensitive import looks_sensitive

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reconcile.export_files import InputFile
    from reconcile.intake_batch import Checked
    from reconcile.raw import RawTable

NO_MAP = ColumnMap("", "", 0)


@dataclass(frozen=True)
class SheetRead:
    """One sheet or text file: its rows by kind of export, how many rows were totals or blank, and what is wrong with the sheet's total.

    `columns`: by kind, the standard columns that were found; `unread`: the headings that nobody reads; `in_doubt`: the note on them where
    columns are missing on which figures hang, for one may be the other.
    """

    sheet: str
    encoding: str
    delimiter: str
    parts: tuple[Part, ...] = ()
    problems: tuple[Problem, ...] = ()
    refusals: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    foot_rows: int = 0
    blank_rows: int = 0
    kinds: tuple[str, ...] = ()
    headings: tuple[str, ...] = ()
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    unread: tuple[str, ...] = ()
    in_doubt: str = ""


@dataclass(frozen=True)
class FileRead:
    """One file: hash and size of its bytes, and what was read of it. `checked`: by export, where all its rows stand in it."""

    file: InputFile
    sha256: str
    size: int
    sheets: tuple[SheetRead, ...] = ()
    refusals: tuple[str, ...] = ()
    checked: Mapping[str, Checked] = field(default_factory=dict)


@dataclass(frozen=True)
class _Reading:
    """The kinds of export that share one way of reading a file: the same sheet, heading row, encoding and delimiter."""

    kinds: tuple[tuple[str, ExportMap], ...]
    sheet: str | None

    @property
    def expected(self) -> frozenset[str]:
        """Every heading that these kinds know, by which the heading row is found."""
        names = {n for export, _ in self.kinds for n in EXPORTS[export].names}
        for _, section in self.kinds:
            names |= {*section.columns.values(), *(route.column for route in section.route)}
        return frozenset(heading_key(n) for n in names)

    @property
    def text_columns(self) -> frozenset[str]:
        """Headings of the columns that hold identifiers, in which a workbook may have lost leading zeros."""
        keys = set()
        for export, section in self.kinds:
            for column in EXPORTS[export].columns:
                if column.kind == "id":
                    keys |= {heading_key(column.name), heading_key(section.columns.get(column.name, column.name))}
        return frozenset(keys)


def read_input(file: InputFile, column_map: ColumnMap | None) -> FileRead:
    """Read one file of exports.

    In:      the file and the kinds that claim it; the map for their headings, words and forms.
    Out:     hash, size, and every sheet; `refusals` where the file, or a sheet, cannot be used. Never raises for what a file holds.
    """
    try:
        data = file.path.read_bytes()
    except OSError as error:
        return FileRead(file, "", 0, (), (f"{file.name} cannot be opened: {error.strerror}. Close it in other programs, then run again.",))
    readings, refusals = _readings(file, column_map or NO_MAP)
    named = {r.sheet for r in readings if r.sheet is not None}
    sheets: list[SheetRead] = []
    for reading in readings:
        tables = _tables(file, reading, data)
        sheets += [_sheet(raw, reading) for raw in tables if reading.sheet is not None or raw.sheet not in named]
    return FileRead(file, hashlib.sha256(data).hexdigest(), len(data), tuple(sheets), tuple(refusals))


def _readings(file: InputFile, column_map: ColumnMap) -> tuple[list[_Reading], list[str]]:
    """The kinds that claim the file, grouped by the sheet that they read; kinds of one sheet need routes and one way of reading."""
    by_sheet: dict[str | None, list[tuple[str, ExportMap]]] = {}
    for kind in file.kinds:
        section = column_map.of(kind)
        by_sheet.setdefault(section.sheet if file.is_workbook else None, []).append((kind, section))
    refusals: list[str] = []
    for sheet, kinds in by_sheet.items():
        place = place_of(file.name, sheet or "")
        names = " and ".join(kind for kind, _ in kinds)
        without = [kind for kind, section in kinds if not section.route]
        if len(kinds) > 1 and without:
            refusals.append(
                f"{place} is claimed by {names}, and nothing tells their rows apart. Give {' and '.join(without)} a [[route]] "
                "in the column map that names the column and the codes, or files of their own."
            )
        for key in ("heading_row", "encoding", "delimiter"):
            said = sorted({str(v) for _, section in kinds if (v := getattr(section, key)) is not None})
            if len(said) > 1:
                refusals.append(
                    f"{place} is read once for {names}, but the column map gives {key} as {' and '.join(said)}. Give one of them."
                )
    return ([] if refusals else [_Reading(tuple(kinds), sheet) for sheet, kinds in by_sheet.items()]), refusals


def _tables(file: InputFile, reading: _Reading, data: bytes) -> tuple[RawTable, ...]:
    def said(key: str) -> object:
        return next((v for _, section in reading.kinds if (v := getattr(section, key)) is not None), None)

    heading_row, encoding, delimiter = said("heading_row"), said("encoding"), said("delimiter")
    row = heading_row if isinstance(heading_row, int) else None
    if file.is_workbook:
        from reconcile.xlsx_files import read_workbook  # noqa: PLC0415 (the workbook library is slow to load; most offices export text)

        return read_workbook(
            file.path, file.name, sheet=reading.sheet, heading_row=row, expected=reading.expected, text_columns=reading.text_columns
        )
    table = read_text_file(
        file.path,
        file.name,
        heading_row=row,
        expected=reading.expected,
        encoding=encoding if isinstance(encoding, str) else None,
        delimiter=delimiter if isinstance(delimiter, str) else None,
        data=data,
    )
    return (table,)


def _sheet(raw: RawTable, reading: _Reading) -> SheetRead:
    """One table: columns found, rows routed and typed, its total compared."""
    place = place_of(raw.file, raw.sheet)
    # Headings that stand twice are told below, and only where someone reads them: a reader cannot know what the map leaves out.
    refusals = [f"{place}: {p.problem}. {sentence(p.cure)}" for p in raw.problems if p.row == 0 and not p.column]
    matched = {kind: match_headings(raw.headings, EXPORTS[kind], section, place) for kind, section in reading.kinds}
    if raw.headings:
        refusals += [problem for found in matched.values() for problem in found.problems]
    gone = {i for _, section in reading.kinds for i in left_out(raw.headings, section)}
    refusals += _sensitive(raw, gone, place)
    notes = [f"{place}: {note}." for note in raw.notes]
    routed = None
    if not refusals:
        routed = route_rows(raw, reading.kinds, place)
        refusals += routed.refusals
    if routed is None or refusals:
        return SheetRead(raw.sheet, raw.encoding, raw.delimiter, refusals=tuple(refusals), notes=tuple(notes))
    parts = [type_rows(raw, routed.picked[kind], EXPORTS[kind], section, matched[kind].positions) for kind, section in reading.kinds]
    if len(routed.astray):
        first, section = reading.kinds[0]
        parts.append(astray_part(raw, routed.astray, routed.problems, matched[first].positions, section))
    used = {i for found in matched.values() for i in found.positions.values()} | routed.columns | gone
    notes += [note for found in matched.values() for note in found.notes]
    notes += [f"{place}: {note}." for part in parts for note in part.notes]
    unread, in_doubt = unread_headings(raw.headings, used), ""
    if unread:
        kinds = [(EXPORTS[kind], found.positions) for kind, found in matched.items()]
        told, missing = unread_note(unread, kinds, place), absent_words(kinds, place)
        in_doubt = f"{told} {missing}" if missing else ""
        notes += [] if missing else [told]
    problems, agreed = _foot(
        raw, {found.positions["amount"]: section for (_, section), found in zip(reading.kinds, matched.values(), strict=True)}
    )
    return SheetRead(
        raw.sheet,
        raw.encoding,
        raw.delimiter,
        tuple(parts),
        tuple(problems),
        notes=(*notes, *agreed),
        foot_rows=len(raw.foot),
        blank_rows=raw.blank_rows,
        kinds=tuple(kind for kind, _ in reading.kinds),
        headings=raw.headings,
        columns={kind: tuple(found.positions) for kind, found in matched.items()},
        unread=unread,
        in_doubt=in_doubt,
    )


def _sensitive(raw: RawTable, gone: set[int], place: str) -> list[str]:
    """One sentence for each column that looks like account, card or social security numbers; its cells are shown nowhere."""
    told = []
    for i, heading in enumerate(raw.headings):
        why = looks_sensitive(heading, raw.columns[i]) if i not in gone else None
        if why:
            told.append(
                f'{place}: column "{heading}" must not be read: {why}. Take the column out of the export, '
                f'or leave it out in the column map: leave_out = ["{heading}"].'
            )
    return told


def _foot(raw: RawTable, amounts: dict[int, ExportMap]) -> tuple[list[Problem], list[str]]:
    """Compare each total row with the rows above it: all of them, or those since the total row before.

    In:      the columns that hold amounts, each with the map of its export. Signs are those of the file.
    Out:     a problem for a total that agrees with neither, a note for one that agrees; a total row without an amount is only noted.
    """
    problems: list[Problem] = []
    notes: list[str] = []
    place = place_of(raw.file, raw.sheet)
    for position, section in amounts.items() if raw.foot else ():
        heading = raw.headings[position]
        numbers = raw.number_cells[position] if raw.number_cells else None
        parsed = parse_money(raw.columns[position], section.decimal_mark, numbers)
        before = 0
        for foot in sorted(raw.foot, key=lambda f: f.row):
            text = foot.cells.get(heading, "")
            total = _one_amount(text, section)
            above = raw.rows < foot.row
            sums = [int(parsed.values[above & mask].sum()) for mask in (True, raw.rows > before)]
            before = foot.row
            if total is None:
                notes.append(f"{place}: row {foot.row} reads as a total and names no amount: left out of the rows.")
            elif total in sums:
                notes.append(f"{place}: total row {foot.row} agrees: {people_money(total)}.")
            else:
                unread = int(parsed.bad[above].sum())
                problems.append(_total_off(raw, foot.row, heading, text, total, sums[0], unread))
    return problems, notes


def _one_amount(text: str, section: ExportMap) -> int | None:
    """The amount of a total row; a workbook writes its numbers with a point whatever the office writes in text."""
    marks: tuple[Literal[".", ","], ...] = (section.decimal_mark, ".")
    for mark in marks:
        parsed = parse_money(pa.array([text], type=pa.string()), mark)
        if not (parsed.bad[0] or parsed.absent[0]):
            return int(parsed.values[0])
    return None


def _total_off(raw: RawTable, row: int, heading: str, text: str, total: int, ours: int, unread: int) -> Problem:
    more = "more" if ours > total else "less"
    without = f" ({unread} without a readable amount)" if unread else ""
    problem = (
        f"the total row says {people_money(total)}; the rows above it add up to {people_money(ours)}{without}, "
        f"{people_money(abs(ours - total))} {more}"
    )
    return Problem.of(raw.file, raw.sheet, row, heading, text, problem, "Export the file again; rows may be missing or changed by hand")
