"""The survival model and the practice without a ledger: hazards by hand, and effects found again."""

import dataclasses
import math

import numpy as np
import polars as pl
import pytest

from synthetic_data.followup import simulate_followup
from synthetic_data.hazards import NEVER, access_day, cumulative, draw_failure, draw_frailty, inverse, opened_hazard
from synthetic_data.truth import DEFAULT, NULL, Truth

# Constant hazard of -log(0.86) in ten years, no quiet time, nothing else: rates can be checked by division.
FLAT = dataclasses.replace(DEFAULT, shape=1.0, quiet_days=0, frailty_variance=0.0)
RATE = -math.log(FLAT.ten_year_survival) / 3652.5  # a day


def crowns(n, *, filled=False, access=NEVER, entry=0):
    days = np.full(n, entry)
    flags = np.full(n, filled)
    return {
        "log_hr": np.zeros(n),
        "frailty": np.ones(n),
        "root_filled": flags,
        "access": np.full(n, access),
        "entry": days,
    }


def fail(truth, seed=1, **kind):
    c = crowns(200_000, **kind)
    rng = np.random.default_rng(seed)
    return draw_failure(truth, rng, c["log_hr"], c["frailty"], c["root_filled"], access=c["access"], entry=c["entry"])


def test_cumulative_hazard_by_hand():
    # Quiet for 60 days; at ten years exp(-H) is the ten-year survival; the shape bends what lies between.
    days = np.array([0, 60, 3652.5])
    assert np.exp(-cumulative(DEFAULT, days)) == pytest.approx([1, 1, 0.86])
    half = 60 + (3652.5 - 60) / 2
    assert cumulative(DEFAULT, np.array([half]))[0] == pytest.approx(-math.log(0.86) * 0.5**1.2)
    assert inverse(DEFAULT, cumulative(DEFAULT, np.array([500.0, 7000.0]))) == pytest.approx([500, 7000])


def test_ten_year_survival_of_a_vital_reference_crown():
    # Standard error of the share: sqrt(0.86 * 0.14 / 200000) = 0.0008.
    assert (fail(DEFAULT) > 3652).mean() == pytest.approx(0.86, abs=0.003)


def test_root_filled_crowns_fail_at_their_multiple_of_the_rate():
    day = fail(FLAT, filled=True)
    seen = np.minimum(day, 3650)
    assert (day <= 3650).sum() / (seen.sum() * RATE) == pytest.approx(FLAT.hr_before_seat, rel=0.02)


def test_the_hazard_rises_on_the_day_of_the_opening():
    day = fail(FLAT, access=1000)
    before = (day <= 1000).sum() / (np.minimum(day, 1000).sum() * RATE)
    late = day > 1000
    after = (late & (day <= 3650)).sum() / ((np.minimum(day, 3650) - 1000)[late].sum() * RATE)
    assert before == pytest.approx(1, rel=0.03)
    assert after == pytest.approx(FLAT.hr_opened, rel=0.02)


def test_an_opening_may_act_first_in_another_way():
    # 20 times the rate for 100 days after the opening on day 1000, half of it up to a year after, then hr_opened.
    truth = dataclasses.replace(FLAT, hr_first_opened=((100, 20.0), (365, 0.5)))
    day = fail(truth, access=1000)

    def ratio(start, end):
        here = day > start
        return (here & (day <= end)).sum() / ((np.minimum(day, end) - start)[here].sum() * RATE)

    assert ratio(0, 1000) == pytest.approx(1, rel=0.03)
    assert ratio(1000, 1100) == pytest.approx(20, rel=0.03)
    assert ratio(1100, 1365) == pytest.approx(0.5, rel=0.1)
    assert ratio(1365, 5000) == pytest.approx(FLAT.hr_opened, rel=0.03)
    hazard = opened_hazard(truth, np.array([1000, 1000, 1000, 1000]), np.array([1000, 1100, 1200, 2000]))
    assert hazard == pytest.approx(RATE * np.array([0, 2000, 2050, 2132.5 + 2 * 635]))


def test_need_follows_the_frailty_where_told():
    truth = dataclasses.replace(DEFAULT, need_follows_frailty=True)
    wait, no = np.random.default_rng(3).exponential(size=1000), np.zeros(1000, bool)
    days = [access_day(truth, wait, no, no, frailty=np.full(1000, f), entry=np.zeros(1000, int)) for f in (1.0, 2.0)]
    assert np.abs(days[0] - 2 * days[1]).max() <= 2
    plain = access_day(DEFAULT, wait, no, no, frailty=np.full(1000, 2.0), entry=np.zeros(1000, int))
    assert (plain == days[0]).all()


def test_delayed_entry_means_that_the_crown_lasted_until_then():
    day = fail(DEFAULT, entry=2000)
    assert day.min() > 2000
    # Survival from 2000 to ten years, by division of the two survivals from the seat.
    at = np.exp(-cumulative(DEFAULT, np.array([2000, 3652.5])))
    assert (day > 3652).mean() == pytest.approx(at[1] / at[0], abs=0.003)


def test_hyperemic_teeth_need_endo_five_times_as_often():
    rng = np.random.default_rng(2)
    hyperemic = np.arange(200_000) % 2 == 0
    wait, same = rng.exponential(size=200_000), {"frailty": np.ones(200_000), "entry": np.zeros(200_000, int)}
    day = access_day(DEFAULT, wait, hyperemic, np.zeros(200_000, bool), **same)
    rates = [(day[k] <= 3650).sum() / np.minimum(day[k], 3650).sum() * 365.25 for k in (hyperemic, ~hyperemic)]
    assert rates == pytest.approx([0.05, 0.01], rel=0.03)
    filled = access_day(DEFAULT, wait, hyperemic, np.ones(200_000, bool), **same)
    assert (filled == NEVER).all()


def test_frailty_has_mean_1_and_the_variance_told():
    frailty = draw_frailty(Truth(frailty_variance=0.25), np.random.default_rng(1), 400_000)
    assert (frailty.mean(), frailty.var()) == pytest.approx((1, 0.25), rel=0.02)
    assert (draw_frailty(Truth(frailty_variance=0), np.random.default_rng(1), 5) == 1).all()


def state_rates(frame):
    """Failures per day in each state; time before the opening counts as vital."""
    opened = pl.col("access_days").is_not_null()
    vital_days = pl.when(opened).then("access_days").otherwise("exit_days")
    before, rest = frame.filter(endo_timing="before_seat"), frame.filter(pl.col("endo_timing") != "before_seat")
    return {
        "before_seat": before["failure"].sum() / before["exit_days"].sum(),
        "vital": rest.filter(~opened)["failure"].sum() / rest.select(vital_days.sum()).item(),
        "opened": rest.filter(opened)["failure"].sum()
        / rest.filter(opened).select((pl.col("exit_days") - pl.col("access_days")).sum()).item(),
    }


def alike(truth):
    """The same truth with a flat baseline and without covariates, so that ratios of rates are hazard ratios."""
    flat = dataclasses.replace(truth, shape=1.0, quiet_days=0, frailty_variance=0.0)
    none = {"log_hr_age_decade": 0.0, "log_hr_year_decade": 0.0, "log_hr_male": 0.0, "log_hr_smoker": 0.0}
    none |= {"log_hr_diabetes": 0.0, "log_hr_bruxism": 0.0}
    zero = {name: dict.fromkeys(getattr(truth, name), 0.0) for name in ("log_hr_tooth_group", "log_hr_material")}
    clinicians = tuple(dataclasses.replace(c, log_hr=0.0) for c in truth.clinicians)
    return dataclasses.replace(flat, **none, **zero, clinicians=clinicians)


def test_followup_gives_the_effects_back():
    rates = state_rates(simulate_followup(alike(DEFAULT), crowns=300_000, seed=4))
    assert rates["before_seat"] / rates["vital"] == pytest.approx(1.25, rel=0.04)
    assert rates["opened"] / rates["vital"] == pytest.approx(2.0, rel=0.05)


def test_null_practice_has_no_effect_of_opening():
    rates = state_rates(simulate_followup(alike(NULL), crowns=300_000, seed=4))
    assert rates["before_seat"] / rates["vital"] == pytest.approx(1, rel=0.04)
    assert rates["opened"] / rates["vital"] == pytest.approx(1, rel=0.07)


def test_comparing_by_label_from_the_seat_flatters_opened_crowns():
    # In the null practice nothing differs, yet crowns labelled by what happened later seem to fail far less often.
    frame = simulate_followup(alike(NULL), crowns=300_000, seed=4)
    naive = {t: (g["failure"].sum() / g["exit_days"].sum()) for (t,), g in frame.group_by("endo_timing")}
    assert naive["through_crown"] / naive["before_seat"] < 0.75


def test_followup_frame_holds_together():
    frame = simulate_followup(crowns=5000, seed=3)
    assert frame.height == 5000
    assert frame["crown_id"].is_unique().all()
    assert frame["patient_id"].n_unique() < 5000
    assert frame["exit_days"].min() >= 1
    opened = frame.filter(pl.col("access_days").is_not_null())
    assert (opened["endo_timing"] == "through_crown").all()
    assert opened.height == frame.filter(endo_timing="through_crown").height
    assert (opened["access_days"] <= opened["exit_days"]).all()
    assert (opened.filter("failure")["access_days"] < opened.filter("failure")["exit_days"]).all()
    assert ((frame["exit_date"] - frame["seat_date"]).dt.total_days() == frame["exit_days"]).all()


def test_clinicians_differ_in_doing_endo_first():
    frame = simulate_followup(crowns=100_000, seed=1).filter(pulp_status_at_prep="hyperemic")
    shares = (
        frame.group_by("provider_id").agg(first=(pl.col("endo_timing") == "before_seat").mean()).sort("provider_id")
    )
    told = [c.endo_first_hyperemic for c in DEFAULT.clinicians]
    assert shares["first"].to_list() == pytest.approx(told, abs=0.03)


def test_followup_is_seeded():
    assert simulate_followup(seed=9).equals(simulate_followup(seed=9))
    assert not simulate_followup(seed=9).equals(simulate_followup(seed=10))
