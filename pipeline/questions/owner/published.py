"""Ours beside published figures that count as we do: fewer failed here, as many, more, or it cannot be told.

Nothing here makes the figures comparable: `questions/benchmarks.py` says which are. Patients, clinicians and years
differ all the same, so that a difference is a question and no answer.
"""

import math
from collections.abc import Sequence

from pipeline.practice.outcomes import CROWNS, ENDO_COURSES, Outcome
from pipeline.questions.analysis import Analysis
from pipeline.questions.owner.over_time import verdict_of
from pipeline.results.monitoring import Benchmark
from pipeline.results.owner import BesidePublished, Change
from pipeline.stats.limits import z_value

# Since when a rate of the sheet runs; a figure of the same event since another day stands on the page alone.
STARTS = {CROWNS: "crown_seat", ENDO_COURSES: "endo_completion"}


def beside_published(found: Sequence[Benchmark], *, outcome: Outcome, asked: Analysis) -> tuple[BesidePublished, ...]:
    """The comparable figures of one rate, the one nearest to the horizon first, of equals that of most teeth."""
    mine = [
        b
        for b in found
        if b.comparable and b.event == outcome.published and b.start == STARTS[outcome.population]
        if None not in (b.ours, b.published, b.horizon_years)
    ]
    teeth = {b.benchmark_id: b.n or 0 for b in mine}
    made = [_one(b, asked) for b in mine]
    return tuple(
        sorted(
            made, key=lambda p: (abs(p.years - asked.horizon_years), p.years, -teeth[p.benchmark_id], p.benchmark_id)
        )
    )


def _one(b: Benchmark, asked: Analysis) -> BesidePublished:
    assert b.ours is not None
    assert b.published is not None
    assert b.horizon_years is not None
    theirs = published_range(b.published, b.published_low, b.published_high, b.n, confidence=asked.confidence)
    plain = Change("cannot_tell", "too_few", b.horizon_years, least_failures=asked.min_failures,
                   matters_per_100=asked.matters(b.horizon_years))  # fmt: skip
    change = plain
    if b.ours_low is not None and b.ours_high is not None and (b.our_failures or 0) >= asked.min_failures:
        change = change_of((b.ours, b.ours_low, b.ours_high), (b.published, *(theirs or (b.published,) * 2)), plain)
    return BesidePublished(
        b.benchmark_id, b.citation, b.horizon_years, b.published, b.ours, b.ours_low, b.ours_high, change,
        exact=theirs is None,
    )  # fmt: skip


def change_of(ours: tuple[float, float, float], theirs: tuple[float, float, float], plain: Change) -> Change:
    """Failures of ours minus theirs, from two shares free of it with their limits, put together as errors are.

    Sources: Zou 2008.
    """
    (s, low, high), (t, t_low, t_high) = ours, theirs
    middle = t - s
    down, up = math.hypot(high - s, t - t_low), math.hypot(s - low, t_high - t)
    change = Change("cannot_tell", "", plain.years, 100 * middle, 100 * (middle - down), 100 * (middle + up),
                    matters_per_100=plain.matters_per_100, least_failures=plain.least_failures)  # fmt: skip
    verdict, why = verdict_of(change, claim=True)
    return Change(**{**change.__dict__, "verdict": verdict, "why": why})


def published_range(
    share: float, low: float | None, high: float | None, n: int | None, *, confidence: float
) -> tuple[float, float] | None:
    """The range of a published share: as printed, else Wilson's from its number of teeth; None without either.

    Teeth of one patient count as if alike to none, as nothing else is printed: the range is rather too narrow.
    Sources: Wilson 1927.
    """
    if low is not None and high is not None:
        return low, high
    if n is None:
        return None
    z = z_value(confidence)
    middle = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    half = z * math.sqrt(share * (1 - share) / n + z**2 / (4 * n**2)) / (1 + z**2 / n)
    return middle - half, middle + half
