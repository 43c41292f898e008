"""Distributions from special functions against scipy.stats, and against printed tables."""

import numpy as np
import pytest
from scipy import stats

from pipeline.stats import laws

AT = np.array([1e-12, 0.001, 0.025, 0.3, 0.5, 0.9, 0.975, 0.999999])
FREEDOM = (1, 2, 5, 30.5, 4000)


@pytest.mark.parametrize("df", FREEDOM)
def test_chi_square_and_t(df: float) -> None:
    x = np.array([0.0, 0.01, 1.0, 3.84, 50.0, 4100.0])
    np.testing.assert_allclose(laws.chi2_quantile(AT, df), stats.chi2.ppf(AT, df), rtol=1e-9)
    np.testing.assert_allclose(laws.chi2_upper(x, df), stats.chi2.sf(x, df), rtol=1e-9)
    np.testing.assert_allclose(laws.t_quantile(AT, df), stats.t.ppf(AT, df), rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(laws.t_upper(x, df), stats.t.sf(x, df), rtol=1e-9)
    np.testing.assert_allclose(laws.f_upper(x, 3, df), stats.f.sf(x, 3, df), rtol=1e-9)


@pytest.mark.parametrize(("a", "b"), [(1, 1), (0.5, 20), (3, 998), (4000, 2)])
def test_beta(a: float, b: float) -> None:
    np.testing.assert_allclose(laws.beta_quantile(AT, a, b), stats.beta.ppf(AT, a, b), rtol=1e-8)


def test_normal() -> None:
    np.testing.assert_allclose(laws.normal_quantile(AT), stats.norm.ppf(AT), rtol=1e-12, atol=1e-15)
    x = np.array([-3.0, 0.0, 1.96, 12.0, 37.0])
    np.testing.assert_allclose(laws.normal_upper(x), stats.norm.sf(x), rtol=1e-12)


def test_outside_a_distribution_there_is_no_figure() -> None:
    assert np.isnan(laws.chi2_upper(1.0, 0))
    assert np.isnan(laws.chi2_upper(np.nan, 1))
    assert laws.chi2_upper(-1.0, 2) == 1


def test_as_printed() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 and 1.3.6.7.4, upper 5 % points (from memory)."""
    assert round(float(laws.chi2_quantile(0.95, 10)), 3) == 18.307
    assert round(float(laws.t_quantile(0.95, 10)), 3) == 1.812
