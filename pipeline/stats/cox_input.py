"""What a Cox fit accepts: every fault of the input stops here, with counts and column names, never with values."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import linalg

from pipeline.stats.cox_kernel import Bools, Floats, Ints

# Share of a covariate's variance, within risk sets and given the covariates before it, below which it counts as none.
COLLINEAR = 1e-9


class CoxInputError(ValueError):
    """Input that no Cox model can be fitted to. The message holds counts and column names only."""


@dataclass(frozen=True, eq=False)
class CoxRows:
    """Checked rows: covariates (row by covariate), times, and codes 0, 1, 2... for strata and clusters.

    `entry` is -inf where rows are followed from the start. `strata_values` are the strata as given, in order of their
    code (0 alone if none were given). `cluster` is None if no clusters were given.
    """

    names: tuple[str, ...]
    x: Floats
    exit: Floats
    event: Bools
    entry: Floats
    strata: Ints
    strata_values: NDArray[Any]
    weight: Floats
    cluster: Ints | None


def check_rows(
    x: ArrayLike,
    exit_days: ArrayLike,
    event: ArrayLike,
    *,
    names: Sequence[str],
    entry_days: ArrayLike | None = None,
    strata: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    cluster: ArrayLike | None = None,
    constant_allowed: bool = False,
    no_event_allowed: bool = False,
) -> CoxRows:
    """Return the rows as arrays of one length and type.

    Raises CoxInputError for lengths that differ, no covariate, repeated names, missing or infinite values, an event
    that is not true/false, follow-up that ends before day 0 or not after its entry, weights that are not positive, no
    event (unless `no_event_allowed`), or a covariate with one value only (unless `constant_allowed`).
    """
    exit_ = _numbers(exit_days, "exit_days")
    n = len(exit_)
    covariates = np.asarray(x, dtype=np.float64)
    if covariates.ndim != 2 or covariates.shape[1] != len(names) or len(names) == 0:
        raise CoxInputError(f"x has shape {covariates.shape}: it needs one column for each of {len(names)} names.")
    if len(set(names)) != len(names):
        raise CoxInputError("names: a name is used more than once.")
    strata_values, stratum = distinct_codes(np.zeros(n, dtype=np.intp) if strata is None else strata, "strata")
    entry = np.full(n, -np.inf) if entry_days is None else _numbers(entry_days, "entry_days")
    weight = np.ones(n) if weights is None else _numbers(weights, "weights")
    rows = CoxRows(
        names=tuple(names),
        x=covariates,
        exit=exit_,
        event=_events(event),
        entry=entry,
        strata=stratum,
        strata_values=strata_values,
        weight=weight,
        cluster=None if cluster is None else distinct_codes(cluster, "cluster")[1],
    )
    _check_lengths(rows, n)
    if not np.isfinite(covariates).all():
        for name, column in zip(rows.names, covariates.T, strict=True):
            _refuse(~np.isfinite(column), f"have no finite value of {name}")
    _refuse(exit_ < 0, "have negative follow-up")
    _refuse(entry >= exit_, "enter on or after the day they leave")
    _refuse(weight <= 0, "have a weight that is not positive")
    if not no_event_allowed and not rows.event.any():
        raise CoxInputError(f"None of {n:,} rows has an event: nothing can be estimated.")
    if constant_allowed:
        return rows
    span = covariates.max(axis=0) - covariates.min(axis=0)
    constant = [name for name, width in zip(rows.names, span, strict=True) if width == 0]
    if constant:
        raise CoxInputError(f"Constant covariates cannot be estimated: {', '.join(constant)}.")
    return rows


def refuse_repeated(names: Sequence[str], correlation: Floats) -> None:
    """Name covariates that have next to nothing of their own beside those before them, by how they go together."""
    kept: list[int] = []
    repeated: list[str] = []
    for j, name in enumerate(names):
        own = correlation[j, kept]
        if kept and 1 - own @ linalg.solve(correlation[np.ix_(kept, kept)], own) < COLLINEAR:
            repeated.append(name)
        else:
            kept.append(j)
    if repeated:
        raise CoxInputError(f"These covariates follow from the covariates before them: {', '.join(repeated)}.")


def distinct_codes(values: ArrayLike, name: str) -> tuple[NDArray[Any], Ints]:
    """Distinct values in sorted order, and each row's place in them: 0, 1, 2..."""
    array = np.asarray(values)
    if array.ndim != 1:
        raise CoxInputError(f"{name} needs one value per row.")
    if array.dtype.kind == "f":
        _refuse(~np.isfinite(array), f"have no {name}")
    if array.dtype.kind in "iu" and len(array) and int(array.max()) - int(array.min()) < 4 * len(array):
        # Codes that lie close together need a table of what occurs, not a sort.
        shifted = array - array.min()
        occurs = np.bincount(shifted) > 0
        return np.flatnonzero(occurs) + array.min(), (np.cumsum(occurs) - 1)[shifted].astype(np.intp)
    distinct, code = np.unique(array, return_inverse=True)
    return distinct, code.astype(np.intp)


def _numbers(values: ArrayLike, name: str) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1:
        raise CoxInputError(f"{name} needs one value per row.")
    _refuse(~np.isfinite(array), f"have no finite {name}")
    return array


def _events(values: ArrayLike) -> Bools:
    array: NDArray[Any] = np.asarray(values)
    if array.dtype == np.bool_:
        return array
    # A status coded 1 and 2 would otherwise make every row an event.
    _refuse(~np.isin(array, (0, 1)), "have an event that is neither 0 nor 1")
    return np.asarray(array, dtype=np.bool_)


def _check_lengths(rows: CoxRows, n: int) -> None:
    lengths = {
        "x": len(rows.x),
        "event": len(rows.event),
        "entry_days": len(rows.entry),
        "strata": len(rows.strata),
        "weights": len(rows.weight),
        "cluster": n if rows.cluster is None else len(rows.cluster),
    }
    for name, length in lengths.items():
        if length != n:
            raise CoxInputError(f"{name} has {length:,} rows and exit_days {n:,}.")


def _refuse(bad: Bools, what: str) -> None:
    count = int(np.count_nonzero(bad))
    if count:
        raise CoxInputError(f"{count:,} of {len(bad):,} rows {what}.")
