"""The same result again: a run made anew from the same inputs, rules, options and run before it, and compared byte by byte.

First the inputs at hand are held against the audit, since another input gives another result; then the run is made in a folder that is
thrown away. Nothing is written into the reports.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from reconcile import __version__, audit, run_command
from reconcile.cli_support import find_rules, quietly, refuse_missing, step
from reconcile.column_map import load_column_map
from reconcile.dispositions import NotesFile
from reconcile.errors import ReconcileError, RefusedError
from reconcile.export_files import find_files
from reconcile.policy import load_rules
from reconcile.reading import Request
from reconcile.run_compare import first_difference

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from reconcile.column_map import ColumnMap

SAMPLES: Final = "Rules: the samples"
"""How the sentence begins that a run with sample rules says of itself."""
EXPORT_ROLES: Final = frozenset({"export", "control totals", "general ledger"})


@dataclass(frozen=True)
class AtHand:
    """What a run can be made from again: exports, rules, map and notes, and the folder in which earlier runs lie."""

    exports: tuple[Path, ...]
    rules: Path | None = None
    map_file: Path | None = None
    notes: Path | None = None
    """A file, or the folder in which a close keeps such files."""
    reports: Path | None = None
    not_read: tuple[str, ...] = ()


@dataclass(frozen=True)
class Again:
    """What came of it: differences, the first one first; what could not be compared; how many files were the same."""

    differences: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    same: int = 0


@dataclass
class _Found:
    """What a check gathers as it goes."""

    differences: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    gone: bool = False
    """Whether something that the run read is no longer there as it was, and may be so."""


def run_again(run: Path, said: Mapping[str, Any], at_hand: AtHand) -> Again:
    """Make a run again and compare it with its folder.

    In:      the run folder and its audit, known to be as the run wrote it; what is at hand.
    Errors:  RefusedError if something that the run used was not given and cannot be found: say where it lies.
    """
    refuse_missing(at_hand.exports)
    found = _Found()
    column_map, map_file = _column_map(said, at_hand, found)
    rules_folder = find_rules(at_hand.rules, at_hand.exports).folder
    _hold("rule file", said["rules"], _rules_files(rules_folder, found), found)
    _hold("input", [i for i in said["inputs"] if i["role"] in EXPORT_ROLES], _exports_files(at_hand, column_map), found)
    notes = _notes(run, said, at_hand, found)
    if found.differences:
        return Again((*found.differences, "so the run was not made again: another input gives another result"))
    if found.gone:
        return Again((), tuple(found.notes))
    step("Running again from the same inputs")
    with tempfile.TemporaryDirectory(prefix="reconcile-verify-") as place:
        request = _request(run, said, at_hand, rules_folder, map_file, notes, Path(place))
        try:
            with quietly():
                run_command.MAKERS[said["kind"]](request)
        except ReconcileError as error:
            return Again((f"the same inputs are now refused, where they once made this run: {str(error).splitlines()[0]}",))
        except KeyError:
            return Again((), ("this version makes no such run, so it could not be made again",))
        return _compared(run, said, Path(place) / run.resolve().name)


def _request(
    run: Path, said: Mapping[str, Any], at_hand: AtHand, rules: Path, map_file: Path | None, notes: tuple[NotesFile, ...], place: Path
) -> Request:
    """The command line of that run, with a folder to throw away as its place."""
    options = said["options"]
    return Request(
        exports=at_hand.exports,
        as_of=date.fromisoformat(said["as_of"]),
        rules=rules,
        map_file=map_file,
        reports=place / "none",
        into=place / run.resolve().name,
        previous=_earlier(run, said, "previous", at_hand),
        previous_close=_earlier(run, said, "previous_close", at_hand),
        without_rejected=options["without_rejected"],
        bank_from=_day(options["bank_from"]),
        bank_through=_day(options["bank_through"]),
        accept_drop=options["accept_drop"],
        notes_files=notes,
        names=options["names"],
        not_read=at_hand.not_read,
        samples_told=next((note for note in said["notes"] if note.startswith(SAMPLES)), ""),
        only=None if any(is_for_people(f["file"]) for f in said["outputs"]) else "csv",
    )


def is_for_people(file: str) -> bool:
    """Whether an output is one that people look at; what a close keeps under inputs/ is none."""
    return "/" not in file and not file.endswith(audit.DATA_FILES)


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _earlier(run: Path, said: Mapping[str, Any], key: str, at_hand: AtHand) -> Path | None:
    """The folder of an earlier run that this one names.

    Errors:  RefusedError if it is not there: without it the run cannot be made again.
    """
    named = said.get(key)
    if named is None:
        return None
    folder = (at_hand.reports or run.resolve().parent) / str(named["run"])
    if not folder.is_dir():
        raise RefusedError(f"{folder} is not there, and this run follows it. Say with --reports where the earlier runs lie.")
    return folder


def _column_map(said: Mapping[str, Any], at_hand: AtHand, found: _Found) -> tuple[ColumnMap | None, Path | None]:
    """The column map that the run used: the one given, else one of the same name that lies with the exports, beside them or here."""
    used = said["column_map"]
    if used is None:
        if at_hand.map_file is not None:
            found.differences.append(f"the run used no column map, and {at_hand.map_file} was given")
        return None, None
    path = at_hand.map_file or _nearby(used["file"], used["sha256"], at_hand, ())
    if path is None:
        raise RefusedError(f"The run read its exports through the column map {used['file']}. Say with --map where it lies.")
    if not path.is_file():
        raise RefusedError(f"There is no column map {path}. Check the path that was given with --map.")
    if audit.sha256_of(path) != used["sha256"]:
        found.differences.append(f"the column map {path.name} is not as it was at the run")
        return None, None
    return load_column_map(path), path


def _notes(run: Path, said: Mapping[str, Any], at_hand: AtHand, found: _Found) -> tuple[NotesFile, ...]:
    """The files of notes that the run read: those given or kept, else the same ones found near the exports or the runs."""
    used = [i for i in said["inputs"] if i["role"] == "notes"]
    if not used and at_hand.notes is not None and at_hand.notes.is_file():
        found.differences.append(f"the run read no notes, and {at_hand.notes} was given")
    return tuple(one for was in used if (one := _one_file(run, said, was, at_hand, found)) is not None)


def _one_file(run: Path, said: Mapping[str, Any], was: Mapping[str, Any], at_hand: AtHand, found: _Found) -> NotesFile | None:
    """One file of notes as it was at the run; a workbook of an earlier run is named with that run's folder."""
    reports = at_hand.reports or run.resolve().parent
    of_run, _, file = str(was["file"]).rpartition("/")
    if of_run:
        kept = at_hand.notes / was["file"] if at_hand.notes is not None and at_hand.notes.is_dir() else None
        places = (place for place in (kept, reports / was["file"]) if place is not None and place.is_file())
        path = next((place for place in places if audit.sha256_of(place) == was["sha256"]), None)
        if path is None:
            found.notes.append(f"the workbook {was['file']} was saved again since this run read it, so the run could not be made again")
            found.gone = True
            return None
        return NotesFile(path, was["file"], reports / of_run)
    previous = (said["previous"] or {}).get("run", "")
    near = (run, reports, reports.parent, reports / previous)
    if at_hand.notes is not None and at_hand.notes.is_dir():
        path = at_hand.notes / file
    else:
        path = at_hand.notes or _nearby(file, was["sha256"], at_hand, near)
    if path is None:
        raise RefusedError(f"The run read the notes {file}. Say with --notes where they lie as they were then.")
    if not path.is_file() or audit.sha256_of(path) != was["sha256"]:
        found.differences.append(f"the notes {path.name} are not as they were at the run")
        return None
    return NotesFile(path, file, None)


def _nearby(name: str, sha256: str, at_hand: AtHand, more: tuple[Path, ...]) -> Path | None:
    """A file of that name and fingerprint with the exports, beside them, here, or in one of more folders."""
    folders = [folder for path in at_hand.exports for folder in (path if path.is_dir() else path.parent, path.resolve().parent)]
    places = (folder / name for folder in (*folders, Path(), *more))
    return next((path for path in places if path.is_file() and audit.sha256_of(path) == sha256), None)


def _rules_files(folder: Path, found: _Found) -> dict[str, str]:
    try:
        return {f.name: f.sha256 for f in load_rules(folder).files}
    except RefusedError as error:
        found.differences.append(f"the rules in {folder} can no longer be read: {(*error.problems, error.headline)[0]}")
        return {}


def _exports_files(at_hand: AtHand, column_map: ColumnMap | None) -> dict[str, str]:
    files = find_files(at_hand.exports, column_map)
    return {f.name: audit.sha256_of(f.path) for f in (*files.exports, *files.control_totals, *files.general_ledger)}


def _hold(word: str, was: list[dict[str, Any]], now: dict[str, str], found: _Found) -> None:
    """Files at hand against those that the audit names."""
    if found.differences:
        return
    then = {f["file"]: f["sha256"] for f in was}
    for file in sorted({*then, *now}):
        if file not in now:
            found.differences.append(f"the {word} {file} of the run is not at hand")
        elif file not in then:
            found.differences.append(f"the {word} {file} is at hand now, and was not there at the run")
        elif then[file] != now[file]:
            found.differences.append(f"the {word} {file} is not as it was at the run")


def _compared(run: Path, said: Mapping[str, Any], again: Path) -> Again:
    """Every file of the run against the one made now, then what both audits say."""
    differences: list[str] = []
    notes: list[str] = []
    same = 0
    made = audit.read_audit(again)
    other = {k: v for k, v in said["written_with"].items() if made["written_with"].get(k) != v}
    was, now = ({f["file"]: f["sha256"] for f in a["outputs"]} for a in (said, made))
    for file in sorted({*was, *now}, key=lambda name: (not name.endswith(audit.DATA_FILES), name)):
        if was.get(file) == now.get(file):
            same += 1
            continue
        told = list(first_difference(run, again, file, said, other))
        (notes if told and told[0].startswith("note: ") else differences).extend(text.removeprefix("note: ") for text in told)
    differences += [f"the audit now says something else under {key}" for key in _other_keys(said, made)]
    if differences and said["version"] != __version__:
        notes.append(f"the run was made by version {said['version']} of this program, and made again by {__version__}")
    return Again(tuple(differences), tuple(notes), same)


def _other_keys(said: Mapping[str, Any], made: Mapping[str, Any]) -> Iterator[str]:
    """Keys of the audit, but for hashes, files and releases, under which both say something else.

    Whether the run before had been signed at the time is no part of the result, nor which columns were read where an audit of an earlier
    version does not say it.
    """
    passed = {"outputs", "run_hash", "seals", "audit_hash", "written_with", "version"}
    if not audit.names_columns(said):
        made = audit.without_columns(made)
    for key in sorted({*said, *made} - passed):
        one, two = (
            {k: v for k, v in a.get(key, {}).items() if k != "signature"} if isinstance(a.get(key), dict) else a.get(key)
            for a in (said, made)
        )
        if one != two:
            yield key
