"""Keyed pseudonyms: the database names patients by words that nobody can turn back without the key.

A patient's number is short, so a plain digest of it is undone in a second by trying every number. HMAC-SHA-256
[Krawczyk 1997; Nystrom 2005] with a secret key cannot be; the same number always gives the same pseudonym, so later
files link up. The key lies in a file of its own. Whoever loses it can link no later file to what is stored, and whoever
gets it together with the database can try all numbers: keep a copy, and never send the two together.
"""

import hashlib
import secrets
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa

from pipeline.machine import key_files
from pipeline.machine.errors import DataError

PATIENT = "patient"
KEPT = "kept"
NAMING = "naming"  # the name of the text that says how a database names its patients
_KEYED = "keyed:"
_BLOCK = 64  # bytes that SHA-256 takes at a time
_LETTERS = np.frombuffer(b"abcdefghijklmnopqrstuvwxyz234567", np.uint8)  # base 32 of RFC 4648, lower case
_LENGTH = 26  # letters of 5 bits: the first 130 bits of the digest
_MOST_KNOWN = 1 << 20
_SLOTS = 1 << 22
_Array = np.ndarray[Any, Any]
MEMORY = ".releases"  # ends the name of the file beside a key that remembers what was shared
NOTHING_SHARED = "nothing was shared"  # what that file holds from the start
HAS_MEMORY = f"# What is shared is remembered in the file of the same name that ends in {MEMORY}: keep both."
_KEY_TEXT = f"""\
# The key of the patients' pseudonyms in the database of toothyears.
# Keep a copy in a safe place: without it no later file can be linked to what is stored.
# Never send it together with the database.
{HAS_MEMORY}
{{key}}
"""


class Pseudonyms:
    """Pseudonyms under one key. Ids met before are remembered, up to a million of them: a ledger repeats its patients.

    A pseudonym has 26 letters and digits, `a` to `z` and `2` to `7`, and 130 bits: two patients of any practice that
    will ever be share one by chance less often than once in 10^20 practices.
    """

    def __init__(self, key: bytes) -> None:
        self._key = key
        self._known: dict[str, _Known] = {}

    @property
    def check(self) -> str:
        """A digest by which the same key is known again. It tells nothing of the key."""
        return hmac_sha256(self._key, "key check\x1f")([""])[0].hex()

    def of(self, ids: pl.Series, *, namespace: str = PATIENT) -> pl.Series:
        """The pseudonym of each id, blanks around it aside; null where it is null or blank.

        `namespace` says what the ids name: the same text in another namespace has another pseudonym.
        """
        if namespace not in self._known:
            self._known[namespace] = _Known(hmac_sha256(self._key, f"{namespace}\x1f"))
        return self._known[namespace].look_up(ids.str.strip_chars()).alias(ids.name)


def key_path(database: Path, key_file: Path | None) -> Path:
    """Where the key lies: as told, else beside the database under its name with `.key`."""
    return key_file or database.with_suffix(".key")


def choose(
    stored: str | None, *, keep_ids: bool, path: Path, say: Callable[[str], None]
) -> tuple[Pseudonyms | None, str]:
    """How a database names its patients: the pseudonyms to use, None to keep the ids; and the text to store of it.

    `stored` is the text stored before, None in a new database. `path` is where the key lies or is to be made.

    Raises DataError if the database names its patients the other way, or its key is lost, damaged or another one.
    """
    if keep_ids:
        if stored not in (None, KEPT):
            raise DataError(
                "The database holds pseudonyms and --keep-ids asks for patient ids as they are; one database cannot "
                "hold both. Leave out --keep-ids, or write another name for database in the TOML and ingest all files."
            )
        return None, KEPT
    if stored == KEPT:
        raise DataError(
            "The database holds patient ids as they are; it was made with --keep-ids. Give --keep-ids again, or write "
            "another name for database in the TOML and ingest all files to have pseudonyms."
        )
    if stored is not None and not path.exists():
        raise DataError(
            f"{path.name}: the key of the pseudonyms in the database is not there, so new files cannot be linked to "
            "what is stored. Put the copy that you kept in its place. If there is none, move the database away and "
            "ingest all files anew: a new key is made then."
        )
    pseudonyms = Pseudonyms(load_or_make_key(path, say=say))
    text = _KEYED + pseudonyms.check
    if stored is not None and not secrets.compare_digest(stored.encode(), text.encode()):
        raise DataError(
            f"{path.name}: this is not the key that the pseudonyms in the database were made with. Put the right one "
            "in its place, or name it as key_file under [practice]."
        )
    return pseudonyms, text


def load_or_make_key(path: Path, *, say: Callable[[str], None]) -> bytes:
    """The key in a file; a file that is not there is made, with a new key, and beside it that nothing was shared.

    See `key_files.load_or_make_key`.
    """
    return key_files.load_or_make_key(
        path,
        text=_KEY_TEXT,
        what="the patients' pseudonyms",
        setting="key_file",
        say=say,
        beside=(path.with_suffix(MEMORY), NOTHING_SHARED),
    )


def crosswalk(ids: Iterable[str] | pl.Series, pseudonyms: Pseudonyms) -> pl.DataFrame:
    """Which id as written stands behind each pseudonym: `patient_id, written_id`, one row a pseudonym.

    Only for lists that stay inside the practice. An id written with blanks around it stands without them.
    """
    written = pl.Series("written_id", ids, dtype=pl.String).str.strip_chars().drop_nulls()
    written = written.filter(written != "").unique().sort()
    return pl.DataFrame({"patient_id": pseudonyms.of(written), "written_id": written})


def hmac_sha256(key: bytes, prefix: str = "") -> Callable[[Iterable[str]], list[bytes]]:
    """A function that gives the HMAC-SHA-256 of each text after `prefix`, in UTF-8.

    The states after the padded key are kept and copied, which is half of the work of a short text (RFC 2104, 4).
    """
    padded = (hashlib.sha256(key).digest() if len(key) > _BLOCK else key).ljust(_BLOCK, b"\0")
    inner = hashlib.sha256(bytes(b ^ 0x36 for b in padded) + prefix.encode())
    outer = hashlib.sha256(bytes(b ^ 0x5C for b in padded))

    def digests(texts: Iterable[str]) -> list[bytes]:
        found = []
        for text in texts:
            inside, outside = inner.copy(), outer.copy()
            inside.update(text.encode())
            outside.update(inside.digest())
            found.append(outside.digest())
        return found

    return digests


class _Known:
    """Pseudonyms of one namespace. A text is looked for in two slots; one that found no free slot is worked out anew.

    What a slot holds is compared with the text itself, so that equal hashes confuse nothing.
    """

    def __init__(self, digests: Callable[[Iterable[str]], list[bytes]]) -> None:
        self._digests = digests
        self._slots: _Array = np.full(_SLOTS, -1, np.int32)
        self._ids = pl.Series("id", [], pl.String)
        self._letters: _Array = np.empty((_MOST_KNOWN, _LENGTH), np.uint8)  # takes memory only as it is filled

    def look_up(self, ids: pl.Series) -> pl.Series:
        filled = (ids.is_not_null() & (ids != "")).fill_null(False)
        rows = self._rows(ids)
        letters = self._letters[np.maximum(rows, 0)]
        missed = np.flatnonzero((rows < 0) & filled.to_numpy())
        if missed.size:
            texts = ids.gather(missed)
            new = texts.unique()
            made = _as_letters(self._digests(new))
            place = pl.DataFrame({"id": texts}).join(
                pl.DataFrame({"id": new}).with_row_index("place"), on="id", how="left", maintain_order="left"
            )
            letters[missed] = made[place["place"].to_numpy()]
            self._keep(new, made)
        found = _as_text(letters)
        return found if filled.all() else pl.DataFrame({"t": found, "f": filled}).select(pl.when("f").then("t"))["t"]

    def _rows(self, ids: pl.Series) -> _Array:
        """Where each id stands among those known; -1 if it is not there."""
        rows: _Array = np.full(ids.len(), -1, np.int32)
        if self._ids.is_empty():
            return rows
        for places in self._places(ids):
            held = self._slots[places]
            ask = np.flatnonzero((rows < 0) & (held >= 0))
            same = (self._ids.gather(held[ask]) == ids.gather(ask)).fill_null(False).to_numpy()
            rows[ask[same]] = held[ask[same]]
        return rows

    def _keep(self, ids: pl.Series, letters: _Array) -> None:
        room = _MOST_KNOWN - self._ids.len()
        ids, letters = ids.head(room), letters[:room]
        claimed: _Array = np.full(ids.len(), -1, np.int64)  # the slot that each id gets
        for places in self._places(ids):
            trying = np.flatnonzero((claimed < 0) & (self._slots[places] < 0))
            self._slots[places[trying]] = trying  # of those that want one slot, the last gets it
            won = trying[self._slots[places[trying]] == trying]
            claimed[won] = places[won]
            self._slots[places[won]] = _MOST_KNOWN
        kept = np.flatnonzero(claimed >= 0)
        first = self._ids.len()
        self._slots[claimed[kept]] = np.arange(first, first + kept.size)
        self._letters[first : first + kept.size] = letters[kept]
        self._ids.append(ids.gather(kept))
        if self._ids.n_chunks() > 16:
            self._ids = self._ids.rechunk()

    def _places(self, ids: pl.Series) -> tuple[_Array, _Array]:
        hashed = ids.hash().to_numpy()
        mask = np.uint64(_SLOTS - 1)
        return (hashed & mask).astype(np.int64), ((hashed >> np.uint64(32)) & mask).astype(np.int64)


def _as_letters(digests: list[bytes]) -> _Array:
    """The first 130 bits of each digest as letters, 5 bits each; one row a digest."""
    whole = np.frombuffer(b"".join(digests), np.uint8).reshape(-1, 32)
    letters: _Array = np.empty((len(digests), _LENGTH), np.uint8)
    for place in range(_LENGTH):
        byte, bit = divmod(5 * place, 8)
        pair = whole[:, byte].astype(np.uint16) << 8 | whole[:, byte + 1]
        letters[:, place] = _LETTERS[(pair >> (11 - bit)) & 31]
    return letters


def _as_text(letters: _Array) -> pl.Series:
    ends = np.arange(0, letters.size + 1, _LENGTH, dtype=np.int32)
    text = pa.StringArray.from_buffers(len(letters), pa.py_buffer(ends), pa.py_buffer(np.ascontiguousarray(letters)))
    return pl.Series("pseudonym", text, dtype=pl.String)
