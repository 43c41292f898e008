"""Edges of the emulated trial by hand, beside the ordinary cases of `test_hyperemic.py`."""

from __future__ import annotations


def test_x():
    pass
