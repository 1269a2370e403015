"""Programs from outside that a few tests need: a spreadsheet program, a browser, a checker of accessibility.

A newcomer's machine may have none of them: such a test then skips and says what is missing. CI installs them and sets RECONCILE_CI_TOOLS=1,
under which a test that cannot find its program fails, so that nothing is left untested without anybody noticing.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import NoReturn

import pytest

MUST = "RECONCILE_CI_TOOLS"
AXE = "AXE_CORE"
"""Where `axe.min.js` (npm package axe-core) lies, if not in a `node_modules` beside or above the tests."""


def libreoffice() -> Path:
    """The command of LibreOffice."""
    return _command(("soffice", "libreoffice"), "LibreOffice (Debian: apt-get install libreoffice-calc)")


def chromium() -> Path:
    """The command of Chromium."""
    return _command(("chromium", "chromium-browser", "google-chrome"), "Chromium (Debian: apt-get install chromium)")


def axe() -> Path:
    """The file `axe.min.js` of axe-core."""
    places = [Path(os.environ[AXE])] if os.environ.get(AXE) else []
    places += [folder / "node_modules" / "axe-core" / "axe.min.js" for folder in Path(__file__).resolve().parents]
    found = next((place for place in places if place.is_file()), None)
    return found if found is not None else _missing(f"axe-core (npm install axe-core, and {AXE}=path of its axe.min.js)")


def _command(names: tuple[str, ...], what: str) -> Path:
    found = next((path for name in names if (path := shutil.which(name))), None)
    return Path(found) if found else _missing(what)


def _missing(what: str) -> NoReturn:
    if os.environ.get(MUST) == "1":
        pytest.fail(f"{what} is not here, and {MUST}=1 says that it must be")
    pytest.skip(f"needs {what}")
