"""Sentences on healing at recall, on how soon a lesion heals, and on who read the films."""

from collections.abc import Sequence

from dashboards.formats import count, listing, percent, plural, ratio, whole, years
from pipeline.results.healing import Agreement, HealingPoint, LesionHealing, ReaderWay, RecallRow

AGREED = "agreed"
WAYS_RULE = (
    "A reader alone counts on the films that another reader read too; all other films count as they are, so the teeth "
    "are the same on every line."
)
READERS = {
    "same_reader": "read twice by one reader",
    "two_readers": "read by two readers",
    "reader_not_told": "read twice by readers who are not named",
}
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
    return [
        _of_teeth(named[name], f"{which} a lesion before treatment")
        for name, which in ((LESION, "with"), (NO_LESION, "without"))
        if name in named
    ]


def _of_teeth(row: RecallRow, which: str) -> str:
    said, loose = _of_100(row), row.loose if row.name == LESION else None
    if not said:
        return f"Of teeth {which}, too few were judged to give a share ({whole(row.recalled)})."
    if loose is None or loose.share is None:
        return f"Of 100 teeth {which}, {said}."
    low, high = (round(100 * (end or 0)) for end in (loose.ci_low, loose.ci_high))
    counted = f"Counted loosely, {round(100 * loose.share)} were healed (range {low} to {high})."
    return f"Of 100 teeth {which}, {said}. {counted}"


def curve_headline(found: LesionHealing) -> str:
    """How many lesions had healed by one, two and four years, or by the years that there are; or that few are known."""
    told = _years_told(found)
    if not told:
        return (
            "Too few lesions were followed on film for a curve "
            f"({whole(found.filmed)} of {whole(found.lesions)} have a film since that judges them)."
        )
    (of, when, span), *later = map(_healed_by, told)
    parts = [f"{of} had healed {when} after the root canal {span}", *(f"{n} after {y} {s}" for n, y, s in later)]
    return f"Of 100 lesions, about {listing(parts)}."


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
        one = found.treated_again == 1
        counted = "was treated again before, and counts" if one else "were treated again, and count"
        said += f" {whole(found.treated_again)} {counted} as not healed."
    if found.seen_again:
        again = plural(found.seen_again, "was")
        said += f" {count(found.seen_again, 'lesion')} seen healed {again} there again on a later film."
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


def agreement_sentence(found: Agreement) -> str:
    """How often two readings of one film agreed, and the weighted kappa where there were enough."""
    films = f"{count(found.exact.of, 'film')} {plural(found.exact.of, 'was')} {READERS.get(found.kind, 'read twice')}"
    same = f"the index was the same in {percent(found.exact.count, found.exact.of)}"
    side = f"both said healed, or both not healed, in {percent(found.same_side.count, found.same_side.of)}"
    if found.kappa is None:
        return f"{films}: {same}, and {side}. Too few, or too much alike, for a kappa."
    limits = ""
    if found.ci_low is not None and found.ci_high is not None:
        limits = f" (range {ratio(found.ci_low)} to {ratio(found.ci_high)})"
    return f"{films}: {same}, and {side}; weighted kappa {ratio(found.kappa)}{limits}."


def agreement_heading(found: Sequence[Agreement]) -> str:
    """How often two readings said the same of healed or not, of the first kind, for a heading."""
    first = next((a for a in found if not a.who), None)
    if first is None or not first.same_side.of:
        return "Some films were read twice"
    share = percent(first.same_side.count, first.same_side.of)
    films = count(first.same_side.of, "film")
    return f"Of {films} {READERS.get(first.kind, 'read twice')}, both readings agree on healed or not in {share}"


def readings_rule() -> str:
    """Which reading of a film counts."""
    return (
        "The first reading of a film by each reader counts, a second one only where there is no first. Of several "
        "readers the agreed index counts: what two of them say, the middle one where three differ, and the higher one "
        "of two who differ until a third has read the film. A reading noted as the film's second counts once three "
        "have read it. Kappa is 1 where all readings agree and 0 where they agree as often as chance would have it; a "
        "step of the index counts as one."
    )


def ways_sentence(ways: Sequence[ReaderWay]) -> str:
    """How far the share healed hangs on who read the films; empty where it could not be told."""
    shares = {w.reader: w.healed for w in ways if w.healed.share is not None}
    agreed = shares.pop(AGREED, None)
    if agreed is None or agreed.share is None or not shares:
        return ""
    alone = sorted(round(100 * (s.share or 0)) for s in shares.values())
    between = f"{alone[0]}" if alone[0] == alone[-1] else f"{alone[0]} to {alone[-1]}"
    films = next(w.films for w in ways if w.reader == AGREED)
    return (
        f"{count(films, 'film')} {plural(films, 'was')} read by more than one reader. By the agreed readings "
        f"{round(100 * agreed.share)} of 100 of the {whole(agreed.of)} teeth judged at recall were healed; "
        f"by one reader alone it would be {between}."
    )
