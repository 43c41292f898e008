"""Marks of the records behind a file: by them two files of one practice are known, and no patient is.

Each patient counts once, by the first day and tooth of his work that any pooled question counts; a public digest turns
that into 256 signs, and a mark is the sum of one sign over all patients (a random projection [1]). Two files of the
same patients thus have marks that go together, by as much as they share: a copy, a later export, a part of the practice
and a practice whose code and key are new are all known again. What two practices have by chance (a first crown on one
day on one tooth) is allowed for.

Noise of `NOISE` (standard deviation) is added to every mark, so that marks tell next to nothing of one patient even to
someone who knows all others: he moves the 256 marks of a set by 16 in all, less than the noise of one (Gaussian
differential privacy [2] of 0.8 a patient and set, 1.13 in all). A patient is marked once: later files repeat the
marks of earlier ones (`make.py`), and who comes later is in a further draw beside them. So however many files there
are, they tell of nobody more than the first that he is in. Readers add the draws up. To be known at all, practices
need some 200 patients.

Of k people who are all in a file or all not, they tell the root of k times as much: 3.6 of ten. That grows with the
root of how many marks there are and falls with the noise. Two files of n patients with s in common go together by
root(marks) s / (n + noise squared): of all marks and noises that tell as much of k, those with a noise of root(n) find
most doubles, and 20 is that of 400 patients. So nothing that tells less of a group finds as many.

References
----------
[1] Achlioptas D. Database-friendly random projections. J Comput Syst Sci 2003;66:671-687.
[2] Dong J, Roth A, Su WJ. Gaussian differential privacy. J R Stat Soc B 2022;84:3-37.
"""

import hashlib
import hmac
import itertools
import math
from collections.abc import Mapping, Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.release.disclosure import SMALLEST
from pipeline.release.pool.contribution import MARKS

NOISE = 20.0
DAYS = ("seat_date", "completed")  # the day from which a tooth counts, in the spells of one question or another
TEETH = ("tooth_fdi", "tooth_group")
# Days and teeth between which a first work falls by chance: of 5 years of 200 days and 20 teeth. Most have more.
PLACES = 20_000


def marks_of(spells: Mapping[str, pl.DataFrame], *, secret: bytes = b"", since: str = "") -> tuple[int, ...]:
    """Both sets of marks of the follow-up behind the questions; none where fewer than 11 patients have a known day.

    `spells` are rows with `patient_id, exit_days`, one of `DAYS` and one of `TEETH`. `secret` is known to the practice
    alone; noise hangs on it and on the records, so that the same records give the same marks. Patients count whose
    first day is in a month after `since`, as `2025-12`.
    """
    told = [t for t in (_told(frame) for frame in spells.values()) if t is not None]
    if not told:
        return ()
    order = ("patient_id", "day", "tooth", "days")
    first = pl.concat(told).drop_nulls().sort(order).unique("patient_id", keep="first")
    first = first.filter(pl.col("day").dt.strftime("%Y-%m") > since)
    sets = (_set(first.select(pl.format("{} {}", what, "tooth")).to_series(), secret) for what in ("day", "days"))
    return tuple(itertools.chain(*sets)) if first.height >= SMALLEST else ()


def _set(works: pl.Series, secret: bytes) -> list[int]:
    """The marks of what each patient is known by."""
    works = works.sort()
    digests = [
        hashlib.blake2b(work.encode(), digest_size=MARKS // 8, person=b"pooling marks").digest() for work in works
    ]
    bits = np.unpackbits(np.frombuffer(b"".join(digests), np.uint8).reshape(-1, MARKS // 8), axis=1)
    summed = 2 * bits.sum(axis=0, dtype=np.int64) - len(works)
    seed = hmac.new(secret, "\n".join(works).encode(), "sha256").digest()
    noise = np.random.default_rng(np.frombuffer(seed, np.uint32)).normal(0, NOISE, MARKS)
    return [int(n) for n in np.rint(summed + noise)]


def draws_of(marks: Sequence[int]) -> NDArray[np.float64]:
    """The marks of a file with a draw a row, each of both sets; those of an earlier version have one set alone."""
    return np.asarray(marks, np.float64).reshape(-1, min(len(marks), 2 * MARKS) or 1)


def sets_of(one: Sequence[int], other: Sequence[int]) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """The sets of marks that two files both have, with a draw a row."""
    a, b = draws_of(one), draws_of(other)
    both = min(a.shape[1], b.shape[1]) if a.size and b.size else 0
    return [(a[:, i : i + MARKS], b[:, i : i + MARKS]) for i in range(0, both, MARKS)]


def go_together(one: NDArray[np.float64], other: NDArray[np.float64]) -> float | None:
    """By how many standard errors two sets of marks go together, beyond what practices of their sizes have in common.

    None where one of them is all zeros. Sets have a draw a row, here and below.
    """
    a, b = one.sum(axis=0), other.sum(axis=0)
    lengths = float(np.linalg.norm(a) * np.linalg.norm(b))
    if lengths == 0:
        return None
    return math.sqrt(len(a)) * (float(a @ b) - len(a) * _by_chance(one, other)) / lengths


def shared_patients(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """Which share of the smaller file's patients is about in the other one, where their marks go together."""
    together = float(one.sum(axis=0) @ other.sum(axis=0)) / one.shape[1]
    both = max(0.0, together - _by_chance(one, other))
    return float(min(1.0, both / max(1.0, min(patients_of(one), patients_of(other)))))


def _by_chance(one: NDArray[np.float64], other: NDArray[np.float64]) -> float:
    """How many first works two practices of these sizes have in common by chance."""
    return patients_of(one) * patients_of(other) / PLACES


def spread_of(draws: NDArray[np.float64]) -> float:
    """The mean of the squares: each patient adds 1, the noise of each draw its own."""
    return float(np.mean(draws.sum(axis=0) ** 2)) if draws.size else 0.0


def patients_of(draws: NDArray[np.float64]) -> float:
    """About how many patients there are; none where there are no marks."""
    return max(0.0, spread_of(draws) - len(draws) * NOISE**2)


def _told(spells: pl.DataFrame) -> pl.DataFrame | None:
    day = next((c for c in DAYS if c in spells.columns), None)
    tooth = next((c for c in TEETH if c in spells.columns), None)
    if day is None or tooth is None:
        return None
    told = spells.select(
        pl.col("patient_id").cast(pl.String),
        pl.col(day).cast(pl.Date).alias("day"),
        pl.col(tooth).cast(pl.String).alias("tooth"),
        pl.col("exit_days").cast(pl.Float64).round().cast(pl.Int64).alias("days"),
    )
    # A crown stands in a row for each state that it was in.
    return told.group_by("patient_id", "day", "tooth").agg(pl.col("days").max())
