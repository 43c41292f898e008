"""Entries of a ledger: the numbers that name them, rows that name another one by its number (`Correction to 1045`),
lines that list numbers, and of what kind each is: a charge, a payment, an estimate. Words of the trade in seven
languages, from memory: common practice, no source."""

import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.tables import REVERSAL
from pipeline.reading.doubts.cells import OF, headings_of, text_of
from pipeline.reading.doubts.doubt import Doubt, ask, of_ledger, status_from
from pipeline.reading.doubts.rows_held import Sampled
from pipeline.reading.headings import plain_heading, word_list
from pipeline.reading.sources.standing_names import COMPLETED, named
from pipeline.reading.suggest.shown import quoted

MOST_HELD = 400_000  # of all files together, and of one before the next begins
_MANY = 0.05
_FIELDS = ("patient_id", "code", "tooth")
_LEAST_AGAIN = 3
# Of columns that are not the code.
ENTRY_HEADINGS = frozenset(["procedure no", "procedure number", "procedure nr", "proc no", "proc number", "proc nr"])


def no_keys() -> Sampled:
    """Hashes of keys (`id`) with those of the `patient` and of the `work`, of a share of the keys; none yet."""
    return Sampled("id", MOST_HELD, pl.DataFrame.unique)


def add_keys(held: Sampled, fields: pl.DataFrame) -> None:
    """Take in the fields of some rows, as they are written."""
    id_of = [name for name in ("procedure_id", "site_id") if name in fields.columns]
    work = [name for name in _FIELDS if name in fields.columns]
    key = fields.select(_as_key(id_of))
    is_held = key.select(filled=(pl.col("procedure_id") != "").fill_null(False), id=key.hash_rows(seed=0))
    is_held = is_held.with_columns(filled=pl.col("filled") & held.is_held)
    of = fields.filter(is_held["filled"]).select(_as_key(work))
    ids = is_held.filter("filled")["id"]
    patient = of.select("patient_id").hash_rows(seed=0).alias("patient")
    held.add(pl.DataFrame([ids, patient, of.hash_rows(seed=0).alias("work")]))


def _as_key(names: Sequence[str]) -> pl.Expr:
    return pl.col(names).cast(pl.String).str.strip_chars().str.to_lowercase()


def keys_of_several(table: str, heading: str, files: Sequence[Sampled]) -> list[Doubt]:
    """Keys under which several patients stand, or in one file several pieces of work."""
    for one in files:
        one.settle()
    one_in = max((one.one_in for one in files), default=1)
    pieces = ((n, piece.filter(pl.col("id") % one_in == 0)) for n, one in enumerate(files) for piece in one.pieces)
    held = [piece.with_columns(file=pl.lit(n, pl.Int32)) for n, piece in pieces]
    if not held:
        return []
    rows = pl.concat(held)
    met = rows.filter(rows["id"].is_duplicated())
    in_one = (pl.col("file").n_unique() == 1) & (pl.col("work").n_unique() > 1)
    by_id = met.group_by("id").agg(patients=pl.col("patient").n_unique() > 1, work=in_one)
    again, wrong = by_id.height, int(by_id["patients"].sum())
    works = int(by_id.select(pl.col("patients") | pl.col("work")).to_series().sum())
    if wrong <= _MANY * again and works <= _MANY * again:
        return []
    share = f" (of one in {one_in:,} of them)" if one_in > 1 else ""
    evidence = (
        f'column "{heading}" is read as the key of a row (procedure_id), and {works:,} of its values{share} stand '
        f"at several pieces of work, {wrong:,} of them at several patients. A later row replaces an earlier one of "
        "its key, so work would be lost."
    )
    return ask("row_ids", table, evidence, table=table)


def entries_again(entry: pl.Series, fields: pl.DataFrame, coded: pl.Series) -> Counter[str]:
    """Of rows with a code: how many have an `entry` with the same work again, with other work, and at all."""
    of = [name for name in (*_FIELDS, "service_date") if name in fields.columns]
    rows = fields.select(pl.col(of).cast(pl.String).fill_null("").str.strip_chars()).with_columns(
        entry=entry.filter(coded).cast(pl.String).str.strip_chars().replace("", None)
    )
    rows = rows.drop_nulls("entry")
    works, entries = rows.unique().height, rows["entry"].n_unique()
    return Counter(entry_again=rows.height - works, entry_of_several=works - entries, entries=rows.height)


def again_doubts(where: str, heading: str | None, counts: Mapping[str, int]) -> list[Doubt]:
    """A column of the numbers of entries that nothing reads, and under which the same work stands again."""
    again, rows = counts["entry_again"], counts["entries"]
    if heading is None or again < max(_LEAST_AGAIN, _MANY * rows) or counts["entry_of_several"] > _MANY * rows:
        return []
    return ask(
        "entry_again",
        where,
        f'{again:,} of {rows:,} rows have in the column "{heading}", which is not read, the number of another row '
        "of the same patient, day, code and tooth.",
        of_ledger(f"columns.procedure_id = {quoted(heading)}", "yes: a number is one piece of work"),
    )


_ENTRY_KINDS = word_list("headings of kinds of entry")
# Kinds of entry that are money or words: what stands beside them was not done by it.
_NO_WORK = word_list("entry of money or words")
_CREDIT = word_list("entry of credit")
_MOST_KINDS = 200
_DESCRIPTIONS = word_list("headings of descriptions") | {"details", "particulars", "transaction"}
_MONEY = (
    r"(?i)^\s*((?:(?:dental |prim(?:ary)? |sec(?:ondary)? )?ins(?:urance)?\.?|patient|pat|pt|cash|check|cheque|card|"
    r"credit card|claim|carrier)\s+(?:pmts?|pymts?|payments?|paid|adj(?:ustments?)?|write[- ]?offs?)"
    r"|pmts?|pymts?|payments?|write[- ]?offs?|adjustments?|discounts?|balance forward|finance charges?|"
    r"zahlung(?:seingang)?|kassenzahlung|paiements?|reglements?|règlements?|remboursement|pagos?|cobros?|betaling(?:en)?|"
    r"pagament[oi]|incasso|recebimento)\b"
)


def kind_columns(headings: Iterable[str]) -> list[str]:
    """Headings of the kind of an entry: charge, payment, estimate."""
    return [h for h in headings if plain_heading(h) in _ENTRY_KINDS]


def kinds(texts: pl.Series) -> Counter[tuple[str, str]]:
    """Rows by text and what it makes of a row, of kinds of entry that are no work done."""
    counts = texts.drop_nulls().value_counts(name="n")
    if counts.height > _MOST_KINDS:
        return Counter()
    return Counter({(text.lower(), word): n for text, n in counts.iter_rows() if (word := _kind_is(text))})


def money_lines(texts: pl.Series) -> Counter[tuple[str, str]]:
    """Rows by how a text begins, of descriptions that begin with words for money: `Ins pmt Crown`."""
    counts = texts.drop_nulls().value_counts(name="n")
    name = counts.columns[0]
    found: Counter[tuple[str, str]] = Counter()
    for text, n in counts.filter(pl.col(name).str.contains(_MONEY)).iter_rows():
        if met := re.match(_MONEY, text):
            found[f"{' '.join(met[1].lower().split())}*", "void"] += n
    return found


def described(headings: Iterable[str]) -> list[str]:
    """Headings of what was done, in words, apart from those of notes, which may tell of money too."""
    return [h for h in headings if plain_heading(h) in _DESCRIPTIONS]


def _kind_is(text: str) -> str:
    plain = plain_heading(text)
    if plain in _NO_WORK:
        return "void"
    if plain in _CREDIT:
        return REVERSAL
    said = named(text)
    return said.word if said.is_whole and said.word != "completed" else ""


_MOST_HELD, _LEAST, _NEARLY_ALL, _MOST_SHOWN = 400_000, 3, 0.8, 4
_KEY = r"^\d{2,}$"
_BEHIND_WORDS = r"^(\D*\p{L}\D{0,40})(\d{2,})\W*$"
_BEFORE_LETTERS = r"^(\d{2,})([-/. ]?\p{L}{1,3}|[-/.][1-9])$"
_MET = {"heading": pl.String(), "form": pl.String(), "n": pl.UInt32()}


@dataclass
class EntryReferences:
    """Numbers of entries with their patients, and what may name one: `heading, form, number, patient, own`; `met`,
    found at the end, are `heading, form, n` of texts most of which name another entry of their patient."""

    keys: list[pl.DataFrame] = field(default_factory=list)
    named: list[pl.DataFrame] = field(default_factory=list)
    held: int = 0
    met: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=_MET))

    def add(self, rows: pl.DataFrame, patients: pl.Series, key: str | None, headings: Iterable[str]) -> None:
        """Take in a batch; `key` is the column of the numbers of entries, `headings` those that nothing reads."""
        if key is None or self.held > _MOST_HELD:
            return
        own = text_of(rows, key)
        patient = patients.cast(pl.String).str.strip_chars().alias("patient")
        self.keys.append(pl.DataFrame({"patient": patient, "key": own}).filter(pl.col("key").str.contains(_KEY)))
        self.held += rows.height
        for heading in (key, *headings):
            text = own if heading == key else text_of(rows, heading)
            frame = pl.DataFrame({"patient": patient, "own": own, "text": text})
            if heading == key:
                number, letters = (pl.col("text").str.extract(_BEFORE_LETTERS, part) for part in (1, 2))
                form = pl.lit("*") + letters
            else:
                words, number = (pl.col("text").str.extract(_BEHIND_WORDS, part) for part in (1, 2))
                form = words.str.strip_chars() + pl.lit("*")
            met = frame.select("patient", "own", number=number, form=form).drop_nulls("number")
            if met.height:
                self.named.append(met.with_columns(heading=pl.lit(heading)))

    def end(self) -> None:
        """All rows are in: only what was found in them is held from now on."""
        self.met, self.keys, self.named = self._met(), [], []

    def _met(self) -> pl.DataFrame:
        if not self.named:
            return self.met
        keys = pl.concat(self.keys).unique().with_columns(is_there=pl.lit(True))
        named = pl.concat(self.named).join(keys, left_on=["patient", "number"], right_on=["patient", "key"], how="left")
        is_other = pl.col("is_there").fill_null(False) & (pl.col("own") != pl.col("number")).fill_null(True)
        by = named.group_by("heading", "form").agg(is_other.sum().alias("n"), pl.len())
        return by.filter((pl.col("n") >= _LEAST) & (pl.col("n") >= _NEARLY_ALL * pl.col("len"))).sort(
            ["n", "heading", "form"], descending=[True, False, False]
        )


def reference_doubts(where: str, seen: EntryReferences, *, told: Collection[str], has_fee: bool) -> list[Doubt]:
    """A question for each column whose texts name other entries."""
    met = seen.met.filter(~pl.col("heading").is_in(list(told)))
    found = []
    for heading in met["heading"].unique(maintain_order=True):
        forms = met.filter(pl.col("heading") == heading).head(_MOST_SHOWN)
        made = {form.lower(): REVERSAL if has_fee else "void" for form in forms["form"]}
        shown = ", ".join(
            f"{form.replace('*', '…')} ({count(n, 'row')})" for form, n in forms.select("form", "n").iter_rows()
        )
        found += ask(
            "entry_references",
            where,
            f'texts of column "{heading}" name the number of another entry of the same patient: {shown}.',
            status_from(
                heading,
                made,
                "it takes back the row of the same work and fee"
                if has_fee
                else "the row itself is nothing; name columns.fee, so that it can take back the other one",
            ),
        )
    return found


_NUMBERS = re.compile(r"(?<![\w.,/-])\d{3,}(?![\w./-])")
_LEAST_LISTED, _SHARE_LISTED = 3, 0.5
# Before the first number stand words, and no cell of a row.
_LINE = re.compile(r"^\W*[^\W\d_][^\d;|\t]*[:\s]\s*\d")


@dataclass
class NumbersListed:
    """Numbers by the word that such lines say of them."""

    by_word: dict[str, set[str]] = field(default_factory=dict)

    def add(self, malformed: pl.DataFrame) -> None:
        """Take in the records of a batch that are no rows."""
        for line in malformed["raw_row"].drop_nulls().unique(maintain_order=True):
            numbers = set(_NUMBERS.findall(line))
            if len(numbers) < _LEAST_LISTED or not _LINE.match(line):
                continue
            said = named(line)
            if said.words and said.word != COMPLETED:
                self.by_word.setdefault(said.word, set()).update(numbers)


def listed_doubts(where: str, seen: NumbersListed, frame: pl.DataFrame) -> list[Doubt]:
    """A question for each word, of the column that holds most of its numbers; `frame` as `rows_held.RowsHeld.frame`."""
    found = []
    for word, numbers in sorted(seen.by_word.items()):
        there = {h: frame.filter(pl.col(OF + h).is_in(list(numbers))) for h in headings_of(frame)}
        met = {h: rows[OF + h].n_unique() for h, rows in there.items()}
        heading = max(met, key=lambda h: (met[h], h), default=None)
        if heading is None or met[heading] < max(_LEAST_LISTED, _SHARE_LISTED * len(numbers)):
            continue
        rows = there[heading].height
        found += ask(
            "status_in_titles.numbers",
            where,
            f"a line that is no row lists {count(len(numbers), 'number')} under a word for {word}, and "
            f'{met[heading]:,} of them stand in the column "{heading}", '
            f"on {count(rows, 'row')} that nothing else tells from work done.",
            status_from(heading, {"<number>": word}, "one for each number of the line"),
            word=word,
        )
    return found
