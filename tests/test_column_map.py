"""The column map: everything an office may say in it, and every mistake told at once."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pytest

from reconcile.column_map import ColumnMap, load_column_map
from reconcile.errors import RefusedError

if TYPE_CHECKING:
    from pathlib import Path

EVERYTHING = """
[charges]
files = "ledger*.csv"
sheet = "Ledger"
heading_row = 3
columns = { student_id = "SID", posted_on = "Entry date" }
values.term = { "Fall 26" = "2026-FA" }
date_order = "mdy"
decimal_mark = ","
reverse_sign = true
leave_out = ["Acct no."]
files_overlap = false
encoding = "cp1252"
delimiter = ";"
[[charges.route]]
column = "Class"
equals = ["CHG", "CHR"]

[aid]
files = ["awards*.csv", "loans*.xlsx"]
aid_rows = "replace"
values.status = { PD = "disbursed" }
"""


def mistakes(folder: Path, text: str) -> list[str]:
    path = folder / "map.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(RefusedError) as caught:
        load_column_map(path)
    assert caught.value.headline == "The column map map.toml cannot be used as it stands."
    return list(caught.value.problems)


def loaded(folder: Path, text: str) -> ColumnMap:
    path = folder / "map.toml"
    path.write_text(text, encoding="utf-8")
    return load_column_map(path)


def test_every_key_of_a_column_map_is_read(tmp_path: Path) -> None:
    """Each key that an office may set arrives as it was written."""
    charges = loaded(tmp_path, EVERYTHING).of("charges")
    assert (charges.files, charges.sheet, charges.heading_row) == (("ledger*.csv",), "Ledger", 3)
    assert charges.columns == {"student_id": "SID", "posted_on": "Entry date"}
    assert charges.values == {"term": {"Fall 26": "2026-FA"}}
    assert (charges.date_order, charges.decimal_mark, charges.reverse_sign) == ("mdy", ",", True)
    assert (charges.leave_out, charges.files_overlap, charges.encoding, charges.delimiter) == (("Acct no.",), False, "cp1252", ";")
    assert [(r.column, r.equals) for r in charges.route] == [("Class", ("CHG", "CHR"))]
    aid = loaded(tmp_path, EVERYTHING).of("aid")
    assert (aid.files, aid.aid_rows, aid.values) == (("awards*.csv", "loans*.xlsx"), "replace", {"status": {"PD": "disbursed"}})


def test_what_a_map_does_not_say_keeps_its_plain_meaning(tmp_path: Path) -> None:
    """An export that the map does not name is read by standard names, years first, with a decimal point and its own sign."""
    postings = loaded(tmp_path, EVERYTHING).of("postings")
    assert (postings.files, postings.columns, postings.values, postings.route) == ((), {}, {}, ())
    assert (postings.date_order, postings.decimal_mark, postings.reverse_sign) == ("ymd", ".", False)
    assert (postings.files_overlap, postings.aid_rows, postings.sheet, postings.heading_row) == (None, None, None, None)


def test_a_map_is_an_input_with_its_own_hash(tmp_path: Path) -> None:
    """The audit can tell which map a run used: name, SHA-256 and size of its bytes."""
    read = loaded(tmp_path, EVERYTHING)
    raw = (tmp_path / "map.toml").read_bytes()
    assert (read.name, read.sha256, read.size) == ("map.toml", hashlib.sha256(raw).hexdigest(), len(raw))


def test_all_mistakes_of_a_map_come_at_once_with_line_and_nearest_spelling(tmp_path: Path) -> None:
    """One run over a bad map is enough to mend it."""
    text = """[charges]
files = "exports/ledger.csv"
heading_row = 0
date_order = "ymdd"
columns = { studnt_id = "ID", amount = "Amt", term = "Acct" }
leave_out = ["ACCT"]
delimiter = ";;"
encoding = "klingon"
aid_rows = "add"
[[charges.route]]
column = "T"
equals = ["C", 7]
[aid]
aid_rows = "ad"
values.status = { "P" = "disbursd", "p" = "anticipated", "x" = "" }
values.amount = { "a" = "b" }
values.fnd = { "a" = "b" }
[[aid.route]]
column = "t"
equals = "c"
[posting]
reverse_sign = "yes"
[postings]
reverse_sign = "yes"
colums = { amount = "x" }
"""
    keys = (
        "files, sheet, heading_row, columns, values, date_order, decimal_mark, reverse_sign, leave_out, files_overlap, aid_rows, "
        "encoding, delimiter, route"
    )
    assert mistakes(tmp_path, text) == [
        (
            'map.toml, line 2, files in charges: "exports/ledger.csv" will not do. '
            "Allowed: a file name without its folder; the folder is given on the command line."
        ),
        "map.toml, line 3, heading_row in charges: 0 will not do. Allowed: the row number of the headings, 1 or more, without quotes.",
        'map.toml, line 4, date_order in charges: "ymdd" will not do. Write "ymd". Allowed: "ymd", "mdy", "dmy".',
        (
            "map.toml, line 5, studnt_id in charges, columns: there is no such column in charges. Write student_id. "
            "Allowed: student_id, term, posted_on, amount, charge_type, description."
        ),
        'map.toml, line 5, term in charges, columns: "Acct" is also under leave_out. Take it out of one of the two.',
        'map.toml, line 7, delimiter in charges: ";;" will not do. Allowed: one character in quotes, such as ";" or "\\t".',
        'map.toml, line 8, encoding in charges: "klingon" will not do. Allowed: the name of an encoding, such as "utf-8" or "cp1252".',
        "map.toml, line 9, aid_rows in charges: this key belongs under [aid] alone.",
        "map.toml, line 12, equals item 2 in charges, route 1: 7 will not do. Allowed: a code in quotes, or several in square brackets.",
        'map.toml, line 14, aid_rows in aid: "ad" will not do. Write "add". Allowed: "add", "replace".',
        (
            'map.toml, line 15, P in aid, values, status: "disbursd" will not do. Write "disbursed". '
            'Allowed: "estimated", "anticipated", "disbursed", "cancelled".'
        ),
        'map.toml, line 15, p in aid, values, status: "P" and "p" differ only in capitals and must not mean two things.',
        'map.toml, line 15, x in aid, values, status: "" would leave status empty, which it must not be. Name our word.',
        "map.toml, line 16, amount in aid, values: amount holds amounts; only words and codes can be put into our words.",
        (
            "map.toml, line 17, fnd in aid, values: there is no such column in aid. Write fund. "
            "Allowed: student_id, term, fund, status, amount, posted_on, disbursed_on, expected_on, cancelled_on."
        ),
        'map.toml, line 20, equals in aid, route 1: "c" is already a code of charges. A row is of one kind only.',
        (
            "map.toml, line 21, posting: there is no such table. Write postings. Allowed: charges, aid, plan_schedules, "
            "cleared_draws, postings."
        ),
        'map.toml, line 24, reverse_sign in postings: "yes" will not do. Allowed: true or false, without quotes.',
        f"map.toml, line 25, colums in postings: there is no such table. Write columns. Allowed: {keys}.",
    ]


def test_a_map_that_is_not_toml_is_told_with_its_line(tmp_path: Path) -> None:
    """A forgotten quotation mark is found by its line."""
    assert mistakes(tmp_path, '[charges]\nsheet = "Ledger\n') == [
        "map.toml, line 2, column 16: this cannot be read: a text has no closing quote on its line."
    ]


def test_a_map_that_is_not_there_is_told_with_the_option(tmp_path: Path) -> None:
    """A wrong path after --map ends in a sentence."""
    with pytest.raises(
        RefusedError, match=r"The column map no\.toml cannot be read: No such file or directory\. Check the path after --map\."
    ):
        load_column_map(tmp_path / "no.toml")


def test_two_kinds_may_share_a_file_by_routes(tmp_path: Path) -> None:
    """Two kinds may share one file if each has routes of its own."""
    text = '[charges]\nfiles = "l*"\n[[charges.route]]\ncolumn = "K"\nequals = "C"\n'
    text += '[postings]\nfiles = "l*"\n[[postings.route]]\ncolumn = "K"\nequals = "P"\n'
    assert [loaded(tmp_path, text).of(kind).route[0].equals for kind in ("charges", "postings")] == [("C",), ("P",)]
