"""Secret keys in files of their own: made by chance, whole or not at all, for their owner alone; weak ones are refused.

A key is 32 bytes, written as one line of 64 hexadecimal digits. What was typed, copied from an example or made of a
word has so little variety that it can be tried out; a key drawn by chance has such a look less often than once in ten
million draws by every one of the rules here.
"""

import contextlib
import itertools
import re
import secrets
import stat
from collections.abc import Callable
from pathlib import Path

from pipeline.machine.errors import DataError
from pipeline.machine.private_files import make_private

KEY_BYTES = 32
FEWEST_VALUES = 16  # of 256 that a byte can have; 32 drawn by chance have 30 on average
LONGEST_RUN = 4
FEWEST_STEPS = 8
_PRINTABLE = range(32, 127)


def load_or_make_key(
    path: Path,
    *,
    text: str,
    what: str,
    setting: str,
    say: Callable[[str], None],
    beside: tuple[Path, str] | None = None,
) -> bytes:
    """The key in a file; a file that is not there is made, with a new key.

    A file that others may read is closed to them where the disk can do that; else `say` is told, for on a shared or
    borrowed disk every file may be open, and refusing would stop the work without making the key any safer.

    - `text`: What a new file holds, with `{key}` where the key goes.
    - `what`, `setting`: What the key is of, and the setting under `[practice]` that names its place, as messages say
      them.
    - `beside`: A file and what it holds, put there before a new key is: no new key stands without it.

    Raises DataError if the file cannot be read or made, or holds no key or a weak one.
    """
    try:
        is_new = not path.exists()
        if is_new and beside is not None:
            make_private(beside[0], beside[1].encode())
        if is_new and make_private(path, text.format(key=secrets.token_hex(KEY_BYTES)).encode()):
            say(f"{path.name}: made; it is the key of {what}. Keep a copy of it in a safe place")
        content = path.read_bytes()[:4096]
    except OSError as error:
        raise DataError(
            f"{path.name}: the key of {what} cannot be read or made ({error.strerror}). Check that you may "
            f"read the file and write to its folder, or name another place as {setting} under [practice]."
        ) from None
    key = _key_in(content)
    if key is None:
        raise DataError(
            f"{path.name}: holds no key: one line of {2 * KEY_BYTES} digits 0 to 9 and letters a to f. Put the copy "
            "that you kept in its place. Delete the file only if nothing was made with it."
        )
    if (weak := weakness(key)) is not None:
        raise DataError(
            f"{path.name}: this key is weak: {weak}. Whoever tries such keys finds it, and with it what it protects. "
            "Never write a key yourself: move the file away and let the program draw one. What was made with "
            f"{what} under the weak key must then be made anew."
        )
    _close_to_others(path, say)
    return key


def weakness(key: bytes) -> str | None:
    """What makes a key easy to guess, in words; None for one that looks drawn by chance."""
    steps = {(b - a) % 256 for a, b in itertools.pairwise(key)}
    run = re.compile(rb"(.)\1{%d}" % LONGEST_RUN, re.DOTALL)
    if len(key) < KEY_BYTES:
        return f"it has {len(key)} bytes and needs {KEY_BYTES}"
    if not any(key):
        return "it is all zeros"
    if all(b in _PRINTABLE for b in key):
        return "it is a text or a word"
    if len(set(key)) < FEWEST_VALUES:
        return "the same digits come again and again"
    if run.search(key):
        return "one byte is repeated, as where a short key was filled up"
    if len(steps) < FEWEST_STEPS:
        return "its digits count up or down"
    if not re.search(r"[a-f]", key.hex()):
        return "it is made of the digits 0 to 9 alone"
    return None


def _key_in(content: bytes) -> bytes | None:
    try:
        lines = [line.strip() for line in content.decode("utf-8-sig").splitlines()]
    except UnicodeDecodeError:
        return None
    lines = [line for line in lines if line and not line.startswith("#")]
    if len(lines) != 1 or not re.fullmatch(rf"[0-9a-fA-F]{{{2 * KEY_BYTES}}}", lines[0]):
        return None
    return bytes.fromhex(lines[0])


def _close_to_others(path: Path, say: Callable[[str], None]) -> None:
    if not _open_to_others(path):
        return
    with contextlib.suppress(OSError):
        path.chmod(0o600)
    if _open_to_others(path):
        say(f"{path.name}: other users of this computer may read the key; move it to a disk where it can be closed")
    else:
        say(f"{path.name}: other users of this computer could read the key; now only you can")


def _open_to_others(path: Path) -> bool:
    return path.drive == "" and bool(stat.S_IMODE(path.stat().st_mode) & 0o077)  # a drive: Windows has other rights
