"""Cox regression on rows that lie in parts, none of which sees the others: the fit of `cox`, from sums that add up.

All that the partial likelihood needs of the rows at one value of the coefficients are sums per event day and stratum;
those of parts add up, and so do the score, the information and the squares of patients' influence, as long as no
patient is in two parts [Lin 1989]. So each step of Newton's method is a few rounds over the parts. The rows of one part
are in memory at a time; between parts only the sums travel.
Sources: Therneau 2000, chapters 3 and 7.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import partial, reduce
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import CoxEstimate, maximise
from pipeline.stats.cox_input import CoxInputError, CoxRows, check_rows
from pipeline.stats.cox_kernel import Floats, Ints, Moments, RiskSets, RowSums, Ties

Part = TypeVar("Part")
Result = TypeVar("Result")
# What stands for a part gives its rows, or those of several parts one after the other.
Load = Callable[[Part], "CoxPart | Iterable[CoxPart]"]
# Applies a function to each part and gives the results in the order of the parts; `map` does it here and now.
Over = Callable[[Callable[[Part], Result], Sequence[Part]], Iterable[Result]]

_NO_RISK: Floats = np.empty(0)
_NO_MATRIX: Floats = np.empty((0, 0))


@dataclass(frozen=True, eq=False)
class CoxPart:
    """The rows of some patients, with the columns that `fit_cox` takes; whole patients only.

    `placed` remembers where the rows lie among the groups of a fit, for a `load` that gives the same object again.
    """

    x: ArrayLike
    exit_days: ArrayLike
    event: ArrayLike
    entry_days: ArrayLike | None = None
    strata: ArrayLike | None = None
    weights: ArrayLike | None = None
    cluster: ArrayLike | None = None
    placed: dict[str, Placed] = field(default_factory=dict, repr=False)


@dataclass(frozen=True, eq=False)
class Census:
    """What one part says of itself before a fit: counts, moments and ranges of covariates, and its events by day."""

    n_rows: int
    n_events: int
    n_clusters: int | None
    mean: Floats
    squares: Floats
    low: Floats
    high: Floats
    strata: NDArray[Any]
    event_stratum: NDArray[Any]
    event_day: Floats
    event_rows: Ints
    event_weight: Floats


@dataclass(frozen=True, eq=False)
class Layout:
    """The groups of all parts together (see `cox_kernel.RiskSets`) and how covariates are standardised."""

    names: tuple[str, ...]
    center: Floats
    scale: Floats
    strata: NDArray[Any]
    times: Floats
    keys: Ints
    groups: RiskSets
    digest: str


@dataclass(frozen=True, eq=False)
class CoxPartsFit(CoxEstimate):
    """A fitted Cox model with the sums of its parts: `at` and `beta` are on the scale of `layout`; `whole` counts."""

    ties: Ties
    layout: Layout = field(repr=False)
    whole: Census = field(repr=False)
    beta: Floats = field(repr=False)
    at: Moments = field(repr=False)


def fit_cox_parts(
    parts: Sequence[Part], load: Load[Part], *, names: Sequence[str], ties: Ties = "efron", over: Over[Part, Any] = map
) -> CoxPartsFit:
    """Fit a Cox model to the rows of all parts; the estimate is that of `fit_cox` on all rows together.

    - `parts`: Whatever stands for a part, such as a path, or for several.
    - `load`: Gives the rows of a part, or of several one after the other, whose sums are then added up before they
      travel. Defined at the top of a module where `over` sends it to other processes.
    - `names`, `ties`: As in `fit_cox`. Errors are robust if the rows carry clusters; no cluster may have rows in two
      parts.
    - `over`: Applies a function to all parts, in their order.

    Raises CoxInputError as `fit_cox`.
    """
    if ties not in ("efron", "breslow"):
        raise CoxInputError("ties must be efron or breslow.")
    named = tuple(names)
    censuses = [c for some in over(partial(take_censuses, load=load, names=named), parts) for c in some]
    whole = _sum_censuses(censuses, named)
    layout = lay_out(whole, named, ties)
    n_clusters = whole.n_clusters
    if n_clusters is not None and n_clusters <= len(named):
        raise CoxInputError(f"{n_clusters} clusters are too few for robust errors of {len(named)} covariates.")
    likelihood = _InParts(parts, load, layout, whole, over)
    found = maximise(likelihood, named)
    fit = CoxPartsFit(
        **found.in_units(named, layout.scale),
        n_rows=whole.n_rows,
        n_events=whole.n_events,
        n_clusters=n_clusters,
        ties=ties,
        layout=layout,
        whole=whole,
        beta=found.beta,
        at=found.at,
    )
    if n_clusters is None:
        return fit
    squares = partial(influence_squares, load=load, layout=layout, beta=found.beta, at=found.at, cov=fit.model_cov)
    return replace(fit, robust_cov=_total(over(squares, parts)))


def take_censuses(part: Part, *, load: Load[Part], names: tuple[str, ...]) -> list[Census]:
    """Count a part; a list without those that have no rows."""
    read = (_read(piece, names) for piece in pieces(load(part)))
    return [take_census(rows) for rows in read if rows is not None]


def take_census(rows: CoxRows) -> Census:
    """Count rows."""
    event = np.flatnonzero(rows.event)
    keys = np.stack([rows.strata[event], rows.exit[event]])
    distinct, code = np.unique(keys, axis=1, return_inverse=True)
    code = code.reshape(-1)
    mean = rows.x.mean(axis=0)
    return Census(
        n_rows=len(rows.exit),
        n_events=len(event),
        n_clusters=None if rows.cluster is None else int(rows.cluster.max()) + 1,
        mean=mean,
        squares=((rows.x - mean) ** 2).sum(axis=0),
        low=rows.x.min(axis=0),
        high=rows.x.max(axis=0),
        strata=rows.strata_values,
        event_stratum=rows.strata_values[distinct[0].astype(np.intp)],
        event_day=distinct[1],
        event_rows=np.bincount(code, minlength=distinct.shape[1]),
        event_weight=kernel.sum_by(code, rows.weight[event], distinct.shape[1]),
    )


def lay_out(whole: Census, names: tuple[str, ...], ties: Ties) -> Layout:
    """Number the groups of all parts, and say how covariates are centred and scaled."""
    times = np.unique(whole.event_day)
    stratum = np.searchsorted(whole.strata, whole.event_stratum)
    keys, code = np.unique(kernel.group_keys(times, whole.event_day, stratum), return_inverse=True)
    events = np.zeros(len(keys), dtype=np.intp)
    np.add.at(events, code, whole.event_rows)
    weight = kernel.sum_by(code, whole.event_weight, len(keys))
    groups = kernel.lay_out_groups(times, keys, events, weight, ties)
    scale = np.sqrt(whole.squares / whole.n_rows)
    known = hashlib.sha256(repr((names, whole.strata.tolist())).encode())
    for numbers in (whole.mean, scale, times, keys):
        known.update(numbers.tobytes())
    return Layout(names, whole.mean, scale, whole.strata, times, keys, groups, known.hexdigest())


def add_up(part: Part, *, load: Load[Part], layout: Layout, beta: Floats) -> RowSums | None:
    """What the rows of one part add to the groups at `beta`."""
    return reduced(add_sums, (kernel.sum_rows(p.sets, p.z, beta)[1] for p in place_pieces(load(part), layout)))


def slope_of(
    part: Part, *, load: Load[Part], layout: Layout, beta: Floats, at: Moments
) -> tuple[Floats, Floats] | None:
    """What the rows of one part add to the score and, less what hangs on the groups alone, to the information."""

    def slope(placed: Placed) -> tuple[Floats, Floats]:
        here = placed.moments(beta, at)
        return kernel.score(placed.sets, placed.z, here), kernel.second_of_rows(placed.sets, placed.z, here)

    return reduced(add_arrays, map(slope, place_pieces(load(part), layout)))


def reach_of(part: Part, *, load: Load[Part], layout: Layout, step: Floats) -> tuple[float, float] | None:
    """The least and the greatest change of a linear predictor that a step makes in one part."""
    moved = [step @ placed.z for placed in place_pieces(load(part), layout)]
    return (float(min(m.min() for m in moved)), float(max(m.max() for m in moved))) if moved else None


def influence_squares(
    part: Part, *, load: Load[Part], layout: Layout, beta: Floats, at: Moments, cov: Floats
) -> Floats | None:
    """The sum over the clusters of one part of the products of their influence on the coefficients."""
    changes = (
        influence_in(placed, placed.moments(beta, at), layout=layout, cov=cov)
        for placed in place_pieces(load(part), layout)
    )
    return reduced(np.add, (change.T @ change for change in changes))


def influence_in(placed: Placed, at: Moments, *, layout: Layout, cov: Floats) -> Floats:
    """The change of the coefficients that each cluster (or row) of one part makes, cluster by covariate."""
    return np.asarray(kernel.scores_by(placed.sets, placed.z, at, placed.cluster) * layout.scale @ cov)


@dataclass(frozen=True, eq=False)
class Placed:
    """The rows of one part on the groups of all; `stratum` holds the place of each row's stratum among all strata."""

    rows: CoxRows
    stratum: Ints
    sets: RiskSets
    z: Floats
    cluster: Ints | None

    def moments(self, beta: Floats, at: Moments) -> Moments:
        """The moments of all parts with the risks of these rows."""
        with np.errstate(over="ignore"):
            return replace(at, risk=self.sets.weight * np.exp(beta @ self.z))


@dataclass(frozen=True, eq=False)
class _InParts(Generic[Part]):
    """The likelihood of rows that lie in parts."""

    parts: Sequence[Part]
    load: Load[Part]
    layout: Layout
    whole: Census
    over: Over[Part, Any]

    @property
    def width(self) -> Floats:
        return (self.whole.high - self.whole.low) / self.layout.scale

    @property
    def events(self) -> float:
        return float(self.whole.event_weight.sum())

    def moments(self, beta: Floats) -> Moments:
        # Added up as they come: those of many parts need not be in memory together.
        sums = (s for s in self.over(self._on(add_up, beta=beta), self.parts) if s is not None)
        return kernel.moments_of(self.layout.groups, reduce(add_sums, sums), _NO_RISK)

    def slope(self, beta: Floats, at: Moments) -> tuple[Floats, Floats]:
        # The hazards alone travel: the matrices of the moments are large, and no part needs them here.
        hazards = replace(at, at_risk=_NO_MATRIX, tied=_NO_MATRIX)
        slopes = [s for s in self.over(self._on(slope_of, beta=beta, at=hazards), self.parts) if s is not None]
        second = _total(s[1] for s in slopes)
        return _total(s[0] for s in slopes), second - kernel.product_of_means(self.layout.groups, at)

    def reach(self, step: Floats) -> float:
        ends = [e for e in self.over(self._on(reach_of, step=step), self.parts) if e is not None]
        return float(max(high for _, high in ends) - min(low for low, _ in ends))

    def _on(self, do: Callable[..., Any], **numbers: Any) -> Callable[[Part], Any]:
        return partial(do, load=self.load, layout=self.layout, **numbers)


def pieces(loaded: CoxPart | Iterable[CoxPart]) -> Iterable[CoxPart]:
    """The parts that `load` gave."""
    return (loaded,) if isinstance(loaded, CoxPart) else loaded


def place_pieces(loaded: CoxPart | Iterable[CoxPart], layout: Layout) -> Iterator[Placed]:
    """The rows that `load` gave, part by part, laid out on the groups of all parts."""
    for piece in pieces(loaded):
        placed = place_rows(piece, layout)
        if placed is not None:
            yield placed


def reduced(add: Callable[[Result, Result], Result], terms: Iterable[Result]) -> Result | None:
    """The sum of terms in their order; None of none."""
    found = iter(terms)
    first = next(found, None)
    return None if first is None else reduce(add, found, first)


def add_arrays(one: tuple[Floats, ...], other: tuple[Floats, ...]) -> Any:
    """The sums of two rows of arrays, place by place."""
    return tuple(a + b for a, b in zip(one, other, strict=True))


def _read(part: CoxPart, names: tuple[str, ...]) -> CoxRows | None:
    if len(np.asarray(part.exit_days)) == 0:
        return None
    return check_rows(
        part.x,
        part.exit_days,
        part.event,
        names=names,
        entry_days=part.entry_days,
        strata=part.strata,
        weights=part.weights,
        cluster=part.cluster,
        constant_allowed=True,
        no_event_allowed=True,
    )


def place_rows(part: CoxPart, layout: Layout) -> Placed | None:
    """The rows of one part laid out on the groups of all parts; None for a part without rows."""
    if layout.digest in part.placed:
        return part.placed[layout.digest]
    rows = _read(part, layout.names)
    if rows is None:
        return None
    stratum = np.searchsorted(layout.strata, rows.strata_values)[rows.strata]
    sets = kernel.place_rows(
        layout.groups,
        layout.times,
        layout.keys,
        rows.exit,
        rows.event,
        entry=rows.entry,
        strata=stratum,
        weight=rows.weight,
    )
    z = np.ascontiguousarray((rows.x - layout.center).T)
    z /= layout.scale[:, None]
    part.placed[layout.digest] = Placed(rows, stratum, sets, z, rows.cluster)
    return part.placed[layout.digest]


def _sum_censuses(censuses: Sequence[Census], names: tuple[str, ...]) -> Census:
    """The census of all parts together, with the refusals that need all of them."""
    n = sum(c.n_rows for c in censuses)
    events = sum(c.n_events for c in censuses)
    if not events:
        raise CoxInputError(f"None of {n:,} rows has an event: nothing can be estimated.")
    low = np.min([c.low for c in censuses], axis=0)
    high = np.max([c.high for c in censuses], axis=0)
    constant = [name for name, a, b in zip(names, low, high, strict=True) if a == b]
    if constant:
        raise CoxInputError(f"Constant covariates cannot be estimated: {', '.join(constant)}.")
    mean = _total(c.mean * (c.n_rows / n) for c in censuses)
    clusters = [c.n_clusters for c in censuses if c.n_clusters is not None]
    if clusters and len(clusters) < len(censuses):
        raise CoxInputError("Some parts carry clusters and others do not.")
    return Census(
        n_rows=n,
        n_events=events,
        n_clusters=sum(clusters) if clusters else None,
        mean=mean,
        squares=_total(c.squares + c.n_rows * (c.mean - mean) ** 2 for c in censuses),
        low=low,
        high=high,
        strata=np.unique(np.concatenate([c.strata for c in censuses])),
        event_stratum=np.concatenate([c.event_stratum for c in censuses]),
        event_day=np.concatenate([c.event_day for c in censuses]),
        event_rows=np.concatenate([c.event_rows for c in censuses]),
        event_weight=np.concatenate([c.event_weight for c in censuses]),
    )


def add_sums(one: RowSums, other: RowSums) -> RowSums:
    """The sums of the rows of both."""
    return RowSums(
        event_eta=one.event_eta + other.event_eta,
        total=one.total + other.total,
        total_tied=one.total_tied + other.total_tied,
        at_risk=one.at_risk + other.at_risk,
        tied=one.tied + other.tied,
    )


def _total(terms: Iterable[Floats | None]) -> Floats:
    """The sum of arrays of one shape, in their order."""
    return reduce(np.add, (term for term in terms if term is not None))
