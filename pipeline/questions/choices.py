"""The main comparison under every combination of defensible choices: does the answer hang on how we count?

Ledgers leave room for judgement: what a crown is that was opened and renewed, what a posted date means, what counts as
failure, how long a patient is followed (`choice_options.py`). The choices that matter to most practices are made in
every way, each way with each way of all others; the rarer ones each by itself. The comparison is fitted anew every
time [Steegen 2016]. The rules in force are one of these combinations.
"""

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import polars as pl

from pipeline.machine.progress import Progress
from pipeline.questions.analysis import Analysis
from pipeline.questions.choice_options import (
    ADJUSTED,
    CRUDE,
    LEFT_OUT,
    PLANNED,
    RETAINERS,
    WIDE,
    Key,
    Options,
    combinations,
    leans,
    link_changes,
    main_options,
    offered_options,
)
from pipeline.questions.choice_verdict import (
    beside_main,
    count_zero,
    hangs_on_choices,
    left_out,
    sample_sentence,
    with_choices,
)
from pipeline.questions.covariates import numbered_words
from pipeline.questions.crown_longevity import (
    ROOT_CANAL,
    crude_difference,
    estimate_states,
    opened_on,
    stretch_of,
)
from pipeline.questions.crown_rows import STATES, seated, since_seat, state_spells
from pipeline.questions.group_ratios import adjusted_ratio
from pipeline.questions.groups import curve_end
from pipeline.questions.question import OF_CROWNS, OPENED, SINCE_SEAT
from pipeline.questions.steady_ratio import Standing, changing_model, difference_by
from pipeline.questions.verdict import CANNOT_TELL, DIFFERS, LITTLE_DIFFERENCE, TOO_EARLY, Scales, decide
from pipeline.results import Choice, Choices, Difference, Estimate, Sample
from pipeline.transforms.link import Ledger, Linked, LinkInput, link_crowns, link_ledger, read_ledger
from pipeline.transforms.patient_numbers import by_number
from pipeline.transforms.rules import LinkRules
from pipeline.transforms.taken import Taken

__all__ = ["explore_choices", "with_choices"]

CONTRAST = "through_crown vs before_seat"


@dataclass(frozen=True)
class _Found:
    """The comparison under one combination, without the combination."""

    difference: Difference | None
    ratio: Estimate | None
    crowns: tuple[tuple[str, int], ...]
    failures: tuple[tuple[str, int], ...]
    verdict: str


def explore_choices(
    tables: LinkInput,
    codes: pl.DataFrame,
    rules: LinkRules,
    patients: pl.DataFrame,
    analysis: Analysis,
    *,
    say: Callable[[str], None],
    records_begin: dt.date | None = None,
    of_crowns: int | None = None,
    changes: bool = False,
) -> Choices:
    """Fit the main comparison under every combination of choices that changes anything in these records.

    - `tables`, `codes`, `rules`: As for `link`; the rules in force give the main combination.
    - `patients`, `analysis`: As for `compare_since_seat`, whose very figures the main row has.
    - `records_begin`, `of_crowns`: Only where `tables` hold a sample of the patients: the day on which the data of all
      begin, and how many crowns with a known seat all have. The main row then has the figures of the sample.
    - `changes`: Whether the main comparison took no ratio since the opening as steady: then every adjusted way is
      fitted with a changing one, so that ways differ by how they count and not by a test.

    One row per combination, in the order of `options`; exactly one `is_main`. An option that gives the figures of
    another everywhere is left out, and said. `crowns` and `failures` count by label.
    """
    main = main_options(rules)
    ledger = read_ledger(tables, codes, rules)
    if of_crowns is not None:
        ledger = replace(ledger, begin=records_begin)
    take = Taken()
    linked = link_ledger(ledger, rules, take=take)
    options = _that_may_matter(offered_options(rules), main, ledger, linked)
    people = by_number(patients, ledger.patient_ids)
    grid = _fill(
        ledger,
        people,
        options,
        rules,
        fit=lambda rows: _compare(rows, analysis, changes=changes),
        say=say,
        take=take,
    )
    kept = _that_change_something(options, main, grid)
    in_force = tuple(main[name] for name in kept)
    rows = tuple(_row(kept, key, grid[key], is_main=key == in_force) for key in combinations(kept, main))
    main_row = next(row for row in rows if row.is_main)
    sample = None if of_crowns is None else Sample(sum(n for _, n in main_row.crowns), of_crowns)
    choices = Choices(
        options=kept,
        rows=rows,
        verdicts=_count([row.verdict for row in rows]),
        depends=hangs_on_choices(rows),
        sentence=count_zero(rows) if sample is None else f"{sample_sentence(sample)} {count_zero(rows)}",
        sample=sample,
        leans=leans(kept),
        beside=beside_main(rows, linked.counts, renewal_days=rules.renewal_days),
    )
    for note in left_out(choices):
        say(note)
    return choices


def _that_may_matter(options: Options, main: Mapping[str, str], ledger: Ledger, linked: Linked) -> Options:
    """Only the option in force of a choice that these records do not pose: no linking is spent on it."""
    crowns = _own(linked.crowns)
    nothing = {
        "crown_date": bool(crowns["seat_recorded"].all()),
        "undated_root_canal": crowns["endo_timing"].null_count() == 0,
        "hinted_opening": not linked.counts["hints_filling_on_crown"],
        "lost_tooth": ledger.lost["gone_by"].null_count() == ledger.lost.height,
        "reopened_crown": crowns["reopened_date"].null_count() == crowns.height,
        "paired_postings": not ledger.fees_kept,
        "after_last_contact": ledger.others.is_empty(),
    }
    kept = {name: [main[name]] if nothing.get(name, False) else values for name, values in options.items()}
    if not ledger.planned.height:
        kept["opened_and_renewed"] = [o for o in kept["opened_and_renewed"] if o != PLANNED]
    return kept


def _fill(
    ledger: Ledger,
    people: pl.DataFrame,
    options: Options,
    rules: LinkRules,
    *,
    fit: Callable[[pl.DataFrame], tuple[_Found, _Found]],
    say: Callable[[str], None],
    take: Taken,
) -> dict[Key, _Found]:
    """Every combination fitted; of a set of linking rules only those steps are taken in which it differs."""
    known: dict[tuple[int, bytes], tuple[_Found, _Found]] = {}
    by_rules: dict[LinkRules, list[dict[str, str]]] = {}
    for key in combinations(options, main_options(rules)):
        taken = dict(zip(options, key, strict=True))
        by_rules.setdefault(link_changes(rules, taken), []).append(taken)

    def link_and_fit(own: LinkRules) -> dict[Key, _Found]:
        crowns = seated(_own(link_crowns(ledger, own, take=take)), people)
        found: dict[Key, _Found] = {}
        for taken in by_rules[own]:
            counted = _counted(crowns, taken)
            # The same crowns with the same fate need no second fit.
            mark = (counted.height, counted.hash_rows(seed=1).to_numpy().tobytes())
            both = known.get(mark) or known.setdefault(mark, fit(counted))
            found[tuple(taken.values())] = both[(ADJUSTED, CRUDE).index(taken["adjustment"])]
        return found

    grid: dict[Key, _Found] = {}
    progress = Progress("counting in other ways", len(by_rules), say, of="sets of linking rules")
    for own in by_rules:
        grid |= link_and_fit(own)
        progress.step()
    return grid


def _own(crowns: pl.DataFrame) -> pl.DataFrame:
    """Single crowns and retainers of the practice, with the columns that the comparison reads."""
    return crowns.filter(pl.col("crown_kind").is_in(["single", "retainer"]), ~pl.col("done_elsewhere")).select(
        "crown_id",
        "patient_id",
        "crown_kind",
        "seat_date",
        "seat_recorded",
        "entry_date",
        "access_date",
        "reopened_date",
        "exit_date",
        "failure",
        "endo_timing",
        "order_uncertain",
        "first_complication_date",
        "tooth_group",
        "material",
        "provider_id",
    )


def _counted(crowns: pl.DataFrame, taken: Mapping[str, str]) -> pl.DataFrame:
    """The crowns that count, with the fate that counts, and only the columns that a fit reads."""
    out = crowns if taken["kind_of_crown"] == RETAINERS else crowns.filter(pl.col("crown_kind") == "single")
    if taken["uncertain_order"] == LEFT_OUT:
        out = out.filter(~pl.col("order_uncertain"))
    if taken["failure"] == WIDE:
        out = _fail_at_first_complication(out)
    return out.drop("order_uncertain", "first_complication_date", "crown_kind", "seat_recorded", "reopened_date")


def _fail_at_first_complication(crowns: pl.DataFrame) -> pl.DataFrame:
    # As with any failure, a crown opened on or after the day it failed was not opened.
    failed = pl.col("first_complication_date").is_not_null()
    ended = crowns.with_columns(
        exit_date=pl.min_horizontal("exit_date", "first_complication_date"), failure=pl.col("failure") | failed
    )
    too_late = failed & (pl.col("access_date") >= pl.col("exit_date")).fill_null(False)
    return ended.with_columns(
        endo_timing=pl.when(too_late).then(pl.lit("vital")).otherwise("endo_timing"),
        access_date=pl.when(~too_late).then("access_date"),
    )


def _compare(crowns: pl.DataFrame, analysis: Analysis, *, changes: bool) -> tuple[_Found, _Found]:
    """Adjusted and crude, by the steps of `compare_since_seat`, of crowns as `seated` gives them."""
    # The words that models read are told apart once and not by every count.
    rows = numbered_words(since_seat(crowns).sort("crown_id"), (*(c.name for c in OF_CROWNS), "provider_id"))
    spells = state_spells(rows)
    labelled = {name: rows.filter(pl.col("endo_timing") == name) for name in STATES}
    present = set(spells["state"].unique())
    ends = {
        name: curve_end(spells.filter(pl.col("state") == name), rules=analysis.curve_rules(), late=name == OPENED.group)
        for name in ROOT_CANAL
        if name in present
    }
    ratios = estimate_states(spells, analysis)
    fit = ratios.adjusted
    crude = crude_difference(spells, ends, analysis)
    changing = None
    if changes and fit is not None and fit.converged and OPENED.group in fit.names:
        changing = changing_model(fit, OPENED.group, start=opened_on(fit, spells))
    ratio = adjusted_ratio(ratios.estimates, SINCE_SEAT.pair)
    adjusted = difference_by(SINCE_SEAT, fit, changing, ratio, stretch_of(fit, crude), analysis=analysis, grid=1)
    given = [e for e in ratios.estimates if e.contrast == CONTRAST]
    plain = [e for e in given if not e.adjusted_for and not e.stratified_by]
    n_failed = {name: int(labelled[name]["failure"].sum()) if name in present else 0 for name in STATES}
    n_crowns = {name: labelled[name].height if name in present else 0 for name in STATES}

    def found(stands: Standing, ratio: Sequence[Estimate], *, adjusted: bool) -> _Found:
        difference = stands.difference or crude
        code = decide(
            difference,
            (n_failed["through_crown"], n_failed["before_seat"]),
            smallest=analysis.smallest_difference_per_100,
            min_failures=analysis.min_failures,
            scales=Scales(stands.ratio, adjusted=stands.difference is not None or not adjusted),
            horizon_years=analysis.horizon_years,
        )
        counts = (tuple(n_crowns.items()), tuple(n_failed.items()))
        return _Found(difference, ratio[-1] if ratio else None, *counts, code)

    by_hand = [e.limits for e in plain[:1]]
    return (
        found(adjusted, given, adjusted=True),
        found(Standing(crude, by_hand[0] if by_hand else None), plain[:1], adjusted=False),
    )


def _that_change_something(options: Options, main: Mapping[str, str], grid: dict[Key, _Found]) -> Options:
    """The options left once each that only repeats another is gone; the main option is never the one to go."""
    kept: Options = {}
    for axis, (name, offered) in enumerate(options.items()):
        figures: dict[str, dict[Key, _Found]] = {option: {} for option in offered}
        for key, found in grid.items():
            figures[key[axis]][(*key[:axis], *key[axis + 1 :])] = found
        own: list[str] = [main[name]]
        for option in offered:
            if all(_differ(figures[option], figures[other]) for other in own):
                own.append(option)
        kept[name] = [option for option in offered if option in own]
    return kept


def _differ(some: Mapping[Key, _Found], others: Mapping[Key, _Found]) -> bool:
    """Whether two options of a choice give other figures anywhere, all else being the same."""
    return any(some[key] != others[key] for key in some.keys() & others.keys())


def _row(options: Options, key: Key, found: _Found, *, is_main: bool) -> Choice:
    d, ratio = found.difference, found.ratio
    return Choice(
        options=dict(zip(options, key, strict=True)),
        per_100=d.per_100 if d else None,
        ci_low=d.ci_low if d else None,
        ci_high=d.ci_high if d else None,
        hazard_ratio=ratio.hazard_ratio if ratio else None,
        hr_low=ratio.ci_low if ratio else None,
        hr_high=ratio.ci_high if ratio else None,
        crowns=found.crowns,
        failures=found.failures,
        verdict=found.verdict,
        is_main=is_main,
    )


def _count(codes: Sequence[str]) -> dict[str, int]:
    return {code: codes.count(code) for code in (DIFFERS, LITTLE_DIFFERENCE, CANNOT_TELL, TOO_EARLY) if code in codes}
