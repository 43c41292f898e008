"""An attacker with the shares of one practice at two horizons: how many teeth failed between them.

The same records are rounded alike, so a share told one step less has surely fallen; where few are followed by then,
few can have failed. Of 5,134 pairs of horizons of practices of 150 to 2,500 crowns 113 named 1 to 10 teeth.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import itertools
import math
from pathlib import Path

import polars as pl
import pytest

from dashboards.release.percent import percent_step
from dashboards.release.released import Released, as_text, from_text, release
from pipeline.practice.outcomes import CROWN_FAILURE
from pipeline.questions.groups import CurveRules
from pipeline.questions.success_rates import rate_tables
from pipeline.release.disclosure import SLACK, SMALLEST
from pipeline.results import Results
from pipeline.results.records import NEW, SET, Records
from tests.pool.pool_practices import tables
from tests.releases.test_release_memory import Practice, crowns, results

HORIZONS = range(4, 14)
PRACTICES = range(10)


def spells(seed: int) -> pl.DataFrame:
    """The follow-up of the crowns of a small practice."""
    made, _ = tables(crowns=250 + 40 * seed, seed=4100 + seed)
    followed = (pl.col("exit_date") - pl.col("seat_date")).dt.total_days()
    return made.select("patient_id", "failure", event="failure", entry_days=0, exit_days=followed)


def at(rows: pl.DataFrame, years: int) -> Results:
    """What is told of them at a horizon."""
    rules = CurveRules(10, 0.05, 0.95, (5,))
    rates = rate_tables(rows, CROWN_FAILURE, horizon=float(years), rules=rules, by=("overall",))
    return dataclasses.replace(results(horizon_years=str(years)), rates=rates)


def named(rows: pl.DataFrame, told: dict[int, Released]) -> int:
    """Of how many pairs of horizons it is sure that somebody failed between them, and fewer than 11.

    Those followed at the first are known from curves within `SLACK`.
    """
    found = 0
    for one, other in itertools.combinations(told, 2):
        first, then = (told[years].rates[0].rows[0] for years in (one, other))
        step = percent_step(first.teeth.value)
        if step is None or first.in_place is None or then.in_place is None or first.in_place <= then.in_place:
            continue
        followed = rows.filter(pl.col("exit_days") > one * 365.25).height + SLACK
        most = followed * math.log(min(first.in_place + step, 100) / max(then.in_place - step, 1))
        exact = rows.filter("event", pl.col("exit_days").is_between(one * 365.25, other * 365.25)).height
        assert 1 <= exact <= most
        found += most < SMALLEST
    return found


@pytest.mark.thorough
def test_two_horizons_name_a_few_and_so_the_first_stands(tmp_path: Path) -> None:
    blind = kept = 0
    for seed in PRACTICES:
        rows = spells(seed)
        records = Records(str(seed))
        of = {years: dataclasses.replace(at(rows, years), records=records) for years in HORIZONS}
        blind += named(rows, {years: release(made) for years, made in of.items()})
        (tmp_path / str(seed)).mkdir()
        practice, told = Practice(tmp_path / str(seed)), {}
        for years in (HORIZONS[-1], *HORIZONS[:-1]):
            day = dt.date(2026, 1, 1) + dt.timedelta(200 * years)
            found = practice.share(crowns(range(40)), day=day, of=of[years], figures=lambda x: as_text(release(x)))
            assert found.standing == (SET if told else NEW)
            shown = from_text(found.figures)
            assert shown is not None
            told[years] = shown
        assert len(set(told.values())) == 1
        kept += named(rows, told)
    assert blind > 5
    assert kept == 0
