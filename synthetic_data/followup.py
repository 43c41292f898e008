"""A practice without a ledger: crowns with their survival and their truth, straight from the model, in milliseconds.

For judging estimates over many seeded practices. It draws from the same hazards as the written practice and leaves
out all that only records bring: delayed entry, crowns after crowns, causes of failure, slips.
"""

import numpy as np
import polars as pl

from synthetic_data.first_teeth import chosen_first, draw_pulp
from synthetic_data.hazards import (
    GROUPS,
    MATERIALS,
    YEAR,
    Covariates,
    access_day,
    draw_failure,
    draw_frailty,
    log_hazard,
)
from synthetic_data.materials import draw_material
from synthetic_data.people import CUTOFF, START
from synthetic_data.truth import DEFAULT, Truth

_TIMINGS = np.array(["vital", "before_seat", "through_crown"])
_PULP = np.array(["normal", "hyperemic", "necrotic", "root_filled"])


def simulate_followup(truth: Truth = DEFAULT, *, crowns: int = 2000, seed: int = 1) -> pl.DataFrame:
    """One row a crown, followed from its seat to failure, loss from sight or the cut-off.

    Patients have 1 to 5 crowns (1.6 on average, so teeth of one patient are correlated through covariates and
    frailty). Follow-up ends independently of the crowns, at a rate that depends on age alone.

    Returns
    -------
    - `crown_id`, `patient_id`, `provider_id`, `site_id`: text.
    - `age_at_seat` in years, `sex`, `smoker`, `diabetes`, `bruxism`, `tooth_group`, `material`, `pulp_status_at_prep`.
    - `seat_date`, `seat_year`, `exit_date`; `access_date` null unless opened.
    - `access_days`, `exit_days`: whole days since the seat; every crown is followed for at least one day.
    - `endo_timing`: "before_seat", "through_crown" (opened before the end of follow-up) or "vital".
    - `failure`: true where follow-up ended in failure.
    """
    rng = np.random.default_rng([seed, 99])
    patient = _patients(rng, crowns)
    n_patients = int(patient[-1]) + 1
    age_first = np.clip(rng.normal(50, 15, n_patients), 20, 85)[patient]
    male, smoker, diabetes, bruxism = (
        (rng.random(n_patients) < share)[patient] for share in (0.48, truth.smoker, truth.diabetes, truth.bruxism)
    )
    clinician = rng.integers(0, len(truth.clinicians), crowns)
    seat = rng.integers(START, CUTOFF - 30, crowns)
    pulp = draw_pulp(truth, rng, crowns)
    filled = chosen_first(truth, rng, pulp, clinician)
    group = np.searchsorted([0.2, 0.45], rng.random(crowns))
    material = draw_material(rng, seat)
    year = 1970 + seat / YEAR
    covariates = Covariates(
        age_first, year, male, smoker, diabetes, bruxism, group=group, material=material, clinician=clinician
    )
    start = np.zeros(crowns, np.int64)
    wait = rng.exponential(size=crowns)
    frailty = draw_frailty(truth, rng, n_patients)[patient]
    access = access_day(truth, wait, pulp == 1, filled, frailty=frailty, entry=start)
    fail = draw_failure(truth, rng, log_hazard(truth, covariates), frailty, filled, access=access, entry=start)
    leave = truth.leave_per_year
    rate = np.select([age_first < 35, age_first < 65], [leave["under_35"], leave["35_to_64"]], leave["65_up"])
    seen = np.minimum(np.ceil(rng.exponential(size=crowns) / rate * YEAR).astype(np.int64), CUTOFF - seat)
    out = np.minimum(fail, seen)
    opened = (access < fail) & (access <= seen)
    timing = np.where(filled, 1, np.where(opened, 2, 0))
    ids, sites = np.array([c.id for c in truth.clinicians]), np.array([c.site for c in truth.clinicians])
    access_days = pl.Series(access).set(pl.Series(~opened), None)
    frame = pl.DataFrame(
        {
            "crown_id": np.arange(1, crowns + 1),
            "patient_id": patient + 1,
            "provider_id": ids[clinician],
            "site_id": sites[clinician],
            "age_at_seat": age_first,
            "sex": np.where(male, "male", "female"),
            "smoker": smoker,
            "diabetes": diabetes,
            "bruxism": bruxism,
            "tooth_group": np.array(GROUPS)[group],
            "material": np.array(MATERIALS)[material],
            "pulp_status_at_prep": _PULP[pulp],
            "seat": seat,
            "access_days": access_days,
            "exit_days": out,
            "endo_timing": _TIMINGS[timing],
            "failure": fail <= seen,
        }
    )
    seat_date = pl.col("seat").cast(pl.Int32).cast(pl.Date)
    return frame.select(
        pl.format("C{}", pl.col("crown_id").cast(pl.String).str.zfill(6)).alias("crown_id"),
        pl.format("P{}", pl.col("patient_id").cast(pl.String).str.zfill(6)).alias("patient_id"),
        pl.exclude("crown_id", "patient_id", "seat"),
        seat_date=seat_date,
        seat_year=seat_date.dt.year(),
        access_date=seat_date + pl.duration(days="access_days"),
        exit_date=seat_date + pl.duration(days="exit_days"),
    )


def _patients(rng: np.random.Generator, crowns: int) -> np.ndarray:
    # The patient of each crown: 1 to 5 crowns each.
    sizes = np.minimum(rng.geometric(0.62, crowns), 5)
    return np.repeat(np.arange(crowns), sizes)[:crowns]
