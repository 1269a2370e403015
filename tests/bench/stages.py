"""Where the time of one daily run goes: stages.py EXPORTS RULES AS-OF FOLDER prints seconds per stage as JSON.

The stages are those of the command, called one after the other with a clock around each; nothing in the engine knows that it is timed.
"""

from __future__ import annotations

import json
import sys
import time
from datetime import date
from pathlib import Path

BEGUN = time.perf_counter()


def main(exports: Path, rules_folder: Path, as_of: date, folder: Path) -> dict[str, float]:
    """Seconds of each stage: load the libraries, read, work out, tables and proof, write."""
    from reconcile import run, settle
    from reconcile.deliver.csv_out import write_data_files
    from reconcile.exports import read_exports
    from reconcile.parts import whole_of
    from reconcile.policy import load_rules

    took: dict[str, float] = {}
    since = BEGUN

    def stage(name: str) -> None:
        nonlocal since
        now = time.perf_counter()
        took[name] = round(now - since, 4)
        since = now

    rules = load_rules(rules_folder)
    stage("load libraries and rules")
    read = read_exports([exports], rules)
    stage("read and check")
    whole = whole_of(read, rules, as_of)
    worked = settle.work_out(read, rules, as_of, whole)
    stage("work out")
    settle.work_out = lambda *_args, **_options: worked
    result = run.reconcile_exports(read, rules, as_of)
    stage("tables, proof, exceptions")
    folder.mkdir(parents=True)
    write_data_files(result.tables, folder)
    stage("write")
    return took


if __name__ == "__main__":
    sys.stdout.write(json.dumps(main(Path(sys.argv[1]), Path(sys.argv[2]), date.fromisoformat(sys.argv[3]), Path(sys.argv[4]))) + "\n")
