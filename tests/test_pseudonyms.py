"""Pseudonyms: the published HMAC-SHA-256 values, one patient one pseudonym, and a key that is lost, open or wrong."""

from __future__ import annotations

import base64
import hashlib
import hmac
import stat
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.machine import key_files
from pipeline.machine.errors import DataError
from pipeline.machine.key_files import weakness
from pipeline.practice import pseudonyms
from pipeline.practice.pseudonyms import KEPT, Pseudonyms, choose, crosswalk, hmac_sha256, key_path, load_or_make_key

KEY = hashlib.sha256(b"a key of these tests").digest()
# RFC 4231, section 4, test cases 1, 2, 6 and 7: key, data, HMAC-SHA-256. The data of cases 3 and 4 are no UTF-8 text.
PUBLISHED = [
    (b"\x0b" * 20, b"Hi There", "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"),
    (b"Jefe", b"what do ya want for nothing?", "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"),
    (
        b"\xaa" * 131,
        b"Test Using Larger Than Block-Size Key - Hash Key First",
        "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54",
    ),
    (
        b"\xaa" * 131,
        b"This is a test using a larger than block-size key and a larger than block-size data. The key needs to be "
        b"hashed before being used by the HMAC algorithm.",
        "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2",
    ),
]


def by_the_library(text: str, key: bytes = KEY, namespace: str = "patient") -> str:
    digest = hmac.new(key, f"{namespace}\x1f{text}".encode(), "sha256").digest()
    return base64.b32encode(digest).decode().lower()[:26]


@pytest.mark.parametrize(("key", "data", "expected"), PUBLISHED)
def test_published_values(key: bytes, data: bytes, expected: str):
    assert hmac_sha256(key)([data.decode()])[0].hex() == expected
    half = len(data) // 2
    assert hmac_sha256(key, data[:half].decode())([data[half:].decode()])[0].hex() == expected


@given(
    st.lists(st.lists(st.one_of(st.none(), st.text(st.characters(exclude_categories=["Cs"]))), max_size=8), max_size=4)
)
def test_any_text_in_any_batches_agrees_with_the_library(batches: list[list[str | None]]):
    made = Pseudonyms(KEY)
    for batch in batches:
        ids = pl.Series("patient_id", batch, dtype=pl.String)
        trimmed = ids.str.strip_chars()
        expected = [None if not t else by_the_library(t) for t in trimmed]
        found = made.of(ids)
        assert found.name == "patient_id"
        assert found.to_list() == expected


def test_what_tells_patients_apart():
    made = Pseudonyms(KEY)
    ids = ["7", "07", " 7 ", "A7", "a7", "", "   ", None]
    seven, zero_seven, blanks, upper, lower, *nothing = made.of(pl.Series(ids)).to_list()
    assert seven == blanks  # blanks around an id are no part of it
    assert len({seven, zero_seven, upper, lower}) == 4  # a leading zero and the case are
    assert nothing == [None, None, None]
    assert made.of(pl.Series(["7"]), namespace="claim").item() != seven
    assert Pseudonyms(bytes(32)).of(pl.Series(["7"])).item() != seven
    assert len(seven) == 26
    assert set(seven) <= set("abcdefghijklmnopqrstuvwxyz234567")


def test_a_full_or_crowded_memory_changes_nothing(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(pseudonyms, "_MOST_KNOWN", 100)
    monkeypatch.setattr(pseudonyms, "_SLOTS", 128)  # most ids collide
    made = Pseudonyms(KEY)
    ids = [f"P{n % 300}" for n in range(1000)]
    for start in range(0, 1000, 90):
        batch = ids[start : start + 90]
        assert made.of(pl.Series(batch)).to_list() == [by_the_library(i) for i in batch]


def test_the_crosswalk_names_each_patient_once():
    made = Pseudonyms(KEY)
    found = crosswalk(["b", "a", " a", "", "b"], made)
    assert found.rows() == [(by_the_library("a"), "a"), (by_the_library("b"), "b")]


def test_a_key_is_made_once_for_its_owner_alone(tmp_path: Path):
    path, said = tmp_path / "practice.key", []
    key = load_or_make_key(path, say=said.append)
    assert len(key) == 32
    assert "Keep a copy" in said[0]
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert load_or_make_key(path, say=said.append) == key
    assert len(said) == 1
    assert load_or_make_key(tmp_path / "other.key", say=said.append) != key
    kept = ["other.key", "other.releases", "practice.key", "practice.releases"]
    assert sorted(p.name for p in tmp_path.iterdir()) == kept
    assert key.hex() not in "".join(said)


def test_a_key_is_not_made_without_the_memory_beside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A full disk, or a stop, between the two leaves a memory without a key, never a key that misses its memory."""
    put = key_files.make_private
    monkeypatch.setattr(key_files, "make_private", lambda p, c: put(p, c) if p.suffix == ".releases" else stop())
    with pytest.raises(DataError, match="cannot be read or made"):
        load_or_make_key(tmp_path / "practice.key", say=lambda _: None)
    assert [p.name for p in tmp_path.iterdir()] == ["practice.releases"]
    monkeypatch.undo()
    load_or_make_key(tmp_path / "practice.key", say=lambda _: None)
    assert (tmp_path / "practice.releases").read_text(encoding="utf-8") == "nothing was shared"


def test_a_key_made_anew_leaves_what_is_remembered(tmp_path: Path):
    (tmp_path / "practice.releases").write_text("a memory")
    load_or_make_key(tmp_path / "practice.key", say=lambda _: None)
    assert (tmp_path / "practice.releases").read_text(encoding="utf-8") == "a memory"


def stop() -> bool:
    raise OSError(28, "No space left on device")


def test_a_key_that_others_can_read_is_closed_to_them(tmp_path: Path):
    path, said = tmp_path / "practice.key", []
    path.write_text(KEY.hex(), encoding="utf-8")
    path.chmod(0o644)
    assert load_or_make_key(path, say=said.append) == KEY
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "could read the key" in said[0]


@pytest.mark.parametrize("content", [b"", b"# only words\n", b"00" * 31, b"00" * 33, b"zz" * 32, b"\xff\xfe\x00", KEY])
def test_a_damaged_key_is_refused(tmp_path: Path, content: bytes):
    path = tmp_path / "practice.key"
    path.write_bytes(content)
    with pytest.raises(DataError, match=r"practice\.key: holds no key"):
        load_or_make_key(path, say=lambda _: None)
    assert path.read_bytes() == content


def test_where_the_key_lies():
    database = Path("/records/practice.duckdb")
    assert key_path(database, None) == Path("/records/practice.key")
    assert key_path(database, Path("/stick/the.key")) == Path("/stick/the.key")


def test_a_database_keeps_to_one_way_of_naming_patients(tmp_path: Path):
    path = tmp_path / "practice.key"

    def chosen(stored: str | None, keep_ids: bool = False) -> tuple[Pseudonyms | None, str]:
        return choose(stored, keep_ids=keep_ids, path=path, say=lambda _: None)

    assert chosen(None, keep_ids=True) == (None, KEPT)
    assert not path.exists()
    assert chosen(KEPT, keep_ids=True) == (None, KEPT)
    with pytest.raises(DataError, match="Give --keep-ids again"):
        chosen(KEPT)
    made, stored = chosen(None)
    assert made is not None
    assert chosen(stored)[1] == stored
    assert path.read_text(encoding="utf-8").splitlines()[-1] not in stored
    with pytest.raises(DataError, match="Leave out --keep-ids"):
        chosen(stored, keep_ids=True)
    path.rename(tmp_path / "copy")
    with pytest.raises(DataError, match="Put the copy that you kept in its place"):
        chosen(stored)
    assert not path.exists()  # a new key would hide that the old one is lost
    path.write_text(KEY.hex(), encoding="utf-8")
    with pytest.raises(DataError, match="not the key that the pseudonyms in the database were made with"):
        chosen(stored)


WEAK = {
    "all zeros": b"\0" * 32,
    "one byte": b"\x7f" * 32,
    "a word, filled up": b"a secret".ljust(32, b"\0"),
    "a text": b"the key of the practice of Ashby",
    "a word again and again": b"password" * 4,
    "two bytes": b"\xde\xad" * 16,
    "few bytes, filled up with chance": hashlib.sha256(b"1").digest()[:8] * 4,
    "counting up": bytes(range(32)),
    "counting down by threes": bytes(range(200, 104, -3)),
    "decimal digits": bytes.fromhex("3141592653589793238462643383279502884197169399375105820974944592"),
    "hexadecimal digits in order": bytes.fromhex("0123456789abcdef" * 4),
}


@pytest.mark.parametrize("key", WEAK.values(), ids=WEAK)
def test_a_weak_key_is_refused_in_words(tmp_path: Path, key: bytes):
    path = tmp_path / "practice.key"
    path.write_text(key.hex(), encoding="utf-8")
    with pytest.raises(DataError, match=r"practice\.key: this key is weak: .* let the program draw one") as told:
        load_or_make_key(path, say=lambda _: None)
    assert key.hex() not in str(told.value)


@given(st.integers(0, 2**64))
def test_a_key_drawn_by_chance_is_not_weak(n: int):
    assert weakness(hashlib.sha256(n.to_bytes(9)).digest()) is None


def test_a_key_of_few_bytes_is_weak():
    assert weakness(b"\x01" * 16) == "it has 16 bytes and needs 32"
