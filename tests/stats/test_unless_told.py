"""What the estimators take where nobody says otherwise is the same in all of them."""

import importlib
import inspect
import pkgutil

import pipeline.stats

# All that happened counts, ranges hold 95 of 100 times.
UNLESS_TOLD = {"from_day": 0, "confidence": 0.95}


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
