"""Pure changes of a practice's files: each takes a practice and gives another."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import re
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal

import numpy as np
import polars as pl
from practice_files import Form, Practice

Change = Callable[[Practice], Practice]
DATES = (
    "service_date", "birth_date", "first_contact_date", "last_contact_date", "deceased_date", "prep_date", "seat_date",
    "exam_date", "event_date",
)  # fmt: skip
CLINICIANS = (("procedures", "provider_id"), ("findings", "reader"))
# Root canals, and what opens a tooth before one.
OPENING_CODES = ("D3310", "D3320", "D3330", "D3220", "D3221", "D3222", "D3332")
YEARS = 28  # after which a date falls on the same day of the week, and leap years are the same ones, until 2099


@dataclasses.dataclass(frozen=True)
class Opening:
    """A root canal through a crown: the tooth as the practice writes it, the days of seat, opening and completion.

    `moved_days` are those of its time as vital that become time as opened if it is moved to the day after the seat; 0
    for a crown that no figure counts.
    """

    patient: str
    tooth: str
    seat: dt.date
    on: dt.date
    until: dt.date
    moved_days: int


def in_turn(*changes: Change) -> Change:
    """One change after the other."""

    def change(practice: Practice) -> Practice:
        for one in changes:
            practice = one(practice)
        return practice

    return change


def shuffled(practice: Practice) -> Practice:
    """The rows of every file in another order."""
    rng = np.random.default_rng(28)
    return practice.each_table(lambda _, rows: rows[rng.permutation(rows.height)])


def columns_turned(practice: Practice) -> Practice:
    """Every file's columns in the reverse order, with a column before and one behind that nobody asks for."""
    return practice.each_table(
        lambda _, rows: rows.select(
            pl.lit("as seen, 1/2").alias("Remark"),
            *reversed(rows.columns),
            pl.int_range(pl.len()).cast(pl.String).alias("Balance"),
        )
    )


def written_otherwise(practice: Practice) -> Practice:
    """Other delimiters, line ends, quotation marks and encodings, some told and some to be found out."""
    forms = {
        "procedures": Form(delimiter=";", encoding="windows-1252", line_end="\r\n", told=True),
        "patients": Form(delimiter="\t", encoding="utf-16"),
        "endo_details": Form(delimiter="|", encoding="utf-8-sig", line_end="\r\n"),
        "crown_details": Form(quoted=True),
        "findings": Form(delimiter=";", encoding="utf-8-sig", quoted=True),
    }
    return dataclasses.replace(practice, forms=forms)


def renamed(names: Mapping[tuple[str, str], Mapping[str, str]]) -> Change:
    """Texts of fields, by table and field, replaced by others; those not mentioned stay."""

    def change(practice: Practice) -> Practice:
        def of_table(table: str, rows: pl.DataFrame) -> pl.DataFrame:
            for (of, name), instead in names.items():
                if of == table:
                    heading = practice.heading(table, name)
                    rows = rows.with_columns(pl.col(heading).replace(dict(instead)))
            return rows

        return practice.each_table(of_table)

    return change


def new_names(practice: Practice, *fields: tuple[str, str], made: Callable[[int], str]) -> dict[str, str]:
    """Another name for every text of these fields; `made` names the n-th in an order drawn by lot."""
    old = sorted({text for table, name in fields for text in practice.texts(table, name)})
    places = np.random.default_rng(len(old)).permutation(len(old))
    return {text: made(int(n)) for text, n in zip(old, places, strict=True)}


def of_patients(practice: Practice) -> list[tuple[str, str]]:
    """The fields that name a patient."""
    return [(table, "patient_id") for table in practice.files]


def patients_renamed(practice: Practice) -> Practice:
    """Every patient under another number, of another length and in another order."""
    names = new_names(practice, *of_patients(practice), made=lambda n: f"{7 * n + 13}-{n % 10}")
    return renamed(dict.fromkeys(of_patients(practice), names))(practice)


def patients_renamed_in_order(practice: Practice) -> Practice:
    """Every patient under another number, in the order that they were in."""
    old = sorted({text for table, name in of_patients(practice) for text in practice.texts(table, name)})
    names = {text: f"B{3 * n:09}" for n, text in enumerate(old)}
    return renamed(dict.fromkeys(of_patients(practice), names))(practice)


def entries_renumbered(practice: Practice) -> Practice:
    """Every entry of the ledger under another number, in another order."""
    names = new_names(practice, ("procedures", "procedure_id"), made=lambda n: f"E-{n}")
    return renamed({("procedures", "procedure_id"): names})(practice)


def clinician_names(practice: Practice) -> dict[str, str]:
    """Another name for every clinician, in the reverse order."""
    old = sorted({text for table, name in CLINICIANS for text in practice.texts(table, name)})
    return {text: f"ZQ{len(old) - n:02} Dr" for n, text in enumerate(old)}


def clinicians_renamed(practice: Practice) -> Practice:
    """Every clinician, treating or reading films, under another name."""
    return renamed(dict.fromkeys(CLINICIANS, clinician_names(practice)))(practice)


def clinic_names(practice: Practice) -> dict[str, str]:
    """Another name for every clinic, in the reverse order."""
    old = practice.texts("procedures", "site_id")
    return {text: f"Zürich {len(old) - n}" for n, text in enumerate(old)}


def clinics_renamed(practice: Practice) -> Practice:
    """Every clinic under another name."""
    return renamed({("procedures", "site_id"): clinic_names(practice)})(practice)


def another_key(practice: Practice) -> Practice:
    """Other pseudonyms, and with them another order of the patients."""
    return dataclasses.replace(practice, key=hashlib.sha256(b"another key").hexdigest())


def teeth_rewritten(rewrite: Callable[[str], str]) -> Change:
    """Every tooth, as the practice writes it, written otherwise."""

    def change(practice: Practice) -> Practice:
        names = {(t, "tooth"): {text: rewrite(text) for text in practice.texts(t, "tooth")} for t in practice.files}
        return renamed({field: texts for field, texts in names.items() if texts})(practice)

    return change


def _mirror(text: str) -> str:
    """A tooth in Universal notation, seen in a mirror: 1 to 16 and A to J above, 17 to 32 and K to T below.

    Numbers from 51 on are extra teeth beside those 50 below; what is no tooth stays what it is.
    """
    if text.isdigit() and (1 <= int(text) <= 32 or 51 <= int(text) <= 82):
        extra, n = (50, int(text) - 50) if int(text) > 50 else (0, int(text))
        return str(extra + (17 - n if n <= 16 else 49 - n))
    if re.fullmatch("[A-T]S?", text):
        n = ord(text[0]) - ord("A")
        return chr(ord("A") + (9 - n if n <= 9 else 29 - n)) + text[1:]
    return text


def _turn_over(text: str) -> str:
    """A tooth in Universal notation moved to the other jaw, on the same side."""
    if text.isdigit() and (1 <= int(text) <= 32 or 51 <= int(text) <= 82):
        extra, n = (50, int(text) - 50) if int(text) > 50 else (0, int(text))
        return str(extra + 33 - n)
    if re.fullmatch("[A-T]S?", text):
        return chr(ord("A") + 19 - (ord(text[0]) - ord("A"))) + text[1:]
    return text


mirrored: Change = teeth_rewritten(_mirror)
jaws_exchanged: Change = teeth_rewritten(_turn_over)


def _place(text: str) -> tuple[int, str, bool, bool] | None:
    """Quadrant 1 to 4, place from the midline, whether primary, whether extra; None where it is no tooth."""
    if text.isdigit() and (1 <= int(text) <= 32 or 51 <= int(text) <= 82):
        n = (int(text) - 1) % 50
        quadrant, along = divmod(n, 8)
        return quadrant + 1, str(8 - along if quadrant in (0, 2) else along + 1), False, int(text) > 50
    if re.fullmatch("[A-T]S?", text):
        quadrant, along = divmod(ord(text[0]) - ord("A"), 5)
        return quadrant + 1, str(5 - along if quadrant in (0, 2) else along + 1), True, len(text) == 2
    return None


def _as_fdi(text: str) -> str:
    place = _place(text)
    if place is None:  # some texts that are no tooth in Universal notation are one in FDI
        return "99" if text.isdigit() else text
    quadrant, along, primary, extra = place
    return f"{quadrant + 4 * primary}{along}" + "S" * extra


def _as_palmer(text: str) -> str:
    place = _place(text)
    if place is None:
        return text
    quadrant, along, primary, extra = place
    assert not extra, "Palmer's notation has no extra teeth"
    return ("UR", "UL", "LL", "LR")[quadrant - 1] + ("ABCDE"[int(along) - 1] if primary else along)


def in_fdi(practice: Practice) -> Practice:
    """All teeth written as two digits of ISO 3950."""
    return teeth_rewritten(_as_fdi)(practice).with_setting("practice", tooth_notation="fdi")


def without_extra_teeth(practice: Practice) -> Practice:
    """Rows of extra teeth left out: one of the notations cannot write them."""

    def of_table(table: str, rows: pl.DataFrame) -> pl.DataFrame:
        if "tooth" not in practice.settings["tables"][table]["columns"]:
            return rows
        tooth = pl.col(practice.heading(table, "tooth"))
        extra = [text for text in practice.texts(table, "tooth") if (place := _place(text)) and place[3]]
        return rows.filter(~tooth.is_in(extra).fill_null(False))

    return practice.each_table(of_table)


def in_palmer(practice: Practice) -> Practice:
    """All teeth written by quadrant and place from the midline."""
    return teeth_rewritten(_as_palmer)(practice).with_setting("practice", tooth_notation="palmer")


def joined(practice: Practice) -> Practice:
    """All exports of the ledger in one file."""
    return practice.with_files({"procedures": {"exports/whole ledger.csv": _ledger(practice)}})


def _ledger(practice: Practice) -> pl.DataFrame:
    return pl.concat(practice.files["procedures"].values())


def exports_of(years: int) -> Change:
    """The yearly exports of the ledger joined, so many to a file."""

    def change(practice: Practice) -> Practice:
        names = list(practice.files["procedures"])
        files = {
            names[n]: pl.concat([practice.files["procedures"][name] for name in names[n : n + years]])
            for n in range(0, len(names), years)
        }
        return practice.with_files({"procedures": files})

    return change


def split_by_clinician(practice: Practice) -> Practice:
    """Every export of the ledger in three: two of some clinicians each, and the rest."""
    who = practice.heading("procedures", "provider_id")
    first, second = (practice.texts("procedures", "provider_id")[n::3] for n in (0, 1))
    files = {}
    for name, rows in practice.files["procedures"].items():
        part = pl.when(pl.col(who).is_in(first)).then(1).when(pl.col(who).is_in(second)).then(2).otherwise(3)
        for (n,), some in rows.with_columns(part.alias("part")).group_by("part", maintain_order=True):
            files[f"{name.removesuffix('.csv')}-{n}.csv"] = some.drop("part")
    return practice.with_files({"procedures": files})


def one_file_twice(practice: Practice) -> Practice:
    """The longest export of the ledger a second time under another name, and a third time with its rows turned round.

    A copy of the same bytes is known as such; the one turned round is read, and every row of it is there already.
    """
    files = dict(practice.files["procedures"])
    longest = max(files, key=lambda name: files[name].height)
    files |= {"exports/a copy.csv": files[longest], "exports/turned round.csv": files[longest].reverse()}
    return practice.with_files({"procedures": files})


def overlapping(practice: Practice) -> Practice:
    """The ledger in two exports that hold some years both, by the year in which each row was posted."""
    years = practice.files["procedures"]
    names = list(years)
    early, late = names[: 6 * len(names) // 10], names[4 * len(names) // 10 :]
    files = {
        f"exports/{name}.csv": pl.concat([years[n] for n in some]) for name, some in (("early", early), ("late", late))
    }
    return practice.with_files({"procedures": files})


def moved_by_28_years(practice: Practice) -> Practice:
    """Every date, the data cut-off and today 28 years later."""

    def of_table(table: str, rows: pl.DataFrame) -> pl.DataFrame:
        told = practice.settings["tables"][table]["columns"]
        headings = [told[name] for name in DATES if name in told]
        texts = {text for h in headings for text in rows[h].drop_nulls()}
        later = {text: years_later(text) for text in texts}
        return rows.with_columns(pl.col(headings).replace(later))

    cutoff: dt.date = practice.settings["rules"]["data_cutoff"]
    moved = practice.each_table(of_table).with_setting("rules", data_cutoff=_years_later(cutoff))
    return dataclasses.replace(moved, today=_years_later(practice.today))


def years_later(text: str) -> str:
    """A text with every year in it 28 years later."""
    return re.sub(r"(?<!\d)(?:19|20)\d\d(?!\d)", lambda year: str(int(year[0]) + YEARS), text)


def _years_later(day: dt.date) -> dt.date:
    return day.replace(year=day.year + YEARS)


def fees_scaled(practice: Practice) -> Practice:
    """Every fee times 2.5: another currency. What is free stays free, and what is negative negative."""
    fees = {text: str(Decimal(text) * Decimal("2.5")) for text in practice.texts("procedures", "fee")}
    return renamed({("procedures", "fee"): fees})(practice)


def with_rows(practice: Practice, table: str, rows: Sequence[Mapping[str, str | None]]) -> Practice:
    """Rows, by our fields, put behind the last file of a table. Entries of the ledger without a number get one."""
    columns: Mapping[str, str] = practice.settings["tables"][table]["columns"]
    *_, (name, last) = practice.files[table].items()
    ours = {heading: field for field, heading in columns.items()}
    more = pl.DataFrame({h: pl.Series([row.get(ours[h]) for row in rows], dtype=pl.String) for h in last.columns})
    if table == "procedures":
        height = sum(rows.height for rows in practice.files[table].values())
        own = pl.Series([f"more-{height + n}" for n in range(more.height)], dtype=pl.String)
        more = more.with_columns(pl.col(columns["procedure_id"]).fill_null(own))
    return practice.with_files({table: {**practice.files[table], name: pl.concat([last, more])}})


def visits(practice: Practice) -> pl.DataFrame:
    """One row for each patient and day with completed work of any kind: `patient_id, service_date, provider_id`.

    In an order of the days, which hangs on no name.
    """
    fields = ("patient_id", "service_date", "provider_id", "status", "fee")
    rows = _ledger(practice).select(pl.col(practice.heading("procedures", f)).alias(f) for f in fields)
    return (
        rows.filter(pl.col("status") == "C", ~pl.col("fee").fill_null("0").str.starts_with("-"))
        .filter(pl.col("service_date").str.to_date("%m/%d/%Y", strict=False).is_not_null())
        .drop_nulls("patient_id")
        .unique(["patient_id", "service_date"], keep="first", maintain_order=True)
        .select("patient_id", "service_date", "provider_id")
    )


def others_added(count: int) -> Change:
    """So many patients more, who have been seen and cleaned and filled, and never had a crown or a root canal."""

    def change(practice: Practice) -> Practice:
        seen, people = [], []
        start = practice.settings["rules"]["data_cutoff"] - dt.timedelta(days=4000)
        for n in range(count):
            who, provider = f"A9{n:06}", practice.texts("procedures", "provider_id")[n % 3]
            days = [start + dt.timedelta(days=13 * n % 2000 + 180 * k) for k in range(3)]
            posted = [("D0120", None, None), ("D1110", None, None), ("D2391", str(1 + n % 32), "O")]
            seen += [
                {
                    "patient_id": who, "service_date": f"{day:%m/%d/%Y}", "code": code, "tooth": tooth,
                    "surface": surface, "provider_id": provider, "status": "C", "site_id": "North", "fee": "55",
                }
                for day, (code, tooth, surface) in zip(days, posted, strict=True)
            ]  # fmt: skip
            people.append(
                {"patient_id": who, "birth_date": f"03/0{1 + n % 9}/19{40 + n % 50}", "sex": "FM"[n % 2], "smoker": "N"}
            )
        return with_rows(with_rows(practice, "procedures", seen), "patients", people)

    return change


def _at_visits(practice: Practice, every: int, rows: Callable[[str], Sequence[Mapping[str, str | None]]]) -> Practice:
    """Rows at every so many-th visit, told the patient's tooth that they may name: one in turn."""
    more = [
        {**row, "patient_id": who, "service_date": day, "provider_id": provider}
        for n, (who, day, provider) in enumerate(visits(practice).iter_rows())
        if n % every == 0
        for row in rows(str(2 + n // every % 30))
    ]
    return with_rows(practice, "procedures", more)


def unrelated_added(practice: Practice) -> Practice:
    """X-rays and what no list knows, at visits that took place.

    No check-up: that would show the patient's other teeth to be there, and so move the day of a loss between visits.
    """
    codes = ("D0274", "D0330", "ZQ777")  # the last one is in no list
    return _at_visits(practice, 37, lambda _: [{"code": code, "status": "C", "fee": "12"} for code in codes])


def voided_added(practice: Practice) -> Practice:
    """Voided crowns, root canals, extractions and fillings on teeth of all kinds."""
    codes = ("D2740", "D3330", "D7140", "D2391", "D3346")
    return _at_visits(
        practice, 53, lambda tooth: [{"code": c, "tooth": tooth, "status": "X", "fee": "800"} for c in codes]
    )


def taken_back_added(practice: Practice) -> Practice:
    """Crowns, root canals and extractions on wrong teeth, posted and taken back on the same day.

    At a price that no other row has, so that each takes back its own.
    """
    codes = ("D2790", "D3320", "D7210")
    return _at_visits(
        practice,
        61,
        lambda tooth: [
            {"code": c, "tooth": tooth, "status": "C", "fee": f"{sign}7777"} for c in codes for sign in ("", "-")
        ],
    )


def after_the_cutoff_added(practice: Practice) -> Practice:
    """Visits, extractions and crowns of many patients between the data cut-off and today, on forty days."""
    days = [practice.settings["rules"]["data_cutoff"] + dt.timedelta(days=30 + n) for n in range(40)]
    crowns = _rows_of_crowns(practice)
    more = [
        {"patient_id": who, "service_date": day, "code": code, "tooth": tooth, "status": "C", "fee": "90"}
        for n, (who, tooth) in enumerate(crowns)
        for day in (f"{days[n % 40]:%m/%d/%Y}",)
        for code in (("D0120", "D7140") if n % 2 else ("D0120", "D2740"))
    ]
    more = [{**row, "tooth": None} if row["code"] == "D0120" else row for row in more]
    return with_rows(practice, "procedures", more)


def _rows_of_crowns(practice: Practice) -> list[tuple[str, str]]:
    """Patient and tooth of every ninth crown that was posted under one of two codes."""
    rows = _ledger(practice).select(
        pl.col(practice.heading("procedures", f)).alias(f) for f in ("patient_id", "tooth", "code")
    )
    crowns = rows.filter(pl.col("code").is_in(["D2750", "D2740"])).drop_nulls().select("patient_id", "tooth")
    return list(crowns.unique(maintain_order=True).gather_every(9).iter_rows())


def beside(practice: Practice, other: Practice) -> Practice:
    """Two practices as one: the files of both, under the settings of the first. They must share no name."""
    files = {t: {**practice.files[t], **{f"other/{f}": r for f, r in of.items()}} for t, of in other.files.items()}
    return practice.with_files(files)


def stranger(practice: Practice) -> Practice:
    """The practice as one with other patients, clinicians, clinics and entry numbers."""
    fields = [*of_patients(practice), *CLINICIANS, ("procedures", "procedure_id"), ("procedures", "site_id")]
    return renamed({of: {text: f"Z-{text}" for text in practice.texts(*of)} for of in fields})(practice)


def stranger_names(practice: Practice) -> dict[str, str]:
    """The names of clinicians and clinics that `stranger` gives."""
    fields = (*CLINICIANS, ("procedures", "site_id"))
    return {text: f"Z-{text}" for table, name in fields for text in practice.texts(table, name)}


def opened_at_the_seat(practice: Practice, openings: Sequence[Opening]) -> Practice:
    """Every root canal through a crown moved to the day after the seat; its days keep their distances.

    The patient is still seen on the old days, for what no list knows, so that nobody is followed for a shorter time.
    """
    moves = {(o.patient, o.tooth): o for o in openings}
    old_days: set[tuple[str, str]] = set()

    def of_table(table: str, rows: pl.DataFrame) -> pl.DataFrame:
        if table not in ("procedures", "endo_details"):
            return rows
        who, tooth, date = (practice.heading(table, f) for f in ("patient_id", "tooth", "service_date"))
        codes = rows[practice.heading(table, "code")] if table == "procedures" else OPENING_CODES[:1] * rows.height
        read = rows[date].str.to_date("%m/%d/%Y", strict=False)
        days = []
        for row, code, day, written in zip(rows.select(who, tooth).iter_rows(), codes, read, rows[date], strict=True):
            opening = moves.get(row)
            if opening is None or day is None or code not in OPENING_CODES or not opening.on <= day <= opening.until:
                days.append(written)
                continue
            old_days.add((row[0], written))
            days.append(f"{opening.seat + dt.timedelta(days=1) + (day - opening.on):%m/%d/%Y}")
        return rows.with_columns(pl.Series(date, days, dtype=pl.String))

    # Some of these days are of years before the records, of which nothing else is told.
    moved = practice.each_table(of_table).with_setting("practice", accepted=["months_missing"])
    seen = [
        {"patient_id": who, "service_date": day, "code": "ZQ777", "status": "C", "fee": "1"}
        for who, day in sorted(old_days)
    ]
    return with_rows(moved, "procedures", seen)
