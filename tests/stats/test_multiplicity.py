import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stats.multiplicity import holm


def test_by_hand():
    # Sorted .01 .02 .03 .04. Holm: 4*.01, 3*.02, then 2*.03 and 1*.04 raised to .06.
    assert holm([0.04, 0.01, 0.03, 0.02]).tolist() == pytest.approx([0.06, 0.04, 0.06, 0.06])


def test_equals_r():
    """p.adjust(c(.001, .008, .039, .041, .042, .06, .074, .205, .212), 'holm') in R 4.2.2."""
    p = [0.001, 0.008, 0.039, 0.041, 0.042, 0.06, 0.074, 0.205, 0.212]
    assert holm(p) == pytest.approx([0.009, 0.064, 0.273, 0.273, 0.273, 0.273, 0.273, 0.41, 0.41])


def test_a_comparison_that_was_not_made_does_not_count():
    assert holm([0.01, np.nan, 0.03])[[0, 2]].tolist() == pytest.approx([0.02, 0.03])
    assert np.isnan(holm([0.01, np.nan])[1])
    assert len(holm([])) == 0


def test_impossible_values_are_refused():
    with pytest.raises(ValueError, match="between 0 and 1"):
        holm([1.2])


@given(st.lists(st.floats(0, 1), min_size=1, max_size=20))
def test_adjusting_never_makes_smaller_and_keeps_the_order(p):
    values = np.array(p)
    adjusted = holm(p)
    assert (adjusted >= values - 1e-15).all()
    assert (np.diff(adjusted[np.argsort(values, kind="stable")]) >= 0).all()
