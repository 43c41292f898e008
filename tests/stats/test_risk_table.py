import numpy as np
from curve_reference import dataset
from hypothesis import given
from hypothesis import strategies as st

from pipeline.stats.kaplan_meier import kaplan_meier
from pipeline.stats.risk_table import risk_table


def test_by_hand():
    # exit 0 5 5 9 | event 1 1 0 0 | entry 0 0 0 6: on day 0 the three that start there; nobody has left yet.
    table = risk_table([0, 5, 5, 9], [1, 1, 0, 0], [0, 1, 5, 6, 7, 10], entry_days=[0, 0, 0, 6])
    assert table.entered.tolist() == [3, 3, 3, 3, 4, 4]
    assert table.followed.tolist() == [3, 2, 2, 0, 1, 0]
    assert table.failed.tolist() == [0, 1, 1, 2, 2, 2]
    assert table.ended.tolist() == [0, 0, 0, 1, 1, 2]


def test_six_mp_arm_equals_r():
    """R's summary(survfit(...), times=...) on MASS gehan, treat 6-MP: n.risk 21 21 16 15 11 7."""
    rows = dataset("gehan").filter(dataset("gehan")["treat"] == "6-MP")
    table = risk_table(rows["time"], rows["cens"], [0, 6, 8, 10, 16, 22])
    assert table.followed.tolist() == [21, 21, 16, 15, 11, 7]


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(1, 30), st.booleans()), min_size=1, max_size=60))
def test_the_columns_always_add_up(rows):
    entry, length, event = (np.array(column) for column in zip(*rows, strict=True))
    days = np.arange(0, 65)
    table = risk_table(entry + length, event, days, entry_days=entry)
    assert (table.entered == table.followed + table.failed + table.ended).all()
    assert (table.followed >= 0).all()
    curve = kaplan_meier(entry + length, event, entry_days=entry)
    assert (curve.rows_at_risk_on(days) == table.followed).all()
