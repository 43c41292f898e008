"""Every rate and effect that the generator is told, so that an analysis can be judged by what it finds again.

The figures are invented, chosen to be plausible for a general practice; none is an estimate from real records.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field, replace
from typing import Any

REFERENCE_AGE = 50.0
REFERENCE_YEAR = 2015.0


@dataclass(frozen=True)
class Clinician:
    """One clinician's habits. Shares are probabilities from 0 to 1.

    `endo_first_hyperemic` and `endo_first_normal` are the shares of teeth with a hyperemic and a normal pulp that
    get their root canal before the crown is seated; the rest are seated vital. `log_hr` acts on crown failure.
    """

    id: str
    site: str
    endo_first_hyperemic: float
    endo_first_normal: float
    one_visit: float
    rubber_dam: float
    instrumentation: str
    obturation: str
    sealer: str
    log_hr: float


_CLINICIANS = (
    Clinician("AR1", "North", 0.10, 0.01, 0.35, 0.60, "hand", "cold_lateral", "zinc_oxide_eugenol", 0.10),
    Clinician("AR2", "North", 0.25, 0.01, 0.55, 0.85, "rotary_sequence", "cold_lateral", "epoxy_resin", 0.00),
    Clinician("AR3", "North", 0.40, 0.02, 0.70, 0.95, "rotary_sequence", "warm_vertical", "epoxy_resin", -0.10),
    Clinician("AR4", "South", 0.55, 0.03, 0.60, 0.90, "reciprocating", "single_cone", "calcium_silicate", 0.00),
    Clinician("AR5", "South", 0.75, 0.05, 0.80, 0.99, "rotary_single_file", "single_cone", "calcium_silicate", -0.05),
    Clinician("AR6", "South", 0.90, 0.10, 0.45, 0.70, "hand", "carrier", "calcium_hydroxide", 0.05),
)


@dataclass(frozen=True)
class Truth:
    """What a synthetic practice is told. Hazard ratios against a vital crown unless said otherwise.

    Crown failure: cumulative hazard of a vital reference crown
    `-log(ten_year_survival) * ((days - quiet_days) / (3652.5 - quiet_days)) ** shape`, none in the quiet days, times
    `hr_before_seat` (root filled when seated) or `hr_opened` (from the day it is opened), covariates and a gamma
    frailty of the patient with mean 1 and `frailty_variance`. Where opening acts first in another way,
    `hr_first_opened` has pairs of days since the opening and the ratio up to them; `hr_opened` holds after the last.
    A hazard ratio averaged over patients lies nearer 1 than the one given here when the frailty varies: with the
    default variance and losses of some 20 in 100 by about 0.01 on the log scale; a variance of 0 removes the
    difference.

    Need of endo in a tooth seated vital: a constant rate, times `hr_need_hyperemic`. It does not share the frailty
    and hyperemia has no effect of its own on crown failure, so no unmeasured confounder is built in, unless
    `need_follows_frailty`: then the rate is multiplied by the frailty too.

    `cause_*` are the shares of crown failures: replaced by a crown, given up and renewed with a root canal
    (`redone`), replaced by a bridge retainer, removed, extracted with the tooth. They split the failures and do not
    add to them, so hazards stay proportional. A crown of a vital tooth that is `redone` failed as a vital one: it was
    given up at the opening. A ledger that cannot know this counts it as opened and failed soon after;
    `redone_planned` is the share of which a planned crown row in the 30 days before shows it.

    What others do: `referred` is the share of root canals done elsewhere, first ones and repeats; `lost_elsewhere`,
    `removed_elsewhere` and `replaced_elsewhere` are shares of extractions, removals and replacements. `charted` says
    how the practice knows of them: the day (`dated`), the year, a row of the day on which it was seen here
    (`on_visit`), a row without a date (`undated`), or `not` at all; `charted_loss` likewise, with a `sign` (an
    implant or a pontic in its place). Removals, replacements and repeats elsewhere are known by their day or not.
    An opening that nobody charted is filled here in `hint_after_opening` of cases, by a filling of one surface;
    `false_hint_per_year` is the rate of such fillings on crowns that were never opened.
    """

    hr_before_seat: float = 1.25
    hr_opened: float = 2.0
    hr_first_opened: tuple[tuple[int, float], ...] = ()
    ten_year_survival: float = 0.86
    shape: float = 1.2
    quiet_days: int = 60
    frailty_variance: float = 0.1

    log_hr_age_decade: float = 0.08
    log_hr_year_decade: float = -0.10
    log_hr_male: float = 0.05
    log_hr_smoker: float = 0.15
    log_hr_diabetes: float = 0.05
    log_hr_bruxism: float = 0.40
    log_hr_tooth_group: dict[str, float] = field(
        default_factory=lambda: {"anterior": 0.0, "premolar": 0.1, "molar": 0.2}
    )
    log_hr_material: dict[str, float] = field(
        default_factory=lambda: {
            "metal": -0.3,
            "metal_ceramic": 0.0,
            "zirconia": 0.0,
            "glass_ceramic": 0.2,
            "resin": 0.7,
        }
    )

    share_necrotic: float = 0.10
    share_hyperemic: float = 0.28
    share_filled_long_before: float = 0.07
    need_per_year: float = 0.010
    hr_need_hyperemic: float = 5.0
    need_follows_frailty: bool = False

    cause_vital: dict[str, float] = field(
        default_factory=lambda: {"replaced": 0.65, "redone": 0.03, "retainer": 0.05, "removed": 0.05, "extracted": 0.22}
    )
    cause_root_filled: dict[str, float] = field(
        default_factory=lambda: {"replaced": 0.40, "redone": 0.05, "retainer": 0.05, "removed": 0.05, "extracted": 0.45}
    )
    retreatment_per_year: float = 0.008
    share_coded_as_initial: float = 0.20
    surgery_per_year: float = 0.003
    complication_per_year: float = 0.012
    cervical_filling_per_year: float = 0.004
    extraction_per_year_uncrowned: float = 0.03

    referred: float = 0.10
    charted: dict[str, float] = field(
        default_factory=lambda: {"dated": 0.40, "year": 0.05, "on_visit": 0.10, "undated": 0.20, "not": 0.25}
    )
    lost_elsewhere: float = 0.15
    charted_loss: dict[str, float] = field(
        default_factory=lambda: {"dated": 0.30, "on_visit": 0.15, "undated": 0.15, "sign": 0.30, "not": 0.10}
    )
    removed_elsewhere: float = 0.15
    replaced_elsewhere: float = 0.03
    hint_after_opening: float = 0.5
    false_hint_per_year: float = 0.0005
    redone_planned: float = 0.6
    remake_without_fee: float = 0.5  # of crowns replaced within two years

    crowns_per_year: float = 0.14
    other_kinds_per_year: float = 0.012
    other_kinds: dict[str, float] = field(default_factory=lambda: {"retainer": 0.4, "onlay": 0.4, "prefabricated": 0.2})
    existing_crowns: float = 0.25
    share_existing_dated: float = 0.40
    endo_only_per_year: float = 0.035
    extractions_per_year: float = 0.03
    implant_after_extraction: float = 0.30

    leave_per_year: dict[str, float] = field(
        default_factory=lambda: {"under_35": 0.10, "35_to_64": 0.05, "65_up": 0.04}
    )
    death_per_year_at_50: float = 0.003
    death_log_per_year: float = 0.09
    smoker: float = 0.18
    diabetes: float = 0.09
    bruxism: float = 0.15

    clinicians: tuple[Clinician, ...] = _CLINICIANS

    def with_referrals(self, share: float, charted: str = "mixed") -> Truth:
        """The same practice with this share of root canals done elsewhere, all `charted` in one way or in the mix."""
        ways = self.charted if charted == "mixed" else {charted: 1.0}
        return replace(self, referred=share, charted=ways)

    def effects(self) -> dict[str, dict[str, float]]:
        """Log hazard ratio and hazard ratio of each effect that the practice's question is about."""
        ratios = {
            "before_seat vs vital": self.hr_before_seat,
            "through_crown vs vital": self.hr_opened,
            "through_crown vs before_seat": self.hr_opened / self.hr_before_seat,
            "hyperemic vs normal, need of endo after a vital seat": self.hr_need_hyperemic,
        }
        return {name: {"log_hr": math.log(hr), "hr": hr} for name, hr in ratios.items()}

    def as_dict(self) -> dict[str, Any]:
        """Every parameter as plain numbers and words, for `truth.json`."""
        return asdict(self)


DEFAULT = Truth()
NULL = replace(DEFAULT, hr_before_seat=1.0, hr_opened=1.0)
