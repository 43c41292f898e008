"""What must hold between the runs of a practice before and after a change: one `Relation` a change."""

from __future__ import annotations

import fnmatch
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import reduce

import changes as c
import polars as pl
from figures import Gap, Json, add_at, changed, gaps, in_order_of_names, leaves
from practice_files import Practice

from pipeline.practice.codes import COULD_HOLD, built_in

Expected = Callable[[Json, Practice, Practice], Json]
NEAR = 1e-9
# A digest of a file's bytes differs with any byte.
ALWAYS = ("/quality/loads/*/hash",)
LISTS_OF_NAMES = (
    "/rates/*/rows",
    "/own_cases",
    "/monitoring/*/funnel/rows",
    "/monitoring/*/running",
    "/recalls",
    "/reader_ways",
    "/owner/filters/choices/*/options",
    "/owner/filters/parts",
)


def same(figures: Json, before: Practice, after: Practice) -> Json:
    """Nothing changes."""
    return figures


@dataclass(frozen=True)
class Relation:
    """A change, and what every figure is to be after it.

    `expected` makes the figures after out of those before; `may` lists paths that it does not foretell, each with the
    reason. Figures agree to the last bit, unless `near` gives a reason why sums run in another order: then to 1e-9 of
    their size. `by_name` are lists that stand in an order which the change moves; their entries are matched by name.
    """

    name: str
    change: c.Change
    expected: Expected = same
    may: Mapping[str, str] = field(default_factory=dict)
    near: str = ""
    by_name: Sequence[str] = ()

    def broken(self, before: Json, after: Json, practice: Practice) -> list[Gap]:
        """The figures that break the relation."""
        expected = self.expected(before, practice, self.change(practice))
        sides = [in_order_of_names(figures, self.by_name) for figures in (expected, after)]
        return gaps(*sides, near=NEAR if self.near else 0.0, may=(*ALWAYS, *self.may))

    def idle(self, before: Json) -> list[str]:
        """Paths of `may` that no figure has."""
        paths = [path for path, _ in leaves(before)]
        return [pattern for pattern in self.may if not fnmatch.filter(paths, pattern)]


def together(name: str, *relations: Relation) -> Relation:
    """Several changes in turn as one, which is to do what they do one by one."""

    def expected(figures: Json, before: Practice, after: Practice) -> Json:
        for one in relations:
            then = one.change(before)
            figures, before = one.expected(figures, before, then), then
        return figures

    return Relation(
        name,
        c.in_turn(*(r.change for r in relations)),
        expected,
        may=reduce(lambda a, b: {**a, **b}, (r.may for r in relations), {}),
        near="; ".join(dict.fromkeys(r.near for r in relations if r.near)),
        by_name=tuple(dict.fromkeys(path for r in relations for path in r.by_name)),
    )


def named(names: Callable[[Practice], Mapping[str, str]]) -> Expected:
    """Names, wherever they stand, are the new ones: alone, behind a heading, or in the name of a column."""

    def expected(figures: Json, before: Practice, after: Practice) -> Json:
        new = names(before)

        def other(value: Json) -> Json:
            if not isinstance(value, str):
                return value
            for old, name in new.items():
                if value == old or value.endswith((f": {old}", f"_id_{old}")):
                    return value.removesuffix(old) + name
            return value

        return changed(figures, other)

    return expected


# Where a year or a date of the records stands; those of published sources are no dates of the practice.
DATED = (
    "/data_*",
    "/rules/data_cutoff",
    "/rates/*/rows/*/name",
    "/monitoring/*/running/*/months/*/month",
    "/monitoring/*/first_year/rows/*/quarter",
    "/owner/*_day",
    "/owner/early/*/rows/*/name",
    "/owner/signals/*/month",
    "/owner/signals/*/since",
    "/owner/filters/choices/*/options/*",
    "/owner/filters/parts/*/chosen/*",
)
# A mean of calendar years, among means and shares of other things.
MEANS = ("/comparisons/*/honesty/balance/*/of_*",)
YEARS = (1900, 2100)


def _moved(figures: Json, before: Practice, after: Practice) -> Json:
    moved = changed(figures, lambda v: c.years_later(v) if isinstance(v, str) else v, where=DATED)
    later = lambda v: v + c.YEARS if isinstance(v, float) and YEARS[0] < v < YEARS[1] else v  # noqa: E731
    return changed(moved, later, where=MEANS)


def rows_more(figures: Json, before: Practice, after: Practice, *, pairs: int = 0) -> Json:
    """Rows put behind the last file of a table are counted as read, stored and filled in, and change nothing else.

    Of the rows of the ledger, the completed ones stand, but for `pairs` of a row and what took it back.
    """
    more: dict[str, float] = {}
    derived = {"tooth_fdi": "tooth", "birth_year": "birth_date"}
    told = {(r["table"], r["field"]) for r in figures["quality"]["filled_in"]}
    for table, files in after.files.items():
        *_, name = files
        new = files[name][before.files[table][name].height :]
        if new.is_empty():
            continue
        for count in ("rows_read", "loaded"):
            more[f"/quality/loads/({table}, {name.replace('/', ' over ')})/{count}"] = new.height
        for field_name in (f for t, f in told if t == table):
            heading = after.settings["tables"][table]["columns"].get(derived.get(field_name, field_name))
            path = f"/quality/filled_in/({table}, {field_name})"
            rows = _that_could_hold(new, field_name, after) if table == "procedures" else new
            more[f"{path}/rows"] = rows.height
            more[f"{path}/filled"] = rows.height - rows[heading].null_count() if heading else 0
        if table == "procedures":
            more |= _ledger_rows_more(new, after, pairs)
    seen = [len(set(p.texts("procedures", "patient_id"))) for p in (before, after)]
    return add_at(figures, more | {"/counts/patients": seen[1] - seen[0]})


def _that_could_hold(rows: pl.DataFrame, field_name: str, practice: Practice) -> pl.DataFrame:
    """The rows of work that a field of the ledger can be told of."""
    if field_name not in COULD_HOLD:
        return rows
    codes = built_in(practice.settings["practice"].get("code_system", "cdt"))
    could = codes.filter(pl.col("event").is_in(list(COULD_HOLD[field_name])))["code"].to_list()
    return rows.filter(pl.col(practice.heading("procedures", "code")).is_in(could))


def _ledger_rows_more(new: pl.DataFrame, practice: Practice, pairs: int) -> dict[str, float]:
    done = int((new[practice.heading("procedures", "status")] == "C").sum())
    void = new.height - done
    flow = "/quality/flow/"
    left = {"Procedure rows read": new.height, "Read once": new.height, "Readable and possible": new.height}
    links = {"rows_completed": done, "rows_void": void, "rows_reversed": pairs}
    return {
        "/counts/procedures": new.height,
        **{f"{flow}({step})/left": count for step, count in left.items()},
        f"{flow}(Done here)/left": done,
        f"{flow}(Done here)/removed": void,
        f"{flow}(Standing)/left": done - 2 * pairs,
        f"{flow}(Standing)/removed": 2 * pairs,
        **{f"/quality/links/({name})/count": count for name, count in links.items() if count},
    }


def _taken_back(figures: Json, before: Practice, after: Practice) -> Json:
    new = sum(sum(rows.height for rows in p.files["procedures"].values()) * s for p, s in ((after, 1), (before, -1)))
    return rows_more(figures, before, after, pairs=new // 2)


BY_FILE = {"/quality/loads*": "files are told one by one; that their rows add up is asked of every run"}
IN_BOTH = {
    "/counts/quarantined": "a row that cannot be read is set aside in each file that holds it, to be mended in each",
    "/quality/quarantine/*/rows": "likewise",
    "/quality/flow/0/left": "rows that two files hold are read twice",
    "/quality/flow/1/left": "without those set aside in both files",
    "/quality/flow/1/removed": "and taken once",
    "/quality/flow/2/removed": "likewise, of rows set aside",
    "/owner/to_do/*/count": "rows to mend, which are set aside in each file",
    "/owner/to_do/*/of": "likewise, of rows that two files hold",
    "/owner/lines/*/trust/measured/*/share": "likewise",
    "/owner/early/*/trust/measured/*/share": "likewise",
}
BY_COUNT = ("/quality/quarantine",)  # the most frequent reason first
TEETH = "teeth of a patient go in the order of their numbers, and patients by their teeth; so do sums"
CLINICIANS = "clinicians are strata of models, in the order of their names"
OF_MORE = {
    "/owner/lines/*/trust/measured/*/share": "the rows set aside are a share of more rows",
    "/owner/early/*/trust/measured/*/share": "likewise",
    "/owner/to_do/*/of": "the rows to mend are so many of more rows",
    "/owner/since/rows_now": "the rows that were loaded, of which there are more",
}
CALENDAR = "the calendar year is a number in some models"

RELATIONS = (
    Relation("rows shuffled", c.shuffled),
    Relation("columns in another order, and more of them", c.columns_turned),
    Relation("other delimiters, line ends and encodings", c.written_otherwise),
    Relation("patients renamed", c.patients_renamed),
    Relation("patients renamed in their order", c.patients_renamed_in_order),
    Relation("another key of the pseudonyms", c.another_key),
    Relation("entries renumbered", c.entries_renumbered),
    Relation(
        "clinicians renamed",
        c.clinicians_renamed,
        named(c.clinician_names),
        near=CLINICIANS,
        by_name=LISTS_OF_NAMES,
        may={"/reading_agreement/*": "pairs of readers stand in the order of their names"},
    ),
    Relation("clinics renamed", c.clinics_renamed, named(c.clinic_names), by_name=LISTS_OF_NAMES),
    Relation("teeth mirrored", c.mirrored, near=TEETH),
    Relation(
        "upper and lower jaw exchanged",
        c.jaws_exchanged,
        near=TEETH,
        may={
            "/trade_checks/*": "a fourth canal is looked for in upper first molars alone, and counts of canals by jaw"
        },
    ),
    Relation("teeth in two digits", c.in_fdi),
    Relation("teeth in Palmer's notation", c.in_palmer),
    Relation("all exports in one file", c.joined, may=BY_FILE),
    Relation("exports split by clinician", c.split_by_clinician, may=BY_FILE),
    Relation("one file three times", c.one_file_twice, may={**BY_FILE, **IN_BOTH}, by_name=BY_COUNT),
    Relation("two exports that overlap", c.overlapping, may={**BY_FILE, **IN_BOTH}, by_name=BY_COUNT),
    Relation("28 years later", c.moved_by_28_years, _moved, near=CALENDAR),
    Relation("fees in another currency", c.fees_scaled),
    Relation("patients who have no such tooth", c.others_added(90), rows_more, may=OF_MORE),
    Relation(
        "rows of other codes",
        c.unrelated_added,
        rows_more,
        may={"/quality/unknown_codes/*": "one is in no list", "/quality/codes_advice/*": "which is said", **OF_MORE},
    ),
    Relation("voided rows", c.voided_added, rows_more, may=OF_MORE),
    Relation("rows posted and taken back", c.taken_back_added, _taken_back, may=OF_MORE),
    Relation("rows after the data cut-off", c.after_the_cutoff_added, rows_more, may=OF_MORE),
)
BY_NAME = {relation.name: relation for relation in RELATIONS}


def adds_up(figures: Json) -> list[str]:
    """What every run's accounting must say, whatever it read."""
    wrong = []
    loads = figures["quality"]["loads"]
    parts = ("loaded", "duplicate", "reversed", "quarantined")
    wrong += [f"{load['file']}: parts" for load in loads if load["rows_read"] != sum(load[p] for p in parts)]
    ledger = [load for load in loads if load["table"] == "procedures"]
    flow = [step["left"] for step in figures["quality"]["flow"]]
    for count, expected in (
        (sum(load["loaded"] for load in ledger), figures["counts"]["procedures"]),
        (sum(load["quarantined"] for load in loads), figures["counts"]["quarantined"]),
        (sum(load["rows_read"] for load in ledger), flow[0]),
        (sum(row["rows"] for row in figures["quality"]["quarantine"]), figures["counts"]["quarantined"]),
    ):
        if count != expected:
            wrong.append(f"{count} is not {expected}")
    return wrong


__all__ = ["BY_NAME", "RELATIONS", "Relation", "adds_up", "named", "together"]
