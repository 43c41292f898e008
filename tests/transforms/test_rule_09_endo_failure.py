"""Rule 9: what ends a root canal."""

from __future__ import annotations

from linking import assert_courses, run


def test_the_first_root_resection_counts_whoever_did_it():
    # 16: first elsewhere; 26: first here.
    linked = run("""
        service_date | tooth_fdi | code | status
        2015-01-01   | 16        | ENDO |
        2017-01-02   | 16        | ROOT | existing
        2018-01-01   | 16        | ROOT |
        2015-01-01   | 26        | ENDO |
        2017-01-01   | 26        | ROOT |
        2018-01-02   | 26        | ROOT | existing
        2020-01-01   |           | EXAM |
    """)
    assert_courses(
        linked,
        """
        tooth_fdi | failure_cause  | failure_elsewhere | exit_date  | surgery_date
        16        | root_resection | true              | 2017-01-02 | 2017-01-02
        26        | root_resection | false             | 2017-01-01 | 2017-01-01
    """,
    )
