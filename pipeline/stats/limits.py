"""Confidence limits of a share (survival or cumulative incidence) from its standard error."""

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]


def z_value(confidence: float) -> float:
    """Normal quantile of a two-sided interval: 1.96 for 0.95.

    Raises ValueError unless 0 < confidence < 1.
    """
    if not 0 < confidence < 1:
        raise ValueError("confidence must lie between 0 and 1")
    return float(ndtri(0.5 + confidence / 2))


def share_limits(share: Floats, std_error: Floats, *, confidence: float) -> tuple[Floats, Floats]:
    """Lower and upper limits on the scale log(-log share) [Kalbfleisch 1980, section 1.3], always inside 0 to 1.

    NaN where the scale gives none: for a share of 0 or 1.
    """
    z = z_value(confidence)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        logs = np.log(np.where(share > 0, share, np.nan))
        step = z * std_error / (share * -logs)
        middle = np.log(-logs)
        return np.exp(-np.exp(middle + step)), np.exp(-np.exp(middle - step))
