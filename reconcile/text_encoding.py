"""Which encoding a text file is in: the byte order mark first, then UTF-8 if every byte allows it, then Windows-1252, and nothing cleverer.

Guessing by letter frequency reads one accent among two thousand names as a Chinese character, so nothing is guessed: a file that is not
UTF-8 is read as what Windows writes in America and western Europe, the choice is told, and the column map can override it.
"""

from __future__ import annotations

import codecs
from typing import NamedTuple

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_WORKBOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")
_REPLACED = "\ufffd".encode()


class Decoded(NamedTuple):
    """A file's text as UTF-8 bytes without a mark; the encoding it was in, and what to tell of it."""

    text: bytes
    encoding: str
    notes: tuple[str, ...]


class Undecodable(NamedTuple):
    """Why a file is no text, and how to mend it."""

    problem: str
    cure: str
    encoding: str


def decode(raw: bytes, encoding: str | None) -> Decoded | Undecodable:
    """The text of a file, in the encoding given, or found as the module says."""
    if raw.startswith(_WORKBOOKS):
        cure = "open it in the spreadsheet program and save it as .xlsx, or as CSV UTF-8, under a name that ends so"
        return Undecodable("the file is a workbook or another archive, whatever its name says", cure, encoding or "")
    mark, marked = next((found for found in _MARKS if raw.startswith(found[0])), (b"", ""))
    if encoding is None and marked:
        return _read(raw[len(mark) :], marked, ())
    if encoding is not None:
        try:
            name = codecs.lookup(encoding).name
        except LookupError:
            return Undecodable(f"the encoding {encoding!r} is not known", "name another, such as utf-8, cp1252 or utf-16", encoding)
        fits = marked and (name.startswith("utf-8") or name in {marked, marked[: marked.rfind("-")]})
        return _read(raw[len(mark) :], marked, ()) if fits else _read(raw, name, ())
    read = _read(raw, "utf-8", ())
    if isinstance(read, Decoded):
        return read
    return _read(raw, "cp1252", ("the file is not UTF-8 and was read as Windows-1252 (cp1252): look at a name with an accent",))


def _read(raw: bytes, encoding: str, notes: tuple[str, ...]) -> Decoded | Undecodable:
    """The bytes as strict text of an encoding."""
    if encoding == "utf-8" and raw.isascii() and b"\0" not in raw:
        return Decoded(raw, encoding, notes)  # most exports: nothing to decode, and no copy
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return Undecodable(
            f"line {line} holds the byte {raw[error.start : error.start + 1].hex().upper()}, which is no letter in {encoding}",
            "save the file as CSV UTF-8, or name its encoding in the column map",
            encoding,
        )
    except LookupError:
        return Undecodable(f"{encoding!r} is no encoding of text", "name another, such as utf-8, cp1252 or utf-16", encoding)
    if (nul := text.find("\0")) >= 0:
        line = text.count("\n", 0, nul) + 1
        many = text.count("\0") * 4 > len(text)
        return Undecodable(
            f"line {line} holds a NUL character (code 0), which stands for no letter"
            + (", and so does a good part of the file: it may be UTF-16 without its mark" if many else ""),
            "save the file as CSV UTF-8" if many else f"take the character out of line {line} where the file comes from, and export again",
            encoding,
        )
    held = raw if encoding == "utf-8" else text.encode()
    if lost := held.count(_REPLACED):
        notes = (*notes, f"{lost} characters were already lost (U+FFFD) when the file was made")
    return Decoded(held, encoding, notes)
