"""One value of a question over the practices that gave it: random effects, with each practice's part in it."""

import math
from collections.abc import Callable, Sequence
from typing import Literal

from pipeline.release.pool.contribution import Contrast, Gap, Ratio
from pipeline.release.pool.sentences import heterogeneity, left_out
from pipeline.results.pooled import PooledPart, PooledValue
from pipeline.stats.limits import z_value
from pipeline.stats.meta_analysis import MetaAnalysis, Method, leave_one_out, meta_analysis

Kind = Literal["crude", "adjusted", "difference"]
Say = Callable[[float], float]
Of = tuple[str, Contrast]  # a practice's letter and what it gave
FEWEST = 2
FARTHEST = 50.0


def pooled_value(kind: Kind, of: Sequence[Of], confidence: float, smallest: float) -> PooledValue | None:
    """One pooled value; None where fewer than two practices gave theirs.

    A difference on a step wider than `smallest`, the smallest difference per 100 that matters, is none that tells.
    """
    told = [(letter, x, piece) for letter, x in of if (piece := _piece(kind, x, smallest)) is not None]
    alike = [t for t in told if not isinstance(t[2], Gap) or t[2].adjusted]
    told = alike if len(alike) >= FEWEST else told  # unadjusted differences only where there are hardly others
    if len(told) < FEWEST:
        return None
    y = [float(p.per_100) if isinstance(p, Gap) else p.log_hazard_ratio for _, _, p in told]
    se = [p.std_error for _, _, p in told]
    say: Say = float if kind == "difference" else _power
    found = meta_analysis(y, se, confidence=confidence)
    without = leave_one_out(y, se, confidence=confidence)
    parts = tuple(
        _part(
            letter,
            y=y[i],
            se=se[i],
            weight=found.weights[i],
            without=without[i] if without else None,
            say=say,
            confidence=confidence,
        )
        for i, (letter, _, _) in enumerate(told)
    )
    methods: tuple[Method, ...] = ("DL", "PM")
    others = [(m, meta_analysis(y, se, method=m, confidence=confidence)) for m in methods]
    adjusted = [set(p.adjusted_for) for _, _, p in told if isinstance(p, Ratio)]
    return PooledValue(
        kind=kind,
        value=say(found.estimate),
        low=say(found.low),
        high=say(found.high),
        usual_low=say(found.normal_low),
        usual_high=say(found.normal_high),
        p=found.p,
        predicted_low=say(found.predicted_low),
        predicted_high=say(found.predicted_high),
        q=found.q,
        q_p=found.q_p,
        i2=found.i2,
        i2_low=found.i2_low,
        i2_high=found.i2_high,
        tau2=found.tau2,
        tau2_low=found.tau2_low,
        tau2_high=found.tau2_high,
        others=tuple((m, say(o.estimate), say(o.low), say(o.high)) for m, o in others),
        parts=parts,
        heterogeneity=heterogeneity(kind, found, say=say),
        leave_one_out=left_out(kind, found, without, say=say),
        adjusted_for=tuple(sorted(set.intersection(*adjusted))) if adjusted else (),
    )


def _part(
    letter: str, *, y: float, se: float, weight: float, without: MetaAnalysis | None, say: Say, confidence: float
) -> PooledPart:
    away = z_value(confidence) * se
    rest = (say(without.estimate), say(without.low), say(without.high)) if without is not None else (None, None, None)
    return PooledPart(letter, say(y), say(y - away), say(y + away), weight, *rest)


def _piece(kind: Kind, x: Contrast, smallest: float) -> Ratio | Gap | None:
    gap = x.gap if x.gap is not None and x.gap.step <= smallest else None
    return {"crude": x.crude, "adjusted": x.adjusted, "difference": gap}[kind]


def _power(logarithm: float) -> float:
    """Its exponential; beyond any ratio worth telling, two practices that disagree give ranges without an end."""
    return math.exp(max(-FARTHEST, min(FARTHEST, logarithm)))
