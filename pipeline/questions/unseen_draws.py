"""Which crowns were opened, treated before the seat, or lost, without the ledger holding it: one possible truth a draw.

Numbers come from what is believed (`unseen_priors`), crowns and days from what the ledger shows: the hazard of being
opened over the years since the seat, and how fast vital and opened crowns fail. A crown that failed is taken for an
opened one as readily as opened crowns fail more, so that unseen openings fare like those seen unless the draw says
otherwise. This is reclassification record by record [Lash 2009, chapter 8], on the clock since the seat.
"""

import itertools
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.questions.unseen_priors import FEWEST_OWN, MOST_UNLIKE, UNDATED_WEIGHT, Beliefs
from pipeline.stats.misclassification import Floats, Prior, draw_alike, unseen_of

VITAL, BEFORE, OPENED, UNDATED = 0, 1, 2, 3
CELL_DAYS = 91  # time since the seat is cut into quarters of a year
BAND_CELLS = (0, 2, 4, 8, 12, 20, 28, 40, 60)  # hazards are taken as even within these quarters
# Days since the opening within which its hazard is taken as even: a crown given up for it fails within weeks.
SINCE_OPENING = (0, 91, 182, 365)
NEVER = np.int64(2**31)  # the day of an opening that did not happen

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Ledger:
    """Crowns as the ledger has them, on the clock since the seat; the order of rows hangs on no name.

    `state` is the label; `access` the day of the opening (NEVER without one); `elsewhere` marks openings by others;
    `hint` is the day of a filling on a crown that counts as vital (NEVER without one).
    """

    entry: Ints
    exit: Ints
    event: Bools
    patient: Ints
    state: Ints
    access: Ints
    elsewhere: Bools
    hint: Ints

    def is_followed(self, state: int) -> Bools:
        """Crowns with a label and with time in its state: an opening on the last day followed has none."""
        in_time = (self.exit > self.entry) | (self.entry <= 0)
        found: Bools = (self.state == state) & in_time & ((state != OPENED) | (self.access < self.exit))
        return found


@dataclass(frozen=True)
class Chances:
    """How readily each crown that counts as vital may have been another: weights, and where an opening would lie.

    `opened` are weights over quarters, running sums along them; `before` is one weight a crown.
    """

    rows: Ints
    opened: NDArray[np.float32]
    before: Floats
    edges: Ints
    hazard: Floats  # of failure by quarter since the seat, for unseen failures


@dataclass(frozen=True)
class Truth:
    """One draw: the ledger as it may have been, and how many of each kind were added."""

    state: Ints
    access: Ints
    exit: Ints
    event: Bools
    openings: int
    before_seat: int
    failures: int


def ledger_of(rows: pl.DataFrame, hints: pl.DataFrame | None = None) -> Ledger:
    """Rows of `crown_rows` as arrays.

    `access_elsewhere` is taken as false where the column is missing. `hints` has the form of the stored table of hints:
    fillings on a crown that stood on that day count, the first of each crown.
    """
    if "access_elsewhere" not in rows.columns:
        rows = rows.with_columns(access_elsewhere=False)
    rows = _with_hints(rows, hints)
    # Random numbers go to rows in an order of what happened, never of names: the same records give the same figures.
    # The tooth comes last, so that it moves no draw on which side of the mouth, or in which jaw, a tooth stands.
    of_patient = (pl.len().over("patient_id"), pl.col("exit_days").sum().over("patient_id"))
    order = ["seat_date", "exit_days", "entry_days", "failure", "access_days", "hint_days", "endo_timing"]
    rows = rows.sort(*order, *of_patient, "tooth_fdi", maintain_order=True)
    label = (
        pl.when(pl.col("endo_timing").is_null())
        .then(UNDATED)
        .when(pl.col("endo_timing") == "before_seat")
        .then(BEFORE)
        .when(pl.col("access_days").is_not_null())
        .then(OPENED)
        .otherwise(VITAL)
    )
    days = rows.select(
        state=label.cast(pl.Int64),
        entry=pl.col("entry_days").cast(pl.Int64),
        exit=pl.col("exit_days").cast(pl.Int64),
        access=pl.col("access_days").cast(pl.Int64).fill_null(int(NEVER)),
        hint=pl.col("hint_days").cast(pl.Int64).fill_null(int(NEVER)),
        patient=pl.col("patient_id").rank("dense").cast(pl.Int64) - 1,
    )
    return Ledger(
        **{name: days[name].to_numpy() for name in ("entry", "exit", "patient", "state", "access", "hint")},
        event=rows["failure"].to_numpy(),
        elsewhere=rows["access_elsewhere"].fill_null(False).to_numpy(),
    )


def chances_of(ledger: Ledger) -> Chances:
    """Weights of being unseen, from the hazards that the ledger shows.

    The weight of an opening on a day is the hazard of being opened then, times how much likelier what followed is of an
    opened crown than of one left alone.
    """
    cells = max(int(np.max(ledger.exit, initial=0)) // CELL_DAYS + 1, 1)
    edges = np.arange(cells + 1, dtype=np.int64) * CELL_DAYS
    opening, failing = _hazards(ledger, edges)
    rows = np.flatnonzero(ledger.is_followed(VITAL))
    entry, leave, failed = np.maximum(ledger.entry[rows], 0), ledger.exit[rows], ledger.event[rows]
    opened_by, failed_by = (np.concatenate(([0.0], np.cumsum(h * CELL_DAYS))) for h in (opening, failing))

    def until(day: Floats | Ints, sums: Floats) -> Floats:
        return np.interp(day, edges, sums)

    worse = _times_faster(ledger, OPENED, SINCE_OPENING, edges, failed_by)
    worse_before = float(_times_faster(ledger, BEFORE, (0,), edges, failed_by)[0])
    weights = np.zeros((len(rows), cells), dtype=np.float32)
    for cell in range(cells):
        low, high = np.maximum(entry, edges[cell]), np.minimum(leave, edges[cell + 1])
        middle = (low + high) / 2
        spared = until(leave, opened_by) - until(middle, opened_by)
        risk = -(until(leave, failed_by) - until(middle, failed_by))
        for times, after, end in zip(worse, SINCE_OPENING, (*SINCE_OPENING[1:], int(NEVER)), strict=True):
            stretch = (np.minimum(middle + after, leave), np.minimum(middle + end, leave))
            risk += times * (until(stretch[1], failed_by) - until(stretch[0], failed_by))
        at_end = worse[np.searchsorted(SINCE_OPENING, np.maximum(leave - middle, 0), side="right") - 1]
        odds = np.exp(spared - risk) * np.where(failed, at_end, 1.0)
        weights[:, cell] = np.maximum(high - low, 0) * opening[cell] * odds
    whole_risk = until(leave, failed_by) - until(entry, failed_by)
    before = np.exp(-(worse_before - 1) * whole_risk) * np.where(failed, worse_before, 1.0)
    return Chances(rows, np.cumsum(weights, axis=1), before, edges, failing)


def draw_truths(
    ledger: Ledger, chances: Chances, beliefs: Beliefs, *, draws: int, rng: np.random.Generator
) -> list[Truth]:
    """The possible truths among so many draws; the others contradicted the ledger.

    The share that most hangs on, of root canals done by others, is drawn once from each of `draws` equal parts of its
    law, in any order, so that few draws give its limits well.
    """
    parts = (rng.permutation(draws) + rng.random(draws)) / draws
    shares = beliefs.done_by_others.quantile(parts)
    found = (draw_truth(ledger, chances, beliefs, by_others=float(share), rng=rng) for share in shares)
    return [truth for truth in found if truth is not None]


def draw_truth(
    ledger: Ledger, chances: Chances, beliefs: Beliefs, *, by_others: float, rng: np.random.Generator
) -> Truth | None:
    """One possible truth, where others do the share `by_others`; None where what was drawn contradicts the ledger.

    It does where others charted more openings than they are drawn to have done, or where more crowns that count as
    vital would have to be opened, failed or not, than there are.
    """
    state, access = ledger.state.copy(), ledger.access.copy()
    undated = _settle_undated(ledger, state, access, chances, rng)
    own, others = _openings(ledger)
    if own >= FEWEST_OWN or own >= others:
        wanted = int(unseen_of(own, np.array([1 - by_others]), rng)[0]) - others
        if wanted < 0:
            return None
    else:
        wanted = int(unseen_of(others, np.array([_one(beliefs.charted, rng)]), rng)[0])
    wanted = max(wanted - undated, 0)
    hinted = _open_hinted(ledger, chances, state, access, share=_one(beliefs.hint_is_opening, rng), rng=rng)
    rest = max(wanted - hinted, 0)
    opened = _take(ledger, chances, state, kind=OPENED, n=rest, unlike=_unlike(beliefs, rng), rng=rng)
    if opened is None:
        return None
    picked, places = opened
    access[picked] = _days_of_opening(ledger, chances, picked, places, rng)
    state[picked] = OPENED
    seen_before = int((ledger.state == BEFORE).sum())
    shown = 1 - by_others * (1 - _one(beliefs.shown_before, rng))
    unseen_before = int(unseen_of(seen_before, np.array([shown]), rng)[0])
    taken = _take(ledger, chances, state, kind=BEFORE, n=unseen_before, unlike=_unlike(beliefs, rng), rng=rng)
    if taken is None:
        return None
    state[taken[0]] = BEFORE
    leave, event, failures = _unseen_failures(ledger, state, access, chances, beliefs=beliefs, rng=rng)
    return Truth(state, access, leave, event, hinted + rest, unseen_before, failures)


def _with_hints(rows: pl.DataFrame, hints: pl.DataFrame | None) -> pl.DataFrame:
    if hints is None or hints.is_empty():
        return rows.with_columns(hint_days=pl.lit(None, pl.Int64))
    fillings = hints.filter(pl.col("kind") == "filling_on_crown").select("patient_id", "tooth_fdi", "seen_date")
    found = (
        rows.select("crown_id", "patient_id", "tooth_fdi", "seat_date", "entry_days", "exit_days")
        .join(fillings, on=["patient_id", "tooth_fdi"])
        .with_columns(hint_days=(pl.col("seen_date") - pl.col("seat_date")).dt.total_days())
        .filter(pl.col("hint_days") < pl.col("exit_days"), pl.col("hint_days") >= pl.max_horizontal("entry_days", 0))
        .group_by("crown_id")
        .agg(pl.col("hint_days").min())
    )
    return rows.join(found, on="crown_id", how="left", maintain_order="left")


def _hazards(ledger: Ledger, edges: Ints) -> tuple[Floats, Floats]:
    """Per day and quarter since the seat: being opened while vital, and failing while vital."""
    cells = len(edges) - 1
    opened, closed = ledger.is_followed(OPENED), ledger.is_followed(VITAL)
    vital = closed | (opened & (ledger.entry < ledger.access))
    until = np.where(opened, np.minimum(ledger.access, ledger.exit), ledger.exit)
    time = _time_by_cell(ledger.entry[vital], until[vital], edges)
    days = (ledger.access[opened], ledger.exit[closed & ledger.event])
    openings, failed = (np.bincount(d // CELL_DAYS, minlength=cells)[:cells].astype(np.float64) for d in days)
    return _even(openings, time), _even(failed, time)


def _times_faster(ledger: Ledger, state: int, bands: tuple[int, ...], edges: Ints, failed_by: Floats) -> Floats:
    """How many times faster than vital ones crowns of a state fail, by bands of days since they entered it.

    Observed over expected; a band with few expected is drawn towards all bands together.
    """
    rows = ledger.is_followed(state)
    began = ledger.access[rows] if state == OPENED else np.zeros(int(rows.sum()), dtype=np.int64)
    entry, leave, event = np.maximum(ledger.entry[rows], 0), ledger.exit[rows], ledger.event[rows]
    found, expected = np.zeros(len(bands)), np.zeros(len(bands))
    for i, (after, end) in enumerate(zip(bands, (*bands[1:], int(NEVER)), strict=True)):
        low = np.clip(np.maximum(began + after, entry), None, leave)
        high = np.clip(began + end, low, leave)
        expected[i] = float(np.sum(np.interp(high, edges, failed_by) - np.interp(low, edges, failed_by)))
        found[i] = float((event & (leave - began >= after) & (leave - began < end)).sum())
    if not found.sum() or not expected.sum():
        return np.ones(len(bands))
    whole = found.sum() / expected.sum()
    return np.asarray((found + 0.5) / (expected + 0.5 / whole))


def _time_by_cell(entry: Ints, leave: Ints, edges: Ints) -> Floats:
    start = np.maximum(entry, 0)
    return np.array(
        [
            float(np.sum(np.maximum(np.minimum(leave, high) - np.maximum(start, low), 0)))
            for low, high in itertools.pairwise(edges)
        ]
    )


def _even(events: Floats, time: Floats) -> Floats:
    """Events per day, even within bands of quarters."""
    out = np.zeros(len(time))
    bands = [b for b in BAND_CELLS if b < len(time)] + [len(time)]
    for low, high in itertools.pairwise(bands):
        total = time[low:high].sum()
        out[low:high] = events[low:high].sum() / total if total else 0.0
    return out


def _one(prior: Prior, rng: np.random.Generator) -> float:
    return float(prior.quantile(rng.random(1))[0])


def _unlike(beliefs: Beliefs, rng: np.random.Generator) -> float:
    return float(MOST_UNLIKE ** (2 * _one(beliefs.unlike, rng) - 1))


def _openings(ledger: Ledger) -> tuple[int, int]:
    opened = ledger.state == OPENED
    others = int((opened & ledger.elsewhere).sum())
    return int(opened.sum()) - others, others


def _settle_undated(ledger: Ledger, state: Ints, access: Ints, chances: Chances, rng: np.random.Generator) -> int:
    """Put undated root canals before the seat or after it; returns how many were openings."""
    undated = np.flatnonzero(ledger.state == UNDATED)
    if not len(undated):
        return 0
    before, after = int((ledger.state == BEFORE).sum()), int((ledger.state == OPENED).sum())
    typical = before / (before + after) if before + after else 0.5
    share = rng.beta(0.5 + UNDATED_WEIGHT * typical, 0.5 + UNDATED_WEIGHT * (1 - typical))
    start = np.maximum(ledger.entry[undated], 0)
    is_before = (rng.random(len(undated)) < share) | (ledger.exit[undated] <= start)
    state[undated] = np.where(is_before, BEFORE, OPENED)
    day = start + (rng.random(len(undated)) * (ledger.exit[undated] - start)).astype(np.int64)
    access[undated] = np.where(is_before, NEVER, day)
    return int((~is_before).sum())


def _open_hinted(
    ledger: Ledger, chances: Chances, state: Ints, access: Ints, *, share: float, rng: np.random.Generator
) -> int:
    hinted = chances.rows[ledger.hint[chances.rows] < NEVER]
    found = hinted[rng.random(len(hinted)) < share]
    state[found], access[found] = OPENED, ledger.hint[found]
    return len(found)


def _take(
    ledger: Ledger, chances: Chances, state: Ints, *, kind: int, n: int, unlike: float, rng: np.random.Generator
) -> tuple[Ints, Ints] | None:
    """Crowns that still count as vital and in truth were of a kind: their rows, and their places in `chances`.

    As large a share of them has failed as of those seen, drawn from what those teach and moved by `unlike`.
    """
    seen = ledger.is_followed(kind)
    failed, n_seen = int((seen & ledger.event).sum()), int(seen.sum())
    half = 0.5 if failed in (0, n_seen) else 0.0
    share = rng.beta(failed + half, n_seen - failed + half) if n_seen else 0.5
    # Some of those seen have no day in their state, as they left on the day of the opening: so do some unseen.
    of_kind = int((ledger.state == kind).sum())
    followed = int(rng.binomial(n, n_seen / of_kind)) if of_kind else n
    wanted_failed = int(rng.binomial(followed, unlike * share / (1 - share + unlike * share)))
    weight = chances.opened[:, -1].astype(np.float64) if kind == OPENED else chances.before
    places = []
    for event, wanted in ((True, wanted_failed), (False, followed - wanted_failed)):
        free = np.flatnonzero((state[chances.rows] == VITAL) & (ledger.event[chances.rows] == event) & (weight > 0))
        if wanted > len(free):
            return None
        places.append(free[_by_weight(weight[free], wanted, rng)])
    chosen = np.concatenate(places)
    return chances.rows[chosen], chosen


def _by_weight(weight: Floats, n: int, rng: np.random.Generator) -> Ints:
    """Places of `n` drawn by weight without replacement: the largest of log weights plus Gumbel numbers."""
    keys = np.log(weight) + rng.gumbel(size=len(weight))
    return np.argsort(-keys, kind="stable")[:n]


def _days_of_opening(ledger: Ledger, chances: Chances, rows: Ints, places: Ints, rng: np.random.Generator) -> Ints:
    sums = chances.opened[places].astype(np.float64)
    at = rng.random(len(rows)) * sums[:, -1]
    cell = np.minimum((sums <= at[:, None]).sum(axis=1), sums.shape[1] - 1)
    low = np.maximum(np.maximum(ledger.entry[rows], 0), chances.edges[cell])
    high = np.minimum(ledger.exit[rows], chances.edges[cell + 1])
    day = low + (rng.random(len(rows)) * (high - low)).astype(np.int64)
    return np.asarray(np.minimum(day, ledger.exit[rows] - 1), dtype=np.int64)


def _unseen_failures(
    ledger: Ledger, state: Ints, access: Ints, chances: Chances, *, beliefs: Beliefs, rng: np.random.Generator
) -> tuple[Ints, Bools, int]:
    """Failures that the ledger does not hold, on days drawn from the hazard of failing while in the state."""
    leave, event = ledger.exit.copy(), ledger.event.copy()
    sums = np.concatenate(([0.0], np.cumsum(np.maximum(chances.hazard, 1e-9) * CELL_DAYS)))
    pair = draw_alike(beliefs.failure_seen, beliefs.failure_seen, correlation=beliefs.alike, n=1, rng=rng)
    added = 0
    # Vital crowns with those opened: both were seated vital, which is one of the two ways of the decision.
    for kind, seen in ((OPENED, pair[0]), (VITAL, pair[0]), (BEFORE, pair[1])):
        in_state = (state == kind) & ((kind != OPENED) | (access < ledger.exit)) & (ledger.exit > ledger.entry)
        start = np.maximum(np.maximum(ledger.entry, 0), access if kind == OPENED else 0)
        low, high = (np.interp(day, chances.edges, sums) for day in (np.minimum(start, ledger.exit), ledger.exit))
        free = np.flatnonzero(in_state & ~ledger.event & (high > low))
        wanted = min(int(unseen_of(int((in_state & ledger.event).sum()), seen, rng)[0]), len(free))
        if not wanted:
            continue
        lost = free[_by_weight(high[free] - low[free], wanted, rng)]
        at = low[lost] + rng.random(wanted) * (high[lost] - low[lost])
        day = np.ceil(np.interp(at, sums, chances.edges)).astype(np.int64)
        leave[lost] = np.clip(day, start[lost] + 1, ledger.exit[lost])
        event[lost] = True
        added += wanted
    return leave, event, added
