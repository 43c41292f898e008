"""Contributions as files: written in one canonical form, read back only if not a byte differs from it.

The SHA-256 digest in the file is taken over the canonical JSON of all else and shows that a file was damaged or cut.
The signature (`signing.py`) shows that it is as the holder of a key wrote it: a file that was changed, or that nobody
signed, is refused, the latter unless it is asked for by name.
"""

import datetime as dt
import hashlib
import json
import typing
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.machine.errors import DataError
from pipeline.machine.private_files import private_folder, write_private
from pipeline.release.pool.agreed import DEFINITIONS, KIND, SCHEMA, questions
from pipeline.release.pool.contribution import Contribution, NotReleasedError
from pipeline.release.pool.plausible import impossible, unmarked
from pipeline.release.pool.signing import SigningKey, is_signed
from pipeline.results import from_plain, to_plain

LARGEST_BYTES = 2_000_000
_UNSIGNED = "0" * 128


def as_bytes(given: Contribution) -> bytes:
    """The file's content; two equal contributions give the same bytes."""
    body = {"kind": KIND, **to_plain(given)}
    return (_canonical(body | {"digest": digest(body)}) + "\n").encode()


def digest(body: dict[str, Any]) -> str:
    """SHA-256 over the canonical JSON of everything but the digest itself."""
    return hashlib.sha256(_canonical(body).encode()).hexdigest()


def signed(given: Contribution, key: SigningKey) -> Contribution:
    """The contribution under a practice's signature."""
    bare = replace(given, key=key.public, signature=_UNSIGNED)
    return replace(bare, signature=key.sign(_what_is_signed(bare)))


def _what_is_signed(given: Contribution) -> bytes:
    return _canonical({k: v for k, v in to_plain(given).items() if k != "signature"}).encode()


def write_contribution(given: Contribution, folder: Path) -> Path:
    """Put the file into a folder under a name made of its code and month; returns its path."""
    path = private_folder(folder) / f"contribution-{given.code}-{given.data_until}.json"
    return write_private(path, as_bytes(given))


def read_contribution(path: Path, *, unsigned: bool = False, today: dt.date | None = None) -> Contribution:
    """Read one file; `unsigned` also takes one that nobody signed, `today` refuses data of a later month.

    Raises DataError where it is no contribution, of another version, changed since it was written or signed by nobody,
    or holds what may not leave or no practice can have.
    """
    if not path.is_file():
        raise DataError(f"{path.name} is no file. Give the files that `toothyears contribute` wrote.")
    try:
        with path.open("rb") as stream:
            content = stream.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise DataError(f"{path.name} cannot be read: {error.strerror}.") from None
    body = _body(content, path.name)
    if (body.get("schema"), body.get("definitions")) != (SCHEMA, DEFINITIONS):
        raise DataError(
            f"{path.name} was made by another version; needed are form {SCHEMA} and definitions {DEFINITIONS}. "
            "Ask that practice to run `toothyears contribute` again with the present version."
        )
    told = body.pop("digest", None)
    try:
        right = told == digest(body)
    except (ValueError, TypeError, RecursionError):
        right = False
    if not right:
        raise DataError(f"{path.name} was changed after it was written: its digest is wrong. Ask for the file again.")
    body.pop("kind")
    _check_clocks(body.get("contrasts"), path.name)
    try:
        _check_keys(Contribution, body)
        given: Contribution = from_plain(Contribution, body)
        same = as_bytes(given) == content
    except NotReleasedError as error:
        raise DataError(f"{path.name} was not written by `contribute`: {error}.") from None
    except (ValueError, TypeError, KeyError, AttributeError, AssertionError, IndexError, OverflowError):
        raise DataError(f"{path.name} holds what no practice may give away: `contribute` did not write it.") from None
    if not same:
        raise DataError(f"{path.name} is not as it was written, not to the byte. Ask for the file again.")
    _check_signature(given, path.name, unsigned=unsigned)
    if unmarked(given):
        raise DataError(
            f"{path.name} has curves and no marks of the records behind them: `contribute` did not write it."
        )
    if (fault := impossible(given, today=today)) is not None:
        raise DataError(f"{path.name} holds what no practice can have: {fault}. Ask that practice for its file again.")
    return given


def _check_signature(given: Contribution, name: str, *, unsigned: bool) -> None:
    if not given.key and not unsigned:
        raise DataError(
            f"{name} is signed by nobody, so anyone may have made it. Ask that practice for the file that "
            "`toothyears contribute` writes, or take files that anyone may have made by name (--unlisted; unlisted = "
            "true under [evidence]); pages then say so."
        )
    if given.key and not is_signed(_what_is_signed(given), public=given.key, signature=given.signature):
        raise DataError(
            f"{name}: the signature is not of this content. The file was changed after its practice signed it, or "
            "signed by someone else. Ask that practice for the file again."
        )


def _body(content: bytes, name: str) -> dict[str, Any]:
    if len(content) > LARGEST_BYTES:
        raise DataError(f"{name} is too large for a contribution.")
    try:
        body = json.loads(content.decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise DataError(f"{name} is no contribution: it cannot be read as JSON.") from None
    if not isinstance(body, dict) or body.get("kind") != KIND:
        raise DataError(f"{name} is no contribution. Give files that `toothyears contribute` wrote.")
    return body


def _check_clocks(contrasts: Any, name: str) -> None:
    """Refuse a known question that was counted from another day or until another event, in words of its own."""
    for told in contrasts if isinstance(contrasts, list) else []:
        asked = questions().get(str(told.get("id"))) if isinstance(told, dict) else None
        if asked is not None and (told.get("outcome"), told.get("clock")) != (asked.outcome, asked.clock):
            raise DataError(
                f"{name} counts `{asked.id}` from another day (clock) or until another event (outcome) than it is "
                "defined here, so the figures do not mean the same. Ask for a file of the present version."
            )


def _check_keys(kind: Any, value: Any) -> None:
    """Raise ValueError unless `value` has exactly the keys of the class, all the way down."""
    arguments = typing.get_args(kind)
    if isinstance(value, dict):
        classes = [k for k in (kind, *arguments) if hasattr(k, "__dataclass_fields__")]
        hints = typing.get_type_hints(classes[0]) if classes else {}
        if set(hints) != set(value):
            raise ValueError("keys")
        for name, hint in hints.items():
            _check_keys(hint, value[name])
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            _check_keys(arguments[0 if arguments[-1] is Ellipsis else i], inner)


def _canonical(value: Any) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=True, allow_nan=False, indent=1)


def _no_constant(_: str) -> None:
    raise ValueError("not a number")
