"""Whether crowns are posted on the day of the seat or of the preparation, as far as the files show it."""

from collections.abc import Mapping

import polars as pl

from pipeline.practice.codes import BUILT_IN, built_in
from pipeline.practice.counts import count
from pipeline.reading.suggest.code_words import likely_events
from pipeline.reading.suggest.forms import Decision
from pipeline.reading.suggest.group import Group
from pipeline.reading.suggest.match import ASK
from pipeline.transforms.code_cells import read_codes

_QUESTION = "is the date on which a crown is posted the day of the seat (seat) or of the preparation (prep)? "
_ENOUGH, _MOST, _FEW = 10, 0.8, 0.1
_MOST_TEXTS = 400
_BETWEEN = (5, 90)  # days from an interim crown, which is made at the preparation, to the seat
_WORDS = {
    "seat": r"(?i)\b(?:seat\w*|insert\w*|deliver\w*|cement\w*|eingesetzt|einglied\w*|eingegliedert|pose|scell\w*|"
    r"colocaci[oó]n|cementad\w*|plaats\w*|geplaatst)\b",
    "prep": r"(?i)\b(?:prep\w*|pr[aä]par\w*|beschliff\w*|taille|tallado)\b",
}


def crown_date(chosen: Mapping[str, Group], system: str) -> Decision:
    """The day, by the crowns of `crown_details`, by interim crowns, or by the words beside the crowns; else asked."""
    ledger = chosen.get("procedures")
    if ledger is None:
        return Decision(ASK, _QUESTION + "This cannot be seen from the files")
    is_crown = _is(ledger, system, "crown_placement")
    if system in BUILT_IN and not is_crown.any() and all(p.whole for p in ledger.pieces):
        return Decision("seat", "no crown is in the files, so nothing hangs on it")
    recorded = _recorded(ledger, is_crown, chosen.get("crown_details"))
    said = recorded or _by_interim(ledger, is_crown, system) or _by_words(ledger, is_crown)
    return said or Decision(ASK, _QUESTION + "This cannot be seen from the files")


def _decided(seat: int, prep: int, of: int, told: str) -> Decision:
    for name, rows, other in (("seat", seat, prep), ("prep", prep, seat)):
        if rows >= _MOST * of and other <= _FEW * of:
            return Decision(name, told)
    return Decision(ASK, _QUESTION + told[0].upper() + told[1:])


def _recorded(ledger: Group, is_crown: pl.Series, details: Group | None) -> Decision | None:
    """Compare the posted days with those on record, by patient and tooth as both files write them."""
    posted = by_tooth(ledger, {"service_date": "posted"})
    recorded = None if details is None else by_tooth(details, {"prep_date": "prep", "seat_date": "seat"})
    if posted is None or recorded is None:
        return None
    both = posted.filter(is_crown).drop_nulls().join(recorded.drop_nulls(), on=["patient", "tooth"])
    both = both.filter(pl.col("prep") != pl.col("seat"))
    if both.height < _ENOUGH:
        return None
    seat, prep = (int((both["posted"] == both[day]).sum()) for day in ("seat", "prep"))
    told = f"of {both.height:,} crowns with both days on record {seat:,} are posted at the seat, {prep:,} at the prep"
    return _decided(seat, prep, both.height, told)


def _by_interim(ledger: Group, is_crown: pl.Series, system: str) -> Decision | None:
    """Compare the posted days with those of interim crowns on the same tooth."""
    rows = by_tooth(ledger, {"service_date": "day"})
    if rows is None or system not in BUILT_IN:
        return None
    interim = rows.filter(_is(ledger, system, "crown_interim")).drop_nulls().rename({"day": "prepared"})
    after = rows.filter(is_crown).drop_nulls().join(interim, on=["patient", "tooth"])
    days = after.select(pl.col("day") - pl.col("prepared")).to_series()
    seat, prep = int(days.is_between(*_BETWEEN).sum()), int((days == 0).sum())
    if seat + prep < _ENOUGH:
        return None
    told = f"of {seat + prep:,} crowns with an interim crown {seat:,} are posted some days after it, {prep:,} with it"
    return _decided(seat, prep, seat + prep, told)


def _by_words(ledger: Group, is_crown: pl.Series) -> Decision | None:
    """What the texts beside crowns say of them, where all such texts say it."""
    if int(is_crown.sum()) < _ENOUGH:
        return None
    for column in ledger.file.columns:
        texts = column.texts.filter(is_crown).drop_nulls()
        if texts.len() < _ENOUGH or texts.n_unique() > _MOST_TEXTS:
            continue
        seat, prep = (int(texts.str.contains(_WORDS[day]).sum()) for day in ("seat", "prep"))
        if max(seat, prep) == texts.len() and min(seat, prep) == 0:
            return Decision(
                "seat" if seat else "prep", f"likely: the texts of all {count(texts.len(), 'crown')} say so"
            )
    return None


def _is(ledger: Group, system: str, event: str) -> pl.Series:
    """Which rows of a ledger are of an event: by the built-in list, else by the words of its texts."""
    none = pl.Series([False] * max((c.n for c in ledger.file.columns), default=0), dtype=pl.Boolean)
    code = ledger.column("code")
    if code is None:
        return none
    if system in BUILT_IN:
        listed, texts = built_in(system), code.counts["text"]
        read = read_codes(texts, known=set(listed["code"]), system=system)
        codes = pl.coalesce("all_codes", pl.concat_list("value")).list.set_intersection(
            listed.filter(pl.col("event") == event)["code"].to_list()
        )
        own = texts.filter(read.select(codes.list.len() > 0).to_series().fill_null(False))
        return code.texts.is_in(own.implode()).fill_null(False)
    for column in (c for c in ledger.file.columns if c.distinct <= _MOST_TEXTS):
        known_texts = [text for text in column.counts["text"] if likely_events(text) == (event,)]
        none |= column.texts.is_in(known_texts).fill_null(False)
    return none


def by_tooth(group: Group, fields: Mapping[str, str]) -> pl.DataFrame | None:
    """`patient, tooth` as written and some days, a row each; None where a column is lacking."""
    names = {"patient_id": "patient", "tooth": "tooth"} | dict(fields)
    columns = {name: group.column(field) for field, name in names.items()}
    if any(c is None for c in columns.values()):
        return None
    return pl.DataFrame({n: (c.days if n in fields.values() else c.texts) for n, c in columns.items() if c is not None})
