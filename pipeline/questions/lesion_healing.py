"""How soon a lesion heals after its root canal: between two films, so a curve for times that nobody saw."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.results import DAYS_PER_YEAR, NotRun
from pipeline.results.healing import HealingPoint, LesionHealing
from pipeline.stats.clustered import Counts, bootstrap_clusters, percentile_limits
from pipeline.stats.spells import Floats
from pipeline.stats.turnbull import turnbull
from pipeline.transforms.healing import lesions_between_films

ID, TITLE = "lesion_healing_over_time", "How soon a lesion heals"
REPLICATES = 200
STEP_YEARS, MOST_YEARS = 0.25, 10
_ENOUGH = 1e-4  # a replicate's likelihood may lie so far below its maximum: nothing that a range of draws would show


def lesion_healing(
    courses: pl.DataFrame,
    findings: pl.DataFrame,
    endo_details: pl.DataFrame,
    *,
    gap_days: int,
    min_followed: int = 10,
    confidence: float = 0.95,
    seed: int = 0,
    replicates: int = REPLICATES,
) -> LesionHealing | NotRun:
    """The share of lesions healed by each quarter of a year since the root canal was completed here.

    Each lesion's films (`lesions_between_films`) tell an interval: it healed between two films, or after its last. One
    treated again never healed by this root canal; one without a film that judges it, or lost before, is left out.

    Ranges are quantiles of `replicates` draws of whole patients, by `seed` alone: of the least that each draw allows
    for the lower limit, of the most for the upper. Points stand from the day by which `min_followed` lesions have been
    filmed, while as many have a film that late or later or were treated again, and while one not healed is still seen.

    Where the index before treatment is known of no course, or no film since judges one, the fields are named.
    """
    own = courses.filter(~pl.col("done_elsewhere"))
    rows = lesions_between_films(own, findings, endo_details, gap_days=gap_days)
    if rows.is_empty():
        return NotRun(ID, TITLE, ("endo_details.preop_pai",))
    told = rows.filter((pl.col("films") > 0) | pl.col("treated_again"))
    if told.is_empty():
        return NotRun(ID, TITLE, ("findings.pai", "findings.symptomatic"))
    between = told.select((pl.col("right_days") - pl.col("left_days")).median()).item()
    spans = _spans(told)
    return LesionHealing(
        lesions=rows.height,
        filmed=told.height,
        patients=told["patient_id"].n_unique(),
        seen_healed=told["right_days"].count(),
        seen_again=int(told["seen_again"].sum()),
        treated_again=int(told["treated_again"].sum()),
        months_between=None if between is None else 12 * float(between) / DAYS_PER_YEAR,
        points=_points(spans, min_followed=min_followed, confidence=confidence, seed=seed, replicates=replicates),
    )


@dataclass(frozen=True, eq=False)
class _Spans:
    """Each lesion healed in `(left, right]` days; it was filmed first on `since` and is known of up to `until`.

    Patients are numbered from 0.
    """

    left: Floats
    right: Floats
    since: Floats
    until: Floats
    patient: Counts


def _spans(told: pl.DataFrame) -> _Spans:
    until = told["last_film_days"].cast(pl.Float64).fill_null(np.inf).to_numpy()
    again = told["treated_again"].to_numpy()
    right = told["right_days"].cast(pl.Float64).fill_null(np.inf).to_numpy()
    # Beyond every day on which one was seen healed: no chance of having healed can lie there.
    never = 1 + np.max(until, initial=0.0, where=np.isfinite(until))
    left = np.where(again, never, told["left_days"].cast(pl.Float64).to_numpy())
    since = told["first_film_days"].cast(pl.Float64).fill_null(np.inf).to_numpy()
    return _Spans(left, right, since, np.where(again, np.inf, until), _by_their_spans(told["patient_id"], left, right))


def _by_their_spans(patient: pl.Series, left: Floats, right: Floats) -> Counts:
    """Patients numbered in the order of what their lesions tell, which hangs on no name: it decides who is drawn."""
    spans: dict[object, list[tuple[float, float]]] = {}
    for one, *span in zip(patient.to_list(), left.tolist(), right.tolist(), strict=True):
        spans.setdefault(one, []).append((span[0], span[1]))
    place = {one: n for n, one in enumerate(sorted(spans, key=lambda one: sorted(spans[one])))}
    return np.array([place[one] for one in patient.to_list()], dtype=np.int64)


def _points(
    spans: _Spans, *, min_followed: int, confidence: float, seed: int, replicates: int
) -> tuple[HealingPoint, ...]:
    years = np.arange(1, int(MOST_YEARS / STEP_YEARS) + 1) * STEP_YEARS
    followed = np.array([int((spans.until >= y * DAYS_PER_YEAR).sum()) for y in years])
    if len(spans.left) < max(min_followed, 1):
        return ()
    # Before so many were filmed, the estimate takes what a few films say for all.
    first = np.sort(spans.since)[max(min_followed, 1) - 1]
    waiting = np.isinf(spans.right) & np.isfinite(spans.until)
    last = float(spans.left[waiting].max()) if waiting.any() else np.inf
    at = years * DAYS_PER_YEAR
    shown = (followed >= max(min_followed, 1)) & (at >= first) & (at <= last)
    patients = int(spans.patient.max()) + 1
    if patients < 2 or not shown.any():
        return ()
    years, followed, at = years[shown], followed[shown], at[shown]
    whole = turnbull(spans.left, spans.right)

    def drawn(counts: Counts) -> Floats:
        found = turnbull(spans.left, spans.right, weight=counts[spans.patient], enough=_ENOUGH)
        return np.concatenate([found.at_least(at), found.at_most(at)])

    values = bootstrap_clusters(drawn, patients, replicates=replicates, seed=seed)
    lows, highs = percentile_limits(values, confidence=confidence)
    low, high = lows[: len(at)].tolist(), highs[len(at) :].tolist()
    columns = zip(
        years.tolist(), followed.tolist(), whole.by(at).tolist(), whole.at_least(at).tolist(),
        whole.at_most(at).tolist(), low, high, strict=True,
    )  # fmt: skip
    return tuple(HealingPoint(*row) for row in columns)
