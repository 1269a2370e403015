"""reports/example is the run of the command that README begins with, byte for byte."""

from __future__ import annotations

import json
import zipfile
from typing import TYPE_CHECKING, Any

import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
import refresh_docs
from refresh_docs import EXAMPLE

from reconcile.audit import run_hash, sha256_of

if TYPE_CHECKING:
    from pathlib import Path

PARQUET, WORKBOOK = "entries.parquet", "workbook.xlsx"
LOOSE = {PARQUET, WORKBOOK}
"""Files whose bytes also hang on a release: of pyarrow; of XlsxWriter and of zlib, which packs it."""


@pytest.fixture(scope="session")
def run() -> Path:
    """The run folder of README's first command, made once."""
    return refresh_docs.office().main_run()


def audit(folder: Path) -> dict[str, Any]:
    """The audit of a run folder."""
    return dict(json.loads((folder / "audit.json").read_text(encoding="utf-8")))


def same_releases(run: Path) -> bool:
    """Whether the example was written with the releases that are here."""
    return bool(audit(EXAMPLE)["written_with"] == audit(run)["written_with"])


def parts(path: Path) -> dict[str, bytes]:
    """What a workbook holds, unpacked, by the name of the part."""
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def without_release(found: dict[str, Any]) -> dict[str, Any]:
    """An audit without what depends on releases: their names, hash and size of the files in LOOSE, and the hashes over them."""
    outputs = [{"file": o["file"]} if o["file"] in LOOSE else o for o in found["outputs"]]
    left_out = {"written_with", "run_hash", "seals", "audit_hash"}
    return {key: value for key, value in found.items() if key not in left_out} | {"outputs": outputs}


def test_the_example_has_the_files_of_the_run(run: Path) -> None:
    """No file of the run is missing in the example, and none is left over."""
    assert sorted(p.name for p in EXAMPLE.iterdir()) == sorted(p.name for p in run.iterdir())


def test_the_example_is_the_run(run: Path) -> None:
    """Every file is the same, byte for byte; Parquet, workbook and audit only as far as releases allow."""
    loose = set() if same_releases(run) else {*LOOSE, "audit.json"}
    if same_releases(run) and (run / WORKBOOK).read_bytes() != (EXAMPLE / WORKBOOK).read_bytes():
        assert parts(run / WORKBOOK) == parts(EXAMPLE / WORKBOOK)
        loose = {WORKBOOK, "audit.json"}
    names = sorted(p.name for p in run.iterdir() if p.name not in loose)
    assert len(names) >= len(list(EXAMPLE.iterdir())) - 3
    assert [name for name in names if (run / name).read_bytes() != (EXAMPLE / name).read_bytes()] == []


def test_the_examples_entries_are_those_of_the_run(run: Path) -> None:
    """Whatever release wrote it, the table of entries holds the same rows and types."""
    assert pq.read_table(EXAMPLE / PARQUET).equals(pq.read_table(run / PARQUET))


def test_the_examples_audit_is_that_of_the_run(run: Path) -> None:
    """Whatever release of pyarrow is here, the audit says the same of inputs, rules, counts and data files."""
    assert without_release(audit(EXAMPLE)) == without_release(audit(run))


def test_the_example_fits_its_own_audit() -> None:
    """The hashes in the example's audit are those of its files, and the run hash is that of the audit: nobody has edited it."""
    found = audit(EXAMPLE)
    assert {o["file"]: o["sha256"] for o in found["outputs"]} == {p.name: sha256_of(p) for p in EXAMPLE.iterdir() if p.name != "audit.json"}
    assert found["run_hash"] == run_hash(found)


def test_an_audit_of_another_release_differs_in_nothing_else() -> None:
    """What is left out of the comparison is the release, one file's hash and the run hash: a changed row count still shows."""
    found = audit(EXAMPLE)
    other = json.loads(json.dumps(found))
    other["written_with"]["pyarrow"], other["run_hash"] = "0.0", "other"
    next(o for o in other["outputs"] if o["file"] == PARQUET)["sha256"] = "other"
    assert without_release(other) == without_release(found)
    other["totals"]["aid"]["accepted"] += 1
    assert without_release(other) != without_release(found)
