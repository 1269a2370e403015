"""The README of the sample: which college, which files, and a table of what is planted, drawn from the planted cases themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sample_college import MAIN_RUN, Books, Planted
from sample_standard import plain_money, write_text

if TYPE_CHECKING:
    from pathlib import Path

HEAD = """\
# Sample exports: Harrowmere College

Harrowmere College is invented, with every person, amount and reference in it. It bills fall 2026 and spring 2027, takes plan draws on the
tenth of each month from bank accounts and cards, and charges an enrollment fee of 45.00 that stands on no bill. {students} students are
in it, {plans} plans, {events} bank events. Most students are ordinary: their plans equal the bill, their draws clear in time, and no run
may raise an exception for them. The others are planted, one case each, in the table below.

The exports were all written on 24 November 2026. The story is told by three runs, a draw date apart; earlier runs set later rows aside:

    reconcile daily sample_exports/standard --as-of 2026-09-22
    reconcile daily sample_exports/standard --as-of 2026-10-22
    reconcile daily sample_exports/standard --as-of 2026-11-20

The last is the main run, for which the table holds. The plan system's own status of a line was written after September's draws: October's
and November's lines carry none, so that all three runs are fair to it.

## Files

- `standard/`: the five exports with standard headings: nothing needs a map; `control_totals.toml` says what the source systems counted.
- `office/`: the same facts as an office gets them, read with `--map sample_exports/office_map.toml`.
  - `ledger extract *`: charges and credits in one extract, told apart by a code; credits negative; amounts as `$1,234.50`, `(1,234.50)`
    and `1,234.50-`; the first is tab-separated Windows-1252 under two title lines; both have a total at the foot.
  - `award list.xlsx`: merged titles, ids as numbers shown with leading zeros, a grand total at the foot.
  - `plan agreements *`: fall as CSV with a byte order mark, spring as a workbook.
  - `bank 2026-*`: one file for each draw date. September's has semicolons and month-first dates, October's is a workbook, November's is
    month-first and begins with copies of October's last events (`already read`). The map leaves out a column of masked accounts.
- `office_map.toml`: what the office's headings, codes and signs mean.
- `planted.csv`: the table below for programs, one row for each fact that a run must come out with.
- `make_sample.py`: writes all of this anew, the same bytes each time: `python sample_exports/make_sample.py`.

Rows of `planted.csv`: `what` is `state`, `pass`, `return rule`, `exception kind`, `coverage`, `proposal` or `other terms`; `amount` is
without a sign (the kind says which way), and empty where only the kind counts. All kinds of exception occur but `return after the close`,
which only a close can raise. For an exception of a whole plan or student, `line` is empty.

## What is planted

| student | plan | what was done | what the run as of 20 November 2026 must say |
| --- | --- | --- | --- |
"""

FOOT = """
Also in the files: names with accents and apostrophes, a surname `Null`, ids with leading zeros, a charge described as `=1+1` and one with
quotation marks and commas, waivers, sponsors and amounts brought forward (one of them owed), an award lowered by a second row, charges and
awards dated after the last run, and events that name their line by plan and line, by reference, by plan alone or by student alone.
"""


def write_readme(books: Books, path: Path) -> None:
    """Write the README with counts and table drawn from the books."""
    head = HEAD.format(students=len({c.student_id for c in books.charges}), plans=len(books.plans), events=f"{len(books.events):,}")
    table = "".join(
        f"| {student_id} | {plan_id} | {what} | {_must_say(books, student_id)} |\n" for student_id, plan_id, what in books.stories
    )
    write_text(path, head + table + FOOT)


def _must_say(books: Books, student_id: str) -> str:
    own = [p for p in books.planted if p.student_id == student_id and p.as_of == MAIN_RUN]
    raised = [_told(p) for p in own if p.what == "exception kind"]
    rest = [_told(p) for p in own if p.what not in {"exception kind", "coverage"}]
    covered = [p.value for p in own if p.what == "coverage"]
    return "; ".join([*(raised or ["no exception"]), *rest, *covered])


def _told(fact: Planted) -> str:
    money = (
        ""
        if fact.amount is None or (fact.what == "state" and fact.value not in {"cleared", "part cleared"})
        else f" {plain_money(fact.amount)}"
    )
    line = f" (line {fact.line})" if fact.line else ""
    if fact.what == "exception kind":
        return f"**{fact.value}**{money}{line}"
    return f"{fact.what} {fact.value}{money}{line}"
