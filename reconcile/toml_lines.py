r"""On which line of a TOML file each key stands, so that a message about a rule can send a person straight to it.

The standard library reads TOML into plain values and forgets where they stood. This walk runs only over text that the library has
already accepted, so it looks for where keys begin and values end and leaves all questions of right and wrong to the library.

A key path is a tuple: names for keys and tables, numbers from 0 for the items of arrays and of arrays of tables.

>>> text = '[[term]]\ncode = "A"\n\n[[term]]\ncode = "B"\ndays = [1,\n  2]\n'
>>> where = key_lines(text)
>>> where["term", 1, "code"], where["term", 1, "days", 1]
(5, 7)
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_left

KeyPath = tuple[str | int, ...]

_SPACE = re.compile(r"[ \t]*")
_BETWEEN = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY_PART = re.compile(r"""[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*'""")
_TEXT = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_BARE = re.compile(r"[^,\]}\n#]+")


def key_lines(text: str) -> dict[KeyPath, int]:
    """The line, counted from 1, on which each key, table and array item of valid TOML begins.

    A key that stands in a table header of its own is found at its first header. Errors: none for text that tomllib accepts.
    """
    return _Walk(text).run()


class _Walk:
    """One pass over the text; `pos` is the next character to look at."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.pos = 0
        self.ends = [m.start() for m in re.finditer("\n", text)]
        self.lines: dict[KeyPath, int] = {}
        self.tables: dict[KeyPath, int] = {}  # arrays of tables: how many there are so far

    def run(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        self.skip(_BETWEEN)
        while self.pos < len(self.text):
            table = self.header() if self.text[self.pos] == "[" else self.pair(table)
            self.skip(_BETWEEN)
        return self.lines

    def header(self) -> KeyPath:
        """`[a.b]` or `[[a.b]]`: the path under which the following keys stand."""
        start = self.pos
        many = self.text.startswith("[[", start)
        self.pos += 2 if many else 1
        parts = self.key()
        self.pos += 2 if many else 1
        path: KeyPath = ()
        for depth, part in enumerate(parts, start=1):
            path = (*path, part)
            self.note(path, start)
            if many and depth == len(parts):
                self.tables[path] = self.tables.get(path, 0) + 1
            if path in self.tables:  # a header speaks of the latest table of that array
                path = (*path, self.tables[path] - 1)
                self.note(path, start)
        return path

    def pair(self, table: KeyPath) -> KeyPath:
        """`a.b = value`: notes the key and all that its value holds. Gives back the table, for the next pair."""
        start = self.pos
        path = table
        for part in self.key():
            path = (*path, part)
            self.note(path, start)
        self.pos += 1  # the equals sign
        self.skip(_SPACE)
        self.value(path)
        return table

    def key(self) -> list[str]:
        """The parts of a dotted key; stops at what follows it."""
        parts = []
        while True:
            self.skip(_SPACE)
            token = self.take(_KEY_PART)
            parts.append(tomllib.loads(f"key = {token}")["key"] if token[0] in "\"'" else token)
            self.skip(_SPACE)
            if self.text[self.pos] != ".":
                return parts
            self.pos += 1

    def value(self, path: KeyPath) -> None:
        opening = self.text[self.pos]
        if opening == "[":
            self.array(path)
        elif opening == "{":
            self.inline_table(path)
        else:
            self.take(_TEXT if opening in "\"'" else _BARE)

    def array(self, path: KeyPath) -> None:
        self.pos += 1
        self.skip(_BETWEEN)
        position = 0
        while self.text[self.pos] != "]":
            item = (*path, position)
            self.note(item, self.pos)
            self.value(item)
            position += 1
            self.skip(_BETWEEN)
            if self.text[self.pos] == ",":
                self.pos += 1
                self.skip(_BETWEEN)
        self.pos += 1

    def inline_table(self, path: KeyPath) -> None:
        self.pos += 1
        self.skip(_BETWEEN)
        while self.text[self.pos] != "}":
            self.pair(path)
            self.skip(_BETWEEN)
            if self.text[self.pos] == ",":
                self.pos += 1
                self.skip(_BETWEEN)
        self.pos += 1

    def note(self, path: KeyPath, position: int) -> None:
        self.lines.setdefault(path, bisect_left(self.ends, position) + 1)

    def skip(self, pattern: re.Pattern[str]) -> None:
        found = pattern.match(self.text, self.pos)
        self.pos = found.end() if found else self.pos

    def take(self, pattern: re.Pattern[str]) -> str:
        found = pattern.match(self.text, self.pos)
        if found is None:
            raise ValueError(f"position {self.pos}: not the TOML that tomllib accepted")
        self.pos = found.end()
        return found.group()
