"""The engine: planted effects come back, equal ways do not differ, and the order of the rows changes nothing."""

import numpy as np
import polars as pl
import pytest
from technique_practice import draw

from pipeline.questions.analysis import Analysis
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.dose import dose_curve, spline_knots
from pipeline.questions.techniques.engine import answer_all
from pipeline.questions.techniques.question import TOOTH_LOSS, Question

ANALYSIS = Analysis()
BY_ID = {q.id: q for q in all_questions()}


def ask(question: Question, rows: pl.DataFrame, outcome: str):
    return answer_all([question], {(question.unit, outcome): rows}, ANALYSIS)


def only(question: Question, rows: pl.DataFrame, outcome: str):
    found = [a for a in ask(question, rows, outcome).answers if a.outcome == outcome]
    assert len(found) == 1
    return found[0]


def test_a_separated_file_left_in_the_canal_is_one_look_by_name() -> None:
    """Kinds too rare to be shown by themselves are one contrast with one verdict; no kind is held against none."""
    rng = np.random.default_rng(11)
    words = ["none", "before_cleaning", "after_cleaning", "bypassed", "removed"]
    way = rng.choice(words, 6000, p=[0.88, 0.03, 0.03, 0.02, 0.04])
    left = np.isin(way, words[1:4])
    rows = _bare(draw(rng, 6000, {"separated_instrument": way}, log_hazard=np.log(2.5) * left))
    answer = only(BY_ID["separated_instrument"], rows, TOOTH_LOSS)
    pairs = [(c.group, c.reference) for c in answer.contrasts]
    assert pairs == [("left", "none"), ("removed", "none"), ("left", "removed")]
    none, removed = (g for g in answer.groups if g.name != "left")
    assert [g.teeth for g in answer.groups if g.name == "left"] == [left.sum()]
    assert (none.teeth, removed.teeth) == ((way == "none").sum(), (way == "removed").sum())
    against_none, taken_out, _ = answer.contrasts
    assert against_none.ratio_ci_low < 2.5 < against_none.ratio_ci_high
    assert against_none.verdict == "differs"
    assert taken_out.ratio_ci_low < 1 < taken_out.ratio_ci_high
    assert answer.family == 3


def test_whether_the_canal_was_cleaned_first_is_asked_among_files_left_in_it() -> None:
    rng = np.random.default_rng(12)
    way = rng.choice(["none", "before_cleaning", "after_cleaning"], 6000, p=[0.6, 0.2, 0.2])
    # Teeth with a file left in them lose more often anyway: that must not reach the contrast.
    log_hazard = np.log(3) * (way != "none") + np.log(2) * (way == "before_cleaning")
    rows = _bare(draw(rng, 6000, {"separated_instrument": way}, log_hazard=log_hazard))
    (contrast,) = only(BY_ID["separated_when"], rows, TOOTH_LOSS).contrasts
    assert (contrast.group, contrast.reference) == ("before_cleaning", "after_cleaning")
    assert contrast.ratio_ci_low < 2 < contrast.ratio_ci_high
    assert contrast.verdict == "differs"


def test_a_single_file_is_held_against_a_sequence_and_hand_files_too() -> None:
    """One look each, none of them against hand files."""
    rng = np.random.default_rng(13)
    words = ["hand", "rotary_sequence", "rotary_single_file", "reciprocating"]
    way = rng.choice(words, 6000)
    single = np.isin(way, words[2:])
    rows = _bare(draw(rng, 6000, {"instrumentation": way}, log_hazard=np.log(2) * single + np.log(3) * (way == "hand")))
    asked = answer_all(
        [BY_ID["instrumentation"], BY_ID["single_file_motion"]], {("course", TOOTH_LOSS): rows}, ANALYSIS
    )
    found = {(c.group, c.reference): c for a in asked.answers for c in a.contrasts}
    assert list(found) == [
        ("single_file", "rotary_sequence"),
        ("hand", "rotary_sequence"),
        ("reciprocating", "rotary_single_file"),
    ]
    truths = (2.0, 3.0, 1.0)
    assert all(c.ratio_ci_low < t < c.ratio_ci_high for c, t in zip(found.values(), truths, strict=True))
    assert [c.verdict for c in found.values()][:2] == ["differs", "differs"]
    assert {a.family for a in asked.answers} == {3}


def _bare(rows: pl.DataFrame) -> pl.DataFrame:
    """Covariates of courses that were not recorded."""
    empty = pl.lit(None, pl.String)
    return rows.with_columns(kind=empty, lesion=empty, crown_at_start=empty)


def test_confounding_by_age_is_taken_out() -> None:
    rng = np.random.default_rng(5)
    age = rng.normal(50, 14, 8000)
    dam = rng.random(8000) < 1 / (1 + np.exp((age - 50) / 8))
    rows = draw(rng, 8000, {"rubber_dam": dam}, log_hazard=0.05 * (age - 50)).with_columns(age=pl.Series(age))
    answer = only(BY_ID["rubber_dam"], _bare(rows), TOOTH_LOSS)
    yes, no = sorted(answer.groups, key=lambda g: g.name, reverse=True)
    assert no.rate_ci_low > yes.rate_ci_high  # by hand no dam looks far worse
    (contrast,) = answer.contrasts
    assert contrast.ratio_ci_low < 1 < contrast.ratio_ci_high


def test_rates_are_failures_over_time() -> None:
    rng = np.random.default_rng(3)
    rows = _bare(draw(rng, 800, {"rubber_dam": rng.random(800) < 0.5}))
    group = only(BY_ID["rubber_dam"], rows, TOOTH_LOSS).groups[0]
    mine = rows.filter("rubber_dam")
    assert group.failures == mine["event"].sum()
    assert group.rate_per_100_tooth_years == pytest.approx(100 * group.failures / (mine["exit_days"].sum() / 365.25))


def test_the_order_of_rows_changes_nothing() -> None:
    rng = np.random.default_rng(4)
    rows = _bare(draw(rng, 900, {"naocl_percent": rng.choice([1.0, 2.5, 5.25, 6.0], 900)}))
    question = BY_ID["irrigant_strength"]
    assert ask(question, rows, TOOTH_LOSS) == ask(question, rows.sample(fraction=1, shuffle=True, seed=1), TOOTH_LOSS)


def test_a_bent_dose_response_is_recovered() -> None:
    rng = np.random.default_rng(8)
    dose = rng.uniform(0.5, 8, 12000)
    truth = lambda d: -0.8 * np.minimum(d, 3.0) / 3.0  # noqa: E731
    rows = _bare(draw(rng, 12000, {"naocl_percent": dose}, log_hazard=truth(dose)))
    curve = dose_curve(rows, "naocl_percent", (), ANALYSIS, reference=3.0)
    points = curve.points
    assert not curve.why
    assert curve.p < 1e-4
    assert curve.bend_p < 0.01
    gaps = [abs(np.log(p.hazard_ratio) - (truth(p.dose) - truth(3.0))) for p in points]
    assert max(gaps) < 0.2
    assert points[0].hazard_ratio > 1.4  # weak solutions do worse
    assert points[-1].ci_low < 1 < points[-1].ci_high  # and above 3 % nothing is gained


def test_knots_of_few_different_doses() -> None:
    assert spline_knots(np.array([1.0] * 90 + [2.5] * 900 + [5.25] * 9)).tolist() == [1.0, 2.5, 5.25]
    assert spline_knots(np.array([1.0] * 90 + [2.5] * 900)) is None


def test_a_field_never_recorded_is_listed_with_what_it_lacks() -> None:
    rows = draw(np.random.default_rng(1), 100, {"rubber_dam": pl.Series([None] * 100, dtype=pl.Boolean)})
    found = ask(BY_ID["rubber_dam"], rows, TOOTH_LOSS)
    assert not found.answers
    lacking = {n.id: n.needs for n in found.not_run}
    assert lacking["technique_rubber_dam_tooth_loss"] == ("endo_details.rubber_dam",)


def test_ways_that_are_the_clinicians_are_not_claimed() -> None:
    rng = np.random.default_rng(6)
    rows = draw(rng, 4000, {})
    dam = (rows["provider_id"].is_in(["c0", "c1"])).alias("rubber_dam")
    rows = _bare(draw(np.random.default_rng(6), 4000, {"rubber_dam": dam}, log_hazard=np.log(2.5) * ~dam.to_numpy()))
    (contrast,) = only(BY_ID["rubber_dam"], rows, TOOTH_LOSS).contrasts
    assert contrast.ratio_ci_low > 1
    assert contrast.verdict == "cannot_tell"
    assert "clinician" in contrast.withheld


def test_a_difference_that_does_not_survive_the_family_is_withheld() -> None:
    """The same rows: claimed as the only look, withheld among many looks at nothing."""
    rng = np.random.default_rng(24)
    dam = rng.random(2600) < 0.5
    rows = _bare(draw(rng, 2600, {"rubber_dam": dam}, log_hazard=np.log(1.42) * ~dam))
    alone = only(BY_ID["rubber_dam"], rows, TOOTH_LOSS).contrasts[0]
    assert alone.p < 0.05
    assert alone.verdict == "differs"
    extra = {q: rng.permutation(v) for q, v in _equal_ways(2600, rng).items()}
    many = answer_all(
        [BY_ID[q] for q in ("rubber_dam", *ASKED)],
        {("course", TOOTH_LOSS): rows.with_columns(**{k: pl.Series(v) for k, v in extra.items()})},
        ANALYSIS,
    )
    among = next(a for a in many.answers if a.question == "rubber_dam").contrasts[0]
    assert among.p == alone.p
    assert among.p_family > 0.05
    assert among.verdict == "cannot_tell"
    assert "18 comparisons of techniques were made" in among.withheld


ASKED = ("instrumentation", "filling_method", "sealer", "orifice_seal", "irrigant_activation", "irrigant_strength")


def _equal_ways(n: int, rng: np.random.Generator) -> dict[str, np.ndarray]:
    out = {}
    for name in ASKED:
        question = BY_ID[name]
        if question.bands:
            out[question.factor] = rng.choice([1.0, 2.5, 5.25, 6.0], n)
        elif name == "irrigant_activation":
            out[question.factor] = rng.random(n) < 0.5
        else:
            out[question.factor] = rng.choice([w for level in question.levels for w in level.words], n)
    return out
