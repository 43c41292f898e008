"""Codes of a built-in list, held one by one against the words beside them, in the ledger or in a list of the codes."""

from __future__ import annotations

import tomllib
from pathlib import Path

from pipeline.reading.suggest.propose import suggest

WORDS = {"C002": "periodieke controle", "R24": "kroon", "V91": "vulling 1 vlak", "H11": "kies trekken"}
WORDS |= {"M03": "gebitsreiniging", "X10": "kleine rontgenfoto"}


def codes(folder: Path, work: dict[str, str], *, beside: bool) -> dict[str, str]:
    """The proposed [codes] of a ledger of such work; its words stand in it, or in a list of their own."""
    head = "patnr;datum;code;omschrijving;element" if not beside else "patnr;datum;code;element"
    lines = [
        ";".join([f"P{700 + n % 9}", f"2019-{1 + n % 12:02}-{11 + n % 17}", code, *([] if beside else [text]), tooth])
        for n, (code, text) in enumerate([*work.items()] * 6)
        for tooth in (["16"] if code[0] in "ERH" else [""])
    ]
    (folder / "regels.csv").write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    if beside:
        listed = [f"{code};{text}" for code, text in work.items()]
        (folder / "lijst.csv").write_text("\n".join(["code;omschrijving", *listed]) + "\n", encoding="utf-8")
    found = suggest(sorted(folder.glob("*.csv")), folder=folder)
    return tomllib.loads(found.text).get("codes", {})


def test_words_tell_what_the_list_does_not_know(tmp_path: Path):
    work = WORDS | {"R24X": "brugpijler", "Z77": "kunstgebit"}
    for beside in (False, True):
        folder = tmp_path / str(beside)
        folder.mkdir()
        assert codes(folder, work, beside=beside) == {"R24X": "bridge_retainer_crown"}


def test_other_work_than_the_list_has_is_asked(tmp_path: Path):
    """One code of many: a list most of whose codes stand beside other words is no list of these codes at all."""
    assert codes(tmp_path, WORDS | {"H11": "kleine rontgenfoto"}, beside=False) == {"H11": "ask"}


def test_nothing_is_said_where_words_and_list_agree(tmp_path: Path):
    assert codes(tmp_path, WORDS | {"R34": "kroon op implantaat"}, beside=False) == {}
