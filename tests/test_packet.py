"""The packet: what stands in it, whom it never names, that it is tagged, and that the same close gives the same bytes."""

from __future__ import annotations

import dataclasses
import io
import re
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pypdf
import pytest
from close_case import HASH, LISTED, close_tables, excepted, shown, table
from hypothesis import given, settings
from hypothesis import strategies as st

from reconcile.deliver.packet import MOST_EXCEPTIONS, packet_data, packet_of_close, packet_pdf, write_packet
from reconcile.deliver.packet_text import Column, Section, Table, cut, day_text, plain


def pages(given: Any) -> list[str]:
    """The text of each page, its white space made even."""
    reader = pypdf.PdfReader(io.BytesIO(packet_pdf(packet_data(given), given)))
    return [re.sub(r"\s+", " ", page.extract_text()) for page in reader.pages]


@pytest.fixture(scope="module")
def text() -> str:
    """The whole text of the packet."""
    return " ".join(pages(shown()))


@pytest.mark.parametrize(
    "told",
    [
        "Month-end close of plan draws, 31 October 2026",
        "Pending money went from 9,000.00 to 6,200.00; failed and not-seen money from 0.00 to 1,500.00.",
        "Open exceptions: 1 urgent, 3 to act on, 0 for the record.",
        "charges.csv charges 120 1 12,345.67 a1a1a1a1a1a1",
        "notes_october.csv notes b2b2b2b2b2b2",
        "opening 9,000.00 0.00 9,000.00 new plans 500.00 1,200.00 1,700.00 cleared at schedule -3,000.00 0.00 -3,000.00",
        "closing 5,000.00 1,200.00 6,200.00",
        "2026-FA failed 1 1,500.00 0.00 0.00 0.00 1,500.00",
        "2026-FA 2026-10-10 4,500.00 3,000.00 2,000.00 0.00",
        "bank 2 3,000.00 cleared not posted 2 -1,000.00 student ledger 2 2,000.00 unexplained 0.00",
        "cleared, still returnable 2 1,000.00 2026-11-03",
        "2026-FA 1200 general ledger 8,000.00",
        "late cleared draws 1 500.00",
        "XAAAA-BBBB-CCCC plan exceeds bill 2026-FA urgent 1,750.00 12 new nothing yet",
        "XDDDD-EEEE-FFFF failed draw 2026-FA to act on 1,500.00 12 new working (A. Clerk, 2026-10-28)",
        "XGGGG-HHHH-IIII bill short",
        "Below that: 1 exception (1 to act on).",
        "No longer found: 1 exception.",
        "matching.toml late_days 5 7",
        "general ledger yes Each term was held against it.",
        "The run says: One note.",
        "12 CFR 1005.10(d)",
        "Preparer",
        "Reviewer",
    ],
)
def test_what_stands_in_it(text: str, told: str) -> None:
    """Files, roll-forward, ages, tie-out, ledger, exceptions with dispositions, rules, cautions and the place for two signatures."""
    assert told in text


@pytest.mark.parametrize("never", ["Zoe", "Quill", "00777001", "P-777", "XJJJJ", "XMMMM"])
def test_whom_it_never_names(text: str, never: str) -> None:
    """No student by name, id or plan, no notes that people wrote, no exception below the threshold one by one."""
    assert never not in text


def test_the_run_hash_stands_on_each_page() -> None:
    """Whoever holds one page can say of which run it is."""
    many = [excepted(f"X{n:04d}-BBBB-CCCC", "failed draw", 100_000 + n) for n in range(100)]
    found = pages(shown(tables=close_tables() | {"exceptions": table("exceptions", *many)}))
    assert len(found) > 3
    assert all(f"Run hash {HASH}" in page for page in found)
    assert all(f"Page {n} of {len(found)}" in page for n, page in enumerate(found, 1))
    assert all("as of 2026-10-31" in page for page in found)


def test_it_is_tagged() -> None:
    """PDF/UA: marked content, a structure tree, title and language, table headings as such, fonts inside (ISO 14289-1, from memory)."""
    given = shown()
    reader = pypdf.PdfReader(io.BytesIO(packet_pdf(packet_data(given), given)))
    root: Any = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"] == True  # noqa: E712 (a PDF value, not a Python one)
    assert root["/Lang"] == "en-GB"
    assert b"pdfuaid:part" in root["/Metadata"].get_object().get_data()
    assert reader.metadata is not None
    assert reader.metadata.title == "Month-end close of plan draws, 31 October 2026"
    kinds = list(_kinds(root["/StructTreeRoot"]))
    assert {"/H1", "/H2", "/Table", "/TH", "/TD", "/L"} <= set(kinds)
    assert kinds.count("/Table") == kinds.count("/THead")
    fonts = [f.get_object() for page in reader.pages for f in page["/Resources"]["/Font"].values()]  # type: ignore[index]
    assert all("/FontFile" in str(f["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()) for f in fonts)


def _kinds(node: Any) -> Any:
    """The kinds of all elements below one of the structure tree."""
    node = node.get_object() if hasattr(node, "get_object") else node
    if isinstance(node, list):
        for item in node:
            yield from _kinds(item)
    elif isinstance(node, dict):
        if "/S" in node:
            yield node["/S"]
        if "/K" in node:
            yield from _kinds(node["/K"])


def test_it_prints_on_letter_and_on_a4() -> None:
    """Each page is no wider than A4 and no higher than Letter (ISO 216: 210 mm; US Letter: 279.4 mm), and has room at its edges."""
    given = shown()
    for page in pypdf.PdfReader(io.BytesIO(packet_pdf(packet_data(given), given))).pages:
        assert float(page.mediabox.width) <= 210 / 25.4 * 72 + 0.01
        assert float(page.mediabox.height) <= 279.4 / 25.4 * 72 + 0.01


def test_same_bytes_twice(tmp_path: Path) -> None:
    """The same close gives the same packet; another run hash another one; it is never written over."""
    for name in ("one.pdf", "two.pdf"):
        write_packet(shown(), tmp_path / name)
    write_packet(shown(run_hash="6f" * 32), tmp_path / "three.pdf")
    one, two, three = ((tmp_path / f"{name}.pdf").read_bytes() for name in ("one", "two", "three"))
    assert one == two
    assert one != three
    with pytest.raises(FileExistsError):
        write_packet(shown(), tmp_path / "one.pdf")


def test_a_daily_run_has_none(tmp_path: Path) -> None:
    """Only a close has a packet."""
    packet_of_close(dataclasses.replace(shown(), kind="daily"), tmp_path / "packet.pdf")
    assert list(tmp_path.iterdir()) == []
    packet_of_close(shown(), tmp_path / "packet.pdf")
    assert (tmp_path / "packet.pdf").read_bytes().startswith(b"%PDF-")


def test_an_empty_close_can_be_handed_over() -> None:
    """A first close without exceptions, balances, open items or changes says so in words."""
    tables = {name: found.iloc[:0] for name, found in close_tables().items()}
    found = " ".join(pages(shown(tables=tables, inputs=(), rule_changes=None)))
    for told in (
        "No failed or not-seen money is open.",
        "There was no draw to tie out.",
        "No balances of the general ledger were given",
        "No exception is of 250.00 or more.",
        "There is no close before this one whose rules could be compared.",
    ):
        assert told in found
    assert "Nothing: every rules file is as it was." in " ".join(pages(shown(rule_changes=())))


def test_a_long_list_is_cut_and_says_so() -> None:
    """More exceptions than fit a packet of a few pages: the most harmful are shown, the number of all is told."""
    many = [excepted(f"X{n:04d}-BBBB-CCCC", "failed draw", 100_000) for n in range(MOST_EXCEPTIONS + 7)]
    found = " ".join(pages(shown(tables=close_tables() | {"exceptions": table("exceptions", *many)})))
    assert f"The first {MOST_EXCEPTIONS} of {MOST_EXCEPTIONS + 7} are shown" in found
    assert f"X{MOST_EXCEPTIONS - 1:04d}-" in found
    assert f"X{MOST_EXCEPTIONS:04d}-" not in found


def test_long_words_beside_each_other_stay_readable() -> None:
    """A long kind beside a long decision: each has room for whole words, and nothing runs into its neighbour."""
    kind, who = "bank cleared, schedule says failed", "A. Fernandez-Whitcombe"
    more = {"disposition": "waiting for the bank", "decided_by": who, "decided_on": "2026-10-28"}
    many = [excepted(f"X{n:04d}-BBBB-CCCC", kind, 100_000, "information", **more) for n in range(9)]
    found = " ".join(pages(shown(tables=close_tables() | {"exceptions": table("exceptions", *many)})))
    assert "X0001-BBBB-CCCC bank cleared, schedule says" in found
    assert "12 new waiting for the bank (A. Fernandez- Whitcombe, 2026-10-28)" in found


def test_what_a_bursar_must_hear_first_stands_first() -> None:
    """A general ledger that differs, and what could not be checked, are told on the first page."""
    books = [("general ledger", 800_100), ("difference", 100)]
    tables = close_tables() | {
        "ledger_tie_out": table("ledger_tie_out", *({"term": "2026-FA", "account": "1200", "item": i, "amount": a} for i, a in books)),
        "close_checks": table("close_checks", {"check": "control totals", "done": "no", "what": "None."}),
    }
    first = pages(shown(tables=tables))[0]
    assert "The general ledger of 2026-FA: 1.00 above the computed sub-ledger." in first
    assert "Not or not wholly checked: control totals." in first


def test_the_threshold_is_the_rules() -> None:
    """At the threshold stands in the list, a cent below does not; a negative amount counts by its size."""
    listed = {row["exception_id"]: abs(row["amount"]) for row in LISTED if row["standing"] != "resolved"}
    least = shown().rules.exceptions.packet_threshold
    found = " ".join(pages(shown()))
    assert {id_ for id_ in listed if id_ in found} == {id_ for id_, cents in listed.items() if cents >= least}


def test_return_rates_stand_beside_their_levels() -> None:
    """Where the run counted returns they stand there, with level and what is left to it."""
    rates = pd.DataFrame(
        [("not authorised", "60 days", 1, 200, "0.50", "0.50", "no", 1), ("all", "60 days", 1200, 4000, "30.00", "15.00", "yes", 0)],
        columns=["name", "window", "returns", "base", "percent", "level", "above", "more_to_pass"],
    )
    found = " ".join(pages(shown(tables=close_tables() | {"return_rates": rates})))
    assert "not authorised 60 days 1 200 0.50 0.50 no 1" in found
    assert "all 60 days 1,200 4,000 30.00 15.00 yes 0" in found


def test_many_terms_stand_in_several_tables() -> None:
    """More terms and methods than fit side by side are shown in tables below each other, each figure once."""
    rows = [
        {"term": f"T{n}", "method": "bank", "money": "pending", "item": item, "lines": 1, "amount": n * 100_00 + 11}
        for n in range(1, 8)
        for item in ("opening", "closing")
    ]
    found = " ".join(pages(shown(tables=close_tables() | {"rollforward": table("rollforward", *rows)})))
    assert all(found.count(f"T{n} bank") == 2 for n in range(1, 8))  # once for each money


HOSTILE = '#set page(width: 1cm)\n#read("/etc/passwd") $x^2$ *b* _i_ @ref <label> \\ // `c` = H'


def test_what_an_export_holds_stays_text() -> None:
    """Names of files, words and notes that look like markup of the layout are shown as they are and do nothing."""
    about = dataclasses.replace(shown().about, notes=(HOSTILE,))
    listed = [excepted("XAAAA-BBBB-CCCC", "failed draw", 100_000, disposition="working", decided_by="#emph[x] $1$")]
    found = " ".join(pages(shown(about=about, tables=close_tables() | {"exceptions": table("exceptions", *listed)})))
    assert '#read("/etc/passwd") $x^2$ *b* _i_ @ref <label>' in found
    assert "working (#emph[x] $1$)" in found


@settings(max_examples=25, deadline=None)
@given(st.text(max_size=60))
def test_any_text_can_be_printed(written: str) -> None:
    """Whatever letters, signs or invisible characters somebody typed, the packet is made, tagged and of the same bytes again."""
    listed = [excepted("XAAAA-BBBB-CCCC", "failed draw", 100_000, disposition="working", decided_by=written)]
    given_ = shown(tables=close_tables() | {"exceptions": table("exceptions", *listed)})
    data = packet_data(given_)
    assert packet_pdf(data, given_).startswith(b"%PDF-")


def test_every_letter_that_is_let_through_is_in_the_fonts() -> None:
    """All characters that `plain` keeps can be shown by the fonts inside, in every weight and size that the packet has."""
    kept = [chr(code) for code in range(0x20, 0x2100) if plain(chr(code)) == chr(code)]
    lines = ["".join(kept[at : at + 80]) for at in range(0, len(kept), 80)]
    section = Section("Letters", lines, [Table([Column("All", wide=1)], [[line] for line in lines], title=lines[0], strong=[0, 1])])
    data = packet_data(shown()) | {"sections": [section.as_data(), Section("x", points=lines).as_data()]}
    assert len(kept) > 700
    assert packet_pdf(data, shown()).startswith(b"%PDF-")


def test_small_helpers() -> None:
    """Long texts lose their middle, days are read out, a row with too few cells is a fault."""
    assert (cut("a" * 50, 11), len(cut("a" * 50, 11))) == ("aaaa…aaaaa", 10)
    assert day_text(date(2027, 1, 5)) == "5 January 2027"
    with pytest.raises(ValueError, match="too many or too few cells"):
        Section("x", tables=[Table([Column("a"), Column("b")], [["1"]])]).as_data()


def test_the_layout_is_part_of_the_package() -> None:
    """The layout lies in the package, so that a wheel brings it along, and asks for nothing from the network."""
    import reconcile.deliver as package

    layout = (Path(package.__file__).parent / "packet.typ").read_text(encoding="utf-8")
    assert "@preview" not in layout
    assert "import" not in layout
