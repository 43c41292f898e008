"""What the second library is asked, where it has no answer."""

import numpy as np

from pipeline.stats.second_opinion import CoxAsked


def test_a_ratio_without_an_end_is_not_heard_and_stops_no_run() -> None:
    """One tooth of a group, which alone failed: its ratio has no end, and the second library does not come to one."""
    x, event = np.zeros((200, 1)), np.zeros(200, dtype=bool)
    x[0], event[0] = 1, True
    asked = CoxAsked("x", np.ones(1), x, np.arange(10, 210), event, np.zeros(200, dtype=np.int64))
    assert asked.opinion() is None
