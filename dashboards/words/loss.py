"""Sentences on what teeth were lost to."""

from dashboards.formats import listing, sentence_case, years
from dashboards.release import healing as released
from pipeline.results.healing import LossGroup, LossTable
from pipeline.results.points import IncidencePoint

CAUSES = {
    "endodontic": "an endodontic cause",
    "periodontal": "a periodontal cause",
    "fracture": "a fracture",
    "caries": "caries",
    "other": "another cause",
    "unknown": "a cause not recorded",
}
SHORT = {cause: sentence_case(said) for cause, said in released.CAUSES.items()} | {"all": "All causes"}
NOUNS = released.TEETH
SHOWN_YEARS = (1.0, 5.0, 10.0)


def at(points: tuple[IncidencePoint, ...], year: float) -> IncidencePoint | None:
    """The point at a year, if it is given."""
    return next((p for p in points if p.years == year), None)


def last_year(table: LossTable) -> tuple[LossGroup, IncidencePoint] | None:
    """All teeth, and how many were lost by the latest of the years shown in tables that they reach."""
    group = next((g for g in table.groups if g.name == "all"), None)
    found = [p for y in SHOWN_YEARS if group is not None and (p := at(group.total.points, y)) is not None]
    return (group, found[-1]) if group is not None and found else None


def loss_heading(table: LossTable) -> str:
    """How many teeth were lost by the last year shown, and to what most where its range lies above all others'."""
    noun = NOUNS.get(table.id, "teeth")
    if (last := last_year(table)) is None:
        return f"Too few {noun} have been followed to say what they are lost to"
    group, point = last
    found = [(p, c.cause) for c in group.causes if (p := at(c.points, point.years)) is not None and p.estimate]
    clear = [
        CAUSES[cause]
        for p, cause in found
        if cause in CAUSES
        and cause not in ("other", "unknown")
        and all(p.ci_low > q.ci_high for q, other in found if other != cause)
    ]
    to = f", most often to {clear[0]}" if clear else "; no cause clearly leads" if len(found) > 1 else ""
    return f"{_some(point.estimate)} of 100 {noun} were lost within {years(point.years)}{to}"


def loss_headline(table: LossTable) -> str:
    """How many of all teeth were lost by the last year shown, and to what."""
    if (last := last_year(table)) is None:
        return f"{loss_heading(table)}."
    group, point = last
    found = [(p.estimate, c.cause) for c in group.causes if (p := at(c.points, point.years)) is not None and p.estimate]
    parts = [f"{_some(share)} to {CAUSES.get(cause, cause)}" for share, cause in sorted(found, key=lambda f: -f[0])]
    apart = sum(round(100 * share) for share, _ in found) != round(100 * point.estimate)
    said = f": {listing(parts)}{', each rounded by itself' if apart else ''}" if parts else ""
    rng = f"(range {round(100 * point.ci_low)} to {round(100 * point.ci_high)})"
    lost = f"about {_some(point.estimate)} were lost within {years(point.years)} {rng}"
    return f"Of 100 {NOUNS.get(table.id, 'teeth')}, {lost}{said}."


def loss_definition(table: LossTable) -> str:
    """From where teeth are followed, and what the causes are."""
    start = {
        "since_completion": "Teeth are followed from their first root canal completed here",
        "since_seat": "Teeth are followed from the seat of their first single crown here",
    }.get(table.clock, "Teeth are followed")
    return (
        f"{start} until they are lost, whatever else is done to them. A tooth is lost once: each cause takes its part "
        "of the teeth still there, and the causes add up to all teeth lost. The cause is the reason written at the "
        "extraction; nobody looked at it again. Death and leaving end the time followed."
    )


def late_start(group: LossGroup) -> str:
    """What the figures of a group that teeth enter later are counted from; empty where all enter at once."""
    if group.starts_at_days <= 0:
        return ""
    months = max(1, round(12 * group.starts_at_days / 365.25))
    return f"{group.label}: counted among teeth still there {months} months on, when enough are followed."


def loss_label(table: LossTable) -> str:
    """The accessible name of the picture."""
    return f"{table.title}, in areas that add up. {loss_headline(table)}"


def _some(share: float) -> str:
    n = round(100 * share)
    return str(n) if n else "fewer than 1" if share > 0 else "none"
