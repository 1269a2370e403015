"""What `daily` and `close` do, in the order in which they do it.

Rules, column map, the run before, exports; rows that cannot be used refuse the run (or are left out, if the person said so); then the
reconciliation itself, the run folder with its data files, what people look at (left out with `--only csv`), the audit, and the summary.
"""

from __future__ import annotations

import dataclasses
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from reconcile import __version__, audit, run_folder
from reconcile.at_once import SettledAtOnce, how_many_parts
from reconcile.cli_support import map_hint, say, show, step
from reconcile.deliver import csv_out, summary
from reconcile.deliver.shown import Shown, names_of
from reconcile.reading import list_before, policy_for, previous_of, read_all, refuse_rejected, with_notes
from reconcile.run import reconcile_exports
from reconcile.workbook_notes import unread_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

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
    exports, wrote = with_notes(exports, request, rules)
    names = names_of(exports.tables["plan_schedules"]) if request.names else {}
    with tempfile.TemporaryDirectory(prefix="reconcile-") as place_of_pieces:
        at_once = SettledAtOnce(Path(place_of_pieces))
        result = reconcile_exports(
            exports,
            rules,
            request.as_of,
            previous=list_before(request),
            notes=wrote.notes,
            unread=unread_table(wrote.unread),
            names=names,
            parts=how_many_parts(exports),
            each=at_once,
        )
        result = dataclasses.replace(result, notes=(*wrote.told, *result.notes))
        notes = tuple(dict.fromkeys((*((found.told,) if found.samples else ()), *result.notes, *exports.notes)))
        about = _about(request, exports, previous, notes)
        place = _write(request, exports, rules, column_map, previous, result, about, names, at_once.in_order())
    show(summary.daily_summary(result.tables, audit.totals(inputs), dataclasses.replace(about, place=str(place))))
    return int(bool(request.fail_on) and summary.holds_open(result.tables["exceptions"], only_new=request.fail_on == "new"))


def _about(request: Request, exports: Exports, previous: audit.Previous | None, notes: tuple[str, ...]) -> summary.About:
    span = exports.span
    return summary.About(
        as_of=request.as_of,
        bank_first=span.first if span else None,
        bank_last=span.last if span else None,
        place="",
        previous=previous.name if previous else None,
        notes=notes,
    )


def _write(
    request: Request,
    exports: Exports,
    rules: Rules,
    column_map: ColumnMap | None,
    previous: audit.Previous | None,
    result: Result,
    about: summary.About,
    names: Mapping[str, str],
    pieces: Mapping[str, Sequence[Path]],
) -> Path:
    """The run folder: data files, the audit over them and with it the run hash, what people look at, then its place."""

    def fill(folder: Path) -> None:
        csv_out.write_data_files(result.tables, folder, pieces)
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
            from reconcile.deliver.people import write_people_files  # noqa: PLC0415 (a scheduled job need not load what draws pages)

            totals = audit.totals(audit.counted_inputs(exports, request.as_of))
            write_people_files(Shown("daily", result.tables, totals, about, rules, names, made["run_hash"], __version__), folder)
            made = audit.with_outputs(made, audit.outputs_in(folder))
        audit.write_audit(folder, made)

    step("Writing the report")
    parent = request.reports if request.into is None else request.into.parent
    for name in run_folder.clear_unfinished(parent):
        say(f"Removed {parent / name}, left by a run that was interrupted more than a day ago.")
    return run_folder.write_run(request.reports, request.as_of, "daily", fill, request.into)
