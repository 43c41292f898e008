"""The memory of releases: what was made for sharing, when, and from which records.

Whoever sees two releases can subtract them. So the same records give the same figures; records that differ from those
of an earlier release by fewer than 11 patients give its figures once more, those of the nearest. All others give new
figures under one rounding (`disclosure.Rounding`), that of the records of the first release: a count that stays as it
is is told alike for ever, so that many releases cannot be averaged, and where two told counts of different releases
surely differ, they may differ by 11. A memory that begins anew, from other records, begins with another rounding.

Pages and files for pooling are remembered apart, yet lie side by side with whoever gets both. So new figures of records
that are near those of any earlier release are rounded by their own records: told counts that differ then say nothing.

Records are the patients with all that is known of their teeth, each patient as one keyed fingerprint; patients who are
known by nothing, or by the same, are numbered. Under which id a patient stands does not matter. Two sets differ
by at least as many patients as one has fingerprints that the other lacks: that number counts, so that it is never taken
for larger than it is.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.practice.tables import RELEASED_RECORDS, RELEASES
from pipeline.release.disclosure import SMALLEST
from pipeline.results import Results
from pipeline.results.records import Records
from pipeline.storing.store import Store

PAGES, POOLING = "pages", "pooling"
NEW, SAME, NEAR = "new", "same", "near"
SECRET = "release_secret"
_MARK = 8  # bytes


@dataclass(frozen=True)
class Remembered:
    """The figures to share: made now (`new`), or on `made_on` from the same records or from `near` ones."""

    figures: str
    made_on: dt.date
    standing: str

    def __post_init__(self) -> None:
        if self.standing not in (NEW, SAME, NEAR):
            raise ValueError("figures are new, of the same records or of near ones")


def records_of(store: Store, *, key: Path) -> Records:
    """What the rounding of shared figures hangs on, of the records stored now; `key` is the file of the key."""
    digest = _digest(_marks(store, key))
    first = store.read(RELEASES, ["release", "records"]).sort("release")["records"]
    return Records(digest, *store.facts.most_of_one(), rounded_by=first[0] if len(first) else digest)


def remembered(
    store: Store,
    results: Results,
    *,
    kind: str,
    key: Path,
    today: dt.date,
    make: Callable[[Results], str],
    readable: Callable[[str], bool],
) -> Remembered:
    """The figures of this kind to share; `make` makes those of the results given to it where none stand.

    Call it within a transaction. Figures that are no longer `readable`, of an earlier version, count as never made.
    """
    marks = _marks(store, key)
    digest, settings = _digest(marks), _settings(results)
    earlier = store.read(RELEASES)
    mine = earlier.filter(pl.col("kind") == kind)
    mine = mine.filter(pl.Series([readable(text) for text in mine["figures"]], dtype=pl.Boolean()))
    kept = store.read(RELEASED_RECORDS)
    apart = {str(r): _apart(kept.filter(pl.col("records") == r)["mark"], marks) for r in earlier["records"].unique()}
    found, standing = _standing(mine, apart, digest, settings)
    if found is not None:
        return Remembered(str(found["figures"]), _day(found["made_on"]), standing)
    if any(patients < SMALLEST for records, patients in apart.items() if records != digest):
        results = dataclasses.replace(results, records=dataclasses.replace(results.records, rounded_by=digest))
    figures = make(results)
    new = {
        "release": [1 + (earlier["release"].max() or 0)],  # type: ignore[operator]
        "kind": [kind],
        "made_on": [today],
        "records": [digest],
        "settings": [settings],
        "figures": [figures],
    }
    store.append(RELEASES, pl.DataFrame(new, schema={n: c.dtype for n, c in RELEASES.columns.items()}))
    if digest not in set(earlier["records"]):
        store.append(RELEASED_RECORDS, pl.DataFrame({"records": [digest] * len(marks), "mark": marks}))
    return Remembered(figures, today, NEW)


def _standing(
    mine: pl.DataFrame, apart: dict[str, int], digest: str, settings: str
) -> tuple[dict[str, object] | None, str]:
    """The earlier release whose figures stand, if any; `apart` is by how many patients each one's records differ.

    Of the same records, one with the same settings; under other settings their figures are made, and rounded alike. Of
    near ones the nearest, then the latest, whatever its settings.
    """
    exactly = mine.filter(pl.col("records") == digest)
    if not exactly.is_empty():
        alike = exactly.filter(pl.col("settings") == settings).sort("release")
        return (alike.row(-1, named=True), SAME) if not alike.is_empty() else (None, NEW)
    near = [row for row in mine.iter_rows(named=True) if apart[row["records"]] < SMALLEST]
    if not near:
        return None, NEW
    return min(near, key=lambda row: (apart[row["records"]], -row["release"])), NEAR


def _apart(before: pl.Series, now: pl.Series) -> int:
    """By how many patients two sets of records differ at least."""
    return max(int((~before.is_in(now.implode())).sum()), int((~now.is_in(before.implode())).sum()))


def _marks(store: Store, key: Path) -> pl.Series:
    """The fingerprint of each patient, in order."""
    secret = _secret(store, key)
    found = (
        hashlib.blake2b(f"{fact}\x1f{i}".encode(), key=secret, digest_size=_MARK).digest()
        for fact, patients in store.facts.of_patients().iter_rows()
        for i in range(patients)
    )
    return pl.Series("mark", sorted({int.from_bytes(d, "big", signed=True) for d in found}), dtype=pl.Int64())


def _secret(store: Store, key: Path) -> bytes:
    """What the fingerprints hang on: of the key of the pseudonyms, so that a database built anew gives the same ones.

    Without such a key one is drawn, and kept in the database.
    """
    kept = store.text(SECRET)
    if kept is None:
        try:
            told = key.read_bytes()
        except OSError:
            told = b""
        kept = hashlib.sha256(b"toothyears releases\x1f" + told).hexdigest() if told else secrets.token_hex(32)
        store.save_text(SECRET, kept)
    return bytes.fromhex(kept)


def _digest(marks: pl.Series) -> str:
    return hashlib.sha256(marks.to_numpy().tobytes()).hexdigest()


def _settings(results: Results) -> str:
    told = {**results.rules, **results.analysis, **{f"program {k}": v for k, v in results.versions.items()}}
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:32]


def _day(value: object) -> dt.date:
    assert isinstance(value, dt.date)
    return value
