import numpy as np
import pytest
from curve_reference import CURVES, ERRORS, assert_same, dataset, expected
from lifelines import NelsonAalenFitter

from pipeline.stats.nelson_aalen import nelson_aalen


def test_by_hand():
    # Two of four fail on day 1, one of one on day 3: together 2/4 + 1; one after the other 1/4 + 1/3 + 1.
    rows = ([1, 1, 2, 3], [1, 1, 0, 1])
    assert nelson_aalen(*rows).hazard.tolist() == pytest.approx([1 / 2, 1 / 2, 3 / 2])
    assert nelson_aalen(*rows).std_error ** 2 == pytest.approx([1 / 8, 1 / 8, 9 / 8])
    split = nelson_aalen(*rows, splits_ties=True)
    assert split.hazard.tolist() == pytest.approx([7 / 12, 7 / 12, 19 / 12])
    assert split.std_error[0] ** 2 == pytest.approx(1 / 16 + 1 / 9)


@pytest.mark.parametrize("name", ["lung1", "lung2", "sim_entry1", "sim_entry2"])
def test_equals_r(name):
    reference = expected("na")[name]
    lung, sim = dataset("lung"), dataset("sim")
    rows = (
        {"exit_days": lung["time"], "event": lung["status"] == 2}
        if name.startswith("lung")
        else {"exit_days": sim["stop"], "event": sim["ev"] == 1, "entry_days": sim["start"]}
    )
    found = nelson_aalen(**rows, splits_ties=name.endswith("2"))
    kept = np.array(reference["index"])
    assert_same(found.time[kept], reference["time"], 0)
    assert_same(found.hazard[kept], reference["cumhaz"], CURVES)
    assert_same(found.std_error[kept], reference["std"], ERRORS)


def test_equals_lifelines():
    lung = dataset("lung")
    theirs = NelsonAalenFitter().fit(lung["time"].to_numpy(), (lung["status"] == 2).to_numpy())
    found = nelson_aalen(lung["time"], lung["status"] == 2, splits_ties=True)
    assert found.hazard == pytest.approx(theirs.cumulative_hazard_.to_numpy()[1:, 0], abs=CURVES)
