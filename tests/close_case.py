"""A month-end close as a packet shows it, made by hand: two terms, two files, a few exceptions; figures are worked out in the comments."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from reconcile.deliver.shown import Shown
from reconcile.deliver.summary import About
from reconcile.input_counts import Counted, Input, InputCount
from reconcile.policy import load_rules
from reconcile.rule_changes import RuleChange
from reconcile.schemas import DTYPES, OUTPUTS, outputs_of

AS_OF = date(2026, 10, 31)
RULES = load_rules(Path(__file__).parents[1] / "rules")
HASH = "5f" * 32
EMPTY: dict[str, Any] = {"id": "", "text": "", "word": "", "money": 0, "count": 0, "date": None}


def table(name: str, *rows: dict[str, Any]) -> pd.DataFrame:
    """A table of OUTPUTS[name] from the cells that matter."""
    columns = OUTPUTS[name]
    return pd.DataFrame({c.name: pd.Series([r.get(c.name, EMPTY[c.kind]) for r in rows], dtype=DTYPES[c.kind]) for c in columns})


def rolled(term: str, method: str, money: str, **items: int) -> list[dict[str, Any]]:
    """Rows of a roll-forward; underscores in an item's name are spaces."""
    return [
        {"term": term, "method": method, "money": money, "item": k.replace("_", " "), "lines": 1, "amount": v} for k, v in items.items()
    ]


# pending, bank: 9,000.00 + 500.00 - 3,000.00 - 1,500.00 = 5,000.00; failed: 0 + 1,500.00 = 1,500.00
ROLLED = [
    *rolled(
        "2026-FA", "bank", "pending", opening=900_000, new_plans=50_000, cleared_at_schedule=-300_000, failed=-150_000, closing=500_000
    ),
    *rolled("2026-FA", "bank", "failed and not seen", opening=0, new=150_000, closing=150_000),
    *rolled("2027-SP", "card", "pending", opening=0, new_plans=120_000, failed=0, closing=120_000),
]


def excepted(id_: str, kind: str, amount: int, severity: str = "act", standing: str = "new", **more: Any) -> dict[str, Any]:
    """An exception of student 00777001, who must not be found in the packet."""
    own = {"term": "2026-FA", "student_id": "00777001", "plan_id": "P-777", "what": "Student 00777001 ...", "note": "Spoke to Zoe Quill"}
    return own | {"exception_id": id_, "kind": kind, "amount": amount, "severity": severity, "standing": standing, "age_days": 12} | more


LISTED = [
    excepted("XAAAA-BBBB-CCCC", "plan exceeds bill", 175_000, "urgent"),
    excepted("XDDDD-EEEE-FFFF", "failed draw", 150_000, disposition="working", decided_by="A. Clerk", decided_on="2026-10-28"),
    excepted("XGGGG-HHHH-IIII", "bill short", -25_000),  # at the threshold of 250.00
    excepted("XJJJJ-KKKK-LLLL", "draw for less", 24_999),  # a cent below it
    excepted("XMMMM-NNNN-OOOO", "failed draw", 90_000, standing="resolved"),
]
TIED = [
    ("schedule to bank", "schedule", 450_000),
    ("schedule to bank", "failed", -150_000),
    ("schedule to bank", "bank", 300_000),
    ("schedule to bank", "unexplained", 0),
    ("bank to student ledger", "bank", 300_000),
    ("bank to student ledger", "cleared not posted", -100_000),
    ("bank to student ledger", "student ledger", 200_000),
    ("bank to student ledger", "unexplained", 0),
    ("for information", "cleared, still returnable", 100_000),
]


def close_tables() -> dict[str, pd.DataFrame]:
    """All tables of the close; those that the packet does not read are empty."""
    made = {name: table(name) for name in outputs_of("close")}
    tied = [{"term": "2026-FA", "draw_date": "2026-10-10", "step": s, "item": i, "lines": 2, "amount": a} for s, i, a in TIED]
    tied[-1]["until"] = "2026-11-03"
    books = [("computed sub-ledger", 700_000), ("cleared not posted", 100_000), ("student ledger as posted", 800_000), ("unexplained", 0)]
    books += [("general ledger", 800_000), ("difference", 0)]
    made |= {
        "rollforward": table("rollforward", *ROLLED),
        "open_items": table(
            "open_items",
            {"term": "2026-FA", "state": "failed", "open": 150_000, "age": "0-30 days", "student_id": "00777001"},
        ),
        "tie_out": table("tie_out", *tied),
        "ledger_tie_out": table("ledger_tie_out", *({"term": "2026-FA", "account": "1200", "item": i, "amount": a} for i, a in books)),
        "late_rows": table("late_rows", {"what": "late", "export": "cleared_draws", "amount": 50_000, "student_id": "00777001"}),
        "close_checks": table("close_checks", {"check": "general ledger", "done": "yes", "what": "Each term was held against it."}),
        "exceptions": table("exceptions", *LISTED),
    }
    return made


def shown(**changes: Any) -> Shown:
    """The close as it is shown."""
    counted = Counted(rows_read=120, accepted=119, rejected=1, cents_read=12_345_67)
    made: dict[str, Any] = {
        "kind": "close",
        "tables": close_tables(),
        "totals": {},
        "about": About(
            as_of=AS_OF, bank_first=date(2026, 7, 1), bank_last=AS_OF, place="", previous="2026-09-30-close", notes=("One note.",)
        ),
        "rules": RULES,
        "names": {"00777001": "Zoe Quill"},
        "run_hash": HASH,
        "version": "0.1.0",
        "inputs": (
            Input("charges.csv", "export", "a1" * 32, 999, "utf-8", ",", (InputCount("charges", "", counted),)),
            Input("notes_october.csv", "notes", "b2" * 32, 99, "", "", ()),
        ),
        "rule_changes": (RuleChange("matching.toml", "late_days", "5", "7"),),
    }
    return Shown(**(made | changes))
