"""Return codes kept in a spreadsheet: `returns.csv` beside `returns.toml`.

An office that gets its bank's code sheet as a spreadsheet may keep the codes there, one code to a row, and leave [[code]] out of
`returns.toml`. The headings are the keys of [[code]]; an empty cell is a key left out; `true` and `false` may be in capitals, as
spreadsheets write them.

    method,code,title,class,frame,frame_unit,again,again_times,again_days,stops_plan,action,source,mark
    bank,R02,account closed,administrative,2,banking,false,,,true,Ask for a new account.,our bank's sheet,seen
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from reconcile.policy_checks import return_row, twice_listed
from reconcile.policy_models import ReturnCode
from reconcile.toml_errors import Found, spell_path, unknown, validation_problems

RETURN_TABLE = "returns.csv"

COLUMNS = tuple(f.alias or name for name, f in ReturnCode.model_fields.items())
"""The headings that the table may have: the keys of [[code]]."""

_COUNTS = frozenset({"frame", "again_times", "again_days"})
_YES_NO = {"true": True, "false": False}


@dataclass(frozen=True)
class ReturnTable:
    """The rows that hold, what is wrong with the others, and every (method, code) listed, the code without capitals."""

    codes: tuple[ReturnCode, ...]
    problems: tuple[str, ...]
    listed: frozenset[tuple[str, str]]


def read_return_table(raw: bytes, name: str = RETURN_TABLE) -> ReturnTable:
    """The codes of a CSV table; mistakes are told with line and heading. Never raises.

    A line is the one on which the row ends, as a text editor counts it.
    """
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return _refused(f"{name}, line {line}: a letter here is not UTF-8. Save the table again as CSV UTF-8.")
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        headings = [cell.strip() for cell in next(reader, [])]
        lines = [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except csv.Error as error:
        return _refused(f"{name}, line {reader.line_num}: this cannot be read as CSV: {error}.")
    problems = [f"{name}, line 1, {heading or 'an empty heading'}: {sentence}" for heading, sentence in _headings(headings)]
    if problems:
        return _refused(*problems)
    return _rows(headings, lines, name)


def _headings(headings: list[str]) -> list[tuple[str, str]]:
    """Headings that are unknown, missing or there twice."""
    missing = [c for c in COLUMNS if c not in headings]
    told = [(h, unknown("heading", h, COLUMNS, missing)) for h in headings if h not in COLUMNS]
    told += [(h, "this heading stands twice.") for h in sorted({h for h in headings if h in COLUMNS and headings.count(h) > 1})]
    meant = " ".join(sentence for _, sentence in told)
    required = [f.alias or key for key, f in ReturnCode.model_fields.items() if f.is_required()]
    told += [(c, "this heading is missing.") for c in required if c in missing and f" Write {c}." not in meant]
    return told


def _rows(headings: list[str], lines: list[tuple[int, list[str]]], name: str) -> ReturnTable:
    codes: list[ReturnCode] = []
    found: list[tuple[int, Found]] = []
    rows: list[tuple[int, dict[str, Any]]] = []
    for line, cells in lines:
        if len(cells) != len(headings):
            count = "1 cell" if len(cells) == 1 else f"{len(cells)} cells"
            found.append((line, (("row",), f"it has {count} and the headings are {len(headings)}.")))
            continue
        row = {h: _typed(h, cell.strip()) for h, cell in zip(headings, cells, strict=True) if cell.strip()}
        rows.append((line, row))
        found += [(line, problem) for problem in return_row(row, ())]
        try:
            codes.append(ReturnCode.model_validate(row))
        except ValidationError as error:
            found += [(line, problem) for problem in validation_problems(error, ReturnCode, row)]
    twice = twice_listed(((line, "code"), row) for line, row in rows)
    found += [(int(path[0]), (path[1:], sentence)) for path, sentence in twice]
    found.sort(key=lambda item: item[0])
    problems = tuple(f"{name}, line {line}, {spell_path(path)}: {sentence}" for line, (path, sentence) in found)
    listed = frozenset((str(row.get("method")), str(row.get("code")).casefold()) for _, row in rows)
    return ReturnTable(tuple(codes), problems, listed)


def _typed(heading: str, cell: str) -> object:
    """A cell as TOML would hold it; one that is not what its column needs stays text, and is then told as such."""
    if heading in _COUNTS and cell.isascii() and cell.isdigit():
        return int(cell)
    return _YES_NO.get(cell.casefold(), cell) if heading in {"again", "stops_plan"} else cell


def _refused(*problems: str) -> ReturnTable:
    return ReturnTable((), problems, frozenset())
