"""What amounts say of rows: words in their place, numbers below zero, a second currency, payments beside work. Headings
and words in seven languages, names of ISO 4217: from memory, common practice, no source."""

import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.machine.data_tables import data_rows
from pipeline.practice.counts import count
from pipeline.practice.tables import REVERSAL
from pipeline.reading.doubts.cells import STANDS, tally, text_of
from pipeline.reading.doubts.doubt import Doubt, ask, in_rows, of_ledger, status_from
from pipeline.reading.doubts.standing import word_of
from pipeline.reading.headings import plain_heading, word_list
from pipeline.reading.suggest.shown import quoted

_LEAST_WORDS, _MOST_WORDS, _LONGEST = 3, 12, 24
_NO_CHARGE = word_list("no charge")


def amount_words(texts: pl.Series) -> Counter[str]:
    """Texts without a digit among amounts, in small letters, but for those that say that nothing was charged."""
    low = pl.col("text").str.strip_chars().str.to_lowercase()
    counts = texts.drop_nulls().cast(pl.String).alias("text").value_counts(name="n").with_columns(low)
    words = counts.filter(low.str.contains(r"\p{L}{2}") & ~low.str.contains(r"\d") & (low.str.len_chars() <= _LONGEST))
    found = words.filter(~pl.col("text").is_in(list(_NO_CHARGE))).group_by("text").agg(pl.col("n").sum())
    return Counter(dict(found.iter_rows()))


def amount_word_doubts(where: str, found: Mapping[str, Counter[str]], *, told: Collection[str]) -> list[Doubt]:
    """A question for each column of amounts in which such words come again."""
    doubts = []
    for heading, counts in found.items():
        words = {t: n for t, n in counts.most_common() if n >= _LEAST_WORDS}
        if heading in told or not words or len(words) > _MOST_WORDS:
            continue
        made = {text: word_of(text) or "<its word>" for text in sorted(words)}
        evidence = f'column "{heading}" holds words in place of an amount: {in_rows(words)}.'
        doubts += ask("words_for_amounts", where, evidence, status_from(heading, made, "correct the words"))
    return doubts


(_NUMBERS, _AMOUNTS) = word_list("headings of numbers"), word_list("headings of amounts")
# How a number below zero begins or ends, as a pattern of `status_from`.
_BEGINS, _ENDS = ("-", "−", "–", "(", "<"), ("-", "−", "cr", "cr.")
_SIGNED = r"^[\s$€£]*[-−–(<]|[-−]\s*$|(?i:cr\.?\s*$)"
_AMOUNT = r"^[\s$€£(<+−–-]*\d[\d,.' ]*\d[\s)>−-]*$"
_LOOK_AT = 2_000
# Of these an amount below zero takes no work back.
_OTHER_MONEY = word_list("headings of other money")
_BACK_DAYS, _LEAST_BACK, _SHARE_BACK = 60, 3, 0.5
_ZEROS = r"^0+(?:[.,]0+)?$"


def amount_columns(headings: Iterable[str]) -> list[str]:
    """Headings of numbers that are below zero, or none at all, where a row takes another one back."""
    return [h for h in headings if plain_heading(h) in _NUMBERS | _AMOUNTS]


def signed_columns(rows: pl.DataFrame, headings: Iterable[str]) -> list[str]:
    """Those headings under which the first rows hold amounts, a few of them below zero, and no other kind of money."""
    found = []
    for heading in headings:
        if heading.startswith("(") or _OTHER_MONEY & set(plain_heading(heading).split()):
            continue
        text = rows.get_column(heading).head(_LOOK_AT).cast(pl.String).str.strip_chars().replace("", None).drop_nulls()
        if text.len() and text.str.contains(_AMOUNT).sum() >= 0.9 * text.len():
            below = int(text.str.contains(_SIGNED).sum())
            found += [heading] if 0 < below <= 0.3 * text.len() else []
    return found


def below_zero(texts: pl.Series) -> Counter[tuple[str, str]]:
    """Rows by pattern and what it makes of a row, of texts of rows that have a code and no fee below zero; under an
    empty pattern and word the numbers that are not 0: where there is none, 0 tells nothing."""
    counts = texts.drop_nulls().value_counts(name="n")
    name = counts.columns[0]
    number = counts.filter(pl.col(name).str.contains(r"[1-9]")).height
    found: Counter[tuple[str, str]] = Counter({("", ""): number}) if number else Counter()
    for text, n in counts.filter(pl.col(name).str.contains(_SIGNED) & pl.col(name).str.contains(r"[1-9]")).iter_rows():
        low = text.strip().lower()
        begins = [f"{sign}*" for sign in _BEGINS if low.startswith(sign)]
        ends = [f"*{sign}" for sign in _ENDS if low.endswith(sign)]
        found[next(iter(begins + ends), "*-*"), REVERSAL] += n
    for text, n in counts.filter(pl.col(name).str.contains(_ZEROS)).iter_rows():
        found[text, "void"] += n
    return found


def below_zero_doubts(
    where: str, found: Mapping[str, Counter[tuple[str, str]]], *, rows: int, has_fee: bool, told: Collection[str]
) -> list[Doubt]:
    """Columns with numbers below zero, or with 0 pieces among others, that nothing reads."""
    doubts = []
    for heading, counts in found.items():
        # A fee of 0 is a fee; 0 pieces of a thing are none.
        is_number = plain_heading(heading) in _NUMBERS
        kept = {mark: n for mark, n in counts.items() if mark[0] and (mark[1] == REVERSAL or is_number)}
        made = {form: word if has_fee else "void" for form, word in sorted(kept)}
        if not made or not counts["", ""]:
            continue
        n = sum(n for (_, word), n in kept.items() if word == REVERSAL)
        none = sum(kept.values()) - n
        seen = [f"a number below zero in {n:,}"] if n else []
        seen += [f"0 in {none:,}"] if none else []
        means = "yes: such a row takes back the one of the same work and fee" if has_fee else "it is void"
        means += "; correct the words, and add these to the line that is there" if heading in told else ""
        fee = of_ledger(f"columns.fee = {quoted(heading)}", "or read this one as the fee")
        doubts += ask(
            "below_zero" if has_fee else "below_zero.no_fee",
            where,
            f'column "{heading}" is not read, and of {rows:,} rows it holds {" and ".join(seen)}, where '
            "there is a procedure and no fee below zero.",
            status_from(heading, made, means),
            None if is_number else fee,
        )
    return doubts


def void_doubts(where: str, rows: pl.DataFrame) -> list[Doubt]:
    """Rows below zero (as `RowsHeld.whole`) whose status lets them not stand, where the row they take back does."""
    keys = ["patient", "code", "tooth", "fee"]
    back = rows.filter(pl.col("takes_back").fill_null("") != "").with_columns(fee=-pl.col("fee")).with_row_index("n")
    first = rows.filter(pl.col("takes_back").is_null()).select(*keys, "day")
    both = back.join(first, on=keys, suffix="_first", nulls_equal=True)
    apart = (pl.col("day") - pl.col("day_first")).dt.total_days()
    met = both.filter(apart.is_between(0, _BACK_DAYS)).unique("n")
    if met.height < max(_LEAST_BACK, _SHARE_BACK * back.height):
        return []
    words = sorted(met["takes_back"].unique())
    return ask(
        "below_zero.void",
        where,
        f"{met.height:,} of {back.height:,} rows with an amount below zero and a status that lets them not stand "
        f"({', '.join(words)}) come after a row of the same work and amount that stands.",
        *(of_ledger(f'values.status.{quoted(word)} = "completed"', "yes") for word in words),
    )


_NAMES = {
    name: row["currency"]
    for row in data_rows("currencies")
    for name in (row["currency"].lower(), *row["other_names"].split())
}
_HEADINGS = word_list("headings of currencies")
_BESIDE = r"^[-−+(\s]*(\p{Sc}|US\$|\p{L}{1,6})[.\s]*[-−+(]*\d|\d[)\s.,–—-]*(\p{Sc}|\p{L}{1,6})[.)\s]*$"
_LEAST_IN, _SHARE_IN = 3, 0.01


def beside_amounts(texts: pl.Series) -> Counter[str]:
    """Rows by the currency that stands beside an amount, and those with an amount alone as an empty text."""
    text = pl.col("text")
    named = pl.coalesce(text.str.extract(_BESIDE, 1), text.str.extract(_BESIDE, 2)).str.to_lowercase()
    counts = texts.cast(pl.String).alias("text").value_counts(name="n").filter(text.str.contains(r"\d"))
    return _by_currency(dict(counts.group_by(named.fill_null("").alias("named")).agg(pl.col("n").sum()).iter_rows()))


def says_currency(heading: str, texts: Iterable[str]) -> bool:
    """Whether a column tells the currency: each of its texts is a name of one, under any heading if there are two."""
    filled = {text for text in texts if text}
    known = {text for text in filled if text.lower().rstrip(".") in _NAMES}
    is_headed = bool(_HEADINGS & set(plain_heading(heading).split()))
    if any(char.isdigit() for text in filled for char in text):
        return False  # `Valuta` may be a day
    return bool(filled) and (is_headed or (filled == known and len(filled) > 1))


def currency_doubts(
    files: Mapping[str, tuple[str, Counter[str]]], columns: Mapping[str, Mapping[str, Counter[str]]]
) -> list[Doubt]:
    """One question where the fees of a ledger are in two currencies: `files` has the heading of each file's fees and
    what `beside_amounts` found in them, `columns` the texts of its unread columns, by heading."""
    told = [(w, h, _by_currency(c)) for w in files for h, c in columns[w].items() if says_currency(h, c)]
    beside = [(w, h, c if len(c) > 2 or "" not in c else c - Counter({"": c[""]})) for w, (h, c) in files.items()]
    for found, says in ((told, "says of amounts"), (beside, "holds beside amounts")):
        counts = sum((c for _, _, c in found), Counter[str]())
        several = {name: n for name, n in counts.items() if n >= max(_LEAST_IN, _SHARE_IN * counts.total())}
        if len(several) < 2:
            continue
        shown = in_rows(several, none="none")
        where, heading, _ = found[0]
        more = f" (and in {count(len(found) - 1, 'more file')})" if len(found) > 1 else ""
        return ask(
            "two_currencies",
            where,
            f'column "{heading}"{more} {says} which currency they are in: {shown}. They are read as numbers alone.',
        )
    return []


def _by_currency(counts: Mapping[str, int]) -> Counter[str]:
    found = Counter[str]()
    for text, n in counts.items():
        found[_NAMES.get(text.lower().rstrip("."), "")] += n
    return found


_MOST_HELD, _MOST_STEMS = 100_000, 200
_LEAST_PAID, _SHARE_PAID, _SAID = 5, 0.5, 0.95
_FEWEST_LETTERS, _MOST_SHOWN = 4, 6
_WORK = ("patient_id", "service_date", "code", "tooth_fdi")
_CENT = 0.005


@dataclass
class PaymentsBeside:
    """The first rows with a fee, and by column of words how texts begin on rows below zero and on all others."""

    held: list[pl.DataFrame] = field(default_factory=list)
    rows: int = 0
    below: dict[str, Counter[str]] = field(default_factory=dict)
    above: dict[str, Counter[str]] = field(default_factory=dict)

    def add(self, rows: pl.DataFrame, headings: Sequence[str], numbers: pl.Series, cleaned: pl.DataFrame) -> None:
        """Take in a batch: its cells, their row numbers, and the typed rows."""
        if self.rows >= _MOST_HELD:
            return
        priced = cleaned.filter(STANDS & pl.col("fee").is_not_null() & (pl.col("fee") != 0))
        work = priced.select(work=pl.struct(_WORK).hash(0), fee=pl.col("fee").cast(pl.Float64))
        self.held.append(work)
        self.rows += work.height
        is_below = numbers.is_in(priced.filter(pl.col("fee") < 0)["row_number"].implode())
        is_above = numbers.is_in(priced.filter(pl.col("fee") > 0)["row_number"].implode())
        for heading in headings:
            texts = text_of(rows, heading)
            for counts, these in ((self.below, is_below), (self.above, is_above)):
                held = counts.setdefault(heading, Counter())
                if len(held) <= _MOST_STEMS:
                    stems = texts.filter(these).str.extract(_STEM).str.to_lowercase().fill_null("")
                    held.update(tally(stems))


_STEM = r"^([^\d]*)"  # a number behind the words is that of the work that was paid for


def payment_doubts(where: str, seen: PaymentsBeside, fee: str | None) -> list[Doubt]:
    """One question where at least half of the amounts below zero are of that kind; `fee` is the column of fees."""
    if not seen.held or fee is None:
        return []
    rows = pl.concat(seen.held)
    below = rows.filter(pl.col("fee") < 0).with_row_index("row")
    beside = below.join(rows.filter(pl.col("fee") > 0), on="work", suffix="_above")
    equal = (pl.col("fee") + pl.col("fee_above")).abs() < _CENT
    by_row = beside.group_by("row").agg(equal.any().alias("equal"))
    n = by_row.filter(~pl.col("equal")).height
    if n < max(_LEAST_PAID, _SHARE_PAID * below.height):
        return []
    heading, patterns = _said(seen) or (fee, ["-*"])
    return ask(
        "payments_beside",
        where,
        f"{n:,} of {below.height:,} amounts below zero stand beside work of the same patient, day, code and tooth "
        "that has another amount.",
        status_from(heading, dict.fromkeys(patterns, "void"), "yes: they are no work"),
    )


def _said(seen: PaymentsBeside) -> tuple[str, list[str]] | None:
    """The column, and the patterns, of words that stand on rows below zero alone."""
    for heading, below in sorted(seen.below.items()):
        above = seen.above.get(heading, Counter())
        stems = [s for s in below if len(re.sub(r"\W", "", s)) >= _FEWEST_LETTERS]
        own = [s for s in stems if not any(other.startswith(s) for other in above)]
        if len(own) <= _MOST_SHOWN and sum(below[s] for s in own) >= _SAID * below.total():
            return heading, [f"{stem.strip()}*" for stem in sorted(own)]
    return None
