"""What rows and files show of one another: each ledger here was right, and one thing was done to it that no heading
tells. The others are held to be asked nothing by `test_signs`."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from pathlib import Path

import polars as pl
import pytest

from pipeline.practice.settings import ACCEPTABLE, Settings
from pipeline.reading.config import code_table, load_settings
from pipeline.reading.doubts import Doubt, Seen, find_doubts, rows_held
from pipeline.reading.doubts.people import cut_by_patient
from pipeline.reading.doubts.rows_held import OfFiles, RowsHeld, Sampled, together_held
from pipeline.reading.doubts.whole_export import selection_doubts
from pipeline.stages.checks.look import look_at
from tests.doubts.test_signs import DAY, TODAY, TOML, some, work_done

Ledger = pl.DataFrame
CHART = pl.col("Chart").str.extract(r"(\d+)").cast(pl.Int64)
# All work has a clinician: a hygienist where it had none.
HYGIENIST = "HY"


@pytest.fixture(scope="module")
def ledger(tmp_path_factory: pytest.TempPathFactory) -> Ledger:
    return by_clinicians(work_done(tmp_path_factory.mktemp("practice")))


def by_clinicians(rows: Ledger) -> Ledger:
    return rows.with_columns(Dr=pl.col("Dr").fill_null(HYGIENIST), Row=pl.int_range(pl.len()))


def numbers_given_out_again(rows: Ledger) -> Ledger:
    again = (CHART % 5 == 0) & (dt.date(2015, 1, 1) <= DAY)
    return rows.with_columns(Age=DAY.dt.year() - 1950 + CHART % 9 - pl.when(again).then(35).otherwise(0))


def two_clinics(rows: Ledger) -> Ledger:
    """A second clinic with other dentists, whose patients have numbers of the first."""
    south = rows.with_columns(
        Dr=pl.when(pl.col("Dr") == HYGIENIST).then("Dr").otherwise(pl.lit("S") + pl.col("Dr")),
        Chart=pl.col("Chart")
        .reverse()
        .replace(dict(zip(rows["Chart"].unique().sort(), rows["Chart"].unique().sort().reverse(), strict=True))),
        Entry=pl.lit("S-") + (pl.col("Row") + 50_000).cast(pl.String),
    )
    return pl.concat([rows.with_columns(Entry=pl.lit("N-") + (pl.col("Row") + 50_000).cast(pl.String)), south])


def households(rows: Ledger) -> Ledger:
    letters = pl.Series("letters", list("ABCDEFGHJKLMNPRS"))
    named = {n: letters[(n * 7 + n // 3) % len(letters)] for n in range(2_000)}
    return rows.with_columns(
        Chart=pl.format("F{}", CHART // 3), For=CHART.replace_strict(named, return_dtype=pl.String)
    )


def moved_to_other_numbers(rows: Ledger) -> Ledger:
    """Every fifth patient goes on under a number of 9000 and more, as the last row under the old one says."""
    since = dt.date(2014, 6, 1)
    is_moved = CHART % 5 == 0
    new = pl.when(is_moved & (since <= DAY)).then(pl.format("9{}", CHART + 100)).otherwise(CHART.cast(pl.String))
    rows = rows.with_columns(Note=pl.lit("ok"), number=CHART).with_columns(Chart=new)
    both = rows.filter(pl.col("number") % 5 == 0, since <= DAY)["number"].unique()
    old = rows.filter(pl.col("number").is_in(both.implode()), since > DAY).sort("Date").unique("number", keep="last")
    notes = old.with_columns(
        Code=pl.lit("NOTE"),
        Tooth=None,
        Fee=None,
        Note=pl.format("same person as 9{}, use that", pl.col("number") + 100),
    )
    return pl.concat([rows, notes], how="vertical_relaxed").drop("number")


def planned_at_midnight(rows: Ledger) -> Ledger:
    times = pl.format(" {}:{}", 8 + pl.col("Row") % 9, (10 + pl.col("Row") % 50))
    clock = rows.with_columns(Date=DAY.dt.to_string() + times.str.replace(r" (\d):", " 0$1:"))
    major = rows.filter(
        pl.col("Tooth").is_not_null(), pl.col("Code").is_in(["D2740", "D3330", "D2330", "D2391", "D2750"])
    )
    plans = major.filter(some(major, 0.3)).with_columns(
        Date=DAY.dt.offset_by("-9d").dt.to_string() + " 00:00", Chart=pl.lit("A9") + pl.col("Chart").str.slice(2)
    )
    return pl.concat([clock, plans])


def planned_by_no_one(rows: Ledger) -> Ledger:
    return planned(rows, Date=DAY.dt.offset_by("-9d"), Dr=pl.lit(None, pl.String))


def planned(rows: Ledger, **form: pl.Expr) -> Ledger:
    """Some of the work that marks teeth once more, planned, in a form of its own."""
    major = rows.filter(
        pl.col("Tooth").is_not_null(), pl.col("Code").is_in(["D2740", "D3330", "D2330", "D2391", "D2750"])
    )
    plans = major.filter(some(major, 0.3)).with_columns(Chart=pl.lit("A9") + pl.col("Chart").str.slice(2), **form)
    return pl.concat([rows, plans], how="vertical_relaxed")


def planned_in_small_letters(rows: Ledger) -> Ledger:
    return planned(rows, Code=pl.col("Code").str.to_lowercase())


def planned_in_brackets(rows: Ledger) -> Ledger:
    return planned(rows, Tooth=pl.format("({})", "Tooth"))


def estimates_among_claims(rows: Ledger) -> Ledger:
    return planned(
        rows.with_columns(Claim=pl.format("C19-{}", pl.col("Row"))), Claim=pl.format("P19-{}", pl.col("Row"))
    )


def entered_on_fridays(rows: Ledger) -> Ledger:
    late = DAY.dt.truncate("1w").dt.offset_by("4d")
    return rows.with_columns(Date=pl.when(pl.col("Dr") == "AR1").then(late).otherwise(DAY))


def months_until_2012(rows: Ledger) -> Ledger:
    return rows.with_columns(Date=pl.when(DAY.dt.year() <= 2012).then(DAY.dt.truncate("1mo")).otherwise(DAY))


def one_office_by_month_end(rows: Ledger) -> Ledger:
    south = CHART % 3 == 0
    end = DAY.dt.month_end().dt.add_business_days(0, roll="backward")
    return rows.with_columns(
        Office=pl.when(south).then(pl.lit("South")).otherwise(pl.lit("North")),
        Date=pl.when(south).then(end).otherwise(DAY),
    )


def slid_by_a_row(rows: Ledger) -> Ledger:
    within = pl.col("Row").is_between(1_000, 1_600)
    return rows.with_columns(Tooth=pl.when(within).then(pl.col("Tooth").shift(1)).otherwise("Tooth"))


def joined_by_visit(rows: Ledger) -> Ledger:
    """Codes and teeth of a day put together; of one tooth nothing changes."""
    on_teeth = rows.drop_nulls("Tooth")
    # A filling on the tooth beside each crown and root canal makes visits of two teeth.
    beside = on_teeth.filter(
        pl.col("Tooth").is_in([str(n) for n in range(2, 30)]), pl.col("Row") % 3 == 0
    ).with_columns(Code=pl.lit("D2330"), Tooth=(pl.col("Tooth").cast(pl.Int64) + 1).cast(pl.String))
    work = pl.concat([on_teeth, beside])
    joined = work.drop("Tooth").join(work.select("Chart", "Date", "Tooth").unique(), on=["Chart", "Date"])
    return pl.concat([rows.filter(pl.col("Tooth").is_null()), joined.select(rows.columns)])


def own_dentist(rows: Ledger) -> Ledger:
    own = pl.format("AR{}", CHART % 5 + 1)
    return rows.with_columns(Dr=own, Seen=pl.when(pl.col("Dr") != own).then("Dr"))


def billed_by_the_owner(rows: Ledger) -> Ledger:
    """The practice was sold in 2014, and who did the work stands with an assistant in a column of its own."""
    team = pl.format("{}/{}", pl.col("Dr").str.to_lowercase(), pl.col("Row") % 3)
    return rows.with_columns(
        Dr=pl.when(dt.date(2014, 1, 1) > DAY).then(pl.lit("OA")).otherwise(pl.lit("OB")), Team=team
    )


def stages_behind_codes(rows: Ledger) -> Ledger:
    is_crown = pl.col("Code").str.starts_with("D27")
    crowns = rows.filter(is_crown)
    prepared = crowns.with_columns(DAY.dt.offset_by("-16d"), Code=pl.col("Code") + ".1")
    seated = rows.with_columns(Code=pl.when(is_crown).then(pl.col("Code") + ".2").otherwise("Code"))
    return pl.concat([seated, prepared])


def days_moved(rows: Ledger) -> Ledger:
    return rows.with_columns(Weeks=CHART * 37 % 121 - 60)


def numbered_members(rows: Ledger) -> Ledger:
    family = CHART // 3
    return rows.with_columns(Chart=pl.format("A{}", family), Of=CHART.rank("dense").over(family))


def credited(rows: Ledger) -> Ledger:
    """Some work is taken back three days later, under a word that seems to say that the row alone is nothing."""
    charged = rows.filter(pl.col("Code").is_in(["D2740", "D3330", "D2330", "D2391"]), pl.col("Fee").is_not_null())
    back = charged.filter(some(charged, 0.1)).with_columns(
        DAY.dt.offset_by("3d"), Fee=pl.format("-{}", "Fee"), Status=pl.lit("CN")
    )
    done = rows.with_columns(Fee=pl.col("Fee").cast(pl.String), Status=pl.lit("C"))
    return pl.concat([done, back], how="vertical_relaxed")


DAMAGED: dict[str, tuple[Callable[[Ledger], Ledger], str]] = {
    "numbers given out again": (numbers_given_out_again, "several_birth_dates"),
    "two clinics by letters of entries": (two_clinics, "numbering"),
    "a household's number with initials": (households, "dependants"),
    "notes that name another number": (moved_to_other_numbers, "merged_patients"),
    "planned work at midnight": (planned_at_midnight, "only_on_treatments"),
    "planned work without a clinician": (planned_by_no_one, "only_on_treatments"),
    "planned work in small letters": (planned_in_small_letters, "only_on_treatments"),
    "planned work in brackets": (planned_in_brackets, "only_on_treatments"),
    "estimates among claims": (estimates_among_claims, "only_on_treatments"),
    "one dentist enters on Fridays": (entered_on_fridays, "days_of_entry"),
    "months alone in the first years": (months_until_2012, "one_day_of_the_month"),
    "one office sends in at the end of the month": (one_office_by_month_end, "one_day_of_the_month"),
    "teeth that slid by a row": (slid_by_a_row, "column_slid"),
    "codes and teeth joined by visit": (joined_by_visit, "joined_by_visit"),
    "the patient's own dentist": (own_dentist, "treating_clinician"),
    "all billed in the owner's name": (billed_by_the_owner, "treating_clinician"),
    "visits as ends of codes": (stages_behind_codes, "code_ends"),
    "days moved patient by patient": (days_moved, "days_moved"),
    "members of a family by number": (numbered_members, "dependants"),
    "credits that are taken for void": (credited, "below_zero"),
}
STATUS = 'columns.status = "Status"\nvalues.status = { C = "completed", CN = "void" }\n'
MORE = {
    "one office sends in at the end of the month": 'columns.site_id = "Office"\n',
    "credits that are taken for void": STATUS,
}


def looked_at(files: Mapping[str, Ledger], folder: Path, more: str, practice: str) -> tuple[list[Seen], Settings]:
    for name, rows in files.items():
        days = rows if rows.schema["Date"] == pl.String else rows.with_columns(pl.col("Date").dt.to_string())
        days.drop("Row", strict=False).write_csv(folder / name)
    toml = TOML.replace("ledger.csv", "ledger*.csv").replace("[practice]", f"[practice]\n{practice}")
    (folder / "practice.toml").write_text(toml + more, encoding="utf-8")
    settings = load_settings(folder / "practice.toml")
    look = look_at(settings, "procedures", code_table(settings), today=TODAY, say=lambda _: None)
    return look.seen, settings


def asked(files: Mapping[str, Ledger], folder: Path, more: str = "", practice: str = "") -> dict[str, Doubt]:
    return {doubt.id: doubt for doubt in find_doubts(*looked_at(files, folder, more, practice))}


@pytest.mark.one_in(3)
@pytest.mark.parametrize("damage", DAMAGED)
def test_what_rows_show_of_one_another_is_asked(ledger: Ledger, damage: str, tmp_path: Path):
    make, doubt = DAMAGED[damage]
    assert doubt in asked({"ledger.csv": make(ledger)}, tmp_path, MORE.get(damage, ""))


@pytest.mark.parametrize(
    ("make", "column", "pattern"),
    [
        (planned_in_small_letters, "Code", "[a-z]"),
        (planned_in_brackets, "Tooth", "(*"),
        (estimates_among_claims, "Claim", "p*"),
    ],
)
def test_the_line_that_is_offered_takes_the_plans_out(
    ledger: Ledger, make: Callable[[Ledger], Ledger], column: str, pattern: str, tmp_path: Path
):
    rows = make(ledger)
    marks = f'status_from.{column} = {{ "{pattern}" = "planned" }}\n'
    doubt = asked({"ledger.csv": rows}, tmp_path)["only_on_treatments"]
    assert f'status_from."{column}" = {{ "{pattern}" = "planned" }}' in doubt.answers[0]
    seen, settings = looked_at({"ledger.csv": rows}, tmp_path, marks, "")
    assert find_doubts(seen, settings) == []
    plain = looked_at({"ledger.csv": ledger}, tmp_path, "", "")[0]
    assert [one.held.height for one in seen if one.held] == [one.held.height for one in plain if one.held]


def test_nothing_is_asked_of_a_ledger_whose_work_has_clinicians(ledger: Ledger, tmp_path: Path):
    assert not asked({"ledger.csv": ledger}, tmp_path)


@pytest.mark.parametrize(
    ("later", "found"),
    [
        (lambda rows: rows, False),
        (lambda rows: rows.filter(pl.col("Row") % 17 != 0), True),
        (lambda rows: rows.with_columns(DAY.dt.offset_by("3d")), True),
        (lambda rows: rows.with_columns(Chart=pl.format("Z{}", CHART)), False),
    ],
    ids=["a copy", "some deleted since", "posted three days later", "other patients"],
)
def test_files_of_one_time_are_asked_about_where_they_agree_in_part(
    ledger: Ledger, later: Callable[[Ledger], Ledger], found: bool, tmp_path: Path
):
    first = ledger.filter(dt.date(2016, 1, 1) > DAY)
    second = later(ledger.filter(dt.date(2012, 1, 1) <= DAY))
    doubts = asked({"ledger1.csv": first, "ledger2.csv": second}, tmp_path)
    assert ("files_overlap" in doubts) == found
    if found:
        line = doubts["files_overlap"].answers[0][1]
        assert "files_overlap" not in asked({"ledger1.csv": first, "ledger2.csv": second}, tmp_path, line)


def test_the_lines_that_are_offered_settle_it(ledger: Ledger, tmp_path: Path):
    stages, credits = {"ledger.csv": stages_behind_codes(ledger)}, {"ledger.csv": credited(ledger)}
    line = asked(stages, tmp_path)["code_ends"].answers[0][1]
    assert "code_ends" not in asked(stages, tmp_path, line)
    line = asked(credits, tmp_path, STATUS)["below_zero"].answers[0][1]
    assert line == 'values.status."CN" = "completed"'
    assert "below_zero" not in asked(credits, tmp_path, STATUS.replace("void", "completed"))


@pytest.mark.parametrize("form", ["%Y-%m-%d", "%d/%m/%Y"])
def test_days_of_one_file_that_are_told_in_the_time_of_greenwich(ledger: Ledger, form: str, tmp_path: Path):
    """In summer an Irish midnight is of the day before: its days are a day early, and its Mondays Sundays."""
    since = dt.date(2014, 1, 1)
    midnight = DAY.cast(pl.Datetime).dt.replace_time_zone("Europe/Dublin").dt.convert_time_zone("UTC")
    later = ledger.filter(since <= DAY).with_columns(Date=midnight.dt.date())
    files = {"ledger1.csv": ledger.filter(since > DAY), "ledger2.csv": later}
    files = {name: rows.with_columns(DAY.dt.strftime(form)) for name, rows in files.items()}
    doubt = asked(files, tmp_path)["days_of_one_file"]
    line = next(answer for _, answer, _ in doubt.answers if "midnights" in answer)
    assert 'of_file."ledger2.csv"' in line
    seen, settings = looked_at(files, tmp_path, line, 'time_zone = "Europe/Dublin"\n')
    assert "days_of_one_file" not in {found.id for found in find_doubts(seen, settings)}
    days = pl.concat([one.held.frame["day"] for one in seen if one.held is not None])
    assert set(days) <= set(ledger["Date"])
    assert (days.dt.weekday() <= 5).all()


def test_what_can_be_accepted_has_its_word():
    assert {doubt for _, doubt in DAMAGED.values()} - {"numbering"} <= set(ACCEPTABLE)


def test_letters_before_the_numbers_of_entries_part_the_patients_of_clinics(ledger: Ledger, tmp_path: Path):
    files, told = {"ledger.csv": two_clinics(ledger)}, 'clinic_letters = "Entry"\n'
    seen, settings = looked_at(files, tmp_path, told, 'numbering = "per clinic"\n')
    people = seen[0].who.people["id"].unique()
    assert people.len() == 2 * ledger["Chart"].n_unique()
    assert people.str.contains("^[NS]-").all()
    assert not find_doubts(seen, settings)


@pytest.mark.parametrize(
    ("ledger", "asks"),
    [(range(1, 81), True), (range(1, 100), False), (range(1, 101, 2), False), (range(21, 101), False)],
    ids=["stops at 80", "one came later", "half never came", "begins at 21"],
)
def test_a_ledger_by_patient_that_stops_before_the_list_does(ledger: range, asks: bool):
    people = {"procedures": ledger, "patients": range(1, 101)}
    frames = {table: pl.DataFrame({"id": [str(n) for n in of]}) for table, of in people.items()}
    assert bool(cut_by_patient(frames)) == asks


@pytest.mark.parametrize(
    ("line", "asks"),
    [
        ("Selection: patients seen since 07/01/2021", True),
        ("Filter: Amount >= 100.00", True),
        ("Active patients only", True),
        ("Auswahl: nur aktive Patienten", True),
        ("Selection: 01/01/2013 to 12/31/2022", False),
        ("Filter: none; all patients", False),
        ("Printed 01/09/2023 for Alder Row Dental", False),
    ],
)
def test_lines_above_the_headings_that_say_what_was_chosen_are_shown(line: str, asks: bool):
    found = selection_doubts("ledger.csv", [line])
    assert bool(found) == asks
    assert not any("2021" in doubt.evidence for doubt in found)


def test_of_many_files_a_bounded_number_of_rows_is_looked_at_and_of_each_patient_all(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(rows_held, "_MOST_TOGETHER", 300)
    blank = {name: pl.lit(None, type_) for name, type_ in rows_held.SCHEMA.items() if name != "patient"}
    patients = pl.int_range(200, eager=True).hash(0).alias("patient")
    rows = pl.DataFrame([patients]).with_columns(**blank)
    files = [RowsHeld(pl.DataFrame(), Sampled("patient", 300, pieces=[rows])) for _ in range(5)]
    held = together_held(files)
    assert 30 <= held.height == held.frame.height <= 300
    assert set(held.frame.group_by("patient").len()["len"]) == {5}


@pytest.mark.parametrize(
    ("pattern", "asks"), [("(*)", "no cell of that column"), ("1*", ""), ("*", "nearly all rows"), ("*9x*", "no cell")]
)
def test_a_pattern_that_marks_no_row_or_all_is_asked_about(ledger: Ledger, pattern: str, asks: str, tmp_path: Path):
    marks = f'status_from.Fee = {{ "{pattern}" = "planned" }}\n'
    doubt = asked({"ledger.csv": ledger}, tmp_path, marks).get("words_not_met")
    assert (doubt is not None) == bool(asks)
    assert asks in (doubt.evidence if doubt else "")


@pytest.mark.parametrize(
    ("line", "asks"),
    [
        ("Voided receipts: 10100; 10250; 10733; 11002", True),
        ("Printed receipts: 10100; 10250; 10733; 11002", False),
        ("Voided receipts: 90100; 90250; 90733", False),
    ],
)
def test_numbers_that_a_last_line_takes_back_are_asked_about(ledger: Ledger, line: str, asks: bool, tmp_path: Path):
    rows = ledger.with_columns(Receipt=10_000 + pl.col("Row"))
    _, settings = looked_at({"ledger.csv": rows}, tmp_path, "", "")
    with (tmp_path / "ledger.csv").open("a", encoding="utf-8") as file:
        file.write(line + "\n")
    seen = look_at(settings, "procedures", code_table(settings), today=TODAY, say=lambda _: None).seen
    found = [d for d in find_doubts(seen, settings) if d.id == "status_in_titles"]
    assert bool(found) == asks
    if asks:
        assert '4 of them stand in the column "Receipt", on 4 rows' in found[0].evidence
        assert found[0].answers[0][1] == 'status_from."Receipt" = { "<number>" = "void" }'


def drawn(keys: list[int]) -> pl.DataFrame:
    return pl.DataFrame({"id": pl.Series(keys, dtype=pl.Int64).hash(0)})


def test_a_sample_holds_all_rows_of_a_key_or_none_in_whatever_batches_they_come():
    keys = [n % 400 for n in range(1_200)]
    whole, parts = (Sampled("id", 500) for _ in range(2))
    whole.add(drawn(keys))
    for start in range(0, 1_200, 100):
        parts.add(drawn(keys[start : start + 100][::-1]))
    assert whole.one_in == parts.one_in == 4
    assert pl.concat(whole.pieces)["id"].sort().to_list() == pl.concat(parts.pieces)["id"].sort().to_list()
    assert set(pl.concat(whole.pieces)["id"].value_counts()["count"]) == {3}


def test_rows_that_are_alike_count_once_before_fewer_are_held():
    held = Sampled("id", 500, pl.DataFrame.unique)
    for _ in range(10):
        held.add(drawn(list(range(400))))
    held.settle()
    assert (held.one_in, held.height) == (1, 400)


def test_of_several_files_the_same_keys_are_held_and_a_file_begun_anew_counts_once():
    files = OfFiles(1_000)
    for name in ("a", "b", "b", "b", "c", "d"):
        files.begin(name, Sampled("id", 800)).add(drawn(list(range(600))))
    files.begin("e", Sampled("id", 800))
    kept = [set(pl.concat(one.pieces)["id"]) for one in files.files.values() if one.pieces]
    assert len(kept) == 4
    assert all(ids == kept[0] for ids in kept)
    assert files.one_in == 4
    assert 500 <= sum(map(len, kept)) <= 1_000
