"""The settings of the calibration: invented practices with a known truth, as the tables that the comparison reads.

Each setting changes one thing of the ordinary practice (`DEFAULT` in synthetic_data/truth.py), whose patients differ
in frailty a little (variance 0.1).
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.practice.tables import CROWNS, PATIENTS
from pipeline.results import DAYS_PER_YEAR
from synthetic_data.followup import simulate_followup
from synthetic_data.hazards import GROUPS, MATERIALS, NEVER, Covariates, cumulative, log_hazard, opened_hazard
from synthetic_data.truth import DEFAULT, NULL, Truth

Floats = NDArray[np.float64]
TEETH = {"anterior": 11, "premolar": 14, "molar": 16}
# A root canal before the crown is finished this many days before its seat, on the day itself in 4 of 100.
DAYS_BEFORE_SEAT = (5, 76)


@dataclass(frozen=True)
class OpenedLeave:
    """How patients leave once a crown of theirs was opened, beyond the ordinary: per year, and more with a trait.

    `before_failure` is the share of opened crowns about to fail whose patient leaves within `within_days` before that.
    """

    per_year: float
    with_trait: Mapping[str, float]
    before_failure: float
    within_days: int


@dataclass(frozen=True)
class Setting:
    """One setting. Rates are per year.

    `extra_leave` adds to the rate of leaving of patients with a trait (a Boolean column of the simulation);
    `opened_leave` makes patients leave after an opening; `misposted` is the share of crowns whose recorded seat is up
    to `shift_days` off, either way.
    """

    name: str
    about: str
    truth: Truth
    extra_leave: Mapping[str, float] = field(default_factory=dict)
    opened_leave: OpenedLeave | None = None
    misposted: float = 0.0
    shift_days: int = 30

    @property
    def log_hr(self) -> float:
        """Log hazard ratio of one and the same crown, opened against root filled before its seat.

        NaN where opening acts in another way at first: no one ratio is true.
        """
        if self.truth.hr_first_opened:
            return math.nan
        return math.log(self.truth.hr_opened / self.truth.hr_before_seat)

    @property
    def is_null(self) -> bool:
        """Whether opening does nothing."""
        return self.log_hr == 0


def _clinicians_who_differ() -> Truth:
    # Those who treat before the seat more often also make crowns that last longer.
    log_hrs = (0.6, 0.4, 0.1, -0.1, -0.4, -0.6)
    pairs = zip(DEFAULT.clinicians, log_hrs, strict=True)
    return replace(DEFAULT, clinicians=tuple(replace(c, log_hr=log_hr) for c, log_hr in pairs))


SETTINGS: tuple[Setting, ...] = (
    Setting("null", "opening changes nothing", NULL),
    Setting("strong_effect", "an opened crown fails four times as fast", replace(DEFAULT, hr_opened=5.0)),
    Setting(
        "edge_of_zone", "the ordinary practice: the true difference is just above the smallest that matters", DEFAULT
    ),
    Setting("few_failures", "3 of 100 crowns fail in ten years", replace(DEFAULT, ten_year_survival=0.97)),
    Setting("heavy_clustering", "patients differ much: frailty of variance 1", replace(DEFAULT, frailty_variance=1.0)),
    Setting(
        "confounded_by_clinician", "clinicians differ in habit and in how long crowns last", _clinicians_who_differ()
    ),
    Setting(
        "drop_out_measured",
        "patients leave by age and, four times as fast, by bruxism",
        replace(DEFAULT, log_hr_bruxism=0.7),
        extra_leave={"bruxism": 0.15},
    ),
    Setting(
        "drop_out_hidden",
        "an unrecorded trait of 30 in 100 patients triples failure and makes them leave",
        replace(DEFAULT, diabetes=0.30, log_hr_diabetes=math.log(3)),
        extra_leave={"diabetes": 0.25},
    ),
    Setting("misposted_dates", "1 in 5 seats is up to 30 days off", DEFAULT, misposted=0.2),
    Setting("rare_opening", "a fifth of the usual need of opening", replace(DEFAULT, need_per_year=0.002)),
    Setting(
        "harms_at_once",
        "an opened crown fails 25 times as fast for four months, then as any other",
        replace(NULL, hr_first_opened=((122, 25.0),)),
    ),
    Setting(
        "harms_first_year",
        "an opened crown fails four times as fast for a year, then as any other",
        replace(NULL, hr_first_opened=((365, 4.0),)),
    ),
    Setting(
        "helps_then_harms",
        "an opened crown fails half as fast for a year, then two and a half times as fast",
        replace(NULL, hr_first_opened=((365, 0.5),), hr_opened=2.5),
    ),
    Setting("crowns_wear_out", "old crowns fail much faster; opening changes nothing", replace(NULL, shape=2.3)),
    Setting(
        "frail_opened_more",
        "an unrecorded frailty of variance 1 brings openings and failures; opening changes nothing",
        replace(NULL, frailty_variance=1.0, need_follows_frailty=True),
    ),
    Setting(
        "opened_leave",
        "patients leave after an opening, with bruxism more, and 4 of 10 just before an opened crown fails",
        replace(DEFAULT, log_hr_bruxism=0.7),
        opened_leave=OpenedLeave(0.10, {"bruxism": 0.30}, before_failure=0.4, within_days=180),
    ),
)
BY_NAME = {setting.name: setting for setting in SETTINGS}


def practice_seed(setting: Setting, seed: int, practice: int, crowns: int) -> int:
    """The seed of one practice: it depends on the setting's name, never on the order of settings or of work."""
    mixed = np.random.SeedSequence([seed, zlib.crc32(setting.name.encode()), practice, crowns])
    return int(mixed.generate_state(1)[0])


def simulate(setting: Setting, *, crowns: int, seed: int, as_recorded: bool = True) -> pl.DataFrame:
    """Crowns of one practice, in the columns of `simulate_followup`; without the setting's faults unless `as_recorded`.

    The faults are drop-out beyond the ordinary and misposted seats.
    """
    frame = simulate_followup(setting.truth, crowns=crowns, seed=seed)
    if not as_recorded:
        return frame
    rng = np.random.default_rng([seed, 7])
    if setting.extra_leave:
        frame = drop_out(frame, rng, setting.extra_leave)
    if setting.opened_leave:
        frame = leave_opened(frame, rng, setting.opened_leave)
    return mispost(frame, rng, setting) if setting.misposted else frame


def drop_out(frame: pl.DataFrame, rng: np.random.Generator, extra_leave: Mapping[str, float]) -> pl.DataFrame:
    """End follow-up earlier, at a rate that depends on traits. What would have been seen later is not recorded."""
    return _cut(frame, _wait(frame, rng, 0.0, extra_leave))


def leave_opened(frame: pl.DataFrame, rng: np.random.Generator, leave: OpenedLeave) -> pl.DataFrame:
    """End follow-up of opened crowns earlier: at a rate, and for some of those that fail shortly before they do."""
    opened = frame["access_days"].fill_null(NEVER).to_numpy()
    out = frame["exit_days"].to_numpy()
    tells = rng.random(frame.height) < leave.before_failure
    shortly = np.maximum(out - rng.integers(1, leave.within_days + 1, frame.height), opened + 1)
    by_rate = opened + _wait(frame, rng, leave.per_year, leave.with_trait)
    left = np.where(frame["failure"].to_numpy() & tells, np.minimum(shortly, by_rate), by_rate)
    return _cut(frame, left)


def _wait(
    frame: pl.DataFrame, rng: np.random.Generator, per_year: float, with_trait: Mapping[str, float]
) -> NDArray[np.int64]:
    """Whole days until each leaves, at a rate that depends on traits."""
    rate = per_year + sum(more * frame[trait].to_numpy() for trait, more in with_trait.items())
    with np.errstate(divide="ignore"):
        wait = rng.exponential(size=frame.height) / rate * DAYS_PER_YEAR
    return np.ceil(np.minimum(wait, NEVER)).astype(np.int64)


def _cut(frame: pl.DataFrame, left: NDArray[np.int64]) -> pl.DataFrame:
    """The same crowns, each followed to day `left` at most."""
    cut = frame.with_columns(
        failure=pl.col("failure") & (pl.col("exit_days") <= left),
        exit_days=pl.min_horizontal("exit_days", pl.lit(pl.Series(left))),
    )
    unseen = pl.col("access_days") > pl.col("exit_days")
    return cut.with_columns(
        endo_timing=pl.when(unseen).then(pl.lit("vital")).otherwise("endo_timing"),
        access_days=pl.when(~unseen).then("access_days"),
        access_date=pl.when(~unseen).then("access_date"),
        exit_date=pl.col("seat_date") + pl.duration(days="exit_days"),
    )


def mispost(frame: pl.DataFrame, rng: np.random.Generator, setting: Setting) -> pl.DataFrame:
    """Record some seats up to `shift_days` too early or too late, never past the end of follow-up.

    The day of the root canal stays. Where it comes to lie on the other side of the seat, the timing is recorded as the
    dates say: done on or before the seat, else through the crown.
    """
    n = frame.height
    shift = rng.integers(1, setting.shift_days + 1, n) * rng.choice([-1, 1], n) * (rng.random(n) < setting.misposted)
    lag = np.where(rng.random(n) < 0.04, 0, rng.integers(*DAYS_BEFORE_SEAT, n))
    shifted = frame.with_columns(shift=pl.Series(shift), lag=pl.Series(lag)).with_columns(
        shift=pl.min_horizontal("shift", pl.col("exit_days") - 1)
    )
    day = pl.when(pl.col("endo_timing") == "before_seat").then(-pl.col("lag")).otherwise("access_days")
    moved = shifted.with_columns(endo=day - pl.col("shift"), exit_days=pl.col("exit_days") - pl.col("shift"))
    timing = (
        pl.when(pl.col("endo").is_null())
        .then(pl.lit("vital"))
        .when(pl.col("endo") <= 0)
        .then(pl.lit("before_seat"))
        .otherwise(pl.lit("through_crown"))
    )
    seat = pl.col("seat_date") + pl.duration(days="shift")
    opened = pl.when(pl.col("endo") > 0).then("endo")
    return moved.with_columns(
        seat_date=seat,
        endo_timing=timing,
        access_days=opened,
        access_date=seat + pl.duration(days=opened),
    ).select(frame.columns)


def crowns_table(frame: pl.DataFrame) -> pl.DataFrame:
    """The `crowns` table of a simulated practice."""
    quadrant = (pl.int_range(pl.len()).over("patient_id") % 4) * 10
    columns = {
        "tooth_fdi": (pl.col("tooth_group").replace_strict(TEETH, return_dtype=pl.Int64) + quadrant).cast(pl.UInt8),
        "seat_recorded": pl.lit(True),
        "crown_kind": pl.lit("single"),
        **{
            name: pl.lit(False)
            for name in (
                "access_elsewhere",
                "failure_elsewhere",
                "remake_no_fee",
                "renewed_after_opening",
                "done_elsewhere",
            )
        },
        "order_uncertain": pl.lit(False),
        "entry_date": pl.col("seat_date"),
        "failure_cause": pl.when("failure").then(pl.lit("replaced")),
        "exit_reason": pl.when("failure").then(pl.lit("failed")).otherwise(pl.lit("last_contact")),
    }
    return _as_table(frame.with_columns(**columns), CROWNS.schema)


def patients_table(frame: pl.DataFrame) -> pl.DataFrame:
    """The `patients` table of a simulated practice. Diabetes is never recorded.

    The simulation gives a patient one age for all crowns; the birth date fits the first of them, so at further crowns
    the recorded age is some years off.
    """
    born = pl.col("seat_date") - pl.duration(days=(pl.col("age_at_seat") * DAYS_PER_YEAR).round().cast(pl.Int64))
    first = frame.sort("crown_id").unique("patient_id", keep="first", maintain_order=True)
    made = first.with_columns(
        birth_date=born,
        diabetes=pl.lit(None, pl.Boolean),
        load_id=pl.lit(1, pl.Int32),
        row_number=pl.int_range(1, pl.len() + 1, dtype=pl.Int64),
    )
    return _as_table(made, PATIENTS.schema)


def true_difference(setting: Setting, *, crowns: int, seed: int) -> Callable[[int, int], float]:
    """A function of two days since the seat: the true difference in failures per 100 from the first to the second.

    It is the standardised difference: the same crowns with a root canal, in place on the first day, opened on that day
    or root filled before the seat. Exact from the hazards; only the mix of crowns is drawn, from one large practice.
    Where opening acts in another way at first, that time begins on the first day. Frailty is averaged over as among
    crowns in place on the first day and unopened till then: with variance v, cumulative hazard A before and B after, a
    share (1 + v (A + B))^(-1/v) / (1 + v A)^(-1/v) survives. Where opening does nothing the difference is 0.
    """
    truth, v = setting.truth, setting.truth.frailty_variance
    if setting.is_null:
        return lambda from_day, day: 0.0
    if truth.need_follows_frailty:
        raise ValueError("Where openings follow the frailty, that of the crowns in place is not known.")
    drawn = simulate(replace(setting, misposted=0.0), crowns=crowns, seed=seed)
    ratio = np.exp(log_hazard(truth, _covariates(truth, drawn.filter(pl.col("endo_timing") != "vital"))))

    def survives(before: Floats, after: Floats) -> Floats:
        if v == 0:
            return np.exp(-after)
        return np.asarray(((1 + v * (before + after)) / (1 + v * before)) ** (-1 / v))

    def per_100(from_day: int, day: int) -> float:
        start, end = cumulative(truth, np.array([from_day, day]))
        hazards = (
            float(opened_hazard(truth, np.array([from_day]), np.array([day]))[0]),
            truth.hr_before_seat * (end - start),
        )
        opened, first = (survives(ratio * start, ratio * hazard) for hazard in hazards)
        return float(100 * np.mean(first - opened))

    return per_100


def _covariates(truth: Truth, frame: pl.DataFrame) -> Covariates:
    days = frame["seat_date"].cast(pl.Int32).to_numpy()
    clinicians = {c.id: i for i, c in enumerate(truth.clinicians)}
    place = {name: i for i, name in enumerate(GROUPS)}, {name: i for i, name in enumerate(MATERIALS)}
    return Covariates(
        frame["age_at_seat"].to_numpy(),
        1970 + days / DAYS_PER_YEAR,
        (frame["sex"] == "male").to_numpy(),
        *(frame[trait].to_numpy() for trait in ("smoker", "diabetes", "bruxism")),
        group=frame["tooth_group"].replace_strict(place[0]).to_numpy(),
        material=frame["material"].replace_strict(place[1]).to_numpy(),
        clinician=frame["provider_id"].replace_strict(clinicians).to_numpy(),
    )


def _as_table(frame: pl.DataFrame, schema: Mapping[str, object]) -> pl.DataFrame:
    kept = [
        (pl.col(name) if name in frame.columns else pl.lit(None)).cast(kind).alias(name)  # type: ignore[arg-type]
        for name, kind in schema.items()
    ]
    return frame.select(kept)
