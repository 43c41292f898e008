from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from write_x12 import claim, claims, interchange, line, remittance, write

from pipeline.machine.errors import DataError
from pipeline.reading.sources import ReadOptions, open_source
from pipeline.reading.sources.x12.file import open_x12
from pipeline.reading.sources.x12.segments import Segments

ONE = interchange(claims(claim(line(), line("D3330", "TOO*JP*14"))))


def rows(path: Path, table: str = "procedures") -> list[tuple[str | None, ...]]:
    wanted = ["patient_id", "service_date", "code", "tooth"]
    batches = list(open_x12(path, ReadOptions(table=table)).batches(wanted))
    return [row for batch in batches for row in batch.rows.iter_rows()]


EXPECTED = [("MEMB0001", "20230112", "D2740", "46"), ("MEMB0001", "20230112", "D3330", "26")]


@pytest.mark.parametrize("end", ["~", "~\n", "~\r\n", "\n", "\r\n", "\x1c", "~ "])
def test_segments_end_in_what_the_heading_says_and_line_breaks_do_not_count(tmp_path: Path, end: str):
    assert rows(write(tmp_path / "a.edi", ONE, end=end)) == EXPECTED


def test_other_separators_in_the_second_interchange(tmp_path: Path):
    path = write(tmp_path / "a.edi", ONE)
    other = "".join(s + "~" for s in interchange(claims(claim(line(), number="B")), number=2))
    path.write_text(path.read_text(encoding="utf-8") + other.translate(str.maketrans("*:~", "|>'")))
    assert rows(path) == [*EXPECTED, EXPECTED[0]]


DIALECTS = [
    ("*:~", "~"), ("*:~", "~\n"), ("|>'", "'\r\n"), ("!:\n", "\n"), ("*>\r", "\r\n"), ("+:\x1c", "\x1c"),
]  # fmt: skip


@pytest.mark.parametrize("second", DIALECTS, ids=repr)
@pytest.mark.parametrize("first", DIALECTS, ids=repr)
def test_each_interchange_has_the_separators_and_line_breaks_that_it_says(
    tmp_path: Path, first: tuple[str, str], second: tuple[str, str]
):
    text = ""
    for number, (marks, end) in enumerate((first, second, first), 1):
        segments = interchange(claims(claim(line(), number=f"B{number}")), number=number)
        text += "".join(s.translate(str.maketrans("*:", marks[:2])) + end for s in segments)
    path = tmp_path / "a.txt"
    path.write_bytes(text.encode())
    assert rows(path) == EXPECTED[:1] * 3


@pytest.mark.parametrize("width", [40, 79, 80, 81, 110])
@pytest.mark.parametrize("chunk", [50, 333, 1 << 16])
def test_wrapped_at_any_width_before_one_that_ends_in_line_breaks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, width: int, chunk: int
):
    first = "".join(s + "~" for s in ONE)
    second = "".join(s + "\n" for s in interchange(claims(claim(line(), number="B")), number=2))
    wrapped = "\n".join(first[i : i + width] for i in range(0, len(first), width))
    path = tmp_path / "a.edi"
    path.write_text(wrapped + "\n" + second)
    monkeypatch.setattr("pipeline.reading.sources.x12.segments._CHUNK", max(chunk, 300))
    assert rows(path) == [*EXPECTED, EXPECTED[0]]


def test_claims_are_known_by_how_they_begin_whatever_they_are_called(tmp_path: Path):
    text = "".join(s + "~\n" for s in ONE)
    for name in ("claims", "claims.txt", "claims.csv", "claims.dat", "claims.json", "20230112.001", "claims.xlsx"):
        (tmp_path / name).write_text("\n" + text)
        (batch,) = open_source(tmp_path / name, ReadOptions()).batches()
        assert batch.rows["code"].to_list() == ["D2740", "D3330"], name
    (tmp_path / "claims.bin").write_bytes(gzip.compress(text.encode(), mtime=0))
    (batch,) = open_source(tmp_path / "claims.bin", ReadOptions()).batches()
    assert batch.rows.height == 2


def test_a_heading_of_the_same_letters_is_no_claim(tmp_path: Path):
    path = tmp_path / "ledger.csv"
    path.write_text("ISA,patient_id,code\n00,P1,D2740\n")
    assert list(open_source(path, ReadOptions()).headings) == ["ISA", "patient_id", "code"]


def test_byte_order_mark_small_letters_wrapping_and_gzip_change_nothing(tmp_path: Path):
    text = write(tmp_path / "a.edi", ONE, end="~").read_text(encoding="utf-8")
    wrapped = "\n".join(text[i : i + 80] for i in range(0, len(text), 80))
    (tmp_path / "bom.edi").write_text(text, encoding="utf-8-sig")
    (tmp_path / "wrapped.x12").write_text(wrapped)
    (tmp_path / "blank.837").write_text(text.replace("*JP*", "* JP * ") + "\n\n\x1a")
    (tmp_path / "a.edi.gz").write_bytes(gzip.compress(text.encode(), mtime=0))
    small = "~".join(s[:3].lower() + s[3:] for s in text.split("~"))
    (tmp_path / "small.edi").write_text(small)
    for name in ("bom.edi", "wrapped.x12", "blank.837", "a.edi.gz", "small.edi"):
        assert rows(tmp_path / name) == EXPECTED, name


def changed(*, old: str, new: str) -> str:
    text = "".join(segment + "~\n" for segment in ONE)
    assert old in text
    return text.replace(old, new, 1)


WHOLE = "".join(segment + "~\n" for segment in ONE)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        pytest.param("", "empty", id="nothing"),
        pytest.param("patient,date,code\n1,2020-01-01,D2740\n", "segment 1: this is no X12", id="a CSV file"),
        pytest.param(WHOLE[WHOLE.index("GS*") :], "lacks ISA", id="no ISA"),
        pytest.param(changed(old="*ZZ*SENDERX  ", new="*ZZ*SENDERX"), "106", id="edited heading"),
        pytest.param(changed(old="*0*P*:", new="*0*T*:"), "test file", id="test file"),
        pytest.param(changed(old="*0*P*:", new="*0*Q*:"), "neither production", id="unknown use"),
        pytest.param(changed(old="*0*P*:", new="*0*P**"), "told apart", id="separators alike"),
        pytest.param(changed(old="SENDERX  ", new="SENDER~  "), "told apart", id="terminator within the heading"),
        pytest.param(WHOLE[: WHOLE.index("SE*")], "ends within", id="cut off after a segment"),
        pytest.param(WHOLE[: WHOLE.index("TOO")], "ends within", id="cut off within a claim"),
        pytest.param(WHOLE[:-2], "ends within", id="last terminator cut off"),
        pytest.param(changed(old="TOO*JP*30~\n", new=""), "another count", id="a segment was taken out"),
        pytest.param(changed(old="*0001~\nGE", new="*0002~\nGE"), "SE02", id="SE02"),
        pytest.param(changed(old="GE*1*1", new="GE*2*1"), "GE01", id="GE01"),
        pytest.param(changed(old="GE*1*1", new="GE*1*7"), "GE02", id="GE02"),
        pytest.param(changed(old="IEA*1*", new="IEA*2*"), "IEA01", id="IEA01"),
        pytest.param(changed(old="IEA*1*000000001", new="IEA*1*000000002"), "IEA02", id="IEA02"),
        pytest.param(changed(old="GE*1*1~\n", new=""), "before its group", id="GE missing"),
        pytest.param(changed(old="GE*1*1~\n", new="N3*1~\nGE*1*1~\n"), "outside of any", id="between envelopes"),
        pytest.param(changed(old="GS*", new="XX*"), "outside of any", id="no group"),
        pytest.param(WHOLE + "end of report", "follows the last", id="trailing text"),
        pytest.param(WHOLE.replace("005010X224A2", "005010X222A1"), "005010X224", id="medical claims"),
        pytest.param(WHOLE.replace("005010X224A2", "004010X097A1"), "005010X224", id="the former edition"),
        pytest.param(WHOLE.replace("ST*837", "ST*999"), "neither claims", id="an acknowledgement"),
        pytest.param(changed(old="ALEX", new="AL\0X"), "NUL", id="NUL"),
        pytest.param(changed(old="ALEX", new="A" * 200_000), "more than", id="endless segment"),
        pytest.param(
            changed(old="20240311*0930*1*X", new="soon*0930*1*X"), "when it was made", id="group without date"
        ),
    ],
)
def test_what_is_not_whole_is_refused_with_what_to_do(tmp_path: Path, text: str, says: str):
    path = tmp_path / "claims.edi"
    path.write_text(text)
    with pytest.raises(DataError, match=says) as refused:
        rows(path)
    told = str(refused.value)
    assert told.startswith("claims.edi: segment ")
    assert "\n  " in told
    assert "MEMB0001" not in told
    assert "ALEX" not in told


def test_a_file_cut_off_anywhere_is_refused(tmp_path: Path):
    path = tmp_path / "cut.edi"
    for length in range(0, len(WHOLE) - 1, 7):
        path.write_text(WHOLE[:length])
        with pytest.raises(DataError):
            rows(path)


def test_a_damaged_archive_and_a_wrong_encoding_are_refused(tmp_path: Path):
    (tmp_path / "a.edi.gz").write_bytes(gzip.compress(WHOLE.encode(), mtime=0)[:-20])
    (tmp_path / "b.edi.gz").write_bytes(WHOLE.encode())
    (tmp_path / "c.edi").write_bytes(WHOLE.replace("ALEX", "ALÈX").encode("cp1252"))
    for name, says in (("a.edi.gz", "damaged"), ("b.edi.gz", "damaged"), ("c.edi", "encoding")):
        with pytest.raises(DataError, match=says):
            rows(tmp_path / name)
    batches = open_x12(tmp_path / "c.edi", ReadOptions(encoding="cp1252")).batches()
    assert sum(len(batch.numbers) for batch in batches) == 2


def test_claims_fill_procedures_and_patients_only(tmp_path: Path):
    with pytest.raises(DataError, match=r"tables\.procedures"):
        open_x12(write(tmp_path / "a.edi", ONE), ReadOptions(table="findings"))


def test_a_large_file_comes_in_pieces_and_can_be_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("pipeline.reading.sources.x12.file._BATCH_RECORDS", 5_000)
    many = claims(*(claim(line(), line("D3330"), number=f"P{n}") for n in range(8_000)))
    source = open_x12(write(tmp_path / "a.edi", interchange(many)), ReadOptions())
    for _ in range(2):
        sizes, numbers = [], []
        for batch in source.batches(["code"]):
            sizes.append(batch.rows.height)
            numbers += batch.numbers.to_list()
        assert len(sizes) > 1
        assert numbers == list(range(1, 16_001))


def test_segments_are_those_that_another_reader_finds(tmp_path: Path):
    # pyx12 4.0.0 knows no dental 5010 claims, but it splits and counts segments on its own.
    x12file = pytest.importorskip("pyx12.x12file")
    body = claims(claim(line(), line("D3330", "TOO*JP*14*M:O"), extra=("HI*ABK:K0401*ABF:K045",)))
    paid = interchange(remittance(("PCN-0001", "22", [("1", "-1145")])), kind="835", version="005010X221A1", number=2)
    path = write(tmp_path / "a.edi", interchange(body, body), paid)
    ours = [[name.upper(), *(e for e in elements)] for name, *elements in Segments(path)]
    theirs = [
        [s.strip(" ") for s in segment.format("", "*", ":").split("*")] for segment in x12file.X12Reader(str(path))
    ]
    assert [segment[0] for segment in ours] == [segment[0] for segment in theirs]
    assert [segment for segment in ours if segment[0] != "ISA"] == [s for s in theirs if s[0] != "ISA"]
