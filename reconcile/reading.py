"""How a command reads what a run is made from: rules, column map, the run before, exports, and what people wrote about exceptions."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, NoReturn

from reconcile import audit, run_folder, schemas
from reconcile.at_once import read_at_once
from reconcile.cli_support import RulesPlace, find_rules, refuse_missing, say, step
from reconcile.cli_support import map_hint as hint_of_map
from reconcile.column_map import load_column_map
from reconcile.deliver import csv_out, intake_words
from reconcile.dispositions import NotesFile, read_notes
from reconcile.errors import RefusedError
from reconcile.exports import ExportsRefusedError, read_exports
from reconcile.intake_counts import SourceFile
from reconcile.policy import load_rules
from reconcile.read_back import edited_workbooks, words_before
from reconcile.run_check import refuse_changed_since_signed, refuse_changed_tables
from reconcile.run_tables import read_previous_close, read_previous_list
from reconcile.workbook_notes import ReadBack, read_workbook_notes, unread_sentence

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import date
    from pathlib import Path

    import pandas as pd

    from reconcile.closing_lines import PreviousClose
    from reconcile.column_map import ColumnMap
    from reconcile.dispositions import Note
    from reconcile.exports import Exports
    from reconcile.input_counts import Counted
    from reconcile.policy import Rules
    from reconcile.standing import PreviousList
    from reconcile.workbook_rows import Unread


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
    names: bool = False
    only: str | None = None
    previous_close: Path | None = None
    notes_files: tuple[NotesFile, ...] | None = None
    """Of a run that is made again: the files of notes that it read; else they are found."""
    not_read: tuple[str, ...] = ()
    """Of a close that is made again from what it kept: what it said of files beside its exports."""
    today: date | None = None
    """The day of the clock: nobody decided anything later. None for a run that is made again."""
    samples_told: str = ""
    """Of a run that is made again: what it said of rules that were only the samples."""

    @property
    def options(self) -> audit.Options:
        """The part of it that bears on the result."""
        return audit.Options(self.without_rejected, self.accept_drop, self.bank_from, self.bank_through, self.names)


def policy_for(sources: tuple[Path, ...], rules_folder: Path | None, map_file: Path | None) -> tuple[Rules, ColumnMap | None, RulesPlace]:
    """Rules and column map, and where the rules were found, which is said too."""
    refuse_missing(sources)
    place = find_rules(rules_folder, sources)
    say(place.told)
    return load_rules(place.folder), None if map_file is None else load_column_map(map_file), place


def previous_of(request: Request) -> audit.Previous | None:
    """The run that this one follows: the one named, else the latest earlier one under the reports."""
    found = previous_folder(request)
    if found is None:
        return None
    previous = audit.read_previous(found)
    if previous.as_of > request.as_of:
        raise RefusedError(
            f"{found} is as of {previous.as_of}, later than {request.as_of}: it cannot be the previous run. Name an earlier one."
        )
    return previous


def previous_folder(request: Request) -> Path | None:
    """The folder of the run that this one follows; None for a first run."""
    return request.previous or run_folder.previous_run(request.reports, request.as_of)


def list_before(request: Request) -> PreviousList | None:
    """The exceptions of the run that this one follows."""
    found = previous_folder(request)
    if found is None:
        return None
    refuse_changed_tables(found, ("exceptions.csv", "dispositions.csv"))
    return read_previous_list(found)


def close_folder(request: Request) -> Path | None:
    """The folder of the close that this close opens from; None for a first close."""
    return request.previous_close or run_folder.previous_close(request.reports, request.as_of)


def close_named(request: Request) -> audit.Previous | None:
    """What the audit says of the close that this close opens from."""
    found = close_folder(request)
    return None if found is None else audit.read_previous(found)


def close_before(request: Request) -> PreviousClose | None:
    """The close that this close opens from: the one named, else the latest earlier one under the reports; None for a first close.

    Errors:  RefusedError if it is no whole close, not strictly earlier, or not as it was signed.
    """
    found = close_folder(request)
    if found is None:
        return None
    refuse_changed_tables(found, ("closing_lines.csv", "rollforward.csv", "entries.parquet"))
    refuse_changed_since_signed(found)
    _say_which_close(request, found)
    previous = read_previous_close(found)
    if previous.as_of >= request.as_of:
        told = f"{found} is as of {previous.as_of}, not before {request.as_of}: this close cannot open from it. Name an earlier one."
        raise RefusedError(told)
    return previous


def _say_which_close(request: Request, found: Path) -> None:
    """Say which of several closes of the latest day this one opens from, where the person named none."""
    name = run_folder.parse_run_name(found.name)
    if request.previous_close is not None or name is None:
        return
    others = [str(other) for other in run_folder.runs_beside(request.reports, name) if other.as_of == name.as_of]
    if others:
        why = _why_followed(run_folder.signers(found), max(run_folder.signers(request.reports / other) for other in others))
        why = why or f"the last one made as of {name.as_of}"
        say(f"Note: this close opens from {name}, {why}, and not from {', '.join(others)}. Name another with --previous-close.")


def _why_followed(signed: int, others: int) -> str:
    """Why one of several closes of a day is followed, by how many have signed it and how many the most signed other; "" if nobody has."""
    if not signed:
        return ""
    if signed > others:
        return "which more people have signed" if others else "which is signed"
    return "which as many have signed and which was made later"


def notes_files(request: Request) -> tuple[NotesFile, ...]:
    """The files in which people wrote about exceptions: workbooks that were saved since their run, and the file of `--notes`.

    Errors:  RefusedError if the file of `--notes` is not there.
    """
    if request.notes_files is not None:
        return request.notes_files
    edited = edited_workbooks(previous_folder(request), request.reports, request.as_of)
    files = [NotesFile(one.path, one.name, one.run) for one in edited]
    given = request.notes
    if given is not None and not given.is_file():
        raise RefusedError(f"The notes in {given} cannot be read: there is no such file. Check the path.")
    if given is not None and audit.sha256_of(given) not in {one.sha256 for one in edited}:
        files.append(NotesFile(given, given.name, None))
    return tuple(files)


def with_notes(exports: Exports, request: Request, rules: Rules) -> tuple[Exports, Written]:
    """What people wrote about exceptions; each file that was read counts among the inputs, so that the audit names it.

    Read are the workbooks that were saved since their run, and the file of `--notes`, a CSV or a workbook.

    Errors:  RefusedError if the file of `--notes` is not there, or is a CSV with a mistake.
    """
    before = previous_folder(request)
    files = notes_files(request)
    found, sources, now = Written(), [], words_before(before) if files else {}
    latest = None if request.today is None else max(request.as_of, request.today)
    for one in files:
        if one.run is not None:
            found = found.then(read_workbook_notes(one.path, one.name, rules, words_before(one.run), now))
        elif one.path.suffix.casefold() in {".xlsx", ".xlsm"}:
            found = found.then(read_workbook_notes(one.path, one.name, rules, now))
        else:
            found = found.then(ReadBack(read_notes(one.path, rules, latest), ()))
        sources.append(SourceFile(one.name, audit.sha256_of(one.path), one.path.stat().st_size, role="notes"))
    _say_days_to_come(found, latest)
    return dataclasses.replace(exports, sources=(*exports.sources, *sources)), found


def _say_days_to_come(found: Written, latest: date | None) -> None:
    """Say which decisions in workbooks bear a day that has not come.

    They are read all the same: a workbook refuses no run, and what a run reads must not hang on the day on which it is made.
    """
    for note in found.notes:
        if latest is not None and note.decided_on is not None and note.decided_on > latest:
            say(f"Note: what was decided about {note.exception_id} bears the day {note.decided_on}, which has not come yet. Check the day.")


@dataclass(frozen=True)
class Written:
    """What people wrote in all files that were read, and what of it could not be."""

    notes: tuple[Note, ...] = ()
    unread: tuple[Unread, ...] = ()

    def then(self, more: ReadBack) -> Written:
        """This and what one more file gave."""
        return Written((*self.notes, *more.notes), (*self.unread, *more.unread))

    @property
    def told(self) -> tuple[str, ...]:
        """Each thing that could not be read, in one sentence for the notes of the run."""
        return tuple(unread_sentence(one) for one in self.unread)


def read_all(
    sources: tuple[Path, ...],
    rules: Rules,
    column_map: ColumnMap | None,
    request: Request | None,
    previous: audit.Previous | None,
    hold: Callable[[Callable[[], None]], object] = lambda work: work(),
    meanwhile: Callable[[], object] | None = None,
) -> Exports:
    """All exports as they were read; without a request (a check) no span, no drop and no place for rejected rows.

    `hold` as `read_exports` takes it, `meanwhile` as `read_at_once`.

    Errors:  RefusedError with every problem that stands against the exports as a whole.
    """
    try:
        return read_exports(
            sources,
            rules,
            column_map,
            bank_from=request.bank_from if request else None,
            bank_through=request.bank_through if request else None,
            previous_rows=previous.rows if previous else None,
            previous_columns=previous.columns if previous else None,
            accept_drop=request.accept_drop if request else False,
            not_read=request.not_read if request else (),
            progress=step,
            each=partial(read_at_once, meanwhile=meanwhile),
            hold=hold,
        )
    except ExportsRefusedError as error:
        more = (*_list_of_rejected(error.rejected, request), *(() if column_map else hint_of_map(sources)))
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


def refuse_rejected(exports: Exports, request: Request, counted: Mapping[str, Counted], hint: tuple[str, ...]) -> NoReturn:
    """Refuse a run with rows that cannot be used."""
    listed = _list_of_rejected(exports.rejected, request)
    cure = "Mend the exports and run again; or add --without-rejected, and these rows are left out, shown and totalled."
    headline = f"Refused: {intake_words.rejected_headline(exports.rejected, counted)} No report was written."
    raise RefusedError(headline, (*listed, cure, *hint))
