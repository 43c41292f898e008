from __future__ import annotations

import gzip
import json
import tempfile
from pathlib import Path

import pytest
from fhir_records import aside, claim, concept, item, observation, opened, procedure, rows
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.machine.errors import DataError
from pipeline.practice.reasons import REASONS
from pipeline.reading.sources import json_records
from pipeline.reading.sources.fhir.ndjson import open_fhir
from pipeline.reading.sources.json_rows import open_json
from pipeline.reading.sources.source import ReadOptions

GOOD = json.dumps(procedure())


@pytest.mark.one_in(4)
@pytest.mark.parametrize(
    "line",
    [
        '{"resourceType":"Procedure","status":',
        "[]",
        "5",
        "null",
        "{}",
        "hello",
        '{"id":"x"}',
        GOOD + GOOD,
        GOOD.replace('"id"', '"status"'),  # two statuses: which is meant?
        '{"resourceType":"Procedure","id":"\\ud800"}',
        GOOD[:40] + "\0" + GOOD[40:],
    ],
)
def test_a_line_that_is_no_record_is_set_aside_alone(tmp_path, line):
    file = opened(tmp_path, GOOD, "", line, GOOD)
    assert rows(file, "line", "code") == ["1|D3330", "4|D3330"]
    assert aside(file) == ["2|line|3|no_record"]


def test_bytes_that_are_no_utf_8_spoil_their_line_only(tmp_path):
    path = tmp_path / "a.ndjson"
    path.write_bytes(GOOD.encode() + b"\n" + GOOD.encode().replace(b"p1", b"\xff") + b"\n" + GOOD.encode())
    file = open_fhir(path, ReadOptions())
    assert rows(file, "line") == ["1", "3"]
    assert aside(file) == ["2|line|2|no_record"]


@pytest.mark.parametrize("wrap", [lambda b: b, gzip.compress], ids=["plain", "gz"])
def test_mark_at_the_start_line_ends_and_blank_lines(tmp_path, wrap):
    path = tmp_path / ("a.ndjson" if wrap(b"x") == b"x" else "a.ndjson.gz")
    path.write_bytes(wrap(b"\xef\xbb\xbf" + f"{GOOD}\r\n\r\n  \r\n{GOOD}\r\n".encode()))
    file = open_fhir(path, ReadOptions())
    assert rows(file, "line", "code") == ["1|D3330", "4|D3330"]
    assert aside(file) == []


def test_a_deep_record_does_no_harm(tmp_path):
    deep = GOOD.replace('"status"', '"extension":' + "[" * 100_000 + "]" * 100_000 + ',"status"')
    assert rows(opened(tmp_path, deep, GOOD), "code") == ["D3330"] * 2


def test_values_of_the_wrong_type_stop_nothing(tmp_path):
    odd = procedure(code="x", subject=7, bodySite={"coding": {}}, performer="x", contained=3, performedDateTime=2023)
    file = opened(tmp_path, odd, claim(item(1, "D2740")) | {"item": {"sequence": 1}}, procedure(id=5))
    assert rows(file, "procedure_id") == ["Claim/cl1#1", "Procedure/5"]
    assert aside(file) == ["1|service_date|2023|date_partial"]


def test_the_next_block_goes_on_with_the_numbers(tmp_path, monkeypatch):
    monkeypatch.setattr(json_records, "_BLOCK_BYTES", 10)
    file = opened(tmp_path, procedure(), "{", procedure(), {"resourceType": "Encounter"})
    assert [n for batch in file.batches() for n in batch.numbers] == [1, 3]
    assert aside(file) == ["2|line|2|no_record"]
    assert file.remark == "records that are no rows of procedures: 1 Encounter"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", "empty"),
        (b" \n\n", "empty"),
        (b'{\n  "resourceType": "Procedure",\n', "line 3, column 1: this is not JSON"),
        (b'[{"resourceType":"Procedure"}', "cut short"),
        (b"[" * 200_000, "brackets"),
        (b'[{"resourceType":"Procedure", "id": "\xff"}]', "byte 37 is not UTF-8"),
        (b'[{"resourceType":"Procedure", "id": "a", "id": "b"}]', "stands twice in one record"),
        (b"PK\x03\x04", "packed"),
        (gzip.compress(b"{}", mtime=0), "packed"),
        ("\ufeff{}".encode("utf-16-le"), "UTF-8"),
    ],
)
def test_files_of_another_kind_are_refused(tmp_path, text, words):
    path = tmp_path / "a.ndjson"
    path.write_bytes(text)
    with pytest.raises(DataError, match=words):
        open_fhir(path, ReadOptions())


def test_a_bundle_among_records_is_refused(tmp_path):
    packet = {"resourceType": "Bundle", "type": "transaction", "entry": []}
    with pytest.raises(DataError, match="line 2 is a Bundle"):
        list(opened(tmp_path, procedure(), packet).batches())


def rows_of(path: Path) -> list[tuple[object, ...]]:
    file = open_json(path, ReadOptions())
    return [row for batch in file.batches(["patient_id", "code", "tooth"]) for row in batch.rows.rows()]


def test_records_are_the_same_however_they_are_packed(tmp_path):
    records = [procedure(), {"resourceType": "Encounter"}, procedure(id="b")]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": r} for r in records]}
    (tmp_path / "lines.ndjson").write_text("\n".join(map(json.dumps, records)))
    wanted = rows_of(tmp_path / "lines.ndjson")
    assert len(wanted) == 2
    packed = {
        "list": json.dumps(records),
        "indented list": json.dumps(records, indent=1),
        "bundle": json.dumps(bundle),
        "indented bundle": json.dumps(bundle, indent="\t"),
        "list of bundles": json.dumps([bundle | {"entry": [entry]} for entry in bundle["entry"]]),
        "lines of bundles": "\n".join(json.dumps(bundle | {"entry": [entry]}) for entry in bundle["entry"]),
    }
    for name, text in packed.items():
        (tmp_path / "a.json").write_bytes(b"\xef\xbb\xbf" + text.encode())
        assert rows_of(tmp_path / "a.json") == wanted, name
    (tmp_path / "a.json.gz").write_bytes(gzip.compress(packed["bundle"].encode(), mtime=0))
    assert rows_of(tmp_path / "a.json.gz") == wanted
    (tmp_path / "one.json").write_text(json.dumps(records[0], indent=2))
    assert rows_of(tmp_path / "one.json") == wanted[:1]


@pytest.mark.parametrize(
    ("bundle", "words"),
    [
        ({"type": "history", "entry": []}, "Bundle of changes"),
        ({"type": "transaction", "entry": [{"request": {"method": "DELETE", "url": "Procedure/1"}}]}, "of changes"),
        ({"type": "collection", "entry": {}}, "no list of entries"),
    ],
)
def test_a_bundle_of_changes_is_refused(tmp_path, bundle, words):
    (tmp_path / "a.json").write_text(json.dumps({"resourceType": "Bundle"} | bundle))
    with pytest.raises(DataError, match=words):
        open_json(tmp_path / "a.json", ReadOptions())


def test_what_must_be_read_whole_has_a_bound(tmp_path, monkeypatch):
    monkeypatch.setattr(json_records, "_MAX_WHOLE_BYTES", 1_000_000)
    (tmp_path / "a.json").write_text("[\n" + ",\n".join(["1" * 40_000] * 30) + "]")
    with pytest.raises(DataError, match="more than 1 MB is not read whole"):
        open_json(tmp_path / "a.json", ReadOptions())


ROWS = [{"Patient": "007", "Fee": 1350.50, "Paid": True}, {"Patient": "8", "Tooth": 16, "Codes": ["a", "b"]}]


@pytest.mark.parametrize("lines", [True, False])
def test_objects_of_no_standard_are_rows_of_a_table(tmp_path, lines):
    text = "\n".join([*map(json.dumps, ROWS), "nothing"]) if lines else json.dumps([*ROWS, 5], indent=2)
    (tmp_path / "ledger.json").write_text(text)
    file = open_json(tmp_path / "ledger.json", ReadOptions())
    assert file.headings == ["Patient", "Fee", "Paid", "Tooth", "Codes"]
    (batch,) = file.batches(["Patient", "Fee", "Tooth", "Codes", "Paid"])
    assert batch.numbers.to_list() == [1, 2]
    assert batch.rows.rows() == [("007", "1350.5", None, None, "true"), ("8", None, "16", "a, b", None)]
    assert batch.malformed.select("row_number", "raw_row").rows() == [(3, "nothing" if lines else "5")]


def test_a_line_longer_than_any_record_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(json_records, "_MAX_LINE_BYTES", 1 << 20)
    with pytest.raises(DataError, match=r"line 2 is longer than 1 MB"):
        list(opened(tmp_path, procedure(), "x" * (1 << 20) + "y").batches())


def test_a_packed_file_that_is_cut_off_is_refused(tmp_path):
    path = tmp_path / "a.ndjson.gz"
    path.write_bytes(gzip.compress("\n".join([GOOD] * 5000).encode(), mtime=0)[:-50])
    with pytest.raises(DataError, match="damaged"):
        list(open_fhir(path, ReadOptions()).batches())


def test_crowns_details_cannot_be_had(tmp_path):
    with pytest.raises(DataError, match=r"Take the file out of \[tables.crown_details\]"):
        opened(tmp_path, procedure(), table="crown_details")


def test_both_procedures_and_claims_are_remarked_on(tmp_path):
    file = opened(tmp_path, procedure(), claim(item(1, "D3330")))
    list(file.batches())
    assert "counts twice" in file.remark


def test_patients(tmp_path):
    def patient(**changes):
        return {"resourceType": "Patient", "id": "p1", "gender": "female", "birthDate": "1971-04-02"} | changes

    file = opened(
        tmp_path,
        patient(),
        patient(id="007", birthDate="1971", gender="unknown"),
        patient(birthDate="1971-04", gender="other", deceasedDateTime="2020-03-01T10:00:00Z"),
        patient(deceasedDateTime="2020", deceasedBoolean=True),
        procedure(),
        table="patients",
    )
    assert rows(file, "patient_id", "birth_date", "birth_year", "sex", "deceased_date") == [
        "p1|1971-04-02||female|",
        "007||1971||",
        "p1||1971|other|2020-03-01",
        "p1|1971-04-02||female|2020",  # cleaning counts it as unreadable
    ]


def test_findings(tmp_path):
    yes = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0136", "code": "Y"}]}
    symptoms = concept(("urn:toothyears:finding", "symptomatic"))
    score = {"code": concept(("urn:toothyears:finding", "pai")), "valueInteger": 3}
    file = opened(
        tmp_path,
        observation(),
        observation(code=symptoms, valueInteger=None, valueBoolean=False),
        observation(code=symptoms, valueInteger=None, valueCodeableConcept=yes),
        observation(code=symptoms, valueInteger=None, valueCodeableConcept=concept(("urn:x", "1"))),
        observation(
            code=symptoms, valueInteger=None, valueBoolean=True, component=[score, score | {"valueInteger": 4}]
        ),
        observation(code=concept(("http://loinc.org", "8480-6"))),
        observation(status="preliminary"),
        observation(effectiveDateTime="2024"),
        table="findings",
    )
    assert rows(file, "line", "tooth", "exam_date", "pai", "symptomatic") == [
        "1|46|2024-01-20|2|",
        "2|46|2024-01-20||false",
        "3|46|2024-01-20||Y",
        "4|46|2024-01-20||urn:x|1",
        "5|46|2024-01-20|3|true",
        "5|46|2024-01-20|4|",
    ]
    assert aside(file) == ["7||preliminary|finding_not_final", "8|exam_date|2024|date_partial"]
    assert file.without_row == 1


SCALARS = (
    st.none()
    | st.booleans()
    | st.integers(-3, 3000)
    | st.text(max_size=8)
    | st.sampled_from(
        [
            "Procedure",
            "Claim",
            "Patient",
            "Observation",
            "completed",
            "claim",
            "2023-01-12",
            "Patient/p1",
            "#a",
            "D3330",
        ]
    )
)
WORDS = (
    "resourceType id status use code coding system subject reference bodySite site concept contained item sequence "
    "careTeam careTeamSequence performer actor performedPeriod start end valueInteger component birthDate"
)
NAMES = st.sampled_from(WORDS.split(" "))
JSON = st.recursive(SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(NAMES, inner, max_size=5))
KINDS = st.sampled_from(["Procedure", "Claim", "ExplanationOfBenefit", "Observation", "Patient", "Encounter"])
RECORDS = st.builds(lambda kind, rest: {**rest, "resourceType": kind}, KINDS, st.dictionaries(NAMES, JSON, max_size=6))
LINES = st.lists(
    st.builds(json.dumps, RECORDS | JSON) | st.text(max_size=30).map(lambda t: t.replace("\n", "")), max_size=6
)


@pytest.mark.thorough
@given(LINES, st.sampled_from(["procedures", "patients", "findings", "endo_details"]))
@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
def test_any_lines_come_out_or_are_counted(texts, table):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.ndjson"
        path.write_text("\n".join([GOOD, *texts]), encoding="utf-8", errors="replace", newline="")
        file = open_fhir(path, ReadOptions(table=table))
        batches = list(file.batches())
    numbers = [n for batch in batches for n in [*batch.numbers, *batch.malformed["row_number"]]]
    assert sorted(numbers) == list(range(1, len(numbers) + 1))
    reasons = {reason for batch in batches for reason in batch.malformed["reason"]}
    assert reasons <= set(REASONS)
    no_records = sum(batch.malformed.filter(reason="no_record").height for batch in batches)
    written = sum(1 for text in [GOOD, *texts] if text.encode(errors="replace").strip())
    assert file.counts.total() + no_records == written
    if table in ("procedures", "patients"):
        assert file.without_row == 0
