"""Confidence limits of a share (survival or cumulative incidence) from its standard error, on three scales."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]
LimitKind = Literal["log-log", "log", "plain"]


def z_value(confidence: float) -> float:
    """Normal quantile of a two-sided interval: 1.96 for 0.95.

    Raises ValueError unless 0 < confidence < 1.
    """
    if not 0 < confidence < 1:
        raise ValueError("confidence must lie between 0 and 1")
    return float(ndtri(0.5 + confidence / 2))


def share_limits(share: Floats, std_error: Floats, *, kind: LimitKind, confidence: float) -> tuple[Floats, Floats]:
    """Lower and upper limits; NaN where the scale cannot give any.

    - `log-log`: on log(-log share) [Kalbfleisch 1980, section 1.3], always inside 0 to 1; none where the share is 0 or
      1.
    - `log`: on log(share), cut at 1; none where the share is 0.
    - `plain`: on the share itself, cut at 0 and 1.
    """
    z = z_value(confidence)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        if kind == "plain":
            return np.maximum(share - z * std_error, 0.0), np.minimum(share + z * std_error, 1.0)
        logs = np.log(np.where(share > 0, share, np.nan))
        if kind == "log":
            step = z * std_error / share
            return np.exp(logs - step), np.minimum(np.exp(logs + step), 1.0)
        if kind == "log-log":
            step = z * std_error / (share * -logs)
            middle = np.log(-logs)
            return np.exp(-np.exp(middle + step)), np.exp(-np.exp(middle - step))
    raise ValueError(f"limits must be log-log, log or plain, not {kind!r}")
