"""What `daily` and `close` do, in the order in which they do it.

Rules, column map, the run before, exports; rows that cannot be used refuse the run (or are left out, if the person said so); then the
reconciliation itself, the run folder with its data files, what people look at (left out with `--only csv`), the audit, and the summary.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

from reconcile import __version__, archive, audit, run_folder
from reconcile.cli_support import map_hint, say, show, step
from reconcile.deliver import csv_out, summary
from reconcile.deliver.close_summary import close_summary
from reconcile.deliver.people import write_people_files
from reconcile.deliver.shown import Shown, names_of
from reconcile.month_end import Closing
from reconcile.reading import close_before, list_before, policy_for, previous_of, read_all, refuse_rejected, with_notes
from reconcile.run import reconcile_exports

if TYPE_CHECKING:
    from pathlib import Path

    from reconcile.column_map import ColumnMap
    from reconcile.exports import Exports
    from reconcile.policy import Rules
    from reconcile.reading import Request
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
    if request.into is not None:
        run_folder.refuse_if_there(request.into)
    rules, column_map, found = policy_for(request.exports, request.rules, request.map_file)
    previous = previous_of(request)
    closing = Closing(close_before(request)) if kind == "close" else None
    exports = read_all(request.exports, rules, column_map, request, previous)
    inputs = audit.counted_inputs(exports, request.as_of)
    if len(exports.rejected) and not request.without_rejected:
        refuse_rejected(exports, request, audit.totals(inputs), () if column_map else map_hint(request.exports))
    step("Reconciling")
    exports, notes_read = with_notes(exports, request, rules)
    result = reconcile_exports(exports, rules, request.as_of, previous=list_before(request), notes=notes_read, closing=closing)
    notes = tuple(dict.fromkeys((*((found.told,) if found.samples else ()), *result.notes, *exports.notes)))
    span = exports.span
    about = summary.About(
        as_of=request.as_of,
        bank_first=span.first if span else None,
        bank_last=span.last if span else None,
        place="",
        previous=previous.name if previous else None,
        notes=notes,
    )
    made = Made(kind, exports, rules, found.folder, column_map, previous, closing, result, about)
    place = _write(request, made)
    about, counted = dataclasses.replace(about, place=str(place)), audit.totals(inputs)
    show(close_summary(result.tables, counted, about) if closing else summary.daily_summary(result.tables, counted, about))
    return int(bool(request.fail_on) and summary.holds_open(result.tables["exceptions"], only_new=request.fail_on == "new"))


@dataclass(frozen=True, eq=False)
class Made:
    """A run before it is written: what it was made from, and what came of it."""

    kind: str
    exports: Exports
    rules: Rules
    rules_folder: Path
    column_map: ColumnMap | None
    previous: audit.Previous | None
    closing: Closing | None
    result: Result
    about: summary.About


def _write(request: Request, made: Made) -> Path:
    """The run folder, in its place once it is whole."""
    step("Writing the report")
    parent = request.reports if request.into is None else request.into.parent
    for name in run_folder.clear_unfinished(parent):
        say(f"Removed {parent / name}, left by a run that was interrupted more than a day ago.")
    return run_folder.write_run(request.reports, request.as_of, made.kind, lambda folder: _fill(folder, request, made), request.into)


def _fill(folder: Path, request: Request, made: Made) -> None:
    """Data files, a close's inputs, the audit over them and with it the run hash, and what people look at."""
    exports, rules, result = made.exports, made.rules, made.result
    opened = made.closing.previous if made.closing else None
    csv_out.write_data_files(result.tables, folder, made.kind)
    if made.closing is not None:
        of_rules, of_map = (made.rules_folder, rules), (request.map_file, made.column_map)
        archive.keep_inputs(folder, request.exports, exports, of_rules, of_map, request.notes)
    audited = audit.build_audit(
        exports,
        rules,
        made.column_map,
        request.as_of,
        kind=made.kind,
        options=request.options,
        previous=made.previous,
        outputs=audit.outputs_in(folder),
        notes=(*result.notes, *exports.notes),
        version=__version__,
        previous_close=(opened.name, opened.run_hash) if opened else None,
    )
    if request.only != "csv":
        names = names_of(exports.tables["plan_schedules"]) if request.names else {}
        totals = audit.totals(audit.counted_inputs(exports, request.as_of))
        write_people_files(Shown(made.kind, result.tables, totals, made.about, rules, names, audited["run_hash"], __version__), folder)
        audited = audit.with_outputs(audited, audit.outputs_in(folder))
    audit.write_audit(folder, audited)
