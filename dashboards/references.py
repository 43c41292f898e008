"""The method papers that the analysis rests on, each with what it was used for.

Only papers stand here whose journal, year, volume and first page were found the same in the paper itself or in two
published lists of references; November 2026. What was not checked so is not cited to readers.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.practice.outcomes import ENDO_NEEDED


@dataclass(frozen=True)
class Reference:
    """One paper: how it is cited, and what it was used for here."""

    text: str
    used_for: str

    def __str__(self) -> str:
        return f"{self.text} Used for: {self.used_for}."

    @property
    def short(self) -> str:
        """Authors and place, without the title."""
        authors, *_, place = self.text.rstrip(".").split(". ")
        return f"{authors}. {place}"


SUISSA = Reference(
    "Suissa S. Immortal time bias in pharmacoepidemiology. Am J Epidemiol 2008;167:492-499.",
    "why a crown counts as opened only from the day it was opened",
)
KAPLAN_MEIER = Reference(
    "Kaplan EL, Meier P. Nonparametric estimation from incomplete observations. J Am Stat Assoc 1958;53:457-481.",
    "curves",
)
POCOCK = Reference(
    "Pocock SJ, Clayton TC, Altman DG. Survival plots of time-to-event outcomes in clinical trials. "
    "Lancet 2002;359:1686-1689.",
    "curves of failure that go up from zero",
)
MORRIS = Reference(
    "Morris TP, et al. Proposals on Kaplan-Meier plots in medical research and a survey of stakeholder views: "
    "KMunicate. BMJ Open 2019;9:e030215.",
    "ranges and counts shown with each curve",
)
LIN_WEI = Reference(
    "Lin DY, Wei LJ. The robust inference for the Cox proportional hazards model. J Am Stat Assoc 1989;84:1074-1078.",
    "ranges that allow for teeth of one mouth being alike",
)
MAKUCH = Reference(
    "Makuch RW. Adjusted survival curve estimation using covariates. J Chronic Dis 1982;35:437-443.",
    "the adjusted difference",
)
LANDMARK = Reference(
    "Anderson JR, Cain KC, Gelber RD. Analysis of survival by tumor response. J Clin Oncol 1983;1:710-719.",
    "counting from a fixed day",
)
SCHEMPER = Reference(
    "Schemper M, Smith TL. A note on quantifying follow-up in studies of failure time. "
    "Control Clin Trials 1996;17:343-346.",
    "median follow-up",
)
CLARK = Reference(
    "Clark TG, Altman DG, De Stavola BL. Quantification of the completeness of follow-up. Lancet 2002;359:1309-1310.",
    "completeness of follow-up",
)
AALEN_JOHANSEN = Reference(
    "Aalen OO, Johansen S. An empirical transition matrix for non-homogeneous Markov chains based on censored "
    "observations. Scand J Stat 1978;5:141-150.",
    "incidence where a tooth can end in several ways",
)
ALTMAN_BLAND = Reference(
    "Altman DG, Bland JM. Absence of evidence is not evidence of absence. BMJ 1995;311:485.",
    "what a range that holds no difference means",
)
MULTIVERSE = Reference(
    "Steegen S, Tuerlinckx F, Gelman A, Vanpaemel W. Increasing transparency through a multiverse analysis. "
    "Perspect Psychol Sci 2016;11:702-712.",
    "counting in every defensible way",
)
STROBE = Reference(
    "von Elm E, Altman DG, Egger M, et al. The Strengthening the Reporting of Observational Studies in Epidemiology "
    "(STROBE) statement. PLoS Med 2007;4:e296.",
    "the list of items that the appendix answers",
)
STROBE_EXPLAINED = Reference(
    "Vandenbroucke JP, von Elm E, Altman DG, et al. Strengthening the Reporting of Observational Studies in "
    "Epidemiology (STROBE): explanation and elaboration. PLoS Med 2007;4:e297.",
    "what each of those items asks for",
)
RECORD = Reference(
    "Benchimol EI, Smeeth L, Guttmann A, et al. The REporting of studies Conducted using Observational "
    "Routinely-collected health Data (RECORD) statement. PLoS Med 2015;12:e1001885.",
    "the items on records that were kept for another purpose",
)

REPORTING = (STROBE, STROBE_EXPLAINED, RECORD)


def used(*, outcomes: set[str], clocks: set[str], naive: bool, choices: bool, model: bool) -> tuple[Reference, ...]:
    """The papers behind what a run in fact shows, then those on reporting."""
    found = (
        (SUISSA, naive),
        (KAPLAN_MEIER, bool(outcomes)),
        (MAKUCH, model),
        (LIN_WEI, model),
        (POCOCK, bool(outcomes)),
        (MORRIS, bool(outcomes)),
        (LANDMARK, "since_landmark" in clocks),
        (AALEN_JOHANSEN, ENDO_NEEDED.id in outcomes),
        (SCHEMPER, True),
        (CLARK, True),
        (ALTMAN_BLAND, bool(outcomes)),
        (MULTIVERSE, choices),
    )
    return (*(r for r, wanted in found if wanted), *REPORTING)
