"""Seals over an audit: each change is found, named, and nothing that a changed file holds makes the check itself fail."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from reconcile.seals import AUDIT_HASH, SEALS, as_text, broken_seals, fingerprint, sealed

AUDIT: dict[str, Any] = {"as_of": "2026-10-31", "notes": ["one"], "totals": {"aid": {"rows_read": 3}}}
JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-9, 9) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
)


def test_the_audit_hash_is_the_documented_one() -> None:
    """SHA-256 over the seals, each SHA-256 over a value, worked out here by hand."""
    seals = {
        "as_of": hashlib.sha256(b'"2026-10-31"').hexdigest(),
        "notes": hashlib.sha256(b'["one"]').hexdigest(),
        "totals": hashlib.sha256(b'{"aid":{"rows_read":3}}').hexdigest(),
    }
    text = f'{{"as_of":"{seals["as_of"]}","notes":"{seals["notes"]}","totals":"{seals["totals"]}"}}'
    whole = sealed(AUDIT)
    assert whole[SEALS] == seals
    assert whole[AUDIT_HASH] == hashlib.sha256(text.encode()).hexdigest()


def test_a_whole_audit_has_no_broken_seal() -> None:
    """What was sealed and read back holds, and sealing it again gives the same."""
    whole = sealed(AUDIT)
    assert list(broken_seals(json.loads(as_text(whole)))) == []
    assert sealed(whole) == whole


def test_each_change_is_named_by_its_key() -> None:
    """A changed, a missing and a new key are told apart; so is a seal that does not fit the audit hash."""
    whole = sealed(AUDIT)
    assert list(broken_seals(whole | {"totals": {"aid": {"rows_read": 4}}})) == ["it says something else under totals than the run wrote"]
    assert list(broken_seals({k: v for k, v in whole.items() if k != "notes"})) == ["what the run wrote under notes is gone"]
    assert list(broken_seals(whole | {"more": 1})) == ["it says something under more that the run did not write"]
    forged = whole | {"notes": [], SEALS: whole[SEALS] | {"notes": fingerprint([])}}
    assert list(broken_seals(forged)) == ["its audit hash is not that of its seals"]
    assert list(broken_seals({"as_of": "2026-10-31"})) == ["it holds no seals"]


@given(JSON, JSON)
def test_two_values_have_the_same_seal_only_if_they_are_the_same_text(one: Any, other: Any) -> None:
    """Any other value gives another seal."""
    assert (fingerprint(one) == fingerprint(other)) == (json.dumps(one, sort_keys=True) == json.dumps(other, sort_keys=True))


@given(st.dictionaries(st.sampled_from(["as_of", "notes", "seals", "audit_hash", "x"]), JSON))
def test_whatever_a_file_holds_it_is_judged(found: dict[str, Any]) -> None:
    """A made-up audit is never whole and never makes the check fail."""
    assert list(broken_seals(found)) != []
