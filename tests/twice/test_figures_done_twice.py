"""Every figure of the main comparison, the decision, the crown after a root canal and one technique, against R."""

import json
import math

import pytest
import twice_practice
from twice_compare import gaps

from pipeline.results import to_plain

MAIN = "crown_longevity_by_endo_timing"
DECISION = "hyperemic_before_seat_or_wait"
AGE = "technique_patient_age_crown_failure"
QUESTIONS = (MAIN, "tooth_survival_by_crown_after_endo", "endo_free_of_intervention_by_crown", DECISION, AGE)
# What the answers of other questions move too: see the test of the family below.
OF_THE_FAMILY = (
    f"{AGE}/family: only in ours",
    f"{AGE}/dose_p_family: only in ours",
    f"{AGE}/contrasts/0/p_family: only in ours",
    f"{AGE}/contrasts/1/p_family: only in ours",
)


@pytest.mark.parametrize("question", QUESTIONS)
def test_every_figure_is_that_of_r(ours, theirs, question):
    found = [gap for gap in gaps(ours[question], theirs[question], question) if gap not in OF_THE_FAMILY]
    assert found == []


def test_nothing_that_r_told_is_left_out_of_the_comparison(theirs):
    assert set(theirs) == set(QUESTIONS)


def test_a_figure_that_is_off_by_little_is_noticed(theirs):
    main = theirs[MAIN]
    assert gaps(main, main) == []
    for path, change in (
        (("difference", "per_100"), lambda v: -v),
        (("difference", "ci_low"), lambda v: v * (1 + 1e-5)),
        (("estimates", 3, "hazard_ratio"), lambda v: 1 / v),
        (("groups", 0, "failures"), lambda v: v + 1),
        (("groups", 2, "curve", "survival", 3), lambda v: v + 1e-5),
        (("flow", "left", 1), lambda v: v - 1),
    ):
        other = json.loads(json.dumps(main))
        place = other
        for step in path[:-1]:
            place = place[step]
        place[path[-1]] = change(place[path[-1]])
        assert len(gaps(other, main)) == 1, path
        assert len(gaps(main, other)) == 1, path


def test_a_figure_that_r_does_not_know_is_noticed(theirs):
    main = theirs[MAIN]
    assert gaps({**main, "one_more": [{"figure": 0.5}]}, main) == ["/one_more: only in ours"]


def test_the_questions_find_what_their_sentences_need(theirs):
    # Without a difference of either sign the tests of the sentences would read no sign.
    signs = {q: math.copysign(1, theirs[q]["difference"]["per_100"]) for q in QUESTIONS[:3]}
    assert signs == {QUESTIONS[0]: 1, QUESTIONS[1]: -1, QUESTIONS[2]: -1}
    assert {theirs[q]["verdict"]["code"] for q in QUESTIONS[:4]} == {"differs"}


@pytest.mark.r
def test_r_run_afresh_says_what_is_frozen(practice, theirs, tmp_path):
    twice_practice.write_tables(*practice, tmp_path)
    fresh = json.loads(twice_practice.run_r(tmp_path))
    assert gaps(theirs, fresh) == []
    assert gaps(fresh, theirs) == []


def difference_p(d):
    z = d["per_100"] / ((d["ci_high"] - d["ci_low"]) / (2 * 1.959963984540054))
    return math.erfc(abs(z) / math.sqrt(2))


def claim_p(comparison):
    """The larger p of difference and adjusted ratio: a claim must show on both scales."""
    d = comparison["difference"]
    ratios = [e["p"] for e in comparison["estimates"] if e["contrast"] == f"{d['group']} vs {d['reference']}"]
    return max(difference_p(d), ratios[-1])


def corrected(looks):
    """Holm's weighted rule by its definition: claims fall one after the other, each against what is left of alpha.

    `looks` are p and weight of each by name; the weights sum to 1.
    """
    left, largest, found = 1.0, 0.0, {}
    for name, (p, weight) in sorted(looks.items(), key=lambda look: look[1][0] / look[1][1]):
        largest = max(largest, p / weight * left)
        left -= weight
        found[name] = min(largest, 1.0)
    return found


def test_each_family_of_looks_is_counted_by_holms_rule(practice, ours):
    answers = practice[1].techniques
    others = [claim_p(c) for c in (to_plain(c) for c in practice[1].comparisons[1:]) if c["difference"]]
    judged = [o["difference"] for o in ours[DECISION]["outcomes"] if o["outcome"] in ("crown_failure", "tooth_loss")]
    others += [difference_p(d) for d in judged if d]
    headlines = corrected(
        {"main": (claim_p(ours[MAIN]), 0.8), **{n: (p, 0.2 / len(others)) for n, p in enumerate(others)}}
    )
    assert headlines["main"] < 0.05  # so the main comparison may be claimed
    told = [(c.p, c.p_family) for a in answers for c in a.contrasts if c.p_family is not None]
    told += [(a.dose_p, a.dose_p_family) for a in answers if a.dose_p is not None]
    assert {a.family for a in answers} == {len(told)}
    assert len(told) > 20
    found = corrected({n: (p, 1 / len(told)) for n, (p, _) in enumerate(told)})
    assert [family for _, family in told] == pytest.approx([found[n] for n in range(len(told))], rel=1e-9)
