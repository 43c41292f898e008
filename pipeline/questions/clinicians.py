"""Clinicians held against their colleagues: never against an expectation that their own failures went into.

Relative risks come from a Cox model with a baseline for each clinician, so that no clinician's failures pass for those
of the teeth that fall to them. How many failures are expected of a clinician then follows from the colleagues alone
(`stats/colleagues.py`), and the limits of chance know that the colleagues' failures are a matter of chance too. How
surely a doubling would show, and how often somebody is outside though all are alike, is simulated with the
practice's own numbers. Nobody is ranked.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.covariates import Covariate, design, independent
from pipeline.results import DAYS_PER_YEAR
from pipeline.results.monitoring import Funnel, FunnelRow
from pipeline.stats.colleagues import (
    Judged,
    Ratio,
    Tally,
    dispersion_of,
    in_stretches,
    judge,
    limits_of,
    rates_together,
    ratio_to,
    simulate,
    tally,
)
from pipeline.stats.cox import CoxInputError, fit_cox
from pipeline.stats.gamma_poisson import Shrunk, shrink, uniform_shrinkage
from pipeline.stats.spells import Floats, numbered

Bools = NDArray[np.bool_]
MIN_EXPECTED = 5.0  # of one clinician, from the colleagues: from about 4 on, none at all would be unlikely
TIMES = 2.0
LEVELS = (0.05, 0.002)  # chance of anybody outside where all are alike: the whole practice is one look
LOOKS_ALIKE, LOOKS_DOUBLED, FEWEST_LOOKS = 2000, 4000, 300


@dataclass(frozen=True, eq=False)
class Seen:
    """Teeth of known clinicians with their relative risks; `names` in the order of `tally`, which no name decides."""

    rows: pl.DataFrame
    code: NDArray[np.int64]
    score: Floats
    tally: Tally
    names: tuple[str, ...]
    used: tuple[str, ...]
    left_out: tuple[str, ...]
    dispersion: float


@dataclass(frozen=True)
class Facts:
    """What is counted of a clinician."""

    teeth: int
    patients: int
    tooth_years: float
    observed: int


def see(rows: pl.DataFrame, covariates: tuple[Covariate, ...]) -> Seen | None:
    """Count failures and risk by clinician; None with fewer than two of them. Rows without a clinician are left out."""
    known = rows.filter(pl.col("provider_id").is_not_null())
    found = (
        known.group_by("provider_id")
        .agg(pl.len(), pl.col("event").sum(), pl.col("exit_days").sum(), since=pl.col("start").cast(pl.Int64).sum())
        .sort("len", "event", "exit_days", "since", "provider_id")
    )
    if found.height < 2:
        return None
    names = tuple(str(name) for name in found["provider_id"])
    place = {name: i for i, name in enumerate(found["provider_id"].to_list())}
    code = known["provider_id"].replace_strict(place, return_dtype=pl.Int64).to_numpy()
    days, event = known["exit_days"].to_numpy(), known["event"].to_numpy()
    marks = (code[:, None] == np.arange(1, len(names))).astype(np.float64)
    made = independent(design(known, list(covariates)), marks)
    score, x, cov, used, left_out = np.ones(len(days)), made.x, np.zeros((0, 0)), made.used, made.left_out
    patient = numbered(known["patient_id"])[0]
    if made.names:
        try:
            fit = fit_cox(x, days, event, names=made.names, strata=code, cluster=patient, ties="breslow")
            if not fit.converged or fit.robust_cov is None:
                raise CoxInputError("the model did not settle")
            x = x - x.mean(axis=0)
            score, cov = np.exp(x @ fit.coef), fit.robust_cov
        except CoxInputError:
            left_out = (*left_out, *(f"{name} (the model could not be fitted)" for name in used))
            used = ()
    if not used:
        x = np.zeros((len(days), 0))
    counted = tally(days, event, score, code, x=x, slope_cov=cov)
    spread = dispersion_of(counted, days, event, score, group=code, cluster=patient)
    return Seen(known, code, score, counted, names, used, left_out, spread)


def beside_colleagues(seen: Seen, *, not_recorded: int, seed: int) -> tuple[Funnel, dict[str, tuple[str, ...]]]:
    """One row a clinician, by name, how often such looks mislead or miss, and whom each is held against."""
    found, groups = seen.tally, seen.tally.groups
    ratios = (ratio_to(found, _only(i, groups), ~_only(i, groups)) for i in range(groups))
    judged = np.array([ratio.expected >= MIN_EXPECTED for ratio in ratios])
    verdict = judge(found, found.failed[None], judged, dispersion=seen.dispersion, levels=LEVELS)
    company = [_colleagues(verdict, judged, i) for i in range(groups)]
    noticed, by_chance = _simulated(seen, judged, company, seed)
    shrunk = _shrunk(seen, np.stack(company))
    facts = _facts(seen)
    rows = []
    for i, name in enumerate(seen.names):
        mine, others = _only(i, groups), company[i]
        ratio = ratio_to(found, mine, others)
        limits: list[float | None] = [None] * 4
        if judged[i]:
            of = int(verdict.of[0, i])
            tails = [(1 - (1 - level) ** (1 / (1 if of == 2 else of))) / 2 for level in LEVELS]
            limits = [
                end if np.isfinite(end) else None
                for tail in tails
                for end in limits_of(found, mine, others, dispersion=seen.dispersion, tail=tail)
            ]
        rows.append(
            FunnelRow(
                name=name,
                teeth=facts[i].teeth,
                patients=facts[i].patients,
                tooth_years=facts[i].tooth_years,
                observed=facts[i].observed,
                expected=float(ratio.expected),
                ratio=float(ratio.ratio) if np.isfinite(ratio.ratio) else None,
                low_95=limits[0], high_95=limits[1], low_99_8=limits[2], high_99_8=limits[3],
                standing=_standing(verdict, i),
                colleagues=int(others.sum()),
                notice_95=noticed[i] if judged[i] else None,
                shrunk=float(shrunk.mean[i]), shrunk_low=float(shrunk.low[i]), shrunk_high=float(shrunk.high[i]),
            )
        )  # fmt: skip
    funnel = Funnel(
        rows=tuple(sorted(rows, key=lambda row: row.name)),
        not_recorded=not_recorded,
        min_expected=MIN_EXPECTED,
        times=TIMES,
        dispersion=seen.dispersion,
        judged=int(judged.sum()),
        by_chance=by_chance,
    )
    names = np.array(seen.names)
    return funnel, {name: tuple(names[others].tolist()) for name, others in zip(seen.names, company, strict=True)}


def colleagues_hazard(seen: Seen, name: str, beside: Sequence[str]) -> tuple[Ratio, Floats]:
    """What colleagues lead one to expect of a clinician's teeth: the ratio to them, and the hazard on `tally.days`.

    The clinician's own failures tell how the hazard changes with age, never how high it is.
    """
    found, mine = seen.tally, np.array([one == name for one in seen.names])
    others = np.array([one in beside for one in seen.names])
    ratio = ratio_to(found, mine, others)
    rate = float(ratio.ratio) if 0 < ratio.ratio < np.inf else 0.0
    failed = found.failed[others].sum(axis=0) + (found.failed[mine].sum(axis=0) if rate else 0.0)
    risk = found.risk[others].sum(axis=0) + rate * found.risk[mine].sum(axis=0)
    return ratio, np.where(risk > 0, failed / np.maximum(risk, 1e-300), 0.0)


def _only(place: int, groups: int) -> Bools:
    found: Bools = np.arange(groups) == place
    return found


def _colleagues(verdict: Judged, judged: Bools, place: int) -> Bools:
    """Whom a clinician is held against: all but those set aside before; of a pair the other one."""
    me = _only(place, len(judged))
    aside = (verdict.flag[0] > 0) & (verdict.of[0] > 2)
    if verdict.of[0, place] == 2:
        pair: Bools = (verdict.of[0] == 2) & ~me
        return pair
    earlier = aside & (verdict.stage[0] < verdict.stage[0, place]) if judged[place] else aside
    others: Bools = ~(earlier | me)
    return others


def _standing(verdict: Judged, place: int) -> str:
    flag, of = int(verdict.flag[0, place]), int(verdict.of[0, place])
    if not of:
        return "too_few"
    if not flag:
        return "within"
    which = "differ" if of == 2 else "more" if verdict.up[0, place] else "fewer"
    return f"{which}_{('95', '99_8')[flag - 1]}"


def _simulated(seen: Seen, judged: Bools, company: list[Bools], seed: int) -> tuple[list[float], float]:
    """How often each clinician would stand out at `TIMES` the colleagues' rate, and anybody where all are alike."""
    if not judged.any():
        return [0.0] * len(judged), 0.0
    found = in_stretches(seen.tally)
    groups = found.groups

    def flagged(doubled: int | None, looks: int) -> NDArray[np.bool_]:
        others = company[doubled] if doubled is not None else np.ones(groups, dtype=np.bool_)
        hazard = found.failed[others].sum(axis=0) / np.maximum(found.risk[others].sum(axis=0), 1e-300)
        rate = np.ones(groups)
        if doubled is not None:
            rate[doubled] = TIMES
        draw = np.random.default_rng([seed, 0 if doubled is None else 1])
        failed, spread = simulate(found, rate, hazard, dispersion=seen.dispersion, looks=looks, draw=draw)
        out: NDArray[np.bool_] = judge(found, failed, judged, dispersion=spread, levels=LEVELS).flag > 0
        return out

    looks = max(FEWEST_LOOKS, LOOKS_DOUBLED // groups)
    noticed = [float(flagged(i, looks)[:, i].mean()) if judged[i] else 0.0 for i in range(groups)]
    return noticed, float(flagged(None, LOOKS_ALIKE).any(axis=1).mean())


def _shrunk(seen: Seen, beside: Bools) -> Shrunk:
    """Each clinician's rate over that of colleagues, all drawn to the usual one; what comes together counts once."""
    count = seen.tally.failed.sum(axis=1) / seen.dispersion
    expected = np.maximum(rates_together(seen.tally)[1] / seen.dispersion, 1e-9)
    return shrink(count, expected, prior=uniform_shrinkage(expected, count), beside=beside)


def _facts(seen: Seen) -> list[Facts]:
    """Teeth, patients, years and failures of each clinician, in the order of `names`."""
    counts = seen.rows.group_by("provider_id").agg(
        pl.len(), pl.col("patient_id").n_unique(), pl.col("exit_days").sum(), pl.col("event").sum()
    )
    found = {
        str(name): Facts(int(teeth), int(patients), float(days) / DAYS_PER_YEAR, int(failed))
        for name, teeth, patients, days, failed in counts.iter_rows()
    }
    return [found[name] for name in seen.names]
