"""A second opinion on the roll-forward, by an independent SQL engine: from draws.csv of two closes and their plan exports.

Nothing here calls the engine's arithmetic. Taken from the runs: the state of each line and the money on it (draws.csv). Worked out anew
from the words of the contract: what was rolled into an adjusted plan, which plans are new, and how each line moved.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import duckdb

if TYPE_CHECKING:
    from pathlib import Path

Cell = tuple[str, str, str, str]

LINES = """
create table {name} as
with d as (select term, student_id, plan_id, line, kind, method, draw_date::date as draw_date, state,
                  cast(scheduled * 100 as bigint) as cents, cast(cleared * 100 as bigint) as net
           from read_csv('{run}/draws.csv', types = {{'scheduled': 'decimal(18,2)', 'cleared': 'decimal(18,2)', 'line': 'varchar'}})),
x as (select plan_id, line, enrolled_on::date as enrolled_on, cast(plan_total * 100 as bigint) as total,
             coalesce(line_status, 'active') = 'active' or coalesce(cancelled_on > date '{as_of}', false) as live
      from read_csv('{exports}/plan_schedules.csv', types = {{'plan_total': 'decimal(18,2)', 'line': 'varchar', 'cancelled_on': 'date'}})),
b as (select d.*, x.enrolled_on, x.total, x.live from d join x using (plan_id, line)),
p as (select term, student_id, plan_id, max(enrolled_on) as enrolled_on, max(total) as total,
             coalesce(sum(cents) filter (live and kind <> 'fee'), 0) as active,
             coalesce(bool_or(live and kind <> 'fee' and state not in ('cleared', 'part cleared', 'cancelled')), false) as open
      from b group by all),
s as (select term, student_id, sum(active) as active,
             sum(case when not open and exists (select 1 from p q where q.term = p.term and q.student_id = p.student_id
                          and q.plan_id <> p.plan_id and q.enrolled_on >= p.enrolled_on) then active else total end) as total
      from p group by all),
o as (select plan_id, line, cents, greatest(0, s.active - s.total) as room,
             coalesce(sum(cents) over (partition by term, student_id order by draw_date, plan_id, try_cast(line as integer), line
                                       rows between unbounded preceding and 1 preceding), 0) as before
      from b join s using (term, student_id) where live and kind <> 'fee' and state in ('failed', 'not seen'))
select b.*, coalesce(greatest(0, least(o.cents, o.room - o.before)), 0) as rolled from b left join o using (plan_id, line)
"""

MOVES = """
create table both_ends as
select coalesce(n.term, w.term) as term, coalesce(n.method, w.method) as method,
       coalesce(w.state, 'none') as s0, coalesce(n.state, 'none') as s1, coalesce(w.cents, 0) as a0, coalesce(n.cents, 0) as a1,
       coalesce(w.net, 0) as n0, coalesce(n.net, 0) as n1, coalesce(w.rolled, 0) as r0, coalesce(n.rolled, 0) as r1,
       n.plan_id is not null and n.plan_id not in (select plan_id from was) as fresh,
       w.plan_id is not null and (not w.live or w.cents = 0) and coalesce(n.live, false) and n.cents > 0 as anew
from was w full join is_now n using (term, student_id, plan_id, line, method);
create table parts as
select *, s0 in ('pending', 'in transit') as p0, s1 in ('pending', 'in transit') as p1, s0 in ('failed', 'not seen') as f0,
       s1 in ('failed', 'not seen') as f1, s0 in ('cleared', 'part cleared') as c0, s1 in ('cleared', 'part cleared') as c1
from both_ends;
create table rows as
with m as (select *, s0 = 'none' and s1 <> 'none' as came, p0 and s1 <> 'none' as stayed,
                  s0 = 'cancelled' and (p1 or f1 or (c1 and anew)) as stood from parts),
k as (select *, came or stayed or stood as told from m)
select term, method, 'pending' as money, item, cents from (
    select term, method, unnest([
        {'item': 'opening', 'cents': case when p0 then a0 else 0 end},
        {'item': 'new plans', 'cents': case when came and fresh then a1 else 0 end},
        {'item': 'lines added or raised', 'cents': case when (came and not fresh) or stood then a1
                                                        when stayed and a1 > a0 then a1 - a0 else 0 end},
        {'item': 'lines removed or lowered', 'cents': case when p0 and s1 = 'none' then -a0
                                                           when stayed and a1 < a0 then a1 - a0 else 0 end},
        {'item': 'cleared at schedule', 'cents': case when told and s1 = 'cleared' then -a1 else 0 end},
        {'item': 'part cleared', 'cents': case when told and s1 = 'part cleared' then -n1 else 0 end},
        {'item': 'uncleared part', 'cents': case when told and s1 = 'part cleared' then n1 - a1 else 0 end},
        {'item': 'failed', 'cents': case when told and s1 = 'failed' then -a1 else 0 end},
        {'item': 'not seen', 'cents': case when told and s1 = 'not seen' then -a1 else 0 end},
        {'item': 'cancelled', 'cents': case when told and s1 = 'cancelled' then -a1 else 0 end},
        {'item': 'brought back', 'cents': case when (f0 or c0) and p1 then a1 else 0 end},
        {'item': 'closing', 'cents': case when p1 then a1 else 0 end}], recursive := true) from k)
union all
select term, method, 'failed and not seen', item, cents from (
    select term, method, unnest([
        {'item': 'opening', 'cents': case when f0 then a0 - r0 else 0 end},
        {'item': 'new', 'cents': case when f1 and not f0 and not c0 then a1 when f0 and f1 and a1 > a0 then a1 - a0 else 0 end},
        {'item': 'returned after clearing', 'cents': case when f1 and s0 = 'cleared' then a1
                                                          when f1 and s0 = 'part cleared' then least(n0, a1) else 0 end},
        {'item': 'collected later', 'cents': case when f0 and s1 = 'cleared' then r0 - a0
                                                  when f0 and s1 = 'part cleared' then -least(n1, a0 - r0) else 0 end},
        {'item': 'uncleared part', 'cents': case when f1 and s0 = 'part cleared' then a1 - least(n0, a1)
                                                 when f0 and s1 = 'part cleared' then least(n1, a0 - r0) - (a0 - r0) else 0 end},
        {'item': 'rolled into the plan', 'cents': case when f0 and f1 then r0 - r1 when f1 then -r1 when f0 and p1 then r0 - a0 else 0 end},
        {'item': 'cancelled', 'cents': case when f0 and s1 in ('cancelled', 'none') then r0 - a0
                                            when f0 and f1 and a1 < a0 then a1 - a0 else 0 end},
        {'item': 'closing', 'cents': case when f1 then a1 - r1 else 0 end}], recursive := true) from k)
"""


def second_rollforward(run: Path, previous: Path | None, day: str, previous_day: str) -> dict[Cell, int]:
    """Every cell of a close's roll-forward in cents, by term, method, money and item; from run folders that keep their exports."""
    sql = duckdb.connect()
    sql.execute(LINES.format(name="is_now", run=run, exports=run / "inputs" / "exports", as_of=day))
    if previous is None:
        sql.execute("create table was as select * from is_now where false")
    else:
        sql.execute(LINES.format(name="was", run=previous, exports=previous / "inputs" / "exports", as_of=previous_day))
    sql.execute(MOVES)
    found = sql.execute("select term, method, money, item, sum(cents)::bigint from rows group by all").fetchall()
    return {(term, method, money, item): cents for term, method, money, item, cents in found}
