"""What is believed of root canals and failures that a ledger does not hold: every number, with its reason.

No published figure is known to us for any of them, so each is wide and says where it comes from. A practice that knows
better says so in `[practice] root_canals_elsewhere`, or answers the list of teeth with hints.
"""

from dataclasses import dataclass

from pipeline.results.unseen import Assumption
from pipeline.stats.misclassification import Prior, Trapezoidal

NO_SOURCE = "common practice, no source"

# Share of the root canals of the practice's patients that others do.
DONE_BY_OTHERS = {
    "some": Trapezoidal(0.02, 0.10, 0.40, 0.60),
    "most": Trapezoidal(0.40, 0.55, 0.85, 0.95),
    "unknown": Trapezoidal(0.00, 0.05, 0.60, 0.85),
}
WHY_BY_OTHERS = {
    "some": "“some” is read as fewer than half, with room for a bad guess",
    "most": "“most” is read as more than half, with room for a bad guess",
    "unknown": "nothing was said; from none to the practice that refers nearly all, many refer about half",
}
# Of root canals that others did before our seat, the share that the ledger shows in some way.
SHOWN_BEFORE = Trapezoidal(0.30, 0.60, 0.90, 1.00)
# Of openings by others, the share that was charted with its day; used where hardly any opening was done here.
CHARTED = Trapezoidal(0.10, 0.30, 0.70, 1.00)
# Of one-surface fillings on a standing crown without a root canal here, the share that closed an opening.
HINT_IS_OPENING = Trapezoidal(0.05, 0.20, 0.60, 0.90)
# Share of failures that the ledger holds, of teeth whose patients still came.
FAILURE_SEEN = Trapezoidal(0.85, 0.92, 0.99, 1.00)
# Errors of the two groups are alike to this extent: the correlation of their normal scores.
ALIKE = 0.8
# How much likelier those unseen were to fail than those seen: a ratio of odds, spread alike on both sides of 1.
MOST_UNLIKE, FLAT_UNLIKE = 2.0, 2.0**0.5
# On the scale of logarithms, 0 for the lowest ratio and 1 for the highest.
UNLIKE = Trapezoidal(0.0, 0.25, 0.75, 1.0)
# What the ledger's own mix of root canals before and after the seat says of undated ones, in crowns.
UNDATED_WEIGHT = 4.0
# With fewer openings done here than this, their number says too little of how many others did.
FEWEST_OWN = 10


@dataclass(frozen=True)
class Beliefs:
    """The laws that a draw takes its numbers from."""

    done_by_others: Prior
    shown_before: Prior = SHOWN_BEFORE
    charted: Prior = CHARTED
    hint_is_opening: Prior = HINT_IS_OPENING
    failure_seen: Prior = FAILURE_SEEN
    alike: float = ALIKE
    unlike: Prior = UNLIKE


def beliefs_of(setting: str) -> Beliefs | None:
    """The beliefs that a word of `root_canals_elsewhere` stands for; None for `none`, which leaves nothing to draw.

    Raises KeyError for another word.
    """
    return None if setting == "none" else Beliefs(DONE_BY_OTHERS[setting])


def assumptions_of(setting: str) -> tuple[Assumption, ...]:
    """The numbers in words, for the methods page; of `none` the one thing that it says."""
    if setting == "none":
        return (Assumption("Root canals done by others", "none", "said in the settings, so nothing is corrected"),)
    by_others = DONE_BY_OTHERS[setting]
    return (
        Assumption("Share of root canals done by others", corners(by_others), _why(WHY_BY_OTHERS[setting])),
        Assumption(
            "Share of those before the seat that the ledger shows",
            corners(SHOWN_BEFORE),
            _why("a tooth is looked at and filmed before it is prepared, and a post or a recorded pulp shows it"),
        ),
        Assumption(
            "Share of openings by others that is charted with its day",
            f"{corners(CHARTED)}; used only with fewer than {FEWEST_OWN} openings done here",
            _why("some practices chart what a letter tells them, some do not"),
        ),
        Assumption(
            "Share of fillings on a standing crown that closed an opening",
            corners(HINT_IS_OPENING),
            _why("the hole of an opening is closed by a filling of one surface, but worn or leaking crowns are too"),
        ),
        Assumption(
            "Share of failures that the ledger holds, while the patient still came",
            f"{corners(FAILURE_SEEN)}, in both groups, correlated by {ALIKE:g}",
            _why("a lost tooth is mostly noticed at the next visit"),
        ),
        Assumption(
            "Odds of failing of those unseen over those seen",
            f"{1 / MOST_UNLIKE:g} to {MOST_UNLIKE:g}, most likely {1 / FLAT_UNLIKE:.2f} to {FLAT_UNLIKE:.2f}",
            _why("a tooth that failed may be charted more carefully, or never be seen again: no direction is known"),
        ),
        Assumption(
            "Share of undated root canals that were before the seat",
            f"as among the dated ones, as if {UNDATED_WEIGHT:g} crowns had been seen",
            _why("nothing tells the order"),
        ),
    )


def corners(prior: Trapezoidal) -> str:
    """A trapezoid in words: `2 to 60 %, most likely 10 to 40 %`."""
    low, one, two, high = (f"{100 * v:.0f}" for v in (prior.low, prior.flat_from, prior.flat_to, prior.high))
    return f"{low} to {high} %, most likely {one} to {two} %"


def _why(reason: str) -> str:
    return f"{reason} ({NO_SOURCE})"
