from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from write_x12 import OPENING, PAYER, SUBSCRIBER, claim, claims, interchange, line, remittance, write

from pipeline.reading.sources.source import Batch, ReadOptions
from pipeline.reading.sources.x12.file import open_x12


def read(path: Path, table: str = "procedures") -> Batch:
    (batch,) = open_x12(path, ReadOptions(table=table)).batches()
    return batch


def body(tmp_path: Path, *segments: list[str], table: str = "procedures") -> Batch:
    return read(write(tmp_path / "a.edi", interchange([s for part in segments for s in part])), table)


def shown(batch: Batch, *columns: str) -> list[str]:
    return ["|".join(cell or "" for cell in row) for row in batch.rows.select(columns).iter_rows()]


def aside(batch: Batch) -> list[str]:
    return [f"{n}|{r}|{v}" for n, r, v in batch.malformed.select("row_number", "reason", "value").iter_rows()]


def test_one_row_per_tooth_and_the_charge_once(tmp_path: Path):
    teeth = ["SV3*AD:D2392:52*310****1", "TOO*JP*A*M:O", "TOO*JP*30*D", "TOO*JO*16", "DTP*472*D8*20230112"]
    bare = ["SV3*AD:D0120*45****1", "DTP*472*D8*20230112"]
    batch = body(tmp_path, claims(claim(teeth, bare)))
    assert shown(batch, "code", "tooth", "surface", "fee") == [
        "D2392|55|MO|310",
        "D2392|46|D|",
        "D2392|16||",
        "D0120|||45",
    ]


@pytest.mark.parametrize(
    ("tooth", "expected"),
    [
        ("TOO*JP*01", "18"),
        ("TOO*JP*32", "48"),
        ("TOO*JP*t", "85"),
        ("TOO*jp*11", "23"),
        ("TOO*JO*11", "11"),
        ("TOO*JP*51", "18S"),  # an extra tooth, no 51 of ISO 3950
        ("TOO*JO*19", "JO 19"),
        ("TOO*JP*0", "JP 0"),
        ("TOO*JP", ""),
    ],
)
def test_teeth_by_their_qualifier_and_never_by_their_number(tmp_path: Path, tooth: str, expected: str):
    assert shown(body(tmp_path, claims(claim(line(tooth=tooth)))), "tooth") == [expected]


def test_rows_that_no_reading_can_settle_are_set_aside(tmp_path: Path):
    batch = body(
        tmp_path,
        claims(
            claim(line(tooth="TOO*ZZ*30"), line()),
            claim(line(), number="B", head="**********PB"),
            claim(line(), number="C", frequency="6"),
            claim(["SV3*HC:99213*80****1", "DTP*472*D8*20230112"], number="D"),
        ),
    )
    assert aside(batch) == [
        "1|tooth_system_unknown|ZZ 30",
        "3|predetermination|PB",
        "4|claim_frequency_unknown|6",
        "5|code_system_unknown|HC 99213",
    ]
    assert batch.numbers.to_list() == [2]
    assert batch.claims is not None
    assert batch.claims["row_number"].to_list() == [1, 2, 5]  # a predetermination does nothing to any claim


def test_the_date_of_the_line_or_else_of_the_claim(tmp_path: Path):
    def dated(of_claim: str, of_line: str) -> list[str]:
        segments = [["SV3*AD:D2740*1145****1", *([of_line] if of_line else [])]]
        return shown(body(tmp_path, claims(claim(*segments, extra=(of_claim,) if of_claim else ()))), "service_date")

    assert dated("DTP*472*D8*20230101", "DTP*472*D8*20230112") == ["20230112"]
    assert dated("DTP*472*D8*20230101", "") == ["20230101"]
    assert dated("", "DTP*472*RD8*20230101-20230112") == ["20230112"]  # done when its last day is over
    assert dated("DTP*472*RD8*20230112-20230112", "") == ["20230112"]
    assert dated("DTP*472*RD8*20230101-20230112", "") == ["20230101-20230112"]  # which day, nobody knows
    assert dated("", "DTP*446*D8*20100101") == [""]
    assert dated("", "") == [""]


def test_the_nearest_provider_counts(tmp_path: Path):
    of_claim, of_line = "NM1*82*1*DOE*PAT****XX*1245319599", "NM1*82*1*ROE*SAM****XX*1003000126"
    batch = body(tmp_path, claims(claim(line(), [*line("D3330"), of_line], line("D0120", None), extra=(of_claim,))))
    assert shown(batch, "provider_id", "site_id") == [
        "1245319599|1234567893",
        "1003000126|1234567893",
        "1245319599|1234567893",
    ]
    clinic = "NM1*77*2*ALDER ROW WEST*****XX*1111111112"
    single = [s.replace("NM1*85*2", "NM1*85*1") for s in claims(claim(line(), extra=(clinic,)))]
    assert shown(body(tmp_path, single), "provider_id", "site_id") == ["1234567893|1111111112"]


def test_numbers_of_another_payer_are_not_taken(tmp_path: Path):
    other = [
        "SBR*S*18*******CI",
        "NM1*IL*1*OTHER*PERSON****MI*MEMB9999",
        "REF*F8*THEIRS",
        "NM1*82*1******XX*9999999999",
    ]
    paid = ["SVD*PAY02*100*AD:D2740**1", "DTP*573*D8*20230401", "DTP*472*D8*20990101", "REF*6R*THEIRS"]
    batch = body(tmp_path, claims(claim([*line(control="OURS"), *paid], extra=tuple(other), frequency="7")))
    assert shown(batch, "patient_id", "service_date", "provider_id") == ["MEMB0001|20230112|"]
    assert batch.claims is not None
    assert batch.claims["replaces"].to_list() == [None]
    assert batch.claims["line"][0].startswith("OURS\x1f")


def dependent(name: str = "CASEY", born: str = "20110923", member: str = "MEMB0002") -> list[str]:
    return [
        "HL*3*1*22*1",
        "SBR*P********CI",
        f"NM1*IL*1*TESTER*BLAKE****MI*{member}",
        "DMG*D8*19800101*F",
        PAYER,
        "HL*4*3*23*0",
        "PAT*19",
        f"NM1*QC*1*TESTER*{name}",
        f"DMG*D8*{born}*M",
    ]


def test_a_dependent_is_told_from_the_subscriber_and_from_a_twin(tmp_path: Path):
    both = [*dependent(), *claim(line()), *dependent("Robin"), *claim(line(), number="B")]
    again = [*dependent(" casey "), *claim(line(), number="C")]
    batch = body(tmp_path, OPENING, both, again)
    first, twin, third = batch.rows["patient_id"]
    assert first == third != twin
    assert first == "PAY01|MEMB0002|20110923|TESTER|CASEY|M"
    own = [s.replace("*CASEY", "*CASEY****MI*MEMB0003") for s in dependent()]
    assert shown(body(tmp_path, OPENING, own, claim(line())), "patient_id") == ["MEMB0003"]


def test_without_id_or_name_there_is_no_patient(tmp_path: Path):
    nameless = [s.replace("NM1*IL*1*TESTER*ALEX****MI*MEMB0001", "NM1*IL*1") for s in claims(claim(line()))]
    assert shown(body(tmp_path, nameless), "patient_id") == [""]
    named = [s.replace("****MI*MEMB0001", "") for s in claims(claim(line()))]
    assert shown(body(tmp_path, named), "patient_id") == ["PAY01||19710402|TESTER|ALEX|F"]


def test_patients_come_once_and_a_subscriber_without_claims_is_none(tmp_path: Path):
    batch = body(
        tmp_path,
        OPENING,
        [*SUBSCRIBER, PAYER, *claim(line()), *claim(line(), number="B")],
        [*dependent(), *claim(line(), number="C")],
        ["HL*5*1*22*0", "NM1*IL*1*DOE*JO****MI*MEMB0009", "DMG*D8*1950*U", *claim(line(), number="D")],
        table="patients",
    )
    assert shown(batch, "patient_id", "birth_date", "sex") == [
        "MEMB0001|19710402|female",
        "PAY01|MEMB0002|20110923|TESTER|CASEY|M|20110923|male",
        "MEMB0009|1950|",
    ]
    assert batch.claims is None


def ids(path: Path) -> list[str]:
    return read(path).rows["procedure_id"].to_list()


def test_a_claim_sent_again_has_the_same_keys_and_a_replacement_has_others(tmp_path: Path):
    def keys(*bodies: list[str], number: int = 1, made: str = "20240311*0930") -> list[str]:
        return ids(write(tmp_path / "a.edi", interchange(claims(*bodies), number=number, made=made)))

    original = keys(claim(line(), line(tooth="TOO*JP*14")))
    assert len(set(original)) == 2
    assert keys(claim(line(), line(tooth="TOO*JP*14")), number=9, made="20250101*0800") == original
    replaced = keys(claim(line(), line(tooth="TOO*JP*14"), frequency="7"))
    assert not set(replaced) & set(original)
    assert len({*keys(claim(line())), *keys(claim(line(fee="1"))), *keys(claim(line(), number="B"))}) == 3


def test_lines_of_a_remittance_are_no_rows_and_say_what_they_do(tmp_path: Path):
    paid = remittance(
        ("PCN-0001", "1", [("L1", "1250"), ("L2", "1145")]),
        ("PCN-0001", "22", [("L1", "-1250")]),
        ("PCN-0002", "22", []),
    )
    source = open_x12(
        write(tmp_path / "a.835", interchange(paid, kind="835", version="005010X221A1")),
        ReadOptions(table="procedures"),
    )
    (batch,) = source.batches()
    assert batch.rows.is_empty()
    assert batch.claims is not None
    told = batch.claims.select("row_number", pl.col("claim").str.split("\x1f").list.last(), "line", "action", "charge")
    assert told.rows() == [
        (1, "PCN-0001", "L1", "payment", 1250.0),
        (2, "PCN-0001", "L2", "payment", 1145.0),
        (3, "PCN-0001", "L1", "reversal", -1250.0),
        (4, "PCN-0002", None, "reversal", 0.0),
    ]
    assert batch.claims["sent"].unique().to_list() == ["2023-03-01 CHK0001"]
    assert source.remark is not None
    assert source.remark.startswith("2 lines of payments")
    assert not list(open_x12(source.path, ReadOptions(table="patients")).batches())
