"""Keys and their numbers: a published pair, digits by another way, and which key stands for which practice."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from pool_practices import key_of

from pipeline.machine.errors import DataError
from pipeline.release.pool.signing import (
    PURPOSE,
    SigningKey,
    is_signed,
    key_number,
    practice_key,
    read_key_number,
    signing_key_path,
)

# RFC 8032, section 7.1, test 1 (from memory): the secret key and the public one that belongs to it.
SECRET = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
PUBLIC = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
KEY, OTHER = SigningKey(bytes.fromhex(SECRET)), key_of("other")


def test_the_public_key_is_the_published_one() -> None:
    assert KEY.public == PUBLIC
    assert SECRET not in repr(KEY)
    assert KEY.number in repr(KEY)


def test_a_signature_is_of_its_content_and_key_only() -> None:
    signed = KEY.sign(b"figures")
    assert len(signed) == 128
    assert is_signed(b"figures", public=PUBLIC, signature=signed)
    assert not is_signed(b"figures.", public=PUBLIC, signature=signed)
    assert not is_signed(b"figures", public=OTHER.public, signature=signed)
    assert not is_signed(b"figures", public=PUBLIC, signature=signed[:-2])
    # What was signed elsewhere, without our words before it, is no contribution.
    assert not is_signed(b"figures", public=PUBLIC, signature=KEY._private.sign(b"figures").hex())
    assert is_signed(b"figures", public=PUBLIC, signature=KEY._private.sign(PURPOSE + b"figures").hex())


def test_a_key_number_is_the_end_of_a_digest_in_digits() -> None:
    digest = 0
    for byte in hashlib.sha256(bytes.fromhex(PUBLIC)).digest():
        digest = (digest * 256 + byte) % 10**30
    groups = KEY.number.split(" ")
    assert [len(g) for g in groups] == [5] * 6
    assert int("".join(groups)) == digest
    assert key_number(PUBLIC) == KEY.number != OTHER.number


def test_leading_noughts_of_a_key_number_are_kept() -> None:
    made = [key_number(i.to_bytes(32).hex()) for i in range(200)]
    assert {len(n) for n in made} == {35}
    assert any(n.startswith("0") for n in made)


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("01234 56789 01234 56789 01234 56789", True),
        (" 012345678901234567890123456789\n", True),
        ("01234-56789-01234-56789-01234-56789", True),
        ("01234 56789 01234 56789 01234 5678", False),
        ("01234 56789 01234 56789 01234 567890", False),
        ("01234 56789 01234 56789 01234 5678x", False),
        ("", False),
    ],
)
def test_key_numbers_as_they_are_written_down(text: str, read: bool) -> None:
    assert read_key_number(text) == ("01234 56789 01234 56789 01234 56789" if read else None)


def test_a_secret_hangs_on_key_and_purpose() -> None:
    assert KEY.secret_of("a") == hashlib.blake2b(b"a", key=bytes.fromhex(SECRET)).digest()
    assert len({KEY.secret_of("a"), KEY.secret_of("b"), OTHER.secret_of("a")}) == 3


def test_where_a_key_lies() -> None:
    assert signing_key_path(Path("x/practice.duckdb"), None) == Path("x/practice.signing.key")
    assert signing_key_path(Path("x/practice.duckdb"), Path("safe/key")) == Path("safe/key")


def made(path: Path, known: tuple[str, ...], *, new_key: bool = False) -> tuple[str, tuple[str, ...], bool]:
    """The key's number, those of all keys, and whether anything was said."""
    said: list[str] = []
    key, numbers = practice_key(path, known, new_key=new_key, say=said.append)
    return key.number, numbers, bool(said)


def test_a_key_is_made_once_and_found_again(tmp_path: Path) -> None:
    path = tmp_path / "p.signing.key"
    number, numbers, said = made(path, ())
    assert (numbers, said) == ((number,), True)
    assert made(path, numbers) == (number, (number,), False)


def test_a_lost_key_is_not_replaced_unasked(tmp_path: Path) -> None:
    path = tmp_path / "p.signing.key"
    former = ("1" * 5, "2" * 5)
    with pytest.raises(DataError, match=r"key number 22222\) is not there.*--new-key"):
        made(path, former)
    assert not path.exists()
    number, numbers, _ = made(path, former, new_key=True)
    assert numbers == (*former, number)


def test_another_key_is_not_taken_unasked(tmp_path: Path) -> None:
    path = tmp_path / "p.signing.key"
    number, _, _ = made(path, ())
    with pytest.raises(DataError, match=r"another key.*\(key number 22222\).*--new-key"):
        made(path, ("11111", "22222"))
    assert made(path, ("11111", "22222"), new_key=True)[1] == ("11111", "22222", number)
    # One that signed before is no other one, and is the last from now on.
    assert made(path, (number, "22222"))[1] == ("22222", number)
