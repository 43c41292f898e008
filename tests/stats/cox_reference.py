"""Data sets and values of R's survival package that the Cox tests share; tests/data/survival/SOURCES.md names each."""

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.stats import cox_kernel as kernel
from pipeline.stats.cox import CoxFit, fit_cox

DATA = Path(__file__).parents[1] / "data" / "survival"


@cache
def dataset(name: str) -> pl.DataFrame:
    if name == "rare":
        return rare_group_without_events()
    return pl.read_csv(DATA / f"{name}.csv", null_values="NA", infer_schema_length=None)


def rare_group_without_events() -> pl.DataFrame:
    """20,000 rows of which the 26 with `rare` have no event: too few for a fit to look odd."""
    rng = np.random.default_rng(26)
    days, rare = rng.integers(1, 7000, 20_000), np.arange(20_000) < 26
    return pl.DataFrame(
        {"t": days, "e": (rng.random(20_000) < 0.2) & ~rare, "x": rng.normal(size=20_000), "rare": rare}
    )


@cache
def expected(group: str, name: str) -> dict[str, Any]:
    return json.loads((DATA / "expected_cox.json").read_text(encoding="utf-8"))[group][name]


@dataclass(frozen=True)
class Case:
    """One fit: covariates as polars expressions by name; `where` drops rows as R's formula did (missing values)."""

    data: str
    covariates: dict[str, pl.Expr]
    exit: str
    event: pl.Expr
    entry: str | None = None
    strata: str | None = None
    weights: str | None = None
    cluster: str | None = None
    ties: str = "efron"
    robust: bool = False
    where: pl.Expr | None = None

    def arrays(self) -> tuple[tuple[Any, ...], dict[str, Any]]:
        """Positional and keyword arguments of `fit_cox`."""
        rows = dataset(self.data)
        rows = rows if self.where is None else rows.filter(self.where)
        rows = rows.with_columns(**self.covariates, event_=self.event).drop_nulls(list(self.covariates))
        optional = {"entry_days": self.entry, "strata": self.strata, "weights": self.weights, "cluster": self.cluster}
        options = {key: rows[column].to_numpy() for key, column in optional.items() if column is not None}
        x = rows.select(list(self.covariates)).cast(pl.Float64).to_numpy()
        return (
            (x, rows[self.exit].to_numpy(), rows["event_"].to_numpy()),
            {"names": list(self.covariates), "ties": self.ties, "robust": self.robust, **options},
        )

    def fit(self) -> CoxFit:
        positional, options = self.arrays()
        return fit_cox(*positional, **options)


def score_residuals(fit: CoxFit) -> np.ndarray:
    """Row by covariate: each row's part of the score at the estimate, not multiplied by its weight."""
    design = fit.design
    return np.stack(list(kernel.score_residuals(design.sets, design.z, fit.at_estimate)), axis=1) * design.scale


def columns(*names: str) -> dict[str, pl.Expr]:
    return {name: pl.col(name) for name in names}


status = pl.col("status") == 1
dead = pl.col("status") == 2
sim = {"data": "sim", "covariates": columns("grp", "molar", "age"), "exit": "stop", "event": pl.col("ev") == 1}
late = {**sim, "entry": "start"}
heart = {"data": "heart", "exit": "stop", "event": pl.col("event") == 1, "entry": "start"}
heart_covariates = columns("age", "year", "surgery", "transplant")
lung = {"data": "lung", "exit": "time", "event": dead}
mgus = {
    "data": "mgus2_age",
    "covariates": columns("male", "hgb", "creat"),
    "exit": "x",
    "event": pl.col("death") == 1,
    "entry": "e",
}
rossi = {
    "data": "rossi",
    "covariates": columns("fin", "age", "race", "wexp", "mar", "paro", "prio"),
    "exit": "week",
    "event": pl.col("arrest") == 1,
}
gehan = {
    "data": "gehan",
    "covariates": {"control": pl.col("treat") == "control"},
    "exit": "time",
    "event": pl.col("cens") == 1,
}
pbc = {
    "data": "pbc",
    "covariates": {
        **columns("age", "edema"),
        **{f"log_{name}": pl.col(name).log() for name in ("bili", "albumin", "protime")},
    },
    "exit": "time",
    "event": dead,
}
kp_age = pl.col("age")
heart_kp = {
    "data": "heart_kp",
    "covariates": {**columns("age", "trt", "surgery", "year"), "age:trt": kp_age * pl.col("trt")},
    "exit": "tstop",
    "event": pl.col("death") == 1,
    "entry": "tstart",
}
larynx = {
    "data": "larynx",
    "covariates": {**{f"stage{k}": pl.col("stage") == k for k in (2, 3, 4)}, **columns("age")},
    "exit": "time",
    "event": pl.col("delta") == 1,
}
veteran_full = {
    **columns("trt", "karno", "diagtime", "age"),
    "prior_10": pl.col("prior") / 10,
    **{cell: pl.col("celltype") == cell for cell in ("smallcell", "adeno", "large")},
}
veteran = {"data": "veteran", "exit": "time", "event": status}

CASES = {
    ("validate", "t1"): Case("validate1", columns("x"), "time", status),
    ("validate", "t1_breslow"): Case("validate1", columns("x"), "time", status, ties="breslow"),
    ("validate", "t2"): Case("validate2", columns("x"), "stop", status, entry="start"),
    ("validate", "t2_breslow"): Case("validate2", columns("x"), "stop", status, entry="start", ties="breslow"),
    ("validate", "t3"): Case("validate3", columns("x"), "time", status, weights="wt"),
    ("validate", "t3_breslow"): Case("validate3", columns("x"), "time", status, weights="wt", ties="breslow"),
    ("cox", "gehan_efron"): Case(**gehan),
    ("cox", "gehan_breslow"): Case(**gehan, ties="breslow"),
    ("cox", "heart"): Case(**heart, covariates=heart_covariates),
    ("cox", "heart_cluster"): Case(**heart, covariates=heart_covariates, cluster="id"),
    ("cox", "heart_vignette"): Case(
        **heart,
        covariates={
            **columns("age", "surgery", "transplant"),
            "age:transplant": pl.col("age") * pl.col("transplant"),
            "surgery:transplant": pl.col("surgery") * pl.col("transplant"),
        },
    ),
    ("cox", "lung"): Case(**lung, covariates=columns("age", "sex", "ph.ecog")),
    ("cox", "lung_robust"): Case(**lung, covariates=columns("age", "sex", "ph.ecog"), robust=True),
    ("cox", "lung_strata"): Case(**lung, covariates=columns("age", "ph.ecog"), strata="sex"),
    ("cox", "rats"): Case("rats", {**columns("rx"), "male": pl.col("sex") == "m"}, "time", status),
    ("cox", "rats_cluster"): Case("rats", columns("rx"), "time", status, cluster="litter", where=pl.col("sex") == "f"),
    ("cox", "veteran"): Case(**veteran, covariates=veteran_full),
    ("cox", "veteran_karno"): Case(**veteran, covariates=columns("trt", "prior", "karno")),
    ("cox", "pbc_dickson"): Case(**pbc, where=pl.col("id") <= 312),
    ("cox", "pbc_full418"): Case(**pbc),
    ("cox", "colon_marginal"): Case(
        "colon",
        {"Lev": pl.col("rx") == "Lev", "Lev+5FU": pl.col("rx") == "Lev+5FU"},
        "time",
        status,
        strata="etype",
        cluster="id",
    ),
    ("cox", "kidney_cluster"): Case("kidney", columns("age", "sex"), "time", status, cluster="id"),
    ("cox", "sim"): Case(**sim),
    ("cox", "sim_robust"): Case(**sim, robust=True),
    ("cox", "sim_cluster"): Case(**sim, cluster="pid"),
    ("cox", "sim_entry"): Case(**late),
    ("cox", "sim_entry_robust"): Case(**late, robust=True),
    ("cox", "sim_entry_cluster"): Case(**late, cluster="pid"),
    ("cox", "sim_entry_strata"): Case(**late, strata="arch"),
    ("cox", "sim_entry_strata_cluster"): Case(**late, strata="arch", cluster="pid"),
    ("cox", "sim_entry_wt_strata_cluster"): Case(**late, strata="arch", cluster="pid", weights="w"),
    ("cox", "sim_wt_robust"): Case(**sim, weights="w", robust=True),
    ("cox", "sim_wt_cluster"): Case(**sim, weights="w", cluster="pid"),
    ("cox", "sim_breslow_cluster"): Case(**late, cluster="pid", ties="breslow"),
    ("cox", "mgus2_age"): Case(**mgus),
    ("cox", "mgus2_age_cluster"): Case(**mgus, cluster="clu"),
    ("cox", "mgus2_age_tstrata"): Case(**mgus, strata="dec"),
    ("cox", "rossi"): Case(**rossi),
    ("cox", "rossi_robust"): Case(**rossi, robust=True),
    ("cox", "rossi_breslow"): Case(**rossi, ties="breslow"),
    ("worked", "kp_model6"): Case(**heart_kp, ties="breslow"),
    ("worked", "kp_model6_efron"): Case(**heart_kp),
    ("worked", "larynx_km81"): Case(**larynx, ties="breslow"),
    ("worked", "larynx_efron"): Case(**larynx),
    ("worked", "lung_wtloss"): Case(**lung, covariates=columns("age", "sex", "wt.loss")),
    ("worked", "lung_wtloss_strata"): Case(
        **lung, covariates=columns("age", "sex", "wt.loss"), strata="inst", where=pl.col("inst").is_not_null()
    ),
    ("worked", "bladder2"): Case(
        "bladder2",
        columns("rx", "number", "size"),
        "stop",
        pl.col("event") == 1,
        entry="start",
        strata="enum",
        cluster="id",
    ),
}
