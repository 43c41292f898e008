"""The modules whose mutants are made, and the tests that must notice them: fast ones, the likeliest first."""

from __future__ import annotations

from tests.mutants.run import Target

_T = "tests/transforms/test_"
_LINK = f"{_T}link.py"
_RULES = tuple(
    f"{_T}rule_{name}.py"
    for name in (
        "02_done_here",
        "04_courses",
        "05_crown",
        "06_kinds_of_crown",
        "07_endo_timing",
        "08_crown_failure",
        "10_loss_by_cause",
        "11_followup",
        "13_gone",
        "03_elsewhere",
    )
)
_LEDGERS = "tests/judge/test_judge.py::test_pipeline"
# By module: what its own tests are; the whole of linking stands behind.
_OWN = {
    "events": (f"{_T}rule_02_done_here.py", f"{_T}rule_05_crown.py"),
    "others": (f"{_T}rule_03_elsewhere.py",),
    "courses": (f"{_T}rule_04_courses.py",),
    "crowns": (f"{_T}rule_05_crown.py", f"{_T}rule_06_kinds_of_crown.py"),
    "timing": (f"{_T}rule_07_endo_timing.py",),
    "failures": (f"{_T}rule_08_crown_failure.py", f"{_T}rule_10_loss_by_cause.py"),
    "gone": (f"{_T}rule_13_gone.py",),
    "hints": (f"{_T}rule_03_elsewhere.py",),
    "followup": (f"{_T}rule_11_followup.py",),
    "link": (_LINK,),
}
LINKING = tuple(
    Target("linking", f"pipeline/transforms/{name}.py", tuple(dict.fromkeys((*own, _LINK, *_RULES, _LEDGERS))))
    for name, own in _OWN.items()
) + (
    Target("linking", "pipeline/transforms/dates.py", (f"{_T}dates.py",)),
    Target("linking", "pipeline/transforms/corrections.py", (f"{_T}corrections.py",)),
    Target("linking", "pipeline/transforms/healing.py", (f"{_T}healing.py",)),
)


def _stats(name: str, *more: str) -> Target:
    return Target("comparison", f"pipeline/stats/{name}.py", tuple(f"tests/stats/test_{t}.py" for t in (name, *more)))


def _question(group: str, name: str, *more: str) -> Target:
    return Target(
        group, f"pipeline/questions/{name}.py", tuple(f"tests/questions/test_{t}.py" for t in more or (name,))
    )


COMPARISON = (
    _question("comparison", "crown_longevity", "verdict", "covariates"),
    _question("comparison", "crown_rows"),
    _question("comparison", "groups", "covariates", "crown_rows"),
    _question("comparison", "covariates"),
    _question("comparison", "hyperemic"),
    _question("comparison", "trial_decisions", "hyperemic"),
    _question("comparison", "trial_rows", "hyperemic"),
    _question("comparison", "trial_weights", "hyperemic"),
    _question("comparison", "endo_outcomes"),
    _question("comparison", "longevity_looks"),
    _stats("risk_sets", "risk_set_rates", "risk_set_errors"),
    _stats("standardise"),
    Target("comparison", "pipeline/stats/standardised.py", ("tests/stats/test_standardise.py",)),
    _stats("differences"),
    _stats("kaplan_meier"),
    _stats("aalen_johansen"),
    _stats("cox_kernel", "cox", "cox_properties", "cox_baseline"),
    Target("comparison", "pipeline/stats/spells.py", ("tests/stats/test_risk_sets.py", "tests/stats/test_cox.py")),
    _stats("followup"),
)
VERDICT = (
    _question("verdict", "verdict"),
    _question("verdict", "choice_verdict", "choices"),
    _question("verdict", "many_looks"),
)
_RELEASED = ("tests/dashboards/test_release.py",)
DISCLOSURE = (Target("disclosure", "pipeline/disclosure.py", ("tests/pool/test_pool_disclosure.py",)),)
_POOL = tuple(f"tests/pool/test_pool_{name}.py" for name in ("contribution", "combine", "files", "disclosure"))
POOLING = tuple(
    Target("pooling", f"pipeline/pool/{name}.py", _POOL)
    for name in ("combine", "contribution", "make", "curves", "files")
)

TARGETS = (*LINKING, *COMPARISON, *VERDICT, *DISCLOSURE, *POOLING)
