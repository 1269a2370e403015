"""The audit of a run: what it names, that its run hash binds it, and that it is the same on any machine."""

from __future__ import annotations

import copy
import hashlib
import json
from dataclasses import replace
from datetime import date
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest

from reconcile import audit as audit_module
from reconcile.audit import (
    Named,
    Options,
    Previous,
    build_audit,
    outputs_in,
    read_audit,
    read_previous,
    run_hash,
    sha256_of,
    write_audit,
)
from reconcile.errors import RefusedError
from reconcile.input_counts import Counted, counted_inputs, totals
from reconcile.schemas import DTYPES, EXPORTS

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

AS_OF = date(2026, 10, 15)
HASHES = [hashlib.sha256(bytes([i])).hexdigest() for i in range(9)]


def typed(export: str, *rows: dict[str, object]) -> pd.DataFrame:
    """A typed table of an export from the cells that matter to a test."""
    kinds = {"file": "str", "sheet": "str", "row": "int64"} | {c.name: DTYPES[c.kind] for c in EXPORTS[export].columns}
    empty: dict[str, object] = {"str": "", "int64": 0, "datetime64[s]": None}
    return pd.DataFrame({name: pd.Series([r.get(name, empty[kind]) for r in rows], dtype=kind) for name, kind in kinds.items()})


def count(export: str, sheet: str = "", **numbers: int) -> SimpleNamespace:
    """What intake counted of one export in one sheet."""
    names = [n for n in Counted.__dataclass_fields__ if not n.endswith("set_aside")]
    return SimpleNamespace(export=export, sheet=sheet, columns=("term", "amount"), **(dict.fromkeys(names, 0) | numbers))


def exports(**changes: Any) -> Any:
    """Two files that intake has read: a text file of charges and a workbook of aid, one row of each after the as-of date."""
    charges = count("charges", rows_read=4, accepted=2, rejected=1, already_read=1, cents_read=100, cents_accepted=60, cents_rejected=40)
    made = {
        "tables": {name: typed(name) for name in EXPORTS}
        | {
            "charges": typed(
                "charges",
                {"file": "charges.csv", "row": 2, "posted_on": "2026-10-15", "amount": 50},
                {"file": "charges.csv", "row": 3, "posted_on": "2026-10-16", "amount": 10},
            ),
            "aid": typed(
                "aid",
                {"file": "aid.xlsx", "sheet": "A", "row": 2, "posted_on": "2026-10-17", "amount": -7, "status": "cancelled"},
                {"file": "aid.xlsx", "sheet": "B", "row": 2, "posted_on": "2026-10-01", "amount": 9, "status": "anticipated"},
            ),
            "plan_schedules": typed(
                "plan_schedules",
                {"file": "p.csv", "row": 2, "enrolled_on": "2026-07-01", "line_status": "cancelled", "cancelled_on": "2026-09-01"},
                {"file": "p.csv", "row": 3, "enrolled_on": "2026-07-01", "line_status": "cancelled"},
            ),
        },
        "sources": (
            SimpleNamespace(
                file="charges.csv", role="export", sha256=HASHES[0], size=120, encoding="utf-8", delimiter=",", counts=(charges,)
            ),
            SimpleNamespace(
                file="aid.xlsx",
                role="export",
                sha256=HASHES[1],
                size=9000,
                encoding="",
                delimiter="",
                counts=(count("aid", "A", rows_read=1, accepted=1), count("aid", "B", rows_read=1, accepted=1)),
            ),
            SimpleNamespace(file="column_map.toml", role="column map", sha256=HASHES[3], size=6, encoding="", delimiter="", counts=()),
        ),
        "has_postings": False,
        "span": SimpleNamespace(first=date(2026, 8, 1), last=date(2026, 10, 14)),
        "notes": (),
    }
    return SimpleNamespace(**(made | changes))


RULES: Any = SimpleNamespace(files=(SimpleNamespace(name="terms.toml", sha256=HASHES[2], size=5),))
MAP: Any = SimpleNamespace(name="column_map.toml", sha256=HASHES[3], size=6)
OUTPUTS = (Named("students.csv", HASHES[4], 7), Named("page.html", HASHES[5], 8), Named("entries.parquet", HASHES[6], 9))
PREVIOUS = Previous("2026-09-15-daily", date(2026, 9, 15), HASHES[7], {}, HASHES[8])


def built(given: Any = None, **changes: Any) -> dict[str, Any]:
    """An audit, with what a test changes."""
    usual: dict[str, Any] = {
        "rules": RULES,
        "column_map": MAP,
        "as_of": AS_OF,
        "kind": "daily",
        "options": Options(),
        "previous": PREVIOUS,
        "outputs": OUTPUTS,
        "notes": ("one", "two", "one"),
        "version": "0.1.0",
    }
    return build_audit(given or exports(), **(usual | changes))


def test_counts_per_file_sheet_and_export() -> None:
    """Each input says what was read of it; rows dated after the as-of date are set aside where they were read."""
    first, second = counted_inputs(exports(), AS_OF)
    assert first.counts[0].counted == Counted(*(4, 2, 1, 1, 1), cents_read=100, cents_accepted=60, cents_rejected=40, cents_set_aside=10)
    assert [(c.sheet, c.counted.set_aside, c.counted.cents_set_aside) for c in second.counts] == [("A", 1, -7), ("B", 0, 0)]


def test_totals_hold_every_export() -> None:
    """Totals add up the files of each export, and an export without a file stands there with nothing."""
    found = totals(counted_inputs(exports(), AS_OF))
    assert list(found) == list(EXPORTS)
    assert (found["aid"].rows_read, found["aid"].set_aside, found["postings"]) == (2, 1, Counted())


def test_rows_of_no_export_are_told() -> None:
    """Rows of a mixed file that no route takes stand under a name of their own."""
    sources = (SimpleNamespace(**(vars(exports().sources[0]) | {"counts": (count("not routed", rows_read=2, rejected=2),)})),)
    assert totals(counted_inputs(exports(sources=sources), AS_OF))["not routed"].rejected == 2


def test_each_input_says_which_columns_it_has() -> None:
    """A later run that misses one of them can say so."""
    assert [c["columns"] for i in built()["inputs"] for c in i["counts"]] == [["term", "amount"]] * 3


def test_nothing_is_set_aside_without_an_as_of_date() -> None:
    """Reading only, no row is later than anything."""
    assert totals(counted_inputs(exports(), None))["charges"].set_aside == 0


def test_undated_cancellations_are_counted() -> None:
    """Lines and awards cancelled without a date are told: a past as-of date is not historical for them."""
    assert built()["undated_cancellations"] == {"awards": 1, "lines": 1}


def test_what_the_audit_names() -> None:
    """The audit names options, span, map, rules, previous run and outputs, and a note once."""
    made = built(options=Options(without_rejected=True, bank_through=date(2026, 10, 20)))
    assert made["options"] == {
        "without_rejected": True,
        "accept_drop": False,
        "bank_from": None,
        "bank_through": "2026-10-20",
        "names": False,
    }
    assert made["bank_span"] == {"first": "2026-08-01", "last": "2026-10-14"}
    assert (made["as_of"], made["kind"], made["version"], made["has_postings"]) == ("2026-10-15", "daily", "0.1.0", False)
    assert made["rules"] == [{"file": "terms.toml", "sha256": HASHES[2], "size": 5}]
    assert made["column_map"] == {"file": "column_map.toml", "sha256": HASHES[3], "size": 6}
    assert made["previous"] == {"run": "2026-09-15-daily", "run_hash": HASHES[7], "audit_hash": HASHES[8], "signature": None}
    assert [o["file"] for o in made["outputs"]] == ["entries.parquet", "page.html", "students.csv"]
    assert [i["file"] for i in made["inputs"]] == ["aid.xlsx", "charges.csv"]
    assert made["totals"]["charges"]["cents_rejected"] == 40
    assert made["notes"] == ["one", "two"]


def test_first_run_without_map_or_bank_events() -> None:
    """What is not there is null, and the audit can still be made and read back."""
    made = built(exports(span=None), column_map=None, previous=None)
    assert (made["bank_span"], made["column_map"], made["previous"]) == (None, None, None)
    assert made["run_hash"] == run_hash(json.loads(json.dumps(made)))


def test_run_hash_is_the_documented_one() -> None:
    """The run hash is what the module says, worked out here by hand from the names and fingerprints."""
    text = (
        f'{{"as_of":"2026-10-15","column_map":"{HASHES[3]}","form":1,"inputs":[["aid.xlsx","{HASHES[1]}"],["charges.csv","{HASHES[0]}"]],'
        '"kind":"daily","options":{"accept_drop":false,"bank_from":null,"bank_through":null,"names":false,"without_rejected":false},'
        f'"outputs":[["entries.parquet","{HASHES[6]}"],["students.csv","{HASHES[4]}"]],"previous":"{HASHES[7]}","previous_close":null,'
        f'"rules":[["terms.toml","{HASHES[2]}"]]}}'
    )
    assert built()["run_hash"] == hashlib.sha256(text.encode("ascii")).hexdigest()


BOUND: dict[str, Callable[[], dict[str, Any]]] = {
    "as of": lambda: built(as_of=date(2026, 10, 16)),
    "kind": lambda: built(kind="close"),
    "an option": lambda: built(options=Options(accept_drop=True)),
    "rules": lambda: built(rules=SimpleNamespace(files=(SimpleNamespace(name="terms.toml", sha256=HASHES[8], size=5),))),
    "the map": lambda: built(column_map=None),
    "previous": lambda: built(previous=replace(PREVIOUS, run_hash=HASHES[8])),
    "the close before": lambda: built(previous_close=PREVIOUS),
    "no previous": lambda: built(previous=None),
    "an input": lambda: built(exports(sources=exports().sources[:1])),
    "an output": lambda: built(outputs=(replace(OUTPUTS[0], sha256=HASHES[8]), *OUTPUTS[1:])),
}


@pytest.mark.parametrize("changed", BOUND.values(), ids=BOUND)
def test_run_hash_binds(changed: Callable[[], dict[str, Any]]) -> None:
    """Any other input, rule, option, date, previous run or data output gives another run hash."""
    assert changed()["run_hash"] != built()["run_hash"]


def test_run_hash_leaves_out() -> None:
    """The order of files, the version, notes and what is only for people to look at do not change it."""
    same = built(
        exports(sources=exports().sources[::-1]),
        outputs=(OUTPUTS[2], replace(OUTPUTS[1], sha256=HASHES[8]), OUTPUTS[0]),
        notes=(),
        version="9",
    )
    assert same["run_hash"] == built()["run_hash"]


def test_same_bytes_twice(tmp_path: Path) -> None:
    """The same run gives the same audit, byte for byte: sorted keys, two spaces, a line end, and nothing of the machine."""
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        write_audit(tmp_path / name, built())
    data = (tmp_path / "one" / "audit.json").read_bytes()
    assert data == (tmp_path / "two" / "audit.json").read_bytes()
    assert data.startswith(b'{\n  "as_of": "2026-10-15",\n')
    assert data.endswith(b"}\n")
    assert b"\r" not in data
    assert list(json.loads(data)) == sorted(json.loads(data))
    assert str(tmp_path).encode() not in data


def test_an_audit_is_never_written_over(tmp_path: Path) -> None:
    """The audit of a run folder is written once."""
    write_audit(tmp_path, built())
    with pytest.raises(FileExistsError):
        write_audit(tmp_path, built())


def test_odd_file_names_can_be_written(tmp_path: Path) -> None:
    """An input whose name is no proper text (some systems allow that) still has its audit, which reads back to its own hash."""
    odd = exports(sources=(SimpleNamespace(**(vars(exports().sources[0]) | {"file": "charges\udce9.csv"})),))
    write_audit(tmp_path, built(odd))
    assert read_audit(tmp_path)["inputs"][0]["file"] == "charges\udce9.csv"


def test_outputs_are_fingerprinted(tmp_path: Path) -> None:
    """Every file of the folder but the audit is named with SHA-256 and size (the empty file's is that of FIPS 180-4 examples)."""
    (tmp_path / "b.csv").write_bytes(b"abc")
    (tmp_path / "a.csv").write_bytes(b"")
    (tmp_path / "audit.json").write_text("{}")
    assert outputs_in(tmp_path) == (Named("a.csv", hashlib.sha256().hexdigest(), 0), Named("b.csv", sha256_of(tmp_path / "b.csv"), 3))
    # FIPS 180-4, SHA-256 of "abc" (value from memory; hashlib gives the same)
    assert sha256_of(tmp_path / "b.csv") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_previous_is_read_back(tmp_path: Path) -> None:
    """A later run reads the earlier one's name, date, run hash and rows per export, those already read not twice."""
    run = tmp_path / "2026-10-15-daily"
    run.mkdir()
    write_audit(run, built())
    found = read_previous(run)
    assert (found.name, found.as_of, found.run_hash) == ("2026-10-15-daily", AS_OF, built()["run_hash"])
    assert found.rows == {"charges": 3, "aid": 2, "plan_schedules": 0, "cleared_draws": 0, "postings": 0}


def test_a_folder_without_audit_is_refused(tmp_path: Path) -> None:
    """What has no audit is not the folder of a run."""
    with pytest.raises(RefusedError, match=r"holds no audit.json"):
        read_audit(tmp_path)


@pytest.mark.parametrize("text", ["", "[]", "{}", "null", '"x"', "{", '{"run_hash": 1}', "\udcff"])
def test_an_unreadable_audit_is_refused(tmp_path: Path, text: str) -> None:
    """Anything that is no audit is refused in words, never with a fault."""
    (tmp_path / "audit.json").write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(RefusedError, match="cannot be read"):
        read_audit(tmp_path)


def test_a_changed_audit_is_refused(tmp_path: Path) -> None:
    """An audit edited after its run no longer fits its run hash and is not followed."""
    made = copy.deepcopy(built())
    made["outputs"][0]["sha256"] = HASHES[8]
    write_audit(tmp_path, made)
    with pytest.raises(RefusedError, match="was changed since its run"):
        read_previous(tmp_path)


def test_an_audit_without_counts_is_refused(tmp_path: Path) -> None:
    """The rows of the run before are needed; where they are gone, the message says which option helps."""
    made = built()
    del made["totals"]["aid"]["rows_read"]
    write_audit(tmp_path, made)
    with pytest.raises(RefusedError, match="--previous"):
        read_previous(tmp_path)


def test_module_text_names_what_is_bound() -> None:
    """The description of the run hash names every key that it binds."""
    told = audit_module.__doc__ or ""
    for key in ("as_of", "column_map", "form", "inputs", "kind", "options", "outputs", "previous", "previous_close", "rules"):
        assert f'"{key}": ' in told
