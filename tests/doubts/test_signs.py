"""What is asked of a ledger that was damaged in one way, with nothing in its headings or words that tells; and nothing
of it as it was, nor of columns that hang on the patient or the code."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline.practice.settings import ACCEPTABLE
from pipeline.practice.teeth import teeth
from pipeline.reading.config import code_table, load_settings
from pipeline.reading.doubts import find_doubts
from pipeline.reading.doubts.signs import SIGNS
from pipeline.stages.checks.look import look_at
from synthetic_data.generate import simulate

TODAY = dt.date(2026, 1, 31)
MAJOR = ("D2740", "D2750", "D3310", "D3320", "D3330", "D7140", "D2391", "D2392", "D2950", "D2954", "D7210")
TOML = """
[practice]
tooth_notation = "universal"
[tables.procedures]
files = ["ledger.csv"]
columns.patient_id = "Chart"
columns.service_date = "Date"
columns.code = "Code"
columns.tooth = "Tooth"
columns.provider_id = "Dr"
columns.fee = "Fee"
"""
DAY = pl.col("Date")
MOLARS = ("2", "3", "14", "15", "18", "19", "30", "31")


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    return work_done(tmp_path_factory.mktemp("practice"))


def work_done(folder: Path) -> pl.DataFrame:
    """Work done in an invented practice that is shut on weekends; its files are made in a folder within the one
    given."""
    folder = folder / "simulated"
    simulate(folder, crowns=60, seed=5)
    rows = pl.concat([pl.read_csv(path, infer_schema=False) for path in sorted(folder.glob("exports/*.csv"))])
    rows = rows.unique("Entry No", maintain_order=True).filter(
        pl.col("Status") == "C", pl.col("Code").str.starts_with("D")
    )
    written = teeth()["universal"].implode()
    rows = rows.filter((pl.col("Th").fill_null("") == "") | pl.col("Th").is_in(written))
    rows = rows.with_columns(pl.col("Date").str.to_date("%m/%d/%Y"))
    shut = DAY.dt.weekday() > 5
    rows = rows.with_columns(pl.when(shut).then(DAY.dt.offset_by("-2d")).otherwise(DAY).alias("Date"))
    return rows.select(
        "Date", "Code", Chart="Chart No", Tooth="Th", Dr="Prov", Fee=pl.col("Amount").cast(pl.Float64)
    ).sort("Date")


def some(rows: pl.DataFrame, share: float) -> pl.Series:
    draw = random.Random(7)
    return pl.Series([draw.random() < share for _ in range(rows.height)])


def planned_weeks_before(rows: pl.DataFrame) -> pl.DataFrame:
    major = rows.filter(pl.col("Code").is_in(MAJOR))
    return pl.concat([rows, major.filter(some(major, 0.5)).with_columns(DAY.dt.offset_by("-23d"))])


def marked(heading: str, yes: str, no: str) -> Callable[[pl.DataFrame], pl.DataFrame]:
    return lambda rows: rows.with_columns(
        pl.when(some(rows, 0.1)).then(pl.lit(yes)).otherwise(pl.lit(no)).alias(heading)
    )


def filled_by_hand(rows: pl.DataFrame) -> pl.DataFrame:
    draw = random.Random(3)
    texts = ["".join(draw.choice("abcdefgh ") for _ in range(30)) if yes else "" for yes in some(rows, 0.05)]
    return rows.with_columns(pl.Series("Q", texts))


def extractions_that_were_never_done(rows: pl.DataFrame) -> pl.DataFrame:
    crowned = rows.filter(pl.col("Code").str.starts_with("D27"), pl.col("Fee") > 0)
    plans = crowned.filter(some(crowned, 0.3)).with_columns(DAY.dt.offset_by("-40d"), Code=pl.lit("D7140"))
    return pl.concat([rows, plans])


def copied_before(prefix: str, days: int) -> Callable[[pl.DataFrame], pl.DataFrame]:
    """Half of some rows again, so many days earlier."""

    def make(rows: pl.DataFrame) -> pl.DataFrame:
        of = rows.filter(pl.col("Code").str.starts_with(prefix), pl.col("Fee") > 0)
        return pl.concat([rows, of.filter(some(of, 0.5)).with_columns(DAY.dt.offset_by(f"-{days}d"))])

    return make


def without_molars(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.filter(~pl.col("Tooth").is_in(MOLARS).fill_null(False))


def molars_as_wisdom_teeth(rows: pl.DataFrame) -> pl.DataFrame:
    return rows.with_columns(
        pl.col("Tooth").replace(dict(zip(MOLARS, ["1", "1", "16", "16", "17", "17", "32", "32"], strict=True)))
    )


def entered_later(rows: pl.DataFrame) -> pl.DataFrame:
    draw = random.Random(4)
    later = pl.Series([day + dt.timedelta(draw.randint(0, 9)) for day in rows["Date"]])
    return rows.with_columns(later.alias("Date"), rows["Date"].alias("D2"))


def renumbered(rows: pl.DataFrame) -> pl.DataFrame:
    new = pl.col("Chart").str.replace("A", "B").str.reverse()
    return rows.with_columns(pl.when(pl.col("Date") > dt.date(2015, 6, 1)).then(new).otherwise(pl.col("Chart")))


def turned_about(rows: pl.DataFrame) -> pl.DataFrame:
    days = [dt.date(day.year, day.day, day.month) if day.day <= 12 else day for day in rows["Date"]]
    return rows.with_columns(pl.Series("Date", days))


def posted_again(rows: pl.DataFrame) -> pl.DataFrame:
    again = rows.filter(some(rows, 0.6)).with_columns(DAY.dt.offset_by("14d"), Dr=pl.lit(""))
    return pl.concat([rows, again])


def taken_back_by_sign(rows: pl.DataFrame) -> pl.DataFrame:
    paid = rows.filter(pl.col("Fee") > 0)
    back = paid.filter(some(paid, 0.05)).with_columns(Zz=-pl.col("Fee"))
    return pl.concat([rows.with_columns(Zz=pl.col("Fee")), back]).sort("Date")


def in_fdi(rows: pl.DataFrame) -> pl.DataFrame:
    fdi = dict(teeth().select("universal", pl.col("fdi").cast(pl.String)).iter_rows())
    return rows.with_columns(pl.col("Tooth").replace(fdi))


def default_tooth(rows: pl.DataFrame) -> pl.DataFrame:
    on_one = pl.col("Tooth").is_not_null() & (pl.int_range(pl.len()) % 5 < 3)
    return rows.with_columns(pl.when(on_one).then(pl.lit("8")).otherwise(pl.col("Tooth")).alias("Tooth"))


def right_half(rows: pl.DataFrame) -> pl.DataFrame:
    number = pl.col("Tooth").cast(pl.Int64, strict=False)
    return rows.filter(number.is_null() | number.is_between(1, 8) | number.is_between(25, 32))


def upper_right(rows: pl.DataFrame) -> pl.DataFrame:
    number = pl.col("Tooth").cast(pl.Int64, strict=False)
    return rows.with_columns(((number - 1) % 8 + 1).cast(pl.String).alias("Tooth"))


def paid_in_parts(rows: pl.DataFrame) -> pl.DataFrame:
    crowns = rows.filter(pl.col("Code").str.starts_with("D27"))
    return pl.concat([rows, *(crowns.with_columns(DAY.dt.offset_by(f"{n * 30}d")) for n in (1, 2))])


def charted_at_first(rows: pl.DataFrame) -> pl.DataFrame:
    first = rows.sort("Date").unique("Chart", keep="first", maintain_order=True).head(60)
    there = [
        first.with_columns(Code=pl.lit(code), Tooth=pl.lit(tooth), Fee=pl.lit(None, dtype=rows.schema["Fee"]))
        for code, tooth in (("D2740", "3"), ("D3330", "30"))
    ]
    return pl.concat([rows, *there], how="vertical_relaxed")


def charged_in_halves(rows: pl.DataFrame) -> pl.DataFrame:
    half = pl.when(pl.col("Code").str.starts_with("D27")).then(pl.col("Fee") / 2).otherwise(pl.col("Fee"))
    halves = rows.with_columns(Fee=half)
    crowns = halves.filter(pl.col("Code").str.starts_with("D27"), pl.col("Fee") > 0)
    return pl.concat([halves, crowns.filter(some(crowns, 0.9)).with_columns(DAY.dt.offset_by("23d"))])


def still_patients(rows: pl.DataFrame) -> pl.DataFrame:
    """Four times the patients of the last year, under numbers of their own."""
    still = rows.filter(DAY.max().over("Chart") >= DAY.max() - dt.timedelta(400))
    return pl.concat([still.with_columns(Chart=pl.format("{}{}", "Chart", pl.lit(letter))) for letter in "KLMN"])


DAMAGED: dict[str, tuple[Callable[[pl.DataFrame], pl.DataFrame], str]] = {
    "planned rows with no mark": (planned_weeks_before, "taken_out_twice"),
    "another program's rows, two weeks later": (posted_again, "restored_twice"),
    "a letter": (marked("F7", "K", "N"), "columns_not_read"),
    "a letter under a heading of groups": (marked("Category", "K", "N"), "columns_not_read"),
    "free text on some rows": (filled_by_hand, "columns_not_read"),
    "the day of entry": (entered_later, "two_days"),
    "days and months turned about": (turned_about, "days_and_months"),
    "each day one off": (lambda rows: rows.with_columns(DAY.dt.offset_by("-1d")), "work_on_sundays"),
    "days of summer one off": (
        lambda rows: rows.with_columns(
            pl.when(DAY.dt.month().is_between(4, 10)).then(DAY.dt.offset_by("-1d")).otherwise(DAY).alias("Date")
        ),
        "work_on_sundays",
    ),
    "months alone": (lambda rows: rows.with_columns(DAY.dt.truncate("1mo")), "one_day_of_the_month"),
    "no day above 12": (lambda rows: rows.filter(DAY.dt.day() <= 12), "no_day_after_the_twelfth"),
    "a year left out": (lambda rows: rows.filter(DAY.dt.year() != 2013), "months_missing"),
    "new numbers of patients": (renumbered, "patients_begin_anew"),
    "patients of the last year alone": (
        still_patients,
        "no_patient_left",
    ),
    "numbers of visits": (
        lambda rows: rows.with_columns(Chart=pl.struct("Chart", "Date").rank("dense").cast(pl.String)),
        "patients_seen_once",
    ),
    "fees of one office in cents": (
        lambda rows: rows.with_columns(Fee=pl.when(pl.col("Dr") == "AR2").then(pl.col("Fee") * 100).otherwise("Fee")),
        "fees_far_apart",
    ),
    "signed amounts": (taken_back_by_sign, "below_zero"),
    "teeth in FDI": (in_fdi, "tooth_classes"),
    "a tooth put in where none was named": (default_tooth, "work_on_one_tooth"),
    "teeth of the right half alone": (right_half, "quadrant_without_work"),
    "places without their quadrant": (upper_right, "teeth_in_one_quadrant"),
    "work on teeth alone": (lambda rows: rows.filter(pl.col("Code").is_in(MAJOR)), "only_work_on_teeth"),
    "extractions planned in place of crowns": (extractions_that_were_never_done, "treated_after_loss"),
    "crowns planned half a year before": (copied_before("D27", 200), "crowned_twice"),
    "crowns paid in parts": (paid_in_parts, "posted_in_parts"),
    "crowns charged in halves": (charged_in_halves, "crown_in_two_rows"),
    "crowns of others charted at the first visit": (charted_at_first, "free_at_first"),
    "root canals planned a year before": (copied_before("D33", 300), "filled_twice"),
    "no work on molars": (without_molars, "hardly_any_molars"),
    "molars read as wisdom teeth": (molars_as_wisdom_teeth, "wisdom_teeth"),
    "no extractions": (lambda rows: rows.filter(~pl.col("Code").str.starts_with("D7")), "no_tooth_lost"),
}


def asked(rows: pl.DataFrame, folder: Path, told: str = TOML) -> set[str]:
    rows.with_columns(pl.col("Date").dt.to_string()).write_csv(folder / "ledger.csv")
    (folder / "practice.toml").write_text(told, encoding="utf-8")
    settings = load_settings(folder / "practice.toml")
    look = look_at(settings, "procedures", code_table(settings), today=TODAY, say=lambda _: None)
    assert look.refusals == []  # a file that could not be read leaves nothing to ask about
    return {doubt.id for doubt in find_doubts(look.seen, settings)}


@pytest.mark.one_in(4)
@pytest.mark.parametrize("damage", DAMAGED)
def test_what_no_heading_tells_shows_in_the_ledger_as_a_whole(ledger: pl.DataFrame, damage: str, tmp_path: Path):
    make, sign = DAMAGED[damage]
    assert sign in asked(make(ledger), tmp_path)


def test_nothing_is_asked_of_a_ledger_that_is_right(ledger: pl.DataFrame, tmp_path: Path):
    draw = random.Random(1)
    payers = {chart: draw.choice("ABCD") * 2 for chart in sorted(set(ledger["Chart"]))}
    is_crown = pl.col("Code").is_in(["D2740", "D2750"])
    beside = ledger.with_columns(
        Kind=pl.col("Code").str.slice(0, 2),
        Px=pl.col("Chart").replace(payers),
        Shop=pl.when(is_crown).then(pl.lit("yes")).otherwise(pl.lit("")),
        Nr=pl.int_range(pl.len()),
    )
    # In one language these initials are short for an estimate.
    initials = ledger.with_columns(pl.col("Dr").replace({ledger["Dr"].mode()[0]: "KV"}))
    assert not asked(ledger, tmp_path)
    assert not asked(beside, tmp_path)
    assert not asked(initials, tmp_path)


def test_midnights_told_in_the_time_of_greenwich_are_mended(ledger: pl.DataFrame, tmp_path: Path):
    summer = DAY.cast(pl.Datetime).dt.replace_time_zone("Europe/Dublin").dt.convert_time_zone("UTC").dt.date()
    told = (
        TOML.replace("[practice]", '[practice]\ntime_zone = "Europe/Dublin"').strip() + '\nlate_stamps = "midnights"\n'
    )
    assert not asked(ledger.with_columns(summer.alias("Date")), tmp_path, told)


def test_every_sign_is_shown_by_a_damage_and_can_be_accepted():
    signs = {sign.id for sign in SIGNS}
    assert signs <= {sign for _, sign in DAMAGED.values()}
    assert signs <= set(ACCEPTABLE)
