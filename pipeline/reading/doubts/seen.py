"""What is seen of one file while its rows are read: sums and distinct texts that the doubts are found in."""

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.fields import kind
from pipeline.reading.doubts.amounts import (
    PaymentsBeside,
    amount_columns,
    amount_words,
    below_zero,
    beside_amounts,
    payment_doubts,
    signed_columns,
)
from pipeline.reading.doubts.answers import Answers, is_amount, is_below_zero
from pipeline.reading.doubts.audit_trail import AuditSeen
from pipeline.reading.doubts.cells import STANDS, headed, is_of_others, tally, text_of
from pipeline.reading.doubts.codes import CodeTexts, text_heading
from pipeline.reading.doubts.doubt import Doubt
from pipeline.reading.doubts.entries import (
    ENTRY_HEADINGS,
    EntryReferences,
    NumbersListed,
    add_keys,
    described,
    entries_again,
    kind_columns,
    kinds,
    money_lines,
    no_keys,
)
from pipeline.reading.doubts.marked_cells import marked
from pipeline.reading.doubts.people import PeopleSeen
from pipeline.reading.doubts.row_sums import RowSums, sum_doubts
from pipeline.reading.doubts.rows_held import RowsHeld, Sampled
from pipeline.reading.doubts.second_day import DaysBeside, beside
from pipeline.reading.doubts.sections import SectionsSeen
from pipeline.reading.doubts.standing import (
    MOST_TEXTS,
    flag_columns,
    flag_texts,
    is_reversing,
    matches,
    phrases,
    text_columns,
)
from pipeline.reading.doubts.status_words import few_texts, months_of
from pipeline.reading.doubts.texts_beside import DoubledWork
from pipeline.reading.doubts.tooth_numbers import TeethBy, in_class, listed_quadrant, quadrant_text
from pipeline.reading.doubts.unread_columns import PartlyFilled, Unread
from pipeline.reading.doubts.whole_export import Counted
from pipeline.reading.doubts.work_seen import WorkSeen
from pipeline.reading.headings import PART, fit, numbered_like, plain_heading
from pipeline.reading.sources.sections import LINE_BELOW, SECTION
from pipeline.reading.sources.source import SHEET
from pipeline.reading.suggest.profile import CUT

MOST_DAYS = 200_000
_FEW_OF = ("provider_id", "site_id")  # what a column of few texts is taken for where its heading says nothing


@dataclass
class Seen:
    """Sums over the rows of one file; give every batch to `add`, then read the sums."""

    table: str
    file: str
    headings: Sequence[str]
    answers: Answers
    known_codes: pl.Series | None = None
    classes: pl.DataFrame | None = None  # `code, said`: codes that are for one class of tooth
    work: WorkSeen | None = None  # what the rows of a ledger are together
    is_mended: bool = False
    is_ours: bool = False  # it names our fields itself, and every cell means one thing
    exported_on: dt.date | None = None  # as the lines above the rows, or the name of the file, say
    made: frozenset[str] = frozenset()  # fields made of columns
    parts: frozenset[str] = frozenset()  # columns of which nothing is left over once a field is made of them
    # Rows: `rows`, `records` (without lines that are none), `credit`, `further`, `teeth_beside`, `tooth_zero`, …
    counts: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    unknown: Counter[str] = field(default_factory=Counter)
    days: dict[str, pl.Series] = field(default_factory=dict)  # distinct texts of each date field
    years: Counter[int] = field(default_factory=Counter)  # rows with a day of work
    visits: pl.Series = field(default_factory=lambda: pl.Series([], dtype=pl.UInt64()))
    sheets: dict[str, set[int]] = field(default_factory=dict)  # hashes of the rows of each sheet
    flags: dict[str, Counter[str]] = field(default_factory=dict)  # texts by column that says whether a row stands
    phrases: dict[str, Counter[tuple[str, str]]] = field(default_factory=dict)  # what words or the kind of an entry say
    amounts: dict[str, Counter[tuple[str, str]]] = field(default_factory=dict)  # numbers below zero
    marks: dict[tuple[str, str], Counter[tuple[str, str]]] = field(default_factory=dict)  # behind values of a column
    met: Counter[tuple[str, str]] = field(default_factory=Counter)  # rows by column and pattern of `status_from`
    statuses: Counter[str] = field(default_factory=Counter)
    status_months: Counter[tuple[str, int]] = field(default_factory=Counter)
    mark_months: dict[str, Counter[tuple[str, int]]] = field(default_factory=dict)  # by heading of `status_from`
    words: dict[str, Counter[str]] = field(default_factory=dict)  # of columns with few texts
    sections: SectionsSeen = field(default_factory=SectionsSeen)
    tooth_systems: Counter[str] = field(default_factory=Counter)  # addresses of numberings that are not known
    dittos: Counter[str] = field(default_factory=Counter)  # marks for the same again, by heading
    cut: Counter[str] = field(default_factory=Counter)  # cells that a spreadsheet did not write out, by field
    row_ids: Sampled = field(default_factory=no_keys)
    teeth_by: TeethBy = field(default_factory=TeethBy)
    in_class: Counter[tuple[str, bool]] = field(default_factory=Counter)  # rows with such a code; see `in_class`
    audit: AuditSeen = field(default_factory=AuditSeen)
    counted: Counted = field(default_factory=Counted)
    listed: NumbersListed = field(default_factory=NumbersListed)
    beside: DaysBeside = field(default_factory=DaysBeside)
    texts: CodeTexts = field(default_factory=CodeTexts)
    merged_into: dict[str, Counter[str]] = field(default_factory=dict)
    partly_filled: PartlyFilled = field(default_factory=PartlyFilled)
    not_read: Unread = field(default_factory=Unread)
    references: EntryReferences = field(default_factory=EntryReferences)
    amount_words: dict[str, Counter[str]] = field(default_factory=dict)
    currencies: Counter[str] = field(default_factory=Counter)
    doubled: DoubledWork | None = None  # texts beside work that stands twice
    sums: RowSums | None = None  # what the amounts say of rows
    held: RowsHeld | None = None  # the rows of a ledger that stand, or those of some of its patients
    payments: PaymentsBeside | None = field(default_factory=PaymentsBeside)
    of_amounts: list[Doubt] = field(default_factory=list)  # what was found in `sums` and `payments`
    quadrant_lists: Sequence[str] = ()  # columns of a list of quadrants that stands beside
    _known: set[str] = field(default_factory=set)
    _left: list[str] = field(default_factory=list)
    _signed: list[str] = field(default_factory=list)  # may turn out to hold signed amounts
    _teeth: list[pl.DataFrame] = field(default_factory=list)

    def __post_init__(self) -> None:
        free = [h for h in self.headings if h not in self.answers.columns.values() and h not in self.parts]
        told = self.answers.beside
        left = [h for h in free if h not in told]
        self.who = PeopleSeen(self.table, self.answers, free, told)
        jaw, side = headed(left, "jaw"), headed(left, "side")
        self.quadrants_there = headed(left, "quadrant")[:1] or ([jaw[0], side[0]] if jaw and side else [])
        # A column of a list of patients with numbers of others, but for those of a family, an account or a referral.
        is_list = self.table == "patients" and not (self.answers.merged or self.is_ours)
        self.merges = [h for h in left if is_list and not (h.startswith("(") or is_of_others(h))]
        is_ledger = self.table == "procedures"
        self.credits, self.estimates = (headed(left, of) if is_ledger else [] for of in ("credit", "estimate"))
        self.kinds: list[str] = []
        self.who_or_where: list[str] = []
        self.unread: list[str] = []  # columns of a ledger that no field and no answer takes
        self.entry: str | None = None  # the column of the numbers of entries
        columns = self.answers.columns
        if is_ledger and not self.is_ours:
            days = beside([h for h in free if h not in self.told], columns.get("service_date"))
            self.beside.headings, self.beside.may_be = days
            self.texts.heading = text_heading(free, columns.get("code"))
        if is_ledger:
            self.flags = {h: Counter() for h in flag_columns(free)}
            self.kinds = [h for h in kind_columns(free) if h not in self.flags]
            self.phrases = {h: Counter() for h in (*text_columns(self.headings), *self.kinds)}
            self.amounts = {h: Counter() for h in amount_columns(free)}
            self._signed = [h for h in free if h not in (*self.amounts, *self.flags) and h not in told]
            self.unread = [h for h in free if h not in told and not h.startswith("(")]
            fees = [h for h in free if fit(h.rpartition(".")[2], "fee") >= PART]
            of_money = (*self.amounts, *fees, *(h for f, h in columns.items() if f == "fee"))
            self.amount_words = {h: Counter() for h in of_money if h in self.headings}
            may_be = (h for h in self.unread if fit(h, "procedure_id") >= PART or plain_heading(h) in ENTRY_HEADINGS)
            self.entry = columns.get("procedure_id") or next(may_be, None)
            looked_at = {*self.flags, *self.phrases, *self.amounts, *told} - set(self.kinds)
            self.who_or_where = [columns[f] for f in _FEW_OF if f in columns]
            self._left = [h for h in (*free, *self.who_or_where) if h not in looked_at]
        read = {f: h for f, h in columns.items() if f not in self.made}
        if is_ledger and not self.is_ours:
            self.marks = {(f, read[f]): Counter() for f in ("code", "tooth", "fee") if f in read}
            if "fee" not in read:
                self.marks |= {("fee", h): Counter() for h in self.amounts}
        self._known = set() if self.known_codes is None else set(self.known_codes)
        self.further, self.teeth_beside = (
            [h for h in numbered_like(read[f], self.headings) if h in free] if f in read else []
            for f in ("code", "tooth")
        )

    def add(
        self,
        rows: pl.DataFrame,
        fields: pl.DataFrame,
        *,
        cleaned: pl.DataFrame,
        rejects: pl.DataFrame,
        section: pl.Series | None = None,
    ) -> None:
        """Take in a batch: cells, the fields made of them, the typed rows and those set aside, and sections."""
        is_ledger = self.table == "procedures"
        self.counts.update(rows=fields.height, records=fields.height)
        self.who.add(rows, fields, cleaned)
        cut = fields.select(pl.col(pl.String).str.contains(CUT).sum())
        self.cut.update(dict(zip(cut.columns, cut.row(0), strict=True)) if cut.columns else {})
        self.quadrants_there = listed_quadrant(rows, self.quadrant_lists) or self.quadrants_there
        if "tooth" in fields.columns:
            teeth = pl.DataFrame({"tooth": fields["tooth"].cast(pl.String).str.strip_chars()})
            if self.quadrants_there:
                teeth = teeth.with_columns(quadrant_text(rows, self.quadrants_there).alias("quadrant"))
            self._teeth.append(teeth.drop_nulls("tooth").group_by(teeth.columns).agg(pl.len().alias("n")))
        for name in fields.columns:
            if kind(self.table, name) == "date" and fields.schema[name] == pl.String:
                self._add_days(name, fields[name])
        if "procedure_id" in fields.columns and not (self.is_mended or self.is_ours):
            add_keys(self.row_ids, fields)
        if is_ledger and self.exported_on is not None:
            self.counts["dated"] += cleaned["service_date"].count()
            self.counts["after"] += cleaned.filter(STANDS, pl.col("service_date") > self.exported_on).height
        if is_ledger:
            self._add_work(rows, fields, cleaned, rejects)
            self.years.update(tally(cleaned["service_date"].dt.year().drop_nulls()))
            if len(self.visits) < MOST_DAYS:
                days = cleaned.select("patient_id", "service_date").hash_rows(seed=0)
                self.visits = pl.concat([self.visits, days]).unique()
        if SHEET in rows.columns:
            hashes = fields.select(*self.answers.columns).hash_rows(seed=0)
            for (sheet,), of in pl.DataFrame({"sheet": rows[SHEET], "hash": hashes}).group_by("sheet"):
                self.sheets.setdefault(str(sheet), set()).update(of["hash"])
        if "row_number" in fields.columns and rejects.height:
            lost = fields["row_number"].is_in(rejects["row_number"].implode())
            cells = pl.concat_str(pl.all().cast(pl.String).fill_null(""), separator="|")
            self.counted.add(fields["row_number"].filter(lost), rows.filter(lost).select(cells).to_series())
        if "row_number" in fields.columns:
            self.counted.ends(fields["row_number"], rejects)
        is_nought = (pl.col("field") == "tooth") & pl.col("value").str.contains(r"^\s*0+(?:\.0+)?\s*$")
        self.counts["tooth_zero"] += rejects.filter(is_nought).height
        self.reasons.update(tally(rejects["reason"]))
        if self.known_codes is not None and cleaned.height:
            codes = cleaned["code"]
            self.unknown.update(tally(codes.filter(~codes.is_in(self.known_codes.implode()))))
            self.counts["coded"] += cleaned.height
        if self.classes is not None and cleaned.height:
            self.in_class.update(in_class(cleaned, self.classes, self.answers.notation))
        for heading in self.merges:
            pairs = pl.DataFrame({"into": _filled(rows.get_column(heading)), "own": _filled(fields["patient_id"])})
            pairs = pairs.drop_nulls().filter((pl.col("into") != "0") & (pl.col("into") != pl.col("own")))
            held = self.merged_into.setdefault(heading, Counter())
            if len(held) <= MOST_TEXTS:
                held.update(tally(pairs["into"]))
        if self.credits and "code" in fields.columns:
            self.counts["credit"] += _uncharged(rows, fields, self.credits[0])
        if is_ledger and fields.schema.get("fee") == pl.String:
            self.currencies += beside_amounts(fields["fee"])
        if self.estimates and {"code", "fee"} <= set(fields.columns):
            self.counts["estimate"] += _uncharged(rows, fields, self.estimates[0])
        for heading, texts in self.flags.items():
            if len(texts) <= MOST_TEXTS:
                among = None
                if is_reversing(heading) and "fee" in fields.columns:  # what is below zero takes back by itself
                    among = ~fields.select(is_below_zero(pl.col("fee").cast(pl.String))).to_series()
                texts.update(flag_texts(heading, self._untold(rows, heading, among=among)))
        if is_ledger and rows.height:
            if not self.is_ours:
                there = [h for h in self.headings if h in rows.columns]
                free = [h for h in there if h not in self.answers.columns.values()]
                keys = [h for h in there if h in free or h == self.answers.columns.get("procedure_id")]
                self.audit.add(rows, fields["patient_id"], free, [h for h in keys if not h.startswith("(")])
            if self._signed:
                new = signed_columns(rows, self._signed)
                self.amounts |= {h: Counter() for h in new}
                self._left = [h for h in self._left if h not in new]
                self._signed = []
            if self._left:
                self.words, self._left = few_texts(rows, self._left), []
            for heading, texts in self.words.items():
                if len(texts) <= MOST_TEXTS:
                    texts.update(tally(self._untold(rows, heading).fill_null("")))
        if "tooth" in fields.columns and not self.is_ours:
            few = {*self.words, *self.who_or_where} if is_ledger else ()
            self.teeth_by.add(rows, fields, cleaned, [h for h in few if h in rows.columns])
        for heading, said in self.phrases.items():
            if heading not in self.kinds:
                said.update(phrases(self._untold(rows, heading)))
        if is_ledger and self.has_status and len(self.statuses) <= MOST_TEXTS:
            own = self._untold(rows, self.answers.columns["status"]).fill_null("")
            self.statuses.update(tally(own))
            self.status_months.update(months_of(own, fields, cleaned))
        for heading in {heading for heading, _, _ in self.answers.marks if self.table == "procedures"}:
            if heading in rows.columns and rows[heading].n_unique() <= MOST_TEXTS:
                own = text_of(rows, heading).fill_null("")
                self.mark_months.setdefault(heading, Counter()).update(months_of(own, fields, cleaned))
        for heading, pattern, _ in self.answers.marks:
            if heading in rows.columns:
                self.met[heading, pattern] += int(rows.select(matches(pl.col(heading), pattern).sum()).item())
        for (name, heading), said in self.marks.items():
            said.update(marked(self._untold(rows, heading), name, known=self._known))
        if is_ledger:
            self.sections.add_names(rows.get_column(SECTION) if SECTION in rows.columns else section)
        if is_ledger and "code" in fields.columns:
            self._add_coded(rows, fields, section)
        for name, headings in (("further", self.further), ("teeth_beside", self.teeth_beside)):
            self.counts[name] += sum(_filled(rows.get_column(heading)).count() for heading in headings)

    def add_lines(self, malformed: pl.DataFrame) -> None:
        """Take in the records of a batch that are no rows; see `pipeline.reading.sources.source.Batch`."""
        self.reasons.update(tally(malformed["reason"].fill_null("malformed_line")))
        self.counts["rows"] += malformed.height
        if self.table == "procedures":
            told = [pattern for heading, pattern, _ in self.answers.marks if heading == LINE_BELOW]
            self.sections.add_lines(malformed, told)
            self.listed.add(malformed)
        self.counted.add(malformed["row_number"], malformed["raw_row"].fill_null(""))
        self.counted.ends(malformed["row_number"].clear(), malformed)
        if self.sums is not None:
            self.sums.add_lines(malformed)
        strange = malformed.filter(pl.col("reason") == "tooth_system_unknown")["value"].str.extract(r"^(\S+?)\|")
        self.tooth_systems.update(strange.drop_nulls())

    def end(self, *, is_whole: bool) -> None:
        """The last batch is in. What hangs on many rows of this file alone is found now, and these are let go."""
        self.sections.is_whole = is_whole
        columns = self.answers.columns
        if self.sums is not None:
            self.of_amounts += sum_doubts(self.where, self.sums, columns)
        if self.payments is not None:
            self.of_amounts += payment_doubts(self.where, self.payments, columns.get("fee"))
        self.sums = self.payments = None
        self.references.end()

    @property
    def where(self) -> str:
        """The table and the file, as a doubt names them."""
        return f"{self.table}: {self.file}"

    @property
    def told(self) -> set[str]:
        """The columns of which PRACTICE.toml says what their texts make of a row."""
        return {heading for heading, _, _ in self.answers.marks}

    @property
    def has_status(self) -> bool:
        """Whether a column is read as the status."""
        return "status" in self.answers.columns

    @property
    def has_fee(self) -> bool:
        """Whether a column is read as the fee."""
        return "fee" in self.answers.columns

    @property
    def teeth(self) -> pl.DataFrame:
        """`tooth, n`, and `quadrant` where a column is headed so."""
        if not self._teeth:
            return pl.DataFrame(schema={"tooth": pl.String(), "n": pl.UInt32()})
        found = pl.concat(self._teeth)
        return found.group_by(c for c in found.columns if c != "n").agg(pl.col("n").sum())

    def _add_work(self, rows: pl.DataFrame, fields: pl.DataFrame, cleaned: pl.DataFrame, rejects: pl.DataFrame) -> None:
        """Days, patients and descriptions of a ledger."""
        if "service_date" in fields.columns and not (self.is_ours or self.is_mended):
            self.beside.add(rows, fields["service_date"])
        if "code" in fields.columns and not self.is_ours:
            self.texts.add(rows, fields["code"])
        if self.work is not None:
            self.work.add(cleaned)
        if self.doubled is not None and "row_number" in fields.columns and not (self.is_ours or self.is_mended):
            beside = [h for h in (*self.unread, *self.who_or_where) if h in rows.columns]
            self.doubled.add(rows, list(dict.fromkeys(beside)), fields["row_number"], cleaned)
            if self.held is not None:
                keys = [h for h in (self.entry,) if h is not None and h in rows.columns]
                unread = [h for h in self.unread if h in rows.columns and h not in keys]
                self.held.add(rows, [*keys, *unread], fields, cleaned, rejects)
            if self.payments is not None:
                self.payments.add(rows, [h for h in self.phrases if h in rows.columns], fields["row_number"], cleaned)
            if self.sums is not None:
                self.sums.add(rows, fields, cleaned, beside, list(self.phrases))

    def _add_coded(self, rows: pl.DataFrame, fields: pl.DataFrame, section: pl.Series | None) -> None:
        """What only matters of rows with a procedure code."""
        section = rows.get_column(SECTION) if SECTION in rows.columns else section
        coded = _filled(fields["code"]).is_not_null()
        unread = [h for h in self.unread if h in rows.columns]
        if not (self.is_ours or self.is_mended):
            self.partly_filled.add(rows, unread, coded)
            self.not_read.add(rows, unread, fields, coded)
            entry = self.entry if self.entry in rows.columns else None
            if entry is not None and entry in unread:
                self.counts.update(entries_again(rows.get_column(entry), fields.filter(coded), coded))
            self.references.add(rows, fields["patient_id"], entry, [h for h in unread if h != entry])
            for heading, words in self.amount_words.items():
                if heading in rows.columns:
                    words.update(amount_words(rows.get_column(heading).filter(coded)))
        self.sections.add_silent(rows.get_column(SHEET) if SHEET in rows.columns else None, coded, section)
        if self._known and (texts := described(h for h in self.phrases if h not in self.kinds)):
            known = fields["code"].cast(pl.String).str.strip_chars().str.to_uppercase().is_in(list(self._known))
            for heading in texts:
                self.phrases[heading].update(money_lines(self._untold(rows, heading, among=known.fill_null(False))))
        if not self.kinds and not self.amounts and section is None:
            return
        for heading in self.kinds:
            self.phrases[heading].update(kinds(self._untold(rows, heading, among=coded)))
        if self.amounts:
            charged = coded
            if "fee" in fields.columns:
                charged &= ~fields.select(is_below_zero(pl.col("fee").cast(pl.String))).to_series()
            for heading, found in self.amounts.items():
                found.update(below_zero(self._untold(rows, heading, among=charged)))
        if section is None:
            return
        own = self.answers.columns.get("status")
        status = _filled(rows.get_column(own)) if own else pl.Series([None] * rows.height, dtype=pl.String)
        self.sections.add(section, coded, status, self._is_told(section, SECTION))

    def _untold(self, rows: pl.DataFrame, heading: str, *, among: pl.Series | None = None) -> pl.Series:
        """The texts of a column but for those of which PRACTICE.toml says what they make of a row."""
        texts = text_of(rows, heading)
        texts = texts if among is None else texts.filter(among)
        told = self._is_told(texts, heading)
        return texts if told is None else texts.filter(~told)

    def _is_told(self, texts: pl.Series, heading: str) -> pl.Series | None:
        """Of which texts PRACTICE.toml says what they make of a row; None if it says nothing of the column."""
        told = [matches(pl.col("text"), pattern) for of, pattern, _ in self.answers.marks if of == heading]
        return texts.to_frame("text").select(pl.any_horizontal(told)).to_series() if told else None

    def _add_days(self, name: str, texts: pl.Series) -> None:
        before = self.days.get(name, pl.Series(name, [], dtype=pl.String))
        if before.len() <= MOST_DAYS:
            self.days[name] = pl.concat([before, texts.unique().drop_nulls().alias(name)]).unique()


def _uncharged(rows: pl.DataFrame, fields: pl.DataFrame, heading: str) -> int:
    """How many rows have a code, an amount in a column and none in that of fees."""
    fee = fields["fee"].cast(pl.String) if "fee" in fields.columns else pl.lit(None, pl.String).alias("fee")
    cells = pl.DataFrame({"amount": text_of(rows, heading), "code": _filled(fields["code"])}).with_columns(fee)
    is_so = is_amount(pl.col("amount")) & ~is_amount(pl.col("fee")) & pl.col("code").is_not_null()
    return cells.filter(is_so).height


def _filled(texts: pl.Series) -> pl.Series:
    return texts.cast(pl.String).str.strip_chars().replace("", None)
