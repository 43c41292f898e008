"""Opened crowns against those not opened: one line beside the main question, from the model that was fitted."""

from dataclasses import replace

import sample_results as samples
from read_page import plain

from dashboards.pages import crowns, index
from dashboards.words import comparisons as words

MADE = samples.differs()
MAIN = MADE.comparisons[0]
SAID = (
    "Against no root canal so far, failures came 1.55 times as fast with root canal through the crown (1.09 to 2.20), "
    "adjusted. That is not the question judged here: those teeth needed no root canal."
)


def _with_vital():
    labels = {"vital": "No root canal so far", "through_crown": "Root canal through the crown"}
    groups = tuple(replace(g, label=labels.get(g.name, g.label)) for g in MAIN.groups)
    if "vital" not in {g.name for g in groups}:
        groups = (*groups, replace(groups[0], name="vital", label=labels["vital"]))
    crude = replace(MAIN.estimates[0], contrast="through_crown vs vital", hazard_ratio=1.9, ci_low=1.4, ci_high=2.5,
                    adjusted_for=())  # fmt: skip
    adjusted = replace(crude, hazard_ratio=1.55, ci_low=1.09, ci_high=2.2, adjusted_for=("age",))
    return replace(MAIN, groups=groups, estimates=(crude, adjusted))


def test_the_adjusted_ratio_is_told_where_there_is_one() -> None:
    c = _with_vital()
    assert words.other_contrast(c) == SAID
    assert (
        words.other_contrast(replace(c, estimates=c.estimates[:1]))
        .partition(" That")[0]
        .endswith("(1.40 to 2.50), not adjusted.")
    )
    assert words.other_contrast(replace(c, estimates=())) == ""


def test_it_stands_on_both_pages_of_the_main_question() -> None:
    results = replace(MADE, comparisons=(_with_vital(), *MADE.comparisons[1:]))
    assert SAID in plain(index.render(results))
    assert SAID in plain(crowns.render(results))
