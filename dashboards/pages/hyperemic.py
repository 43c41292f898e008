"""The decision on a hyperemic tooth as a fact box: each outcome both ways, per hundred, with what is not known."""

from collections.abc import Iterator
from dataclasses import dataclass

from dashboards import page
from dashboards.answers import Answer, Answers, kept
from dashboards.charts.contrasts import Apart, difference_chart
from dashboards.formats import lower_first, sentence_case, spread, years
from dashboards.pages import trial, unseen
from dashboards.theme import Chart
from dashboards.words import answers as words_answers
from dashboards.words import comparisons as words
from pipeline.results import Results, Trial, TrialOutcome
from pipeline.results.points import IncidencePoint
from pipeline.results.trial_words import CROWN, FATES, NEED, TOOTH
from pipeline.results.unseen import Spread, need_with_unseen

TITLE = "A hyperemic tooth that needs a crown: root canal first, or wait?"
NONE = (
    "These records do not tell which teeth were hyperemic when they were prepared, so the decision was not looked at."
)
ASKED = {CROWN: "The crown", TOOTH: "The tooth", NEED: "The root canal"}
UNKNOWN = "Pain, cost and comfort are not recorded; keeping the pulp alive by covering it is not compared."
FIRST, WAIT = "Root canal first", "Vital seat and wait"


@dataclass(frozen=True)
class Fact:
    """One outcome of the fact box: its verdict, both ways and the difference, each as a name and what is said."""

    heading: str
    code: str  # of its verdict; empty without one
    said: tuple[tuple[str, str], ...]


def render(results: Results) -> str:
    """The page `hyperemic.html`: one section a trial, as a rule one."""
    found = [
        trial.trial_section(t, f"t{i}")
        | unseen.unseen_block(results.unseen, t.id, f"t{i}")
        | {"facts": list(facts(t, more)), "facts_heading": facts_heading(t, more)}
        for i, t in enumerate(results.trials)
        for more in [need_with_unseen(results.unseen, t.id)]
    ]
    return page.inside("hyperemic.html", results, title=TITLE, answers=_answers(results), trials=found)


def facts_heading(t: Trial, more: Spread | None) -> str:
    """What waiting saves and what it costs, for a heading; that little can be said where nothing is known.

    `more` is as `with_unseen` of `facts`.
    """
    known = {o.outcome: o.difference for o in t.outcomes if o.difference is not None}
    is_open = {o.outcome for o in t.outcomes if o.verdict is not None and o.verdict.code in words_answers.OPEN}
    told = []
    if (need := known.get(NEED)) is not None:
        spared, perhaps = (need.per_100, "") if more is None else (100 - more.median, "perhaps ")  # as the answers do
        told.append(f"with waiting {perhaps}{round(spared)} of 100 teeth had no root canal")
    for outcome, noun in ((CROWN, "crowns"), (TOOTH, "teeth")):
        if (d := known.get(outcome)) is not None:
            kind = "failed" if outcome == CROWN else "were lost"
            far = words_answers.between(d.ci_low, d.ci_high)
            much = far if outcome in is_open else words_answers.more(round(d.per_100))
            told.append(f"with the root canal first {much} {noun} {kind}")
    said = f"Both ways: {'; '.join(told[:2])}" if told else "Both ways: too few teeth to tell them apart"
    return said


def facts(t: Trial, with_unseen: Spread | None) -> Iterator[Fact]:
    """What became of 100 teeth by the horizon, the root canal done first and with waiting.

    `with_unseen` is the need of a root canal with waiting where what others may have done unseen counts too.
    """
    for o in t.outcomes:
        name, code = ASKED.get(o.outcome, sentence_case(o.outcome)), o.verdict.code if o.verdict is not None else ""
        if o.difference is None:
            yield Fact(name, code, (("Not given", o.why_none or o.sentence),))
            continue
        d = o.difference
        said = [(way, _of_100(t, o, arm)) for way, arm in ((FIRST, d.group), (WAIT, d.reference))]
        if o.outcome != NEED:
            said.append(("First, compared with waiting", words_answers.between(d.ci_low, d.ci_high)))
        if _few(t, o):
            said.append(("But", "with so few, even twice as many would look small here"))
        if o.outcome == NEED and with_unseen is not None:
            ends = spread(round(with_unseen.low), round(with_unseen.high))
            said.append(("With root canals done elsewhere", f"perhaps {round(with_unseen.median)} of 100 ({ends})"))
        yield Fact(name, code, tuple((n, text) for n, text in said if text))


def _few(t: Trial, o: TrialOutcome) -> bool:
    """Whether a difference that is called little may be as large as what happens with waiting."""
    d = o.difference
    if d is None or o.verdict is None or o.verdict.code != "little_difference":
        return False
    point = _at_horizon(t, o, d.reference)
    return point is not None and d.ci_high >= 100 * point.estimate


def _of_100(t: Trial, o: TrialOutcome, arm: str) -> str:
    """`10 of 100 failed within 5 years (7 to 16)`; empty where no curve tells it at the horizon."""
    if o.difference is None:
        return ""
    d, verb = o.difference, FATES.get(o.outcome, ("", "", "had one"))[2]
    horizon = d.years
    if o.outcome == NEED and arm == d.group:
        return "100 of 100 have one"
    if o.outcome == NEED:
        # Of the difference, as the card's other line: the curve of all that waited is not adjusted.
        least, most = (100 - round(end) for end in (d.ci_high, d.ci_low))
        return f"{100 - round(d.per_100)} of 100 {verb} recorded here within {years(horizon)} ({spread(least, most)})"
    point = _at_horizon(t, o, arm)
    if point is None:
        return ""
    rng = spread(round(100 * point.ci_low), round(100 * point.ci_high))
    return f"{round(100 * point.estimate)} of 100 {verb} within {years(horizon)} ({rng})"


def _at_horizon(t: Trial, o: TrialOutcome, arm: str) -> IncidencePoint | None:
    """The point of the curve that the difference rests on: of the adjusted one, where there is one."""
    found = [c for c in t.curves if c.arm == arm and c.outcome == o.outcome]
    curve = next((c for c in found if c.adjusted == o.adjusted), found[0] if found else None)
    horizon = o.difference.years if o.difference is not None else None
    return next((p for p in curve.points if p.years == horizon), None) if curve else None


def _answers(results: Results) -> Answers:
    if not results.trials:
        return Answers((Answer(words.not_asked(results) or NONE),))
    t = results.trials[0]
    told = next((o.outcome for o in t.outcomes if o.difference is not None), None)  # says the years, and for which way
    more = need_with_unseen(results.unseen, t.id)
    given = [_answer(t, o, when=o.outcome in (told, NEED), more=more) for o in t.outcomes]
    if not given:
        given = [Answer("Too few such teeth have been followed to compare the two ways.", link="#trial")]
    given.append(Answer(UNKNOWN, asked="Not known", link="#not-known"))
    return Answers(kept(given), _picture(t))


def _answer(t: Trial, o: TrialOutcome, *, when: bool, more: Spread | None) -> Answer:
    code = o.verdict.code if o.verdict is not None else ""
    said = _both_ways(t, o, when=when) or words_answers.outcome_says(o, when=when, code=code, unseen=more)
    said += " Even twice as many look small." if _few(t, o) else ""
    return Answer(sentence_case(said), asked=ASKED.get(o.outcome, o.outcome), link="#facts", code=code)


def _both_ways(t: Trial, o: TrialOutcome, *, when: bool) -> str:
    """`Treated first, 10 of 100 crowns failed within 5 years; waiting, 8 (3 fewer to 8 more).`

    Empty of the need of a root canal, and where a curve ends too early.
    """
    d = o.difference
    points = [] if d is None or o.outcome == NEED else [_at_horizon(t, o, arm) for arm in (d.group, d.reference)]
    shares = [round(100 * p.estimate) for p in points if p is not None]
    if d is None or len(shares) < len(points) or not shares:
        return ""
    befell = f"{'crowns ' if o.outcome == CROWN else ''}{FATES.get(o.outcome, FATES[TOOTH])[2]}"
    way, within = ("Treated first", f" within {years(d.years)}") if when else ("First", "")
    far = words_answers.from_to(d.ci_low, d.ci_high).removeprefix("from ")
    return f"{way}, {shares[0]} of 100 {befell}{within}; waiting, {shares[1]} ({far})."


def _picture(t: Trial) -> Chart | None:
    drawn = differences(t)
    smallest = t.verdict.smallest_difference_per_100 if t.verdict else 0.0
    label = " ".join(
        words_answers.outcome_says(o) for o in t.outcomes if o.outcome != NEED and o.difference is not None
    )
    return difference_chart(drawn, smallest=smallest, title="Of 100, with the root canal first: fewer left, more right",
                            id="hyperemic-differences", label=sentence_case(label))  # fmt: skip


def differences(t: Trial, *, of: str = "") -> list[Apart]:
    """The differences of crown and tooth as rows of a chart; `of` goes before their names."""
    return [
        Apart(sentence_case(f"{of}{lower_first(ASKED[o.outcome])} {FATES[o.outcome][1].removeprefix('was ')}"),
              d.per_100, d.ci_low, d.ci_high,
              f"{ASKED[o.outcome]}: %{{x:.0f}} per 100 ({words_answers.between(d.ci_low, d.ci_high)})",
              o.verdict.code if o.verdict is not None else "")
        for o in t.outcomes
        if o.outcome != NEED and (d := o.difference) is not None
    ]  # fmt: skip
