"""What a comparison could not have shown, how alike the teeth were, other ways to count: sentences and headings."""

from collections.abc import Sequence

from dashboards.charts.balance import LINE, MOST, in_order
from dashboards.charts.choices import sorted_rows
from dashboards.formats import count, known, listing, plural, range_more_or_fewer, ratio, whole
from dashboards.words.answers import between
from dashboards.words.comparisons import difference_core
from pipeline.results import BalanceRow, Choices, Comparison, Difference, Robustness


def method_sentence(difference: Difference) -> str:
    """How the difference was worked out, and so whether it is adjusted."""
    return f"How it was worked out: {difference.method.rstrip('.')}." if difference.method else ""


def crude_sentence(crude: Difference, labels: dict[str, str], noun: str) -> str:
    """The difference before adjustment, in words."""
    mid, low, high = (round(v) for v in (crude.per_100, crude.ci_low, crude.ci_high))
    group, reference = (labels.get(n, n) for n in (crude.group, crude.reference))
    core = difference_core(mid, group, reference, crude.years, noun)
    return f"Not adjusted: {core[:1].lower()}{core[1:]}; the range is {range_more_or_fewer(low, high)}."


def ratio_sentence(c: Comparison) -> str:
    """What a hazard ratio means here: never more than the test of its steadiness allows."""
    text = "A hazard ratio of 2 means that failures came twice as fast among teeth still in place"
    if c.steady is None or c.steady.steady is None:
        text += ", on average over the time followed; whether that holds all along is not known"
    elif not c.steady.steady:
        text += (
            ", on average over whoever was followed. Here the ratio changes over time, so the one number describes no "
            "single year"
        )
    return f"{text}. Ranges allow for teeth that share a patient."


def beside_sentences(c: Comparison) -> list[str]:
    """Whether the ratio is steady, the mean years in place, and the same patients."""
    said = [c.steady.sentence] if c.steady is not None else []
    if c.steady is not None and c.steady.overall is not None:
        value, low, high = c.steady.overall
        fast = f"failures came {value:.1f} times as fast on the whole ({low:.1f} to {high:.1f})"
        said.append(f"Over the years that are compared, {fast}.")
    return said + [found.sentence for found in (c.mean_years, c.within_patient) if found is not None]


def robustness_sentences(robustness: Robustness, smallest: float) -> list[str]:
    """What could have been seen, and what an unrecorded reason would have to do."""
    said = []
    if robustness.detectable_per_100 is not None and known(robustness.detectable_per_100):
        said.append(
            f"These records would have shown a difference of about {max(round(robustness.detectable_per_100), 1)} per "
            "100 4 times in 5; a smaller one may well have been missed. Fixed beforehand as large enough to matter: "
            f"{smallest:g} per 100."
        )
    return [*said, *filter(None, [e_value_sentence(robustness)])]


def e_value_sentence(robustness: Robustness) -> str:
    """The E-value beside the largest measured difference; nothing where no difference is claimed."""
    if robustness.e_value is None or not known(robustness.e_value):
        return ""
    limit, worst = robustness.e_value_limit, in_order(robustness.balance)[:1]
    to_none = f"; {limit:.1f} would take its range to no difference" if limit is not None and known(limit) else ""
    beside = [
        f" For comparison, what was recorded differs most in {r.label}, by {r.before:.2f} standard deviations."
        for r in worst
    ]
    return (
        "To explain the difference away, something not recorded would have to go with the way of treating and with "
        f"failure, each by a ratio of {robustness.e_value:.1f} or more, over and above what is adjusted for{to_none}."
        f"{''.join(beside)}"
    )


def balance_sentence(rows: Sequence[BalanceRow]) -> str:
    """How many characteristics differ by more than the customary line, before and after weighting."""
    found = in_order(rows)
    if not found:
        return ""
    over = [r for r in found if r.before > LINE]
    text = f"{len(over)} of {count(len(found), 'characteristic')} {plural(len(over), 'differs')} by more than {LINE:g}"
    if over:
        text += f", most of all {over[0].label} ({over[0].before:.2f})"
    weighted = [r for r in found if r.after is not None and known(r.after)]
    if weighted:
        still = sum((r.after or 0) > LINE for r in weighted)
        text += f"; after weighting {still} of {len(weighted)} {plural(still, 'does')}"
    tail = f" The chart shows the {MOST} most unlike." if len(found) > MOST else ""
    return f"{text}. Up to {LINE:g} is customarily taken as alike.{tail}"


def balance_label(rows: Sequence[BalanceRow], title: str) -> str:
    """The accessible name of the balance chart of the comparison called `title`."""
    parts = [
        f"{r.label} {r.before:.2f}" + ("" if r.after is None else f", after weighting {r.after:.2f}")
        for r in in_order(rows)[:MOST]
    ]
    return f"{title}: absolute standardised differences, line at {LINE:g}: {'; '.join(parts)}."


def choices_sentence(choices: Choices) -> str:
    """How many combinations, from where to where their differences run, and where the main one stands."""
    drawn = sorted_rows(choices)
    if not drawn:
        return f"None of {count(len(choices.rows), 'combination')} of choices allows a difference by the horizon."
    values = [round(c.per_100 or 0) for c in drawn]
    # From the lower to the higher; rounding them one by one keeps their order.
    text = (
        f"The difference could be given in {whole(len(drawn))} of {count(len(choices.rows), 'way')} to count; over "
        f"these it runs from {_signed(values[0])} to {_signed(values[-1])} failures per 100"
    )
    main = next((i for i, c in enumerate(drawn) if c.is_main), None)
    if main is not None:
        text += f", and the main way, the diamond, gives {_signed(values[main])}"
    return f"{text}."


def choices_short(choices: Choices) -> str:
    """`: 1 fewer to 6 more of 100, each without its range`; empty where none allows a difference."""
    values = [round(c.per_100 or 0) for c in sorted_rows(choices)]
    return f": {range_more_or_fewer(values[0], values[-1])} of 100, each without its range" if values else ""


def verdicts_sentence(choices: Choices, names: dict[str, str]) -> str:
    """How often each verdict came out."""
    parts = [f"{names.get(code, code).lower()} in {n}" for code, n in sorted(choices.verdicts.items()) if n]
    return f"Verdicts over the ways to count: {listing(parts)}." if parts else ""


def _signed(value: int) -> str:
    return "0" if value == 0 else f"{abs(value)} {'more' if value > 0 else 'fewer'}"


def part_headings(c: Comparison) -> dict[str, str]:
    """The findings that closed parts are headed by, by the names of the template; a topic where there is no figure."""
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
