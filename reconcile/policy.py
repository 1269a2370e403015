"""The office's policy, read from the files of its rules folder: terms, matching, aid, plans, return codes, exceptions, calendar.

Everything that differs between offices or years is in these files, so that an office changes its policy without touching the program.
They are read once, at the start of a run, and either all hold or the run is refused with every mistake of every file at once:

    exceptions.toml, line 44, severity in kind, failed draw: "urgnt" will not do. Write "urgent". Allowed: "urgent", "act", "information".

`policy_models` says what each file may hold, `policy_checks` what its keys must be to each other.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import ValidationError

from reconcile.banking_days import BankingDays
from reconcile.errors import RefusedError
from reconcile.policy_checks import CHECKS, letter_words
from reconcile.policy_models import (
    Aid,
    Calendar,
    Disposition,
    Exceptions,
    KindRule,
    Lag,
    LetterKind,
    Letters,
    Matching,
    Ordinary,
    Plans,
    RateLevel,
    Rates,
    ReturnCode,
    Returns,
    RuleTable,
    Term,
    TermsFile,
    Tier,
)
from reconcile.return_table import RETURN_TABLE, ReturnTable, read_return_table
from reconcile.toml_errors import Found, explain, nearest, read_toml, show, strange_tables, validation_problems

if TYPE_CHECKING:
    from pathlib import Path

__all__ = [
    "Aid",
    "Calendar",
    "Disposition",
    "Exceptions",
    "KindRule",
    "Lag",
    "LetterKind",
    "Letters",
    "Matching",
    "Ordinary",
    "Plans",
    "RateLevel",
    "Rates",
    "ReturnCode",
    "Returns",
    "RuleFile",
    "Rules",
    "Term",
    "Tier",
    "load_rules",
]

_MODELS: dict[str, type[RuleTable]] = {
    "aid.toml": Aid,
    "calendar.toml": Calendar,
    "exceptions.toml": Exceptions,
    "letters.toml": Letters,
    "matching.toml": Matching,
    "plans.toml": Plans,
    "returns.toml": Returns,
    "terms.toml": TermsFile,
}

OPTIONAL = frozenset({"letters.toml"})
"""Files that an office may leave out: what they are for is then not made."""

_Model = TypeVar("_Model", bound=RuleTable)


@dataclass(frozen=True)
class RuleFile:
    """One file that the rules were read from, for the audit: name, SHA-256 of its bytes in hexadecimal, size in bytes."""

    name: str
    sha256: str
    size: int


@dataclass(frozen=True)
class Rules:
    """The office's whole policy. Money is cents, percents are hundredths of a percent; see `policy_models` for each part."""

    terms: tuple[Term, ...]
    matching: Matching
    aid: Aid
    plans: Plans
    returns: Returns
    exceptions: Exceptions
    calendar: Calendar
    files: tuple[RuleFile, ...] = field(default=())
    letters: Letters | None = None
    """None where the office writes no letters from here."""

    def term(self, code: str) -> Term | None:
        """The term of that code, or None for a term that no rule knows."""
        return next((term for term in self.terms if term.code == code), None)

    def banking_days(self) -> BankingDays:
        """The days on which a draw can be taken: the banks' calendar less the office's closing days."""
        return BankingDays(self.calendar.closed, self.calendar.banking_calendar)


def load_rules(folder: Path) -> Rules:
    """Read and check every rules file of a folder.

    In:      the files named in `rules/README.md`; `letters.toml` may be left out, and `returns.csv` is there if the office keeps its return
             codes in a spreadsheet.
    Errors:  RefusedError with one sentence for each mistake of any file, in order of file and line.
    """
    if not folder.is_dir():
        raise RefusedError(f"There is no rules folder {folder}. Give the folder that holds terms.toml and the other rules with --rules.")
    problems = _names(folder)
    files: list[RuleFile] = []
    read: list[RuleTable] = []
    table: ReturnTable | None = None
    for name in sorted({*_MODELS, RETURN_TABLE}):
        path = folder / name
        if not path.is_file():
            continue
        raw = path.read_bytes()
        files.append(RuleFile(name, hashlib.sha256(raw).hexdigest(), len(raw)))
        if name == RETURN_TABLE:
            table = read_return_table(raw)
            problems += table.problems
        else:
            model, found = _read(raw, name, table)
            problems += found
            if model is not None:
                read.append(model)
    problems += _letters_beside_exceptions(folder, read)
    if problems:
        raise RefusedError(f"The rules in {folder} cannot be used as they stand. Correct these files and run again:", tuple(problems))
    return _rules(read, table, tuple(files))


def _rules(read: list[RuleTable], table: ReturnTable | None, files: tuple[RuleFile, ...]) -> Rules:
    """The parts put together, once every one of them holds."""
    returns = _part(read, Returns)
    if table is not None:
        returns = returns.model_copy(update={"codes": (*returns.codes, *table.codes)})
    return Rules(
        terms=_part(read, TermsFile).terms,
        matching=_part(read, Matching),
        aid=_part(read, Aid),
        plans=_part(read, Plans),
        returns=returns,
        exceptions=_part(read, Exceptions),
        calendar=_part(read, Calendar),
        files=files,
        letters=next((part for part in read if isinstance(part, Letters)), None),
    )


def _part(read: list[RuleTable], model: type[_Model]) -> _Model:
    return next(part for part in read if isinstance(part, model))


def _names(folder: Path) -> list[str]:
    """Rules files that are missing, and files that look like rules but are none, each told once with the name that was probably meant."""
    known = sorted({*_MODELS, RETURN_TABLE})
    present = {p.name for p in folder.iterdir() if p.is_file()}
    strange = sorted(n for n in present - set(known) if n.lower().endswith((".toml", ".csv")) and not n.startswith((".", "~")))
    missing = [name for name in sorted(set(_MODELS) - OPTIONAL) if name not in present]
    problems = []
    for name in strange:
        near = nearest(name, known, missing)
        write = f" Rename it to {near}." if near and near not in present else ""
        missing = [m for m in missing if m != near]
        problems.append(f"{name}: no rules file has this name.{write} Allowed: {', '.join(known)}.")
    problems += [
        f"{name}: this rules file is missing in {folder}. Copy it from the sample rules and set your own values." for name in missing
    ]
    return problems


def _read(raw: bytes, name: str, table: ReturnTable | None) -> tuple[RuleTable | None, list[str]]:
    """One file as its model, or None and the sentences that say why not."""
    file, problems = read_toml(raw, name)
    if file is None:
        return None, [*problems, *strange_tables(raw.decode("utf-8-sig", "replace"), name, _MODELS[name])]
    found = list(CHECKS[name](file.data))
    if name == "returns.toml" and table is not None:
        found += _listed_in_both(file.data, table)
    model = None
    try:
        model = _MODELS[name].model_validate(_frozen(file.data))
    except ValidationError as error:
        found += validation_problems(error, _MODELS[name], file.data)
    return model, explain(file.text, file.name, found)


def _letters_beside_exceptions(folder: Path, read: list[RuleTable]) -> list[str]:
    """Dispositions that letters.toml names and exceptions.toml does not have; told once both files can be read."""
    listed = next((part for part in read if isinstance(part, Exceptions)), None)
    if listed is None or not any(isinstance(part, Letters) for part in read):
        return []
    file, _problems = read_toml((folder / "letters.toml").read_bytes(), "letters.toml")
    words = [disposition.word for disposition in listed.dispositions]
    return [] if file is None else explain(file.text, file.name, list(letter_words(file.data, words)))


def _listed_in_both(data: dict[str, Any], table: ReturnTable) -> list[Found]:
    """Codes of `returns.toml` that `returns.csv` lists too."""
    rows = data.get("code")
    return [
        (("code", n, "code"), f"{show(row['code'])} for {row['method']} stands in {RETURN_TABLE} too: keep one of the two rows.")
        for n, row in enumerate(rows if isinstance(rows, list) else ())
        if isinstance(row, dict) and (str(row.get("method")), str(row.get("code")).casefold()) in table.listed
    ]


def _frozen(value: Any) -> Any:  # noqa: ANN401 (any TOML value)
    """The same values with tuples for lists: models take nothing that could be changed later."""
    if isinstance(value, dict):
        return {key: _frozen(item) for key, item in value.items()}
    return tuple(_frozen(item) for item in value) if isinstance(value, list) else value
