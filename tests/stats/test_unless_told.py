"""What the estimators take where nobody says otherwise is the same in all of them."""

import importlib
import inspect
import pkgutil

import numpy as np
import pytest

import pipeline.stats
from pipeline.stats.limits import share_limits, z_value

# All that happened counts, ranges hold 95 of 100 times, and ten are enough at risk.
UNLESS_TOLD = {"from_day": 0, "confidence": 0.95, "min_at_risk": 10}


def test_every_estimator_counts_from_day_0_and_gives_95_percent_limits_unless_told_otherwise() -> None:
    seen = set()
    for module in pkgutil.iter_modules(pipeline.stats.__path__):
        named = vars(importlib.import_module(f"pipeline.stats.{module.name}")).values()
        own = [one for one in named if getattr(one, "__module__", "") == f"pipeline.stats.{module.name}"]
        methods = [method for one in own if inspect.isclass(one) for method in vars(one).values()]
        for function in filter(inspect.isfunction, (*own, *methods)):
            for name, given in inspect.signature(function).parameters.items():
                if name in UNLESS_TOLD and given.default is not given.empty:
                    assert given.default == UNLESS_TOLD[name], (module.name, function.__qualname__)
                    seen.add((module.name, name))
    assert {("risk_sets", "from_day"), ("cox", "confidence")} <= seen


@pytest.mark.parametrize("confidence", [-0.1, 0.0, 1.0, 1.1])
def test_a_range_holds_some_and_not_all_of_the_times(confidence: float) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        z_value(confidence)


def test_a_share_of_none_or_all_has_limits_only_where_its_scale_can_give_any() -> None:
    share, error = np.array([0.0, 0.5, 1.0]), np.array([0.0, 0.1, 0.0])
    for limit in share_limits(share, error, confidence=0.95):
        assert np.isfinite(limit).tolist() == [False, True, False]
