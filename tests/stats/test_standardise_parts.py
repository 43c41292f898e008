"""A standardised difference from rows in parts is that of all rows, thin strata that borrow included."""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import adjusted_practice as sim
import numpy as np
import polars as pl
import pytest

from pipeline.stats.cox import fit_cox
from pipeline.stats.cox_partitions import CoxPart, fit_cox_parts
from pipeline.stats.standard_target import fitted_target
from pipeline.stats.standardise import standardise
from pipeline.stats.standardise_parts import difference_in_parts
from pipeline.stats.standardised import AdjustedDifference
from pipeline.stats.stratum_hazard import thin_days

DAY = 1500


def as_it_is(part: CoxPart) -> CoxPart:
    return part


def rows_of(frame: pl.DataFrame, *, strata: bool = True) -> CoxPart:
    return CoxPart(
        x=frame.select(sim.NAMES).to_numpy(),
        exit_days=frame["exit"].to_numpy(),
        event=frame["event"].to_numpy(),
        entry_days=frame["entry"].to_numpy(),
        strata=frame["clinician"].to_numpy() if strata else None,
        cluster=frame["patient"].to_numpy(),
    )


def briefly_followed(rows: pl.DataFrame, clinicians: list[int], *, until: int) -> pl.DataFrame:
    """These clinicians' records end on that day, so that later days have nobody of theirs."""
    cut = pl.col("clinician").is_in(clinicians) & (pl.col("exit") > until)
    return rows.with_columns(
        exit=pl.when(cut).then(until).otherwise("exit"), event=pl.when(cut).then(False).otherwise("event")
    ).filter(pl.col("exit") > pl.col("entry"))


def compare(rows: pl.DataFrame, n_parts: int, *, from_day: int = 0, strata: bool = True) -> AdjustedDifference | None:
    parts = [rows_of(rows.filter(pl.col("patient") % n_parts == n), strata=strata) for n in range(n_parts)]
    fit = fit_cox_parts(parts, as_it_is, names=sim.NAMES)
    return difference_in_parts(fit, parts, as_it_is, states=sim.STATES, day=DAY, from_day=from_day)


def whole(rows: pl.DataFrame, *, from_day: int = 0, strata: bool = True) -> tuple[AdjustedDifference, int]:
    part = rows_of(rows, strata=strata)
    fit = fit_cox(
        part.x, part.exit_days, part.event, names=sim.NAMES, entry_days=part.entry_days, strata=part.strata,
        cluster=part.cluster,
    )  # fmt: skip
    target = fitted_target(fit, np.ones(fit.n_rows, dtype=bool))
    found = standardise(fit, target, states=sim.STATES, day=DAY, from_day=from_day)
    thin = thin_days(fit, np.unique(fit.design.sets.group_time), from_day=from_day, last_day=DAY, min_at_risk=10)
    return found.difference("opened", "closed"), int(thin.any(axis=1).sum())


def same(found: AdjustedDifference | None, wanted: AdjustedDifference) -> None:
    assert found is not None
    assert (found.group, found.reference, found.day, found.from_day) == (
        wanted.group, wanted.reference, wanted.day, wanted.from_day,
    )  # fmt: skip
    for name in ("per_100", "std_error", "low", "high", "p"):
        assert getattr(found, name) == pytest.approx(getattr(wanted, name), rel=1e-9), name


@pytest.mark.parametrize("n_parts", [1, 2, 7, pytest.param(64, marks=pytest.mark.thorough)])
@pytest.mark.parametrize("from_day", [0, 200])
def test_the_number_of_parts_changes_nothing(n_parts: int, from_day: int) -> None:
    rows = sim.practice(500, 3, clinicians=3)
    wanted, thin = whole(rows, from_day=from_day)
    assert thin == 0
    same(compare(rows, n_parts, from_day=from_day), wanted)


@pytest.mark.parametrize("n_parts", [1, 2, 7, pytest.param(64, marks=pytest.mark.thorough)])
def test_thin_strata_borrow_the_same(n_parts: int) -> None:
    # Clinicians 1 and 2 are followed for 700 and 300 days; the second has no failure of its own to scale by. Those of a
    # third are never followed on a day on which any crown fails, so that none of theirs was to be expected either.
    rows = briefly_followed(briefly_followed(sim.practice(600, 4, clinicians=4), [1], until=700), [2], until=300)
    rows = rows.with_columns(event=pl.col("event") & (pl.col("clinician") != 2))
    rows = briefly_followed(rows, [3], until=int(rows.filter("event")["exit"].min()) - 1)
    wanted, thin = whole(rows)
    assert thin == 3
    same(compare(rows, n_parts), wanted)
    same(compare(rows, n_parts, from_day=200), whole(rows, from_day=200)[0])


def test_without_strata() -> None:
    rows = sim.practice(400, 5)
    same(compare(rows, 3, strata=False), whole(rows, strata=False)[0])


@pytest.mark.thorough
def test_other_processes_give_the_same() -> None:
    rows = briefly_followed(sim.practice(400, 6, clinicians=2), [1], until=600)
    parts = [rows_of(rows.filter(pl.col("patient") % 4 == n)) for n in range(4)]
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as executor:
        fit = fit_cox_parts(parts, as_it_is, names=sim.NAMES, over=executor.map)
        found = difference_in_parts(fit, parts, as_it_is, states=sim.STATES, day=DAY, over=executor.map)
    same(found, whole(rows)[0])


def test_a_day_to_which_too_few_are_followed_has_no_difference() -> None:
    rows = briefly_followed(sim.practice(300, 7, clinicians=2), [0, 1], until=DAY - 1)
    assert np.isnan(whole(rows)[0].per_100)
    assert compare(rows, 3) is None


@pytest.mark.parametrize("strata", [True, False])
@pytest.mark.parametrize("single_failure", [False, True])
def test_up_to_the_last_day_with_enough_at_risk_all_is_compared_as_in_one_part(
    single_failure: bool, strata: bool
) -> None:
    min_at_risk = 10
    rows = sim.practice(60, 1, clinicians=3).with_columns(clinician=(pl.col("clinician") == 2).cast(pl.Int64))
    if single_failure:  # of one clinician
        late = pl.col("clinician") == 1
        rows = rows.with_columns(
            event=pl.col("event") & (~late | (pl.col("exit") == pl.col("exit").filter("event", late).max()))
        )
    one = rows_of(rows, strata=strata)
    fit = fit_cox(
        one.x, one.exit_days, one.event, names=sim.NAMES, entry_days=one.entry_days, strata=one.strata,
        cluster=one.cluster,
    )  # fmt: skip
    target = fitted_target(fit, np.ones(fit.n_rows, dtype=bool))
    parts = [rows_of(rows.filter(pl.col("patient") % 2 == n), strata=strata) for n in range(2)]
    in_parts = fit_cox_parts(parts, as_it_is, names=sim.NAMES)
    days = rows["exit"].unique().sort().to_list()
    last = max(d for d in days if rows.filter(pl.col("entry") < d, pl.col("exit") >= d).height >= min_at_risk)
    own = rows.filter("event", pl.col("exit") <= last).select("clinician", "exit").rows()
    there = [rows.filter(pl.col("entry") < d, pl.col("exit") >= d, clinician=c).height for c, d in own]
    assert min(there) < min_at_risk  # some failures are of a clinician with too few at risk, some with just enough
    assert single_failure or min_at_risk in there
    for day in [*days[9::6], *(d for _, d in own), last - 1, last, last + 1]:
        wanted = standardise(fit, target, states=sim.STATES, day=day, min_at_risk=min_at_risk)
        found = difference_in_parts(in_parts, parts, as_it_is, states=sim.STATES, day=day, min_at_risk=min_at_risk)
        assert (found is None) == (day > last) == bool(np.isnan(wanted.failure).all())
        if found is not None:
            same(found, wanted.difference("opened", "closed"))
