"""The packet: the few pages that a bursar signs at month-end, as a tagged PDF.

What was reconciled and from which files, how the money moved since the close before, how schedule, bank and ledger tie, what is still open
and what was decided about it, what changed in the rules, what nobody should forget, and where two people sign. No student is named: an
exception stands with its id, which leads to the student in `exceptions.csv` for those who may look there. Notes are left out too, since
people write names into them.

The same run gives the same bytes: the date inside is the as-of day, the fonts come with typst, nothing else of the machine is in it.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from reconcile.deliver import packet_money
from reconcile.deliver.packet_text import Column, Section, Table, cut, day_text, plain, short_hash
from reconcile.deliver.summary import count
from reconcile.ledger_tie_out import books_apart
from reconcile.money import people_money
from reconcile.tie_out import UNEXPLAINED

if TYPE_CHECKING:
    from pathlib import Path

    from reconcile.deliver.shown import Shown
    from reconcile.input_counts import Input
    from reconcile.rule_changes import RuleChange

MOST_EXCEPTIONS: Final = 120
MOST_CHANGES: Final = 60
SEVERITY: Final = {"urgent": "urgent", "act": "to act on", "information": "for the record"}
OPEN: Final = ("new", "changed", "carried")
CAUTIONS: Final = (
    "The figures are as good as the exports. This packet is a report: it moves no money and changes no account.",
    (
        "Before any draw is changed or presented again, the college's own policy, its agreements with families, its notice duties "
        "(12 CFR 1005.10(d)) and its bank's rules decide; the college's counsel decides where they leave room."
    ),
    (
        "A draw that has cleared may still come back, commonly within two banking days, and within sixty days where the family says that "
        "it was not authorised. What comes back after this close stands in the next one."
    ),
    "Where federal aid has made a credit balance, a 14-day clock runs (34 CFR 668.164(h)). The aid office and counsel say when it began.",
    (
        "No student is named here. The ids of exceptions lead to student records: pass this packet on only to those who may see them "
        "(FERPA, 34 CFR part 99)."
    ),
)
STATEMENT: Final = (
    "The preparer confirms that the inputs named here are whole and that every exception was looked at. The reviewer, another person, "
    "confirms that roll-forward and tie-out were checked against the source records and that open items are followed up."
)
ON_FILE: Final = (
    "Each also signs the run itself with reconcile sign-off, which binds every file of it to this run hash; reconcile verify shows at any "
    "time whether anything has changed since."
)


def write_packet(shown: Shown, path: Path) -> None:
    """Write the packet of a close to a file that does not exist yet.

    In:      a run of kind `close`, shaped by schemas.OUTPUTS; cents.
    Errors:  FileExistsError if the file is there.
    """
    pdf = packet_pdf(packet_data(shown), shown)
    with path.open("xb") as file:
        file.write(pdf)


def packet_pdf(data: dict[str, Any], shown: Shown) -> bytes:
    """The pages as PDF/UA: tagged, with the fonts inside, dated by the as-of day."""
    import typst  # noqa: PLC0415 (only a close with files for people needs it)

    as_of = shown.about.as_of
    layout = files("reconcile.deliver").joinpath("packet.typ").read_bytes()
    made = typst.compile(
        layout,
        format="pdf",
        pdf_standards="ua-1",
        ignore_system_fonts=True,
        timestamp=datetime(as_of.year, as_of.month, as_of.day, tzinfo=UTC),
        sys_inputs={"data": json.dumps(data, ensure_ascii=False)},
    )
    if not isinstance(made, bytes):
        raise TypeError("typst gave more than one file for the packet")
    return made


def packet_data(shown: Shown) -> dict[str, Any]:
    """Everything that stands in the packet, as text."""
    as_of = shown.about.as_of
    sections: list[Section | None] = [
        _inputs(shown),
        packet_money.rollforward(shown),
        packet_money.aging(shown),
        packet_money.tie_out(shown),
        packet_money.general_ledger(shown),
        packet_money.bridges(shown),
        _late_rows(shown),
        _exceptions(shown),
        packet_money.return_rates(shown.tables),
        _rules(shown),
        _checks(shown),
        Section("Cautions", points=CAUTIONS),
    ]
    return {
        "title": f"Month-end close of plan draws, {day_text(as_of)}",
        "date": [as_of.year, as_of.month, as_of.day],
        "head_left": "Month-end close of plan draws",
        "head_right": f"as of {as_of.isoformat()}",
        "subtitle": plain(_subtitle(shown)),
        "hash": shown.run_hash,
        "short": [plain(text) for text in _in_short(shown)],
        "sections": [section.as_data() for section in sections if section is not None],
        "signing": {
            "title": "Signatures",
            "text": [STATEMENT, ON_FILE],
            "people": [
                {"role": "Preparer", "says": "I prepared this close from the inputs named above."},
                {"role": "Reviewer", "says": "I am another person, and reviewed it."},
            ],
        },
    }


def _subtitle(shown: Shown) -> str:
    span = f"Bank files {shown.about.bank_first} to {shown.about.bank_last}. " if shown.about.bank_first else "No bank events. "
    return f"{span}Made by version {shown.version} of reconcile."


def _in_short(shown: Shown) -> list[str]:
    """What a bursar reads first: where the money stands, what is open, and whether everything came out."""
    rolled, listed, tied = (shown.tables[name] for name in ("rollforward", "exceptions", "tie_out"))
    cents = rolled.groupby(["money", "item"])["amount"].sum().to_dict()

    def ends(money: str) -> str:
        return " to ".join(people_money(int(cents.get((money, item), 0))) for item in ("opening", "closing"))

    still = listed[listed["standing"].isin(OPEN)]
    by = [f"{int((still['severity'] == word).sum()):,} {told}" for word, told in SEVERITY.items()]
    apart = int(tied["amount"].where(tied["item"] == UNEXPLAINED, 0).abs().sum())
    return [
        f"Pending money went from {ends('pending')}; failed and not-seen money from {ends('failed and not seen')}.",
        f"Open exceptions: {', '.join(by)}.",
        f"Every control total of this close came out to zero; unexplained in the tie-out: {people_money(apart)}.",
        *_books(shown),
    ]


def _books(shown: Shown) -> list[str]:
    """What the general ledger differs by, where it was given, and what could not be checked."""
    ledger, checks = shown.tables["ledger_tie_out"], shown.tables["close_checks"]
    told = [f"The general ledger of {term}: {words}." for term, words in books_apart(ledger)]
    undone = checks.loc[checks["done"] == "no", "check"].tolist()
    return told + ([f"Not or not wholly checked: {', '.join(undone)}."] if undone else [])


def _inputs(shown: Shown) -> Section:
    """Which files were read: rows, money and fingerprint of each."""
    rows = [row for source in shown.inputs for row in _input_rows(source)]
    columns = [
        Column("File", wide=1),
        Column("Holds"),
        Column("Rows read", right=True),
        Column("Rejected", right=True),
        Column("Money read", right=True),
        Column("SHA-256"),
    ]
    rules = ", ".join(f"{f.name} {short_hash(f.sha256)}" for f in shown.rules.files)
    below = f"Of each fingerprint (SHA-256) the first twelve characters; audit.json holds them whole. Rules: {rules}."
    return Section("What was reconciled, and from which files", [], [Table(columns, rows, below=below, size=8.5)])


def _input_rows(source: Input) -> list[list[str]]:
    name = cut(source.file, 44)
    if not source.counts:
        return [[name, source.role, "", "", "", short_hash(source.sha256)]]
    return [
        [
            name + (f", sheet {cut(c.sheet, 20)}" if c.sheet else ""),
            c.export.replace("_", " "),
            f"{c.counted.rows_read:,}",
            f"{c.counted.rejected:,}",
            people_money(c.counted.cents_read),
            short_hash(source.sha256),
        ]
        for c in source.counts
    ]


def _late_rows(shown: Shown) -> Section | None:
    """What is dated in a month that was closed already and was read since: it lands in this close."""
    late = shown.tables["late_rows"]
    if late.empty:
        return None
    rows = [
        [str(what), str(export).replace("_", " "), f"{len(part):,}", people_money(int(part["amount"].sum()))]
        for (what, export), part in late.groupby(["what", "export"], sort=True)
    ]
    columns = [Column("What", wide=1), Column("Export"), Column("Rows", right=True), Column("Amount", right=True)]
    told = "A closed month never changes. Rows that are dated in one and were read since then stand in this close (late_rows.csv)."
    return Section("Late rows", [told], [Table(columns, rows)])


def _exceptions(shown: Shown) -> Section:
    """Exceptions at or above the threshold of the rules, with what was decided; the smaller ones counted."""
    listed, least = shown.tables["exceptions"], shown.rules.exceptions.packet_threshold
    told_of = listed[listed["standing"] != "resolved"]
    large = told_of[told_of["amount"].abs() >= least]
    small = told_of[told_of["amount"].abs() < least]
    text = [f"Exceptions of {people_money(least)} or more, the most harmful first. Ids lead to the student in exceptions.csv."]
    if large.empty:
        text = [f"No exception is of {people_money(least)} or more."]
    if len(large) > MOST_EXCEPTIONS:
        text.append(
            f"The first {MOST_EXCEPTIONS} of {len(large):,} are shown; the others stand in exceptions.csv. A higher packet_threshold in "
            "the rules makes the list shorter."
        )
    if len(small):
        counts = [f"{n:,} {told}" for word, told in SEVERITY.items() if (n := int((small["severity"] == word).sum()))]
        text.append(f"Below that: {count(len(small), 'exception')} ({', '.join(counts)}).")
    gone = int((listed["standing"] == "resolved").sum())
    if gone:
        text.append(f"No longer found: {count(gone, 'exception')}.")
    return Section("Exceptions and what was decided", text, [_listed(large)] if len(large) else [])


def _listed(large: pd.DataFrame) -> Table:
    columns = [
        Column("Id"),
        Column("Kind", wide=5),
        Column("Term"),
        Column("Severity"),
        Column("Amount", right=True),
        Column("Days", right=True),
        Column("Standing"),
        Column("Decided", wide=6),
    ]
    rows = [
        [
            r["exception_id"],
            r["kind"],
            r["term"],
            SEVERITY.get(r["severity"], r["severity"]),
            people_money(r["amount"]),
            f"{r['age_days']:,}",
            r["standing"],
            _decision(r["disposition"], r["decided_by"], r["decided_on"]),
        ]
        for r in large.head(MOST_EXCEPTIONS).to_dict("records")
    ]
    below = "Days since it was first seen. New: first found in this close. Changed: its amount has moved since somebody decided."
    return Table(columns, rows, below=below, size=8)


def _decision(disposition: str, who: str, on: pd.Timestamp) -> str:
    if not disposition:
        return "nothing yet"
    day = "" if pd.isna(on) else f", {on.date()}"
    return f"{disposition} ({cut(who, 24)}{day})" if who else f"{disposition}{day}"


def _rules(shown: Shown) -> Section:
    title = "What changed in the rules since the close before"
    if shown.rule_changes is None:
        return Section(title, ["There is no close before this one whose rules could be compared."])
    if not shown.rule_changes:
        return Section(title, ["Nothing: every rules file is as it was."])
    columns = [Column("File"), Column("Key", wide=4), Column("Was", wide=3), Column("Is now", wide=3)]
    rows = [_change(change) for change in shown.rule_changes[:MOST_CHANGES]]
    more = len(shown.rule_changes) - MOST_CHANGES
    below = f"And {more:,} more: compare inputs/ of both closes." if more > 0 else ""
    return Section(title, [], [Table(columns, rows, below=below, size=8.5)])


def _change(change: RuleChange) -> list[str]:
    return [change.file, cut(change.key, 60), cut(change.before, 40) or "not there", cut(change.now, 40) or "not there"]


def _checks(shown: Shown) -> Section:
    """What this close could and could not check."""
    table = shown.tables["close_checks"]
    rows = [[str(r.check), str(r.done), str(r.what)] for r in table.itertuples()]
    said = {row[2] for row in rows}
    notes = [f"The run says: {note}" for note in shown.about.notes if note not in said]
    tables = [Table([Column("Check"), Column("Done"), Column("What it found", wide=1)], rows, size=8.5)] if rows else []
    return Section("What was checked, and what could not be", [], tables, points=notes)


def packet_of_close(shown: Shown, path: Path) -> None:
    """Writer of `packet.pdf`: a close has one, a daily run none."""
    if shown.kind == "close":
        write_packet(shown, path)
