"""Slides: pieces to draw them with, the story that the talk tells, and what stands behind it in the appendix."""
