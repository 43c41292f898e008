"""The choices that every comparison is made by."""

from dataclasses import dataclass

from pipeline.practice import settings
from pipeline.questions.groups import CurveRules

# Years read off every curve, beside the horizon.
YEARS = (0.0, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0)


@dataclass(frozen=True)
class Analysis(settings.Analysis):
    """The choices of a comparison; the settings fill them."""

    def curve_rules(self) -> CurveRules:
        """When curves start and stop, and the years read off them."""
        years = tuple(sorted({*YEARS, float(self.horizon_years)}))
        return CurveRules(self.min_at_risk, self.max_step_per_100 / 100, self.confidence, years)

    def matters(self, years: float) -> float:
        """What would matter by so many years, per 100: by the horizon as fixed beforehand, sooner as much less."""
        return self.smallest_difference_per_100 * min(1.0, years / self.horizon_years)
