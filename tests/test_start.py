"""The working folder that `reconcile start` makes, from a checkout and from an installed wheel."""

from __future__ import annotations

import csv
import os
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

import reconcile
from reconcile import starting
from reconcile.cli import run
from reconcile.errors import RefusedError
from reconcile.policy import load_rules
from reconcile.starting import make_working_folder, packaged

ROOT = Path(__file__).parents[1]


SAMPLE_README = """\
# Samples

    reconcile daily sample_exports/standard --as-of 2026-11-20

- `standard/`: needs no map.
- `office/`: read with `--map sample_exports/office_map.toml`.
  - `bank`: one file for each date.
- `planted.csv`: for programs,
  one row for each fact.
- `make_sample.py`: writes all of this anew.

Rows of `planted.csv`: what is
planted.

| student |
"""


@pytest.fixture
def samples(tmp_path: Path) -> Path:
    """A small set of samples: one delivery with its column map, one without."""
    folder = tmp_path / "samples"
    for name in ("standard", "office", "__pycache__"):
        (folder / name).mkdir(parents=True)
        (folder / name / "charges.csv").write_text("student_id\n")
    (folder / "office_map.toml").write_text("")
    (folder / "README.md").write_text(SAMPLE_README)
    (folder / "planted.csv").write_text("as_of")
    (folder / "make_sample.py").write_text("raise SystemExit")
    return folder


@pytest.fixture
def rules(tmp_path: Path) -> Path:
    """A folder of rules."""
    (tmp_path / "policy").mkdir()
    (tmp_path / "policy" / "terms.toml").write_text("")
    return tmp_path / "policy"


def test_a_new_folder_is_filled(tmp_path: Path, rules: Path, samples: Path) -> None:
    """Rules, exports, the map and an empty place for reports are there, the programs that made the samples are not."""
    work = tmp_path / "new" / "work"
    commands = make_working_folder(work, rules, samples)
    assert sorted(p.relative_to(work).as_posix() for p in work.rglob("*")) == [
        *("README.txt", "exports", "exports/README.md", "exports/office", "exports/office/charges.csv"),
        *("exports/standard", "exports/standard/charges.csv", "office_map.toml", "reports", "rules", "rules/terms.toml"),
    ]
    assert commands == (
        f"reconcile daily exports/standard --as-of {starting.SAMPLE_AS_OF}",
        f"reconcile daily exports/office --as-of {starting.SAMPLE_AS_OF} --map office_map.toml",
    )
    assert all(command in (work / "README.txt").read_text() for command in commands)


def test_the_readme_of_the_samples_speaks_of_the_working_folder(tmp_path: Path, rules: Path, samples: Path) -> None:
    """Its paths are those of the working folder, and it is silent about what was not copied."""
    make_working_folder(tmp_path / "work", rules, samples)
    assert (tmp_path / "work" / "exports" / "README.md").read_text() == (
        "# Samples\n\n    reconcile daily exports/standard --as-of 2026-11-20\n\n"
        "- `standard/`: needs no map.\n- `office/`: read with `--map office_map.toml`.\n  - `bank`: one file for each date.\n\n"
        "| student |\n"
    )


def test_a_newcomer_types_what_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Every command that `start` and the files of the working folder name is one that completes, typed exactly, in the order given."""
    monkeypatch.chdir(tmp_path)
    assert run(["start", "work"]) == 0
    first, *told = [line.strip() for line in capsys.readouterr().out.splitlines() if line.startswith("    ")]
    assert (first, len(told)) == ('cd "work"' if os.name == "nt" else "cd work", 2)
    monkeypatch.chdir(tmp_path / "work")
    readme = Path("exports", "README.md").read_text(encoding="utf-8")
    told += [line.strip() for line in readme.splitlines() if line.startswith("    reconcile ")]
    assert len(told) == 5
    for command in told:
        assert run(command.split()[1:]) == 0, command
    assert "sample_exports" not in readme
    assert "planted.csv" not in readme
    assert "office_map.toml" in readme
    assert not list(Path().rglob("planted.csv"))


def test_an_empty_folder_is_filled(tmp_path: Path, rules: Path, samples: Path) -> None:
    """A folder that is there but empty is as good as a new one."""
    (tmp_path / "work").mkdir()
    make_working_folder(tmp_path / "work", rules, samples)
    assert (tmp_path / "work" / "reports").is_dir()


@pytest.mark.parametrize("there", ["folder", "file"])
def test_nothing_is_written_over(tmp_path: Path, rules: Path, samples: Path, there: str) -> None:
    """A folder that holds anything, or a file, is refused and stays as it was."""
    work = tmp_path / "work"
    if there == "file":
        work.write_text("kept")
    else:
        work.mkdir()
        (work / "kept").write_text("kept")
    with pytest.raises(RefusedError, match="not empty"):
        make_working_folder(work, rules, samples)
    assert (work if there == "file" else work / "kept").read_text() == "kept"
    assert there == "file" or len(list(work.iterdir())) == 1


def test_what_fails_leaves_it_empty(tmp_path: Path, rules: Path) -> None:
    """Where the samples cannot be copied, the folder is left empty and the command can be given again."""
    with pytest.raises(RefusedError, match="cannot be filled"):
        make_working_folder(tmp_path / "work", rules, tmp_path / "nowhere")
    assert not list((tmp_path / "work").iterdir())


def test_what_is_interrupted_leaves_it_empty(tmp_path: Path, rules: Path, samples: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An interruption leaves the folder empty too, and stays an interruption."""

    def interrupt(_: Path) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(starting, "map_files", interrupt)
    with pytest.raises(KeyboardInterrupt):
        make_working_folder(tmp_path / "work", rules, samples)
    assert not list((tmp_path / "work").iterdir())


def test_packaged_prefers_what_lies_inside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In an installed package the folder inside it counts; beside it only in a checkout, which has a project file."""
    package = tmp_path / "site" / "reconcile"
    (package / "data").mkdir(parents=True)
    (tmp_path / "site" / "rules").mkdir()
    monkeypatch.setattr(reconcile, "__file__", str(package / "__init__.py"))
    with pytest.raises(FileNotFoundError, match="rules"):
        packaged("rules")
    (tmp_path / "site" / "pyproject.toml").write_text("")
    assert packaged("rules") == tmp_path / "site" / "rules"
    (package / "data" / "rules").mkdir()
    assert packaged("rules") == package / "data" / "rules"


def test_packaged_rules_and_samples_are_there() -> None:
    """The rules that come with the package are valid, and the as-of day of the commands is one that the samples speak of."""
    assert load_rules(packaged("rules")).terms
    with (packaged("sample_exports") / "planted.csv").open(encoding="utf-8", newline="") as file:
        assert max(row["as_of"] for row in csv.DictReader(file)) == starting.SAMPLE_AS_OF


def test_start_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command fills the folder and says the next commands; given again, it refuses."""
    work = tmp_path / "work"
    assert run(["start", str(work)]) == 0
    out = capsys.readouterr().out
    assert (f'    cd "{work}"\n' if os.name == "nt" else f"    cd {shlex.quote(str(work))}\n") in out
    assert "    reconcile daily exports/standard --as-of 2026-11-20\n" in out
    assert run(["start", str(work)]) == 2
    assert "not empty" in capsys.readouterr().err


@pytest.mark.skipif(os.name == "nt", reason="the shells of Windows have no such names")
@pytest.mark.parametrize("name", ['of "mine"', "it's a folder", "$HOME `x`", "-x", "plain"])
def test_a_shell_goes_where_start_says(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The line with cd, given to a shell as it stands, leads into the new folder whatever its name."""
    monkeypatch.chdir(tmp_path)
    assert run(["start", "--", name]) == 0
    line = next(line for line in capsys.readouterr().out.splitlines() if line.startswith("    cd "))
    there = subprocess.run(["sh", "-c", f"{line}\npwd -P"], check=True, capture_output=True, text=True).stdout
    assert there == f"{(tmp_path / name).resolve()}\n"


@pytest.mark.slow
def test_start_from_a_wheel(tmp_path: Path) -> None:
    """A wheel holds rules and samples: outside a checkout, `start` and the command that it names work, and leave a run folder."""
    pytest.importorskip("hatchling")
    # the build uses the tools of this environment, so that the test needs no network
    build = [sys.executable, "-c", f"import os, hatchling.build as b; os.chdir({str(ROOT)!r}); print(b.build_wheel({str(tmp_path)!r}))"]
    wheel = subprocess.run(build, check=True, capture_output=True, text=True).stdout.strip().splitlines()[-1]
    target = tmp_path / "site"
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", str(target), str(tmp_path / wheel)]
    subprocess.run(pip, check=True)
    here = {**os.environ, "PYTHONPATH": str(target)}
    start = subprocess.run(
        [sys.executable, "-m", "reconcile", "start", "work"], check=True, cwd=tmp_path, env=here, capture_output=True, text=True
    )
    command = next(line.split() for line in start.stdout.splitlines() if "exports/standard" in line)
    where = [sys.executable, "-c", "import reconcile; print(reconcile.__file__)"]
    assert subprocess.run(where, check=True, cwd=tmp_path, env=here, capture_output=True, text=True).stdout.startswith(str(target))
    work = tmp_path / "work"
    done = subprocess.run([sys.executable, "-m", *command], check=False, cwd=work, env=here, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert (work / "reports" / f"{starting.SAMPLE_AS_OF}-daily" / "audit.json").is_file()
