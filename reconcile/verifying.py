"""What `verify` does: is this run as it was made, does it stand in its chain, do the signatures hold, and is it the same result again?

It names the first thing that differs, in plain words, and the others below it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from reconcile.archive import archived_inputs, kept_in
from reconcile.cli_support import show, step
from reconcile.deliver.summary import count
from reconcile.run_again import Again, AtHand, run_again
from reconcile.run_chain import check_chain
from reconcile.run_check import check_run

if TYPE_CHECKING:
    from pathlib import Path

    from reconcile.run_chain import ChainCheck
    from reconcile.run_check import RunCheck

MOST: Final = 20
"""How many further differences are shown."""


def verify(run: Path, at_hand: AtHand) -> int:
    """Check a run folder, its chain and its signatures, and with inputs at hand the same result again; gives 0, or 1 for a difference.

    Errors:  RefusedError if this is no run folder, or if something that a check needs was not found.
    """
    step("Checking files, signatures and the chain of runs")
    checked = check_run(run)
    chain = check_chain(run, checked, at_hand.reports)
    differences = [*checked.differences, *(d for d in chain.differences if d not in checked.differences)]
    inputs = at_hand if at_hand.exports else _kept(run, at_hand)
    again = None
    if inputs.exports and checked.audit and not differences:
        again = run_again(run, checked.audit, inputs)
        differences += again.differences
    show(_report(checked, chain, inputs, again, differences))
    return int(bool(differences))


def _kept(run: Path, at_hand: AtHand) -> AtHand:
    """The inputs that a close keeps in its folder, where no others were given; those of a daily run are not kept."""
    if not any(kept_in(run)):
        return at_hand
    kept = archived_inputs(run)
    rules, map_file, notes = at_hand.rules or kept.rules, at_hand.map_file or kept.map_file, at_hand.notes or kept.notes
    return AtHand(kept.exports, rules, map_file, notes, at_hand.reports, kept.not_read)


def _report(checked: RunCheck, chain: ChainCheck, inputs: AtHand, again: Again | None, differences: list[str]) -> str:
    """What was found, for a person to read."""
    lines = [f"Run {checked.name}" + (f", run hash {checked.audit['run_hash']}" if checked.audit.get("run_hash") else "")]
    if differences:
        lines += [f"DIFFERENCE: {differences[0]}."]
        if more := differences[1 : MOST + 1]:
            lines += ["Also:", *(f"  - {text}." for text in more)]
        if len(differences) > MOST + 1:
            lines.append(f"  and {len(differences) - MOST - 1:,} more")
    lines += [f"Edited: {f.file} was saved since the run, which is allowed until the first signature ({f.sha256})." for f in checked.edited]
    lines += _signed(checked)
    lines += [f"Checked: {text}" for text in _done(checked, chain, again)]
    lines += [f"Not checked: {text}" for text in _undone(inputs, again, differences)]
    lines += [f"Note: {note}." for note in dict.fromkeys((*checked.notes, *chain.notes, *(again.notes if again else ())))]
    if not differences:
        lines.append("No difference found.")
    return "\n".join(lines) + "\n"


def _signed(checked: RunCheck) -> list[str]:
    if not checked.signatures:
        return ["Signed: not yet."]
    return [f"Signed: by {s.name} as {s.role} on {s.on}" + (f": {s.note}" if s.note else "") for s in checked.signatures]


def _done(checked: RunCheck, chain: ChainCheck, again: Again | None) -> list[str]:
    told = [f"the audit and {count(checked.files, 'file')} of this run"]
    if chain.earlier:
        told.append(f"{count(len(chain.earlier), 'earlier run')}, back to {min(r.name for r in chain.earlier)}")
    elif checked.audit and checked.audit.get("previous") is None:
        told.append("the chain: this is the first run")
    if again is not None and again.same:
        told.append(f"made again from the same inputs: {count(again.same, 'file')} the same, byte for byte")
    return told


def _undone(inputs: AtHand, again: Again | None, differences: list[str]) -> list[str]:
    if again is not None:
        return []
    if inputs.exports:
        return ["the same result again, because of what was found first"] if differences else []
    return ["the same result again from the same inputs: name them with --exports"]
