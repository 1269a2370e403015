"""Write the sample exports of the invented Harrowmere College anew: `python sample_exports/make_sample.py [FOLDER]`.

The same bytes come out every time. FOLDER is the folder to write into; without it, the folder of this file.
"""

from __future__ import annotations

import random
import sys
from pathlib import Path

from sample_college import Books
from sample_office import write_office
from sample_ordinary import add_ordinary
from sample_planted_bill import add_planted_bills
from sample_planted_draws import add_planted_draws
from sample_planted_returns import add_planted_returns
from sample_readme import write_readme
from sample_standard import write_planted, write_standard

SEED = 20260922


def make_books() -> Books:
    """Everything that the college's systems hold: ordinary students first, then the planted cases."""
    books = Books()
    add_ordinary(books, random.Random(SEED))
    add_planted_draws(books)
    add_planted_returns(books)
    add_planted_bills(books)
    return books


def main(folder: Path) -> None:
    """Write both deliveries, the planted cases and the README."""
    books = make_books()
    write_standard(books, folder / "standard")
    write_planted(books, folder / "planted.csv")
    write_readme(books, folder / "README.md")
    write_office(books, folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
