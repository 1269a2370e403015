"""What a streamed sheet does not show, read from the sheet's own XML: hidden rows, formulas without a result, merged cells.

A formula that was written by a program and never calculated holds no result, and reads as a blank. That would be money lost in silence,
so such cells are found by their address.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import zipfile
    from collections.abc import Iterator

_CHUNK = 4 << 20
_LONGEST = 64 << 20
"""Bytes without the end of a row that are still kept together."""
_ROW = re.compile(rb"<(?:\w+:)?row\b([^>]*)>")
_ROW_NUMBER = re.compile(rb"\br\s*=\s*[\"'](\d+)[\"']")
_HIDDEN = re.compile(rb"\bhidden\s*=\s*[\"'](?:1|true)[\"']")
_CELL = re.compile(rb"<(?:\w+:)?c\b([^>]*[^/>]|)>(.*?)</(?:\w+:)?c>", re.DOTALL)
_CELL_AT = re.compile(rb"\br\s*=\s*[\"']([A-Z]+\d+)[\"']")
_FORMULA = re.compile(rb"<(?:\w+:)?f[\s/>]")
_RESULT = re.compile(rb"<(?:\w+:)?v>[^<]")
_TEXT_RESULT = re.compile(rb"\bt\s*=\s*[\"']str[\"']")
_MERGED = re.compile(rb"<(?:\w+:)?mergeCell\b[^>]*\bref\s*=\s*[\"']([A-Z]+\d+:[A-Z]+\d+)[\"']")
_END = b"</row>"
_CUT = re.compile(rb"</(?:\w+:)?row>")


@dataclass
class SheetParts:
    """Row numbers, addresses and ranges found in one sheet."""

    hidden_rows: list[int] = field(default_factory=list)
    no_result: set[str] = field(default_factory=set)
    merged: list[str] = field(default_factory=list)
    disordered: list[int] = field(default_factory=list)
    """Rows that do not come after the row before them; a streamed reading would pass over them in silence."""
    last_row: int = 0
    """The last row that the sheet has, filled or not."""


def sheet_parts(archive: zipfile.ZipFile, part: str) -> SheetParts:
    """Scan one sheet's XML, in pieces of whole rows."""
    found = SheetParts()
    row = 0
    for piece in sheet_pieces(archive, part):
        for opened in _ROW.finditer(piece):
            number = _ROW_NUMBER.search(opened[1])
            before, row = row, int(number[1]) if number else row + 1
            if row <= before:
                found.disordered.append(row)
            if _HIDDEN.search(opened[1]):
                found.hidden_rows.append(row)
        if (b"<f" in piece or b":f" in piece) and _FORMULA.search(piece):
            found.no_result |= set(_without_result(piece))
        if b"mergeCell" in piece:
            found.merged += [merged[1].decode() for merged in _MERGED.finditer(piece)]
    found.last_row = row
    return found


def sheet_pieces(archive: zipfile.ZipFile, part: str) -> Iterator[bytes]:
    """The XML in pieces that end with a row's end, the last with the end of the part."""
    with archive.open(part) as source:
        rest = b""
        while chunk := source.read(_CHUNK):
            rest += chunk
            end = rest.rfind(_END) + len(_END) if _END in rest else max((cut.end() for cut in _CUT.finditer(rest)), default=0)
            if end:
                yield rest[:end]
                rest = rest[end:]
            elif len(rest) > _LONGEST:
                yield rest
                rest = b""
        yield rest


def _without_result(piece: bytes) -> Iterator[str]:
    """Addresses of cells that hold a formula and no result; an empty text is a result."""
    for cell in _CELL.finditer(piece):
        if (
            _FORMULA.search(cell[2])
            and not _RESULT.search(cell[2])
            and not _TEXT_RESULT.search(cell[1])
            and (at := _CELL_AT.search(cell[1]))
        ):
            yield at[1].decode()
