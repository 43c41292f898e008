"""Sentences on what others found and what ours adds; each computed."""

import math
from collections.abc import Sequence

from dashboards.charts.benchmarks import ENDED, author_of
from dashboards.formats import count, decimal, listing, ratio, sentence_case, spread, whole, years
from pipeline.practice.outcomes import outcome
from pipeline.results.evidence import Evidence, EvidenceRange, EvidenceRow

SERIES = {
    ("share", "others"): "published alone: what to expect of a practice like theirs",
    ("share", "ours"): "ours alone",
    ("share", "together"): "the two together",
    ("ratio", "others"): "other practices alone: what to expect of one more like them",
    ("ratio", "ours"): "ours alone",
    ("ratio", "together"): "all together",
}
SINCE = {
    "since_seat": "from the seat",
    "since_opening_or_seat": "from the opening or the seat",
    "since_completion": "from the root canal",
    "since_landmark": "from when it was settled",
}
RESTS = {"together": "both together", "ours": "ours alone", "others": "the others alone"}


def series(who: str, kind: str) -> str:
    """What one of the three marks is."""
    return SERIES[kind, who]


def row_label(row: EvidenceRow) -> str:
    """A row of the chart: what is counted, short enough for a telephone."""
    if row.kind == "ratio":
        return f"{sentence_case(outcome(row.about[2]).happened.replace(' were', ''))}, {SINCE[row.about[3]]}"
    return f"{ENDED[row.about[0]]} by {years(row.horizon_years or 0)}"


def intro(found: Evidence, rows: Sequence[EvidenceRow]) -> list[str]:
    """How the three come about, for rows of one kind."""
    if not rows:
        return []
    shares = rows[0].kind == "share"
    them = "Published figures" if shares else "Figures of other practices"
    between = found.between_shares if shares else found.between_ratios
    once = sum(r.studies == 1 for r in rows)
    single = (
        f" Of {count(once, 'figure')} there is one published source each, which cannot show how far practices differ; "
        "that is then assumed."
        if once
        else ""
    )
    basis = "no source for shares of teeth, chosen" if shares else "as is usual for such ratios"
    return [
        f"{them} say what to expect of a practice like theirs, no more: practices differ, so their range is wider than "
        "their own figures alone would have it. Unless the sources show otherwise, a practice is taken to lie some "
        f"{_factor(0.674, between)} times above or below their average, rarely over {_factor(1.96, between)} times "
        f"({basis}).{single} Beside them stands ours alone, and then the two put together.",
        f"Others are believed with a weight of {round(100 * (1 - found.vague_weight))} of 100 at the outset; the "
        "further ours lies from theirs, the less. Where the two conflict, ours leads. The verdicts on ours alone stay "
        "as they are, whatever others found; no more is claimed of the two together, as no range here allows for how "
        "many figures are looked at.",
    ]


def nothing(found: Evidence, kind: str) -> str:
    """Said once where nothing of others means the same as ours."""
    if kind == "share":
        return "No published share that we have read counts as we do, so there is nothing to put together with ours."
    own = f" {count(found.own_files, 'file')} given {'is' if found.own_files == 1 else 'are'} our own."
    return (
        "No published ratio that we have read compares the same groups on the same clock until the same event, and no "
        "file of another practice that tells of one was given, so our comparisons stand alone."
        f"{own if found.own_files else ''}"
    )


def heading(rows: Sequence[EvidenceRow], kind: str) -> str:
    """What others' figures add to ours, for a heading."""
    if not rows:
        what = "share" if kind == "share" else "comparison"
        return f"No published {what} is like ours, so ours stand alone"
    alone = sum(r.rests_on == "ours" for r in rows)
    if not alone:
        return f"What others found bears on {count(len(rows), 'figure')} of ours"
    little = "hardly narrows the range of ours" + (" or conflicts with it" if any(r.conflict for r in rows) else "")
    return f"In {whole(alone)} of {count(len(rows), 'figure')} what others found {little}"


def worth_sentence(row: EvidenceRow) -> str:
    """How many of our teeth others' figures are worth here."""
    if row.ours is None or row.conflict:
        return ""
    if row.worth is not None:
        much = f"Theirs narrowed the range as much as {_about(row.worth, noun(row))} more of ours would."
        return much if row.rests_on == "together" else ""
    return "" if row.worth_before is None else f"Theirs is worth {_about(row.worth_before, noun(row))} of ours or more."


def noun(row: EvidenceRow) -> str:
    """What is counted: crowns where the question is on them, else teeth."""
    return "crown" if row.kind == "ratio" and row.id.startswith("crown") else "tooth"


def row_text(row: EvidenceRow, rows: Sequence[EvidenceRow]) -> str:
    """The verdict on one row, what others' figures are worth there, and a doubt; `rows` are all of its kind."""
    return " ".join(filter(None, (row.verdict, worth_sentence(row), doubt(row, rows))))


def doubt(row: EvidenceRow, rows: Sequence[EvidenceRow]) -> str:
    """Where ours cannot be told: how far ours lay from the same sources at the nearest time at which it can be."""
    told = [r for r in rows if r.ours and (r.about, r.sources) == (row.about, row.sources) and r.horizon_years]
    if row.ours is not None or row.horizon_years is None or not told:
        return ""
    near = min(told, key=lambda r: abs((r.horizon_years or 0) - (row.horizon_years or 0)))
    assert near.ours is not None
    return (
        f"By {years(near.horizon_years or 0)} ours is {range_text(near.ours, near.kind)} where the same source has "
        f"{round(near.others.value)}, so whether it holds here is open."
    )


def chart_label(rows: Sequence[EvidenceRow]) -> str:
    """The accessible name of the chart."""
    return "What others found, ours, and both together. " + " ".join(
        f"{row_label(r)}: others {range_text(r.others, r.kind)}, ours {range_text(r.ours, r.kind)}, together "
        f"{range_text(r.together, r.kind)}."
        for r in rows
        if r.ours is not None
    )


def range_text(found: EvidenceRange | None, kind: str) -> str:
    """`8 (5 to 13)`, a ratio with two decimals."""
    if found is None:
        return "\u2013"
    if kind == "ratio":
        return f"{ratio(found.value)} ({ratio(found.low)} to {ratio(found.high)})"
    if found.high < 1:
        return f"{decimal(found.value)} ({decimal(found.low)} to {decimal(found.high)})"
    return f"{whole(found.value)} ({spread(round(found.low), round(found.high))})"


def sources(row: EvidenceRow) -> str:
    """Who found it."""
    if row.kind == "ratio":
        return count(row.studies, "other practice")
    return listing([author_of(citation) for citation in row.sources])


def _about(teeth: float, noun: str) -> str:
    """A rounded count: to 10 above 100, to 1 below; `less than one tooth`."""
    n = 10 * round(teeth / 10) if teeth >= 100 else round(teeth)
    return f"about {count(n, noun)}" if n else f"less than one {noun}"


def _factor(quantile: float, scale: float) -> str:
    """A standard deviation between practices as a factor, at a quantile of the half-normal."""
    return f"{math.exp(quantile * scale):.1f}"
