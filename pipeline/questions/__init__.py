"""One clinical question per module."""
