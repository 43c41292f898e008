"""Clone, censor, weight: the published patterns, shares by hand, and the ways in which figures must not move."""

import numpy as np
import pytest

from pipeline.stats.clone_censor_weight import Grace, alone, clone_and_censor, fit_staying

GRACE = 182.62
# The 13 patterns of Maringe et al., Int J Epidemiol 2020;49:1719-1729 (figure 2): surgery within six months or none.
# Days and the clones' ends are those of the worked example of the R package ccwr 0.0.2 on CRAN (vignette "An overview",
# data `patients13`, MIT licence), which numbers the figure.
PATIENTS = """
    id | surgery | death | followup | to_treat | dies | to_wait | dies_waiting
    A  | 61      | 1     | 300      | 300      | 1    | 61      | 0
    B  | 150     | 0     | 365      | 365      | 0    | 150     | 0
    C  | 20      | 1     | 150      | 150      | 1    | 20      | 0
    D  | 140     | 0     | 160      | 160      | 0    | 140     | 0
    E  | 10      | 0     | 300      | 300      | 0    | 10      | 0
    F  | 220     | 1     | 320      | 182.62   | 0    | 320     | 1
    G  | 340     | 0     | 365      | 182.62   | 0    | 365     | 0
    H  | 200     | 0     | 300      | 182.62   | 0    | 300     | 0
    I  |         | 0     | 365      | 182.62   | 0    | 365     | 0
    J  |         | 1     | 260      | 182.62   | 0    | 260     | 1
    K  |         | 1     | 40       | 40       | 1    | 40      | 1
    L  |         | 0     | 140      | 140      | 0    | 140     | 0
    M  |         | 0     | 320      | 182.62   | 0    | 320     | 0
"""


def columns_of(text: str) -> dict[str, list[str]]:
    """A drawn table as texts: days and shares stand beside one another in a column."""
    heads, *rows = ([cell.strip() for cell in line.split("|")] for line in text.strip().splitlines())
    return {name: [row[i] for row in rows] for i, name in enumerate(heads)}


def test_clones_of_the_published_patterns_end_as_published():
    drawn = columns_of(PATIENTS)
    columns = {name: [float(v or "nan") for v in values] for name, values in drawn.items() if name != "id"}
    found = clone_and_censor(columns["followup"], columns["death"], columns["surgery"], GRACE)
    assert found.exit_days.tolist() == columns["to_treat"] + columns["to_wait"]
    assert found.event.astype(float).tolist() == columns["dies"] + columns["dies_waiting"]
    assert found.subject.tolist() == [*range(13), *range(13)]
    departs = [e != f for e, f in zip(found.exit_days, columns["followup"] * 2, strict=True)]
    assert found.departed.tolist() == departs


@pytest.mark.parametrize(
    ("exit_days", "event", "treated", "for_need", "departs"),
    [
        (100, False, 30, False, (False, True)),  # on the last day of grace
        (100, False, 31, False, (True, False)),
        (100, False, 20, True, (False, False)),  # for need: what either way would do
        (30, False, np.nan, False, (True, False)),  # the end of grace was seen
        (30, True, np.nan, False, (False, False)),  # the event came first
        (29, False, np.nan, False, (False, False)),
    ],
)
def test_who_departs_at_the_edges(exit_days, event, treated, for_need, departs):
    found = clone_and_censor([exit_days], [event], [treated], 30, for_need=[for_need])
    assert tuple(found.departed) == departs


def grace(text: str) -> Grace:
    drawn = columns_of(text)
    kind = np.array(drawn["kind"])
    return Grace(
        np.array(drawn["days"], dtype=np.int64),
        kind == "treat",
        kind == "wait",
        np.array(drawn["need"]) == "1",
        np.array(drawn["doubt"], dtype=np.float64),
    )


@pytest.mark.parametrize("need", [0, 1])
def test_shares_by_hand(need):
    # On day 5 one of two that were to be treated has been, none of three that were to wait has been seated: of those
    # open at the end of it, some of the former are left and all of the latter. With w the share of the open one that
    # waits, p = (3 - w) / 6 is the chance to be treated, and w = (1 - p) / (1 - p + p * left). The open one is at risk
    # on day 5 among those to be treated, so left = 1 - 1 / (3 - w) and (3 - w) * left = 2 - w. Put together,
    # w = (3 + w) / (3 + w + 2 - w) = (3 + w) / 5, so w = 3/4. A need tells nothing more: all in need were treated.
    found = fit_staying(
        grace(
            f"""
            days | kind  | need | doubt
            5    | treat | 0    | 0
            9    | treat | 0    | 0
            8    | wait  | 0    | 0
            9    | wait  | 0    | 0
            10   | wait  | 0    | 0
            5    | open  | {need} | 1
            """
        ),
        alone,
    )
    assert found.waiting.tolist() == pytest.approx([0, 0, 1, 1, 1, 0.75])
    assert found.chance == pytest.approx((3 - 0.75) / 6)


def test_where_days_tell_nothing_chances_alone_do():
    # A model that is sure of waiting, then of treating: of half a subject all has by then come to light as treated,
    # so that neither strategy is left on its day, and only the chance of 1 says that none of it waits.
    chances = iter([0.0, 1.0, 1.0])
    text = "days | kind | need | doubt\n5 | treat | 0 | 0\n6 | wait | 0 | 0\n9 | treat | 0 | 0.5"
    found = fit_staying(grace(text), lambda waiting: np.full(len(waiting), next(chances)))
    assert found.waiting.tolist() == [0, 1, 0]


def test_a_need_that_came_when_none_was_left_to_be_treated_is_of_waiting():
    text = "days | kind | need | doubt\n5 | treat | 0 | 0\n9 | wait | 0 | 0\n7 | open | 1 | 1\n3 | open | 0 | 1"
    found = fit_staying(grace(text), alone)
    assert found.waiting[2] == 1
    assert 0 < found.waiting[3] < 1


def test_a_treatment_of_which_it_is_not_known_why_counts_in_parts():
    base = "days | kind | need | doubt\n6 | treat | 0 | 0\n9 | treat | 0 | 0\n9 | wait | 0 | 0\n8 | wait | 0 | 0\n"
    shares = [fit_staying(grace(f"{base}3 | treat | 0 | {doubt}"), alone).waiting[4] for doubt in (0, 0.25, 1)]
    assert shares[0] == 0
    assert 0 < shares[1] <= 0.25 < shares[2] < 1


def test_without_undecided_subjects_the_model_is_asked_once():
    asked = []
    found = fit_staying(
        grace("days | kind | need | doubt\n5 | treat | 0 | 0\n9 | wait | 1 | 0\n9 | wait | 0 | 0"),
        lambda waiting: asked.append(waiting) or np.array([0.5, 0.2, 0.3]),
    )
    assert found.waiting.tolist() == [0, 1, 1]
    assert found.chance.tolist() == [0.5, 0.2, 0.3]
    assert len(asked) == 1


def test_a_model_without_an_answer_gives_none():
    assert fit_staying(grace("days | kind | need | doubt\n5 | treat | 0 | 0"), lambda _: None) is None
