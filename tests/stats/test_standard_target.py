"""Crowns taken from a target keep all that belongs to them."""

import numpy as np

from pipeline.stats.standard_target import Target


def test_the_crowns_taken_keep_their_values():
    x, of_three = np.array([[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]]), np.array([True, False, True])
    target = Target(x, np.array([0, 1, 2]), np.array([0.5, 1.5, 2.5]), np.array([7, 8, 9]))
    found = target.take(of_three)
    assert (found.x.tolist(), found.stratum.tolist()) == ([[1.0, 2.0], [5.0, 6.0]], [0, 2])
    assert found.cluster is not None
    assert (found.weight.tolist(), found.cluster.tolist()) == ([0.5, 2.5], [7, 9])
    assert Target(x, target.stratum, target.weight, None).take(of_three).cluster is None
