"""The code of a practice in the files that it contributes: the same every time, drawn by chance, and no name."""

import hashlib
import secrets
from pathlib import Path

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
