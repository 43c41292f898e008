"""Failures per 100 tooth-years of each clinician before a technique was taken up and by case number after it."""

from collections.abc import Sequence

from dashboards import theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure
from dashboards.formats import whole
from pipeline.results.technique import LearningClinician, LearningSpan

BEFORE = theme.NEUTRAL[1]
AFTER = theme.NEUTRAL[0]
PITCH = 34


def learning_chart(clinicians: Sequence[LearningClinician], *, id: str, label: str) -> theme.Chart | None:
    """One row a stretch, clinicians in the order given; None where no stretch is large enough to be shown."""
    shown = [(c.clinician, span) for c in clinicians for span in c.spans]
    if not shown:
        return None
    rows = [
        Row(
            f"{who}: {span_name(span)}",
            (
                Mark(
                    span.rate_per_100_tooth_years,
                    span.rate_ci_low,
                    span.rate_ci_high,
                    BEFORE if span.first_case is None else AFTER,
                    "%{x:.1f} per 100 tooth-years",
                ),
            ),
        )
        for who, span in shown
    ]
    top = nice_top([min(span.rate_ci_high, 4 * span.rate_per_100_tooth_years + 5) for _, span in shown])
    figure, height = rows_figure(rows, title="Failures per 100 tooth-years", span=(0, top), pitch=PITCH, beside=True)
    return theme.chart(figure, id=id, label=label, height=height)


def span_name(span: LearningSpan) -> str:
    """A stretch in words: `before`, `cases 1 to 20`, `cases from 51`."""
    if span.first_case is None:
        return "before"
    if span.last_case is None:
        return f"cases from {whole(span.first_case)}"
    return f"cases {whole(span.first_case)} to {whole(span.last_case)}"
