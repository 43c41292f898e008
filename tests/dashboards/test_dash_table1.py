"""Table 1 as it may leave: whole means, percent on the step of the group, few teeth hidden and never alone."""

import dataclasses
import math

import pytest
import sample_results as samples
from plain_gate import plain_gate

from dashboards.release.released import release
from dashboards.release.table1 import ReleasedCharacteristic, release_table1
from pipeline.results import BalanceRow, Comparison


def _compared(*rows: tuple[str, float | None, float | None]) -> Comparison:
    """The main comparison of 900 and 640 crowns with these rows: name, of the group, of the reference."""
    main = samples.differs().comparisons[0]
    assert main.robustness is not None
    balance = tuple(BalanceRow(name, f"label of {name}", 0.1, None, *of) for name, *of in rows)
    return dataclasses.replace(main, robustness=dataclasses.replace(main.robustness, balance=balance))


BOTH = {"before_seat", "through_crown"}


def _lines(*rows: tuple[str, float | None, float | None]) -> list[tuple[str, int | None, int | None]]:
    return [(r.label, r.of_reference, r.of_group) for r in release_table1(plain_gate(), _compared(*rows), BOTH)]


def test_means_are_whole_and_shares_on_the_step_of_their_group() -> None:
    found = _lines(("age_at_seat", 54.4, 51.5), ("sex_female", 0.554, 0.4871), ("sex_male", 0.446, 0.5129))
    assert found == [("Age at the seat, mean in years", 52, 54), ("Sex: female", 49, 55), ("Sex: male", 51, 45)]
    both = release_table1(plain_gate(), _compared(("age_at_seat", 54.4, 51.5), ("sex_female", 0.5, 0.5)), BOTH)
    assert [r.share for r in both] == [False, True]


def test_few_teeth_or_all_but_few_are_hidden_by_themselves() -> None:
    # 5 of 640 are of resin.
    found = _lines(
        ("material_metal", 0.1, 0.5), ("material_zirconia", 0.8921875, 0.4), ("material_resin", 0.0078125, 0.1)
    )
    assert found == [("Material: metal", 50, 10), ("Material: zirconia", 40, 89), ("Material: resin", 10, None)]
    # Few yeses, or few noes.
    assert _lines(("bruxism_true", 0.01, 0.2)) == [("Bruxism", 20, None)]
    assert _lines(("bruxism_true", 0.99, 0.2)) == [("Bruxism", 20, None)]


def test_a_mean_of_few_teeth_is_hidden() -> None:
    found = _lines(("age_at_seat", 41.0, 52.0), ("age_at_seat_unknown", 0.99, 0.0))
    assert found == [("Age at the seat, mean in years", 52, None)]


def test_of_a_group_of_few_teeth_no_share_is_told() -> None:
    # Of 24 teeth a share would be a step of more than 20 %.
    compared = _compared(("sex_female", 0.5, 0.5), ("sex_male", 0.5, 0.5))
    few = tuple(dataclasses.replace(g, crowns=24) if g.name == "through_crown" else g for g in compared.groups)
    found = release_table1(plain_gate(), dataclasses.replace(compared, groups=few), BOTH)
    assert [(r.of_reference, r.of_group) for r in found] == [(50, None), (50, None)]


@pytest.mark.parametrize(("teeth_of_one", "is_told"), [(64, True), (65, False)])
def test_nothing_is_told_where_one_patient_is_over_a_tenth_of_the_smaller_group(
    teeth_of_one: int, is_told: bool
) -> None:
    # Of 640 and 900 teeth.
    gate = plain_gate(teeth_of_one=teeth_of_one)
    assert (release_table1(gate, _compared(("age_at_seat", 54.4, 51.5)), BOTH) != ()) is is_told


@pytest.mark.parametrize("unknown", [None, math.nan])
def test_a_share_that_is_not_known_is_not_told_and_hides_no_other(unknown: float | None) -> None:
    found = _lines(("material_metal", 0.5, 0.5), ("material_zirconia", unknown, 0.2), ("material_resin", 0.5, 0.3))
    assert found == [("Material: metal", 50, 50), ("Material: zirconia", 20, None), ("Material: resin", 30, 50)]
    assert _lines(("age_at_seat", 54.4, unknown)) == [("Age at the seat, mean in years", None, 54)]


def test_names_that_are_not_declared_stay_inside() -> None:
    assert _lines(("Dr Ashby", 0.5, 0.5), ("material_SECRET", 0.5, 0.5), ("provider_id_AR1", 0.5, 0.5)) == []


def test_nothing_is_told_of_a_group_whose_count_is_hidden() -> None:
    compared = _compared(("age_at_seat", 54.4, 51.5))
    assert release_table1(plain_gate(), compared, {"before_seat"}) == ()
    assert release_table1(plain_gate(), dataclasses.replace(compared, difference=None), BOTH) == ()
    assert release_table1(plain_gate(), dataclasses.replace(compared, robustness=None), BOTH) == ()


def test_unclean_values_cannot_be_made_by_hand() -> None:
    with pytest.raises(ValueError, match="whole"):
        ReleasedCharacteristic("Sex: female", True, 101, 50)
    with pytest.raises(ValueError, match="whole"):
        ReleasedCharacteristic("Age", False, 51.5, 50)  # type: ignore[arg-type]


def test_the_gate_lets_it_through_with_its_comparison() -> None:
    results = samples.differs()
    results = dataclasses.replace(
        results, comparisons=(_compared(("age_at_seat", 54.4, 51.5)), *results.comparisons[1:])
    )
    first, *others = release(results).comparisons
    assert [r.of_group for r in first.table1] == [54]
    assert all(c.table1 == () for c in others)
