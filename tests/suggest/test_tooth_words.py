"""Teeth with a word or letters before the number: what is proposed for these, and what is asked."""

import tomllib
from pathlib import Path

import polars as pl
import pytest

from pipeline.machine.errors import DataError
from pipeline.reading.suggest.propose import suggest
from pipeline.reading.suggest.tooth_words import OPEN, quadrants, tooth_words
from pipeline.transforms.clean import map_values

PLACES = range(1, 9)
FDI = [10 * q + n for q in (1, 2, 3, 4) for n in PLACES]


def counts(texts: list[str]) -> pl.DataFrame:
    return pl.DataFrame({"text": texts, "n": [3] * len(texts)}, schema={"text": pl.String, "n": pl.Int64})


@pytest.mark.parametrize(
    ("heads", "read"),
    [
        (("JF", "BF", "BA", "JA"), ("UR", "UL", "LL", "LR")),  # jobb felső and the like
        (("OR", "OL", "UL", "UR"), ("UR", "UL", "LL", "LR")),  # oben rechts: UR is unten rechts
        (("علوي يمين", "علوي يسار", "سفلي يسار", "سفلي يمين"), ("UR", "UL", "LL", "LR")),
        (("kanan atas", "kiri atas", "kiri bawah", "kanan bawah"), ("UR", "UL", "LL", "LR")),
    ],
)
def test_quadrants_in_words_or_first_letters_are_proposed(heads: tuple[str, ...], read: tuple[str, ...]):
    found = tooth_words(counts([f"{h}{' ' * (' ' in h)}{n}" for h in heads for n in PLACES]), is_headed=True)
    assert found == {f"{h}*": f"{q}*" for h, q in zip(heads, read, strict=True)}


def test_letters_of_no_language_that_is_known_are_asked():
    found = tooth_words(counts([f"{h}{n}" for h in ("XA", "XB", "YA", "YB") for n in PLACES]), is_headed=True)
    assert found == dict.fromkeys(("XA*", "XB*", "YA*", "YB*"), OPEN)
    assert quadrants(["XA", "XB", "YA", "YB"]) == {}


@pytest.mark.parametrize("word", ["R", "d.", "Gigi", "ซี่"])
def test_one_word_before_all_numbers_is_left_out(word: str):
    assert tooth_words(counts([f"{word}{n}" for n in FDI]), is_headed=False) == {f"{word}*": "*"}


@pytest.mark.parametrize(
    "texts",
    [
        [f"BS A{n}" for n in (1, 2, 3)],
        [f"Room {n}" for n in range(11, 15)],
        [f"SFA{n}" for n in (10, 20, 40)],
        [f"UR{n}" for n in PLACES],
        [str(n) for n in FDI],
    ],
)
def test_other_things_and_teeth_that_are_read_are_left_alone(texts: list[str]):
    assert tooth_words(counts(texts), is_headed=False) == {}


def test_letters_that_mean_each_other_are_read_at_once():
    told = {"OR*": "UR*", "UR*": "LR*"}
    assert map_values(pl.Series(["OR6", "ur 6", "OR6, UR7", "16", None]), told).to_list() == [
        "UR6",
        "LR6",
        "UR6, LR7",
        "16",
        None,
    ]


def ledger(path: Path, work: list[str], tooth: str = "JF") -> Path:
    lines = ["Törzsszám,Dátum,Kezelés,Fog"]
    heads = [tooth, "BF", "BA", "JA"]
    for n in range(120):
        cell = f"{heads[n % 4]}{1 + n // 4 % 8}" if n % 3 else ""
        lines.append(f"{1000 + n % 25},2019-{1 + n % 12:02}-{1 + n % 27:02},{work[n % len(work)]},{cell}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_the_lines_stand_in_the_proposal(tmp_path: Path):
    words = ["Vizsgálat", "Korona", "Gyökérkezelés", "Tömés egy felszín", "Fogkő eltávolítás", "Foghúzás"]
    found = suggest([ledger(tmp_path / "k.csv", words)], folder=tmp_path)
    told = tomllib.loads(found.text)["tables"]["procedures"]
    assert told["values"]["tooth"] == {"JF*": "UR*", "BF*": "UL*", "BA*": "LL*", "JA*": "LR*"}
    assert told["columns"]["tooth"] == "Fog"


def test_a_ledger_without_readable_codes_is_written_with_what_was_found_and_asked(tmp_path: Path):
    found = suggest([ledger(tmp_path / "k.csv", [f"{n}" for n in range(1, 8)])], folder=tmp_path)
    told = tomllib.loads(found.text)["tables"]["procedures"]["columns"]
    assert told["patient_id"] == "Törzsszám"
    assert told["service_date"] == "Dátum"
    assert told["code"] in ("ask", "Kezelés")


def test_texts_of_a_column_that_may_be_anything_are_not_written_as_codes(tmp_path: Path):
    lines = ["Chart,Date,Colour,Whom"]
    lines += [f"{1000 + n % 25},2019-{1 + n % 12:02}-{1 + n % 27:02},,Hazel Moor {n % 25}" for n in range(120)]
    (tmp_path / "k.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = suggest([tmp_path / "k.csv"], folder=tmp_path)
    assert tomllib.loads(found.text)["tables"]["procedures"]["columns"]["code"] == "ask"
    assert "no column holds codes" in found.text.lower()
    assert any("no column is like code" in line for line in found.found)
    assert "Hazel" not in found.text + (found.codes or "") + " ".join(found.found)


@pytest.mark.thorough
def test_a_chart_with_a_column_a_tooth_is_refused_with_what_to_do(tmp_path: Path):
    lines = ["Chart,Date," + ",".join(map(str, FDI))]
    for n in range(60):
        cells = ["C" if m == n % 32 else "" for m in range(32)]
        lines.append(f"{1000 + n % 25},2019-{1 + n % 12:02}-{1 + n % 27:02},{','.join(cells)}")
    (tmp_path / "k.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(DataError, match="32 of its columns are headed by the numbers of teeth"):
        suggest([tmp_path / "k.csv"], folder=tmp_path)
