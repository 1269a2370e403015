"""Writes what people look at beside the data files of a run; scheduled jobs leave it out with `--only csv`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reconcile.deliver.packet import packet_of_close
from reconcile.deliver.page import write_page
from reconcile.deliver.workbook import WORKBOOK, write_workbook

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from reconcile.deliver.shown import Shown

WRITERS: dict[str, Callable[[Shown, Path], None]] = {"page.html": write_page, WORKBOOK: write_workbook, "packet.pdf": packet_of_close}
"""Writer by the name of the file that it writes into the run folder; one that belongs to another kind of run writes nothing."""


def write_people_files(shown: Shown, folder: Path) -> None:
    """Write each file for people into a run folder that has none of them yet."""
    for name, write in WRITERS.items():
        write(shown, folder / name)
