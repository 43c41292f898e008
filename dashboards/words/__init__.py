"""Sentences, each computed from the results that its chart and table show."""
