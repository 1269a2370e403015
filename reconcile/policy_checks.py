"""What the keys of a rules file must be to each other: dates in order, codes listed once, kinds all there.

Each check reads the file's values as they stand and looks only at those of the right type, since `policy_models` tells the others: so a
wrong date in one place never hides a second mistake elsewhere. Each gives (key path, sentence) pairs.
"""

from __future__ import annotations

from datetime import date, datetime
from itertools import pairwise
from string import Formatter
from typing import TYPE_CHECKING, Any

from reconcile.exception_kinds import KINDS
from reconcile.toml_errors import Found, show, unknown

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping

    from reconcile.toml_lines import KeyPath

Table = dict[str, Any]


def terms(data: Table) -> Iterator[Found]:
    """Terms listed once; bill dates and plan dates in the order in which they happen."""
    listed = list(_tables(data, "term"))
    yield from _once((((*at, "code"), term.get("code")) for at, term in listed), "two terms have the code {}: each term stands once")
    for at, term in listed:
        billed, due = _day(term, "billed_on"), _day(term, "bill_due")
        if billed and due and due < billed:
            yield (*at, "bill_due"), f"{due} is before billed_on {billed}: a bill is due on or after the day it comes out."
        methods = term.get("methods")
        yield from _once(_items(methods, (*at, "methods")), "{} stands twice in the list")
        yield from _tiers(term, at)


def _tiers(term: Table, at: KeyPath) -> Iterator[Found]:
    last = _day(term, "last_day_to_enroll")
    tiers = list(_tables(term, "tier", at))
    for (_, before), (where, tier) in pairwise(tiers):
        first, second = _day(before, "enroll_by"), _day(tier, "enroll_by")
        if first and second and second <= first:
            yield (*where, "enroll_by"), f"{second} is not after {first} of the tier above: tiers stand in date order, earliest first."
    for where, tier in tiers:
        enroll_by = _day(tier, "enroll_by")
        if last and enroll_by and enroll_by > last:
            yield (*where, "enroll_by"), f"{enroll_by} is after last_day_to_enroll {last}: no plan begins that late."
        yield from _draw_dates(tier, where)
    ends = [d for _, tier in tiers if (d := _day(tier, "enroll_by"))]
    if last and len(ends) == len(tiers) > 0 and max(ends) < last:
        gap = f"{last} is after the last tier's enroll_by {max(ends)}: no tier says what a plan of the days between is like."
        yield (*at, "last_day_to_enroll"), f"{gap} Add a tier, or bring last_day_to_enroll forward."


def _draw_dates(tier: Table, where: KeyPath) -> Iterator[Found]:
    draws = [(path, day) for path, day in _items(tier.get("draw_dates"), (*where, "draw_dates")) if _is_day(day)]
    for (_, before), (path, day) in pairwise(draws):
        if day <= before:
            yield path, f"{day} is not after {before} before it: draw dates stand in date order, each once."
    enroll_by = _day(tier, "enroll_by")
    if enroll_by and draws and enroll_by > draws[0][1]:
        yield (
            (*where, "enroll_by"),
            f"{enroll_by} is after the first draw date {draws[0][1]}: a family that enrolls between would owe a draw of the past.",
        )


def aid(data: Table) -> Iterator[Found]:
    """Funds listed once."""
    yield from _once(_items(data.get("never_on_bill"), ("never_on_bill",)), "{} stands twice in the list")


def plans(data: Table) -> Iterator[Found]:
    """Charge types listed once."""
    yield from _once(_items(data.get("outside_plan"), ("outside_plan",)), "{} stands twice in the list")


def returns(data: Table) -> Iterator[Found]:
    """Codes listed once per method, and each row telling one story."""
    listed = list(_tables(data, "code"))
    for at, row in listed:
        yield from return_row(row, at)
    yield from twice_listed(((*at, "code"), row) for at, row in listed)
    rates = data.get("rates")
    levels = list(_tables(rates, "levels", ("rates",))) if isinstance(rates, dict) else []
    yield from _once((((*at, "name"), level.get("name")) for at, level in levels), "two levels have the name {}")


def twice_listed(rows: Iterable[tuple[KeyPath, Mapping[str, Any]]]) -> Iterator[Found]:
    """Codes that one method has twice, told at the second row."""
    seen: set[tuple[str, str]] = set()
    for path, row in rows:
        method, code = row.get("method"), row.get("code")
        if not isinstance(method, str) or not isinstance(code, str):
            continue
        if (method, code.casefold()) in seen:
            yield path, f"{show(code)} stands twice for {method}: each code of a method has one row."
        seen.add((method, code.casefold()))


def return_row(row: Mapping[str, Any], at: KeyPath) -> Iterator[Found]:
    """A time frame with its unit, presenting again with how often and how long."""
    if "frame" in row and "frame_unit" not in row:
        yield (*at, "frame"), 'frame needs frame_unit beside it. Allowed: "banking", "calendar".'
    if "frame_unit" in row and "frame" not in row:
        yield (*at, "frame_unit"), "frame_unit needs frame beside it: how many days. If no time frame is known leave both out."
    for key in ("again_times", "again_days"):
        count = row.get(key, 0)
        if row.get("again") is True and count == 0:
            yield (*at, key if key in row else "again"), f"again = true needs {key} beside it, above 0."
        if row.get("again") is not True and isinstance(count, int) and count > 0:
            yield (*at, key), f"{key} = {count}, but the draw may not be presented again. Write again = true, or leave {key} out."


def exceptions(data: Table) -> Iterator[Found]:
    """Every kind of exception once, no kind that does not exist, dispositions once."""
    kinds = data.get("kind")
    if isinstance(kinds, dict):
        missing = [kind for kind in KINDS if kind not in kinds]
        for name in kinds:
            if name in KINDS:
                continue
            sentence = unknown("kind of exception", name, KINDS, missing)
            meant = next((kind for kind in missing if f" Write {kind}." in sentence), None)
            if meant:
                missing.remove(meant)
            yield ("kind", name), sentence
        for kind in missing:
            yield ("kind",), f'the kind "{kind}" is missing. Add [kind."{kind}"] with severity, owner, action and act_by_days.'
    words = (((*at, "word"), row.get("word")) for at, row in _tables(data, "disposition"))
    yield from _once(words, "two dispositions have the word {}")


def calendar(data: Table) -> Iterator[Found]:
    """Closing days listed once."""
    yield from _once(_items(data.get("closed"), ("closed",)), "{} stands twice in the list")


ANYWHERE = ("name", "student_id", "term", "term_name", "notice_days", "office", "contact")
GAPS: dict[str, tuple[str, ...]] = {
    "greeting": ANYWHERE,
    "without_name": ("student_id",),
    "draw_changes": (*ANYWHERE, "proposed", "notice_by"),
    "draw_may_change": ANYWHERE,
    "draw_stopped": (*ANYWHERE, "account"),
    "draw_again": (*ANYWHERE, "again", "account"),
    "money_back": (*ANYWHERE, "give_back"),
    "to_pay": (*ANYWHERE, "collect"),
    "closing": ANYWHERE,
    "why": (*ANYWHERE, "plan", "amount", "day", "draw_date", "account"),
}
"""Words that may stand in braces, by the key of the sentence."""


def letters(data: Table) -> Iterator[Found]:
    """Sentences whose gaps can be filled, about kinds of exceptions that exist."""
    for key, allowed in GAPS.items():
        yield from ((((key,), told)) for told in _gaps(data.get(key), allowed))
    kinds = data.get("kind")
    for name, table in kinds.items() if isinstance(kinds, dict) else ():
        if name not in KINDS:
            yield ("kind", name), unknown("kind of exception", name, KINDS)
        if isinstance(table, dict):
            yield from ((("kind", name, "why"), told) for told in _gaps(table.get("why"), GAPS["why"]))
            yield from _once(_items(table.get("only_after"), ("kind", name, "only_after")), "{} stands twice in the list")
    yield from _once(_items(data.get("not_after"), ("not_after",)), "{} stands twice in the list")


def _gaps(sentence: object, allowed: tuple[str, ...]) -> Iterator[str]:
    """What is wrong with the words in braces of a sentence."""
    if not isinstance(sentence, str):
        return
    try:
        parts = list(Formatter().parse(sentence))
    except ValueError:
        yield f"{show(sentence)} has a brace without its other half. Write words to fill in as {{amount}}, and a brace itself twice."
        return
    for _text, gap, form, conversion in parts:
        if gap is not None and gap not in allowed:
            yield unknown("word to fill in", gap or "{}", allowed)
        elif gap is not None and (form or conversion):
            yield f"{{{gap}}} stands alone between its braces, with nothing behind the word."


def letter_words(data: Table, dispositions: Collection[str]) -> Iterator[Found]:
    """Dispositions named in letters.toml that exceptions.toml does not know."""
    kinds = data.get("kind")
    lists: list[tuple[object, KeyPath]] = [(data.get("not_after"), ("not_after",))]
    lists += [
        (table.get("only_after"), ("kind", name, "only_after"))
        for name, table in (kinds.items() if isinstance(kinds, dict) else ())
        if isinstance(table, dict)
    ]
    for values, at in lists:
        for path, word in _items(values, at):
            if isinstance(word, str) and word not in dispositions:
                yield path, unknown("disposition in exceptions.toml", word, tuple(dispositions))


def _none(_: Table) -> Iterator[Found]:
    return iter(())


CHECKS: dict[str, Callable[[Table], Iterator[Found]]] = {
    "terms.toml": terms,
    "matching.toml": _none,
    "aid.toml": aid,
    "plans.toml": plans,
    "returns.toml": returns,
    "exceptions.toml": exceptions,
    "calendar.toml": calendar,
    "letters.toml": letters,
}
"""The checks of each rules file."""


def _tables(data: Table, key: str, at: KeyPath = ()) -> Iterator[tuple[KeyPath, Table]]:
    """The tables of an array of tables with their paths; nothing where the value is something else."""
    return ((path, item) for path, item in _items(data.get(key), (*at, key)) if isinstance(item, dict))


def _items(values: object, at: KeyPath) -> Iterator[tuple[KeyPath, Any]]:
    return (((*at, n), value) for n, value in enumerate(values)) if isinstance(values, list) else iter(())


def _is_day(value: object) -> bool:
    return isinstance(value, date) and not isinstance(value, datetime)


def _day(table: Table, key: str) -> date | None:
    value = table.get(key)
    return value if isinstance(value, date) and _is_day(value) else None


def _once(values: Iterable[tuple[KeyPath, object]], sentence: str) -> Iterator[Found]:
    """The places of texts and dates that stood before in the same list; capitals do not tell two texts apart."""
    seen: set[object] = set()
    for path, value in values:
        plain = value.casefold() if isinstance(value, str) else value
        if not isinstance(plain, (str, date)):
            continue
        if plain in seen:
            yield path, f"{sentence.format(show(value))}."
        seen.add(plain)
