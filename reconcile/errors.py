"""The expected ways in which a run ends early, each with its exit code.

Only these reach the person at the keyboard as a plain sentence; anything else is a fault of ours (exit 4). Bad data in an export never
raises past intake: it becomes a rejected row.
"""

from __future__ import annotations


class ReconcileError(Exception):
    """An expected end of a run. `exit_code` is part of the contract that scripts rely on."""

    exit_code = 2


class RefusedError(ReconcileError):
    """The input, the rules or the command line cannot be used as they stand; nothing was worked out.

    `problems` holds one plain sentence each; all of them are shown at once.
    """

    exit_code = 2

    def __init__(self, headline: str, problems: tuple[str, ...] = ()) -> None:
        super().__init__(headline)
        self.headline = headline
        self.problems = problems

    def __str__(self) -> str:
        return "\n".join((self.headline, *(f"  - {problem}" for problem in self.problems)))


class ProofError(ReconcileError):
    """A control total did not come out to zero: the run leaves no report."""

    exit_code = 3
