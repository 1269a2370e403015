"""The table of entries: what is left of it when it is cut, put together, summed, sent and written."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pyarrow as pa  # type: ignore[import-untyped]
import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from build import exports_of
from hypothesis import given
from hypothesis import strategies as st
from ordinary_office import AS_OF, BANK_THROUGH, ordinary_office

from reconcile.deliver import csv_out
from reconcile.deliver.csv_out import write_parquet, write_parquet_slices
from reconcile.entries import FEW_WORDS, entries_frame, slices_of_entries, sums_by_bucket
from reconcile.parts import cut_by_student, whole_of
from reconcile.policy import load_rules
from reconcile.schemas import OUTPUTS
from reconcile.settle import settle

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def parts() -> list[pa.Table]:
    """The entries of an office, settled in three parts."""
    rules = load_rules(ROOT / "rules")
    exports = exports_of(ordinary_office(120, 60, 3, rules).rows, bank_through=BANK_THROUGH)
    whole = whole_of(exports, rules, AS_OF)
    return [settle(part.rows(), rules, AS_OF, whole).entries for part in cut_by_student(exports, rules, AS_OF, 3)]


def test_columns_of_few_words_are_dictionaries_and_the_others_texts(parts: list[pa.Table]) -> None:
    """Each part has the declared columns in order; so many rows as it has, the frame has too."""
    for part in parts:
        assert part.column_names == [column.name for column in OUTPUTS["entries"]]
        assert {name for name in part.column_names if pa.types.is_dictionary(part.schema.field(name).type)} == FEW_WORDS
        assert len(entries_frame([part])) == len(part) > 100


def test_cents_by_bucket_are_those_of_the_rows(parts: list[pa.Table]) -> None:
    """Summed by number they are what grouping the rows gives, and nothing is left out."""
    for part in parts:
        rows = entries_frame([part])
        grouped = rows.groupby(["export", "bucket"])["cents"].sum()
        told = {(name, bucket): cents for name, buckets in sums_by_bucket(part).items() for bucket, cents in buckets.items()}
        assert told == grouped.to_dict()


def test_the_file_depends_neither_on_the_cut_nor_on_the_dictionaries(
    parts: list[pa.Table], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Slices, one table, and the same rows with other dictionaries, over several row groups: the same bytes; read back, the same rows."""
    monkeypatch.setattr(csv_out, "ROW_GROUP", 300)
    slices = slices_of_entries(parts)
    frame = entries_frame(slices)
    whole = pa.concat_tables(slices).unify_dictionaries().combine_chunks()
    turned = whole.set_column(
        whole.column_names.index("bucket"),
        "bucket",
        pa.array(frame["bucket"][::-1]).cast(pa.large_string()).dictionary_encode().take(pa.array(range(len(frame) - 1, -1, -1))),
    )  # the dictionary in the order in which the last rows hold the words
    assert turned.column("bucket").chunk(0).dictionary.to_pylist() != whole.column("bucket").chunk(0).dictionary.to_pylist()
    for name, tables in {"slices": slices, "whole": [whole], "turned": [turned]}.items():
        write_parquet_slices(tables, OUTPUTS["entries"], tmp_path / name)
    assert (tmp_path / "slices").read_bytes() == (tmp_path / "whole").read_bytes() == (tmp_path / "turned").read_bytes()
    assert pq.ParquetFile(tmp_path / "whole").num_row_groups > 2
    write_parquet(frame, OUTPUTS["entries"], tmp_path / "frame")
    assert pq.read_table(tmp_path / "whole").equals(pq.read_table(tmp_path / "frame"))


@given(st.integers(0, 2), st.sampled_from(["bucket", "reference"]))
def test_entries_of_another_shape_are_a_fault(which: int, column: str) -> None:
    """A column too few, an absent text or a number that is no whole one is not written."""
    one = {
        c.name: {"count": pa.array([1]), "date": pa.array([date(2026, 9, 1)])}.get(c.kind, pa.array(["x"], pa.large_string()))
        for c in OUTPUTS["entries"]
    }
    wrong = [
        {name: array for name, array in one.items() if name != column},
        one | {column: pa.array([None], pa.large_string())},
        one | {"cents": pa.array([1.0])},
    ][which]
    with pytest.raises(ValueError, match=r"declared|missing texts|, not "):
        write_parquet_slices([pa.table(wrong)], OUTPUTS["entries"], Path("nowhere") / "x")


def test_no_rows_are_a_table_too() -> None:
    """Entries without a row give a frame of the declared types."""
    empty = pa.table(
        {c.name: pa.array([], {"count": pa.int64(), "date": pa.date32()}.get(c.kind, pa.large_string())) for c in OUTPUTS["entries"]}
    )
    assert {str(kind) for kind in entries_frame([empty]).dtypes} == {"str", "int64", "datetime64[s]"}
    assert isinstance(entries_frame([empty]), pd.DataFrame)
