"""What `daily` and `close` do, in the order in which they do it.

Rules, column map, the run before, exports; rows that cannot be used refuse the run (or are left out, if the person said so); then the
reconciliation itself, the run folder with its data files, what people look at (left out with `--only csv`), the audit, and the summary.
"""

from __future__ import annotations

import dataclasses
import tempfile
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from reconcile import __version__, archive, audit, input_counts, run_folder
from reconcile.at_once import SettledAtOnce, how_many_parts
from reconcile.cli_support import map_hint, say, show, step
from reconcile.deliver import csv_out, summary
from reconcile.deliver.shown import Shown, names_of
from reconcile.forked import Begun, let_go
from reconcile.memory import keep_freed_memory
from reconcile.reading import (
    close_before,
    close_folder,
    close_named,
    list_before,
    notes_files,
    policy_for,
    previous_of,
    read_all,
    refuse_rejected,
    with_notes,
)
from reconcile.rule_changes import rule_changes, rules_in
from reconcile.workbook_notes import unread_table

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    import pyarrow as pa  # type: ignore[import-untyped]

    from reconcile.column_map import ColumnMap
    from reconcile.exports import Exports
    from reconcile.input_counts import Input
    from reconcile.month_end import Closing
    from reconcile.policy import Rules
    from reconcile.reading import Request
    from reconcile.rule_changes import RuleChange
    from reconcile.run import Result


def daily(request: Request) -> int:
    """Reconcile as of a day: write a run folder and show its summary; gives the exit code, 1 only with --fail-on.

    Errors:  RefusedError and ProofError, with nothing written but the rejected rows.
    """
    return _run(request, "daily")


def close(request: Request) -> int:
    """Close a month: as `daily`, with roll-forward, tie-out and what they are made of, and a copy of all inputs.

    Errors:  as `daily`, or RefusedError if the close before is none.
    """
    return _run(request, "close")


def _run(request: Request, kind: str) -> int:
    keep_freed_memory()
    if request.into is not None:
        run_folder.refuse_if_there(request.into)
    rules, column_map, found = policy_for(request.exports, request.rules, request.map_file)
    previous = previous_of(request)
    closing = _closing(request) if kind == "close" else None
    held: list[Begun] = []
    exports = read_all(
        request.exports,
        rules,
        column_map,
        request,
        previous,
        hold=lambda work: held.append(Begun(work)),
        meanwhile=partial(_make_ready, rules),
    )
    parts = how_many_parts(exports)
    if len(exports.rejected) and not request.without_rejected:
        counted = input_counts.totals(input_counts.counted_inputs(exports, request.as_of))
        refuse_rejected(exports, request, counted, () if column_map else map_hint(request.exports))
    from reconcile.run import reconcile_exports  # noqa: PLC0415 (see `_make_ready`)

    step("Reconciling")
    notes_read = notes_files(request)
    request = dataclasses.replace(request, notes_files=notes_read)
    exports, wrote = with_notes(exports, request, rules)
    names = names_of(exports.tables["plan_schedules"]) if request.names else {}
    with (
        tempfile.TemporaryDirectory(prefix="reconcile-") as place_of_pieces,
        SettledAtOnce(Path(place_of_pieces), whole=request.only != "csv") as at_once,
    ):
        result = reconcile_exports(
            exports,
            rules,
            request.as_of,
            previous=list_before(request),
            notes=wrote.notes,
            unread=unread_table(wrote.unread),
            names=names,
            closing=closing,
            parts=parts,
            each=at_once,
        )
        for name, (order, more) in result.arranged.items():
            at_once.arrange(name, order, more)
        result = dataclasses.replace(result, notes=(*wrote.told, *result.notes))
        inputs = input_counts.counted_inputs(exports, request.as_of)
        samples = found.told if found.samples else request.samples_told
        about = _about(request, exports, rules, previous, result, samples)
        made = Made(
            kind, exports, inputs, rules, found.folder, column_map, previous, closing, result, about, names, at_once.in_order(), held
        )
        place = _write(request, made)
    _last[:] = [made]
    about, counted = dataclasses.replace(about, place=str(place)), input_counts.totals(inputs)
    if closing:
        from reconcile.deliver.close_summary import close_summary  # noqa: PLC0415 (a daily run need not load what closes a month)

        show(close_summary(result.tables, counted, about))
    else:
        show(summary.daily_summary(result.tables, result.totals, counted, about))
    return int(bool(request.fail_on) and summary.holds_open(result.tables["exceptions"], only_new=request.fail_on == "new"))


def _make_ready(rules: Rules) -> None:
    """What is slow to load and asked for next: done while other processes read the exports."""
    import reconcile.run  # noqa: F401, PLC0415

    rules.banking_days().read_calendar()


def _closing(request: Request) -> Closing:
    from reconcile.month_end import Closing  # noqa: PLC0415 (a daily run need not load what closes a month)

    return Closing(close_before(request))


def _about(
    request: Request, exports: Exports, rules: Rules, previous: audit.Previous | None, result: Result, samples: str
) -> summary.About:
    notes = tuple(dict.fromkeys((*((samples,) if samples else ()), *result.notes, *exports.notes)))
    span = exports.span
    return summary.About(
        as_of=request.as_of,
        bank_first=span.first if span else None,
        bank_last=span.last if span else None,
        place="",
        previous=previous.name if previous else None,
        notes=notes,
        not_due={term.code: term.bill_due for term in rules.terms if term.bill_due > request.as_of},
        has_postings=exports.has_postings,
        days=rules.banking_days(),
    )


@dataclass(frozen=True, eq=False)
class Made:
    """A run before it is written: what it was made from, and what came of it."""

    kind: str
    exports: Exports
    inputs: tuple[Input, ...]
    rules: Rules
    rules_folder: Path
    column_map: ColumnMap | None
    previous: audit.Previous | None
    closing: Closing | None
    result: Result
    about: summary.About
    names: Mapping[str, str]
    pieces: Mapping[str, Sequence[Path | pa.Array]]
    held: Sequence[Begun]


def _write(request: Request, made: Made) -> Path:
    """The run folder, in its place once it is whole."""
    step("Writing the report")
    let_go()
    parent = request.reports if request.into is None else request.into.parent
    for told in _beside(parent, run_folder.RunName(request.as_of, made.kind == "close", 0)):
        say(told)
    for name in run_folder.clear_unfinished(parent):
        say(f"Removed {parent / name}, left by a run that was interrupted more than a day ago.")
    return run_folder.write_run(request.reports, request.as_of, made.kind, lambda folder: _fill(folder, request, made), request.into)


def _beside(parent: Path, name: run_folder.RunName) -> Iterator[str]:
    """What a person must know of earlier runs that this one lies beside: of the same day if one is signed, and closes of the same month."""
    others = run_folder.runs_beside(parent, name)
    latest = max(run.as_of for run in (*others, name))
    for other in others:
        signed = run_folder.signers(parent / str(other))
        if other.as_of == name.as_of and signed:
            then = "Later runs follow it and not this new one, until as many have signed this one too (or name this one with --previous"
            yield f"Note: {other} is signed already and stays as it is. {then}{'-close' if name.is_close else ''})."
        elif other.as_of == name.as_of and name.is_close:
            yield f"Note: {other} closes this month already, and nobody has signed it. Of the two, later closes open from this new one."
        elif name.is_close:
            then = "A close opens from the close of the latest day before its own, signed or not and whenever it was made"
            yield f"Note: {other}{' (signed)' if signed else ''} is another close of this month. {then}: the next month from {latest}."


def _fill(folder: Path, request: Request, made: Made) -> None:
    """Data files, a close's inputs, the audit over them and with it the run hash, and what people look at."""
    exports, rules, result = made.exports, made.rules, made.result
    prints: dict[str, str] = {}

    def seal(path: Path) -> None:  # what takes the disk's time and the hash's is done while other files are still being made
        run_folder.to_disk(path)
        prints[path.name] = audit.sha256_of(path)

    csv_out.write_data_files(result.tables, folder, made.kind, made.pieces, seal)
    for one in made.held:
        one.end()
    if made.closing is not None:
        of_rules, of_map = (made.rules_folder, rules), (request.map_file, made.column_map)
        archive.keep_inputs(folder, request.exports, exports, of_rules, of_map, request.notes_files or (), request.not_read)
    audited = audit.build_audit(
        exports,
        rules,
        made.column_map,
        request.as_of,
        kind=made.kind,
        options=request.options,
        previous=made.previous,
        previous_close=None if made.closing is None else close_named(request),
        outputs=audit.outputs_in(folder, prints),
        notes=made.about.notes,
        version=__version__,
        inputs=made.inputs,
    )
    if request.only != "csv":
        from reconcile.deliver.people import write_people_files  # noqa: PLC0415 (a scheduled job need not load what draws pages)

        write_people_files(_shown(request, made, audited["run_hash"]), folder)
        audited = audit.with_outputs(audited, audit.outputs_in(folder))
    audit.write_audit(folder, audited)


def _shown(request: Request, made: Made, run_hash: str) -> Shown:
    """What files for people are made from."""
    inputs = made.inputs
    changes = None if made.closing is None else changes_since(close_folder(request), made.rules_folder)
    tables, totals = made.result.tables, input_counts.totals(inputs)
    return Shown(made.kind, tables, totals, made.about, made.rules, made.names, run_hash, __version__, inputs, changes)


def changes_since(close_before: Path | None, rules_folder: Path) -> tuple[RuleChange, ...] | None:
    """What changed in the rules since the close before; None if there is none, or if it keeps no rules."""
    kept = None if close_before is None else archive.archived_rules(close_before)
    return None if kept is None else rule_changes(rules_in(kept), rules_in(rules_folder))


_last: list[Made] = []
"""What the last run was made from: held until the process ends or makes another, since to free it piece by piece only takes time."""

MAKERS: dict[str, Callable[[Request], int]] = {"daily": daily, "close": close}
"""What makes a run, by the kind that its audit and its folder name."""
