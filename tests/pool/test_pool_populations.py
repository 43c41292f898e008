"""What is given for pooling is counted of the same teeth as what is compared: rules 3, 6 and 12 say of which."""

import datetime as dt

import pytest
from drawn import frame

from pipeline.questions.analysis import Analysis
from pipeline.questions.comparisons import QUESTIONS, LinkedTables
from pipeline.questions.question import FREE_BY_CROWN, KEPT_BY_CROWN, SINCE_OPENING
from pipeline.release.pool.make import pooled_spells

# Each tooth was filled on 1 January 2020; a crown covers it whatever its kind and whoever made it.
CROWNS = frame(
    """
    crown_id | patient_id | crown_kind    | done_elsewhere | seat_date  | endo_timing   | access_date
    own      | p1         | single        | false          | 2020-02-01 | before_seat   |
    onlay    | p2         | onlay         | false          | 2020-02-01 | before_seat   |
    retainer | p3         | retainer      | false          | 2020-02-01 | before_seat   |
    others   | p4         | single        | true           | 2020-02-01 | before_seat   |
    old      | p6         | single        | true           |            | through_crown | 2019-06-01
    """,
    tooth_fdi=16,
    tooth_group="molar",
    entry_date=dt.date(2020, 2, 1),
    exit_date=dt.date(2023, 1, 1),
    failure=False,
    order_uncertain=False,
    exit_reason="cutoff",
    provider_id="ann",
    material="metal",
)
COURSES = frame(
    """
    course_id | patient_id | done_elsewhere
    E1        | p1         | false
    E2        | p2         | false
    E3        | p3         | false
    E4        | p4         | false
    E5        | p5         | false
    E6        | p7         | true
    """,
    tooth_fdi=16,
    started=dt.date(2019, 12, 20),
    completed=dt.date(2020, 1, 1),
    crown_at_start="none",
    exit_date=dt.date(2023, 1, 1),
    failure=False,
    kind="initial",
    provider_id="ann",
    tooth_group="molar",
    exit_reason="cutoff",
)
TEETH = frame(
    "\n".join(["patient_id | extracted", *(f"p{i} |" for i in range(1, 8))]),
    tooth_fdi=16,
    followed_to=dt.date(2023, 1, 1),
    end_reason="cutoff",
)
PATIENTS = frame("""
    patient_id | birth_date | birth_year | sex  | smoker | diabetes | bruxism
    p1         | 1981-01-01 |            | male | false  |          |
""")
RECORDS = LinkedTables(CROWNS, COURSES, TEETH, PATIENTS)


def units(question: str, state: str) -> list[str]:
    return sorted(pooled_spells(RECORDS)[question].filter(state=state)["unit"].unique())


@pytest.mark.parametrize("question", [KEPT_BY_CROWN.id, FREE_BY_CROWN.id])
def test_a_tooth_is_covered_by_every_kind_of_crown(question: str) -> None:
    assert units(question, "crowned") == ["E1", "E2", "E3", "E4"]
    assert "E5" in units(question, "not_crowned")
    assert "E6" not in units(question, "not_crowned")  # another practice's root canal


def test_a_crown_of_unknown_age_counts_since_its_opening() -> None:
    assert units(SINCE_OPENING.id, "through_crown") == ["old"]
    assert units(SINCE_OPENING.id, "before_seat") == ["own"]


def test_groups_compared_and_groups_given_have_the_same_teeth() -> None:
    """A tooth counts where it is last in what is compared, and in each state that it was in in what is given."""
    spells = pooled_spells(RECORDS)
    for asking in (a for a in QUESTIONS if a.question.id in spells):
        given = spells[asking.question.id]
        groups = asking.answer(RECORDS, Analysis()).groups
        assert sum(g.crowns for g in groups) == given["unit"].n_unique(), asking.question.id
        for last in (g for g in groups if g.name == asking.question.contrast.group):
            assert last.crowns == given.filter(state=last.name)["unit"].n_unique(), asking.question.id
