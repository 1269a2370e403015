"""Plain sentences about what is wrong in an office's own files: the rules and the column map.

Office staff edit these files by hand. Every mistake is told at once, each with the file, the line, the key, what is allowed and the
nearest right spelling. Rules and column maps are declared as pydantic models that refuse unknown keys; a field's `description` says what
is allowed, in the words that follow "Allowed:" below.

    matching.toml, line 3, erly_days: there is no such key. Write early_days. Allowed: early_days, late_days, ...
    terms.toml, line 14, plan_fee in term 2: 45.0 will not do. Allowed: money in quotes with two decimals, such as "45.00".

Use: `read_toml` turns bytes into text and values, `validation_problems` says what a model refused, `explain` makes it sentences.
"""

from __future__ import annotations

import re
import tomllib
import types
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from difflib import SequenceMatcher
from typing import TYPE_CHECKING, Annotated, Any, Union, get_args, get_origin

from reconcile.toml_lines import KeyPath, key_lines

if TYPE_CHECKING:
    from pydantic import BaseModel, ValidationError
    from pydantic.fields import FieldInfo
    from pydantic_core import ErrorDetails

Found = tuple[KeyPath, str]
"""What is wrong: the path of the key, and the sentences that follow it."""

_NEAR_ENOUGH = 0.6
_UNUSED_FIRST = 0.1
"""A key that the table still lacks is the likelier meaning of a misspelled one than a key that it already has."""

_AT = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)\Z")
_HEADER = re.compile(r"""\s*\[\[?\s*([A-Za-z0-9_-]+|"[^"]*"|'[^']*')\s*[\].]""")
_PLAIN_SYNTAX = (
    ("Cannot overwrite a value", "the same key stands twice, or a key and a table share a name"),
    ("Duplicate inline table key", "the same key stands twice"),
    ("Cannot declare", "the same table stands twice"),
    ("Expected '=' after a key", "a line is a key, an equals sign and a value"),
    ("Expected newline or end of document after a statement", "something follows the value: one key and its value to a line"),
    ("Illegal character '\\n'", "a text has no closing quote on its line"),
    ("Unterminated string", "a text has no closing quote"),
    ("Unclosed array", "a list has no closing bracket, or a comma is missing in it"),
    ("Unclosed inline table", "a brace has no closing brace, or a comma is missing between its keys"),
    ("Unescaped '\\'", "write a backslash twice, or put the text in single quotes"),
    ("Invalid value", "text stands in quotes; true, false, whole numbers and dates such as 2026-08-14 stand without"),
    ("Invalid date or datetime", "there is no such day"),
    ("Invalid statement", "a line begins with a key, a [table] or a # remark"),
)

_BY_TYPE = {
    "string_type": "text in quotes",
    "int_type": "a whole number without quotes",
    "bool_type": "true or false, without quotes",
    "date_type": "a date without quotes, such as 2026-08-14",
    **dict.fromkeys(("model_type", "dict_type"), "a [table] of keys"),
    **dict.fromkeys(("tuple_type", "list_type"), "a list in square brackets, or [[tables]]"),
}


@dataclass(frozen=True)
class TomlFile:
    """A file that is TOML: its name for messages, its text, its values."""

    name: str
    text: str
    data: dict[str, Any]


def read_toml(raw: bytes, name: str) -> tuple[TomlFile | None, list[str]]:
    """The file's values, or None and the sentence that says where it stops being UTF-8 or TOML. Never raises."""
    try:
        text = raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return None, [f"{name}, line {line}: a letter here is not UTF-8. Save the file again as UTF-8."]
    try:
        return TomlFile(name, text, tomllib.loads(text)), []
    except tomllib.TOMLDecodeError as error:
        return None, [_syntax(str(error), text, name)]


def strange_tables(text: str, name: str, model: type[BaseModel]) -> list[str]:
    """Headers of a file that is not TOML whose first name the model does not know.

    A misspelled [[table]] can make a later, right header unreadable; the message would then point at the wrong line alone.
    """
    allowed = _keys(model)
    headers = ((n, m[1].strip("\"'")) for n, line in enumerate(text.split("\n"), start=1) if (m := _HEADER.match(line)))
    return [f"{name}, line {n}, {key}: {unknown('table', key, allowed)}" for n, key in headers if key not in allowed]


def explain(text: str, name: str, found: Iterable[Found]) -> list[str]:
    """One sentence or more for each mistake, in line order, beginning with file, line and key.

    In:      text that tomllib accepts; (key path, problem) pairs of our own checks, or what `validation_problems` gives.
    Out:     sentences; a missing key is told at the first line of its table.
    """
    where = key_lines(text)
    placed = sorted(((line_of(where, path), path, problem) for path, problem in found), key=lambda item: item[0])
    return [f"{name}, line {line}, {spell_path(path)}: {problem}" for line, path, problem in placed]


def line_of(where: Mapping[KeyPath, int], path: KeyPath) -> int:
    """The line of the key, or of the nearest table around it that the file has."""
    while path and path not in where:
        path = path[:-1]
    return where.get(path, 1)


def spell_path(path: KeyPath) -> str:
    """A key path as people say it.

    >>> spell_path(("term", 1, "tier", 0, "down_percent"))
    'down_percent in term 2, tier 1'
    >>> spell_path(("term", 0, "draw_dates", 3))
    'draw_dates item 4 in term 1'
    """
    groups: list[list[str | int]] = []
    for part in path:
        if isinstance(part, int) and groups:
            groups[-1].append(part)
        else:
            groups.append([part])
    if not groups:
        return "the file"
    last, around = groups[-1], groups[:-1]
    inner = " ".join([str(last[0]), *(f"item {n + 1}" for n in last[1:] if isinstance(n, int))])
    outer = ", ".join(" ".join([str(g[0]), *(str(n + 1) for n in g[1:] if isinstance(n, int))]) for g in around)
    return f"{inner} in {outer}" if outer else inner


def show(value: object) -> str:
    """A value as it is written in TOML, shortened."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"' if len(value) <= 60 else f'"{value[:57]}..."'
    if isinstance(value, (date, datetime, time)):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "a table"
    return "a list" if isinstance(value, (list, tuple)) else str(value)


def nearest(word: str, allowed: Iterable[str], unused: Iterable[str] = ()) -> str:
    """The allowed word most like this one, or "" if none is near; words still unused come first where two are alike.

    >>> nearest("urgnt", ["urgent", "act", "information"]), nearest("zebra", ["urgent"])
    ('urgent', '')
    """
    free = frozenset(unused)
    near = [(score + (_UNUSED_FIRST if a in free else 0), a) for a in allowed if (score := _likeness(word, a)) >= _NEAR_ENOUGH]
    return max(near, key=lambda item: item[0])[1] if near else ""


def _likeness(word: str, allowed: str) -> float:
    """From 0 to 1; the beginning of a word is near it, however much was left out."""
    short, full = word.casefold(), allowed.casefold()
    ratio = SequenceMatcher(None, short, full).ratio()
    return max(ratio, _NEAR_ENOUGH) if len(short) >= 3 and full.startswith(short) else ratio


def unknown(what: str, word: str, allowed: Sequence[str], unused: Iterable[str] = ()) -> str:
    """`there is no such key. Write early_days. Allowed: ...`, for a key, a table or a word that is not known."""
    near = nearest(word, allowed, unused)
    write = f" Write {near}." if near else ""
    return f"there is no such {what}.{write} Allowed: {', '.join(allowed)}."


def wrong(value: object, allowed: str, near: str = "") -> str:
    """`45.0 will not do. Allowed: ...`, for a value that cannot be used."""
    write = f" Write {near}." if near else ""
    return f"{show(value)} will not do.{write} Allowed: {allowed}."


def validation_problems(error: ValidationError, model: type[BaseModel], data: object) -> list[Found]:
    """What a model refused, as key paths and plain sentences; a misspelled key is not told a second time as missing."""
    details = error.errors(include_url=False)
    missing = [tuple(d["loc"]) for d in details if d["type"] == "missing"]
    told: list[Found] = []
    meant: set[KeyPath] = set()
    for detail in details:
        if detail["type"] == "extra_forbidden":
            path = tuple(detail["loc"])
            lacking = [str(m[-1]) for m in missing if m[:-1] == path[:-1]]
            sentence, near = _unknown_key(path, lacking, model, data)
            told.append((path, sentence))
            meant.add((*path[:-1], near))
    for detail in details:
        path = tuple(detail["loc"])
        short = detail["type"] == "too_short" and any(d["loc"][: len(path)] == path and len(d["loc"]) > len(path) for d in details)
        if detail["type"] != "extra_forbidden" and path not in meant and not short:  # a list is short for want of its refused items
            told.append(_plain(detail, path, model))
    return told


def _unknown_key(path: KeyPath, lacking: list[str], model: type[BaseModel], data: object) -> tuple[str, str]:
    """The sentence about a key that the model does not know, and the key that was probably meant ("" if none)."""
    key = str(path[-1])
    inside = _walk(model, path)[0]
    allowed = _keys(inside) if inside is not None else tuple(lacking)
    value = _value_at(data, path)
    tables = isinstance(value, Mapping) or (isinstance(value, list) and value != [] and all(isinstance(v, Mapping) for v in value))
    present = _value_at(data, path[:-1])
    unused = [k for k in allowed if not (isinstance(present, Mapping) and k in present)]
    near = nearest(key, allowed, unused)
    if not near and key in _keys(model):
        return f"{key} belongs to the whole file: move it above the first [table].", key
    return unknown("table" if tables else "key", key, allowed, unused), near


def _plain(detail: ErrorDetails, path: KeyPath, model: type[BaseModel]) -> Found:
    """One refusal in our own words: our validators' own sentence, else what the field's description allows."""
    kind, value = detail["type"], detail["input"]
    if path and path[-1] == "[key]":
        return path[:-1], f"this name cannot be used: {detail['msg']}"
    field = _walk(model, path)[1]
    allowed = (field.description if field is not None else None) or _BY_TYPE.get(kind, "")
    if kind == "missing":
        return path, f"this key is missing. Allowed: {allowed}." if allowed else "this key is missing."
    if kind == "literal_error":
        words = _words(field.annotation if field is not None else None)
        near = nearest(value, words) if isinstance(value, str) else ""
        return path, wrong(value, ", ".join(show(w) for w in words) or str(detail["ctx"]["expected"]), show(near) if near else "")
    cause = detail.get("ctx", {}).get("error")
    if kind == "value_error" and cause is not None:
        return path, str(cause)
    return path, wrong(value, allowed) if allowed else f"{show(value)} will not do: {detail['msg']}."


def _syntax(message: str, text: str, name: str) -> str:
    """The library's message, in plain words where we have them, with the line."""
    at = _AT.search(message)
    said = _AT.sub("", message)
    plain = next((words for technical, words in _PLAIN_SYNTAX if said.startswith(technical)), said)
    if at is None or at.group(1) is None:
        return f"{name}, line {text.count(chr(10)) + 1}: this cannot be read: the file ends too early: {plain}."
    return f"{name}, line {at.group(1)}, column {at.group(2)}: this cannot be read: {plain}."


def _value_at(data: object, path: KeyPath) -> object:
    for part in path:
        if isinstance(data, Mapping):
            data = data.get(part)
        elif isinstance(data, list) and isinstance(part, int) and part < len(data):
            data = data[part]
        else:
            return None
    return data


def _keys(model: type[BaseModel]) -> tuple[str, ...]:
    """The keys that the file may hold for this model, as the file spells them."""
    return tuple(field.alias or name for name, field in model.model_fields.items())


def _words(annotation: object) -> tuple[str, ...]:
    """The words of a Literal, wherever it stands in an annotation."""
    found: list[str] = []
    for arg in get_args(annotation):
        found += [arg] if isinstance(arg, str) else _words(arg)
    return tuple(found)


def _walk(annotation: Any, path: KeyPath) -> tuple[type[BaseModel] | None, FieldInfo | None]:  # noqa: ANN401 (any annotation)
    """The model in which the last key of the path stands, known to it or not, and the key's declaration (an item's is its list's)."""
    holder: type[BaseModel] | None = None
    field: FieldInfo | None = None
    for part in path:
        step = _unwrap(annotation)
        origin, args = get_origin(step), get_args(step)
        if hasattr(step, "model_fields"):
            holder = step
            field = next((f for name, f in step.model_fields.items() if (f.alias or name) == part), None)
            annotation = field.annotation if field is not None else None
        elif origin in {dict, Mapping}:
            holder, annotation = None, args[1]
        elif origin in {tuple, list}:
            annotation = args[0]
        else:
            break
    return holder, field


def _unwrap(annotation: Any) -> Any:  # noqa: ANN401 (any annotation)
    """An annotation without Annotated and without the None of an optional value."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _unwrap(get_args(annotation)[0])
    if origin in {Union, types.UnionType}:
        rest = [a for a in get_args(annotation) if a is not type(None)]
        return _unwrap(rest[0]) if len(rest) == 1 else annotation
    return annotation
