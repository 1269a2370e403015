"""What the commands do that leave no run: check exports, tell a student's story, trace a figure, show the plan that the rules write."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reconcile import input_counts
from reconcile.cli_support import map_hint, show
from reconcile.deliver import intake_words, summary
from reconcile.deliver.story import story_text
from reconcile.deliver.trace_words import figures_text, trace_text
from reconcile.errors import RefusedError
from reconcile.reading import policy_for, read_all
from reconcile.schedule import install_schedule_text, plan_written
from reconcile.story_facts import student_story
from reconcile.toml_errors import nearest
from reconcile.trace import RunTables, figures_of, find_figures
from reconcile.trace_rows import trace_figure

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path


def check(sources: tuple[Path, ...], rules_folder: Path | None, map_file: Path | None) -> None:
    """Read and validate exports, and show what was found in each file.

    Errors:  RefusedError if anything in them cannot be used.
    """
    rules, column_map, _ = policy_for(sources, rules_folder, map_file)
    exports = read_all(sources, rules, column_map, None, None)
    inputs = input_counts.counted_inputs(exports, None)
    show(intake_words.files_table(inputs))
    for line in summary.notes_lines(exports.notes, len(exports.notes), ""):
        show(line + "\n")
    if len(exports.rejected):
        show("\n" + intake_words.problems_text(exports.rejected, most=len(exports.rejected)))
        hint = () if column_map else map_hint(sources)
        raise RefusedError(intake_words.rejected_headline(exports.rejected, input_counts.totals(inputs)), ("Mend the exports.", *hint))
    show(f"Every row can be used{intake_words.but_in_doubt(len(exports.in_doubt))}.\n")


def student(student_id: str, run: Path) -> None:
    """Show one student's story out of a run folder.

    Errors:  RefusedError if the folder is not a whole run, or knows no such student.
    """
    show(story_text(student_story(run, student_id)))


def trace(run: Path, asked: str) -> None:
    """Show the rows that make up a figure of a run and their sum; without a figure, all figures that there are.

    Errors:  RefusedError if the folder is not a whole run, or has no such figure; ProofError if the rows do not add up to the figure.
    """
    tables = RunTables(run)
    if not asked:
        show(figures_text(figures_of(tables)))
        return
    for figure in find_figures(tables, asked):
        show(trace_text(trace_figure(tables, figure)))


def schedule(term_code: str, amount: int, enrolled_on: date, method: str, rules_folder: Path | None) -> None:
    """Show the plan that the rules would write for an amount in cents.

    Errors:  RefusedError if the rules know no such term or write no such plan.
    """
    rules, _, _ = policy_for((), rules_folder, None)
    term = rules.term(term_code)
    if term is None:
        codes = tuple(t.code for t in rules.terms)
        near = nearest(term_code, codes)
        asked = f" Did you mean {near}?" if near else ""
        raise RefusedError(f"The rules know no term {term_code!r}; they know {', '.join(codes)}.{asked}")
    plan = plan_written(term, amount, enrolled_on, method=method, split=rules.plans.split)
    show(install_schedule_text(plan, rules.banking_days()))
