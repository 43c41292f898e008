"""What the owner's page says of clinicians, where the truth is known: false flags and stated power."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from clinician_practices import Truth, teeth_of, told

from pipeline.questions.clinicians import beside_colleagues, see
from pipeline.questions.monitoring import ADJUST
from pipeline.results.monitoring import Funnel

TWO, THREE, EIGHT = (160, 160), (120, 200, 250), (150, 300, 400, 100, 100, 500, 600, 200)
DOUBLE = {n: (2.0, *[1.0] * (n - 1)) for n in (2, 3, 8)}


def look(rows: pl.DataFrame) -> Funnel:
    seen = see(rows.sort("id"), tuple(c for c in ADJUST if c.name in rows.columns))
    assert seen is not None
    return beside_colleagues(seen, not_recorded=0, seed=7)[0]


def test_of_two_who_differ_nobody_is_said_to_be_the_unusual_one() -> None:
    found = look(teeth_of(Truth((500, 500), (2.5, 1.0)), np.random.default_rng(1)))
    assert [r.standing for r in found.rows] == ["differ_99_8", "differ_99_8"]
    first, second = found.rows
    assert first.colleagues == second.colleagues == 1
    assert first.ratio is not None
    assert second.ratio == pytest.approx(1 / first.ratio)
    # Nobody's own failures are in what is expected of them: A's are 2.5 times those that B's teeth lead one to expect.
    assert first.ratio == pytest.approx(2.5, rel=0.25)
    assert first.shrunk < first.ratio
    assert first.shrunk_low > 1


def test_one_who_fails_often_does_not_make_the_colleagues_seem_to_fail_seldom() -> None:
    found = look(teeth_of(Truth((600, 500, 400), (2.5, 1.0, 1.0)), np.random.default_rng(2)))
    assert [r.standing for r in found.rows] == ["more_99_8", "within", "within"]
    assert [r.colleagues for r in found.rows] == [2, 1, 1]


def test_harder_teeth_pass_for_no_ones_doing_even_where_they_fall_to_one() -> None:
    # All A's teeth are molars, and some of the others': what a molar is worth comes from within the others alone.
    found = look(teeth_of(Truth((400, 500, 500), (1.0,) * 3, molars=(1.0, 0.3, 0.3)), np.random.default_rng(3)))
    first = found.rows[0]
    assert first.ratio == pytest.approx(1.0, abs=0.3)
    assert first.standing == "within"
    # The error of what a molar is worth makes A's limits wider than B's, who has as many failures.
    assert first.high_95 is not None
    assert found.rows[1].high_95 is not None
    assert first.observed > found.rows[1].observed
    assert first.high_95 > found.rows[1].high_95


def held(truth: Truth, runs: int, first: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return told(truth, range(first, first + runs), look)


@pytest.mark.parametrize("teeth", [TWO, THREE])
def test_a_doubling_is_noticed_as_often_as_said_and_nobody_else_is(teeth: tuple[int, ...]) -> None:
    runs = 8
    out, sure, chance = held(Truth(teeth, DOUBLE[len(teeth)], alike=0.5), runs)
    said = sure[:, 0].mean()
    assert abs(out[:, 0].mean() - said) < 3.5 * np.sqrt(said * (1 - said) / runs)
    if len(teeth) > 2:
        assert out[:, 1:].any(axis=1).mean() <= 0.25
    assert chance.max() <= 0.05


THOROUGH = [
    Truth(teeth, rates, alike=alike, each=each, molars=molars)
    for teeth in (TWO, THREE, EIGHT)
    for rates in (DOUBLE[len(teeth)], (1.0,) * len(teeth))
    for alike, each, molars in ((0.0, 2, ()), (0.7, 4, ()), (0.5, 2, (0.9, *[0.3] * (len(teeth) - 1))))
]


# Of the eighteen, those one after another in a diagonal: each number of clinicians, each kind of truth, each likeness.
DIAGONAL = [(n // 3 + n) % 3 == 0 for n in range(len(THOROUGH))]


@pytest.mark.parametrize(
    "truth",
    [
        pytest.param(t, marks=pytest.mark.thorough if d else pytest.mark.slow)
        for t, d in zip(THOROUGH, DIAGONAL, strict=True)
    ],
    ids=lambda t: f"{len(t.teeth)}-{t.rates[0]:g}-{t.alike:g}-{bool(t.molars)}",
)
def test_stated_power_and_false_flags_hold_in_practices_of_every_kind(truth: Truth) -> None:
    runs = 36 if len(truth.teeth) < 8 else 14
    out, sure, chance = held(truth, runs, first=1000)
    alike = len(set(truth.rates)) == 1
    wrong = out if alike else out[:, 1:]
    if alike or len(truth.teeth) > 2:
        # At most 5 in 100 practices, and three errors of so many runs.
        assert wrong.any(axis=1).mean() <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)
    assert chance.max() <= 0.055
    if not alike:
        said = np.nanmean(sure[:, 0])
        assert abs(out[:, 0].mean() - said) < 3 * np.sqrt(said * (1 - said) / runs)
