"""Opening a workbook without reading its texts yet.

A workbook keeps most of its texts in one part, which the exact library reads whole when it opens a file. Where that part is plain
(`xlsx_forms`) it is left alone until a sheet has to be read by that library, since for a large export it takes a fifth of the time.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from openpyxl.reader.excel import ExcelReader
from openpyxl.xml.constants import SHARED_STRINGS

from reconcile.xlsx_forms import plain_strings

if TYPE_CHECKING:
    from openpyxl.workbook import Workbook

STRINGS = "xl/sharedStrings.xml"


class OpenWorkbook(ExcelReader):
    """A workbook opened for streaming; whatever the library raises for a damaged file it raises here."""

    def __init__(self, raw: bytes) -> None:
        super().__init__(io.BytesIO(raw), read_only=True, keep_vba=False, data_only=True, keep_links=False)
        self.raw = raw
        self.plain = True
        """Whether all shared texts are plain; then they may not have been read yet."""
        self._read = False
        self.read()

    @property
    def book(self) -> Workbook:
        """The workbook: its sheets can be streamed after `texts_read`."""
        book: Workbook = self.wb
        return book

    def read_strings(self) -> None:
        """Called by the library while it opens the file: read the texts unless they are plain."""
        package: Any = self.package
        part = package.find(SHARED_STRINGS)
        if part is not None:
            path = part.PartName[1:]
            self.plain = path == STRINGS and plain_strings(self.archive.read(path))
        if not self.plain:
            self._now()

    def texts_read(self) -> None:
        """Read the shared texts if that was left for later; the sheets hold the same list."""
        if not self._read:
            held = self.shared_strings
            self._now()
            if self.shared_strings is not held:
                held.extend(self.shared_strings)

    def _now(self) -> None:
        super().read_strings()
        self._read = True
