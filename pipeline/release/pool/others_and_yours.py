"""What others found beside what ours adds: published shares, ratios of other practices, ours alone, both together.

Others' figures become a robust prior (`stats/mixture_prior.py`), on the scale of the logarithm of the cumulative hazard
for shares and of the hazard ratio for contrasts. No verdict of ours alone hangs on any of this. Published figures count
where event, start, clock, teeth and the way with teeth lost from sight agree (`benchmarks.py`), contributions where the
rules do. How much practices differ is no more than believed where one or two sources speak: a half-normal of scale 0.5
on the logarithm, which Friede and others [1] recommend (or 1) for logarithms of odds ratios; for shares it is taken
over, with no source of its own. The vague component has a fifth of the weight, as in the examples of [2]; it is worth
one failure, in the middle of the others' for shares and at no difference for ratios.

References
----------
[1] Friede T, Roever C, Wandel S, Neuenschwander B. Meta-analysis of few small studies in orphan diseases. Res Synth
    Methods 2017;8:79-91. doi:10.1002/jrsm.1217
[2] The R package RBesT, introductory articles, which take a fifth and the variance of one observation.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from scipy.special import polygamma

from pipeline.practice.settings import Borrowing
from pipeline.release.pool.agreed import Pooled, questions
from pipeline.release.pool.contribution import Contribution, Ratio
from pipeline.release.pool.evidence_words import OTHERS, OURS, TOGETHER, ratio_verdict, share_verdict
from pipeline.results import Comparison, Estimate
from pipeline.results.evidence import Evidence, EvidenceRange, EvidenceRow
from pipeline.results.monitoring import Benchmark
from pipeline.stats.laws import chi2_quantile
from pipeline.stats.limits import z_value
from pipeline.stats.mixture_prior import (
    Mixture,
    Updated,
    added_size,
    effective_size,
    predicted,
    surprise,
    surprise_by_count,
    updated,
    updated_by_count,
    with_vague,
)

RARE = 0.05  # a gap that chance gives more rarely is a conflict
NOTHING_ADDED = 0.05  # of our teeth: below that, ours alone says it
PRINTED = 0.95  # of published ranges
MOST = 0.5  # the weight from which the component that says nothing outweighs the others' figures
TWO_FAILURES = 2.0  # one failure a group: a variance of 2 from two failures, so 4 from one
FARTHEST = 50.0


@dataclass(frozen=True)
class _Ours:
    """Our figure as the prior meets it; `variance` is None where none has failed, so that no error can be told."""

    range: EvidenceRange
    teeth: int
    failures: int
    variance: float | None


@dataclass(frozen=True)
class _Met:
    """A prior and ours, if there is one: the prior afterwards, how rare ours would be, and what all our teeth know."""

    prior: Mixture
    robust: Mixture
    ours: _Ours | None = None
    after: Updated | None = None
    rare: float = 1.0
    information: float = 0.0


@dataclass(frozen=True)
class Others:
    """What other practices gave, this practice's code, and how many of the files given were its own."""

    given: tuple[Contribution, ...] = ()
    code: str = ""
    own_files: int = 0
    borrowing: Borrowing = field(default_factory=Borrowing)


def evidence(
    benchmarks: Sequence[Benchmark], comparisons: Sequence[Comparison], others: Others, *, confidence: float
) -> Evidence:
    """Every figure of others that means the same as one of ours; the order of what is given changes nothing.

    Published figures are those of `benchmarks`, with ours where both can be compared; hazard ratios of ours, those of
    `comparisons`, meet those of the contributions of others, by the same rules as ours.
    """
    borrowing = others.borrowing
    shares, left_out = _published(benchmarks, borrowing, confidence)
    return Evidence(
        rows=(*_ratios(comparisons, others.given, borrowing, confidence), *shares),
        confidence=confidence,
        vague_weight=borrowing.vague_weight,
        between_shares=borrowing.between_shares,
        between_ratios=borrowing.between_ratios,
        others_files=len(others.given),
        own_files=others.own_files,
        left_out=left_out,
    )


def _published(
    benchmarks: Sequence[Benchmark], borrowing: Borrowing, confidence: float
) -> tuple[list[EvidenceRow], tuple[str, ...]]:
    """Shares at one time, by what they count; of one source that tells a share twice, the one from most teeth."""
    alike: dict[tuple[str, str, str, float], list[Benchmark]] = {}
    left_out = []
    for b in sorted(benchmarks, key=lambda b: b.benchmark_id):
        if b.horizon_years is None or not (b.comparable or b.disagrees == ("ours",)):
            continue
        if _published_error(b) is None:
            left_out.append(f"{b.citation}: neither a range nor a number of teeth, so it cannot be weighed.")
            continue
        alike.setdefault((b.event, b.start, b.teeth, b.horizon_years), []).append(b)
    rows = []
    for found in alike.values():
        by_source: dict[str, Benchmark] = {}
        for b in found:
            if b.citation not in by_source or (b.n or 0) > (by_source[b.citation].n or 0):
                by_source[b.citation] = b
        rows.append(_share_row(tuple(by_source.values()), borrowing, confidence))
    return rows, tuple(left_out)


def _share_row(found: Sequence[Benchmark], borrowing: Borrowing, confidence: float) -> EvidenceRow:
    first, errors = found[0], [_published_error(b) for b in found]
    assert first.horizon_years is not None
    shares, known = [_log_hazard(b.published) for b in found], [e for e in errors if e is not None]
    prior = predicted(shares, known, tau_scale=borrowing.between_shares)
    robust = with_vague(prior, weight=borrowing.vague_weight, mean=prior.mean, sd=1.0)
    counted = _our_count(first, confidence)
    met = _Met(prior, robust)
    if counted is not None:
        ours, failures, exposure = counted
        # Where none has failed, what is expected tells how much all our teeth know.
        information = 1 / ours.variance if ours.variance else exposure * math.exp(prior.mean)
        rare = surprise_by_count(prior, failures, exposure)
        met = _Met(prior, robust, ours, updated_by_count(robust, failures, exposure), rare, information)
    row = _row(
        met,
        lambda log: 100 * -math.expm1(-math.exp(log)),
        confidence,
        id=f"{first.event}:{first.start}:{first.teeth}:{first.horizon_years:g}",
        kind="share",
        about=(first.event, first.start, first.teeth),
        horizon_years=first.horizon_years,
        sources=tuple(b.citation for b in found),
    )
    return replace(row, verdict=share_verdict(row))


def _published_error(b: Benchmark) -> float | None:
    """Its standard error on the logarithm of the cumulative hazard: from its range, else as if all were followed."""
    share, low, high = b.published, b.published_low, b.published_high
    if share is None or not 0 < share < 1:
        return None
    if low is not None and high is not None and 0 < low < high < 1:
        return (_log_hazard(low) - _log_hazard(high)) / (2 * z_value(PRINTED))
    if b.n is None or b.n < 1:
        return None
    return math.sqrt((1 - share) / (b.n * share)) / -math.log(share)


def _our_count(b: Benchmark, confidence: float) -> tuple[_Ours, float, float] | None:
    """Ours as a count of failures in an exposure, in units of the horizon, with as much information as our curve.

    Teeth of one patient fail together: where the curve's error is wider than that of the failures alone, they count
    for fewer.
    """
    if b.ours is None or b.our_teeth is None or b.our_failures is None or b.our_tooth_years is None:
        return None
    assert b.horizon_years is not None
    failures, exposure = float(b.our_failures), b.our_tooth_years / b.horizon_years
    low, high = b.ours_low, b.ours_high
    if failures and 0 < b.ours < 1:
        if low is not None and high is not None and 0 < low < high < 1:
            error = (_log_hazard(low) - _log_hazard(high)) / (2 * z_value(confidence))
            failures = min(failures, error**-2)
        exposure = failures / -math.log(b.ours)
    tail = (1 - confidence) / 2
    least = float(chi2_quantile(tail, 2 * failures)) / 2 / exposure if failures else 0.0
    most = float(chi2_quantile(1 - tail, 2 * failures + 2)) / 2 / exposure
    ends = (1 - high, 1 - low) if low is not None and high is not None else (-math.expm1(-least), -math.expm1(-most))
    shown = EvidenceRange(100 * (1 - b.ours), 100 * ends[0], 100 * ends[1])
    variance = float(polygamma(1, failures)) if failures else None  # of the logarithm of a rate behind so many
    return _Ours(shown, b.our_teeth, b.our_failures, variance), failures, exposure


def _ratios(
    comparisons: Sequence[Comparison], others: Sequence[Contribution], borrowing: Borrowing, confidence: float
) -> list[EvidenceRow]:
    """Comparisons for which at least one other practice gave a ratio, adjusted ones where both have them."""
    compared = {c.id: c for c in comparisons}
    rows = []
    for asked in (q for q in questions().values() if not q.technique):
        given = [x for c in others for x in c.contrasts if x.id == asked.id]
        own = _our_estimates(asked, compared.get(asked.compared))
        adjusted = [x.adjusted for x in given if x.adjusted is not None]
        crude = [x.crude for x in given if x.crude is not None]
        both = bool(adjusted) and (not own or bool(own[-1].adjusted_for) or not crude)
        told = adjusted if both else crude
        if told:
            rows.append(_ratio_row(asked, told, _picked(own, adjusted=both), borrowing, confidence))
    return rows


def _our_estimates(asked: Pooled, compared: Comparison | None) -> list[Estimate]:
    """Our ratios of the same model, the least adjusted first; those without an error are left out."""
    contrast = f"{asked.group} vs {asked.reference}"
    found = [e for e in compared.estimates if (e.contrast, e.model) == (contrast, asked.model)] if compared else []
    known = [e for e in found if all(map(math.isfinite, (e.ci_low, e.ci_high))) and 0 < e.ci_low < e.ci_high]
    return sorted(known, key=lambda e: len(e.adjusted_for))


def _picked(own: Sequence[Estimate], *, adjusted: bool) -> Estimate | None:
    alike = [e for e in own if bool(e.adjusted_for) == adjusted]
    return (alike[-1] if adjusted else alike[0]) if alike else None


def _ratio_row(
    asked: Pooled, told: Sequence[Ratio], own: Estimate | None, borrowing: Borrowing, confidence: float
) -> EvidenceRow:
    prior = predicted(
        [r.log_hazard_ratio for r in told], [r.std_error for r in told], tau_scale=borrowing.between_ratios
    )
    unit, log, error = TWO_FAILURES, 0.0, 1.0
    if own is not None:
        log, error = math.log(own.hazard_ratio), math.log(own.ci_high / own.ci_low) / (2 * z_value(confidence))
        unit = error * math.sqrt(max(1, own.events))
    robust = with_vague(prior, weight=borrowing.vague_weight, mean=0.0, sd=unit)
    met = _Met(prior, robust)
    if own is not None:
        shown = EvidenceRange(own.hazard_ratio, own.ci_low, own.ci_high)
        ours = _Ours(shown, own.crowns, own.events, error**2)
        met = _Met(prior, robust, ours, updated(robust, log, error), surprise(prior, log, error), error**-2)
    row = _row(
        met,
        lambda log: math.exp(min(log, FARTHEST)),
        confidence,
        id=asked.id,
        kind="ratio",
        about=(asked.group, asked.reference, asked.outcome, asked.clock),
        horizon_years=None,
        sources=("another practice",) * len(told),
    )
    return replace(row, verdict=ratio_verdict(row, asked.labels))


def _row(
    met: _Met,
    say: Callable[[float], float],
    confidence: float,
    *,
    id: str,
    kind: str,
    about: tuple[str, ...],
    horizon_years: float | None,
    sources: tuple[str, ...],
) -> EvidenceRow:
    """One row but for its verdict; `say` takes the logarithm to what is shown."""
    ours, after = met.ours, met.after
    before, worth, rests_on, conflict = None, None, OTHERS, False
    if ours is not None and after is not None:
        before = effective_size(met.robust, math.sqrt(ours.teeth / met.information)) if met.information > 0 else None
        if ours.variance is not None:
            worth = added_size(ours.teeth, ours.variance, after.mixture.sd**2)
        conflict = met.rare < RARE or after.vague > MOST
        nothing_added = worth is not None and worth < NOTHING_ADDED * ours.teeth
        rests_on = OURS if conflict or nothing_added else TOGETHER
    return EvidenceRow(
        id=id,
        kind=kind,
        about=about,
        horizon_years=horizon_years,
        sources=sources,
        studies=len(sources),
        others=_range(met.prior, say, confidence),
        ours=ours.range if ours else None,
        together=_range(after.mixture, say, confidence) if after else None,
        our_teeth=ours.teeth if ours else None,
        our_failures=ours.failures if ours else None,
        worth_before=before,
        worth=worth,
        surprise=met.rare if ours else None,
        vague_weight=after.vague if after else None,
        conflict=conflict,
        rests_on=rests_on,
        verdict="",
    )


def _range(mixture: Mixture, say: Callable[[float], float], confidence: float) -> EvidenceRange:
    """Median and the middle `confidence` of it, on the scale that is shown."""
    tail = (1 - confidence) / 2
    return EvidenceRange(*(say(mixture.quantile(p)) for p in (0.5, tail, 1 - tail)))


def _log_hazard(share: float | None) -> float:
    """The logarithm of the cumulative hazard behind a share free of the event."""
    assert share is not None
    return math.log(-math.log(share))
