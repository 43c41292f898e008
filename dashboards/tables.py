"""Tables of the inside pages as rows of text: what the templates write as real HTML tables."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from dashboards import terms, theme
from dashboards.charts.failure_curve import shifts, spaced, span
from dashboards.formats import (
    DASH,
    decimal,
    failed,
    in_place,
    listing,
    percent,
    phrase,
    plural,
    ratio,
    sentence_case,
    whole,
    years,
)
from dashboards.formats import spread as between_whole
from pipeline.results import Comparison, Estimate, Naive, RateRow, RateTable
from pipeline.results.healing import Agreement, CountedShare, LesionHealing, ReaderWay, RecallRow

T = TypeVar("T")
TOOTH_GROUP_ORDER = {"anterior": 0, "premolar": 1, "molar": 2}


@dataclass(frozen=True)
class NumberTable:
    """A captioned table; the first cell of a row is its header, `texts` names the columns of words."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    texts: tuple[str, ...] = ()


def table_of(
    caption: str, items: Iterable[T], columns: Mapping[str, Callable[[T], str]], texts: Sequence[str] = ()
) -> NumberTable:
    """A table with a row for each item: each heading with what stands under it."""
    rows = tuple(tuple(cell(item) for cell in columns.values()) for item in items)
    return NumberTable(caption, tuple(columns), rows, tuple(texts))


@dataclass(frozen=True)
class UnderGroup:
    """One group's rows of the table under a curve: a name and one cell a year."""

    label: str
    look: theme.Look
    rows: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True)
class UnderTable:
    """The table whose columns stand under the ticks of the chart above it."""

    caption: str
    years: tuple[float, ...]
    groups: tuple[UnderGroup, ...]

    @property
    def columns(self) -> list[tuple[str, str]]:
        """The style and class of each column: moved under its tick; left out on a narrow screen where crowded."""
        low, high = span(self.years)
        wide = set(spaced(self.years, least=(high - low) / 6.5, first=(5.0,)))
        return [
            (f"left:{100 * shift:g}%" if shift else "", "" if year in wide else "crowded")
            for year, shift in zip(self.years, shifts(self.years), strict=True)
        ]


def under_curve(comparison: Comparison, columns: Sequence[float]) -> UnderTable | None:
    """Entered, failed, ended and still followed at each year; the last three add up to the first."""
    groups = []
    for index, group in enumerate(comparison.groups if columns else ()):
        at = {m.years: m for m in group.milestones}
        if all(y in at for y in columns):
            counts = ("entered", "failed", "ended", "followed")
            rows = tuple((name, tuple(whole(getattr(at[y], name)) for y in columns)) for name in counts)
            groups.append(UnderGroup(group.label, theme.look(group.name, index), rows))
    noun = plural(2, terms.outcome(comparison.outcome).noun)
    caption = f"How many {noun} the curves rest on: entered so far = failed + follow-up ended + still followed"
    return UnderTable(caption, tuple(columns), tuple(groups)) if columns else None


def survival(comparison: Comparison) -> NumberTable:
    """Failed of 100 with its range at each milestone that a curve reaches: a row a year, a column a group.

    How many had entered, failed and are still followed stands under the curves.
    """
    noun = plural(2, terms.outcome(comparison.outcome).noun)
    told: dict[float, dict[str, str]] = {}
    for group in comparison.groups:
        for m in group.milestones:
            if m.survival is None or m.ci_low is None or m.ci_high is None or m.years <= 0:
                continue
            rng = between_whole(failed(m.ci_high), failed(m.ci_low))
            told.setdefault(m.years, {})[group.name] = f"{failed(m.survival)} ({rng})"
    shown = [g for g in comparison.groups if any(g.name in at for at in told.values())]
    rows = tuple((f"{y:g}", *(told[y].get(g.name, DASH) for g in shown)) for y in sorted(told))
    heads = ("Years", *(g.label for g in shown))
    return NumberTable(f"Failed of 100 {noun}, with the 95 % range", heads, rows)


def groups(comparison: Comparison) -> NumberTable:
    """Who was followed in each group, with the failures per 100 tooth-years: all of a row is of time in the group."""
    return table_of("Who was counted", comparison.groups, {
        "Group": lambda g: g.label,
        plural(2, terms.outcome(comparison.outcome).noun).capitalize(): lambda g: whole(g.followed),
        "Patients": lambda g: whole(g.followed_patients),
        "Failures": lambda g: whole(g.failures),
        "Tooth-years followed": lambda g: whole(g.tooth_years),
        "Failures per 100 tooth-years": lambda g: decimal(g.rate_per_100_tooth_years),
        "95 % range": lambda g: between(decimal(g.rate_ci_low), decimal(g.rate_ci_high)),
    })  # fmt: skip


def estimates(comparison: Comparison, labels: dict[str, str]) -> NumberTable:
    """Hazard ratios, crude and adjusted, and the misleading one beside them."""
    naive = comparison.naive
    found: list[tuple[Estimate | Naive, str, tuple[str, ...]]] = [
        (e, adjustment(e), (whole(e.crowns), whole(e.events), whole(e.clusters))) for e in comparison.estimates
    ]
    if naive is not None:
        start = terms.label_start(comparison.clock)
        found.append((naive, f"by label from {start}: misleading ({naive.why_biased})", (DASH,) * 3))
    rows = tuple(
        (
            terms.contrast(e.contrast, labels),
            how,
            ratio(e.hazard_ratio),
            between(ratio(e.ci_low), ratio(e.ci_high)),
            *of,
        )
        for e, how, of in found
    )
    noun = plural(2, terms.outcome(comparison.outcome).noun).capitalize()
    heads = ("Contrast", "How", "Hazard ratio", "95 % range", noun, "Failures", "Patients")
    return NumberTable("Hazard ratios: how much faster failures came", heads, rows, ("How",))


def adjustment(estimate: Estimate) -> str:
    """`unadjusted`, or what it is adjusted for and stratified by, with the model."""
    how = f"adjusted for {listing([phrase(a) for a in estimate.adjusted_for])}"
    within = listing([phrase(a.removesuffix("_id")) for a in estimate.stratified_by])
    return (
        f"{how if estimate.adjusted_for else 'unadjusted'}{f'; within each {within}' if within else ''} "
        f"({terms.model(estimate.model)})"
    )


def rates(table: RateTable) -> NumberTable:
    """Success rates by one characteristic; a dash where too few are followed that long."""
    say = terms.outcome(table.outcome)
    horizon, nouns = years(table.rows[0].years) if table.rows else "", plural(2, say.noun).capitalize()

    def span(r: RateRow) -> str:
        if r.survival is None or r.ci_low is None or r.ci_high is None:
            return DASH
        return between_whole(in_place(r.ci_low), in_place(r.ci_high))

    return table_of(f"{nouns} {say.good} after {horizon}: {terms.by(table.by).lower()}", table.rows, {
        first_head(table.by): lambda r: "Whole practice" if table.by == "overall" else r.name,
        nouns: lambda r: whole(r.teeth),
        "Patients": lambda r: whole(r.patients),
        f"{say.bad.capitalize()} so far": lambda r: whole(r.failures),
        f"Followed {horizon}": lambda r: whole(r.followed),
        f"{say.good.capitalize()}, of 100": lambda r: DASH if r.survival is None else str(in_place(r.survival)),
        "95 % range": span,
        f"{say.bad.capitalize()}, of 100": lambda r: DASH if r.survival is None else str(failed(r.survival)),
    })  # fmt: skip


def recalls(rows: Sequence[RecallRow]) -> NumberTable:
    """Healing at recall with the recall rate beside it; a dash where too few were seen."""
    caption = "Healing at recall, of 100 judged, with 95 % ranges and with how many came back"
    return table_of(caption, rows, {
        "Root canals": lambda r: "Whole practice" if r.name == "all" else sentence_case(r.name),
        "Completed": lambda r: whole(r.completed),
        "Followed long enough": lambda r: whole(r.due),
        "Judged at recall": lambda r: whole(r.recalled),
        "Recall rate": lambda r: percent(r.recalled, r.due),
        "Healed, of 100": lambda r: _share(CountedShare(r.successes, r.recalled, r.success, r.ci_low, r.ci_high)),
        "Healing": lambda r: _share(r.uncertain),
        "Not healed": lambda r: _share(r.not_healed),
        "Healed, counted loosely": lambda r: _share(r.loose),
    })  # fmt: skip


def agreement(found: Sequence[Agreement]) -> NumberTable:
    """Films read twice: how often two readings agreed, with kappa."""
    kinds = {"same_reader": "One reader twice", "two_readers": "Two readers", "reader_not_told": "Readers not named"}
    return table_of("Two readings of one film", found, {
        "Readings": lambda a: ": ".join(filter(None, (kinds.get(a.kind, a.kind), a.who))),
        "Films": lambda a: whole(a.exact.of),
        "Patients": lambda a: whole(a.patients),
        "Same index": lambda a: percent(a.exact.count, a.exact.of),
        "Both healed or both not": lambda a: percent(a.same_side.count, a.same_side.of),
        "Weighted kappa": lambda a: ratio(a.kappa),
        "95 % range": lambda a: between(ratio(a.ci_low), ratio(a.ci_high)),
    })  # fmt: skip


def reader_ways(ways: Sequence[ReaderWay]) -> NumberTable:
    """Healing at recall by the agreed readings and by each reader alone, of the same teeth."""
    return table_of("Counted in other ways: by one reader alone, with 95 % ranges", ways, {
        "Readings that count": lambda w: "Agreed" if w.reader == "agreed" else f"{w.reader} alone",
        "Films read with others": lambda w: whole(w.films),
        "Judged at recall": lambda w: whole(w.healed.of),
        "Healed": lambda w: whole(w.healed.count),
        "Healed, of 100": lambda w: _share(w.healed),
    })  # fmt: skip


def lesion_healing(found: LesionHealing) -> NumberTable:
    """Lesions healed by whole years, and of how many it is known that late or later."""
    return table_of("Lesions healed since the root canal", (p for p in found.points if float(p.years).is_integer()), {
        "Within": lambda p: years(p.years),
        "Healed, of 100": lambda p: f"{round(100 * p.estimate)}",
        "95 % range": lambda p: between_whole(round(100 * p.ci_low), round(100 * p.ci_high)),
        "Known of that late or later": lambda p: whole(p.followed),
    })  # fmt: skip


def _share(s: CountedShare | None) -> str:
    """`86 (81 to 90)`, or a dash."""
    if s is None or s.share is None or s.ci_low is None or s.ci_high is None:
        return DASH
    return f"{round(100 * s.share)} ({between_whole(round(100 * s.ci_low), round(100 * s.ci_high))})"


def between(low: str, high: str) -> str:
    """`1.2 to 3.4`; one dash where an end could not be worked out."""
    return DASH if DASH in (low, high) else f"{low} to {high}"


def first_head(by: str) -> str:
    """The heading of the column that names the rows."""
    return {"overall": "All", "year": "Year", "tooth_group": "Tooth group", "site_id": "Clinic"}.get(
        by, "Clinician" if by == "provider_id" else phrase(by).capitalize()
    )


def in_order(table: RateTable) -> RateTable:
    """The table with its rows by name, tooth groups from front to back: never by how well they did."""
    rows = sorted(table.rows, key=lambda r: (TOOTH_GROUP_ORDER.get(r.name, 9), r.name.casefold(), r.name))
    return replace(table, rows=tuple(rows))
