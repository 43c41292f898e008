"""A practice compared without the other ways to count, which take the longest and are the subject of few tests."""

from __future__ import annotations

import contextlib
import dataclasses
import unittest.mock
from collections.abc import Iterator

from pipeline.results import Choices, Comparison


@contextlib.contextmanager
def without_recounts(choices: Choices | None = None) -> Iterator[None]:
    """The recounts of the main comparison left out; `choices` stand in their place."""

    def given(main: Comparison, _: object) -> Comparison:
        return main if choices is None else dataclasses.replace(main, choices=choices)

    with (
        unittest.mock.patch("pipeline.stages.compare.explore_choices"),
        unittest.mock.patch("pipeline.stages.compare.with_choices", given),
    ):
        yield
