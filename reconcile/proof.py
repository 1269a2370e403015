"""The proof: every accepted cent is found again in just one place, and each figure a person sees adds up to the rows behind it.

A line of proof has a left and a right side that were worked out on different ways; their difference must be zero. If it is not, the run
stops and leaves no report.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from reconcile.errors import ProofError
from reconcile.schemas import OUTPUTS

if TYPE_CHECKING:
    from collections.abc import Iterable
    from typing import SupportsInt


class Proof:
    """A growing list of proof lines, in cents."""

    def __init__(self) -> None:
        self._lines: list[tuple[str, int, int]] = []

    def equal(self, name: str, left: SupportsInt, right: SupportsInt) -> None:
        """Add a line; whether it holds is judged once all lines are there."""
        self._lines.append((name, int(left), int(right)))

    def rows(self, name: str, left: int, right: int) -> None:
        """Hold two counts of rows against each other at once; rows are no money and stand in the audit, not among the figures.

        Errors:  ProofError if they differ.
        """
        if left != right:
            raise ProofError(f"The proof does not come out; no report was written.\n  - {name}: {left} against {right} rows")

    def table(self) -> pd.DataFrame:
        """OUTPUTS["proof"]: name, left, right, difference."""
        table = pd.DataFrame(self._lines, columns=["name", "left", "right"]).astype({"name": "str", "left": "int64", "right": "int64"})
        return table.assign(difference=table["left"] - table["right"])[[column.name for column in OUTPUTS["proof"]]]


def hold(proof: pd.DataFrame) -> None:
    """Stop the run if any line of proof is not zero.

    Errors:  ProofError naming each line that does not hold, with both sides.
    """
    broken = proof[proof["difference"] != 0]
    if not broken.empty:
        raise ProofError("The proof does not come out; no report was written.\n" + "\n".join(_sentences(broken)))


def _sentences(broken: pd.DataFrame) -> Iterable[str]:
    for name, left, right, difference in broken.itertuples(index=False):
        yield f"  - {name}: {left} against {right} cents, difference {difference} cents"
