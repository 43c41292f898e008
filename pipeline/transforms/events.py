"""Rules 1 and 2: which posted rows are things that happened, and on which teeth.

Everything later works on frames made here: `done` (every completed row that stands) and `tooth events` (those of
permanent teeth, each with the kind of thing its code stands for).
"""

import datetime as dt
from collections.abc import Iterator

import polars as pl

TOOTH = ("patient_id", "tooth_fdi")
KEY = list(TOOTH)
ROW = ("load_id", "row_number", "part")

EXTRACTIONS = ("extraction", "extraction_impacted", "extraction_primary")
# The crown of the tooth is gone with these too, though roots stay behind on purpose.
TOOTH_LOST = (*EXTRACTIONS, "coronectomy", "root_burial")
REPLANTATION = "replantation"
# What can stand where a tooth is missing, or says that it is; each is proof that the tooth was lost before.
IMPLANT = "implant"
IN_PLACE_OF_A_TOOTH = (IMPLANT, "bridge_pontic", "denture_tooth", "tooth_missing")
# Everything else that names a tooth needs the tooth, but for these, done to the empty site or to a whole bridge.
NEEDS_NO_TOOTH = (
    *IN_PLACE_OF_A_TOOTH,
    "bridge_recement",
    "bridge_repair",
    "bridge_section",
    "biopsy",
    "perio",
    "trauma",
    "splint",  # spans gaps
    "crown_interim",  # in some lists the number of a tooth for the time being in a gap too
)
# The kinds of crown that end one another; a veneer, a crown for the time being and a crown on an implant are none.
KINDS_OF_CROWN = {
    "crown_placement": "single",
    "bridge_retainer_crown": "retainer",
    "bridge_retainer_onlay": "retainer",
    "onlay": "onlay",
    "crown_prefabricated": "prefabricated",
}
CROWNS = tuple(KINDS_OF_CROWN)
INTERIM = "crown_interim"
REMOVAL = "crown_removal"
RECEMENT = "crown_recement"
REPAIR = "crown_repair"
COMPLICATIONS = (RECEMENT, REPAIR)
FILLING = "direct_restoration"
POSTS = ("post_core", "post_core_addon")
EXAM = "exam"
NO_CONTACT = ("missed_appointment", "bookkeeping")
# Done to a crown, whatever it stands on: on a place that holds an implant they are done to the crown of the implant.
ON_A_CROWN = (*CROWNS, INTERIM, REMOVAL, RECEMENT, REPAIR, "crown_addon")


def same_tooth() -> pl.Expr:
    """Whether a row names the tooth of the row before it; for rows sorted by tooth."""
    return pl.all_horizontal(pl.col(c) == pl.col(c).shift(1) for c in TOOTH).fill_null(False)


def runs(gap_days: int) -> pl.Expr:
    """A number for each run of rows of one tooth, none more than `gap_days` after the one before; for sorted rows.

    Rows must be sorted by tooth and `service_date`. One number serves all teeth: groups of two keys cost far more.
    """
    near = (pl.col("service_date") - pl.col("service_date").shift(1)).dt.total_days() <= gap_days
    return (~(same_tooth() & near)).cum_sum()


def only_value(column: str) -> pl.Expr:
    """Within a group, the one value that all its filled rows have; null where they differ.

    So no clinician or clinic is preferred for its name where two are posted for the same work.
    """
    return one_value(pl.col(column).drop_nulls()).alias(column)


def one_value(values: pl.Expr) -> pl.Expr:
    """Within a group, the value that all `values` are; null where they differ or there is none."""
    return pl.when(values.n_unique() == 1).then(values.first())


def completed_rows(procedures: pl.LazyFrame, *, cutoff: pl.Expr | None = None) -> pl.LazyFrame:
    """Rows that say that work was done here, up to the cut-off; refunds, which are completed rows too, among them."""
    completed = procedures.filter(pl.col("status") == "completed", pl.col("service_date").is_not_null())
    return completed if cutoff is None else completed.filter(pl.col("service_date") <= cutoff)


def done_rows(completed: pl.LazyFrame, refunds: pl.DataFrame) -> pl.LazyFrame:
    """Rule 2: the completed rows that stand.

    One row in, at most one row out; no column is added. Left out is every refund (a completed row with a negative fee)
    and the row that it reverses: all that `match_refunds` gave for these rows. Planned, existing and void rows never
    come here. A void row takes only itself away: a ledger that corrects a row voids it and posts it anew with the same
    content, so a void row must not cancel its successor.
    """
    return completed.join(refunds.select(ROW).lazy(), on=list(ROW), how="anti")


def match_refunds(completed: pl.LazyFrame, *, reversal_days: int) -> pl.DataFrame:
    """What each refund takes back: `load_id, row_number, part, outcome`, for refunds and for rows that they reverse.

    A refund and the row it reverses agree in patient, code, tooth and amount (to the cent). `outcome`:

    - "reversed", of the row taken back: the latest not yet taken back, at most `reversal_days` before the refund.
    - "refund" of a refund that reverses a row, or one that takes back nothing because a row of its own day and an
      older one both match: money returned and the work posted again on one day.
    - "late_refund" of a refund whose only matching rows lie further back: it reverses nothing, and hints that the work
      failed. So does a refund of an older work on the day on which it was posted again, if it is that late.
    - "unmatched" of a refund with no matching row before it.
    """
    key = ["patient_id", "code", "tooth_fdi", "supernumerary", "cents"]
    cents = (pl.col("fee") * 100).round().cast(pl.Int64)
    with_fee = completed.filter(pl.col("fee").is_not_null(), cents != 0).with_columns(
        cents=cents.abs(), refund=pl.col("fee") < 0
    )
    # Only keys that hold a refund matter: a ledger has few.
    charged = with_fee.join(with_fee.filter("refund").select(key).unique(), on=key, how="semi", nulls_equal=True)
    rows = (
        charged.select(*ROW, *key, "service_date", "refund")
        .sort(*key, "service_date", "refund", *ROW, nulls_last=True)
        .collect()
    )
    outcomes: list[str | None] = [None] * rows.height
    group = rows.select(pl.struct(key).rle_id()).to_series() if rows.height else pl.Series([], dtype=pl.UInt32)
    days = rows["service_date"].to_list()
    refunds = rows["refund"].to_list()
    for first, end in _stretches(group.to_list()):
        _settle(outcomes, days, refunds, first=first, end=end, reversal_days=reversal_days)
    found = rows.select(ROW).with_columns(outcome=pl.Series(outcomes, dtype=pl.String))
    return found.filter(pl.col("outcome").is_not_null())


def _stretches(groups: list[int]) -> Iterator[tuple[int, int]]:
    start = 0
    for n in range(1, len(groups) + 1):
        if n == len(groups) or groups[n] != groups[start]:
            yield start, n
            start = n


def _settle(
    outcomes: list[str | None], days: list[dt.date], refunds: list[bool], *, first: int, end: int, reversal_days: int
) -> None:
    """Settle the refunds of one patient, code, tooth and amount; a day's charges stand before its refunds."""
    standing: list[int] = []  # charges not taken back, the latest last
    n = first
    while n < end:
        day = days[n]
        charges: list[int] = []
        returned: list[int] = []
        while n < end and days[n] == day:
            (returned if refunds[n] else charges).append(n)
            n += 1
        redone = min(len(charges), len(returned)) if standing else 0
        for refund in returned[:redone]:
            outcomes[refund] = "refund" if (day - days[standing[-1]]).days <= reversal_days else "late_refund"
        again = charges if redone else []
        if not redone:
            standing += charges
        for refund in returned[redone:]:
            if not standing:
                outcomes[refund] = "unmatched"
            elif (day - days[standing[-1]]).days > reversal_days:
                outcomes[refund] = "late_refund"
            else:
                outcomes[standing.pop()], outcomes[refund] = "reversed", "refund"
        standing += again


def with_kind(rows: pl.LazyFrame, codes: pl.DataFrame) -> pl.LazyFrame:
    """Add `event` and `detail`: what the code stands for; null for a code that the list does not know."""
    return rows.join(codes.lazy().select("code", "event", "detail"), on="code", how="left", maintain_order="left")


def permanent_teeth(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Rule 1: keep rows of permanent teeth, a tooth being a patient and an ISO 3950 number.

    Primary teeth (51 to 85) and supernumerary teeth are stored, and take no part in the survival questions.
    """
    return rows.filter(pl.col("tooth_fdi").is_between(11, 48), ~pl.col("supernumerary"))


def tooth_group(tooth_fdi: pl.Expr) -> pl.Expr:
    """Tooth group of a permanent tooth: the second digit of ISO 3950 counts from the midline."""
    place = tooth_fdi % 10
    return (
        pl.when(place <= 3)
        .then(pl.lit("anterior"))
        .when(place <= 5)
        .then(pl.lit("premolar"))
        .otherwise(pl.lit("molar"))
    )


def without_replanted(events: pl.LazyFrame) -> pl.LazyFrame:
    """Rule 13, last sentence: an extraction and a replantation of one tooth on one day is no loss."""
    tooth = [*TOOTH, "supernumerary", "service_date"]
    put_back = events.filter(pl.col("event") == REPLANTATION).select(tooth).unique()
    taken = events.filter(pl.col("event").is_in(TOOTH_LOST)).join(put_back, on=tooth, how="semi")
    return events.join(taken.select(ROW), on=list(ROW), how="anti")


def implant_days(done: pl.LazyFrame, existing: pl.LazyFrame) -> pl.LazyFrame:
    """Days from which a place holds an implant, ours or of others: `patient_id, tooth_fdi, implanted`, one row a day.

    One that others placed on no known day shows a lost tooth, and tells of no crown that it is the implant's.
    """
    rows = [rows.filter(pl.col("event") == IMPLANT).select(*TOOTH, "service_date") for rows in (done, existing)]
    return pl.concat(rows).drop_nulls("service_date").unique().rename({"service_date": "implanted"})


def impossible_rows(events: pl.LazyFrame, implanted: pl.LazyFrame) -> pl.LazyFrame:
    """Rows that name a tooth after its extraction, keyed by `load_id`, `row_number` and `part`, with `reason`.

    A tooth does not come back: either the extraction or the later row carries a wrong number. The later row is set
    aside and the history up to the extraction kept. A row of the day of the extraction stands. What belongs to an
    empty site (implant, pontic, denture tooth) or to a whole bridge stands too, and so does a crown on an implant
    (`implanted`: `implant_days`) placed that day or later: the extraction contradicts one that was there before.
    """
    tooth = [*TOOTH, "supernumerary"]
    lost = events.filter(pl.col("event").is_in(EXTRACTIONS)).group_by(tooth)
    first = lost.agg(extracted=pl.col("service_date").min())
    needs_tooth = events.filter(pl.col("event").is_not_null(), ~pl.col("event").is_in(NEEDS_NO_TOOTH))
    of_tooth = first.filter(~pl.col("supernumerary")).select(*TOOTH, "extracted")
    after = implanted.join(of_tooth, on=KEY).filter(pl.col("implanted") >= pl.col("extracted"))
    of_implant = pl.col("event").is_in(ON_A_CROWN) & (pl.col("service_date") >= pl.col("implanted")).fill_null(False)
    return (
        needs_tooth.join(first, on=tooth)
        .filter(pl.col("service_date") > pl.col("extracted"))
        .join(_first_implant(after), on=KEY, how="left")
        .filter(~of_implant)
        .select(*ROW, reason=pl.lit("after_extraction"))
    )


def standing_implants(events: pl.LazyFrame, implanted: pl.LazyFrame, needed: pl.LazyFrame) -> pl.LazyFrame:
    """The first day from which a place holds an implant that nothing contradicts: `patient_id, tooth_fdi, implanted`.

    Work that no implant can have, a root canal say, on the day of an implant or later shows that the implant names the
    wrong tooth; an extraction does on a later day only, for many implants are placed on the day of the extraction.
    `needed` holds what others and findings tell of such work: `patient_id, tooth_fdi, day`.
    """
    of_tooth = pl.col("event").is_not_null() & ~pl.col("event").is_in([*NEEDS_NO_TOOTH, *ON_A_CROWN])
    here = events.filter(of_tooth).select(
        *TOOTH,
        day=pl.when(pl.col("event").is_in(TOOTH_LOST))
        .then(pl.col("service_date") - pl.duration(days=1))
        .otherwise("service_date"),
    )
    last = pl.concat([here, needed]).group_by(KEY).agg(last_needed=pl.col("day").max())
    told = implanted.join(last, on=KEY, how="left")
    return _first_implant(told.filter((pl.col("last_needed") < pl.col("implanted")).fill_null(True)))


def rows_on_implants(events: pl.LazyFrame, implants: pl.LazyFrame) -> pl.LazyFrame:
    """Crown rows on a position that holds an implant (`standing_implants`): the implant's crown, never a tooth's."""
    return (
        events.filter(pl.col("event").is_in(ON_A_CROWN))
        .join(implants, on=KEY)
        .filter(pl.col("service_date") >= pl.col("implanted"))
        .select(ROW)
    )


def _first_implant(implanted: pl.LazyFrame) -> pl.LazyFrame:
    return implanted.group_by(KEY).agg(pl.col("implanted").min())
