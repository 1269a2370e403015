"""Planted cases of the bill: aid of every status, charges outside the plan, plans not by the rules, systems apart, and coverage.

Worked out by hand as of 20 November 2026, for plans of five equal draws all taken on time but for December's, unless told otherwise.
"""

from __future__ import annotations

from datetime import date

from sample_college import FALL, SECOND_RUN, SPRING, SUMMER, Award, Books, Charge, Event, Plan, add_open
from sample_story import fall_plan, told

JULY = date(2026, 7, 10)


def add_planted_bills(books: Books) -> None:
    """Add every planted case of the bill, in order of theme."""
    _aid(books)
    _changes_of_the_bill(books)
    _outside_the_plan(books)
    _plan_against_rules(books)
    _schedule_status(books)
    _ledger(books)
    _without_a_plan(books)
    _spring(books)
    _unknown(books)


def _with_award(books: Books, number: int, name: str, total: int, award: int, what: str) -> Plan:
    """A plan whose bill is `award` higher than the plan's total: the award itself is added by the caller."""
    plan = told(fall_plan(books, number, name, total), what)
    books.charge(plan.student_id, award, date(2026, 7, 9), "course fee", "Laboratory and studio fees")
    plan.take_all()
    return plan


def _award(plan: Plan, fund: str, status: str, cents: int, *, expected: date | None = None, disbursed: date | None = None) -> Award:
    award = Award(plan.student_id, plan.term, fund, status, cents, JULY, disbursed, expected)
    plan.books.aid.append(award)
    return award


def _aid(books: Books) -> None:
    # Expected on 1 October, waited for until 22 October: lapsed since.
    plan = _with_award(books, 123429, "Birkentree, Xiomara", 520865, 125000, "a state grant of 1,250.00, expected 1 October, never came")
    _award(plan, "state grant", "anticipated", 125000, expected=date(2026, 10, 1))
    plan.expect("exception kind", "anticipated aid overdue", 125000)
    plan.expect("coverage", "short")
    plan.expect("coverage", "covered by pending", as_of=SECOND_RUN, note="the last of the 21 days of grace")

    plan = told(fall_plan(books, 123430, "Dunnockshaw, André", 690420), "work-study, anticipated and earned, pays no bill")
    plan.take_all()
    _award(plan, "work-study", "anticipated", 150000)
    _award(plan, "work-study", "disbursed", 32000, disbursed=date(2026, 10, 30))
    plan.expect("coverage", "covered by pending")

    plan = _with_award(books, 123431, "Hollinsclough, Quentin", 466665, 85000, "a grant of 850.00 was cancelled, no date given")
    _award(plan, "state grant", "cancelled", 85000)
    plan.expect("exception kind", "plan below bill", 85000)
    plan.expect("coverage", "short")

    # 900.00 cancelled on 5 October; on the 12th November and December were raised by 450.00 each and the total to 6,410.25.
    plan = told(
        fall_plan(books, 123432, "Kestrelby, Zelda", 551025),
        "a grant of 900.00 was cancelled on 5 October and the plan raised on 12 October",
    )
    books.charge(plan.student_id, 90000, date(2026, 7, 9), "course fee", "Laboratory and studio fees")
    _award(plan, "state grant", "cancelled", 90000).cancelled_on = date(2026, 10, 5)
    plan.set_on, plan.total = date(2026, 10, 12), 641025
    plan.lines["4"].amount = plan.lines["5"].amount = 155205
    plan.take_all()
    plan.expect("state", "cleared", 155205, line="4")
    plan.expect("coverage", "covered by pending")

    plan = _with_award(books, 123433, "Larkenshaw, Bodhi", 592735, 64000, "a grant of 640.00 was cancelled on 19 October")
    _award(plan, "state grant", "cancelled", 64000).cancelled_on = date(2026, 10, 19)
    plan.expect("exception kind", "plan below bill", 64000)
    plan.expect("coverage", "short")

    plan = _with_award(books, 123434, "Cobblestane, Inés", 498880, 110000, "a federal loan is paid on 24 November, after the as-of date")
    _award(plan, "federal loan", "disbursed", 110000, expected=date(2026, 11, 24), disbursed=date(2026, 11, 24))
    plan.expect("coverage", "covered by pending")

    plan = told(fall_plan(books, 123435, "Pellworth, Hana", 437720), "an estimated private loan of 2,000.00 never counts")
    plan.take_all()
    _award(plan, "private loan", "estimated", 200000)
    plan.expect("coverage", "covered by pending")


def _changes_of_the_bill(books: Books) -> None:
    # 1,920.89 still to come, 170.89 still to meet.
    plan = told(fall_plan(books, 123456, "O'Harrow, Zoë", 960445), "a scholarship of 1,750.00 arrived on 28 October")
    plan.take_all()
    day = date(2026, 10, 28)
    books.aid.append(Award(plan.student_id, FALL, "college scholarship", "disbursed", 175000, day, day, day))
    plan.expect("exception kind", "plan exceeds bill", 175000)
    plan.expect("proposal", "2026-12-10 170.89")
    plan.expect("coverage", "over")

    plan = told(fall_plan(books, 123457, "Façade, Soren", 587140), "housing rose by 715.00 on 8 October")
    plan.take_all()
    books.charge(plan.student_id, 71500, date(2026, 10, 8), "housing", "Moved to a single room")
    plan.expect("exception kind", "plan below bill", 71500)
    plan.expect("proposal", "2026-12-10 1889.28")
    plan.expect("coverage", "short")

    plan = told(
        fall_plan(books, 123458, "Müllerby, Tamsin", 470530), "December's draw was cancelled while the bill stayed: nothing is left to take"
    )
    plan.cancel(date(2026, 10, 20), "5")
    plan.take_all()
    plan.expect("state", "cancelled", 0, line="5")
    plan.expect("exception kind", "bill short", 94106)
    plan.expect("coverage", "short")

    # Three draws of 1,100.40 paid 3,301.20 of 5,502.00; a federal grant of 3,000.00 came: 799.20 in credit, no draw to come.
    plan = told(
        fall_plan(books, 123454, "Ångmere, Caspian", 550200), "a federal grant of 3,000.00 came and the last two draws were cancelled"
    )
    day = date(2026, 10, 26)
    plan.cancel(date(2026, 10, 27), "4", "5")
    plan.take_all()
    books.aid.append(Award(plan.student_id, FALL, "federal grant", "disbursed", 300000, day, day, day))
    plan.expect("exception kind", "credit balance", 79920)
    plan.expect("coverage", "over")

    # September failed; on the 28th its 1,224.49 were spread over October to December, the total unchanged.
    plan = told(fall_plan(books, 123466, "Quillfeather, Edda", 612245), "September's failed draw was spread over the last three draws")
    plan.set_on = date(2026, 9, 28)
    for line, cents in (("3", 163266), ("4", 163265), ("5", 163265)):
        plan.lines[line].amount = cents
    plan.take_all("2")
    first = plan.take("2")
    plan.lines["2"].schedule_says = ""
    plan.back(date(2026, 9, 15), 122449, "R01", of=first)
    plan.expect("state", "failed", 0, line="2")
    plan.expect("exception kind", "failed draw", 122449, line="2", note="already spread anew: nothing to present again")
    plan.expect("coverage", "covered by pending")


def _outside_the_plan(books: Books) -> None:
    plan = told(fall_plan(books, 123436, "Null, Wren", 601325), "a library fine of 35.00 that no plan is meant to pay")
    plan.take_all()
    books.charge(plan.student_id, 3500, date(2026, 10, 5), "library fine", "Overdue: Tides & Harbours")
    plan.expect("coverage", "short", note="short by the fine; the plan agrees with its bill: no exception")

    plan = told(fall_plan(books, 123437, "Rookhurst, Amara", 539995), "a parking fine of 62.50, paid on 29 September")
    plan.take_all()
    books.charge(plan.student_id, 6250, date(2026, 9, 16), "parking fine", "Lot C, no permit")
    books.post(plan.student_id, 6250, date(2026, 9, 29), "payment")
    plan.expect("coverage", "covered by pending")

    plan = told(fall_plan(books, 123483, "Saltmarsh, Ulani", 483515), "a parking fine of 75.25, paid through the same bank file")
    plan.take_all()
    books.charge(plan.student_id, 7525, date(2026, 10, 6), "parking fine", "Lot A, two hours over")
    reference = books.event_reference()
    paid = Event(date(2026, 10, 19), 7525, "cleared", "", plan.student_id, reference, kind="payment", method="card")
    books.events.append(paid)
    books.post(plan.student_id, 7525, date(2026, 10, 20), "payment")
    plan.expect("coverage", "covered by pending")

    # Balance 5 x 1,060.83 less three draws and the payment = 1,060.83, December pending: the payment covers what November did not bring.
    plan = told(
        fall_plan(books, 123464, "Thornapple, Emeka", 530415), "November's draw never came; the family paid its amount at the window"
    )
    plan.take_all("4")
    books.post(plan.student_id, 106083, date(2026, 11, 18), "payment")
    plan.expect("state", "not seen", 0, line="4")
    plan.expect("exception kind", "no draw seen", 106083, line="4", note="names the payment of 18 November as probably this draw's")
    plan.expect("coverage", "covered by pending")

    plan = told(
        fall_plan(books, 123465, "Underhay, Renée", 381295),
        "412.18 brought forward, a waiver of 200.00 and a sponsor's 2,500.00 before the plan",
    )
    plan.take_all()
    books.charge(plan.student_id, 311218, date(2026, 7, 9), "course fee", "Field term")
    for kind, cents in (("brought forward", 41218), ("waiver", 20000), ("sponsor", 250000)):
        books.post(plan.student_id, cents, JULY, kind)
    plan.expect("coverage", "covered by pending")

    plan = told(fall_plan(books, 123467, "Vantongeren, Noémie", 527505), "summer rows: a term that no rule knows")
    plan.take_all()
    books.charge(plan.student_id, 25000, date(2026, 11, 4), "course fee", "Summer deposit", SUMMER)
    books.aid.append(Award(plan.student_id, SUMMER, "college scholarship", "anticipated", 30000, date(2026, 11, 5)))
    books.post(plan.student_id, 10000, date(2026, 11, 6), "payment", SUMMER)
    plan.expect("coverage", "covered by pending")
    books.expect(plan.student_id, "other terms", "charges", 25000, term=SUMMER)
    books.expect(plan.student_id, "other terms", "aid", 30000, term=SUMMER)
    books.expect(plan.student_id, "other terms", "postings", 10000, term=SUMMER)


def _plan_against_rules(books: Books) -> None:
    # Bill 8,311.25 = 5,010.75 + 3,300.50; both plans with a December draw.
    first = told(fall_plan(books, 123438, "Wetherlam, José", 501075), "two plans in one term, both with draws to come")
    books.charge(first.student_id, 330050, date(2026, 7, 9), "course fee", "Conservatory lessons")
    second = Plan(books, "HM-FA-2938", first.student_id, first.name, FALL, date(2026, 8, 3), 330050).write_by_the_rules()
    books.plans.append(second)
    first.take_all()
    second.take_all()
    second.expect("exception kind", "second plan")
    first.expect("coverage", "covered by pending")

    # 2 x 1,111.11 taken by the first plan; the second: 40 percent of 3,333.33 = 1,333.33, then 666.67, 666.67, 666.66.
    first = told(fall_plan(books, 123439, "Yarrowdale, Jürgen", 555555), "the plan was replaced by another on 28 September")
    first.cancel(date(2026, 9, 25), "3", "4", "5")
    second = Plan(books, "HM-FA-2939", first.student_id, first.name, FALL, date(2026, 9, 28), 333333).write_by_the_rules()
    books.plans.append(second)
    first.take_all()
    second.take_all()
    second.expect("state", "cleared", 133333, line="D")
    first.expect("state", "cancelled", 0, line="3")
    first.expect("coverage", "covered by pending")

    plan = told(fall_plan(books, 123440, "Ashgrove, Siân", 312040, enrolled=date(2026, 10, 7)), "enrolled on 7 October, two days too late")
    plan.take_all()
    plan.expect("exception kind", "enrolled too late")
    plan.expect("coverage", "covered by pending")

    plan = told(fall_plan(books, 123441, "Cobblestane, Åsa", 427555), "draws on the 15th instead of the 10th")
    for row in plan.lines.values():
        if row.kind == "draw":
            row.draw_date = row.draw_date.replace(day=15)
    plan.take_all()
    plan.expect("exception kind", "schedule off the rules")
    plan.expect("coverage", "covered by pending")

    # Draws of 6,012.35 as the bill, under a total of 6,112.35.
    plan = told(fall_plan(books, 123442, "D'Arsey, Leander", 601235), "the plan's total is 100.00 more than its draws")
    plan.take_all()
    plan.total = 611235
    plan.expect("exception kind", "schedule does not add up", 10000)
    plan.expect("coverage", "covered by pending")

    plan = told(
        fall_plan(books, 123443, "Fennimere, Farida", 480560, enrolled=date(2026, 8, 20)), "enrolled on 20 August without a down payment"
    )
    del plan.lines["D"]
    for line in ("1", "2", "3", "4"):
        plan.lines[line].amount = 120140
    plan.take_all()
    plan.expect("exception kind", "no down payment line", note="its draws differ from the rules' for the same cause")
    plan.expect("coverage", "covered by pending")

    plan = told(fall_plan(books, 123444, "Gorsebank, Delphine", 508590), "a plan without its enrollment fee")
    del plan.lines["F"]
    plan.take_all()
    plan.expect("exception kind", "fee missing", 4500)
    plan.expect("coverage", "covered by pending")


def _schedule_status(books: Books) -> None:
    plan = told(
        fall_plan(books, 123445, "Ivelchester, Petra", 423020), "October's draw: the plan system says posted, the bank never saw it"
    )
    plan.take_all("3")
    plan.lines["3"].schedule_says = "posted"
    plan.expect("state", "not seen", 0, line="3")
    plan.expect("exception kind", "no draw seen", 84604, line="3")
    plan.expect("exception kind", "schedule says posted, bank does not", 84604, line="3")
    plan.expect("coverage", "short")

    for number, name, total, line, says in (
        (123446, "Juniperhill, Nadir", 579045, "2", "pending"),
        (123447, "McTavering, Gwendolyn", 434075, "3", "failed"),
    ):
        plan = told(fall_plan(books, number, name, total), f"a draw that cleared; the plan system says {says}")
        plan.take_all()
        plan.lines[line].schedule_says = says
        plan.expect("exception kind", f"bank cleared, schedule says {says}", plan.lines[line].amount, line=line)
        plan.expect("coverage", "covered by pending")


def _ledger(books: Books) -> None:
    plan = told(fall_plan(books, 123448, "Núñez-Vale, Kavya", 399560), "November's draw cleared on the 12th and stands on no ledger")
    plan.take_all("4")
    plan.take("4", unposted=True)
    plan.expect("exception kind", "cleared not posted", 79912, line="4")
    plan.expect("coverage", "covered by pending")

    plan = told(fall_plan(books, 123449, "St. Orrin, Mireille", 625515), "a posting of 512.50 that no bank event stands behind")
    plan.take_all()
    books.post(plan.student_id, 51250, date(2026, 10, 29), "plan draw")
    plan.expect("exception kind", "posted not cleared", 51250)
    plan.expect("coverage", "covered by pending")

    plan = told(fall_plan(books, 123450, "Pellworth, Corin", 450505), "October's draw came back R01 and the ledger still shows it")
    plan.take_all()
    plan.back(date(2026, 10, 16), 90101, "R01", reversed_on_ledger=False)
    plan.expect("state", "failed", 0, line="3")
    plan.expect("return rule", "3", 90101, line="3")
    plan.expect("exception kind", "failed draw", 90101, line="3")
    plan.expect("exception kind", "return not reversed", 90101, line="3")
    plan.expect("coverage", "short")

    plan = told(fall_plan(books, 123451, "Dunnockshaw, Rosalind", 627185), "November's 1,254.37 stands on the ledger as 1,245.37")
    plan.take_all("4")
    plan.take("4", unposted=True)
    books.post(plan.student_id, 124537, date(2026, 11, 13), "plan draw")
    plan.expect("exception kind", "posted amount differs", 900, line="4")
    plan.expect("coverage", "covered by pending")

    plan = told(fall_plan(books, 123452, "Eiderfell, Florian", 561520), "September's draw stands on the ledger twice")
    plan.take_all()
    books.post(plan.student_id, 112304, date(2026, 9, 15), "plan draw")
    plan.expect("exception kind", "posted twice", 112304, line="2")
    plan.expect("coverage", "covered by pending")

    plan = told(fall_plan(books, 123453, "Birkentree, Anselm", 496065), "October's draw was posted as a payment")
    plan.take_all("3")
    plan.take("3", unposted=True)
    books.post(plan.student_id, 99213, add_open(plan.expected_on("3"), 1), "payment")
    plan.expect("exception kind", "posted as another kind", 99213, line="3")
    plan.expect("coverage", "covered by pending")


def _without_a_plan(books: Books) -> None:
    for number, payments, coverage, what in (
        (123469, ((200000, date(2026, 8, 12), "payment"),), "short", "no plan; 2,321.09 still open: no exception, only coverage"),
        (123470, ((432109, date(2026, 8, 11), "payment"),), "paid", "no plan; paid in full"),
        (
            123482,
            ((482109, date(2026, 8, 11), "payment"), (-50000, date(2026, 9, 2), "refund")),
            "paid",
            "no plan; paid 500.00 too much, which was refunded by check",
        ),
    ):
        student_id = f"{number:08d}"
        books.bill(student_id, 432109)
        for cents, day, kind in payments:
            books.post(student_id, cents, day, kind)
        books.expect(student_id, "coverage", coverage)
        books.stories.append((student_id, "", what))


def _spring(books: Books) -> None:
    def spring_plan(number: int, name: str, total: int, enrolled: date, billed: date, what: str) -> Plan:
        student_id = f"{number:08d}"
        books.bill(student_id, total, SPRING, billed)
        plan = Plan(books, f"HM-SP-{number % 1000 + 2000}", student_id, name, SPRING, enrolled, total).write_by_the_rules()
        books.plans.append(plan)
        return told(plan, what)

    early = date(2026, 10, 19)
    plan = spring_plan(123471, "Kestrelby, André", 654321, date(2026, 10, 20), early, "a spring plan begun before spring was billed")
    plan.take("F")
    plan.expect("coverage", "not billed", as_of=SECOND_RUN)
    plan.expect("coverage", "covered by pending")
    plan.expect("state", "pending", 130865, line="1")

    november = date(2026, 11, 12)
    plan = spring_plan(
        123472, "Larkenshaw, Inés", 583340, date(2026, 11, 19), november, "a spring plan of 19 November: its fee is in transit"
    )
    plan.take("F", date(2026, 11, 23))
    plan.lines["F"].schedule_says = ""
    plan.expect("state", "in transit", 0, line="F")
    plan.expect("coverage", "covered by pending")

    plan = spring_plan(123481, "O'Harrow, Quentin", 612990, date(2026, 11, 17), november, "a spring fee of 120.00 added after enrollment")
    plan.take("F")
    books.charges.append(Charge(plan.student_id, SPRING, date(2026, 11, 18), 12000, "course fee", "Studio fee"))
    plan.expect("exception kind", "plan below bill", 12000, note="information only: the bill is due on 8 January 2027")
    plan.expect("coverage", "short")

    plan = spring_plan(
        123468, "Quillfeather, Yusuf", 602140, date(2026, 11, 23), november, "a spring plan of 23 November, after the as-of date"
    )
    plan.take("F")
    books.expect(plan.student_id, "coverage", "short", term=SPRING, note="the plan is left out and counted")

    # A spring charge and an award posted after the as-of date are set aside.
    plan = spring_plan(
        123476, "Vantongeren, Chloé", 571005, date(2026, 11, 17), november, "spring rows dated 23 and 24 November are set aside"
    )
    plan.take("F")
    books.charges.append(Charge(plan.student_id, SPRING, date(2026, 11, 23), 8800, "course fee", "=1+1"))
    books.aid.append(Award(plan.student_id, SPRING, "state grant", "anticipated", 45000, date(2026, 11, 24)))
    plan.expect("coverage", "covered by pending")


def _unknown(books: Books) -> None:
    for day, cents, plan_id, student_id in (
        (date(2026, 10, 14), 81244, "HM-FA-9999", "00999999"),
        (date(2026, 11, 12), 64017, "", "00999998"),
    ):
        event = Event(day, cents, "cleared", plan_id, student_id, books.event_reference(), method="bank")
        books.events.append(event)
        books.expect(student_id, "exception kind", "bank event for an unknown student or plan", cents, plan_id=plan_id, term="")
        books.stories.append((student_id, plan_id, f"a bank event of {day:%-d %B} for a student and plan that nobody knows"))

    plan = told(fall_plan(books, 123484, "Núñez-Vale, Åsa", 473465), "a charge whose description looks like a formula, and one with commas")
    plan.take_all()
    books.charge(plan.student_id, 1275, date(2026, 7, 10), "course fee", "=1+1")
    books.charge(plan.student_id, -1275, date(2026, 7, 11), "course fee", 'Corrected: "=1+1", see above')
    plan.expect("coverage", "covered by pending")
