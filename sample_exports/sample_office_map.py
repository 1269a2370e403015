"""The column map of the invented office: what its headings, codes and signs mean."""

OFFICE_MAP = """\
# What Harrowmere College's own exports mean. Pass it with --map.

[charges]
files = ["ledger extract*"]
columns = { student_id = "SID", term = "Period", posted_on = "Entry date", amount = "Amount", charge_type = "Code", description = "Memo" }
values.term = { "Fall 26" = "2026-FA", "Spring 27" = "2027-SP", "Summer 27" = "2027-SU" }

[charges.values.charge_type]
TUI = "tuition"
RES = "housing"
DIN = "meal plan"
ACT = "student fee"
CRS = "course fee"
LBF = "library fine"
PKF = "parking fine"

[[charges.route]]
column = "Class"
equals = ["CHG"]

[postings]
files = ["ledger extract*"]
columns = { student_id = "SID", term = "Period", posted_on = "Entry date", kind = "Class", amount = "Amount", reference = "Doc no." }
values.term = { "Fall 26" = "2026-FA", "Spring 27" = "2027-SP", "Summer 27" = "2027-SU" }
values.kind = { PLN = "plan draw", PAY = "payment", WVR = "waiver", SPR = "sponsor", RFD = "refund", BFW = "brought forward" }
reverse_sign = true  # on this ledger credits are negative

[[postings.route]]
column = "Class"
equals = ["PLN", "PAY", "WVR", "SPR", "RFD", "BFW"]

[aid]
files = ["award list*"]
sheet = "Awards"
heading_row = 4

[aid.columns]
student_id = "Student no."
term = "Period"
fund = "Award"
status = "Stage"
amount = "Award amount"
posted_on = "Entered"
disbursed_on = "Paid on"
expected_on = "Due on"
cancelled_on = "Withdrawn on"

[aid.values]
term = { "Fall 26" = "2026-FA", "Spring 27" = "2027-SP", "Summer 27" = "2027-SU" }
status = { Estimate = "estimated", Awaited = "anticipated", Paid = "disbursed", Withdrawn = "cancelled" }

[aid.values.fund]
"Harrowmere Scholarship" = "college scholarship"
"Federal loan, undergraduate" = "federal loan"
"Federal grant" = "federal grant"
"State tuition grant" = "state grant"
"Private loan" = "private loan"
"Student employment" = "work-study"

[plan_schedules]
files = ["plan agreements*"]

[plan_schedules.columns]
plan_id = "Agreement"
student_id = "Student no."
student_name = "Payer"
term = "Period"
enrolled_on = "Signed on"
plan_total = "Agreement total"
line = "Part"
draw_date = "Taken on"
amount = "Part amount"
kind = "Type"
method = "Paid by"
line_status = "Standing"
cancelled_on = "Stopped on"
set_on = "Total set on"
consent_on = "Account authorised on"
schedule_says = "System says"
reference = "Trace"

[plan_schedules.values]
term = { "Fall 26" = "2026-FA", "Spring 27" = "2027-SP" }
kind = { Monthly = "draw", "First payment" = "down payment", "Joining fee" = "fee" }
method = { EFT = "bank", CRD = "card" }
line_status = { Open = "active", Stopped = "cancelled" }
schedule_says = { "To come" = "pending", Done = "posted", Bounced = "failed" }

[cleared_draws]
files = ["bank 2026-*"]
date_order = "mdy"
leave_out = ["Payer account"]
files_overlap = true

[cleared_draws.columns]
settled_on = "Effective"
amount = "Gross"
outcome = "Result"
plan_id = "Agreement"
student_id = "Student no."
reference = "Trace"
line = "Part"
kind = "Type"
method = "Rail"
return_code = "Reason"
original_reference = "Trace of original"

[cleared_draws.values]
outcome = { PAID = "cleared", "SENT BACK" = "returned", DECLINED = "returned", "GIVEN BACK" = "refunded" }
kind = { MTH = "draw", FST = "down payment", JNF = "fee", ONE = "payment" }
method = { EFT = "bank", CRD = "card" }
"""
