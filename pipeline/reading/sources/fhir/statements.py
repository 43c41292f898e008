"""The statements that take records apart. They hold names of our own only; lines and shapes are handed over as data.

`lines` is the block of the file (number, text) and `docs` what was made of it; `records` are the services, patients or
observations in it. Sites and codes repeat from record to record, so each distinct one is read once: `sites` and `codes`
hold them as written, with the key by which a record names its own.
"""

import json
from typing import Any

# A line that is no JSON object, or that names one property twice and so says two things, is not sound.
DOCS = """
    CREATE OR REPLACE TEMP TABLE docs AS
    WITH objects AS (
        SELECT number, text, TRY(json_keys(text)) AS names FROM lines
    ), checked AS (
        SELECT number, text, coalesce(len(names) > 0 AND list_unique(names) = len(names), false) AS sound
        FROM objects
    )
    SELECT number, CASE WHEN sound THEN json_transform(text, $shape) END AS d FROM checked
    """
BROKEN = """
    SELECT number, text FROM lines SEMI JOIN (SELECT number FROM docs WHERE d.resourceType IS NULL) USING (number)
    """
KINDS = """
    SELECT d.resourceType AS resource, count(*) AS n, min(number) AS first
    FROM docs WHERE d.resourceType IS NOT NULL GROUP BY ALL
    """

SERVICES = """
    WITH procedures AS (
        SELECT number, 1 AS item, d.resourceType AS resource, d.id, d.subject.reference AS patient, d.status,
            NULL::VARCHAR AS use, d.code,
            coalesce(d.performedDateTime, d.occurrenceDateTime, d.performedPeriod.end, d.occurrencePeriod.end,
                d.performedPeriod.start, d.occurrencePeriod.start) AS day,
            d.bodySite AS body, d.contained, NULL::VARCHAR AS surfaces,
            d.performer[1].actor.reference AS provider, d.location.reference AS clinic,
            NULL::VARCHAR AS claim, NULL::VARCHAR AS sequence,
            flatten(list_concat(
                list_transform(d.reasonCode, lambda c: c.coding), list_transform(d.reason, lambda r: r.concept.coding)
            )) AS diagnoses
        FROM docs WHERE d.resourceType = 'Procedure'
    ), items AS (
        SELECT number, d, unnest(CASE WHEN len(d.item) > 0 THEN d.item ELSE [NULL] END) AS i,
            generate_subscripts(CASE WHEN len(d.item) > 0 THEN d.item ELSE [NULL] END, 1) AS item
        FROM docs WHERE d.resourceType IN ('Claim', 'ExplanationOfBenefit')
    ), claims AS (
        SELECT number, item, d.resourceType AS resource, d.id, coalesce(d.patient.reference, d.subject.reference),
            d.status, coalesce(d.use, ''), i.productOrService,
            coalesce(i.servicedDate, i.servicedPeriod.end, i.servicedPeriod.start),
            i.bodySite, d.contained, i.subSite,
            list_filter(d.careTeam, lambda c: list_contains(i.careTeamSequence, c.sequence))[1].provider.reference,
            NULL, d.claim.reference, i.sequence,
            flatten(list_transform(
                list_filter(d.diagnosis, lambda g: list_contains(i.diagnosisSequence, g.sequence)),
                lambda g: g.diagnosisCodeableConcept.coding
            ))
        FROM items
    )
    SELECT * FROM procedures UNION ALL SELECT * FROM claims
    """
PATIENTS = """
    SELECT number, d.id, d.gender, d.birthDate AS born, d.deceasedDateTime AS died
    FROM docs WHERE d.resourceType = 'Patient' ORDER BY number
    """
_VALUE = (
    "coalesce({0}.valueInteger, {0}.valueBoolean, {0}.valueQuantity.value, {0}.valueString) AS value, "
    "{0}.valueCodeableConcept.coding AS answer"
)
OBSERVATIONS = f"""
    WITH found AS (
        SELECT number, 0 AS item, d, d.code, {_VALUE.format("d")} FROM docs WHERE d.resourceType = 'Observation'
        UNION ALL
        SELECT number, item, d, c.code, {_VALUE.format("c")} FROM (
            SELECT number, d, unnest(d.component) AS c, generate_subscripts(d.component, 1) AS item
            FROM docs WHERE d.resourceType = 'Observation'
        )
    )
    SELECT number, item, code, value, answer, d.subject.reference AS patient, d.status,
        coalesce(d.effectiveDateTime, d.effectiveInstant, d.effectivePeriod.end, d.effectivePeriod.start) AS day,
        d.bodySite AS body, d.contained, NULL::VARCHAR AS surfaces
    FROM found
    """  # noqa: S608

_WRITTEN = ", ".join(f"coalesce({name}::VARCHAR, '') AS {name}" for name in ("body", "contained", "surfaces", "code"))


def hold(records: str) -> tuple[str, ...]:
    """The statements that make `records`, `sites` and `codes` of what `records` selects."""
    return (
        f"CREATE OR REPLACE TEMP TABLE records AS SELECT * REPLACE ({_WRITTEN}) FROM ({records})",  # noqa: S608
        """
        CREATE OR REPLACE TEMP TABLE sites AS SELECT (row_number() OVER () - 1)::UINTEGER AS site, *
        FROM (SELECT DISTINCT body, contained, surfaces FROM records)
        """,
        """
        CREATE OR REPLACE TEMP TABLE codes AS SELECT (row_number() OVER () - 1)::UINTEGER AS coded, *
        FROM (SELECT DISTINCT code FROM records)
        """,
    )


READ = """
    SELECT * EXCLUDE (body, contained, surfaces, code)
    FROM records JOIN sites USING (body, contained, surfaces) JOIN codes USING (code) ORDER BY number, item
    """
# One thing where a list is due is a list of one; anything else is nothing.
_LIST = "CASE json_type(nullif({0}, '')) WHEN 'OBJECT' THEN '[' || {0} || ']' WHEN 'ARRAY' THEN {0} END"
READ_SITES = f"""
    SELECT site AS key, json_transform({_LIST.format("body")}, $sites) AS body,
        json_transform({_LIST.format("contained")}, $contained) AS contained,
        json_transform({_LIST.format("surfaces")}, $concepts) AS surfaces
    FROM sites ORDER BY site
    """  # noqa: S608
READ_CODES = """
    SELECT coded AS key, json_transform(nullif(code, ''), $concept).coding AS codes FROM codes ORDER BY coded
    """


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
