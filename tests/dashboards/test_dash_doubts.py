"""What a comparison could not show: every number in the words is one of the results, and none is hidden or invented."""

import dataclasses
import re

import pytest
import sample_results as samples
from plain_gate import plain_gate
from read_page import plain

from dashboards import terms
from dashboards.pages import crowns, data_quality, hyperemic, index, owner, study_club
from dashboards.pages.trial import diagnoses_table
from dashboards.release.count import ReleasedCount
from dashboards.release.percent import percent_step
from dashboards.release.released import release
from dashboards.release.trial import (
    ReleasedIncidence,
    ReleasedOutcome,
    release_choices,
    release_everyday,
    release_outcomes,
)
from dashboards.words import doubt as words_doubt
from dashboards.words import healing as words_healing
from dashboards.words import shared as words_shared
from dashboards.words import trial as words_trial
from pipeline.results import BalanceRow, Choices, Results, Robustness, Sample
from pipeline.results.healing import RecallRow
from pipeline.results.trial_words import no_difference


def text_of(page: str) -> str:
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", plain(page), flags=re.S)
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
    claimed = Robustness(6.4, 2.29, 1.64, balance)
    said = words_doubt.e_value_sentence(claimed)
    assert numbers(said) == [2.3, 1.6, 0.31]
    assert words_doubt.e_value_sentence(dataclasses.replace(claimed, e_value=None)) == ""


def test_balance_counts_what_lies_above_the_line():
    rows = [BalanceRow("a", "age", 0.31, 0.04), BalanceRow("b", "sex", 0.02, 0.01), BalanceRow("c", "year", 0.2, 0.12)]
    said = words_doubt.balance_sentence(rows)
    assert numbers(said)[:6] == [2, 3, 0.1, 0.31, 1, 3]


@pytest.mark.parametrize(("recalled", "success", "words"), [(976, 0.8, "976"), (5, None, "Too few")])
def test_recall_rate_stands_beside_radiographic_success(recalled, success, words):
    low, high = (0.77, 0.82) if success else (None, None)
    said = words_healing.recall_headline(RecallRow("all", 2829, 2397, recalled, 700, 781, success, low, high))
    assert words in said
    assert numbers(said)[:2] == [2397, recalled]


def test_the_pages_show_the_decision_the_choices_and_the_doubts():
    results = samples.differs()
    page = text_of(crowns.render(results)) + text_of(hyperemic.render(results))
    for heading in ("Were the teeth alike?", "Does it depend on how we count?", "may be missed"):
        assert heading in page
    for sentence in results.trials[0].everyday:
        assert sentence in page
    for row in results.trials[0].protocol:
        assert row.part in page


def test_each_outcome_of_the_decision_is_said_on_the_page_from_one_object():
    trial = samples.differs().trials[0]
    page = text_of(hyperemic.render(samples.differs()))
    assert [o.outcome for o in trial.outcomes] == ["crown_failure", "tooth_loss", "endo_needed"]
    for outcome in trial.outcomes:
        assert outcome.sentence in page
    assert trial.not_compared in page
    ids = re.findall(r'\bid="(t0-[^"]+)"', hyperemic.render(samples.differs()))
    assert len(ids) == len(set(ids))
    headings = re.findall(r'<span class="what">(By [^<]+)</span>', hyperemic.render(samples.differs()))
    assert len(set(headings)) == len(headings) == 4, "crown, tooth, need of a root canal, and after a vital seat"
    none = tuple(
        dataclasses.replace(o, difference=None, why_none="few", sentence=no_difference(o.outcome, "few"))
        for o in trial.outcomes
    )
    bare = dataclasses.replace(trial, differences=(), outcomes=none)
    page = text_of(hyperemic.render(dataclasses.replace(samples.differs(), trials=(bare,))))
    for name in ("The crown", "The tooth", "The need of a root canal"):
        assert f"{name}: no difference is given, since few." in page


def test_the_diagnoses_of_the_two_ways_are_tabled_with_the_day_they_were_known():
    trial = samples.differs().trials[0]
    found = diagnoses_table(trial.diagnoses, {c.arm: c.label for c in trial.curves})
    told = [row[:2] for row in found.rows]
    assert told == [
        ("Pulp: reversible pulpitis", "by the preparation"),
        ("Pulp: none recorded", "by the preparation"),
        ("Apex: another text", "by the preparation"),
        ("Pulp: symptomatic irreversible pulpitis", "after it, by the seat"),
    ]
    assert found.heads[2:] == tuple(c.label for c in trial.curves if c.outcome == "crown_failure" and not c.adjusted)
    assert [row[2:] for row in found.rows] == [tuple(str(n) for _, n in d.teeth) for d in trial.diagnoses]


def test_what_is_lost_of_the_decision_is_a_crowned_tooth_root_filled_or_not():
    assert "root canal" not in words_trial.outcome_terms("tooth_loss").many
    assert words_trial.outcome_terms("crown_failure") == terms.outcome("crown_failure")


def test_the_decision_leaves_the_practice_on_the_step_of_its_smaller_arm(monkeypatch):
    monkeypatch.setattr("dashboards.release.released.gate_of", lambda results: plain_gate())
    trial = samples.differs().trials[0]
    inside = {o.outcome: o.difference for o in trial.outcomes}
    arms = {c.arm: c.teeth for c in trial.curves}
    step = percent_step(plain_gate().rounding.count(min(arms.values())))
    assert step is not None
    shown = release_outcomes(plain_gate(), samples.differs().trials)
    assert [o.outcome for o in shown] == list(inside)
    for o in shown:
        d = inside[o.outcome]
        assert o.per_100 is not None
        assert o.low is not None
        assert o.high is not None
        assert (o.per_100 % step, o.low % step, o.high % step) == (0, 0, 0)
        assert abs(o.per_100 - d.per_100) <= step / 2 + 1e-9
        assert d.ci_low - step < o.low <= d.ci_low
        assert d.ci_high <= o.high < d.ci_high + step
    page = text_of(study_club.render(release(samples.differs())))
    for o in shown:
        assert o.sentence in page
    assert trial.not_compared in page


@pytest.mark.parametrize("outcome", ["crown_failure", "tooth_loss", "endo_needed"])
@pytest.mark.parametrize(("events", "is_shown"), [(10, False), (11, True)])
def test_an_outcome_with_few_teeth_behind_it_has_no_figure_outside(outcome, events, is_shown):
    trial = samples.differs().trials[0]
    hit = [c.arm for c in trial.curves if c.outcome == outcome][-1]
    curves = tuple(
        dataclasses.replace(c, events=events) if (c.outcome, c.arm) == (outcome, hit) else c for c in trial.curves
    )
    shown = {o.outcome: o for o in release_outcomes(plain_gate(), [dataclasses.replace(trial, curves=curves)])}
    assert (shown[outcome].per_100 is not None) == is_shown
    assert ("no difference is given" in shown[outcome].sentence) == (not is_shown)


def test_root_canals_needed_by_all_but_a_few_are_not_shown_either():
    trial = samples.differs().trials[0]
    for rest, is_shown in ((10, False), (11, True)):
        curves = tuple(
            dataclasses.replace(c, events=c.teeth - rest) if c.outcome == "endo_needed" else c for c in trial.curves
        )
        shown = {o.outcome: o for o in release_outcomes(plain_gate(), [dataclasses.replace(trial, curves=curves)])}
        assert (shown["endo_needed"].per_100 is not None) == is_shown


def test_only_known_outcomes_with_whole_figures_can_be_released():
    known, hidden = ReleasedCount(200), ReleasedCount(None)
    ReleasedOutcome("tooth_loss", 5.0, True, (known, known), 1, -2, 4)
    for wrong in (
        ("implant_loss", 5.0, True, (known, known), 1, -2, 4),
        ("tooth_loss", 5.0, True, (known, known), 1.5, -2, 4),
        ("tooth_loss", 5.0, True, (known, known), 1, None, 4),
        ("tooth_loss", 5.0, True, (known, known), 1, -2, 104),
        ("tooth_loss", 5.0, True, (known, hidden), 1, -2, 4),
    ):
        with pytest.raises(ValueError, match="released"):
            ReleasedOutcome(*wrong)


def test_another_trial_or_an_unknown_outcome_stays_inside():
    trial = samples.differs().trials[0]
    assert release_outcomes(plain_gate(), [dataclasses.replace(trial, id="another")]) == ()
    named = tuple(dataclasses.replace(o, outcome="Dr Ashby") for o in trial.outcomes)
    assert release_outcomes(plain_gate(), [dataclasses.replace(trial, outcomes=named)]) == ()


def test_a_verdict_that_hangs_on_the_choices_is_shown_as_such():
    results = samples.depends()
    for page in (crowns.render(results), index.render(results)):
        assert "depends on how we count" in text_of(page).lower()


def test_the_owner_page_shows_recalls_and_completeness():
    results = samples.differs()
    page = text_of(owner.render(results))
    assert words_healing.recall_headline(results.recalls[0]) in page


def test_the_quality_page_cites_the_calibration():
    results = dataclasses.replace(samples.differs(), calibration="The range held the truth in 94 of 100.")
    assert "The range held the truth in 94 of 100." in text_of(data_quality.render(results))


def test_released_incidence_has_whole_years_and_no_small_count():
    for curve in release_everyday(plain_gate(), samples.differs().trials):
        assert all(p.followed.value is not None and p.followed.value % 5 == 0 for p in curve.points)
        years = [p.years for p in curve.points]
        assert years == sorted(set(years))


def test_a_small_arm_releases_no_incidence():
    trial = samples.differs().trials[0]
    small = tuple(dataclasses.replace(c, events=7) for c in trial.everyday_curves)
    for curve in release_everyday(plain_gate(), [dataclasses.replace(trial, everyday_curves=small)]):
        assert curve.points == ()
        assert curve.needed.value is None


def test_incidence_of_an_unknown_kind_stays_inside():
    trial = samples.differs().trials[0]
    named = tuple(dataclasses.replace(c, arm="Dr Ashby's teeth") for c in trial.everyday_curves)
    assert release_everyday(plain_gate(), [dataclasses.replace(trial, everyday_curves=named)]) == ()
    with pytest.raises(ValueError, match="known kinds"):
        ReleasedIncidence("Dr Ashby's teeth", *(release(samples.differs()).everyday[0].teeth,) * 2, ())


def test_choices_leave_only_as_a_count_and_two_whole_numbers():
    comparison = samples.differs().comparisons[0]
    released = release_choices(plain_gate(), comparison.choices, comparison.difference, 1)
    assert released is not None
    figures = dataclasses.asdict(released)
    assert figures.pop("in_common") is None
    assert {type(v) for v in figures.values()} == {int, bool}
    assert released.sample is False
    sampled = dataclasses.replace(comparison.choices, sample=Sample(10_000, 277_804))
    counted = words_shared.choices(
        dataclasses.replace(
            release(samples.differs()).comparisons[0],
            choices=release_choices(plain_gate(), sampled, comparison.difference),
        )
    )
    assert "on a sample of the patients" in counted
    assert "277" not in counted
    assert release_choices(plain_gate(), comparison.choices, None) is None


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


def test_what_ways_that_say_a_difference_share_is_shared_too():
    """Else a share of ways reads as so many witnesses; a choice that is no identifier of ours stays inside."""
    comparison = samples.differs().comparisons[0]
    main = next(c for c in comparison.choices.rows if c.is_main)
    open_still = dataclasses.replace(main, per_100=1.0, ci_low=-3.0, ci_high=5.0)
    for chosen, common in (
        ("last day of the data", ("end_of_followup", "last day of the data")),
        ("Dr. Some One", None),
    ):
        options = {**main.options, "end_of_followup": chosen}
        other = dataclasses.replace(main, is_main=False, options=options, per_100=4.0, ci_low=1.0, ci_high=7.0)
        first = dataclasses.replace(open_still, options={**main.options, "end_of_followup": "last contact"})
        choices = dataclasses.replace(comparison.choices, rows=(first, other, other))
        found = release_choices(plain_gate(), choices, comparison.difference)
        assert found is not None
        assert found.in_common == common
        told = dataclasses.replace(release(samples.differs()).comparisons[0], choices=found)
        assert ("last day of the data" in words_shared.agree(told)) == (common is not None)
