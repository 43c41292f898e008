"""Groups of a technique question, on rows that can be counted by eye."""

from dataclasses import replace

import polars as pl
import pytest

from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.grouping import OTHER, counted_as, grouped
from pipeline.questions.techniques.grouping import sizes as all_sizes
from pipeline.questions.techniques.question import CROWN_FAILURE, TOOTH_LOSS, Band, Question, same

WAYS = Question(
    id="way",
    title="Way",
    unit="crown",
    factor="way",
    outcomes=(CROWN_FAILURE,),
    adjust=(),
    why_adjust="",
    needs=("crown_details.way",),
    reference="a",
    levels=same(("a", "A"), ("b", "B"), ("c", "C"), ("d", "D")),
)


def rows(way, *, failures: int = 5, factor: str = "way", patients: int | None = None) -> pl.DataFrame:
    """Ten teeth of ten patients with one value, the first `failures` of which fail."""
    n = 10
    return pl.DataFrame(
        {
            "row_id": [f"{way}{i}" for i in range(n)],
            "patient_id": [f"{way}{i % (patients or n)}" for i in range(n)],
            "entry_days": [0] * n,
            "event": [i < failures for i in range(n)],
            factor: [way] * n,
        }
    )


def sizes(found) -> dict[str, int]:
    return dict(sorted(found.rows.group_by("state").len().iter_rows()))


def test_small_groups_are_pooled() -> None:
    found = grouped(pl.concat([rows("a"), rows("b"), rows("c", failures=3), rows("d", failures=2)]), WAYS)
    assert found is not None
    assert sizes(found) == {"a": 10, "b": 10, OTHER: 20}
    assert "counted together" in found.notes[0]


def test_groups_too_small_to_ask_are_counted_all_the_same() -> None:
    frame = pl.concat([rows("a"), rows("c", failures=2), rows("x")])
    assert grouped(frame, WAYS) is None
    assert [(g.name, g.teeth, g.failures) for g in all_sizes(frame, WAYS)] == [
        ("a", 10, 5), ("b", 0, 0), ("c", 10, 2), ("d", 0, 0),
    ]  # fmt: skip


def test_a_pool_that_stays_small_is_not_shown() -> None:
    found = grouped(pl.concat([rows("a"), rows("b"), rows("c", failures=2), rows("d", failures=2)]), WAYS)
    assert found is not None
    assert sizes(found) == {"a": 10, "b": 10}
    assert found.notes == ("20 rows are in groups with fewer than 10 patients or 5 failures: not shown.",)


def test_small_bands_of_a_dose_are_left_out() -> None:
    bands = tuple(Band(name, name, n, n + 1) for n, name in enumerate(("low", "middle", "high", "highest")))
    frame = pl.concat([rows(1.0), rows(2.0), rows(3.0, failures=3), rows(4.0, failures=2)])
    found = grouped(frame, replace(WAYS, levels=(), bands=bands, reference="low"))
    assert found is not None
    assert sizes(found) == {"low": 10, "middle": 10}


def test_of_healing_both_healed_and_not_healed_must_be_enough() -> None:
    # Of ten teeth each: 5 not healed; 6 not healed, so only 4 healed.
    frame = pl.concat([rows("a"), rows("b"), rows("c", failures=6)])
    found = grouped(frame, WAYS, judged=True)
    assert found is not None
    assert sizes(found) == {"a": 10, "b": 10}
    assert "5 healed or not healed" in found.notes[0]


def test_small_groups_counted_together_have_a_name_of_their_own() -> None:
    """Unless the reference is one of them: then the name would not be true."""
    named = replace(WAYS, pool_label="Any other way")
    small = [rows(word, failures=3) for word in "cd"]
    found = grouped(pl.concat([rows("a"), rows("b"), *small]), named)
    assert found is not None
    assert found.labels[OTHER] == "Any other way"
    found = grouped(pl.concat([rows("b"), rows("c"), rows("a", failures=3), rows("d", failures=3)]), named)
    assert found is not None
    assert found.labels[OTHER] == "Others together"


def test_teeth_due_are_counted_into_the_groups_shown() -> None:
    found = grouped(pl.concat([rows("a"), rows("b"), rows("c", failures=3), rows("d", failures=2)]), WAYS)
    assert found is not None
    due = pl.concat([rows("a"), rows("a"), rows("c"), rows("d"), rows("unknown word")])
    assert counted_as(found, due, WAYS) == {"a": 20, OTHER: 20}
    without = grouped(pl.concat([rows("a"), rows("b"), rows("c", failures=2)]), WAYS)
    assert without is not None
    assert counted_as(without, due, WAYS) == {"a": 20}


def test_few_patients_with_many_teeth_are_a_small_group() -> None:
    assert grouped(pl.concat([rows("a"), rows("b", patients=9)]), WAYS) is None


def test_one_group_is_no_comparison() -> None:
    assert grouped(pl.concat([rows("a"), rows("b", failures=4)]), WAYS) is None


def test_a_small_reference_gives_way_to_the_commonest() -> None:
    frame = pl.concat([rows("a", failures=1), rows("b"), rows("c"), rows("c").with_columns(row_id=pl.lit("z"))])
    found = grouped(frame, WAYS)
    assert found is not None
    assert found.reference == "c"


def test_rows_without_a_value_are_counted_out() -> None:
    gap = rows("gap").with_columns(way=pl.lit(None, pl.String))
    found = grouped(pl.concat([rows("a"), rows("b"), gap]), WAYS)
    assert found is not None
    assert found.notes == ("10 of 30 rows have no value that the question asks about and are not compared.",)


@pytest.mark.parametrize(
    ("mm", "band"),
    [
        (-0.1, "long"), (0.0, "0_to_0_5"), (0.5, "0_to_0_5"), (0.6, "0_5_to_1"),
        (1.0, "0_5_to_1"), (2.0, "1_to_2"), (2.1, "over_2"),
    ],
)  # fmt: skip
def test_edges_of_the_length_bands(mm: float, band: str) -> None:
    question = next(q for q in all_questions() if q.id == "filling_length")
    beside = -3.0 if band != "long" else 9.0
    found = grouped(pl.concat([rows(v, factor=question.factor) for v in (mm, beside)]), question)
    assert found is not None
    assert found.rows.filter(pl.col(question.factor) == mm)["state"].unique().to_list() == [band]


def test_every_question_is_listed_once_and_says_what_it_needs() -> None:
    questions = all_questions()
    assert len({q.id for q in questions}) == len(questions)
    assert {q.unit for q in questions} == {"crown", "course", "every_course"}
    assert all(q.needs and q.caveats and q.why_adjust for q in questions)


def test_a_question_that_contradicts_itself_is_refused() -> None:
    common = {"id": "x", "title": "X", "factor": "x", "adjust": (), "why_adjust": "", "needs": ()}
    with pytest.raises(ValueError, match="reference"):
        Question(**common, unit="crown", outcomes=(CROWN_FAILURE,), bands=(Band("a", "A", None, 1),), reference="b")
    dose = {"bands": (Band("a", "A", None, 1),), "reference": "a"}
    with pytest.raises(ValueError, match="never counted together"):
        Question(**common, unit="crown", outcomes=(CROWN_FAILURE,), **dose, pool_label="Others")
    with pytest.raises(ValueError, match="outcomes"):
        Question(**common, unit="crown", outcomes=(TOOTH_LOSS,))
