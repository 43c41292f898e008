"""Tables of the inside pages as rows of text: what the templates write as real HTML tables."""

from collections.abc import Sequence
from dataclasses import dataclass

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
from pipeline.results import Comparison, Estimate, RateTable
from pipeline.results.healing import Agreement, CountedShare, LesionHealing, ReaderWay, RecallRow

TOOTH_GROUP_ORDER = {"anterior": 0, "premolar": 1, "molar": 2}


@dataclass(frozen=True)
class NumberTable:
    """A captioned table; the first cell of a row is its header, `texts` names the columns of words."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    texts: tuple[str, ...] = ()


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
    if not columns:
        return None
    groups = []
    for index, group in enumerate(comparison.groups):
        at = {m.years: m for m in group.milestones}
        if not all(y in at for y in columns):
            continue
        miles = [at[y] for y in columns]
        rows = (
            ("entered", tuple(whole(m.entered) for m in miles)),
            ("failed", tuple(whole(m.failed) for m in miles)),
            ("ended", tuple(whole(m.ended) for m in miles)),
            ("followed", tuple(whole(m.followed) for m in miles)),
        )
        groups.append(UnderGroup(group.label, theme.look(group.name, index), rows))
    noun = plural(2, terms.outcome(comparison.outcome).noun)
    caption = f"How many {noun} the curves rest on: entered so far = failed + follow-up ended + still followed"
    return UnderTable(caption, tuple(columns), tuple(groups))


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
    rows = tuple(
        (
            g.label,
            whole(g.followed),
            whole(g.followed_patients),
            whole(g.failures),
            whole(g.tooth_years),
            decimal(g.rate_per_100_tooth_years),
            between(decimal(g.rate_ci_low), decimal(g.rate_ci_high)),
        )
        for g in comparison.groups
    )
    noun = plural(2, terms.outcome(comparison.outcome).noun).capitalize()
    heads = (
        "Group",
        noun,
        "Patients",
        "Failures",
        "Tooth-years followed",
        "Failures per 100 tooth-years",
        "95 % range",
    )
    return NumberTable("Who was counted", heads, rows)


def estimates(comparison: Comparison, labels: dict[str, str]) -> NumberTable:
    """Hazard ratios, crude and adjusted, and the misleading one beside them."""
    rows = [
        (
            terms.contrast(e.contrast, labels),
            adjustment(e),
            ratio(e.hazard_ratio),
            between(ratio(e.ci_low), ratio(e.ci_high)),
            whole(e.crowns),
            whole(e.events),
            whole(e.clusters),
        )
        for e in comparison.estimates
    ]
    if comparison.naive is not None:
        n = comparison.naive
        rows.append(
            (
                terms.contrast(n.contrast, labels),
                f"by label from {terms.label_start(comparison.clock)}: misleading ({n.why_biased})",
                ratio(n.hazard_ratio),
                between(ratio(n.ci_low), ratio(n.ci_high)),
                *(DASH,) * 3,
            )
        )
    noun = plural(2, terms.outcome(comparison.outcome).noun).capitalize()
    heads = ("Contrast", "How", "Hazard ratio", "95 % range", noun, "Failures", "Patients")
    return NumberTable("Hazard ratios: how much faster failures came", heads, tuple(rows), ("How",))


def adjustment(estimate: Estimate) -> str:
    """`unadjusted`, or what it is adjusted for and stratified by, with the model."""
    how = (
        f"adjusted for {listing([phrase(a) for a in estimate.adjusted_for])}" if estimate.adjusted_for else "unadjusted"
    )
    if estimate.stratified_by:
        how += f"; within each {listing([phrase(a.removesuffix('_id')) for a in estimate.stratified_by])}"
    return f"{how} ({terms.model(estimate.model)})"


def rates(table: RateTable) -> NumberTable:
    """Success rates by one characteristic; a dash where too few are followed that long."""
    say = terms.outcome(table.outcome)
    rows = []
    for r in table.rows:
        figures = (DASH,) * 3
        if r.survival is not None:
            figures = (str(in_place(r.survival)), DASH, str(failed(r.survival)))
            if r.ci_low is not None and r.ci_high is not None:
                figures = (figures[0], between_whole(in_place(r.ci_low), in_place(r.ci_high)), figures[2])
        name = "Whole practice" if table.by == "overall" else r.name
        rows.append((name, whole(r.teeth), whole(r.patients), whole(r.failures), whole(r.followed), *figures))
    horizon = years(table.rows[0].years) if table.rows else ""
    noun = plural(2, say.noun)
    heads = (
        first_head(table.by),
        noun.capitalize(),
        "Patients",
        f"{say.bad.capitalize()} so far",
        f"Followed {horizon}",
        f"{say.good.capitalize()}, of 100",
        "95 % range",
        f"{say.bad.capitalize()}, of 100",
    )
    return NumberTable(
        f"{noun.capitalize()} {say.good} after {horizon}: {terms.by(table.by).lower()}", heads, tuple(rows)
    )


def recalls(rows: Sequence[RecallRow]) -> NumberTable:
    """Healing at recall with the recall rate beside it; a dash where too few were seen."""
    body = []
    for r in rows:
        strict = CountedShare(r.successes, r.recalled, r.success, r.ci_low, r.ci_high)
        name = "Whole practice" if r.name == "all" else sentence_case(r.name)
        counted = (whole(r.completed), whole(r.due), whole(r.recalled), percent(r.recalled, r.due))
        body.append((name, *counted, *(_share(s) for s in (strict, r.uncertain, r.not_healed, r.loose))))
    heads = ("Root canals", "Completed", "Followed long enough", "Judged at recall", "Recall rate",
             "Healed, of 100", "Healing", "Not healed", "Healed, counted loosely")  # fmt: skip
    return NumberTable(
        "Healing at recall, of 100 judged, with 95 % ranges and with how many came back", heads, tuple(body)
    )


def agreement(found: Sequence[Agreement]) -> NumberTable:
    """Films read twice: how often two readings agreed, with kappa."""
    kinds = {"same_reader": "One reader twice", "two_readers": "Two readers", "reader_not_told": "Readers not named"}
    rows = tuple(
        (
            f"{kinds.get(a.kind, a.kind)}: {a.who}" if a.who else kinds.get(a.kind, a.kind),
            whole(a.exact.of),
            whole(a.patients),
            percent(a.exact.count, a.exact.of),
            percent(a.same_side.count, a.same_side.of),
            ratio(a.kappa),
            between(ratio(a.ci_low), ratio(a.ci_high)),
        )
        for a in found
    )
    heads = ("Readings", "Films", "Patients", "Same index", "Both healed or both not", "Weighted kappa", "95 % range")
    return NumberTable("Two readings of one film", heads, rows)


def reader_ways(ways: Sequence[ReaderWay]) -> NumberTable:
    """Healing at recall by the agreed readings and by each reader alone, of the same teeth."""
    rows = tuple(
        (
            "Agreed" if w.reader == "agreed" else f"{w.reader} alone",
            whole(w.films),
            whole(w.healed.of),
            whole(w.healed.count),
            _share(w.healed),
        )
        for w in ways
    )
    heads = ("Readings that count", "Films read with others", "Judged at recall", "Healed", "Healed, of 100")
    return NumberTable("Counted in other ways: by one reader alone, with 95 % ranges", heads, rows)


def lesion_healing(found: LesionHealing) -> NumberTable:
    """Lesions healed by whole years, and of how many it is known that late or later."""
    rows = tuple(
        (
            years(p.years),
            f"{round(100 * p.estimate)}",
            between_whole(round(100 * p.ci_low), round(100 * p.ci_high)),
            whole(p.followed),
        )
        for p in found.points
        if float(p.years).is_integer()
    )
    heads = ("Within", "Healed, of 100", "95 % range", "Known of that late or later")
    return NumberTable("Lesions healed since the root canal", heads, rows)


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
    return RateTable(table.id, table.title, table.outcome, table.by, tuple(rows))
