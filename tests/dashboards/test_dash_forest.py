"""The one forest of techniques: what it draws is what the answers hold, and nothing has a range that must have none."""

import csv
import io
from dataclasses import replace
from urllib.parse import unquote

import sample_results as samples
from test_dash_technique import CONTRAST, GROUPS, answer

from dashboards.pages import technique, techniques
from dashboards.pages.technique_forest import forests
from dashboards.words import answers as words_answers
from pipeline.results import NotRun, SmallGroup
from pipeline.results.safety import UNMEASURED
from pipeline.results.technique import TechniqueGroup

LONE = replace(
    CONTRAST, difference_per_100=15.2, difference_ci_low=8.7, difference_ci_high=23.8, verdict="cannot_tell",
    p_family=0.2, withheld="Alone it would pass for a difference, but 12 comparisons were made.",
)  # fmt: skip
FEW = replace(CONTRAST, verdict="too_early")
NARROW = replace(CONTRAST, difference_per_100=0.0, difference_ci_low=-1.9, difference_ci_high=2.2,
                 verdict="little_difference")  # fmt: skip


def line(contrast):
    (forest,) = forests((answer(contrasts=(contrast,)),), smallest=5.0)
    (group,) = forest.groups
    (found,) = group.lines
    return forest, group, found


def test_a_dot_and_its_range_lie_where_the_figures_say() -> None:
    forest, group, found = line(CONTRAST)
    reach = 10.0  # the least multiple of five that holds 9.0
    assert found.mid == 50 + 50 * -6.04 / reach
    assert (found.low, found.high) == (50 + 50 * -9.0 / reach, 50 + 50 * -3.1 / reach)
    assert forest.zone == (25.0, 50.0)
    assert found.far == "3 to 9 fewer"
    assert (group.title, group.against, group.link) == ("Rubber dam or not", "rubber dam", "#rubber-dam")


def test_too_few_failures_have_no_range_anywhere() -> None:
    forest, _, found = line(FEW)
    assert found.mid is None
    assert found.far == "too few failures"
    assert "9" not in found.hover.replace("1,700", "")
    rows = list(csv.reader(io.StringIO(unquote(forest.data_address.partition(",")[2]).removeprefix("\ufeff"))))
    assert rows[1][2:5] == ["", "", ""]
    assert "too few failures so far" in technique.contrast_says(answer(), FEW)


def test_a_range_without_zero_that_is_open_says_why() -> None:
    assert line(LONE)[2].why == "among 12 looks chance alone shows one as clear in up to 20 of 100 practices"
    assert line(replace(LONE, p_family=None))[2].why == "each clinician mostly works one way"
    assert line(replace(LONE, difference_ci_low=-1.0))[2].why == "", "with zero in it there is nothing to explain"
    assert line(CONTRAST)[2].why == ""


def test_verdicts_have_shapes_of_their_own_and_are_counted_apart() -> None:
    shapes = [line(c)[2].shape for c in (CONTRAST, NARROW, LONE, FEW)]
    assert len(set(shapes)) == 4
    found = answer(contrasts=(CONTRAST, NARROW, LONE, FEW))
    assert words_answers.technique_counts([found]) == {
        "too_early": 1, "little_difference": 1, "differs": 1, "cannot_tell": 1,
    }  # fmt: skip
    assert words_answers.technique_says([found]) == (
        "1 of 4 comparisons shows a clear difference (no <dam> against rubber dam); 1 shows little difference; "
        "2 are open."
    )


def test_other_outcomes_have_forests_of_their_own_and_every_comparison_stands_on_one() -> None:
    healed = replace(CONTRAST, hazard_ratio=None)
    found = [answer(), answer(outcome="endo_failure"), answer(outcome="radiographic_success", contrasts=(healed,))]
    made = forests(found, smallest=5.0)
    assert [f.id for f in made] == ["forest", "forest-endo-failure", "forest-radiographic-success"]
    assert sum(len(g.lines) for f in made for g in f.groups) == 3
    assert "were not healed" in made[2].groups[0].lines[0].hover


def test_a_pair_without_the_reference_is_named_by_both() -> None:
    third = TechniqueGroup("half", "Half a dam", 500, 400, 40, 2000.0, 2.0, 1.4, 2.7)
    found = answer(groups=(*GROUPS, third), contrasts=(replace(CONTRAST, reference="half"),))
    (forest,) = forests((found,), smallest=5.0)
    assert forest.groups[0].lines[0].label == "No <dam>, not half a dam"


def test_what_runs_past_the_edge_is_cut_there_and_told_whole() -> None:
    _, _, found = line(replace(CONTRAST, difference_ci_low=-80.0))
    assert found.low == 0.0
    assert found.far == "3 to 80 fewer"


def test_the_comparisons_shown_and_the_looks_counted_are_reconciled() -> None:
    found = [answer(contrasts=(CONTRAST, replace(LONE, p_family=None)))]
    said = techniques.reconciled(found)
    assert said.startswith("1 of the 2 comparisons shown are among these 12, whose other 11 are curves")
    assert "Of the other 1 shown nothing is claimed" in said
    assert techniques.reconciled([answer(family=1)]) == ""


def test_outermost_ticks_have_room_for_their_words() -> None:
    wide = replace(CONTRAST, difference_ci_low=-29.0, difference_ci_high=29.0)
    forest, _, _ = line(wide)
    assert [text for _, text in forest.ticks] == ["30 fewer", "10", "0", "10", "30 more"]
    forest, _, _ = line(CONTRAST)
    assert [text for _, text in forest.ticks] == ["10 fewer", "0", "10 more"]


def test_contrasts_that_are_asked_for_by_name_stand_among_the_answers() -> None:
    """With its own verdict where it could be compared; else that there are too few."""
    labels = (("single_file", "A single file"), ("rotary_sequence", "Rotary files in sequence"))
    groups = tuple(replace(GROUPS[0], name=n, label=label) for n, label in labels)
    single = replace(NARROW, group="single_file", reference="rotary_sequence")
    asked = answer(question="instrumentation", reference="rotary_sequence", groups=groups, contrasts=(single,))
    lacking = NotRun("technique_separated_instrument_tooth_loss", "A file that separated: tooth loss", ("x",))
    results = replace(samples.differs(), techniques=(asked,), not_run=(lacking,))
    given = {a.asked: a for a in techniques.opening(results)}
    assert given["One file instead of several?"].says.startswith("Of 100 teeth")
    assert given["One file instead of several?"].code == "little_difference"
    assert given["One file instead of several?"].link == "#instrumentation"
    assert given["A separated file left?"].says == "Too few such teeth to compare."
    sizes = (("none", 900, 80, "None"), ("left", 11, 1, "Left"), ("removed", 4, 0, "Taken out"))
    counted = replace(lacking, groups=tuple(SmallGroup(*g) for g in sizes))
    # With what became of each: of some alone one would think that none of the others was lost.
    said = "Too few: 1 of 11 lost; taken out: 0 of 4; none: 80 of 900."
    again = {a.asked: a.says for a in techniques.opening(replace(results, not_run=(counted,)))}
    assert again["A separated file left?"] == said


def test_a_range_that_ends_where_it_begins_to_matter_is_told_in_tenths() -> None:
    """5.2 fewer is open and 4.9 fewer is not: in whole teeth both would be 5 fewer."""
    told = [line(replace(NARROW, difference_ci_low=low, difference_ci_high=2.0))[2].far for low in (-5.2, -4.9, -3.0)]
    assert told == ["between 5.2 fewer and 2 more", "between 4.9 fewer and 2 more", "between 3 fewer and 2 more"]
    why = [line(replace(NARROW, difference_ci_low=low, difference_ci_high=2.0))[2].why for low in (-5.2, -5.0, -3.0)]
    assert why == ["just beyond the 5 that would matter", "just inside the 5 that would matter", ""]
    assert line(replace(NARROW, difference_ci_low=-9.0, difference_ci_high=5.0))[2].why == "", (
        "it hangs on the other end"
    )


def test_where_risks_are_not_recorded_the_range_and_whose_it_is_stand_beside() -> None:
    """`Risks not recorded` alone answers nothing."""
    names = (("3_to_5_25", "Over 3 to 5.25 %"), ("1_to_3", "Over 1 to 3 %"))
    groups = tuple(replace(GROUPS[0], name=n, label=label) for n, label in names)
    strong = replace(NARROW, group="3_to_5_25", reference="1_to_3", verdict="cannot_tell")
    of = answer(
        question="irrigant_strength", reference="1_to_3", groups=groups, contrasts=(strong,), caveats=(UNMEASURED,)
    )
    given = {a.asked: a.says for a in techniques.opening(replace(samples.differs(), techniques=(of,)))}
    said = "Over 3 to 5.25 % against over 1 to 3 %: 2 fewer to 2 more of 100 lost; risks not recorded."
    assert given["Irrigant strength?"] == said
