"""Sentences on healing at recall and on how soon a lesion heals."""

from collections.abc import Sequence

from dashboards.formats import count, percent, plural, whole, years
from pipeline.results.healing import CountedShare, HealingPoint, LesionHealing, RecallRow

LESION, NO_LESION = "before treatment: a lesion", "before treatment: no lesion"


def definition(uncertain_years: str) -> str:
    """What healed, healing and not healed mean on these pages."""
    until = f", until {years(float(uncertain_years))} after the root canal" if uncertain_years.isdigit() else ""
    return (
        "All go by the latest film that is late enough. Healed: a periapical index of 1 or 2. "
        f"Healing: a lesion that is smaller than before, and not gone{until}; neither has symptoms. All others are not "
        "healed, and so is every tooth with symptoms. Counted loosely, a lesion that is smaller is healed at any time; "
        "that share is of teeth whose state before treatment is known. "
        "A lesion before treatment is an index of 3 to 5. The shares are of those who came back; who comes back "
        "differs from who does not, so read them beside the recall rate."
    )


def recall_headline(row: RecallRow) -> str:
    """Healing of those seen, with how many were seen of those due."""
    seen = (
        f"Of {count(row.due, 'root canal')} followed long enough, {whole(row.recalled)} "
        f"({percent(row.recalled, row.due)}) {plural(row.recalled, 'was')} judged at recall."
    )
    said = _of_100(row)
    return f"{seen} Of 100 of those, {said}." if said else f"{seen} Too few to give a share healed."


def recall_heading(row: RecallRow | None) -> str:
    """How many of those judged had healed, for a heading."""
    if row is None or row.success is None:
        return "Too few root canals were judged at recall to say how many healed"
    return f"{round(100 * row.success)} of 100 root canals judged at recall had healed"


def curve_heading(found: LesionHealing) -> str:
    """How many lesions had healed by the last year that is told, for a heading."""
    told = _years_told(found)
    if not told:
        return "How soon a lesion heals cannot be told yet"
    of, when, _ = _healed_by(told[-1])
    judged = count(found.filmed, "lesion")
    return f"Of {judged} with a later film {of} of 100 had healed {when} after the root canal"


def by_lesion(rows: Sequence[RecallRow]) -> list[str]:
    """One sentence each for teeth with and without a lesion before treatment; none where that is not known."""
    named = {r.name: r for r in rows}
    out = []
    for name, which in ((LESION, "with a lesion before treatment"), (NO_LESION, "without a lesion before treatment")):
        row = named.get(name)
        if row is None:
            continue
        said = _of_100(row)
        loose = row.loose if name == LESION else None
        if not said:
            out.append(f"Of teeth {which}, too few were judged to give a share ({whole(row.recalled)}).")
            continue
        counted = (
            f" Counted loosely, {round(100 * loose.share)} were healed ({_range(loose)})."
            if loose is not None and loose.share is not None
            else ""
        )
        out.append(f"Of 100 teeth {which}, {said}.{counted}")
    return out


def curve_headline(found: LesionHealing) -> str:
    """How many lesions had healed by one, two and four years, or by the years that there are; or that few are known."""
    told = _years_told(found)
    if not told:
        return (
            "Too few lesions were followed on film for a curve "
            f"({whole(found.filmed)} of {whole(found.lesions)} have a film since that judges them)."
        )
    first, *later = map(_healed_by, told)
    of, when, span = first
    parts = [f"{of} had healed {when} after the root canal {span}", *(f"{n} after {y} {s}" for n, y, s in later)]
    joined = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
    return f"Of 100 lesions, about {joined}."


def _years_told(found: LesionHealing) -> list[HealingPoint]:
    """The points at one, two and four years, or the first whole year where none of these is there."""
    by_year = {p.years: p for p in found.points if float(p.years).is_integer()}
    return [by_year[y] for y in (1.0, 2.0, 4.0) if y in by_year] or list(by_year.values())[:1]


def _healed_by(p: HealingPoint) -> tuple[int, str, str]:
    """Lesions of 100, the years, and the range in words."""
    return round(100 * p.estimate), years(p.years), f"(range {round(100 * p.ci_low)} to {round(100 * p.ci_high)})"


def curve_basis(found: LesionHealing) -> str:
    """Of which lesions the curve is, and what became of those that are neither healed nor waiting."""
    said = (
        f"{whole(found.filmed)} of {count(found.lesions, 'lesion')} have a film since that judges them; "
        f"{whole(found.seen_healed)} were seen healed."
    )
    if found.treated_again:
        counted = (
            "was treated again before, and counts" if found.treated_again == 1 else "were treated again, and count"
        )
        said += f" {whole(found.treated_again)} {counted} as not healed."
    if found.seen_again:
        said += (
            f" {count(found.seen_again, 'lesion')} seen healed {plural(found.seen_again, 'was')} there again "
            "on a later film."
        )
    return said


def curve_rule(found: LesionHealing) -> str:
    """What the curve takes into account, and what it cannot know."""
    apart = ""
    if found.months_between is not None:
        apart = f" (here {count(max(round(found.months_between), 1), 'month')} apart at the median)"
    return (
        f"Nobody sees a lesion heal: it was there on one film and gone on the next{apart}. To date it by the next film "
        "would put healing too late, and the more so the longer patients wait to come back. The curve takes just what "
        "the films tell, that it healed between the two; the share at recall above takes each tooth at its latest "
        "film, be it after one year or eight. Healed is an index of 1 or 2 without symptoms. A tooth lost before it "
        "was seen healed is known up to its last film. The curve takes it that when a film was made says nothing of "
        "healing: if those with trouble come back sooner, or not at all, it is bent."
    )


def _of_100(row: RecallRow) -> str:
    if row.success is None or row.ci_low is None or row.ci_high is None:
        return ""
    low, mid, high = (round(100 * v) for v in (row.ci_low, row.success, row.ci_high))
    rest = "".join(
        f"{joint}{(n := round(100 * s.share)) or 'none'} {plural(n, 'was')} {said}"
        for s, said, joint in ((row.uncertain, "healing", ", "), (row.not_healed, "not healed", " and "))
        if s is not None and s.share is not None
    )
    return f"about {mid} were healed (range {low} to {high}){rest}"


def _range(s: CountedShare) -> str:
    return f"range {round(100 * (s.ci_low or 0))} to {round(100 * (s.ci_high or 0))}"
