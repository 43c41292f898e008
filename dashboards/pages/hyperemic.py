"""The decision on a hyperemic tooth as a fact box: each outcome both ways, per hundred, with what is not known."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from dashboards import page, theme
from dashboards.answers import Answer, Answers, kept
from dashboards.charts.rows import Mark, Row, rows_figure
from dashboards.formats import sentence_case, spread, years
from dashboards.pages import trial, unseen
from dashboards.theme import Chart
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from pipeline.results import IncidenceCurve, Results, Trial, TrialOutcome
from pipeline.results.trial_words import CROWN, FATES, NEED, TOOTH

TITLE = "A hyperemic tooth that needs a crown: root canal first, or wait?"
NONE = (
    "These records do not tell which teeth were hyperemic when they were prepared, so the decision was not looked at."
)
ASKED = {CROWN: "The crown", TOOTH: "The tooth", NEED: "The root canal"}
UNKNOWN = "Pain, cost and comfort are not recorded; keeping the pulp alive by covering it is not compared."
FIRST, WAIT = "Root canal first", "Vital seat and wait"


@dataclass(frozen=True)
class Fact:
    """One outcome of the fact box: both ways and the difference, each as a name and what is said."""

    heading: str
    said: tuple[tuple[str, str], ...]


def render(results: Results) -> str:
    """The page `hyperemic.html`: one section a trial, as a rule one."""
    found = [
        trial.trial_section(t, f"t{i}") | unseen.unseen_block(results.unseen, t.id, f"t{i}") | {"facts": list(facts(t))}
        for i, t in enumerate(results.trials)
    ]
    return page.render(
        "hyperemic.html.j2",
        title=TITLE,
        audience="inside",
        answers=_answers(results),
        charts=[*(c for s in found for c in trial.charts(s)), *(c for s in found for c in unseen.charts(s))],
        practice=results.practice,
        here="hyperemic.html",
        cautions=results.cautions,
        trials=found,
        scope=words.scope_sentence(results),
    )


def facts(t: Trial) -> Iterator[Fact]:
    """What became of 100 teeth by the horizon, the root canal done first and with waiting."""
    for o in t.outcomes:
        if o.difference is None:
            yield Fact(ASKED.get(o.outcome, sentence_case(o.outcome)), (("Not given", o.why_none or o.sentence),))
            continue
        d = o.difference
        said = [(name, _of_100(t, o, arm)) for name, arm in ((FIRST, d.group), (WAIT, d.reference))]
        low, high = round(d.ci_low), round(d.ci_high)
        far = f"{low} to {high} fewer" if o.outcome == NEED else words_answers.between(low, high)
        said.append(("First, compared with waiting" if o.outcome != NEED else "With waiting", far))
        yield Fact(ASKED.get(o.outcome, sentence_case(o.outcome)), tuple((n, text) for n, text in said if text))


def _of_100(t: Trial, o: TrialOutcome, arm: str) -> str:
    """`10 of 100 failed within 5 years (7 to 16)`; empty where no curve tells it at the horizon."""
    if o.difference is None:
        return ""
    horizon, verb = o.difference.years, FATES.get(o.outcome, ("", "", "had one"))[2]
    if o.outcome == NEED and arm == o.difference.group:
        return "100 of 100 have one"
    curve = _curve(t.curves, o, arm)
    point = next((p for p in curve.points if p.years == horizon), None) if curve else None
    if point is None:
        return ""
    rng = spread(round(100 * point.ci_low), round(100 * point.ci_high))
    return f"{round(100 * point.estimate)} of 100 {verb} within {years(horizon)} ({rng})"


def _curve(curves: Sequence[IncidenceCurve], o: TrialOutcome, arm: str) -> IncidenceCurve | None:
    """The curve that the difference rests on: the adjusted one, where there is one."""
    found = [c for c in curves if c.arm == arm and c.outcome == o.outcome]
    return next((c for c in found if c.adjusted == o.adjusted), found[0] if found else None)


def _answers(results: Results) -> Answers:
    if not results.trials:
        return Answers((Answer(words.not_asked(results) or NONE),))
    t = results.trials[0]
    given = [_answer(t, o) for o in t.outcomes]
    if not given and t.verdict is not None:
        given = [Answer(t.verdict.sentence, code=t.verdict.code, link="#trial")]
    if not given:
        given = [Answer("Too few such teeth have been followed to compare the two ways.", link="#trial")]
    given.append(Answer(UNKNOWN,
                        asked="Not known", link="#not-known"))  # fmt: skip
    return Answers(kept(given), _picture(t))


def _answer(t: Trial, o: TrialOutcome) -> Answer:
    code = t.verdict.code if t.verdict is not None and o.outcome == CROWN else ""
    said = words_answers.outcome_says(o)
    return Answer(sentence_case(said), asked=ASKED.get(o.outcome, o.outcome), link="#facts", code=code)


def _picture(t: Trial) -> Chart | None:
    """The differences of crown and tooth side by side, against the zone too small to matter."""
    drawn = [(o, o.difference) for o in t.outcomes if o.outcome != NEED and o.difference is not None]
    if not drawn:
        return None
    smallest = t.verdict.smallest_difference_per_100 if t.verdict else 0.0
    ends = [v for _, d in drawn for v in (d.ci_low, d.ci_high)]
    reach = 5 * (int(max(*(abs(v) for v in ends), 2 * smallest) // 5) + 1)
    look = theme.Look(theme.INK, "solid", "none", "diamond")
    rows = [
        Row(f"{ASKED[o.outcome]} {FATES[o.outcome][1].removeprefix('was ')}", (
            Mark(d.per_100, d.ci_low, d.ci_high, look, f"{ASKED[o.outcome]}: %{{x:.0f}} per 100 "
                 f"({words_answers.between(round(d.ci_low), round(d.ci_high))})"),))
        for o, d in drawn
    ]  # fmt: skip
    figure, height = rows_figure(
        rows, title="Of 100, more with the root canal first on the right", span=(-reach, reach), line=0,
        zone=(-smallest, smallest) if smallest else None,
        ticks=list(range(-reach, reach + 1, 5 if reach <= 25 else 10)),
    )  # fmt: skip
    label = " ".join(words_answers.outcome_says(o) for o, _ in drawn)
    return theme.chart(figure, id="hyperemic-differences", label=sentence_case(label), height=height)
