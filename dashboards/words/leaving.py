"""Sentences on those who stopped coming: how many, the figure that allows for them, and what would turn the verdict."""

from collections.abc import Mapping

from dashboards import terms
from dashboards.formats import count, known, listing, plural, range_more_or_fewer, ratio, whole, years
from pipeline.results import Comparison
from pipeline.results.leaving import Leaving, Tipping, Weighed

FASTEST = 100  # a ratio above this is said to be at once


def leaving_sentences(c: Comparison) -> list[str]:
    """Who was lost from sight; the weighted figure; what would turn the verdict, or that nothing would."""
    found = c.robustness.leaving if c.robustness else None
    if found is None:
        return []
    said = [_lost(c, found), *found.notes]
    if found.weighed is not None:
        said.append(weighed_sentence(found.weighed, c))
    if found.tipping and found.verdict != c.verdict.code:
        told = terms.verdict(found.verdict).lower()
        said.append(f"Here the range is taken alone, and says “{told}”; the verdict above asks more of it.")
    return [text for text in (*said, *tipping_sentences(found, c)) if text]


def weighed_sentence(w: Weighed, c: Comparison) -> str:
    """The main figure as if leaving had nothing to do with what is recorded, beside the one without weights."""
    main, parts = c.difference, []
    if main is not None and w.per_100 is not None and w.ci_low is not None and w.ci_high is not None:
        noun = plural(2, "failure")
        value = _more(w.per_100)
        spread = range_more_or_fewer(round(w.ci_low), round(w.ci_high))
        parts.append(f"{value} {noun} per 100 (range {spread}), against {_more(main.per_100)} without")
    if w.hazard_ratio is not None:
        parts.append(f"ratio {ratio(w.hazard_ratio)} ({ratio(w.hr_low)} to {ratio(w.hr_high)})")
    if not parts:
        return ""
    crowns = count(w.teeth, terms.outcome(c.outcome).noun)
    return (
        f"Allowing for who left, by what is recorded: {'; '.join(parts)}. {whole(w.left)} of {crowns} were lost for "
        f"good; leaving was modelled on {listing(w.reasons)}{_pace(w)}. Weights run from {w.weight_low:.2g} to "
        f"{w.weight_high:.2g}, {whole(w.truncated)} of {whole(w.stretches)} set back to the 1st or 99th of 100. What "
        "made patients leave and was not written down is not allowed for."
    )


def tipping_sentences(found: Leaving, c: Comparison) -> list[str]:
    """What must have become of those lost for the verdict to turn, one sentence for each way that turns it."""
    labels = {g.name: g.label.lower() for g in c.groups}
    said = [tipping_sentence(t, found, c, labels) for t in found.tipping if t.extra_per_100 is not None]
    for group in found.lost:
        ways = [t.more for t in found.tipping if t.group == group.group and t.extra_per_100 is None]
        if ways:
            lost = count(group.lost, terms.outcome(c.outcome).noun)
            said.append(
                f"Even if {_fate(ways)}, the {lost} lost from sight with {labels.get(group.group, group.group)} could "
                f"not turn what the range alone says (“{terms.verdict(found.verdict).lower()}”)."
            )
    return said


def tipping_sentence(t: Tipping, found: Leaving, c: Comparison, labels: Mapping[str, str]) -> str:
    """If of 100 lost so many more had failed than of those still seen, what the range alone says would turn."""
    extra = max(1, round(abs(t.extra_per_100 or 0.0)))
    noun = plural(2, terms.outcome(c.outcome).noun)
    pace = ""
    if t.ratio is not None and known(t.ratio):
        pace = " (failing at once)" if t.ratio > FASTEST else f" (failing {_times(t.ratio)} as fast from then on)"
    which, than = labels.get(t.group, t.group), "more" if t.more else "fewer"
    return (
        f"If, of 100 {noun} lost from sight with {which}, {extra} {than} had failed by {_years(c)} than "
        f"of those still seen{pace}, what the range alone says would turn from "
        f"“{terms.verdict(found.verdict).lower()}” to “{_turned(t, found)}”."
    )


def _fate(ways: list[bool]) -> str:
    if len(ways) > 1:
        return "all of them had failed soon after, or none"
    return "all of them had failed soon after" if ways[0] else "none of them had failed"


def _turned(t: Tipping, found: Leaving) -> str:
    name = terms.verdict(t.verdict).lower()
    return f"{name}, the other way round" if t.verdict == found.verdict else name


def _lost(c: Comparison, found: Leaving) -> str:
    noun = terms.outcome(c.outcome).noun
    labels = {g.name: g.label.lower() for g in c.groups}
    parts = [f"{whole(g.lost)} of {count(g.teeth, noun)} with {labels.get(g.group, g.group)}" for g in found.lost]
    if not any(g.lost for g in found.lost):
        return f"Nobody was lost from sight before {_years(c)}."
    return (
        f"Lost from sight before {_years(c)}: {listing(parts)}. Lost means last seen more than "
        f"{round(found.away_days / 30.4375)} months before these records end; the figures take them to fare as those "
        "still seen."
    )


def _years(c: Comparison) -> str:
    """The year by which the difference counts, which may be earlier than the horizon."""
    return years(c.difference.years if c.difference is not None else c.horizon_years)


def _pace(w: Weighed) -> str:
    if w.leaves_ratio is None or not known(w.leaves_ratio):
        return ""
    return f" (patients with an opened crown left {_times(w.leaves_ratio)} as fast as those treated before the seat)"


def _times(value: float) -> str:
    return f"{value:.1f} times" if value >= 0.95 else f"{value:.2g} times"


def _more(per_100: float) -> str:
    n = round(per_100)
    return "about as many" if n == 0 else f"{abs(n)} {'more' if n > 0 else 'fewer'}"
