"""What changed in the office's rules since an earlier run: file by file and key by key, the old value beside the new one.

Whoever signs a month-end should see that a tolerance was widened or a return code lost its stop, not only that a file is another one.

    >>> before, now = {"plans.toml": b"notice_days = 10"}, {"plans.toml": b"notice_days = 7"}
    >>> rule_changes(before, now)
    (RuleChange(file='plans.toml', key='notice_days', before='10', now='7'),)
"""

from __future__ import annotations

import csv
import io
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

NAMED_BY: Final = (("method", "code"), ("code",), ("word",), ("level",), ("name",), ("enroll_by",))
"""Keys by which the tables of a list are told apart: the first that all of them have, and in which no two agree."""
WHOLE: Final = "the whole file"


@dataclass(frozen=True)
class RuleChange:
    """One key whose value is another one; "" where it was not there before, or is not there now."""

    file: str
    key: str
    before: str
    now: str


def rules_in(folder: Path) -> dict[str, bytes]:
    """The files of a rules folder by name."""
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file() and path.suffix in {".toml", ".csv"}}


def rule_changes(before: Mapping[str, bytes], now: Mapping[str, bytes]) -> tuple[RuleChange, ...]:
    """Every key that differs, in order of file and key. A file that only reads otherwise (remarks, spaces) is told as such."""
    return tuple(change for file in sorted({*before, *now}) for change in _of_file(file, before.get(file), now.get(file)))


def _of_file(file: str, before: bytes | None, now: bytes | None) -> Iterator[RuleChange]:
    if before == now:
        return
    if before is None or now is None:
        yield RuleChange(file, WHOLE, "" if before is None else "there", "" if now is None else "there")
        return
    try:
        was, is_now = dict(_flat(_read(file, before))), dict(_flat(_read(file, now)))
    except (ValueError, csv.Error):
        yield RuleChange(file, WHOLE, "other bytes", "other bytes")
        return
    changed = [
        RuleChange(file, key, was.get(key, ""), is_now.get(key, "")) for key in sorted({*was, *is_now}) if was.get(key) != is_now.get(key)
    ]
    yield from changed or [RuleChange(file, "remarks or spaces", "no value differs", "no value differs")]


def _read(file: str, raw: bytes) -> Any:  # noqa: ANN401 (whatever a rules file holds)
    text = raw.decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text))) if file.endswith(".csv") else tomllib.loads(text)


def _flat(value: Any, key: str = "") -> Iterator[tuple[str, str]]:  # noqa: ANN401 (any TOML value)
    """Each single value with the way to it: `term 2026-FA, bill_due`."""
    if isinstance(value, dict):
        for name, item in value.items():
            yield from _flat(item, f"{key}, {name}" if key else str(name))
    elif isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
        for name, item in zip(_names(value), value, strict=True):
            yield from _flat(item, f"{key} {name}".strip())
    else:
        yield key, _shown(value)


def _names(tables: Sequence[Mapping[str, Any]]) -> list[str]:
    """What tells the tables of a list apart: a code or a word, else their number."""
    for keys in NAMED_BY:
        names = [" ".join(str(table.get(key, "")) for key in keys) for table in tables]
        if all(key in table for table in tables for key in keys) and len(set(names)) == len(names):
            return names
    return [str(number) for number in range(1, len(tables) + 1)]


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(_shown(item) for item in value) or "none"
    return str(value)
