"""The main comparison under every combination of defensible choices: does the answer hang on how we count?

Ledgers leave room for judgement: when a root canal belongs to the crown that follows it, what a posted date means, what
counts as failure, how long a patient is followed (`choice_options.py`). Each choice is made in every defensible way,
each way with each way of all others, and the comparison is fitted anew every time [1]. The rules in force are one of
these combinations.

References
----------
[1] Steegen S, Tuerlinckx F, Gelman A, Vanpaemel W. Increasing transparency through a multiverse analysis. Perspect
    Psychol Sci 2016;11:702-712 (from memory).
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import polars as pl

from pipeline.progress import Progress
from pipeline.questions.choice_options import (
    ADJUSTED,
    CRUDE,
    CUTOFF,
    LAB_DAYS,
    LEFT_OUT,
    RENEWAL_DAYS,
    SEAT,
    WIDE,
    Options,
    days_text,
    main_options,
    offered_options,
    prepared_text,
)
from pipeline.questions.choice_verdict import count_zero, hangs_on_choices, left_out, sample_sentence, with_choices
from pipeline.questions.crown_longevity import (
    LABELS,
    Analysis,
    adjusted_difference,
    crude_difference,
    estimate_states,
)
from pipeline.questions.crown_rows import STATES, crown_rows, own_crowns, state_spells
from pipeline.questions.groups import make_group
from pipeline.questions.verdict import CANNOT_TELL, DIFFERS, LITTLE_DIFFERENCE, TOO_EARLY, decide
from pipeline.results import Choice, Choices, Difference, Estimate, Group, Sample
from pipeline.transforms.link import Ledger, LinkInput, link_ledger, read_ledger
from pipeline.transforms.rules import LinkRules

__all__ = ["explore_choices", "with_choices"]

CONTRAST = "through_crown vs before_seat"
Key = tuple[str, ...]


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
    workers: int = 2,
    records_begin: dt.date | None = None,
    of_crowns: int | None = None,
) -> Choices:
    """Fit the main comparison under every combination of choices that changes anything in these records.

    Parameters
    ----------
    tables, codes, rules
        As for `link`: the stored rows and the rules in force, which give the main combination. The ledger is read once.
    patients, analysis
        As for `compare_since_seat`. Each row is made as there: the adjusted difference where the model has one, else
        the crude one; the hazard ratio likewise. The main row has the very figures of `compare_since_seat`.
    say
        Told how far it is, and which options are left out because they change nothing.
    workers
        Threads; neither their number nor their order changes a result.
    records_begin, of_crowns
        Only where `tables` hold a sample of the patients: the day on which the data of all begin, and how many crowns
        with a known seat all have. `rules` then give the cut-off of all data. The main row has the figures of the
        sample, and every row is held against that one, so that nothing but the way of counting differs between them.

    Returns
    -------
    One row per combination, in the order of `options`; exactly one `is_main`. An option is left out if another one
    gives the same figures under every combination of the others; `left_out` says so. `crowns` and `failures` count by
    label, as the groups of the comparison do. `depends` by the rule of `hangs_on_choices`.
    """
    options = offered_options(rules)
    main = main_options(rules)
    ledger = read_ledger(tables, codes, rules)
    if of_crowns is not None:
        ledger = replace(ledger, begin=records_begin)
    grid = _fill(ledger, options, rules, patients, analysis, say=say, workers=workers)
    kept = _that_change_something(options, main, grid)
    rows = tuple(_row(kept, key, grid[key], is_main=key == tuple(main.values())) for key in _combinations(kept))
    main_row = next(row for row in rows if row.is_main)
    sample = None if of_crowns is None else Sample(sum(n for _, n in main_row.crowns), of_crowns)
    choices = Choices(
        options=kept,
        rows=rows,
        verdicts=_count([row.verdict for row in rows]),
        depends=hangs_on_choices(rows),
        sentence=count_zero(rows) if sample is None else f"{sample_sentence(sample)} {count_zero(rows)}",
        sample=sample,
    )
    for note in left_out(choices):
        say(note)
    return choices


def _combinations(options: Options) -> Iterator[Key]:
    return itertools.product(*options.values())


def _fill(
    ledger: Ledger,
    options: Options,
    rules: LinkRules,
    patients: pl.DataFrame,
    analysis: Analysis,
    *,
    say: Callable[[str], None],
    workers: int,
) -> dict[Key, _Found]:
    """Every combination fitted; the ledger is linked once per set of linking rules."""
    known: dict[tuple[int, bytes], tuple[_Found, _Found]] = {}

    def link_and_fit(linking: Key) -> dict[Key, _Found]:
        crowns = _linked(ledger, linking, rules)
        found: dict[Key, _Found] = {}
        for failure, uncertain, filled in itertools.product(
            options["failure"], options["uncertain_order"], options["recorded_root_filled"]
        ):
            counted = _counted(crowns, failure, uncertain, filled)
            # The same crowns with the same fate need no second fit.
            mark = (counted.height, counted.hash_rows(seed=1).to_numpy().tobytes())
            both = known.get(mark) or known.setdefault(mark, _compare(counted, patients, analysis))
            for adjustment, result in zip((ADJUSTED, CRUDE), both, strict=True):
                found[(linking[0], linking[1], failure, linking[2], adjustment, uncertain, filled)] = result
        return found

    ways = list(itertools.product(options["renewal_days"], options["crown_date"], options["end_of_followup"]))
    grid: dict[Key, _Found] = {}
    progress = Progress("counting in other ways", len(ways), say, of="sets of linking rules")
    with ThreadPoolExecutor(max_workers=workers) as pool:
        for found in pool.map(link_and_fit, ways):
            grid |= found
            progress.step()
    return grid


def _linked(ledger: Ledger, linking: Key, rules: LinkRules) -> pl.DataFrame:
    """Crowns with a known seat under one set of linking rules, with the columns that the comparison reads."""
    replacement, crown_date, end = linking
    own = replace(
        rules,
        renewal_days=next(n for n in (*RENEWAL_DAYS, rules.renewal_days) if days_text(n) == replacement),
        lab_days=next((n for n in (*LAB_DAYS, rules.lab_days) if prepared_text(n) == crown_date), rules.lab_days),
        posted_at_prep=crown_date != SEAT,
        followed="cutoff" if end == CUTOFF else "last_contact",
    )
    crowns = own_crowns(link_ledger(ledger, own).crowns)
    return crowns.select(
        "crown_id",
        "patient_id",
        "seat_date",
        "entry_date",
        "access_date",
        "exit_date",
        "failure",
        "endo_timing",
        "order_uncertain",
        "first_complication_date",
        "pulp_status_at_prep",
        "tooth_group",
        "material",
        "provider_id",
    )


def _counted(crowns: pl.DataFrame, failure: str, uncertain: str, filled: str) -> pl.DataFrame:
    """The crowns that count, with the fate that counts, and only the columns that a fit reads."""
    out = crowns
    if uncertain == LEFT_OUT:
        out = out.filter(~pl.col("order_uncertain"))
    if filled == LEFT_OUT:
        # Known at the seat. Leaving out only those never opened since would keep the others because of what came later.
        at_odds = (pl.col("endo_timing") != "before_seat") & (pl.col("pulp_status_at_prep") == "root_filled")
        out = out.filter(~at_odds.fill_null(False))
    if failure == WIDE:
        out = _fail_at_first_complication(out)
    return out.drop("order_uncertain", "first_complication_date", "pulp_status_at_prep")


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


def _compare(crowns: pl.DataFrame, patients: pl.DataFrame, analysis: Analysis) -> tuple[_Found, _Found]:
    """Adjusted and crude, by the steps of `compare_since_seat`."""
    rows = crown_rows(crowns, patients)
    spells = state_spells(rows)
    labelled = {name: rows.filter(pl.col("endo_timing") == name) for name in STATES}
    present = set(spells["state"])
    groups = {
        name: _group(spells.filter(pl.col("state") == name), labelled[name], name, analysis)
        for name in ("before_seat", "through_crown")
        if name in present
    }
    estimates, _, _, fit = estimate_states(spells, analysis)
    crude = crude_difference(spells, groups, analysis)
    adjusted = adjusted_difference(fit, crude, analysis) or crude
    ratios = [e for e in estimates if e.contrast == CONTRAST]
    plain = [e for e in ratios if not e.adjusted_for and not e.stratified_by]
    n_failed = {name: int(labelled[name]["failure"].sum()) if name in present else 0 for name in STATES}
    n_crowns = {name: labelled[name].height if name in present else 0 for name in STATES}

    def found(difference: Difference | None, ratio: Sequence[Estimate]) -> _Found:
        code = decide(
            difference,
            (n_failed["through_crown"], n_failed["before_seat"]),
            smallest=analysis.smallest_difference_per_100,
            min_failures=analysis.min_failures,
        )
        counts = (tuple(n_crowns.items()), tuple(n_failed.items()))
        return _Found(difference, ratio[-1] if ratio else None, *counts, code)

    return found(adjusted, ratios), found(crude, plain[:1])


def _group(spells: pl.DataFrame, counted: pl.DataFrame, name: str, analysis: Analysis) -> Group:
    late = name == "through_crown"
    return make_group(spells, name=name, label=LABELS[name], counted=counted, rules=analysis.curve_rules(), late=late)


def _that_change_something(options: Options, main: dict[str, str], grid: dict[Key, _Found]) -> Options:
    """The options left once each that only repeats another is gone; the main option is never the one to go."""
    kept: Options = {}
    for axis, (name, offered) in enumerate(options.items()):
        figures: dict[str, list[_Found]] = {option: [] for option in offered}
        for key in _combinations(options):
            figures[key[axis]].append(grid[key])
        own: list[str] = [main[name]]
        for option in offered:
            if all(figures[option] != figures[other] for other in own):
                own.append(option)
        kept[name] = [option for option in offered if option in own]
    return kept


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
