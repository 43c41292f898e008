"""The machinery of the calibration on a few practices, the shipped table, and (slow) the whole of it again."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
import os

import numpy as np
import polars as pl
import pytest

from pipeline.machine.data_tables import data_rows
from pipeline.practice.tables import CROWNS, PATIENTS
from pipeline.questions.calibration import (
    CalibrationRow,
    calibration_rows,
    calibration_sentence,
    falls_short,
    nearest_size,
)
from synthetic_data.truth import DEFAULT
from tests.calibration.held import breaches, looks
from tests.calibration.run_calibration import Found, Plan, Task, calibrate, run_practice, summarise, write_table
from tests.calibration.simulate_settings import (
    BY_NAME,
    SETTINGS,
    Setting,
    crowns_table,
    drop_out,
    leave_opened,
    mispost,
    patients_table,
    practice_seed,
    simulate,
    true_difference,
)

DAY = dt.date(2026, 11, 1)
SMALL = Plan(practices=5, sizes=(600, 1500), large_crowns=5000, large_practices=2, seed=1)


def found(**changes: object) -> Found:
    base = Found(0.0, -0.2, 0.2, 0.0, -2.0, 2.0, 0.0, 0, 1826, "little_difference", "cannot_tell", 20, 90)
    return dataclasses.replace(base, **changes)


def sum_up(setting: str, answers: list[Found]) -> CalibrationRow:
    return summarise(BY_NAME[setting], SMALL, answers, [0.0, 0.0], crowns=1500, date=DAY)


@pytest.mark.parametrize("setting", SETTINGS, ids=lambda s: s.name)
def test_every_setting_gives_tables_of_the_declared_shape(setting):
    frame = simulate(setting, crowns=300, seed=3)
    crowns = CROWNS.check(crowns_table(frame))
    PATIENTS.check(patients_table(frame))
    assert (crowns["exit_date"] >= crowns["seat_date"]).all()
    opened = crowns.filter(pl.col("endo_timing") == "through_crown")
    assert opened["access_date"].null_count() == 0
    assert (opened["access_date"] > opened["seat_date"]).all()
    assert (opened["access_date"] <= opened["exit_date"]).all()
    assert crowns.filter(pl.col("endo_timing") != "through_crown")["access_date"].count() == 0


def test_each_practice_has_its_own_seed():
    seeds = {practice_seed(s, 1, i, crowns) for s in SETTINGS for i in range(100) for crowns in (300, 4000)}
    assert len(seeds) == 200 * len(SETTINGS)


def test_drop_out_hides_what_came_later_and_only_from_those_who_leave():
    frame = simulate(BY_NAME["edge_of_zone"], crowns=2000, seed=4)
    left = drop_out(frame, np.random.default_rng(1), {"bruxism": 1.0})
    calm = ~frame["bruxism"]
    assert left.filter(calm).equals(frame.filter(calm))
    # A rate of 1 a year leaves few bruxers after 5 years, and shorter follow-up can only lose failures.
    bruxers = left.filter(pl.col("bruxism"))
    assert (bruxers["exit_days"] > 1826).mean() < 0.02
    assert bruxers["failure"].sum() < frame.filter(pl.col("bruxism"))["failure"].sum()
    early = left.filter(pl.col("exit_days") < frame["exit_days"])
    assert not early["failure"].any()


def test_misposted_seats_turn_some_orders_round_and_move_nothing_else():
    frame = simulate(BY_NAME["edge_of_zone"], crowns=20_000, seed=4)
    setting = Setting("x", "", DEFAULT, misposted=1.0)
    moved = mispost(frame, np.random.default_rng(1), setting)
    shift = (moved["seat_date"] - frame["seat_date"]).dt.total_days()
    assert shift.abs().max() == 30
    assert (shift != 0).mean() > 0.98
    assert moved["exit_date"].equals(frame["exit_date"])
    assert moved["failure"].equals(frame["failure"])
    both = frame.select(was="endo_timing").with_columns(now=moved["endo_timing"]).group_by("was", "now").len()
    changed = {(was, now) for was, now, _ in both.rows() if was != now}
    assert changed == {("before_seat", "through_crown"), ("through_crown", "before_seat")}


def test_the_true_difference_by_hand():
    # One kind of crown: no covariate acts. From day 60 (no hazard before) to ten years a share of
    # 1 - 0.86^2 fails opened and 1 - 0.86 otherwise.
    nothing = {"log_hr_tooth_group": dict.fromkeys(("anterior", "premolar", "molar"), 0.0)}
    nothing["log_hr_material"] = dict.fromkeys(DEFAULT.log_hr_material, 0.0)
    names = ("age_decade", "year_decade", "male", "smoker", "diabetes", "bruxism")
    same = tuple(dataclasses.replace(c, log_hr=0.0) for c in DEFAULT.clinicians)
    plain = dataclasses.replace(
        DEFAULT,
        **nothing,
        **{f"log_hr_{n}": 0.0 for n in names},
        clinicians=same,
        hr_before_seat=1.0,
        hr_opened=2.0,
        frailty_variance=0.0,
        ten_year_survival=0.86,
        quiet_days=60,
    )
    # Day 3653 is half a day past ten years, hence the tolerance.
    per_100 = true_difference(Setting("plain", "", plain), crowns=500, seed=1)(60, 3653)
    assert per_100 == pytest.approx(100 * (0.86 - 0.86**2), abs=0.01)
    # Gamma frailty of variance 1: a share of 1 / (1 + H) survives.
    h = -math.log(0.86)
    frail = dataclasses.replace(plain, frailty_variance=1.0)
    per_100 = true_difference(Setting("frail", "", frail), crowns=500, seed=1)(60, 3653)
    assert per_100 == pytest.approx(100 * (1 / (1 + h) - 1 / (1 + 2 * h)), abs=0.01)

    # Opened on the first day, the crown has its first time then: 265 days at 3, the rest at 2.
    first = dataclasses.replace(plain, hr_first_opened=((265, 3.0),))
    per_100 = true_difference(Setting("first", "", first), crowns=500, seed=1)(60, 3653)
    early = (265 / (3652.5 - 60)) ** plain.shape
    assert per_100 == pytest.approx(100 * (0.86 - 0.86 ** (3 * early + 2 * (1 - early))), abs=0.01)


@pytest.mark.parametrize("name", ["null", "crowns_wear_out", "frail_opened_more"])
def test_no_effect_has_no_true_difference(name):
    assert true_difference(BY_NAME[name], crowns=500, seed=1)(100, 1826) == 0


def test_the_frailty_of_opened_crowns_is_not_known():
    setting = Setting("x", "", dataclasses.replace(DEFAULT, need_follows_frailty=True))
    with pytest.raises(ValueError, match="frailty"):
        true_difference(setting, crowns=500, seed=1)


def test_opened_patients_leave_before_their_crown_fails_and_others_stay():
    setting = BY_NAME["opened_leave"]
    frame = simulate(setting, crowns=8000, seed=4, as_recorded=False)
    left = leave_opened(frame, np.random.default_rng(1), setting.opened_leave)
    opened = pl.col("access_days").is_not_null()
    assert left.filter(~opened).equals(frame.filter(~opened))
    assert (left["endo_timing"] == frame["endo_timing"]).all()
    # Without those who leave just before, the rate alone takes some; of what it leaves, 6 in 10 are still seen to fail.
    by_rate = leave_opened(
        frame, np.random.default_rng(1), dataclasses.replace(setting.opened_leave, before_failure=0.0)
    )
    failed = [f.filter(opened)["failure"].sum() for f in (frame, by_rate, left)]
    assert failed[0] > failed[1]
    assert failed[2] / failed[1] == pytest.approx(0.6, abs=0.12)
    rate = left.filter(opened).group_by("bruxism").agg(share=(pl.col("exit_days") - pl.col("access_days")).mean())
    stay = dict(rate.iter_rows())
    assert stay[True] < 0.7 * stay[False]


def test_bias_coverage_and_power_by_hand():
    # Four practices; the truth is 0. The third interval misses it, the fourth has no estimate at all.
    none = dict.fromkeys(("log_hr", "log_low", "log_high", "per_100", "low", "high", "claimed"), math.nan)
    row = sum_up(
        "null",
        [
            found(per_100=1.0, low=-1.0, high=3.0),
            found(per_100=-1.0, low=-3.0, high=1.0),
            found(per_100=6.0, low=2.0, high=10.0, claimed=6.0, verdict="differs"),
            found(**none, verdict="too_early"),
        ],
    )
    assert row.difference_estimated == 3
    assert row.difference_bias == pytest.approx(2.0)
    assert row.difference_coverage == pytest.approx(2 / 3)
    assert row.difference_power == pytest.approx(1 / 4)
    assert (row.too_early, row.little_difference, row.differs, row.cannot_tell) == (0.25, 0.5, 0.25, 0.0)
    # `differs` under the null is a false alarm; `little difference` is right.
    assert (row.false_differs, row.false_little_difference, row.false_alarm_rate) == (0.25, 0.0, 0.25)


def test_little_difference_is_false_where_the_truth_is_beyond_the_zone():
    row = sum_up(
        "strong_effect",
        [
            found(),
            found(verdict="differs", claimed=15.0, per_100=15.0, low=8.0, high=22.0),
            found(verdict="differs", claimed=-7.0, per_100=-7.0, low=-9.0, high=-6.0),
            found(verdict="cannot_tell"),
        ],
    )
    # `differs` with the wrong sign is false too; not being able to tell never is.
    assert (row.false_little_difference, row.false_differs, row.false_alarm_rate) == (0.25, 0.25, 0.5)


@pytest.mark.thorough
def test_results_do_not_depend_on_the_number_of_processes():
    settings = [BY_NAME["null"], BY_NAME["misposted_dates"]]
    one, two = (calibrate(settings, SMALL, workers=n, date=DAY, say=lambda _: None) for n in (1, 2))
    for left, right in zip(one, two, strict=True):
        for name, value in dataclasses.asdict(left).items():
            expected = pytest.approx(value, rel=1e-9, nan_ok=True) if isinstance(value, float) else value
            assert getattr(right, name) == expected


@pytest.mark.thorough
def test_a_strong_effect_is_found_and_no_effect_is_not():
    strong, none = (
        [run_practice(Task(name, i, 3000, 1, as_recorded=True)) for i in range(5)] for name in ("strong_effect", "null")
    )
    # About this size the shipped table has 94 to 99 of 100 say that they differ, and the others that they cannot tell.
    verdicts = [f.verdict for f in strong]
    assert verdicts.count("differs") >= 4
    assert set(verdicts) <= {"differs", "cannot_tell"}
    assert np.mean([f.log_hr for f in strong]) > 1.0
    assert abs(np.mean([f.log_hr for f in none])) < 0.5


def test_the_table_is_read_as_it_was_written(tmp_path, monkeypatch):
    row = sum_up("null", [found(), found()])
    (tmp_path / "data").mkdir()
    write_table([row], tmp_path / "data" / "calibration.csv")
    monkeypatch.setattr("pipeline.machine.data_tables.files", lambda _: tmp_path)
    monkeypatch.setattr("pipeline.questions.calibration.data_rows", data_rows.__wrapped__)
    assert calibration_rows() == [row]


def test_the_shipped_table_is_whole():
    rows = calibration_rows()
    told = [(r.setting, r.about, r.crowns) for r in rows]
    assert told == [(s.name, s.about, crowns) for s in SETTINGS for crowns in Plan.sizes]
    assert sum(r.practices for r in rows) >= 1000
    for r in rows:
        assert r.too_early + r.little_difference + r.differs + r.cannot_tell == pytest.approx(1, abs=1e-4)
        assert r.log_hr_truth == pytest.approx(BY_NAME[r.setting].log_hr, abs=1e-4, nan_ok=True)
        assert r.false_alarm_rate <= r.differs + r.little_difference + 1e-9


def test_the_sentence_is_that_of_the_nearest_size_and_names_where_it_falls_short():
    good = dataclasses.replace(sum_up("null", [found(), found()]), too_early=0.5)
    poor = dataclasses.replace(good, about="patients differ", difference_coverage=0.4, false_alarm_rate=0.25)
    none = dataclasses.replace(good, about="few fail", difference_estimated=0, too_early=1.0)
    small = [dataclasses.replace(r, crowns=300, false_alarm_rate=0.01) for r in (good, poor, none)]
    rows = [*small, good, poor]
    assert calibration_sentence(rows, 400) == (
        "On 6 invented practices of 300 crowns each, the size nearest to this practice's, in 3 settings (made "
        "2026-11-01, seed 1), the 95% range of the adjusted difference held the truth in 100 of 100, held it in too "
        "few where patients differ (40 of 100) and could not be given where few fail; it was too early for a "
        "verdict in 50 to 100 of 100. A verdict claimed what was not so in at most 1.0 of 100."
    )
    assert calibration_sentence(rows) == (
        "On 4 invented practices of 1,500 crowns each, in 2 settings (made 2026-11-01, seed 1), the 95% range of the "
        "adjusted difference held the truth in 100 of 100 and held it in too few where patients differ (40 of 100); it "
        "was too early for a verdict in 50 of 100. A verdict claimed what was not so in at most 0.0 of 100, and in "
        "more where patients differ (25 of 100)."
    )


@pytest.mark.parametrize(
    ("crowns", "size"), [(None, 4000), (0, 300), (300, 300), (387, 300), (388, 500), (9000, 4000), (2000, 2000)]
)
def test_the_nearest_size_is_nearest_as_a_ratio(crowns, size):
    assert nearest_size({300, 500, 1000, 2000, 4000}, crowns) == size


def test_falling_short_allows_for_chance():
    row = dataclasses.replace(sum_up("null", [found(), found()]), difference_estimated=100)
    # The error of a share of 0.95 from 100 practices is 0.0218, so the line lies at 0.8846.
    assert not falls_short(dataclasses.replace(row, difference_coverage=0.89))
    assert falls_short(dataclasses.replace(row, difference_coverage=0.88))
    assert falls_short(dataclasses.replace(row, difference_coverage=math.nan))


def table(practices: int, **changes: object) -> list[CalibrationRow]:
    """Four settings at two sizes, as from so many practices each; the changes are those of the first setting."""
    error = math.sqrt(0.25 / practices)
    rows = []
    for i, setting in enumerate(SETTINGS[:4]):
        for crowns in (500, 4000):
            row = dataclasses.replace(
                sum_up(setting.name, [found(), found()]),
                crowns=crowns,
                practices=practices,
                log_hr_estimated=practices,
                difference_estimated=practices,
                log_hr_coverage=0.95,
                difference_coverage=0.95,
                log_hr_bias=0.0,
                difference_bias=0.0,
                log_hr_bias_mc_error=0.5 * error,
                difference_bias_mc_error=4 * error,
                differs=0.05,
                false_alarm_rate=0.03,
                since_opening_false_differs=0.03,
            )
            rows.append(dataclasses.replace(row, **changes) if i == 0 and crowns == 500 else row)
    return rows


@pytest.mark.one_in(3)
@pytest.mark.parametrize(
    ("changes", "noticed"),
    [
        ({}, []),
        ({"difference_coverage": 0.90}, []),  # within what 100 practices can tell
        ({"difference_coverage": 0.75}, ["difference_coverage"]),
        ({"log_hr_coverage": 0.75}, ["log_hr_coverage"]),
        ({"log_hr_bias": 0.3}, ["log_hr_bias"]),
        ({"false_alarm_rate": 0.20}, ["false_alarm_rate"]),
        ({"since_opening_false_differs": 0.20}, ["since_opening_false_differs"]),
        ({"differs": math.nan}, ["differs"]),
        ({"difference_bias": math.nan}, ["difference_bias"]),
    ],
)
def test_a_change_that_breaks_what_was_shipped_is_noticed(changes, noticed):
    found_ = [(look.setting, look.figure) for look in breaches(looks(table(100, **changes), table(400)))]
    assert found_ == [("null, 500 crowns", figure) for figure in noticed]


def test_what_all_settings_lose_together_is_noticed():
    fresh = [dataclasses.replace(r, difference_coverage=0.90) for r in table(200)]
    assert [(look.setting, look.figure) for look in breaches(looks(fresh, table(400)))] == [
        ("all together", "difference_coverage")
    ]


def test_what_the_table_does_not_have_or_seldom_has_is_no_look():
    shipped = table(400, log_hr_bias=math.nan, log_hr_coverage=math.nan, difference_estimated=70)
    told = {look.figure for look in looks(table(100), shipped) if look.setting == "null, 500 crowns"}
    assert told == {"differs", "false_alarm_rate", "since_opening_false_differs"}


@pytest.mark.slow
def test_the_shipped_table_is_what_the_present_code_gives():
    shipped = calibration_rows()
    plan = Plan(practices=shipped[0].practices, seed=shipped[0].seed)
    fresh = calibrate(SETTINGS, plan, workers=os.cpu_count() or 1, date=DAY, say=print)
    for old, new in zip(shipped, fresh, strict=True):
        for name, value in dataclasses.asdict(old).items():
            if isinstance(value, float):
                expected = pytest.approx(value, rel=1e-3, abs=2e-3, nan_ok=True)
                assert getattr(new, name) == expected, (old.setting, old.crowns, name)
