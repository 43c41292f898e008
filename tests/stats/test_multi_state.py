"""Shares of states: by hand in fractions, against R's multi-state survfit, and competing events as a special case."""

import json
import secrets
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from curve_reference import CURVES, ERRORS, assert_same
from drawn import frame
from r_session import needs_r, run_r
from random_states import DAYS, random_states

from pipeline.stats.aalen_johansen import aalen_johansen
from pipeline.stats.multi_state import STAYS, state_shares

FOLDER = Path(__file__).parents[1] / "data" / "leaving"
SCRIPT = f"days <- c({', '.join(map(str, DAYS))})\n" + (FOLDER / "states.R").read_text(encoding="utf-8")
VITAL, OPENED, LOST = range(3)


def shares(rows: pl.DataFrame, days=DAYS, **options):
    return state_shares(
        rows["exit"], rows["passes_to"], days, state=rows["state"], n_states=3, entry_days=rows["entry"], **options
    )


def test_by_hand_with_a_late_entry_and_a_loss_after_the_opening():
    rows = frame("""
        state | passes_to | entry | exit
        0     | 1         | 0     | 10
        1     | 2         | 10    | 30
        0     | 2         | 0     | 20
        0     | -1        | 0     | 40
        0     | -1        | 0     | 40
        # Seated before the records begin and opened before then: enters opened.
        1     | -1        | 15    | 40
    """)
    found = shares(rows, days=[9, 10, 20, 30])
    # Day 10: 1 of 4 vital opens. Day 20: 1 of 3 vital is lost: 1/4. Day 30: 1 of 2 opened is lost: half of 1/4.
    assert found.share.T.tolist() == [
        [1, 0, 0],
        [3 / 4, 1 / 4, 0],
        pytest.approx([1 / 2, 1 / 4, 1 / 4]),
        pytest.approx([1 / 2, 1 / 8, 3 / 8]),
    ]
    assert found.followed.T.tolist() == [[4, 0, 0], [3, 1, 0], [2, 2, 0], [2, 1, 0]]


def test_errors_of_the_first_days_by_hand():
    # Before the first passage nothing is in doubt; then 1 of 4 has passed on, a binomial share; then 2 of the 4.
    rows = frame("""
        state | passes_to | entry | exit
        0     | 1         | 0     | 10
        0     | 2         | 0     | 20
        0     | -1        | 0     | 40
        0     | -1        | 0     | 40
    """)
    error = shares(rows, days=[9, 10, 20]).std_error
    assert error[VITAL].tolist() == pytest.approx([0, np.sqrt(3 / 64), np.sqrt(4 / 64)])
    assert error[OPENED].tolist() == pytest.approx([0, np.sqrt(3 / 64), np.sqrt(3 / 64)])


@pytest.mark.parametrize("clustered", [True, False])
def test_equals_r_on_kept_rows(clustered):
    kept = json.loads((FOLDER / "expected_states.json").read_text(encoding="utf-8"))
    rows = pl.DataFrame(kept["rows"])
    found = shares(rows, cluster=rows["patient" if clustered else "crown"])
    assert_same(found.share, kept["r"]["share"], CURVES)
    assert_same(found.std_error, kept["r"]["by_patient" if clustered else "by_crown"], ERRORS)


@needs_r
def test_equals_r_on_fresh_rows(tmp_path):
    seed = secrets.randbelow(10**9)
    print(f"random_states({seed})")  # pytest shows it when the test fails
    rows = random_states(seed)
    theirs = run_r(tmp_path, rows, SCRIPT)
    found = shares(rows, cluster=rows["patient"])
    assert_same(found.share, theirs["share"], CURVES)
    assert_same(found.std_error, theirs["by_patient"], ERRORS)


def test_competing_events_are_the_case_in_which_every_passage_is_the_last():
    rng = np.random.default_rng(3)
    n = 300
    entry = np.where(rng.random(n) < 0.3, rng.integers(0, 300, n), 0)
    exit_days, cause = entry + rng.integers(1, 900, n), rng.choice([0, 1, 2], n, p=[0.4, 0.4, 0.2])
    patient = rng.integers(0, 120, n)
    columns = {"entry_days": entry, "cluster": patient}
    onto = np.where(cause > 0, cause, STAYS)
    found = state_shares(exit_days, onto, DAYS, state=np.zeros(n, int), n_states=3, **columns)
    curve = aalen_johansen(exit_days, cause, **columns).at(DAYS)
    assert_same(found.share[1:], curve.incidence, 1e-12)
    assert_same(found.std_error[1:], curve.std_error, 1e-12)
    assert_same(found.low[1:], curve.low, 1e-12)


def test_known_rates_are_found_again():
    # Days of waiting of 2500 (opening), 4000 (loss), 1200 (loss once opened), to the grid of 20 days.
    open_, lose, after = (1 - np.exp(-20 / mean) for mean in (2500, 4000, 1200))
    step = np.array([[(1 - open_) * (1 - lose), open_ * (1 - lose), lose], [0, 1 - after, after], [0, 0, 1]])
    found = shares(random_states(1, crowns=6000))
    for day, share, error in zip(DAYS, found.share.T, found.std_error.T, strict=True):
        truth = np.linalg.matrix_power(step, day // 20)[0]
        assert np.all(np.abs(share - truth) < 3 * error)


def test_the_order_of_rows_and_the_names_of_patients_change_nothing():
    rows = random_states(5)
    one = shares(rows, cluster=rows["patient"])
    mixed = rows.sample(fraction=1, shuffle=True, seed=1)
    other = shares(mixed, cluster=1000 - mixed["patient"])
    assert other.share == pytest.approx(one.share, abs=1e-14)
    assert other.std_error == pytest.approx(one.std_error, abs=1e-12)


def test_the_numbers_of_the_states_change_nothing():
    rows = random_states(6)
    one = shares(rows, cluster=rows["patient"])
    # Vital becomes 2, opened 0 and lost 1: what passes on passes into 0 and 1.
    turned = rows.with_columns(pl.col("state", "passes_to").replace({VITAL: 2, OPENED: 0, LOST: 1}))
    other = shares(turned, cluster=rows["patient"], starts_in=2)
    assert other.share[[2, 0, 1]] == pytest.approx(one.share, abs=1e-14)
    assert other.std_error[[2, 0, 1]] == pytest.approx(one.std_error, abs=1e-14)
    assert other.followed[[2, 0, 1]].tolist() == one.followed.tolist()


def test_refuses_what_is_no_state():
    with pytest.raises(ValueError, match="own state"):
        state_shares([5], [0], [5], state=[0], n_states=3)
    with pytest.raises(ValueError, match="numbered from 0 to 2"):
        state_shares([5], [3], [5], state=[0], n_states=3)
