"""Sentences and tables on technique questions for shared pages and slides, from released answers only."""

from collections import Counter
from collections.abc import Sequence

from dashboards import terms
from dashboards.formats import DASH, count, listing, lower_first, more_or_fewer, range_more_or_fewer, whole
from dashboards.release.technique import OUTCOMES, ReleasedContrast, ReleasedTechnique, ReleasedTechniques
from dashboards.tables import NumberTable

CAUTION = (
    "Teeth were not given one technique or another by chance: what led to the choice may itself decide how long they "
    "last."
)

WHY = {
    "cannot_tell": "as rounded, both no difference and one that matters fit",
    "one_way": "each clinician mostly works one way",
    "stands_out": "alone it would pass for a difference, among so many it does not",
    "unmeasured": "no ground to change",
}


def headline(found: ReleasedTechniques) -> str:
    """How many of the comparisons that are shown name a difference."""
    named = [c for c in found.contrasts if c.verdict_code == "differs"]
    total = count(len(found.contrasts), "technique comparison") + " that may be shown"
    if not found.contrasts:
        return "No technique comparison rests on teeth enough to be shown"
    if not named:
        return f"None of {total} shows a clear difference"
    return f"{whole(len(named))} of {total} {'shows' if len(named) == 1 else 'show'} a clear difference"


def looks(found: ReleasedTechniques) -> str:
    """That all looks were counted together, and how the verdicts came out."""
    said = Counter(c.code for c in found.contrasts)
    parts = [f"{with_reason(code)}: {n}" for code, n in sorted(said.items())]
    # Neither number holds the other: some of the family may not be shown, some that are shown could not name one.
    of = count(len(found.contrasts), "comparison")
    shown = f"Of the {of} that may be shown, in that family or not, {listing(parts)}. " if parts else ""
    looked = "The comparisons" if found.family.value is None else f"About {found.family} comparisons (a rounded number)"
    return (
        f"{looked} of technique could have shown a clear difference. They were "
        f"counted as one family, so that chance alone seldom shows one. {shown}{CAUTION} "
        f"{terms.safety_sentence(a.title for a in found.answers if a.safety)}"
    ).rstrip()


def with_reason(code: str) -> str:
    """A verdict, or why there is none, in the middle of a sentence: `not separable (each clinician ...)`."""
    said = lower_first(terms.verdict(code))
    return f"{said} ({WHY[code]})" if code in WHY else said


def contrast(a: ReleasedTechnique, c: ReleasedContrast) -> str:
    """One comparison in a sentence: `Resin against metal, crown failure by 5 years: 15 more of 100 (5 to 25 more)`."""
    return (
        f"{c.label} against {lower_first(c.against)}, {OUTCOMES[a.outcome]} by {a.horizon_years:g} years: "
        f"{more_or_fewer(c.per_100)} of 100 ({range_more_or_fewer(c.low, c.high)})."
    )


def named(found: ReleasedTechniques) -> list[str]:
    """Those that name a difference, each in a sentence."""
    return [contrast(a, c) for a in found.answers for c in a.contrasts if c.verdict_code == "differs"]


def contrasts_table(answers: Sequence[ReleasedTechnique], *, code: str = "") -> NumberTable:
    """One row a comparison that is shown, in the order of the questions; of one verdict or reason with `code`."""
    rows = tuple(
        (
            a.title,
            OUTCOMES[a.outcome],
            f"{c.label} against {lower_first(c.against)}",
            range_more_or_fewer(c.low, c.high),
            more_or_fewer(c.per_100),
            DASH if c.ratio is None else f"{c.ratio:g} ({c.ratio_low:g} to {c.ratio_high:g})",
            terms.verdict(c.code),
        )
        for a in answers
        for c in a.contrasts
        if code in ("", c.code)
    )
    heads = ("Question", "Outcome", "Compared", "Failures per 100, range", "Middle", "Hazard ratio", "What may be said")
    return NumberTable("Technique, adjusted", heads, rows, (heads[1], heads[2], heads[6]))


def groups_table(answers: Sequence[ReleasedTechnique]) -> NumberTable:
    """One row a group of a question whose counts are told, rounded."""
    rows = tuple(
        (a.title, OUTCOMES[a.outcome], g.label, str(g.teeth), str(g.failures)) for a in answers for g in a.groups
    )
    heads = ("Question", "Outcome", "Group", "Teeth", "With the outcome")
    return NumberTable("Technique: who was counted", heads, rows, (heads[1], heads[2]))
