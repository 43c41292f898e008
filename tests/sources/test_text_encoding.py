"""How text is decoded: what is read, what is remarked on, what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.machine.errors import DataError
from pipeline.reading.sources.text_encoding import TextBytes


def text_of(folder: Path, content: bytes, told: str | None = None, size: int = 1 << 20) -> tuple[str, str | None]:
    (folder / "x.csv").write_bytes(content)
    source = TextBytes(folder / "x.csv", told)
    return b"".join(source.chunks(size=size)).decode(), source.remark


@pytest.mark.parametrize(
    ("word", "encoding"),
    [
        ("Müller", "windows-1252"),
        ("Großmann €", "windows-1252"),
        ("O’Brien – Cœur", "windows-1252"),
        ("Šojat", "cp1252"),
    ],
)
def test_western_text_is_read_and_remarked_on(tmp_path: Path, word: str, encoding: str):
    text, remark = text_of(tmp_path, f"a,b\n1,{word}\n".encode(encoding))
    assert text == f"a,b\n1,{word}\n"
    assert remark is not None
    assert "windows-1252" in remark
    assert word not in remark


@pytest.mark.parametrize(
    ("word", "encoding"),
    [
        ("Müller", "cp850"),
        ("König", "cp850"),
        ("März", "cp850"),
        ("Müller", "mac_roman"),
        ("Мюллер", "cp1251"),
        ("Παπας", "cp1253"),
        ("Michał", "cp1250"),
    ],
)
def test_words_of_other_old_encodings_are_refused(tmp_path: Path, word: str, encoding: str):
    content = f"a,b\n1,{word}x\n".encode(encoding)
    with pytest.raises(DataError, match="not UTF-8 text, first at line 2"):
        text_of(tmp_path, content)
    assert text_of(tmp_path, content, encoding) == (f"a,b\n1,{word}x\n", None)


def test_utf8_and_western_in_one_file_are_refused(tmp_path: Path):
    with pytest.raises(DataError, match="line 2"):
        text_of(tmp_path, "é\n".encode() + b"M\xfcller\n")
    with pytest.raises(DataError, match="line 2"):
        text_of(tmp_path, b"M\xfcller\n\x81\n")


def test_a_letter_cut_off_at_the_end_is_no_utf8(tmp_path: Path):
    with pytest.raises(DataError, match="not UTF-8"):
        text_of(tmp_path, "é,é".encode()[:-1])
    with pytest.raises(DataError, match="not UTF-8"):
        text_of(tmp_path, "a,é".encode()[:-1], "utf-8")


def test_the_mark_of_a_file_outweighs_what_is_told(tmp_path: Path):
    text, remark = text_of(tmp_path, "a,é".encode("utf-8-sig"), "windows-1252")
    assert text == "a,é"
    assert remark is not None
    assert "the mark at its start says utf-8" in remark
    assert text_of(tmp_path, "a,é".encode("utf-8-sig"), "utf-8") == ("a,é", None)
    assert text_of(tmp_path, "a,é".encode("utf-16"), "utf-16") == ("a,é", None)


@settings(max_examples=200, deadline=None)
@given(
    text=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0\ufeff"), min_size=1, max_size=30),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-32", "utf-16-le", "utf-16-be"]),
    size=st.integers(4, 9),
)
def test_text_comes_out_whole_however_it_is_cut(
    tmp_path_factory: pytest.TempPathFactory, text: str, encoding: str, size: int
):
    folder = tmp_path_factory.mktemp("text")
    told = encoding if encoding.endswith("e") else None
    content = "x,".encode(encoding) + text.encode(encoding.removesuffix("-sig") if told is None else encoding)
    if encoding in ("utf-16", "utf-32"):
        content = f"x,{text}".encode(encoding)
    assert text_of(folder, content, told, size) == ("x," + text, None)


CENTRAL = {
    "Czech": "Příjmení, Výkon, Lékař, Odstranění zubního kamene, Výplň",
    "Hungarian": "Kartonszám, Név, őrlőfog, gyökérkezelés, tömés két felszínű",
    "Polish": "Usunięcie zęba, leczenie kanałowe, wypełnienie, książka",
    "Slovak": "Čistenie, ošetrenie koreňového kanálika, ľavý horný, lekár",
    "Croatian": "Vađenje zuba, čišćenje, liječenje",
}
WESTERN = {
    "French": "Détartrage, Gouttière, à côté, où, reçu, forêt, naïf",
    "Portuguese": "Extração, restaurações, coração, não, área, três",
    "Danish": "Rodfyldning, tænder, før søndag, København, tandlæge, René",
    "Icelandic": "Tannlæknir, þjónusta, ígræðsla, krónur, úrdráttur",
    "Italian": "Città, però, è, perché, più, lunedì, già",
    "Swiss": "Füllung, Zürich, Détartrage, Müller, Genève, première, già",
}


@pytest.mark.parametrize("language", CENTRAL)
def test_a_language_of_central_europe_is_not_read_as_western(tmp_path: Path, language: str):
    content = f"a,b\n1,{CENTRAL[language]}\n".encode("windows-1250")
    with pytest.raises(DataError, match='encoding = "windows-1250"'):
        text_of(tmp_path, content)


@pytest.mark.parametrize("language", WESTERN)
def test_western_languages_are_read_as_such(tmp_path: Path, language: str):
    text, remark = text_of(tmp_path, f"a,b\n1,{WESTERN[language]}\n".encode("windows-1252"))
    assert WESTERN[language] in text
    assert "windows-1252" in (remark or "")
