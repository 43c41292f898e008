"""What pooling found, in words; every number comes from the same object as the charts."""

import math
from collections.abc import Callable, Sequence

from pipeline.practice.counts import count, years
from pipeline.questions.verdict import CANNOT_TELL, DIFFERS, LITTLE_DIFFERENCE, TOO_EARLY
from pipeline.release.pool.agreed import Pooled
from pipeline.release.pool.contribution import Contrast
from pipeline.results.pooled import PooledValue, PooledVerdict
from pipeline.results.safety import spoken_code, with_caution
from pipeline.stats.meta_analysis import MetaAnalysis

CAUTIONS = (
    "These are the records of several practices put together. They show association, not cause: teeth were not "
    "assigned to treatments by chance in any of them, and the same bias in all of them does not cancel out.",
    "They are no advice for any one patient. Follow local standards, licensed judgement and privacy law.",
    "A patient who went to two of the practices counts in both. Counts are rounded before they leave a practice, so "
    "sums are near, not exact.",
    "Practices that contribute chose to do so; they may not be like others.",
)
FEW = 5
WIDEST = 10  # smallest differences that matter: a range wider than so many of them leaves nearly everything open
_CHANCE = 0.1


def heterogeneity(kind: str, found: MetaAnalysis, *, say: Callable[[float], float]) -> tuple[str, ...]:
    """How far the practices disagree."""
    n = found.studies
    if n == 2:
        return ("Two practices alone cannot show how far practices differ; the range is wide because of that.",)
    share = (
        f"{100 * found.i2:.0f} % of the spread between the practices' values is more than chance "
        f"(I2; range {100 * found.i2_low:.0f} to {100 * found.i2_high:.0f} %)"
    )
    if found.q_p < _CHANCE:
        first = f"The {n} practices differ by more than chance: {share}; test of equality p {_p(found.q_p)}."
    elif found.i2 * 100 >= 0.5:
        first = f"The {n} practices differ no more than chance might have it: {share}; p {_p(found.q_p)}."
    else:
        first = (
            f"The {n} practices differ no more than chance would have it (I2 0 %, range 0 to {100 * found.i2_high:.0f} "
            f"%; p {_p(found.q_p)})."
        )
    out = [first]
    if n < FEW:
        out.append(f"With {n} practices this is told badly: agreement seen here is no proof of agreement.")
    low, high = say(found.predicted_low), say(found.predicted_high)
    out.append(f"In one further practice like these the true value would probably lie from {_values(kind, low, high)}.")
    return tuple(out)


def left_out(kind: str, found: MetaAnalysis, without: Sequence[MetaAnalysis], *, say: Callable[[float], float]) -> str:
    """Whether the result hangs on one practice."""
    if not without:
        return "With fewer than three practices none can be left out."
    low, high = say(min(m.estimate for m in without)), say(max(m.estimate for m in without))
    between = f"Leaving out any one practice gives values from {_values(kind, low, high)}"
    clear = _excludes(found)
    turned = sum(_excludes(m) != clear for m in without)
    if not turned:
        return f"{between}; the range {'stays clear of' if clear else 'still holds'} no difference each time."
    times = "each time" if turned == len(without) else "once" if turned == 1 else f"{turned} times"
    return f"{between}; {times} the range {'then holds' if clear else 'is then clear of'} no difference."


def write_verdict(
    code: str,
    asked: Pooled,
    gap: PooledValue | None,
    ratio: PooledValue | None,
    *,
    horizon: float,
    smallest: float,
    gave: int,
    withheld_among: int = 0,
) -> PooledVerdict:
    """The verdict in plain words, whole teeth per 100.

    `gave` counts the practices that gave a difference, `withheld_among` the technique questions among which one that
    alone would pass for a difference is no longer claimed; 0 where nothing is withheld. The ratio leads where no
    difference tells: where none was pooled, or its range leaves nearly all of 100 open.
    """
    code = spoken_code(code, safety=asked.safety)
    group, reference = (_lower(label) for label in asked.labels)
    doubt = (
        "No practice assigned its teeth by chance: whatever led to one treatment rather than the other may itself "
        "decide how long a tooth or crown lasts, in all practices alike."
    )
    if code == CANNOT_TELL and ratio is not None and not withheld_among and not tells(gap, smallest):
        return _by_ratio(asked, gap, ratio, horizon=horizon, smallest=smallest, doubt=doubt)
    if code == TOO_EARLY or gap is None:
        said = {0: "No practice gave", 1: "Only 1 practice gave"}.get(gave, f"The {gave} practices gave")
        what = "a difference" if gave < 2 else "too few failures for a comparison"
        sentence = (
            f"{said} {what} at {years(horizon)}: too early to pool the failures with {group} and with {reference}."
        )
        return PooledVerdict(
            TOO_EARLY,
            with_caution(sentence, safety=asked.safety),
            "No range is given for fewer than two practices, or too few failures.",
            doubt,
            "Pool again when more practices follow both groups that long.",
        )
    practices = len(gap.parts)
    by, spread = f"by {years(horizon)}", _range(gap.low, gap.high)
    over = f"Over {practices} practices"
    sentences = {
        LITTLE_DIFFERENCE: (
            f"{over}, any difference {by} is probably smaller than {smallest:g} per 100 ({spread} per 100)."
        ),
        DIFFERS: (
            f"{over}, {_more(gap.value)} per 100 with {group} than with {reference} {by} ({spread} per 100); this may "
            "be due to which teeth were treated which way."
        ),
        CANNOT_TELL: (
            f"{over}, with {group} instead of {reference} it could be {spread} per 100 {by}: we cannot tell yet."
        ),
    }
    sentence = with_caution(sentences[code], safety=asked.safety)
    if withheld_among:
        sentence += (
            f" Alone it would pass for a difference, but {withheld_among} technique comparisons were pooled: among so "
            "many, one like it comes up by chance too often."
        )
    return PooledVerdict(
        code, sentence, f"The range that the practices allow is {spread} per 100.", doubt, _next(code, practices)
    )


def tells(gap: PooledValue | None, smallest: float) -> bool:
    """Whether a pooled difference may lead: its range does not leave nearly all of 100 open."""
    return gap is not None and gap.high - gap.low <= WIDEST * smallest


def _by_ratio(
    asked: Pooled, gap: PooledValue | None, ratio: PooledValue, *, horizon: float, smallest: float, doubt: str
) -> PooledVerdict:
    """A verdict that cannot tell, led by the ratio: no number of 100 is told that says nothing."""
    group, reference = (_lower(label) for label in asked.labels)
    practices, spread = len(ratio.parts), f"{_ratio(ratio.low)} to {_ratio(ratio.high)}"
    crude = "" if ratio.kind == "adjusted" else ", not adjusted for how the teeth differ"
    why = (
        f"too few practices tell it in steps as fine as the {smallest:g} that matter"
        if gap is None
        else f"the range is wider than {WIDEST * smallest:g}"
    )
    cannot = (
        "we cannot tell yet"
        if ratio.low <= 1 <= ratio.high
        else "alone this would pass for a difference, but one that is claimed must show per 100 too, so "
        "we cannot tell yet"
    )
    sentence = (
        f"Over {practices} practices, failures came {_ratio(ratio.value)} times as fast with {group} as with "
        f"{reference} (range {spread}{crude}): {cannot}. How many more or fewer of 100 by {years(horizon)} "
        f"is not said: {why}."
    )
    return PooledVerdict(
        CANNOT_TELL,
        with_caution(sentence, safety=asked.safety),
        f"The range of the ratio that the practices allow is {spread}.",
        doubt,
        _next(CANNOT_TELL, practices),
    )


def notes(given: Sequence[Contrast], smallest: float, *, pooled: int) -> tuple[str, ...]:
    """What the reader should know of how the practices' figures were made; `pooled` differences were put together."""
    out = []
    coarse = sum(x.gap is not None and x.gap.step > smallest for x in given)
    if coarse:
        out.append(
            f"{_practices(coarse)} gave a difference in steps wider than {smallest:g} per 100, which was left out: it "
            "could not tell whether there is one that matters."
        )
    gaps = [x.gap for x in given if x.gap is not None and x.gap.step <= smallest]
    lacking = len(given) - len(gaps) - coarse
    if lacking:
        out.append(f"{_practices(lacking)} gave no difference: too few teeth or failures, or not followed for as long.")
    crude = sum(not g.adjusted for g in gaps)
    if crude and 2 <= pooled < len(gaps):
        out.append(f"{_practices(crude)} gave an unadjusted difference, which was left out.")
    elif crude == len(gaps) and crude:
        out.append("The differences are not adjusted.")
    elif crude:
        out.append(f"{_practices(crude)} gave an unadjusted difference, the others an adjusted one.")
    late = sum(not g.from_start for g in gaps)
    if late:
        out.append(
            f"In {_practices(late)} the difference counts from the day on which enough of both groups are followed, "
            "which is not the same day everywhere."
        )
    sets = {x.adjusted.adjusted_for for x in given if x.adjusted is not None}
    if len(sets) > 1:
        out.append("Practices adjust for different characteristics, as far as each records them.")
    hidden = sum(None in (x.group.failures, x.reference.failures) for x in given)
    if hidden:
        out.append(f"{_practices(hidden)} had too few teeth or failures in a group to tell them, and gave no ratio.")
    return tuple(out)


def _next(code: str, practices: int) -> str:
    if code != CANNOT_TELL:
        return "Pool again in a year, or when further practices join."
    if practices < FEW:
        return (
            f"With {practices} practices the range is wide however many teeth they have; more practices narrow it most."
        )
    return "More practices, or more years of records, would narrow the range."


def _excludes(m: MetaAnalysis) -> bool:
    return m.low > 0 or m.high < 0


def _values(kind: str, low: float, high: float) -> str:
    if kind == "difference":
        return f"{_range(low, high)} per 100"
    return f"{_ratio(low)} to {_ratio(high)}"


def _ratio(value: float) -> str:
    if value < 0.01:
        return "below 0.01"
    return f"{value:.2f}" if value < 100 else "above 100"


def _range(low: float, high: float) -> str:
    low, high = max(-100, math.floor(low + 0.5)), min(100, math.floor(high + 0.5))
    if low >= 0:
        return f"{low} to {high} more"
    if high <= 0:
        return f"{-high} to {-low} fewer"
    return f"{-low} fewer to {high} more"


def _more(per_100: float) -> str:
    n = math.floor(abs(per_100) + 0.5)
    return count(n, f"{'more' if per_100 > 0 else 'fewer'} failure") if n else "about as many failures"


def _lower(label: str) -> str:
    """The first letter small, unless it begins an abbreviation."""
    return label if label[1:2].isupper() else label[:1].lower() + label[1:]


def _practices(n: int) -> str:
    return count(n, "practice")


def _p(p: float) -> str:
    return "below 0.001" if p < 0.001 else f"{p:.2f}" if p >= 0.1 else f"{p:.3f}"
