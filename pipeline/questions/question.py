"""What a comparison asks, as data: of which outcome, between which groups, adjusted for what, and why to doubt it.

`answer.py` answers any of them of its rows; pages, slides and pooling say them in the words that stand here.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from pipeline.practice.outcomes import CROWN_FAILURE, ENDO_FAILURE, TOOTH_LOSS, Outcome
from pipeline.questions.covariates import Covariate, Levels, Numeric

Pair = tuple[str, str]


@dataclass(frozen=True)
class Contrast:
    """A group and its reference as columns of a fit, the group's start in words (`the opening`), and both in words."""

    group: str
    reference: str
    since: str
    words: tuple[str, str]


@dataclass(frozen=True)
class Question:
    """One comparison as data.

    `labels` has the groups in their order, each a state that teeth are in or pass into; `contrast` names the two that
    the verdict is on, `contrasts` all pairs with a ratio; teeth enter the group `late` after the clock's start, and
    curves of it start when enough are followed. `crude`, `adjusted` and `changing` say how the difference was worked
    out: by curves, by the adjusted model, by one in which the ratio may change. `crude_counts` is False where the crude
    difference may not stand in for the adjusted one. `naive` says why the comparison by label misleads, empty where
    there is none. `doubt` is the reason to doubt the verdict; empty for that of any comparison. `rows_of` counts the
    teeth of sentences: `crowns` or `teeth`. `shared_labels` are labels without what a practice's rules set, for shared
    pages; `pooled_labels` those of pooling where other words do better, and `pooled_curves` says
    whether risk sets are given for it.
    """

    id: str
    title: str
    question: str
    outcome: Outcome
    clock: str
    unit: str
    labels: Mapping[str, str]
    contrast: Contrast
    adjust: tuple[Covariate, ...]
    model: str
    crude: str
    adjusted: str
    changing: str
    rows_of: str
    contrasts: tuple[Pair, ...] = ()
    late: str = ""
    crude_counts: bool = True
    naive: str = ""
    doubt: str = ""
    shared_labels: Mapping[str, str] | None = None
    pooled_curves: bool = True
    pooled_labels: tuple[str, str] | None = None

    @property
    def pair(self) -> Pair:
        """The two groups that the verdict is on, the reference second."""
        return self.contrast.group, self.contrast.reference


OF_CROWNS: tuple[Covariate, ...] = (
    Numeric("age_at_seat", "age at the seat", 10.0),
    Levels("sex", "sex"),
    Levels("tooth_group", "tooth group"),
    Levels("material", "material"),
    Levels("bruxism", "bruxism"),
    Levels("smoker", "smoking"),
    Numeric("seat_year", "year of the seat", 5.0),
)
OF_TEETH: tuple[Covariate, ...] = (
    Numeric("age_at_completion", "age at completion", 10.0),
    Levels("sex", "sex"),
    Levels("tooth_group", "tooth group"),
    Levels("kind", "first treatment or repeat"),
    Levels("bruxism", "bruxism"),
    Levels("smoker", "smoking"),
    Levels("diabetes", "diabetes"),
    Numeric("completion_year", "year of completion", 5.0),
)
OPENED = Contrast(
    "through_crown", "before_seat", "the opening", ("root canal through the crown", "root canal before the seat")
)
_JACKKNIFE = "error by the infinitesimal jackknife grouped by patient"
_FEW = (
    f"{_JACKKNIFE}, or the model's where that is larger; limits from those of the two shares, by Student's t with few "
    "failures"
)
_BOTH = "adjusted: both treatments standardised over the crowns with a root canal by"
SINCE_SEAT = Question(
    id="crown_longevity_by_endo_timing",
    title="Opening a crown, or treating before",
    question="Does opening a crown for a root canal shorten its life, compared with treating the tooth before?",
    outcome=CROWN_FAILURE,
    clock="since_seat",
    unit="crown_id",
    labels={
        "before_seat": "Root canal before the seat",
        "vital": "No root canal so far",
        "through_crown": "Root canal through the crown",
    },
    contrast=OPENED,
    contrasts=(("through_crown", "before_seat"), ("through_crown", "vital"), ("before_seat", "vital")),
    adjust=OF_CROWNS,
    model="cox_time_varying",
    late="through_crown",
    crude="difference of two Kaplan-Meier curves, openings entering on their own day, variance grouped by patient; not "
    "adjusted",
    adjusted=f"{_BOTH} the adjusted Cox model, {_FEW}",
    changing=f"{_BOTH} an adjusted Cox model in which the ratio may change since the opening: the same crowns, all "
    f"opened on the day from which the difference counts, or treated before; {_FEW}",
    rows_of="crowns",
    naive="Counted by label from the seat, a crown opened later is credited with all the years it lasted before it was "
    "opened, years in which it could not have failed as an opened crown. That makes opening look harmless.",
)
_AT_EQUAL_AGE = (
    "adjusted, at equal age of the crown: {chosen:,} of {opened:,} opened crowns, each from its age at the opening on, "
    "standardised as opened and as treated before by the adjusted Cox model whose clock is the age of the crown"
)
SINCE_OPENING = replace(
    SINCE_SEAT,
    id="crown_longevity_since_endo",
    title="Crowns from the opening on",
    question="How long does a crown last after it was opened, compared with one seated on a root-filled tooth?",
    clock="since_opening_or_seat",
    labels={name: SINCE_SEAT.labels[name] for name in ("before_seat", "through_crown")},
    contrasts=(),
    model="cox",
    late="",
    crude="difference of two Kaplan-Meier curves, variance grouped by patient; not adjusted for the age of the crown "
    "or anything else",
    adjusted=f"{_AT_EQUAL_AGE}; {_JACKKNIFE}",
    changing=f"{_AT_EQUAL_AGE}, and in which the ratio may change since the opening; {_JACKKNIFE}",
    crude_counts=False,
    naive="",
)
KEPT_BY_CROWN = Question(
    id="tooth_survival_by_crown_after_endo",
    title="Teeth kept, crowned or not",
    question="Is a tooth kept longer once it has a crown after its root canal?",
    outcome=TOOTH_LOSS,
    clock="since_completion",
    unit="course_id",
    labels={"crowned": "A crown after the root canal", "not_crowned": "No crown so far"},
    contrast=Contrast("crowned", "not_crowned", "the crown", ("a crown after the root canal", "no crown")),
    adjust=OF_TEETH,
    model="cox_time_varying_crown",
    late="crowned",
    crude="difference of two Kaplan-Meier curves, crowns entering on the day of their seat, variance grouped by "
    "patient; not adjusted",
    adjusted="adjusted: all the teeth standardised as crowned and as not crowned by the adjusted Cox model, error by "
    "the infinitesimal jackknife grouped by patient, or the model's where that is larger; limits from those of the two "
    "shares, by Student's t with few failures",
    changing="adjusted: all the teeth standardised as crowned and as not crowned by an adjusted Cox model in which the "
    "ratio may change since the crown, all crowned on the day from which the difference counts; error by the "
    "infinitesimal jackknife grouped by patient",
    rows_of="teeth",
    naive="Counted by label, a tooth crowned later is credited with all the time it lasted before its crown, time in "
    "which it could not have been lost as a crowned tooth, and every tooth lost early counts as one without a crown. "
    "That makes crowns look better than they are.",
    doubt="Teeth were not crowned by chance: a tooth that is not expected to last is often left without a crown, which "
    "makes crowns look better than they are.",
)
FREE_BY_CROWN = replace(
    KEPT_BY_CROWN,
    id="endo_free_of_intervention_by_crown",
    title="Root canals not treated again, crowned or not",
    question="Does a root canal stay free of retreatment, surgery and extraction longer once the tooth has a crown?",
    outcome=ENDO_FAILURE,
)


def kept_by_delay(*, landmark_days: int, soon_days: int) -> Question:
    """Teeth by the delay to their crown, from a landmark on: up to `soon_days`, after that up to the landmark."""
    adjusted = "adjusted: the teeth crowned by the landmark, standardised as crowned late and soon by the adjusted Cox "
    return replace(
        KEPT_BY_CROWN,
        id="tooth_survival_by_delay_to_crown",
        title="Teeth kept, crowned soon or later",
        question="Is a tooth kept longer if its crown follows the root canal soon?",
        clock="since_landmark",
        labels={
            "crowned_soon": f"A crown within {soon_days} days",
            "crowned_later": f"A crown after {soon_days + 1} to {landmark_days} days",
            "not_yet_crowned": f"No crown by day {landmark_days}",
        },
        contrast=Contrast("crowned_later", "crowned_soon", "the landmark", ("a later crown", "an early crown")),
        contrasts=(("crowned_later", "crowned_soon"), ("not_yet_crowned", "crowned_soon")),
        model="cox_landmark",
        late="",
        crude="difference of two Kaplan-Meier curves from the landmark, variance grouped by patient; not adjusted",
        adjusted=f"{adjusted}model; {_JACKKNIFE}",
        changing=f"{adjusted}model, in which the ratio may change within and after a year; {_JACKKNIFE}",
        naive="",
        shared_labels={
            "crowned_soon": "A crown soon after the root canal",
            "crowned_later": "A crown later",
            "not_yet_crowned": "No crown by then",
        },
        pooled_curves=False,
        pooled_labels=("A crown later on", "A crown soon after the root canal"),
    )


# Half a year leaves most crowns time to be made, and few teeth time to be lost (common practice, no source).
LANDMARK_DAYS = 183
SOON_DAYS = 60
KEPT_BY_DELAY = kept_by_delay(landmark_days=LANDMARK_DAYS, soon_days=SOON_DAYS)
COMPARISONS = (SINCE_SEAT, SINCE_OPENING, KEPT_BY_CROWN, FREE_BY_CROWN, KEPT_BY_DELAY)
