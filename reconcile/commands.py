"""What the commands do, in the order in which they do it. Only here are exports found, reports placed and words printed.

A daily run: rules, column map, the run before, exports; rows that cannot be used refuse the run (or are left out, if the person said so);
then the reconciliation itself, the run folder, and the summary.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn

from reconcile import __version__, audit, run_folder, schemas
from reconcile.cli_support import RulesPlace, find_rules, map_hint, refuse_missing, say, show, step
from reconcile.column_map import load_column_map
from reconcile.deliver import csv_out, intake_words, summary
from reconcile.deliver.story import story_text
from reconcile.dispositions import read_notes
from reconcile.errors import RefusedError
from reconcile.exports import ExportsRefusedError, read_exports
from reconcile.intake_counts import SourceFile
from reconcile.policy import load_rules
from reconcile.run import reconcile_exports
from reconcile.run_tables import read_previous_list
from reconcile.schedule import install_schedule_text, plan_written
from reconcile.story_facts import student_story
from reconcile.toml_errors import nearest

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from pathlib import Path

    import pandas as pd

    from reconcile.column_map import ColumnMap
    from reconcile.dispositions import Note
    from reconcile.exports import Exports
    from reconcile.policy import Rules
    from reconcile.run import Result
    from reconcile.standing import PreviousList


@dataclass(frozen=True)
class Request:
    """What the person asked for: the command line of a run."""

    exports: tuple[Path, ...]
    as_of: date
    rules: Path | None
    map_file: Path | None
    reports: Path
    into: Path | None
    previous: Path | None
    without_rejected: bool
    bank_from: date | None
    bank_through: date | None
    accept_drop: bool
    notes: Path | None = None
    fail_on: str | None = None

    @property
    def options(self) -> audit.Options:
        """The part of it that bears on the result."""
        return audit.Options(self.without_rejected, self.accept_drop, self.bank_from, self.bank_through)


def check(sources: tuple[Path, ...], rules_folder: Path | None, map_file: Path | None) -> None:
    """Read and validate exports, and show what was found in each file.

    Errors:  RefusedError if anything in them cannot be used.
    """
    rules, column_map, _ = _policy(sources, rules_folder, map_file)
    exports = _read(sources, rules, column_map, None, None)
    inputs = audit.counted_inputs(exports, None)
    show(intake_words.files_table(inputs))
    for line in summary.notes_lines(exports.notes, len(exports.notes), ""):
        show(line + "\n")
    if len(exports.rejected):
        show("\n" + intake_words.problems_text(exports.rejected, most=len(exports.rejected)))
        hint = () if column_map else map_hint(sources)
        raise RefusedError(intake_words.rejected_headline(exports.rejected, audit.totals(inputs)), ("Mend the exports.", *hint))
    show("Every row can be used.\n")


def daily(request: Request) -> int:
    """Reconcile as of a day: write a run folder and show its summary; gives the exit code, 1 only with --fail-on.

    Errors:  RefusedError and ProofError, with nothing written but the rejected rows.
    """
    if request.into is not None:
        run_folder.refuse_if_there(request.into)
    rules, column_map, found = _policy(request.exports, request.rules, request.map_file)
    previous = _previous(request)
    exports = _read(request.exports, rules, column_map, request, previous)
    inputs = audit.counted_inputs(exports, request.as_of)
    if len(exports.rejected) and not request.without_rejected:
        _refuse_rejected(exports, request, audit.totals(inputs), () if column_map else map_hint(request.exports))
    step("Reconciling")
    exports, notes_read = _with_notes(exports, request, rules)
    result = reconcile_exports(exports, rules, request.as_of, previous=_list_before(request), notes=notes_read)
    notes = (*result.notes, *exports.notes)
    place = _write(request, exports, rules, column_map, previous, result, notes)
    about = summary.About(
        as_of=request.as_of,
        bank_first=exports.span.first if exports.span else None,
        bank_last=exports.span.last if exports.span else None,
        place=str(place),
        previous=previous.name if previous else None,
        notes=tuple(dict.fromkeys((*((found.told,) if found.samples else ()), *notes))),
    )
    show(summary.daily_summary(result.tables, audit.totals(inputs), about))
    return int(bool(request.fail_on) and summary.holds_open(result.tables["exceptions"], only_new=request.fail_on == "new"))


def student(student_id: str, run: Path) -> None:
    """Show one student's story out of a run folder.

    Errors:  RefusedError if the folder is not a whole run, or knows no such student.
    """
    show(story_text(student_story(run, student_id)))


def schedule(term_code: str, amount: int, enrolled_on: date, method: str, rules_folder: Path | None) -> None:
    """Show the plan that the rules would write for an amount in cents.

    Errors:  RefusedError if the rules know no such term or write no such plan.
    """
    rules, _, _ = _policy((), rules_folder, None)
    term = rules.term(term_code)
    if term is None:
        codes = tuple(t.code for t in rules.terms)
        near = nearest(term_code, codes)
        asked = f" Did you mean {near}?" if near else ""
        raise RefusedError(f"The rules know no term {term_code!r}; they know {', '.join(codes)}.{asked}")
    plan = plan_written(term, amount, enrolled_on, method=method, split=rules.plans.split)
    show(install_schedule_text(plan, rules.banking_days()))


def _policy(sources: tuple[Path, ...], rules_folder: Path | None, map_file: Path | None) -> tuple[Rules, ColumnMap | None, RulesPlace]:
    """Rules and column map, and where the rules were found, which is said too."""
    refuse_missing(sources)
    place = find_rules(rules_folder, sources)
    say(place.told)
    return load_rules(place.folder), None if map_file is None else load_column_map(map_file), place


def _previous(request: Request) -> audit.Previous | None:
    """The run that this one follows: the one named, else the latest earlier one under the reports."""
    found = _previous_folder(request)
    if found is None:
        return None
    previous = audit.read_previous(found)
    if previous.as_of > request.as_of:
        raise RefusedError(
            f"{found} is as of {previous.as_of}, later than {request.as_of}: it cannot be the previous run. Name an earlier one."
        )
    return previous


def _previous_folder(request: Request) -> Path | None:
    return request.previous or run_folder.previous_run(request.reports, request.as_of)


def _list_before(request: Request) -> PreviousList | None:
    """The exceptions of the run that this one follows."""
    found = _previous_folder(request)
    return None if found is None else read_previous_list(found)


def _with_notes(exports: Exports, request: Request, rules: Rules) -> tuple[Exports, tuple[Note, ...]]:
    """What people wrote about exceptions; the file counts among the inputs, so that the audit names it."""
    if request.notes is None:
        return exports, ()
    notes = read_notes(request.notes, rules)
    source = SourceFile(request.notes.name, audit.sha256_of(request.notes), request.notes.stat().st_size, role="notes")
    return dataclasses.replace(exports, sources=(*exports.sources, source)), notes


def _read(
    sources: tuple[Path, ...], rules: Rules, column_map: ColumnMap | None, request: Request | None, previous: audit.Previous | None
) -> Exports:
    try:
        return read_exports(
            sources,
            rules,
            column_map,
            bank_from=request.bank_from if request else None,
            bank_through=request.bank_through if request else None,
            previous_rows=previous.rows if previous else None,
            accept_drop=request.accept_drop if request else False,
            progress=step,
        )
    except ExportsRefusedError as error:
        more = (*_list_of_rejected(error.rejected, request), *(() if column_map else map_hint(sources)))
        raise RefusedError(error.headline, (*error.problems, *more)) from error


def _list_of_rejected(rejected: pd.DataFrame, request: Request | None) -> tuple[str, ...]:
    """Say the first rejected rows, write all of them where a run would (a check writes nothing), and give a sentence that says where."""
    if not len(rejected):
        return ()
    if request is None:
        say(intake_words.problems_text(rejected))
        return ()
    columns = schemas.OUTPUTS["rejected_rows"]
    place = run_folder.write_refused(request.reports, request.as_of, lambda path: csv_out.write_table(rejected, columns, path))
    say(intake_words.problems_text(rejected))
    if len(rejected) == 1:
        return (f"The one problem of a single row, with how to mend it, is in {place}",)
    return (f"All {len(rejected):,} problems of single rows, with how to mend each, are in {place}",)


def _refuse_rejected(exports: Exports, request: Request, counted: Mapping[str, audit.Counted], hint: tuple[str, ...]) -> NoReturn:
    """Refuse a run with rows that cannot be used."""
    listed = _list_of_rejected(exports.rejected, request)
    cure = "Mend the exports and run again; or add --without-rejected, and these rows are left out, shown and totalled."
    headline = f"Refused: {intake_words.rejected_headline(exports.rejected, counted)} No report was written."
    raise RefusedError(headline, (*listed, cure, *hint))


def _write(
    request: Request,
    exports: Exports,
    rules: Rules,
    column_map: ColumnMap | None,
    previous: audit.Previous | None,
    result: Result,
    notes: tuple[str, ...],
) -> Path:
    """The run folder: data files, then the audit over them, then its place."""

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
            notes=notes,
            version=__version__,
        )
        audit.write_audit(folder, made)

    step("Writing the report")
    parent = request.reports if request.into is None else request.into.parent
    for name in run_folder.clear_unfinished(parent):
        say(f"Removed {parent / name}, left by a run that was interrupted more than a day ago.")
    return run_folder.write_run(request.reports, request.as_of, "daily", fill, request.into)
