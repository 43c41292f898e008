"""Who the rows of one file are of; numbers of no patient, or of many; a list numbered by another key than the ledger.
Common practice, no source."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.practice.counts import count
from pipeline.practice.tables import PROCEDURES
from pipeline.reading.doubts.answers import Answers
from pipeline.reading.doubts.cells import headed, text_of
from pipeline.reading.doubts.doubt import Doubt, ask, samples, status_from

_MOST_PIECES = 64
_DAY_OF = {"procedures": "service_date", "patients": "birth_date"}
_PEOPLE = {n: pl.String() for n in ("id", "site", "name", "born", "dependant")}


@dataclass
class PeopleSeen:
    """Distinct people of the rows given to `add`; `named`, `born` and `dependants` are the headings that tell them."""

    table: str
    answers: Answers
    free: Sequence[str]  # headings that no field takes
    told: Sequence[object] = ()  # those of them that PRACTICE.toml takes otherwise
    _people: list[pl.DataFrame] = field(default_factory=list)
    _first_days: list[pl.DataFrame] = field(default_factory=list)

    def __post_init__(self) -> None:
        first, last = headed(self.free, "first_name"), headed(self.free, "name")
        self.named = [*first, *last][:2]
        self.born = self.answers.columns.get("birth_date") or next(iter(headed(self.free, "born")), None)
        self.dependants = headed([h for h in self.free if h not in self.told], "dependant")

    def add(self, rows: pl.DataFrame, fields: pl.DataFrame, cleaned: pl.DataFrame) -> None:
        """Take in a batch: its cells, the fields made of them and the typed rows."""
        self._add(self._people_of(rows, fields))
        if (day := _DAY_OF.get(self.table)) is not None:
            self._first_days.append(earliest([cleaned.select(id="patient_id", day=day)]))
            if len(self._first_days) >= _MOST_PIECES:
                self._first_days = [earliest(self._first_days)]

    def add_ids(self, ids: pl.Series) -> None:
        """Take in patients alone, of a file whose rows are not read."""
        self._add(distinct_people([pl.DataFrame({"id": ids.str.strip_chars().replace("", None)})]))

    @property
    def people(self) -> pl.DataFrame:
        """One row per distinct `id, site, name, born, dependant`; what the file does not tell is null."""
        if len(self._people) != 1:  # each piece has one row of a kind
            self._people = [distinct_people(self._people)]
        return self._people[0]

    @property
    def first_days(self) -> pl.DataFrame:
        """`id, day`: the first day of work of each patient of a ledger, the birth of each one of a list of patients."""
        return earliest(self._first_days)

    def _add(self, people: pl.DataFrame) -> None:
        self._people.append(people)
        if len(self._people) >= _MOST_PIECES:
            self._people = [distinct_people(self._people)]

    def _people_of(self, rows: pl.DataFrame, fields: pl.DataFrame) -> pl.DataFrame:
        named = [text_of(rows, h) for h in self.named]
        columns = {"id": fields["patient_id"].cast(pl.String).str.strip_chars()}
        if "site_id" in fields.columns:
            columns["site"] = fields["site_id"].cast(pl.String)
        if named:
            columns["name"] = pl.select(pl.concat_str(named, separator=" ", ignore_nulls=True)).to_series()
        if self.born:
            columns["born"] = text_of(rows, self.born)
        if self.dependants:
            columns["dependant"] = text_of(rows, self.dependants[0])
        found = pl.DataFrame(columns)
        if self.answers.merged:  # what stands beside a number given up is no one's now
            is_old = self.answers.unmerged_ids(rows).is_in(list(self.answers.merged)).fill_null(False)
            beside = [n for n in found.columns if n not in ("id", "site")]
            found = found.with_columns(pl.when(~is_old).then(pl.col(n)).alias(n) for n in beside)
        return distinct_people([found.unique().with_columns(pl.all().replace("", None))])


def distinct_people(pieces: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """The distinct rows of some pieces that have an `id`; what none of them tells is compared for none."""
    rows = pl.concat([pl.DataFrame(schema=_PEOPLE), *pieces], how="diagonal").drop_nulls("id")
    return rows.unique([n for n in _PEOPLE if rows[n].null_count() < rows.height] or None)


def earliest(frames: Sequence[pl.DataFrame]) -> pl.DataFrame:
    """One row per `id` with the first `day` of some frames of both."""
    rows = pl.concat([pl.DataFrame(schema={"id": pl.String(), "day": pl.Date()}), *frames]).drop_nulls()
    return rows.group_by("id").agg(pl.col("day").min())


# What a record to try things out is called. Surnames such as Sample or Muster are left out on purpose.
_TRIAL_WORDS = "test|tests|testing|testpatient|demo|dummy|training|mustermann|musterfrau|prueba|pruebas"
_TRIAL = rf"(?i)(?:^|[^\p{{L}}])(?:z{{1,4}}[\s._-]*)?({_TRIAL_WORDS})(?:$|[^\p{{L}}])|(?i)do not use|^\s*zz+"
_MOST_TRIALS = 0.1
# Some patient may really have such a number, but hardly five times the rows of others too.
_FILLER = r"^(?:0+|9{3,}|1{4,}|[xX]{2,})$"
_MANY_ROWS, _TIMES = 20, 5
# What sums of all patients are called where a patient's number stands elsewhere.
_SUMS = r"(?i)^(?:all(?: patients)?|(?:grand |sub)?totals?|sums?|gesamt|alle|summe|tous|todos|totaal|totale|tutti)$"
_LEAST_IDS, _LEAST_SUMS, _FEW_WORDS = 20, 3, 0.01


def trial_records(where: str, table: str, people: pl.DataFrame, heading: str | None) -> list[Doubt]:
    """Patients whose name says that they are none; rows of the ledger can be told to count for nothing by it."""
    named = people.select("id", "name").drop_nulls()
    n = named["id"].n_unique()
    found = named.filter(pl.col("name").str.contains(_TRIAL))
    trials = found["id"].n_unique()
    if not trials or heading is None or trials > max(1, _MOST_TRIALS * n):
        return []
    words = found["name"].str.strip_chars().str.to_lowercase().str.extract(rf"(^\s*zz+|do not use|{_TRIAL_WORDS})", 1)
    made = {f"{'' if word.startswith('zz') else '*'}{word}*": "void" for word in sorted(words.drop_nulls().unique())}
    line = status_from(heading, made, "yes: they count for nothing") if table == PROCEDURES.name else None
    evidence = (
        f'the names of {trials:,} of {n:,} patients, in the column "{heading}", say that they are none: test, demo '
        "and the like."
    )
    return ask("trial_patients.ledger" if line else "trial_patients", where, evidence, line)


def shared_by_many(where: str, heading: str, rows: pl.DataFrame) -> list[Doubt]:
    """One number made up of one digit with the rows of many; `rows` has one per `id` with its rows `n`."""
    usual = float(rows["n"].cast(pl.Float64).median() or 0)  # type: ignore[arg-type]
    is_filler = pl.col("id").str.contains(_FILLER) & (pl.col("n") >= _MANY_ROWS) & (pl.col("n") >= _TIMES * usual)
    fillers = rows.filter(is_filler).sort("id")
    if fillers.is_empty():
        return []
    # Such a number is no one's own; any other is not shown.
    shown = fillers["id"][0]
    return ask(
        "shared_number",
        where,
        f"under {fillers.height:,} patient number{'s' if fillers.height > 1 else ''} ({shown}) stand "
        f"{count(int(fillers['n'].sum()), 'row')}, as many as of several patients.",
        status_from(heading, {shown: "void"}, "yes: its rows count for nothing, for nobody can tell whose they are"),
    )


def word_among_numbers(where: str, heading: str, rows: pl.DataFrame) -> list[Doubt]:
    """A word or two where every other patient has a number: sums of all, or charges of none; `rows` is `id, n`."""
    words = rows.filter(~pl.col("id").str.contains(r"\d"), pl.col("n") >= _LEAST_SUMS).sort("id")
    numbered = rows.filter(pl.col("id").str.contains(r"\d")).height
    if words.is_empty() or numbered < _LEAST_IDS or words.height > max(1, _FEW_WORDS * numbered):
        return []
    sums = words.filter(pl.col("id").str.contains(_SUMS))
    of = words if sums.is_empty() else sums
    shown, said = ("<the word>", samples(of["id"])) if sums.is_empty() else (sums["id"][0], sums["id"][0])
    return ask(
        "word_for_a_patient",
        where,
        f"{count(int(of['n'].sum()), 'row', 'has')} the word {said} in the column "
        f'"{heading}", where {numbered:,} other patients have a number.',
        status_from(heading, {shown: "void"}, "yes: these rows count for nothing"),
    )


_SOME, _MOST, _BORN_LATER = 3, 0.5, 0.01
_MOST_COMPARED = 20_000
_LEAST_BEHIND, _BEHIND, _FEW_ABSENT = 5, 0.03, 0.01


def other_people(people: Mapping[str, pl.DataFrame], days: Mapping[str, pl.DataFrame]) -> list[Doubt]:
    """Numbers of the list with other names in the ledger, or work before the birth; see `PeopleSeen`, by table."""
    both = {"procedures", "patients"} <= people.keys()
    said = [*_named(people), *_born_later(days)] if both else []
    if not said:
        return []
    return ask(
        "other_people",
        "patients",
        f"{'; '.join(said)}.",
        ("tables.patients", 'columns.patient_id = "<its heading>"', "the column with the ledger's number"),
    )


def cut_by_patient(people: Mapping[str, pl.DataFrame]) -> list[Doubt]:
    """Patients of the list without work in a ledger that is sorted by patient: all those behind its last one."""
    if "procedures" not in people or "patients" not in people:
        return []
    ledger, listed = (set(people[t]["id"]) for t in ("procedures", "patients"))
    if not ledger or not all(number.isascii() and number.isdigit() for number in ledger | listed):
        return []
    last = max(map(int, ledger))
    before = [number for number in listed if int(number) <= last]
    behind = len(listed) - len(before)
    absent = sum(number not in ledger for number in before)
    if behind < max(_LEAST_BEHIND, _BEHIND * len(listed)) or absent > _FEW_ABSENT * len(before):
        return []
    return ask(
        "not_whole.by_patient",
        "procedures",
        f"the ledger is sorted by patient, and {behind:,} of the {len(listed):,} patients in the list, all those "
        f"behind its last one, have no work; of those before it {absent:,} have none.",
    )


def _named(people: Mapping[str, pl.DataFrame]) -> list[str]:
    names = {t: _names(people[t]) for t in ("procedures", "patients")}
    both = sorted(names["procedures"].keys() & names["patients"].keys())[:_MOST_COMPARED]
    differ = sum(not names["procedures"][n] & names["patients"][n] for n in both)
    if differ < _SOME or differ < _MOST * len(both):
        return []
    return [f"{differ:,} of {len(both):,} patient numbers stand with other names in the list than in the ledger"]


def _names(people: pl.DataFrame) -> dict[str, set[str]]:
    found: dict[str, set[str]] = {}
    for number, name in people.select("id", "name").drop_nulls().iter_rows():
        found.setdefault(number, set()).update(re.findall(r"[^\W\d_]{2,}", name.lower()))
    return {number: words for number, words in found.items() if words}


def _born_later(days: Mapping[str, pl.DataFrame]) -> list[str]:
    both = days["procedures"].join(days["patients"], on="id", suffix="_born")
    later = both.filter(pl.col("day_born") > pl.col("day")).height
    if later < max(_SOME, _BORN_LATER * both.height):
        return []
    return [f"{later:,} of {both.height:,} patients of the ledger would be born after their first day of work here"]
