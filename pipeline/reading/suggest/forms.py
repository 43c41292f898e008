"""Which numbering, code list, form of dates and day of crowns the values prove; what they do not prove is asked."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from pipeline.practice.codes import BUILT_IN, built_in, normalise_code
from pipeline.practice.counts import count
from pipeline.practice.table_settings import EACH
from pipeline.practice.teeth import NOTATIONS
from pipeline.reading.suggest.code_words import likely_events
from pipeline.reading.suggest.group import Group
from pipeline.reading.suggest.match import ASK
from pipeline.reading.suggest.profile import Column
from pipeline.transforms.code_cells import read_codes
from pipeline.transforms.dates import MAX_AGAINST, DateEvidence, gather_evidence
from pipeline.transforms.other_days import ERAS, six_digit_orders
from pipeline.transforms.parsers import gather_decimals
from pipeline.transforms.tooth_lists import parse_tooth_lists

_ENOUGH = 3  # fewer rows may be slips of the pen
_MOST_UNKNOWN = 40
_MOST_OFFICES = 12
_SIX = {"%y%m%d": "year first: 190304 is 4 March 2019", "%d%m%y": "day first: 040319", "%m%d%y": "month first: 030419"}


@dataclass(frozen=True)
class Decision:
    """A value for the TOML, `ask` where the data do not settle it, and the evidence or the question in words."""

    value: str
    why: str


def notation(columns: Sequence[Column]) -> Decision:
    """The tooth numbering: only where values occur that are valid in one notation alone."""
    if not columns:
        return Decision(ASK, "no column of teeth was found: universal (1-32), fdi (11-48) or palmer (UR1-LL8)?")
    counts = pl.concat([c.tooth_texts for c in columns]).group_by("text").agg(pl.col("n").sum())
    read = counts.with_columns(_readable(counts["text"], n).alias(n) for n in NOTATIONS)
    alone = {
        n: int(read.filter(pl.col(n) & ~pl.any_horizontal(*(m for m in NOTATIONS if m != n)))["n"].sum())
        for n in NOTATIONS
    }
    total = int(counts["n"].sum())
    best = max(alone, key=lambda n: alone[n])
    against = sum(alone.values()) - alone[best]
    told = ", ".join(f"{rows:,} in {n} only" for n, rows in alone.items())
    if alone[best] >= min(_ENOUGH, total) and alone[best] > 0 and against <= MAX_AGAINST * alone[best]:
        why = f"of {total:,} teeth {alone[best]:,} are valid in {best} alone, {against:,} in another alone"
        return Decision(best, why)
    return Decision(
        ASK,
        f"universal (1-32), fdi (11-48) or palmer (UR1-LL8)? Of {count(total, 'tooth')} {told}; "
        "11-18, 21-28, 31 and 32 mean other teeth in universal than in fdi",
    )


def code_system(columns: Sequence[Column]) -> Decision:
    """The built-in list that knows most rows, if it knows half of them and no other comes near."""
    if not columns:
        return Decision(ASK, f"no column of codes was found: {', '.join(BUILT_IN)}, or the path of a CSV code,event")
    shares = {s: _known_share(columns, s) for s in BUILT_IN}
    first, second = sorted(shares, key=lambda s: -shares[s])[:2]
    told = ", ".join(f"{s} {share:.0%}" for s, share in shares.items())
    if shares[first] >= 0.5 and shares[first] - shares[second] >= 0.1:
        return Decision(first, f"rows whose code a built-in list knows: {told}")
    lists = ", ".join(BUILT_IN)
    return Decision(ASK, f"{lists}, or the path of a CSV of your own with code,event? Rows whose code is known: {told}")


def unknown_codes(columns: Sequence[Column], system: str) -> list[tuple[str, int]]:
    """Codes that the list does not know with their rows, the commonest first; those of one row only are left out."""
    if system not in BUILT_IN or not columns:
        return []
    counts = pl.concat([c.common for c in columns]).with_columns(normalise_code(pl.col("text"), system=system))
    strange = counts.filter(
        ~pl.col("text").is_in(built_in(system)["code"].implode()) & (pl.col("text").str.len_chars() <= 12)
    )
    found = strange.group_by("text").agg(pl.col("n").sum()).filter(pl.col("n") > 1)
    return list(found.sort(["n", "text"], descending=[True, False]).head(_MOST_UNKNOWN).iter_rows())


@dataclass(frozen=True)
class DateForms:
    """What the dates of one table leave open: each is None or the question in words."""

    order: str | None
    years: str | None
    serial: str | None
    parted_by: Decision | None  # the column by whose texts the order of a date is clear, and how
    said: tuple[str, ...]  # what is settled, in words


def date_forms(
    columns: Sequence[tuple[str, Column]],
    *,
    serial_told: bool,
    parts: Callable[[Column], Sequence[pl.DataFrame]],
    others: Sequence[Column] = (),
) -> DateForms:
    """What `auto` would stumble over in the date columns `(field, column)` of one table; `parts` gives the counts of a
    column in each of several files, or files of an archive, whose order is found one by one; `others` are columns that
    may say of which office a row is."""
    order: list[str] = []
    six: list[str] = []
    choices = ""
    years = serial = parted_by = None
    said = []
    for field, column in columns:
        e = gather_evidence(column.counts)
        if not e.filled:
            continue
        if e.short_year - e.short_named >= max(1, MAX_AGAINST * e.filled):
            short = f"{e.short_year:,} of {e.filled:,} dates have a year of two digits"
            years = f"{field}: {short}; 1950 reads 50 as 1950 and 49 as 2049"
        if not serial_told and column.serial_share >= 0.5 and e.serial >= max(1, MAX_AGAINST * e.filled):
            told = f"{field}: {e.serial:,} of {e.filled:,} dates are day numbers"
            serial = f'"1900" (usual) or "1904" (old Macintosh files)? {told}'
        question, settled = _order(e)
        if patterns := [] if settled else six_digit_orders(column.counts):
            six.append(f"{field}: {_six(column.counts)}")
            choices = ", ".join(f'"{pattern}" ({_SIX[pattern]})' for pattern in patterns)
            years = f"{field}: years have two digits; 1950 reads 50 as 1950 and 49 as 2049"
            continue
        if question and len(each := [gather_evidence(of) for of in parts(column)]) > 1:
            orders = [_order(of) for of in each if of.filled]
            if not any(asked for asked, _ in orders):
                question, settled = None, f"the order is that of each file by itself ({question})"
        if question and parted_by is None and (by := _parting(column, others)):
            parted_by = Decision(*by)
        elif question:
            order.append(f"{field}: {question}")
        elif settled:
            said.append(f"{field}: {settled}")
    s = "/"
    asked = "; ".join(order)
    if six:
        asked = f"{choices}? {'; '.join(six)}"
    elif asked:
        s = gather_evidence(next(c for f, c in columns if asked.startswith(f)).counts).separator
        year = "%y" if years else "%Y"
        first = f'"%y{s}%m{s}%d" (year first), ' if years else ""
        asked = f'{first}"%m{s}%d{s}{year}" (month first) or "%d{s}%m{s}{year}" (day first)? {asked}'
    return DateForms(asked or None, years, serial, parted_by, tuple(said))


def _six(counts: pl.DataFrame) -> str:
    """What stands first, and what last, in days of six digits."""
    text = pl.col("text").str.strip_chars()
    ends = counts.select(text.str.slice(0, 2).alias("first"), text.str.slice(-2).alias("last"))
    first, last = (f"{ends[c].n_unique()} different numbers stand {c}" for c in ends.columns)
    return f"days of six digits, of which {first} and {last}; of years there are fewer than of days"


def _parting(dates: Column, others: Sequence[Column]) -> tuple[str, str] | None:
    """The first column of few texts of which each has dates of one order, and what they have."""
    for other in others:
        if not (2 <= other.distinct <= _MOST_OFFICES) or other.filled < 1:
            continue
        rows = pl.DataFrame({"by": other.texts, "text": dates.texts}).drop_nulls()
        counts = rows.group_by("by", "text").agg(n=pl.len().cast(pl.Int64)).sort("by", "text")
        found = {str(by): gather_evidence(of.drop("by")) for (by,), of in counts.group_by("by", maintain_order=True)}
        orders = {by: (e.month_first + e.short_month_first, e.day_first + e.short_day_first) for by, e in found.items()}
        clear = all(max(n) >= _ENOUGH and min(n) < MAX_AGAINST * sum(n) for n in orders.values())
        if clear and len({months > days for months, days in orders.values()}) > 1:
            said = ((by, "month" if m > d else "day", max(m, d)) for by, (m, d) in orders.items())
            each = "; ".join(f"{by}: {order} first in {n:,}" for by, order, n in said)
            return other.name, f"the dates have two orders, and this column parts them: {each}"
    return None


def decimals(
    columns: Sequence[tuple[str, Column]], *, parts: Callable[[Column], Sequence[pl.DataFrame]]
) -> tuple[str | None, str | None]:
    """The question about the decimal sign, and what is settled, None where nothing needs saying."""
    for field, column in columns:
        e = gather_decimals(column.counts)
        told = f"{field}: {e.comma:,} numbers have a decimal comma, {e.point:,} a decimal point"
        if e.is_told_apart:
            return None, f"{told}, and each is read as it can only be"
        if e.is_mixed and any(gather_decimals(of).is_mixed for of in parts(column)):
            return f'",", "." or "{EACH}"? {told}, and {e.either:,} may have either, which "{EACH}" leaves out', None
        if e.is_mixed:
            return None, f"{told}, each file with its own"
        if e.comma > e.point:
            return None, f"{field} has a decimal comma"
    return None, None


def _order(e: DateEvidence) -> tuple[str | None, str | None]:
    if e.is_epoch:
        told = f"numbers that count time (since 1970, say) in all {count(e.filled, 'row')}"
        return None, f"{told}, taken by the clock of Greenwich"
    if e.maybe_year_first:
        numbers = f"{e.short_firsts} different numbers stand first and {e.short_lasts} last"
        return f"{e.short_maybe_first:,} of {e.filled:,} dates may have the year first; {numbers}", None
    question, settled = _day_and_month(e)
    if e.era:
        said = f"in all {count(e.filled, 'row')} years of {ERAS[e.era].said}"
        settled = said if settled is None else f"{said}; {settled}"
    return question, settled


def _day_and_month(e: DateEvidence) -> tuple[str | None, str | None]:
    months, days = e.month_first + e.short_month_first, e.day_first + e.short_day_first
    either = e.either + e.short_either
    if min(months, days) and min(months, days) >= MAX_AGAINST * (months + days):
        return f"{count(months, 'date')} fit month/day only, {days:,} day/month only", None
    if not months + days:
        if either >= max(1, MAX_AGAINST * e.filled):
            return f"{either:,} of {e.filled:,} dates fit both, and none decides", None
        return None, None
    order, rows = ("month/day", months) if months > days else ("day/month", days)
    return None, f"{order}, which {count(rows, 'date')} prove"


def _readable(texts: pl.Series, of: str) -> pl.Series:
    read = parse_tooth_lists(texts, notation=of, by_form=False)
    return read["tooth_fdi"].is_not_null() | read["all_fdi"].is_not_null()


def _known_share(columns: Sequence[Column], system: str) -> float:
    total = sum(int(c.common["n"].sum()) for c in columns)
    return sum(c.codes[system] * int(c.common["n"].sum()) for c in columns) / total if total else 0.0


_QUESTION = "is the date on which a crown is posted the day of the seat (seat) or of the preparation (prep)? "
_ENOUGH_CROWNS, _MOST, _FEW = 10, 0.8, 0.1
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
    if both.height < _ENOUGH_CROWNS:
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
    if seat + prep < _ENOUGH_CROWNS:
        return None
    told = f"of {seat + prep:,} crowns with an interim crown {seat:,} are posted some days after it, {prep:,} with it"
    return _decided(seat, prep, seat + prep, told)


def _by_words(ledger: Group, is_crown: pl.Series) -> Decision | None:
    """What the texts beside crowns say of them, where all such texts say it."""
    if int(is_crown.sum()) < _ENOUGH_CROWNS:
        return None
    for column in ledger.file.columns:
        texts = column.texts.filter(is_crown).drop_nulls()
        if texts.len() < _ENOUGH_CROWNS or texts.n_unique() > _MOST_TEXTS:
            continue
        seat, prep = (int(texts.str.contains(_WORDS[day]).sum()) for day in ("seat", "prep"))
        if max(seat, prep) == texts.len() and min(seat, prep) == 0:
            why = f"likely: the texts of all {count(texts.len(), 'crown')} say so"
            return Decision("seat" if seat else "prep", why)
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
