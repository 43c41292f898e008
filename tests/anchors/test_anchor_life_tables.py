"""Life tables of handbooks as practices, run whole: teeth with crowns that fail and are withdrawn as patients were."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from as_ledger import Whole, milestone, whole
from life_table import Placed, actuarial, teeth_of

from pipeline.questions.groups import days_of

pytestmark = pytest.mark.thorough

SURVIVAL = Path(__file__).parents[1] / "data" / "survival"
# Armitage P, Berry G. Statistical Methods in Medical Research, 3rd ed, 1994, p 473: 374 patients after one operation
# for a malignant disease; failed and withdrawn in each year (as worked in the help of a statistics program,
# statsdirect.com/help/survival_analysis/follow_up_life_table.htm, whose table ends after ten years; the 47 patients
# left were followed for longer). Beside it, as that page prints them: at risk at the start of the year, chance of
# death.
OPERATED = ((90, 0), (76, 0), (51, 0), (25, 12), (20, 5), (7, 9), (4, 9), (1, 3), (3, 5), (2, 5), (0, 47))
AT_RISK = (374, 284, 208, 157, 120, 95, 79)
CHANCE_OF_DEATH = (0.240642, 0.267606, 0.245192, 0.165563, 0.170213, 0.077348)
# Lee ET. Statistical Methods for Survival Data Analysis, 2nd ed, 1992, p 91 (Parker 1946): 2,418 men with angina
# pectoris; failed and withdrawn in each year (as typed in the documentation of SAS, PROC LIFETEST, life-table estimates
# for males with angina pectoris, support.sas.com). The shares that it prints, at the end of each year, are from memory.
FAILED = (456, 226, 152, 171, 135, 125, 83, 74, 51, 42, 43, 34, 18, 9, 6, 0)
WITHDRAWN = (0, 39, 22, 23, 24, 107, 133, 102, 68, 64, 45, 53, 33, 27, 23, 30)
ANGINA = tuple(zip(FAILED, WITHDRAWN, strict=True))
PRINTED = {1: 0.8114, 2: 0.7170, 3: 0.6524, 5: 0.5193, 7: 0.4172, 10: 0.2987, 15: 0.1429}


PLACED: tuple[Placed, ...] = ("early", "late", "spread")


@pytest.fixture(scope="module")
def handbooks(tmp_path_factory) -> Whole:
    """Both tables as crowns of one practice, which are its two kinds, with days as the actuarial estimate takes them.

    And the first table as root-filled teeth without a crown, in three clinics that differ in the days of each year.
    """
    tables = [
        teeth_of(OPERATED, placed="half").with_columns(root_canal=True, crowned=True, clinic=pl.lit("crowns")),
        teeth_of(ANGINA, placed="half").with_columns(root_canal=False, crowned=True, clinic=pl.lit("crowns")),
        *(
            teeth_of(OPERATED, placed=placed).with_columns(root_canal=True, crowned=False, clinic=pl.lit(placed))
            for placed in PLACED
        ),
    ]
    teeth = pl.concat(tables).with_columns(start=pl.lit(dt.date(1990, 1, 1)))
    return whole(tmp_path_factory.mktemp("handbooks"), teeth, horizon=6)


def test_survival_after_an_operation_as_printed(handbooks):
    group = handbooks.group("before_seat")
    assert (group.crowns, group.failures) == (2 * 374, 2 * sum(failed for failed, _ in OPERATED))
    share = np.cumprod(1 - np.array(CHANCE_OF_DEATH))
    for year in (1, 2, 3, 5, 6):
        at = milestone(group, year)
        assert at.followed == 2 * AT_RISK[year]
        assert (at.failed, at.ended) == tuple(2 * sum(of_year[i] for of_year in OPERATED[:year]) for i in (0, 1))
        # Each chance is printed to half of its sixth digit.
        assert at.survival == pytest.approx(share[year - 1], abs=year * 1e-6)
        assert at.survival == pytest.approx(actuarial(OPERATED, years=year)[-1], abs=1e-12)


def test_survival_of_angina_as_printed_for_fifteen_years(handbooks):
    group = handbooks.group("vital")
    assert (group.crowns, group.failures) == (2 * 2418, 2 * sum(FAILED))
    for year, printed in PRINTED.items():
        at = milestone(group, year)
        assert at.survival == pytest.approx(printed, abs=0.00005)
        assert at.survival == pytest.approx(actuarial(ANGINA, years=year)[-1], abs=1e-12)
        gone = sum(FAILED[:year]) + sum(WITHDRAWN[:year])
        assert (at.entered, at.failed, at.followed) == (4836, 2 * sum(FAILED[:year]), 2 * (2418 - gone))


def test_how_far_product_limit_and_actuarial_estimate_may_differ(handbooks):
    # After six years it is 26.4 to 27.2 in 100 whatever the days, and 26.8 as printed; with days that are spread over
    # the year the two estimates are 0.03 in 100 apart. Every figure of a practice is a product limit.
    rows = {row.name: row for row in handbooks.rates("endo_tooth_survival_by_site") if row.name in PLACED}
    assert {row.teeth for row in rows.values()} == {374}
    assert {row.failures for row in rows.values()} == {279}
    shares = {name: row.survival for name, row in rows.items()}
    low, half, high = (actuarial(OPERATED, years=6, at_risk=part)[-1] for part in (0, 0.5, 1))
    assert shares["early"] == pytest.approx(low, abs=1e-12)
    assert shares["late"] == pytest.approx(high, abs=1e-12)
    assert low < shares["spread"] < high
    assert shares["spread"] == pytest.approx(half, abs=0.0005)
    assert (100 * low, 100 * half, 100 * high) == pytest.approx((26.4, 26.8, 27.2), abs=0.05)


# Freireich 1963 and Gehan 1965, in Cox DR, Oakes D, Analysis of Survival Data, table 1.1, and Klein JP, Moeschberger
# ML, Survival Analysis, tables 1.1 and 4.1 (figures of the second from memory): 21 children on 6-MP, 21 on a placebo,
# weeks of remission. Here a week is a year, since a practice's curve is read off at years, and the arms are the two
# kinds of teeth. Beside each share of those on 6-MP: how many were at risk that week.
ON_DRUG = {7: (0.807, 17), 10: (0.753, 15), 15: (0.690, 11), 20: (0.627, 8)}
ON_PLACEBO = {1: (19 / 21, 21), 2: (17 / 21, 19), 3: (16 / 21, 17), 5: (12 / 21, 14), 10: (8 / 21, 8), 15: (3 / 21, 4)}


@pytest.fixture(scope="module")
def remissions(tmp_path_factory) -> Whole:
    days = pl.col("time").map_elements(days_of, return_dtype=pl.Int64)
    teeth = pl.read_csv(SURVIVAL / "gehan.csv").select(
        failed=pl.when(pl.col("cens") == 1).then(days),
        last=days,
        root_canal=pl.col("treat") == "6-MP",
        start=pl.lit(dt.date(1980, 1, 7)),
    )
    folder = tmp_path_factory.mktemp("remissions")
    return whole(folder, teeth, horizon=20, analysis={"min_at_risk": 1, "max_step_per_100": 100.0})


@pytest.mark.parametrize(("group", "published"), [("before_seat", ON_DRUG), ("vital", ON_PLACEBO)])
def test_remissions_by_the_product_limit(remissions, group, published):
    found = remissions.group(group)
    assert found.crowns == 21
    for weeks, (share, at_risk) in published.items():
        at = milestone(found, weeks)
        assert at.survival == pytest.approx(share, abs=0.0005)
        assert at.followed == at_risk


def test_limits_of_the_remissions_are_those_of_r(remissions):
    # survfit(..., conf.type = "log-log"), kept in tests/data/survival/expected_curves.json.
    kept = json.loads((SURVIVAL / "expected_curves.json").read_text(encoding="utf-8"))["km"]["gehan"]["at"]
    rows = pl.DataFrame({name: kept[name] for name in ("strata", "time", "surv", "lower", "upper")})
    for stratum, group in (("treat=6-MP", "before_seat"), ("treat=control", "vital")):
        for weeks in (10, 20):
            (wanted,) = rows.filter(strata=stratum, time=weeks).select("surv", "lower", "upper").rows()
            at = milestone(remissions.group(group), weeks)
            # Errors grouped by patient are, with one tooth a patient, Greenwood's.
            assert (at.survival, at.ci_low, at.ci_high) == pytest.approx(wanted, abs=1e-9)


def test_hazard_ratio_of_the_remissions_is_the_published_one(remissions):
    # 6-MP against placebo: 1.57 on the log scale with Efron's ties, R's coxph (expected_cox.json, gehan_efron).
    coefficient = json.loads((SURVIVAL / "expected_cox.json").read_text(encoding="utf-8"))["cox"]["gehan_efron"]["coef"]
    # Nothing is known to adjust for, so that the practice has one ratio.
    (found,) = remissions.comparison().estimates
    assert found.contrast == "before_seat vs vital"
    assert np.log(found.hazard_ratio) == pytest.approx(-coefficient[0], abs=1e-9)
    assert (found.rows, found.events) == (42, 30)
