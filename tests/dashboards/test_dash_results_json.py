"""`results.json` has the keys that other programs rely on, and is valid JSON whatever could not be worked out."""

import dataclasses
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import sample_results as samples

from dashboards.results_json import results_json, results_schema, write_results_json
from pipeline.results import Comparison, Results

_SCHEMA = jsonschema.Draft202012Validator(results_schema())

TOP = {"schema", "data_cutoff", "counts", "comparisons", "not_run"}
COUNTS = {"procedures", "patients", "crowns", "endo_courses", "quarantined"}
COMPARISON = {"id", "outcome", "clock", "groups", "estimates", "naive", "verdict", "missing"}
GROUP = {"name", "crowns", "patients", "failures", "tooth_years", "survival"}
POINT = {"years", "estimate", "ci_low", "ci_high", "at_risk"}
ESTIMATE = {"contrast", "model", "adjusted_for", "hazard_ratio", "ci_low", "ci_high", "p", "clustered_on"}
NAIVE = {"contrast", "hazard_ratio", "why_biased"}


@pytest.mark.parametrize("name", samples.all_variants())
def test_every_variant_is_valid_json_with_the_promised_keys(name: str) -> None:
    made = results_json(samples.all_variants()[name])
    read: dict[str, Any] = json.loads(json.dumps(made, allow_nan=False))
    assert set(read) >= TOP
    assert set(read["counts"]) >= COUNTS
    for c in read["comparisons"]:
        assert set(c) >= COMPARISON
        assert isinstance(c["verdict"], str)
        for g in c["groups"]:
            assert set(g) >= GROUP
            assert all(set(s) == POINT for s in g["survival"])
        assert all(set(e) >= ESTIMATE for e in c["estimates"])
        assert c["naive"] is None or set(c["naive"]) >= NAIVE
    assert all(set(a) >= {"id", "needs"} for a in read["not_run"])


def test_the_figures_are_those_of_the_results() -> None:
    results = samples.differs()
    made = results_json(results)
    group, given = made["comparisons"][0]["groups"][0], results.comparisons[0].groups[0]
    five = next(m for m in given.milestones if m.years == 5)
    at_five = next(s for s in group["survival"] if s["years"] == 5)
    assert group["crowns"] == given.crowns
    assert at_five == {
        "years": 5, "estimate": five.survival, "ci_low": five.ci_low, "ci_high": five.ci_high, "at_risk": five.followed,
    }  # fmt: skip
    assert made["comparisons"][0]["verdict"] == results.comparisons[0].verdict.sentence
    assert made["data_cutoff"] == "2025-12-31"


def test_what_could_not_be_worked_out_is_null() -> None:
    group = results_json(samples.one_of_each())["comparisons"][0]["groups"][1]
    assert group["rate_per_100_tooth_years"] is None
    assert group["survival"] == []


def test_whole_years_are_integers() -> None:
    made = results_json(samples.differs())
    assert all(isinstance(s["years"], int) for s in made["comparisons"][0]["groups"][0]["survival"])


def test_the_file_can_be_written_alone(tmp_path: Path) -> None:
    path = write_results_json(samples.cannot_tell(), tmp_path / "out")
    assert path == tmp_path / "out" / "results.json"
    assert json.loads(path.read_text(encoding="utf-8")) == json.loads(json.dumps(results_json(samples.cannot_tell())))


@pytest.mark.parametrize("name", samples.all_variants())
def test_every_variant_is_of_the_schema(name: str) -> None:
    _SCHEMA.validate(results_json(samples.all_variants()[name]))


def test_the_schema_refuses_a_key_that_is_missing_more_or_of_another_kind() -> None:
    for change in (
        lambda c: c.pop("verdict_code"),
        lambda c: c.update(more=1),
        lambda c: c["groups"][0].update(crowns="many"),
    ):
        made = results_json(samples.differs())
        change(made["comparisons"][0])
        assert not _SCHEMA.is_valid(made)


def test_the_file_holds_every_attribute_of_the_results() -> None:
    renamed = {
        "robustness": "honesty",
        "agreement": "reading_agreement",
        "losses": "losses_by_cause",
        "states": "crown_states",
    }
    made = results_json(samples.differs())
    assert {renamed.get(f.name, f.name) for f in dataclasses.fields(Results)} - {"records"} <= set(made)
    assert set(made["comparisons"][0]) >= {
        "honesty" if f.name == "robustness" else f.name for f in dataclasses.fields(Comparison)
    }
