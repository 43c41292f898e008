"""Columns that contradict the number of a patient, or complete it, under any heading. An age that falls, letters before
the numbers of entries that part the clinicians, the initial of a member of a family, a text that names the number of
another patient, one person under two numbers. Common practice, no source."""

from collections.abc import Collection, Sequence

import polars as pl

from pipeline.reading.doubts.cells import OF, headed, headings_of
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger, samples
from pipeline.reading.doubts.unread_columns import is_of_other
from pipeline.reading.suggest.shown import quoted

_SOME, _SHARE, _NEARLY = 3, 0.02, 0.8
_FALLS, _MOST_FALL = 2, 0.5  # years; of more numbers than this it is no age
_PREFIX = r"^(\p{L}{1,4})[-_/. ]?\d{2,}$"
_MOST_PREFIXES, _BOTH = 6, 0.1
_MEMBER, _MEMBERS, _ROWS, _AS_MANY, _COME_BACK, _CODE_ROWS = r"^\p{L}[\p{L}.' -]{0,13}$", 8, 6, 2, 0.5, 40
_NUMBER = r"(?:^|[^\d/.,:-])(\d{3,})(?:$|[^\d/.,:-]|[.,](?:\s|$))"
_LEAST_NAMED = 5
_MOVED, _SIGNED = 20, 0.2
_NEARLY_ONE = 0.9


def age_doubts(where: str, frame: pl.DataFrame) -> list[Doubt]:
    """Numbers under which a column of ages falls: they were given out again."""
    for heading in headed(headings_of(frame), "age"):
        age = pl.col(OF + heading).str.extract(r"^(\d{1,3})(?:\.0+)?\s*(?:y(?:rs?|ears?)?)?$").cast(pl.Int32)
        rows = frame.select("patient", "day", age=age).drop_nulls().sort("patient", "day", "age")
        fall = (pl.col("age") - pl.col("age").cum_max()).over("patient") <= -_FALLS
        by = rows.with_columns(fall=fall).group_by("patient").agg(pl.col("fall").any(), pl.len())
        n, of = int(by["fall"].sum()), by.height
        if n < _SOME or n < _SHARE * of or n > _MOST_FALL * of:
            continue
        return ask(
            "several_birth_dates.age",
            where,
            f'under {n:,} of {of:,} patient numbers the column "{heading}" falls by {_FALLS} years or more '
            "from one day to a later one.",
            of_ledger('columns.patient_id = "<its heading>"', "a column with each patient's own"),
            of_ledger('dependant = "<its heading>"', "a column that tells these people apart"),
        )
    return []


def moved_doubts(where: str, frame: pl.DataFrame) -> list[Doubt]:
    """A whole number for each patient, above zero for some and below for others, may be what days were moved by."""
    for heading in headings_of(frame):
        whole = pl.col(OF + heading).str.extract(r"^([+-]?\d{1,4})(?:\.0+)?$", 1).cast(pl.Int32, strict=False)
        by = frame.group_by("patient").agg(pl.len(), own=whole.n_unique(), n=whole.first(), gaps=whole.null_count())
        below, above = int((by["n"] < 0).sum()), int((by["n"] > 0).sum())
        if by.height < _MOVED or by["gaps"].sum() or by["own"].max() != 1 or min(below, above) < _SIGNED * by.height:
            continue
        return ask(
            "days_moved",
            where,
            f'the column "{heading}" has one whole number for each of {by.height:,} patients, above zero for '
            f"{above:,} and below for {below:,}.",
        )
    return []


def prefix_doubts(where: str, frame: pl.DataFrame, headings: Sequence[str]) -> list[Doubt]:
    """Letters before numbers of entries that part the clinicians, with numbers of patients under several of them."""
    for heading in headings:
        letters = pl.col(OF + heading).str.extract(_PREFIX, 1).str.to_uppercase()
        rows = frame.select("patient", "provider", letters=letters)
        sizes = rows.drop_nulls("letters")["letters"].value_counts(name="n")
        if not 2 <= sizes.height <= _MOST_PREFIXES or sizes["n"].sum() < _NEARLY * frame.height:
            continue
        clinicians = rows.drop_nulls().group_by("provider").agg(pl.col("letters").n_unique())
        parted = clinicians.filter(pl.col("letters") == 1)
        of_letters = rows.join(parted, on="provider", how="semi")["letters"].n_unique()
        patients = rows.drop_nulls("letters").group_by("patient").agg(pl.col("letters").n_unique())
        both = patients.filter(pl.col("letters") > 1).height
        few = rows.group_by("letters").agg(pl.col("patient").n_unique())["patient"].min()
        if parted.height < max(2, 0.5 * clinicians.height) or of_letters < sizes.height or both < _BOTH * few:  # type: ignore[operator]
            continue
        shown = ", ".join(sizes.sort("letters")["letters"])
        return ask(
            "numbering.letters",
            where,
            f'numbers in the column "{heading}" begin with {shown}; {parted.height:,} of {clinicians.height:,} '
            f"clinicians have one of these only, and {both:,} patient numbers stand under several.",
            ("practice", 'numbering = "per clinic"', "yes: number and clinic together are the patient"),
            of_ledger(f"clinic_letters = {quoted(heading)}", "and with it: where the clinic stands"),
            ("practice", 'numbering = "one for all"', "no: these patients went to both"),
        )
    return []


def member_doubts(where: str, frame: pl.DataFrame, *, told: Collection[str]) -> list[Doubt]:
    """A short word beside the number, few under each number and many in all, which come back: members of a family."""
    for heading in headings_of(frame):
        if heading in told or is_of_other(heading) or headed([heading], "dependant"):
            continue
        rows = frame.select("patient", "day", "code", text=pl.col(OF + heading).str.to_lowercase())
        rows = rows.filter(pl.col("text") != "")
        words = rows["text"].unique()
        if rows.height < _NEARLY * frame.height or not _MEMBERS <= words.len() <= max(400, rows.height // 10):
            continue
        if not words.str.contains(_MEMBER).all():
            continue
        # Who is treated stays so through a visit, and says nothing of what is done.
        visits = rows.select("patient", "day", "text").unique().sort("patient", "day", "text")
        by = visits.group_by("patient").agg(pl.len(), pl.col("text").n_unique(), changes=pl.col("text").rle_id().max())
        by = by.filter(pl.col("len") >= _ROWS)
        several = by.filter(pl.col("text") > 1)
        if not by.height or several.height < max(_SOME, 0.2 * by.height):
            continue
        come_back = several.filter(pl.col("changes") > pl.col("text") - 1).height
        of_codes = rows.group_by("code").agg(pl.len(), pl.col("text").n_unique()).filter(pl.col("len") >= _CODE_ROWS)
        is_of_codes = 2 * of_codes.filter(pl.col("text") <= words.len() / 4).height > of_codes.height
        if is_of_codes or come_back < _COME_BACK * several.height:
            continue
        # As many different ones as patients would have if the words were dealt out by chance.
        shares = visits["text"].value_counts(normalize=True)["proportion"]
        drawn = sum(float((1 - (1 - shares) ** n).sum()) for n in by["len"].to_list())
        met = int(by["text"].sum())
        if drawn < _AS_MANY * met:
            continue
        return ask(
            "dependants.word",
            where,
            f"{several.height:,} of {by.height:,} patient numbers stand with several short words in the column "
            f'"{heading}" that come back again and again, {met / by.height:.1f} a number of {words.len():,} in '
            "all.",
            of_ledger(f"dependant = {quoted(heading)}", "yes: both together are the patient"),
        )
    return []


def numbered_member_doubts(where: str, frame: pl.DataFrame, *, told: Collection[str]) -> list[Doubt]:
    """A number from 1 on under each patient number, one a visit, that comes back: members of a family, counted."""
    for heading in headings_of(frame):
        if heading in told or headed([heading], "dependant"):
            continue
        number = pl.col(OF + heading).str.extract(r"^0?(\d)$", 1).cast(pl.Int32)
        rows = frame.select("patient", "day", number=number)
        if rows["number"].null_count() or rows["number"].n_unique() < _SOME:
            continue
        rows = rows.filter(pl.col("number") > 0)
        visits = rows.group_by("patient", "day").agg(pl.col("number").n_unique() == 1, n=pl.len())
        same = visits.filter(pl.col("n") > 1)["number"]
        by = rows.unique().sort("patient", "day", "number").group_by("patient", maintain_order=True)
        people = by.agg(k=pl.col("number").n_unique(), top=pl.col("number").max(), runs=pl.col("number").rle_id().max())
        several = people.filter(pl.col("k") > 1)
        in_turn = (people["k"] == people["top"]).mean() or 0.0
        come_back = several.filter(pl.col("runs") > pl.col("k") - 1).height
        if same.is_empty() or same.mean() < _NEARLY_ONE or in_turn < _NEARLY_ONE:  # type: ignore[operator]
            continue
        if several.height < max(_SOME, 0.2 * people.height) or come_back < _COME_BACK * several.height:
            continue
        return ask(
            "dependants.counted",
            where,
            f'the column "{heading}" has a number from 1 on under each of {people.height:,} patient numbers, several '
            f"under {several.height:,} of them, the same through a visit, and they come back again and again.",
            of_ledger(f"dependant = {quoted(heading)}", "yes: both together are the patient"),
        )
    return []


def other_number_doubts(where: str, frame: pl.DataFrame, ids: pl.Series) -> list[Doubt]:
    """Texts that name the number of another patient of the ledger, on the last day of their own."""
    known = pl.DataFrame({"named": ids.hash(0)}).unique()
    last = frame.group_by("patient").agg(last=pl.col("day").max())
    for heading in headings_of(frame):
        number = pl.col(OF + heading).str.extract(_NUMBER, 1)
        texts = frame.select("patient", "day", text=OF + heading, named=number).drop_nulls("named")
        texts = texts.filter(pl.col("text").str.contains(r"\p{L}{2,}")).with_columns(pl.col("named").hash(0))
        met = texts.join(known, on="named", how="semi").filter(pl.col("named") != pl.col("patient"))
        met = met.join(last, on="patient")
        at_end = met.filter(pl.col("day") == pl.col("last"))["patient"].n_unique()
        if at_end < max(_LEAST_NAMED, _NEARLY * met["patient"].n_unique()) or met.height < 0.5 * texts.height:
            continue
        return ask(
            "merged_patients.text",
            where,
            f'texts in the column "{heading}" name the number of another patient of the ledger on the last day of '
            f"{at_end:,} patients (such as {samples(met['text'], at_most=2)}).",
            ("tables.patients", 'files = ["<the list>.csv"]', "a line of files that is there takes it in too"),
            ("tables.patients", 'columns.patient_id = "<its first heading>"', "the number given up"),
            ("tables.patients", 'merged_into = "<its second heading>"', "the one that stands for it now"),
        )
    return []


def one_person_doubts(table: str, people: pl.DataFrame) -> list[Doubt]:
    """People of one name and birth date under several numbers; `people` is as `PeopleSeen.people`."""
    words = pl.col("name").str.to_lowercase().str.extract_all(r"\p{L}+").list.sort().list.join(" ")
    rows = people.select("id", "born", name=words).drop_nulls().unique()
    rows = rows.filter(pl.col("name").str.contains(" "), pl.col("born") != "")
    by = rows.group_by("name", "born").agg(pl.col("id").n_unique())
    n = by.filter(pl.col("id") > 1).height
    if n < _LEAST_NAMED or n < _SHARE * by.height or 2 * n > rows["id"].n_unique():
        return []
    return ask(
        "merged_patients.person",
        table,
        f"{n:,} of {by.height:,} people stand under several patient numbers: same name, same birth date.",
        (f"tables.{table}", 'columns.patient_id = "<its heading>"', "a number that stays with the patient"),
        (f"tables.{table}", 'columns.patient_id = "<its heading>"', "or, if there is none, that of the name"),
        (f"tables.{table}", 'dependant = ["<heading>", "<heading>"]', "with first name and birth date"),
        ("tables.patients", 'merged_into = "<its heading>"', "of a list of old and new numbers"),
    )
