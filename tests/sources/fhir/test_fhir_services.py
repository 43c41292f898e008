from __future__ import annotations

import pytest
from fhir_records import AREA, CDT, FDI, ICD, SURFACE, UNIVERSAL, aside, benefit, claim, concept, item, opened, rows
from fhir_records import procedure as pr

TOOTH_30 = concept((UNIVERSAL, "30"))
R5_TOOTH_30 = [{"site": [{"concept": TOOTH_30}], "subSite": [concept((SURFACE, "M")), concept((SURFACE, "O"))]}]


def test_a_procedure_of_r4_and_one_of_r5_give_the_same_row(tmp_path):
    newer = pr(performedDateTime=None, occurrenceDateTime="2023-01-12T09:30:00+01:00")
    file = opened(tmp_path, pr(), newer)
    assert (
        rows(file, "patient_id", "service_date", "code", "tooth", "provider_id", "status", "procedure_id")
        == ["p1|2023-01-12|D3330|46|d1|completed|Procedure/pr1"] * 2
    )
    assert file.spoken.fields
    assert file.spoken.notation == "fdi"


def test_claims_of_r4_and_r5_in_one_file(tmp_path):
    older = claim(
        item(1, "D2740", careTeamSequence=[1], bodySite=TOOTH_30),
        item(2, "D2392", bodySite=concept((UNIVERSAL, "19")), subSite=[concept((SURFACE, "M"), (SURFACE, "O"))]),
    )
    file = opened(tmp_path, older, claim(item(1, "D2392", bodySite=R5_TOOTH_30), id="cl2"), pr())
    assert rows(file, "line", "code", "tooth", "surface", "provider_id", "procedure_id") == [
        "1|D2740|46||d1|Claim/cl1#1",
        "1|D2392|36|MO||Claim/cl1#2",
        "2|D2392|46|MO||Claim/cl2#1",
        "3|D3330|46||d1|Procedure/pr1",
    ]


@pytest.mark.parametrize("site", [TOOTH_30, R5_TOOTH_30])
def test_a_benefit_has_the_key_of_its_claim(tmp_path, site):
    file = opened(tmp_path, claim(item(7, "D2740", bodySite=site)), benefit(item(7, "D2740", bodySite=site)))
    assert rows(file, "procedure_id") == ["Claim/cl1#7"] * 2


@pytest.mark.parametrize(
    ("status", "word"),
    [
        ("completed", "completed"),
        ("in-progress", "planned"),
        ("preparation", "planned"),
        ("not-done", "void"),
        ("stopped", "void"),
        ("entered-in-error", "void"),
        ("unknown", "unknown"),
        (None, "unknown"),  # never taken for done
        ("COMPLETED", "COMPLETED"),
    ],
)
def test_status_of_a_procedure(tmp_path, status, word):
    assert rows(opened(tmp_path, pr(status=status)), "status") == [word]


@pytest.mark.parametrize(
    ("status", "word"),
    [("active", "completed"), ("draft", "planned"), ("cancelled", "void"), ("completed", "completed")],
)
def test_status_of_a_claim(tmp_path, status, word):
    assert rows(opened(tmp_path, claim(item(1, "D2740", bodySite=TOOTH_30), status=status)), "status") == [word]


@pytest.mark.parametrize(
    ("use", "reason"),
    [("predetermination", "predetermination"), ("preauthorization", "predetermination"), (None, "claim_use_unknown")],
)
def test_a_request_for_approval_is_no_work(tmp_path, use, reason):
    file = opened(tmp_path, claim(item(1, "D2740", bodySite=TOOTH_30), use=use))
    assert rows(file, "code") == []
    assert aside(file) == [f"1||{use or ''}|{reason}"]


@pytest.mark.parametrize(
    ("codings", "tooth"),
    [
        ([(FDI, "18")], "18"),
        ([(UNIVERSAL, "18")], "37"),  # the same number, another tooth
        ([("http://hl7.org/fhir/ex-fdi", "18")], "18"),
        ([(UNIVERSAL, "01")], "18"),
        ([(UNIVERSAL, "a")], "55"),
        ([(UNIVERSAL, "51")], "18S"),  # an extra tooth beside 18
        ([("http://snomed.info/sct", "1"), (UNIVERSAL, "30"), (FDI, "46")], "46"),
        ([("urn:mine", "UR6")], "16"),
    ],
)
def test_the_numbering_comes_from_the_address(tmp_path, codings, tooth):
    file = opened(tmp_path, pr(bodySite=[concept(*codings)]), tooth_systems={"urn:mine": "palmer"})
    assert rows(file, "tooth") == [tooth]


@pytest.mark.one_in(3)
@pytest.mark.parametrize(
    ("codings", "reason"),
    [
        ([(None, "46")], "tooth_system_unknown"),
        ([("http://example.org/TEMPORARY-WAITING-FOR-HTA", "46")], "tooth_system_unknown"),
        ([("http://snomed.info/sct", "46")], "tooth_system_unknown"),
        ([], "tooth_system_unknown"),
        ([(UNIVERSAL, "46")], "tooth_unknown"),  # no tooth of this numbering, though one of another
        ([(FDI, "46"), (UNIVERSAL, "46")], "codings_disagree"),
        ([(FDI, "46"), (UNIVERSAL, "31")], "codings_disagree"),
    ],
)
def test_a_tooth_is_never_guessed(tmp_path, codings, reason):
    file = opened(tmp_path, pr(bodySite=[concept(*codings)]))
    assert rows(file, "tooth") == []
    written = " ".join(f"{system or ''}|{code}" for system, code in codings) or "|"
    assert aside(file) == [f"1|tooth|{written}|{reason}"]


def test_a_site_that_cannot_be_read_does_no_harm_to_work_about_no_tooth(tmp_path):
    checkup = pr(
        code=concept((CDT, "D0120")), bodySite=[concept(("http://snomed.info/sct", "1")), concept((None, "2"))]
    )
    assert rows(opened(tmp_path, checkup), "code", "tooth") == ["D0120|"]


def test_a_record_of_several_teeth_gives_a_row_for_each(tmp_path):
    sites = [concept((FDI, "46")), concept((UNIVERSAL, "30")), concept((FDI, "47")), concept((AREA, "40"))]
    file = opened(tmp_path, pr(), pr(bodySite=sites))
    assert rows(file, "line", "tooth", "procedure_id") == [
        "1|46|Procedure/pr1",
        "2|46|Procedure/pr1",  # named twice, once in each numbering
        "2|47|Procedure/pr1.2",
    ]
    assert [n for batch in file.batches() for n in batch.numbers] == [1, 2, 3]


def test_an_area_is_no_tooth(tmp_path):
    assert rows(
        opened(tmp_path, pr(bodySite=[concept((AREA, "40"))]), pr(bodySite=[concept((FDI, "00"))])), "tooth"
    ) == [
        "",
        "",
    ]


def test_the_structure_inside_a_record_is_taken_where_there_is_no_body_site(tmp_path):
    older = {
        "resourceType": "BodyStructure",
        "id": "bs1",
        "location": concept((UNIVERSAL, "30")),
        "locationQualifier": [concept((SURFACE, "O"))],
    }
    newer = {
        "resourceType": "BodyStructure",
        "id": "bs2",
        "includedStructure": [{"structure": concept((FDI, "36")), "qualifier": [concept((SURFACE, "D"))]}],
    }
    pointing = [{"site": [{"reference": {"reference": "#bs2"}}]}]
    file = opened(
        tmp_path,
        pr(bodySite=None, contained=[older]),
        pr(contained=[older]),
        claim(item(1, "D2740", bodySite=pointing), contained=[older, newer]),
        pr(bodySite=[{"site": [{"reference": {"reference": "BodyStructure/elsewhere"}}]}]),
    )
    assert rows(file, "tooth", "surface") == ["46|O", "46|", "36|D"]
    assert aside(file) == ["4|tooth|||tooth_system_unknown"]


@pytest.mark.parametrize("date", ["2023", "2023-05"])
def test_a_partial_date_is_never_filled_in(tmp_path, date):
    file = opened(tmp_path, pr(performedDateTime=date), claim(item(1, "D2740", servicedDate=date, bodySite=TOOTH_30)))
    assert rows(file, "service_date") == []
    assert aside(file) == [f"1|service_date|{date}|date_partial", f"2|service_date|{date}|date_partial"]


def test_a_period_counts_at_its_end(tmp_path):
    both = {"start": "2023-01-12", "end": "2023-02-01T10:00:00Z"}
    file = opened(
        tmp_path,
        pr(performedDateTime=None, performedPeriod=both),
        pr(performedDateTime=None, occurrencePeriod={"start": "2023-01-12"}),
        pr(performedDateTime=None),
    )
    assert rows(file, "service_date") == ["2023-02-01T10:00:00Z", "2023-01-12", ""]


@pytest.mark.one_in(3)
@pytest.mark.parametrize(
    ("codings", "code", "fault"),
    [
        ([("http://snomed.info/sct", "123"), (CDT, "D3330")], "D3330", None),
        ([("urn:house", "D3330")], None, "code_system_unknown"),
        ([(None, "D3330")], None, "code_system_unknown"),
        ([(CDT, "D3330"), (CDT, "D3320")], None, "codings_disagree"),
        ([("urn:ours", "EX1")], "EX1", None),
        ([("urn:ours", "EX1"), (CDT, "D3330")], "D3330", None),
    ],
)
def test_a_code_counts_only_in_a_list_that_is_known(tmp_path, codings, code, fault):
    file = opened(tmp_path, pr(code=concept(*codings)), code_systems=("urn:ours",))
    assert rows(file, "code") == ([code] if code else [])
    assert [line.split("|")[-1] for line in aside(file)] == ([fault] if fault else [])


@pytest.mark.parametrize(
    ("reference", "patient"),
    [
        ("Patient/p1", "p1"),
        ("http://host.example/fhir/Patient/p1", "p1"),
        ("Patient/p1/_history/2", "p1"),
        ("urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0", "0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"),
        ("Patient/007", "007"),
        ("#p1", ""),  # means another person in each record
        ("Group/p1", ""),
        ("Patient/", ""),
    ],
)
def test_patient_from_a_reference(tmp_path, reference, patient):
    assert rows(opened(tmp_path, pr(subject={"reference": reference})), "patient_id") == [patient]


def test_why_a_tooth_was_taken_out(tmp_path):
    file = opened(
        tmp_path,
        pr(reasonCode=[concept((ICD, "K04.5"))]),
        pr(reason=[{"concept": concept((ICD, "k05.3"))}]),
        pr(reasonCode=[concept((ICD, "K04.5")), concept((ICD, "K05.3"))]),
        pr(reasonCode=[concept((None, "K04.5"))]),
        claim(
            item(1, "D7140", bodySite=TOOTH_30, diagnosisSequence=[2]),
            diagnosis=[
                {"sequence": 1, "diagnosisCodeableConcept": concept((ICD, "K02.9"))},
                {"sequence": 2, "diagnosisCodeableConcept": concept((ICD, "S02.5XXA"))},
            ],
        ),
    )
    assert rows(file, "reason") == ["endodontic", "periodontal", "", "", "fracture"]


def test_diagnoses_of_completed_work_become_endo_details(tmp_path):
    diagnosed = [concept((ICD, "K04.02")), concept((ICD, "K04.4"))]
    file = opened(
        tmp_path,
        pr(reasonCode=diagnosed),
        pr(reasonCode=diagnosed, status="preparation"),
        pr(),
        {"resourceType": "Condition", "code": diagnosed[0]},
        table="endo_details",
    )
    assert rows(file, "patient_id", "tooth", "service_date", "pulpal_diagnosis", "apical_diagnosis") == [
        "p1|46|2023-01-12|irreversible pulpitis|acute apical periodontitis"
    ]
    assert file.remark == (
        "records that are no rows of endo_details: 1 Condition; "
        "2 Procedure, Claim, ExplanationOfBenefit that say nothing for it"
    )


def test_a_claim_without_items_is_a_row_without_a_code(tmp_path):
    assert rows(opened(tmp_path, claim()), "line", "code", "patient_id") == ["1||p1"]
