"""What a comparison could not show: every number in the words is one of the results, and none is hidden or invented."""

import dataclasses
import re

import pytest
import sample_results as samples

from dashboards import words_doubt, words_healing, words_shared
from dashboards.pages import clinician, data_quality, index, owner, study_club
from dashboards.release import release
from dashboards.release_trial import ReleasedIncidence, release_choices, release_everyday
from pipeline.results import BalanceRow, Choices, Honesty, Results, Sample
from pipeline.results_healing import RecallRow


def text_of(page: str) -> str:
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


def numbers(text: str) -> list[float]:
    return [float(n) for n in re.findall(r"\d+(?:\.\d+)?", text.replace(",", ""))]


def main_choices(results: Results) -> Choices:
    choices = results.comparisons[0].choices
    assert choices is not None
    return choices


def test_choices_sentence_runs_from_the_lowest_to_the_highest_difference():
    choices = main_choices(samples.differs())
    given = sorted(round(c.per_100) for c in choices.rows if c.per_100 is not None)
    (main,) = [round(c.per_100 or 0) for c in choices.rows if c.is_main]
    found = numbers(words_doubt.choices_sentence(choices))
    assert found == [len(given), len(choices.rows), abs(given[0]), abs(given[-1]), 100, abs(main)]


def test_verdicts_over_the_choices_add_up_to_all_of_them():
    choices = main_choices(samples.differs())
    said = words_doubt.verdicts_sentence(choices, {})
    assert sum(numbers(said)) == len(choices.rows)


def test_an_e_value_is_said_only_where_a_difference_is_claimed():
    balance = (BalanceRow("age", "age at the seat", 0.31), BalanceRow("sex", "sex", 0.02))
    claimed = Honesty(6.4, 2.29, 1.64, (), balance)
    said = words_doubt.e_value_sentence(claimed)
    assert numbers(said) == [2.3, 1.6, 0.31]
    assert words_doubt.e_value_sentence(dataclasses.replace(claimed, e_value=None)) == ""


def test_balance_counts_what_lies_above_the_line():
    rows = [BalanceRow("a", "age", 0.31, 0.04), BalanceRow("b", "sex", 0.02, 0.01), BalanceRow("c", "year", 0.2, 0.12)]
    said = words_doubt.balance_sentence(rows)
    assert numbers(said)[:6] == [2, 3, 0.1, 0.31, 1, 3]


def test_extremes_name_the_lowest_and_highest():
    honesty = Honesty(None, None, None, (("a", 2.1, -8, 12), ("b", 39.3, 28, 49), ("c", -29.0, -36, -21)), ())
    (said,) = words_doubt.honesty_sentences(honesty, 5)
    assert numbers(said) == [29, 39, 100]


@pytest.mark.parametrize(("recalled", "success", "words"), [(976, 0.8, "976"), (5, None, "Too few")])
def test_recall_rate_stands_beside_radiographic_success(recalled, success, words):
    low, high = (0.77, 0.82) if success else (None, None)
    said = words_healing.recall_headline(RecallRow("all", 2829, 2397, recalled, 700, 781, success, low, high))
    assert words in said
    assert numbers(said)[:2] == [2397, recalled]


def test_the_clinician_page_shows_the_decision_the_choices_and_the_doubts():
    results = samples.differs()
    page = text_of(clinician.render(results))
    for heading in ("Were the teeth alike?", "Does it depend on how we count?", "What these records could not show"):
        assert heading in page
    for sentence in results.trials[0].everyday:
        assert sentence in page
    for row in results.trials[0].protocol:
        assert row.part in page


def test_a_verdict_that_hangs_on_the_choices_is_shown_as_such():
    results = samples.depends()
    for page in (clinician.render(results), index.render(results)):
        assert "depends on how we count" in text_of(page).lower()


def test_the_owner_page_shows_recalls_and_completeness():
    results = samples.differs()
    page = text_of(owner.render(results))
    assert words_healing.recall_headline(results.recalls[0]) in page


def test_the_quality_page_cites_the_calibration():
    results = dataclasses.replace(samples.differs(), calibration="The range held the truth in 94 of 100.")
    assert "The range held the truth in 94 of 100." in text_of(data_quality.render(results))


def test_released_incidence_has_whole_years_and_no_small_count():
    for curve in release_everyday(samples.differs().trials):
        assert all(p.followed.value is not None and p.followed.value % 5 == 0 for p in curve.points)
        assert [p.years for p in curve.points] == list(range(len(curve.points)))


def test_a_small_arm_releases_no_incidence():
    trial = samples.differs().trials[0]
    small = tuple(dataclasses.replace(c, events=7) for c in trial.everyday_curves)
    for curve in release_everyday([dataclasses.replace(trial, everyday_curves=small)]):
        assert curve.points == ()
        assert curve.needed.value is None


def test_incidence_of_an_unknown_kind_stays_inside():
    trial = samples.differs().trials[0]
    named = tuple(dataclasses.replace(c, arm="Dr Ashby's teeth") for c in trial.everyday_curves)
    assert release_everyday([dataclasses.replace(trial, everyday_curves=named)]) == ()
    with pytest.raises(ValueError, match="known kinds"):
        ReleasedIncidence("Dr Ashby's teeth", *(release(samples.differs()).everyday[0].teeth,) * 2, ())


def test_choices_leave_only_as_a_count_and_two_whole_numbers():
    comparison = samples.differs().comparisons[0]
    released = release_choices(comparison.choices, comparison.difference, 1)
    assert released is not None
    assert {type(v) for v in dataclasses.asdict(released).values()} == {int, bool}
    assert released.sample is False
    sampled = dataclasses.replace(comparison.choices, sample=Sample(10_000, 277_804))
    counted = words_shared.choices(
        dataclasses.replace(
            release(samples.differs()).comparisons[0], choices=release_choices(sampled, comparison.difference)
        )
    )
    assert "on a sample of the patients" in counted
    assert "277" not in counted
    assert release_choices(comparison.choices, None) is None


def test_notes_and_balance_of_a_trial_never_reach_the_shared_page():
    results = samples.differs()
    marked = dataclasses.replace(
        results.trials[0],
        notes=("SECRETNOTE 7 teeth of AR1",),
        balance=(BalanceRow("provider_id_AR1", "clinician SECRETNAME", 0.4, 0.2),),
        flow=(),
    )
    page = study_club.render(release(dataclasses.replace(results, trials=(marked,))))
    assert "SECRET" not in page
