"""Healing at recall: adjusted, within clinicians, in the family, and said in words of its own."""

import numpy as np
import polars as pl
import pytest
from technique_practice import draw

from pipeline.questions.analysis import Analysis
from pipeline.questions.techniques.declared import all_questions
from pipeline.questions.techniques.engine import answer_all
from pipeline.questions.techniques.healing import healing_sentence, recall_notes
from pipeline.questions.techniques.question import HEALED
from pipeline.results.technique import TechniqueGroup
from pipeline.stats.standardised import AdjustedDifference

DAM = next(q for q in all_questions() if q.id == "rubber_dam")


def recalled(rng: np.random.Generator, n: int, dam: np.ndarray, odds: np.ndarray) -> pl.DataFrame:
    """`n` recalled teeth; `event` is not healed."""
    empty = pl.lit(None, pl.String)
    rows = draw(rng, n, {"rubber_dam": dam}).with_columns(kind=empty, lesion=empty, crown_at_start=empty)
    return rows.with_columns(
        event=pl.Series(rng.random(n) < odds / (1 + odds)), recalled=pl.lit(True), recall_years=1.5
    )


def answer(rows: pl.DataFrame):
    (found,) = answer_all([DAM], {("course", HEALED): rows}, Analysis()).answers
    return found


def test_a_difference_in_healing_is_found() -> None:
    rng = np.random.default_rng(1)
    dam = rng.random(3000) < 0.5
    found = answer(recalled(rng, 3000, dam, np.where(dam, 0.25, 1.0)))  # 20 and 50 of 100 not healed
    (contrast,) = found.contrasts
    assert contrast.difference_ci_low < 30 < contrast.difference_ci_high
    assert (contrast.hazard_ratio, contrast.verdict) == (None, "differs")
    assert "not healed at recall per 100 with no rubber dam than with rubber dam" in contrast.sentence
    assert found.stratified_by == ("clinician",)
    yes = found.groups[0]
    assert yes.adjusted_success_ci_low < 0.8 < yes.adjusted_success_ci_high


def test_confounding_by_age_is_taken_out() -> None:
    rng = np.random.default_rng(3)
    age = rng.normal(50, 14, 4000)
    dam = rng.random(4000) < 1 / (1 + np.exp((age - 50) / 8))
    rows = recalled(rng, 4000, dam, 0.4 * np.exp(0.06 * (age - 50))).with_columns(age=pl.Series(age))
    found = answer(rows)
    crude = {g.name: g.success for g in found.groups}
    assert crude["yes"] - crude["no"] > 0.1
    (contrast,) = found.contrasts
    assert contrast.difference_ci_low < 0 < contrast.difference_ci_high


def test_ways_that_are_the_clinicians_are_not_claimed() -> None:
    rng = np.random.default_rng(4)
    rows = recalled(rng, 3000, np.ones(3000, dtype=bool), np.ones(3000))
    dam = rows["provider_id"].is_in(["c0", "c1"])
    chance = np.where(dam.to_numpy(), 0.2, 0.5)
    rows = rows.with_columns(rubber_dam=dam, event=pl.Series(rng.random(3000) < chance))
    (contrast,) = answer(rows).contrasts
    assert contrast.difference_ci_low > 5
    assert (contrast.verdict, contrast.p_family) == ("cannot_tell", None)
    assert "clinician" in contrast.withheld


def test_renaming_the_clinicians_moves_no_figure() -> None:
    # Two clinicians alike in teeth and in teeth not healed, a third, and one too rare to stand alone.
    rng = np.random.default_rng(6)
    dam = rng.random(2000) < 0.5
    drawn = recalled(rng, 2000, dam, np.where(dam, 0.4, 0.7))
    failed, healed = (drawn.filter(pl.col("event") == told) for told in (True, False))
    shares = {"c0": (150, 300), "c1": (150, 300), "c2": (60, 120), "c3": (3, 5)}
    parts = []
    for name, (n_failed, n_healed) in shares.items():
        parts += [failed.head(n_failed), healed.head(n_healed)]
        parts[-2:] = [part.with_columns(provider_id=pl.lit(name)) for part in parts[-2:]]
        failed, healed = failed.slice(n_failed), healed.slice(n_healed)
    rows = pl.concat(parts)
    (contrast,) = answer(rows).contrasts
    for names in ("c1 c0 c2 c3", "c3 c2 c1 c0", "z y x w", "c0 c3 c1 c2"):
        renamed = rows.with_columns(pl.col("provider_id").replace_strict(list(shares), names.split()))
        (again,) = answer(renamed).contrasts
        for figure in ("difference_per_100", "difference_ci_low", "difference_ci_high", "p"):
            assert getattr(again, figure) == pytest.approx(getattr(contrast, figure), rel=1e-6, abs=1e-9)


def test_how_many_came_back_is_said_by_group() -> None:
    rng = np.random.default_rng(5)
    dam = rng.random(3000) < 0.5
    rows = recalled(rng, 3000, dam, np.ones(3000))
    came = rng.random(3000) < np.where(dam, 0.8, 0.5)
    kept = rows.with_columns(recalled=pl.Series(came))
    found = answer(kept.with_columns(event=pl.when("recalled").then("event")))
    with_dam, without = found.groups
    assert (with_dam.due, without.due) == (int(dam.sum()), int((~dam).sum()))
    assert with_dam.teeth == int((dam & came).sum())
    share = round(100 * came.mean())
    assert f"judged on the {came.sum():,} of 3,000 teeth due ({share} %)" in found.notes[0]
    assert "did not come back alike" in found.notes[1]


def test_groups_that_come_back_alike_are_not_spoken_of() -> None:
    groups = (
        TechniqueGroup("a", "A", 60, 60, 20, 0.0, None, None, None, due=100),
        TechniqueGroup("b", "B", 69, 60, 20, 0.0, None, None, None, due=100),
    )
    assert len(recall_notes(groups)) == 1
    assert recall_notes(groups)[0].startswith("Healing is judged on the 129 of 200 teeth due (64 %)")


@pytest.mark.parametrize(
    ("code", "said"),
    [
        ("too_early", "Too few teeth to compare (not healed: 3 with no rubber dam, 20 with rubber dam)."),
        (
            "little_difference",
            "Any difference in healing is probably smaller than 5 per 100 (2 fewer to 14 more not healed per 100).",
        ),
        (
            "differs",
            "In these records, 6 more teeth not healed at recall per 100 with no rubber dam than with rubber dam "
            "(2 fewer to 14 more not healed per 100); this may be due to which teeth were treated which way, and which "
            "came back.",
        ),
        (
            "cannot_tell",
            "With no rubber dam instead of rubber dam it could be 2 fewer to 14 more not healed per 100: we cannot "
            "tell yet.",
        ),
    ],
)
def test_every_verdict_has_words(code: str, said: str) -> None:
    found = AdjustedDifference("no", "yes", 0, 0, 6.2, 4.0, -1.8, 14.1, 0.1, 0.95)
    assert healing_sentence(code, found, ("No rubber dam", 3), ("Rubber dam", 20), 5.0) == said
