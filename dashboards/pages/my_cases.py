"""Each clinician's own teeth beside the whole practice: foldable, in order of name, never ranked."""

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

from dashboards import page, tables, terms, theme
from dashboards.answers import MOST_WORDS, Answer, Answers, kept
from dashboards.answers import words as word_count
from dashboards.charts.failure_curve import Line, draw
from dashboards.charts.rows import Mark, Row, rows_figure
from dashboards.formats import count, in_place, listing, lower_first, plural, sentence_case, whole, years
from dashboards.words import comparisons as words
from dashboards.words import sheet as words_sheet
from dashboards.words import signals as words_signals
from pipeline.practice.outcomes import TOOTH_LOSS
from pipeline.results import DAYS_PER_YEAR, RateRow, RateTable, Results
from pipeline.results.owner import Owner
from pipeline.results.points import CaseCurve

WHOLE = "Whole practice"
MORE_WORDS = 4  # of the note that more clinicians stand below
OWN, ALL = theme.OWN, theme.ALL
HEIGHT = 270  # two of a clinician fit a printed page


@dataclass(frozen=True)
class Clinician:
    """One clinician's part of the page; `place` is its address, of the letters of the name."""

    name: str
    cases: tuple[dict[str, Any], ...]
    place: str = ""
    short: str = ""
    held: str = ""  # how many teeth of each kind
    signals: tuple[str, ...] = ()


def render(results: Results) -> str:
    """The page `my_cases.html`: each clinician's own teeth, closed until opened."""
    found = my_cases(results.own_cases)
    return page.inside(
        "my_cases.html",
        results,
        title="My cases, beside the whole practice",
        answers=_answers(results.own_cases, found, results.owner),
        cases=[replace(c, signals=words_signals.of_clinician(results.owner, c.name)) for c in found],
        heading=_heading(results.own_cases, results.owner),
        signals_by_chance=words_signals.of_all_charts(results.owner),
    )


def _answers(cases: Sequence[CaseCurve], found: Sequence[Clinician], owner: Owner) -> Answers:
    """One line a clinician, in order of name: each rate, and what signals there are of late."""
    if not found:
        return Answers((Answer("No clinician has teeth enough of their own to be shown beside the practice."),))
    practice = next((c for c in cases if not c.provider), None)
    told = lower_first(_rates([c for c in cases if not c.provider]))
    notes = [] if practice is None else [f"Whole practice: {told}, after {years(practice.years)}."]
    given = [
        Answer(f"{'; '.join([c.short, *words_signals.on_clinician(owner, c.name)])}.", asked=c.name, link=f"#{c.place}")
        for c in found
    ]
    notes.append("By name, not ranked.")
    room = MOST_WORDS - sum(map(word_count, notes))
    shown = kept(given, most=room)
    if len(shown) < len(given):
        shown = kept(given, most=room - MORE_WORDS)
        notes.append(f"{count(len(given) - len(shown), 'clinician')} more below.")
    picture = None if practice is None else _picture(cases, practice, {a.asked for a in shown})
    caption = "Line and pale stretch: the whole practice and its range." if picture is not None else ""
    return Answers(shown, picture, caption, tuple(notes))


def _picture(cases: Sequence[CaseCurve], practice: CaseCurve, named: Collection[str]) -> theme.Chart | None:
    """The clinicians that the answers name, in order of name, each with the range of the same outcome."""
    say = terms.outcome(practice.outcome)
    by_name = sorted(cases, key=lambda c: (c.provider.casefold(), c.provider))
    own = [(c.provider, r) for c in by_name if c.provider in named and c.outcome == practice.outcome
           and (r := _kept(c)) is not None]  # fmt: skip
    overall = _kept(practice)
    if not own or overall is None:
        return None
    title = f"{sentence_case(say.good)} after {years(practice.years)}, of 100 {plural(2, say.noun)}"
    least = 10 * (min(r[1] for _, r in [*own, (WHOLE, overall)]) // 10)
    figure, height = rows_figure(
        [Row(name, (Mark(*r, OWN, "%{x:.0f} of 100"),)) for name, r in own],
        title=title, span=(least, 100), line=overall[0], zone=overall[1:], shade=theme.EXPECTED,
        pitch=36, beside=True,
    )  # fmt: skip
    told = "; ".join(f"{name} {r[0]:.0f} ({r[1]:.0f} to {r[2]:.0f})" for name, r in [*own, (WHOLE, overall)])
    return theme.chart(figure, id="by-name", label=f"{title}: {told}.", height=height)


def _kept(c: CaseCurve) -> tuple[float, float, float] | None:
    """Still in place of 100, with the range; None where too few are followed."""
    if c.survival is None or c.ci_low is None or c.ci_high is None:
        return None
    return 100 * c.survival, 100 * c.ci_low, 100 * c.ci_high


def _rates(cases: Sequence[CaseCurve]) -> str:
    """`Crowns 93 of 100, root-filled teeth 92; too few root canals`: how many hold, of what is followed so long."""
    named = [(lower_first(words_sheet.name_of(c.outcome)), c.survival) for c in cases]
    held = [(name, in_place(survival)) for name, survival in named if survival is not None]
    told = ", ".join(f"{name} {n}{'' if i else ' of 100'}" for i, (name, n) in enumerate(held))
    few = listing([name for name, survival in named if survival is None])
    return sentence_case("; ".join(t for t in (told, few and f"too few {few}") if t))


def _heading(cases: Sequence[CaseCurve], owner: Owner) -> str:
    """The clinicians with recent signals, and how many ranges hold the practice's figure, of the first outcome."""
    found = [s.who for s in owner.signals if s.recent and s.who in {c.provider for c in cases if c.provider}]
    signals = f"{count(len(found), 'recent signal')} on {listing(sorted(set(found)))}; " if found else ""
    whole_of = next((c for c in cases if not c.provider), None)
    own = [c for c in cases if whole_of is not None and c.provider and c.outcome == whole_of.outcome]
    told = [holds for c in own if whole_of is not None and (holds := _holds(c, whole_of)) is not None]
    if whole_of is None or not told:
        return f"{signals}{'t' if signals else 'T'}oo few teeth of their own to set a clinician beside the practice"
    of = plural(2, terms.outcome(whole_of.outcome).noun)
    held = f"{whole(sum(told))} of {count(len(told), 'range')} of {of} {plural(sum(told), 'holds')}"
    return f"{signals}{held} the practice’s figure"


def my_cases(found: Sequence[CaseCurve]) -> list[Clinician]:
    """The clinicians in order of name; one case for each outcome, in the order of the results."""
    practice = {c.outcome: c for c in found if not c.provider}
    names = sorted({c.provider for c in found if c.provider}, key=lambda name: (name.casefold(), name))
    made: list[Clinician] = []
    for place, name in enumerate(names):
        own = [c for c in found if c.provider == name and c.outcome in practice]
        cases = tuple(_case(c, practice[c.outcome], f"own-{place}-{number}") for number, c in enumerate(own))
        # Of root canals there are two outcomes: the same teeth, told once.
        held = listing([count(c.teeth, terms.outcome(c.outcome).noun) for c in own if c.outcome != TOOTH_LOSS.rate])
        short = "; ".join(t for t in (_rates(own), _within([(c, practice[c.outcome]) for c in own])) if t)
        made.append(Clinician(name, cases, _address(name, [m.place for m in made]), short, held))
    return made


def _within(found: Sequence[tuple[CaseCurve, CaseCurve]]) -> str:
    """`within chance`, `within chance but for crowns`: which of a clinician's ranges hold the practice's figure."""
    told = [(own, holds) for own, whole in found if (holds := _holds(own, whole)) is not None]
    out = listing([lower_first(words_sheet.name_of(own.outcome)) for own, held in told if not held])
    said = "within chance but for " if any(held for _, held in told) else "not within chance: "
    return f"{said}{out}" if out else "within chance" if told else ""


def _holds(own: CaseCurve | RateRow, whole: CaseCurve | RateRow) -> bool | None:
    """Whether the range holds the practice's figure; None where either could not be worked out."""
    if own.survival is None or own.ci_low is None or own.ci_high is None or whole.survival is None:
        return None
    return own.ci_low <= whole.survival <= own.ci_high


def _address(name: str, taken: Sequence[str]) -> str:
    """The letters of a name as an address; a number after it where two names have the same letters."""
    base = "cases-" + ("-".join(re.findall(r"[a-z0-9]+", name.lower()))[:40].strip("-") or "one")
    return next(a for n in range(1, len(taken) + 2) if (a := base if n == 1 else f"{base}-{n}") not in taken)


def _case(own: CaseCurve, whole: CaseCurve, id: str) -> dict[str, Any]:
    """One clinician and outcome, as the template shows it."""
    row, all_row = _row(own, own.provider), _row(whole, WHOLE)
    headline, said = words.rate_headline(row, own.outcome), beside(row, all_row, own.outcome)
    return {
        "heading": _case_heading(row, all_row, own.outcome),
        "headline": headline,
        "beside": said,
        "chart": _chart(own, whole, id, f"{own.provider}: {lower_first(headline)} {said}".rstrip()),
        "legend": [theme.LegendItem(label, look) for label, look, curve in _drawn(own, whole) if curve.points],
        "table": tables.rates(RateTable(id, "", own.outcome, "provider_id", (row, all_row))),
    }


def _case_heading(own: RateRow, whole: RateRow, outcome: str) -> str:
    """`Crowns still in place: 93 of 100, the practice 91`; without figures where too few are followed."""
    say = terms.outcome(outcome)
    told = [in_place(r.survival) for r in (own, whole) if r.survival is not None]
    figures = f": {told[0]} of 100, the practice {told[1]}" if len(told) == 2 else ": too few followed to tell"
    return f"{sentence_case(say.many)} {say.good}{figures}"


def beside(own: RateRow, whole: RateRow, outcome: str) -> str:
    """Whether the clinician's range holds the practice's figure; empty where either could not be worked out."""
    within = _holds(own, whole)
    if within is None or whole.survival is None:
        return ""
    return (
        f"The range of {own.name} {'holds' if within else 'leaves out'} the practice’s figure, "
        f"{in_place(whole.survival)} of 100 {terms.outcome(outcome).many}."
    )


def _row(c: CaseCurve, name: str) -> RateRow:
    return RateRow(name, c.teeth, c.patients, c.failures, 0.0, c.years, c.followed, c.survival, c.ci_low, c.ci_high)


def _drawn(own: CaseCurve, whole: CaseCurve) -> list[tuple[str, theme.Look, CaseCurve]]:
    return [(own.provider, OWN, own), (WHOLE, ALL, whole)]


def _chart(own: CaseCurve, whole: CaseCurve, id: str, label: str) -> theme.Chart | None:
    """The clinician's curve with its range, and the practice's as a line; None where the clinician's has no year."""
    lines = [_line(curve, look, name, banded=curve is own) for name, look, curve in _drawn(own, whole) if curve.points]
    last = own.points[-1].days / DAYS_PER_YEAR if own.points else 0.0
    if last < 1:
        return None
    say = terms.outcome(own.outcome)
    columns = tuple(float(y) for y in range(0, int(last) + 1, max(1, -(-int(last) // 10))))
    # The heading says of what; the axis is short.
    return draw(lines, columns, id=id, label=label, noun="", since=say.population.since, said=sentence_case(say.bad),
                height=HEIGHT)  # fmt: skip


def _line(c: CaseCurve, look: theme.Look, name: str, *, banded: bool) -> Line:
    steps: list[tuple[float, ...]] = [(0.0, 0.0, 0.0, 0.0)]
    steps += [(p.days / DAYS_PER_YEAR, *(100 * (1 - v) for v in (p.survival, p.ci_high, p.ci_low))) for p in c.points]
    x, y, low, high = (tuple(round(v, 3) for v in values) for values in zip(*steps, strict=True))
    return Line(look, x, y, low, high, banded=banded, label=name)
