"""A column map: how one office's own exports are read as the standard ones.

Every college's systems name their files, headings, codes and signs in their own way. An office that cannot change its exports writes one
small TOML file, says there what its words mean, and passes it with `--map`:

    [cleared_draws]
    files = ["bank_*.csv"]                       # which files are of this kind; else the standard names (cleared_draws*)
    heading_row = 3                              # else it is looked for
    columns = { settled_on = "Effective date", amount = "Amt", outcome = "Result" }
    values.outcome = { "PAID" = "cleared", "RTN" = "returned" }
    date_order = "mdy"                           # else ymd
    decimal_mark = ","                           # else a point
    reverse_sign = true                          # their amounts carry the other sign
    leave_out = ["Account no."]                  # headings never read
    files_overlap = true                         # the same row in two files is one event (false: two)

    [[charges.route]]                            # one file holds several kinds: these rows are charges
    column = "Entry type"
    equals = ["CHG", "CHR"]

Nothing in a map is code. A map is checked whole: every mistake is told at once, with file, line, key, what is allowed and the nearest
right spelling.
"""

from __future__ import annotations

import codecs
import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, field_validator

from reconcile.errors import RefusedError
from reconcile.raw import heading_key
from reconcile.schemas import EXPORTS, Column, Export
from reconcile.toml_errors import Found, explain, nearest, read_toml, show, unknown, validation_problems, wrong

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path


def _listed(value: object) -> object:
    """One text counts as a list of one; lists become tuples, since a map never changes once read."""
    if isinstance(value, str):
        return (value,)
    return tuple(value) if isinstance(value, list) else value


def _tupled(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


_HOLDS = {"money": "amounts", "date": "dates", "count": "counts"}
"""Kinds of column whose cells are no words, in people's words."""

Texts = Annotated[tuple[str, ...], BeforeValidator(_listed)]


class Route(BaseModel):
    """Which rows of a mixed file are of this kind: those whose cell under `column` equals one of the codes (capitals do not matter)."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")

    column: str = Field(min_length=1, description="the heading of the column that tells the kinds apart, in quotes")
    equals: Texts = Field(min_length=1, description="a code in quotes, or several in square brackets")


class ExportMap(BaseModel):
    """What the map says of one kind of export; every key may be left out."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")

    files: Texts = Field(default=(), description='file names in quotes, with * for any letters, such as ["bank_*.csv"]')
    sheet: str | None = Field(default=None, min_length=1, description="the name of the workbook's sheet, in quotes")
    heading_row: int | None = Field(default=None, ge=1, description="the row number of the headings, 1 or more, without quotes")
    columns: dict[str, str] = Field(default_factory=dict, description="standard name = their heading in quotes")
    values: dict[str, dict[str, str]] = Field(default_factory=dict, description="their word = our word, both in quotes")
    date_order: Literal["ymd", "mdy", "dmy"] = "ymd"
    decimal_mark: Literal[".", ","] = "."
    reverse_sign: bool = Field(default=False, description="true or false, without quotes")
    leave_out: Texts = Field(default=(), description="headings in quotes")
    files_overlap: bool | None = Field(default=None, description="true or false, without quotes")
    aid_rows: Literal["add", "replace"] | None = None
    encoding: str | None = Field(default=None, description='the name of an encoding, such as "utf-8" or "cp1252"')
    delimiter: str | None = Field(default=None, min_length=1, max_length=1, description='one character in quotes, such as ";" or "\\t"')
    route: Annotated[tuple[Route, ...], BeforeValidator(_tupled)] = Field(default=(), description="[[route]] tables with column and equals")

    @field_validator("encoding")
    @classmethod
    def _known_encoding(cls, name: str | None) -> str | None:
        if name is not None:
            try:
                codecs.lookup(name)
            except LookupError:
                raise ValueError(wrong(name, 'the name of an encoding, such as "utf-8" or "cp1252"')) from None
        return name

    @field_validator("files")
    @classmethod
    def _names_only(cls, patterns: tuple[str, ...]) -> tuple[str, ...]:
        for pattern in patterns:
            if "/" in pattern or "\\" in pattern or not pattern.strip():
                raise ValueError(wrong(pattern, "a file name without its folder; the folder is given on the command line"))
        return patterns


class _MapFile(BaseModel):
    """A whole column map: one table for each kind of export."""

    model_config = ConfigDict(frozen=True, strict=True, extra="forbid")

    charges: ExportMap = ExportMap()
    aid: ExportMap = ExportMap()
    plan_schedules: ExportMap = ExportMap()
    cleared_draws: ExportMap = ExportMap()
    postings: ExportMap = ExportMap()


@dataclass(frozen=True)
class ColumnMap:
    """A column map as read, with its name, SHA-256 and size in bytes, since it is an input of the run like any other."""

    name: str
    sha256: str
    size: int
    sections: Mapping[str, ExportMap] = field(default_factory=dict)

    def of(self, export: str) -> ExportMap:
        """What the map says of that export; an empty section where it says nothing."""
        return self.sections.get(export) or ExportMap()


def load_column_map(path: Path) -> ColumnMap:
    """Read and check a column map.

    Errors:  RefusedError with one sentence for each mistake of the whole file.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise RefusedError(f"The column map {path.name} cannot be read: {error.strerror}. Check the path after --map.") from None
    headline = f"The column map {path.name} cannot be used as it stands."
    read, problems = read_toml(raw, path.name)
    if read is None:
        raise RefusedError(headline, tuple(problems))
    found: list[Found] = []
    sections: dict[str, ExportMap] = {}
    try:
        whole = _MapFile.model_validate(read.data)
        sections = {name: getattr(whole, name) for name in EXPORTS}
    except ValidationError as error:
        found += validation_problems(error, _MapFile, read.data)
    found += _check(read.data)
    if found:
        raise RefusedError(headline, tuple(explain(read.text, path.name, found)))
    return ColumnMap(path.name, hashlib.sha256(raw).hexdigest(), len(raw), sections)


def _check(data: Mapping[str, Any]) -> list[Found]:
    """What a shape alone cannot tell: standard names, our words, headings both read and left out, codes claimed twice."""
    found: list[Found] = []
    for name, export in EXPORTS.items():
        section = data.get(name)
        if isinstance(section, dict):
            found += _column_problems(export, section)
            found += _value_problems(export, section)
            if name != "aid" and "aid_rows" in section:
                found.append(((name, "aid_rows"), "this key belongs under [aid] alone."))
    found += _route_problems(data)
    return found


def _table(section: Mapping[str, Any], key: str) -> dict[str, Any]:
    table = section.get(key)
    return table if isinstance(table, dict) else {}


def _column_problems(export: Export, section: Mapping[str, Any]) -> Iterator[Found]:
    columns = _table(section, "columns")
    left_out = section.get("leave_out")
    texts = [left_out] if isinstance(left_out, str) else left_out if isinstance(left_out, list) else []
    gone = {heading_key(h) for h in texts if isinstance(h, str)}
    for standard, heading in columns.items():
        path = (export.name, "columns", standard)
        if standard not in export.names:
            yield path, unknown(f"column in {export.name}", standard, export.names, set(export.names) - set(columns))
        elif isinstance(heading, str) and heading_key(heading) in gone:
            yield path, f"{show(heading)} is also under leave_out. Take it out of one of the two."


def _value_problems(export: Export, section: Mapping[str, Any]) -> Iterator[Found]:
    for standard, words in _table(section, "values").items():
        path = (export.name, "values", standard)
        if standard not in export.names:
            yield path, unknown(f"column in {export.name}", standard, export.names)
            continue
        column = export.column(standard)
        if column.kind in _HOLDS:
            yield path, f"{standard} holds {_HOLDS[column.kind]}; only words and codes can be put into our words."
        elif isinstance(words, dict):
            yield from _word_problems(path, column, words)


def _word_problems(path: tuple[str, ...], column: Column, words: Mapping[str, Any]) -> Iterator[Found]:
    told: dict[str, tuple[str, object]] = {}
    for theirs, ours in words.items():
        before, meaning = told.setdefault(theirs.strip().casefold(), (theirs, ours))
        if meaning != ours:
            yield (*path, theirs), f"{show(before)} and {show(theirs)} differ only in capitals and must not mean two things."
        if not isinstance(ours, str):
            continue
        if ours == "" and column.required:
            yield (*path, theirs), f'"" would leave {column.name} empty, which it must not be. Name our word.'
        elif column.words and ours not in {*column.words, ""}:
            near = nearest(ours, column.words)
            yield (*path, theirs), wrong(ours, ", ".join(show(w) for w in column.words), show(near) if near else "")


def _route_problems(data: Mapping[str, Any]) -> Iterator[Found]:
    claimed: dict[tuple[str, str], str] = {}
    for name in EXPORTS:
        section = data.get(name)
        routes = section.get("route") if isinstance(section, dict) else None
        for number, route in enumerate(routes if isinstance(routes, list) else ()):
            column, codes = (route.get("column"), route.get("equals")) if isinstance(route, dict) else (None, None)
            for code in codes if isinstance(codes, list) else (codes,):
                if isinstance(column, str) and isinstance(code, str):
                    first = claimed.setdefault((heading_key(column), code.strip().casefold()), name)
                    if first != name:
                        yield (name, "route", number, "equals"), f"{show(code)} is already a code of {first}. A row is of one kind only."
