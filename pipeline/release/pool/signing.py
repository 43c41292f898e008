"""Signatures: each practice signs its file with a secret key of its own (Ed25519 [1]), and is known by its key number.

A signature shows that a file is as the holder of the key wrote it. Whose key it is, no file can show: practices read
their key numbers to each other over the telephone, and whoever pools lists them (`members.py`). The key number is 30
digits of a digest of the public key, so that no second key fits it.

References
----------
[1] Josefsson S, Liusvaara I. Edwards-curve digital signature algorithm (EdDSA). RFC 8032, 2017.
"""

import hashlib
import re
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from pipeline.machine import key_files
from pipeline.machine.errors import DataError

# What is signed begins with this, so that no other text of the key's owner passes for a contribution.
PURPOSE = b"toothyears contribution, signed\n"
DIGITS, GROUP = 30, 5
# Under a key of one of these second coordinates (points of order 1, 2, 4 and 8) a signature can be of any content.
_FIELD = 2**255 - 19
_ORDER_8 = 0x05FC536D880238B13933C6D305ACDFD5F098EFF289F4C345B027B2C28F95E826
_EVERYBODYS = (0, 1, _FIELD - 1, _ORDER_8, _FIELD - _ORDER_8)
_KEY_NUMBER = re.compile(rf"\d{{{DIGITS}}}")
_KEY_TEXT = """\
# The key with which this practice signs what it gives for pooling (toothyears contribute).
# Whoever has it can give figures in this practice's name: keep it to yourself, and keep a copy in a safe place.
# It is not the key of the patients' pseudonyms, and opens no record.
{key}
"""


@dataclass(frozen=True)
class SigningKey:
    """The secret key of a practice. Its text never shows the secret."""

    _seed: bytes

    def __repr__(self) -> str:
        return f"SigningKey({self.number})"

    @property
    def public(self) -> str:
        """The public key, 64 hexadecimal digits."""
        return self._private.public_key().public_bytes_raw().hex()

    @property
    def number(self) -> str:
        """The key number of its public key."""
        return key_number(self.public)

    def sign(self, content: bytes) -> str:
        """The signature of a content, 128 hexadecimal digits."""
        return self._private.sign(PURPOSE + content).hex()

    def secret_of(self, purpose: str) -> bytes:
        """A secret that follows from the key and tells nothing of it."""
        return hashlib.blake2b(purpose.encode(), key=self._seed).digest()

    @property
    def _private(self) -> Ed25519PrivateKey:
        return Ed25519PrivateKey.from_private_bytes(self._seed)


def is_signed(content: bytes, *, public: str, signature: str) -> bool:
    """Whether the holder of a public key signed this content; a key that everybody can sign under has no holder."""
    second = int.from_bytes(bytes.fromhex(public), "little") % 2**255 % _FIELD
    if second in _EVERYBODYS:
        return False
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), PURPOSE + content)
    except (InvalidSignature, ValueError):
        return False
    return True


def key_number(public: str) -> str:
    """The number by which a public key is named: six groups of five digits."""
    digits = str(int.from_bytes(hashlib.sha256(bytes.fromhex(public)).digest()) % 10**DIGITS).zfill(DIGITS)
    return " ".join(digits[i : i + GROUP] for i in range(0, DIGITS, GROUP))


def read_key_number(text: str) -> str | None:
    """A key number as it was written down, blanks and hyphens aside; None where it is none."""
    digits = re.sub(r"[\s-]", "", text)
    if not _KEY_NUMBER.fullmatch(digits):
        return None
    return " ".join(digits[i : i + GROUP] for i in range(0, DIGITS, GROUP))


def signing_key_path(database: Path, key_file: Path | None) -> Path:
    """Where the key lies: as told, else beside the database under its name with `.signing.key`."""
    return key_file or database.with_suffix(".signing.key")


def practice_key(
    path: Path, known: tuple[str, ...], *, new_key: bool, say: Callable[[str], None]
) -> tuple[SigningKey, tuple[str, ...]]:
    """The practice's key, and the numbers of all keys it ever signed with, the present one last.

    `known` are the numbers noted before, the last one first used last. A key that was lost is never replaced unasked:
    the practice would seem to be a second one.

    Raises DataError if the key signed with before is not there, or another one is, and `new_key` does not say that this
    is meant; if the file holds no key or a weak one.
    """
    if known and not path.exists() and not new_key:
        raise DataError(
            f"{path.name}: the key with which this practice signed before (key number {known[-1]}) is not there. Put "
            "the copy that you kept in its place. If it is lost, give --new-key: a new one is made, and the file says "
            "that it takes the place of the former. Then read the new key number over the telephone to whoever pools, "
            "so that it is written beside the former one, under the same practice."
        )
    seed = key_files.load_or_make_key(
        path, text=_KEY_TEXT, what="this practice's signature", setting="signing_key_file", say=say
    )
    key = SigningKey(seed)
    if known and key.number not in known and not new_key:
        raise DataError(
            f"{path.name}: this is another key than the one with which this practice signed before (key number "
            f"{known[-1]}). Put that one in its place, or give --new-key if this one is to stand for it from now on."
        )
    return key, (*(n for n in known if n != key.number), key.number)


LETTERS = 16


def practice_code(stored: str | None, *, key: Path) -> str:
    """The code stored before, else a new one.

    A new one hangs on the secret key of the patients' pseudonyms where there is one, so that a practice which builds
    its database anew is still known as the same. The key is drawn by chance and cannot be told from the code.
    """
    if stored is not None:
        return stored
    try:
        secret = key.read_bytes()
    except OSError:
        secret = b""
    if not secret:
        return secrets.token_hex(LETTERS // 2)
    return hashlib.sha256(b"toothyears practice code\x1f" + secret).hexdigest()[:LETTERS]
