"""Invented FHIR records to change a little in each test."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pipeline.reading.sources.fhir.ndjson import FhirFile, open_fhir
from pipeline.reading.sources.source import ReadOptions

CDT = "http://www.ada.org/cdt"
FDI = "http://terminology.hl7.org/CodeSystem/ex-tooth"
UNIVERSAL = "http://terminology.hl7.org/CodeSystem/ADAUniversalToothDesignationSystem"
AREA = "http://terminology.hl7.org/CodeSystem/ADAAreaOralCavitySystem"
SURFACE = "http://terminology.hl7.org/CodeSystem/ADAToothSurfaceCodes"
ICD = "http://hl7.org/fhir/sid/icd-10-cm"
COVERAGE = {"focal": True, "coverage": {"reference": "Coverage/cv1"}}
ORAL = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/claim-type", "code": "oral"}]}


def concept(*codings: tuple[str | None, str]) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code} if system else {"code": code} for system, code in codings]}


def procedure(**changes: Any) -> dict[str, Any]:
    """An R4 procedure: a root canal completed on tooth 46. A change to None leaves a property out."""
    record = {
        "resourceType": "Procedure",
        "id": "pr1",
        "status": "completed",
        "code": concept((CDT, "D3330")),
        "subject": {"reference": "Patient/p1"},
        "performedDateTime": "2023-01-12",
        "performer": [{"actor": {"reference": "Practitioner/d1"}}],
        "bodySite": [concept((FDI, "46"))],
    } | changes
    return {name: value for name, value in record.items() if value is not None}


def item(sequence: int, code: str, **changes: Any) -> dict[str, Any]:
    return {"sequence": sequence, "productOrService": concept((CDT, code)), "servicedDate": "2023-02-09"} | changes


def claim(*items: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """An R4 claim for work done."""
    record = {
        "resourceType": "Claim",
        "id": "cl1",
        "status": "active",
        "type": ORAL,
        "use": "claim",
        "patient": {"reference": "Patient/p1"},
        "created": "2023-03-01",
        "provider": {"reference": "Organization/prac"},
        "priority": {"coding": [{"code": "normal"}]},
        "insurance": [{"sequence": 1, **COVERAGE}],
        "careTeam": [{"sequence": 1, "provider": {"reference": "Practitioner/d1"}}],
        "item": list(items),
    } | changes
    return {name: value for name, value in record.items() if value is not None}


def benefit(*items: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """An R4 explanation of benefit that answers the claim above."""
    record = claim(*items) | {
        "resourceType": "ExplanationOfBenefit",
        "id": "e1",
        "claim": {"reference": "Claim/cl1"},
        "insurer": {"reference": "Organization/pay"},
        "outcome": "complete",
        "insurance": [COVERAGE],
    }
    del record["priority"]
    return record | changes


def observation(**changes: Any) -> dict[str, Any]:
    record = {
        "resourceType": "Observation",
        "id": "o1",
        "status": "final",
        "code": concept(("urn:toothyears:finding", "pai")),
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": "2024-01-20",
        "valueInteger": 2,
        "bodySite": concept((FDI, "46")),
    } | changes
    return {name: value for name, value in record.items() if value is not None}


def opened(folder: Path, *records: Any, table: str = "procedures", **options: Any) -> FhirFile:
    """A file of records; a text is written as it is."""
    path = folder / "export.ndjson"
    lines = (record if isinstance(record, str) else json.dumps(record) for record in records)
    path.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
    return open_fhir(path, ReadOptions(table=table, **options))


def rows(file: FhirFile, *columns: str) -> list[str]:
    """Rows as `a|b|c`."""
    return [
        "|".join(value or "" for value in row)
        for batch in file.batches()
        for row in batch.rows.select(columns).iter_rows()
    ]


def aside(file: FhirFile) -> list[str]:
    """Rows set aside as `row number|field|value|reason`."""
    names = ("row_number", "field", "value", "reason")
    return [
        "|".join("" if value is None else str(value) for value in row)
        for batch in file.batches()
        for row in batch.malformed.select(names).iter_rows()
    ]
