"""Recall lines by hand: who was due, who came, and what the films say of those."""

import polars as pl
import pytest
from drawn import frame, table

from pipeline.practice.tables import ENDO_DETAILS, FINDINGS
from pipeline.questions.recalls import reader_ways, reading_agreement, recall_rows
from pipeline.stats.clustered import by_steps, clustered_share, weighted_kappa

COURSES = frame(
    """
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
""",
    done_elsewhere=False,
).with_columns(started="completed")
FINDINGS_ROWS = table(
    """
    patient_id | tooth_fdi | exam_date  | pai | symptomatic
    p1         | 16        | 2021-02-01 | 1   | false
    p1         | 11        | 2021-02-01 | 2   | true
    p2         | 16        | 2021-02-01 | 2   | false
    p3         | 16        | 2021-02-01 | 3   | false
    p4         | 16        | 2020-12-01 | 1   | false
    p7         | 16        | 2021-02-01 | 5   |
    """,
    FINDINGS,
)
# p1's molar and p3's tooth had a lesion, p2's had none.
DETAILS = table(
    """
    patient_id | tooth_fdi | service_date | preop_pai
    p1         | 16        | 2020-01-01   | 5
    p2         | 16        | 2020-01-01   | 1
    p3         | 16        | 2020-01-01   | 4
    """,
    ENDO_DETAILS,
)


def lines(details=DETAILS, **options):
    options = {"min_recalled": 1} | options
    return {r.name: r for r in recall_rows(COURSES, FINDINGS_ROWS, details, **options).rows}


def test_the_recall_rate_stands_beside_the_success_rate():
    row = lines()["all"]
    assert (row.completed, row.due, row.recalled, row.patients, row.successes) == (7, 6, 4, 3, 2)
    assert row.success == 1 / 2
    # Two of the four teeth are those of p1.
    share = clustered_share([1, 0, 1, 0], ["p1", "p1", "p2", "p3"])
    assert (row.ci_low, row.ci_high) == (share.low, share.high)


def test_healed_healing_and_not_healed_add_up_and_the_loose_count_knows_what_was_before():
    row = lines()["all"]
    # p3's lesion went from 4 to 3 within four years; p1's front tooth hurts.
    assert (row.uncertain.count, row.not_healed.count) == (1, 1)
    assert row.successes + row.uncertain.count + row.not_healed.count == row.recalled
    assert row.success + row.uncertain.share + row.not_healed.share == pytest.approx(1)
    assert (row.loose.count, row.loose.of, row.loose.share) == (3, 3, 1)
    # Before the anniversary the same lesion is healing, after it it is not.
    late = lines(uncertain_years=1)["all"]
    assert (late.uncertain.count, late.not_healed.count, late.successes) == (0, 2, 2)


def test_lines_stand_by_name():
    named = [(n, r.completed, r.recalled, r.successes) for n, r in lines().items()]
    assert named[1:] == [
        ("before treatment: a lesion", 2, 2, 1),
        ("before treatment: no lesion", 1, 1, 1),
        ("before treatment: not recorded", 4, 1, 0),
        ("tooth group: anterior", 1, 1, 0),
        ("tooth group: molar", 6, 3, 2),
        ("clinician: ann", 5, 2, 1),
        ("clinician: not recorded", 1, 1, 0),
        ("clinician: zoe", 1, 1, 1),
    ]


def test_work_of_others_is_not_in_our_figures():
    theirs = COURSES.with_columns(done_elsewhere=pl.col("patient_id") == "p1")
    row = recall_rows(theirs, FINDINGS_ROWS, DETAILS, min_recalled=1).rows[0]
    assert (row.completed, row.recalled, row.successes) == (5, 2, 1)


def test_a_film_that_does_not_tell_of_symptoms_is_no_recall_even_if_it_fails():
    found = recall_rows(COURSES, FINDINGS_ROWS, DETAILS, min_recalled=1)
    assert found.notes == ("1 recall films without a note on symptoms are not counted.",)


def test_too_few_recalled_give_counts_and_no_share():
    rows = lines(min_recalled=4)
    assert rows["all"].success == 1 / 2
    molar = rows["tooth group: molar"]
    assert (molar.recalled, molar.success, molar.uncertain.share, molar.uncertain.count) == (3, None, None, 1)


def test_without_the_field_it_is_not_run_and_says_which():
    no_pai = recall_rows(COURSES, FINDINGS_ROWS.with_columns(pai=pl.lit(None, pl.UInt8)), DETAILS)
    assert (no_pai.rows, no_pai.not_run[0].needs) == ((), ("findings.pai",))
    no_word = recall_rows(COURSES, FINDINGS_ROWS.with_columns(symptomatic=pl.lit(None, pl.Boolean)), DETAILS)
    assert no_word.not_run[0].needs == ("findings.symptomatic",)
    assert recall_rows(COURSES, FINDINGS_ROWS.clear(), DETAILS).not_run[0].needs == ("findings.pai",)


def test_without_an_index_before_treatment_there_are_no_lines_by_lesion():
    found = recall_rows(COURSES, FINDINGS_ROWS, DETAILS.clear(), min_recalled=1)
    assert [(n.id, n.needs) for n in found.not_run] == [("healing_by_lesion", ("endo_details.preop_pai",))]
    assert not [r for r in found.rows if r.name.startswith("before treatment")]
    assert (found.rows[0].successes, found.rows[0].loose.of) == (2, 0)


def test_agreement_of_two_readings():
    twice = table(
        """
        patient_id | tooth_fdi | exam_date  | pai | reader | reading
        p1         | 16        | 2021-01-01 | 2   | ann    | 1
        p1         | 16        | 2021-01-01 | 3   | ann    | 2
        p1         | 17        | 2021-01-01 | 4   | ann    | 1
        p1         | 17        | 2021-01-01 | 5   | ann    | 2
        p2         | 16        | 2021-01-01 | 1   | ann    | 1
        p2         | 16        | 2021-01-01 | 1   | ann    | 2
        p3         | 16        | 2021-01-01 | 1   | ann    | 1
        p3         | 16        | 2021-01-01 | 2   | bea    | 1
        """,
        FINDINGS,
    )
    same, two = reading_agreement(twice, min_pairs=3)
    assert (same.kind, same.patients, same.exact.count, same.same_side.count, same.exact.of) == (
        "same_reader",
        2,
        1,
        2,
        3,
    )
    kappa = weighted_kappa([1, 3, 0], [2, 4, 0], disagreement=by_steps(5), cluster=["p1", "p1", "p2"])
    assert (same.kappa, same.ci_low, same.ci_high) == (kappa.kappa, kappa.low, kappa.high)
    assert (two.kind, two.exact, two.kappa) == ("two_readers", two.exact, None)
    assert (two.exact.count, two.exact.of, two.exact.share) == (0, 1, None)
    assert reading_agreement(FINDINGS_ROWS) == ()


def test_each_reader_alone_is_counted_on_the_same_teeth():
    # ann and bea read every film: bea finds a lesion on p2's molar, ann none; the agreed reading is the higher.
    ann = FINDINGS_ROWS.with_columns(reader=pl.lit("ann"), reading=pl.lit(1, pl.UInt8))
    bea = ann.with_columns(
        reader=pl.lit("bea"), pai=pl.when(pl.col("patient_id") == "p2").then(pl.lit(4, pl.UInt8)).otherwise("pai")
    )
    rules = {"min_recalled": 1, "recall_months": 12, "uncertain_years": 4, "gap_days": 180}
    found = reader_ways(COURSES, pl.concat([ann, bea]), DETAILS, min_films=1, **rules)
    assert [(w.reader, w.films, w.healed.count, w.healed.of) for w in found] == [
        ("agreed", 6, 1, 4),
        ("ann", 6, 2, 4),
        ("bea", 6, 1, 4),
    ]
    assert reader_ways(COURSES, pl.concat([ann, bea]), DETAILS, min_films=7, **rules) == ()
    assert reader_ways(COURSES, ann, DETAILS, min_films=1, **rules) == ()
    # A third who sees no lesion either settles it.
    zoe = ann.with_columns(reader=pl.lit("zoe"))
    settled = reader_ways(COURSES, pl.concat([ann, bea, zoe]), DETAILS, min_films=1, **rules)
    assert settled[0].healed.count == 2


def test_agreement_is_told_for_each_reader_and_each_two():
    rows = [
        {"patient_id": f"p{n}", "reader": who, "reading": k, "pai": 1 + (n + (who == "bea") * (n % 3 == 0)) % 5}
        for n in range(30)
        for who in ("ann", "bea", "cat")
        for k in (1, 2)
    ]
    findings = pl.DataFrame(rows).with_columns(
        tooth_fdi=pl.lit(16, pl.UInt8), exam_date=pl.lit("2021-01-01").str.to_date(), supernumerary=False,
        pai=pl.col("pai").cast(pl.UInt8), reading=pl.col("reading").cast(pl.UInt8),
    )  # fmt: skip
    found = {(a.kind, a.who): a for a in reading_agreement(findings)}
    assert [who for kind, who in found if kind == "same_reader"] == ["", "ann", "bea", "cat"]
    assert [who for kind, who in found if kind == "two_readers"] == ["", "ann and bea", "ann and cat", "bea and cat"]
    assert found["same_reader", ""].exact.of == 90
    assert found["two_readers", "ann and cat"].exact.count == 30
    assert found["two_readers", "ann and bea"].exact.count == 20
