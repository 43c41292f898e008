"""Recall lines by hand: who was due, who came, and what the films say of those."""

import polars as pl
from drawn import frame

from pipeline.questions.recalls import recall_rows
from pipeline.stats.clustered_share import clustered_share

COURSES = frame("""
    course_id | patient_id | tooth_fdi | tooth_group | provider_id | completed  | exit_date
    E1        | p1         | 16        | molar       | ann         | 2020-01-01 | 2022-01-01
    E2        | p1         | 11        | anterior    | ann         | 2020-01-01 | 2022-01-01
    E3        | p2         | 16        | molar       | zoe         | 2020-01-01 | 2022-01-01
    E4        | p3         | 16        | molar       |             | 2020-01-01 | 2022-01-01
    # Not followed to the recall; never completed; not seen on film; film without a word on symptoms.
    E5        | p4         | 16        | molar       | ann         | 2020-01-01 | 2020-12-31
    E6        | p5         | 16        | molar       | ann         |            | 2022-01-01
    E7        | p6         | 16        | molar       | ann         | 2020-01-01 | 2021-01-01
    E8        | p7         | 16        | molar       | ann         | 2020-01-01 | 2022-01-01
""")
FINDINGS = frame("""
    patient_id | tooth_fdi | exam_date  | pai | symptomatic
    p1         | 16        | 2021-02-01 | 1   | false
    p1         | 11        | 2021-02-01 | 2   | true
    p2         | 16        | 2021-02-01 | 2   | false
    p3         | 16        | 2021-02-01 | 3   | false
    p4         | 16        | 2020-12-01 | 1   | false
    p7         | 16        | 2021-02-01 | 5   |
""")


def lines(**options):
    return {r.name: r for r in recall_rows(COURSES, FINDINGS, min_recalled=1, **options).rows}


def test_the_recall_rate_stands_beside_the_success_rate():
    row = lines()["all"]
    assert (row.completed, row.due, row.recalled, row.patients, row.successes) == (7, 6, 4, 3, 2)
    assert row.success == 1 / 2
    # Two of the four teeth are those of p1.
    share = clustered_share([1, 0, 1, 0], ["p1", "p1", "p2", "p3"])
    assert (row.ci_low, row.ci_high) == (share.low, share.high)


def test_lines_stand_by_name():
    named = [(n, r.completed, r.recalled, r.successes) for n, r in lines().items()]
    assert named[1:] == [
        ("tooth group: anterior", 1, 1, 0),
        ("tooth group: molar", 6, 3, 2),
        ("clinician: ann", 5, 2, 1),
        ("clinician: not recorded", 1, 1, 0),
        ("clinician: zoe", 1, 1, 1),
    ]


def test_a_film_that_does_not_tell_of_symptoms_is_no_recall_even_if_it_fails():
    found = recall_rows(COURSES, FINDINGS, min_recalled=1)
    assert found.notes == ("1 recall films without a note on symptoms are not counted.",)


def test_too_few_recalled_give_counts_and_no_share():
    rows = {r.name: r for r in recall_rows(COURSES, FINDINGS, min_recalled=4).rows}
    assert rows["all"].success == 1 / 2
    assert (rows["tooth group: molar"].recalled, rows["tooth group: molar"].success) == (3, None)


def test_without_the_field_it_is_not_run_and_says_which():
    no_pai = recall_rows(COURSES, FINDINGS.with_columns(pai=pl.lit(None, pl.UInt8)))
    assert (no_pai.rows, no_pai.not_run[0].needs) == ((), ("findings.pai",))
    no_word = recall_rows(COURSES, FINDINGS.with_columns(symptomatic=pl.lit(None, pl.Boolean)))
    assert no_word.not_run[0].needs == ("findings.symptomatic",)
    assert recall_rows(COURSES, FINDINGS.clear()).not_run[0].needs == ("findings.pai",)
