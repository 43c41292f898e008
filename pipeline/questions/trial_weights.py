"""Clones of the teeth of the emulated trial, and weights that make the two ways alike in what was known at first.

The chance of being treated first is fitted by logistic regression, with teeth that are in both ways in parts in each;
see `stats/clone_censor_weight.py`, `stats/propensity.py` and `stats/inverse_weights.py` for the methods and sources.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.practice.counts import count
from pipeline.questions.covariates import UNKNOWN, Covariate, Design, Levels, Numeric, design, pool_home
from pipeline.questions.question import OF_CROWNS
from pipeline.questions.trial_rows import EITHER, FIRST, WAIT, clones_of, grace_of
from pipeline.results import BalanceRow
from pipeline.stats.balance import balance_table
from pipeline.stats.clone_censor_weight import Grace, alone, fit_staying
from pipeline.stats.inverse_weights import Weights, effective_sample_size, stabilised_weights
from pipeline.stats.logistic import fit_logistic
from pipeline.stats.spells import Floats

CLINICIAN = Levels("provider_id", "clinician")
# Known by the day of the preparation (see `trial_decisions.py`).
DIAGNOSES: tuple[Covariate, ...] = (
    Levels("pulpal_diagnosis", "pulpal diagnosis"),
    Levels("apical_diagnosis", "apical diagnosis"),
)
# A level with fewer teeth than this in either arm has too little to be compared by; also teeth of the smaller arm that
# the model asks for per column.
MIN_TEETH = 5
TRUNCATED_AT = (0.01, 0.99)
# What a column of length 1 must add to those before it to count as one of its own.
FOLLOWS = 1e-6
LEAST_SHARE = 1e-12  # a weight has to be above 0
# A standardised difference up to this is commonly taken as balanced (Austin PC. Stat Med 2009;28:3083-3107).
BALANCED = 0.1


@dataclass(frozen=True, eq=False)
class Cloned:
    """The clones of the teeth of `enter_trial`, and the teeth themselves.

    `kept` has one row per clone that stayed with its way: the tooth's columns, `arm` for the way, `either` (it is in
    both), `tooth` (its place) and `share`, the part that counts for the way. `departed` counts those censored.
    """

    kept: pl.DataFrame
    grace: Grace
    departed: dict[str, int]


@dataclass(frozen=True, eq=False)
class Weighted:
    """One weight per row of `Cloned.kept`; what they adjust for; the balance before and after; what has to be said."""

    values: Floats
    adjusted_for: tuple[str, ...]
    balance: tuple[BalanceRow, ...]
    notes: tuple[str, ...]


def clone(rows: pl.DataFrame) -> Cloned:
    """Clone each row of `enter_trial` into both ways, and keep the clones that do not depart from theirs."""
    clones, grace = clones_of(rows), grace_of(rows)
    staying = fit_staying(grace, alone)
    waiting = np.zeros(0) if staying is None else staying.waiting
    share = _share(clones.treat, waiting[clones.subject])
    stays = ~clones.departed & (share > 0)
    ways = pl.Series("arm", np.where(clones.treat, FIRST, WAIT), dtype=pl.String)
    kept = rows[clones.subject].with_columns(
        either=pl.col("arm") == EITHER,
        tooth=pl.Series(clones.subject, dtype=pl.Int64),
        arm=ways,
        share=pl.Series(share),
    )
    departed = {arm: int(np.count_nonzero(~stays & (clones.treat == (arm == FIRST)))) for arm in (FIRST, WAIT)}
    return Cloned(kept.filter(pl.Series(stays, dtype=pl.Boolean)), grace, departed)


def weigh(cloned: Cloned, *, min_teeth: int) -> tuple[Weighted | None, tuple[str, ...]]:
    """Stabilised, truncated inverse-probability weights of staying with each way; None, and why, where there are none.

    Adjusts for `OF_CROWNS`, both diagnoses by the preparation and clinician; a missing value is a level of its own. A
    level that fewer than `MIN_TEETH` teeth of either arm have is pooled with other such, else with the commonest; no
    name decides. A model too large or without an answer is fitted without clinicians, then without diagnoses, and that
    is said. `min_teeth` is asked of each arm, not counting teeth in both.
    """
    clear = cloned.kept.filter(~pl.col("either"))["arm"] == FIRST
    smaller = min(int(clear.sum()), int((~clear).sum()))
    if smaller < min_teeth:
        return None, (f"Not adjusted: an arm has fewer than {min_teeth} teeth.",)
    for covariates in ((*OF_CROWNS, *DIAGNOSES, CLINICIAN), (*OF_CROWNS, *DIAGNOSES), OF_CROWNS):
        made = _fit(cloned, covariates, smaller)
        if made is not None:
            return made, ()
    return None, (
        "Not adjusted: the smaller arm has too few teeth for a model of what is recorded, or what is recorded tells "
        "the two arms apart without overlap, or says nothing of them.",
    )


def _share(treat: NDArray[np.bool_], waiting: Floats) -> Floats:
    return np.where(treat, 1 - waiting, waiting)


def _fit(cloned: Cloned, covariates: Sequence[Covariate], smaller: int) -> Weighted | None:
    rows, grace = cloned.kept, cloned.grace
    treated = rows["arm"] == FIRST
    pooled = rows.select(_pooled(rows[c.name], treated) if isinstance(c, Levels) else rows[c.name] for c in covariates)
    made = design(pooled.with_columns(treated=treated), covariates, event="treated")
    kept = _independent(made.x)
    x, names = made.x[:, kept], [made.names[i] for i in kept]
    if not names or len(names) * MIN_TEETH > smaller:
        return None
    chosen, tooth = treated.to_numpy(), rows["tooth"].to_numpy()

    def chances(waiting: Floats) -> Floats | None:
        share = np.maximum(_share(chosen, waiting[tooth]), LEAST_SHARE)
        fit = fit_logistic(x, chosen, names=names, weights=share)
        if not fit.converged or not np.all((fit.probability > 0) & (fit.probability < 1)):
            return None
        chance = np.full(len(grace.days), 0.5)
        chance[tooth] = fit.probability
        return chance

    staying = fit_staying(grace, chances)
    if staying is None:
        return None
    weights = stabilised_weights(chosen, staying.chance[tooth], quantiles=TRUNCATED_AT)
    values = weights.values * np.maximum(_share(chosen, staying.waiting[tooth]), LEAST_SHARE)
    shown, labels = _with_references(made, pooled, covariates)
    table = balance_table(shown, chosen, values, names=labels).drop_nulls(["before", "after"])
    balance = tuple(
        BalanceRow(row["covariate"], _label(row["covariate"], covariates), row["before"], row["after"])
        for row in table.iter_rows(named=True)
    )
    notes = [_about(weights, values, chosen)]
    notes += [f"Not adjusted for {name}." for name in made.left_out]
    if CLINICIAN not in covariates:
        notes.append("Not adjusted for clinician (too few teeth, or a clinician who always decided one way).")
    if DIAGNOSES[0] not in covariates:
        notes.append("Not adjusted for the diagnoses (too few teeth, or a diagnosis that always went one way).")
    notes += _pooled_notes(rows, treated, covariates)
    teeth = rows.unique("tooth", keep="first", maintain_order=True)
    notes += [
        f"{c.label}: not recorded for {teeth[c.name].null_count():,} of {teeth.height:,} teeth."
        for c in covariates
        if 0 < teeth[c.name].null_count() < teeth.height
    ]
    off = [row.label for row in balance if row.after is not None and row.after > BALANCED]
    if off:
        notes.append(f"The arms still differ by more than {BALANCED:g} standard deviations in {', '.join(off)}.")
    return Weighted(values, made.used, balance, tuple(notes))


def _pooled(values: pl.Series, treated: pl.Series) -> pl.Series:
    """Levels too rare in either arm as one level `rare`, or with the commonest other if they are rare even together.

    Where several others are the commonest, `pool_home` says which are taken together.
    """
    level = values.cast(pl.String)
    if level.null_count() == len(level):
        return level
    level = level.fill_null(UNKNOWN)
    counted = _by_arm(level, treated)
    is_rare = pl.min_horizontal("first", "wait") < MIN_TEETH
    few, rest = counted.filter(is_rare), counted.filter(~is_rare)
    if few.is_empty():
        return level
    enough = rest.is_empty() or min(few["first"].sum(), few["wait"].sum()) >= MIN_TEETH
    home = [] if enough else pool_home({name: (a + b, a) for name, a, b in rest.iter_rows()})
    target = home[0] if home else "rare"
    return level.replace(dict.fromkeys([*few["level"], *home], target))


def _by_arm(level: pl.Series, treated: pl.Series) -> pl.DataFrame:
    """Teeth of each arm by level: `level, first, wait`, in the order of the levels."""
    frame = pl.DataFrame({"level": level, "treated": treated})
    return frame.group_by("level").agg(first=pl.col("treated").sum(), wait=(~pl.col("treated")).sum()).sort("level")


def _pooled_notes(rows: pl.DataFrame, treated: pl.Series, covariates: Sequence[Covariate]) -> list[str]:
    out = []
    for covariate in covariates:
        level = rows[covariate.name].cast(pl.String)
        if isinstance(covariate, Numeric) or level.null_count() == len(level):
            continue
        few = _by_arm(level.fill_null(UNKNOWN), treated).filter(pl.min_horizontal("first", "wait") < MIN_TEETH)
        if few.height:
            n = int(few["first"].sum()) + int(few["wait"].sum())
            out.append(
                f"{covariate.label}: {count(n, 'tooth')} in levels with fewer than {MIN_TEETH} "
                "in an arm, not told apart in the weights."
            )
    return out


def _with_references(made: Design, pooled: pl.DataFrame, covariates: Sequence[Covariate]) -> tuple[Floats, list[str]]:
    """The columns of the model and, of each covariate with three levels or more, the level that the model leaves out.

    Which one that is, is of no account for the weights, so the balance shows all of them.
    """
    columns, names = [made.x], list(made.names)
    for covariate in covariates:
        own = [i for i, name in enumerate(made.names) if name.startswith(f"{covariate.name}_")]
        if isinstance(covariate, Levels) and len(own) > 1:
            rest = 1 - made.x[:, own].sum(axis=1)
            left_out = pooled[covariate.name].fill_null(UNKNOWN).filter(pl.Series(rest > 0))
            if len(left_out):
                columns.append(rest[:, None])
                names.append(f"{covariate.name}_{left_out.mode().sort()[0]}")
    return np.hstack(columns), names


def _independent(x: Floats) -> list[int]:
    """Columns that do not follow from those before them and the intercept."""
    centred = x - x.mean(axis=0)
    length = np.linalg.norm(centred, axis=0)
    # The diagonal of R holds what each column adds to those before it.
    own = np.abs(np.diag(np.linalg.qr(centred / np.where(length > 0, length, 1.0), mode="r")))
    return [j for j in range(len(own)) if length[j] > 0 and own[j] > FOLLOWS]


def _label(name: str, covariates: Sequence[Covariate]) -> str:
    covariate = next(c for c in covariates if name == c.name or name.startswith(f"{c.name}_"))
    level = name.removeprefix(covariate.name).removeprefix("_")
    words = {UNKNOWN: "not recorded", "rare": "rare levels", "true": "yes", "false": "no"}
    if isinstance(covariate, Numeric) and not level:
        return covariate.label
    return f"{covariate.label}: {words.get(level, level.replace('_', ' '))}"


def _about(weights: Weights, values: Floats, treated: NDArray[np.bool_]) -> str:
    sides = (values[treated], values[~treated])
    first, wait = (effective_sample_size(side) for side in sides)
    set_back = f"{count(weights.n_truncated, 'was')} set back to these bounds"
    return (
        f"Weights lie between {weights.low:.2f} and {weights.high:.2f} ({set_back}); weighted, the "
        f"{len(sides[0]):,} teeth treated first tell as much as {first:,.0f}, the {len(sides[1]):,} seated vital as "
        f"much as {wait:,.0f}."
    )
