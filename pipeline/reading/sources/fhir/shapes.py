"""What is taken of each kind of resource, as DuckDB is told it; what a release words differently is left as JSON.

R4 and R5 records may stand in one file: each shape has the names of both. A value of another type than expected
becomes null or the text of it, so no record can stop the reading.
"""

import json
from typing import Any

_CODING = {"system": "VARCHAR", "code": "VARCHAR"}
_CONCEPT = {"coding": [_CODING]}
_REFERENCE = {"reference": "VARCHAR"}
_PERIOD = {"start": "VARCHAR", "end": "VARCHAR"}
_STRUCTURE = {
    "resourceType": "VARCHAR",
    "id": "VARCHAR",
    "location": _CONCEPT,
    "locationQualifier": [_CONCEPT],
    "includedStructure": [{"structure": _CONCEPT, "qualifier": [_CONCEPT]}],
}
_RESOURCE: dict[str, Any] = {"resourceType": "VARCHAR", "id": "VARCHAR", "status": "VARCHAR"}
_VALUES: dict[str, Any] = {
    "valueInteger": "VARCHAR",
    "valueBoolean": "VARCHAR",
    "valueString": "VARCHAR",
    "valueQuantity": {"value": "VARCHAR"},
    "valueCodeableConcept": _CONCEPT,
}

# A site of the body: a concept (R4), or concepts and references under `site` (claims of R5).
SITES = json.dumps([{**_CONCEPT, "site": [{"concept": _CONCEPT, "reference": _REFERENCE}], "subSite": [_CONCEPT]}])
CONTAINED = json.dumps([_STRUCTURE])
CONCEPTS = json.dumps([_CONCEPT])
CONCEPT = json.dumps(_CONCEPT)

SERVICE = json.dumps(
    {
        **_RESOURCE,
        "subject": _REFERENCE,
        "patient": _REFERENCE,
        "use": "VARCHAR",
        "code": "JSON",
        "performedDateTime": "VARCHAR",
        "performedPeriod": _PERIOD,
        "occurrenceDateTime": "VARCHAR",
        "occurrencePeriod": _PERIOD,
        "performer": [{"actor": _REFERENCE}],
        "location": _REFERENCE,
        "bodySite": "JSON",
        "contained": "JSON",
        "reasonCode": [_CONCEPT],
        "reason": [{"concept": _CONCEPT}],
        "careTeam": [{"sequence": "VARCHAR", "provider": _REFERENCE}],
        "claim": _REFERENCE,
        "diagnosis": [{"sequence": "VARCHAR", "diagnosisCodeableConcept": _CONCEPT}],
        "item": [
            {
                "sequence": "VARCHAR",
                "careTeamSequence": ["VARCHAR"],
                "diagnosisSequence": ["VARCHAR"],
                "productOrService": "JSON",
                "servicedDate": "VARCHAR",
                "servicedPeriod": _PERIOD,
                "bodySite": "JSON",
                "subSite": "JSON",
            }
        ],
    }
)
PATIENT = json.dumps(
    {
        **_RESOURCE,
        "gender": "VARCHAR",
        "birthDate": "VARCHAR",
        "deceasedDateTime": "VARCHAR",
        "deceasedBoolean": "VARCHAR",
    }
)
OBSERVATION = json.dumps(
    {
        **_RESOURCE,
        "code": "JSON",
        "subject": _REFERENCE,
        "effectiveDateTime": "VARCHAR",
        "effectiveInstant": "VARCHAR",
        "effectivePeriod": _PERIOD,
        "bodySite": "JSON",
        "contained": "JSON",
        **_VALUES,
        "component": [{"code": "JSON", **_VALUES}],
    }
)
