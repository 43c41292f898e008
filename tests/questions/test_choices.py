"""The main comparison in every defensible way of counting, on drawn ledgers and on a small simulated practice."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
from pathlib import Path
from typing import NamedTuple

import polars as pl
import pytest
from drawn import frame, procedures
from polars.testing import assert_frame_equal

from pipeline.practice.tables import CROWN_DETAILS, ELSEWHERE, FINDINGS, PATIENTS, PROCEDURES
from pipeline.practice.tables import CROWNS as LINKED_CROWNS
from pipeline.questions import choice_options as ways
from pipeline.questions.analysis import Analysis
from pipeline.questions.choice_verdict import count_zero, hangs_on_choices, left_out
from pipeline.questions.choices import _counted, explore_choices, with_choices
from pipeline.questions.crown_longevity import compare_since_seat
from pipeline.questions.crown_rows import own_crowns
from pipeline.reading.config import code_table, load_settings
from pipeline.results import Choice, Choices, Comparison
from pipeline.stages.run import compare_stage, ingest_stage, link_rules, link_stage
from pipeline.storing.store import open_store
from pipeline.transforms.link import LinkInput, link, link_ledger, read_ledger
from pipeline.transforms.rules import LinkRules
from synthetic_data.generate import simulate

CODES = pl.DataFrame(
    {
        "code": ["CROWN", "ENDO", "OUT", "RECEM", "EXAM", "IMPL"],
        "event": ["crown_placement", "endo_initial", "extraction", "crown_recement", "exam", "implant"],
        "detail": [None] * 6,
    },
    schema_overrides={"detail": pl.String},
)
ANALYSIS = Analysis()


class Practice(NamedTuple):
    tables: LinkInput
    codes: pl.DataFrame
    rules: LinkRules
    patients: pl.DataFrame
    choices: Choices
    said: list[str]


def drawn_tables(ledger: str, patients: pl.DataFrame | None = None) -> LinkInput:
    return LinkInput(
        procedures=procedures(ledger).lazy(),
        patients=(PATIENTS.empty() if patients is None else patients).lazy(),
        crown_details=CROWN_DETAILS.empty().lazy(),
        findings=FINDINGS.empty().lazy(),
        elsewhere=ELSEWHERE.empty().lazy(),
    )


def patient(**values: object) -> pl.DataFrame:
    row = {name: values.get(name) for name in PATIENTS.schema}
    return pl.DataFrame([row], schema=PATIENTS.schema)


@pytest.fixture(scope="module")
def practice(invented: Path) -> Practice:
    settings = load_settings(invented / "practice.toml")
    with open_store(settings.practice.database, read_only=True, must_exist=True) as store:
        tables = LinkInput(
            procedures=store._frame(f"SELECT {', '.join(PROCEDURES.columns)} FROM _procedures").lazy(),
            patients=store.read(PATIENTS).lazy(),
            crown_details=store.read(CROWN_DETAILS).lazy(),
            findings=store.read(FINDINGS).lazy(),
            elsewhere=store.read(ELSEWHERE).lazy(),
        )
        patients = store.read(PATIENTS)
    said: list[str] = []
    codes, rules = code_table(settings), link_rules(settings)
    choices = explore_choices(tables, codes, rules, patients, ANALYSIS, say=said.append)
    return Practice(tables, codes, rules, patients, choices, said)


@pytest.fixture(scope="module")
def main(practice) -> Comparison:
    crowns = link(practice.tables, practice.codes, practice.rules).crowns
    return compare_since_seat(own_crowns(crowns), practice.patients, ANALYSIS)


def test_every_combination_of_what_is_kept_has_one_row(practice):
    rows, options = practice.choices.rows, practice.choices.options
    main, offered = ways.main_options(practice.rules), ways.choices_under(practice.rules)
    expected, alone = 1, 0
    for name, kept in options.items():
        others = [offered[name].options[option] for option in kept if option != main[name]]
        crossed = sum(offered[name].crossed and not option.alone for option in others)
        expected *= 1 + crossed
        alone += len(others) - crossed
    expected += alone
    assert len(rows) == len({tuple(row.options.items()) for row in rows}) == expected >= 48
    assert sum(practice.choices.verdicts.values()) == expected
    assert all(row.options[name] in options[name] for row in rows for name in options)


def test_the_main_row_has_the_figures_of_the_main_comparison(practice, main):
    [row] = [row for row in practice.choices.rows if row.is_main]
    d, ratio = main.difference, next(e for e in reversed(main.estimates) if e.contrast.startswith("through_crown vs b"))
    assert (row.per_100, row.ci_low, row.ci_high) == (d and d.per_100, d and d.ci_low, d and d.ci_high)
    assert (row.hazard_ratio, row.hr_low, row.hr_high) == (ratio.hazard_ratio, ratio.ci_low, ratio.ci_high)
    assert dict(row.crowns) == {group.name: group.crowns for group in main.groups}
    assert dict(row.failures) == {group.name: group.failures for group in main.groups}
    assert row.verdict == main.verdict.code
    assert row.options == ways.main_options(practice.rules)


def test_the_crude_row_of_the_main_rules_has_the_crude_figures(practice, main):
    wanted = ways.main_options(practice.rules) | {"adjustment": ways.CRUDE}
    [row] = [row for row in practice.choices.rows if row.options == wanted]
    crude = main.crude_difference
    ratio = next(e for e in main.estimates if e.contrast == "through_crown vs before_seat" and not e.adjusted_for)
    assert row.per_100 == (crude.per_100 if crude else None)
    assert row.hazard_ratio == ratio.hazard_ratio


def test_more_counts_as_failure_and_patients_are_followed_longer(practice):
    by = {tuple(row.options.values()): row for row in practice.choices.rows}
    names = list(practice.choices.options)

    def other(row: Choice, name: str, option: str) -> Choice | None:
        return by.get(tuple(option if n == name else row.options[n] for n in names))

    both = [(row, other(row, "failure", ways.WIDE), other(row, "end_of_followup", ways.CUTOFF)) for row in by.values()]
    crossed = [(row, wide, longer) for row, wide, longer in both if wide is not None and longer is not None]
    assert len(crossed) >= 16
    for row, wide, longer in crossed:
        assert sum(dict(wide.failures).values()) >= sum(dict(row.failures).values())
        assert sum(dict(wide.crowns).values()) == sum(dict(row.crowns).values())
        # Failures here are seen at visits: following longer adds none of them.
        assert sum(dict(longer.failures).values()) >= sum(dict(row.failures).values())
        assert sum(dict(longer.crowns).values()) == sum(dict(row.crowns).values())
    [row] = [row for row in practice.choices.rows if row.is_main]
    # What was given up at its opening is no opened crown.
    given_up = other(row, "opened_and_renewed", ways.GIVEN_UP)
    assert given_up is not None
    assert dict(given_up.crowns)["through_crown"] < dict(row.crowns)["through_crown"]


def test_what_changes_nothing_is_left_out_and_said(practice, main):
    notes = left_out(practice.choices)
    offered = ways.offered_options(practice.rules)
    reduced = [name for name, options in practice.choices.options.items() if options != offered[name]]
    assert len(notes) == len(reduced)
    assert set(notes) <= set(practice.said)
    assert set(notes) <= set(with_choices(main, practice.choices).notes)


@pytest.mark.thorough
def test_the_order_of_rows_changes_no_result(practice):
    tables = LinkInput(
        *(
            getattr(practice.tables, f.name).collect().sample(fraction=1, shuffle=True, seed=2).lazy()
            for f in dataclasses.fields(LinkInput)[:5]
        )
    )
    people = practice.patients.sample(fraction=1, shuffle=True, seed=3)
    again = explore_choices(tables, practice.codes, practice.rules, people, ANALYSIS, say=lambda _: None)
    assert again == practice.choices


def test_linking_a_ledger_read_before_is_linking(practice):
    ledger = read_ledger(practice.tables, practice.codes, practice.rules)
    for rules in (practice.rules, dataclasses.replace(practice.rules, renewed_given_up=True, posted_at_prep=True)):
        once, again = link(practice.tables, practice.codes, rules), link_ledger(ledger, rules)
        assert_frame_equal(once.crowns, again.crowns)
        assert_frame_equal(once.endo_courses, again.endo_courses)
        assert once.counts == again.counts
    for other in ({"data_cutoff": dt.date(2010, 1, 1)}, {"reversal_days": 1}):
        with pytest.raises(ValueError, match="other settings"):
            link_ledger(ledger, dataclasses.replace(practice.rules, **other))


def test_following_to_the_cut_off_stops_at_death_and_at_teeth_known_to_be_lost():
    # 11 failed; 12 was last seen in 2018; 13 had an implant in its place in 2018, the last examination before was in
    # 2017: lost in the middle of those 365 days, or followed to the examination where that loss is not counted.
    ledger = """
        service_date | tooth_fdi | code
        2015-01-01   | 11        | CROWN
        2015-01-01   | 12        | CROWN
        2015-01-01   | 13        | CROWN
        2016-01-01   | 11        | OUT
        2017-01-01   |           | EXAM
        2018-01-01   | 13        | IMPL
    """
    rules = LinkRules(data_cutoff=dt.date(2020, 1, 1), followed="cutoff")
    ends = ["2016-01-01", "2020-01-01", "2017-07-02"]
    got = link(drawn_tables(ledger, patient(patient_id="p1")), CODES, rules).crowns
    assert got["exit_date"].cast(pl.String).to_list() == ends
    assert got["exit_reason"].to_list() == ["failed", "cutoff", "failed"]
    died = patient(patient_id="p1", deceased_date=dt.date(2019, 1, 1))
    got = link(drawn_tables(ledger, died), CODES, rules).crowns
    assert got["exit_date"].cast(pl.String).to_list() == ["2016-01-01", "2019-01-01", "2017-07-02"]
    assert got["exit_reason"].to_list() == ["failed", "death", "failed"]
    uncounted = dataclasses.replace(rules, losses="not_counted")
    got = link(drawn_tables(ledger, patient(patient_id="p1")), CODES, uncounted).crowns
    assert got["exit_date"].cast(pl.String).to_list() == ["2016-01-01", "2020-01-01", "2017-01-01"]
    assert got["exit_reason"].to_list() == ["failed", "cutoff", "last_contact"]


CROWNS = frame(
    """
    crown_id | crown_kind | first_complication_date | access_date | exit_date  | failure | endo_timing   | order_uncertain
    C1       | single     |                         | 2016-01-01  | 2020-01-01 | true    | through_crown | false
    C2       | single     | 2018-01-01              | 2016-01-01  | 2020-01-01 | true    | through_crown | false
    C3       | single     | 2016-01-01              | 2016-01-01  | 2020-01-01 | false   | through_crown | false
    C4       | single     | 2018-01-01              |             | 2020-01-01 | false   | before_seat   | true
    C5       | single     |                         |             | 2020-01-01 | false   |               | true
    C6       | retainer   |                         |             | 2020-01-01 | false   | vital         | false
    """,  # noqa: E501
    seat_recorded=False,
    reopened_date=None,
)
MAIN = ways.main_options(LinkRules())


def test_a_complication_as_failure_ends_the_crown_and_comes_before_a_later_opening():
    got = _counted(CROWNS, MAIN | {"failure": ways.WIDE})
    expected = frame("""
        crown_id | access_date | exit_date  | failure | endo_timing
        C1       | 2016-01-01  | 2020-01-01 | true    | through_crown
        C2       | 2016-01-01  | 2018-01-01 | true    | through_crown
        C3       |             | 2016-01-01 | true    | vital
        C4       |             | 2018-01-01 | true    | before_seat
        C5       |             | 2020-01-01 | false   |
    """)
    assert_frame_equal(got.select(expected.columns), expected)


def test_crowns_of_uncertain_order_are_left_out_and_retainers_let_in():
    assert _counted(CROWNS, MAIN)["crown_id"].to_list() == ["C1", "C2", "C3", "C4", "C5"]
    certain = _counted(CROWNS, MAIN | {"uncertain_order": ways.LEFT_OUT})
    assert certain["crown_id"].to_list() == ["C1", "C2", "C3"]
    assert (
        _counted(CROWNS, MAIN | {"kind_of_crown": ways.RETAINERS})["crown_id"].to_list() == CROWNS["crown_id"].to_list()
    )


def test_crossed_choices_are_combined_and_the_others_made_one_at_a_time():
    options = {
        "failure": [ways.STRICT, ways.WIDE],
        "adjustment": [ways.ADJUSTED, ways.CRUDE],
        "lost_tooth": ["lost in the middle", "lost at the first sign", "loss not counted"],
        "kind_of_crown": [ways.SINGLE, ways.RETAINERS],
    }
    middle = ("lost in the middle", ways.SINGLE)
    assert list(ways.combinations(options, MAIN)) == [
        (ways.STRICT, ways.ADJUSTED, *middle),
        (ways.STRICT, ways.CRUDE, *middle),
        (ways.WIDE, ways.ADJUSTED, *middle),
        (ways.WIDE, ways.CRUDE, *middle),
        (ways.STRICT, ways.ADJUSTED, "lost at the first sign", ways.SINGLE),
        (ways.STRICT, ways.ADJUSTED, "loss not counted", ways.SINGLE),
        (ways.STRICT, ways.ADJUSTED, "lost in the middle", ways.RETAINERS),
    ]
    # An option that is tried alone stays out of the crossing of its choice.
    ends = {"failure": [ways.STRICT, ways.WIDE], "end_of_followup": [ways.CONTACT, ways.ACTIVE, ways.CUTOFF]}
    assert list(ways.combinations(ends, MAIN)) == [
        (ways.STRICT, ways.CONTACT),
        (ways.STRICT, ways.CUTOFF),
        (ways.WIDE, ways.CONTACT),
        (ways.WIDE, ways.CUTOFF),
        (ways.STRICT, ways.ACTIVE),
    ]


def test_what_each_option_changes_in_linking():
    rules = LinkRules(course_gap_days=90)
    assert ways.link_changes(rules, MAIN) == rules
    changed = {
        "opened_and_renewed": ways.GIVEN_UP,
        "crown_date": ways.prepared_text(28),
        "end_of_followup": ways.ACTIVE,
        "paired_postings": "apart",
        "lost_tooth": "loss not counted",
    }
    assert ways.link_changes(rules, MAIN | changed) == dataclasses.replace(
        rules,
        renewed_given_up=True,
        posted_at_prep=True,
        lab_days=28,
        followed="active",
        crown_pair_days=0,
        course_pair_days=0,
        losses="not_counted",
    )


def test_a_ledger_without_choices_has_one_way_of_counting():
    # One crown that never failed, its patient seen on the last day of the data.
    ledger = """
        service_date | tooth_fdi | code
        2015-01-01   | 11        | CROWN
        2020-01-01   |           | EXAM
    """
    said: list[str] = []
    tables = drawn_tables(ledger, patient(patient_id="p1"))
    choices = explore_choices(tables, CODES, LinkRules(), tables.patients.collect(), ANALYSIS, say=said.append)
    assert [row.is_main for row in choices.rows] == [True]
    assert dict(choices.rows[0].crowns) == {"before_seat": 0, "vital": 1, "through_crown": 0}
    assert choices.verdicts == {"too_early": 1}
    assert choices.sentence == "There is one reasonable way of counting; no range can be given."
    assert len(left_out(choices)) == len(choices.options) == len(ways.CHOICES) == 13
    assert set(left_out(choices)) <= set(said)
    assert (
        "It makes no difference in these records whether a row without a fee belongs to the row with one before it."
    ) in said


def row(low: float | None, high: float | None, verdict: str, *, main: bool = False, adjustment: str = ways.ADJUSTED):
    middle = None if low is None or high is None else (low + high) / 2
    options = {"adjustment": adjustment}
    return Choice(options, middle, low, high, None, None, None, (), (), verdict, main)


MORE, CRUDE_UNSURE = row(1, 9, "differs", main=True), row(-3, 9, "cannot_tell", adjustment=ways.CRUDE)


@pytest.mark.parametrize(
    ("rows", "depends"),
    [
        ([MORE, row(2, 8, "differs")], False),
        # The other direction, or a difference too small to matter that leaves out 5.
        ([MORE, *[row(2, 8, "differs")] * 9, row(-9, -1, "differs")], True),
        ([MORE, *[row(2, 8, "differs")] * 9, row(-4, 4, "little_difference")], True),
        # Nearly the same range on the other side of the smallest difference that matters contradicts nothing.
        ([row(1, 5.1, "differs", main=True), row(0.9, 4.9, "little_difference")], False),
        # Half agree; fewer than half agree.
        ([MORE, row(-1, 8, "cannot_tell")], False),
        ([MORE, *[row(-1, 8, "cannot_tell")] * 2], True),
        # Rows without adjustment do not outvote, but they can contradict.
        ([MORE, *[CRUDE_UNSURE] * 3], False),
        ([MORE, row(-9, -1, "differs", adjustment=ways.CRUDE)], True),
        # What claims nothing hangs on nothing.
        ([row(-6, 7, "cannot_tell", main=True), row(1, 9, "differs")], False),
        ([row(None, None, "too_early", main=True), row(1, 9, "differs")], False),
    ],
)
def test_when_a_verdict_hangs_on_how_we_count(rows, depends):
    assert hangs_on_choices(rows) is depends


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        ([MORE, CRUDE_UNSURE], "In 1 of 2 reasonable ways of counting the range includes zero."),
        ([MORE, MORE], "In none of 2 reasonable ways of counting does the range include zero."),
        ([CRUDE_UNSURE] * 2, "In all 2 reasonable ways of counting the range includes zero."),
        (
            [MORE, CRUDE_UNSURE, row(None, None, "too_early")],
            "In 1 of 3 reasonable ways of counting the range includes zero. In 1 no range can be given.",
        ),
    ],
)
def test_how_many_ranges_include_zero(rows, sentence):
    assert count_zero(rows) == sentence


def test_the_verdict_gives_way_where_it_hangs_on_the_choices(main):
    def way(renewed: str, adjustment: str, low: float, high: float, verdict: str) -> Choice:
        base = row(low, high, verdict, main=(renewed, adjustment) == (ways.FAILED, ways.ADJUSTED))
        options = ways.main_options(LinkRules()) | {"opened_and_renewed": renewed, "adjustment": adjustment}
        return dataclasses.replace(base, options=options)

    rows = (
        way(ways.FAILED, ways.ADJUSTED, 1, 9, "differs"),
        way(ways.FAILED, ways.CRUDE, 2, 10, "differs"),
        way(ways.GIVEN_UP, ways.ADJUSTED, -9, -1, "differs"),
        way(ways.GIVEN_UP, ways.CRUDE, -4, 4, "little_difference"),
    )
    named = {"opened_and_renewed": [ways.FAILED, ways.GIVEN_UP], "adjustment": [ways.ADJUSTED, ways.CRUDE]}
    single = {name: [option] for name, option in ways.main_options(LinkRules()).items()}
    choices = Choices(single | named, rows, {}, hangs_on_choices(rows), "")
    stays = with_choices(main, dataclasses.replace(choices, depends=False))
    assert stays.verdict == main.verdict
    assert stays.choices is not None
    verdict = with_choices(main, choices).verdict
    assert verdict.code == "depends_on_how_we_count"
    assert verdict.sentence == (
        "Whether more crowns fail with root canal through the crown than with root canal before the seat depends on "
        "how we count: more in 2 of 4 reasonable ways of counting, fewer in 1, no difference above 5 per 100 in 1."
    )
    assert verdict.range.endswith("Over all ways of counting the estimate runs from 5 fewer to 6 more per 100.")
    # Both changes of what was renewed turn the verdict; of the two changes of the adjustment one does.
    assert verdict.next_step.startswith("First agree what a crown is that was opened and renewed soon after:")
    assert "(in 100% of changes of it alone)" in verdict.next_step
    assert (verdict.result, verdict.doubt) == (main.verdict.result, main.verdict.doubt)


@pytest.mark.thorough
def test_a_large_practice_is_counted_in_other_ways_on_a_sample_of_whole_patients(tmp_path):
    toml = Path(simulate(tmp_path, crowns=400, seed=8))
    toml.write_text(toml.read_text(encoding="utf-8") + "\n[analysis]\nchoices_crowns = 200\n")
    settings = load_settings(toml)
    ingest_stage(settings, today=dt.date(2025, 1, 1), say=lambda _: None)
    link_stage(settings, say=lambda _: None)
    results = compare_stage(settings, say=lambda _: None)
    main = results.comparisons[0]
    assert main.choices is not None
    assert main.choices.sample is not None
    [row] = [row for row in main.choices.rows if row.is_main]
    assert main.choices.sample.of == results.counts.crowns
    assert main.choices.sample.crowns == sum(n for _, n in row.crowns)
    assert 130 < main.choices.sample.crowns < 280
    assert main.choices.sentence.startswith(f"Counted in other ways on {main.choices.sample.crowns:,} of ")
    # The main way of counting gives what comparing the crowns of these patients gives.
    with open_store(settings.practice.database, read_only=True) as store:
        read = store.stand_ins.reader(store.read)  # patients are drawn by what stands for them
        crowns, patients = own_crowns(read(LINKED_CROWNS)), read(PATIENTS)
    # Crowns whose order of root canal and seat is not known are in no group.
    unknown = crowns["endo_timing"].null_count()
    assert sum(group.crowns for group in main.groups) + unknown == results.counts.crowns == crowns.height
    number = [int.from_bytes(hashlib.md5(p.encode()).digest()[8:], "little") for p in crowns["patient_id"]]
    drawn = [n % 1_000_000 < round(200 / results.counts.crowns * 1e6) for n in number]
    alone = compare_since_seat(crowns.filter(pl.Series(drawn)), patients, ANALYSIS)
    assert dict(row.crowns) == {group.name: group.crowns for group in alone.groups}
    assert dict(row.failures) == {group.name: group.failures for group in alone.groups}
    ratio = next(e for e in reversed(alone.estimates) if e.contrast == "through_crown vs before_seat")
    assert (row.hazard_ratio, row.hr_high) == pytest.approx((ratio.hazard_ratio, ratio.ci_high), rel=1e-12)
