"""The page of a run: one HTML file that anyone in the office can open, offline, without any other program.

At the top what needs hands, then pictures, the exception list, one student's story, and what the page is made of. The file asks nothing
of any network: a content security policy in it forbids that, and lets only its own style and script work, known by their hashes. Text from
exports stands in it as text. The same run gives the same bytes.
"""

from __future__ import annotations

import base64
import hashlib
from datetime import date
from importlib import resources
from typing import TYPE_CHECKING, Any, Final

from reconcile import page_figures
from reconcile.banking_days import day_number
from reconcile.deliver import page_charts, page_data, story, summary
from reconcile.deliver.csv_out import without_controls
from reconcile.money import people_money
from reconcile.notices import send_by

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from reconcile.deliver.shown import Shown

MOST_TERMS: Final = 4
MOST_URGENT: Final = 6
MOST_DATES: Final = 8
PARTS: Final = "page_parts"

CAUSE_TITLES: Final = {
    "set_off_the_bill": "plan set above or below the bill",
    "does_not_add_up": "lines do not add up to the plan total",
    "cancelled": "draws cancelled, plan total as before",
    "charges_changed": "charges changed since",
    "aid_changed": "aid changed since",
    "other_credits_changed": "other payments changed since",
    "failed_and_not_seen": "draws failed or not seen",
    "uncleared": "draws brought less",
    "above_schedule": "draws brought more",
    "without_a_line": "money drawn on no open line",
}


def write_page(shown: Shown, path: Path) -> None:
    """Write the page of a run to a file that does not exist yet."""
    with path.open("xb") as file:
        file.write(page_html(shown).encode("utf-8", "backslashreplace"))


def page_html(shown: Shown) -> str:
    """The page as text; see the module docstring."""
    from jinja2 import Environment, FunctionLoader  # noqa: PLC0415 (a run with --only csv needs none)
    from markupsafe import Markup  # noqa: PLC0415 (as above)

    style, script = part("page.css"), part("page.js")
    environment = Environment(
        loader=FunctionLoader(part), autoescape=True, trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True
    )
    environment.filters |= {"money": people_money, "plain": without_controls, "day": _day, "days": _day_words}
    holds = page_data.held(shown)
    blocks = {name: Markup(getattr(holds, name)) for name in ("listed", "stories", "students")}  # noqa: S704 (as_json made them safe)
    return environment.get_template("page.html.j2").render(
        policy=content_policy(style, script),
        style=Markup(style),  # noqa: S704 (our own files)
        script=Markup(script),  # noqa: S704 (as above)
        blocks=blocks,
        holds=holds,
        shown=shown,
        charts=page_charts,
        story=story,
        caution=" ".join(summary.CAUTION),
        rejected=summary.rejected_money(shown.totals),
        covered=summary.coverage_words,
        **_figures(shown),
    )


def part(name: str) -> str:
    """A file of the page, with plain line ends: browsers take the hash of the text with such ends, whatever a checkout made of them."""
    text = resources.files("reconcile.deliver").joinpath(PARTS, name).read_text(encoding="utf-8")
    return text.replace("\r\n", "\n")


def content_policy(style: str, script: str) -> str:
    """Nothing may be fetched, framed, sent or run but this one style and this one script; no text may become a script later."""
    own = {name: base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() for name, text in (("style", style), ("script", script))}
    return "; ".join(
        (
            "default-src 'none'",
            *(f"{name}-src 'sha256-{digest}'" for name, digest in own.items()),
            "base-uri 'none'",
            "form-action 'none'",
            "require-trusted-types-for 'script'",
            "trusted-types 'none'",
        )
    )


def _day(value: object) -> str:
    """A date as 2026-11-20; "" if absent."""
    return "" if value is None or str(value) == "NaT" else str(value)[:10]


def _day_words(value: object) -> str:
    """A date in words; "" if absent."""
    return page_charts.day_words(date.fromisoformat(_day(value))) if _day(value) else ""


def _figures(shown: Shown) -> dict[str, Any]:
    """Everything that stands on the page from the start, from the sums of page_figures."""
    tables, as_of = shown.tables, shown.about.as_of
    still = page_figures.still_open(tables["exceptions"])
    urgent = page_figures.first_of_all(tables["exceptions"])
    months = page_figures.draw_months(tables["draws"])
    apart = page_figures.causes(tables["plans"], tables["students"])
    soonest = page_figures.soonest(tables["next_draws"])
    return {
        "desks": page_figures.desks(tables["exceptions"], as_of),
        "open_by": {severity: int((still["severity"] == severity).sum()) for severity in page_figures.SEVERITIES},
        "done": {word: int((tables["exceptions"]["standing"] == word).sum()) for word in ("closed", "resolved")},
        "urgent": _records(urgent.head(MOST_URGENT)),
        "urgent_in_hand": int(urgent["in_hand"].sum()),
        "soonest": soonest,
        "send_by": _send_by(soonest, shown),
        "next_draws": _records(tables["next_draws"].sort_values(["draw_date", "term"], kind="stable").head(MOST_DATES)),
        "next_draws_all": len(tables["next_draws"]),
        "terms": [(term, page_charts.columns(term, as_of)) for term in months[-MOST_TERMS:]],
        "terms_left_out": max(0, len(months) - MOST_TERMS),
        "term_names": {term.code: term.name for term in shown.rules.terms},
        "apart": apart,
        "apart_bars": page_charts.apart_bars(apart),
        "cause_titles": CAUSE_TITLES,
        "reasons": page_figures.reasons(tables["draws"], shown.rules),
        "ages": page_figures.ages(tables["exceptions"]),
        "bills": page_figures.bills(tables["students"]),
    }


def _send_by(soonest: page_figures.Soonest | None, shown: Shown) -> str:
    """By when the office sends its notice, where it is closed on the last day for it."""
    if soonest is None or soonest.notice_by is None:
        return ""
    return send_by(day_number(soonest.notice_by), day_number(shown.about.as_of), shown.rules.banking_days())


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]
