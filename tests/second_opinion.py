"""A second opinion by an independent SQL engine: bills, coverage, variance and the tables by day, worked out from the CSV files.

Nothing here calls the engine's arithmetic. The exports are read from the files as text, and every figure is one SQL query. Taken over from
the run, because finding them is another question (and has another second opinion): which line a bank event is on and what a return undid
(`entries`), the state of each line and the money on it (`draws`), and for the coming draws what was proposed (`plans`).

Cents are integers. Banking days come from the list below, not from the engine's calendar.
"""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any

import duckdb
import pyarrow as pa  # type: ignore[import-untyped]

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from pathlib import Path

    import pandas as pd

CLOSED = (
    *("2026-01-01", "2026-01-19", "2026-02-16", "2026-05-25", "2026-06-19", "2026-09-07", "2026-10-12", "2026-11-11", "2026-11-26"),
    *("2026-12-25", "2027-01-01", "2027-01-18", "2027-02-15", "2027-05-31", "2027-07-05", "2027-09-06", "2027-10-11", "2027-11-11"),
    *("2027-11-25",),
)
"""Weekdays on which the Reserve Banks are closed. Source: Federal Reserve Board, K.8 "Holidays Observed by the Federal Reserve System
2026-2030"."""

EXPORTS = {
    "charges": "student_id, term, posted_on::date posted_on, {cents} cents, lower(trim(coalesce(charge_type, ''))) charge_type",
    "aid": (
        "student_id, term, lower(trim(fund)) fund, status, {cents} cents, posted_on::date posted_on, disbursed_on::date disbursed_on,"
        " expected_on::date expected_on, cancelled_on::date cancelled_on"
    ),
    "schedules": (
        "plan_id, student_id, term, enrolled_on::date enrolled_on, {total} plan_total, line, draw_date::date draw_date, {cents} cents,"
        " coalesce(kind, 'draw') kind, coalesce(method, 'bank') method, coalesce(line_status, 'active') line_status,"
        " cancelled_on::date cancelled_on, coalesce(set_on, enrolled_on)::date set_on, coalesce(consent_on, enrolled_on)::date consent_on"
    ),
    "bank": (
        "settled_on::date settled_on, {cents} cents, outcome, coalesce(plan_id, '') plan_id, coalesce(student_id, '') student_id,"
        " coalesce(kind, '') kind, coalesce(method, '') method, coalesce(return_code, '') return_code"
    ),
    "postings": "student_id, term, posted_on::date posted_on, kind, {cents} cents",
}
FILES = {"schedules": "plan_schedules", "bank": "cleared_draws"}

BILL = """
create macro aid_stands(fund, status, posted_on, cancelled_on, day) as
    posted_on <= day and status <> 'estimated' and not list_contains((select never_on_bill from rules), fund)
    and not ((status = 'cancelled' or cancelled_on is not null) and coalesce(cancelled_on, (select as_of from rules)) <= day);
create macro aid_in_hand(status, posted_on, disbursed_on, day) as
    coalesce(disbursed_on, case when status = 'disbursed' then posted_on end, date '9999-12-31') <= day;
create macro aid_lapsed(expected_on, day) as
    coalesce(expected_on + (select grace_days from rules)::integer < day, false);

create table lines as
select s.* replace (case when line_status = 'cancelled' and coalesce(s.cancelled_on, as_of) <= as_of then 'cancelled' else 'active' end
                    as line_status),
       d.state, d.cleared, s.kind = 'fee' as is_fee,
       case when s.method = 'card' then (s.cents * t.card_fee + 5000) // 10000 else 0 end as card_fee
from schedules s join rules on true join terms t using (term)
join draws d on (d.plan_id, d.line) = (s.plan_id, s.line)
where s.enrolled_on <= as_of;

-- What each bank row is about (line and undoing as the run found them), and what returns and refunds took off it, oldest first.
create table events as
select b.*, e.term as term_found, e.student_id as whose, e.line as line_found, e.plan_id as plan_found, e.undoes,
       e.bucket, l.is_fee, coalesce(case when b.cents = l.cents + l.card_fee then l.card_fee end, 0) as card_fee,
       coalesce(nullif(b.method, ''), l.method, '') as method_found, l.line_status,
       (select max(n) from open_days where day <= b.settled_on) as open_day
from bank b join entries e on e.export = 'cleared_draws' and e.row = b.row
left join lines l on (l.plan_id, l.line) = (e.plan_id, e.line) and e.match <> ''
where b.settled_on <= (select as_of from rules);
create table undone as
with asked as (
    select row, cents, settled_on, outcome, kind, regexp_extract(undoes, ':([0-9]+) \\(rule', 1)::bigint as target
    from events where undoes <> ''),
ran as (
    select a.*, t.cents as whole, t.kind as target_kind,
           coalesce(sum(a.cents) over earlier, 0) as before
    from asked a join events t on t.row = a.target
    window earlier as (partition by target order by a.settled_on, a.row rows between unbounded preceding and 1 preceding))
select row, target, target_kind, greatest(0, least(cents, whole - before)) as cents from ran;
create table plan_money as
select e.row, e.whose as student_id, e.term_found as term, e.settled_on, e.cents, e.line_status,
       greatest(0, e.cents - coalesce(u.cents, 0) - e.card_fee) as stayed
from events e left join (select target, sum(cents) as cents from undone group by 1) u on u.target = e.row
where e.outcome = 'cleared' and e.kind not in ('fee', 'payment') and not coalesce(e.is_fee, false) and e.term_found <> '';

-- Postings that are the same money as a bank event.
create table credits as
with drawn as (select * from postings where kind = 'plan draw' and posted_on <= (select as_of from rules)),
refund_pairs as (
    select p.row, e.row as event from postings p join events e
      on e.whose = p.student_id and e.term_found = p.term and e.cents - e.card_fee = -p.cents and e.outcome = 'refunded'
     and e.kind <> 'payment' and abs(p.posted_on - e.settled_on) <= (select late_match_days from rules)
    where p.kind = 'refund' and not exists (
        select 1 from drawn d where d.student_id = p.student_id and d.term = p.term and d.cents = p.cents
         and abs(d.posted_on - e.settled_on) <= (select late_match_days from rules))
    qualify row_number() over (partition by p.row order by abs(p.posted_on - e.settled_on), e.row) = 1
        and row_number() over (partition by e.row order by abs(p.posted_on - e.settled_on), p.row) = 1),
as_payment as (
    select p.row from postings p join events e
      on e.whose = p.student_id and e.term_found = p.term and e.cents - e.card_fee = p.cents and e.outcome = 'cleared'
     and e.kind <> 'payment' join rules on true
    join open_days o on o.n = e.open_day + case when e.method_found = 'card' then posting_card else posting_bank end
     and p.posted_on between e.settled_on and o.day
    where p.kind = 'payment' and not exists (
        select 1 from drawn d where d.student_id = p.student_id and d.term = p.term and d.cents = p.cents
         and abs(d.posted_on - e.settled_on) <= (select late_match_days from rules))
    qualify row_number() over (partition by p.row order by e.settled_on) = 1
        and row_number() over (partition by e.row order by p.posted_on) = 1)
select p.row, p.student_id, p.term, p.posted_on, p.kind, p.cents as posted,
       case when a.row is not null then 0
            when r.row is not null then p.cents + least(-p.cents, coalesce(u.cents, 0)) else p.cents end as cents
from postings p left join as_payment a using (row) left join refund_pairs r using (row)
left join (select row, sum(cents) as cents from undone where target_kind <> 'payment' group by 1) u on u.row = r.event
where p.kind <> 'plan draw' and p.posted_on <= (select as_of from rules);

create table stopped as
select l.plan_id from (select plan_id, student_id, max(consent_on) as consent_on from lines group by 1, 2) l
where exists (
    select 1 from events e join stop_codes c on c.code = e.return_code and (e.method in ('', c.method) or e.method_found = c.method)
    where e.outcome = 'returned' and e.kind <> 'payment' and e.settled_on >= l.consent_on
      and (e.plan_id = l.plan_id or (e.plan_id = '' and e.whose = l.student_id)));
"""

STUDENTS = """
with known as (select term from terms), rows as (
    select student_id, term from charges where posted_on <= (select as_of from rules)
    union select student_id, term from aid where posted_on <= (select as_of from rules)
    union select student_id, term from postings where posted_on <= (select as_of from rules)
    union select student_id, term from lines
    union select student_id, term from plan_money where stayed > 0),
c as (select student_id, term, sum(cents) n from charges where posted_on <= (select as_of from rules) group by 1, 2),
a as (
    select student_id, term,
           sum(cents) filter (aid_in_hand(status, posted_on, disbursed_on, as_of)) as in_hand,
           sum(cents) filter (not aid_in_hand(status, posted_on, disbursed_on, as_of) and not aid_lapsed(expected_on, as_of)) as expected
    from aid join rules on true where aid_stands(fund, status, posted_on, cancelled_on, as_of) group by 1, 2),
o as (select student_id, term, sum(cents) n from credits group by 1, 2),
d as (select student_id, term, sum(stayed) n from plan_money group by 1, 2),
l as (
    select student_id, term, sum(cents) filter (state in ('pending', 'in transit')) as coming,
           sum(cents) filter (state = 'failed') as failed, sum(cents) filter (state = 'not seen') as not_seen,
           sum(cents) filter (state = 'pending' and plan_id in (select plan_id from stopped)) as held
    from lines where not is_fee group by 1, 2),
f as (
    select rows.term, rows.student_id, coalesce(c.n, 0) as charges, coalesce(in_hand, 0) as aid_disbursed,
           coalesce(expected, 0) as aid_anticipated, coalesce(o.n, 0) as other_credits, coalesce(d.n, 0) as draws_cleared,
           coalesce(c.n, 0) - coalesce(in_hand, 0) - coalesce(o.n, 0) - coalesce(d.n, 0) as balance_now,
           coalesce(coming, 0) as pending_draws, coalesce(failed, 0) as failed_draws, coalesce(not_seen, 0) as not_seen_draws,
           coalesce(held, 0) as held
    from rows join known using (term) left join c using (student_id, term) left join a using (student_id, term)
    left join o using (student_id, term) left join d using (student_id, term) left join l using (student_id, term)),
g as (select f.*, balance_now - aid_anticipated - pending_draws as gap from f)
select g.* exclude (held, gap), gap::bigint as gap,
       case when t.billed_on > as_of then 'not billed' when gap + held > plan_tolerance then 'short'
            when gap + held < -plan_tolerance then 'over' when balance_now <= plan_tolerance then 'paid' else 'covered by pending' end
         as coverage
from g join terms t using (term) join rules on true
"""

VARIANCE = """
with plan as (
    select plan_id, student_id, term, any_value(plan_total) as plan_total, any_value(enrolled_on) as enrolled_on, max(set_on) as set_on,
           coalesce(bool_or(line_status = 'active') filter (not is_fee), false) as live,
           coalesce(bool_or(line_status = 'active' and state not in ('cleared', 'part cleared', 'cancelled')) filter (not is_fee), false)
             as open,
           coalesce(sum(cents) filter (line_status = 'active' and not is_fee), 0) as active
    from lines group by 1, 2, 3),
per as (
    select student_id, term, min(enrolled_on) as enrolled_on,
           sum(case when not open and exists (select 1 from plan q where (q.student_id, q.term) = (p.student_id, p.term)
                         and q.plan_id <> p.plan_id and q.enrolled_on >= p.enrolled_on) then active else plan_total end) as plan_total,
           least((select as_of from rules), greatest(max(set_on) filter (live), any_value(billed_on))) as baseline
    from plan p join terms using (term) group by 1, 2),
sums as (
    select student_id, term,
           coalesce(sum(cents) filter (line_status = 'active'), 0) as active,
           coalesce(sum(cents) filter (line_status = 'cancelled'), 0) as dropped,
           coalesce(sum(cleared) filter (line_status = 'active'), 0) as on_lines,
           coalesce(sum(cents) filter (line_status = 'active' and state = 'failed'), 0) as failed,
           coalesce(sum(cents) filter (line_status = 'active' and state = 'not seen'), 0) as not_seen,
           coalesce(sum(greatest(0, cents - cleared))
               filter (line_status = 'active' and state in ('cleared', 'part cleared', 'cancelled')), 0) as uncleared,
           coalesce(sum(greatest(0, cleared - cents)) filter (line_status = 'active'), 0) as above
    from lines where not is_fee group by 1, 2),
met as (
    select c.row as charge, p.row as posting from charges c join credits p
      on (p.student_id, p.term, p.cents) = (c.student_id, c.term, c.cents) and p.kind = 'payment' and p.posted_on >= c.posted_on
    where list_contains((select outside from rules), c.charge_type) and c.cents > 0
    qualify row_number() over (partition by c.row order by p.posted_on) = 1
        and row_number() over (partition by p.row order by c.posted_on) = 1),
days as (select student_id, term, baseline as day, 'then' as moment from per
         union all select student_id, term, (select as_of from rules), 'now' from per),
bill as (
    select student_id, term, moment,
        (select coalesce(sum(c.cents), 0) from charges c where (c.student_id, c.term) = (d.student_id, d.term) and c.posted_on <= day
            and not list_contains((select outside from rules), c.charge_type)) as charges,
        (select coalesce(sum(a.cents), 0) from aid a where (a.student_id, a.term) = (d.student_id, d.term)
            and aid_stands(fund, status, posted_on, cancelled_on, day)
            and (aid_in_hand(status, posted_on, disbursed_on, day) or not aid_lapsed(expected_on, day))) as aid,
        (select coalesce(sum(p.cents), 0) from credits p where (p.student_id, p.term) = (d.student_id, d.term) and p.posted_on <= day
            and p.row not in (select posting from met)) as credits
    from days d),
both_ends as (
    select a.student_id, a.term, a.charges - a.aid - a.credits as bill_then, b.charges - a.charges as charges_since,
           b.aid - a.aid as aid_since, b.credits - a.credits as credits_since
    from bill a join bill b using (student_id, term) where a.moment = 'then' and b.moment = 'now'),
fines as (
    select student_id, term, sum(cents) filter (c.row not in (select charge from met)) as open_outside
    from charges c where posted_on <= (select as_of from rules) and list_contains((select outside from rules), charge_type) group by 1, 2),
parts as (
    select *, least(dropped, greatest(0, plan_total - active)) as held,
           least(failed + not_seen, greatest(0, active - plan_total)) as rolled,
           balance_now - aid_anticipated - coalesce(open_outside, 0) as meet
    from per join sums using (student_id, term) join both_ends using (student_id, term)
    join second_students using (student_id, term) left join fines using (student_id, term))
select term, student_id, baseline, plan_total, active as active_lines, on_lines as cleared, pending_draws, failed, not_seen,
       meet as balance_to_meet, pending_draws - meet as variance, plan_total - bill_then as set_off_the_bill,
       active + held - rolled - plan_total as does_not_add_up, -held as cancelled, -charges_since as charges_changed,
       aid_since as aid_changed, credits_since as other_credits_changed, -(failed + not_seen - rolled) as failed_and_not_seen,
       -uncleared as uncleared, above as above_schedule, draws_cleared - on_lines as without_a_line
from parts
"""

NEXT_DRAWS = """
with told as (
    select student_id, term, split_part(part, ' ', 1)::date as draw_date,
           sum(round(split_part(part, ' ', 2)::decimal(18, 2) * 100)::bigint) as new
    from (select student_id, term, unnest(string_split(proposed_draws, '; ')) as part from plans where proposed_draws <> '')
    group by 1, 2, 3),
undecided as (
    select distinct whose as student_id from events where bucket in ('dishonored or contested return', 'more than one way to match')),
pending as (
    select term, draw_date, student_id, count(*) as lines, sum(cents) as old, coalesce(sum(cents) filter (stops), 0) as stopped,
           coalesce(sum(cents) filter (is_fee), 0) as fees
    from (select *, plan_id in (select plan_id from stopped) as stops from lines where state = 'pending') group by 1, 2, 3),
asked as (
    select p.*, case when u.student_id is not null then old - stopped
                     when t.new is not null then t.new + fees else old end as proposed, u.student_id is not null as undecided, q.to_stop
    from pending p left join told t using (student_id, term, draw_date) left join undecided u using (student_id)
    left join plans q using (student_id, term))
select term, draw_date, (select min(day) from open_days where day >= draw_date) as taken_on, sum(lines)::bigint as lines,
       sum(old) as scheduled,
       sum(case when undecided then old
                when proposed <> old - stopped then stopped + abs(old - stopped - proposed)
                when to_stop > 0 then old else stopped end) as in_question,
       sum(proposed) as proposed, draw_date - (select notice_days from rules)::integer as notice_by,
       (select max(day) from open_days where day < (select min(day) from open_days where day >= draw_date)) as last_day_to_stop
from asked group by 1, 2
"""

DRAW_DATES = """
select term, draw_date, count(*) as lines, sum(cents) as scheduled, sum(cleared) as cleared,
       coalesce(sum(cents) filter (state = 'in transit'), 0) as in_transit, coalesce(sum(cents) filter (state = 'failed'), 0) as failed,
       coalesce(sum(cents) filter (state = 'not seen'), 0) as not_seen,
       coalesce(sum(cents - cleared) filter (state not in ('in transit', 'failed', 'not seen')), 0) as other
from lines group by 1, 2
"""

SETTLEMENT_DAYS = """
with took as (select row, sum(cents) as cents from undone group by 1),
e as (select events.*, coalesce(took.cents, 0) as took from events left join took using (row))
select settled_on, method_found as method, coalesce(sum(cents - card_fee) filter (outcome = 'cleared'), 0) as cleared,
       coalesce(sum(took) filter (outcome = 'returned'), 0) as returned, coalesce(sum(took) filter (outcome = 'refunded'), 0) as refunded,
       coalesce(sum(card_fee) filter (outcome = 'cleared'), 0) as fees,
       coalesce(sum(cents) filter (outcome = 'cleared'), 0) - coalesce(sum(took) filter (outcome <> 'cleared'), 0) as net,
       coalesce(sum(cents - took) filter (outcome <> 'cleared'), 0) as no_money
from e group by 1, 2
"""

QUERIES = {"plans": VARIANCE, "next_draws": NEXT_DRAWS, "draw_dates": DRAW_DATES, "settlement_days": SETTLEMENT_DAYS}
KEYS = {
    "students": ("term", "student_id"),
    "plans": ("term", "student_id"),
    "next_draws": ("term", "draw_date"),
    "draw_dates": ("term", "draw_date"),
    "settlement_days": ("settled_on", "method"),
}


class SecondOpinion:
    """The SQL side of one run: the CSV files of a folder, the rules that the figures need, and what the run found of lines and undoings."""

    def __init__(self, exports: Path, rules: Path, as_of: date, found: Mapping[str, pd.DataFrame]) -> None:
        self._sql = duckdb.connect()
        for name in ("entries", "draws", "plans"):
            self._sql.register(f"{name}_found", pa.Table.from_pandas(found[name], preserve_index=False))
            self._sql.execute(f"create table {name} as from {name}_found")
        self._rules(rules, as_of)
        for name, columns in EXPORTS.items():
            self._read(exports / f"{FILES.get(name, name)}.csv", name, columns)
        self._sql.execute(BILL)
        self._sql.execute(f"create table second_students as {STUDENTS}")

    def _read(self, path: Path, name: str, columns: str) -> None:
        """Read a CSV file as text; `row` is the line of the file (the sample has no line break inside a cell)."""
        cents = "(round(cast(amount as decimal(18, 2)) * 100))::bigint"
        chosen = columns.format(cents=cents, total=cents.replace("amount", "plan_total"))
        source = f"read_csv('{path}', all_varchar = true, header = true, parallel = false)"
        numbered = f"select row_number() over () + 1 as row, {chosen} from {source}"  # noqa: S608 (our own text)
        self._sql.execute(f"create table {name} as {numbered}")

    def _rules(self, folder: Path, as_of: date) -> None:
        terms, matching, aid, plans, returns, calendar = (
            tomllib.loads((folder / f"{name}.toml").read_text(encoding="utf-8"))
            for name in ("terms", "matching", "aid", "plans", "returns", "calendar")
        )
        self._sql.execute("create table terms (term varchar, billed_on date, card_fee bigint)")
        for term in terms["term"]:
            if term["fee_on_bill"]:
                raise NotImplementedError("this second opinion is for terms that do not bill the plan fee")
            known = [term["code"], term["billed_on"], _hundredths(term["card_fee_percent"])]
            self._sql.execute("insert into terms values (?, ?, ?)", known)
        self._sql.execute(
            "create table rules as select ?::date as as_of, ?::bigint as grace_days, ?::varchar[] as never_on_bill, ?::bigint as"
            " plan_tolerance, ?::varchar[] as outside, ?::bigint as late_match_days, ?::bigint as posting_bank, ?::bigint as posting_card,"
            " ?::bigint as notice_days",
            [
                *(as_of, aid["grace_days"], aid["never_on_bill"], _hundredths(plans["plan_tolerance"]), plans["outside_plan"]),
                *(matching["late_match_days"], matching["posting_lag"]["bank"], matching["posting_lag"]["card"], plans["notice_days"]),
            ],
        )
        self._sql.execute("create table stop_codes (method varchar, code varchar)")
        for code in returns["code"]:
            if code["stops_plan"]:
                self._sql.execute("insert into stop_codes values (?, ?)", [code["method"], code["code"]])
        closed = [*CLOSED, *(day.isoformat() for day in calendar["closed"])]
        self._sql.execute(
            "create table open_days as select day::date as day, row_number() over (order by day) as n"
            " from unnest(generate_series(date '2026-01-01', date '2027-12-31', interval 1 day)) as s(day)"
            " where isodow(day) < 6 and not list_contains(?::date[], day::date)",
            [closed],
        )

    def table(self, name: str) -> dict[tuple[Any, ...], dict[str, Any]]:
        """The rows of one table by key, as SQL works them out."""
        asked = self._sql.execute("select * from second_students" if name == "students" else QUERIES[name])
        columns = [column[0] for column in asked.description]
        rows = [dict(zip(columns, row, strict=True)) for row in asked.fetchall()]
        return {tuple(row[key] for key in KEYS[name]): row for row in rows}


def _hundredths(text: str) -> int:
    """Money as cents, or a percent as hundredths of a percent, of a text with at most two decimals."""
    whole, _, decimals = text.partition(".")
    return int(whole) * 100 + int(decimals.ljust(2, "0") or 0)


def plain_rows(table: pd.DataFrame, name: str) -> dict[tuple[Any, ...], dict[str, Any]]:
    """The rows of the run's table by key: cents as int, dates as date (None where absent)."""
    rows = [{str(column): _plain(value) for column, value in row.items()} for row in table.to_dict("records")]
    return {tuple(row[key] for key in KEYS[name]): row for row in rows}


def _plain(value: object) -> object:
    if value is None or value != value:  # noqa: PLR0124 (an absent date is unequal to itself)
        return None
    return value.date() if hasattr(value, "date") else value
