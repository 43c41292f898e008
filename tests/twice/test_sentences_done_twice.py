"""More or fewer, and how many: every sentence with such a number says what R found, in sign and in size."""

import dataclasses
import itertools
import math
import re

import pytest
from twice_sentences import months, much, span

from dashboards.pages import crowns, hyperemic, root_canals
from dashboards.release.released import release
from dashboards.words.comparisons import difference_sentence, naive_sentence
from dashboards.words.shared import model_title
from dashboards.words.trial import crude_sentence
from pipeline.questions.verdict import Basis, write_verdict
from pipeline.results import Difference, Group, Naive, Results
from pipeline.results.trial_words import outcome_sentence

MAIN = "crown_longevity_by_endo_timing"
COMPARED = (MAIN, "tooth_survival_by_crown_after_endo", "endo_free_of_intervention_by_crown")
DECISION = "hyperemic_before_seat_or_wait"
AGE = "technique_patient_age_crown_failure"


@pytest.fixture(scope="module")
def results(practice) -> Results:
    """What the sentences stand on; the pages of the rest take time and say nothing of it."""
    rest = dict.fromkeys(("techniques", "rates", "planning", "own_cases", "learning", "losses", "recalls"), ())
    return dataclasses.replace(practice[1], **rest)


def whole(d: dict) -> tuple[int, tuple[int, int]]:
    return round(d["per_100"]), (round(d["ci_low"]), round(d["ci_high"]))


@pytest.mark.parametrize("question", [*COMPARED, DECISION])
def test_verdicts_say_what_r_found(ours, theirs, question):
    found = theirs[question]
    d = found["outcomes"][0]["difference"] if question == DECISION else found["difference"]
    said = ours[question]["verdict"]
    middle, limits = whole(d)
    assert (much(said["sentence"]), span(said["sentence"])) == (middle, limits)
    assert much(said["result"]) == middle
    assert span(said["range"]) == limits
    since = max(1, round(d["from_days"] * 12 / 365.25)) if d["from_days"] else 0
    assert months(said["sentence"]) == months(said["result"]) == since
    assert f"{d['years']:g} years" in said["result"]
    sides = ours[question]["curves" if question == DECISION else "groups"]
    labels = {side["arm" if question == DECISION else "name"]: side["label"].lower() for side in sides}
    order = f"with {labels[d['group']]} than with {labels[d['reference']]} "
    assert order in said["sentence"]
    assert order in said["result"]


def test_the_sentence_names_the_group_that_failed_more_first(ours, theirs):
    said = ours[MAIN]["verdict"]["sentence"]
    assert theirs[MAIN]["difference"]["per_100"] > 0
    assert "9 more failures per 100 with root canal through the crown than with root canal before the seat" in said
    kept = {g["name"]: g["milestones"]["survival"][g["milestones"]["years"].index(5)] for g in theirs[MAIN]["groups"]}
    assert kept["through_crown"] < kept["before_seat"]  # the curves of R lie the same way


def test_every_outcome_of_the_decision_says_what_r_found(ours, theirs):
    by_outcome = {o["outcome"]: o for o in theirs[DECISION]["outcomes"]}
    told = {o["outcome"]: o["sentence"] for o in ours[DECISION]["outcomes"]}
    middle, limits = whole(by_outcome["crown_failure"]["difference"])
    assert (much(told["crown_failure"]), span(told["crown_failure"].split("range is")[1])) == (middle, limits)
    # Of root canals the sentence counts how many fewer there were with waiting.
    middle, limits = whole(by_outcome["endo_needed"]["difference"])
    assert much(told["endo_needed"]) == -middle
    assert span(told["endo_needed"].split("range is")[1]) == (-limits[1], -limits[0])
    lost, waiting, needed = by_outcome["tooth_loss"]["why_none"]
    assert f"({lost} with a root canal before the seat and {waiting} with a vital seat" in told["tooth_loss"]
    assert f"at least {needed}" in told["tooth_loss"]


def test_the_needs_of_a_root_canal_say_what_r_found(ours, theirs):
    *needs, flares = ours[DECISION]["everyday"]
    teeth, flared = theirs[DECISION]["protocol"]["Eligibility"][3], theirs[DECISION]["protocol"]["Time zero"][6:8]
    assert flares.startswith(f"Of {teeth} hyperemic teeth, {sum(flared) or 'none'}")
    for said, curve in zip(needs, theirs[DECISION]["everyday_curves"], strict=True):
        points = curve["points"]
        at = points["years"].index(5)
        n, low, high = (round(100 * points[name][at]) for name in ("estimate", "ci_low", "ci_high"))
        assert re.findall(r"\d+", said) == ["100", str(n), "5", str(low), str(high)]


def test_a_technique_says_what_r_found(ours, theirs):
    for said, found in zip(ours[AGE]["contrasts"], theirs[AGE]["contrasts"], strict=True):
        assert span(said["sentence"]) == (round(found["difference_ci_low"]), round(found["difference_ci_high"]))


@pytest.mark.parametrize("question", COMPARED)
def test_page_words_say_what_r_found(results, theirs, question):
    comparison = next(c for c in results.comparisons if c.id == question)
    labels = {g.name: g.label for g in comparison.groups}
    for name in ("difference", "crude_difference"):
        said = difference_sentence(getattr(comparison, name), labels, "crown")
        middle, limits = whole(theirs[question][name])
        assert (much(said), span(said.split("range is")[1])) == (middle, limits), name
        group, reference = re.findall("“(.*?)”", said)
        assert (group, reference) == tuple(labels[theirs[question][name][side]] for side in ("group", "reference"))
    assert isinstance(comparison.naive, Naive)
    said = naive_sentence(comparison.naive, labels, 5, start="the start")
    ratio = [f"{theirs[question]['naive'][name]:.2f}" for name in ("hazard_ratio", "ci_low", "ci_high")]
    assert re.findall(r"\d+\.\d\d", said) == ratio
    for name, kept in theirs[question]["naive"]["survival"]:
        assert f"{round(100 * (1 - kept))} of 100 with “{labels[name]}”" in said


def test_times_as_fast_says_what_r_found(results, theirs):
    """Shared ratios are rounded: they agree in the side of 1 and to within a step, and the range covers R's."""
    shown = {c.id: model_title(c) for c in release(results).comparisons if c.estimates}
    assert set(COMPARED) <= set(shown)
    for question in COMPARED:
        found = next(e for e in theirs[question]["estimates"] if e["adjusted_for"])
        said = re.search(r"Failures came ([\d.]+) times as fast \(([\d.]+) to ([\d.]+)\)", shown[question])
        assert said is not None, shown[question]
        middle, low, high = map(float, said.groups())
        assert middle == pytest.approx(found["hazard_ratio"], rel=0.1)
        assert 0 <= found["ci_low"] - low < (0.05 if low < 1 else 0.1)
        assert 0 <= high - found["ci_high"] < (0.05 if high <= 1 else 0.1)
        assert (float(said[1]) > 1) == (found["hazard_ratio"] > 1)


def test_the_page_holds_these_sentences(results, ours, theirs):
    page = re.sub(
        r"\s+", " ", re.sub("<[^>]*>", "", " ".join(p.render(results) for p in (crowns, hyperemic, root_canals)))
    )
    for question in (*COMPARED, DECISION):
        assert ours[question]["verdict"]["sentence"] in page
    crude = next(d for name, d in results.trials[0].differences if name == "crown_failure_crude")
    middle, limits = whole(dict(theirs[DECISION]["differences"])["crown_failure_crude"])
    said = crude_sentence(crude, "crown_failure")
    assert said in page
    assert (much(said), span(said.split("range is")[1])) == (middle, limits)


# ---- the same of drawn differences, so that every verdict is spoken

MIDDLES = (-31.4, -7.3, -1.2, -0.3, 0.0, 0.4, 1.3, 6.8, 28.7)
HALVES = (0.6, 2.1, 4.3, 6.1, 7.4, 9.8, 25.2)
# Middle, low, high, the day from which it counts, and the smallest difference that matters.
DRAWN = [
    (middle, middle - half, middle + half, since, smallest)
    for middle, half, since, smallest in itertools.product(MIDDLES, HALVES, (0, 20, 230, 700), (5.0, 10.0))
]


def test_verdicts_on_drawn_differences():
    codes = set()
    for middle, low, high, since, smallest in DRAWN:
        d = Difference("a", "b", 5, since, middle, low, high, "")
        one, other = (Group(name, f"Way {name}", 99, 90, n, 1.0, 1.0, 1.0, 1.0) for name, n in (("a", 12), ("b", 10)))
        said = write_verdict(Basis(one, other, d, 5, smallest, 10, 8.0))
        codes.add(said.code)
        if -smallest < low and high < smallest:
            assert said.code == "little_difference"
            assert f"smaller than {smallest:g} per 100" in said.sentence
        elif low > 0 or high < 0:
            assert said.code == "differs"
            assert much(said.sentence) == round(middle)
            assert "with way a than with way b" in said.sentence
        else:
            assert said.code == "cannot_tell"
            assert "we cannot tell yet" in said.sentence
            assert "With way a instead of way b" in said.sentence
            _narrower(said.next_step, ((high - low) / 2 / smallest) ** 2, years=8.0)
        assert much(said.result) == round(middle)
        assert "with way a than with way b" in said.result
        limits = (round(low), round(high))
        assert span(said.sentence) == span(said.range) == limits
        assert months(said.result) == (max(1, round(since * 12 / 365.25)) if since else 0)
        assert said.smallest_difference_per_100 == smallest
    assert codes == {"little_difference", "differs", "cannot_tell"}


def _narrower(said: str, times: float, *, years: float) -> None:
    """How many such practices, and how many more years, would narrow the range to the smallest difference."""
    times *= ((1.959964 + 0.841621) / 1.959964) ** 2  # to find it four times in five
    if times <= 1:
        assert "These records are enough" in said
        return
    assert f"{math.ceil(times)} practices" in said
    more = math.ceil((times - 1) * years)
    if more > 10:
        assert "Not here within 10 years" in said
    else:
        assert f"About {more} more year" in said


@pytest.mark.parametrize(
    ("failures", "low", "high", "code"),
    [
        ((9, 10), 6.0, 9.0, "too_early"),  # one too few in one group
        ((10, 9), 6.0, 9.0, "too_early"),
        ((10, 10), 6.0, 9.0, "differs"),
        ((10, 10), 0.0, 9.0, "cannot_tell"),  # a range that touches 0 does not exclude it
        ((10, 10), -9.0, 0.0, "cannot_tell"),
        ((10, 10), -5.0, 4.9, "cannot_tell"),  # one that touches the smallest difference is not within it
        ((10, 10), -4.9, 5.0, "cannot_tell"),
        ((10, 10), 0.1, 5.0, "differs"),
        ((10, 10), -5.0, -0.1, "differs"),
        ((10, 10), -4.9, 4.9, "little_difference"),
    ],
)
def test_verdicts_at_their_edges(failures, low, high, code):
    d = Difference("a", "b", 5, 0, (low + high) / 2, low, high, "")
    one, other = (Group(name, name, 99, 90, n, 1.0, 1.0, 1.0, 1.0) for name, n in zip("ab", failures, strict=True))
    said = write_verdict(Basis(one, other, d, 5, 5.0, 10, 8.0))
    assert said.code == code
    if code == "too_early":
        assert re.findall(r"\d+", said.sentence) == [str(n) for n in failures]


def test_a_curve_that_stops_early_is_not_called_a_lack_of_failures():
    one, other = (Group(name, name, 99, 90, n, 1.0, 1.0, 1.0, 1.0) for name, n in (("a", 10), ("b", 11)))
    said = write_verdict(Basis(one, other, None, 5, 5.0, 10, 8.0))
    assert said.code == "too_early"
    assert (
        said.sentence == "Too few teeth are followed for 5 years to compare (10 failures with a, 11 failures with b)."
    )


def test_sentences_of_the_decision_on_drawn_differences():
    for middle, low, high, _, _ in DRAWN:
        for outcome in ("crown_failure", "tooth_loss"):
            said = outcome_sentence(outcome, middle, low, high, years=5, adjusted=True)
            assert much(said) == round(middle)
            assert span(said.split("range is")[1]) == (round(low), round(high))
