"""The order of the package: who may import whom, who may print, read the clock or load a table library."""

from __future__ import annotations

import ast
import doctest
import graphlib
import importlib
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "reconcile"

ORDER = (
    ("__init__",),
    ("errors", "money", "banking_days", "coded", "texts", "guards"),
    ("findings",),
    ("toml_lines", "toml_errors", "exception_kinds", "policy_models", "policy_checks", "return_table", "policy"),
    ("schemas",),
    (
        *("raw", "text_encoding", "cell_dates", "cell_money", "cells", "raw_foot", "raw_rows", "csv_exact", "csv_fast", "csv_files"),
        *("xlsx_safety", "xlsx_parts", "xlsx_cells", "xlsx_forms", "xlsx_open", "xlsx_fast", "xlsx_sheet", "xlsx_files", "sensitive"),
        *(
            "column_map",
            "export_files",
            "headings",
            "routes",
            "intake_problems",
            "intake_rows",
            "intake_batch",
            "intake_blocked",
            "intake_checks",
        ),
        *(
            "intake_overlap",
            "lost_columns",
            "intake_files",
            "control_totals",
            "intake_counts",
            "lost_zeros",
            "unused_words",
            "same_files",
            "exports",
        ),
        *("schedule", "notices"),
    ),
    (
        "student_case",
        "most_pairs",
        "grouping",
        "events",
        "attempts",
        "returns",
        "draws",
        "plain",
        "bulk",
        "states",
        "stops",
        "event_terms",
        "event_money",
        "aid",
        "outside",
        "line_order",
    ),
    ("nearest_day", "refund_sums", "ledger"),
    ("coverage",),
    ("as_of",),
    ("variance",),
    ("find_out_first", "proposals", "plans", "bank_gaps", "names_elsewhere"),
    ("worked",),
    ("closing_lines", "late_rows"),
    (
        *(
            "dispositions",
            "exception_facts",
            "exception_columns",
            "exception_tries",
            "exception_coming",
            "exception_ground",
            "exception_holds",
            "exception_cautions",
            "exception_advice",
            "exception_last_days",
        ),
        *("late_returns", "present_again", "exceptions_again"),
        *(
            "exceptions_money",
            "unposted_payments",
            "probable_payments",
            "exceptions_failed",
            "exceptions_draws",
            "exceptions_bill",
            "exceptions_bank",
            "exceptions_plans",
            "ledger_leftovers",
            "exceptions_ledger",
            "exceptions_close",
            "common_causes",
        ),
        *(
            "standing",
            "exception_rows",
            "exception_list",
            "workbook_rows",
            "workbook_notes",
            "letter_facts",
            "outreach",
            "told",
            "asked_first",
        ),
    ),
    ("entries", "report_tables", "day_tables", "return_rates", "proof", "control", "figures"),
    ("parts", "settle", "page_figures"),
    (*("line_moves", "rollforward", "open_items", "plan_changes", "tie_out_ledger", "tie_out", "ledger_tie_out", "bridges", "month_end"),),
    ("merged", "run"),
    (
        *("deliver.__init__", "deliver.csv_out", "deliver.rate_words", "deliver.summary", "deliver.intake_words"),
        *("run_folder", "seals", "input_counts", "audit", "archive"),
        *("signatures", "run_lock", "run_check", "run_chain", "run_compare", "rule_changes"),
        *("trace", "trace_parts", "trace_rows", "deliver.trace_words"),
        *("deliver.close_summary", "run_tables", "story_others", "story_happened", "story_facts"),
        *("deliver.story_next", "deliver.story", "deliver.shown"),
        *("deliver.page_charts", "deliver.page_data", "deliver.page"),
        *("deliver.workbook_cells", "deliver.workbook_sheets", "deliver.workbook_summary", "deliver.workbook"),
        *("deliver.packet_text", "deliver.packet_money", "deliver.packet", "deliver.people"),
    ),
    (
        *("starting", "cli_support", "memory", "forked", "at_once", "read_back", "reading", "run_command", "commands"),
        *("signing", "run_again", "verifying", "cli", "__main__"),
    ),
)
"""Groups from the bottom up. A module imports from the groups before its own, and within its own as long as nothing goes in a circle."""

STEPS = {"returns", "draws", "ledger", "coverage", "proposals"}
"""Steps of the trade: they meet in the recipe, through tables, and never import each other. (`variance` takes the bill of `coverage`, since
one function has to give both.)"""

HEAVY = {"pandas", "pandera", "pyarrow", "openpyxl", "holidays", "pydantic", "numpy"}
LIGHT = ("cli", "cli_support", "starting", "errors", "__init__", "__main__")
CLOCK = {"now", "today", "time", "utcnow", "perf_counter", "monotonic", "time_ns", "fromtimestamp"}
MAY_READ_CLOCK = {"run_folder", "cli", "cli_support"}
MAY_SPEAK = {"cli", "cli_support"}


def name_of(path: Path) -> str:
    """The module's name inside the package: `deliver.csv_out`."""
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


TREES = {name_of(path): ast.parse(path.read_text(encoding="utf-8")) for path in sorted(PACKAGE.rglob("*.py"))}
RANK = dict.fromkeys(TREES, len(ORDER)) | {module: rank for rank, group in enumerate(ORDER) for module in group}


def imported(tree: ast.Module) -> set[str]:
    """The modules of the package that a module imports anywhere, for types too."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {alias.name.removeprefix("reconcile.") for alias in node.names if alias.name.split(".")[0] == "reconcile"}
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "reconcile":
            inside = (node.module or "").removeprefix("reconcile").removeprefix(".")
            for alias in node.names:
                full = f"{inside}.{alias.name}".strip(".")
                found.add(full if full in TREES else f"{inside}.__init__" if f"{inside}.__init__" in TREES else inside)
    return {"__init__" if name in {"", "reconcile"} else name for name in found}


IMPORTS = {module: imported(tree) for module, tree in TREES.items()}


def test_every_module_has_its_place() -> None:
    """Each module stands in the order above, once, and no name there is without a module."""
    placed = [module for group in ORDER for module in group]
    assert sorted(placed) == sorted(TREES), "place a new module in ORDER; take out one that has gone"


@pytest.mark.parametrize("module", TREES)
def test_imports_go_down(module: str) -> None:
    """A module imports only from its own group and those before it."""
    assert {m for m in IMPORTS[module] if RANK[m] > RANK[module]} == set()


def test_no_circle() -> None:
    """No modules import each other in a circle."""
    assert len(tuple(graphlib.TopologicalSorter(IMPORTS).static_order())) == len(TREES)


@pytest.mark.parametrize("step", sorted(STEPS))
def test_steps_do_not_import_each_other(step: str) -> None:
    """A step of the trade knows the others only by their tables."""
    assert IMPORTS[step] & STEPS == set()


@pytest.mark.parametrize("module", TREES)
def test_no_assert_and_no_print(module: str) -> None:
    """No logic hangs on `assert`, which Python may leave out; nothing prints, and only the command line uses the console."""
    for node in ast.walk(TREES[module]):
        where = f"{module}:{getattr(node, 'lineno', 0)}"
        assert not isinstance(node, ast.Assert), where
        assert not (isinstance(node, ast.Name) and node.id in {"print", "input", "breakpoint"}), where
        if module not in MAY_SPEAK:
            assert not (isinstance(node, ast.Attribute) and node.attr in {"stdout", "stderr", "echo"}), where
            assert not (isinstance(node, ast.Import) and any(alias.name == "click" for alias in node.names)), where


@pytest.mark.parametrize("module", sorted(set(TREES) - MAY_READ_CLOCK))
def test_no_clock(module: str) -> None:
    """Only the command line and what clears old folders may ask for the time: the same inputs give the same bytes at any hour."""
    for node in ast.walk(TREES[module]):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and isinstance(node.func.value, ast.Name):
            owner, called = node.func.value.id, node.func.attr
            assert not (owner in {"time", "date", "datetime", "dt", "Timestamp", "pd"} and called in CLOCK), f"{module}:{node.lineno}"


@pytest.mark.parametrize("module", [name for name in TREES if ">>>" in (PACKAGE / (name.replace(".", "/") + ".py")).read_text("utf-8")])
def test_examples_in_docstrings_are_true(module: str) -> None:
    """An example that a docstring shows gives what it says."""
    done = doctest.testmod(importlib.import_module(f"reconcile.{module}"))
    assert done.attempted > 0
    assert done.failed == 0


@pytest.mark.parametrize("module", LIGHT)
def test_light_modules_load_no_table_library(module: str) -> None:
    """What `reconcile --help` loads imports no table library at its top."""
    top = TREES[module].body
    names = {alias.name.split(".")[0] for node in top if isinstance(node, ast.Import) for alias in node.names}
    names |= {(node.module or "").split(".")[0] for node in top if isinstance(node, ast.ImportFrom)}
    assert names & HEAVY == set()


@pytest.mark.parametrize("option", ["--help", "--version", "daily --help"])
def test_help_is_quick(option: str) -> None:
    """Help and version answer without loading any table library."""
    code = (
        "import sys; from reconcile.cli import run\n"
        f"code = run({option.split()!r})\n"
        f"print(sorted(set(sys.modules) & {HEAVY!r}), file=sys.stderr)\n"
        "sys.exit(code)"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, capture_output=True, text=True, cwd=PACKAGE.parent)
    assert (done.returncode, done.stderr.strip()) == (0, "[]")
    assert "reconcile" in done.stdout
