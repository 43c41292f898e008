"""Which models the main comparison is made of."""

import pytest

from pipeline.questions.crown_longevity import StateModel, state_models

STATES = {"before_seat", "through_crown", "vital"}
CRUDE = StateModel((), (), ("before_seat", "through_crown"))


@pytest.mark.parametrize(
    ("used", "columns", "n_strata", "adjusted"),
    [
        (("sex",), ("sex_male",), 1, StateModel(("sex",), (), (*CRUDE.names, "sex_male"))),
        (("sex",), ("sex_male",), 2, StateModel(("sex",), ("clinician",), (*CRUDE.names, "sex_male"))),
        ((), (), 2, StateModel((), ("clinician",), CRUDE.names)),
    ],
)
def test_crude_first_then_adjusted(used, columns, n_strata, adjusted):
    assert state_models(STATES, used, columns, n_strata) == (CRUDE, adjusted)


def test_with_nothing_to_adjust_for_the_crude_figures_stand_once():
    # Twice, they would be pooled as an adjusted ratio.
    assert state_models(STATES, (), (), 1) == (CRUDE,)
