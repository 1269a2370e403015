"""Where a key stands in a TOML file, and the sentence about what is wrong with it."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from reconcile.toml_errors import explain, line_of, nearest, read_toml, spell_path, strange_tables, unknown, validation_problems
from reconcile.toml_lines import KeyPath, key_lines

GNARLY = '''# a remark with [brackets] and "quotes"
"quoted key" = 'text with # no remark'
a.b.c = 1
long = """
[not.a.table]
key = 1 \\" still text """"
other = \'\'\'
[[nor.this]]\'\'\'\'

[fruit]
days = [ # remark, with ] and ,
  2026-08-10, "x]", # another

  [1, [2,
  3]], { deep = { er = true }, list = [
     { n = 1 },
     { n = 2 } ] },
]
"a\\u0062" = 2026-08-10 10:00:00

[[tree]]
name = "first"
[[tree.branch]]
n = 1
[[tree.branch]]
n = 2
[tree.root]
deep = 5
[[tree]]
  [[ tree . branch ]]
  n = 3
[z."dotted.name".y]
k = 0
'''

EXPECTED: dict[KeyPath, int] = {
    ("quoted key",): 2,
    ("a", "b", "c"): 3,
    ("long",): 4,
    ("other",): 7,
    ("fruit",): 10,
    ("fruit", "days", 0): 12,
    ("fruit", "days", 1): 12,
    ("fruit", "days", 2, 1, 1): 15,
    ("fruit", "days", 3, "deep", "er"): 15,
    ("fruit", "days", 3, "list", 1, "n"): 17,
    ("fruit", "ab"): 19,
    ("tree", 0): 21,
    ("tree", 0, "branch", 1, "n"): 26,
    ("tree", 0, "root", "deep"): 28,
    ("tree", 1): 29,
    ("tree", 1, "branch", 0): 30,
    ("tree", 1, "branch", 0, "n"): 31,
    ("z", "dotted.name"): 32,
    ("z", "dotted.name", "y", "k"): 33,
}


def paths_of(value: object, at: KeyPath = ()) -> set[KeyPath]:
    """The path of every key and item that the standard library found."""
    children = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {at} - {()} | {path for key, item in children for path in paths_of(item, (*at, key))}


@pytest.mark.parametrize(("path", "line"), EXPECTED.items())
def test_line_of_a_key_in_an_awkward_file(path: KeyPath, line: int) -> None:
    """Remarks, long texts, nested lists and tables of tables do not shift the line of a key."""
    assert key_lines(GNARLY)[path] == line


def test_every_key_of_an_awkward_file_is_found_and_no_other() -> None:
    """The walk finds exactly the keys and items that the standard library reads."""
    assert set(key_lines(GNARLY)) == paths_of(tomllib.loads(GNARLY))


SCALARS = st.sampled_from(["1", "-2.5", "true", '"te]x,t # no"', "'li}t'", '"a\\"b"', "2026-08-10", '"""long\n[x]\ntext"""', "'''l\n'l'''"])
KEYS = st.text("abcXYZ_-09", min_size=1, max_size=4)
GAPS = st.sampled_from([" ", "", "\n", " # remark ] } [\n  ", "\n\n"])
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(st.tuples(GAPS, inner, GAPS), max_size=3),
        st.dictionaries(KEYS, inner, max_size=3),
    ),
    max_leaves=8,
)


class Writer:
    """Writes TOML and notes by itself on which line each key begins."""

    def __init__(self) -> None:
        self.text = ""
        self.lines: dict[KeyPath, int] = {}

    def note(self, path: KeyPath) -> None:
        """What comes next stands on the current line."""
        self.lines[path] = self.text.count("\n") + 1

    def value(self, value: Any, path: KeyPath) -> None:
        """One value in TOML, inline."""
        if isinstance(value, str):
            self.text += value
        elif isinstance(value, list):
            self.text += "["
            for n, (before, item, after) in enumerate(value):
                self.text += before
                self.note((*path, n))
                self.value(item, (*path, n))
                self.text += after + ","
            self.text += "]"
        else:
            self.text += "{"
            for n, (key, item) in enumerate(value.items()):
                self.text += ", " if n else " "
                self.note((*path, key))
                self.text += f"{key} = "
                self.value(item, (*path, key))
            self.text += " }"


@given(st.lists(st.dictionaries(KEYS, VALUES, max_size=4), max_size=4))
def test_lines_of_any_file(tables: list[dict[str, Any]]) -> None:
    """Whatever the file holds, each key's line is the one on which it was written."""
    writer = Writer()
    for n, table in enumerate(tables):
        if n == 0:
            writer.note(("many",))
        writer.note(("many", n))
        writer.text += "[[many]] # remark\n"
        for key, value in table.items():
            writer.note(("many", n, key))
            writer.text += f"{key} = "
            writer.value(value, ("many", n, key))
            writer.text += "\n\n"
    assert paths_of(tomllib.loads(writer.text)) == set(writer.lines)
    assert key_lines(writer.text) == writer.lines


def test_a_missing_key_is_told_at_its_table() -> None:
    """A key that is not there takes the line of the nearest table around it, and the first line without one."""
    where = key_lines("\n[one]\n[one.two]\nkey = 1\n")
    assert line_of(where, ("one", "two", "other")) == 3
    assert line_of(where, ("nowhere", 0)) == 1


def test_paths_are_spelt_for_people() -> None:
    """A path reads as the key first, then the tables around it counted from 1."""
    assert spell_path(("code", 11, "frame")) == "frame in code 12"
    assert spell_path(("kind", "failed draw", "owner")) == "owner in kind, failed draw"
    assert spell_path(("closed", 1)) == "closed item 2"
    assert spell_path(()) == "the file"


def test_problems_come_in_line_order() -> None:
    """Sentences follow the file from top to bottom, however they were found."""
    text = "a = 1\nb = 2\n"
    assert explain(text, "x.toml", [(("b",), "second."), (("a",), "first.")]) == ["x.toml, line 1, a: first.", "x.toml, line 2, b: second."]


SYNTAX = {
    "a = 1\na = 2\n": "x.toml, line 2, column 6: this cannot be read: the same key stands twice, or a key and a table share a name.",
    "[t]\n[t]\n": "x.toml, line 2, column 3: this cannot be read: the same table stands twice.",
    "a = 1\nb\n": "x.toml, line 2, column 2: this cannot be read: a line is a key, an equals sign and a value.",
    "a = text\n": (
        "x.toml, line 1, column 5: this cannot be read: text stands in quotes; true, false, whole numbers and dates such as 2026-08-14 "
        "stand without."
    ),
    'a = "text\n': "x.toml, line 1, column 10: this cannot be read: a text has no closing quote on its line.",
    "a = 2026-02-30\n": "x.toml, line 1, column 5: this cannot be read: there is no such day.",
    "a = [1, 2\n": (
        "x.toml, line 2: this cannot be read: the file ends too early: a list has no closing bracket, or a comma is missing in it."
    ),
    "a = 1 2\n": "x.toml, line 1, column 7: this cannot be read: something follows the value: one key and its value to a line.",
}


@pytest.mark.parametrize(("text", "sentence"), SYNTAX.items())
def test_text_that_is_no_toml(text: str, sentence: str) -> None:
    """A file that cannot be read at all is told with the line, in plain words."""
    assert read_toml(text.encode(), "x.toml") == (None, [sentence])


def test_a_file_in_another_encoding() -> None:
    """A letter that is not UTF-8 is told with its line."""
    file, problems = read_toml('a = 1\nb = "caf\xe9"\n'.encode("cp1252"), "x.toml")
    assert file is None
    assert problems == ["x.toml, line 2: a letter here is not UTF-8. Save the file again as UTF-8."]


def test_a_byte_order_mark_and_windows_line_ends_are_read() -> None:
    """What Windows editors add at the start and at line ends changes neither values nor lines."""
    file, problems = read_toml(b"\xef\xbb\xbfa = 1\r\nb = 2\r\n", "x.toml")
    assert problems == []
    assert file is not None
    assert file.data == {"a": 1, "b": 2}
    assert key_lines(file.text)["b",] == 2


def test_a_key_still_lacking_is_the_likelier_meaning() -> None:
    """Of two right keys equally near, the one that the table lacks is offered."""
    assert nearest("ate_days", ["late_days", "date_days"], ["date_days"]) == "date_days"
    assert nearest("ate_days", ["late_days", "date_days"], ["late_days"]) == "late_days"
    assert unknown("key", "zebra", ["late_days"]) == "there is no such key. Allowed: late_days."


class Inner(BaseModel):
    """A row of the small model."""

    model_config = ConfigDict(extra="forbid", strict=True)
    klass: str = Field(alias="class", description="a text in quotes")
    size: int = 0


class Outer(BaseModel):
    """The small model as a whole."""

    model_config = ConfigDict(extra="forbid", strict=True)
    rows: list[Inner] = Field(alias="row")
    words: dict[str, dict[str, str]] = Field(default_factory=dict)
    top: bool = False


def sentences(text: str) -> list[str]:
    """What a small model refuses in a text."""
    file, problems = read_toml(text.encode(), "x.toml")
    assert file is not None, problems
    with pytest.raises(ValidationError) as refused:
        Outer.model_validate(file.data)
    return explain(text, "x.toml", validation_problems(refused.value, Outer, file.data))


def test_a_misspelled_key_is_told_once() -> None:
    """A misspelled required key is not also told as missing; keys are spelt as the file spells them."""
    assert sentences("[[row]]\nclas = 'x'\n") == ["x.toml, line 2, clas in row 1: there is no such key. Write class. Allowed: class, size."]


def test_a_misspelled_table_is_called_a_table() -> None:
    """Tables are named as tables."""
    assert sentences("[[rwo]]\nclass = 'x'\n") == ["x.toml, line 1, rwo: there is no such table. Write row. Allowed: row, words, top."]


def test_a_key_below_the_wrong_table() -> None:
    """A key of the whole file that stands below a table is told where it belongs."""
    found = sentences("[[row]]\nclass = 'x'\ntop = true\n")
    assert found == ["x.toml, line 3, top in row 1: top belongs to the whole file: move it above the first [table]."]


def test_types_inside_lists_and_free_names() -> None:
    """Wrong types are told with what is allowed, at the line of the value, inside lists and freely named tables too."""
    text = "row = [\n  { class = 'x' },\n  { class = 5, size = 'big' },\n]\n[words.status]\nyes = 1\n"
    assert sentences(text) == [
        "x.toml, line 3, class in row 2: 5 will not do. Allowed: a text in quotes.",
        'x.toml, line 3, size in row 2: "big" will not do. Allowed: a whole number without quotes.',
        "x.toml, line 6, yes in words, status: 1 will not do. Allowed: text in quotes.",
    ]


def test_a_misspelled_header_that_breaks_a_later_one() -> None:
    """In a file that cannot be read, headers with unknown names are told as the likely cause."""
    assert strange_tables('[[rwo]]\n[row.x]\n["words".status]\n', "x.toml", Outer) == [
        "x.toml, line 1, rwo: there is no such table. Write row. Allowed: row, words, top."
    ]
