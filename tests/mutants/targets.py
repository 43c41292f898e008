"""The modules whose mutants are made, and the tests that must notice them: fast ones, the likeliest first."""

from __future__ import annotations

import atexit
import os
import shutil
import sys
import tempfile
from dataclasses import replace
from functools import cache
from pathlib import Path

from tests.mutants.run import Target

_T = "tests/transforms/test_"
_AT_ONCE = "tests/mutants/ledgers_at_once.py"
_KNOWN = "tests/twice/test_known_practice.py"
# `linking.run` links each ledger in three ways; one will do here.
_AGAIN = ("linking.assert_mere_contacts_may_be_summed_up", "linking.assert_neither_order_nor_names_matter")
# Of linking in another way than the ordinary one.
_WAYS = (
    f"{_T}link.py::test_given_up_at_the_opening_is_another_way_to_count",
    f"{_T}rule_03_elsewhere.py::test_an_undated_root_canal_elsewhere_is_in_neither_group_and_both_ways_stand_beside",
    f"{_T}rule_03_elsewhere.py::test_a_way_for_unknown_orders_moves_no_other_crown",
    f"{_T}rule_03_elsewhere.py::test_a_year_alone_is_over_on_the_first_day_of_the_next",
    f"{_T}rule_03_elsewhere.py::test_hints_count_as_openings_in_one_way",
    f"{_T}rule_11_followup.py::test_events_elsewhere_after_the_last_contact_count_in_one_way_only",
    f"{_T}rule_11_followup.py::test_patients_seen_lately_are_followed_to_the_last_day_in_one_way",
)
# A rule's own tests take longest, so they come last: first what links many ledgers at once, then the other ways.
_OF_RULES = {
    "events": ("rule_02_done_here", "rule_05_crown", "rule_06_kinds_of_crown"),
    "others": ("rule_03_elsewhere", "rule_13_gone"),
    "courses": ("rule_04_courses", "split_codes"),
    "crowns": (
        "rule_05_crown",
        "rule_06_kinds_of_crown",
        "link::test_crowns_from_elsewhere",
        "link::test_a_crown_of_unknown_age_is_followed_from_when_it_was_first_seen_to_the_next_one_of_others",
        "link::test_which_recorded_seat_is_that_of_a_crown_from_elsewhere",
    ),
    "timing": ("rule_07_endo_timing",),
    "failures": ("rule_08_crown_failure", "rule_09_endo_failure", "rule_10_loss_by_cause", "rule_11_followup"),
    "gone": ("rule_13_gone", "rule_10_loss_by_cause"),
    "hints": ("hints", "rule_03_elsewhere"),
    "followup": ("rule_11_followup",),
    "link": (
        "link",
        "rule_04_courses",
        "rule_05_crown",
        "rule_07_endo_timing",
        "rule_03_elsewhere::test_a_repeat_or_surgery_with_no_root_canal_before_it_proves_one_elsewhere",
        "rule_13_gone::test_a_crown_after_an_implant_is_of_the_tooth_where_others_treated_its_root_since",
    ),
}


def _node(folder: str, name: str) -> str:
    """A file of a folder of tests by its name, or one test of it as file::test."""
    file, _, test = name.partition("::")
    return f"tests/{folder}/test_{file}.py{test and '::' + test}"


def _read_anew() -> None:
    """For all others: the tests read and link it themselves."""
    os.environ.pop(_READY, None)


def _prepare_ledgers() -> None:
    from tests.mutants.ledgers_at_once import prepare

    _read_anew()
    prepare()


LINKING = (
    *(
        Target(
            "linking",
            f"pipeline/transforms/{module}.py",
            (_AT_ONCE, _KNOWN, *_WAYS, *(_node("transforms", name) for name in names)),
            _prepare_ledgers,
            _AGAIN,
        )
        for module, names in _OF_RULES.items()
    ),
    *(
        Target("linking", f"pipeline/transforms/{name}.py", (f"{_T}{name}.py", _KNOWN, f"{_T}clean.py"), _read_anew)
        for name in ("dates", "corrections")
    ),
    Target("linking", "pipeline/transforms/healing.py", (f"{_T}lesions_between_films.py", f"{_T}healing.py")),
)


_SAID = ("tests/questions/test_steady_ratio.py", "tests/twice/test_sentences_done_twice.py")
_MAIN = "tests/mutants/main_at_once.py"
_OF_SAFETY = ("asking/test_asked", "dashboards/test_dash", "techniques/test_technique")


def _prepare_main() -> None:
    from tests.mutants.main_at_once import prepare

    prepare()


_READY = "KNOWN_PRACTICE_LINKED"


@cache
def _linked() -> Path:
    """The practice whose teeth are known, written, read and linked in a process of its own."""
    folder, owner = Path(tempfile.mkdtemp(prefix="known-")), os.getpid()
    atexit.register(lambda: os.getpid() == owner and shutil.rmtree(folder, ignore_errors=True))
    pid = os.fork()
    if pid == 0:
        status = 1
        try:
            os.environ.pop(_READY, None)
            sys.path.append(str(Path(__file__).parents[1] / "twice"))
            from test_known_practice import linked

            linked(folder)
            status = 0
        finally:
            os._exit(status)
    if os.waitpid(pid, 0)[1]:
        raise RuntimeError("the practice could not be made")
    return folder


def _prepare_known() -> None:
    """For modules that nothing of reading and linking hangs on: the tests take the practice as it was linked."""
    os.environ[_READY] = str(_linked())


def _figures(file: str, *tests: str) -> Target:
    """A module that figures of the main comparison go through: they are held to R, then its own tests run."""

    def prepare() -> None:
        _prepare_known()
        _prepare_main()

    return Target("comparison", file, (_KNOWN, _MAIN, *tests), prepare)


def _stats(name: str, *more: str) -> Target:
    return _figures(f"pipeline/stats/{name}.py", *(f"tests/stats/test_{t}.py" for t in (name, *more, "unless_told")))


def _question(group: str, name: str, *more: str) -> Target:
    return replace(
        _figures(f"pipeline/questions/{name}.py", *(_node("questions", test) for test in more or (name,))), group=group
    )


# Of the tests of the trial those by hand; the others make whole practices.
_TRIAL = tuple(
    f"hyperemic.py::test_{name}"
    for name in (
        "a_root_canal_begun_before_the_day_of_the_preparation_is_no_strategy",
        "root_canals_without_a_day_or_of_others_before_the_preparation",
        "a_reversible_pulpitis_speaks_for_thirty_days",
        "necrosis_and_irreversible_pulpitis_recorded_by_the_preparation_are_left_out_and_counted",
        "only_single_crowns_of_the_practice_seated_in_its_records_enter",
        "the_day_of_the_preparation_where_none_can_be_used",
        "the_practices_own_days_to_the_seat_count_from_twenty_crowns_on",
        "the_diagnosis_for_adjustment_is_the_latest_known_by_the_preparation",
        "incidences_of_six_teeth_seated_vital_by_hand",
        "an_arm_without_teeth_is_too_early_and_no_crash",
        "no_eligible_tooth_is_too_early_and_no_crash",
        "without_a_hyperemic_pulp_on_record_it_is_not_run",
        "limits_without_an_event_are_those_of_no_event_among_those_followed",
        "levels_that_the_counts_do_not_tell_apart_are_told_apart_by_no_name",
        "the_need_of_a_root_canal_by_hand",
    )
)


def _trial(name: str) -> Target:
    return Target(
        "comparison",
        f"pipeline/questions/{name}.py",
        ("tests/questions/test_trial_edges.py", *(f"tests/questions/test_{node}" for node in _TRIAL)),
    )


COMPARISON = (
    _question("comparison", "crown_longevity", "crown_longevity", "state_models"),
    _question(
        "comparison",
        "answer",
        "crown_longevity",
        "comparisons",
        "endo_by_hand",
        "steady_ratio::test_what_the_same_patients_deny_is_not_claimed",
    ),
    _question("comparison", "comparisons"),
    _question("comparison", "question", "comparisons"),
    Target(
        "comparison",
        "pipeline/practice/outcomes.py",
        ("tests/test_outcomes.py", _KNOWN, "tests/questions/test_endo_teeth.py"),
        _read_anew,
    ),
    _question("comparison", "crown_rows"),
    _question("comparison", "groups"),
    _question("comparison", "covariates"),
    _trial("hyperemic"),
    _trial("trial_decisions"),
    _trial("trial_rows"),
    _trial("trial_weights"),
    _question("comparison", "endo_outcomes", "endo_by_hand", "endo_outcomes"),
    _figures(
        "pipeline/questions/longevity_passes.py",
        "tests/questions/test_longevity_passes.py",
        "tests/scale/test_compare_partitions.py",
    ),
    Target(
        "comparison",
        "pipeline/stats/risk_sets.py",
        (
            "tests/stats/test_risk_sets.py",
            "tests/stats/test_unless_told.py",
            "tests/stats/test_risk_set_rates.py::test_the_first_day_with_enough_is_that_of_all_rows",
            _KNOWN,
        ),
        _prepare_known,
    ),
    _stats("standardise"),
    Target("comparison", "pipeline/stats/standardised.py", ("tests/stats/test_standardise.py", _KNOWN), _prepare_known),
    _stats("differences"),
    _stats("kaplan_meier"),
    _stats("aalen_johansen"),
    _stats("cox_kernel", "cox", "cox_properties", "censoring_weights"),
    _stats("spells", "curve_properties"),
    _stats("followup"),
    _stats("clone_censor_weight"),
    _stats("few_failures"),
    _stats("censoring_weights"),
    _stats("tipping"),
    _stats("multi_state"),
    _stats("standardise_windows"),
    Target(
        "comparison",
        "pipeline/stats/phases.py",
        (_KNOWN, "tests/stats/test_standardise_windows.py", "tests/stats/test_log_f.py"),
        _prepare_known,
    ),
    _stats("log_f"),
    _question("comparison", "steady_ratio", "steady_by_hand", "steady_ratio", "crown_longevity"),
    _question("comparison", "within_patient"),
    _question("comparison", "leaving_weights", "leaving"),
    _question("comparison", "group_ratios", "group_ratios", "crown_longevity"),
    _question("comparison", "robustness"),
    *(
        Target(
            "comparison",
            f"pipeline/questions/{name}.py",
            (f"tests/questions/test_{by_hand}_by_hand.py", "tests/questions/test_unseen_openings.py"),
        )
        for name, by_hand in (("unseen_openings", "unseen"), ("unseen_draws", "unseen_draws"))
    ),
    _question("comparison", "analysis", "groups", "crown_longevity", "verdict"),
    _stats("cox", "newton", "cox_properties", "cox_kernel", "log_f"),
    *(
        _figures(f"pipeline/stats/{name}.py", *(f"tests/stats/test_{test}.py" for test in tests))
        for name, *tests in (
            ("cox_input", "cox_input", "cox", "cox_partitions"),
            ("limits", "kaplan_meier", "differences", "aalen_johansen"),
            ("standard_target", "standardise", "standardise_windows"),
            ("stratum_hazard", "standardise", "standardise_windows", "cox_kernel", "standardise_parts"),
            ("influence", "kaplan_meier", "aalen_johansen"),
            ("counts", "kaplan_meier", "aalen_johansen", "differences"),
            ("rates", "rates"),
            ("risk_table", "risk_table"),
            ("laws", "laws"),
            ("firth", "firth"),
            ("proportional_hazards", "proportional_hazards"),
            ("multiplicity", "multiplicity", "weighted_holm"),
            ("risk_set_errors", "risk_set_errors", "risk_set_rates", "unless_told"),
            ("risk_set_rates", "risk_set_rates"),
            ("balance", "balance"),
            ("e_value", "e_value"),
            ("detectable", "detectable"),
        )
    ),
    _figures("pipeline/questions/techniques/family.py", "tests/techniques/test_technique_family.py"),
    *(
        Target(
            "comparison",
            f"dashboards/words/{name}.py",
            (_KNOWN, f"tests/dashboards/test_dash_{tests}.py", *_SAID),
            _prepare_known,
        )
        for name, tests in (("comparisons", "words"), ("shared", "shared_words"))
    ),
    _figures(
        "pipeline/results/__init__.py",
        "tests/questions/test_endo_outcomes.py",
        "tests/questions/test_trial_edges.py",
        "tests/dashboards/test_dash_accounting.py",
    ),
    Target("comparison", "pipeline/results/safety.py", tuple(f"tests/{test}_safety.py" for test in _OF_SAFETY)),
    # The comparison in parts of patients.
    *(
        Target("comparison", f"pipeline/{module}.py", tuple(f"tests/{test}.py" for test in tests))
        for module, *tests in (
            ("stats/cox_partitions", "stats/test_cox_partitions", "stats/test_newton"),
            (
                "stats/standardise_parts",
                "stats/test_standardise_parts",
                "stats/test_unless_told",
                "scale/test_compare_partitions",
            ),
            ("questions/longevity_parts", "scale/test_compare_partitions"),
        )
    ),
)
CLINICIANS = (Target("clinicians", "pipeline/stats/colleagues.py", ("tests/stats/test_colleagues.py",)),)
VERDICT = (
    _question("verdict", "verdict"),
    Target("verdict", "pipeline/questions/choice_verdict.py", ("tests/questions/test_choice_verdict.py",)),
)
_EDGES = "tests/dashboards/test_dash_release_edges.py"
_OF_RELEASE = ("released", "count", "healing", "methods", "percent", "rates", "technique", "trial", "words")
_SERIES, _FILES = "tests/dashboards/test_dash_attack_series.py", "tests/dashboards/test_dash_attack_files.py"
_OF_PARTS = (
    "each_part_stands_beside_its_whole",
    "what_cannot_be_read_any_more_tells_of_none",
    "pages_are_watched_in_every_table",
)
_OF_SERIES = (
    "parts_that_tell_of_a_few_by_hand",
    "series_by_hand",
    "one_rounding_twice_shows_a_change",
    "only_what_the_last_release_adds_is_found",
)
_OF_RECORDS = (
    "record_of_a_release_that_hides_nothing_says_so",
    "record_tells_each_thing_in_its_place_and_breaks_no_word",
    "record_lies_beside_each_file_with_its_hash_its_reasons_and_a_line_to_sign",
    "patient_with_twice_eleven_teeth_is_told_of",
)
DISCLOSURE = (
    Target("disclosure", "pipeline/release/disclosure.py", ("tests/pool/test_pool_disclosure.py",)),
    *(Target("disclosure", f"dashboards/release/{name}.py", (_EDGES,)) for name in _OF_RELEASE),
    Target("disclosure", "dashboards/release/curve.py", ("tests/dashboards/test_dash_release_curve.py", _EDGES)),
    Target("disclosure", "dashboards/release/parts.py", tuple(f"{_SERIES}::test_{name}" for name in _OF_PARTS)),
    Target("disclosure", "pipeline/release/side_by_side.py", tuple(f"{_SERIES}::test_{name}" for name in _OF_SERIES)),
    Target("disclosure", "dashboards/release/record.py", tuple(f"{_FILES}::test_a_{name}" for name in _OF_RECORDS)),
    Target("disclosure", "dashboards/release/table1.py", ("tests/dashboards/test_dash_table1.py",)),
    *(
        Target("disclosure", f"pipeline/release/{name}.py", ("tests/releases/test_release_memory.py",))
        for name in ("memory", "memory_file")
    ),
)
_OTHERS = ("tests/questions/test_others_and_yours.py",)
_POOL_EDGES = "tests/pool/test_pool_edges.py"
_TABLES = "tests/pool/test_pool_contribution.py::test_a_table_begins_and_ends_with_eleven_followed"
_FORGERIES = "tests/pool/test_pool_forgeries.py"
POOLING = (
    *(
        Target("pooling", f"pipeline/release/pool/{name}.py", (_POOL_EDGES, *more))
        for name, *more in (("combine",), ("contribution",), ("make", _TABLES), ("curves",), ("files",))
    ),
    Target("pooling", "pipeline/release/pool/plausible.py", ("tests/pool/test_pool_plausible.py", _FORGERIES)),
    Target("pooling", "pipeline/release/pool/likeness.py", ("tests/pool/test_pool_likeness.py",)),
    Target("pooling", "pipeline/release/pool/signing.py", ("tests/pool/test_pool_signing.py", _FORGERIES)),
    Target("pooling", "pipeline/stats/mixture_prior.py", ("tests/stats/test_mixture_prior.py",)),
    Target("pooling", "pipeline/release/pool/others_and_yours.py", _OTHERS),
)
_NOTES = ("tests/notes/test_read_note.py", "tests/notes/test_second_author.py")
NOTES = (
    Target("notes", "pipeline/notes/read.py", _NOTES),
    Target("notes", "pipeline/notes/context.py", ("tests/notes/test_context.py", *_NOTES)),
)


# What the figures pass before linking and after the verdict; no score is kept of these (`passed.py` names their lines).
def _dash(*names: str) -> tuple[str, ...]:
    return tuple(f"tests/dashboards/test_dash_{name}.py" for name in names)


_LATE = ("pipeline/questions/", "pipeline/results/", "dashboards/")  # that nothing of reading and linking hangs on
PASSED = tuple(
    Target("passed", f"{file}.py", (_KNOWN, *tests), _prepare_known if file.startswith(_LATE) else _read_anew)
    for file, *tests in (
        ("pipeline/transforms/clean", f"{_T}clean.py", f"{_T}cell_forms.py"),
        ("pipeline/transforms/cell_forms", f"{_T}cell_forms.py"),
        ("pipeline/transforms/code_cells", f"{_T}cell_forms.py"),
        ("pipeline/transforms/deduplicate", f"{_T}deduplicate.py", f"{_T}listed_twice.py"),
        ("pipeline/transforms/other_days", f"{_T}other_days.py", f"{_T}clean.py"),
        ("pipeline/transforms/parsers", f"{_T}parsers.py", f"{_T}cell_forms.py", f"{_T}decimals.py"),
        ("pipeline/transforms/patient_numbers", "tests/store/test_store_patients.py"),
        ("pipeline/transforms/taken", f"{_T}clean.py", f"{_T}cell_forms.py"),
        ("pipeline/transforms/text_cache", f"{_T}text_cache.py"),
        ("pipeline/transforms/tooth_cells", f"{_T}cell_forms.py", f"{_T}tooth_signs.py"),
        ("pipeline/transforms/tooth_lists", f"{_T}tooth_lists.py", f"{_T}cell_forms.py"),
        ("pipeline/practice/codes", "tests/test_codes.py"),
        ("pipeline/practice/fields", "tests/test_reference.py"),
        ("pipeline/practice/tables", "tests/synthetic/test_small_practice.py", "tests/store/test_store.py"),
        ("pipeline/practice/teeth", "tests/test_teeth.py"),
        ("pipeline/practice/counts", "tests/test_counts.py"),
        ("pipeline/reading/column_forms", "tests/test_column_forms.py"),
        ("pipeline/reading/read_file", "tests/test_ingest.py"),
        ("pipeline/storing/store", "tests/store/test_store.py", "tests/test_ingest.py"),
        ("pipeline/storing/rows_to_link", "tests/scale/test_link_partitions.py"),
        ("pipeline/storing/patients", "tests/store/test_store_patients.py"),
        ("pipeline/storing/facts", "tests/releases/test_release_memory.py"),
        ("pipeline/storing/own_tables", "tests/test_ingest.py"),
        ("pipeline/stages/ingest", "tests/test_ingest.py"),
        ("pipeline/stages/run_link", "tests/test_ingest.py"),
        ("pipeline/questions/quality", "tests/questions/test_quality.py"),
        ("pipeline/results/gap", *_dash("words")),
        ("dashboards/formats", *_dash("formats", "words")),
        ("dashboards/tables", *_dash("pages", "words")),
        ("dashboards/terms", *_dash("words", "answers")),
        ("dashboards/theme", *_dash("formats", "pages")),
        ("dashboards/drawing", *_dash("pages", "downloads")),
        ("dashboards/results_json", *_dash("results_json")),
        ("dashboards/charts/balance", *_dash("doubts")),
        ("dashboards/charts/contrasts", *_dash("axes", "pages", "forest")),
        ("dashboards/charts/failure_curve", *_dash("pages")),
        ("dashboards/charts/rows", *_dash("axes", "pages")),
        ("dashboards/pages/comparison", *_dash("pages", "words")),
        ("dashboards/pages/crowns", *_dash("pages")),
        ("dashboards/words/answers", *_dash("answers")),
        ("dashboards/words/doubt", *_dash("doubts")),
    )
)
TARGETS = (*LINKING, *COMPARISON, *CLINICIANS, *VERDICT, *DISCLOSURE, *POOLING, *NOTES)
