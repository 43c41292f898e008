"""Kaplan-Meier: by hand in fractions, against R's survfit, and against lifelines where it is right."""

from fractions import Fraction

import numpy as np
import polars as pl
import pytest
from curve_reference import CURVES, ERRORS, assert_same, dataset, expected
from lifelines import KaplanMeierFitter

from pipeline.stats.kaplan_meier import first_day_with, kaplan_meier, survival_influence

YEARS = 365 * np.arange(1, 11)


def groups(name: str) -> list[dict]:
    """The columns of each curve of a reference, by `kaplan_meier`'s names. Half days are doubled: see `SCALE`."""
    if name == "channing_entry":
        rows = dataset("channing").filter(pl.col("age") > pl.col("ageentry"))
        columns, by = {"exit_days": "age", "event": "death", "entry_days": "ageentry"}, "gender"
    elif name == "mgus2_age_entry":
        rows = dataset("mgus2_cr").with_columns(e=pl.col("age") * 12, x=pl.col("age") * 12 + pl.col("futime"))
        columns, by = {"exit_days": "x", "event": "death", "entry_days": "e"}, "sex"
    elif name == "heart_entry":
        rows = dataset("heart").with_columns(pl.col("start", "stop") * 2)
        columns, by = {"exit_days": "stop", "event": "event", "entry_days": "start"}, "transplant"
    elif name.startswith("sim"):
        rows = dataset("sim").with_columns(e1=pl.col("ev") == 1)
        columns, by = {"exit_days": "stop", "event": "e1", "entry_days": "start"}, "grp"
        if name == "sim_noentry":
            del columns["entry_days"]
    else:
        rows = dataset(name.removesuffix("_sex"))
        if name.startswith("lung"):
            rows = rows.with_columns(event=pl.col("status") == 2)
        columns = {
            "gehan": {"exit_days": "time", "event": "cens"},
            "lung": {"exit_days": "time", "event": "event"},
            "veteran": {"exit_days": "time", "event": "status"},
            "rossi": {"exit_days": "week", "event": "arrest"},
            "drug6mp": {"exit_days": "t2", "event": "relapse"},
        }[name.removesuffix("_sex")]
        by = {"gehan": "treat", "lung_sex": "sex", "veteran": "trt"}.get(name)
    parts = [rows] if by is None else [rows.filter(pl.col(by) == level) for level in sorted(rows[by].unique())]
    return [{ours: part[theirs] for ours, theirs in columns.items()} for part in parts]


SCALE = {"heart_entry": 2}
CURVE_NAMES = [
    "gehan",
    "lung",
    "lung_sex",
    "veteran",
    "heart_entry",
    "channing_entry",
    "mgus2_age_entry",
    "sim_entry",
    "sim_noentry",
    "rossi",
    "drug6mp",
]


def test_by_hand():
    # Four teeth, lost on days 10, 30 and 40; the second was last seen on day 20. At risk at each loss: 4, 2, 1.
    curve = kaplan_meier([10, 20, 30, 40], [1, 0, 1, 1])
    assert curve.survival.tolist() == pytest.approx([3 / 4, 3 / 4, 3 / 8, 0])
    # Greenwood: (3/4)^2 * 1/(4*3), then (3/8)^2 * (1/12 + 1/(2*1)).
    assert curve.std_error[:3] ** 2 == pytest.approx([9 / 192, 9 / 192, 9 / 64 * 7 / 12])
    assert np.isnan(curve.std_error[3])
    assert curve.at_risk.tolist() == [4, 3, 2, 1]


def test_what_is_said_before_the_first_failure_and_past_the_last_day():
    points = kaplan_meier([5, 6, 9], [1, 1, 0], from_day=3).at([2, 3, 4, 5, 9, 10])
    assert np.isnan(points.survival).tolist() == [True, False, False, False, False, True]
    assert points.survival[1:5].tolist() == pytest.approx([1, 1, 2 / 3, 1 / 3])
    # A share of 1 has no limits on the log-log scale.
    assert np.isnan(points.low[1:3]).all()
    assert kaplan_meier([5, 6], [1, 1]).at([5, 6, 99]).survival.tolist() == [1 / 2, 0, 0]


def test_medians_by_hand():
    # 3/4, 1/2, then 1/4 on day 30: flat at 1/2 from day 20 on, so the middle of 20 and 30.
    falls = kaplan_meier([10, 20, 30, 40], [1, 1, 1, 0])
    assert falls.median().days == 25
    assert falls.median(0.4).days == 20
    # Flat at 1/2 to the end of follow-up on day 40.
    assert kaplan_meier([10, 20, 30, 40], [1, 1, 0, 0]).median().days == 30
    assert kaplan_meier([10, 20, 30, 40], [1, 0, 0, 0]).median().days is None


def test_two_patients_are_enough_for_an_error_and_one_is_not():
    for patients, known in ((["A", "A", "B"], True), (["A", "A", "A"], False)):
        curve = kaplan_meier([5, 6, 9], [1, 0, 0], cluster=patients)
        assert np.isfinite(curve.std_error[0]) == known
    pulls = survival_influence([5, 6, 9], [1, 0, 0], [4, 5])
    # One of three lost: each row pulls on 2/3 by its own share less that, over three.
    assert sorted(pulls.values[:, 1]) == pytest.approx([-2 / 9, 1 / 9, 1 / 9])
    assert pulls.values[:, 0].tolist() == [0, 0, 0]


def test_late_entry_by_hand():
    # The third tooth enters on day 3, so it is not at risk at the failure on day 3; the last enters on day 5.
    curve = kaplan_meier([3, 5, 7, 9], [1, 1, 0, 1], entry_days=[0, 0, 3, 5])
    assert curve.at_risk.tolist() == [2, 2, 2, 1]
    assert curve.entered.tolist() == [2, 1, 1, 0]
    assert curve.survival.tolist() == pytest.approx([1 / 2, 1 / 4, 1 / 4, 0])


def test_a_failure_on_day_0_counts_with_or_without_entry():
    for entry in (None, [0, 0, 0, 0, 2]):
        curve = kaplan_meier([0, 0, 1, 3, 4], [1, 0, 1, 1, 0], entry_days=entry)
        n = 5 if entry is None else 4
        assert curve.survival[0] == pytest.approx((n - 1) / n)
        assert curve.at([0]).survival[0] == curve.survival[0]


def test_clustered_variance_by_hand():
    # Patient A: teeth failing on day 1 and censored on day 2; patient B: failing on day 2; patient C: censored on 3.
    curve = kaplan_meier([1, 2, 2, 3], [1, 0, 1, 0], cluster=["A", "A", "B", "C"])
    # Day 1: S = 3/4. Influence of a tooth: S * (1/(4*3)) if it survives, S * (1/12 - 1/3) if it fails.
    survives, fails = Fraction(3, 4) / 12, Fraction(3, 4) * (Fraction(1, 12) - Fraction(1, 3))
    assert curve.std_error[0] ** 2 == pytest.approx(float((fails + survives) ** 2 + survives**2 + survives**2))
    # Day 2: S = 1/2; every tooth at risk earns 1/12 + 1/(3*2), B's failure costs 1/2.
    risk = Fraction(1, 12) + Fraction(1, 6)
    a = (Fraction(1, 12) - Fraction(1, 3)) + risk
    b, c = risk - Fraction(1, 2), risk
    assert curve.std_error[1] ** 2 == pytest.approx(float((a**2 + b**2 + c**2) / 4))


@pytest.mark.parametrize("name", CURVE_NAMES)
def test_equals_r(name):
    reference, start = expected("km")[name], 0
    index = np.array(reference["index"])
    for columns in groups(name):
        curve = kaplan_meier(**columns)
        stop = start + len(curve.time)
        here = (index >= start) & (index < stop)
        ours = index[here] - start

        def theirs(key, here=here):
            return [value for value, use in zip(reference[key], here, strict=True) if use]

        assert_same(curve.time[ours] / SCALE.get(name, 1), theirs("time"), 0)
        assert_same(curve.at_risk[ours], theirs("n.risk"), 0)
        assert_same(curve.events[ours], theirs("n.event"), 0)
        assert_same(curve.censored[ours], theirs("n.censor"), 0)
        assert_same(curve.survival[ours], theirs("surv"), CURVES)
        assert_same(curve.std_error[ours], theirs("std.err.surv"), ERRORS)
        assert_same(curve.low[ours], theirs("lower.log-log"), ERRORS)
        assert_same(curve.high[ours], theirs("upper.log-log"), ERRORS)
        start = stop
    assert start == reference["n"]


@pytest.mark.parametrize("name", CURVE_NAMES)
def test_median_equals_r(name):
    medians = expected("km")[name]["median.log-log"]
    for number, columns in enumerate(groups(name)):
        ours = kaplan_meier(**columns).median()
        for part, key in ((ours.days, "quantile"), (ours.low, "lower"), (ours.high, "upper")):
            if name == "mgus2_age_entry" and key != "quantile":
                # R's limits of the women's median lie both above it: its band rises again where late entrants come in,
                # and R reads it after sorting by height. Ours are read at the first crossing.
                continue
            theirs = medians[key][number] if isinstance(medians[key], list) else medians[key]
            assert (None if part is None else part / SCALE.get(name, 1)) == theirs


@pytest.mark.parametrize("name", CURVE_NAMES)
def test_reading_at_chosen_days_equals_r(name):
    reference, scale = expected("km")[name]["at"], SCALE.get(name, 1)
    parts = groups(name)
    size = len(reference["time"]) // len(parts)
    for number, columns in enumerate(parts):
        rows = slice(number * size, (number + 1) * size)
        times = np.array(reference["time"][rows])
        curve = kaplan_meier(**columns)
        points = curve.at(times * scale)
        # R was told to draw curves on past the end of follow-up; ours stop there.
        known = (times * scale <= curve.time[-1]) | (curve.survival[-1] == 0)
        assert np.isnan(points.survival[~known]).all()
        pairs = {"surv": points.survival, "std.err": points.std_error, "lower": points.low, "upper": points.high}
        if name not in ("channing_entry", "mgus2_age_entry"):
            # There R reads the number at risk on the next exit day, with those who enter in between.
            pairs["n.risk"] = points.at_risk
        for key, ours in pairs.items():
            theirs = [value for value, use in zip(reference[key][rows], known, strict=True) if use]
            assert_same(ours[known], theirs, CURVES if key == "surv" else ERRORS)


def test_published_mgus2_medians():
    """Vignette `compete` of the R package survival: women 108, men 88 months; its limits are on another scale."""
    table = expected("worked")["mgus2_km"]
    for sex, row, published in zip("FM", table, [108, 88], strict=True):
        part = dataset("mgus2_cr").filter(pl.col("sex") == sex)
        assert kaplan_meier(part["futime"], part["death"]).median().days == row["median"] == published


def test_median_limits_lie_on_either_side_of_the_median():
    for columns in groups("mgus2_age_entry"):
        median = kaplan_meier(**columns).median()
        assert median.low <= median.days
        assert median.high is None or median.high >= median.days


@pytest.mark.parametrize("name", ["time0", "allcens", "exact_half", "exact_half_cens", "exact_half10", "last_event"])
def test_edge_cases_equal_r(name):
    rows = {
        "time0": ([0, 0, 1, 2, 3, 4], [1, 0, 1, 0, 1, 0]),
        "allcens": ([1, 2, 3], [0, 0, 0]),
        "exact_half": ([1, 2, 3, 4], [1, 1, 1, 1]),
        "exact_half_cens": (range(1, 7), [1, 1, 1, 0, 0, 0]),
        "exact_half10": (range(1, 11), [1] * 10),
        "last_event": ([1, 2, 3], [1, 1, 1]),
    }[name]
    assert_edge(kaplan_meier(list(rows[0]), rows[1]), name)


@pytest.mark.parametrize("name", ["emptyrisk", "tie_entry"])
def test_edge_cases_with_entry_equal_r(name):
    rows = {
        "emptyrisk": ([2, 3, 8, 9, 10, 11, 12], [1, 1, 1, 0, 1, 1, 0], [0, 0, 5, 5, 5, 6, 6]),
        "tie_entry": ([3, 5, 7, 5, 8, 9], [1, 1, 0, 1, 1, 1], [0, 0, 0, 3, 3, 5]),
    }[name]
    assert_edge(kaplan_meier(rows[0], rows[1], entry_days=rows[2]), name)


def assert_edge(curve, name):
    reference = expected("edge")[name]
    assert_same(curve.time, reference["time"], 0)
    assert_same(curve.at_risk, reference["n.risk"], 0)
    assert_same(curve.survival, reference["surv"], CURVES)
    assert_same(curve.std_error, reference["se"], ERRORS)
    assert_same(curve.low, reference["lower"], ERRORS)
    assert_same(curve.high, reference["upper"], ERRORS)
    assert curve.median().days == reference["median"]


def test_weighted_counts_and_curve_equal_r():
    """Only R's curve is used: its error without `robust` takes weights for counts of people."""
    reference, start = expected("km")["sim_entry_wt_naive"], 0
    sim = dataset("sim")
    index = np.array(reference["index"])
    for group in (0, 1):
        part = sim.filter(pl.col("grp") == group)
        curve = kaplan_meier(part["stop"], part["ev"] == 1, entry_days=part["start"], weights=part["w"])
        here = (index >= start) & (index < start + len(curve.time))
        ours = index[here] - start
        pairs = {"n.risk": curve.at_risk, "n.event": curve.events, "n.censor": curve.censored, "surv": curve.survival}
        for key, values in pairs.items():
            theirs = [value for value, use in zip(reference[key], here, strict=True) if use]
            # Sums of a thousand weights near 1.
            assert_same(values[ours], theirs, CURVES if key == "surv" else 1e-9)
        start += len(curve.time)


@pytest.mark.parametrize("name", ["sim_entry_wt_robust", "sim_entry_wt_cluster", "sim_entry_cluster"])
def test_clustered_error_equals_r(name):
    reference = expected("km")[name]
    for group in (0, 1):
        part = dataset("sim").filter(pl.col("grp") == group)
        options = {"entry_days": part["start"]}
        if "wt" in name:
            options["weights"] = part["w"]
        if "cluster" in name:
            options["cluster"] = part["pid"]
        points = kaplan_meier(part["stop"], part["ev"] == 1, **options).at(YEARS)
        rows = slice(10 * group, 10 * group + 10)
        assert_same(points.survival, reference["surv"][rows], CURVES)
        assert_same(points.std_error, reference["std.err"][rows], ERRORS)
        assert_same(points.low, reference["lower"][rows], ERRORS)
        assert_same(points.high, reference["upper"][rows], ERRORS)
        pulls = survival_influence(part["stop"], part["ev"] == 1, YEARS, **options)
        assert_same(np.sqrt((pulls.values**2).sum(axis=0)), reference["std.err"][rows], ERRORS)
        assert pulls.values.sum(axis=0) == pytest.approx(np.zeros(10), abs=1e-12)


@pytest.mark.parametrize("name", [name for name in CURVE_NAMES if name != "channing_entry"])
def test_equals_lifelines(name):
    for columns in groups(name):
        curve = kaplan_meier(**columns)
        theirs = KaplanMeierFitter().fit(
            columns["exit_days"].to_numpy(),
            columns["event"].to_numpy(),
            entry=columns["entry_days"].to_numpy() if "entry_days" in columns else None,
        )
        ours = curve.at(theirs.survival_function_.index.to_numpy())
        known = ~np.isnan(ours.low)
        assert ours.survival == pytest.approx(theirs.survival_function_.to_numpy()[:, 0], abs=CURVES)
        limits = theirs.confidence_interval_.to_numpy()
        assert ours.low[known] == pytest.approx(limits[known, 0], abs=ERRORS)
        assert ours.high[known] == pytest.approx(limits[known, 1], abs=ERRORS)


def test_published_six_mp_curve():
    """Klein & Moeschberger, Survival Analysis, table 4.1 (figures from memory): 6-MP arm of Freireich's trial."""
    points = kaplan_meier(**groups("drug6mp")[0]).at([6, 7, 10, 13, 16, 22, 23])
    assert points.survival.round(3).tolist() == [0.857, 0.807, 0.753, 0.690, 0.627, 0.538, 0.448]
    assert points.std_error.round(4).tolist() == [0.0764, 0.0869, 0.0963, 0.1068, 0.1141, 0.1282, 0.1346]


def test_one_cluster_tells_no_error():
    assert np.isnan(kaplan_meier([1, 2, 3], [1, 0, 1], cluster=["A", "A", "A"]).std_error).all()


def test_rows_at_risk_on_any_day():
    six_mp = kaplan_meier(**groups("gehan")[0])
    assert six_mp.at([0, 6, 8, 10, 16, 22]).at_risk.tolist() == [21, 21, 16, 15, 11, 7]
    transplanted = kaplan_meier(**groups("heart_entry")[1])
    assert transplanted.at(np.array([30, 51, 90, 365]) * 2).at_risk.tolist() == [34, 43, 41, 26]


def test_a_curve_says_nothing_after_follow_up_ends():
    points = kaplan_meier([2, 5], [1, 0]).at([0, 1, 2, 5, 6])
    assert points.survival[:4].tolist() == [1, 1, 0.5, 0.5]
    assert np.isnan(points.survival[4])
    assert kaplan_meier([2, 5], [1, 1]).at([6]).survival[0] == 0


def test_from_day_starts_a_conditional_curve():
    # Two early entrants fail and take the whole curve to 0; from day 5 five others are followed.
    rows = ([2, 3, 8, 9, 10, 11, 12], [1, 1, 1, 0, 1, 1, 0])
    entry = [0, 0, 5, 5, 5, 6, 6]
    assert kaplan_meier(*rows, entry_days=entry).survival[-1] == 0
    curve = kaplan_meier(*rows, entry_days=entry, from_day=5)
    assert curve.survival.tolist() == pytest.approx([4 / 5, 4 / 5, 8 / 15, 4 / 15, 4 / 15])
    points = curve.at([4, 5, 8])
    assert np.isnan(points.survival[0])
    assert points.survival[1:].tolist() == pytest.approx([1, 4 / 5])
    assert first_day_with(3, exit_days=rows[0], entry_days=entry) == 5
    assert first_day_with(5, exit_days=rows[0], entry_days=entry) == 6
    assert first_day_with(6, exit_days=rows[0], entry_days=entry) is None


def test_from_day_without_entry_is_the_ratio_of_two_shares():
    part = groups("lung")[0]
    whole, later = kaplan_meier(**part), kaplan_meier(**part, from_day=200)
    days = np.array([250, 400, 700])
    assert later.at(days).survival == pytest.approx(whole.at(days).survival / whole.at([200]).survival, abs=CURVES)


def test_first_day_with_in_a_group_that_starts_together():
    assert first_day_with(3, exit_days=[4, 5, 6]) == 0


@pytest.mark.parametrize(
    ("columns", "message"),
    [
        ({"exit_days": [], "event": []}, "no rows"),
        ({"exit_days": [3, 2.5], "event": [1, 0]}, "1 of 2 rows do not"),
        ({"exit_days": [3, None], "event": [1, 0]}, "1 of 2 rows do not"),
        ({"exit_days": [3, -2], "event": [1, 0]}, "1 of 2 rows leave before day 0"),
        ({"exit_days": [3, 4], "event": [1, 0], "entry_days": [3, 0]}, "1 of 2 rows end on or before"),
        ({"exit_days": [3, 4], "event": [1, 0], "weights": [1.0, 0.0]}, "1 of 2 rows have a weight"),
        ({"exit_days": [3, 4], "event": [1]}, "event has 1 rows"),
        ({"exit_days": [3, 4], "event": [2, 0]}, "aalen_johansen"),
        ({"exit_days": [3, 4], "event": [1, 0], "from_day": 4}, "no row"),
    ],
)
def test_broken_rows_are_refused(columns, message):
    with pytest.raises(ValueError, match=message):
        kaplan_meier(**columns)


def test_before_the_first_entry_nobody_is_at_risk_and_before_the_first_exit_there_is_no_error():
    curve = kaplan_meier([10, 20], [1, 0], entry_days=[5, 6])
    assert curve.rows_at_risk_on(np.array([3, 5, 6, 7, 10, 11])).tolist() == [0, 0, 1, 2, 2, 1]
    assert curve.at([0, 9]).std_error.tolist() == [0, 0]
    assert curve.at([0, 9]).survival.tolist() == [1, 1]


@pytest.mark.parametrize("share", [-0.5, 0, 1, 1.5])
def test_a_quantile_is_of_some_and_not_of_all(share):
    with pytest.raises(ValueError, match="between 0 and 1"):
        kaplan_meier([10, 20], [1, 0]).median(share)


def test_a_curve_whose_first_row_leaves_later_stands_at_1():
    found = survival_influence([10, 20], [1, 0], [3, 10])
    assert found.survival.tolist() == [1, 0.5]
    assert not found.values[:, 0].any()


def test_who_leaves_on_a_day_is_not_there_at_its_end():
    assert first_day_with(2, exit_days=[3, 9], entry_days=[0, 3]) is None
    assert first_day_with(2, exit_days=[4, 9], entry_days=[0, 3]) == 3


def test_where_all_at_risk_fail_nothing_is_left_whatever_the_weights_add_up_to():
    # Taken from a sum of all weights, those at risk on day 10 are a rounding off those that fail.
    weights = np.array([0.08, 0.02, 0.18, 0.8, 0.64, 0.9])
    curve = kaplan_meier([10, 10, 10, 30, 30, 40], [1, 1, 1, 1, 0, 0], entry_days=[0] * 3 + [20] * 3, weights=weights)
    assert curve.survival.tolist() == [0, 0, 0]
