"""What many offices' scripts look like: plain_pandas.py EXPORTS OUT. Needs pandas.

Money in floats, no validation, no ties, no returns undone, no proof: it shows what the same question costs when nobody asks for certainty.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd


def main(exports: Path, out: Path) -> None:
    """Match by plan, amount and date; per student charges, aid, cleared, pending and failed."""
    charges, aid, lines, bank = (
        pd.read_csv(exports / f"{name}.csv", dtype={"student_id": str}) for name in ("charges", "aid", "plan_schedules", "cleared_draws")
    )
    lines["draw_date"], bank["settled_on"] = pd.to_datetime(lines["draw_date"]), pd.to_datetime(bank["settled_on"])
    found = lines.merge(bank, on=["plan_id", "amount"], how="left", suffixes=("", "_bank"))
    inside = (found["settled_on"] >= found["draw_date"] - pd.Timedelta(days=3)) & (
        found["settled_on"] <= found["draw_date"] + pd.Timedelta(days=10)
    )
    draws = found[found["settled_on"].isna() | inside]

    def total(rows: pd.DataFrame) -> pd.Series:
        return rows.groupby("student_id")["amount"].sum()

    students = pd.DataFrame(
        {
            "charges": total(charges),
            "aid": total(aid),
            "cleared": total(draws[draws["outcome"] == "cleared"]),
            "pending": total(lines[lines["draw_date"] > "2026-11-20"]),
            "failed": total(draws[draws["outcome"] == "returned"]),
        }
    ).fillna(0)
    students["gap"] = (students["charges"] - students["aid"] - students["cleared"] - students["pending"]).round(2)
    students.to_csv(out / "students.csv")
    draws.to_csv(out / "draws.csv", index=False)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
