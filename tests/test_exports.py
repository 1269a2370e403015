"""Intake as a whole: which files are read, what refuses a run, and that every row and cent is accounted for."""

from __future__ import annotations

import hashlib
import os
from datetime import date
from pathlib import Path

import pandas as pd
import pytest
from intake_case import AID, BANK, CHARGES, IN_ORDER, PLANS, POSTINGS, ROOT, counts, read, refused, rows, rules, told, write

from reconcile.cli import run
from reconcile.column_map import load_column_map
from reconcile.exports import BankSpan, ExportsRefusedError, read_exports, rows_by_export
from reconcile.schemas import DTYPES, EXPORTS, OUTPUTS

HEADINGS_ALONE = {name: text.partition("\n")[0] + "\n" for name, text in IN_ORDER.items()}


def test_exports_in_order_become_typed_tables(tmp_path: Path) -> None:
    """Each table has its evidence and all standard columns, in the declared types, with the defaults of columns that are not there."""
    exports = read(tmp_path, {"postings.csv": POSTINGS})
    for name, export in EXPORTS.items():
        table = exports.tables[name]
        assert list(table.columns) == ["file", "sheet", "row", *export.names]
        assert [str(table[c.name].dtype) for c in export.columns] == [DTYPES[c.kind] for c in export.columns]
        assert isinstance(table.index, pd.RangeIndex)
    assert rows(exports, "charges", "file", "sheet", "row", "student_id", "amount") == [
        ("charges.csv", "", 2, "S1", 100000),
        ("charges.csv", "", 3, "S2", -5025),
    ]
    assert rows(exports, "plan_schedules", "kind", "method", "line_status", "schedule_says", "set_on", "consent_on")[0] == (
        ("draw", "bank", "active", "", "2026-07-10", "2026-07-10")
    )
    assert exports.has_postings
    assert len(exports.rejected) == 0
    assert list(exports.rejected.columns) == [c.name for c in OUTPUTS["rejected_rows"]]
    assert exports.blocked == frozenset()


def test_headings_alone_will_do(tmp_path: Path) -> None:
    """An office without a row of some export still has a run; without bank rows the bank has no span."""
    exports = read(tmp_path, HEADINGS_ALONE)
    assert {name: len(table) for name, table in exports.tables.items()} == dict.fromkeys(EXPORTS, 0)
    assert (exports.span, exports.has_postings) == (None, False)


def test_a_required_export_without_a_file_refuses_the_run(tmp_path: Path) -> None:
    """The names that were looked for are told, for each missing export."""
    assert refused(tmp_path, {"charges.csv": None, "aid.csv": None}) == [
        (
            "There is no file of charges. Looked for: charges*.csv, charges*.txt, charges*.tsv, charges*.xlsx. "
            "A file with headings alone will do; other names go under files in the column map."
        ),
        (
            "There is no file of aid. Looked for: aid*.csv, aid*.txt, aid*.tsv, aid*.xlsx. "
            "A file with headings alone will do; other names go under files in the column map."
        ),
    ]


def test_the_patterns_of_the_map_are_the_ones_told(tmp_path: Path) -> None:
    """With a column map, a missing file is told by the office's own pattern, and the standard name no longer counts for that export."""
    assert refused(tmp_path, {}, '[charges]\nfiles = "ledger*.csv"\n') == [
        (
            "There is no file of charges. Looked for: ledger*.csv. A file with headings alone will do; other names go "
            "under files in the column map."
        ),
    ]


def test_a_path_that_is_not_there_refuses_the_run(tmp_path: Path) -> None:
    """A mistyped folder is told as such."""
    with pytest.raises(ExportsRefusedError) as caught:
        read_exports([tmp_path / "exprts"], rules())
    assert caught.value.problems[0] == "There is no file or folder exprts. Check the path that was given for the exports."


def test_files_of_no_export_are_told_and_others_passed_over(tmp_path: Path) -> None:
    """A file whose name is that of no export is noted with the nearest name; read-me, hidden and lock files need no word."""
    more = {"chrges_2.csv": CHARGES, "minutes.pdf": b"x", "README.md": "x", ".hidden": "x", "~$charges.xlsx": b"x"}
    write(tmp_path / "exports" / "old", {"charges.csv": CHARGES})
    assert list(read(tmp_path, more).notes) == [
        "The folder old inside exports was not read. If it holds exports, give it as well.",
        (
            "chrges_2.csv was not read: its name and ending are those of no export. If it holds charges, name it charges*.csv, "
            "or add a pattern under files in the column map."
        ),
        (
            "minutes.pdf was not read: its name and ending are those of no export. If it holds an export, give it that export's name, "
            "or add a pattern under files in the column map."
        ),
    ]


def test_an_old_workbook_is_not_passed_over(tmp_path: Path) -> None:
    """A file named like an export in a form that is not read refuses the run, since the office thinks that it was read."""
    assert refused(tmp_path, {"charges_may.xls": b"x"}) == [
        "charges_may.xls is a file of charges that cannot be read. Save it as .csv, .txt, .tsv or .xlsx."
    ]


def test_file_names_may_be_written_as_people_write_them(tmp_path: Path) -> None:
    """Capitals, spaces and hyphens in a file's name do not matter."""
    exports = read(
        tmp_path, {"plan_schedules.csv": None, "Plan Schedules 2026.CSV": PLANS, "cleared_draws.csv": None, "cleared-draws.txt": BANK}
    )
    assert (len(exports.tables["plan_schedules"]), len(exports.tables["cleared_draws"])) == (2, 2)


def test_files_of_one_name_in_two_folders_are_told_apart(tmp_path: Path) -> None:
    """Evidence names the folder where the name alone would not tell; a folder given twice is read once."""
    write(tmp_path / "north", {"charges.csv": CHARGES, "aid.csv": AID})
    write(
        tmp_path / "south",
        {"charges.csv": CHARGES.replace("S1", "S8").replace("S2", "S9"), "plan_schedules.csv": PLANS, "cleared_draws.csv": BANK},
    )
    exports = read_exports([tmp_path / "south", tmp_path / "north", tmp_path / "south"], rules())
    assert rows(exports, "charges", "file", "student_id") == [
        ("north/charges.csv", "S1"),
        ("north/charges.csv", "S2"),
        ("south/charges.csv", "S8"),
        ("south/charges.csv", "S9"),
    ]
    assert [s.file for s in exports.sources] == [
        "aid.csv",
        "cleared_draws.csv",
        "north/charges.csv",
        "plan_schedules.csv",
        "south/charges.csv",
    ]


def test_every_input_is_hashed_even_those_that_are_no_exports(tmp_path: Path) -> None:
    """Hash and size of each input: exports, control totals, general ledger and column map."""
    totals, ledger = "[charges]\nrows = 2\n", '[[balance]]\nterm = "2026-FA"\naccount = "1200"\namount = "-1,234.50"\n'
    exports = read(tmp_path, {"control_totals.toml": totals, "general_ledger.toml": ledger}, "[charges]\n")
    held = {s.file: (s.role, s.sha256, s.size) for s in exports.sources}
    assert held["charges.csv"] == ("export", hashlib.sha256(CHARGES.encode()).hexdigest(), len(CHARGES))
    assert held["control_totals.toml"] == ("control totals", hashlib.sha256(totals.encode()).hexdigest(), len(totals))
    assert held["general_ledger.toml"] == ("general ledger", hashlib.sha256(ledger.encode()).hexdigest(), len(ledger))
    assert held["map.toml"] == ("column map", hashlib.sha256(b"[charges]\n").hexdigest(), 10)
    assert [(b.term, b.account, b.cents) for b in exports.general_ledger] == [("2026-FA", "1200", -123450)]


def test_control_totals_lie_beside_files_given_one_by_one_too(tmp_path: Path) -> None:
    """A difference in rows or amount refuses the run with theirs, ours and the difference."""
    write(tmp_path, {**IN_ORDER, "control_totals.toml": '[charges]\nrows = 3\namount = "1,000.00"\n[aid]\nrows = 0\namount = "100.00"\n'})
    with pytest.raises(ExportsRefusedError) as caught:
        read_exports([tmp_path / name for name in IN_ORDER], rules())
    assert list(caught.value.problems) == [
        "control_totals.toml says that charges has 3 rows; the files have 2 rows, 1 fewer. Export it again, or correct the control total.",
        (
            "control_totals.toml says that charges adds up to 1,000.00; the files add up to 949.75, 50.25 less. "
            "Export it again, or correct the control total."
        ),
        "control_totals.toml says that aid has 0 rows; the files have 1 row, 1 more. Export it again, or correct the control total.",
        (
            "control_totals.toml says that aid adds up to 100.00; the files add up to 200.00, 100.00 more. Export it "
            "again, or correct the control total."
        ),
    ]


def test_control_totals_count_a_copied_row_once_and_keep_the_sign_of_the_file(tmp_path: Path) -> None:
    """What the source system counted is each row once, rejected ones included, in the sign that it writes."""
    files = {"charges.csv": CHARGES + "S3,2026-FA,soon,5.00,tuition\n", "charges_2.csv": CHARGES}
    totals = {"control_totals.toml": '[charges]\nrows = 3\namount = "954.75"\n'}
    exports = read(tmp_path, files | totals, "[charges]\nfiles_overlap = true\nreverse_sign = true\n")
    assert [(c.rows_read, c.accepted, c.rejected, c.already_read, c.cents_read) for c in counts(exports) if c.export == "charges"] == [
        (3, 2, 1, 0, -95475),
        (2, 0, 0, 2, -94975),
    ]


def test_an_unreadable_amount_is_named_beside_a_control_total(tmp_path: Path) -> None:
    """Where a row has no readable amount, the sentence says that it is not in our sum."""
    files = {"charges.csv": CHARGES + "S3,2026-FA,2026-07-01,five,\n", "control_totals.toml": '[charges]\namount = "954.75"\n'}
    assert refused(tmp_path, files) == [
        (
            "control_totals.toml says that charges adds up to 954.75; the files add up to 949.75 (1 row without a readable "
            "amount not counted), "
            "5.00 less. Export it again, or correct the control total."
        )
    ]


def test_mistakes_in_the_files_beside_are_told_by_line(tmp_path: Path) -> None:
    """Control totals and general-ledger balances have their keys checked like rules."""
    files = {
        "control_totals.toml": '[charges]\nrow = 2\namount = 949.75\nrows = -1\n[bank]\nrows = 1\n[aid]\namount = "12.345"\n',
        "general_ledger.toml": '[[balance]]\nterm = 2026\namount = "1.00"\nacount = "12"\n',
    }
    assert refused(tmp_path, files) == [
        "control_totals.toml, line 2, row in charges: there is no such key. Write rows. Allowed: rows, amount.",
        'control_totals.toml, line 3, amount in charges: 949.75 will not do. Allowed: an amount in quotes, such as "1234.50".',
        "control_totals.toml, line 4, rows in charges: -1 will not do. Allowed: a whole number without quotes, 0 or more.",
        "control_totals.toml, line 5, bank: there is no such export. Allowed: charges, aid, plan_schedules, cleared_draws, postings.",
        (
            'control_totals.toml, line 8, amount in aid: "12.345" will not do. Allowed: an amount in quotes, such as "1234.50". '
            "The mark '.' with three figures after it may stand before thousands or before decimals. "
            "Export with two decimals; or, where '.' stands before thousands, set decimal_mark = ',' in the column map."
        ),
        "general_ledger.toml, line 1, account in balance 1: this key is missing. Allowed: text in quotes.",
        "general_ledger.toml, line 2, term in balance 1: 2026 will not do. Allowed: text in quotes.",
        "general_ledger.toml, line 4, acount in balance 1: there is no such key. Write account. Allowed: term, account, amount.",
    ]


def test_a_balance_given_twice_is_refused(tmp_path: Path) -> None:
    """One account of one term has one balance; the same account in two terms has two."""
    one, other = (f'[[balance]]\nterm = "{term}"\naccount = "1200"\namount = "1.00"\n' for term in ("2026-FA", "2027-SP"))
    assert refused(tmp_path / "a", {"general_ledger.toml": one + other + one}) == [
        "general_ledger.toml, line 11, account in balance 3: account 1200 of 2026-FA has a balance already, further up. Keep one of them."
    ]


@pytest.mark.parametrize("name", ["general_ledger.csv", "General_Ledger October.xls", "control_totals.txt"])
def test_balances_in_a_table_are_told_where_they_go(tmp_path: Path, name: str) -> None:
    """The file is not read, and the note says in which one its figures are looked for."""
    toml = "general_ledger.toml" if "eneral" in name else "control_totals.toml"
    (told,) = [note for note in read(tmp_path, {name: "term,account,amount\n2026-FA,1200,1.00\n"}, "[charges]\n").notes if name in note]
    assert f"is read from {toml} alone" in told


def test_two_control_totals_of_one_export_are_refused(tmp_path: Path) -> None:
    """Only one of two files may say what an export adds up to."""
    write(tmp_path / "a", {**IN_ORDER, "control_totals.toml": "[aid]\nrows = 1\n"})
    write(tmp_path / "b", {"control_totals.toml": "[aid]\nrows = 1\n"})
    with pytest.raises(ExportsRefusedError) as caught:
        read_exports([tmp_path / "a", tmp_path / "b"], rules())
    assert list(caught.value.problems) == [
        "aid has control totals in a/control_totals.toml and in b/control_totals.toml. Keep one of them."
    ]


def test_far_fewer_rows_than_last_time_refuse_the_run_unless_accepted(tmp_path: Path) -> None:
    """A drop beyond drop_percent (40.00 in the rules) is told with both counts; a drop of exactly that is not."""
    before = rows_by_export(
        read(tmp_path, {"charges.csv": CHARGES + "".join(f"S{i},2026-FA,2026-07-03,1.00,x\n" for i in range(3))}).sources
    )
    assert before == {"charges": 5, "aid": 1, "plan_schedules": 2, "cleared_draws": 2, "postings": 0}
    three = CHARGES + "S3,2026-FA,2026-07-03,1.00,x\n"
    assert read(tmp_path, {"charges.csv": three}, previous_rows=before).rejected.empty
    assert refused(tmp_path, {"charges.csv": CHARGES}, previous_rows=before) == [
        (
            "charges has 2 rows; the previous run had 5. That is a drop of more than the 40 percent that the rules allow. "
            "Export it again in full, or accept the drop with --accept-drop."
        )
    ]
    assert len(read(tmp_path, {"charges.csv": CHARGES}, previous_rows=before, accept_drop=True).tables["charges"]) == 2


def test_the_bank_span_runs_from_first_to_last_accepted_row(tmp_path: Path) -> None:
    """Rejected rows do not stretch the span."""
    bank = BANK + "2026-12-01,-1.00,cleared,P1,T9\n"
    assert read(tmp_path, {"cleared_draws.csv": bank}).span == BankSpan(date(2026, 8, 11), date(2026, 9, 11))


def test_the_office_may_state_the_bank_span(tmp_path: Path) -> None:
    """--bank-from and --bank-through each take the place of their end."""
    assert read(tmp_path, {}, bank_from=date(2026, 8, 1)).span == BankSpan(date(2026, 8, 1), date(2026, 9, 11))
    assert read(tmp_path, {}, bank_through=date(2026, 10, 1)).span == BankSpan(date(2026, 8, 11), date(2026, 10, 1))


def test_a_bank_span_that_cannot_be_is_refused(tmp_path: Path) -> None:
    """An end before the beginning, or one end alone without bank rows, is told."""
    assert refused(tmp_path, {}, bank_from=date(2027, 1, 1)) == [
        "The bank's span would begin on 2027-01-01 and end on 2026-09-11. Correct --bank-from or --bank-through."
    ]
    assert refused(tmp_path, HEADINGS_ALONE, bank_from=date(2027, 1, 1)) == [
        "No row of cleared_draws was accepted, so the bank's span is open on one side. Give both --bank-from and --bank-through."
    ]


def test_all_that_refuses_a_run_comes_at_once_with_the_rejected_rows(tmp_path: Path) -> None:
    """A missing column, account numbers, a missing file and a bad row are told together."""
    files = {
        "charges.csv": "student_id,term,posted_on,SSN\nS1,2026-FA,2026-07-01,123-45-6789\n",
        "aid.csv": None,
        "cleared_draws.csv": "settled_on,amount,outcome,plan_id\n2026-08-11,1.00,maybe,P1\n",
    }
    write(tmp_path, {k: v for k, v in {**IN_ORDER, **files}.items() if v is not None})
    with pytest.raises(ExportsRefusedError) as caught:
        read_exports([tmp_path], rules())
    assert [p.split(".")[0] for p in caught.value.problems] == [
        "There is no file of aid",
        "charges",
        "charges",
    ]
    assert [list(r) for r in caught.value.rejected[["file", "row", "column", "value"]].itertuples(index=False)] == [
        ["cleared_draws.csv", 2, "outcome", "maybe"]
    ]
    assert "123-45-6789" not in str(caught.value)
    assert caught.value.exit_code == 2


def test_a_column_of_account_numbers_refuses_the_run_without_showing_them(tmp_path: Path) -> None:
    """File and column are named, its cells are not; the cure is in the sentence."""
    bank = "settled_on,amount,outcome,plan_id,Account number\n2026-08-11,1.00,cleared,P1,000123456789\n"
    assert refused(tmp_path, {"cleared_draws.csv": bank}) == [
        (
            'cleared_draws.csv: column "Account number" must not be read: its heading names a bank account. Take the '
            "column out of the export, "
            'or leave it out in the column map: leave_out = ["Account number"].'
        )
    ]
    exports = read(tmp_path, {"cleared_draws.csv": bank}, '[cleared_draws]\nleave_out = ["account number"]\n')
    assert (len(exports.tables["cleared_draws"]), exports.notes) == (1, ())


def test_a_heading_to_leave_out_that_no_file_has_is_told(tmp_path: Path) -> None:
    """Misspelled, it would leave nothing out, and nobody would know; a heading that only one of two files has is in order."""
    files = {"charges.csv": CHARGES.replace("charge_type", "Payer acct"), "charges 2.csv": CHARGES.replace("1000.00", "7.00")}
    assert read(tmp_path / "one", files, '[charges]\nleave_out = ["payer ACCT"]\n').notes == ()
    exports = read(tmp_path / "none", files, '[charges]\nleave_out = ["Payer acct", "Payer acount"]\n[aid]\nleave_out = ["Zzz"]\n')
    assert exports.notes == (
        'The column map leaves out "Payer acount" of charges, and no file of it has such a heading. The nearest is "Payer acct".',
        'The column map leaves out "Zzz" of aid, and no file of it has such a heading.',
    )


def test_a_file_name_that_no_report_can_show_is_refused_readably(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Not valid UTF-8, a line end in it, or a mark that turns the letters after it round: the run is refused, and the name can be read."""
    write(tmp_path / "exports", IN_ORDER)
    if os.name == "nt":
        pytest.skip("Windows knows no such names")
    for name, shown, why in (
        (b"charges_caf\xe9.csv", r"charges_caf\xe9.csv", "it is not valid UTF-8"),
        (b"charges\nold.csv", r"charges\nold.csv", "it holds the invisible character U+000A"),
        ("charges\u202evsc.csv".encode(), r"charges\u202evsc.csv", "it holds the invisible character U+202E"),
    ):
        path = Path(os.fsdecode(os.fsencode(tmp_path / "exports") + b"/" + name))
        try:
            path.write_text(CHARGES)
        except OSError:
            pytest.skip("this file system takes no such names")
        for line in (["check", str(tmp_path / "exports")], ["daily", str(tmp_path / "exports"), "--as-of", "2026-09-15"]):
            assert run([*line, *(["--reports", str(tmp_path / "reports")] if line[0] == "daily" else [])]) == 2
            assert f"  - {shown} cannot be read under this name: {why}. Rename it.\n" in capsys.readouterr().err
        path.unlink()
    (tmp_path / "exports" / "caf\udce9.csv").write_text("")
    (tmp_path / "exports" / "old\udce9").mkdir()
    assert run(["daily", str(tmp_path / "exports"), "--as-of", "2026-09-15", "--reports", str(tmp_path / "reports")]) == 0
    told = capsys.readouterr()
    assert r"caf\xe9.csv was not read" in told.out + told.err
    assert r"The folder old\xe9 inside exports was not read." in told.out + told.err
    assert run(["check", str(tmp_path / "caf\udce9")]) == 2
    assert r"caf\xe9 is not valid UTF-8. Rename the file or folder." in capsys.readouterr().err


def test_a_file_that_is_refused_is_not_also_told_as_too_short(tmp_path: Path) -> None:
    """Control totals and the previous run are not held against a file that could not be read."""
    assert refused(tmp_path, {"charges.csv": "", "control_totals.toml": "[charges]\nrows = 2\n"}, previous_rows={"charges": 100}) == [
        "charges.csv: the file is empty. Export it again; headings alone will do where there are no rows."
    ]


def test_the_same_file_twice_is_told(tmp_path: Path) -> None:
    """A second copy of a file is noted, whatever its name."""
    exports = read(tmp_path, {"cleared_draws (1).csv": BANK})
    assert exports.notes == ("cleared_draws.csv is the same file as cleared_draws (1).csv, byte for byte.",)
    assert [(c.accepted, c.already_read) for c in counts(exports) if c.export == "cleared_draws"] == [(2, 0), (0, 2)]


def test_students_and_plans_of_rejected_rows_are_blocked(tmp_path: Path) -> None:
    """What a rejected row names, as far as it could be read, gets no proposals later."""
    exports = read(
        tmp_path,
        {
            "charges.csv": CHARGES + "S7,2026-FA,soon,5.00,\n,2026-FA,2026-07-01,5.00,\n",
            "cleared_draws.csv": BANK + "2026-08-11,0.00,cleared,P7,T7\n",
        },
    )
    assert exports.blocked == {("student", "S7"), ("plan", "P7")}
    charges = next(c for c in counts(exports) if c.export == "charges")
    assert (charges.rejected, charges.cents_rejected, charges.unreadable) == (2, 1000, 0)


def test_progress_is_told(tmp_path: Path) -> None:
    """Someone who waits sees which files are being read."""
    seen: list[str] = []
    read(tmp_path, {}, progress=seen.append)
    assert seen == ["reading aid.csv, charges.csv, cleared_draws.csv, plan_schedules.csv", "checking rows against each other"]


def test_the_sample_office_and_the_standard_sample_give_the_same_rows() -> None:
    """The office's own files, read through its column map, hold what the standard sample holds: rows and cents of every export."""
    standard = read_exports([ROOT / "sample_exports" / "standard"], rules())
    office = read_exports([ROOT / "sample_exports" / "office"], rules(), load_column_map(ROOT / "sample_exports" / "office_map.toml"))
    for name in EXPORTS:
        ours, theirs = standard.tables[name], office.tables[name]
        assert (len(ours), ours["amount"].sum()) == (len(theirs), theirs["amount"].sum())
    assert told(office) == told(standard) == []
