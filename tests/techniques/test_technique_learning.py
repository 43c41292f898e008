"""Taking up a technique: who, when, which case; and a learning curve planted and found again."""

import datetime as dt

import numpy as np
import polars as pl

from pipeline.questions.analysis import Analysis
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.engine import answer_all
from pipeline.questions.techniques.learning import adoptions, clinicians_of, learning_questions, numbered_cases
from pipeline.questions.techniques.question import ENDO_FAILURE

DAY = dt.date(2015, 1, 1)
INSTRUMENTATION = next(q for q in all_questions() if q.id == "instrumentation")


def teeth(who: str, *ways: str | None) -> pl.DataFrame:
    """One tooth a day of one clinician, in order, done in the ways given."""
    n = len(ways)
    return pl.DataFrame(
        {
            "row_id": [f"{who}{i:03d}" for i in range(n)],
            "provider_id": [who] * n,
            "start": [DAY + dt.timedelta(days=i) for i in range(n)],
            "way": list(ways),
        },
        schema_overrides={"way": pl.String},
    )


def taken(frame: pl.DataFrame) -> list[tuple]:
    return adoptions(frame, "way").rows()


def test_a_technique_is_taken_up_after_twenty_others() -> None:
    assert taken(teeth("c", *["hand"] * 20, *["new"] * 20)) == [("c", "new", DAY + dt.timedelta(days=20), 20)]
    assert taken(teeth("c", *["hand"] * 19, *["new"] * 30)) == []  # too few before
    assert taken(teeth("c", *["hand"] * 30, *["new"] * 19)) == []  # too few since


def test_a_technique_used_now_and_then_is_not_taken_up() -> None:
    assert taken(teeth("c", *["hand"] * 20, *["new", "hand", "hand"] * 20)) == []
    assert len(taken(teeth("c", *["hand"] * 20, *["new", "hand"] * 20))) == 1


def test_leaving_something_out_is_no_technique() -> None:
    assert taken(teeth("c", *["hand"] * 20, *["none"] * 30)) == []


def test_cases_are_numbered_by_clinician_and_the_order_of_rows_does_not_matter() -> None:
    frame = pl.concat([
        teeth("c", *["hand"] * 20, "new", "hand", None, *["new"] * 20),
        teeth("d", *["new"] * 40),  # from the start of the records: not taken up here
    ])  # fmt: skip
    found = numbered_cases(frame, "way", "new", adoptions(frame, "way"))
    assert found["provider_id"].unique().to_list() == ["c"]
    assert found.filter(pl.col("row_id").is_in(["c019", "c020", "c021", "c022", "c023"])).select(
        "phase", "case_number"
    ).rows() == [("before", None), ("after", 1), ("after", None), ("after", None), ("after", 2)]
    mixed = frame.sample(fraction=1, shuffle=True, seed=3)
    assert numbered_cases(mixed, "way", "new", adoptions(mixed, "way")).equals(found)


def practice(rng: np.random.Generator, *, early: float, rate: float = 0.06) -> pl.DataFrame:
    """Eight clinicians change from hand to reciprocating files at different times; first 20 cases fail `early` times.

    Everything gets better over the years as well, by a tenth a year.
    """
    frames = []
    for c in range(8):
        n = 500
        start = np.sort(rng.integers(0, 3000, n))
        switch = 400 + 180 * c
        new = start >= switch
        number = np.where(new, np.cumsum(new), 0)
        hazard = rate * np.where(new & (number <= 20), early, 1.0) * np.exp(-0.1 * start / 365.25)
        ends = 3650 - start
        fails = (rng.exponential(365.25 / hazard)).astype(int) + 1
        until = np.minimum(ends, fails)
        frames.append(
            pl.DataFrame(
                {
                    "row_id": [f"{c}-{i:04d}" for i in range(n)],
                    "patient_id": [f"{c}-{i}" for i in rng.integers(0, 350, n)],
                    "provider_id": [f"c{c}"] * n,
                    "start": [DAY + dt.timedelta(days=int(s)) for s in start],
                    "entry_days": np.zeros(n, dtype=np.int64),
                    "exit_days": until,
                    "exit_date": [DAY + dt.timedelta(days=int(day)) for day in start + until],
                    "event": fails <= ends,
                    "exit_reason": ["cutoff"] * n,
                    "instrumentation": np.where(new, "reciprocating", "hand"),
                    "year": 2015 + start / 365.25,
                }
            )
        )
    rows = pl.concat(frames)
    text = pl.lit(None, pl.String)
    return rows.with_columns(
        age=pl.lit(None, pl.Float64), sex=text, tooth_group=text, kind=text, lesion=text, crown_at_start=text
    )


def answers(rows: pl.DataFrame):
    frames = {("every_course", ENDO_FAILURE): rows}
    found = learning_questions([INSTRUMENTATION], frames, Analysis())
    answered = answer_all((), {}, Analysis(), more=found.asked)
    return found, {a.question: a for a in answered.answers if a.outcome == ENDO_FAILURE}


def test_a_learning_curve_is_found_again() -> None:
    found, said = answers(practice(np.random.default_rng(1), early=4.0))
    curve = {c.group: c for c in said["learning_instrumentation_reciprocating"].contrasts}
    first = curve["first_20"]
    assert first.ratio_ci_low < 4.0 < first.ratio_ci_high
    assert first.verdict == "differs"
    middle = curve["21_to_50"]
    assert middle.ratio_ci_low < 1 < middle.ratio_ci_high
    (learning,) = found.learning
    assert [c.clinician for c in learning.clinicians] == [f"c{i}" for i in range(8)]
    for one in learning.clinicians:
        before, *since = one.spans
        assert before.first_case is None
        assert since[0].first_case == 1
        assert since[-1].last_case is None
        assert sum(s.teeth for s in since) == one.cases
        assert [s.first_case for s in since[1:]] == [s.last_case + 1 for s in since[:-1]]


def span_rows(*stretches: tuple[str, int, int, int]) -> pl.DataFrame:
    """Rows of one clinician: (phase, teeth, failures of them, years each), cases numbered through."""
    frames, number = [], 0
    for phase, teeth, failures, years in stretches:
        count = range(teeth)
        frames.append(
            pl.DataFrame(
                {
                    "provider_id": ["c"] * teeth,
                    "patient_id": [f"{phase}{number}{i}" for i in count],
                    "entry_days": [0] * teeth,
                    "exit_days": [round(365.25 * years)] * teeth,
                    "event": [i < failures for i in count],
                    "phase": [phase] * teeth,
                    "case_number": [None if phase == "before" else number + i + 1 for i in count],
                },
                schema_overrides={"case_number": pl.Int64},
            )
        )
        number += teeth * (phase == "after")
    return pl.concat(frames)


def shown(rows: pl.DataFrame) -> list[tuple]:
    adopted = pl.DataFrame({"provider_id": ["c"], "adopted": [DAY], "uses": [1]})
    (one,) = clinicians_of(rows, adopted, Analysis())
    return [(s.first_case, s.last_case, s.teeth, s.failures) for s in one.spans]


def test_small_stretches_are_counted_with_the_next() -> None:
    # 5 failures in 100 tooth-years everywhere, so 5 are expected in 100 tooth-years: 20 teeth of 5 years.
    rows = span_rows(("before", 100, 25, 5), ("after", 20, 5, 5), ("after", 30, 7, 5), ("after", 10, 3, 5))
    assert shown(rows) == [(None, None, 100, 25), (1, 20, 20, 5), (21, None, 40, 10)]
    # Followed for 2 years only: the first 20 are expected to have 2 failures, and go with the next 30.
    rows = span_rows(("before", 100, 10, 2), ("after", 20, 2, 2), ("after", 60, 6, 2))
    assert shown(rows) == [(None, None, 100, 10), (1, None, 80, 8)]


def test_what_was_seen_in_a_stretch_does_not_decide_whether_it_is_shown() -> None:
    calm = span_rows(("before", 200, 58, 5), ("after", 20, 0, 5), ("after", 30, 5, 5))
    bad = span_rows(("before", 200, 48, 5), ("after", 20, 10, 5), ("after", 30, 5, 5))
    assert [row[:3] for row in shown(calm)] == [row[:3] for row in shown(bad)]
    assert shown(calm)[1] == (1, 20, 20, 0)


def test_too_few_cases_are_not_shown() -> None:
    assert shown(span_rows(("before", 100, 25, 5), ("after", 9, 5, 5))) == [(None, None, 100, 25)]
    assert shown(span_rows(("before", 9, 3, 5), ("after", 9, 5, 5))) == []


def test_better_years_are_not_taken_for_the_technique() -> None:
    # Nothing changes when the files change, yet teeth of later years do better all along.
    _, said = answers(practice(np.random.default_rng(2), early=1.0))
    before_after = said["adoption_instrumentation_reciprocating"]
    by_hand = {g.name: g.rate_per_100_tooth_years for g in before_after.groups}
    assert by_hand["after"] < 0.85 * by_hand["before"]
    (contrast,) = before_after.contrasts
    assert contrast.ratio_ci_low < 1 < contrast.ratio_ci_high
    assert contrast.verdict != "differs"
    assert "year of the start" in before_after.adjusted_for


def test_nobody_took_anything_up() -> None:
    rows = practice(np.random.default_rng(3), early=1.0).with_columns(instrumentation=pl.lit("hand"))
    found = learning_questions([INSTRUMENTATION], {("every_course", ENDO_FAILURE): rows}, Analysis())
    assert (found.asked, found.learning) == ((), ())
    assert "took up a technique" in found.lacking
