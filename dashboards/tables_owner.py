"""Tables of the owner page: clinicians, failures over time, published figures; early signs, what moved, trust."""

from collections.abc import Sequence

from dashboards import terms
from dashboards.charts.benchmarks import author
from dashboards.formats import (
    DASH,
    count,
    decimal,
    failed,
    in_place,
    listing,
    month,
    percent,
    plural,
    sentence_case,
    spread,
    whole,
    years,
)
from dashboards.tables import NumberTable, table_of
from dashboards.words import sheet as words_sheet
from dashboards.words.owner import EVENTS, differs_in, share_text, why_not
from pipeline.results.monitoring import Benchmark, FirstYear, FunnelRow, Monitoring, Running
from pipeline.results.owner import EarlySigns, Moved, Owner, SinceLastRun, Stretch

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
    return table_of("Failures by clinician, in order of name", found.funnel.rows, {
        "Clinician": lambda r: r.name,
        sentence_case(plural(2, terms.outcome(found.outcome).noun)): lambda r: whole(r.teeth),
        "Patients": lambda r: whole(r.patients),
        "Tooth-years": lambda r: whole(r.tooth_years),
        "Failed": lambda r: whole(r.observed),
        "Expected from colleagues": lambda r: decimal(r.expected),
        "Multiple": lambda r: decimal(r.ratio, 2),
        "Limits of chance (95 %)": _limits,
        "Most likely multiple (95 % range)": _likely,
        "Mark": lambda r: SHORT[r.standing],
    }, ("Mark",)) if found.funnel is not None else None  # fmt: skip


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
    return table_of("The watch on each clinician, in order of name", found, {
        "Clinician": lambda r: r.name,
        "Expected a year": lambda r: decimal(r.pace_a_year),
        "Expected − failed so far": lambda r: decimal(r.months[-1].gap),
        "Watch now": lambda r: decimal(r.months[-1].cusum, 2),
        "Signals at": lambda r: f"{r.threshold:.2f}",
        "Doubling noticed after": lambda r: count(max(1, round(r.delay_months)), "month"),
        "Signalled in": lambda r: listing([month(f"{m.month}-01") for m in r.months if m.signal]) or DASH,
    }, ("Signalled in",)) if found else None  # fmt: skip


def first_year(found: FirstYear, noun: str) -> NumberTable:
    """Failures within a year by quarter; quarters that are not over are marked."""
    return table_of("Failures within a year, by quarter", found.rows, {
        "Quarter": lambda r: r.quarter.replace(" ", "\u00a0"),
        sentence_case(plural(2, noun)): lambda r: whole(r.teeth),
        "Failed so far, in their first year": lambda r: whole(r.failures),
        "Of 100": lambda r: DASH if r.share is None else decimal(100 * r.share),
        "95 % range": lambda r: DASH if r.share is None else _of_100(r.ci_low, r.ci_high),
        "Limits of chance (99.8 %)": lambda r: _of_100(r.limit_low, r.limit_high),
        "Mark": lambda r: "year not over" if not r.complete
        else "outside" if r.outside else "within" if r.teeth else DASH,
    }, ("Mark",))  # fmt: skip


def _of_100(low: float | None, high: float | None) -> str:
    return DASH if low is None or high is None else f"{decimal(100 * low)} to {decimal(100 * high)}"


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


def early(found: EarlySigns) -> NumberTable | None:
    """Failures of 100 by each of the early years, with range and how many are still followed."""
    if not found.rows:
        return None
    heads = ["Begun in", "Teeth"]
    for y in found.years:
        heads += [f"Failed by {years(y)}, of 100 (range)", f"Still followed at {years(y)}"]
    rows = tuple(
        (row.name, whole(row.at[0].teeth), *(cell for s in row.at for cell in (_failed(s), whole(s.followed))))
        for row in found.rows
    )
    return NumberTable(f"{words_sheet.name_of(found.outcome)}: failed early, by year begun", tuple(heads), rows)


def moved(found: SinceLastRun | None) -> NumberTable | None:
    """Figures that are not what they were in the last run; None where all are, or there was none."""
    rows = [
        m for m in (found.moved if found else ())
        if _figure(m, m.before) != _figure(m, m.now) or m.verdict_before != m.verdict_now
    ]  # fmt: skip
    return table_of("What moved since the last run", rows, {
        "Figure": lambda m: f"{words_sheet.name_of(m.outcome)}: {words_sheet.figure(m.by)}",
        "Then": lambda m: _figure(m, m.before),
        "Now": lambda m: _figure(m, m.now),
        "Verdict then": lambda m: _verdict(m.verdict_before),
        "Verdict now": lambda m: _verdict(m.verdict_now),
    }, ("Verdict then", "Verdict now")) if rows else None  # fmt: skip


def grades(owner: Owner) -> NumberTable | None:
    """Everything that the trust in each rate hangs on, as measured."""
    heads = {"followed": "Follow-up seen to its years", "set_aside": "Rows set aside",
             "day_guessed": "Day guessed; a posted day is known", "order_uncertain": "Order unsure",
             "range": "Half the range"}  # fmt: skip
    found = [(s.outcome, "", s.trust) for s in owner.lines]
    found += [(e.outcome, ", early signs", e.trust) for e in owner.early]
    rows = []
    for outcome, what, trust in found:
        told = {m.name: f"{_share(m.name, m.share)} ({m.grade})" for m in reversed(trust.measured)}
        cells = (told.get(name, DASH) for name in heads)
        rows.append((f"{words_sheet.name_of(outcome)}{what}", terms.verdict(trust.grade), *cells))
    named = ("Figure", "Grade", *heads.values())
    return NumberTable("What each grade hangs on", named, tuple(rows), ("Grade",)) if rows else None


def _share(name: str, share: float) -> str:
    return f"{decimal(100 * share)} of 100" if name == "range" else percent(share, 1)


def _failed(found: Stretch) -> str:
    if found.survival is None or found.ci_low is None or found.ci_high is None:
        return DASH if found.survival is None else f"{failed(found.survival)}"
    return f"{failed(found.survival)} ({spread(failed(found.ci_high), failed(found.ci_low))})"


def _figure(m: Moved, value: float | None) -> str:
    """A rate in whole teeth of 100, a comparison in failures more, to a tenth."""
    if value is None:
        return DASH
    return f"{in_place(value)} of 100" if m.by == "rate" else decimal(value)


def _verdict(code: str) -> str:
    return sentence_case(words_sheet.CAN.get(code, code)) if code else DASH
