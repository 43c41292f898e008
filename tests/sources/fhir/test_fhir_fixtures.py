"""The invented records of these tests are records by the published models of R4 (as R4B) and R5."""

from __future__ import annotations

import importlib

import pytest
from fhir_records import ICD, SURFACE, UNIVERSAL, benefit, claim, concept, item, observation, procedure

pytest.importorskip("fhir.resources")
TOOTH = concept((UNIVERSAL, "30"))
SITE = [{"site": [{"concept": TOOTH}], "subSite": [concept((SURFACE, "M"))]}]
PERIOD = {"start": "2023-01-12", "end": "2023-02-01"}


def is_record(record: dict, package: str) -> bool:
    kind = record["resourceType"]
    model = getattr(importlib.import_module(f"{package}.{kind.lower()}"), kind)
    return model.model_validate(record).get_resource_type() == kind


@pytest.mark.parametrize(
    "record",
    [
        procedure(reasonCode=[concept((ICD, "K04.5"))]),
        procedure(performedDateTime=None, performedPeriod=PERIOD),
        claim(item(1, "D2740", careTeamSequence=[1], bodySite=TOOTH, subSite=[concept((SURFACE, "M"))])),
        benefit(item(1, "D2740", bodySite=TOOTH)),
        observation(),
    ],
    ids=lambda record: record["resourceType"],
)
def test_records_of_r4(record):
    assert is_record(record, "fhir.resources.R4B")


@pytest.mark.parametrize(
    "record",
    [
        procedure(performedDateTime=None, occurrencePeriod=PERIOD, reason=[{"concept": concept((ICD, "K04.5"))}]),
        claim(item(1, "D2740", bodySite=SITE)),
        benefit(item(1, "D2740", bodySite=SITE)),
        observation(),
    ],
    ids=lambda record: record["resourceType"],
)
def test_records_of_r5(record):
    if record["resourceType"] == "Procedure":  # renamed in R5
        record = {k: v for k, v in record.items() if k != "performedDateTime"}
    assert is_record(record, "fhir.resources")


def test_the_models_tell_the_releases_apart():
    with pytest.raises(ValueError, match="performedDateTime"):
        is_record(procedure(), "fhir.resources")
