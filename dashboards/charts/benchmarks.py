"""Published figures beside ours: two dots a row, told apart by shape as well as by colour."""

import re
from collections.abc import Sequence

from dashboards import theme
from dashboards.charts.rows import Mark, Row, nice_top, rows_figure
from dashboards.formats import years
from pipeline.results.monitoring import Benchmark

OURS = theme.NEUTRAL[0]
THEIRS = theme.NEUTRAL[1]
# What ended it, short enough for a label that a telephone holds.
ENDED = {
    "tooth_lost": "Tooth lost",
    "endo_intervention": "Root canal redone or tooth lost",
    "endo_or_tooth_lost": "Root canal needed or tooth lost",
    "crown_lost": "Crown or tooth lost",
}


def benchmarks_chart(found: Sequence[Benchmark], *, id: str, label: str) -> theme.Chart | None:
    """Failures per 100, ours above the published; None where nothing can be compared."""
    rows = []
    for b in found:
        if b.ours is None or b.published is None or b.horizon_years is None:
            continue
        marks = (
            _mark(b.ours, b.ours_low, b.ours_high, OURS, "ours"),
            _mark(b.published, b.published_low, b.published_high, THEIRS, "published"),
        )
        rows.append(Row(f"{ENDED.get(b.event, 'Event')} by {years(b.horizon_years)}: {author(b)}", marks))
    if not rows:
        return None
    top = nice_top([v for r in rows for m in r.marks for v in (m.mid, m.high or 0.0)])
    figure, height = rows_figure(rows, title="With the event, of 100", span=(0, top), pitch=56)
    return theme.chart(figure, id=id, label=label, height=height)


def author(found: Benchmark) -> str:
    """First author and year: `Burry 2016`."""
    return author_of(found.citation)


def author_of(citation: str) -> str:
    """First author and year of a citation."""
    year = next(iter(re.findall(r"\b(?:19|20)\d\d\b", citation)), "")
    name = citation.split(",", maxsplit=1)[0].split(".", maxsplit=1)[0].strip()
    short = name if name.startswith("Authors") else " ".join(w for w in name.split() if not w.isupper())
    return f"{short} {year}".strip()


def _mark(mid: float, low: float | None, high: float | None, look: theme.Look, who: str) -> Mark:
    least, most = (None, None) if low is None or high is None else (100 * (1 - high), 100 * (1 - low))
    return Mark(100 * (1 - mid), least, most, look, f"{who}: %{{x:.0f}} of 100")
