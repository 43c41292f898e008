"""Healing, readings and losses by cause on the pages: every figure is the one of the results."""

import dataclasses
import json
import re

import pytest
import sample_results as samples
from plain_gate import plain_gate

from dashboards.charts.areas import loss_areas
from dashboards.pages import data_quality, losses, owner, root_canals, study_club
from dashboards.release.count import ReleasedCount
from dashboards.release.healing import (
    HEALING,
    ReleasedHealing,
    ReleasedLoss,
    ReleasedShare,
    release_healing,
    release_losses,
)
from dashboards.release.released import release
from dashboards.results_json import results_json
from dashboards.words import healing as words_healing
from dashboards.words import healing as words_readings
from dashboards.words import loss as words_loss
from pipeline.results import Results, from_plain, to_plain
from pipeline.results.healing import Agreement, CountedShare, LossByCause, LossGroup, LossTable, RecallRow
from pipeline.results.points import IncidencePoint

RESULTS = samples.differs()


def text_of(page: str) -> str:
    body = re.sub(r"<(script|style).*?</\1>", "", page, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


def whole() -> LossGroup:
    return RESULTS.losses[0].groups[0]


def test_healed_healing_and_not_healed_are_said_with_and_without_a_lesion():
    with_lesion, without = words_healing.by_lesion(RESULTS.recalls)
    row = next(r for r in RESULTS.recalls if r.name == words_healing.LESION)
    shares = [round(100 * v) for v in (row.success, row.ci_low, row.ci_high, row.uncertain.share, row.not_healed.share)]
    assert [int(n) for n in re.findall(r"\d+", with_lesion)][1:6] == shares
    assert f"Counted loosely, {round(100 * row.loose.share)} were healed" in with_lesion
    assert "loosely" not in without
    for page in (owner.render(RESULTS), root_canals.render(RESULTS)):
        assert with_lesion in text_of(page)
        assert without in text_of(page)
    assert "Dr Ekholm" in owner.render(RESULTS)


def test_too_few_with_a_lesion_are_said_to_be_too_few():
    row = next(r for r in RESULTS.recalls if r.name == words_healing.LESION)
    few = dataclasses.replace(row, recalled=3, success=None, ci_low=None, ci_high=None)
    assert words_healing.by_lesion([few]) == [
        "Of teeth with a lesion before treatment, too few were judged to give a share (3)."
    ]
    assert words_healing.by_lesion([]) == []


def test_readings_are_on_the_data_quality_page_and_nowhere_where_there_are_none():
    page = text_of(data_quality.render(RESULTS))
    same, two = (words_readings.agreement_sentence(a) for a in RESULTS.agreement)
    assert same in page
    assert same == (
        "120 films were read twice by one reader: the index was the same in 76 %, and both said healed, or both not "
        "healed, in 93.3 %; weighted kappa 0.81 (range 0.73 to 0.89)."
    )
    assert two.endswith("Too few, or too much alike, for a kappa.")
    assert "read twice" not in text_of(data_quality.render(dataclasses.replace(RESULTS, agreement=())))
    alike = Agreement("same_reader", 9, CountedShare(12, 12, 1.0), CountedShare(12, 12, 1.0), 1.0, None, None)
    assert words_readings.agreement_sentence(alike).endswith("weighted kappa 1.00.")


def test_a_cause_is_called_the_most_frequent_only_where_its_range_lies_above_all_others():
    table = RESULTS.losses[0]
    told = "16 of 100 root-filled teeth were lost within 10 years"
    assert words_loss.loss_heading(table) == f"{told}; no cause clearly leads"

    def exact(cause: LossByCause) -> LossByCause:
        points = (dataclasses.replace(p, ci_low=p.estimate, ci_high=p.estimate) for p in cause.points)
        return dataclasses.replace(cause, points=tuple(points))

    causes = tuple(map(exact, whole().causes))
    clear = dataclasses.replace(table, groups=(dataclasses.replace(whole(), causes=causes),))
    assert words_loss.loss_heading(clear) == f"{told}, most often to a fracture"
    unknown = tuple(dataclasses.replace(c, cause="unknown") if c.cause == "fracture" else c for c in causes)
    hidden = dataclasses.replace(table, groups=(dataclasses.replace(whole(), causes=unknown),))
    assert words_loss.loss_heading(hidden) == f"{told}; no cause clearly leads"


def test_the_loss_sentence_names_the_causes_from_the_commonest():
    said = words_loss.loss_headline(RESULTS.losses[0])
    assert said == (
        "Of 100 root-filled teeth, about 16 were lost within 10 years (range 11 to 23): 6 to a fracture, 4 to an "
        "endodontic cause, 3 to caries, 2 to a periodontal cause and 1 to a cause not recorded."
    )
    assert said in text_of(root_canals.render(RESULTS))
    short = dataclasses.replace(whole(), total=dataclasses.replace(whole().total, points=whole().total.points[:3]))
    table = dataclasses.replace(RESULTS.losses[0], groups=(short,))
    assert (
        words_loss.loss_headline(table) == "Too few root-filled teeth have been followed to say what they are lost to."
    )


def test_the_table_holds_every_cause_and_the_total_at_1_5_and_10_years():
    table = losses.loss_table(whole(), "root-filled teeth")
    rows = {row[0]: row[1:] for row in table.rows}
    assert list(rows) == ["Endodontic", "Periodontal", "Fracture", "Caries", "Not recorded", "All causes"]
    for row, cause in zip(rows.values(), [*(c for c in whole().causes if c.losses), whole().total], strict=True):
        firsts = [float(cell.split()[0]) for cell in row[1:]]
        points = [words_loss.at(cause.points, y) for y in (1.0, 5.0, 10.0)]
        assert firsts == [round(100 * p.estimate, 1) for p in points]
    late = losses.loss_table(RESULTS.losses[0].groups[1], "root-filled teeth")
    assert len(late.rows) == 6
    assert "counted among teeth still there 3 months on" in text_of(root_canals.render(RESULTS))


def test_areas_stack_to_the_total_and_have_a_pattern_each():
    chart = loss_areas(whole(), names=words_loss.SHORT, since="x", noun="teeth", id="a", label="b")
    traces = chart.spec["data"]
    tops = [sum(values) for values in zip(*(t["y"] for t in traces), strict=True)]
    assert tops == pytest.approx([100 * p.estimate for p in whole().total.points])
    assert all(t["stackgroup"] == "lost" for t in traces)
    assert len({json.dumps(t["fillpattern"]["shape"]) for t in traces}) == len(traces)
    assert [a["text"] for a in chart.spec["layout"]["annotations"]] == [t["name"] for t in traces]
    total = [row for row in chart.sheet.rows if row[0] == "All causes"]
    assert len(total) == len(whole().total.points)
    nothing = dataclasses.replace(whole(), causes=())
    assert loss_areas(nothing, names={}, since="x", noun="teeth", id="a", label="b") is None


def test_machines_get_the_same_figures():
    found = json.loads(json.dumps(results_json(RESULTS)))
    assert found["recalls"][1]["loose"]["share"] == RESULTS.recalls[1].loose.share
    assert found["reading_agreement"][0]["kappa"] == 0.81
    assert found["losses_by_cause"][0]["groups"][0]["causes"][0]["cause"] == "endodontic"
    assert from_plain(Results, to_plain(RESULTS)).losses == RESULTS.losses


def test_what_is_shared_of_healing_hides_small_counts() -> None:
    whole, *parts = release_healing(plain_gate(), RESULTS.recalls)
    row = RESULTS.recalls[0]
    assert whole.judged.value == 5 * round(row.recalled / 5)
    assert [s.teeth.value is None for s in whole.states] == [n < 11 for n in _counts(row)]
    assert {line.name for line in parts} <= set(HEALING)
    # One line in which fewer than 11 did not heal takes all lines by lesion with it.
    few = [dataclasses.replace(r, recalled=50, successes=40) if "no lesion" in r.name else r for r in RESULTS.recalls]
    assert [line.name for line in release_healing(plain_gate(), few)] == ["all"]
    # A lone hidden state takes the smallest other one with it: 60 and 40 healed or not, 5 healing.
    states = {"uncertain": CountedShare(5, 105, 0.05, 0.02, 0.1), "not_healed": CountedShare(40, 105, 0.4, 0.3, 0.5)}
    lone = dataclasses.replace(row, recalled=105, successes=60, success=0.57, ci_low=0.5, ci_high=0.7, **states)
    (line,) = release_healing(plain_gate(), [lone])
    assert [s.teeth.value for s in line.states] == [60, None, None]
    assert [s.of_100 for s in line.states] == [55, None, None]
    assert release_healing(plain_gate(), [dataclasses.replace(row, recalled=10)]) == ()


def test_what_is_shared_of_losses_hides_small_counts() -> None:
    (found,) = release_losses(plain_gate(), RESULTS.losses)
    losses = {c.cause: c.losses for c in whole().causes}
    for line in found.causes[:-1]:
        assert line.losses.value is None or line.losses.value == 5 * round(losses[line.cause] / 5)
        if losses[line.cause] < 11:
            assert line.losses.value is None
            assert set(line.within) == {None}
    assert found.causes[-1].cause == "all"
    total = words_loss.at(whole().total.points, 5.0)
    assert abs(found.causes[-1].within[1].of_100 - 100 * total.estimate) <= 2.5
    # A cause of another name stays inside, and then a hidden one cannot be worked out from the rest.
    odd = [dataclasses.replace(c, cause="Dr Ashby") if c.cause == "caries" else c for c in whole().causes]
    table = dataclasses.replace(RESULTS.losses[0], groups=(dataclasses.replace(whole(), causes=tuple(odd)),))
    assert "Dr Ashby" not in repr(release_losses(plain_gate(), [table]))
    assert release_losses(plain_gate(), [dataclasses.replace(table, id="Dr Ashby")]) == ()


def test_shared_shares_cannot_be_made_unclean_by_hand() -> None:
    with pytest.raises(ValueError, match="count behind"):
        ReleasedShare(ReleasedCount(None), 5, 1, 9)
    with pytest.raises(ValueError, match="whole percent"):
        ReleasedShare(ReleasedCount(15), 101, 1, 9)
    with pytest.raises(ValueError, match="known causes"):
        ReleasedLoss("Dr Ashby", ReleasedCount(15), ())
    with pytest.raises(ValueError, match="known names"):
        ReleasedHealing("clinician: Dr Ashby", ReleasedCount(15), ())


def test_the_shared_page_shows_what_was_released_and_nothing_by_clinician() -> None:
    page = text_of(study_club.render(release(RESULTS)))
    assert "Healing at recall, of 100 judged" in page
    assert "What root-filled teeth were lost to" in page
    assert "Dr Ekholm" not in page


def _counts(row: RecallRow) -> list[int]:
    return [row.successes, row.uncertain.count, row.not_healed.count]


def test_a_shared_share_of_losses_never_stands_still() -> None:
    """By 1, 5 and 10 years 12, 14 and 26 of 1,000 were lost: the second stands on two more, so it is left out."""
    shares = {1.0: 0.012, 5.0: 0.014, 10.0: 0.026}
    points = tuple(IncidencePoint(y, 1000, share, share / 2, 2 * share) for y, share in shares.items())
    cause = LossByCause("caries", 26, points)
    group = LossGroup(
        "all", "", 1000, 900, 0, (cause, dataclasses.replace(cause, cause="other", losses=20)),
        dataclasses.replace(cause, cause="all", losses=46),
    )  # fmt: skip
    (found,) = release_losses(
        plain_gate(), [LossTable("endo_tooth_loss_by_cause", "", "since_completion", (group,), ())]
    )
    assert [s and s.of_100 for s in found.causes[0].within] == [1, None, 3]


def test_how_soon_a_lesion_heals_is_on_the_clinicians_page_and_on_no_shared_one():
    found = RESULTS.lesion_healing
    page = text_of(root_canals.render(RESULTS))
    said = words_healing.curve_headline(found)
    at = {p.years: p for p in found.points}
    shown = [
        round(100 * v) if k else int(v)
        for y in (1, 2, 4)
        for k, v in ((1, at[y].estimate), (0, y), (1, at[y].ci_low), (1, at[y].ci_high))
    ]
    assert [int(n) for n in re.findall(r"\d+", said)][1:] == shown
    assert said in page
    assert words_healing.curve_basis(found) in page
    assert "12 months apart" in words_healing.curve_rule(found)
    for year in (1, 2, 3, 4, 5):
        assert f"{year} year{'s' if year > 1 else ''} {round(100 * at[year].estimate)}" in page
    shared = text_of(study_club.render(release(RESULTS)))
    assert "How soon a lesion heals" not in shared
    assert said not in shared
    assert results_json(RESULTS)["lesion_healing"]["points"][3]["estimate"] == at[1].estimate


def test_too_few_lesions_for_a_curve_are_said_to_be_too_few():
    none = dataclasses.replace(RESULTS.lesion_healing, points=(), filmed=3, lesions=40)
    assert words_healing.curve_headline(none) == (
        "Too few lesions were followed on film for a curve (3 of 40 have a film since that judges them)."
    )
    page = text_of(root_canals.render(dataclasses.replace(RESULTS, lesion_healing=none)))
    assert "Too few lesions were followed" in page
    assert "How soon a lesion heals" not in text_of(
        root_canals.render(dataclasses.replace(RESULTS, lesion_healing=None))
    )
    one = dataclasses.replace(none, treated_again=1, seen_again=1)
    assert "1 was treated again before, and counts as not healed. 1 lesion seen healed was there again" in (
        words_healing.curve_basis(one)
    )


def test_what_one_reader_alone_would_say_stands_beside_the_agreed_readings():
    said = words_readings.ways_sentence(RESULTS.reader_ways)
    assert said.startswith("60 films were read by more than one reader. By the agreed readings 80 of 100 of the ")
    assert said.endswith("by one reader alone it would be 77 to 84.")
    for page in (data_quality.render(RESULTS), root_canals.render(RESULTS)):
        assert said in text_of(page)
    assert "Dr Moreau alone" in root_canals.render(RESULTS)
    assert words_readings.ways_sentence(()) == ""
    named = dataclasses.replace(RESULTS, rules={**RESULTS.rules, "film_readers": "Dr Moreau, blind"})
    shared = study_club.render(release(named))
    assert "Moreau, blind" not in shared
    assert "Dr Moreau alone" not in shared


def test_each_reader_and_each_two_have_their_own_line():
    both = dataclasses.replace(RESULTS.agreement[0], who="Dr Ekholm")
    page = text_of(data_quality.render(dataclasses.replace(RESULTS, agreement=(*RESULTS.agreement, both))))
    assert "One reader twice: Dr Ekholm 120" in page
