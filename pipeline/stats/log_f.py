"""A weak belief that coefficients are alike: a log-F prior on their differences, worth a failure in all.

The logarithm of the ratio of two F-distributed rates with m degrees of freedom each adds

    m / 2 * (log p + log(1 - p)),  p = 1 / (1 + exp(-d)),

to the log-likelihood of a difference d of log hazard ratios: what a stratum of two alike but for d would add, in which
each of the two has failed m / 2 times. So m is how many failures the belief is worth, half of them on either side; with
m = 1 it allows, 95 times of 100, that one rate is up to some 650 times the other. A group without failures gets a
finite ratio by it, as if it had up to half a failure, and one with many is left as it is. For the errors between
clusters the two halves count as clusters of their own.
Sources: Greenland 2015.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from pipeline.stats.cox_kernel import Floats


@dataclass(frozen=True, eq=False)
class LogF:
    """The prior: `along` has a row per difference, one number a coefficient; `worth` failures each."""

    along: Floats
    worth: float

    def logarithm(self, beta: Floats) -> float:
        """What it adds to the log-likelihood, 0 where all differences are none."""
        d = self.along @ beta
        return float(self.worth / 2 * np.sum(2 * np.log(2) - np.logaddexp(0, d) - np.logaddexp(0, -d)))

    def score(self, beta: Floats) -> Floats:
        """What it adds to the score."""
        return np.asarray(self.halves(beta).sum(axis=0))

    def halves(self, beta: Floats) -> Floats:
        """The parts of the score: of every difference a row for either side."""
        p = expit(self.along @ beta)
        return self.worth / 2 * np.concatenate(((1 - p)[:, None] * self.along, -p[:, None] * self.along))

    def information(self, beta: Floats) -> Floats:
        """What it adds to the information."""
        p = expit(self.along @ beta)
        return np.asarray(self.along.T @ ((self.worth * p * (1 - p))[:, None] * self.along))

    def per(self, scale: Floats) -> LogF:
        """The same of coefficients that are multiplied by `scale`."""
        return LogF(self.along / scale, self.worth)
