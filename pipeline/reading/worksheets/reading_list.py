"""Films to be read blind: which, in what order, some of them twice, and how a filled-in line leads back to its film.

A reader who knows how a tooth was treated, or when, sees what was hoped for. So a sheet names neither patient nor day,
and its order says nothing; who made it hands the films over in that order by the key, which is kept apart.
"""

from collections.abc import Callable, Iterable, Sequence

import polars as pl

from pipeline.transforms.readings import FILM

Digest = Callable[[Iterable[str]], list[bytes]]
# One film in so many is read twice by each reader, and so many lines at least lie between the two readings where there
# are enough films (common practice, no source): a reader does not remember the first.
REPEAT_ONE_IN, APART = 10, 20
KEY_COLUMNS = ("line", "reader", "reading", "patient_id", "tooth", "exam_date")
PAI_WORDS = ("1", "2", "3", "4", "5")
UNREADABLE = "cannot be read"


def films_of_root_canals(courses: pl.DataFrame, findings: pl.DataFrame) -> pl.DataFrame:
    """Films to read: one row per film that was read before, of a tooth whose root canal was completed here.
    `patient_id, tooth_fdi, exam_date`. Films from before treatment are among them: to a reader they are films."""
    done = courses.filter(pl.col("completed").is_not_null()).select("patient_id", "tooth_fdi").unique()
    read = findings.filter(pl.col("pai").is_not_null(), ~pl.col("supernumerary").fill_null(False))
    return read.select(FILM).unique().join(done, on=["patient_id", "tooth_fdi"], how="semi").sort(FILM)


def teeth_of_root_canals(courses: pl.DataFrame, *, recall_months: int) -> pl.DataFrame:
    """Teeth whose latest film is to be found: one row per tooth, its root canal completed here and followed since for
    `recall_months`. Columns as in `films_of_root_canals`, without a day: whoever collects the films writes it down."""
    due = pl.col("exit_date") >= pl.col("completed").dt.offset_by(f"{recall_months}mo")
    teeth = courses.filter(due.fill_null(False)).select("patient_id", "tooth_fdi").unique()
    return teeth.with_columns(exam_date=pl.lit(None, pl.Date)).sort(FILM[:2])


def reading_lines(
    films: pl.DataFrame, readers: Sequence[str], digest: Digest, *, seed: int = 1, most: int | None = None
) -> pl.DataFrame:
    """The lines of each reader's sheet, in their order.

    `films` has `FILM`, each film once; `exam_date` may be null. `digest` gives keyed digests of texts: the order hangs
    on them, so that nobody without the practice's key can work it out, and neither on the order of the rows nor on
    chance. Another `seed` gives another order, other repeats and, with `most` films, the same for all readers, another
    sample.

    Columns: `line, reader, reading, patient_id, tooth_fdi, exam_date`. `reading` is 2 where the reader has had the film
    before. Of each reader's films one in `REPEAT_ONE_IN` (one at least from 3 on) is read twice, never twice running.
    """
    named = films.with_columns(name=pl.format("{}|{}|{}", *(pl.col(c).cast(pl.String).fill_null("") for c in FILM)))
    drawn = named.with_columns(place=_drawn(named["name"], digest, f"films|{seed}")).sort("place")
    drawn = drawn if most is None else drawn.head(most)
    return pl.concat([_lines_of(drawn.drop("place"), reader, digest, seed) for reader in sorted(set(readers))])


def _lines_of(films: pl.DataFrame, reader: str, digest: Digest, seed: int) -> pl.DataFrame:
    mine = films.with_columns(place=_drawn(films["name"], digest, f"order|{seed}|{reader}")).sort("place")
    names = mine["name"].to_list()
    order = _with_repeats(len(names), lambda texts: digest(f"again|{seed}|{reader}|{names[int(t)]}" for t in texts))
    met: set[int] = set()
    reading = [2 if n in met or met.add(n) else 1 for n in order]  # type: ignore[func-returns-value]
    # A letter first: a spreadsheet would take digits alone for a number or a day.
    mark = "f" + digest([f"list|{seed}|{reader}|" + "|".join(names)])[0].hex()[:6]
    return mine[order].select(
        line=pl.Series([f"{mark}-{n:04}" for n in range(1, len(order) + 1)], dtype=pl.String),
        reader=pl.lit(reader),
        reading=pl.Series(reading, dtype=pl.UInt8),
        patient_id="patient_id",
        tooth_fdi="tooth_fdi",
        exam_date="exam_date",
    )


def _with_repeats(films: int, digest: Digest) -> list[int]:
    """The places 0, 1, 2... with some of them a second time, at least so many lines later as there are films for."""
    if films < 3:
        return list(range(films))
    apart = min(APART, films // 3)
    # Only of these can the second reading stand so much later; they are a sample, for the order is one of chance.
    early = range(films - apart)
    drawn = sorted(early, key=lambda n: digest([str(n)])[0])[: max(round(films / REPEAT_ONE_IN), 1)]
    after: dict[int, list[int]] = {}
    for n in sorted(drawn):
        slots = films - (n + apart)
        after.setdefault(n + apart + int.from_bytes(digest([f"{n}"])[0][8:16]) % slots, []).append(n)
    return [place for n in range(films) for place in (n, *after.get(n, ()))]


def _drawn(names: pl.Series, digest: Digest, salt: str) -> pl.Series:
    return pl.Series([d.hex() for d in digest(f"{salt}|{name}" for name in names)], dtype=pl.String)
