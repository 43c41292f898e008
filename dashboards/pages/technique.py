"""Technique questions on the inside pages: what was counted, what can be said, and what cannot."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Any

from dashboards import tables, terms, theme
from dashboards.charts.contrasts import Ratio, forest_chart
from dashboards.charts.dose_curve import dose_chart
from dashboards.formats import count, listing, lower_first, plural, ratio, whole, years
from dashboards.pages import technique_tables
from dashboards.pages.notes_read import moves, unchecked
from dashboards.pages.technique_tables import HEALED, OUTCOME, PLACE, code_of, contrast_label
from dashboards.words import answers as words_answers
from pipeline.results import Results
from pipeline.results.notes import NotesRead
from pipeline.results.safety import UNMEASURED
from pipeline.results.technique import TechniqueAnswer, TechniqueContrast, of_100_by_chance

LIKELY = 50  # of 100
ELSEWHERE = (
    "Asked elsewhere: the timing of the root canal of a crown on the page on crowns, a crown after a root canal and "
    "the delay to it on the page on root canals; clinicians against what is expected, by funnel only, on the owner’s "
    "page."
)


@dataclass(frozen=True)
class Part:
    """One question and outcome, as the template shows it."""

    heading: str
    says: tuple[str, ...]
    chart: theme.Chart | None
    groups: tables.NumberTable
    contrasts: tables.NumberTable | None
    dose: tables.NumberTable | None
    small_print: tuple[str, ...]
    dose_says: str = ""
    misread: tuple[str, ...] = ()
    dose_chart: theme.Chart | None = None


@dataclass(frozen=True)
class Asked:
    """One question with its outcomes; `place` is its address on the page."""

    title: str
    short: str
    parts: tuple[Part, ...]
    caveats: tuple[str, ...]
    place: str
    finding: str
    fine_print: tables.NumberTable
    own_caveats: tuple[str, ...] = ()  # those that no other question has
    safety: bool = False


def technique_block(results: Results) -> dict[str, Any]:
    """What `technique.html.j2` shows; empty where no technique question was answered."""
    answers = results.techniques
    if not answers:
        return {}
    notes = results.quality.notes
    asked = [_asked(list(found), i, notes) for i, (_, found) in enumerate(groupby(answers, key=lambda a: a.question))]
    shared = [text for text, n in Counter(t for one in asked for t in one.caveats).items() if n > 1]
    asked = [
        replace(one, own_caveats=tuple(t for t in one.caveats if t not in shared and t != UNMEASURED)) for one in asked
    ]
    return {
        "asked": asked,
        "caveats": [text for text in shared if text != UNMEASURED],
        "safety": terms.safety_sentence(one.title for one in asked if UNMEASURED in one.caveats),
        "family": family_sentence(answers),
        "elsewhere": ELSEWHERE,
        "unchecked": unchecked(notes),
    }


def family_sentence(answers: Sequence[TechniqueAnswer]) -> str:
    """How many questions and comparisons count as one family of looks, and how many differences may be named."""
    questions = len(list(groupby(answers, key=lambda a: a.question)))
    family = max(a.family for a in answers)
    claimed = sum(c.verdict == "differs" for a in answers for c in a.contrasts)
    shows = "None shows" if not claimed else f"{whole(claimed)} {'show' if claimed > 1 else 'shows'}"
    return (
        f"{count(questions, 'question')} with {count(family, 'adjusted comparison')}, all counted as one family "
        f"of looks. {shows} a difference that may then be named."
    )


def chart_along(answer: TechniqueAnswer, *, id: str) -> theme.Chart | None:
    """The curve of one answer over its dose; None without one."""
    return dose_chart(
        answer.dose,
        unit=answer.dose_unit,
        reference=answer.reference_dose,
        id=id,
        label=f"{answer.title}. Adjusted hazard ratio along the dose, with its range. {answer.dose_sentence}".strip(),
    )


def said(answer: TechniqueAnswer) -> tuple[str, ...]:
    """Each comparison of an answer in a sentence, with its verdict and why a range without zero may still be open."""
    return tuple(
        f"{contrast_says(answer, c).rstrip('.')}; {lower_first(verdict_says(answer, c))}" for c in answer.contrasts
    )


def contrast_says(a: TechniqueAnswer, c: TechniqueContrast, *, paired: bool = True) -> str:
    """`Resin against glass ionomer: of 100 crowns, 2 fewer failed within 5 years (between 4 fewer and none).`

    Without the pair where it is not `paired`.
    """
    both = f"{words_answers.pair(a, c)}: " if paired else ""
    if not words_answers.has_range(c) or c.difference_per_100 is None:
        return f"{both}too few failures so far to compare, by {lower_first(OUTCOME[a.outcome])}."
    much, far = words_answers.more(round(c.difference_per_100)), f" ({words_answers.contrast_range(c)})"
    if c.verdict in words_answers.OPEN:
        much, far = words_answers.contrast_range(c).replace("between ", "from ").replace(" and ", " to "), ""
    if a.outcome == HEALED:
        return f"{both}of 100 teeth recalled, {much} were not healed{far}."
    say = terms.outcome(a.outcome)
    befell = terms.happened(a.outcome)
    return f"{both}of 100 {plural(2, say.noun)}, {much} {befell} within {years(a.horizon_years)}{far}."


def befell(a: TechniqueAnswer) -> str:
    """What is counted in a comparison, in two words: `crowns failed`, `teeth were lost`, `not healed`."""
    if a.outcome == HEALED:
        return "not healed"
    return f"{plural(2, terms.outcome(a.outcome).noun)} {terms.happened(a.outcome).removeprefix('were ')}"


def verdict_says(a: TechniqueAnswer, c: TechniqueContrast) -> str:
    """The verdict in a word, with its reason where it must have one."""
    return f"{terms.verdict(code_of(a, c))}{f': {why}' if (why := why_open(a, c)) else ''}."


def why_open(a: TechniqueAnswer, c: TechniqueContrast) -> str:
    """Why a comparison is open whose range would have it settled; empty where it needs no reason."""
    if not c.withheld or code_of(a, c) == "unmeasured":
        return ""
    if c.p_family is None:
        return "each clinician mostly works one way"
    return by_chance(a, c) if words_answers.leaves_zero_out(c) else ""


def by_chance(a: TechniqueAnswer, c: TechniqueContrast) -> str:
    """How often chance alone shows one as clear among all looks, which is why it is no finding."""
    often = of_100_by_chance(c.p_family or 0.0)
    if often > LIKELY:
        return f"among {whole(a.family)} looks chance alone shows one as clear more often than not"
    return f"among {whole(a.family)} looks chance alone shows one as clear in up to {whole(often)} of 100 practices"


def finding(answers: Sequence[TechniqueAnswer]) -> str:
    """What may be said of a question by its first outcome, for a heading: `little difference (resin); ...`.

    The outcome is named where another one says otherwise.
    """
    first = next((a for a in answers if a.contrasts), None)
    if first is None:
        return "counted only"
    labels = {g.name: g.label for g in first.groups}
    by_code: dict[str, list[str]] = {}
    for c in first.contrasts:
        by_code.setdefault(code_of(first, c), []).append(lower_first(contrast_label(first, c, labels)))
    others = ({code_of(a, c) for c in a.contrasts} for a in answers if a.contrasts)
    _, apart, outcome = first.title.rpartition(": ")
    of = f" in {lower_first(outcome)}" if apart and any(one != by_code.keys() for one in others) else ""
    if len(by_code) == 1:
        return lower_first(terms.verdict(next(iter(by_code)))) + of
    return ", ".join(f"{lower_first(terms.verdict(code))} ({listing(names)})" for code, names in by_code.items()) + of


def address(question: str) -> str:
    """The address of a question on the page of techniques: its identifier, which stays."""
    return "-".join(re.findall(r"[a-z0-9]+", question.lower())) or "question"


def _asked(answers: list[TechniqueAnswer], place: int, notes: NotesRead | None) -> Asked:
    first = answers[0]
    title = first.title.rsplit(": ", 1)[0]
    differing = sum(c.verdict == "differs" for a in answers for c in a.contrasts)
    short = f"{count(differing, 'difference')} named" if differing else "no difference named"
    return Asked(
        title=f"{PLACE[first.unit]}: {lower_first(title)}",
        short=short,
        parts=tuple(_part(a, f"technique-{place}-{i}", notes) for i, a in enumerate(answers)),
        caveats=first.caveats,
        place=address(first.question),
        finding=finding(answers),
        fine_print=technique_tables.fine_print(answers),
        safety=UNMEASURED in first.caveats,
    )


def _part(a: TechniqueAnswer, id: str, notes: NotesRead | None) -> Part:
    labels = {g.name: g.label for g in a.groups}
    ratios = list(_ratios(a, labels))
    told = "; ".join(f"{r.label} {ratio(r.value)} ({ratio(r.low)} to {ratio(r.high)})" for r in ratios)
    label = f"{a.title}. Adjusted hazard ratios over {lower_first(labels[a.reference])}: {told}."
    return Part(
        heading=f"{OUTCOME[a.outcome]}: {finding([a])}",
        says=said(a),
        chart=forest_chart(ratios, id=id, label=label),
        groups=technique_tables.groups(a),
        contrasts=technique_tables.contrasts(a, labels) if a.contrasts else None,
        dose=technique_tables.dose(a) if a.dose else None,
        small_print=technique_tables.small_print(a),
        dose_says=a.dose_sentence,
        misread=moves(notes, a),
        dose_chart=chart_along(a, id=f"{id}-dose"),
    )


def _ratios(a: TechniqueAnswer, labels: dict[str, str]) -> Iterable[Ratio]:
    for c in a.contrasts:
        if c.hazard_ratio is not None and c.ratio_ci_low is not None and c.ratio_ci_high is not None:
            yield Ratio(contrast_label(a, c, labels), c.hazard_ratio, c.ratio_ci_low, c.ratio_ci_high)
