"""How many openings and root canals a ledger may not hold, and how the answers would move: a bias analysis.

Root canals done by others leave no row here: an opened crown counts as vital, and so does one whose tooth was treated
before its seat. Failures elsewhere are missed alike. Each draw takes the share of root canals done by others from what
the practice says of it, makes one possible truth of the crowns (`unseen_draws`), and compares again; the spread over
draws is the doubt [Lash 2009; Lash 2014]. The comparison refitted is the unadjusted one, and how far it moves is laid
on the figure that the answer stands on. Chance is added with the error of the crowns as drawn.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from scipy.special import ndtri

from pipeline.questions.analysis import Analysis
from pipeline.questions.crown_rows import crown_rows
from pipeline.questions.groups import days_of
from pipeline.questions.trial_rows import EITHER, ENDO, FIRST, WAIT
from pipeline.questions.unseen_draws import (
    BEFORE,
    NEVER,
    OPENED,
    VITAL,
    Ledger,
    Truth,
    chances_of,
    draw_truths,
    ledger_of,
)
from pipeline.questions.unseen_priors import assumptions_of, beliefs_of
from pipeline.questions.unseen_words import longevity_sentences, trial_sentences
from pipeline.results import Comparison, Difference, Estimate, Trial
from pipeline.results.unseen import Moved, Spread, Unseen
from pipeline.stats.aalen_johansen import aalen_johansen
from pipeline.stats.cox import CoxInputError, fit_cox
from pipeline.stats.differences import Group as Rows
from pipeline.stats.differences import survival_difference
from pipeline.stats.limits import z_value
from pipeline.stats.misclassification import Floats, range_of

CONTRAST = "through_crown vs before_seat"
DRAWS, FEWEST_DRAWS = 80, 30
CROWNS_DRAWN = 400_000  # crowns times draws: beyond it there are fewer draws
CHANCES_A_DRAW = 40  # points of the normal law that stand for chance in each draw


@dataclass(frozen=True)
class Figure:
    """An estimate with its error, NaN where there is none."""

    value: float = float("nan")
    error: float = float("nan")


@dataclass(frozen=True)
class Drawn:
    """What all draws gave: added crowns, and figures by name, one value and error a draw."""

    openings: Floats
    before_seat: Floats
    failures: Floats
    figures: dict[str, tuple[Floats, Floats]]
    draws: int
    impossible: int


def unseen_in_longevity(
    crowns: pl.DataFrame,
    patients: pl.DataFrame,
    main: Comparison,
    analysis: Analysis,
    *,
    setting: str,
    seed: int,
    hints: pl.DataFrame | None = None,
    draws: int | None = None,
) -> Unseen:
    """What may be unseen of the main comparison.

    `setting` is `[practice] root_canals_elsewhere`; `hints` the stored table of hints. With `none`, or where no opening
    is seen, nothing is drawn. Figures that `main` lacks are not given.
    """
    ledger = ledger_of(crown_rows(crowns, patients), hints)
    start = main.crude_difference.from_days if main.crude_difference else None
    horizon = days_of(analysis.horizon_years)

    def figures(truth: Truth) -> dict[str, Figure]:
        found = {"hazard_ratio": _log_ratio(ledger, truth)}
        if start is not None:
            found["per_100"] = _difference(ledger, truth, horizon, start)
        return found

    counted = {"per_100": _of_difference(main.difference, analysis)} | {
        "hazard_ratio": _of_ratio(main.estimates, analysis)
    }
    drawn = _draw(ledger, figures, setting=setting, seed=seed, draws=draws)
    moved = _moved(counted, figures(_as_counted(ledger)), drawn, analysis.confidence)
    unseen = _result(ledger, drawn, moved, id=main.id, setting=setting, confidence=analysis.confidence)
    return replace(unseen, sentences=longevity_sentences(unseen, main.horizon_years))


def unseen_in_trial(
    rows: pl.DataFrame,
    trial: Trial,
    analysis: Analysis,
    *,
    setting: str,
    seed: int,
    hints: pl.DataFrame | None = None,
    draws: int | None = None,
) -> Unseen:
    """What may be unseen of the decision on a hyperemic tooth; `rows` are those of `enter_trial` for such teeth.

    The need of a root canal is what unseen openings hide; the failure of the crown moves by teeth that were treated
    first without the ledger holding it, and by unseen failures. Both are moved on the clock since the seat, among teeth
    that were seen to go one way: what a flare before the seat adds is not moved.
    """
    horizon = days_of(analysis.horizon_years)
    ledger = _trial_ledger(rows.filter(pl.col("arm") != EITHER), hints)
    name = next((n for n, _ in trial.differences if n.startswith("crown_failure")), None)

    def figures(truth: Truth) -> dict[str, Figure]:
        found = {"need_per_100": _need(ledger, truth, horizon)}
        if name is not None:
            found["per_100"] = _arms(ledger, truth, horizon)
        return found

    base = figures(_as_counted(ledger))
    stated = dict(trial.differences).get(name) if name else None
    counted = {"need_per_100": base["need_per_100"], "per_100": _of_difference(stated, analysis)}
    drawn = _draw(ledger, figures, setting=setting, seed=seed, draws=draws)
    moved = _with_limits_shown(_moved(counted, base, drawn, analysis.confidence), trial, analysis.horizon_years)
    unseen = _result(ledger, drawn, moved, id=trial.id, setting=setting, confidence=analysis.confidence)
    return replace(unseen, sentences=trial_sentences(unseen, analysis.horizon_years))


def _with_limits_shown(moved: tuple[Moved, ...], trial: Trial, years: float) -> tuple[Moved, ...]:
    """The need as counted with the limits that the trial shows, which are on a scale of their own."""
    of_waiting = next((c for c in trial.everyday_curves if c.arm == "hyperemic"), None)
    point = next((p for p in of_waiting.points if p.years == years), None) if of_waiting else None
    if point is None:
        return moved
    low, high = 100 * point.ci_low, 100 * point.ci_high
    return tuple(replace(m, counted_low=low, counted_high=high) if m.name == "need_per_100" else m for m in moved)


def _trial_ledger(rows: pl.DataFrame, hints: pl.DataFrame | None) -> Ledger:
    """Teeth of the trial: treated first as before the seat, opened, or vital; a crown given up for a root canal was
    opened on its last day.
    """
    timing = pl.when(pl.col("arm") == FIRST).then(pl.lit("before_seat")).otherwise(pl.lit("vital"))
    opened = (pl.col("arm") == WAIT) & (pl.col("access_days").is_not_null() | pl.col("given_up"))
    access = pl.when(opened).then(pl.coalesce("access_days", "exit_days"))
    return ledger_of(rows.with_columns(endo_timing=timing, access_days=access), hints)


def _as_counted(ledger: Ledger) -> Truth:
    return Truth(ledger.state, ledger.access, ledger.exit, ledger.event, 0, 0, 0)


def _draw(
    ledger: Ledger, figures: Callable[[Truth], dict[str, Figure]], *, setting: str, seed: int, draws: int | None
) -> Drawn | None:
    beliefs = beliefs_of(setting)
    if beliefs is None or not (ledger.state == OPENED).any():
        return None
    n = draws or int(np.clip(CROWNS_DRAWN // len(ledger.state), FEWEST_DRAWS, DRAWS))
    rng, chances = np.random.default_rng(seed), chances_of(ledger)
    kept = draw_truths(ledger, chances, beliefs, draws=n, rng=rng)
    found = [figures(t) for t in kept]
    names = found[0].keys() if found else ()
    return Drawn(
        openings=np.array([t.openings for t in kept], dtype=np.float64),
        before_seat=np.array([t.before_seat for t in kept], dtype=np.float64),
        failures=np.array([t.failures for t in kept], dtype=np.float64),
        figures={
            name: (np.array([f[name].value for f in found]), np.array([f[name].error for f in found])) for name in names
        },
        draws=n,
        impossible=n - len(kept),
    )


def _moved(
    counted: dict[str, Figure], base: dict[str, Figure], drawn: Drawn | None, confidence: float
) -> tuple[Moved, ...]:
    """Each figure as counted, moved by what each draw moved the unadjusted one; errors grow or shrink alike."""
    out = []
    # Even points of the normal law: chance adds its spread, and no noise of its own.
    chance = ndtri((np.arange(CHANCES_A_DRAW) + 0.5) / CHANCES_A_DRAW)
    half = z_value(confidence)
    for name, stated in counted.items():
        if drawn is None or name not in drawn.figures or name not in base:
            continue
        values, errors = drawn.figures[name]
        known = np.isfinite(values) & np.isfinite(errors)
        if not known.any() or not np.isfinite([stated.value, stated.error, base[name].value, base[name].error]).all():
            continue
        moved = stated.value + values[known] - base[name].value
        error = stated.error * errors[known] / base[name].error
        whole = (moved[:, None] + error[:, None] * chance).ravel()
        turned = np.sign(whole) == -np.sign(stated.value)
        limits = (stated.value, stated.value - half * stated.error, stated.value + half * stated.error)
        value, low, high = (_shown(name, v) for v in limits)
        out.append(
            Moved(
                name=name,
                counted=value,
                counted_low=low,
                counted_high=high,
                systematic=_spread(np.array([_shown(name, v) for v in moved]), confidence),
                corrected=_spread(np.array([_shown(name, v) for v in whole]), confidence),
                other_sign=None if name == "need_per_100" else float(turned.mean()),
            )
        )
    return tuple(out)


def _shown(name: str, value: float) -> float:
    """From the scale on which a figure is moved to the one on which it is told."""
    if name == "hazard_ratio":
        return float(np.exp(value))
    if name == "need_per_100":
        # Moved on the log of the hazard that the share stands for, so that it stays between 0 and 100.
        return float(100 * -np.expm1(-np.exp(value)))
    return float(value)


def _spread(draws: Floats, confidence: float) -> Spread:
    found = range_of(draws, confidence=confidence)
    return Spread(found.median, found.low, found.high)


def _result(
    ledger: Ledger, drawn: Drawn | None, moved: tuple[Moved, ...], *, id: str, setting: str, confidence: float
) -> Unseen:
    opened = ledger.state == OPENED
    possible = drawn is not None and len(drawn.openings) > 0
    return Unseen(
        id=id,
        setting=setting,
        seen=int(opened.sum()),
        seen_elsewhere=int((opened & ledger.elsewhere).sum()),
        seen_before_seat=int((ledger.state == BEFORE).sum()),
        undated=int((ledger.state > OPENED).sum()),
        hinted=int(((ledger.state == VITAL) & (ledger.hint < NEVER)).sum()),
        openings=_spread(drawn.openings, confidence) if drawn and possible else None,
        before_seat=_spread(drawn.before_seat, confidence) if drawn and possible else None,
        failures=_spread(drawn.failures, confidence) if drawn and possible else None,
        moved=moved,
        draws=drawn.draws if drawn else 0,
        impossible=drawn.impossible if drawn else 0,
        assumptions=assumptions_of(setting),
        sentences=(),
    )


def _of_difference(difference: Difference | None, analysis: Analysis) -> Figure:
    if difference is None:
        return Figure()
    return Figure(difference.per_100, (difference.ci_high - difference.ci_low) / 2 / z_value(analysis.confidence))


def _of_ratio(estimates: Sequence[Estimate], analysis: Analysis) -> Figure:
    """The last model's ratio of opened to treated before: the adjusted one where there is one."""
    found = [e for e in estimates if e.contrast == CONTRAST]
    if not found:
        return Figure()
    last = found[-1]
    error = float(np.log(last.ci_high / last.ci_low)) / 2 / z_value(analysis.confidence)
    return Figure(float(np.log(last.hazard_ratio)), error)


def _side(ledger: Ledger, truth: Truth, state: int) -> dict[str, Floats]:
    """The stretches of crowns in a state with a root canal, by the names of the estimators' columns."""
    since = np.maximum(ledger.entry, truth.access) if state == OPENED else ledger.entry
    rows = (truth.state == state) & ((truth.exit > since) | (since <= 0))
    if state == OPENED:
        rows &= truth.access < truth.exit
    return {
        "exit_days": truth.exit[rows],
        "event": truth.event[rows],
        "entry_days": since[rows],
        "cluster": ledger.patient[rows],
    }


def _log_ratio(ledger: Ledger, truth: Truth) -> Figure:
    """Opened against treated before, by a Cox model of the two states on the clock since the seat."""
    opened, before = (_side(ledger, truth, state) for state in (OPENED, BEFORE))
    if not opened["event"].any() or not before["event"].any():
        return Figure()
    both = {name: np.concatenate((opened[name], before[name])) for name in opened}
    entry, cluster = both["entry_days"], np.unique(both["cluster"], return_inverse=True)[1]
    is_opened = np.arange(len(entry)) < len(opened["event"])
    try:
        fit = fit_cox(
            is_opened[:, None].astype(np.float64),
            both["exit_days"],
            both["event"],
            names=("through_crown",),
            entry_days=np.where(entry <= 0, -1, entry),
            cluster=cluster,
        )
    except CoxInputError:
        return Figure()
    return Figure(float(fit.coef[0]), float(fit.se()[0]))


def _difference(ledger: Ledger, truth: Truth, horizon: int, start: int) -> Figure:
    opened, before = (_side(ledger, truth, state) for state in (OPENED, BEFORE))
    if not len(opened["event"]) or not len(before["event"]):
        return Figure()
    d = survival_difference(Rows(**opened), Rows(**before), [horizon], from_day=start)
    return Figure(float(-100 * d.estimate[0]), float(100 * d.std_error[0]))


def _arms(ledger: Ledger, truth: Truth, horizon: int) -> Figure:
    """Crown failures per 100, treated first minus seated vital, each crown in its arm from the seat."""
    leave, event = np.minimum(truth.exit, horizon), truth.event & (truth.exit <= horizon)
    sides = [
        Rows(leave[rows], event[rows], cluster=ledger.patient[rows])
        for rows in (truth.state == BEFORE, truth.state != BEFORE)
    ]
    if not all(len(np.asarray(side.event)) for side in sides):
        return Figure()
    d = survival_difference(sides[0], sides[1], [horizon])
    return Figure(float(-100 * d.estimate[0]), float(100 * d.std_error[0]))


def _need(ledger: Ledger, truth: Truth, horizon: int) -> Figure:
    """Share of teeth seated vital that came to need a root canal, others ends competing; see `_shown` for the scale."""
    rows = truth.state != BEFORE
    opened = truth.state[rows] == OPENED
    leave = np.where(opened, np.minimum(truth.access[rows], truth.exit[rows]), truth.exit[rows])
    cause = np.where(opened, ENDO, np.where(truth.event[rows], ENDO + 1, 0))
    cause, leave = np.where(leave <= horizon, cause, 0), np.minimum(leave, horizon)
    if not (cause == ENDO).any():
        return Figure()
    found = aalen_johansen(leave, cause, cluster=ledger.patient[rows], n_causes=2).at([horizon])
    share, error = float(found.incidence[0, 0]), float(found.std_error[0, 0])
    if share >= 1:
        return Figure()
    # The slope of log(-log(1 - share)).
    return Figure(float(np.log(-np.log1p(-share))), error / ((1 - share) * -np.log1p(-share)))
