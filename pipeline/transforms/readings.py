"""What the readers of films said: which reading of a film counts, how two readings pair, which films need a third."""

from collections.abc import Collection

import polars as pl

from pipeline.transforms.events import TOOTH

KEY = list(TOOTH)
FILM = [*KEY, "exam_date"]
SAME_READER, TWO_READERS, READER_NOT_TOLD = "same_reader", "two_readers", "reader_not_told"
PAIRS = (SAME_READER, TWO_READERS, READER_NOT_TOLD)


def films_read(findings: pl.DataFrame) -> pl.DataFrame:
    """What each film counts as: one row per tooth and day, `patient_id, tooth_fdi, recall_date, pai, symptomatic`.

    A reading without a number is a first reading. First readings count; second ones only where the film has no first.
    Of several readings by one reader the highest counts: a tooth with several roots takes its worst.

    Where several readers read a film, the agreed index counts: what they all say; of three or more the index that most
    say, and the middle one where all differ. That is the middle of the readings in their order, and of an even number
    the higher of the two in the middle: where two readers do not agree and no third has read the film, a lesion that
    one of them saw is not talked away. A reading that is noted as the second, though its reader gave no first one, is
    among them once three have read the film.

    Symptoms noted on that day by anyone count, also in a row without a film. Days without a reading have no row.
    """
    return (
        _own(findings)
        .group_by(*KEY, "exam_date", "reader")
        .agg(
            first=pl.col("pai").filter(_is_first()).max(),
            again=pl.col("pai").filter(~_is_first()).max(),
            symptomatic=pl.col("symptomatic").max(),
        )
        .with_columns(own=pl.coalesce("first", "again"))
        .group_by(*KEY, recall_date="exam_date")
        .agg(
            pai=pl.when(pl.col("own").count() > 2)
            .then(_middle("own"))
            .otherwise(pl.coalesce(_middle("first"), _middle("again"))),
            symptomatic=pl.col("symptomatic").max(),
        )
        .filter(pl.col("pai").is_not_null())
    )


def by_readers(findings: pl.DataFrame, readers: Collection[str]) -> pl.DataFrame:
    """`findings` with other readings left out of the films that any of `readers` read: their index is null.

    So films that none of them read stay as they are, the teeth judged stay the same, and symptoms stay. With one reader
    this is the analysis by that reader alone; with those who read blind, it leaves out who knew what had been done.
    """
    among = pl.col("reader").is_in(list(readers)).fill_null(False)
    theirs = findings.filter(among, pl.col("pai").is_not_null(), ~_extra()).select(FILM).unique()
    marked = findings.join(theirs.with_columns(theirs=True), on=FILM, how="left", maintain_order="left")
    other = pl.col("theirs").fill_null(False) & ~among & ~_extra()
    return marked.with_columns(pai=pl.when(~other).then("pai")).drop("theirs")


def co_readers(findings: pl.DataFrame) -> pl.DataFrame:
    """Who read films that another reader read too: `reader, films`, in the order of the names.

    Counted are films that at least two named readers read.
    """
    read = _own_by_reader(findings)
    shared = read.filter(pl.len().over(FILM) > 1)
    return shared.group_by("reader").agg(films=pl.len()).sort("reader")


def films_shared(findings: pl.DataFrame) -> int:
    """How many films at least two named readers read."""
    read = _own_by_reader(findings).group_by(FILM).len()
    return read.filter(pl.col("len") > 1).height


def films_that_differ(findings: pl.DataFrame) -> pl.DataFrame:
    """Films that two named readers read differently and no third has read: one row per film, its key as in findings."""
    read = _own_by_reader(findings).group_by(FILM).agg(readers=pl.len(), told=pl.col("pai").n_unique())
    return read.filter(pl.col("readers") == 2, pl.col("told") > 1).select(FILM).sort(FILM)


def paired_readings(findings: pl.DataFrame) -> pl.DataFrame:
    """Films that were read twice: one row per pair, `kind, patient_id, first, second` (PAI), kinds in `PAIRS`.

    - `same_reader`: one reader's first and second reading of a tooth on a day.
    - `two_readers`: the first that each of two readers gave; with three readers, each two of them. Which of the two
      stands in `first` means nothing.
    - `reader_not_told`: a first and a second reading that are in neither, since a reader is not named.

    `who` names the reader, or the two in the order of their names, null where one is not named. Several readings that
    agree in all of this (roots, repeated rows) count once, by the highest.
    """
    read = (
        _own(findings)
        .filter(pl.col("pai").is_not_null())
        .with_columns(again=~_is_first())
        .group_by(*FILM, "reader", "again")
        .agg(pl.col("pai").max())
    )
    once, twice = (read.filter(pl.col("again") == again).drop("again") for again in (False, True))
    same = once.join(twice, on=[*FILM, "reader"], suffix="_2").select(*FILM, first="pai", second="pai_2", who="reader")
    own = read.sort("again").unique([*FILM, "reader"], keep="first", maintain_order=True).drop("again")
    # A reader who is not named comes before nobody, and after nobody.
    two = own.join(own, on=FILM, suffix="_2").filter(pl.col("reader") < pl.col("reader_2"))
    both = pl.format("{} and {}", "reader", "reader_2")
    two = two.select(*FILM, first="pai", second="pai_2", who=both)
    worst = [part.group_by(FILM).agg(pl.col("pai").max()) for part in (once, twice)]
    rest = (
        worst[0]
        .join(worst[1], on=FILM, suffix="_2")
        .select(*FILM, first="pai", second="pai_2", who=pl.lit(None, pl.String))
    )
    rest = rest.join(pl.concat([same, two]), on=FILM, how="anti")
    parts = [part.with_columns(kind=pl.lit(kind)) for kind, part in zip(PAIRS, (same, two, rest), strict=True)]
    return pl.concat(parts).select("kind", "patient_id", "first", "second", "who").sort(pl.all())


def _is_first() -> pl.Expr:
    return pl.col("reading").fill_null(1) == 1


def _middle(column: str) -> pl.Expr:
    """The middle of the readers' values in their order; of an even number, the higher of the two in the middle."""
    told = pl.col(column).drop_nulls().sort()
    return told.get(told.len() // 2, null_on_oob=True)


def _own_by_reader(findings: pl.DataFrame) -> pl.DataFrame:
    """Each named reader's own first reading of each film, be it noted as the first or as the second of the film."""
    named = _own(findings).filter(pl.col("pai").is_not_null(), pl.col("reader").is_not_null())
    first, again = (pl.col("pai").filter(kept).max() for kept in (_is_first(), ~_is_first()))
    return named.group_by(*FILM, "reader").agg(pai=pl.coalesce(first, again))


def _extra() -> pl.Expr:
    # A supernumerary tooth bears the number of its neighbour.
    return pl.col("supernumerary").fill_null(False)


def _own(findings: pl.DataFrame) -> pl.DataFrame:
    return findings.filter(~_extra())
