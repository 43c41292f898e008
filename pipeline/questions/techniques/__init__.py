"""Technique questions: one declarative module each, all answered by one engine."""
