"""Ledgers that nobody would write, by the thousand: every row is accounted for, and nothing of a patient is told.

Every invented value that stands for a patient's holds MARK, so that it is known again wherever it turns up.
"""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import json
import re
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.machine.errors import ConfigError, DataError
from pipeline.practice.tables import LOADS, PROCEDURES, QUARANTINE
from pipeline.reading.config import load_settings
from pipeline.stages.ingest import ingest
from pipeline.storing.store import open_store

TODAY = dt.date(2026, 1, 31)
MARK = "Zq7"
FIELDS = ("patient_id", "service_date", "code", "tooth", "fee", "status", "provider_id", "surface")
ORDINARY = settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck), database=None)
LONG = settings(max_examples=7000, deadline=None, suppress_health_check=list(HealthCheck), database=None)

NASTY = [
    "", " ", "\t", "\u00a0", "\u200b", "\ufeff", "\u202e3\u202c", "\u0663", "３", "Ⅷ", "½", "NULL", "nan", "-inf",
    "1e999", "0x1F", "=1+1", "=cmd|' /C x'!A0", "@SUM(A1)", "-2+3", "+1", "'; DROP TABLE _loads; --",
    '"); DELETE FROM _procedures; --',
    "${HOME}", "{{7*7}}", "%s%n", "../../etc/passwd", "C:\\x\\y", "<script>", "&lt;", "\r", "\n", "a\nb", '"', '""',
    "'", "\\", "\x00", "\x1f", "\x1e", "\x7f", "\u0085", "\u2028", "e\u0301", "\U0001f9b7", "9" * 400, "x" * 5000,
    "-0", "3-5", "3,4",
]  # fmt: skip
DATES = ["2020-03-01", "2020-02-30", "03/04/2020", "13/04/2020", "2020-03-01 12:00", "1/1/20", "43891", "0000-00-00",
         "9999-12-31", "2020-13-01", "20200301", "March 1, 2020", "1.3.2020", "-5", "2020-03-01T00:00:00Z"]  # fmt: skip
CODES = ["D2740", "d3330", "2740", "D7140", "D9999", "D2740 ", "D-2740", "crown"]
TEETH = ["11", "16", "48", "99", "0", "3", "32", "A", "55", "3-5", "1 1", "11.0", "#3"]

text = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
anything = st.one_of(st.sampled_from(NASTY), text, st.integers().map(str), st.floats().map(str))
of_patient = st.one_of(st.just(MARK), anything.map(lambda t: f"{MARK}{t}"), anything.map(lambda t: f"{t}{MARK}"))


def usually(words: list[str]) -> st.SearchStrategy[str]:
    return st.one_of(st.sampled_from(words), st.sampled_from(words), st.one_of(of_patient, anything))


CELLS = {
    "patient_id": st.one_of(of_patient, of_patient, of_patient, st.sampled_from(["", " "])),
    "service_date": usually(DATES),
    "code": usually(CODES),
    "tooth": usually(TEETH),
    "status": usually(["completed", "planned", "existing", "void"]),
    "fee": usually(["100", "-100", "1,5", "1.234,56", "(5)", "$5"]),
}


@dataclass(frozen=True)
class Ledger:
    """A file, the TOML to read it by, and how many rows it has if that is beyond doubt."""

    content: bytes
    toml: str
    rows: int | None = None


@st.composite
def sound(draw: st.DrawFn) -> Ledger:
    """Hostile values in a file whose structure is beyond doubt: our own headings, all quoted, UTF-8."""
    fields = FIELDS[: draw(st.integers(4, len(FIELDS)))]
    row = st.tuples(*(CELLS.get(field, st.one_of(of_patient, anything)) for field in fields))
    rows = draw(st.lists(row, max_size=8))
    rows = [[cell.replace("\x00", "") for cell in cells] for cells in rows]  # a NUL byte makes it no text file
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, quoting=csv.QUOTE_ALL, lineterminator=draw(st.sampled_from(["\n", "\r\n"])))
    writer.writerows([fields, *rows])
    listed = any(re.search(r"[\w＀-￯]\W+[\w＀-￯]", cells[3]) for cells in rows)  # may name several teeth
    # The strict reader of the standard library is the second opinion on how many rows there are.
    counted = sum(1 for _ in csv.reader(io.StringIO(stream.getvalue(), newline=""), strict=True)) - 1
    assert counted == len(rows)
    return Ledger(
        stream.getvalue().encode(),
        toml(draw(st.sampled_from(["fdi", "universal", "palmer"]))),
        None if listed else counted,
    )


@st.composite
def broken(draw: st.DrawFn) -> Ledger:
    """Any structure, delimiter, quotation, heading and encoding."""
    delimiter = draw(st.sampled_from([",", ";", "\t", "|", "¦", " "]))
    heading = st.one_of(st.sampled_from(FIELDS), st.sampled_from(NASTY), text, st.just("h" * 3000))
    headings = draw(
        st.one_of(st.just(list(FIELDS[:4])), st.just(list(FIELDS)), st.lists(heading, max_size=30), st.just([]))
    )
    cell = st.one_of(of_patient, *(s for s in CELLS.values()), anything)
    quoted = st.one_of(cell, cell.map(lambda t: f'"{t}"'), cell.map(lambda t: f'"{t}'), cell.map(lambda t: f'{t}"x'))
    lines = [delimiter.join(headings)] if headings else []
    lines += [delimiter.join(cells) for cells in draw(st.lists(st.lists(quoted, max_size=10), max_size=8))]
    joined = draw(st.sampled_from(["\n", "\r\n", "\r", "\n\n", "\x0b"])).join(lines)
    encoding = draw(
        st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252", "utf-32", "shift_jis", "utf-7"])
    )
    content = joined.encode(encoding, errors="replace") + draw(
        st.sampled_from([b"", b"\n", b"\x1a", b"\xff", b"\x00", b'"'])
    )
    return Ledger(content, draw(tomls()))


@st.composite
def noise(draw: st.DrawFn) -> Ledger:
    """Bytes, with a heading or without."""
    head = draw(
        st.sampled_from([b"", b"patient_id,service_date,code,tooth\n", b"\xef\xbb\xbf", b"PK\x03\x04", b"\x1f\x8b"])
    )
    return Ledger(head + draw(st.binary(max_size=200)), draw(tomls()))


@st.composite
def tomls(draw: st.DrawFn) -> str:
    """Settings, sound or not."""
    hostile = st.one_of(st.sampled_from(NASTY), text)
    columns = st.dictionaries(
        st.sampled_from([*FIELDS, "nonsense"]), st.one_of(st.sampled_from(FIELDS), hostile), max_size=4
    )
    values = st.dictionaries(hostile, st.sampled_from(["completed", "void", "", "nonsense"]), max_size=3)
    extras = {
        "columns": draw(st.one_of(st.just({}), st.just({}), columns)),
        "values.status": draw(st.one_of(st.just({}), st.just({}), values)),
    }
    keys = {
        "encoding": st.sampled_from(["utf-8", "cp1252", "utf-16", "latin-1", "idna", "rot13", "utf-7"]),
        "delimiter": st.one_of(st.sampled_from([",", ";", "\n", '"', "x", "é"]), text),
        "date_format": st.one_of(st.sampled_from(["%Y-%m-%d", "%d/%m/%Y", "%Q", "%Y"]), text),
    }
    chosen = {k: draw(v) for k, v in keys.items() if draw(st.integers(0, 4)) == 0}
    return toml(draw(st.sampled_from(["fdi", "universal", "palmer"])), chosen, extras)


def toml(notation: str, keys: dict[str, str] | None = None, tables: dict[str, dict[str, str]] | None = None) -> str:
    lines = ["[practice]", f'tooth_notation = "{notation}"', "[tables.procedures]", 'files = ["ledger.csv"]']
    lines += [f"{key} = {quoted(value)}" for key, value in (keys or {}).items()]
    for name, pairs in (tables or {}).items():
        lines += [f"[tables.procedures.{name}]", *(f"{quoted(k)} = {quoted(v)}" for k, v in pairs.items())]
    return "\n".join(lines)


def quoted(word: str) -> str:
    return json.dumps(word, ensure_ascii=False).replace("\x7f", "\\u007f")


@contextlib.contextmanager
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="hostile-") as name:
        yield Path(name)


# What a sound file may be refused for: it can be read in two ways, and the message says what settles it.
FAIR = ("date_format", "two_digit", "serial", "decimal =", "clock", "must be settled before")


def holds(ledger: Ledger, place: Path) -> None:
    """Ingest a ledger, and check what is promised of any."""
    (place / "ledger.csv").write_bytes(ledger.content)
    (place / "practice.toml").write_text(ledger.toml, encoding="utf-8", errors="replace")
    said, printed, refused = [], io.StringIO(), ""
    with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(printed):
        try:
            ingest(load_settings(place / "practice.toml"), today=TODAY, say=said.append)
        except (DataError, ConfigError) as error:
            refused = str(error)
    told = "\n".join([*said, refused, printed.getvalue()])
    assert MARK.lower() not in told.lower(), f"a patient's value is told: {told}"
    if refused:
        assert ledger.rows is None or any(word in refused for word in FAIR), refused
        return
    with open_store(place / "practice.duckdb", read_only=True) as store:
        load = store.read(LOADS).row(0, named=True)
        rows, aside = store.read(PROCEDURES), store.read(QUARANTINE)
    assert load["rows_read"] == load["loaded"] + load["duplicate"] + load["reversed"] + load["quarantined"]
    assert (rows.height, aside.height) == (load["loaded"], load["quarantined"])
    assert ledger.rows is None or load["rows_read"] == ledger.rows
    assert not rows["patient_id"].str.contains(MARK, literal=True).any()


def run(ledger: Ledger) -> None:
    with folder() as place:
        holds(ledger, place)


def heading_less(*cells: str) -> Ledger:
    return Ledger(",".join(cells).encode() + b"\n", toml("fdi"))


@ORDINARY
@given(ledger=sound())
def test_hostile_values(ledger: Ledger):
    run(ledger)


@ORDINARY
@given(ledger=broken())
def test_hostile_structures(ledger: Ledger):
    run(ledger)


@pytest.mark.thorough
@ORDINARY
@given(ledger=noise())
def test_hostile_bytes(ledger: Ledger):
    run(ledger)


def test_the_first_patient_is_not_told_where_headings_are_missing():
    run(heading_less(f"{MARK}1", "2020-03-01", "D2740", "11"))


@pytest.mark.parametrize("content", [b"", b"\n", b"\xef\xbb\xbf", b"\xff\xfe", b"\x00", b"\xef\xbb\xbf\n\n", b'"'])
def test_files_of_nothing(content: bytes):
    run(Ledger(content, toml("fdi")))


@pytest.mark.slow
@LONG
@given(ledger=sound())
def test_many_hostile_values(ledger: Ledger):
    run(ledger)


@pytest.mark.slow
@LONG
@given(ledger=broken())
def test_many_hostile_structures(ledger: Ledger):
    run(ledger)


@pytest.mark.slow
@LONG
@given(ledger=noise())
def test_many_hostile_bytes(ledger: Ledger):
    run(ledger)
