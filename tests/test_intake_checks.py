"""Rows that clash with themselves or each other, files that overlap, and awards that stand twice."""

from __future__ import annotations

from typing import TYPE_CHECKING

from intake_case import BANK, CHARGES, PLANS, POSTINGS, counts, read, rows, told

if TYPE_CHECKING:
    from pathlib import Path

    from reconcile.exports import Exports

PLAN_HEAD = PLANS.partition("\n")[0] + "\n"
AID_HEAD = "student_id,term,fund,status,amount,posted_on,disbursed_on\n"
LINE_CURE = "Keep the row that holds and take the other out, or give it its own line. Counted twice, the family would seem to owe both."
OVERLAP_CURE = (
    "Say under [charges] in the column map: files_overlap = true if the files overlap, so that the row is one event; "
    "files_overlap = false if they do not, so that each counts."
)


def standing(exports: Exports, export: str) -> list[tuple[str, int, int, int]]:
    """Per file: accepted, rejected, already read."""
    return [
        (source.file, c.accepted, c.rejected, c.already_read) for source in exports.sources for c in source.counts if c.export == export
    ]


def test_a_plan_whose_rows_disagree_is_rejected_whole(tmp_path: Path) -> None:
    """Nobody can say which row of a plan holds, so each names one that it disagrees with; other plans stay."""
    plans = PLANS + "P1,S2,2026-FA,2026-07-10,900.00,3,2026-10-10,100.00\nP2,S2,2026-FA,2026-07-10,1.00,1,2026-08-10,1.00\n"
    exports = read(tmp_path, {"plan_schedules.csv": plans})
    line = "plan_schedules.csv:{} {} | {} | plan P1 has {} {} here and {} in row {} of plan_schedules.csv | "
    line += "All rows of one plan carry the same {}: correct the row that is wrong, then run again."
    expected = []
    for row, other, student, total, student_there, total_there in (
        (2, 4, "S1", "800.00", "S2", "900.00"),
        (3, 4, "S1", "800.00", "S2", "900.00"),
        (4, 2, "S2", "900.00", "S1", "800.00"),
    ):
        expected.append(line.format(row, "student_id", student, "student_id", student, student_there, other, "student_id"))
        expected.append(line.format(row, "plan_total", total, "plan_total", total, total_there, other, "plan_total"))
    assert told(exports) == expected
    assert rows(exports, "plan_schedules", "plan_id") == [("P2",)]
    assert exports.blocked == {("student", "S1"), ("student", "S2"), ("plan", "P1")}


def test_a_plan_in_two_terms_or_enrolled_on_two_days_disagrees(tmp_path: Path) -> None:
    """Term and day of enrollment are facts of the plan as a whole too."""
    plans = PLANS + "P1,S1,2027-SP,2026-07-11,800.00,3,2026-10-10,100.00\n"
    lines = told(read(tmp_path, {"plan_schedules.csv": plans}))
    assert [line.split(" | ")[2] for line in lines if ":4 " in line] == [
        "plan P1 has term 2027-SP here and 2026-FA in row 2 of plan_schedules.csv",
        "plan P1 has enrolled_on 2026-07-11 here and 2026-07-10 in row 2 of plan_schedules.csv",
    ]


def test_the_same_plan_and_line_twice_is_rejected_naming_the_other_row(tmp_path: Path) -> None:
    """Equal or not, two rows of one line would make the family owe both; only these two rows are rejected."""
    plans = (
        PLANS
        + "P1,S1,2026-FA,2026-07-10,800.00,2,2026-09-10,400.00\n"
        + "P2,S2,2026-FA,2026-07-10,9.00,1,2026-08-10,9.00\nP2,S2,2026-FA,2026-07-10,9.00,1,2026-08-10,8.00\n"
    )
    exports = read(tmp_path, {"plan_schedules.csv": plans})
    assert told(exports) == [
        (
            f"plan_schedules.csv:3 line | 2 | line 2 of plan P1 stands also in row 4 of plan_schedules.csv, with the same "
            f"content | {LINE_CURE}"
        ),
        (
            f"plan_schedules.csv:4 line | 2 | line 2 of plan P1 stands also in row 3 of plan_schedules.csv, with the same "
            f"content | {LINE_CURE}"
        ),
        (
            "plan_schedules.csv:5 line | 1 | line 1 of plan P2 stands also in row 6 of plan_schedules.csv, with other content: "
            f"amount 9.00 here, 8.00 there | {LINE_CURE}"
        ),
        (
            "plan_schedules.csv:6 line | 1 | line 1 of plan P2 stands also in row 5 of plan_schedules.csv, with other content: "
            f"amount 8.00 here, 9.00 there | {LINE_CURE}"
        ),
    ]
    assert rows(exports, "plan_schedules", "row") == [(2,)]


def test_an_identical_line_in_two_files_follows_the_rule_of_overlap(tmp_path: Path) -> None:
    """A declared copy, or one with a reference, is no line twice; undeclared it is asked about; not overlapping it is."""
    files = {"plan_schedules_2.csv": PLANS + "\n"}
    assert standing(read(tmp_path / "a", files, "[plan_schedules]\nfiles_overlap = true\n"), "plan_schedules") == [
        ("plan_schedules.csv", 2, 0, 0),
        ("plan_schedules_2.csv", 0, 0, 2),
    ]
    asked = told(read(tmp_path / "b", files))
    assert [line.split(" | ")[2] for line in asked] == [
        f"row {row} of plan_schedules{other}.csv is equal and neither has a reference: one event read twice, or two events"
        for other in ("_2", "")
        for row in (2, 3)
    ]
    twice = told(read(tmp_path / "c", files, "[plan_schedules]\nfiles_overlap = false\n"))
    assert twice[0].split(" | ")[2] == "line 1 of plan P1 stands also in row 2 of plan_schedules_2.csv, with the same content"
    named = PLANS.replace("amount\n", "amount,reference\n").replace("400.00\n", "400.00,R\n")
    with_reference = read(tmp_path / "d", {"plan_schedules.csv": named, "plan_schedules_2.csv": named})
    assert standing(with_reference, "plan_schedules") == [("plan_schedules.csv", 2, 0, 0), ("plan_schedules_2.csv", 0, 0, 2)]


def test_plan_lines_of_a_term_that_no_rule_knows_are_rejected(tmp_path: Path) -> None:
    """Charges, aid and postings of such a term go on; plan lines cannot, and the terms known are told."""
    files = {
        "plan_schedules.csv": PLANS.replace("2026-FA", "2026-FALL"),
        "charges.csv": CHARGES.replace("2026-FA", "1999"),
        "postings.csv": POSTINGS.replace("2026-FA", "1999"),
    }
    exports = read(tmp_path, files)
    assert told(exports)[0] == (
        "plan_schedules.csv:2 term | 2026-FALL | no rule knows the term 2026-FALL, so its plan lines cannot be read. "
        "Terms known: 2026-FA, 2027-SP | Add the term to terms.toml, or leave its plans out of the export. "
        "If 2026-FA is meant, correct the row, or give the word its meaning under values.term in the column map."
    )
    assert [len(exports.tables[name]) for name in ("plan_schedules", "charges", "postings")] == [0, 2, 1]


def test_one_reference_and_outcome_with_two_contents_is_rejected(tmp_path: Path) -> None:
    """The bank's reference is one event for each outcome; only what differs is told."""
    bank = BANK + "2026-08-12,410.00,cleared,P1,T1\n2026-08-20,400.00,returned,P1,T1\n"
    cure = "One reference is one event: correct the row that is wrong, or give the events references of their own."
    exports = read(tmp_path, {"cleared_draws.csv": bank})
    assert told(exports) == [
        (
            "cleared_draws.csv:2 reference | T1 | reference T1 with outcome cleared stands also in row 4 of cleared_draws.csv, "
            f"with other content: settled_on 2026-08-11 here, 2026-08-12 there; amount 400.00 here, 410.00 there | {cure}"
        ),
        (
            "cleared_draws.csv:4 reference | T1 | reference T1 with outcome cleared stands also in row 2 of cleared_draws.csv, "
            f"with other content: settled_on 2026-08-12 here, 2026-08-11 there; amount 410.00 here, 400.00 there | {cure}"
        ),
    ]
    assert rows(exports, "cleared_draws", "row", "outcome") == [(3, "returned"), (5, "returned")]


def test_postings_of_one_reference_may_differ(tmp_path: Path) -> None:
    """A ledger uses one reference for a posting and its reversal; a draw posted twice is judged later, against the bank."""
    more = "S1,2026-FA,2026-08-13,plan draw,-400.00,T1\nS1,2026-FA,2026-08-13,plan draw,400.00,T1\n"
    assert len(read(tmp_path, {"postings.csv": POSTINGS + more}).tables["postings"]) == 3


def test_a_bank_event_names_a_plan_or_a_student(tmp_path: Path) -> None:
    """One of the two will do; neither is rejected."""
    head = "settled_on,amount,outcome,plan_id,student_id\n"
    bank = head + "2026-08-11,1.00,cleared,,S1\n2026-08-11,1.00,cleared,P1,\n2026-08-11,1.00,cleared,,\n"
    exports = read(tmp_path, {"cleared_draws.csv": bank})
    assert told(exports) == [
        (
            "cleared_draws.csv:4 plan_id |  | the event names neither a plan nor a student | "
            "Fill in one of them where the file comes from; if another column holds it, name that column in the column map."
        )
    ]
    assert len(exports.tables["cleared_draws"]) == 2


def test_a_bank_file_without_plan_and_student_columns_rejects_its_rows(tmp_path: Path) -> None:
    """Both columns may be missing from the headings as well."""
    exports = read(tmp_path, {"cleared_draws.csv": "settled_on,amount,outcome\n2026-08-11,1.00,cleared\n"})
    assert told(exports)[0].startswith("cleared_draws.csv:2 plan_id |  | the event names neither a plan nor a student | ")


def test_anticipated_aid_has_no_day_of_payment(tmp_path: Path) -> None:
    """An award that is anticipated and disbursed at once contradicts itself."""
    exports = read(tmp_path, {"aid.csv": AID_HEAD + "S1,2026-FA,grant,anticipated,100.00,2026-07-01,2026-07-09\n"})
    assert told(exports) == [
        (
            "aid.csv:2 disbursed_on | 2026-07-09 | the award is anticipated, yet was disbursed on 2026-07-09 | "
            "If the award was paid, its status is disbursed; if not, disbursed_on stays empty, and expected_on holds the day it is due."
        )
    ]


def test_a_row_wrong_in_itself_has_all_its_problems_told(tmp_path: Path) -> None:
    """A check of the row as a whole does not wait until its cells are mended, and is not guessed from a cell that cannot be read."""
    aid = AID_HEAD + "S1,2026-FA,grant,anticipated,five,2026-07-01,2026-07-09\nS2,2026-FA,grant,anticipated,5.00,2026-07-01,soon\n"
    assert [line.split(" | ")[0] for line in told(read(tmp_path, {"aid.csv": aid}))] == [
        "aid.csv:2 amount",
        "aid.csv:2 disbursed_on",
        "aid.csv:3 disbursed_on",
    ]


def test_a_row_whose_fields_are_out_of_place_is_told_once(tmp_path: Path) -> None:
    """With a field too many no cell is certain, so nothing is concluded from them."""
    exports = read(tmp_path, {"aid.csv": AID_HEAD + "S1,2026-FA,grant,anticipated,100.00,2026-07-01,2026-07-09,x\n"})
    assert [line.split(" | ")[2] for line in told(exports)] == ["too many fields: 7 expected, as there are headings, 8 found"]


TWO_STATES = AID_HEAD + (
    "S1,2026-FA,grant,anticipated,100.00,2026-07-01,\n"
    "S1,2026-FA,grant,anticipated,100.00,2026-07-20,\n"
    "S1,2026-FA,grant,disbursed,100.00,2026-08-20,\n"
    "S1,2026-FA,loan,disbursed,100.00,2026-08-20,\n"
    "S2,2026-FA,grant,anticipated,100.00,2026-07-01,\n"
)


def test_an_award_anticipated_and_disbursed_is_asked_about(tmp_path: Path) -> None:
    """Same student, term, fund and amount in both states: all rows of the award are rejected until the map says what they mean."""
    cure = (
        'Say under [aid] in the column map: aid_rows = "replace" if the disbursed row takes the place of the anticipated one, '
        'aid_rows = "add" if both are money.'
    )
    exports = read(tmp_path, {"aid.csv": TWO_STATES})
    assert told(exports) == [
        f"aid.csv:2 status | anticipated | the same award of 100.00 from grant is disbursed in row 4 of aid.csv | {cure}",
        f"aid.csv:3 status | anticipated | the same award of 100.00 from grant is disbursed in row 4 of aid.csv | {cure}",
        f"aid.csv:4 status | disbursed | the same award of 100.00 from grant is anticipated in row 2 of aid.csv | {cure}",
    ]
    assert rows(exports, "aid", "row") == [(5,), (6,)]


def test_aid_rows_that_add_up_all_count(tmp_path: Path) -> None:
    """aid_rows = "add": both states are money."""
    exports = read(tmp_path, {"aid.csv": TWO_STATES}, '[aid]\naid_rows = "add"\n')
    assert (len(exports.tables["aid"]), told(exports)) == (5, [])


def test_a_disbursed_row_replaces_the_oldest_anticipated_one(tmp_path: Path) -> None:
    """aid_rows = "replace": one anticipated row is already read, and the money stands on the bill since that row, paid since its own."""
    totals = {"control_totals.toml": '[aid]\nrows = 5\namount = "500.00"\n'}  # the source system counts replaced rows too
    exports = read(tmp_path, {"aid.csv": TWO_STATES, **totals}, '[aid]\naid_rows = "replace"\n')
    assert rows(exports, "aid", "row", "status", "posted_on", "disbursed_on") == [
        (3, "anticipated", "2026-07-20", "NaT"),
        (4, "disbursed", "2026-07-01", "2026-08-20"),
        (5, "disbursed", "2026-08-20", "NaT"),
        (6, "anticipated", "2026-07-01", "NaT"),
    ]
    count = next(c for c in counts(exports) if c.export == "aid")
    assert (count.rows_read, count.accepted, count.already_read, count.replaced, count.cents_already_read) == (5, 4, 1, 1, 10000)
    assert exports.notes == ("Aid: 1 anticipated row was replaced by the disbursed row of the same award, as the column map says.",)


def test_a_row_with_a_reference_is_one_event_in_however_many_files(tmp_path: Path) -> None:
    """Copies are already read whatever the map says of overlap; a copy within one file is also noted."""
    files = {"cleared_draws.csv": BANK + "2026-08-11,400.00,cleared,P1,T1\n", "cleared_draws_2.csv": BANK}
    for number, text in enumerate(("", "[cleared_draws]\nfiles_overlap = true\n", "[cleared_draws]\nfiles_overlap = false\n")):
        exports = read(tmp_path / str(number), files, text)
        assert standing(exports, "cleared_draws") == [("cleared_draws.csv", 2, 0, 1), ("cleared_draws_2.csv", 0, 0, 2)]
        assert exports.notes == ("cleared_draws.csv: 1 row stands twice with the same reference and content, such as row 4: counted once.",)


def test_equal_rows_without_a_reference_in_two_files_are_asked_about(tmp_path: Path) -> None:
    """Each names its equal in the other file; equal rows within one file are two events and not asked about."""
    line = "S2,2026-FA,2026-07-02,-50.25,tuition\n"
    exports = read(tmp_path, {"charges.csv": CHARGES + line, "charges_2.csv": CHARGES.partition("\n")[0] + "\n" + line})
    ask = "{} is equal and neither has a reference: one event read twice, or two events"
    assert told(exports) == [
        f"charges.csv:3 amount | -50.25 | {ask.format('row 2 of charges_2.csv')} | {OVERLAP_CURE}",
        f"charges.csv:4 amount | -50.25 | {ask.format('row 2 of charges_2.csv')} | {OVERLAP_CURE}",
        f"charges_2.csv:2 amount | -50.25 | {ask.format('row 3 of charges.csv')} | {OVERLAP_CURE}",
    ]
    assert len(read(tmp_path / "one", {"charges.csv": CHARGES + line}).tables["charges"]) == 3


def test_in_overlapping_files_rows_count_as_often_as_in_the_fullest(tmp_path: Path) -> None:
    """Two in one file and one in the other are two events; files that do not overlap hold three."""
    head, line = CHARGES.partition("\n")[0] + "\n", "S9,2026-FA,2026-07-02,7.00,fee\n"
    files = {"charges.csv": head + line, "charges_2.csv": head + line + line}
    overlap = read(tmp_path / "a", files, "[charges]\nfiles_overlap = true\n")
    assert standing(overlap, "charges") == [("charges.csv", 0, 0, 1), ("charges_2.csv", 2, 0, 0)]
    apart = read(tmp_path / "b", files, "[charges]\nfiles_overlap = false\n")
    assert standing(apart, "charges") == [("charges.csv", 1, 0, 0), ("charges_2.csv", 2, 0, 0)]


def test_two_sheets_of_a_workbook_are_asked_about_like_two_files(tmp_path: Path) -> None:
    """An August and a September sheet may overlap as files do."""
    import openpyxl

    book = openpyxl.Workbook()
    first = book.active
    assert first is not None
    for sheet in (first, book.create_sheet("September")):
        for row in (["student_id", "term", "posted_on", "amount"], ["S1", "2026-FA", "2026-07-01", 5]):
            sheet.append(row)
    (tmp_path / "exports").mkdir(parents=True)
    book.save(tmp_path / "exports" / "charges.xlsx")
    assert [line.split(" | ")[2] for line in told(read(tmp_path, {"charges.csv": None}))] == [
        "row 2 of charges.xlsx, sheet Sheet is equal and neither has a reference: one event read twice, or two events",
        "row 2 of charges.xlsx, sheet September is equal and neither has a reference: one event read twice, or two events",
    ]


def test_a_shifted_row_or_an_invisible_letter_still_blocks_its_family(tmp_path: Path) -> None:
    """An unquoted comma moves the ids by a column, and an id carries a letter nobody sees: both families are blocked, nobody else."""
    shifted = "settled_on,amount,outcome,plan_id,student_id,reference\n2026-10-14,2,400.00,cleared,P1,S1,X1\n"
    unseen = "2026-10-14,2400.00,cleared,,\u200bS2,X2\n"
    exports = read(tmp_path, {"plan_schedules.csv": PLANS_OF_TWO, "cleared_draws.csv": shifted + unseen})
    assert {("student", "S1"), ("student", "S2")} <= exports.blocked or {("plan", "P1"), ("student", "S2")} <= exports.blocked
    assert ("everyone", "") not in exports.blocked


def test_a_rejected_bank_row_that_names_nobody_blocks_everyone(tmp_path: Path) -> None:
    """It could be anyone's draw."""
    rows = "settled_on,amount,outcome,plan_id,student_id,reference\n2026-10-14,2400.00,cleared,,,X1\n"
    exports = read(tmp_path, {"plan_schedules.csv": PLANS_OF_TWO, "cleared_draws.csv": rows})
    assert ("everyone", "") in exports.blocked


def test_a_plan_takes_money(tmp_path: Path) -> None:
    """A line or a plan total below zero is rejected, and so is an active line with a day of cancelling."""
    below = PLANS_OF_TWO.replace("2400.00,,", "-2400.00,,", 1)
    active = PLANS_OF_TWO.replace("2400.00,,", "2400.00,active,2026-08-01", 1)
    told = [read(tmp_path, {"plan_schedules.csv": rows}).rejected["problem"].tolist() for rows in (below, active)]
    assert told == [["the line is below zero: -2400.00"], ["the line is active, yet was cancelled on 2026-08-01"]]


PLANS_OF_TWO = """plan_id,student_id,term,enrolled_on,plan_total,line,draw_date,amount,line_status,cancelled_on
P1,S1,2026-FA,2026-07-20,2400.00,1,2026-10-10,2400.00,,
P2,S2,2026-FA,2026-07-20,2400.00,1,2026-10-10,2400.00,,
"""
