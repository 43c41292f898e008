"""Rule 10: why a tooth was lost."""

from __future__ import annotations

import pytest
from linking import run


@pytest.mark.one_in(3)
@pytest.mark.parametrize(
    ("reason", "cause"),
    [
        ("endodontic", "endodontic"),
        ("periodontal", "periodontal"),
        ("fracture", "fracture"),
        ("caries", "caries"),
        ("orthodontic", "other"),
        ("trauma", "other"),
        ("other", "other"),
        ("", "unknown"),
    ],
)
def test_the_reason_of_the_extraction_is_the_cause_of_the_loss(reason: str, cause: str):
    linked = run(f"""
        service_date | tooth_fdi | code  | reason
        2014-01-01   | 16        | ENDO  |
        2015-01-01   | 16        | CROWN |
        2018-01-01   | 16        | OUT   | {reason}
        2015-01-01   | 26        | CROWN |
        2020-01-01   |           | EXAM  |
    """)
    assert linked.crowns["loss_reason"].to_list() == [cause, None]
    assert linked.endo_courses["loss_reason"].to_list() == [cause]
    assert linked.tooth_followup["loss_reason"].to_list() == [cause, None]


def test_reasons_of_one_day_that_differ_leave_the_cause_unknown():
    linked = run("""
        service_date | tooth_fdi | code  | reason
        2015-01-01   | 16        | CROWN |
        2018-01-01   | 16        | OUT   | caries
        2018-01-01   | 16        | OUT   | fracture
        2015-01-01   | 26        | CROWN |
        2018-01-01   | 26        | OUT   | caries
        2018-01-01   | 26        | OUT   |
    """)
    assert linked.crowns["loss_reason"].to_list() == ["unknown", "caries"]


def test_a_crown_that_failed_before_the_tooth_was_lost_has_no_cause_of_loss():
    linked = run("""
        service_date | tooth_fdi | code  | reason
        2015-01-01   | 16        | CROWN |
        2017-01-01   | 16        | OFF   |
        2018-01-01   | 16        | OUT   | caries
    """)
    assert linked.crowns.select("failure_cause", "loss_reason").rows() == [("removed", None)]
    assert linked.tooth_followup["loss_reason"].to_list() == ["caries"]
