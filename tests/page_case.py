"""Pages to look at in tests: made from rows in memory, and opened in a browser that no request may leave."""

from __future__ import annotations

import json
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from build import exports_of
from outside_tools import axe, chromium

from reconcile.deliver.shown import Shown, names_of
from reconcile.deliver.summary import About
from reconcile.input_counts import counted_inputs, totals
from reconcile.run import reconcile_exports

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date
    from pathlib import Path

    from build import Row
    from playwright.sync_api import Browser, Page

    from reconcile.policy import Rules

QUIET = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync")


def shown_of(rows: Mapping[str, Sequence[Row]], as_of: date, rules: Rules, *, names: bool = False, notes: tuple[str, ...] = ()) -> Shown:
    """A run over rows in memory, as the writers of people's files get it."""
    exports = exports_of(rows)
    result = reconcile_exports(exports, rules, as_of)
    span = exports.span
    about = About(as_of, span.first if span else None, span.last if span else None, "", None, notes, has_postings=exports.has_postings)
    named = names_of(exports.tables["plan_schedules"]) if names else {}
    return Shown("daily", result.tables, totals(counted_inputs(exports, as_of)), about, rules, named, "0" * 64, "0")


def blocks_of(html: str) -> dict[str, Any]:
    """The data blocks of a page, read as a browser would: up to the first end of a script element."""
    found = {}
    for name in ("listed", "stories", "students"):
        text = html.split(f'<script type="application/json" id="data-{name}">')[1].split("</script>", maxsplit=1)[0]
        found[name] = json.loads(text)
    return found


@contextmanager
def a_browser() -> Iterator[Browser]:
    """Headless Chromium; the test skips, or in CI fails, where there is none."""
    place = chromium()
    from playwright.sync_api import sync_playwright

    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=str(place), args=list(QUIET))
        yield browser
        browser.close()


class Opened:
    """A page opened from its file.

    `said` is what the console said, `asked` every address that was asked for, `failed` those that were stopped and why.
    """

    def __init__(self, browser: Browser, path: Path, **options: Any) -> None:
        self.page: Page = browser.new_context(offline=True, **options).new_page()
        self.said: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda error: self.said.append(str(error)))
        self.failed: list[tuple[str, str | None]] = []
        self.page.on("requestfailed", lambda request: self.failed.append((request.url, request.failure)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(path.resolve().as_uri())
        self.page.wait_for_selector("html[data-ready]")

    def until(self, holds: str) -> None:
        """Wait until an expression holds; the page's own policy forbids playwright's way of waiting, which makes scripts of texts."""
        for _ in range(200):
            if self.page.evaluate(holds):
                return
            self.page.wait_for_timeout(25)
        raise AssertionError(f"never came true: {holds}")

    def status(self) -> str:
        """What the live region of the list says."""
        return self.page.inner_text("#list-status")

    def column(self, place: int) -> list[str]:
        """The cells of one column of the exception list, as they stand."""
        rows = self.page.locator("#exceptions-body > tr:not(.told)")
        return [str(text) for text in rows.locator(f":scope > :nth-child({place})").all_inner_texts()]

    def open_story(self, student: str) -> str:
        """Open a student's story by the search, and give its words."""
        self.page.fill("#s-text", student)
        self.page.press("#s-text", "Enter")
        self.page.wait_for_selector("#story-title")
        return str(self.page.inner_text("#story"))

    def violations(self) -> list[str]:
        """What axe-core finds on the page as it stands."""
        self.page.evaluate(axe().read_text(encoding="utf-8"))
        found = self.page.evaluate("axe.run(document).then(r => r.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html).join(' | ')))")
        return [str(text) for text in found]

    def close(self) -> None:
        """Close the page and what belongs to it."""
        self.page.context.close()
