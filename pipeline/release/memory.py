"""What may be shared now, given all that was shared before: new figures, or earlier ones once more.

Whoever sees two releases can subtract them, or average many. So

- the same records give the same figures, whatever the settings: what one counts and the next does not (teeth that
  failed between two horizons, or are followed when a curve stops) may be a few. Records that differ from those of an
  earlier release by fewer than 11 patients give its figures once more, those of the nearest;
- for a year, so do records in which some but fewer than 11 patients more (or fewer) had a crown seated, opened or
  failed, a root canal made or failed, a tooth lost or a film judged (`facts.HAPPENED`): beside a total told alike
  in both, which then hardly changed, a part of it told otherwise would hold a few that surely came in between;
- new figures are made three times in half a year at most, else the latest stand: rules of linking moved a little at a
  time would count those between two of them;
- the same records are rounded alike, pages and files for pooling: a count told in two ways is known to within 4 and not
  9, and with it the few by which it is less than another (teeth that failed and were not lost);
- those of other records are rounded by themselves (`disclosure.Rounding`), and from the seventh on by one of the first
  six. Under one for all, a told count that changes has surely changed; under ever new ones, many releases could be
  averaged. Nothing hangs on what came before alone: two copies of one memory would round their next figures alike.
  Where a part and its whole, or one count over all releases, would still tell of a few that came in between, it is
  drawn anew (`side_by_side`).

Pages and files for pooling are remembered apart, yet lie side by side with whoever gets both: of the same records
they are rounded alike; figures of records that are near any earlier ones are rounded by themselves.

Records are the patients with all that is known of their teeth, each patient as one keyed fingerprint; patients who are
known by nothing, or by the same, are numbered. Under which id a patient stands does not matter. Two sets differ
by at least as many patients as one has fingerprints that the other lacks: that number counts, so that it is never taken
for larger than it is. The digest that figures are rounded by is of these facts alone: the same records under another
key, in another database or after the memory began anew are rounded as before, so that nothing is left to subtract. It
is slow to work out [1], since whoever knows all other patients could try what the last one may be.

All is kept in a file beside the key (`memory_file`), which outlives the database. That a release was made is noted in
the database and beside the shared files, too: while the memory lacks one, nothing is shared. A key is made with an
empty memory, and says so: without any, what was shared is forgotten.

References
----------
[1] Percival C, Josefsson S. The scrypt password-based key derivation function. RFC 7914, 2016. Cited from memory.
"""

import dataclasses
import datetime as dt
import functools
import hashlib
import json
import secrets
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl

from pipeline.release.disclosure import SMALLEST
from pipeline.release.memory_file import (
    Marks,
    Memory,
    Release,
    memory_path,
    read_memory,
    refuse_forgotten,
    write_memory,
)
from pipeline.results import Results
from pipeline.results.records import FEW, NEAR, NEW, OFTEN, SAME, SET, WHY_KEPT, Records
from pipeline.storing.facts import HAPPENED, TELLING
from pipeline.storing.store import Store

PAGES, POOLING = "pages", "pooling"
MOST_SETS, WITHIN_DAYS = 3, 183
FEW_DAYS = 365
ROUNDINGS = 6
TRIES = 40
ALL = "all"
SECRET = "release_secret"
LATEST = "latest_release"
ROUNDED = "roundings_of_releases"
_MARK = 8  # bytes
_SLOW = 1 << 14  # some 50 ms and 16 MB a guess


@dataclass(frozen=True)
class Remembered:
    """The figures to share: made now (`new`), or on `made_on` from the same records, or standing as in `WHY_KEPT`.

    `note` says in a record which release of which practice they are, in digits that name nobody. `first` says that no
    earlier release is known, nor that there was none: the key says so, and no earlier output is another's.
    """

    figures: str
    made_on: dt.date
    standing: str
    note: str = field(default="", compare=False)
    first: bool = field(default=False, compare=False)

    def __post_init__(self) -> None:
        if self.standing not in (NEW, SAME, *WHY_KEPT):
            raise ValueError("figures are new, of the same records, or stand for a declared reason")


def records_of(store: Store) -> Records:
    """What the rounding of shared figures hangs on, of the records stored now."""
    by_year = store.facts.patients_by_year()
    return Records(_digest(_of_patients(store)), *store.facts.most_of_one(), patients_by_year=by_year)


def remembered(
    store: Store,
    results: Results,
    *,
    kind: str,
    key: Path,
    today: dt.date,
    make: Callable[[Results], str],
    readable: Callable[[str], bool],
    few_between: Callable[[Sequence[tuple[str, str]]], bool] = lambda _: False,
    seen: Iterable[str] = (),
) -> Remembered:
    """The figures of this kind to share; `make` makes those of the results given to it where none stand.

    Call it within a transaction. `seen` are the notes beside earlier output, of whatever practice. Figures that are no
    longer `readable`, of an earlier version, count as never made. New figures are rounded again where they would tell,
    with the earlier ones, of a `few_between`, which is given what rounds each set and its figures. Where that does not
    help, the latest stand.

    Raises DataError where the memory beside the key cannot be read or written, or lacks a release that is known to have
    been made.
    """
    path = memory_path(key)
    memory = read_memory(path)
    secret = _secret(store, key, memory)
    ours = hashlib.sha256(b"toothyears practice of releases\x1f" + secret).hexdigest()[:16]
    notes = [note.split(" ") for note in seen]
    made = [store.text(LATEST), *(i for of, i in notes if of in ("", ours))]
    refuse_forgotten(key, memory, filter(None, made))
    facts = _facts(store)
    marks = {what: _keyed(found, secret, "" if what == ALL else f"\x1f{what}") for what, found in facts.items()}
    digest, settings = _digest(facts[ALL]), _settings(results)
    apart = {kept: _apart(before, marks) for kept, before in memory.marks.items()}
    mine = [r for r in memory.releases if r.kind == kind and readable(r.figures)]
    found, standing = _standing(mine, apart, digest, settings, today)
    others = any(of not in ("", ours) for of, _ in notes)
    first = not memory.releases and (others or not memory.unused)
    if found is None:
        rounded = json.loads(store.text(ROUNDED) or "{}")
        rounded_by = _rounded_by(memory.releases, apart, digest, rounded)
        for n in range(TRIES):
            by = f"{rounded_by} {n}" if n else rounded_by
            figures = make(dataclasses.replace(results, records=dataclasses.replace(results.records, rounded_by=by)))
            if not few_between([*((r.rounded_by, r.figures) for r in mine), (by, figures)]):
                found = Release(kind, today, digest, settings, by, figures)
                memory = dataclasses.replace(memory, secret=secret.hex()).with_release(found, marks)
                write_memory(path, memory)
                store.save_text(ROUNDED, json.dumps({**rounded, digest: by}))
                break
        else:
            found, standing = mine[-1], FEW
    if store.text(LATEST) != (latest := memory.releases[-1].id):
        store.save_text(LATEST, latest)
    return Remembered(found.figures, found.made_on, standing, f"{ours} {found.id}", first)


def _standing(
    mine: Sequence[Release], apart: dict[str, dict[str, int]], digest: str, settings: str, today: dt.date
) -> tuple[Release | None, str]:
    """The earlier release whose figures stand, if any; `apart` is by how many patients each one's records differ.

    Of several the nearest, then one under these settings, then the latest.
    """
    near = [r for r in mine if apart[r.records][ALL] < SMALLEST]
    few = [r for r in mine if _since(r, today) < FEW_DAYS and _few(apart[r.records])]
    for held, why in ((near, NEAR), (few, FEW)):
        if held:
            found = min(reversed(held), key=lambda r: (apart[r.records][ALL], r.settings != settings))
            same = SAME if found.settings == settings else SET
            return found, same if found.records == digest else why
    often = [r for r in mine if _since(r, today) < WITHIN_DAYS]
    if len({r.records for r in often}) >= MOST_SETS:
        return often[-1], OFTEN
    return None, NEW


def _since(r: Release, today: dt.date) -> int:
    return (today - r.made_on).days


def _few(apart: dict[str, int]) -> bool:
    """Whether something happened to some more patients, or fewer, but to fewer than 11."""
    return any(0 < n < SMALLEST for what, n in apart.items() if what != ALL)


def _rounded_by(
    earlier: Sequence[Release], apart: dict[str, dict[str, int]], digest: str, rounded: dict[str, str]
) -> str:
    """By what figures of these records are rounded: see the module. The database knows it of what was `rounded`."""
    known = {r.records: r.rounded_by for r in earlier}
    if digest in known or digest in rounded:
        return {**rounded, **known}[digest]
    turns = list(dict.fromkeys(known.values()))[:ROUNDINGS]
    if len(turns) < ROUNDINGS or any(n[ALL] < SMALLEST for n in apart.values()):
        return f"{digest} 0"
    turns = [by for by in turns if by != earlier[-1].rounded_by]
    return turns[int(digest, 16) % len(turns)]


def _apart(before: Marks, now: Marks) -> dict[str, int]:
    """By how many patients two sets of records differ at least, in all and in each thing that happened."""
    return {what: max(_lacks(before[what], now[what]), _lacks(now[what], before[what])) for what in before.keys() & now}


def _lacks(some: pl.Series, of: pl.Series) -> int:
    """How many of `of` are not among `some`."""
    return int((~of.is_in(some.implode())).sum())


def _facts(store: Store) -> dict[str, pl.DataFrame]:
    """The fingerprints of patients: of all that is known of each, and of each thing that happened."""
    return {ALL: _of_patients(store)} | {what: store.facts.happened(what) for what in HAPPENED}


def _of_patients(store: Store) -> pl.DataFrame:
    return store.facts.of_patients(**json.loads(store.text(TELLING) or "{}"))


def _keyed(facts: pl.DataFrame, secret: bytes, what: str) -> pl.Series:
    found = (
        hashlib.blake2b(f"{fact}\x1f{i}{what}".encode(), key=secret, digest_size=_MARK).digest()
        for fact, patients in facts.iter_rows()
        for i in range(patients)
    )
    return pl.Series("mark", sorted({int.from_bytes(d, "big", signed=True) for d in found}), dtype=pl.Int64())


def _secret(store: Store, key: Path, memory: Memory) -> bytes:
    """What the fingerprints hang on: of the key of the pseudonyms, so that a database built anew gives the same ones.

    Without such a key one is drawn, and kept in the database. What was remembered is known by its own.
    """
    if memory.secret:
        return bytes.fromhex(memory.secret)
    kept = store.text(SECRET)
    if kept is None:
        try:
            told = key.read_bytes()
        except OSError:
            told = b""
        kept = hashlib.sha256(b"toothyears releases\x1f" + told).hexdigest() if told else secrets.token_hex(32)
        store.save_text(SECRET, kept)
    return bytes.fromhex(kept)


def _digest(facts: pl.DataFrame) -> str:
    """What knows the same records again, under whatever key."""
    told = "\n".join(sorted(f"{fact} {patients}" for fact, patients in facts.iter_rows()))
    return _slowly(hashlib.sha256(told.encode()).digest())


@functools.lru_cache(maxsize=64)
def _slowly(digest: bytes) -> str:
    return hashlib.scrypt(digest, salt=b"toothyears releases", n=_SLOW, r=8, p=1, dklen=32).hex()


def _settings(results: Results) -> str:
    told = {**results.rules, **results.analysis, **{f"program {k}": v for k, v in results.versions.items()}}
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()[:32]
