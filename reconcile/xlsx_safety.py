"""Is this file a workbook that may be opened? Asked before anything in it is unpacked.

A workbook is a zip archive of XML. A few kilobytes of archive can unpack to many gigabytes, so sizes and ratios are capped first; what
only carries the name of a workbook (an old .xls, a web page, a file under a password) is told apart, since the cure differs.
"""

from __future__ import annotations

import io
import zipfile

MOST_UNPACKED = 1_500_000_000
"""Bytes that a workbook may unpack to; a full sheet of a million rows takes about half of it."""
LARGE_PART = 20_000_000
"""Bytes from which on the ratio of a part is looked at: a small part may be as repetitive as it likes."""
MOST_RATIO = 200
"""How many times its packed size a large part may unpack to; sheets of real rows stay below 50."""
MOST_PARTS = 10_000

Refusal = tuple[str, str]
_SAVE = "open it in the spreadsheet program and save it as .xlsx, or as CSV UTF-8"


def why_not(raw: bytes) -> Refusal | None:
    """Why these bytes must not be opened as a workbook, and how to mend it; None if they may."""
    if not raw:
        return ("the file is empty", "export it again")
    if raw.startswith(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
        if "EncryptedPackage".encode("utf-16-le") in raw:
            return ("the workbook is protected by a password, so it cannot be read", "save a copy without a password")
        return ("the file is a workbook of the old kind (.xls), whatever its name says", _SAVE)
    if raw.lstrip()[:1] == b"<":
        return ("the file is a web page or plain XML, not a workbook, whatever its name says", _SAVE)
    if not raw.startswith(b"PK"):
        return ("the file is not a workbook, whatever its name says", "name a text file .csv; else export it again")
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            return _why_not_unpack(archive.infolist())
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
        return ("the workbook is damaged: its archive cannot be read", "export or copy it again")


def _why_not_unpack(parts: list[zipfile.ZipInfo]) -> Refusal | None:
    """The same for the list of parts in the archive."""
    names = {part.filename for part in parts}
    if any(part.flag_bits & 1 for part in parts):
        return ("the workbook's archive is protected by a password, so it cannot be read", "save a copy without a password")
    if "xl/workbook.bin" in names:
        return ("the workbook is of the binary kind (.xlsb)", _SAVE)
    if "mimetype" in names or "[Content_Types].xml" not in names:
        return ("the file is an archive of another kind, not an .xlsx workbook", _SAVE)
    unpacked = sum(part.file_size for part in parts)
    swollen = any(p.file_size > LARGE_PART and p.file_size > MOST_RATIO * max(p.compress_size, 1) for p in parts)
    packed = sum(part.compress_size for part in parts)
    if unpacked > MOST_UNPACKED or swollen or len(parts) > MOST_PARTS or len(names) != len(parts):
        return (
            f"the workbook would unpack from {size_text(packed)} to {size_text(unpacked)}, more than rows of data need; it was not opened",
            "delete empty formatted rows and sheets that are not needed, save again, or export as CSV",
        )
    return None


def size_text(size: int) -> str:
    """A size as people read it.

    >>> size_text(1_234_567)
    '1.2 million bytes'
    """
    return f"{size / 1_000_000:,.1f} million bytes" if size >= 1_000_000 else f"{size:,} bytes"
