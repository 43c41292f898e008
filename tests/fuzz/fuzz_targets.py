"""What a fuzzer throws bytes at: only DataError may come out, and what is read must make sense.

Each target takes any bytes. The readers are called as the stages call them.
"""

from __future__ import annotations

import datetime as dt
import json
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import polars as pl
from polars.testing import assert_frame_equal

from pipeline.machine.errors import DataError
from pipeline.practice.codes import built_in
from pipeline.practice.reasons import REASONS
from pipeline.practice.tables import PROCEDURES
from pipeline.practice.teeth import NOTATIONS, parse_teeth, teeth, write_teeth
from pipeline.reading.sources.source import Batch, ReadOptions
from pipeline.reading.sources.x12.file import open_x12
from pipeline.transforms.claims import taken_back
from pipeline.transforms.clean import Cleaned, Reading, clean
from pipeline.transforms.dates import DateForm, decide_form, gather_evidence, parse_dates
from pipeline.transforms.tooth_lists import parse_tooth_lists

sys.path.append(str(Path(__file__).parents[1] / "sources" / "x12"))
from write_x12 import OPENING, PAYER, SUBSCRIBER, claims, interchange

TODAY = dt.date(2026, 1, 31)
FIRST = dt.date(1900, 1, 1)
FDI = set(teeth()["fdi"])
FORMS = (
    DateForm(),
    DateForm(month_first=True),
    DateForm(month_first=False),
    DateForm(pattern="%Y%m%d"),
    DateForm(pattern="%m/%d/%Y"),
    DateForm(pattern="%d.%m.%y", years_from=1930),
    DateForm(serial="1900"),
    DateForm(serial="1904"),
)
# Segments that a fuzzer may string together; what follows a tilde there is put in as it is.
PIECES = [
    *OPENING,
    *SUBSCRIBER,
    PAYER,
    "HL*4*3*23*0",
    "NM1*QC*1*TESTER*CASEY",
    "NM1*82*1*DOE*PAT****XX*1245319599",
    "NM1*77*2*WEST*****XX*1111111112",
    "CLM*A*100***11:B:1*Y*A*Y*Y",
    "CLM*A*100***11:B:7*Y*A*Y*Y",
    "CLM*B*100***11:B:8*Y*A*Y*Y",
    "CLM*B*100***11:B:1*Y*A*Y*Y**********PB",
    "REF*F8*A",
    "REF*6R*L1",
    "LX*1",
    "SV3*AD:D2740*100****1",
    "SV3*AD:D3330*-5***R",
    "SV3*XX:1*nan",
    "TOO*JP*30*M:O",
    "TOO*JO*16",
    "TOO*JP*51",
    "TOO*ZZ*1",
    "DTP*472*D8*20230112",
    "DTP*472*RD8*20230101-20230112",
    "DTP*472*D8*99999999",
    "SVD*P*1",
    "SBR*S",
    "BPR*I*1*C*CHK************20230301",
    "TRN*1*T1",
    "N1*PE*X*XX*1234567893",
    "CLP*A*1*100*0**12*P1",
    "CLP*A*22*-100*0**12*P1",
    "SVC*AD:D2740*100*0",
    "SVC*AD:D2740*-100*0",
]


def fuzz_x12(data: bytes) -> None:
    """Any file under the name of a claim file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.edi"
        path.write_bytes(data)
        for table in ("procedures", "patients"):
            try:
                first = _read(path, table)
                again = _read(path, table)
            except DataError as error:
                _check_message(str(error), "a.edi: ")
                continue
            _check_batches(first, table)
            for one, other in zip(first, again, strict=True):
                assert_frame_equal(one.rows, other.rows)
                assert_frame_equal(one.malformed, other.malformed)


def fuzz_x12_segments(data: bytes) -> None:
    """Segments in any order within a sound envelope; the first byte chooses claims or remittances, 255 ends a file."""
    if not data:
        return
    kind = {"kind": "835", "version": "005010X221A1"} if data[0] % 2 else {}
    bodies: list[list[str]] = [[]]
    for byte in data[1:200]:
        if byte == 255:
            bodies.append([])
        else:
            bodies[-1].append(PIECES[byte % len(PIECES)])
    segments = [s for n, body in enumerate(bodies, 1) for s in interchange(body, number=n, **kind)]
    fuzz_x12("".join(segment + "~" for segment in segments).encode())


def fuzz_dates(data: bytes) -> None:
    """Dates in every form, a line each."""
    texts = _texts(data)
    for form in FORMS:
        found = parse_dates(texts, form)
        assert found["text"].to_list() == texts.to_list()
        assert not (found["value"].is_not_null() & found["note"].is_not_null()).any()
        read = found["value"].drop_nulls().unique()
        written = read.filter(read.dt.year().is_between(1000, 9999))
        again = parse_dates(written.cast(pl.String), DateForm())
        assert again["value"].to_list() == written.to_list()
    form = FORMS[len(data) % len(FORMS)]
    rows = _clean("service_date", texts, dates={"service_date": form}).rows
    assert rows["service_date"].is_between(FIRST, TODAY).all()
    counts = texts.value_counts(name="n").rename({texts.name: "text"}).cast({"n": pl.Int64})
    try:
        decide_form(gather_evidence(counts), column='a.csv: column "day" (service_date)', table="procedures")
    except DataError as error:
        _check_message(str(error), "a.csv: ")


def fuzz_teeth(data: bytes) -> None:
    """Teeth in every notation, a line each."""
    texts = _texts(data)
    for notation in NOTATIONS:
        single = parse_teeth(texts, notation=notation)["tooth_fdi"].drop_nulls()
        assert set(single) <= FDI
        back = parse_teeth(write_teeth(single, notation=notation).unique(), notation=notation)["tooth_fdi"]
        assert set(back) == set(single)
        listed = parse_tooth_lists(texts, notation=notation)
        assert listed.height == len(texts)
        told_of = listed.select("tooth_fdi", "fault", "all_fdi", "all_supernumerary")
        for fdi, fault, several, extra in told_of.iter_rows():
            assert sum(told is not None for told in (fdi, fault, several)) <= 1
            assert fdi is None or fdi in FDI
            if several is not None:
                assert set(several) <= FDI
                assert 1 < len(several) == len(extra) == len(set(zip(several, extra, strict=True)))


def fuzz_surfaces(data: bytes) -> None:
    """Surfaces, a line each."""
    texts = _texts(data)
    rows = _clean("surface", texts).rows
    assert rows.height == len(texts)
    found = rows["surface"].fill_null("")
    assert not found.str.contains(r"[\s,;/.\-]").any()
    again = _clean("surface", found).rows["surface"].fill_null("")
    assert again.to_list() == found.to_list()


TARGETS: dict[str, Callable[[bytes], None]] = {
    "x12": fuzz_x12,
    "x12_segments": fuzz_x12_segments,
    "dates": fuzz_dates,
    "teeth": fuzz_teeth,
    "surfaces": fuzz_surfaces,
}

_LINE = ["LX*1", "SV3*AD:D2740*100****1", "TOO*JP*30*M:O", "DTP*472*D8*20230112"]
_WHOLE = "".join(s + "~" for s in interchange(claims(["CLM*A*100***11:B:1*Y*A*Y*Y", *_LINE]))).encode()
# Where the fuzzer starts from.
SEEDS: dict[str, list[bytes]] = {
    "x12": [_WHOLE, _WHOLE + _WHOLE.translate(bytes.maketrans(b"*:~", b"|>\n")), _WHOLE.replace(b"~", b"~\r\n")],
    "x12_segments": [bytes([0, *range(len(PIECES))]), bytes([1, *range(len(PIECES))]), bytes([0, *range(9), 255, 9])],
    "dates": [b"2020-03-01\n03/01/2020\n1.3.20\n20200301\n43891\n1 Mar 2020\n2020-03-01T10:00"],
    "teeth": [b"14\n01\n1.0\n#14\n3,4\n3-5\nUR8\n8UR\nA\nAS\n51\n1.6\nUR5-UL2\n12-22\n00"],
    "surfaces": [b"MOD\nm,o,d\nM-O-D\n\xc3\x9f"],
}


def _check_message(text: str, begin: str) -> None:
    """It begins with the file, and a further line says what to do."""
    assert text.startswith(begin)
    assert "\n  " in text


def _read(path: Path, table: str) -> list[Batch]:
    return list(open_x12(path, ReadOptions(table=table)).batches())


def _check_batches(batches: list[Batch], table: str) -> None:
    """Every row number once, teeth that are teeth or plainly none, reasons that are told, no claim without its file."""
    numbers: list[int] = []
    for batch in batches:
        assert batch.rows.height == len(batch.numbers)
        numbers += [*batch.numbers, *batch.malformed["row_number"]]
        assert set(batch.malformed["reason"]) <= set(REASONS)
        assert all(isinstance(json.loads(row), dict) for row in batch.malformed["raw_row"])
        if table == "procedures":
            written = batch.rows["tooth"].drop_nulls()
            assert all(tooth[:3] in ("JP ", "JO ") or int(tooth.removesuffix("S")) in FDI for tooth in written)
            assert batch.claims is not None
            told = batch.claims.with_columns(pl.lit(1, pl.Int32).alias("load_id"))
            assert not told["row_number"].is_duplicated().any()
            assert set(taken_back(told)["row_number"]) <= set(told["row_number"]) & {*numbers}
    assert len(numbers) == len(set(numbers))


def _texts(data: bytes) -> pl.Series:
    texts = data.decode("utf-8", "ignore").split("\n")[:50]
    return pl.Series("text", sorted(set(texts)), dtype=pl.String)


def _clean(field: str, texts: pl.Series, *, dates: dict[str, DateForm] | None = None) -> Cleaned:
    """Rows that are sound but for one field."""
    sound = {"patient_id": "P1", "service_date": "2020-03-01", "code": "D2740", "tooth": "14"}
    raw = pl.DataFrame({"row_number": pl.int_range(1, len(texts) + 1, dtype=pl.Int64, eager=True)})
    raw = raw.with_columns(pl.lit(text).alias(name) for name, text in sound.items()).with_columns(texts.alias(field))
    reading = Reading(
        table=PROCEDURES,
        notation="universal",
        code_system="cdt",
        codes=built_in("cdt"),
        today=TODAY,
        dates=dates or {},
    )
    cleaned = clean(raw, reading)
    assert cleaned.rows.height + cleaned.rejects.height == raw.height
    assert set(cleaned.rejects["reason"]) <= set(REASONS)
    return cleaned
