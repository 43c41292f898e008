"""Tables of the owner page on clinicians, on failures over time and on published figures."""

from collections.abc import Sequence

from dashboards.charts.benchmarks import author
from dashboards.formats import DASH, count, decimal, listing, month, plural, sentence_case, whole
from dashboards.tables import NumberTable
from dashboards.terms import outcome
from dashboards.words.owner import EVENTS, differs_in, share_text, why_not
from pipeline.results.monitoring import Benchmark, FirstYear, FunnelRow, Monitoring, Running

SHORT = {
    "within": "within",
    "more_95": "above 95 %",
    "more_99_8": "above 99.8 %",
    "fewer_95": "below 95 %",
    "fewer_99_8": "below 99.8 %",
    "differ_95": "two differ, 95 %",
    "differ_99_8": "two differ, 99.8 %",
    "too_few": "too few to judge",
}


def funnel(found: Monitoring) -> NumberTable | None:
    """Observed and expected by clinician, by name."""
    if found.funnel is None:
        return None
    rows = tuple(
        (r.name, whole(r.teeth), whole(r.patients), whole(r.tooth_years), whole(r.observed), decimal(r.expected),
         decimal(r.ratio, 2), _limits(r), _likely(r), SHORT[r.standing])
        for r in found.funnel.rows
    )  # fmt: skip
    heads = ("Clinician", sentence_case(plural(2, outcome(found.outcome).noun)), "Patients", "Tooth-years", "Failed",
             "Expected from colleagues", "Multiple", "Limits of chance (95 %)", "Most likely multiple (95 % range)",
             "Mark")  # fmt: skip
    return NumberTable("Failures by clinician, in order of name", heads, rows, ("Mark",))


def _likely(row: FunnelRow) -> str:
    return f"{decimal(row.shrunk, 2)} ({decimal(row.shrunk_low, 2)} to {decimal(row.shrunk_high, 2)})"


def _limits(row: FunnelRow) -> str:
    if row.low_95 is None:
        return DASH
    return f"{decimal(row.low_95, 2)} to {DASH if row.high_95 is None else decimal(row.high_95, 2)}"


def by_year(found: Running) -> NumberTable:
    """The months of a running chart added up to years; the table is what the chart shows without a script."""
    rows = []
    for year in dict.fromkeys(m.month[:4] for m in found.months):
        months = [m for m in found.months if m.month.startswith(year)]
        signals = listing([month(f"{m.month}-01").split()[0] for m in months if m.signal]) or DASH
        rows.append(
            (year, whole(sum(m.observed for m in months)), decimal(sum(m.expected for m in months)),
             decimal(months[-1].gap), decimal(max(m.cusum for m in months), 2), signals)
        )  # fmt: skip
    heads = ("Year", "Failed", "Expected", "Running difference at its end", "Highest watch value", "Signals")
    return NumberTable(
        f"Failures by year; the watch signals at {found.threshold:.2f}", heads, tuple(rows), ("Signals",)
    )


def watches(found: Sequence[Running]) -> NumberTable | None:
    """The watch on each clinician, by name."""
    if not found:
        return None
    rows = tuple(
        (r.name, decimal(r.pace_a_year), decimal(r.months[-1].gap), decimal(r.months[-1].cusum, 2),
         f"{r.threshold:.2f}",
         count(max(1, round(r.delay_months)), "month"),
         listing([month(f"{m.month}-01") for m in r.months if m.signal]) or DASH)
        for r in found
    )  # fmt: skip
    heads = ("Clinician", "Expected a year", "Expected − failed so far", "Watch now", "Signals at",
             "Doubling noticed after", "Signalled in")  # fmt: skip
    return NumberTable("The watch on each clinician, in order of name", heads, rows, ("Signalled in",))


def first_year(found: FirstYear, noun: str) -> NumberTable:
    """Failures within a year by quarter; quarters that are not over are marked."""
    rows = []
    for r in found.rows:
        cells = (DASH, DASH, DASH)
        if r.share is not None:
            rng = (
                DASH
                if r.ci_low is None or r.ci_high is None
                else f"{decimal(100 * r.ci_low)} to {decimal(100 * r.ci_high)}"
            )
            cells = (decimal(100 * r.share), rng, DASH)
        if r.limit_low is not None and r.limit_high is not None:
            cells = (*cells[:2], f"{decimal(100 * r.limit_low)} to {decimal(100 * r.limit_high)}")
        mark = "year not over" if not r.complete else "outside" if r.outside else "within" if r.teeth else DASH
        rows.append((r.quarter.replace(" ", "\u00a0"), whole(r.teeth), whole(r.failures), *cells, mark))
    heads = ("Quarter", sentence_case(plural(2, noun)), "Failed so far, in their first year", "Of 100", "95 % range",
             "Limits of chance (99.8 %)", "Mark")  # fmt: skip
    return NumberTable("Failures within a year, by quarter", heads, tuple(rows), ("Mark",))


def beside_ours(found: Sequence[Benchmark]) -> NumberTable | None:
    """The comparable figures; their definitions stand beside in words."""
    rows = tuple(
        (f"{author(b)}: {EVENTS.get(b.event, b.event)}", f"{b.horizon_years:g}",
         DASH if b.our_teeth is None else whole(b.our_teeth), DASH if b.n is None else whole(b.n),
         share_text(b.ours, b.ours_low, b.ours_high), share_text(b.published, b.published_low, b.published_high))
        for b in found if b.comparable and b.horizon_years is not None
    )  # fmt: skip
    if not rows:
        return None
    heads = ("Source and what was counted", "Years", "Our teeth", "Their teeth", "Ours, free of it of 100",
             "Published, free of it of 100")  # fmt: skip
    return NumberTable("Published figures that count as we do", heads, rows)


def not_beside(found: Sequence[Benchmark]) -> NumberTable | None:
    """The shares of teeth that cannot be set beside ours, as printed, and how they differ.

    Those that differ least come first; those that differ in as many things keep the order in which they came. Ratios,
    laboratory values and the like are no shares of teeth and are left out.
    """
    rows = tuple(
        (author(b), sentence_case(b.definition) or DASH, b.population, b.figure or DASH, b.timing or DASH, why_not(b))
        for b in sorted((b for b in found if not b.comparable and b.disagrees != ("measure",)), key=differs_in)
    )
    if not rows:
        return None
    heads = ("Source", "What was counted", "Where", "As printed", "Years", "How it differs from ours")
    return NumberTable("Published shares of teeth that count differently", heads, rows, heads[1:])
