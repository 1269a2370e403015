"""What a skilled analyst would write instead, one SQL script: plain_sql.py EXPORTS OUT. Needs duckdb.

Exact decimals, but no validation, no ties, no returns undone, no proof.
"""

from __future__ import annotations

import sys
from pathlib import Path

import duckdb

FOUND = """
create table found as select s.*, b.reference, b.outcome from plan_schedules s left join cleared_draws b
  on s.plan_id = b.plan_id and s.amount = b.amount
 and b.settled_on between s.draw_date - interval 3 day and s.draw_date + interval 10 day
"""
STUDENTS = """
with c as (select student_id, sum(amount) as charges from charges group by 1),
a as (select student_id, sum(amount) as aid from aid group by 1),
d as (select student_id, coalesce(sum(amount) filter (outcome = 'cleared'), 0) as cleared,
             coalesce(sum(amount) filter (draw_date > date '2026-11-20'), 0) as pending,
             coalesce(sum(amount) filter (outcome = 'returned'), 0) as failed from found group by 1)
select student_id, charges, aid, cleared, pending, failed, charges - aid - cleared - pending as gap
from c left join a using (student_id) left join d using (student_id) order by 1
"""


def main(exports: Path, out: Path) -> None:
    """Match by plan, amount and date; per student charges, aid, cleared, pending and failed."""
    sql = duckdb.connect()
    for name in ("charges", "aid", "plan_schedules", "cleared_draws"):
        source = f"read_csv('{exports / name}.csv', types = {{'student_id': 'VARCHAR', 'amount': 'DECIMAL(12,2)'}})"
        sql.execute(f"create table {name} as from {source}")
    sql.execute(FOUND)
    sql.execute(f"copy ({STUDENTS}) to '{out / 'students.csv'}'")
    sql.execute(f"copy found to '{out / 'draws.csv'}'")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
