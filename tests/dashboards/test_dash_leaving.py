"""Those who stopped coming, in words: every number is the one of the results."""

import dataclasses
import json
import re

import sample_results as samples
from read_page import plain

from dashboards.pages import crowns
from dashboards.results_json import results_json
from dashboards.words import leaving as words_leaving
from pipeline.results import Results, from_plain, to_plain
from pipeline.results.leaving import LostFromSight, Tipping

RESULTS = samples.differs()
MAIN = RESULTS.comparisons[0]


def said(**changes) -> list[str]:
    leaving = dataclasses.replace(MAIN.robustness.leaving, **changes)
    robustness = dataclasses.replace(MAIN.robustness, leaving=leaving)
    return words_leaving.leaving_sentences(dataclasses.replace(MAIN, robustness=robustness))


def test_who_was_lost_what_is_weighted_and_what_turns_the_verdict():
    lost, weighed, fewer, more, all_opened, none_before = said()
    assert lost == (
        "Lost from sight before 5 years: 84 of 310 crowns with root canal through the crown and 190 of 1,004 crowns "
        "with root canal before the crown was seated. Lost means last seen more than 18 months before these records "
        "end; the figures take them to fare as those still seen."
    )
    w, d = MAIN.robustness.leaving.weighed, MAIN.difference
    assert weighed.startswith(f"Allowing for who left, by what is recorded: {round(w.per_100)} more failures per 100 (")
    assert f"against {round(d.per_100)} more without; ratio 2.05 (1.40 to 3.00)." in weighed
    assert "412 of 1,900 crowns were lost for good" in weighed
    assert "an earlier recement or repair of the crown (patients with an opened crown left 1.6 times as fast" in weighed
    assert fewer == (
        "If, of 100 crowns lost from sight with root canal through the crown, 6 fewer had failed by 5 years than of "
        "those still seen (failing 0.14 times as fast from then on), what the range alone says would turn from "
        "“differs in these records” to “cannot tell yet”."
    )
    assert more.startswith(
        "If, of 100 crowns lost from sight with root canal before the crown was seated, 24 more had failed "
    )
    assert all_opened == (
        "Even if all of them had failed soon after, the 84 crowns lost from sight with root canal through the crown "
        "could not turn what the range alone says (“differs in these records”)."
    )
    assert none_before.startswith(
        "Even if none of them had failed, the 190 crowns lost from sight with root canal befo"
    )


def test_a_verdict_that_nothing_turns_at_once_and_the_other_way_round():
    group = MAIN.difference.group
    lines = said(weighed=None, tipping=(Tipping(group, True, 80.0), Tipping(group, False, -9.0)))
    assert lines[1].startswith("Even if all of them had failed soon after, or none, the 84 crowns lost from sight")
    (_, line) = said(weighed=None, tipping=(Tipping(group, True, 80.0, 0.2, 4000.0, "differs"),))
    assert "1 more had failed by 5 years than of those still seen (failing at once)" in line
    assert "to “differs in these records, the other way round”" in line
    nobody = (LostFromSight(group, 310, 0), LostFromSight(MAIN.difference.reference, 1004, 0))
    assert said(weighed=None, tipping=(), lost=nobody) == ["Nobody was lost from sight before 5 years."]
    assert words_leaving.leaving_sentences(dataclasses.replace(MAIN, robustness=None)) == []


def test_the_page_and_machines_have_it():
    body = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", plain(crowns.render(RESULTS))))
    for text in said():
        assert text in body
    found = json.loads(json.dumps(results_json(RESULTS)))["comparisons"][0]["honesty"]["leaving"]
    assert found["tipping"][2]["extra_per_100"] == 24.4
    assert found["weighed"]["hazard_ratio"] == 2.05
    assert from_plain(Results, to_plain(RESULTS)).comparisons[0].robustness == MAIN.robustness
