"""Headings, cells and routes: how one file becomes rows of an export, and what is said where it cannot."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pytest
from intake_case import BANK, CHARGES, counts, read, refused, rows, told

from reconcile.intake_problems import masked

if TYPE_CHECKING:
    from pathlib import Path

HEAD = "student_id,term,posted_on,amount\n"


def charges(*cells: str) -> dict[str, str]:
    return {"charges.csv": HEAD + "".join(f"{line}\n" for line in cells)}


def test_headings_need_no_map_but_for_capitals_spaces_and_punctuation(tmp_path: Path) -> None:
    """`Student ID` is student_id, `Posted-On:` is posted_on."""
    exports = read(tmp_path, {"charges.csv": "Student ID,TERM,Posted-On:,( Amount )\nS1,2026-FA,2026-07-01,5.00\n"})
    assert rows(exports, "charges", "student_id", "term", "posted_on", "amount") == [("S1", "2026-FA", "2026-07-01", 500)]


def test_the_map_gives_headings_of_the_office(tmp_path: Path) -> None:
    """Their heading counts even where another column has the standard name, and that one is then told as not read."""
    text = "SID,Period,Entry date,Net,Amount\nS1,2026-FA,2026-07-01,5.00,9.00\n"
    section = '[charges]\ncolumns = { student_id = "sid", term = "Period", posted_on = "Entry date", amount = "Net" }\n'
    exports = read(tmp_path, {"charges.csv": text}, section)
    assert rows(exports, "charges", "amount") == [(500,)]
    (note,) = exports.notes
    assert note.startswith("charges.csv: not read, since no standard column has this name: Amount. charges.csv has no charge_type: ")


def test_a_missing_column_is_told_with_the_headings_found_and_the_nearest(tmp_path: Path) -> None:
    """The sentence says what to write in the column map."""
    assert refused(tmp_path, {"charges.csv": "student_id,term,Post date,amount\n"}) == [
        (
            "charges.csv has no column posted_on. Headings found: student_id, term, Post date, amount. "
            'The nearest is "Post date": if that is it, write posted_on = "Post date" under columns of [charges] in the column map.'
        )
    ]
    assert refused(tmp_path, {"charges.csv": "student_id,term,Xyz,amount\n"}) == [
        (
            "charges.csv has no column posted_on. Headings found: student_id, term, Xyz, amount. "
            "Write the heading that holds it under columns of [charges] in the column map."
        )
    ]
    assert refused(tmp_path, {"charges.csv": HEAD.replace("amount", "Sum")}, '[charges]\ncolumns.amount = "Net"\n') == [
        (
            'charges.csv has no column "Net", which the column map gives for amount. Headings found: student_id, term, posted_on, Sum. '
            "Write the heading that holds it under columns of [charges] in the column map."
        )
    ]


def test_two_headings_for_one_column_are_refused_unless_one_is_left_out(tmp_path: Path) -> None:
    """Nobody but the office knows which of two counts; two headings that nobody reads do no harm."""
    text = "Student ID,term,posted_on,student_id,amount,Memo,Memo\nS1,2026-FA,2026-07-01,S2,5.00,a,b\n"
    assert refused(tmp_path, {"charges.csv": text}) == [
        (
            'charges.csv has more than one column for student_id: "Student ID" and "student_id". '
            "Put the one that does not count under leave_out of [charges] in the column map."
        )
    ]
    exports = read(tmp_path, {"charges.csv": text}, '[charges]\nleave_out = ["Student ID"]\n')
    assert rows(exports, "charges", "student_id") == [("S2",)]
    assert refused(tmp_path, {"charges.csv": "student_id,term,posted_on,amount,amount\n"}) == [
        'charges.csv has more than one column for amount: "amount" and "amount". Rename one of them in the file.'
    ]


def test_a_column_that_nobody_reads_is_told_once_with_what_it_may_be(tmp_path: Path) -> None:
    """A misspelled optional column would otherwise be passed over in silence."""
    text = "student_id,term,fund,status,amount,posted_on,cancelled,Advisor\nS1,2026-FA,grant,cancelled,1.00,2026-07-01,2026-08-01,x\n"
    (note,) = read(tmp_path, {"aid.csv": text}).notes
    assert note.startswith(
        "aid.csv: not read, since no standard column has this name: cancelled, Advisor. "
        'If "cancelled" is cancelled_on, say so under columns in the column map. '
    )


def test_an_optional_column_of_the_map_that_is_not_there_is_told(tmp_path: Path) -> None:
    """A file of the same export without that column is read without it."""
    assert read(tmp_path, {}, '[charges]\ncolumns.description = "Memo"\n').notes == (
        'charges.csv has no column "Memo", which the column map gives for description: read without it.',
    )
    assert read(tmp_path, {"charges.csv": "student_id,term,posted_on,amount\n"}, '[charges]\ncolumns.charge_type = "Kind"\n').notes == (
        (
            'charges.csv has no column "Kind", which the column map gives for charge_type: read without it '
            "(every charge is taken as one that the plan pays, a fine too)."
        ),
    )


@pytest.mark.parametrize(
    ("written", "cents"),
    [
        ("5", 500),
        ("5.00", 500),
        ("-5.25", -525),
        ("$5.25", 525),
        ("(5.25)", -525),
        ('"1,234.50"', 123450),
        ("5.25-", -525),
        (" 5.25 ", 525),
    ],
)
def test_each_form_of_money_passes_through_a_file(tmp_path: Path, written: str, cents: int) -> None:
    """Amounts arrive as whole cents, whatever form the office's system writes."""
    assert rows(read(tmp_path, charges(f"S1,2026-FA,2026-07-01,{written}")), "charges", "amount") == [(cents,)]


@pytest.mark.parametrize(("written", "cents"), [('"5,25"', 525), ('"1.234,50"', 123450), ('"-1.234,50"', -123450)])
def test_a_decimal_comma_is_read_where_the_map_says_so(tmp_path: Path, written: str, cents: int) -> None:
    """`decimal_mark = ","` turns the two marks round."""
    assert rows(read(tmp_path, charges(f"S1,2026-FA,2026-07-01,{written}"), '[charges]\ndecimal_mark = ","\n'), "charges", "amount") == [
        (cents,)
    ]


@pytest.mark.parametrize(
    ("order", "written"),
    [
        ("ymd", "2026-07-01"),
        ("ymd", "20260701"),
        ("ymd", "2026/7/1"),
        ("mdy", "7/1/2026"),
        ("mdy", "07-01-2026"),
        ("dmy", "1.7.2026"),
        ("ymd", "1-Jul-2026"),
    ],
)
def test_each_form_of_date_passes_through_a_file(tmp_path: Path, order: str, written: str) -> None:
    """Dates arrive as calendar days; which of two numbers is the month, only the map says."""
    exports = read(tmp_path, charges(f"S1,2026-FA,{written},5.00"), f'[charges]\ndate_order = "{order}"\n')
    assert rows(exports, "charges", "posted_on") == [("2026-07-01",)]


def test_a_workbook_is_read_like_a_text_file(tmp_path: Path) -> None:
    """Dates, numbers and leading zeros of a workbook arrive as in text; its rows are counted as the workbook counts them."""
    book = [["Charges of the term"], [], ["student_id", "term", "posted_on", "amount"], ["00123", "2026-FA", date(2026, 7, 1), 12.5]]
    exports = read(tmp_path, {"charges.csv": None, "charges.xlsx": [*book, ["S2", "2026-FA", date(2026, 7, 1), "#N/A"]]})
    assert rows(exports, "charges", "file", "sheet", "row", "student_id", "posted_on", "amount") == [
        ("charges.xlsx", "Sheet", 4, "00123", "2026-07-01", 1250)
    ]
    assert told(exports) == [
        (
            "charges.xlsx:Sheet:5 amount | #N/A | cell D5 holds the error #N/A | Correct it in the workbook, or paste the "
            "values, and save again."
        )
    ]


def test_an_error_in_a_column_that_nobody_reads_does_no_harm(tmp_path: Path) -> None:
    """Only the columns of the export are needed."""
    book = [["student_id", "term", "posted_on", "amount", "Advisor"], ["S1", "2026-FA", date(2026, 7, 1), 5, "#REF!"]]
    assert told(read(tmp_path, {"charges.csv": None, "charges.xlsx": book})) == []


def test_every_problem_of_every_row_is_told_at_once(tmp_path: Path) -> None:
    """Several problems of one row are several lines and one rejected row; the column is named by the office's own heading."""
    text = "SID,term,posted_on,Amt\n,2026-FA,2026-02-30,12.345\n"
    text += 'S2,,03/04/2026,\nS3,2026-FA,2026-07-01\nS4,2026-FA,2026-07-01,"1,00"\nS5,2026-FA,2026-07-01,5.00\n'
    exports = read(tmp_path, {"charges.csv": text}, '[charges]\ncolumns = { student_id = "SID", amount = "Amt" }\n')
    where = 'Write dates as 2026-08-10; or say in the column map which comes first: date_order = "mdy" (month first) or "dmy" (day first).'
    lines = told(exports)
    assert [line.split(" | ")[:3] for line in lines] == [
        ["charges.csv:2 SID", "", "student_id is empty"],
        ["charges.csv:2 posted_on", "2026-02-30", "there is no such day in the calendar"],
        ["charges.csv:2 Amt", "12.345", "the mark '.' with three figures after it may stand before thousands or before decimals"],
        ["charges.csv:3 term", "", "term is empty"],
        ["charges.csv:3 posted_on", "03/04/2026", "the date is ambiguous: month and day could be either way round"],
        ["charges.csv:3 Amt", "", "amount is empty"],
        ["charges.csv:4 ", "", "too few fields: 4 expected, as there are headings, 3 found"],
        lines[7].split(" | ")[:3],
    ]
    assert lines[0].endswith(" | Fill it in where the file comes from.")
    assert lines[4].endswith(where)
    assert lines[7].startswith("charges.csv:5 Amt | 1,00 | ")
    count = next(c for c in counts(exports) if c.export == "charges")
    assert (count.rows_read, count.accepted, count.rejected, count.unreadable) == (5, 1, 4, 4)


def test_a_word_that_is_not_ours_is_told_with_ours_and_the_nearest(tmp_path: Path) -> None:
    """The map can give it a meaning; an empty word is told too, and may be given one."""
    bank = "settled_on,amount,outcome,plan_id\n2026-08-11,1.00,clered,P1\n2026-08-11,1.00,RTN,P1\n2026-08-11,1.00,,P1\n"
    assert told(read(tmp_path, {"cleared_draws.csv": bank})) == [
        (
            "cleared_draws.csv:2 outcome | clered | the word is none of cleared, returned, refunded | "
            "Use one of them; perhaps 'cleared' is meant; or give the word its meaning in the column map, under values."
        ),
        (
            "cleared_draws.csv:3 outcome | RTN | the word is none of cleared, returned, refunded | "
            "Use one of them; or give the word its meaning in the column map, under values."
        ),
        (
            "cleared_draws.csv:4 outcome |  | outcome is empty | "
            'Fill it in with one of: cleared, returned, refunded; or give "" its meaning in the column map, under values.'
        ),
    ]
    section = '[cleared_draws]\nvalues.outcome = { CLERED = "cleared", rtn = "returned", "" = "cleared" }\n'
    assert rows(read(tmp_path, {"cleared_draws.csv": bank}, section), "cleared_draws", "outcome") == [
        ("cleared",),
        ("returned",),
        ("cleared",),
    ]


def test_codes_and_words_without_meaning_are_translated(tmp_path: Path) -> None:
    """The office's term codes become ours; a word put to "" is an absent one, which then takes the default."""
    head = "plan_id,student_id,term,enrolled_on,plan_total,line,draw_date,amount,method,schedule_says\n"
    plan = head + "P1,S1,Fall 26,2026-07-10,1.00,1,2026-08-10,1.00,-,n/a\n"
    section = (
        '[plan_schedules]\nvalues.term = { "fall 26" = "2026-FA" }\nvalues.method = { "-" = "" }\nvalues.schedule_says = { "N/A" = "" }\n'
    )
    exports = read(tmp_path, {"plan_schedules.csv": plan}, section)
    assert rows(exports, "plan_schedules", "term", "method", "schedule_says") == [("2026-FA", "bank", "")]


def test_the_other_sign_is_turned_for_every_amount_of_that_export(tmp_path: Path) -> None:
    """With reverse_sign their debits become ours; evidence of a rejected row keeps the sign of the file."""
    bank = "settled_on,amount,outcome,plan_id\n2026-08-11,-400.00,cleared,P1\n2026-08-11,2.50,cleared,P2\n"
    exports = read(tmp_path, {"cleared_draws.csv": bank}, "[cleared_draws]\nreverse_sign = true\n")
    assert rows(exports, "cleared_draws", "amount") == [(40000,)]
    assert told(exports) == [
        (
            "cleared_draws.csv:3 amount | 2.50 | -2.50 is not above zero; every event of the bank is, and its outcome says "
            "whether money came or went | "
            "If it is a return or a refund, say so under outcome and give the amount without a sign. "
            "If all amounts of the file carry the other sign, set reverse_sign = true in the column map."
        )
    ]


def test_long_runs_of_digits_keep_their_last_four_in_what_people_read(tmp_path: Path) -> None:
    """A card number in a wrong place is not copied into the list of rejected rows."""
    bank = BANK + "2026-08-11,4111111111111111,cleared,P1,T3\n"
    assert told(read(tmp_path, {"cleared_draws.csv": bank}))[0].startswith("cleared_draws.csv:4 amount | ****1111 | ")
    assert masked("12345678901 or 4111-1111-1111-1111") == "12345678901 or ****1111"


LEDGER_MAP = """
[charges]
files = "ledger*"
columns.posted_on = "Date"
[[charges.route]]
column = "Type"
equals = ["CHG", "CHR"]
[postings]
files = "ledger*"
columns.posted_on = "Date"
values.kind = { PAY = "payment" }
reverse_sign = true
[[postings.route]]
column = "Type"
equals = "PAY"
"""
LEDGER = (
    "student_id,term,Date,Type,amount,kind\n"
    "S1,2026-FA,2026-07-01,CHG,1000.00,\nS1,2026-FA,2026-07-02,pay,-100.00,pay\n"
    "S7,2026-FA,2026-07-01,XXX,-5.00,pay\nS8,2026-FA,2026-07-01,,,\n"
)


def test_a_mixed_file_is_routed_by_its_codes_and_strays_are_rejected(tmp_path: Path) -> None:
    """Each row goes to the export whose route it meets; a code of no export is told with the codes that are known."""
    exports = read(tmp_path, {"charges.csv": None, "ledger.csv": LEDGER}, LEDGER_MAP)
    assert rows(exports, "charges", "row", "amount") == [(2, 100000)]
    assert rows(exports, "postings", "row", "kind", "amount") == [(3, "payment", 10000)]
    cure = "Add the code under [[charges.route]] or that of another export in the column map, or take these rows out of the file."
    assert told(exports) == [
        f'ledger.csv:4 Type | XXX | "XXX" is the code of no export. Known: CHG, CHR for charges; PAY for postings | {cure}',
        f"ledger.csv:5 Type |  | an empty cell is the code of no export. Known: CHG, CHR for charges; PAY for postings | {cure}",
    ]
    assert exports.blocked == {("student", "S7"), ("student", "S8")}
    strays = next(c for c in counts(exports) if c.export == "not routed")
    assert (strays.rows_read, strays.rejected, strays.cents_read, strays.cents_rejected, strays.unreadable) == (2, 2, -500, -500, 1)
    assert exports.has_postings


def test_a_row_that_two_exports_claim_is_rejected(tmp_path: Path) -> None:
    """Two routes by different columns may meet in one row."""
    section = LEDGER_MAP.replace(
        '[[postings.route]]\ncolumn = "Type"\nequals = "PAY"', '[[postings.route]]\ncolumn = "kind"\nequals = "PAY"'
    )
    ledger = "student_id,term,Date,Type,amount,kind\nS1,2026-FA,2026-07-01,CHG,1000.00,pay\n"
    assert told(read(tmp_path, {"charges.csv": None, "ledger.csv": ledger}, section)) == [
        (
            "ledger.csv:2 Type | CHG | this row is claimed by charges and postings, and a row is of one kind only | "
            "Correct the routes in the column map so that each row meets one of them."
        )
    ]


def test_a_file_that_two_exports_claim_needs_routes_that_hold(tmp_path: Path) -> None:
    """Without a route for each, with a route by a column that is not there, or read in two ways, the file is refused."""
    files = {"charges.csv": None, "ledger.csv": LEDGER}
    assert refused(
        tmp_path, files, '[charges]\nfiles = "l*"\n[postings]\nfiles = "l*"\n[[postings.route]]\ncolumn = "Type"\nequals = "a"\n'
    ) == [
        (
            "ledger.csv is claimed by charges and postings, and nothing tells their rows apart. Give charges a [[route]] in the column map "
            "that names the column and the codes, or files of their own."
        )
    ]
    assert refused(tmp_path, {"charges.csv": None, "ledger.csv": LEDGER.replace("Type", "Typ")}, LEDGER_MAP) == [
        f'ledger.csv has no column "Type", by which the column map tells the rows of {kind} apart. '
        f"Headings found: student_id, term, Date, Typ, amount, kind. Correct column under [[{kind}.route]]."
        for kind in ("charges", "postings")
    ]
    two_ways = LEDGER_MAP.replace("[charges]", "[charges]\nheading_row = 1").replace("[postings]", "[postings]\nheading_row = 2")
    assert refused(tmp_path, files, two_ways) == [
        "ledger.csv is read once for charges and postings, but the column map gives heading_row as 1 and 2. Give one of them."
    ]


def test_a_total_at_the_foot_is_compared_with_the_rows_above(tmp_path: Path) -> None:
    """An equal total is noted; another one is told by its row and rejects no row; one without an amount is noted as such."""
    agrees = read(tmp_path, {"charges.csv": CHARGES + "Total,,,949.75,\n"})
    assert (agrees.notes, told(agrees)) == (("charges.csv: total row 4 agrees: 949.75.",), [])
    differs = read(tmp_path, {"charges.csv": CHARGES + "Total,,,900.75,\n"})
    assert told(differs) == [
        (
            "charges.csv:4 amount | 900.75 | the total row says 900.75; the rows above it add up to 949.75, 49.00 more | "
            "Export the file again; rows may be missing or changed by hand."
        )
    ]
    count = next(c for c in counts(differs) if c.export == "charges")
    assert (count.rows_read, count.accepted, count.rejected, count.foot_rows) == (2, 2, 0, 1)
    assert read(tmp_path, {"charges.csv": CHARGES + "End of report,,,,\n"}).notes == (
        "charges.csv: row 4 reads as a total and names no amount: left out of the rows.",
    )


def test_a_total_whose_word_stands_in_another_column_is_compared_too(tmp_path: Path) -> None:
    """Text file or workbook, at the end: an equal total is noted, another one is told as a total and not as a row with empty cells."""
    cells = [line.split(",") for line in CHARGES.splitlines()]
    assert read(tmp_path / "a", {"charges.csv": CHARGES + ",,,949.75,Total\n"}).notes == ("charges.csv: total row 4 agrees: 949.75.",)
    book = {"charges.csv": None, "charges.xlsx": [*cells, [None, None, None, 949.75, "Total"]]}
    assert read(tmp_path / "b", book).notes == ("charges.xlsx, sheet Sheet: total row 4 agrees: 949.75.",)
    (line,) = told(read(tmp_path / "c", {"charges.csv": CHARGES + ",,,900.75,Total\n"}))
    assert line.startswith("charges.csv:4 amount | 900.75 | the total row says 900.75; the rows above it add up to 949.75, 49.00 more")


@pytest.mark.parametrize("row", ["2,,,949.75,Total", ",,,949.75,Total charges", ",,,949.74,", "All,,,949.75,Grand total"])
def test_a_row_that_may_be_a_total_is_not_to_be_filled_in(tmp_path: Path, row: str) -> None:
    """Where it is not sure the row is rejected, and the cure says what it looks like; a row of data is still to be filled in."""
    lines = told(read(tmp_path, {"charges.csv": f"{CHARGES}{row}\n,2026-FA,2026-07-03,1.00,tuition\n"}))
    cure = "This looks like a total row. If it is one, take it out of the file; if not, fill the cell in where the file comes from."
    assert {line.split(" | ")[3] for line in lines if line.startswith("charges.csv:4 ")} == {cure}
    assert "charges.csv:5 student_id |  | student_id is empty | Fill it in where the file comes from." in lines


def test_a_total_that_misses_an_unreadable_amount_says_so(tmp_path: Path) -> None:
    """The rows above it without a readable amount are counted in the sentence."""
    exports = read(tmp_path, {"charges.csv": CHARGES + "S3,2026-FA,2026-07-01,five,\nTotal,,,954.75,\n"})
    assert told(exports)[1].split(" | ")[2] == (
        "the total row says 954.75; the rows above it add up to 949.75 (1 without a readable amount), 5.00 less"
    )


def test_subtotals_are_compared_with_the_rows_since_the_one_before(tmp_path: Path) -> None:
    """A total agrees with all rows above it or with those of its own block."""
    text = HEAD + "S1,2026-FA,2026-07-01,5.00\nSubtotal,,,5.00\nS2,2026-FA,2026-07-01,7.00\nSubtotal,,,7.00\nGrand total,,,12.00\n"
    exports = read(tmp_path, {"charges.csv": text})
    assert told(exports) == []
    assert [n for n in exports.notes if "agrees" in n] == [
        "charges.csv: total row 3 agrees: 5.00.",
        "charges.csv: total row 5 agrees: 7.00.",
        "charges.csv: total row 6 agrees: 12.00.",
    ]


def test_blank_rows_are_counted_and_are_no_rows(tmp_path: Path) -> None:
    """A blank row is neither read nor rejected."""
    count = next(c for c in counts(read(tmp_path, {"charges.csv": CHARGES + ",,,,\n\n"})) if c.export == "charges")
    assert (count.rows_read, count.blank_rows) == (2, 2)


@pytest.mark.parametrize("name", ["charges.csv", "charges.xlsx"])
def test_a_student_may_be_called_total(name: str, tmp_path: Path) -> None:
    """A row whose term, day and kind are filled is data, whatever its student is called; one with its amount alone is a total."""
    rows = [["student_id", "term", "posted_on", "amount", "charge_type", "description"]]
    rows += [["A1", "2026-FA", "2026-07-10", "12000.00", "tuition", ""], ["Total", "2026-FA", "2026-07-10", "700.00", "tuition", ""]]
    rows += [["Total", "", "", "12700.00", "", ""]]
    text = "".join(",".join(row) + "\n" for row in rows)
    charges = read(tmp_path, {"charges.csv": None, name: text if name.endswith("csv") else rows}).tables["charges"]
    assert dict(zip(charges["student_id"], charges["amount"], strict=True)) == {"A1": 12_000_00, "Total": 700_00}
