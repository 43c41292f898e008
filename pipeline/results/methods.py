"""The methods behind a run's figures, each with the module that holds it and its sources; and what each setting does.

A declared list, so that the methods page names only what a run used. The sources stand word for word in the docstrings
of the modules; a test compares them.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.results import Results
from pipeline.transforms.rules import MEANINGS

LIN_WEI = (
    "Lin DY, Wei LJ. The robust inference for the Cox proportional hazards model. J Am Stat Assoc 1989;84:1074-1078"
)
SUISSA = "Suissa S. Immortal time bias in pharmacoepidemiology. Am J Epidemiol 2008;167:492-499."
REMEMBERED = "from memory"  # what a module writes beside a source whose details nobody has looked up
LASH_FOX_FINK = "Lash TL, Fox MP, Fink AK. Applying Quantitative Bias Analysis to Epidemiologic Data. Springer, 2009."
GOOD_PRACTICES = (
    "Lash TL, Fox MP, MacLehose RF, Maldonado G, McCandless LC, Greenland S. Good practices for quantitative bias "
    "analysis. Int J Epidemiol 2014;43:1969-1985."
)


@dataclass(frozen=True)
class Method:
    """One method: what it is for, the module of `pipeline` that holds it, its sources, and the part that needs it."""

    name: str
    purpose: str
    module: str
    sources: tuple[str, ...]
    needs: str  # a name of `parts_of`

    @property
    def checked(self) -> tuple[str, ...]:
        """The sources that readers are shown: those whose details were not only remembered."""
        return tuple(source for source in self.sources if REMEMBERED not in source)


METHODS = (
    Method(
        "Kaplan-Meier curve",
        "Share without failure, for teeth that enter late, tie on a day and share a patient; variance by patient.",
        "stats.kaplan_meier",
        (
            "Kaplan EL, Meier P. Nonparametric estimation from incomplete observations. J Am Stat Assoc "
            "1958;53:457-481.",
        ),
        "curves",
    ),
    Method(
        "Limits on the log-log scale",
        "The ranges of curves: they never leave 0 to 100 of 100.",
        "stats.limits",
        ("Kalbfleisch JD, Prentice RL. The Statistical Analysis of Failure Time Data. Wiley, 1980 (section 1.3).",),
        "curves",
    ),
    Method(
        "Table under a curve",
        "Followed, failed and ended at each year; the three add up to those who entered.",
        "stats.risk_table",
        (
            "Morris TP, et al. Proposals on Kaplan-Meier plots in medical research and a survey of stakeholder views: "
            "KMunicate. BMJ Open 2019;9:e030215.",
        ),
        "comparisons",
    ),
    Method(
        "Failures per 100 tooth-years",
        "Rates with limits for teeth that share a patient, and exact Poisson limits where there is one patient.",
        "stats.rates",
        ("Garwood F. Fiducial limits for the Poisson distribution. Biometrika 1936;28:437-442.", LIN_WEI),
        "comparisons",
    ),
    Method(
        "Difference of two curves",
        "Failures per 100 by a day; each patient’s pull on the difference gives its error, as teeth of one patient may "
        "lie in both groups.",
        "stats.differences",
        (),
        "comparisons",
    ),
    Method(
        "Cox model",
        "Hazard ratios with delayed entry, a baseline hazard for each clinician, and errors clustered on the patient.",
        "stats.cox",
        (
            f"{LIN_WEI}.",
            "Therneau TM, Grambsch PM. Modeling Survival Data: Extending the Cox Model. Springer, 2000 (chapters 3, 7 "
            "and 8).",
        ),
        "models",
    ),
    Method(
        "Few failures",
        "Ranges of ratios and adjusted differences: the larger of the model’s and the clustered error, Student’s t, "
        "and limits of a difference from those of its two shares.",
        "stats.few_failures",
        (
            "Satterthwaite FE. An approximate distribution of estimates of variance components. Biometrics Bulletin "
            "1946;2:110-114 (from memory).",
            "Zou GY, Donner A. Construction of confidence limits about effect measures: a general approach. Stat Med "
            "2008;27:1693-1702 (from memory).",
        ),
        "models",
    ),
    Method(
        "Penalised ratio",
        "A hazard ratio where one group has no failure: its limits say how large or small it may still be.",
        "stats.firth",
        (
            "Firth D. Bias reduction of maximum likelihood estimates. Biometrika 1993;80:27-38.",
            "Heinze G, Schemper M. A solution to the problem of monotone likelihood in Cox regression. Biometrics "
            "2001;57:114-119.",
        ),
        "penalised",
    ),
    Method(
        "A state that changes on its own day",
        "A crown counts as opened only from the day it was opened; counting by label from the seat misleads.",
        "questions.crown_longevity",
        (SUISSA,),
        "naive",
    ),
    Method(
        "Landmark",
        "Teeth still there on one day are grouped by what had been done by then, and followed from that day.",
        "questions.endo_delay",
        (
            "Anderson JR, Cain KC, Gelber RD. Analysis of survival by tumor response. J Clin Oncol 1983;1:710-719 "
            "(from memory).",
        ),
        "landmark",
    ),
    Method(
        "Standardised difference in failures",
        "One and the same set of crowns is given each treatment in turn by the adjusted Cox model, and the mean "
        "predictions are compared.",
        "stats.standardise",
        (
            "Makuch RW. Adjusted survival curve estimation using covariates. J Chronic Dis 1982;35:437-443.",
            "Hernán MA, Robins JM. Causal Inference: What If. Chapman & Hall/CRC, 2020 (chapters 13 and 17; "
            "from memory).",
            "Therneau TM, Grambsch PM. Modeling Survival Data: Extending the Cox Model. Springer, 2000 (chapters 7 and "
            "10).",
        ),
        "standardised",
    ),
    Method(
        "Test of a steady ratio",
        "Whether a hazard ratio changes over follow-up: against the clock of the model, and between the first year "
        "since the group's own start and later.",
        "stats.proportional_hazards",
        (
            "Grambsch PM, Therneau TM. Proportional hazards tests and diagnostics based on weighted residuals. "
            "Biometrika 1994;81:515-526.",
            "Therneau TM. The survival package, cox.zph (version 3.0 and later).",
        ),
        "steady",
    ),
    Method(
        "Differences through phases and at equal age, and mean years in place",
        "What the same crowns would do whose ratio changes since the opening, each from an age of its own on; the area "
        "between the curves.",
        "stats.standardise_windows",
        ("Royston P, Parmar MKB. Restricted mean survival time. BMC Med Res Methodol 2013;13:152.",),
        "steady",
    ),
    Method(
        "Phases with few failures or none",
        "The ratios of phases that adjoin are held to one another by a belief worth one failure, half on either side.",
        "stats.log_f",
        (
            "Greenland S, Mansournia MA. Penalization, bias reduction, and default priors in logistic and related "
            "categorical and survival regressions. Stat Med 2015;34:3133-3143 (from memory).",
        ),
        "steady",
    ),
    Method(
        "The same patients",
        "The ratio among crowns of one patient, so that what a patient's crowns share drops out.",
        "questions.within_patient",
        (
            "Holt JD, Prentice RL. Survival analyses in twin studies and matched pair experiments. Biometrika "
            "1974;61:17-30 (from memory).",
        ),
        "within_patient",
    ),
    Method(
        "Balance of characteristics",
        "How far two groups lie apart in each characteristic, in standard deviations.",
        "stats.balance",
        (
            "Austin PC. Balance diagnostics for comparing the distribution of baseline covariates between treatment "
            "groups in propensity-score matched samples. Stat Med 2009;28:3083-3107.",
        ),
        "balance",
    ),
    Method(
        "Smallest difference that could have been seen",
        "The difference that these records would have shown four times in five.",
        "stats.detectable",
        ("Julious SA. Sample sizes for clinical trials with normal data. Stat Med 2004;23:1921-1986.",),
        "honesty",
    ),
    Method(
        "Tipping point of those lost from sight",
        "How much worse those who stopped coming must have fared before what the range says is another thing.",
        "stats.tipping",
        (
            "Zhao Y, Herring AH, Zhou H, Ali MW, Koch GG. A multiple imputation method for sensitivity analyses of "
            "time-to-event data with possibly informative censoring. J Biopharm Stat 2014;24:229-253 (from memory).",
            "Jackson D, White IR, Seaman S, Evans H, Baisley K, Carpenter J. Relaxing the independent censoring "
            "assumption in the Cox proportional hazards model using multiple imputation. Stat Med 2014;33:4681-4694 "
            "(from memory).",
            "Yan X, Lee S, Li N. Missing data handling methods in medical device clinical trials. J Biopharm Stat "
            "2009;19:1085-1098 (from memory).",
        ),
        "leaving",
    ),
    Method(
        "Weights for who left",
        "The main figures as if leaving had nothing to do with what is recorded: stretches of follow-up weighted by "
        "the inverse of the chance of still being followed.",
        "stats.censoring_weights",
        (
            "Robins JM, Finkelstein DM. Correcting for noncompliance and dependent censoring in an AIDS clinical trial "
            "with inverse probability of censoring weighted (IPCW) log-rank tests. Biometrics 2000;56:779-788 "
            "(from memory).",
            "Cole SR, Hernán MA. Constructing inverse probability weights for marginal structural models. Am J "
            "Epidemiol 2008;168:656-664.",
        ),
        "weighed",
    ),
    Method(
        "States of crowns seated vital",
        "How many of 100 crowns are in place and unopened, opened and in place, or lost, after some years.",
        "stats.multi_state",
        (
            "Aalen OO, Johansen S. An empirical transition matrix for non-homogeneous Markov chains based on censored "
            "observations. Scand J Stat 1978;5:141-150.",
            "Datta S, Satten GA. Validity of the Aalen-Johansen estimators of stage occupation probabilities and "
            "Nelson-Aalen estimators of integrated transition hazards for non-Markov models. Stat Probab Lett "
            "2001;55:403-411 (from memory).",
        ),
        "states",
    ),
    Method(
        "E-value",
        "How strongly something not recorded would have to be tied to both sides to explain a claimed difference away.",
        "stats.e_value",
        (
            "VanderWeele TJ, Ding P. Sensitivity analysis in observational research: introducing the E-value. Ann "
            "Intern Med 2017;167:268-274.",
        ),
        "e_value",
    ),
    Method(
        "Every defensible way to count",
        "The main comparison fitted anew under each combination of the choices that a ledger leaves open.",
        "questions.choices",
        (
            "Steegen S, Tuerlinckx F, Gelman A, Vanpaemel W. Increasing transparency through a multiverse analysis. "
            "Perspect Psychol Sci 2016;11:702-712.",
        ),
        "choices",
    ),
    Method(
        "Openings that the ledger may not hold",
        "A bias analysis: crowns that count as vital are opened, or treated before the seat, at random by what is "
        "believed of root canals done by others, and compared again, draw by draw.",
        "questions.unseen_openings",
        (LASH_FOX_FINK, GOOD_PRACTICES),
        "unseen",
    ),
    Method(
        "Correction for a yes or no that is sometimes recorded wrongly",
        "Laws of what is believed, draws that contradict the records discarded, chance added to each draw.",
        "stats.misclassification",
        (
            "Fox MP, Lash TL, Greenland S. A method to automate probabilistic sensitivity analyses of misclassified "
            "binary variables. Int J Epidemiol 2005;34:1370-1376 (from memory).",
            "Chu H, Wang Z, Cole SR, Greenland S. Sensitivity analysis of misclassification: a graphical and a "
            "Bayesian approach. Ann Epidemiol 2006;16:834-841 (from memory).",
        ),
        "unseen",
    ),
    Method(
        "Cumulative incidence",
        "Share that has had one of several competing events by a day.",
        "stats.aalen_johansen",
        (
            "Aalen OO, Johansen S. An empirical transition matrix for non-homogeneous Markov chains based on censored "
            "observations. Scand J Stat 1978;5:141-150.",
        ),
        "incidence",
    ),
    Method(
        "Clone, censor, weight",
        "The emulated trial counts from the preparation: each tooth is in both ways until it leaves one of them.",
        "stats.clone_censor_weight",
        (
            "Hernán MA. How to estimate the effect of treatment duration on survival outcomes using observational "
            "data. BMJ 2018;360:k182.",
            "Maringe C, Benitez Majano S, Exarchakou A, et al. Reflection on modern methods: trial emulation in the "
            "presence of immortal-time bias. Int J Epidemiol 2020;49:1719-1729.",
        ),
        "clones",
    ),
    Method(
        "Weights by the chance of the treatment received",
        "They make the two ways of the emulated trial alike in what was recorded; the largest are set back.",
        "stats.inverse_weights",
        (
            "Robins JM, Hernán MA, Brumback B. Marginal structural models and causal inference in epidemiology. "
            "Epidemiology 2000;11:550-560.",
            "Cole SR, Hernán MA. Constructing inverse probability weights for marginal structural models. Am J "
            "Epidemiol 2008;168:656-664.",
        ),
        "weights",
    ),
    Method(
        "Logistic regression for the chance of a treatment",
        "Unpenalised; whether a characteristic separates the treated without error is checked exactly.",
        "stats.propensity",
        (
            "Albert A, Anderson JA. On the existence of maximum likelihood estimates in logistic regression models. "
            "Biometrika 1984;71:1-10.",
            "Konis K. Linear programming algorithms for detecting separated data in binary logistic regression models. "
            "DPhil thesis, University of Oxford, 2007 (from memory).",
        ),
        "weights",
    ),
    Method(
        "How complete follow-up is",
        "Median follow-up by the reverse Kaplan-Meier curve, and the follow-up seen over that possible.",
        "stats.followup",
        (
            "Schemper M, Smith TL. A note on quantifying follow-up in studies of failure time. Control Clin Trials "
            "1996;17:343-346.",
            "Clark TG, Altman DG, De Stavola BL. Quantification of the completeness of follow-up. Lancet "
            "2002;359:1309-1310.",
        ),
        "followup",
    ),
    Method(
        "Share of teeth, alike within a patient",
        "Limits of the share that did well at recall.",
        "stats.clustered_share",
        (
            "Korn EL, Graubard BI. Confidence intervals for proportions with small expected number of positive counts "
            "estimated from survey data. Survey Methodology 1998;24:193-201.",
            "Clopper CJ, Pearson ES. The use of confidence or fiducial limits illustrated in the case of the binomial. "
            "Biometrika 1934;26:404-413.",
        ),
        "recalls",
    ),
    Method(
        "Healing at recall",
        "By the periapical index without symptoms, on the latest film that is late enough: healed (1 or 2), healing (a "
        "lesion that is smaller and not gone, until four years) or not healed; with and without a lesion before.",
        "transforms.healing",
        (
            "Orstavik D, Kerekes K, Eriksen HM. Endod Dent Traumatol 1986;2:20-34.",
            "European Society of Endodontology, quality guidelines for endodontic treatment, Int Endod J "
            "2006;39:921-930 (from memory).",
        ),
        "recalls",
    ),
    Method(
        "How soon a lesion heals",
        "A lesion heals between the last film that shows it and the first that does not: the nonparametric maximum "
        "likelihood estimate for such times, by EM and convex minorant steps. Ranges from 200 draws of whole patients.",
        "stats.turnbull",
        (
            "Turnbull BW. The empirical distribution function with arbitrarily grouped, censored and truncated data. "
            "J R Stat Soc B 1976;38:290-295.",
            "Wellner JA, Zhan Y. A hybrid algorithm for computation of the nonparametric maximum likelihood estimator "
            "from censored data. J Am Stat Assoc 1997;92:945-959.",
        ),
        "lesion_healing",
    ),
    Method(
        "Agreement of two readings",
        "Weighted kappa, one step of the index counting as one; errors let the films of one patient be alike.",
        "stats.weighted_kappa",
        (
            "Cohen J. Weighted kappa: nominal scale agreement with provision for scaled disagreement or partial "
            "credit. Psychol Bull 1968;70:213-220.",
            "Fleiss JL, Cohen J, Everitt BS. Large sample standard errors of kappa and weighted kappa. Psychol Bull "
            "1969;72:323-327 (from memory).",
        ),
        "agreement",
    ),
    Method(
        "Loss of a tooth by cause",
        "Each cause competes with the others; their shares add up to all teeth lost.",
        "questions.loss_by_cause",
        (
            "Putter H, Fiocco M, Geskus RB. Tutorial in biostatistics: competing risks and multi-state models. "
            "Stat Med 2007;26:2389-2430 (from memory).",
        ),
        "losses",
    ),
    Method(
        "Failures expected of the same teeth",
        "Each year of the practice is held against the hazard of all years before it, by the teeth’s age and risks.",
        "stats.expected",
        ("Breslow NE. Discussion of Professor Cox's paper. J R Stat Soc B 1972;34:216-217.",),
        "monitoring",
    ),
    Method(
        "Clinicians beside colleagues",
        "Each failure falls to a clinician by their share of the risk followed that day; a log-rank test in binomial "
        "form, widened where teeth of one patient fail together. The clinician who stands out most is set aside before "
        "the others are judged; how often this misleads or misses is simulated with the practice’s own numbers.",
        "stats.colleagues",
        (
            "Peto R, Peto J. Asymptotically efficient rank invariant test procedures. J R Stat Soc A 1972;135:185-207.",
            "Sidak Z. Rectangular confidence regions for the means of multivariate normal distributions. J Am Stat "
            "Assoc 1967;62:626-633.",
        ),
        "monitoring",
    ),
    Method(
        "Rates drawn to the practice’s",
        "Counts that are Poisson around rates that are gamma, averaged over how much clinicians may differ.",
        "stats.gamma_poisson",
        (
            "Clayton D, Kaldor J. Empirical Bayes estimates of age-standardized relative risks for use in disease "
            "mapping. Biometrics 1987;43:671-681.",
            "Christiansen CL, Morris CN. Hierarchical Poisson regression modeling. J Am Stat Assoc 1997;92:618-632.",
        ),
        "monitoring",
    ),
    Method(
        "Watch for a rise in failures",
        "A risk-adjusted cumulative sum over time; its limit allows for what is expected being a matter of chance.",
        "stats.cusum",
        (
            "Sego LH, Reynolds MR, Woodall WH. Risk-adjusted monitoring of survival times. Stat Med 2009;28:1386-1401.",
            "Biswas P, Kalbfleisch JD. A risk-adjusted CUSUM in continuous time based on the Cox model. Stat Med "
            "2008;27:3382-3406.",
            "Steiner SH, Cook RJ, Farewell VT, Treasure T. Monitoring surgical performance using risk-adjusted "
            "cumulative sum charts. Biostatistics 2000;1:441-452.",
            "Jones MA, Steiner SH. Assessing the effect of estimation error on risk-adjusted CUSUM chart performance. "
            "Int J Qual Health Care 2012;24:176-181.",
        ),
        "monitoring",
    ),
    Method(
        "Many questions at once",
        "A technique may be named only if it stands out among all technique comparisons of the run together.",
        "stats.multiplicity",
        ("Holm S. A simple sequentially rejective multiple test procedure. Scand J Stat 1979;6:65-70.",),
        "techniques",
    ),
    Method(
        "Curve along a dose",
        "Natural splines: the ratio of failures along a strength, a size or a height, without steps.",
        "stats.splines",
        (
            "Harrell FE. Regression Modeling Strategies. 2nd ed. Springer, 2015 (table 2.3; from memory).",
            "Hastie TJ. Generalized additive models. In: Chambers JM, Hastie TJ, eds. Statistical Models in S. "
            "Wadsworth, 1992 (chapter 7; from memory)",
        ),
        "doses",
    ),
    Method(
        "How many failures would settle it",
        "The failures that a ratio of two groups needs to be seen four times in five.",
        "stats.events_needed",
        (
            "Schoenfeld DA. Sample-size formula for the proportional-hazards regression model. Biometrics "
            "1983;39:499-503.",
        ),
        "planning",
    ),
    Method(
        "Figures computed a second time",
        "Curves and hazard ratios by another library, on the practice’s own rows, at each run.",
        "stats.second_opinion",
        ("Davidson-Pilon C. lifelines: survival analysis in Python. J Open Source Softw 2019;4:1317.",),
        "checks",
    ),
    Method(
        "What others found as a prior",
        "Published figures and ratios of other practices as a prior that gives way where ours lies far off: the "
        "prediction for one more practice, over a half-normal spread between practices, and a vague part worth one "
        "failure.",
        "stats.mixture_prior",
        (
            "Schmidli H, Gsteiger S, Roychoudhury S, O'Hagan A, Spiegelhalter D, Neuenschwander B. Robust "
            "meta-analytic-predictive priors in clinical trials with historical control information. Biometrics "
            "2014;70:1023-1032.",
            "Box GEP. Sampling and Bayes' inference in scientific modelling and robustness. J R Stat Soc A "
            "1980;143:383-430.",
        ),
        "evidence",
    ),
)

RULES = MEANINGS | {
    "crown_date": "What the posted date of a crown stands for: its seat or its preparation.",
    "root_canals_elsewhere": "Whether root canals of this practice’s patients are done by others, as it says.",
    "film_readers": "Who read films blind: of a film that one of them read, nobody else’s reading counts.",
}
ANALYSIS = {
    "horizon_years": "Years after which groups are compared and shares are given.",
    "smallest_difference_per_100": "The smallest difference in failures per 100 that would matter, fixed beforehand.",
    "min_at_risk": "A curve starts once, and stops when no longer, this many teeth are followed.",
    "max_step_per_100": "A curve stops when one more failure would move it by more than this, per 100.",
    "min_failures": "With fewer failures than this in either group it is too early to compare.",
    "min_stratum_failures": "A clinician with fewer failures than this shares a baseline hazard with others.",
    "confidence": "The share of ranges that hold the truth in the long run.",
    "seed": "Start of the random numbers wherever a method draws any: the same seed gives the same figures.",
    "choices_crowns": "The main comparison is counted in other ways on about this many crowns at most, of patients "
    "drawn by a hash of what is recorded of them.",
    "post_core_days": "Days: a post or core known by its code alone counts for the crown seated on its day or at most "
    "so long after it (common practice, no source).",
    "crown_lengthening_days": "Days: the same for a tooth laid free (common practice, no source).",
    "splint_days": "Days: a splint known by its code counts for a root canal begun at most so long after it, or not "
    "yet finished (common practice, no source).",
    "perforation_days": "Days: the same for a perforation that was mended (common practice, no source).",
    "film_3d_days": "Days: the same for a three-dimensional film; one that names no tooth counts for every root canal "
    "of the patient (common practice, no source).",
    "vague_weight": "The weight that nothing has, beside what others found, before ours is looked at.",
    "between_shares": "Scale of how far practices differ in shares of teeth, on the logarithm of the cumulative hazard "
    "(no source, chosen as for ratios).",
    "between_ratios": "The same for hazard ratios, on their logarithm (Friede and others 2017 recommend 0.5 or 1 for "
    "odds ratios).",
}


def methods_of(results: Results) -> tuple[Method, ...]:
    """The methods that this run's figures rest on, in the order of `METHODS`."""
    parts = parts_of(results)
    return tuple(m for m in METHODS if m.needs in parts)


def parts_of(results: Results) -> frozenset[str]:
    """The parts of a run that are there, by the names that `Method.needs` uses."""
    comparisons = results.comparisons
    honest = [c.honesty for c in comparisons if c.honesty is not None]
    weighted = [r for t in results.trials for r in t.balance if r.after is not None]
    there = {
        "curves": bool(comparisons or results.rates),
        "comparisons": bool(comparisons),
        "models": any(c.estimates for c in comparisons),
        "penalised": any(e.model == "cox_penalised" for c in comparisons for e in c.estimates),
        "naive": any(c.naive for c in comparisons),
        "landmark": any(c.clock == "since_landmark" for c in comparisons),
        "standardised": any("standardised" in c.difference.method for c in comparisons if c.difference),
        "steady": any(c.steady for c in comparisons),
        "within_patient": any(c.within_patient for c in comparisons),
        "balance": any(h.balance for h in honest) or any(t.balance for t in results.trials),
        "honesty": bool(honest),
        "e_value": any(h.e_value is not None for h in honest),
        "leaving": any(h.leaving is not None and h.leaving.tipping for h in honest),
        "weighed": any(h.leaving is not None and h.leaving.weighed is not None for h in honest),
        "states": results.states is not None,
        "choices": any(c.choices for c in comparisons),
        "incidence": bool(results.trials or results.losses),
        "clones": bool(results.trials),
        "weights": bool(weighted),
        "followup": bool(results.followup),
        "recalls": bool(results.recalls),
        "lesion_healing": results.lesion_healing is not None and bool(results.lesion_healing.points),
        "agreement": bool(results.agreement),
        "losses": bool(results.losses),
        "checks": bool(results.checks),
        "monitoring": any(m.funnel or m.running for m in results.monitoring),
        "techniques": any(a.contrasts for a in results.techniques),
        "doses": any(a.dose for a in results.techniques),
        "planning": bool(results.planning),
        "unseen": any(u.moved for u in results.unseen),
        "evidence": results.evidence is not None and bool(results.evidence.rows),
    }
    return frozenset(name for name, is_there in there.items() if is_there)
