"""The inputs that a close keeps in its own folder, under `inputs/`, so that it can be made again when the exports are long gone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from reconcile.run_again import AtHand

if TYPE_CHECKING:
    from pathlib import Path

INPUTS: Final = "inputs"


def archived(run: Path, given: AtHand) -> AtHand:
    """What the run keeps of its own inputs, as far as nothing else was given; without exports if it keeps none."""
    return given
