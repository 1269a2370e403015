"""What `daily` and `close` do, in the order in which they do it.

Rules, column map, the run before, exports; rows that cannot be used refuse the run (or are left out, if the person said so); then the
reconciliation itself, the run folder with its data files, what people look at (left out with `--only csv`), the audit, and the summary.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from reconcile import __version__, audit, run_folder
from reconcile.cli_support import map_hint, say, show, step
from reconcile.deliver import csv_out, summary
from reconcile.deliver.people import write_people_files
from reconcile.deliver.shown import Shown, names_of
from reconcile.reading import list_before, policy_for, previous_of, read_all, refuse_rejected, with_notes
from reconcile.run import reconcile_exports

if TYPE_CHECKING:
    from collections.abc import Callable
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
    if request.into is not None:
        run_folder.refuse_if_there(request.into)
    rules, column_map, found = policy_for(request.exports, request.rules, request.map_file)
    previous = previous_of(request)
    exports = read_all(request.exports, rules, column_map, request, previous)
    inputs = audit.counted_inputs(exports, request.as_of)
    if len(exports.rejected) and not request.without_rejected:
        refuse_rejected(exports, request, audit.totals(inputs), () if column_map else map_hint(request.exports))
    step("Reconciling")
    exports, notes_read = with_notes(exports, request, rules)
    result = reconcile_exports(exports, rules, request.as_of, previous=list_before(request), notes=notes_read)
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
    place = _write(request, exports, rules, column_map, previous, result, about)
    show(summary.daily_summary(result.tables, audit.totals(inputs), dataclasses.replace(about, place=str(place))))
    return int(bool(request.fail_on) and summary.holds_open(result.tables["exceptions"], only_new=request.fail_on == "new"))


def _write(
    request: Request,
    exports: Exports,
    rules: Rules,
    column_map: ColumnMap | None,
    previous: audit.Previous | None,
    result: Result,
    about: summary.About,
) -> Path:
    """The run folder: data files, the audit over them and with it the run hash, what people look at, then its place."""

    def fill(folder: Path) -> None:
        csv_out.write_data_files(result.tables, folder)
        made = audit.build_audit(
            exports,
            rules,
            column_map,
            request.as_of,
            kind="daily",
            options=request.options,
            previous=previous,
            outputs=audit.outputs_in(folder),
            notes=(*result.notes, *exports.notes),
            version=__version__,
        )
        if request.only != "csv":
            names = names_of(exports.tables["plan_schedules"]) if request.names else {}
            totals = audit.totals(audit.counted_inputs(exports, request.as_of))
            write_people_files(Shown("daily", result.tables, totals, about, rules, names, made["run_hash"], __version__), folder)
            made = audit.with_outputs(made, audit.outputs_in(folder))
        audit.write_audit(folder, made)

    step("Writing the report")
    parent = request.reports if request.into is None else request.into.parent
    for name in run_folder.clear_unfinished(parent):
        say(f"Removed {parent / name}, left by a run that was interrupted more than a day ago.")
    return run_folder.write_run(request.reports, request.as_of, "daily", fill, request.into)


MAKERS: dict[str, Callable[[Request], int]] = {"daily": daily}
"""What makes a run, by the kind that its audit and its folder name."""
