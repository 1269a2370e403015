"""Invented names, with the accents and apostrophes that real name lists have. Any likeness to a person is chance."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import random

FIRST = (
    "Zoë", "André", "Chloé", "Noémie", "José", "Inés", "Jürgen", "Åsa", "Siân", "Renée", "Amara", "Bodhi", "Caspian", "Delphine", "Emeka",
    "Farida", "Gwendolyn", "Hana", "Imogen", "Jasper", "Kavya", "Leander", "Mireille", "Nadir", "Octavia", "Petra", "Quentin", "Rosalind",
    "Soren", "Tamsin", "Ulani", "Vikram", "Wren", "Xiomara", "Yusuf", "Zelda", "Anselm", "Briony", "Corin", "Dagny", "Edda", "Florian",
)  # fmt: skip
LAST = (
    "O'Harrow", "D'Arsey", "Núñez-Vale", "Façade", "Müllerby", "Ångmere", "St. Orrin", "Null", "McTavering", "Pellworth", "Quillfeather",
    "Rookhurst", "Saltmarsh", "Thornapple", "Underhay", "Vantongeren", "Wetherlam", "Yarrowdale", "Ashgrove", "Birkentree", "Cobblestane",
    "Dunnockshaw", "Eiderfell", "Fennimere", "Gorsebank", "Hollinsclough", "Ivelchester", "Juniperhill", "Kestrelby", "Larkenshaw",
)  # fmt: skip


def a_name(rng: random.Random) -> str:
    """A name, last name first as registrars write it."""
    return f"{rng.choice(LAST)}, {rng.choice(FIRST)}"
