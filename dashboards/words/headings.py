"""The findings that the closed parts of a comparison are headed by; the topic of one where there is no figure."""

from dashboards.formats import count, known, listing, ratio, whole
from dashboards.words.answers import between
from pipeline.results import Comparison


def of_parts(c: Comparison) -> dict[str, str]:
    """Every heading by the name that the template knows it by."""
    return {
        "difference_heading": _difference(c),
        "missed_heading": _missed(c),
        "leaving_heading": _leaving(c),
        "model_heading": _model(c),
        "flow_heading": _flow(c),
    }


def _difference(c: Comparison) -> str:
    d = c.difference
    return f"The difference: {between(d.ci_low, d.ci_high)} of 100" if d else "No difference"


def _missed(c: Comparison) -> str:
    least = c.robustness.detectable_per_100 if c.robustness is not None else None
    if least is None or not known(least):
        return "What these records could not show"
    return f"Differences under {max(round(least), 1)} of 100 may be missed"


def _leaving(c: Comparison) -> str:
    lost = c.robustness.leaving.lost if c.robustness is not None and c.robustness.leaving is not None else ()
    if not any(g.lost for g in lost):
        return "Nobody was lost from sight"
    counts = listing([whole(g.lost) for g in lost])
    return f"Lost from sight: {counts}"


def _model(c: Comparison) -> str:
    asked = f"{c.difference.group} vs {c.difference.reference}" if c.difference is not None else ""
    adjusted = [e for e in c.estimates if e.contrast == asked and e.adjusted_for]
    if not adjusted:
        return "Hazard ratios, for those who want the model"
    e = adjusted[-1]
    return f"Hazard ratio, adjusted: {ratio(e.hazard_ratio)} ({ratio(e.ci_low)} to {ratio(e.ci_high)})"


def _flow(c: Comparison) -> str:
    if not c.flow:
        return ""
    first, last = c.flow[0], c.flow[-1]
    return f"{whole(last.left)} counted, of {count(first.left, first.unit.removesuffix('s'))}"
