"""The documents say what is true: what they show is what the commands give, and what they name is there."""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING

import click
import pytest
import refresh_docs
from refresh_docs import BLOCK, DOCUMENTS, MAIN_COMMAND, ROOT, Office

from reconcile import cli, errors, schemas
from reconcile.column_map import ExportMap

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

TEXT = {name: (ROOT / name).read_text(encoding="utf-8") for name in (*DOCUMENTS, "CHANGELOG.md", "reports/README.md", "rules/README.md")}
README = TEXT["README.md"]
OUTSIDE_BLOCKS = {name: BLOCK.sub("", text) for name, text in TEXT.items()}

MADE_BY_OFFICES = {"control_totals.toml", "general_ledger.toml", "returns.csv", "map.toml", "notes.csv"}
IN_A_CLOSE = {f"{name}.csv" for name in schemas.CLOSE_ONLY} | {"packet.pdf", "inputs/", "signatures.json"}
"""What only a month-end close holds, or a run that somebody has signed."""
"""Files that an office may add; the checkout need not hold them."""
EXPORT_FILES = {"charges.csv", "aid 2026-10.xlsx", "cleared_draws (bank).csv"}
"""Names that README gives as examples of exports."""


@pytest.fixture(scope="session")
def place() -> Office:
    """The folder in which the commands of the documents run, each once."""
    return refresh_docs.office()


def section(text: str, heading: str) -> str:
    """What stands under a heading, up to the next heading of its kind or above."""
    marks = heading.partition(" ")[0]
    parts = re.split(rf"(?m)^{re.escape(heading)}.*$", text)
    assert len(parts) == 2, f"{heading} stands {len(parts) - 1} times"
    return re.split(rf"(?m)^#{{1,{len(marks)}}} ", parts[1])[0]


def first_cells(table: str) -> list[str]:
    """The first cell of each row of the markdown tables in a text, without headings."""
    rows = [line.split("|")[1].strip() for line in table.split("\n") if line.startswith("| ")]
    return [
        cell
        for cell, after in zip(rows, [*rows[1:], ""], strict=True)
        if not set(cell) <= set("- ") and not (after and set(after) <= set("- "))
    ]


def named(text: str) -> set[str]:
    """Everything between single backticks."""
    return set(re.findall(r"(?<!`)`([^`\n]+)`(?!`)", text))


@pytest.mark.parametrize("name", DOCUMENTS)
def test_what_a_document_shows_is_what_the_commands_give(name: str, place: Office) -> None:
    """Every part between the two remarks is what its recipe makes now; `python tests/refresh_docs.py` rewrites them."""
    fresh = refresh_docs.refreshed(TEXT[name], place)
    assert TEXT[name].count("<!-- begin: ") == len(BLOCK.findall(TEXT[name])) > 0
    assert "\n".join(difflib.unified_diff(TEXT[name].split("\n"), fresh.split("\n"), "as written", "as it is", lineterm="", n=1)) == ""


def test_what_the_readme_says_of_the_month_stands_in_what_it_shows() -> None:
    """Each amount and each student that the sentences of the worked month name stands in a part that is made anew."""
    month = section(README, "## One month, worked")
    shown = " ".join(found["body"] for found in BLOCK.finditer(month)).replace(",", "")
    said = re.sub(r"`[^`\n]*`", "", BLOCK.sub("", month))
    facts = {fact.replace(",", "") for fact in re.findall(r"\b[0-9]{1,3}(?:,[0-9]{3})*\.[0-9]{2}\b|\b[0-9]{8}\b", said)}
    assert len(facts) > 10
    assert sorted(fact for fact in facts if not re.search(rf"(?<![0-9]){re.escape(fact)}(?![0-9])", shown)) == []


def test_the_readme_begins_with_the_two_commands() -> None:
    """The first block of README is two lines: install and reconcile the sample month, and run the tests."""
    found = re.search(r"```bash\n(.*?)```", README, re.DOTALL)
    assert found is not None
    assert found[1] == f'python -m pip install -e ".[test]" && {MAIN_COMMAND}\npython -m pytest\n'


def test_every_command_shows_its_help() -> None:
    """README has the help of the program and of each of its commands, once."""
    asked = re.findall(r"<!-- begin: reconcile (.*?) ?--help -->", README)
    assert sorted(asked) == sorted(["", *cli.cli.commands])


def test_commands_and_options_that_documents_name_are_there() -> None:
    """Each `reconcile WORD` and each `--option` in README and CHANGELOG is one of the command line."""
    text = OUTSIDE_BLOCKS["README.md"] + OUTSIDE_BLOCKS["CHANGELOG.md"]
    options = {o for command in cli.cli.commands.values() for p in command.params if isinstance(p, click.Option) for o in p.opts}
    assert set(re.findall(r"(?:`|^|&& )reconcile ([a-z-]+)", text, re.MULTILINE)) <= set(cli.cli.commands)
    assert {name.split("=")[0].split(" ")[0] for name in named(text) if name.startswith("--")} <= options


def paths_in(text: str) -> Iterator[str]:
    """Everything in backticks that reads as a file or a folder."""
    for name in named(text):
        if re.fullmatch(r"[\w./ ()-]+(\.(py|md|toml|csv|json|parquet|xlsx)|/)", name) and not name.startswith((".", "python ")):
            yield name


@pytest.mark.parametrize("name", TEXT)
def test_every_file_that_a_document_names_is_there(name: str) -> None:
    """A file or folder in backticks, and the target of a link, is in the checkout, in a run folder, or the office's own to make."""
    places = (
        ROOT,
        (ROOT / name).parent,
        ROOT / "rules",
        ROOT / "reconcile",
        ROOT / "tests",
        refresh_docs.EXAMPLE,
        ROOT / "sample_exports/standard",
    )
    runs = re.compile(r"reports/refused/.*|refused/.*|\d{4}-\d\d-\d\d-.*|damaged_exports/|inputs/.*|tests/test_<module>\.py")
    own = MADE_BY_OFFICES | EXPORT_FILES | IN_A_CLOSE
    missing = [
        p for p in paths_in(OUTSIDE_BLOCKS[name]) if p not in own and not runs.fullmatch(p) and not any((at / p).exists() for at in places)
    ]
    assert missing == []
    links = re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", TEXT[name])
    assert [link for link in links if not ((ROOT / name).parent / link).exists()] == []


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_within_documents_lead_to_a_heading(name: str) -> None:
    """The place after the # of a link is a heading of the document that it leads to."""
    for target, place in re.findall(r"\]\(([^)#]*)#([^)]*)\)", TEXT[name]):
        headings = re.findall(r"(?m)^#+ (.*)$", TEXT[target or name])
        assert place in {re.sub(r"[^\w -]", "", h.lower()).replace(" ", "-") for h in headings}


@pytest.mark.parametrize("export", schemas.EXPORTS.values(), ids=lambda e: e.name)
def test_readme_has_every_column_of_every_export(export: schemas.Export) -> None:
    """The table of an export has its columns in order, says which are required, and all words that a column allows."""
    part = section(README, f"### `{export.name}`: {export.one_row_is}")
    assert first_cells(part) == [f"`{name}`" for name in export.names]
    required = [line.split("|")[1].strip(" `") for line in part.split("\n") if re.match(r"\| `\w+` \| yes \|", line)]
    assert required == [c.name for c in export.columns if c.required]
    assert {word for c in export.columns for word in c.words} <= named(part)


@pytest.mark.parametrize("name", schemas.OUTPUTS)
def test_readme_has_every_column_of_every_output(name: str) -> None:
    """Each data file of a run has a section that names every column of it."""
    files = section(README, "## The files of a run")
    of_close = " (close)" if name in schemas.CLOSE_ONLY else ""
    part = section(files, f"### `{name}.{'parquet' if name == 'entries' else 'csv'}`{of_close}")
    assert [c.name for c in schemas.OUTPUTS[name] if c.name not in named(part)] == []


def test_readme_describes_every_file_of_a_run() -> None:
    """The sections on the files of a run are the files that the example holds and those of a close."""
    told = re.findall(r"(?m)^### `(.*)`(?: \(close\))?$", section(README, "## The files of a run"))
    assert sorted(told) == sorted({path.name for path in refresh_docs.EXAMPLE.iterdir()} | IN_A_CLOSE)


def test_readme_has_every_state_and_word_of_coverage() -> None:
    """The tables of words are those of the program, in order."""
    cells = first_cells(section(README, "## What the figures mean"))
    words = [f"`{word}`" for word in (*schemas.COVERAGES, *schemas.DRAW_STATES)]
    assert cells[: len(schemas.COVERAGES)] == words[: len(schemas.COVERAGES)]
    assert cells[len(schemas.COVERAGES) : len(words)] == words[len(schemas.COVERAGES) :]


def test_readme_has_every_key_of_a_column_map() -> None:
    """The keys of the table are the keys that a map may have."""
    told = {key.split(".")[0] for cell in first_cells(section(README, "## The column map")) for key in re.findall(r"`(.*?)`", cell)}
    assert told == set(ExportMap.model_fields)


def test_readme_has_every_file_of_the_rules() -> None:
    """The table of the rules has one row for each file, and each has its section in the rules' own README."""
    files = sorted(path.name for path in (ROOT / "rules").glob("*.toml"))
    assert sorted(cell.strip("`") for cell in first_cells(section(README, "## The rules"))) == files
    assert all(f"\n## {name} " in TEXT["rules/README.md"] for name in files)


def exit_codes(error: type[errors.ReconcileError] = errors.ReconcileError) -> set[int]:
    """The exit code of an expected end of a run, and of all its kinds."""
    return {error.exit_code}.union(*(exit_codes(kind) for kind in error.__subclasses__()))


def test_readme_has_every_exit_code() -> None:
    """The table of exit codes has those of the expected errors, of a fault, of an interruption and of `--fail-on`, and no other."""
    told = [int(cell) for cell in first_cells(section(README, "## Commands and exit codes"))]
    fail_on = {1} if any("--fail-on" in p.opts for p in cli.cli.commands["daily"].params) else set()
    assert told == sorted({0, cli.REFUSED, cli.FAULT, cli.INTERRUPTED} | fail_on | exit_codes())
    assert {int(cell) for cell in first_cells(cli.__doc__ or "")} <= set(told)


def test_developers_lists_every_module_in_the_flow_order() -> None:
    """The table of modules has every module of the package once, in the order of the layers."""
    told = re.findall(r"(?m)^\| (\d+) \| `([\w.]+)` \| \S", TEXT["DEVELOPERS.md"])
    assert [(int(layer), name) for layer, name in told] == refresh_docs.flow()
    files = {".".join(path.relative_to(ROOT / "reconcile").with_suffix("").parts) for path in (ROOT / "reconcile").rglob("*.py")}
    assert {name for _, name in told} == files


def test_the_benchmark_has_its_place() -> None:
    """The remarks between which the benchmark writes its table stand in DEVELOPERS once, in order, with something between."""
    assert re.search(r"<!-- bench:begin -->\n.+?\n<!-- bench:end -->", TEXT["DEVELOPERS.md"], re.DOTALL)
    assert TEXT["DEVELOPERS.md"].count("<!-- bench:") == 2


def test_what_is_said_of_the_benchmark_stands_in_its_table() -> None:
    """Seconds and gigabytes of two sizes, told in a sentence below the table, are its figures."""
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    sentence = " ".join(told.split("### When one machine is not enough")[1].split("\n\n")[1].split())
    for students, pattern in (
        ("100,000", r"a hundred thousand students \([^)]*\) took ([0-9.]+) seconds and ([0-9.]+) GB above"),
        ("1,000,000", r"a million \([^)]*\) ([0-9.]+) seconds and ([0-9.]+) GB"),
    ):
        wall, peak = re.search(rf"\| {students} \| [0-9,]+ \| reconcile daily \| ([0-9.]+) \|.*\| ([0-9,]+) \| [0-9,]+ \|", told).groups()  # type: ignore[union-attr]
        said = re.search(pattern, sentence)
        assert said is not None, sentence
        assert float(said[1]) == pytest.approx(float(wall), abs=0.5)
        assert float(said[2]) == pytest.approx(int(peak.replace(",", "")) / 1000, abs=0.05)


def test_the_changelog_begins_with_the_version_of_the_package() -> None:
    """The newest section is that of the version that `reconcile --version` says."""
    from reconcile import __version__

    assert re.findall(r"(?m)^## (\S+)", TEXT["CHANGELOG.md"])[0] == __version__


def test_cautions_name_their_sources() -> None:
    """The cautions on notice, aid credit balances and privacy name what they rest on, as rules/ and the output do."""
    cautions = section(README, "## Cautions")
    for source in ("12 CFR 1005.10(d)(1)", "34 CFR 668.164(h)", "12 CFR 1026.2(a)(17)", "FERPA", "counsel decide"):
        assert source in cautions


def test_damage_that_is_not_found_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the sample changes under the damaged copy, refreshing stops instead of showing a copy that is whole."""
    monkeypatch.setattr(refresh_docs, "DAMAGE", (("charges.csv", 2, "no such cell", "x"),))
    with pytest.raises(ValueError, match="no such cell"):
        refresh_docs.damage_exports(ROOT / "sample_exports/standard", tmp_path / "damaged")


def test_a_command_that_ends_otherwise_is_not_shown(place: Office) -> None:
    """A command that is refused where the documents show a result stops the refreshing, with what it said."""
    with pytest.raises(RuntimeError, match=r"ended with 2:\n(.|\n)*nowhere is not there"):
        refresh_docs.session(place, "reconcile check nowhere")
