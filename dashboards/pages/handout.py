"""The handout of the talk, to be printed on A4: a structured abstract, a flow figure, Table 1 by group, the sources."""

import datetime as dt

from dashboards import page, terms
from dashboards.answers import Answer, Answers
from dashboards.formats import DASH, listing, phrase, plural, sentence_case, years
from dashboards.release.released import Released, ReleasedComparison, require
from dashboards.tables import NumberTable
from dashboards.talk import words
from dashboards.words import shared as words_shared
from pipeline.practice.talk import Talk

HIDDEN = "hidden"


def render(released: Released, talk: Talk | None = None, *, day: dt.date | None = None) -> str:
    """The page `study_club_handout.html`. Refuses anything but a released result."""
    require(released)
    talk = talk or Talk()
    c = released.comparisons[0] if released.comparisons else None
    return page.render(
        "study_club_handout.html",
        title=words.title(released, talk.title),
        audience="shared",
        answers=answers(released, words.title(released, talk.title)),
        practice=released.practice or "",
        cautions=(),
        speaker=talk.speaker,
        abstract=abstract(released),
        flow=released.methods.flow,
        flow_heading=_flow_heading(released),
        table1_heading=words_shared.counted_title(c) if c else "",
        groups=[(g.label, f"{g.crowns}", f"{g.failures}") for g in c.groups] if c else [],
        noun=plural(2, terms.outcome(c.outcome).noun) if c else "",
        table1=table1(c) if c else None,
        disclosure=words_shared.RULES,
        citation=words.citation(released, chosen=talk.title, speaker=talk.speaker, day=day),
        references=words_shared.references(released),
    )


def answers(released: Released, title: str) -> Answers:
    """The verdict on the main question, and what we would do."""
    done = Answer(f"{sentence_case(words.action(released)[0].partition(': ')[2])}.", "What we would do")
    if not released.comparisons:
        return Answers((Answer("No comparison could be made from these records, or none that may be shown."), done))
    c = released.comparisons[0]
    asked = "" if c.question == title else c.question
    return Answers((Answer(f"{words_shared.beside_verdict(c)}.", asked, code=c.verdict_code), done))


def _flow_heading(released: Released) -> str:
    """How many of those held could be set side by side."""
    told = [n for _, n in released.methods.flow if n.value is not None]
    if not told:
        return "From the records to the groups"
    noun = plural(2, terms.outcome(released.comparisons[0].outcome).noun) if released.comparisons else "teeth"
    if len(told) == 1:
        return f"About {told[0]} {noun} were compared"
    return f"Of about {told[0]} {noun}, about {told[-1]} could be compared"


def abstract(released: Released) -> list[tuple[str, str]]:
    """What follows the answers in an abstract, as heading and text, each from the released result."""
    parts = [("Setting", words_shared.scope(released))]
    if released.comparisons:
        c = released.comparisons[0]
        adjusted = c.adjusted_for
        how = f" Adjusted for {listing([phrase(a) for a in adjusted])}." if adjusted else ""
        groups = listing([f"“{g.label}”" for g in c.groups])
        found = (words_shared.curves(c), words_shared.result(c), words_shared.reach(c))
        parts += [
            ("Design", f"A cohort from routine records, not a trial. Groups: {groups}.{how}"),
            ("What counted as failure", terms.outcome(c.outcome).definition),
            ("Findings", " ".join(text for text in found if text)),
            ("How sure", " ".join(text for text in (words_shared.choices(c), words_shared.doubt(c)) if text)),
        ]
    if released.decision:
        parts.append(("The hyperemic tooth", " ".join(words_shared.decision(released))))
    return parts


def table1(c: ReleasedComparison) -> NumberTable:
    """Who was in the groups that are set side by side, as released; without these, of every group its sizes."""
    noun = sentence_case(plural(2, terms.outcome(c.outcome).noun))
    d = c.difference
    named = [g for name in ((d.reference, d.group) if d else ()) for g in c.groups if g.name == name] or list(c.groups)
    points = [words_shared.horizon_point(c, g) for g in named]
    failed = [DASH if p is None else words_shared.failed_of_100(p) for p in points]
    rows = [
        (f"{noun}, number", *(str(g.crowns) for g in named)),
        ("Patients, number", *(str(g.patients) for g in named)),
        ("Failures, number", *(str(g.failures) for g in named)),
        (f"Failed of 100 by {years(c.horizon_years)} (95 % range)", *failed),
    ]
    for line in c.table1:
        shown = (
            HIDDEN if v is None else f"{v}{' %' if line.share else ''}" for v in (line.of_reference, line.of_group)
        )
        rows.append((line.label, *shown))
    return NumberTable("Table 1. Who was in each group", ("What", *(g.label for g in named)), tuple(rows))
