"""Sentences on our rates beside published figures: beside the one source, and beside practices like it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dashboards import terms
from dashboards.charts.benchmarks import author_of
from dashboards.formats import count, failed, listing, lower_first, sentence_case, whole, years
from dashboards.words.sheet import by_verdict, change, name_of
from pipeline.results.evidence import Evidence, EvidenceRange
from pipeline.results.monitoring import Benchmark
from pipeline.results.owner import BesidePublished, SheetLine

SOURCE_RULE = "Published: the figure nearest to our years, then of most teeth."
GAP = "A gap is a question, not an answer."


@dataclass(frozen=True)
class Source:
    """What else is known of a published figure: what place it is of, and what a practice like that would show."""

    place: str = ""
    usual: EvidenceRange | None = None
    studies: int = 0  # behind `usual`; from one alone nobody can see how far practices differ, which is then assumed
    teeth: int = 0  # of the figure; 0 where that is not printed


def sources_of(found: Sequence[Benchmark], evidence: Evidence | None) -> dict[str, Source]:
    """By `benchmark_id`; practices differ, so a practice like theirs may lie well beside their figure."""
    rows = {(r.about, r.horizon_years): r for r in (evidence.rows if evidence else ()) if r.kind == "share"}
    made = {}
    for b in found:
        row = rows.get(((b.event, b.start, b.teeth), b.horizon_years))
        made[b.benchmark_id] = Source(b.population, row.others if row else None, row.studies if row else 0, b.n or 0)
    return made


def apart(found: BesidePublished, source: Source) -> str:
    """Better or worse than practices like theirs; `within` where these differ as much.

    `one_source` where one source alone is known, which may be so far from ours by what is assumed of practices.
    """
    usual, code = source.usual, found.change.verdict
    if code not in {"better", "worse"} or usual is None or not usual.low <= 100 * (1 - found.ours) <= usual.high:
        return code
    return "within" if source.studies > 1 else "one_source"


def published(found: BesidePublished, source: Source) -> str:
    """Ours beside one published figure, with what kind of place that comes from; better or worse is no answer yet."""
    kind = f": {source.place.rstrip('.')}" if source.place else ""
    code, said = apart(found, source), change(found.change, in_brief=True)
    if source.usual is not None:
        spans = f"{round(source.usual.low)} to {round(source.usual.high)} of 100"
        if code == "within":
            said = f"{said.rstrip('.')}, within what practices differ by ({spans})."
        elif code == "one_source":
            word = terms.verdict(found.change.verdict)
            said = f"{said} {word} than the only source; one source cannot tell what is usual."
    gap = f" {GAP}" if code in {"better", "worse"} else ""
    return (
        f"{failed(found.ours)} of 100 failed here by {years(found.years)}, {failed(found.published)} in one source "
        f"({author_of(found.citation)}{kind}). {said}{gap}"
    )


def published_card(found: Sequence[BesidePublished], sources: Mapping[str, Source]) -> str:
    """The nearest published figure, and how many more there are; `sources` tells by `benchmark_id` what is known."""
    if not found:
        return "No published figure counts alike."  # short enough to stand on several cards
    more = len(found) - 1
    said = published(found[0], sources.get(found[0].benchmark_id, Source()))
    return f"{said} {count(more, 'more figure')} below{_largest(found, sources)}." if more else said


def _largest(found: Sequence[BesidePublished], sources: Mapping[str, Source]) -> str:
    """The largest source, where another stands on the card since its years are nearer to ours; else nothing."""
    of = [sources.get(p.benchmark_id, Source()).teeth for p in found]
    p = found[of.index(max(of))]
    if p.citation == found[0].citation:
        return ""
    told = f"by {years(p.years)} {failed(p.ours)} failed here, {failed(p.published)} there"
    return f"; the largest ({author_of(p.citation)}, {whole(max(of))} teeth): {told}"


def _beside(lines: Sequence[SheetLine], sources: Mapping[str, Source]) -> list[tuple[SheetLine, str]]:
    """Each rate with how it stands beside the published figure on its card."""
    first = [(s, s.published[0]) for s in lines if s.published]
    return [(s, apart(p, sources.get(p.benchmark_id, Source()))) for s, p in first]


def _beside_one(found: Sequence[tuple[SheetLine, str]]) -> dict[str, list[SheetLine]]:
    """The rates that stand beside one source alone, by whether more or fewer failed here than there."""
    told: dict[str, list[SheetLine]] = {}
    for line, code in found:
        if code == "one_source":
            told.setdefault("more" if line.published[0].change.verdict == "worse" else "fewer", []).append(line)
    return told


def beside(lines: Sequence[SheetLine], sources: Mapping[str, Source]) -> str:
    """How the rates stand beside the published figure nearest to each."""
    found = _beside(lines, sources)
    if not found:
        return "No published figure counts as we do."
    told = [(code, [lower_first(name_of(s.outcome)) for s, v in found if v == code]) for code in ("worse", "better")]
    outside = [f"{code} than published practices: {listing(names)}" for code, names in told if names]
    outside += [
        f"{much} failed than in one source{' each' if len(of) > 1 else ''}: {listing([_against(s) for s in of])}"
        for much, of in _beside_one(found).items()
    ]
    if outside:
        return f"{sentence_case('; '.join(outside))}."
    return "None is outside what published practices differ by." if "within" in dict(found).values() else (
        f"Against published figures: {by_verdict([(s.outcome, code) for s, code in found])}.")  # fmt: skip


def _against(line: SheetLine) -> str:
    """`crowns (40 against 22 by 18 years)`."""
    p = line.published[0]
    counted = f"{failed(p.ours)} against {failed(p.published)} by {years(p.years)}"
    return f"{lower_first(name_of(line.outcome))} ({counted})"


def beside_short(lines: Sequence[SheetLine], sources: Mapping[str, Source]) -> str:
    """How many rates are worse, or better, than practices like those of the figure on its card, or than one source."""
    found = [code for _, code in _beside(lines, sources)]
    told = [(code, found.count(code)) for code in ("worse", "better") if code in found]
    if not told and "within" in found:
        return "none outside what published practices differ by"
    rates = count(len(found), "rate")
    said = [f"{whole(n)} of {rates} {code} than published practices" for code, n in told]
    said += [
        f"failures {'above' if much == 'more' else 'below'} the nearest study for {whole(len(of))} of {rates}"
        for much, of in _beside_one(_beside(lines, sources)).items()
    ]
    return "; ".join(said)
