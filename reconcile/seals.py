r"""Seals over an audit: so that a change of anything in `audit.json`, a total, an option or a note too, is found and named.

The run hash binds what a run was made from and its data files. Beside it the audit holds one seal for each thing that it says, and the
audit hash over all seals; the run that follows and everyone who signs name both hashes.

    seal        SHA-256 of the value as JSON text, in ASCII, keys sorted, no spaces
    audit hash  SHA-256 of {"as_of": seal, "inputs": seal, ...} in the same form

    >>> fingerprint({"b": 1, "a": "\u00e9"}) == __import__("hashlib").sha256(b'{"a":"\\u00e9","b":1}').hexdigest()
    True
    >>> whole = sealed({"as_of": "2026-10-31", "notes": []})
    >>> list(broken_seals(whole | {"notes": ["another"]}))
    ['it says something else under notes than the run wrote']
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

SEALS, AUDIT_HASH = "seals", "audit_hash"
_OWN: Final = frozenset({SEALS, AUDIT_HASH})


def fingerprint(value: object) -> str:
    """SHA-256, as 64 hexadecimal characters, of a value as JSON text in ASCII, keys sorted, no spaces."""
    return hashlib.sha256(json.dumps(value, sort_keys=True, separators=(",", ":")).encode("ascii")).hexdigest()


def sealed(audit: Mapping[str, Any]) -> dict[str, Any]:
    """The audit with a seal for each of its keys, and the audit hash over the seals; seals that it had before are made anew."""
    plain = {key: value for key, value in audit.items() if key not in _OWN}
    seals = {key: fingerprint(value) for key, value in plain.items()}
    return plain | {SEALS: seals, AUDIT_HASH: fingerprint(seals)}


def broken_seals(audit: Mapping[str, Any]) -> Iterator[str]:
    """What in an audit is not as the run wrote it, one phrase each; nothing if all of it is.

    In:      any mapping: what a changed file may hold is not trusted.
    """
    seals = audit.get(SEALS)
    if not isinstance(seals, dict):
        yield "it holds no seals"
        return
    for key in sorted({*audit, *seals} - _OWN):
        if key not in seals:
            yield f"it says something under {key} that the run did not write"
        elif key not in audit:
            yield f"what the run wrote under {key} is gone"
        elif seals[key] != fingerprint(audit[key]):
            yield f"it says something else under {key} than the run wrote"
    if audit.get(AUDIT_HASH) != fingerprint(seals):
        yield "its audit hash is not that of its seals"


def as_text(document: Mapping[str, Any]) -> bytes:
    """A document of a run as it is written: JSON in UTF-8, sorted keys, two spaces, a line end at the end."""
    return (json.dumps(document, sort_keys=True, indent=2, ensure_ascii=False) + "\n").encode("utf-8", "backslashreplace")
